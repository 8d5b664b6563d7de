//! A board: the runtime as it ships, on a simulated chip, with a wiring table and a program, spoken to over its serial line as a
//! station would. Time is the chip's; nothing here looks at a clock of the machine.

use crate::chip::{Chip, Result};
use image::hex::Memory;
use image::tables::{ALIGNMENT, Tables};
use link::frame::{Splitter, from_cable, to_cable};
use link::message::{Answer, AnswerCode, Event, Hello, IS_ANSWER, PROTOCOL, RECORD, Request, decode_events};
use link::record::{Assembler, Record, Shape};
use program::wiring::Wiring;
use std::collections::VecDeque;
use std::path::{Path, PathBuf};

/// How long an answer may take, ms of the chip's time.
const ANSWER_MS: u64 = 3_000;

/// A board with power, or without.
pub struct Board {
    /// The chip, for what is wired to it.
    pub chip: Chip,
    splitter: Splitter,
    assembler: Assembler,
    id: u8,
    hello: Hello,
    answers: VecDeque<(u8, u8, AnswerCode, Vec<u8>)>,
    records: VecDeque<Record>,
    tables_at: u32,
}

/// The image of a chip (`atmega328p`, `atmega328p-network` and so on), or why there is none.
///
/// `BENCH_IMAGES` may name a folder with other images, `<name>.elf` and `<name>.hex`.
pub fn image(name: &str) -> Result<PathBuf> {
    if let Some(folder) = std::env::var_os("BENCH_IMAGES") {
        return Ok(Path::new(&folder).join(name).with_extension("elf"));
    }
    macro_rules! built {
        ($($image:literal $env:literal)*) => {
            match name {
                $($image => (option_env!($env), option_env!(concat!($env, "_MISSING"))),)*
                _ => return Err(format!("no image is called {name}")),
            }
        };
    }
    let (path, missing) = built! {
        "atmega328p" "IMAGE_ATMEGA328P"
        "atmega328p-network" "IMAGE_ATMEGA328P_NETWORK"
        "atmega328p-no-panel" "IMAGE_ATMEGA328P_NO_PANEL"
        "atmega328p-no-panel-network" "IMAGE_ATMEGA328P_NO_PANEL_NETWORK"
        "atmega32u4" "IMAGE_ATMEGA32U4"
        "atmega32u4-no-panel" "IMAGE_ATMEGA32U4_NO_PANEL"
        "atmega2560" "IMAGE_ATMEGA2560"
        "atmega2560-network" "IMAGE_ATMEGA2560_NETWORK"
    };
    path.map(PathBuf::from)
        .ok_or_else(|| format!("no image for {name}: {}", missing.unwrap_or("it was not built")))
}

/// Where our part of a chip's flash ends: below a bootloader of 512 bytes, and where 16 bits reach (`port_flash_end`).
fn flash_end(image_name: &str) -> usize {
    match image_name.split('-').next() {
        Some("atmega328p") => 0x7E00,
        Some("atmega32u4") => 0x7000,
        _ => 0xFFFF,
    }
}

/// The runtime of an image, filled up to where tables begin.
fn runtime(image_name: &str) -> Result<Vec<u8>> {
    let hex = image(image_name)?.with_extension("hex");
    let text = std::fs::read_to_string(&hex).map_err(|error| format!("{}: {error}", hex.display()))?;
    let mut runtime = Memory::read(&text).map_err(|error| format!("{error:?}"))?.flat();
    runtime.resize(runtime.len().next_multiple_of(ALIGNMENT), 0xFF);
    Ok(runtime)
}

/// The smallest of these images that is there and has room for tables of so many bytes; says why others are passed over.
pub fn smallest<'n>(names: &[&'n str], n_tables: usize) -> Result<&'n str> {
    let mut reasons = Vec::new();
    for name in names {
        match runtime(name) {
            Ok(runtime) if runtime.len() + n_tables <= flash_end(name) => {
                if !reasons.is_empty() {
                    eprintln!("on {name} instead: {}", reasons.join("; "));
                }
                return Ok(name);
            }
            Ok(runtime) => reasons.push(format!(
                "{name}: {} bytes of runtime and {n_tables} of tables are more than {}",
                runtime.len(),
                flash_end(name)
            )),
            Err(reason) => reasons.push(reason),
        }
    }
    Err(reasons.join("; "))
}

/// Bytes of a wiring table and of a program for it; the program's CRC of its wiring must be that of the table.
#[derive(Clone, Debug, Default)]
pub struct Load {
    /// Wiring table.
    pub wiring: Vec<u8>,
    /// Golden program.
    pub program: Vec<u8>,
    /// Panel table; empty for none.
    pub panel: Vec<u8>,
}

impl Load {
    /// A wiring table and the program that `assemble` makes for it, given the table's CRC.
    pub fn new(wiring: &Wiring, assemble: impl FnOnce(u32) -> Vec<u8>) -> Result<Load> {
        let wiring = wiring.encode().map_err(|error| format!("wiring: {error}"))?;
        let program = assemble(Wiring::crc(&wiring));
        Ok(Load { wiring, program, panel: Vec::new() })
    }
}

impl Board {
    /// Puts runtime, tables and program into a chip's flash. The board is without power: parts can be wired first.
    pub fn new(image_name: &str, load: &Load) -> Result<Board> {
        let runtime = runtime(image_name)?;
        let tables =
            Tables { wiring: load.wiring.clone(), program: load.program.clone(), panel: load.panel.clone() };
        let block = tables.block(&runtime).ok_or("the tables are too long")?;
        if runtime.len() + block.len() > flash_end(image_name) {
            return Err(format!(
                "{image_name}: {} bytes of runtime and {} of tables are more than {}",
                runtime.len(),
                block.len(),
                flash_end(image_name)
            ));
        }
        let chip_name = image_name.split('-').next().unwrap_or(image_name);
        let mut chip = Chip::start(chip_name, &image(image_name)?)?;
        let tables_at = runtime.len() as u32;
        chip.set_flash(tables_at, &block)?;
        Ok(Board {
            chip,
            splitter: Splitter::new(),
            assembler: Assembler::default(),
            id: 0,
            hello: Hello::default(),
            answers: VecDeque::new(),
            records: VecDeque::new(),
            tables_at,
        })
    }

    /// Where the tables block stands in flash.
    pub fn tables_at(&self) -> u32 {
        self.tables_at
    }

    /// Power comes. Returns at once; [`Board::meet`] waits for the board.
    pub fn power(&mut self, seed: u32) -> Result<()> {
        self.splitter = Splitter::new();
        self.assembler = Assembler::default();
        self.hello = Hello::default();
        self.answers.clear();
        self.records.clear();
        self.chip.received()?;
        self.chip.power(seed)
    }

    /// Asks the board what it is, again and again until it answers.
    pub fn meet(&mut self) -> Result<Hello> {
        for _ in 0..20 {
            if let Some((AnswerCode::Done, fields)) =
                self.try_request(&Request::Hello { protocol: PROTOCOL }, 400)?
            {
                let hello = Hello::decode(&fields);
                if Shape::of(&hello) != Shape::of(&self.hello) {
                    self.assembler = Assembler::new(Shape::of(&hello));
                }
                self.hello = hello;
                return Ok(hello);
            }
        }
        Err(format!("the board does not answer: {:?}", self.chip.state()?))
    }

    /// Takes what the board has sent.
    fn listen(&mut self) -> Result<()> {
        for byte in self.chip.received()? {
            let Some(message) = self.splitter.push(byte).and_then(|frame| from_cable(&frame)) else {
                continue;
            };
            let message = message.as_slice();
            if message.first() == Some(&RECORD) {
                self.records.extend(self.assembler.push(message));
            } else if let Some(answer) = Answer::decode(message) {
                self.answers.push_back((
                    answer.request_type & !IS_ANSWER,
                    answer.id,
                    answer.code,
                    answer.fields.to_vec(),
                ));
            }
        }
        Ok(())
    }

    /// Runs for a time and takes what comes meanwhile.
    pub fn run_ms(&mut self, ms: u64) -> Result<()> {
        self.chip.stop_at_frames(false)?;
        let state = self.chip.run_ms(ms)?;
        if !state.is_alive {
            return Err(format!("the chip stands still: {state:?}"));
        }
        self.listen()
    }

    fn try_request(&mut self, request: &Request<'_>, ms: u64) -> Result<Option<(AnswerCode, Vec<u8>)>> {
        self.id = if self.id == u8::MAX { 1 } else { self.id + 1 };
        let message = request.encode(self.id).ok_or("a request that is too long")?;
        let stuffed = to_cable(&message).ok_or("a request that is too long")?;
        self.chip.send(&[0])?;
        self.chip.send(stuffed.as_slice())?;
        self.chip.stop_at_frames(true)?;
        let until = self.chip.state()?.cycle + ms * 16_000;
        loop {
            let state = self.chip.state()?;
            if !state.is_alive {
                return Err(format!("the chip stands still: {state:?}"));
            }
            if state.cycle >= until {
                return Ok(None);
            }
            self.chip.run(until - state.cycle)?;
            self.listen()?;
            while let Some((kind, id, code, fields)) = self.answers.pop_front() {
                if kind == request.message_type() && id == self.id {
                    return Ok(Some((code, fields)));
                }
            }
        }
    }

    /// A request and its answer.
    pub fn ask(&mut self, request: &Request<'_>) -> Result<(AnswerCode, Vec<u8>)> {
        self.try_request(request, ANSWER_MS)?.ok_or_else(|| format!("no answer to {request:?}"))
    }

    /// A request that must be done; asked again while the board is busy.
    pub fn demand(&mut self, request: &Request<'_>) -> Result<Vec<u8>> {
        for _ in 0..200 {
            match self.ask(request)? {
                (AnswerCode::Done, fields) => return Ok(fields),
                (AnswerCode::Busy, _) => self.run_ms(20)?,
                (code, fields) => return Err(format!("{request:?}: {code:?} {fields:?}")),
            }
        }
        Err(format!("{request:?}: busy for 4 s"))
    }

    /// What the board said of itself last.
    pub fn hello(&self) -> &Hello {
        &self.hello
    }

    /// Wants a record of every scan with these sections.
    pub fn subscribe(&mut self, sections: u8) -> Result<()> {
        self.demand(&Request::Subscribe { sections, every: 1 }).map(|_| ())
    }

    /// Runs until the record of a scan is here, for `ms` at most.
    pub fn next_record(&mut self, ms: u64) -> Result<Record> {
        self.chip.stop_at_frames(true)?;
        let until = self.chip.state()?.cycle + ms * 16_000;
        loop {
            if let Some(record) = self.records.pop_front() {
                return Ok(record);
            }
            let state = self.chip.state()?;
            if !state.is_alive || state.cycle >= until {
                return Err(format!(
                    "no record within {ms} ms ({} broken): {state:?}",
                    self.assembler.n_broken
                ));
            }
            self.chip.run(until - state.cycle)?;
            self.listen()?;
        }
    }

    /// The record of the next scan that begins after now.
    pub fn fresh_record(&mut self) -> Result<Record> {
        self.listen()?;
        self.records.clear();
        self.next_record(12_000)
    }

    /// Unacknowledged events from a sequence number on.
    pub fn events(&mut self, from: u8) -> Result<Vec<Event>> {
        let mut all: Vec<Event> = Vec::new();
        let mut next = from;
        loop {
            let fields = self.demand(&Request::Events { from: next })?;
            let events: Vec<Event> =
                decode_events(&fields).map(|(_, events)| events.collect()).unwrap_or_default();
            let Some(last) = events.last() else { return Ok(all) };
            next = last.sequence.wrapping_add(1);
            all.extend(events);
            if all.len() > 300 {
                return Err("events without end".into());
            }
        }
    }

    /// All events that are not acknowledged. Sequences go round at 256, so the question begins a little before the newest.
    pub fn all_events(&mut self) -> Result<Vec<Event>> {
        let fields = self.demand(&Request::Events { from: 0 })?;
        let newest = fields.first().copied().unwrap_or(0);
        self.events(newest.wrapping_sub(100))
    }

    /// Where a symbol of the image stands, by `avr-nm`; data addresses as the chip sees them.
    pub fn symbol(image_name: &str, name: &str) -> Result<u32> {
        let output = std::process::Command::new("avr-nm")
            .arg(image(image_name)?)
            .output()
            .map_err(|error| format!("avr-nm: {error}"))?;
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        text.lines()
            .find_map(|line| {
                let mut words = line.split_whitespace();
                let address = u32::from_str_radix(words.next()?, 16).ok()?;
                let symbol = words.nth(1)?;
                let plain = symbol.split('.').next()?;
                (plain == name).then_some(address & 0xFFFF)
            })
            .ok_or_else(|| format!("no symbol {name}"))
    }
}
