//! Kernels of the operations that know time: delays, stall, windows, doses, totals, the clock.

use super::{Frame, Storage, units};
use crate::op::{BitRef, DAY_MS, Dose, NumRef, TimeKind};
use crate::quality::BAD;
use crate::zone::DAY_S;

/// Flows above this (3000 L/h) count as this, so that an integral over one scan stays within `i32`.
const HIGHEST_RATE_UL_PER_MIN: i32 = 50_000_000;
/// Quarter seconds in a minute: integrals of µL/min are kept in µL/240.
const UNITS_PER_MINUTE: i32 = 240;
const UNITS_PER_ML: i32 = UNITS_PER_MINUTE * 1_000;
const UNITS_PER_DAY: i32 = DAY_MS / 250;

/// What a delayed operation makes of a bad operand.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum WhenBad {
    /// Its state stays.
    StandsStill,
    /// An alarm: it is told.
    CountsAsTrue,
}

/// Follows `input` when it has differed from the result for its delay; the cell counts the scans' time in which it
/// differed, so that a delay of 0 follows at once and one of n periods after n scans.
#[inline(always)]
fn follow<const L: usize>(
    value: &[u8; L],
    quality: &[u8; L],
    holds: bool,
    out: &mut [u8; L],
    cell: &mut [i32; L],
    [on_ms, off_ms, period_ms]: [i32; 3],
) {
    for l in 0..L {
        let before = out[l] & 1;
        let differs = value[l] != before;
        let limit = if value[l] == 1 { on_ms } else { off_ms } + period_ms;
        let waited = if differs { cell[l] + period_ms } else { 0 };
        let flips = differs && waited >= limit;
        let is_held = holds && quality[l] == BAD;
        let after = before ^ u8::from(flips);
        let waited = if flips { 0 } else { waited };
        out[l] = if is_held { before } else { after } | quality[l] << 1;
        cell[l] = if is_held { cell[l] } else { waited };
    }
}

impl<const L: usize> Storage<'_, L> {
    #[inline(always)]
    pub(super) fn delay(
        &mut self,
        frame: &Frame<'_>,
        result: usize,
        cell: usize,
        input: BitRef,
        [on_ms, off_ms]: [i32; 2],
        bad: WhenBad,
    ) {
        let mut value = self.bit(input);
        let mut quality = [0; L];
        for l in 0..L {
            quality[l] = value[l] >> 1;
            value[l] = value[l] & 1 | u8::from(bad == WhenBad::CountsAsTrue && quality[l] == BAD);
        }
        let holds = bad == WhenBad::StandsStill;
        let times = [on_ms, off_ms, frame.period_ms];
        follow(&value, &quality, holds, &mut self.bits[result], &mut self.cells[cell], times);
    }

    #[inline(always)]
    #[allow(clippy::too_many_arguments, reason = "the operands of one operation")]
    pub(super) fn stall(
        &mut self,
        result: usize,
        cell: usize,
        falling: bool,
        running: BitRef,
        input: NumRef,
        time_ms: i32,
        gain: i32,
    ) {
        let on = self.bit(running);
        let (x, q) = self.number(input);
        let elapsed = &self.common.elapsed_ms;
        let out = &mut self.bits[result];
        let [reference, waited] = two_cells(self.cells, cell);
        for l in 0..L {
            let quality = q[l].max(on[l] >> 1);
            if quality == BAD {
                out[l] = out[l] & 1 | BAD << 1;
                continue;
            }
            let from = reference[l];
            let gained = if falling { from.saturating_sub(x[l]) } else { x[l].saturating_sub(from) };
            let is_on = on[l] & 1 == 1;
            let starts_anew = !is_on || gained >= gain;
            reference[l] = if starts_anew { x[l] } else { from };
            waited[l] = if starts_anew { 0 } else { (waited[l] + elapsed[l]).min(time_ms) };
            out[l] = u8::from(is_on && waited[l] >= time_ms) | quality << 1;
        }
    }

    #[inline(always)]
    pub(super) fn window(&mut self, result: usize, time: NumRef, from_ms: i32, to_ms: i32) {
        let (t, q) = self.number(time);
        let out = &mut self.bits[result];
        for l in 0..L {
            let after_from = t[l] >= from_ms;
            let before_to = t[l] < to_ms;
            let is_inside = if from_ms <= to_ms { after_from & before_to } else { after_from | before_to };
            out[l] = u8::from(is_inside) | q[l] << 1;
        }
    }

    pub(super) fn dose(&mut self, result: usize, cell: usize, dose: &Dose) {
        let ((t, p), (rate, q)) = (self.number(dose.time), self.number(dose.rate));
        let on = self.bit(dose.running);
        let first = self.bits[BitRef::FIRST_SCAN.index()];
        let elapsed = &self.common.elapsed_ms;
        let n_portions = i32::from(dose.n_portions);
        let target = (i64::from(dose.volume_ml) * i64::from(UNITS_PER_ML) / i64::from(n_portions)) as i32;
        let length = match (units(dose.to_ms) - units(dose.from_ms)).rem_euclid(UNITS_PER_DAY) {
            0 => UNITS_PER_DAY,
            length => length,
        };
        let out = &mut self.bits[result];
        let [given, portion] = two_cells(self.cells, cell);
        for l in 0..L {
            let quality = p[l].max(q[l]).max(on[l] >> 1);
            if quality == BAD {
                out[l] = out[l] & 1 | BAD << 1;
                continue;
            }
            let since = (units(t[l].clamp(0, DAY_MS - 1)) - units(dose.from_ms)).rem_euclid(UNITS_PER_DAY);
            let now = if since < length { since * n_portions / length + 1 } else { 0 };
            let flow = rate[l].clamp(0, HIGHEST_RATE_UL_PER_MIN) * units(elapsed[l]) * i32::from(on[l] & 1);
            given[l] = if first[l] == 1 {
                i32::MAX
            } else if now != portion[l] {
                0
            } else {
                given[l].saturating_add(flow)
            };
            portion[l] = now;
            out[l] = u8::from(now > 0 && given[l] < target) | quality << 1;
        }
    }

    pub(super) fn total_volume(
        &mut self,
        result: usize,
        cell: usize,
        rate: NumRef,
        running: BitRef,
        daily: bool,
    ) {
        let (rate, q) = self.number(rate);
        let mut flow = [0; L];
        for l in 0..L {
            flow[l] = rate[l].clamp(0, HIGHEST_RATE_UL_PER_MIN) * units(self.common.elapsed_ms[l]);
        }
        self.total(result, cell, running, daily, &flow, &q, UNITS_PER_ML);
    }

    pub(super) fn total_run(&mut self, result: usize, cell: usize, running: BitRef, daily: bool) {
        let elapsed = self.common.elapsed_ms;
        self.total(result, cell, running, daily, &elapsed, &[0; L], 1_000);
    }

    #[inline(always)]
    #[allow(clippy::too_many_arguments, reason = "the operands of one operation")]
    fn total(
        &mut self,
        result: usize,
        cell: usize,
        running: BitRef,
        is_daily: bool,
        gain: &[i32; L],
        gain_quality: &[u8; L],
        gain_per_unit: i32,
    ) {
        let on = self.bit(running);
        let new_day = &self.common.is_new_day;
        let (total, quality) = (&mut self.numbers[result], &mut self.qualities[result]);
        let remainder = &mut self.cells[cell];
        for l in 0..L {
            quality[l] = gain_quality[l].max(on[l] >> 1);
            if is_daily && new_day[l] == 1 {
                total[l] = 0;
                remainder[l] = 0;
            }
            if quality[l] != BAD && on[l] & 1 == 1 {
                let sum = remainder[l] + gain[l];
                total[l] = total[l].saturating_add(sum / gain_per_unit);
                remainder[l] = sum % gain_per_unit;
            }
        }
    }

    #[inline(always)]
    pub(super) fn time(&mut self, frame: &Frame<'_>, result: usize, kind: TimeKind) {
        let mut out = [0; L];
        for (l, out) in out.iter_mut().enumerate() {
            *out = match kind {
                TimeKind::UtcTimeOfDay => (self.common.clock_s[l] % DAY_S) as i32 * 1_000,
                TimeKind::LocalTimeOfDay => self.common.local(l, &frame.zone).second_of_day as i32 * 1_000,
                TimeKind::Weekday => self.common.local(l, &frame.zone).weekday.into(),
                TimeKind::DayOfYear => self.common.local(l, &frame.zone).day_of_year.into(),
            };
        }
        self.put(result, out, self.common.clock_quality);
    }

    #[inline(always)]
    pub(super) fn ramp(
        &mut self,
        result: usize,
        time: NumRef,
        from_ms: i32,
        to_ms: i32,
        ramp_ms: i32,
        highest: i32,
    ) {
        let (t, q) = self.number(time);
        let length = match units(to_ms) - units(from_ms) {
            UNITS_PER_DAY => UNITS_PER_DAY,
            length => length.rem_euclid(UNITS_PER_DAY),
        };
        let ramp = units(ramp_ms);
        let mut out = [0; L];
        for l in 0..L {
            let since = (units(t[l].clamp(0, DAY_MS - 1)) - units(from_ms)).rem_euclid(UNITS_PER_DAY);
            let nearest = since.min(length - since);
            out[l] = if nearest < 0 || since == length {
                0
            } else if nearest >= ramp {
                highest
            } else {
                nearest * highest / ramp
            };
        }
        self.put(result, out, q);
    }
}

/// Two state cells that follow each other.
#[inline(always)]
pub(super) fn two_cells<const L: usize>(cells: &mut [[i32; L]], cell: usize) -> [&mut [i32; L]; 2] {
    let (first, rest) = cells[cell..].split_at_mut(1);
    [&mut first[0], &mut rest[0]]
}
