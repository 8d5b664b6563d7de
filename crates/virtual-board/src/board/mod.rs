//! A board behind the link protocol: what firmware/core does with requests, scans, events and restarts, over a [`World`].
//!
//! Contract: time passes only in [`Board::scan`]; requests between two scans are taken as coming just after the first. The same requests
//! at the same scans give the same answers and records as the C runtime gives (tests/conformance.rs).

mod answer;
mod record;

use std::sync::Arc;

use link::record::{Command as Recorded, Record};
use program::calibration::Entry;
use program::eeprom::Map;
use program::machine::{Decoded, Machine};
use program::wiring::Wiring;
use program::{BitRef, NumRef, Program};

use crate::memory::{Memory, Running};
use crate::world::{Power, World, cause};

/// Bits that stand in every program before its bit inputs.
const N_BUILT_IN: usize = 2;
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
        self.memory.put_key(key);
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
            // The record of the last scan is out by then.
            let record = self.record.take();
            self.boot(cause::WANTED);
            self.record = record;
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
}
