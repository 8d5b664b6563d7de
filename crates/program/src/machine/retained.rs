//! The retained state of a program as bytes: what a board keeps in EEPROM through a reset (docs/control-program.md, section 9),
//! from the day up to the checksum.

use super::Machine;
use crate::format::Placed;
use crate::op::{Op, Resets};
use alloc::vec::Vec;

impl<const L: usize> Machine<L> {
    fn totals(&self) -> impl Iterator<Item = &Placed> {
        self.decoded.ops.iter().filter(|placed| placed.op.is_persistent() && !placed.op.gives_bit())
    }

    fn counted_trips(&self) -> impl Iterator<Item = &Placed> {
        let is_counted = |op: &Op| matches!(op, Op::Trip { resets: Resets::Counted { .. }, .. });
        self.decoded.trips.iter().filter(move |placed| is_counted(&placed.op))
    }

    /// Day (two bytes), one bit for each trip, resets of each counted trip (one byte), each total (four bytes). Empty for a lane that
    /// does not exist.
    pub fn keep(&self, lane: usize) -> Vec<u8> {
        let mut out = Vec::new();
        if lane >= L {
            return out;
        }
        out.extend((self.day(lane) as u16).to_le_bytes());
        for trips in self.decoded.trips.chunks(8) {
            let bits = trips.iter().enumerate().map(|(bit, placed)| {
                let is_tripped = self.bits[usize::from(placed.result)][lane] & 1;
                is_tripped << bit
            });
            out.push(bits.fold(0, |byte, bit| byte | bit));
        }
        out.extend(self.counted_trips().map(|placed| self.cells[usize::from(placed.cell)][lane] as u8));
        out.extend(
            self.totals().flat_map(|placed| self.numbers[usize::from(placed.result)][lane].to_le_bytes()),
        );
        out
    }

    /// Puts what [`Machine::keep`] gave into a lane that has just been reset; `false` when it is not as long as this program's.
    pub fn restore(&mut self, lane: usize, kept: &[u8]) -> bool {
        if lane >= L || kept.len() != self.keep(lane).len() {
            return false;
        }
        let decoded = self.decoded.clone();
        let mut bytes = kept.iter().copied();
        let mut next = || bytes.next().unwrap_or(0);
        self.common.day[lane] = u32::from(u16::from_le_bytes([next(), next()]));
        for trips in decoded.trips.chunks(8) {
            let byte = next();
            for (bit, placed) in trips.iter().enumerate() {
                self.bits[usize::from(placed.result)][lane] = byte >> bit & 1;
            }
        }
        let counted: Vec<u16> = self.counted_trips().map(|placed| placed.cell).collect();
        for cell in counted {
            self.cells[usize::from(cell)][lane] = next().into();
        }
        let totals: Vec<u16> = self.totals().map(|placed| placed.result).collect();
        for slot in totals {
            self.numbers[usize::from(slot)][lane] = i32::from_le_bytes([next(), next(), next(), next()]);
        }
        self.n_full_scans = super::N_FULL_SCANS;
        true
    }
}
