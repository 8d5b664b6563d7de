//! A program as readable text, for snapshots and for people who look inside.

use crate::format::{Placed, Program};
use crate::op::*;
use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

fn num(slot: NumRef) -> String {
    format!("n{}", slot.0)
}

fn bit(slot: BitRef) -> String {
    match slot {
        BitRef::TRUE => "true".into(),
        BitRef::FALSE => "false".into(),
        _ => format!("{}b{}", if slot.is_negated() { "!" } else { "" }, slot.index()),
    }
}

fn bits(list: &[BitRef]) -> String {
    list.iter().map(|slot| bit(*slot)).collect::<Vec<_>>().join(" ")
}

fn source(source: Source) -> String {
    match source {
        Source::Slot(slot) => num(slot),
        Source::Constant(value) => format!("{value}"),
    }
}

/// A duration in the largest unit that holds it whole.
fn time(ms: i32) -> String {
    match ms {
        0 => "0".into(),
        _ if ms % 3_600_000 == 0 => format!("{}h", ms / 3_600_000),
        _ if ms % 60_000 == 0 => format!("{}min", ms / 60_000),
        _ if ms % 1_000 == 0 => format!("{}s", ms / 1_000),
        _ => format!("{ms}ms"),
    }
}

fn relation(relation: Relation) -> &'static str {
    match relation {
        Relation::Above => ">",
        Relation::AtLeast => ">=",
        Relation::Equal => "=",
    }
}

fn stage(stage: &Stage) -> String {
    let mut out = String::new();
    if stage.permissive != BitRef::TRUE {
        out += &format!(" permissive {}", bit(stage.permissive));
    }
    if stage.trip != BitRef::FALSE {
        out += &format!(" trip {}", bit(stage.trip));
    }
    if stage.start_delay_ms != 0 {
        out += &format!(" start_delay {}", time(stage.start_delay_ms));
    }
    out += &format!(" when_blind {}", format!("{:?}", stage.when_blind).to_lowercase());
    if stage.on_at_power_up {
        out += " power_up on";
    }
    if stage.on_when_tripped {
        out += " tripped on";
    }
    out
}

fn resets(resets: &Resets) -> String {
    match resets {
        Resets::Manual => "by operator".into(),
        Resets::Counted { when, per_day } => format!("when {} {per_day} per day", bit(*when)),
        Resets::Unlimited { when } => format!("when {}", bit(*when)),
    }
}

fn operation(program: &Program<'_>, op: &Op) -> String {
    match *op {
        Op::Compare { relation: kind, input, limit } => format!("{} {} {limit}", num(input), relation(kind)),
        Op::CompareSlots { relation: kind, a, b } => format!("{} {} {}", num(a), relation(kind), num(b)),
        Op::Switch { rising, input, start, width } => {
            let way = if rising { "above" } else { "below" };
            format!("switch {} {way} {start} width {width}", num(input))
        }
        Op::SetReset { set, reset } => format!("set {} reset {}", bit(set), bit(reset)),
        Op::All(ref list) => format!("all {}", bits(list.as_slice())),
        Op::Any(ref list) => format!("any {}", bits(list.as_slice())),
        Op::VoteBits { vote, ref inputs } => {
            let name = match vote {
                Vote::OneOfTwo => "1oo2",
                Vote::TwoOfTwo => "2oo2",
                Vote::TwoOfThree => "2oo3",
            };
            format!("{name} {}", bits(inputs.as_slice()))
        }
        Op::Delay { input, on_ms, off_ms } => {
            format!("delay {} on {} off {}", bit(input), time(on_ms), time(off_ms))
        }
        Op::Trip { cause, resets: ref how } => format!("trip {} reset {}", bit(cause), resets(how)),
        Op::Stall { falling, running, input, time_ms, gain } => {
            let way = if falling { "fall" } else { "rise" };
            format!("stall {} {} on without {way} of {} by {gain}", bit(running), time(time_ms), num(input))
        }
        Op::QualityTest(Doubt::NumberBad(slot)) => format!("bad {}", num(slot)),
        Op::QualityTest(Doubt::NumberNotGood(slot)) => format!("not_good {}", num(slot)),
        Op::QualityTest(Doubt::BitBad(slot)) => format!("bad {}", bit(slot)),
        Op::QualityTest(Doubt::BitNotGood(slot)) => format!("not_good {}", bit(slot)),
        Op::Disagree { a, b, limit } => format!("disagree {} {} by {limit}", num(a), num(b)),
        Op::Window { time: t, from_ms, to_ms } => {
            format!("window {} from {} to {}", num(t), time(from_ms), time(to_ms))
        }
        Op::SubstituteBit { input, fallback } => format!("substitute {} by {}", bit(input), bit(fallback)),
        Op::Alarm { priority, input, on_ms, off_ms } => {
            let priority = format!("{priority:?}").to_lowercase();
            format!("alarm {priority} {} on {} off {}", bit(input), time(on_ms), time(off_ms))
        }
        Op::Drive { auto, stage: ref last, shortest_run_ms, shortest_rest_ms } => {
            let mut out = format!("drive {}{}", bit(auto), stage(last));
            if shortest_run_ms != 0 {
                out += &format!(" shortest_run {}", time(shortest_run_ms));
            }
            if shortest_rest_ms != 0 {
                out += &format!(" shortest_rest {}", time(shortest_rest_ms));
            }
            out
        }
        Op::Dose(dose) => format!(
            "dose {} mL in {} portions at {} rate {} running {} from {} to {}",
            dose.volume_ml,
            dose.n_portions,
            num(dose.time),
            num(dose.rate),
            bit(dose.running),
            time(dose.from_ms),
            time(dose.to_ms)
        ),
        Op::Constant(value) => format!("{value}"),
        Op::Arithmetic { kind, a, b } => {
            let name = match kind {
                Arithmetic::Sum => "sum",
                Arithmetic::Difference => "difference",
                Arithmetic::Minimum => "min",
                Arithmetic::Maximum => "max",
            };
            format!("{name} {} {}", num(a), num(b))
        }
        Op::Scale { input, multiplier, divisor, offset } => {
            format!("scale {} * {multiplier} / {divisor} + {offset}", num(input))
        }
        Op::Clamp { input, lowest, highest } => format!("clamp {} {lowest} to {highest}", num(input)),
        Op::Lag { input, time_ms } => format!("lag {} {}", num(input), time(time_ms)),
        Op::Rate { input, window_ms } => format!("rate {} over {}", num(input), time(window_ms)),
        Op::Probes { combine, ref inputs } => {
            let name = match combine {
                Combine::Mean => "mean",
                Combine::MidValue => "mid_value",
                Combine::Lowest => "lowest",
                Combine::Highest => "highest",
            };
            let list: Vec<String> = inputs.as_slice().iter().map(|slot| num(*slot)).collect();
            format!("{name} {}", list.join(" "))
        }
        Op::Substitute { input, fallback } => format!("substitute {} by {}", num(input), source(fallback)),
        Op::Select { condition, yes, no } => {
            format!("select {} {} else {}", bit(condition), source(yes), source(no))
        }
        Op::Time(TimeKind::LocalTimeOfDay) => "local_time".into(),
        Op::Time(TimeKind::Weekday) => "weekday".into(),
        Op::Time(TimeKind::DayOfYear) => "day_of_year".into(),
        Op::Time(TimeKind::UtcTimeOfDay) => "utc_time".into(),
        Op::Ramp { time: t, from_ms, to_ms, ramp_ms, highest } => {
            let (from, to, ramp) = (time(from_ms), time(to_ms), time(ramp_ms));
            format!("ramp {} from {from} to {to} over {ramp} highest {highest}", num(t))
        }
        Op::Curve { input, n_points, at } => {
            let mut reader = program.reader(at.into());
            let mut out = format!("curve {}", num(input));
            for _ in 0..n_points {
                let (x, y) = (reader.decimal().unwrap_or(0), reader.decimal().unwrap_or(0));
                out += &format!(" {x}:{y}");
            }
            out
        }
        Op::TotalVolume { rate, running, is_daily } => {
            format!("volume{} {} while {}", if is_daily { "_today" } else { "" }, num(rate), bit(running))
        }
        Op::TotalRun { running, is_daily } => {
            format!("run{} {}", if is_daily { "_today" } else { "" }, bit(running))
        }
        Op::Modulate(pi) => {
            let way = if pi.is_cooling { "cooling" } else { "heating" };
            format!(
                "modulate {way} {} to {} gain {} integral {} from {} to {}",
                num(pi.input),
                pi.setpoint,
                pi.gain,
                time(pi.integral_ms),
                pi.lowest,
                pi.highest
            )
        }
        Op::DriveDuty { auto, stage: ref last } => format!("drive {}{}", num(auto), stage(last)),
        Op::Procedure { abort, n_steps, at } => procedure(program, abort, n_steps, at),
    }
}

fn procedure(program: &Program<'_>, abort: BitRef, n_steps: u8, at: u16) -> String {
    let mut out = String::from("procedure");
    if abort != BitRef::FALSE {
        out += &format!(" abort {}", bit(abort));
    }
    let mut reader = program.reader(at.into());
    for number in 1..=n_steps {
        let Ok(step) = Step::read(&mut reader) else { break };
        let end = match step.end {
            StepEnd::Timed => String::from("for"),
            StepEnd::Confirmed => "until confirmed within".into(),
            StepEnd::When(slot) => format!("until {} within", bit(slot)),
        };
        out += &format!("\n      step {number} {end} {}:", time(step.longest_ms));
        for _ in 0..step.n_forces {
            let force = Force::from_byte(reader.byte().unwrap_or(0));
            out += &format!(" drive{} {}", force.drive, if force.is_on { "on" } else { "off" });
        }
    }
    out
}

/// One line an operation: its result slot, what it does, and the bytes it takes.
pub fn disassemble(program: &Program<'_>) -> String {
    let sizes = program.sizes();
    let mut out = format!(
        "{} bytes, wiring {:08x}, period {} ms, {} number and {} bit inputs, {} operations, {} cells\n",
        program.bytes().len(),
        program.wiring_crc(),
        program.period_ms(),
        program.n_number_inputs(),
        program.n_bit_inputs(),
        sizes.n_ops,
        sizes.n_cells
    );
    for Placed { op, result, ordinal, .. } in program.ops() {
        let bank = if op.gives_bit() { 'b' } else { 'n' };
        let ordinal = if op.is_drive() { format!(" (drive{ordinal})") } else { String::new() };
        out += &format!("  {bank}{result} = {}{ordinal}\n", operation(program, &op));
    }
    out
}
