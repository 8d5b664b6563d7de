//! A hand-assembled program of the size of the main example: 13 actuators, 12 sensors and floats on the board's
//! inputs, 12 alarms, 2 procedures. The numbers are those of the mended Harbour Lane (thresholds in m°C, µm, milli-pH).
#![allow(clippy::unwrap_used, dead_code)]

use program::assembler::{Assembler, Header, StepPlan};
use program::op::*;
use program::zone::Zone;

const S: i32 = 1_000;
const MIN: i32 = 60 * S;
const H: i32 = 60 * MIN;

fn any(items: &[BitRef]) -> Op {
    Op::Any(List::new(items, BitRef::TRUE))
}

fn all(items: &[BitRef]) -> Op {
    Op::All(List::new(items, BitRef::TRUE))
}

fn below(input: NumRef, start: i32, width: i32) -> Op {
    Op::Switch { rising: false, input, start, width }
}

fn above(input: NumRef, start: i32, width: i32) -> Op {
    Op::Switch { rising: true, input, start, width }
}

fn over(input: NumRef, limit: i32) -> Op {
    Op::Compare { relation: Relation::Above, input, limit }
}

fn drive(auto: BitRef, stage: Stage) -> Op {
    Op::Drive { auto, stage, shortest_run_ms: 0, shortest_rest_ms: 0 }
}

/// The program's bytes.
pub fn harbour() -> Vec<u8> {
    let zone = Zone::parse("CET-1CEST,M3.5.0,M10.5.0/3").unwrap();
    let mut p = Assembler::new(Header {
        wiring_crc: 0x1234_5678,
        period_ms: S,
        n_number_inputs: 6,
        n_bit_inputs: 7,
        longest_hand_ms: 4 * H,
        zone,
        wide: false,
    });
    let [display_1, display_2, sump, ph, top_off_rate, lime_rate] =
        [0, 1, 2, 3, 4, 5].map(|i| p.number_input(i));
    let [f1, f2, f3, f4, f5, leak_1, leak_2] = [0, 1, 2, 3, 4, 5, 6].map(|i| p.bit_input(i));
    let force =
        |drives: &[u8], is_on| drives.iter().map(move |drive| Force { drive: *drive, is_on }).collect();

    // Feeding: return and skimmer off, then skimmer alone.
    p.procedure(
        BitRef::FALSE,
        &[
            StepPlan { end: StepEnd::Timed, longest_ms: 10 * MIN, forces: force(&[0, 1], false) },
            StepPlan { end: StepEnd::Timed, longest_ms: 20 * MIN, forces: force(&[1], false) },
        ],
    );
    // Water change: return, skimmer, both dosing pumps and the sump heater off until confirmed.
    p.procedure(
        BitRef::FALSE,
        &[
            StepPlan { end: StepEnd::Confirmed, longest_ms: H, forces: force(&[0, 1, 2, 3, 4], false) },
            StepPlan { end: StepEnd::Timed, longest_ms: 30 * MIN, forces: force(&[1, 2, 3], false) },
        ],
    );
    let (return_on, top_off_on, lime_on, heater_on) = (p.forward(), p.forward(), p.forward(), p.forward());
    let time = p.number(Op::Time(TimeKind::LocalTimeOfDay));
    let display = p
        .number(Op::Probes { combine: Combine::Mean, inputs: List::new(&[display_1, display_2], NumRef(0)) });

    // Floats: moving water needs its delay.
    let call = p.bit(Op::Delay { input: f1, on_ms: 10 * S, off_ms: 10 * S });
    let sump_high = p.bit(Op::Delay { input: f2, on_ms: 5 * S, off_ms: 5 * S });
    let chamber_ok = p.bit(Op::Delay { input: !f3, on_ms: 60 * S, off_ms: 5 * S });
    let skimmer_high = p.bit(Op::Delay { input: f4, on_ms: 5 * S, off_ms: 60 * S });
    let display_high = p.bit(Op::Delay { input: f5, on_ms: 20 * S, off_ms: 60 * S });

    // Temperature protection: independent master cut, three resets a day.
    let hottest = p.number(Op::Probes {
        combine: Combine::Highest,
        inputs: List::new(&[display_1, display_2, sump], NumRef(0)),
    });
    let too_hot = p.bit(over(hottest, 27_800));
    let cool = p.bit(over(hottest, 26_000));
    let master = p.bit(Op::Trip { cause: too_hot, resets: Resets::Counted { when: !cool, per_day: 3 } });
    let return_proven = p.bit(Op::Delay { input: return_on, on_ms: 60 * S, off_ms: 0 });
    let stalled =
        p.bit(Op::Stall { falling: false, running: heater_on, input: sump, time_ms: 3 * H, gain: 200 });

    // Top-off limits: longest run, volume a day, high float; latching.
    let top_off_long = p.bit(Op::Delay { input: top_off_on, on_ms: H, off_ms: 0 });
    let top_off_today = p.number(Op::TotalVolume { rate: top_off_rate, running: top_off_on, is_daily: true });
    let top_off_much = p.bit(over(top_off_today, 10_000));
    let top_off_cause = p.bit(any(&[top_off_long, top_off_much, sump_high]));
    let top_off_trip = p.bit(Op::Trip { cause: top_off_cause, resets: Resets::Manual });
    let lime_today = p.number(Op::TotalVolume { rate: lime_rate, running: lime_on, is_daily: true });
    let lime_much = p.bit(over(lime_today, 1_820));
    let lime_cause = p.bit(any(&[lime_much, sump_high]));
    let lime_trip = p.bit(Op::Trip { cause: lime_cause, resets: Resets::Manual });
    let lime_window = p.bit(Op::Window { time, from_ms: 22 * H, to_ms: 10 * H });
    let ph_high = p.bit(Op::Compare { relation: Relation::AtLeast, input: ph, limit: 8_400 });

    let plain = Stage::PLAIN;
    // 0 return, 1 skimmer, 2 top-off, 3 lime, 4 sump heater, 5 display heater, 6 circulation 1, 7 circulation 2, 8 fan,
    // 9 light, 10 air, 11 stirrer, 12 buzzer.
    let return_ok = p.bit(all(&[chamber_ok, !display_high]));
    let return_pump =
        p.bit(drive(BitRef::TRUE, Stage { permissive: return_ok, start_delay_ms: 20 * S, ..plain }));
    p.bind(return_on, return_pump);
    p.bit(drive(BitRef::TRUE, Stage { permissive: !skimmer_high, start_delay_ms: 10 * MIN, ..plain }));
    let may_top_off = p.bit(all(&[!skimmer_high, !display_high]));
    let top_off = p.bit(drive(
        call,
        Stage { permissive: may_top_off, trip: top_off_trip, start_delay_ms: 15 * MIN, ..plain },
    ));
    p.bind(top_off_on, top_off);
    let lime_auto = p.bit(all(&[call, lime_window, !ph_high]));
    let lime = p.bit(drive(lime_auto, Stage { trip: lime_trip, start_delay_ms: 15 * MIN, ..plain }));
    p.bind(lime_on, lime);
    let heat_sump = p.bit(below(sump, 25_200, 400));
    let heater = p.bit(Op::Drive {
        auto: heat_sump,
        stage: Stage { permissive: return_proven, trip: master, start_delay_ms: MIN, ..plain },
        shortest_run_ms: 0,
        shortest_rest_ms: 3 * MIN,
    });
    p.bind(heater_on, heater);
    let heat_display = p.bit(below(display, 24_900, 400));
    p.bit(Op::Drive {
        auto: heat_display,
        stage: Stage { trip: master, when_blind: WhenBlind::On, start_delay_ms: MIN, ..plain },
        shortest_run_ms: 0,
        shortest_rest_ms: 3 * MIN,
    });
    p.bit(drive(BitRef::TRUE, Stage { on_at_power_up: true, ..plain }));
    p.bit(drive(BitRef::TRUE, Stage { on_at_power_up: true, ..plain }));
    let warm = p.bit(above(display, 26_400, 400));
    p.bit(drive(warm, Stage { when_blind: WhenBlind::On, ..plain }));
    let light_cut = p.bit(above(display, 28_000, 500));
    let light =
        p.number(Op::Ramp { time, from_ms: 10 * H, to_ms: 19 * H + 30 * MIN, ramp_ms: H, highest: 1_000 });
    p.number(Op::DriveDuty { auto: light, stage: Stage { permissive: !light_cut, ..plain } });
    p.bit(drive(BitRef::TRUE, Stage { on_at_power_up: true, ..plain }));
    let stir = p.bit(Op::Window { time, from_ms: 12 * H, to_ms: 12 * H + 20 * MIN });
    p.bit(drive(stir, plain));

    // Alarms.
    let low = p.bit(Op::Compare { relation: Relation::AtLeast, input: display, limit: 23_500 });
    let hot = p.bit(over(display, 27_500));
    let apart = p.bit(Op::Disagree { a: display_1, b: display_2, limit: 600 });
    let leak = p.bit(any(&[leak_1, leak_2]));
    let mut alarm = |priority, input, on_ms, off_ms| p.bit(Op::Alarm { priority, input, on_ms, off_ms });
    let (l, m, h) = (Priority::Low, Priority::Medium, Priority::High);
    let alarms = [
        alarm(h, leak, S, MIN),
        alarm(h, master, 0, 0),
        alarm(h, hot, 5 * MIN, 5 * MIN),
        alarm(h, !low, 10 * MIN, 5 * MIN),
        alarm(m, top_off_trip, 0, 0),
        alarm(m, lime_trip, 0, 0),
        alarm(h, display_high, 0, MIN),
        alarm(m, skimmer_high, 0, MIN),
        alarm(h, !chamber_ok, 0, MIN),
        alarm(m, stalled, 0, MIN),
        alarm(l, apart, 10 * MIN, 10 * MIN),
        alarm(m, ph_high, 30 * MIN, 30 * MIN),
    ];
    let loud = p.bit(any(&[alarms[0], alarms[1], alarms[2], alarms[3], alarms[6], alarms[8]]));
    p.bit(drive(loud, plain));
    p.finish().unwrap()
}
