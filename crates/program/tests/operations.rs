//! What each operation does, as docs/control-program.md says, on small programs.
#![allow(clippy::unwrap_used)]

use program::assembler::{Assembler, Header, StepPlan};
use program::machine::{Decoded, Machine};
use program::op::*;
use program::quality::{Quality, Sample};
use program::vm::ProcedureCommand;
use program::zone::Zone;
use program::{Command, Program};

const S: i32 = 1_000;

fn header(period_ms: i32) -> Header {
    Header {
        wiring_crc: 0,
        period_ms,
        n_number_inputs: 4,
        n_bit_inputs: 4,
        longest_hand_ms: 3_600 * S,
        zone: Zone::UTC,
        wide: false,
    }
}

fn bits(slots: &[BitRef]) -> BitList {
    List::new(slots, BitRef::TRUE)
}

/// A machine with everything good and 0, and the clock at `clock_s`.
fn machine(program: &Assembler) -> Machine<1> {
    let bytes = program.finish().unwrap();
    let program = Program::validate(&bytes).unwrap();
    let mut machine = Machine::new(Decoded::new(&program));
    for input in 0..4 {
        machine.set_number(input, 0, Sample::good(0));
        machine.set_bit(input, 0, false, Quality::Good);
    }
    machine.set_clock(0, Some(0));
    machine
}

/// A program of one operation on inputs n0..n3, b0..b3; the machine and its result slots.
fn one(op: Op) -> (Machine<1>, BitRef, NumRef) {
    let mut program = Assembler::new(header(S));
    let slot = program.bit(op);
    (machine(&program), slot, NumRef(slot.0))
}

const B0: BitRef = BitRef(2);
const B1: BitRef = BitRef(3);
const B2: BitRef = BitRef(4);
const N0: NumRef = NumRef(0);
const N1: NumRef = NumRef(1);

fn good(machine: &mut Machine<1>, input: usize, value: bool) {
    machine.set_bit(input, 0, value, Quality::Good);
}

/// Runs a bit operation over values of b0 and gives its results.
fn over(machine: &mut Machine<1>, slot: BitRef, values: &[u8]) -> Vec<u8> {
    let mut out = Vec::new();
    for value in values {
        good(machine, 0, *value == 1);
        machine.scan();
        out.push(u8::from(machine.bit(slot, 0).0));
    }
    out
}

#[test]
fn delay_of_n_periods_follows_after_n_scans() {
    let (mut m, slot, _) = one(Op::Delay { input: B0, on_ms: 2 * S, off_ms: S });
    assert_eq!(over(&mut m, slot, &[0, 1, 1, 0, 1, 1, 1, 1, 0, 0, 0]), [0, 0, 0, 0, 0, 0, 1, 1, 1, 0, 0]);
    let (mut m, slot, _) = one(Op::Delay { input: B0, on_ms: 0, off_ms: 2 * S });
    assert_eq!(over(&mut m, slot, &[0, 1, 0, 0, 1, 0, 0, 0]), [0, 1, 1, 1, 1, 1, 1, 0]);
    // A preset between periods counts up to the next scan.
    let (mut m, slot, _) = one(Op::Delay { input: B0, on_ms: 1_500, off_ms: 0 });
    assert_eq!(over(&mut m, slot, &[1, 1, 1, 1]), [0, 0, 1, 1]);
}

#[test]
fn delay_stands_still_while_its_input_is_bad() {
    let (mut m, slot, _) = one(Op::Delay { input: B0, on_ms: 2 * S, off_ms: 0 });
    assert_eq!(over(&mut m, slot, &[1, 1]), [0, 0]);
    m.set_bit(0, 0, false, Quality::Bad);
    m.scan();
    assert_eq!(m.bit(slot, 0), (false, Quality::Bad));
    assert_eq!(over(&mut m, slot, &[1]), [1]);
}

#[test]
fn alarm_counts_a_bad_condition_as_true() {
    let (mut m, slot, _) = one(Op::Alarm { priority: Priority::High, input: B0, on_ms: S, off_ms: 0 });
    m.set_bit(0, 0, false, Quality::Bad);
    m.scan();
    m.scan();
    assert_eq!(m.bit(slot, 0), (true, Quality::Bad));
}

#[test]
fn switch_holds_between_its_thresholds() {
    let (mut m, slot, _) = one(Op::Switch { rising: false, input: N0, start: 25_200, width: 400 });
    let mut out = Vec::new();
    for value in [25_300, 25_200, 25_199, 25_400, 25_600, 25_601, 25_400, 25_000] {
        m.set_number(0, 0, Sample::good(value));
        m.scan();
        out.push(u8::from(m.bit(slot, 0).0));
    }
    assert_eq!(out, [0, 0, 1, 1, 1, 0, 0, 1]);
    m.set_number(0, 0, Sample::BAD);
    m.scan();
    assert_eq!(m.bit(slot, 0), (true, Quality::Bad));
}

#[test]
fn set_reset_lets_reset_win() {
    let (mut m, slot, _) = one(Op::SetReset { set: B0, reset: B1 });
    assert_eq!(over(&mut m, slot, &[0, 1, 0]), [0, 1, 1]);
    good(&mut m, 1, true);
    assert_eq!(over(&mut m, slot, &[1, 0]), [0, 0]);
}

/// The table of degradation: for each vote and each pattern of good true (1), good false (0) and bad (x) operands.
#[test]
fn votes_degrade_as_the_document_says() {
    for (vote, pattern, value, quality) in [
        (Vote::OneOfTwo, "10", true, Quality::Good),
        (Vote::OneOfTwo, "00", false, Quality::Good),
        (Vote::OneOfTwo, "1x", true, Quality::Uncertain),
        (Vote::OneOfTwo, "0x", false, Quality::Uncertain),
        (Vote::OneOfTwo, "xx", false, Quality::Bad),
        (Vote::TwoOfTwo, "10", false, Quality::Good),
        (Vote::TwoOfTwo, "11", true, Quality::Good),
        (Vote::TwoOfTwo, "1x", true, Quality::Uncertain),
        (Vote::TwoOfTwo, "0x", false, Quality::Uncertain),
        (Vote::TwoOfTwo, "xx", false, Quality::Bad),
        (Vote::TwoOfThree, "100", false, Quality::Good),
        (Vote::TwoOfThree, "110", true, Quality::Good),
        (Vote::TwoOfThree, "10x", true, Quality::Uncertain),
        (Vote::TwoOfThree, "00x", false, Quality::Uncertain),
        (Vote::TwoOfThree, "1xx", true, Quality::Uncertain),
        (Vote::TwoOfThree, "0xx", false, Quality::Uncertain),
        (Vote::TwoOfThree, "xxx", false, Quality::Bad),
    ] {
        let (mut m, slot, _) = one(Op::VoteBits { vote, inputs: bits(&[B0, B1, B2][..pattern.len()]) });
        for (input, state) in pattern.chars().enumerate() {
            let quality = if state == 'x' { Quality::Bad } else { Quality::Good };
            m.set_bit(input, 0, state == '1', quality);
        }
        m.scan();
        assert_eq!(m.bit(slot, 0), (value, quality), "{vote:?} {pattern}");
    }
}

#[test]
fn probes_degrade_as_the_document_says() {
    let run = |combine, values: [Option<i32>; 3]| {
        let inputs = List::new(&[N0, N1, NumRef(2)], N0);
        let (mut m, _, slot) = one(Op::Probes { combine, inputs });
        for (input, value) in values.into_iter().enumerate() {
            m.set_number(input, 0, value.map_or(Sample::BAD, Sample::good));
        }
        m.scan();
        m.number(slot, 0)
    };
    let all = [Some(25_000), Some(99_000), Some(25_101)];
    assert_eq!(run(Combine::MidValue, all), Sample::good(25_101));
    assert_eq!(run(Combine::Mean, all), Sample::good(49_700));
    assert_eq!(run(Combine::Lowest, all), Sample::good(25_000));
    assert_eq!(run(Combine::Highest, all), Sample::good(99_000));
    assert_eq!(run(Combine::MidValue, [Some(25_000), None, Some(25_101)]), Sample::uncertain(25_050));
    assert_eq!(run(Combine::MidValue, [None, None, Some(-3)]), Sample::uncertain(-3));
    assert_eq!(run(Combine::Highest, [None, None, None]), Sample::BAD);
    // The mean of negative odd sums is rounded down.
    assert_eq!(run(Combine::Mean, [Some(-1), Some(-2), None]), Sample::uncertain(-2));
}

#[test]
fn trip_latches_until_its_cause_is_gone_and_it_may() {
    let (mut m, slot, _) = one(Op::Trip { cause: B0, resets: Resets::Counted { when: B1, per_day: 2 } });
    good(&mut m, 1, true);
    // Two resets by itself, then it stays.
    assert_eq!(over(&mut m, slot, &[1, 0, 1, 0, 1, 0, 0]), [1, 0, 1, 0, 1, 1, 1]);
    m.command(0, Command::ResetTrip { trip: 0 });
    good(&mut m, 0, true);
    m.scan();
    assert!(m.is_tripped(0, 0), "a standing cause cannot be reset");
    good(&mut m, 0, false);
    m.scan();
    assert!(m.is_tripped(0, 0), "a command that had no effect is not kept");
    m.command(0, Command::ResetTrip { trip: 0 });
    m.scan();
    assert!(!m.is_tripped(0, 0));
    // The operator's reset gives the counted ones back; so does a new UTC day.
    assert_eq!(over(&mut m, slot, &[1, 0, 1, 0, 1, 0]), [1, 0, 1, 0, 1, 1]);
    m.set_clock(0, Some(86_400));
    m.scan();
    assert!(!m.is_tripped(0, 0));
    m.set_bit(0, 0, false, Quality::Bad);
    m.scan();
    assert_eq!(m.bit(slot, 0), (true, Quality::Good), "a trip with a bad input trips");
}

#[test]
fn trips_and_totals_survive_a_reset_and_nothing_else_does() {
    let mut program = Assembler::new(header(S));
    let trip = program.bit(Op::Trip { cause: B0, resets: Resets::Manual });
    let today = program.number(Op::TotalRun { running: B1, is_daily: true });
    let ever = program.number(Op::TotalVolume { rate: N0, running: B1, is_daily: false });
    let delay = program.bit(Op::Delay { input: B1, on_ms: 5 * S, off_ms: 0 });
    let mut m = machine(&program);
    m.set_number(0, 0, Sample::good(60_000));
    good(&mut m, 0, true);
    good(&mut m, 1, true);
    for _ in 0..11 {
        m.scan();
    }
    assert!(m.bit(delay, 0).0);
    good(&mut m, 0, false);
    m.restart(0);
    m.set_number(0, 0, Sample::good(60_000));
    for input in 0..4 {
        good(&mut m, input, false);
    }
    m.set_clock(0, Some(0));
    m.scan();
    assert!(m.bit(trip, 0).0);
    // 60 mL/min for ten periods.
    assert_eq!((m.number(today, 0).value, m.number(ever, 0).value), (10, 10));
    assert!(!m.bit(delay, 0).0);
    m.set_clock(0, Some(86_400));
    m.scan();
    assert_eq!((m.number(today, 0).value, m.number(ever, 0).value), (0, 10));
}

/// With the clock lost a day ends after 25 h of running.
#[test]
fn a_lost_clock_still_ends_days() {
    let mut program = Assembler::new(header(10 * S));
    let today = program.number(Op::TotalRun { running: BitRef::TRUE, is_daily: true });
    let mut m = machine(&program);
    m.set_clock(0, None);
    for _ in 0..9_000 {
        m.scan();
    }
    assert_eq!(m.number(today, 0).value, 89_990);
    m.scan();
    assert_eq!((m.number(today, 0).value, m.day(0)), (10, 1));
    // A clock that comes back earlier than the day that was counted on does not begin it again.
    m.set_clock(0, Some(100));
    m.scan();
    assert_eq!(m.number(today, 0).value, 20);
}

#[test]
fn totals_lose_nothing_to_rounding() {
    let mut program = Assembler::new(header(S));
    let total = program.number(Op::TotalVolume { rate: N0, running: BitRef::TRUE, is_daily: true });
    let mut m = machine(&program);
    // 3.001 mL/min for 1000 min: 3001 mL.
    m.set_number(0, 0, Sample::good(3_001));
    for _ in 0..=60_000 {
        m.scan();
    }
    assert_eq!(m.number(total, 0).value, 3_001);
}

#[test]
fn stall_wants_gain_within_its_time() {
    let stall = Op::Stall { falling: false, running: B0, input: N0, time_ms: 5 * S, gain: 200 };
    let (mut m, slot, _) = one(stall);
    good(&mut m, 0, true);
    let stalled_after = |m: &mut Machine<1>, values: &[i32]| {
        for value in values {
            m.set_number(0, 0, Sample::good(*value));
            m.scan();
        }
        m.bit(slot, 0).0
    };
    assert!(!stalled_after(&mut m, &[0, 100, 150, 200, 250, 300, 390]));
    assert!(!stalled_after(&mut m, &[400, 401, 402, 403, 404]));
    assert!(stalled_after(&mut m, &[405]));
    good(&mut m, 0, false);
    assert!(!stalled_after(&mut m, &[405]));
}

/// Closed form: after n periods the rest of a step is `(1 - T/tau)^n` of it (first-order difference equation); the
/// remainder carried keeps the integer within 1 of it, and the end is exact.
#[test]
fn lag_follows_its_closed_form_and_ends_exactly() {
    let (mut m, _, slot) = one(Op::Lag { input: N0, time_ms: 600 * S });
    m.scan();
    m.set_number(0, 0, Sample::good(10_000));
    let mut exact = 0.0_f64;
    for n in 1..20_000 {
        m.scan();
        exact += (10_000.0 - exact) / 600.0;
        let off = f64::from(m.number(slot, 0).value) - exact;
        assert!(off.abs() <= 1.5, "scan {n}: {off}");
    }
    assert_eq!(m.number(slot, 0).value, 10_000);
    m.set_number(0, 0, Sample::good(9_999));
    for _ in 0..601 {
        m.scan();
    }
    assert_eq!(m.number(slot, 0).value, 9_999, "even one unit is not lost");
}

#[test]
fn rate_is_the_change_over_its_window() {
    let (mut m, _, slot) = one(Op::Rate { input: N0, window_ms: 40 * S });
    for k in 0..=60 {
        m.set_number(0, 0, Sample::good(k * 7));
        m.scan();
        let sample = m.number(slot, 0);
        assert_eq!(sample.quality, if k < 40 { Quality::Uncertain } else { Quality::Good }, "{k}");
    }
    assert_eq!(m.number(slot, 0).value, 280);
}

#[test]
fn scale_rounds_to_nearest_and_saturates() {
    let run = |value, multiplier, divisor, offset| {
        let (mut m, _, slot) = one(Op::Scale { input: N0, multiplier, divisor, offset });
        m.set_number(0, 0, Sample::good(value));
        m.scan();
        m.number(slot, 0).value
    };
    assert_eq!((run(5, 1, 2, 0), run(-5, 1, 2, 0), run(-4, 1, 3, 10)), (3, -3, 9));
    assert_eq!((run(i32::MAX, 1_000, 1, 0), run(i32::MIN, 1_000, 1, 0)), (i32::MAX, i32::MIN));
}

#[test]
fn curve_is_linear_between_its_points_and_flat_outside() {
    let mut program = Assembler::new(header(S));
    let slot = program.curve(N0, &[(-100, 0), (0, 50), (200, -150)]);
    let mut m = machine(&program);
    for (x, y) in [(-200, 0), (-100, 0), (-50, 25), (0, 50), (1, 49), (100, -50), (200, -150), (5_000, -150)]
    {
        m.set_number(0, 0, Sample::good(x));
        m.scan();
        assert_eq!(m.number(slot, 0).value, y, "{x}");
    }
}

#[test]
fn windows_and_ramps_wrap_over_midnight() {
    let hour = 3_600 * S;
    let mut program = Assembler::new(header(S));
    let time = program.number(Op::Time(TimeKind::LocalTimeOfDay));
    let window = program.bit(Op::Window { time, from_ms: 22 * hour, to_ms: 10 * hour });
    let ramp =
        program.number(Op::Ramp { time, from_ms: 20 * hour, to_ms: 2 * hour, ramp_ms: hour, highest: 800 });
    let day = program.number(Op::Ramp { time, from_ms: 0, to_ms: 24 * hour, ramp_ms: 0, highest: 700 });
    let mut m = machine(&program);
    for (minute, inside, duty) in [
        (0, true, 800),
        (90, true, 400),
        (120, true, 0),
        (599, true, 0),
        (600, false, 0),
        (1_200, false, 0),
        (1_230, false, 400),
        (1_320, true, 800),
    ] {
        m.set_clock(0, Some(minute * 60));
        m.scan();
        assert_eq!((m.bit(window, 0).0, m.number(ramp, 0).value), (inside, duty), "minute {minute}");
        assert_eq!(m.number(day, 0).value, 700);
    }
    m.set_clock(0, None);
    m.scan();
    assert_eq!(m.bit(window, 0).1, Quality::Bad);
}

/// A pump of 60 mL/min, 120 mL a day in 4 portions: each portion 30 s of running, whatever else.
#[test]
fn doses_keep_their_volume() {
    let mut program = Assembler::new(header(S));
    let running = program.forward();
    let time = program.number(Op::Time(TimeKind::UtcTimeOfDay));
    let dose = Dose { time, rate: N0, running, volume_ml: 120, n_portions: 4, from_ms: 0, to_ms: 0 };
    let due = program.bit(Op::Dose(dose));
    let drive =
        program.bit(Op::Drive { auto: due, stage: Stage::PLAIN, shortest_run_ms: 0, shortest_rest_ms: 0 });
    program.bind(running, drive);
    let total = program.number(Op::TotalVolume { rate: N0, running, is_daily: false });
    let mut m = machine(&program);
    m.set_number(0, 0, Sample::good(60_000));
    for k in 0..2 * 86_400 {
        m.set_clock(0, Some(k));
        m.scan();
    }
    // The portion in which the board started is not begun: it might have been given before the reset.
    assert_eq!(m.number(total, 0).value, 7 * 30);
    m.set_clock(0, None);
    m.scan();
    assert_eq!(m.output(0, 0), 0, "a lost clock doses nothing");
}

#[test]
fn modulation_acts_both_ways_and_does_not_wind_up() {
    let pi = Modulate {
        input: N0,
        setpoint: 25_000,
        is_cooling: true,
        gain: 400,
        integral_ms: 600 * S,
        lowest: 100,
        highest: 1_000,
    };
    let (mut m, _, slot) = one(Op::Modulate(pi));
    let duty_at = |m: &mut Machine<1>, value: i32, n_scans: u32| {
        m.set_number(0, 0, Sample::good(value));
        for _ in 0..n_scans {
            m.scan();
        }
        m.number(slot, 0).value
    };
    assert_eq!(duty_at(&mut m, 25_500, 1), 200, "half a kelvin at 400 permille a kelvin");
    // An integral time later the integral has added the proportional part once more.
    let later = duty_at(&mut m, 25_500, 600);
    assert!((398..=402).contains(&later), "{later}");
    assert_eq!(duty_at(&mut m, 40_000, 100_000), 1_000);
    assert_eq!(duty_at(&mut m, 24_000, 1), 100, "no windup: a cold tank is not cooled for hours");
    m.set_number(0, 0, Sample::BAD);
    m.scan();
    assert_eq!(m.number(slot, 0), Sample { value: 100, quality: Quality::Bad });
}

/// Every combination of trip, permissive, hand, procedure and rule, by the order of precedence.
#[test]
fn precedence_is_trip_permissive_hand_procedure_rule() {
    for case in 0_u32..1 << 9 {
        let flag = |bit: u32| case >> bit & 1 == 1;
        let (rule, permitted, tripped) = (flag(0), flag(1), flag(2));
        let procedure = flag(3).then_some(flag(4));
        let hand = flag(5).then_some(flag(6));
        let (on_when_tripped, modulated) = (flag(7), flag(8));
        let mut program = Assembler::new(header(S));
        let forces = procedure.map(|is_on| Force { drive: 0, is_on }).into_iter().collect();
        program.procedure(BitRef::FALSE, &[StepPlan { end: StepEnd::Timed, longest_ms: 60 * S, forces }]);
        let stage = Stage { permissive: B1, trip: B2, on_when_tripped, ..Stage::PLAIN };
        if modulated {
            let condition = B0;
            let auto = program.number(Op::Select {
                condition,
                yes: Source::Constant(1_000),
                no: Source::Constant(0),
            });
            program.number(Op::DriveDuty { auto, stage });
        } else {
            program.bit(Op::Drive { auto: B0, stage, shortest_run_ms: 0, shortest_rest_ms: 0 });
        }
        let mut m = machine(&program);
        good(&mut m, 0, rule);
        good(&mut m, 1, permitted);
        good(&mut m, 2, tripped);
        m.command(0, Command::Procedure { procedure: 0, command: ProcedureCommand::Start });
        if let Some(on) = hand {
            m.command(0, Command::Hand { drive: 0, value: if on { 1_000 } else { 0 }, time_ms: 10 * S });
        }
        m.scan();
        let wanted = if tripped { on_when_tripped } else { permitted && hand.or(procedure).unwrap_or(rule) };
        assert_eq!(m.output(0, 0), if wanted { 1_000 } else { 0 }, "case {case:b}");
    }
}

#[test]
fn bad_inputs_of_a_final_stage() {
    for (when_blind, wanted) in [(WhenBlind::Off, 0), (WhenBlind::On, 1_000), (WhenBlind::Hold, 1_000)] {
        let stage = Stage { permissive: B1, trip: B2, when_blind, ..Stage::PLAIN };
        let (mut m, slot, _) = one(Op::Drive { auto: B0, stage, shortest_run_ms: 0, shortest_rest_ms: 0 });
        good(&mut m, 1, true);
        assert_eq!(over(&mut m, slot, &[1]), [1]);
        m.set_bit(0, 0, false, Quality::Bad);
        m.scan();
        assert_eq!(m.output(0, 0), wanted, "{when_blind:?}");
        assert_eq!(m.bit(slot, 0).1, Quality::Good, "an output is known");
        m.set_bit(1, 0, true, Quality::Bad);
        m.scan();
        assert_eq!(m.output(0, 0), 0, "a bad permissive does not permit");
        good(&mut m, 1, true);
        m.set_bit(2, 0, false, Quality::Bad);
        m.scan();
        assert_eq!(m.output(0, 0), 0, "a bad trip trips");
    }
}

#[test]
fn hand_always_ends() {
    let (mut m, slot, _) =
        one(Op::Drive { auto: B0, stage: Stage::PLAIN, shortest_run_ms: 0, shortest_rest_ms: 0 });
    m.command(0, Command::Hand { drive: 0, value: 1, time_ms: 3 * S });
    assert_eq!(over(&mut m, slot, &[0, 0, 0, 0, 0]), [1, 1, 1, 0, 0]);
    m.command(0, Command::Hand { drive: 0, value: 1, time_ms: i32::MAX });
    assert_eq!(m.hand_left_ms(0, 0), 3_600 * S, "never longer than the program allows");
    m.scan();
    m.command(0, Command::Hand { drive: 0, value: 1, time_ms: 0 });
    assert_eq!(over(&mut m, slot, &[0]), [0], "given back");
}

#[test]
fn shortest_run_rest_and_start_delay() {
    let stage = Stage { trip: B2, start_delay_ms: 3 * S, ..Stage::PLAIN };
    let (mut m, slot, _) =
        one(Op::Drive { auto: B0, stage, shortest_run_ms: 3 * S, shortest_rest_ms: 2 * S });
    assert_eq!(over(&mut m, slot, &[1, 1, 1, 1, 0, 0, 0, 1, 1, 1]), [0, 0, 0, 1, 1, 1, 0, 0, 1, 1]);
    good(&mut m, 2, true);
    assert_eq!(over(&mut m, slot, &[1]), [0], "a trip does not wait for the shortest run");
    good(&mut m, 2, false);
    assert_eq!(over(&mut m, slot, &[1, 1, 1]), [0, 1, 1]);
    // After a reset the rest counts anew, as nobody knows how long the actuator has stood.
    let (mut m, slot, _) =
        one(Op::Drive { auto: B0, stage: Stage::PLAIN, shortest_run_ms: 0, shortest_rest_ms: 2 * S });
    assert_eq!(over(&mut m, slot, &[1, 1, 1]), [0, 0, 1]);
    let on = Stage { on_at_power_up: true, start_delay_ms: 2 * S, ..Stage::PLAIN };
    let (mut m, slot, _) = one(Op::Drive { auto: B0, stage: on, shortest_run_ms: 0, shortest_rest_ms: 0 });
    assert_eq!(over(&mut m, slot, &[0, 0, 0]), [1, 1, 0]);
}

#[test]
fn procedures_step_and_end_by_themselves() {
    let off = |drive| Force { drive, is_on: false };
    let mut program = Assembler::new(header(S));
    let steps = [
        StepPlan { end: StepEnd::Timed, longest_ms: 2 * S, forces: vec![off(0), off(1)] },
        StepPlan { end: StepEnd::When(B0), longest_ms: 5 * S, forces: vec![off(1)] },
        StepPlan { end: StepEnd::Confirmed, longest_ms: 3 * S, forces: vec![off(0)] },
    ];
    program.procedure(B1, &steps);
    for _ in 0..2 {
        let auto = BitRef::TRUE;
        program.bit(Op::Drive { auto, stage: Stage::PLAIN, shortest_run_ms: 0, shortest_rest_ms: 0 });
    }
    let mut m = machine(&program);
    let tell =
        |m: &mut Machine<1>, command| assert!(m.command(0, Command::Procedure { procedure: 0, command }));
    let scans = |m: &mut Machine<1>, n: usize| -> Vec<(i32, i32, i32)> {
        (0..n)
            .map(|_| {
                m.scan();
                (m.procedure_step(0, 0), m.output(0, 0), m.output(1, 0))
            })
            .collect()
    };
    assert_eq!(scans(&mut m, 1), [(0, 1_000, 1_000)]);
    tell(&mut m, ProcedureCommand::Start);
    assert_eq!(scans(&mut m, 4), [(1, 0, 0), (1, 0, 0), (2, 1_000, 0), (2, 1_000, 0)]);
    good(&mut m, 0, true);
    assert_eq!(scans(&mut m, 4), [(3, 0, 1_000), (3, 0, 1_000), (3, 0, 1_000), (0, 1_000, 1_000)]);
    // Confirmation shortens any step; the abort condition and a bad one end it; so does a reset.
    tell(&mut m, ProcedureCommand::Start);
    scans(&mut m, 1);
    tell(&mut m, ProcedureCommand::Confirm);
    assert_eq!(scans(&mut m, 1)[0].0, 2);
    m.set_bit(1, 0, false, Quality::Bad);
    assert_eq!(scans(&mut m, 1), [(0, 1_000, 1_000)]);
    good(&mut m, 1, false);
    tell(&mut m, ProcedureCommand::Start);
    scans(&mut m, 1);
    m.restart(0);
    good(&mut m, 1, false);
    assert_eq!(scans(&mut m, 1)[0].0, 0);
}

#[test]
fn substitutes_make_uncertain() {
    let (mut m, _, slot) = one(Op::Substitute { input: N0, fallback: Source::Slot(N1) });
    m.set_number(0, 0, Sample::BAD);
    m.set_number(1, 0, Sample::good(7));
    m.scan();
    assert_eq!(m.number(slot, 0), Sample::uncertain(7));
    m.set_number(1, 0, Sample::BAD);
    m.scan();
    assert_eq!(m.number(slot, 0).quality, Quality::Bad);
    let (mut m, slot, _) = one(Op::SubstituteBit { input: B0, fallback: BitRef::TRUE });
    m.set_bit(0, 0, false, Quality::Bad);
    m.scan();
    assert_eq!(m.bit(slot, 0), (true, Quality::Uncertain));
    let (mut m, slot, _) = one(Op::QualityTest(Doubt::NumberNotGood(N0)));
    m.set_number(0, 0, Sample::uncertain(1));
    m.scan();
    assert_eq!(m.bit(slot, 0), (true, Quality::Good));
}
