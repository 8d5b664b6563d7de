//! Kernels of the boolean operations.

use super::Storage;
use crate::op::{BitRef, Doubt, NumRef, Relation, Resets, Vote};
use crate::quality::{BAD, GOOD, UNCERTAIN};

impl<const L: usize> Storage<'_, L> {
    #[inline(always)]
    pub(super) fn compare(&mut self, result: usize, relation: Relation, input: NumRef, limit: i32) {
        let (x, q) = self.number(input);
        self.bits[result] = related(relation, &x, &[limit; L], &q);
    }

    #[inline(always)]
    pub(super) fn compare_slots(&mut self, result: usize, relation: Relation, a: NumRef, b: NumRef) {
        let (x, mut q) = self.number(a);
        let (y, other) = self.number(b);
        for l in 0..L {
            q[l] = q[l].max(other[l]);
        }
        self.bits[result] = related(relation, &x, &y, &q);
    }

    #[inline(always)]
    pub(super) fn switch(&mut self, result: usize, rising: bool, input: NumRef, start: i32, width: i32) {
        let (x, q) = self.number(input);
        let out = &mut self.bits[result];
        let stop = if rising { start.saturating_sub(width) } else { start.saturating_add(width) };
        for l in 0..L {
            let (on, off) = if rising { (x[l] > start, x[l] < stop) } else { (x[l] < start, x[l] > stop) };
            let before = out[l] & 1;
            let after = u8::from(on) | before & u8::from(!off);
            out[l] = if q[l] == BAD { before } else { after } | q[l] << 1;
        }
    }

    #[inline(always)]
    pub(super) fn set_reset(&mut self, result: usize, set: BitRef, reset: BitRef) {
        let (s, r) = (self.bit(set), self.bit(reset));
        let out = &mut self.bits[result];
        for l in 0..L {
            let q = (s[l] >> 1).max(r[l] >> 1);
            let before = out[l] & 1;
            let after = (before | s[l] & 1) & !r[l];
            out[l] = if q == BAD { before } else { after } | q << 1;
        }
    }

    #[inline(always)]
    pub(super) fn all(&mut self, result: usize, inputs: &[BitRef]) {
        let mut value = [1; L];
        let mut quality = [0; L];
        for input in inputs {
            let bits = self.bit(*input);
            for l in 0..L {
                value[l] &= bits[l];
                quality[l] = quality[l].max(bits[l] >> 1);
            }
        }
        self.put_bits(result, &value, &quality);
    }

    #[inline(always)]
    pub(super) fn any(&mut self, result: usize, inputs: &[BitRef]) {
        let mut value = [0; L];
        let mut quality = [0; L];
        for input in inputs {
            let bits = self.bit(*input);
            for l in 0..L {
                value[l] |= bits[l];
                quality[l] = quality[l].max(bits[l] >> 1);
            }
        }
        self.put_bits(result, &value, &quality);
    }

    #[inline(always)]
    fn put_bits(&mut self, result: usize, value: &[u8; L], quality: &[u8; L]) {
        let out = &mut self.bits[result];
        for l in 0..L {
            out[l] = value[l] & 1 | quality[l] << 1;
        }
    }

    pub(super) fn vote_bits(&mut self, result: usize, vote: Vote, inputs: &[BitRef]) {
        let mut n_true = [0_u8; L];
        let mut n_usable = [0_u8; L];
        let mut worst = [0_u8; L];
        for input in inputs {
            let bits = self.bit(*input);
            for l in 0..L {
                let is_usable = u8::from(bits[l] >> 1 != BAD);
                n_usable[l] += is_usable;
                n_true[l] += is_usable & bits[l];
                worst[l] = worst[l].max(bits[l] >> 1);
            }
        }
        let n_inputs = inputs.len() as u8;
        let out = &mut self.bits[result];
        for l in 0..L {
            let value = u8::from(n_true[l] >= vote.needed(n_usable[l]));
            out[l] = value | degraded(n_usable[l], n_inputs, worst[l]) << 1;
        }
    }

    #[inline(always)]
    pub(super) fn trip(
        &mut self,
        result: usize,
        cell: usize,
        ordinal: usize,
        cause: BitRef,
        resets: &Resets,
    ) {
        let cause = self.bit(cause);
        let (when, per_day) = match *resets {
            Resets::Manual => ([0; L], 0),
            Resets::Counted { when, per_day } => (self.bit(when), i32::from(per_day)),
            Resets::Unlimited { when } => (self.bit(when), i32::MAX),
        };
        let new_day = &self.common.is_new_day;
        let (out, count, asked) = (&mut self.bits[result], &mut self.cells[cell], &mut self.resets[ordinal]);
        for l in 0..L {
            let is_set = cause[l] & 1 == 1 || cause[l] >> 1 == BAD;
            let used = if new_day[l] == 1 { 0 } else { count[l] };
            let by_operator = asked[l] == 1;
            let by_itself = when[l] & 1 == 1 && when[l] >> 1 != BAD && used < per_day;
            let was_tripped = out[l] & 1 == 1;
            let resets = was_tripped && !is_set && (by_operator || by_itself);
            count[l] = match (resets, by_operator) {
                (true, true) => 0,
                (true, false) => used.saturating_add(1),
                _ => used,
            };
            out[l] = u8::from(is_set || was_tripped && !resets);
            asked[l] = 0;
        }
    }

    #[inline(always)]
    pub(super) fn quality_test(&mut self, result: usize, doubt: Doubt) {
        let bit_quality = |slot| {
            let mut bits: [u8; L] = self.bit(slot);
            for bit in &mut bits {
                *bit >>= 1;
            }
            bits
        };
        let (q, worst_allowed) = match doubt {
            Doubt::NumberBad(slot) => (self.number(slot).1, UNCERTAIN),
            Doubt::NumberNotGood(slot) => (self.number(slot).1, GOOD),
            Doubt::BitBad(slot) => (bit_quality(slot), UNCERTAIN),
            Doubt::BitNotGood(slot) => (bit_quality(slot), GOOD),
        };
        let out = &mut self.bits[result];
        for l in 0..L {
            out[l] = u8::from(q[l] > worst_allowed);
        }
    }

    #[inline(always)]
    pub(super) fn disagree(&mut self, result: usize, a: NumRef, b: NumRef, limit: i32) {
        let ((x, p), (y, q)) = (self.number(a), self.number(b));
        let out = &mut self.bits[result];
        for l in 0..L {
            out[l] = u8::from(x[l].abs_diff(y[l]) > limit as u32) | p[l].max(q[l]) << 1;
        }
    }

    #[inline(always)]
    pub(super) fn substitute_bit(&mut self, result: usize, input: BitRef, fallback: BitRef) {
        let (x, y) = (self.bit(input), self.bit(fallback));
        let out = &mut self.bits[result];
        for l in 0..L {
            let other = y[l] & 1 | (y[l] >> 1).max(UNCERTAIN) << 1;
            out[l] = if x[l] >> 1 == BAD { other } else { x[l] };
        }
    }
}

#[inline(always)]
fn related<const L: usize>(relation: Relation, x: &[i32; L], y: &[i32; L], q: &[u8; L]) -> [u8; L] {
    let mut out = [0; L];
    for l in 0..L {
        let holds = match relation {
            Relation::Above => x[l] > y[l],
            Relation::AtLeast => x[l] >= y[l],
            Relation::Equal => x[l] == y[l],
        };
        out[l] = u8::from(holds) | q[l] << 1;
    }
    out
}

/// Quality of a vote: the worst operand when all are usable, uncertain when some are not, bad when none is.
#[inline(always)]
pub(super) fn degraded(n_usable: u8, n_inputs: u8, worst: u8) -> u8 {
    if n_usable == n_inputs {
        worst
    } else if n_usable > 0 {
        UNCERTAIN
    } else {
        BAD
    }
}
