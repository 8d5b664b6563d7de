//! Operations to bytes: the inverse of [`Op::read`], for the assembler.

use super::*;
use crate::codec::{put_bit, put_decimal, put_duration, put_number, put_unsigned};
use alloc::vec::Vec;

/// Collects one operation's bytes and remembers whether everything had a form.
struct Writer<'a> {
    out: &'a mut Vec<u8>,
    wide: bool,
    fits: bool,
}

impl Writer<'_> {
    fn head(&mut self, code: u8, variant: u8) -> &mut Self {
        self.out.push(code | variant << 6);
        self
    }

    fn byte(&mut self, byte: u8) -> &mut Self {
        self.out.push(byte);
        self
    }

    fn num(&mut self, slot: NumRef) -> &mut Self {
        self.fits &= put_number(self.out, slot, self.wide);
        self
    }

    fn bit(&mut self, slot: BitRef) -> &mut Self {
        self.fits &= put_bit(self.out, slot, self.wide);
        self
    }

    fn decimal(&mut self, value: i32) -> &mut Self {
        self.fits &= put_decimal(self.out, value);
        self
    }

    fn duration(&mut self, ms: i32) -> &mut Self {
        self.fits &= put_duration(self.out, ms);
        self
    }

    fn unsigned(&mut self, value: u32) -> &mut Self {
        put_unsigned(self.out, value);
        self
    }

    fn source(&mut self, source: Source) -> &mut Self {
        match source {
            Source::Slot(slot) => self.num(slot),
            Source::Constant(value) => self.decimal(value),
        }
    }

    fn bits(&mut self, code: u8, list: &BitList) -> &mut Self {
        let items = list.as_slice();
        if let n @ 2..=4 = items.len() {
            self.head(code, n as u8 - 2);
        } else {
            self.head(code, 3).unsigned(items.len() as u32);
        }
        items.iter().for_each(|slot| {
            self.bit(*slot);
        });
        self
    }
}

fn stage_byte(stage: &Stage) -> u8 {
    use stage_bits::*;
    let flag = |is_set: bool, bit: u8| if is_set { bit } else { 0 };
    flag(stage.permissive != BitRef::TRUE, PERMISSIVE)
        | flag(stage.trip != BitRef::FALSE, TRIP)
        | flag(stage.start_delay_ms != 0, START_DELAY)
        | flag(stage.on_at_power_up, ON_AT_POWER_UP)
        | (stage.when_blind as u8) << BLIND_SHIFT
}

fn put_stage(writer: &mut Writer<'_>, stage: &Stage) {
    if stage.permissive != BitRef::TRUE {
        writer.bit(stage.permissive);
    }
    if stage.trip != BitRef::FALSE {
        writer.bit(stage.trip);
    }
    if stage.start_delay_ms != 0 {
        writer.duration(stage.start_delay_ms);
    }
}

impl Op {
    /// Appends the operation's bytes; `false` when an operand has no form (slot beyond a narrow program, a constant
    /// without a decimal form, a duration out of range). Procedures and curves are written by the assembler.
    #[must_use]
    pub(crate) fn write(&self, out: &mut Vec<u8>, wide: bool) -> bool {
        let mut writer = Writer { out, wide, fits: true };
        let w = &mut writer;
        match *self {
            Op::Compare { relation, input, limit } => {
                w.head(0x01, relation as u8).num(input).decimal(limit);
            }
            Op::CompareSlots { relation, a, b } => {
                w.head(0x02, relation as u8).num(a).num(b);
            }
            Op::Switch { rising, input, start, width } => {
                w.head(0x03, rising.into()).num(input).decimal(start).decimal(width);
            }
            Op::SetReset { set, reset } => {
                w.head(0x04, 0).bit(set).bit(reset);
            }
            Op::All(ref list) => {
                w.bits(0x05, list);
            }
            Op::Any(ref list) => {
                w.bits(0x06, list);
            }
            Op::VoteBits { vote, ref inputs } => {
                w.head(0x07, vote as u8);
                inputs.as_slice().iter().for_each(|slot| {
                    w.bit(*slot);
                });
            }
            Op::Delay { input, on_ms, off_ms: 0 } => {
                w.head(0x08, 0).bit(input).duration(on_ms);
            }
            Op::Delay { input, on_ms: 0, off_ms } => {
                w.head(0x08, 1).bit(input).duration(off_ms);
            }
            Op::Delay { input, on_ms, off_ms } => {
                w.head(0x08, 2).bit(input).duration(on_ms).duration(off_ms);
            }
            Op::Trip { cause, resets } => match resets {
                Resets::Manual => {
                    w.head(0x09, 0).bit(cause);
                }
                Resets::Counted { when, per_day } => {
                    w.head(0x09, 1).bit(cause).bit(when).unsigned(per_day.into());
                }
                Resets::Unlimited { when } => {
                    w.head(0x09, 2).bit(cause).bit(when);
                }
            },
            Op::Stall { falling, running, input, time_ms, gain } => {
                w.head(0x0A, falling.into()).bit(running).num(input).duration(time_ms).decimal(gain);
            }
            Op::QualityTest(doubt) => {
                match doubt {
                    Doubt::NumberBad(slot) => w.head(0x0B, 0).num(slot),
                    Doubt::NumberNotGood(slot) => w.head(0x0B, 1).num(slot),
                    Doubt::BitBad(slot) => w.head(0x0B, 2).bit(slot),
                    Doubt::BitNotGood(slot) => w.head(0x0B, 3).bit(slot),
                };
            }
            Op::Disagree { a, b, limit } => {
                w.head(0x0C, 0).num(a).num(b).decimal(limit);
            }
            Op::Window { time, from_ms, to_ms } => {
                w.head(0x0D, 0).num(time).duration(from_ms).duration(to_ms);
            }
            Op::SubstituteBit { input, fallback } => {
                w.head(0x0E, 0).bit(input).bit(fallback);
            }
            Op::Alarm { priority, input, on_ms, off_ms: 0 } => {
                w.head(0x12, priority as u8).bit(input).duration(on_ms);
            }
            Op::Alarm { priority, input, on_ms, off_ms } => {
                w.head(0x0F, priority as u8).bit(input).duration(on_ms).duration(off_ms);
            }
            Op::Drive { auto, ref stage, shortest_run_ms, shortest_rest_ms } => {
                let mut has = stage_byte(stage);
                for (ms, bit) in [
                    (shortest_run_ms, stage_bits::SHORTEST_RUN),
                    (shortest_rest_ms, stage_bits::SHORTEST_REST),
                ] {
                    has |= if ms != 0 { bit } else { 0 };
                }
                w.head(0x10, stage.on_when_tripped.into()).byte(has).bit(auto);
                put_stage(w, stage);
                for ms in [shortest_run_ms, shortest_rest_ms] {
                    if ms != 0 {
                        w.duration(ms);
                    }
                }
            }
            Op::Dose(dose) => {
                w.head(0x11, 0).num(dose.time).num(dose.rate).bit(dose.running).decimal(dose.volume_ml);
                w.unsigned(dose.n_portions.into()).duration(dose.from_ms).duration(dose.to_ms);
            }
            Op::Constant(value) => {
                w.head(0x20, 0).decimal(value);
            }
            Op::Arithmetic { kind, a, b } => {
                w.head(0x21, kind as u8).num(a).num(b);
            }
            Op::Scale { input, multiplier, divisor, offset } => {
                w.head(0x22, 0).num(input).decimal(multiplier).decimal(divisor).decimal(offset);
            }
            Op::Clamp { input, lowest, highest } => {
                w.head(0x23, 0).num(input).decimal(lowest).decimal(highest);
            }
            Op::Lag { input, time_ms } => {
                w.head(0x24, 0).num(input).duration(time_ms);
            }
            Op::Rate { input, window_ms } => {
                w.head(0x25, 0).num(input).duration(window_ms);
            }
            Op::Probes { combine, ref inputs } => {
                w.head(0x26, combine as u8).unsigned(inputs.as_slice().len() as u32);
                inputs.as_slice().iter().for_each(|slot| {
                    w.num(*slot);
                });
            }
            Op::Substitute { input, fallback } => {
                let is_slot = matches!(fallback, Source::Slot(_));
                w.head(0x27, is_slot.into()).num(input).source(fallback);
            }
            Op::Select { condition, yes, no } => {
                let is_slot = |source| u8::from(matches!(source, Source::Slot(_)));
                w.head(0x28, is_slot(yes) | is_slot(no) << 1).bit(condition).source(yes).source(no);
            }
            Op::Time(kind) => {
                w.head(0x29, kind as u8);
            }
            Op::Ramp { time, from_ms, to_ms, ramp_ms, highest } => {
                w.head(0x2A, 0).num(time).duration(from_ms).duration(to_ms).duration(ramp_ms);
                w.decimal(highest.into());
            }
            Op::TotalVolume { rate, running, is_daily } => {
                w.head(0x2C, (!is_daily).into()).num(rate).bit(running);
            }
            Op::TotalRun { running, is_daily } => {
                w.head(0x2D, (!is_daily).into()).bit(running);
            }
            Op::Modulate(pi) => {
                w.head(0x2E, pi.is_cooling.into()).num(pi.input).decimal(pi.setpoint).decimal(pi.gain);
                w.duration(pi.integral_ms).decimal(pi.lowest.into()).decimal(pi.highest.into());
            }
            Op::DriveDuty { auto, ref stage } => {
                w.head(0x2F, stage.on_when_tripped.into()).byte(stage_byte(stage)).num(auto);
                put_stage(w, stage);
            }
            Op::Procedure { .. } | Op::Curve { .. } => return false,
        }
        writer.fits
    }
}
