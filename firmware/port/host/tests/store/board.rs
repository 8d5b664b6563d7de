//! A board that has nothing but its storage: acts as a station and a runtime make them, and the facts that stand afterwards.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::OnceLock;

use firmware_host::Runtime;
use firmware_host::store::{Answer, CHUNK, Running, Store};
use program::calibration::{Correction, Entry, Linear};
use program::crc::{crc16, crc32};
use program::eeprom::Event;

/// What Harbour Lane's program retains: day, three trips, one counted, two totals.
pub const RETAINED: usize = 12;

/// Harbour Lane's complete program.
pub fn harbour_lane() -> &'static [u8] {
    static BYTES: OnceLock<Vec<u8>> = OnceLock::new();
    BYTES.get_or_init(|| {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../examples/harbour-lane/system.toml");
        let system = system::load_file(&path).loaded.system.unwrap();
        control::compile(&system).unwrap().bytes
    })
}

/// The same rules at another period: another program of the same length.
pub fn variant(period: u8) -> Vec<u8> {
    let mut bytes = harbour_lane().to_vec();
    bytes[10] = period;
    let end = bytes.len() - 4;
    let crc = crc32(&bytes[..end]);
    bytes[end..].copy_from_slice(&crc.to_le_bytes());
    bytes
}

/// The golden program; it stands for ever, as in flash.
pub fn golden() -> &'static [u8] {
    static BYTES: OnceLock<Vec<u8>> = OnceLock::new();
    BYTES.get_or_init(|| variant(8))
}

/// What something does to the storage.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Act {
    /// A reset, and the boot after it.
    Reset,
    /// An upload of the variant of this period, as a trial of so many minutes.
    Upload(u8, u8),
    Confirm,
    Revert,
    /// The running program retains this, and it is kept.
    Keep([u8; RETAINED]),
    Event(u8, u16),
    /// The station has everything.
    Acknowledge,
    Calibrate(Entry),
    Forget(u8),
    Learn(u8, u32),
    NetworkKey([u8; 16]),
    Minute,
}

/// What stands after a boot.
#[derive(Clone, Debug, PartialEq)]
pub struct Facts {
    pub running: Running,
    pub program: Vec<u8>,
    pub retained: Option<Vec<u8>>,
    pub entries: BTreeMap<u8, [u8; 14]>,
    /// Unconfirmed ones.
    pub events: Vec<Event>,
    pub network_key: Option<[u8; 16]>,
}

pub struct Board<'r> {
    pub store: Store<'r>,
}

impl<'r> Board<'r> {
    pub fn new(runtime: &'r mut Runtime) -> Board<'r> {
        let mut board = Board { store: Store::blank(runtime) };
        board.boot();
        board
    }

    /// Boot as the runtime does it.
    pub fn boot(&mut self) -> bool {
        let program = golden();
        let wiring = u32::from_le_bytes(program[6..10].try_into().unwrap());
        self.store.set_wiring(wiring, 32, 32, 32);
        let crc = u16::from_le_bytes(program[program.len() - 4..program.len() - 2].try_into().unwrap());
        self.store.open(crc);
        self.store.load(program);
        self.store.restore_retained()
    }

    /// Asks the same until it is done, as a station does; false when power failed.
    fn insist(&mut self, mut ask: impl FnMut(&mut Store<'r>) -> Answer) -> bool {
        for _ in 0..10_000 {
            let answer = ask(&mut self.store);
            if self.store.is_off() {
                return false;
            }
            match answer {
                Answer::Done => return true,
                Answer::Busy => {
                    self.store.idle();
                }
                other => panic!("{other:?}"),
            }
        }
        panic!("busy for ever");
    }

    fn upload(&mut self, bytes: &[u8], minutes: u8) -> bool {
        let length = bytes.len() as u16;
        if !self.insist(|store| store.upload_begin(length)) {
            return false;
        }
        for (n, chunk) in bytes.chunks(CHUNK).enumerate() {
            if !self.insist(|store| store.upload_chunk((n * CHUNK) as u16, chunk)) {
                return false;
            }
        }
        self.insist(|store| {
            let (answer, verdict) = store.upload_end(minutes);
            assert!(verdict == 0 || store.is_off(), "refused: {verdict}");
            if store.is_off() { Answer::Busy } else { answer }
        })
    }

    /// Whether it was done, and said to be done, before power failed.
    pub fn act(&mut self, act: &Act) -> bool {
        match act {
            Act::Reset => {
                self.store.power_up(false);
                self.boot();
            }
            Act::Upload(period, minutes) => {
                if !self.upload(&variant(*period), *minutes) {
                    return false;
                }
            }
            Act::Confirm => {
                let answer = self.store.confirm();
                assert!(answer == Answer::Done || self.store.is_off(), "{answer:?}");
            }
            Act::Revert => {
                let answer = self.store.revert(6);
                assert!(answer == Answer::Done || self.store.is_off(), "{answer:?}");
            }
            Act::Keep(kept) => {
                self.store.load(golden()); // everything at 0
                self.store.set_retained(kept);
                self.store.keep();
                self.store.flush();
            }
            Act::Event(code, argument) => {
                self.store.event(*code, *argument, argument.wrapping_mul(3));
                self.store.flush();
            }
            Act::Acknowledge => {
                let newest = self.store.newest_event();
                self.store.events_confirmed(newest);
                self.store.flush();
            }
            Act::Calibrate(entry) => {
                let bytes = entry.to_bytes();
                if !self.insist(|store| store.calibrate(&bytes)) {
                    return false;
                }
                self.store.flush();
            }
            Act::Forget(input) => {
                let bytes = Entry::forget(*input);
                if !self.insist(|store| store.calibrate(&bytes)) {
                    return false;
                }
            }
            Act::Learn(key, code) => {
                let answer = self.store.learn(*key, *code);
                assert!(answer == Answer::Done || self.store.is_off(), "{answer:?}");
                self.store.flush();
            }
            Act::NetworkKey(key) => {
                if !self.insist(|store| store.set_key(key)) {
                    return false;
                }
            }
            Act::Minute => {
                self.store.minute();
                self.store.flush();
            }
        }
        !self.store.is_off()
    }

    /// What stands, after a boot.
    pub fn facts(&mut self) -> Facts {
        let has_retained = self.boot();
        self.store.flush();
        self.observe(has_retained)
    }

    pub fn observe(&mut self, has_retained: bool) -> Facts {
        let running = self.store.running();
        let program = match running {
            Running::Golden => golden().to_vec(),
            _ => self.store.program(running),
        };
        let mut entries = BTreeMap::new();
        // A station looks at the CRC of what it is given: the last byte of an entry that was cut may flicker.
        let sound = |entry: &[u8; 14]| crc16(&entry[..12]).to_le_bytes() == entry[12..];
        for entry in (0..).map_while(|n| self.store.calibration(n)).filter(sound) {
            let before = entries.insert(entry[0], entry);
            assert_eq!(before, None, "two entries count for input {}", entry[0]);
        }
        let mut events = Vec::new();
        let mut from = self.store.confirmed_event().wrapping_add(1);
        while let Some(event) = self.store.event_after(from) {
            from = event.sequence.wrapping_add(1);
            events.push(event);
        }
        // Its boot must stand in the cells before it is told.
        let mut network_key = self.store.key();
        if network_key.is_none() {
            self.store.flush();
            network_key = self.store.key();
        }
        let retained = has_retained.then(|| self.store.retained(RETAINED));
        Facts { running, program, retained, entries, events, network_key }
    }
}

/// The linear entry of an input.
pub fn entry(input: u8, sequence: u8, offset: i32) -> Entry {
    Entry {
        input,
        sequence,
        day: 9_000,
        correction: Correction::Linear(Linear { offset, gain_ppm: 1_000_000 }),
    }
}

/// A retained state that a reader can tell from others.
pub fn kept(mark: u8) -> [u8; RETAINED] {
    let mut bytes = [mark; RETAINED];
    bytes[2] = mark & 7; // three trips
    bytes
}

/// Every entry that a store gives is whole.
pub fn assert_sound(facts: &Facts) {
    for entry in facts.entries.values() {
        assert_eq!(crc16(&entry[..12]).to_le_bytes(), entry[12..], "an entry that is not whole");
    }
    let end = facts.program.len() - 4;
    assert_eq!(
        crc32(&facts.program[..end]).to_le_bytes(),
        facts.program[end..],
        "a program that is not whole"
    );
}
