//! The reference VM with its own storage, over operations decoded once: what the twin, trials and the station run.
//!
//! It evaluates by change: an operation is carried out again only when something it depends on differs from the scan
//! before, or when carrying it out last time changed its own result or state. An operation that left both as they
//! were, under the same operands, would do so again: that is the whole argument, and it needs no knowledge of single
//! operations. What an operation depends on beside its operands (clock, day, time since reset, hand, force, commands)
//! is woken in `Seen::wake`, by `Machine::command` and at the head of `Machine::scan`. `tests/equivalence.rs` holds this against [`crate::vm::scan`], which carries
//! out everything each time.

mod retained;

use crate::format::{Placed, Program, Sizes};
use crate::op::{BitRef, NumRef, Op, Operand, Priority, Resets};
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
    graph: Graph,
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
            graph: Graph::new(program, &ops),
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

    /// Number inputs and bit inputs.
    pub fn n_inputs(&self) -> (usize, usize) {
        (self.n_number_inputs, self.n_bit_inputs)
    }

    /// Whether a drive puts out a duty rather than on or off.
    pub fn is_modulated(&self, drive: usize) -> bool {
        self.drives.get(drive).is_some_and(|placed| !placed.op.gives_bit())
    }

    /// The priorities of the alarms, in their order.
    pub fn priorities(&self) -> impl Iterator<Item = Priority> {
        self.alarms.iter().filter_map(|placed| match placed.op {
            Op::Alarm { priority, .. } => Some(priority),
            _ => None,
        })
    }
}

/// Which operations depend on what; sets of operations are bits in words of 64.
#[derive(Clone, Debug)]
struct Graph {
    n_words: usize,
    /// For each number slot, then each bit slot, the operations that read it.
    readers: Vec<u64>,
    n_numbers: usize,
    /// For each operation, what is due when its result changed.
    dependents: Vec<u64>,
    drives: Vec<u64>,
    clocks: Vec<u64>,
    daily: Vec<u64>,
    procedures: Vec<u64>,
    longest_start_delay_ms: i32,
}

fn mark(due: &mut [u64], set: &[u64]) {
    for (due, set) in due.iter_mut().zip(set) {
        *due |= set;
    }
}

impl Graph {
    fn new(program: &Program<'_>, ops: &[Placed]) -> Graph {
        let n_words = ops.len().div_ceil(64);
        let n_numbers = usize::from(program.sizes().n_numbers);
        let n_slots = n_numbers + usize::from(program.sizes().n_bits);
        let select = |wanted: fn(&Op) -> bool| {
            let mut set = vec![0_u64; n_words];
            for (index, placed) in ops.iter().enumerate() {
                set[index / 64] |= u64::from(wanted(&placed.op)) << (index % 64);
            }
            set
        };
        let drives = select(Op::is_drive);
        let mut readers = vec![0_u64; n_slots * n_words];
        for (index, placed) in ops.iter().enumerate() {
            placed.op.for_each_operand(|operand| {
                let slot = match operand {
                    Operand::Number(slot) => slot.index(),
                    Operand::Bit(slot) => n_numbers + slot.index(),
                };
                readers[slot * n_words + index / 64] |= 1 << (index % 64);
            });
        }
        let mut dependents = Vec::with_capacity(ops.len() * n_words);
        for placed in ops {
            let slot = usize::from(placed.result) + if placed.op.gives_bit() { n_numbers } else { 0 };
            let mut set = readers[slot * n_words..][..n_words].to_vec();
            // A procedure acts on drives without being their operand. While it runs it changes in every scan.
            if matches!(placed.op, Op::Procedure { .. }) {
                mark(&mut set, &drives);
            }
            dependents.extend(set);
        }
        let start_delay = |placed: &Placed| match placed.op {
            Op::Drive { stage, .. } | Op::DriveDuty { stage, .. } => stage.start_delay_ms,
            _ => 0,
        };
        Graph {
            n_words,
            readers,
            n_numbers,
            dependents,
            drives,
            clocks: select(|op| matches!(op, Op::Time(_))),
            daily: select(Op::is_persistent),
            procedures: select(|op| matches!(op, Op::Procedure { .. })),
            longest_start_delay_ms: ops.iter().map(start_delay).max().unwrap_or(0),
        }
    }

    fn of_number(&self, slot: usize) -> &[u64] {
        &self.readers[slot * self.n_words..][..self.n_words]
    }

    fn of_bit(&self, slot: usize) -> &[u64] {
        &self.readers[(self.n_numbers + slot) * self.n_words..][..self.n_words]
    }

    fn dependents(&self, op: usize) -> &[u64] {
        &self.dependents[op * self.n_words..][..self.n_words]
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
    /// Operations to carry out, a bit each.
    due: Vec<u64>,
    /// Operations to carry out in the scan after as well: those that saw something that lasts for one scan only (a
    /// command, the first scan of a day), so that standing still then proves nothing.
    due_again: Vec<u64>,
    /// Inputs as they were at the last scan.
    seen: Seen<L>,
    /// Somebody had access to an input since the last scan.
    touched: bool,
    /// Scans left in which everything is carried out.
    n_full_scans: u8,
    /// Operations carried out since the start.
    n_carried_out: u64,
}

/// What the inputs were at the last scan.
#[derive(Clone, Debug)]
struct Seen<const L: usize> {
    numbers: Vec<([i32; L], [u8; L])>,
    bits: Vec<[u8; L]>,
    clock_s: [u32; L],
    clock_quality: [u8; L],
}

impl<const L: usize> Seen<L> {
    /// Marks what depends on inputs and clock, where they differ from the last scan.
    ///
    /// While nobody has touched an input (`touched`), only the clock can differ.
    fn wake(&mut self, decoded: &Decoded, due: &mut [u64], now: &Storage<'_, L>, touched: bool) {
        let graph = &decoded.graph;
        if touched {
            self.wake_inputs(decoded, due, now);
        }
        if self.clock_s != now.common.clock_s || self.clock_quality != now.common.clock_quality {
            self.clock_s = now.common.clock_s;
            self.clock_quality = now.common.clock_quality;
            mark(due, &graph.clocks);
        }
    }

    fn wake_inputs(&mut self, decoded: &Decoded, due: &mut [u64], now: &Storage<'_, L>) {
        let graph = &decoded.graph;
        for (input, seen) in self.numbers.iter_mut().enumerate() {
            let value = (now.numbers[input], now.qualities[input]);
            if *seen != value {
                *seen = value;
                mark(due, graph.of_number(input));
            }
        }
        for (input, seen) in self.bits.iter_mut().enumerate() {
            let slot = BitRef::N_BUILT_IN + input;
            if *seen != now.bits[slot] {
                *seen = now.bits[slot];
                mark(due, graph.of_bit(slot));
            }
        }
    }
}

/// After a start or restart the first scan knows no elapsed time and the second knows the first: both are whole.
const N_FULL_SCANS: u8 = 2;

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
            due: vec![0; decoded.graph.n_words],
            due_again: vec![0; decoded.graph.n_words],
            seen: Seen {
                numbers: vec![([0; L], [0; L]); decoded.n_number_inputs],
                bits: vec![[0; L]; decoded.n_bit_inputs],
                clock_s: [0; L],
                clock_quality: [0; L],
            },
            touched: true,
            n_full_scans: N_FULL_SCANS,
            n_carried_out: 0,
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
        self.touched = true;
        Some((&mut self.numbers[input], &mut self.qualities[input]))
    }

    /// Bit input `input`, a place for each lane ([`pack_bit`] makes one); `None` when there is no such input.
    pub fn bit_input(&mut self, input: usize) -> Option<&mut [u8; L]> {
        if input >= self.decoded.n_bit_inputs {
            return None;
        }
        self.touched = true;
        self.bits.get_mut(BitRef::N_BUILT_IN + input)
    }

    /// Sets one lane of a number input, a bad one to 0; an input or lane that does not exist is ignored.
    pub fn set_number(&mut self, input: usize, lane: usize, sample: Sample) {
        if let Some((values, qualities)) = self.number_input(input)
            && lane < L
        {
            values[lane] = if sample.quality == Quality::Bad { 0 } else { sample.value };
            qualities[lane] = sample.quality as u8;
        }
    }

    /// Sets one lane of a bit input, a bad one to false; an input or lane that does not exist is ignored.
    pub fn set_bit(&mut self, input: usize, lane: usize, value: bool, quality: Quality) {
        if let Some(bits) = self.bit_input(input)
            && lane < L
        {
            bits[lane] = pack_bit(value && quality != Quality::Bad, quality);
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
                state.blocked[lane] = 0;
                mark(&mut self.due, &self.decoded.graph.drives);
                mark(&mut self.due_again, &self.decoded.graph.drives);
            }
            Command::ResetTrip { trip } => {
                let Some(place) = self.resets.get_mut(usize::from(trip)) else { return false };
                place[lane] = 1;
                mark(&mut self.due, &self.decoded.graph.daily);
                mark(&mut self.due_again, &self.decoded.graph.daily);
            }
            Command::Procedure { procedure, command } => {
                let Some(place) = self.commands.get_mut(usize::from(procedure)) else { return false };
                place[lane] = command as u8;
                mark(&mut self.due, &self.decoded.graph.procedures);
                mark(&mut self.due_again, &self.decoded.graph.procedures);
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
        let was_starting = storage.common.least_uptime_ms() < decoded.graph.longest_start_delay_ms;
        storage.begin(&frame);
        let due = &mut self.due;
        if was_starting {
            mark(due, &decoded.graph.drives);
        }
        if self.n_full_scans > 0 {
            self.n_full_scans -= 1;
            due.fill(!0);
        }
        let touched = core::mem::take(&mut self.touched);
        self.seen.wake(decoded, due, &storage, touched);
        if storage.common.is_new_day_anywhere() {
            mark(due, &decoded.graph.daily);
            mark(&mut self.due_again, &decoded.graph.daily);
        }
        for word in 0..due.len() {
            let mut passed = 0;
            loop {
                let next = (due[word] & !passed).trailing_zeros();
                let index = word * 64 + next as usize;
                if next == 64 || index >= decoded.ops.len() {
                    break;
                }
                let this = 1 << next;
                passed = this | (this - 1);
                due[word] &= !this;
                self.n_carried_out += 1;
                let placed = &decoded.ops[index];
                if storage.run_and_compare(&frame, placed) {
                    due[word] |= this;
                    mark(due, decoded.graph.dependents(index));
                }
            }
        }
        mark(due, &self.due_again);
        self.due_again.fill(0);
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

    /// Duty of an actuator after the last scan in every lane, permille; zeros when it does not exist.
    #[inline]
    pub fn duties(&self, drive: usize) -> [i32; L] {
        let mut duties = [0; L];
        match self.decoded.drives.get(drive) {
            Some(placed) if placed.op.gives_bit() => {
                for (duty, slot) in duties.iter_mut().zip(&self.bits[usize::from(placed.result)]) {
                    *duty = i32::from(slot & 1) * 1_000;
                }
            }
            Some(placed) => duties = self.numbers[usize::from(placed.result)],
            None => {}
        }
        duties
    }

    /// How long hand still lasts on an actuator, ms.
    pub fn hand_left_ms(&self, drive: usize, lane: usize) -> i32 {
        self.drives.get(drive).and_then(|state| state.hand_left_ms.get(lane)).copied().unwrap_or(0)
    }

    /// Whether the permissive or the trip of an actuator decided in the last scan: what a board refuses hand by. A hand that has been
    /// taken since is not refused again before the next scan.
    pub fn is_blocked(&self, drive: usize, lane: usize) -> bool {
        self.drives.get(drive).and_then(|state| state.blocked.get(lane)).is_some_and(|&blocked| blocked != 0)
    }

    /// A state cell, in the order of the format; 0 when there is none.
    pub fn cell(&self, cell: usize, lane: usize) -> i32 {
        self.cells.get(cell).and_then(|cell| cell.get(lane)).copied().unwrap_or(0)
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

    /// A reset of one lane's board: everything is lost but tripped latches with their counts, whole units of totals, and
    /// the day they belong to (a record as fresh as can be: on a board a total may be up to 10 min of running older).
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
            if matches!(placed.op, Op::Trip { resets: Resets::Counted { .. }, .. }) {
                let cell = usize::from(placed.cell);
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
            into.blocked[to] = of.blocked[from];
        }
        self.common.copy_lane(to, &other.common, from);
        self.n_full_scans = N_FULL_SCANS;
        self.touched = true;
    }

    /// `L` copies of one lane of another machine.
    pub fn fork<const M: usize>(other: &Machine<M>, from: usize) -> Self {
        let mut machine = Machine::new(other.decoded.clone());
        for lane in 0..L {
            machine.copy_lane(lane, other, from);
        }
        machine
    }

    /// How many operations were carried out since the start: what change-driven evaluation saves shows here.
    pub fn n_carried_out(&self) -> u64 {
        self.n_carried_out
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
