//! The virtual board against the C runtime: the same inputs and the same requests at the same scans give the same answers and the same
//! records, bit for bit. Programs, inputs and requests are drawn; what docs/link.md leaves to the board (chip, stack, times of scans)
//! is left out of HELLO.

use firmware_host::Runtime;
use firmware_host::link::Cabled;
use firmware_host::store::Store;
use link::frame::{Message, Splitter, from_cable, to_cable};
use link::message::{Answer, AnswerCode, Hello, RECORD, Request};
use link::record::{Assembler, Record, Shape};
use link::transport::Transport;
use program::Program;
use program::calibration::{Correction, Entry, Linear};
use program::convert::{AdcScale, Aged, contact};
use program::crc::crc32;
use program::eeprom::Map;
use program::generate::{self, Draw};
use program::machine::{Decoded, Machine};
use program::quality::{Quality, Sample};
use program::wiring::{BitDriver, BitInput, NumberDriver, NumberInput, Output, OutputDriver, Wiring};
use virtual_board::{Board, Kind, Line, Power, World, cause};

const ADC: AdcScale = AdcScale { reference_mv: 5000, full_scale: 1024 };
const FIRST_OUTPUT: u8 = 120;
/// Requests go out early enough in a period for their answer to be back within it.
const LATEST_MS: u32 = 180;
/// The journal has taken the events of a scan by then.
const SETTLED_MS: u32 = 110;

fn level(input: usize) -> NumberDriver {
    NumberDriver::Level {
        channel: input as u8,
        n_samples: 1 + input as u8 % 3,
        zero_uv: 500_000,
        per_volt: 200_000,
    }
}

fn wiring(n_numbers: usize, n_bits: usize, n_outputs: usize) -> Wiring {
    let bit = |pin: usize| BitInput {
        driver: BitDriver::Pin { pin: pin as u8 },
        is_normally_closed: pin % 2 == 1,
        n_debounce: 2,
    };
    let output = |at: usize| Output {
        driver: OutputDriver::Pin { pin: FIRST_OUTPUT + at as u8 },
        is_active_low: at % 2 == 1,
        is_on_when_safe: false,
    };
    Wiring {
        board: 3,
        adc: ADC,
        numbers: (0..n_numbers)
            .map(|input| NumberInput { driver: level(input), age_limit_ms: 5_000 })
            .collect(),
        bits: (0..n_bits).map(bit).collect(),
        outputs: (0..n_outputs).map(output).collect(),
        devices: Vec::new(),
    }
}

/// The program of a seed, for these wires.
fn for_wires(mut program: Vec<u8>, crc: u32) -> Vec<u8> {
    program[6..10].copy_from_slice(&crc.to_le_bytes());
    let end = program.len() - 4;
    let sum = crc32(&program[..end]);
    program[end..].copy_from_slice(&sum.to_le_bytes());
    program
}

/// Contacts and voltages, as the test sets them.
struct Bench {
    machine: Machine<1>,
    counts: Vec<u16>,
    closed: Vec<bool>,
    aged: Vec<Aged>,
    corrections: Vec<Option<Correction>>,
    utc_ms: i64,
    is_started: bool,
}

impl World for Bench {
    fn machine(&self) -> &Machine<1> {
        &self.machine
    }
    fn machine_mut(&mut self) -> &mut Machine<1> {
        &mut self.machine
    }
    fn set_machine(&mut self, machine: Machine<1>) {
        self.machine = machine;
    }
    fn begin(&mut self) -> Power {
        if std::mem::replace(&mut self.is_started, true) { Power::Runs } else { Power::Starts(cause::POWER) }
    }
    fn scan(&mut self, clock_s: Option<u32>) {
        let period_ms = self.machine.decoded().period_ms();
        for (input, &counts) in self.counts.iter().enumerate() {
            let driver = level(input);
            let raw = i32::from(counts) * (1 + input as i32 % 3);
            let correction = self.corrections[input].as_ref();
            let value = driver.convert(raw, ADC, correction, Sample::BAD, period_ms);
            let sample = self.aged[input].take(Some(value), period_ms, 5_000);
            self.machine.set_number(input, 0, sample);
        }
        for (input, &is_closed) in self.closed.iter().enumerate() {
            self.machine.set_bit(input, 0, contact(is_closed, input % 2 == 1), Quality::Good);
        }
        self.machine.set_clock(0, clock_s);
        self.machine.scan();
        self.utc_ms += i64::from(period_ms);
    }
    fn utc_ms(&self) -> i64 {
        self.utc_ms
    }
    fn correct(&mut self, input: u8, correction: Option<Correction>) {
        if let Some(place) = self.corrections.get_mut(usize::from(input)) {
            *place = correction;
        }
    }
    /// The next reading is taken just after a scan.
    fn raw(&self, input: u8) -> i32 {
        i32::from(self.counts[usize::from(input)]) * (1 + i32::from(input) % 3)
    }
}

/// Both boards, in step.
struct Pair<'r> {
    ours: Board<Bench>,
    theirs: Cabled<'r>,
    splitter: Splitter,
    assembler: Assembler,
    /// Since the last scan of the C board.
    ms: u32,
    period_ms: u32,
    answers: Vec<Message>,
    records: Vec<Record>,
    n_answers: u64,
    n_records: u64,
    last_request: String,
    /// Of the inputs.
    draw: Draw,
}

impl Pair<'_> {
    /// A millisecond of the C board; what it says is sorted.
    fn ms(&mut self) {
        let before = self.theirs.n_scans();
        self.theirs.run(1);
        self.ms = if self.theirs.n_scans() == before { self.ms + 1 } else { 0 };
        let mut bytes = [0; 256];
        loop {
            // Without a millisecond of its own: what has come already.
            let n = self.theirs.take(&mut bytes);
            if n == 0 {
                return;
            }
            for byte in &bytes[..n] {
                let Some(message) = self.splitter.push(*byte).and_then(|frame| from_cable(&frame)) else {
                    continue;
                };
                if message.as_slice()[0] == RECORD {
                    self.records.extend(self.assembler.push(message.as_slice()));
                } else {
                    self.answers.push(message);
                }
            }
        }
    }

    fn until_ms(&mut self, ms: u32) {
        while self.ms < ms {
            self.ms();
        }
    }

    /// The next scan of both, and its record.
    fn scan(&mut self) -> Result<(), String> {
        let scan = self.theirs.n_scans();
        for _ in 0..self.period_ms + 400 {
            if self.theirs.n_scans() != scan {
                break;
            }
            self.ms();
        }
        let n_starts = self.ours.n_starts();
        self.ours.scan();
        // Converters are read just after a scan, for the next one.
        self.inputs();
        let is_given_up = self.ours.n_starts() != n_starts;
        if !is_given_up && self.ours.n_scans() != self.theirs.n_scans() {
            return Err(format!("scan {} of ours, {} of C's", self.ours.n_scans(), self.theirs.n_scans()));
        }
        self.until_ms(90);
        let ours = self.ours.record().map(|(_, record)| without_lost_clock(record));
        let theirs: Vec<Record> = self.records.drain(..).map(without_lost_clock).collect();
        if theirs.len() != usize::from(ours.is_some()) || theirs.first() != ours.as_ref() {
            return Err(format!("records differ\nours   {ours:?}\ntheirs {theirs:?}"));
        }
        self.n_records += theirs.len() as u64;
        Ok(())
    }

    /// One request to both; gives the answer.
    fn request(&mut self, message: &Message) -> Result<Message, String> {
        self.until_ms(SETTLED_MS);
        let mut latest_ms = LATEST_MS;
        for _ in 0..200 {
            if self.ms > latest_ms {
                self.scan()?;
                self.until_ms(SETTLED_MS);
            }
            // Asked again while storage writes: within the same period, for what is written may act before it is said to be done.
            latest_ms = self.period_ms - 15;
            self.answers.clear();
            let stuffed = to_cable(message).ok_or("a message")?;
            (&mut self.theirs).send(stuffed.as_slice()).map_err(|error| error.to_string())?;
            for _ in 0..40 {
                if !self.answers.is_empty() {
                    break;
                }
                self.ms();
            }
            let Some(theirs) = self.answers.pop() else { return Err("C does not answer".into()) };
            let is_busy =
                Answer::decode(theirs.as_slice()).is_some_and(|answer| answer.code == AnswerCode::Busy);
            if is_busy && !self.is_full(message) {
                continue; // its storage is slow, ours is not
            }
            let ours = self.ours.request(Line::Cable, message.as_slice()).ok_or("ours does not answer")?;
            if without_times(&ours) != without_times(&theirs) {
                return Err(format!("answers differ\nours   {ours:02x?}\ntheirs {theirs:02x?}"));
            }
            self.n_answers += 1;
            // What acts of storage bring into the journal takes its time.
            if matches!(message.as_slice()[0], 0x04 | 0x09 | 0x0B) {
                self.until_ms(self.ms + 30);
            }
            return Ok(theirs);
        }
        Err("C stays busy".into())
    }

    /// The next scan takes no more commands: BUSY is then the true answer of both.
    fn is_full(&self, message: &Message) -> bool {
        (0x05..=0x07).contains(&message.as_slice()[0]) && self.n_commands() == 3
    }

    fn n_commands(&self) -> usize {
        self.ours.n_waiting_commands()
    }

    /// Both restart: C in its own time.
    fn after_restart(&mut self) -> Result<(), String> {
        let n = self.theirs.n_resets;
        for _ in 0..self.period_ms + 400 {
            self.theirs.run(1);
            if self.theirs.n_resets != n {
                self.splitter = Splitter::new();
                self.records.clear();
                self.ms = 0;
                return self.first_scan();
            }
        }
        Err("C does not restart".into())
    }

    fn first_scan(&mut self) -> Result<(), String> {
        for _ in 0..3_000 {
            if self.theirs.n_scans() == 1 {
                self.ms = 0;
                self.ours.scan();
                let program = self.ours.period_ms();
                self.period_ms = program;
                return Ok(());
            }
            self.theirs.run(1);
        }
        Err(format!("C does not scan: {} scans, {} resets", self.theirs.n_scans(), self.theirs.n_resets))
    }

    fn hello(&mut self, id: u8) -> Result<Hello, String> {
        let message = Request::Hello { protocol: 1 }.encode(id).ok_or("a message")?;
        let answer = self.request(&message)?;
        let hello = Hello::decode(&answer.as_slice()[3..]);
        self.assembler = Assembler::new(Shape::of(&hello));
        Ok(hello)
    }

    fn inputs(&mut self) {
        let draw = &mut self.draw;
        let bench = self.ours.world_mut();
        for (input, counts) in bench.counts.iter_mut().enumerate() {
            if draw.below(4) == 0 {
                // Voltages stay within what a level sensor gives, and sometimes leave it: a bad value.
                *counts = draw.below(1024) as u16;
            }
            self.theirs.set_adc(input as u8, *counts);
        }
        for (pin, is_closed) in bench.closed.iter_mut().enumerate() {
            *is_closed ^= draw.below(6) == 0;
            self.theirs.set_pin(pin as u8, !*is_closed);
        }
    }
}

/// A clock that is lost counts from boot, and a boot takes its time.
fn without_lost_clock(mut record: Record) -> Record {
    if !record.is_clock_good {
        record.clock_s = 0;
    }
    record
}

/// An answer without what belongs to the chip: HELLO's skipped scans, longest scan and stack; what a lost clock says.
fn without_times(message: &Message) -> Vec<u8> {
    let mut bytes = message.as_slice().to_vec();
    if bytes[0] == 0x81 && bytes.len() > 54 {
        bytes[46..54].fill(0);
    }
    if bytes[0] == 0x88 && bytes.len() == 8 && bytes[7] != 0 {
        bytes[3..7].fill(0);
    }
    bytes
}

/// A request, sometimes nonsense. `is_next_restart`: the board restarts after it when it is done.
fn draw_request<'a>(
    draw: &mut Draw,
    entry: &'a mut [u8; 14],
    n_inputs: u32,
    sequences: &mut [u8],
) -> Request<'a> {
    let part = |draw: &mut Draw| draw.below(6) as u8;
    match draw.below(22) {
        0..=5 => Request::Hand {
            drive: part(draw),
            value: [0, 1, 500, 1000, 1001, -1, 0, 1][draw.below(8) as usize],
            time_ms: [0, 300, 2_000, 60_000, 1 << 31, 90_000_000][draw.below(6) as usize],
        },
        6 | 7 => Request::ResetTrip { trip: part(draw) },
        8 | 9 => Request::Procedure {
            procedure: draw.below(3) as u8,
            command: [
                link::message::ProcedureCommand::Start,
                link::message::ProcedureCommand::Confirm,
                link::message::ProcedureCommand::Stop,
            ][draw.below(3) as usize],
        },
        10 | 11 => Request::Events { from: draw.next_word() as u8 },
        12 | 13 => Request::Acknowledge { sequence: draw.next_word() as u8 },
        14 => Request::Clock,
        15 => Request::SetClock { utc_s: draw.next_word() as u32 },
        16 => Request::Raw { first: draw.below(n_inputs + 1) as u8 },
        17 => Request::Calibration { n: draw.below(10) as u8 },
        18 | 19 => {
            let input = draw.below(n_inputs + 1) as u8;
            let sequence = &mut sequences[usize::from(input) % 16];
            *sequence = sequence.wrapping_add(draw.below(3) as u8);
            *entry = match draw.below(8) {
                0 => Entry::forget(input),
                _ => Entry {
                    input,
                    sequence: *sequence & 15,
                    day: 9_000,
                    correction: Correction::Linear(Linear {
                        offset: draw.below(2_000) as i32,
                        gain_ppm: 1_010_000,
                    }),
                }
                .to_bytes(),
            };
            entry[4] ^= u8::from(draw.below(12) == 0);
            Request::Calibrate { entry }
        }
        20 => Request::LearnKey { key: [0, 3, 0xFF][draw.below(3) as usize] },
        _ => Request::Subscribe { sections: 31, every: [1, 1, 2, 3][draw.below(4) as usize] },
    }
}

/// Whether the C runtime of the host takes a program: what it retains must fit its ring.
fn fits(program: &Program<'_>) -> bool {
    Machine::<1>::new(Decoded::new(program)).keep(0).len() <= Map::SMALL.longest_retained()
        && program.bytes().len() <= Map::SMALL.slot
}

/// What a sequence does.
#[derive(Clone, Copy, PartialEq)]
enum Course {
    /// Requests of every kind at so many scans.
    Mixed(u32),
    /// An upload that nobody confirms.
    Unconfirmed,
}

fn run(runtime: &mut Runtime, seed: u64, course: Course, totals: &mut [u64; 2]) -> Result<(), String> {
    let seeds = (0..).map(|n: u64| seed.wrapping_mul(1_000).wrapping_add(n));
    let mut programs = seeds.filter_map(|seed| {
        let bytes = generate::program(seed);
        let program = Program::validate(&bytes).ok()?;
        (fits(&program) && program.period_ms() <= 1_000).then_some(bytes)
    });
    let (golden, trial) = (programs.next().ok_or("a program")?, programs.next().ok_or("a program")?);
    let counts = |bytes: &[u8]| {
        let program = Program::validate(bytes).map_err(|error| error.to_string())?;
        Ok::<_, String>([program.n_number_inputs(), program.n_bit_inputs(), program.sizes().n_drives.into()])
    };
    let (a, b) = (counts(&golden)?, counts(&trial)?);
    let n: [usize; 3] = std::array::from_fn(|at| a[at].max(b[at]));
    let wiring = wiring(n[0], n[1], n[2]);
    let table = wiring.encode().map_err(|error| format!("{error:?}"))?;
    let crc = Wiring::crc(&table);
    let (golden, trial) = (for_wires(golden, crc), for_wires(trial, crc));

    let kind = Kind::of(&wiring, crc, a[2], golden.clone(), Map::SMALL);
    let decoded = Decoded::new(&Program::validate(&golden).map_err(|error| error.to_string())?);
    let bench = Bench {
        machine: Machine::new(decoded.clone()),
        counts: vec![300; n[0]],
        closed: vec![false; n[1]],
        aged: vec![Aged::NONE; n[0]],
        corrections: vec![None; n[0]],
        utc_ms: 1,
        is_started: false,
    };
    Store::blank(runtime);
    let theirs = Cabled::boot(runtime, &table, &golden);
    let mut pair = Pair {
        ours: Board::blank(kind, bench).ok_or("a board")?,
        theirs,
        splitter: Splitter::new(),
        assembler: Assembler::default(),
        ms: 0,
        period_ms: decoded.period_ms() as u32,
        answers: Vec::new(),
        records: Vec::new(),
        n_answers: 0,
        n_records: 0,
        last_request: String::new(),
        draw: Draw::new(seed ^ 0x22),
    };
    let mut draw = Draw::new(seed ^ 0x11);
    pair.inputs();
    pair.first_scan()?;
    pair.hello(1)?;
    let mut id = 1_u8;
    let mut sequences = [0; 16];
    let subscribe = |pair: &mut Pair<'_>, id: &mut u8| {
        *id = id.checked_add(1).unwrap_or(1);
        let message = Request::Subscribe { sections: 31, every: 1 }.encode(*id).ok_or("a message")?;
        pair.request(&message).map(drop)
    };
    subscribe(&mut pair, &mut id)?;
    let n_scans = match course {
        Course::Mixed(n_scans) => n_scans,
        Course::Unconfirmed => return unconfirmed(&mut pair, &mut id, &trial),
    };
    let mut is_restarted = false;
    for k in 0..n_scans {
        let at = |pair: &Pair<'_>, what: String| {
            format!("seed {seed}, scan {k}, after {}: {what}", pair.last_request)
        };
        if is_restarted {
            pair.hello(id).map_err(|what| at(&pair, what))?;
            subscribe(&mut pair, &mut id).map_err(|what| at(&pair, what))?;
            is_restarted = false;
        }
        for _ in 0..draw.below(4) {
            let mut entry = [0; 14];
            // The same id again now and then: nothing is done twice.
            if draw.below(10) != 0 {
                id = id.checked_add(1).unwrap_or(1);
            }
            let request = draw_request(&mut draw, &mut entry, n[0] as u32, &mut sequences);
            pair.last_request = format!("{request:?} id {id}");
            let Some(mut message) = request.encode(id) else { continue };
            if draw.below(25) == 0 {
                message = nonsense(&mut draw, id);
                pair.last_request = format!("{message:02x?}");
            }
            let answer = pair.request(&message).map_err(|what| at(&pair, what))?;
            if std::env::var("LOG").is_ok() {
                println!(
                    "scan {} ms {}: {} -> {:?}",
                    pair.ours.n_scans(),
                    pair.ms,
                    pair.last_request,
                    answer.as_slice().get(2)
                );
            }
            if message.as_slice()[0] == 0x02 && answer.as_slice()[2] == 0 {
                // The first record after a subscription is of the next scan, in both.
                pair.records.clear();
            }
        }
        let step = k % 97;
        let special: &[Request<'_>] = match step {
            20 => &[Request::Restart],
            40 => &[Request::Confirm, Request::Revert, Request::UploadEnd { minutes: 3 }],
            _ => &[],
        };
        for request in special {
            id = id.checked_add(1).unwrap_or(1);
            pair.last_request = format!("{request:?}");
            let message = request.encode(id).ok_or("a message")?;
            let answer = pair.request(&message).map_err(|what| at(&pair, what))?;
            if matches!(request, Request::Restart) && answer.as_slice()[2] == 0 {
                pair.after_restart().map_err(|what| at(&pair, what))?;
                is_restarted = true;
            }
        }
        if step == 50 || step == 75 {
            pair.last_request = format!("upload at {step}");
            upload(&mut pair, &mut id, if step == 50 { &trial } else { &golden })
                .map_err(|what| at(&pair, what))?;
            is_restarted = true;
            continue;
        }
        if step == 60 || step == 80 {
            let request = if step == 60 { Request::Confirm } else { Request::Revert };
            pair.last_request = format!("{request:?}");
            id = id.checked_add(1).unwrap_or(1);
            let message = request.encode(id).ok_or("a message")?;
            let answer = pair.request(&message).map_err(|what| at(&pair, what))?;
            if matches!(request, Request::Revert) && answer.as_slice()[2] == 0 {
                pair.after_restart().map_err(|what| at(&pair, what))?;
                is_restarted = true;
                continue;
            }
        }
        if !is_restarted {
            pair.scan().map_err(|what| at(&pair, what))?;
        }
    }
    totals[0] += pair.n_answers;
    totals[1] += pair.n_records;
    Ok(())
}

/// Types and lengths that no request has.
fn nonsense(draw: &mut Draw, id: u8) -> Message {
    let mut message = Message::EMPTY;
    message.extend(&[draw.below(0x40) as u8, id]);
    for _ in 0..draw.below(20) {
        message.extend(&[draw.next_word() as u8]);
    }
    // What would be carried out is drawn elsewhere.
    match Request::decode(message.as_slice()) {
        Ok(_) => Message::of(&[0x3F, id]).unwrap_or(Message::EMPTY),
        Err(_) => message,
    }
}

fn upload(pair: &mut Pair<'_>, id: &mut u8, program: &[u8]) -> Result<(), String> {
    let mut ask = |pair: &mut Pair<'_>, request: Request<'_>| {
        *id = id.checked_add(1).unwrap_or(1);
        let message = request.encode(*id).ok_or("a message")?;
        pair.request(&message)
    };
    ask(pair, Request::Upload { length: program.len() as u16 })?;
    for (n, bytes) in program.chunks(24).enumerate() {
        ask(pair, Request::Chunk { offset: n as u16 * 24, bytes })?;
    }
    let answer = ask(pair, Request::UploadEnd { minutes: 1 })?;
    match answer.as_slice()[2] {
        0 => pair.after_restart(),
        _ => Ok(()),
    }
}

/// A trial of a minute that nobody confirms gives way at the same scan, for the same reason.
fn unconfirmed(pair: &mut Pair<'_>, id: &mut u8, trial: &[u8]) -> Result<(), String> {
    upload(pair, id, trial)?;
    let during = pair.hello(1)?;
    if (during.program, during.fallback) != (2, 0) {
        return Err(format!("no trial runs: {during:?}"));
    }
    let n_starts = pair.ours.n_starts();
    while pair.ours.n_starts() == n_starts {
        pair.scan()?;
    }
    pair.after_restart()?;
    let after = pair.hello(2)?;
    if (after.program, after.fallback) != (0, 1) {
        return Err(format!("the trial did not give way: {after:?}"));
    }
    Ok(())
}

#[test]
fn a_trial_that_nobody_confirms_gives_way_in_both() {
    let mut runtime = Runtime::lock();
    for seed in 0..4 {
        run(&mut runtime, seed, Course::Unconfirmed, &mut [0; 2]).expect("both do the same");
    }
}

#[test]
fn answers_and_records_are_those_of_the_c_runtime() {
    let n_seeds = std::env::var("SEEDS").ok().and_then(|n| n.parse().ok()).unwrap_or(6);
    let mut runtime = Runtime::lock();
    let mut totals = [0; 2];
    let mut failed = false;
    let only: Option<u64> = std::env::var("SEED").ok().and_then(|n| n.parse().ok());
    for seed in only.map_or(0..n_seeds, |seed| seed..seed + 1) {
        if let Err(what) = run(&mut runtime, seed, Course::Mixed(200), &mut totals) {
            println!("{what}");
            failed = true;
        }
    }
    assert!(!failed, "some sequences differ");
    println!("{n_seeds} sequences: {} answers and {} records are equal", totals[0], totals[1]);
    assert!(totals[0] > 100 * n_seeds && totals[1] > 100 * n_seeds, "{totals:?}");
}
