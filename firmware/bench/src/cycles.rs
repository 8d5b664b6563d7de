//! Cycles of each operation on the ATmega328P, the worst found: programs with eight copies of one operation and with none, run on the
//! simulated chip over drawn inputs; the difference of the longest scans, by eight.
//!
//! Programs stand in EEPROM, where reading them takes longest. It is a measured worst, not a proof: [`MARGIN_PERCENT`] is added.

use crate::chip::Result;
use crate::vm::{Place, VmChip, inputs_of};
use program::assembler::{Assembler, Header, StepPlan};
use program::generate::Draw;
use program::op::*;
use program::zone::{Change, Daylight, Zone};
use program::{BitRef, NumRef, Op, Quality, Sample};

/// Added to what was measured.
pub const MARGIN_PERCENT: u64 = 10;

const N_COPIES: usize = 8;
const N_NUMBERS: u8 = 6;
const N_BITS: u8 = 8;

/// One row of the table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// Code of the operation, as in `docs/control-program.md`.
    pub code: u8,
    /// Its name there.
    pub name: &'static str,
    /// Cycles, margin included.
    pub cycles: u64,
    /// Cycles for each item beyond the first two of a list, each point beyond two of a curve, each step beyond one of a procedure.
    pub per_item: u64,
}

/// Makes one operation (or curve, or procedure) with `n_items` in its list.
type Make = fn(&mut Assembler, &mut Draw, usize);

struct Kind {
    code: u8,
    name: &'static str,
    make: Make,
    /// Fewest and most items of its list.
    items: Option<(usize, usize)>,
}

fn number(draw: &mut Draw) -> NumRef {
    NumRef(draw.below(N_NUMBERS.into()) as u16)
}

fn bit(draw: &mut Draw) -> BitRef {
    let slot = BitRef(2 + draw.below(N_BITS.into()) as u16);
    if draw.below(2) == 0 { slot } else { !slot }
}

/// Constants as long as they get in the program, and such as decide something.
fn constant(draw: &mut Draw) -> i32 {
    match draw.below(3) {
        0 => 536_870_911 - draw.below(1_000_000) as i32,
        1 => -536_870_911 + draw.below(1_000_000) as i32,
        _ => 20_000 + draw.below(12_000) as i32,
    }
}

fn duration(draw: &mut Draw) -> i32 {
    match draw.below(3) {
        0 => 1_000,
        1 => 1 + draw.below(20_000) as i32,
        _ => 1_000_000_001 + draw.below(70_000_000) as i32,
    }
}

fn day_time(draw: &mut Draw) -> i32 {
    86_399_999 - draw.below(86_399_999) as i32
}

fn one_of<T: Copy>(draw: &mut Draw, items: &[T]) -> T {
    items[draw.below(items.len() as u32) as usize]
}

fn stage(draw: &mut Draw) -> Stage {
    Stage {
        permissive: bit(draw),
        trip: bit(draw),
        when_blind: one_of(draw, &[WhenBlind::Off, WhenBlind::On, WhenBlind::Hold]),
        on_at_power_up: draw.below(2) == 0,
        on_when_tripped: draw.below(2) == 0,
        start_delay_ms: duration(draw),
    }
}

fn bits(draw: &mut Draw, n: usize) -> BitList {
    let items: Vec<BitRef> = (0..n).map(|_| bit(draw)).collect();
    List::new(&items, BitRef::TRUE)
}

fn kinds() -> Vec<Kind> {
    let plain = |code, name, make| Kind { code, name, make, items: None };
    let listed = |code, name, make, from, to| Kind { code, name, make, items: Some((from, to)) };
    vec![
        plain(0x01, "compare", |a, d, _| {
            let relation = one_of(d, &[Relation::Above, Relation::AtLeast, Relation::Equal]);
            a.bit(Op::Compare { relation, input: number(d), limit: constant(d) });
        }),
        plain(0x02, "compare slots", |a, d, _| {
            let relation = one_of(d, &[Relation::Above, Relation::AtLeast, Relation::Equal]);
            a.bit(Op::CompareSlots { relation, a: number(d), b: number(d) });
        }),
        plain(0x03, "switch", |a, d, _| {
            let width = 530_000_000 + d.below(1_000) as i32;
            a.bit(Op::Switch { rising: d.below(2) == 0, input: number(d), start: constant(d), width });
        }),
        plain(0x04, "set-reset", |a, d, _| {
            a.bit(Op::SetReset { set: bit(d), reset: bit(d) });
        }),
        listed(
            0x05,
            "all",
            |a, d, n| {
                a.bit(Op::All(bits(d, n)));
            },
            2,
            8,
        ),
        listed(
            0x06,
            "any",
            |a, d, n| {
                a.bit(Op::Any(bits(d, n)));
            },
            2,
            8,
        ),
        plain(0x07, "vote", |a, d, _| {
            let vote = one_of(d, &[Vote::OneOfTwo, Vote::TwoOfTwo, Vote::TwoOfThree]);
            a.bit(Op::VoteBits { vote, inputs: bits(d, vote.n_operands()) });
        }),
        plain(0x08, "delay", |a, d, _| {
            a.bit(Op::Delay { input: bit(d), on_ms: duration(d), off_ms: duration(d) });
        }),
        plain(0x09, "trip", |a, d, _| {
            let resets = match d.below(3) {
                0 => Resets::Manual,
                1 => Resets::Counted { when: bit(d), per_day: 200 },
                _ => Resets::Unlimited { when: bit(d) },
            };
            a.bit(Op::Trip { cause: bit(d), resets });
        }),
        plain(0x0A, "stall", |a, d, _| {
            a.bit(Op::Stall {
                falling: d.below(2) == 0,
                running: bit(d),
                input: number(d),
                time_ms: duration(d),
                gain: 1 + d.below(500_000_000) as i32,
            });
        }),
        plain(0x0B, "quality test", |a, d, _| {
            let doubt = match d.below(4) {
                0 => Doubt::NumberBad(number(d)),
                1 => Doubt::NumberNotGood(number(d)),
                2 => Doubt::BitBad(bit(d)),
                _ => Doubt::BitNotGood(bit(d)),
            };
            a.bit(Op::QualityTest(doubt));
        }),
        plain(0x0C, "disagree", |a, d, _| {
            a.bit(Op::Disagree { a: number(d), b: number(d), limit: d.below(500_000_000) as i32 });
        }),
        plain(0x0D, "window", |a, d, _| {
            a.bit(Op::Window { time: number(d), from_ms: day_time(d), to_ms: day_time(d) });
        }),
        plain(0x0E, "substitute bit", |a, d, _| {
            a.bit(Op::SubstituteBit { input: bit(d), fallback: bit(d) });
        }),
        plain(0x0F, "alarm", |a, d, _| {
            let priority = one_of(d, &[Priority::Low, Priority::Medium, Priority::High]);
            a.bit(Op::Alarm { priority, input: bit(d), on_ms: duration(d), off_ms: duration(d) });
        }),
        plain(0x10, "drive", |a, d, _| {
            let (shortest_run_ms, shortest_rest_ms) = (duration(d), duration(d));
            a.bit(Op::Drive { auto: bit(d), stage: stage(d), shortest_run_ms, shortest_rest_ms });
        }),
        plain(0x11, "dose", |a, d, _| {
            a.bit(Op::Dose(Dose {
                time: number(d),
                rate: number(d),
                running: bit(d),
                volume_ml: 7_000 + d.below(999) as i32,
                n_portions: 1 + d.below(96) as u8,
                from_ms: day_time(d),
                to_ms: day_time(d),
            }));
        }),
        plain(0x12, "alarm without return delay", |a, d, _| {
            let priority = one_of(d, &[Priority::Low, Priority::Medium, Priority::High]);
            a.bit(Op::Alarm { priority, input: bit(d), on_ms: duration(d), off_ms: 0 });
        }),
        plain(0x20, "constant", |a, d, _| {
            a.number(Op::Constant(constant(d)));
        }),
        plain(0x21, "arithmetic", |a, d, _| {
            let kind = one_of(
                d,
                &[Arithmetic::Sum, Arithmetic::Difference, Arithmetic::Minimum, Arithmetic::Maximum],
            );
            a.number(Op::Arithmetic { kind, a: number(d), b: number(d) });
        }),
        plain(0x22, "scale", |a, d, _| {
            let divisor =
                if d.below(2) == 0 { 1 + d.below(5_000) as i32 } else { 400_000_000 + d.below(9) as i32 };
            a.number(Op::Scale { input: number(d), multiplier: constant(d), divisor, offset: constant(d) });
        }),
        plain(0x23, "clamp", |a, d, _| {
            let lowest = constant(d);
            a.number(Op::Clamp { input: number(d), lowest, highest: 536_870_911 });
        }),
        plain(0x24, "lag", |a, d, _| {
            a.number(Op::Lag { input: number(d), time_ms: duration(d) });
        }),
        plain(0x25, "rate", |a, d, _| {
            a.number(Op::Rate { input: number(d), window_ms: duration(d).max(1_000) });
        }),
        listed(
            0x26,
            "combine",
            |a, d, n| {
                let items: Vec<NumRef> = (0..n).map(|_| number(d)).collect();
                let combine =
                    one_of(d, &[Combine::Mean, Combine::MidValue, Combine::Lowest, Combine::Highest]);
                a.number(Op::Probes { combine, inputs: List::new(&items, NumRef(0)) });
            },
            2,
            4,
        ),
        plain(0x27, "substitute", |a, d, _| {
            let fallback =
                if d.below(2) == 0 { Source::Slot(number(d)) } else { Source::Constant(constant(d)) };
            a.number(Op::Substitute { input: number(d), fallback });
        }),
        plain(0x28, "select", |a, d, _| {
            let mut source =
                || if d.below(2) == 0 { Source::Slot(number(d)) } else { Source::Constant(constant(d)) };
            let (yes, no) = (source(), source());
            a.number(Op::Select { condition: bit(d), yes, no });
        }),
        plain(0x29, "time", |a, d, _| {
            let kind = one_of(
                d,
                &[TimeKind::LocalTimeOfDay, TimeKind::Weekday, TimeKind::DayOfYear, TimeKind::UtcTimeOfDay],
            );
            a.number(Op::Time(kind));
        }),
        plain(0x2A, "ramp", |a, d, _| {
            a.number(Op::Ramp {
                time: number(d),
                from_ms: day_time(d),
                to_ms: day_time(d),
                ramp_ms: 43_200_000 - d.below(40_000_000) as i32,
                highest: 1_000 - d.below(500) as i16,
            });
        }),
        listed(
            0x2B,
            "curve",
            |a, d, n| {
                let step = 33_000_000 + d.below(1_000_000) as i32;
                let points: Vec<(i32, i32)> =
                    (0..n as i32).map(|at| (-250_000_000 + at * step, constant(d))).collect();
                a.curve(number(d), &points);
            },
            2,
            16,
        ),
        plain(0x2C, "total volume", |a, d, _| {
            a.number(Op::TotalVolume { rate: number(d), running: bit(d), is_daily: d.below(2) == 0 });
        }),
        plain(0x2D, "total run", |a, d, _| {
            a.number(Op::TotalRun { running: bit(d), is_daily: d.below(2) == 0 });
        }),
        plain(0x2E, "modulate", |a, d, _| {
            a.number(Op::Modulate(Modulate {
                input: number(d),
                setpoint: constant(d),
                is_cooling: d.below(2) == 0,
                gain: 1_000_000 - d.below(1_000_000) as i32,
                integral_ms: duration(d),
                lowest: d.below(400) as i16,
                highest: 1_000 - d.below(400) as i16,
            }));
        }),
        plain(0x2F, "drive, modulated", |a, d, _| {
            a.number(Op::DriveDuty { auto: number(d), stage: stage(d) });
        }),
        listed(
            0x30,
            "procedure",
            |a, d, n| {
                let steps: Vec<StepPlan> = (0..n)
                    .map(|_| StepPlan {
                        end: StepEnd::When(bit(d)),
                        longest_ms: duration(d),
                        forces: vec![Force { drive: 0, is_on: true }, Force { drive: 0, is_on: false }],
                    })
                    .collect();
                a.procedure(bit(d), &steps);
            },
            1,
            6,
        ),
    ]
}

fn header(draw: &mut Draw) -> Header {
    let mut change = |month: u32| Change {
        month: month as u8,
        week: 1 + draw.below(5) as u8,
        weekday: draw.below(7) as u8,
        minute: 120,
    };
    let daylight = Some(Daylight { quarters: 8, start: change(3), end: change(10) });
    Header {
        wiring_crc: 0,
        period_ms: one_of(draw, &[250, 1_000, 1_750, 10_000]),
        n_number_inputs: N_NUMBERS,
        n_bit_inputs: N_BITS,
        longest_hand_ms: 3_600_000,
        zone: Zone { standard_quarters: 4, daylight },
        wide: false,
    }
}

/// The longest scan of a program with `n` copies of a kind, over drawn inputs.
fn longest(chip: &mut VmChip, kind: &Kind, n: usize, n_items: usize, seed: u64) -> Result<u64> {
    let mut draw = Draw::new(seed);
    let mut program = Assembler::new(header(&mut draw));
    let mut seeds = Draw::new(seed + 1_000);
    // All copies are the same, so that the worst of one is that of all.
    let copy = seeds.next_word();
    for _ in 0..n {
        (kind.make)(&mut program, &mut Draw::new(copy), n_items);
    }
    // Something to force for procedures; in both programs.
    program.bit(Op::Drive {
        auto: BitRef::TRUE,
        stage: Stage::PLAIN,
        shortest_run_ms: 0,
        shortest_rest_ms: 0,
    });
    let bytes = program.finish().map_err(|error| format!("{}: {error}", kind.name))?;
    let outcome = chip.compare_program(&bytes, Place::Eeprom, 24, |scan, _| {
        let mut draw = Draw::new(seed << 20 ^ u64::from(scan / 2));
        let numbers = (0..N_NUMBERS)
            .map(|_| match draw.below(4) {
                0 => Sample::good(2_000_000_000 - draw.below(1_000_000) as i32),
                1 => Sample::good(-2_000_000_000 + draw.below(1_000_000) as i32),
                2 => Sample::good(draw.below(86_400_000) as i32),
                _ => Sample::good(20_000 + draw.below(12_000) as i32),
            })
            .collect();
        let bits = (0..N_BITS).map(|_| (draw.below(2) == 0, Quality::Good)).collect();
        // The end of a leap year of the far end of the clock's range is the longest way through the calendar.
        let clock_s = 4_070_908_799 + draw.below(200_000_000) + scan;
        inputs_of(numbers, bits, Some(clock_s))
    })?;
    if outcome.is_too_large {
        return Err(format!("{}: {n} copies are too large for the chip", kind.name));
    }
    Ok(outcome.longest_scan)
}

/// Measures all operations; `n_draws` programs each. The first row is what a scan costs beside its operations.
pub fn measure(n_draws: u64) -> Result<Vec<Row>> {
    let mut chip = VmChip::start()?;
    let kinds = kinds();
    let with_margin = |cycles: u64| (cycles * (100 + MARGIN_PERCENT)).div_ceil(100);
    let mut rows = Vec::new();
    let mut empty = 0;
    for seed in 0..n_draws {
        empty = empty.max(longest(&mut chip, &kinds[0], 0, 0, seed)?);
    }
    rows.push(Row { code: 0, name: "a scan without operations", cycles: with_margin(empty), per_item: 0 });
    for kind in &kinds {
        let mut worst = |n_items: usize| -> Result<u64> {
            // Long curves would not fit the EEPROM eight times, totals not the record of what is retained.
            let n_copies = if n_items > 8 || matches!(kind.code, 0x2C | 0x2D) { 4 } else { N_COPIES };
            let mut worst = 0;
            for seed in 0..n_draws {
                let with = longest(&mut chip, kind, n_copies, n_items, seed)?;
                let without = longest(&mut chip, kind, 0, n_items, seed)?;
                worst = worst.max(with.saturating_sub(without).div_ceil(n_copies as u64));
            }
            Ok(worst)
        };
        let (fewest, most) = kind.items.unwrap_or((0, 0));
        let few = worst(fewest)?;
        let per_item = match kind.items {
            Some(_) => worst(most)?.saturating_sub(few).div_ceil((most - fewest) as u64),
            None => 0,
        };
        rows.push(Row {
            code: kind.code,
            name: kind.name,
            cycles: with_margin(few),
            per_item: with_margin(per_item),
        });
    }
    Ok(rows)
}
