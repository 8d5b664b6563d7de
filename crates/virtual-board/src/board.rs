//! A board behind the link protocol: what firmware/core does with requests, scans, events and restarts, over a [`World`].
//!
//! Contract: time passes only in [`Board::scan`]; requests between two scans are taken as coming just after the first. The same requests
//! at the same scans give the same answers and records as the C runtime gives (tests/conformance.rs).

use std::sync::Arc;

use link::frame::Message;
use link::message::{
    Answer, AnswerCode, BadRequest, ENTRY_LENGTH, Hello, PROTOCOL, ProcedureCommand, Request, sections,
};
use link::record::{Command as Recorded, Record};
use program::calibration::Entry;
use program::eeprom::Map;
use program::machine::{Command, Decoded, Machine};
use program::wiring::Wiring;
use program::{BitRef, NumRef, Program};

use crate::memory::{CHUNK, Memory, Running};
use crate::world::{Power, World, cause};

/// The runtime that this board of software stands for.
const RUNTIME: [u8; 3] = [0, 1, 0];
/// A computer.
const CHIP: u8 = 4;
/// Commands that one scan takes.
const MOST_COMMANDS: usize = 3;
/// Raw codes in one answer.
const MOST_RAW: usize = 12;
/// Events in one answer.
const MOST_EVENTS: usize = 8;
/// Bits that stand in every program before its bit inputs.
const N_BUILT_IN: usize = 2;
/// Clocks end with the year 2099.
const CLOCK_END_S: u32 = 36_525 * 86_400;
/// A minute by the clock that is lost.
const NO_MINUTE: u16 = 0xFFFF;
const MINUTE_MS: u64 = 60_000;
/// Totals are kept so long after the first change that is not, ms, or after they stood still for the second.
const KEEP_RISING_MS: u64 = 600_000;
const KEEP_STILL_MS: u64 = 120_000;

/// Codes of events (docs/link.md, section 5).
mod event {
    pub const RESET: u8 = 2;
    pub const PROGRAM: u8 = 3;
    pub const TRIP: u8 = 4;
    pub const ALARM: u8 = 6;
    pub const INPUT_BAD: u8 = 8;
    pub const INPUT_GOOD: u8 = 9;
    pub const STEP: u8 = 10;
    pub const HAND: u8 = 11;
    pub const CALIBRATED: u8 = 12;
    pub const CLOCK_SET: u8 = 13;
    pub const CLOCK_LOST: u8 = 14;
}

/// Which line a request came by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Line {
    /// Serial.
    Cable,
    /// TCP, sealed.
    Network,
}

/// What a board is, beside what it remembers.
#[derive(Clone, Debug)]
pub struct Kind {
    /// Board of the wiring table.
    pub board: u8,
    /// Identity of the wiring table.
    pub wiring_crc: u32,
    /// Number inputs, bit inputs and outputs of the wiring table.
    pub n_wired: [usize; 3],
    /// Outputs behind the drives that are buzzers.
    pub buzzers: Vec<u8>,
    /// Number inputs that are compensated by another: they are read last.
    pub compensated: Vec<bool>,
    /// Keys of the panel table.
    pub n_keys: u8,
    /// A clock part keeps the time through a reset.
    pub has_clock_part: bool,
    /// The golden program.
    pub golden: Vec<u8>,
    /// Memory for programs' slots, bytes.
    pub pool: usize,
    /// Layout of what outlasts a reset.
    pub map: Map,
}

impl Kind {
    /// What the wiring table says; the rest as a computer has it.
    pub fn of(wiring: &Wiring, wiring_crc: u32, n_drives: usize, golden: Vec<u8>, map: Map) -> Kind {
        use program::wiring::{DeviceKind, OutputDriver};
        let is_clock = |kind: DeviceKind| matches!(kind, DeviceKind::Ds1307 | DeviceKind::Ds3231);
        let buzzers = (wiring.outputs.iter().enumerate().skip(n_drives))
            .filter(|(_, output)| matches!(output.driver, OutputDriver::Buzzer { .. }));
        Kind {
            board: wiring.board,
            wiring_crc,
            n_wired: [wiring.numbers.len(), wiring.bits.len(), wiring.outputs.len()],
            buzzers: buzzers.map(|(output, _)| output as u8).collect(),
            compensated: (wiring.numbers.iter())
                .map(|input| input.driver.temperature_input().is_some())
                .collect(),
            n_keys: 0,
            has_clock_part: wiring.devices.iter().any(|device| is_clock(device.kind)),
            golden,
            pool: 16_384,
            map,
        }
    }
}

/// The board's clock: what it said at some time of the world.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Clock {
    /// UTC s since 2000.
    utc_s: u32,
    /// Time of the world, ms, at which that second began.
    since_ms: i64,
    /// 0 good, 1 not read yet, 2 bad.
    quality: u8,
}

impl Clock {
    /// Counts the seconds up to this time of the world.
    fn latch(&mut self, world_ms: i64) {
        let seconds = (world_ms - self.since_ms).div_euclid(1000);
        self.utc_s = self.utc_s.wrapping_add(seconds as u32);
        self.since_ms += seconds * 1000;
    }

    fn minute(&self) -> u16 {
        if self.quality == 0 { (self.utc_s / 60) as u16 } else { NO_MINUTE }
    }
}

#[derive(Clone, Copy, Debug, Default)]
struct LastAct {
    id: u8,
    code: u8,
    detail: u8,
}

#[derive(Clone, Copy, Debug)]
struct Subscription {
    line: Line,
    sections: u8,
    every: u8,
    wait: u8,
}

const NOBODY: Subscription = Subscription { line: Line::Cable, sections: 0, every: 0, wait: 0 };

/// Totals on their way into what is retained.
#[derive(Clone, Debug, Default)]
struct Keep {
    last: Vec<u8>,
    day: u8,
    since_first_ms: u64,
    since_last_ms: u64,
    is_unkept: bool,
}

/// What a reset makes a board forget.
#[derive(Clone, Debug)]
struct Run {
    decoded: Arc<Decoded>,
    crc: u32,
    reset_cause: u8,
    n_scans: u32,
    waiting: Vec<Recorded>,
    subscription: Subscription,
    last_acts: [LastAct; 2],
    /// Of procedures, trips, alarms, hands: as after the last scan.
    seen: Vec<u8>,
    /// Qualities of the inputs, numbers first, as after the last scan.
    was_bad: Vec<bool>,
    keep: Keep,
    up_ms: u64,
}

/// A board.
#[derive(Debug)]
pub struct Board<W> {
    kind: Kind,
    world: W,
    memory: Memory,
    clock: Clock,
    run: Run,
    is_on: bool,
    is_clock_lost: bool,
    /// Restarts so far, also those that power and watchdog brought.
    n_starts: u64,
    n_subscriptions: u64,
    n_keys_set: u64,
    record: Option<(Line, Record)>,
}

impl<W: World> Board<W> {
    /// A board without power; the first scan starts it. `None`: the golden program is none.
    pub(crate) fn new(kind: Kind, world: W, memory: Memory) -> Option<Board<W>> {
        let decoded = Decoded::new(&Program::validate(&kind.golden).ok()?);
        let now_ms = world.utc_ms();
        let run = Run {
            crc: 0,
            decoded,
            reset_cause: 0,
            n_scans: 0,
            waiting: Vec::new(),
            subscription: NOBODY,
            last_acts: [LastAct::default(); 2],
            seen: Vec::new(),
            was_bad: Vec::new(),
            keep: Keep::default(),
            up_ms: 0,
        };
        let utc_s = u32::try_from(now_ms.div_euclid(1000)).unwrap_or(0);
        let clock = Clock { utc_s, since_ms: now_ms.div_euclid(1000) * 1000, quality: 1 };
        Some(Board {
            kind,
            world,
            memory,
            clock,
            run,
            is_on: false,
            is_clock_lost: false,
            n_starts: 0,
            n_subscriptions: 0,
            n_keys_set: 0,
            record: None,
        })
    }

    /// A board from the factory.
    pub fn blank(kind: Kind, world: W) -> Option<Board<W>> {
        let memory = Memory::blank(kind.map);
        Board::new(kind, world, memory)
    }

    /// What it is wired to.
    pub fn world(&self) -> &W {
        &self.world
    }

    /// The same, for faults.
    pub fn world_mut(&mut self) -> &mut W {
        &mut self.world
    }

    pub(crate) fn memory(&self) -> &Memory {
        &self.memory
    }

    /// Whether it has power and runs.
    pub fn is_on(&self) -> bool {
        self.is_on
    }

    /// Starts so far.
    pub fn n_starts(&self) -> u64 {
        self.n_starts
    }

    /// Scans since its start.
    pub fn n_scans(&self) -> u32 {
        self.run.n_scans
    }

    /// Commands that wait for the next scan.
    pub fn n_waiting_commands(&self) -> usize {
        self.run.waiting.len()
    }

    /// Scan period of the running program, ms.
    pub fn period_ms(&self) -> u32 {
        self.run.decoded.period_ms().cast_unsigned()
    }

    /// Somebody reads records.
    pub fn has_reader(&self) -> bool {
        self.run.subscription.sections != 0
    }

    /// The network key, when one is set, with the boot counter that goes with it.
    pub(crate) fn key(&mut self) -> (Option<[u8; 16]>, u32) {
        (self.memory.key(), self.memory.boots())
    }

    /// Puts a key into a board that has no power yet.
    pub(crate) fn set_key_at_start(&mut self, key: &[u8; 16]) {
        self.memory.set_key(key);
    }

    /// Counts the network keys that were set: an open connection ends with its key.
    pub(crate) fn n_keys_set(&self) -> u64 {
        self.n_keys_set
    }

    /// Counts the subscriptions, so that a change of the reader can be seen.
    pub(crate) fn n_subscriptions(&self) -> u64 {
        self.n_subscriptions
    }

    /// A connection has ended: its subscription and its memory of acts with it.
    pub fn line_closed(&mut self, line: Line) {
        if self.run.subscription.line == line {
            self.run.subscription = NOBODY;
        }
        self.run.last_acts[line as usize] = LastAct::default();
    }

    fn event(&mut self, code: u8, argument: u16) {
        self.memory.journal.event(code, argument, self.clock.minute());
    }

    /// Time of the world at a request: just after the last scan.
    fn request_ms(&self) -> i64 {
        self.world.utc_ms() - i64::from(self.run.decoded.period_ms()) + 1
    }

    /// The verdict of the loader on a program, 0 when sound (`enum vm_verdict` of the firmware).
    fn check(kind: &Kind, bytes: &[u8]) -> u8 {
        const WIRING: u8 = 17;
        const BOARD: u8 = 18;
        const MEMORY: u8 = 19;
        let program = match Program::validate(bytes) {
            Ok(program) => program,
            Err(error) => return error.verdict(),
        };
        if program.wiring_crc() != kind.wiring_crc {
            return WIRING;
        }
        let sizes = program.sizes();
        let [n_numbers, n_bits, n_outputs] = kind.n_wired;
        if program.n_number_inputs() > n_numbers
            || program.n_bit_inputs() > n_bits
            || usize::from(sizes.n_drives) > n_outputs
        {
            return BOARD;
        }
        let count = usize::from;
        let parts = count(sizes.n_drives + sizes.n_trips + sizes.n_alarms + sizes.n_procedures);
        let pool = 5 * count(sizes.n_numbers)
            + 4 * count(sizes.n_cells)
            + count(sizes.n_bits)
            + 6 * count(sizes.n_drives)
            + 2 * parts;
        let retained = Machine::<1>::new(Decoded::new(&program)).keep(0).len();
        if pool > kind.pool || retained > kind.map.longest_retained() { MEMORY } else { 0 }
    }

    /// Boots: chooses the program, tells the journal, forgets everything else.
    fn boot(&mut self, reset_cause: u8) {
        let golden = self.kind.golden.last_chunk::<4>().map_or(0, |crc| u16::from_le_bytes([crc[0], crc[1]]));
        self.memory.journal.write();
        self.memory.open(golden);
        let program = loop {
            let running = self.memory.running();
            let bytes = match running {
                Running::Golden => break Program::validate(&self.kind.golden),
                _ => self.memory.program(running),
            };
            let verdict = Self::check(&self.kind, bytes);
            if verdict == 0 {
                break Program::validate(bytes);
            }
            const CHECKSUM: u8 = 6;
            self.memory.refused(verdict <= CHECKSUM);
        };
        if let Ok(program) = program {
            self.run.decoded = Decoded::new(&program);
            self.run.crc = program.crc();
        }
        let boot_ms = self.world.utc_ms() - 1;
        if self.kind.has_clock_part {
            self.clock.quality = 1;
        } else {
            self.clock = Clock { utc_s: 0, since_ms: boot_ms, quality: 2 };
        }
        self.event(event::RESET, reset_cause.into());
        let running = self.memory.running() as u16 | u16::from(self.memory.fell_back()) << 8;
        self.event(event::PROGRAM, running);
        let mut machine = Machine::new(self.run.decoded.clone());
        if let Some(kept) = self.memory.retained(self.run.crc).map(<[u8]>::to_vec) {
            machine.restore(0, &kept);
        }
        let sizes = self.run.decoded.sizes();
        self.run.seen = vec![0; usize::from(sizes.n_procedures)];
        self.run.seen.extend((0..sizes.n_trips.into()).map(|trip| u8::from(machine.is_tripped(trip, 0))));
        let n_seen = usize::from(sizes.n_procedures + sizes.n_trips + sizes.n_alarms + sizes.n_drives);
        self.run.seen.resize(n_seen, 0);
        self.run.keep = Keep { day: machine.day(0) as u8, ..Keep::default() };
        self.world.set_machine(machine);
        for input in 0..self.kind.n_wired[0] {
            self.correct(input as u8);
        }
        self.run.reset_cause = reset_cause;
        self.run.n_scans = 0;
        self.run.up_ms = 0;
        self.run.waiting.clear();
        self.run.subscription = NOBODY;
        self.run.last_acts = [LastAct::default(); 2];
        self.run.was_bad.clear();
        self.record = None;
        self.is_clock_lost = false;
        self.is_on = true;
        self.n_starts += 1;
        self.memory.journal.write();
    }

    /// Gives the world what the entries say about an input.
    fn correct(&mut self, input: u8) {
        let entry = self.memory.entries().find(|entry| entry[0] == input);
        let correction = entry.and_then(Entry::from_bytes).map(|entry| entry.correction);
        self.world.correct(input, correction);
    }

    /// One scan, or one period without power.
    pub fn scan(&mut self) {
        self.record = None;
        match self.world.begin() {
            Power::Off => {
                self.is_on = false;
                self.world.scan(None);
                return;
            }
            Power::Starts(cause) => self.boot(cause),
            Power::Runs => self.is_on = true,
        }
        self.latch_clock();
        let clock_s = (self.clock.quality == 0).then_some(self.clock.utc_s);
        self.world.scan(clock_s);
        self.run.n_scans = self.run.n_scans.wrapping_add(1);
        self.run.up_ms += self.run.decoded.period_ms() as u64;
        self.tell_inputs();
        // The head of the record is written before what the scan brought is in the journal.
        self.take_record();
        self.tell_changes();
        self.keep_totals();
        self.memory.journal.write();
        if self.run.up_ms.is_multiple_of(MINUTE_MS) && self.memory.minute() {
            self.boot(cause::WANTED);
        }
    }

    fn latch_clock(&mut self) {
        self.clock.latch(self.world.utc_ms());
        if self.kind.has_clock_part && self.clock.quality == 1 {
            self.clock.quality = 0;
        }
        let is_lost = self.world.is_clock_lost();
        if is_lost && !self.is_clock_lost {
            self.clock.quality = 2;
            self.event(event::CLOCK_LOST, 0);
        }
        self.is_clock_lost = is_lost;
        if is_lost {
            self.clock.quality = 2;
        }
    }

    /// Inputs that have gone bad or come back; those that are compensated are read last.
    fn tell_inputs(&mut self) {
        let n_numbers = usize::from(self.n_number_inputs());
        let n_bits = usize::from(self.n_bit_inputs());
        let mut told = Vec::new();
        self.run.was_bad.resize(n_numbers + n_bits, false);
        let is_late = |input: usize| self.kind.compensated.get(input) == Some(&true);
        let numbers = || 0..n_numbers;
        for input in numbers().filter(|i| !is_late(*i)).chain(numbers().filter(|i| is_late(*i))) {
            let quality = self.world.machine().number(NumRef(input as u16), 0).quality;
            told.push((input, input as u16, quality));
        }
        for input in 0..n_bits {
            let (_, quality) = self.world.machine().bit(BitRef((N_BUILT_IN + input) as u16), 0);
            told.push((n_numbers + input, 0x0100 | input as u16, quality));
        }
        for (at, argument, quality) in told {
            let is_bad = quality == program::Quality::Bad;
            if std::mem::replace(&mut self.run.was_bad[at], is_bad) != is_bad {
                self.event(if is_bad { event::INPUT_BAD } else { event::INPUT_GOOD }, argument);
            }
        }
    }

    fn n_number_inputs(&self) -> u8 {
        self.run.decoded.n_inputs().0 as u8
    }

    fn n_bit_inputs(&self) -> u8 {
        self.run.decoded.n_inputs().1 as u8
    }

    /// What is not as it was after the last scan.
    fn tell_changes(&mut self) {
        let sizes = self.run.decoded.sizes();
        let kinds = [sizes.n_procedures, sizes.n_trips, sizes.n_alarms, sizes.n_drives];
        let mut at = 0;
        let mut is_tripped = false;
        for (kind, n) in kinds.into_iter().enumerate() {
            for part in 0..usize::from(n) {
                let machine = self.world.machine();
                let is = match kind {
                    0 => machine.procedure_step(part, 0) as u8,
                    1 => machine.is_tripped(part, 0).into(),
                    2 => machine.alarm(part, 0).0.into(),
                    _ => u8::from(machine.hand_left_ms(part, 0) != 0),
                };
                if std::mem::replace(&mut self.run.seen[at], is) != is {
                    let argument = part as u16;
                    match kind {
                        0 => self.event(event::STEP, argument | u16::from(is) << 8),
                        1 => {
                            self.event(event::TRIP + u8::from(is == 0), argument);
                            is_tripped = true;
                        }
                        2 => self.event(event::ALARM + u8::from(is == 0), argument),
                        _ => self.event(event::HAND, argument | u16::from(is) << 8),
                    }
                }
                at += 1;
            }
        }
        if is_tripped {
            self.keep();
        }
    }

    fn keep(&mut self) {
        let kept = self.world.machine().keep(0);
        // A program that retains only its day retains nothing.
        if kept.len() > 2 {
            self.memory.keep(self.run.crc, kept);
        }
    }

    /// Totals are kept some time after they have changed, and at a day's end.
    fn keep_totals(&mut self) {
        let kept = self.world.machine().keep(0);
        let period_ms = self.run.decoded.period_ms() as u64;
        let now = &mut self.run.keep;
        now.since_first_ms += period_ms;
        now.since_last_ms += period_ms;
        let day = kept.first().copied().unwrap_or(0);
        if kept != now.last {
            now.last = kept;
            now.since_last_ms = 0;
            if !now.is_unkept {
                now.is_unkept = true;
                now.since_first_ms = 0;
            }
        }
        let is_time = now.since_first_ms >= KEEP_RISING_MS || now.since_last_ms >= KEEP_STILL_MS;
        if day != now.day || now.is_unkept && is_time {
            now.day = day;
            now.is_unkept = false;
            self.keep();
        }
    }

    /// The record of the scan, when somebody wants it.
    fn take_record(&mut self) {
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
    fn output(&self, drive: usize) -> i16 {
        let duty = self.world.machine().output(drive, 0);
        if self.run.decoded.is_modulated(drive) { duty as i16 } else { i16::from(duty != 0) }
    }

    /// The record of the last scan, once, for the line that asked for it.
    pub fn record(&mut self) -> Option<(Line, Record)> {
        self.record.take()
    }

    fn hello(&self) -> Hello {
        let sizes = self.run.decoded.sizes();
        Hello {
            protocol: PROTOCOL,
            chip: CHIP,
            board: self.kind.board,
            runtime: RUNTIME,
            wiring_crc: self.kind.wiring_crc,
            running_crc: self.run.crc,
            confirmed_crc: self.memory.confirmed_crc(),
            boots: self.memory.boots(),
            reset_cause: self.run.reset_cause,
            program: self.memory.running() as u8,
            fallback: self.memory.fell_back(),
            n_numbers: sizes.n_numbers,
            n_bits: sizes.n_bits,
            n_cells: sizes.n_cells,
            n_ops: sizes.n_ops,
            n_number_inputs: self.n_number_inputs(),
            n_bit_inputs: self.n_bit_inputs(),
            n_drives: sizes.n_drives as u8,
            n_trips: sizes.n_trips as u8,
            n_alarms: sizes.n_alarms as u8,
            n_procedures: sizes.n_procedures as u8,
            period_ms: self.run.decoded.period_ms() as u16,
            scan: self.run.n_scans,
            n_skipped: 0,
            longest_scan_ticks: 0,
            free_stack: 0,
            newest_event: self.memory.journal.newest(),
        }
    }

    /// Carries out a request and answers it; `None` from a board without power, and to what is no request.
    pub fn request(&mut self, line: Line, message: &[u8]) -> Option<Message> {
        if !self.is_on {
            return None;
        }
        let decoded = Request::decode(message);
        let [request_type, id, ..] = *message else { return None };
        let is_act = Request::is_act_type(request_type);
        let last = self.run.last_acts[line as usize];
        let is_again = is_act && id != 0 && id == last.id;
        let mut fields = Message::EMPTY;
        let (code, detail) = match decoded {
            _ if is_again => (AnswerCode::from_byte(last.code), last.detail),
            Err(BadRequest::Nothing) => return None,
            Err(BadRequest::Unknown) => (AnswerCode::Unknown, 0),
            Err(BadRequest::BadValue) => self.bad_value(request_type, message),
            Ok((_, request)) if is_act => self.act(line, &request),
            Ok((_, request)) => (self.tell(line, &request, &mut fields), 0),
        };
        let is_carried_out = decoded.is_ok() || Self::has_act_length(request_type, message);
        if is_act && is_carried_out && code != AnswerCode::Busy && !is_again {
            self.run.last_acts[line as usize] = LastAct { id, code: code.byte(), detail };
        }
        let mut out = Message::EMPTY;
        if is_act || code == AnswerCode::Unknown {
            out.extend(&[detail]);
            if code == AnswerCode::Refused
                && let Ok((_, Request::Hand { drive, .. })) = decoded
            {
                let left_ms = self.world.machine().hand_left_ms(drive.into(), 0) as u32;
                out.extend(&self.output(drive.into()).to_le_bytes());
                out.extend(&left_ms.to_le_bytes());
            }
        } else if code == AnswerCode::Done {
            out = fields;
        }
        let answer = Answer { request_type, id, code, fields: out.as_slice() }.encode();
        self.memory.journal.write();
        let restarts =
            matches!(decoded, Ok((_, Request::UploadEnd { .. } | Request::Revert | Request::Restart)));
        if restarts && code == AnswerCode::Done && !is_again {
            self.boot(cause::WANTED);
        }
        answer
    }

    /// Values out of range that `Request::decode` refuses although the length is right: a procedure's command, minutes 0.
    fn has_act_length(request_type: u8, message: &[u8]) -> bool {
        const PROCEDURE: u8 = 0x07;
        const UPLOAD_END: u8 = 0x10;
        matches!((request_type, message.len()), (PROCEDURE, 4) | (UPLOAD_END, 3))
    }

    fn bad_value(&self, request_type: u8, message: &[u8]) -> (AnswerCode, u8) {
        const PROCEDURE: u8 = 0x07;
        if request_type != PROCEDURE || !Self::has_act_length(request_type, message) {
            return (AnswerCode::BadValue, 0);
        }
        let is_there = u16::from(message[2]) < self.run.decoded.sizes().n_procedures;
        (if is_there { AnswerCode::BadValue } else { AnswerCode::NoSuchPart }, self.next_scan())
    }

    /// Low byte of the number of the scan that takes what is commanded now.
    fn next_scan(&self) -> u8 {
        self.run.n_scans.wrapping_add(1) as u8
    }

    /// What only reads.
    fn tell(&mut self, line: Line, request: &Request<'_>, fields: &mut Message) -> AnswerCode {
        match *request {
            Request::Hello { .. } => {
                self.run.last_acts[line as usize] = LastAct::default();
                *fields = self.hello().encode();
            }
            Request::Subscribe { sections, every } => {
                self.run.subscription = Subscription { line, sections, every, wait: 0 };
                self.n_subscriptions += 1;
            }
            Request::Events { from } => {
                fields.extend(&[self.memory.journal.newest()]);
                let mut from = from;
                for _ in 0..MOST_EVENTS {
                    let Some(event) = self.memory.journal.after(from) else { break };
                    fields.extend(&event.encode());
                    from = event.sequence.wrapping_add(1);
                }
            }
            Request::Clock => {
                fields.extend(&self.clock.utc_s.to_le_bytes());
                fields.extend(&[self.clock.quality]);
            }
            Request::Calibration { n } => match self.memory.entries().nth(n.into()) {
                Some(entry) => {
                    fields.extend(entry);
                }
                None => return AnswerCode::NoSuchPart,
            },
            Request::Raw { first } => {
                let n = self.n_number_inputs();
                if first >= n {
                    return AnswerCode::NoSuchPart;
                }
                for input in (first..n).take(MOST_RAW) {
                    fields.extend(&self.world.raw(input).to_le_bytes());
                }
            }
            _ => return AnswerCode::Unknown,
        }
        AnswerCode::Done
    }

    /// What changes something: code and detail.
    fn act(&mut self, line: Line, request: &Request<'_>) -> (AnswerCode, u8) {
        let scan = self.next_scan();
        let plain = |code| (code, 0);
        match *request {
            Request::Acknowledge { sequence } => {
                self.memory.journal.confirm(sequence);
                plain(AnswerCode::Done)
            }
            Request::Hand { drive, value, time_ms } => (self.hand(drive, value, time_ms), scan),
            Request::ResetTrip { trip } => (self.reset_trip(trip), scan),
            Request::Procedure { procedure, command } => (self.procedure(procedure, command), scan),
            Request::SetClock { utc_s } => plain(self.set_clock(utc_s)),
            Request::Calibrate { entry } => plain(self.calibrate(entry)),
            Request::LearnKey { key } => {
                let is_key = key < self.kind.n_keys || key == u8::MAX;
                plain(if is_key { AnswerCode::Done } else { AnswerCode::NoSuchPart })
            }
            Request::Upload { length } => (self.memory.upload(length), CHUNK as u8),
            Request::Chunk { offset, bytes } => plain(self.memory.chunk(offset, bytes)),
            Request::UploadEnd { minutes } => {
                self.memory.upload_end(minutes, |program| Self::check(&self.kind, program))
            }
            Request::Confirm => plain(self.memory.confirm()),
            Request::Revert => plain(self.memory.revert()),
            Request::Restart => plain(AnswerCode::Done),
            Request::SetKey { .. } if line != Line::Cable => plain(AnswerCode::NotAllowed),
            Request::SetKey { key } => {
                self.memory.set_key(key);
                self.n_keys_set += 1;
                plain(AnswerCode::Done)
            }
            _ => plain(AnswerCode::Unknown),
        }
    }

    fn has_room(&self) -> bool {
        self.run.waiting.len() < MOST_COMMANDS
    }

    fn take_command(&mut self, command: Command, recorded: Recorded) -> AnswerCode {
        if !self.has_room() {
            return AnswerCode::Busy;
        }
        self.world.machine_mut().command(0, command);
        self.run.waiting.push(recorded);
        AnswerCode::Done
    }

    fn hand(&mut self, drive: u8, value: i16, time_ms: u32) -> AnswerCode {
        if u16::from(drive) >= self.run.decoded.sizes().n_drives {
            let is_buzzer = self.kind.buzzers.contains(&drive);
            return if is_buzzer { AnswerCode::Done } else { AnswerCode::NoSuchPart };
        }
        let Ok(time) = i32::try_from(time_ms) else { return AnswerCode::BadValue };
        if !(0..=1000).contains(&value) {
            return AnswerCode::BadValue;
        }
        let is_blocked = self.world.machine().is_blocked(drive.into(), 0);
        if time != 0 && is_blocked && self.output(drive.into()) != value {
            return AnswerCode::Refused;
        }
        let command = Command::Hand { drive: drive.into(), value: value.into(), time_ms: time };
        self.take_command(command, Recorded { kind: 1, part: drive, value, time_ms })
    }

    fn reset_trip(&mut self, trip: u8) -> AnswerCode {
        if u16::from(trip) >= self.run.decoded.sizes().n_trips {
            return AnswerCode::NoSuchPart;
        }
        if !self.world.machine().is_tripped(trip.into(), 0) {
            return AnswerCode::Refused;
        }
        let command = Command::ResetTrip { trip: trip.into() };
        self.take_command(command, Recorded { kind: 2, part: trip, value: 0, time_ms: 0 })
    }

    fn procedure(&mut self, procedure: u8, command: ProcedureCommand) -> AnswerCode {
        if u16::from(procedure) >= self.run.decoded.sizes().n_procedures {
            return AnswerCode::NoSuchPart;
        }
        let recorded = Recorded { kind: 3, part: procedure, value: command as i16, time_ms: 0 };
        let command = match command {
            ProcedureCommand::Start => program::vm::ProcedureCommand::Start,
            ProcedureCommand::Confirm => program::vm::ProcedureCommand::Confirm,
            ProcedureCommand::Stop => program::vm::ProcedureCommand::Stop,
        };
        self.take_command(Command::Procedure { procedure: procedure.into(), command }, recorded)
    }

    fn set_clock(&mut self, utc_s: u32) -> AnswerCode {
        if utc_s >= CLOCK_END_S {
            return AnswerCode::BadValue;
        }
        let off = utc_s.wrapping_sub(self.clock.utc_s).cast_signed();
        let off = off.clamp(i16::MIN.into(), i16::MAX.into()) as i16;
        self.clock = Clock { utc_s, since_ms: self.request_ms(), quality: 0 };
        self.world.clock_was_set();
        self.event(event::CLOCK_SET, off.cast_unsigned());
        AnswerCode::Done
    }

    fn calibrate(&mut self, entry: &[u8; ENTRY_LENGTH]) -> AnswerCode {
        let code = self.memory.calibrate(entry);
        if code == AnswerCode::Done {
            self.event(event::CALIBRATED, entry[0].into());
            self.correct(entry[0]);
        }
        code
    }
}
