//! The reference VM with its own storage, over operations decoded once: what the twin, trials and the station run.

use crate::format::{Placed, Program, Sizes};
use crate::op::{BitRef, NumRef, Op};
use crate::quality::{BAD, Quality, Sample, pack_bit, unpack_bit};
use crate::vm::{Common, DriveState, Frame, ProcedureCommand, Storage};
use crate::zone::Zone;
use alloc::sync::Arc;
use alloc::vec;
use alloc::vec::Vec;

/// A program decoded once, shared by any number of machines.
#[derive(Clone, Debug)]
pub struct Decoded {
    code: Vec<u8>,
    wide: bool,
    period_ms: i32,
    longest_hand_ms: i32,
    zone: Zone,
    sizes: Sizes,
    n_number_inputs: usize,
    n_bit_inputs: usize,
    ops: Vec<Placed>,
    drives: Vec<Placed>,
    trips: Vec<Placed>,
    alarms: Vec<Placed>,
    procedures: Vec<Placed>,
}

impl Decoded {
    /// Decodes a validated program.
    pub fn new(program: &Program<'_>) -> Arc<Decoded> {
        let frame = program.frame();
        let ops: Vec<Placed> = program.ops().collect();
        let only =
            |wanted: fn(&Op) -> bool| ops.iter().filter(|placed| wanted(&placed.op)).copied().collect();
        Arc::new(Decoded {
            code: frame.code.to_vec(),
            wide: frame.wide,
            period_ms: program.period_ms(),
            longest_hand_ms: program.longest_hand_ms(),
            zone: program.zone(),
            sizes: program.sizes(),
            n_number_inputs: program.n_number_inputs(),
            n_bit_inputs: program.n_bit_inputs(),
            drives: only(Op::is_drive),
            trips: only(|op| matches!(op, Op::Trip { .. })),
            alarms: only(|op| matches!(op, Op::Alarm { .. })),
            procedures: only(|op| matches!(op, Op::Procedure { .. })),
            ops,
        })
    }

    /// Slots, cells and parts.
    pub fn sizes(&self) -> Sizes {
        self.sizes
    }

    /// Scan period, ms.
    pub fn period_ms(&self) -> i32 {
        self.period_ms
    }

    /// The operations in order.
    pub fn ops(&self) -> &[Placed] {
        &self.ops
    }
}

/// What a person tells a board; it waits for the next scan and is part of that scan's inputs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Command {
    /// Take an actuator into hand for a time; 0 ms gives it back.
    Hand {
        /// Actuator, by order of drives.
        drive: u16,
        /// 0 or 1, permille for a modulated actuator.
        value: i32,
        /// How long, ms; cut to what the program allows.
        time_ms: i32,
    },
    /// Reset a tripped latch; has no effect while its cause stands.
    ResetTrip {
        /// Trip, by order.
        trip: u16,
    },
    /// Start, confirm or stop a procedure.
    Procedure {
        /// Procedure, by order.
        procedure: u16,
        /// What to do.
        command: ProcedureCommand,
    },
}

/// `L` boards that run one program in step.
#[derive(Clone, Debug)]
pub struct Machine<const L: usize> {
    decoded: Arc<Decoded>,
    numbers: Vec<[i32; L]>,
    qualities: Vec<[u8; L]>,
    bits: Vec<[u8; L]>,
    cells: Vec<[i32; L]>,
    drives: Vec<DriveState<L>>,
    resets: Vec<[u8; L]>,
    commands: Vec<[u8; L]>,
    common: Common<L>,
}

impl<const L: usize> Machine<L> {
    /// As after the very first start: every slot zero, number and bit inputs bad until set, clock lost.
    pub fn new(decoded: Arc<Decoded>) -> Self {
        let sizes = decoded.sizes;
        let mut machine = Machine {
            numbers: vec![[0; L]; sizes.n_numbers.into()],
            qualities: vec![[0; L]; sizes.n_numbers.into()],
            bits: vec![[0; L]; sizes.n_bits.into()],
            cells: vec![[0; L]; sizes.n_cells.into()],
            drives: vec![DriveState::IDLE; sizes.n_drives.into()],
            resets: vec![[0; L]; sizes.n_trips.into()],
            commands: vec![[0; L]; sizes.n_procedures.into()],
            common: Common::new(),
            decoded,
        };
        machine.qualities[..machine.decoded.n_number_inputs].fill([BAD; L]);
        machine.bits[BitRef::N_BUILT_IN..][..machine.decoded.n_bit_inputs].fill([BAD << 1; L]);
        machine
    }

    /// The program.
    pub fn decoded(&self) -> &Arc<Decoded> {
        &self.decoded
    }

    /// Values and qualities of number input `input`, a place for each lane; `None` when there is no such input.
    pub fn number_input(&mut self, input: usize) -> Option<(&mut [i32; L], &mut [u8; L])> {
        if input >= self.decoded.n_number_inputs {
            return None;
        }
        Some((&mut self.numbers[input], &mut self.qualities[input]))
    }

    /// Bit input `input`, a place for each lane ([`pack_bit`] makes one); `None` when there is no such input.
    pub fn bit_input(&mut self, input: usize) -> Option<&mut [u8; L]> {
        if input >= self.decoded.n_bit_inputs {
            return None;
        }
        self.bits.get_mut(BitRef::N_BUILT_IN + input)
    }

    /// Sets one lane of a number input; an input or lane that does not exist is ignored.
    pub fn set_number(&mut self, input: usize, lane: usize, sample: Sample) {
        if let Some((values, qualities)) = self.number_input(input)
            && lane < L
        {
            values[lane] = sample.value;
            qualities[lane] = sample.quality as u8;
        }
    }

    /// Sets one lane of a bit input; an input or lane that does not exist is ignored.
    pub fn set_bit(&mut self, input: usize, lane: usize, value: bool, quality: Quality) {
        if let Some(bits) = self.bit_input(input)
            && lane < L
        {
            bits[lane] = pack_bit(value, quality);
        }
    }

    /// Sets one lane's clock, in UTC seconds since 2000-01-01; `None` is a lost clock, which keeps its last reading.
    pub fn set_clock(&mut self, lane: usize, clock_s: Option<u32>) {
        if lane >= L {
            return;
        }
        if let Some(clock_s) = clock_s {
            self.common.clock_s[lane] = clock_s;
        }
        let quality = if clock_s.is_some() { Quality::Good } else { Quality::Bad };
        self.common.clock_quality[lane] = quality as u8;
    }

    /// Leaves a command for the next scan of one lane; `false` when it names a part that does not exist.
    pub fn command(&mut self, lane: usize, command: Command) -> bool {
        if lane >= L {
            return false;
        }
        match command {
            Command::Hand { drive, value, time_ms } => {
                let longest = self.decoded.longest_hand_ms;
                let Some(state) = self.drives.get_mut(usize::from(drive)) else { return false };
                state.hand_value[lane] = value;
                state.hand_left_ms[lane] = time_ms.clamp(0, longest);
            }
            Command::ResetTrip { trip } => {
                let Some(place) = self.resets.get_mut(usize::from(trip)) else { return false };
                place[lane] = 1;
            }
            Command::Procedure { procedure, command } => {
                let Some(place) = self.commands.get_mut(usize::from(procedure)) else { return false };
                place[lane] = command as u8;
            }
        }
        true
    }

    /// Runs the program once in every lane.
    pub fn scan(&mut self) {
        let decoded = &*self.decoded;
        let frame = Frame {
            code: &decoded.code,
            wide: decoded.wide,
            period_ms: decoded.period_ms,
            zone: decoded.zone,
        };
        let mut storage = Storage {
            numbers: &mut self.numbers,
            qualities: &mut self.qualities,
            bits: &mut self.bits,
            cells: &mut self.cells,
            drives: &mut self.drives,
            resets: &mut self.resets,
            commands: &mut self.commands,
            common: &mut self.common,
        };
        storage.begin(&frame);
        for placed in &decoded.ops {
            storage.run(&frame, placed);
        }
    }

    /// What a number slot holds.
    pub fn number(&self, slot: NumRef, lane: usize) -> Sample {
        match (self.numbers.get(slot.index()), self.qualities.get(slot.index())) {
            (Some(values), Some(qualities)) if lane < L => {
                Sample { value: values[lane], quality: Quality::from_code(qualities[lane]) }
            }
            _ => Sample::BAD,
        }
    }

    /// What a bit slot holds, negated as the reference says.
    pub fn bit(&self, slot: BitRef, lane: usize) -> (bool, Quality) {
        match self.bits.get(slot.index()) {
            Some(bits) if lane < L => {
                let (value, quality) = unpack_bit(bits[lane]);
                (value ^ slot.is_negated(), quality)
            }
            _ => (false, Quality::Bad),
        }
    }

    /// Duty of an actuator after the last scan, permille: 0 or 1000 for a switched one; 0 when it does not exist.
    pub fn output(&self, drive: usize, lane: usize) -> i32 {
        match self.decoded.drives.get(drive) {
            Some(placed) if placed.op.gives_bit() => {
                i32::from(self.bit(BitRef(placed.result), lane).0) * 1_000
            }
            Some(placed) => self.number(NumRef(placed.result), lane).value,
            None => 0,
        }
    }

    /// How long hand still lasts on an actuator, ms.
    pub fn hand_left_ms(&self, drive: usize, lane: usize) -> i32 {
        self.drives.get(drive).and_then(|state| state.hand_left_ms.get(lane)).copied().unwrap_or(0)
    }

    /// Whether a trip is latched.
    pub fn is_tripped(&self, trip: usize, lane: usize) -> bool {
        self.decoded.trips.get(trip).is_some_and(|placed| self.bit(BitRef(placed.result), lane).0)
    }

    /// Whether an alarm stands, and how far its condition can be believed.
    pub fn alarm(&self, alarm: usize, lane: usize) -> (bool, Quality) {
        let slot = self.decoded.alarms.get(alarm).map(|placed| BitRef(placed.result));
        slot.map_or((false, Quality::Bad), |slot| self.bit(slot, lane))
    }

    /// Step of a procedure, 0 when it does not run.
    pub fn procedure_step(&self, procedure: usize, lane: usize) -> i32 {
        let slot = self.decoded.procedures.get(procedure).map(|placed| NumRef(placed.result));
        slot.map_or(0, |slot| self.number(slot, lane).value)
    }

    /// The UTC day that a lane's daily counts belong to.
    pub fn day(&self, lane: usize) -> u32 {
        self.common.day.get(lane).copied().unwrap_or(0)
    }

    /// A reset of one lane's board: everything is lost but tripped latches, totals and the day they belong to.
    pub fn restart(&mut self, lane: usize) {
        if lane >= L {
            return;
        }
        let mut fresh = Machine::<1>::new(self.decoded.clone());
        for placed in self.decoded.ops.iter().filter(|placed| placed.op.is_persistent()) {
            let result = usize::from(placed.result);
            if placed.op.gives_bit() {
                fresh.bits[result][0] = self.bits[result][lane] & 1;
            } else {
                fresh.numbers[result][0] = self.numbers[result][lane];
            }
            for cell in usize::from(placed.cell)..usize::from(placed.cell) + placed.op.n_cells() {
                fresh.cells[cell][0] = self.cells[cell][lane];
            }
        }
        fresh.common.copy_lane(0, &self.common, lane);
        fresh.common.restart(0);
        self.copy_lane(lane, &fresh, 0);
    }

    /// Makes lane `to` a copy of lane `from` of another machine with the same program (of any width): how a trial
    /// forks runs from a shared beginning. A lane or program that does not fit is ignored.
    pub fn copy_lane<const M: usize>(&mut self, to: usize, other: &Machine<M>, from: usize) {
        if to >= L || from >= M || self.decoded.sizes != other.decoded.sizes {
            return;
        }
        fn each<T: Copy, const L: usize, const M: usize>(
            into: &mut [[T; L]],
            of: &[[T; M]],
            to: usize,
            from: usize,
        ) {
            for (into, of) in into.iter_mut().zip(of) {
                into[to] = of[from];
            }
        }
        each(&mut self.numbers, &other.numbers, to, from);
        each(&mut self.qualities, &other.qualities, to, from);
        each(&mut self.bits, &other.bits, to, from);
        each(&mut self.cells, &other.cells, to, from);
        each(&mut self.resets, &other.resets, to, from);
        each(&mut self.commands, &other.commands, to, from);
        for (into, of) in self.drives.iter_mut().zip(&other.drives) {
            into.hand_value[to] = of.hand_value[from];
            into.hand_left_ms[to] = of.hand_left_ms[from];
            into.force[to] = of.force[from];
        }
        self.common.copy_lane(to, &other.common, from);
    }

    /// `L` copies of one lane of another machine.
    pub fn fork<const M: usize>(other: &Machine<M>, from: usize) -> Self {
        let mut machine = Machine::new(other.decoded.clone());
        for lane in 0..L {
            machine.copy_lane(lane, other, from);
        }
        machine
    }

    /// Every value, quality and cell of one lane in a fixed order, for comparing machines to the bit.
    pub fn lane_words(&self, lane: usize) -> Vec<i32> {
        let mut words = Vec::new();
        words.extend(self.numbers.iter().map(|slot| slot[lane]));
        words.extend(self.qualities.iter().map(|slot| i32::from(slot[lane])));
        words.extend(self.bits.iter().map(|slot| i32::from(slot[lane])));
        words.extend(self.cells.iter().map(|slot| slot[lane]));
        words.extend(self.drives.iter().map(|drive| drive.hand_left_ms[lane]));
        words.push(self.common.day[lane] as i32);
        words
    }
}
