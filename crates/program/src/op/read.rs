//! Bytes to operations, with every check on the inside of an operation.

use super::*;
use crate::codec::Reader;
use crate::format::LoadError;

const DUTY_FULL: i32 = 1_000;

/// Coordinates of a curve lie within this, so that the difference of two is an `i32`.
pub(crate) const CURVE_REACH: i32 = 1_000_000_000;

fn read_bits(reader: &mut Reader<'_>, n: usize) -> Result<BitList, LoadError> {
    let mut items = [BitRef::TRUE; 8];
    for item in items.iter_mut().take(n) {
        *item = reader.bit()?;
    }
    Ok(List { n_items: n.min(8) as u8, items })
}

/// `all` and `any` hold 2, 3 or 4 operands by variant; variant 3 counts 5 to 8.
fn read_counted_bits(reader: &mut Reader<'_>, variant: u8) -> Result<BitList, LoadError> {
    let n = if variant < 3 { u32::from(variant) + 2 } else { reader.unsigned_in(5..=8)? };
    read_bits(reader, n as usize)
}

fn read_source(reader: &mut Reader<'_>, is_constant: bool) -> Result<Source, LoadError> {
    Ok(if is_constant { Source::Constant(reader.decimal()?) } else { Source::Slot(reader.number()?) })
}

/// What byte h of a drive says of bad demands; nothing when it says what does not exist.
fn when_blind(has: u8) -> Option<WhenBlind> {
    match has >> stage_bits::BLIND_SHIFT & 3 {
        0 => Some(WhenBlind::Off),
        1 => Some(WhenBlind::On),
        2 => Some(WhenBlind::Hold),
        _ => None,
    }
}

fn read_stage(
    reader: &mut Reader<'_>,
    has: u8,
    when_blind: WhenBlind,
    variant: u8,
) -> Result<Stage, LoadError> {
    use stage_bits::*;
    Ok(Stage {
        permissive: if has & PERMISSIVE != 0 { reader.bit()? } else { BitRef::TRUE },
        trip: if has & TRIP != 0 { reader.bit()? } else { BitRef::FALSE },
        when_blind,
        on_at_power_up: has & ON_AT_POWER_UP != 0,
        on_when_tripped: variant == 1,
        start_delay_ms: if has & START_DELAY != 0 { reader.duration()? } else { 0 },
    })
}

impl Step {
    pub(crate) fn read(reader: &mut Reader<'_>) -> Result<Step, LoadError> {
        let at = reader.position();
        let head = reader.byte()?;
        if head >> 6 == 3 {
            return Err(LoadError::Variant { at });
        }
        let longest_ms = reader.duration()?;
        let end = match head >> 6 {
            0 => StepEnd::Timed,
            1 => StepEnd::Confirmed,
            _ => StepEnd::When(reader.bit()?),
        };
        Ok(Step { end, longest_ms, n_forces: head & 0x3F })
    }
}

impl Op {
    /// Reads the next operation. Procedures and curves are read whole; their parts are checked here too.
    #[inline]
    pub fn read(reader: &mut Reader<'_>) -> Result<Op, LoadError> {
        let at = reader.position();
        let head = reader.byte()?;
        let variant = head >> 6;
        let bad_variant = LoadError::Variant { at };
        let only = |n: u8| if variant < n { Ok(()) } else { Err(bad_variant) };
        let relation = || match variant {
            0 => Ok(Relation::Above),
            1 => Ok(Relation::AtLeast),
            2 => Ok(Relation::Equal),
            _ => Err(bad_variant),
        };
        Ok(match head & 0x3F {
            0x01 => Op::Compare { relation: relation()?, input: reader.number()?, limit: reader.decimal()? },
            0x02 => Op::CompareSlots { relation: relation()?, a: reader.number()?, b: reader.number()? },
            0x03 => {
                only(2)?;
                let (input, start) = (reader.number()?, reader.decimal()?);
                Op::Switch { rising: variant == 1, input, start, width: reader.decimal_in(0..=i32::MAX)? }
            }
            0x04 => {
                only(1)?;
                Op::SetReset { set: reader.bit()?, reset: reader.bit()? }
            }
            0x05 => Op::All(read_counted_bits(reader, variant)?),
            0x06 => Op::Any(read_counted_bits(reader, variant)?),
            0x07 => {
                let vote = match variant {
                    0 => Vote::OneOfTwo,
                    1 => Vote::TwoOfTwo,
                    2 => Vote::TwoOfThree,
                    _ => return Err(bad_variant),
                };
                Op::VoteBits { vote, inputs: read_bits(reader, vote.n_operands())? }
            }
            0x08 => {
                only(3)?;
                let input = reader.bit()?;
                let on_ms = if variant == 1 { 0 } else { reader.duration()? };
                let off_ms = if variant == 0 { 0 } else { reader.duration()? };
                Op::Delay { input, on_ms, off_ms }
            }
            0x09 => {
                only(3)?;
                let cause = reader.bit()?;
                let resets = match variant {
                    0 => Resets::Manual,
                    1 => {
                        let when = reader.bit()?;
                        Resets::Counted { when, per_day: reader.unsigned_in(1..=255)? as u8 }
                    }
                    _ => Resets::Unlimited { when: reader.bit()? },
                };
                Op::Trip { cause, resets }
            }
            0x0A => {
                only(2)?;
                let (running, input) = (reader.bit()?, reader.number()?);
                let time_ms = reader.duration()?;
                Op::Stall {
                    falling: variant == 1,
                    running,
                    input,
                    time_ms,
                    gain: reader.decimal_in(1..=i32::MAX)?,
                }
            }
            0x0B => Op::QualityTest(match variant {
                0 => Doubt::NumberBad(reader.number()?),
                1 => Doubt::NumberNotGood(reader.number()?),
                2 => Doubt::BitBad(reader.bit()?),
                _ => Doubt::BitNotGood(reader.bit()?),
            }),
            0x0C => {
                only(1)?;
                let (a, b) = (reader.number()?, reader.number()?);
                Op::Disagree { a, b, limit: reader.decimal_in(0..=i32::MAX)? }
            }
            0x0D => {
                only(1)?;
                let time = reader.number()?;
                let from_ms = reader.duration_in(0..=DAY_MS)?;
                Op::Window { time, from_ms, to_ms: reader.duration_in(0..=DAY_MS)? }
            }
            0x0E => {
                only(1)?;
                Op::SubstituteBit { input: reader.bit()?, fallback: reader.bit()? }
            }
            code @ (0x0F | 0x12) => {
                let priority = match variant {
                    0 => Priority::Low,
                    1 => Priority::Medium,
                    2 => Priority::High,
                    _ => return Err(bad_variant),
                };
                let (input, on_ms) = (reader.bit()?, reader.duration()?);
                let off_ms = if code == 0x0F { reader.duration()? } else { 0 };
                Op::Alarm { priority, input, on_ms, off_ms }
            }
            0x10 => {
                only(2)?;
                let has = reader.byte()?;
                let when_blind = when_blind(has).ok_or(bad_variant)?;
                let auto = reader.bit()?;
                let stage = read_stage(reader, has, when_blind, variant)?;
                let mut time = |bit: u8| if has & bit != 0 { reader.duration() } else { Ok(0) };
                Op::Drive {
                    auto,
                    stage,
                    shortest_run_ms: time(stage_bits::SHORTEST_RUN)?,
                    shortest_rest_ms: time(stage_bits::SHORTEST_REST)?,
                }
            }
            0x11 => {
                only(1)?;
                let (time, rate, running) = (reader.number()?, reader.number()?, reader.bit()?);
                let volume_ml = reader.decimal_in(0..=i32::MAX)?;
                let n_portions = reader.unsigned_in(1..=96)? as u8;
                let from_ms = reader.duration_in(0..=DAY_MS)?;
                let to_ms = reader.duration_in(0..=DAY_MS)?;
                if volume_ml / i32::from(n_portions) >= MAX_PORTION_ML {
                    return Err(LoadError::Range { at });
                }
                Op::Dose(Dose { time, rate, running, volume_ml, n_portions, from_ms, to_ms })
            }
            0x20 => {
                only(1)?;
                Op::Constant(reader.decimal()?)
            }
            0x21 => {
                let kind = match variant {
                    0 => Arithmetic::Sum,
                    1 => Arithmetic::Difference,
                    2 => Arithmetic::Minimum,
                    _ => Arithmetic::Maximum,
                };
                Op::Arithmetic { kind, a: reader.number()?, b: reader.number()? }
            }
            0x22 => {
                only(1)?;
                let (input, multiplier) = (reader.number()?, reader.decimal()?);
                let divisor = reader.decimal_in(1..=i32::MAX)?;
                Op::Scale { input, multiplier, divisor, offset: reader.decimal()? }
            }
            0x23 => {
                only(1)?;
                let (input, lowest) = (reader.number()?, reader.decimal()?);
                Op::Clamp { input, lowest, highest: reader.decimal_in(lowest..=i32::MAX)? }
            }
            0x24 => {
                only(1)?;
                Op::Lag { input: reader.number()?, time_ms: reader.duration()? }
            }
            0x25 => {
                only(1)?;
                Op::Rate { input: reader.number()?, window_ms: reader.duration_in(1_000..=i32::MAX)? }
            }
            0x26 => {
                let combine = match variant {
                    0 => Combine::Mean,
                    1 => Combine::MidValue,
                    2 => Combine::Lowest,
                    _ => Combine::Highest,
                };
                let n_items = reader.unsigned_in(2..=4)? as u8;
                let mut items = [NumRef(0); 4];
                for item in items.iter_mut().take(n_items as usize) {
                    *item = reader.number()?;
                }
                Op::Probes { combine, inputs: List { n_items, items } }
            }
            0x27 => {
                only(2)?;
                let input = reader.number()?;
                Op::Substitute { input, fallback: read_source(reader, variant == 0)? }
            }
            0x28 => {
                let condition = reader.bit()?;
                let yes = read_source(reader, variant & 1 == 0)?;
                Op::Select { condition, yes, no: read_source(reader, variant & 2 == 0)? }
            }
            0x29 => Op::Time(match variant {
                0 => TimeKind::LocalTimeOfDay,
                1 => TimeKind::Weekday,
                2 => TimeKind::DayOfYear,
                _ => TimeKind::UtcTimeOfDay,
            }),
            0x2A => {
                only(1)?;
                let time = reader.number()?;
                let from_ms = reader.duration_in(0..=DAY_MS)?;
                let to_ms = reader.duration_in(0..=DAY_MS)?;
                let ramp_ms = reader.duration_in(0..=DAY_MS / 2)?;
                Op::Ramp { time, from_ms, to_ms, ramp_ms, highest: reader.decimal_in(0..=DUTY_FULL)? as i16 }
            }
            0x2B => {
                only(1)?;
                let input = reader.number()?;
                let n_points = reader.unsigned_in(2..=16)? as u8;
                let start = reader.position();
                let mut last = None;
                for _ in 0..n_points {
                    let at = reader.position();
                    let x = reader.decimal_in(-CURVE_REACH..=CURVE_REACH)?;
                    reader.decimal_in(-CURVE_REACH..=CURVE_REACH)?;
                    if last.is_some_and(|last| x <= last) {
                        return Err(LoadError::Range { at });
                    }
                    last = Some(x);
                }
                Op::Curve { input, n_points, at: start as u16 }
            }
            0x2C => {
                only(2)?;
                Op::TotalVolume { rate: reader.number()?, running: reader.bit()?, is_daily: variant == 0 }
            }
            0x2D => {
                only(2)?;
                Op::TotalRun { running: reader.bit()?, is_daily: variant == 0 }
            }
            0x2E => {
                only(2)?;
                let (input, setpoint) = (reader.number()?, reader.decimal()?);
                let gain = reader.decimal_in(0..=1_000_000)?;
                let integral_ms = reader.duration()?;
                let lowest = reader.decimal_in(0..=DUTY_FULL)?;
                let highest = reader.decimal_in(lowest..=DUTY_FULL)? as i16;
                let lowest = lowest as i16;
                Op::Modulate(Modulate {
                    input,
                    setpoint,
                    is_cooling: variant == 1,
                    gain,
                    integral_ms,
                    lowest,
                    highest,
                })
            }
            0x2F => {
                only(2)?;
                let has = reader.byte()?;
                if has & (stage_bits::SHORTEST_RUN | stage_bits::SHORTEST_REST) != 0 {
                    return Err(bad_variant);
                }
                let when_blind = when_blind(has).ok_or(bad_variant)?;
                let auto = reader.number()?;
                Op::DriveDuty { auto, stage: read_stage(reader, has, when_blind, variant)? }
            }
            0x30 => {
                only(2)?;
                let abort = if variant == 1 { reader.bit()? } else { BitRef::FALSE };
                let n_steps = reader.unsigned_in(1..=32)? as u8;
                let start = reader.position();
                for _ in 0..n_steps {
                    let step = Step::read(reader)?;
                    for _ in 0..step.n_forces {
                        reader.byte()?;
                    }
                }
                Op::Procedure { abort, n_steps, at: start as u16 }
            }
            code => return Err(LoadError::UnknownOperation { at, code }),
        })
    }
}
