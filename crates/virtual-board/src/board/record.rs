//! What a board says of a scan.

use link::message::sections;
use link::record::{Command as Recorded, Record};
use program::{BitRef, NumRef};

use super::{Board, Line, N_BUILT_IN, Subscription};
use crate::world::World;

impl<W: World> Board<W> {
    /// The record of the scan, when somebody wants it.
    pub(super) fn take_record(&mut self) {
        let commands = std::mem::take(&mut self.run.waiting);
        let subscription = &mut self.run.subscription;
        if subscription.sections == 0 {
            return;
        }
        let is_due = subscription.wait == 0;
        subscription.wait = subscription.wait.wrapping_sub(1);
        if !is_due {
            return;
        }
        subscription.wait = subscription.every.wrapping_sub(1);
        let Subscription { line, sections, every, .. } = *subscription;
        if every == 0 {
            subscription.sections = 0;
        }
        self.record = Some((line, self.record_of(sections, commands)));
    }

    fn record_of(&self, sections: u8, commands: Vec<Recorded>) -> Record {
        let has = |section| sections & section != 0;
        let machine = self.world.machine();
        let sizes = self.run.decoded.sizes();
        let n_numbers = u16::from(self.n_number_inputs());
        let n_bits = u16::from(self.n_bit_inputs());
        let number = |slot: u16| machine.number(NumRef(slot), 0);
        let bit = |slot: u16| machine.bit(BitRef(N_BUILT_IN as u16 + slot), 0);
        let mut record = Record {
            sections,
            scan: self.run.n_scans,
            clock_s: self.clock.utc_s,
            is_clock_good: self.clock.quality == 0,
            newest_event: self.memory.journal.newest(),
            ..Record::default()
        };
        if has(sections::INPUTS) {
            record.commands = commands;
        }
        if has(sections::INPUTS | sections::RESULTS) {
            record.number_inputs = (0..n_numbers).map(number).collect();
            record.bit_inputs = (0..n_bits).map(bit).collect();
        }
        if has(sections::RESULTS) {
            record.numbers = (n_numbers..sizes.n_numbers).map(number).collect();
            record.bits = (n_bits..sizes.n_bits.saturating_sub(N_BUILT_IN as u16)).map(bit).collect();
        }
        if has(sections::OUTPUTS) {
            record.outputs = (0..sizes.n_drives.into()).map(|drive| self.output(drive)).collect();
        }
        if has(sections::STATES) {
            record.hands_left_ms =
                (0..sizes.n_drives.into()).map(|drive| machine.hand_left_ms(drive, 0) as u32).collect();
            record.trips = (0..sizes.n_trips.into()).map(|trip| machine.is_tripped(trip, 0)).collect();
            record.alarms = (self.run.decoded.priorities().enumerate())
                .map(|(alarm, priority)| {
                    let (is_on, quality) = machine.alarm(alarm, 0);
                    (is_on, quality, priority as u8)
                })
                .collect();
            record.steps = (0..sizes.n_procedures.into())
                .map(|procedure| machine.procedure_step(procedure, 0) as u8)
                .collect();
        }
        if has(sections::CELLS) {
            record.day = machine.day(0);
            record.cells =
                (0..sizes.n_cells.into()).map(|cell| machine.cell(cell, 0).cast_unsigned()).collect();
        }
        record
    }

    /// What a drive puts out: 0 or 1, permille if modulated.
    pub(super) fn output(&self, drive: usize) -> i16 {
        let duty = self.world.machine().output(drive, 0);
        if self.run.decoded.is_modulated(drive) { duty as i16 } else { i16::from(duty != 0) }
    }

    /// The record of the last scan, once, for the line that asked for it.
    pub fn record(&mut self) -> Option<(Line, Record)> {
        self.record.take()
    }
}
