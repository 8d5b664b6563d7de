//! Power pulled at any instant, in the middle of an EEPROM byte too, and what a board makes of it: it always boots into a valid
//! program, what was confirmed stays, no event that it has told is lost, outputs are safe until its first scan.

use crate::board::{Board, Load};
use crate::chip::{Level, POWER_CUT, Result};
use link::message::{AnswerCode, Event, Hello, Request};
use program::BitRef;
use program::assembler::{Assembler, Header};
use program::convert::AdcScale;
use program::generate::Draw;
use program::op::{Op, Priority, Resets, Stage};
use program::wiring::{BitDriver, BitInput, Output, OutputDriver, Wiring};

/// PB0 and PB4 on all three chips.
const CONTACT: (&str, u8) = ("PB0", 8);
const OUTPUT: (&str, u8) = ("PB4", 12);
/// Longest life between two cuts, cycles: boot, first scans, an upload.
const LONGEST_LIFE: u32 = 5 * 16_000_000;
const WATCHDOG_MS: u64 = 2_000;
const EVENT_GAP: u8 = 1;

fn wiring() -> Wiring {
    Wiring {
        board: 1,
        adc: AdcScale { reference_mv: 5_000, full_scale: 1_024 },
        numbers: Vec::new(),
        bits: vec![BitInput {
            driver: BitDriver::Pin { pin: CONTACT.1 },
            is_normally_closed: false,
            n_debounce: 4,
        }],
        outputs: vec![Output {
            driver: OutputDriver::Pin { pin: OUTPUT.1 },
            is_active_low: false,
            is_on_when_safe: false,
        }],
        devices: Vec::new(),
    }
}

/// A trip and an alarm of the contact, and an output that is on unless tripped. `n_filler` makes programs of different length.
fn program(wiring_crc: u32, n_filler: usize) -> Vec<u8> {
    let mut program = Assembler::new(Header {
        wiring_crc,
        period_ms: 250,
        n_number_inputs: 0,
        n_bit_inputs: 1,
        longest_hand_ms: 600_000,
        zone: program::zone::Zone { standard_quarters: 0, daylight: None },
        wide: false,
    });
    let contact = BitRef(BitRef::N_BUILT_IN as u16);
    let trip = program.bit(Op::Trip { cause: contact, resets: Resets::Unlimited { when: !contact } });
    program.bit(Op::Alarm { priority: Priority::High, input: contact, on_ms: 0, off_ms: 0 });
    for n in 0..n_filler {
        program.number(Op::Constant(1_000 + n as i32));
    }
    let stage = Stage { trip, ..Stage::PLAIN };
    program.bit(Op::Drive { auto: BitRef::TRUE, stage, shortest_run_ms: 0, shortest_rest_ms: 0 });
    program.finish().unwrap_or_default()
}

fn crc_of(program: &[u8]) -> u32 {
    let tail = program.len().saturating_sub(4);
    program[tail..].iter().rev().fold(0, |crc, byte| crc << 8 | u32::from(*byte))
}

/// A board whose power goes again and again, and what it must not lose.
pub struct Victim {
    board: Board,
    programs: Vec<Vec<u8>>,
    golden: u32,
    confirmed: Option<u32>,
    trial: Option<u32>,
    /// What may run after the next boot beside the above: an act was under way.
    perhaps: Vec<u32>,
    /// Told and not acknowledged.
    told: Vec<Event>,
    draw: Draw,
    contact_is_closed: bool,
}

/// What many cuts showed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Toll {
    /// Cuts.
    pub n_cuts: u32,
    /// Cuts in the middle of an EEPROM byte.
    pub n_torn: u32,
    /// Boots into golden, confirmed and trial program.
    pub n_boots: [u32; 3],
    /// Programs confirmed on the way.
    pub n_confirmed: u32,
    /// Events that were checked to be there still.
    pub n_events: u32,
}

impl Victim {
    /// A fresh board.
    pub fn new(image_name: &str, seed: u64) -> Result<Victim> {
        let wiring = wiring();
        let load = Load::new(&wiring, |crc| program(crc, 0))?;
        let wiring_crc = Wiring::crc(&load.wiring);
        let mut board = Board::new(image_name, &load)?;
        board.chip.drive(CONTACT.0, Level::High)?;
        board.chip.watch(OUTPUT.0)?;
        Ok(Victim {
            board,
            programs: [3, 11, 20].map(|n| program(wiring_crc, n)).to_vec(),
            golden: crc_of(&load.program),
            confirmed: None,
            trial: None,
            perhaps: Vec::new(),
            told: Vec::new(),
            draw: Draw::new(seed),
            contact_is_closed: false,
        })
    }

    /// Power, then life until the cut at a drawn instant.
    fn live(&mut self, seed: u32) -> Result<()> {
        let life = 1 + u64::from(self.draw.below(LONGEST_LIFE));
        self.board.power(seed)?;
        let now = self.board.chip.state()?.cycle;
        self.board.chip.cut_at(Some(now + life))?;
        match self.act() {
            Err(error) if error == POWER_CUT => Ok(()),
            Err(error) => Err(error),
            Ok(()) => Err("a life without an end".into()),
        }
    }

    /// Acts until the power goes.
    fn act(&mut self) -> Result<()> {
        let hello = self.board.meet()?;
        // The third boot in a row gives a trial up.
        self.trial = (hello.program == 2).then_some(hello.running_crc);
        // Contacts that make events, retained states with them; at most twice a life, so that the journal does not overflow.
        let mut n_toggles = 0;
        loop {
            match self.draw.below(6) {
                0 if n_toggles < 2 => {
                    n_toggles += 1;
                    self.contact_is_closed = !self.contact_is_closed;
                    let level = if self.contact_is_closed { Level::Low } else { Level::High };
                    self.board.chip.drive(CONTACT.0, level)?;
                    let ms = u64::from(self.draw.below(700));
                    self.board.run_ms(ms)?;
                }
                1 => self.look_at_events()?,
                2 if self.trial.is_none() => self.upload()?,
                3 if self.trial.is_some() => self.confirm()?,
                4 => self.acknowledge()?,
                _ => self.board.run_ms(50)?,
            }
        }
    }

    fn look_at_events(&mut self) -> Result<()> {
        let events = self.board.all_events()?;
        self.told = events;
        Ok(())
    }

    fn acknowledge(&mut self) -> Result<()> {
        self.look_at_events()?;
        let Some(last) = self.told.last().copied() else { return Ok(()) };
        // From here on the board may have forgotten them.
        self.told.clear();
        self.board.demand(&Request::Acknowledge { sequence: last.sequence })?;
        Ok(())
    }

    /// Sends a program; gives up when the board says no.
    fn upload(&mut self) -> Result<()> {
        let at = self.draw.below(self.programs.len() as u32) as usize;
        let bytes = self.programs[at].clone();
        if self.send(&bytes)? {
            self.board.run_ms(100)?;
            self.board.meet()?;
        }
        Ok(())
    }

    fn send(&mut self, bytes: &[u8]) -> Result<bool> {
        let crc = crc_of(bytes);
        let length = bytes.len() as u16;
        if self.board.ask(&Request::Upload { length })?.0 != AnswerCode::Done {
            return Ok(false);
        }
        let mut offset = 0;
        for part in bytes.chunks(16) {
            self.board.demand(&Request::Chunk { offset, bytes: part })?;
            offset += part.len() as u16;
        }
        self.perhaps.push(crc);
        self.board.demand(&Request::UploadEnd { minutes: 200 })?;
        self.perhaps.clear();
        self.trial = Some(crc);
        Ok(true)
    }

    fn confirm(&mut self) -> Result<()> {
        let Some(trial) = self.trial else { return Ok(()) };
        // While it is under way either is confirmed.
        self.perhaps.push(trial);
        match self.board.ask(&Request::Confirm)? {
            (AnswerCode::Done, _) => {
                self.confirmed = Some(trial);
                self.trial = None;
                self.perhaps.clear();
            }
            (AnswerCode::Busy, _) => {}
            (code, _) => return Err(format!("the trial cannot be confirmed: {code:?}")),
        }
        Ok(())
    }

    /// After the cut: power again, and everything must be as it was said to be.
    fn examine(&mut self, seed: u32) -> Result<Hello> {
        self.board.chip.cut_at(None)?;
        self.board.chip.edges()?;
        let began = self.board.chip.state()?.cycle;
        self.board.power(seed)?;
        // Safe within one watchdog period: off, whatever memory came up as; and it stays so until the first scan.
        self.board.run_ms(WATCHDOG_MS)?;
        let hello = self.board.meet()?;
        if let Some(rise) = self.board.chip.edges()?.iter().find(|edge| edge.is_high) {
            // The first scan runs behind the flash test and the first samples; the chip's first 50 ms hold neither.
            if hello.scan == 0 || rise.cycle < began + 800_000 {
                return Err(format!(
                    "the output went on {} cycles after power, scan {}",
                    rise.cycle - began,
                    hello.scan
                ));
            }
        }
        let home = self.confirmed.unwrap_or(self.golden);
        let is_allowed = hello.running_crc == home
            || Some(hello.running_crc) == self.trial
            || self.perhaps.contains(&hello.running_crc);
        if !is_allowed {
            return Err(format!(
                "{:08x} runs; confirmed {:08x?}, golden {:08x}, trial {:08x?}: {hello:?}",
                hello.running_crc, self.confirmed, self.golden, self.trial
            ));
        }
        let confirmed = self.confirmed.unwrap_or(0);
        if hello.confirmed_crc != confirmed && !self.perhaps.contains(&hello.confirmed_crc) {
            return Err(format!("{:08x} is confirmed instead of {confirmed:08x}", hello.confirmed_crc));
        }
        // What was under way is decided now.
        if hello.confirmed_crc != 0 {
            self.confirmed = Some(hello.confirmed_crc);
        }
        self.trial = (hello.program == 2).then_some(hello.running_crc);
        self.perhaps.clear();
        Ok(hello)
    }

    /// Events that were told and not acknowledged are there still. Gives how many.
    fn count_events(&mut self) -> Result<u32> {
        let now = self.board.all_events()?;
        for event in self.told.iter().filter(|event| event.code != EVENT_GAP) {
            if !now.iter().any(|other| other == event) {
                return Err(format!("{event:?} is lost: {now:?}"));
            }
        }
        Ok(self.told.len() as u32)
    }

    /// Pulls the power, with what is left of a byte under way drawn; true when one was.
    fn pull(&mut self) -> Result<bool> {
        let writes = self.board.chip.peek(0x3F, 1)?;
        let is_torn = writes.first().is_some_and(|control| control & 2 != 0);
        self.board.chip.pull_power()?;
        self.board.chip.cut_eeprom(None)?;
        Ok(is_torn)
    }

    /// Cuts and boots, so often.
    pub fn suffer(&mut self, n_cuts: u32, progress: &mut dyn FnMut(u32)) -> Result<Toll> {
        let mut toll = Toll::default();
        for n in 0..n_cuts {
            let seed = n.wrapping_mul(2_654_435_761) | 1;
            let was_confirmed = self.confirmed;
            self.live(seed)
                .and_then(|()| self.pull())
                .and_then(|is_torn| {
                    toll.n_torn += u32::from(is_torn);
                    self.examine(seed ^ 0x5555_5555)
                })
                .and_then(|hello| {
                    toll.n_boots[usize::from(hello.program).min(2)] += 1;
                    toll.n_events += self.count_events()?;
                    self.acknowledge()
                })
                .map_err(|error| format!("cut {n}: {error}"))?;
            toll.n_confirmed += u32::from(self.confirmed != was_confirmed);
            self.board.chip.pull_power()?;
            self.board.chip.cut_eeprom(None)?;
            toll.n_cuts += 1;
            progress(n);
        }
        Ok(toll)
    }

    /// An upload onto a fresh board, cut when `n_bytes` EEPROM bytes have begun since its beginning (what is left of the last as `torn` says),
    /// then a boot. True when the upload went through before that. Old or new program, never neither.
    pub fn cut_upload(&mut self, n_bytes: u32, torn: u8) -> Result<bool> {
        let blank = vec![0xFF; self.board.chip.eeprom()?.len()];
        self.board.chip.set_eeprom(0, &blank)?;
        (self.confirmed, self.trial) = (None, None);
        self.told.clear();
        self.board.power(n_bytes | 1)?;
        self.board.meet()?;
        // The first boot's own records are in.
        self.board.run_ms(1_500)?;
        self.board.chip.stop_at_eeprom_writes(n_bytes)?;
        let bytes = self.programs[2].clone();
        let sent = self.send(&bytes).and_then(|is_sent| {
            self.board.run_ms(1_000)?;
            Ok(is_sent)
        });
        self.board.chip.stop_at_eeprom_writes(0)?;
        let is_through = match sent {
            Ok(true) => true,
            Ok(false) => return Err("the board takes no upload".into()),
            Err(error) if error == POWER_CUT => false,
            Err(error) => return Err(error),
        };
        self.board.chip.pull_power()?;
        self.board.chip.cut_eeprom(Some(torn))?;
        self.examine(n_bytes).map_err(|error| format!("cut at byte {n_bytes}: {error}"))?;
        self.board.chip.pull_power()?;
        self.board.chip.cut_eeprom(Some(2))?;
        Ok(is_through)
    }
}
