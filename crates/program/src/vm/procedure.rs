//! Kernel of an operator's procedure: a step counter that forces actuators and always ends by itself.

use super::{Frame, Storage};
use crate::op::{BitRef, Force, Step, StepEnd};
use crate::quality::{BAD, GOOD};

/// What an operator can tell a procedure; it waits for the next scan.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum ProcedureCommand {
    /// Begin at the first step; ignored while it runs.
    Start = 1,
    /// The step is done; the next one follows.
    Confirm = 2,
    /// End now.
    Stop = 3,
}

const START: u8 = ProcedureCommand::Start as u8;
const CONFIRM: u8 = ProcedureCommand::Confirm as u8;
const STOP: u8 = ProcedureCommand::Stop as u8;

impl<const L: usize> Storage<'_, L> {
    #[allow(clippy::too_many_arguments, reason = "the operands of one operation")]
    pub(super) fn procedure(
        &mut self,
        frame: &Frame<'_>,
        result: usize,
        cell: usize,
        ordinal: usize,
        abort: BitRef,
        n_steps: u8,
        at: usize,
    ) {
        self.qualities[result] = [GOOD; L];
        if self.numbers[result] == [0; L] && self.commands[ordinal] == [0; L] {
            return;
        }
        let abort = self.bit(abort);
        for (l, abort) in abort.into_iter().enumerate() {
            let command = core::mem::take(&mut self.commands[ordinal][l]);
            let must_end = command == STOP || abort & 1 == 1 || abort >> 1 == BAD;
            let step = self.numbers[result][l];
            let next = match step {
                _ if must_end => 0,
                0 => i32::from(command == START),
                _ => self.advance(frame, cell, l, step, command == CONFIRM, n_steps, at),
            };
            if next != step {
                self.cells[cell][l] = 0;
            }
            self.numbers[result][l] = next;
            if next > 0 {
                self.force(frame, l, next, at);
            }
        }
    }

    /// The step after one more period in `step`.
    #[allow(clippy::too_many_arguments, reason = "the place of one step")]
    fn advance(
        &mut self,
        frame: &Frame<'_>,
        cell: usize,
        l: usize,
        number: i32,
        is_confirmed: bool,
        n_steps: u8,
        at: usize,
    ) -> i32 {
        let mut reader = frame.reader(at);
        let Some(step) = seek(&mut reader, number) else { return 0 };
        let lasted = (self.cells[cell][l] + frame.period_ms).min(step.longest_ms);
        self.cells[cell][l] = lasted;
        let is_over = lasted >= step.longest_ms;
        let is_done = is_confirmed
            || match step.end {
                StepEnd::Timed => is_over,
                StepEnd::Confirmed => false,
                StepEnd::When(slot) => {
                    let bit = self.bit(slot)[l];
                    bit & 1 == 1 && bit >> 1 != BAD
                }
            };
        match (is_done, is_over) {
            (true, _) if number < i32::from(n_steps) => number + 1,
            (false, false) => number,
            _ => 0,
        }
    }

    /// Makes the actuators of a step do what it says; where two procedures differ, off wins.
    fn force(&mut self, frame: &Frame<'_>, l: usize, number: i32, at: usize) {
        let mut reader = frame.reader(at);
        let Some(step) = seek(&mut reader, number) else { return };
        self.common.any_force = true;
        for _ in 0..step.n_forces {
            let Ok(byte) = reader.byte() else { return };
            let force = Force::from_byte(byte);
            let place = &mut self.drives[usize::from(force.drive)].force[l];
            let wanted = if force.is_on { 2 } else { 1 };
            *place = if *place == 0 { wanted } else { wanted.min(*place) };
        }
    }
}

/// Reads up to and with the head of step `number` (from 1).
fn seek(reader: &mut crate::codec::Reader<'_>, number: i32) -> Option<Step> {
    let mut step = Step::read(reader).ok()?;
    for _ in 1..number {
        for _ in 0..step.n_forces {
            reader.byte().ok()?;
        }
        step = Step::read(reader).ok()?;
    }
    Some(step)
}
