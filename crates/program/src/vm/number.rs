//! Kernels of the numeric operations.

use super::logic::degraded;
use super::timing::two_cells;
use super::{Frame, Storage, units};
use crate::op::{Arithmetic, BitRef, Combine, Modulate, NumRef, Source};
use crate::quality::{BAD, UNCERTAIN};

/// Differences beyond this (16 777 K, 16.7 m) count as this, so that lag stays within `i32`.
const LAG_REACH: i32 = (1 << 24) - 1;
/// Deviations beyond this (1000 K) count as this.
const MODULATE_REACH: i32 = 1_000_000;
/// Ten times full duty in thousandths of a permille: where the proportional part saturates.
const PROPORTIONAL_REACH: i64 = 10_000_000;

/// Nearest integer of `numerator / divisor`, halves away from zero; `divisor` > 0.
#[inline(always)]
fn nearest(numerator: i64, divisor: i64) -> i64 {
    let half = divisor / 2;
    if numerator >= 0 { (numerator + half) / divisor } else { (numerator - half) / divisor }
}

#[inline(always)]
fn saturate(value: i64) -> i32 {
    value.clamp(i32::MIN.into(), i32::MAX.into()) as i32
}

impl<const L: usize> Storage<'_, L> {
    #[inline(always)]
    pub(super) fn arithmetic(&mut self, result: usize, kind: Arithmetic, a: NumRef, b: NumRef) {
        let ((x, p), (y, q)) = (self.number(a), self.number(b));
        let (mut out, mut quality) = ([0; L], [0; L]);
        for l in 0..L {
            out[l] = match kind {
                Arithmetic::Sum => x[l].saturating_add(y[l]),
                Arithmetic::Difference => x[l].saturating_sub(y[l]),
                Arithmetic::Minimum => x[l].min(y[l]),
                Arithmetic::Maximum => x[l].max(y[l]),
            };
            quality[l] = p[l].max(q[l]);
        }
        self.put(result, out, quality);
    }

    #[inline(always)]
    pub(super) fn scale(&mut self, result: usize, input: NumRef, multiplier: i32, divisor: i32, offset: i32) {
        let (x, q) = self.number(input);
        let mut out = [0; L];
        for l in 0..L {
            let product = i64::from(x[l]) * i64::from(multiplier);
            out[l] = saturate(nearest(product, divisor.into()) + i64::from(offset));
        }
        self.put(result, out, q);
    }

    #[inline(always)]
    pub(super) fn clamp(&mut self, result: usize, input: NumRef, lowest: i32, highest: i32) {
        let (mut x, q) = self.number(input);
        for x in &mut x {
            *x = (*x).max(lowest).min(highest);
        }
        self.put(result, x, q);
    }

    #[inline(always)]
    pub(super) fn lag(&mut self, frame: &Frame<'_>, result: usize, cell: usize, input: NumRef, time_ms: i32) {
        let (x, q) = self.number(input);
        let time = units(time_ms).max(units(frame.period_ms));
        let elapsed = &self.common.elapsed_ms;
        let (y, quality) = (&mut self.numbers[result], &mut self.qualities[result]);
        let remainder = &mut self.cells[cell];
        for l in 0..L {
            quality[l] = q[l];
            if q[l] == BAD {
                continue;
            }
            if remainder[l] == 0 {
                y[l] = x[l];
                remainder[l] = 1;
            }
            let apart = x[l].saturating_sub(y[l]).clamp(-LAG_REACH, LAG_REACH);
            let sum = apart * units(elapsed[l]) + remainder[l] - 1;
            y[l] = y[l].saturating_add(sum.div_euclid(time));
            remainder[l] = sum.rem_euclid(time) + 1;
        }
    }

    pub(super) fn rate(
        &mut self,
        frame: &Frame<'_>,
        result: usize,
        cell: usize,
        input: NumRef,
        window_ms: i32,
    ) {
        const FULL: i32 = 5;
        let (x, q) = self.number(input);
        let interval = units(window_ms / 4).max(units(frame.period_ms));
        let elapsed = &self.common.elapsed_ms;
        let (out, quality) = (&mut self.numbers[result], &mut self.qualities[result]);
        let cells = &mut self.cells[cell..cell + 5];
        for l in 0..L {
            quality[l] = q[l];
            if q[l] == BAD {
                continue;
            }
            let mut n_taken = cells[4][l] & 7;
            let mut waited = cells[4][l] >> 3;
            if n_taken == 0 {
                for ring in cells[..4].iter_mut() {
                    ring[l] = x[l];
                }
                n_taken = 1;
                out[l] = 0;
            } else {
                waited += units(elapsed[l]);
                if waited >= interval {
                    waited -= interval;
                    out[l] = x[l].saturating_sub(cells[3][l]);
                    for at in (0..3).rev() {
                        cells[at + 1][l] = cells[at][l];
                    }
                    cells[0][l] = x[l];
                    n_taken = (n_taken + 1).min(FULL);
                }
            }
            cells[4][l] = waited << 3 | n_taken;
            if n_taken < FULL {
                quality[l] = UNCERTAIN;
            }
        }
    }

    pub(super) fn probes(&mut self, result: usize, combine: Combine, inputs: &[NumRef]) {
        let (mut out, mut quality) = ([0; L], [0; L]);
        for l in 0..L {
            let mut usable = [i32::MAX; 4];
            let mut n_usable = 0;
            let mut worst = 0;
            for input in inputs {
                let q = self.qualities[input.index()][l];
                worst = worst.max(q);
                if q != BAD {
                    usable[n_usable] = self.numbers[input.index()][l];
                    n_usable += 1;
                }
            }
            quality[l] = degraded(n_usable as u8, inputs.len() as u8, worst);
            out[l] = combined(combine, &mut usable[..n_usable]);
        }
        self.put(result, out, quality);
    }

    #[inline(always)]
    pub(super) fn substitute(&mut self, result: usize, input: NumRef, fallback: Source) {
        let (mut x, mut q) = self.number(input);
        let (y, p) = self.source(fallback);
        for l in 0..L {
            let is_bad = q[l] == BAD;
            x[l] = if is_bad { y[l] } else { x[l] };
            q[l] = if is_bad { p[l].max(UNCERTAIN) } else { q[l] };
        }
        self.put(result, x, q);
    }

    #[inline(always)]
    pub(super) fn select(&mut self, result: usize, condition: BitRef, yes: Source, no: Source) {
        let condition = self.bit(condition);
        let ((x, p), (y, q)) = (self.source(yes), self.source(no));
        let (mut out, mut quality) = ([0; L], [0; L]);
        for l in 0..L {
            let is_yes = condition[l] & 1 == 1;
            out[l] = if is_yes { x[l] } else { y[l] };
            quality[l] = (condition[l] >> 1).max(p[l]).max(q[l]);
        }
        self.put(result, out, quality);
    }

    pub(super) fn curve(&mut self, frame: &Frame<'_>, result: usize, input: NumRef, n_points: u8, at: usize) {
        let (x, q) = self.number(input);
        let mut out = [0; L];
        for l in 0..L {
            let mut reader = frame.reader(at);
            let mut point = || (reader.decimal().unwrap_or(0), reader.decimal().unwrap_or(0));
            let mut low = point();
            out[l] = low.1;
            for _ in 1..n_points {
                if x[l] <= low.0 {
                    break;
                }
                let high = point();
                let (run, rise) =
                    (i64::from(high.0) - i64::from(low.0), i64::from(high.1) - i64::from(low.1));
                let into = (i64::from(x[l]) - i64::from(low.0)).min(run);
                out[l] = saturate(i64::from(low.1) + nearest(rise * into, run.max(1)));
                low = high;
            }
        }
        self.put(result, out, q);
    }

    pub(super) fn modulate(&mut self, frame: &Frame<'_>, result: usize, cell: usize, pi: &Modulate) {
        let (x, q) = self.number(pi.input);
        let (low, high) = (i32::from(pi.lowest) * 1_000, i32::from(pi.highest) * 1_000);
        let time = units(pi.integral_ms).max(units(frame.period_ms));
        let elapsed = &self.common.elapsed_ms;
        let (out, quality) = (&mut self.numbers[result], &mut self.qualities[result]);
        let [integral, remainder] = two_cells(self.cells, cell);
        for l in 0..L {
            quality[l] = q[l];
            if q[l] == BAD {
                continue;
            }
            let above = x[l].saturating_sub(pi.setpoint);
            let wanted = if pi.is_cooling { above } else { above.saturating_neg() };
            let wanted = wanted.clamp(-MODULATE_REACH, MODULATE_REACH);
            let proportional = (i64::from(wanted) * i64::from(pi.gain))
                .clamp(-PROPORTIONAL_REACH, PROPORTIONAL_REACH) as i32;
            let duty = proportional + integral[l];
            out[l] = (duty.clamp(low, high) + 500) / 1_000;
            let is_wound_up = duty >= high && proportional > 0 || duty <= low && proportional < 0;
            if pi.integral_ms > 0 && !is_wound_up {
                let sum = proportional * units(elapsed[l]) + remainder[l];
                integral[l] = (integral[l] + sum.div_euclid(time)).clamp(0, high);
                remainder[l] = sum.rem_euclid(time);
            }
        }
    }
}

fn combined(combine: Combine, usable: &mut [i32]) -> i32 {
    let mean = |values: &[i32]| {
        let n = values.len() as i64;
        values.iter().map(|value| i64::from(*value)).sum::<i64>().div_euclid(n.max(1)) as i32
    };
    usable.sort_unstable();
    match (combine, usable) {
        (_, []) => 0,
        (Combine::Mean, values) => mean(values),
        (Combine::Lowest, [lowest, ..]) => *lowest,
        (Combine::Highest, [.., highest]) => *highest,
        (Combine::MidValue, values) => mean(&values[(values.len() - 1) / 2..values.len() / 2 + 1]),
    }
}
