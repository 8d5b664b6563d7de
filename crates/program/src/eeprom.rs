//! A board's EEPROM read from outside: where what stands, and records out of a whole image. The board's own code is
//! `firmware/core/store*.c`; both follow `docs/control-program.md`, section 9.
//!
//! Contract: any bytes may be read. What is not sound is not there; nothing panics on an image, however torn.

use crate::calibration::{ENTRY_LENGTH, Entry};
use crate::crc::crc16;

/// Bytes of a boot record, CRC included; there are [`BOOT_RECORDS`].
pub const BOOT_LENGTH: usize = 10;
/// Places of boot records.
pub const BOOT_RECORDS: usize = 3;
/// Bytes of a journal event, CRC included.
pub const EVENT_LENGTH: usize = 8;
/// Bytes of a journal mark, CRC included; there are two.
pub const MARK_LENGTH: usize = 5;
/// Bytes of the network key without its CRC.
pub const KEY_LENGTH: usize = 16;
/// Bytes of a retained record beside what the program retains: sequence, program, CRC.
pub const KEPT_OVERHEAD: usize = 5;
/// Learned remote keys stand in entries of this "input" and the following: group g of six keys has 0xC0 + g.
pub const KEYS_INPUT: u8 = 0xC0;
/// Keys in a group.
pub const KEYS_IN_GROUP: usize = 6;

/// What stands where, in bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Map {
    /// A program slot.
    pub slot: usize,
    /// Places for calibration and learned keys; one is always kept free.
    pub n_entries: usize,
    /// Retained state beside each slot.
    pub kept: usize,
    /// Places of the journal.
    pub n_events: usize,
}

impl Map {
    /// 1024 bytes: ATmega328P, ATmega32U4.
    pub const SMALL: Map = Map { slot: 320, n_entries: 9, kept: 51, n_events: 12 };
    /// 4096 bytes: ATmega2560.
    pub const LARGE: Map = Map { slot: 1150, n_entries: 50, kept: 255, n_events: 64 };

    /// The map of a chip; nothing for an EEPROM that is too small.
    pub const fn for_size(bytes: usize) -> Option<Map> {
        match bytes {
            4096.. => Some(Map::LARGE),
            1024.. => Some(Map::SMALL),
            _ => None,
        }
    }

    /// The longest retained record: two must fit.
    pub const fn longest_kept(&self) -> usize {
        self.kept / 2
    }

    /// The most that a program may retain (day, trips, counted resets, totals).
    pub const fn longest_retained(&self) -> usize {
        self.longest_kept() - KEPT_OVERHEAD
    }

    /// A program slot.
    pub const fn at_slot(&self, slot: Slot) -> usize {
        2 + self.slot * slot as usize
    }

    /// Boot records.
    pub const fn at_boot(&self) -> usize {
        2 + 2 * self.slot
    }

    /// Calibration and learned keys.
    pub const fn at_entries(&self) -> usize {
        self.at_boot() + BOOT_RECORDS * BOOT_LENGTH
    }

    /// Retained state of the program in a slot.
    pub const fn at_kept(&self, slot: Slot) -> usize {
        self.at_entries() + self.n_entries * ENTRY_LENGTH + self.kept * slot as usize
    }

    /// Journal.
    pub const fn at_events(&self) -> usize {
        self.at_kept(Slot::A) + 2 * self.kept
    }

    /// Marks of the journal.
    pub const fn at_marks(&self) -> usize {
        self.at_events() + self.n_events * EVENT_LENGTH
    }

    /// Network key.
    pub const fn at_key(&self) -> usize {
        self.at_marks() + 2 * MARK_LENGTH
    }

    /// Behind the last byte in use.
    pub const fn end(&self) -> usize {
        self.at_key() + KEY_LENGTH + 2
    }
}

/// One of the two program slots.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Slot {
    /// The first.
    A = 0,
    /// The second.
    B = 1,
}

impl Slot {
    /// The one beside.
    pub const fn other(self) -> Slot {
        match self {
            Slot::A => Slot::B,
            Slot::B => Slot::A,
        }
    }
}

/// Why a board does not run what it was to run; `enum store_fallback` of the firmware.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fallback {
    /// It does.
    Not,
    /// The trial's time was over.
    Unconfirmed,
    /// Three resets in a row during the trial.
    Resets,
    /// Bytes of the program have changed.
    Damaged,
    /// The loader refuses it: compiled for another wiring table, or for a larger board.
    Refused,
    /// Another golden program was flashed since.
    Flashed,
    /// A person gave the trial up.
    Reverted,
}

impl Fallback {
    /// From its number; nothing for one of a later firmware.
    pub fn from_number(number: u8) -> Option<Fallback> {
        use Fallback::*;
        [Not, Unconfirmed, Resets, Damaged, Refused, Flashed, Reverted].get(usize::from(number)).copied()
    }
}

/// The state of the programs as of the latest boot record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BootRecord {
    /// Of the record, modulo 256.
    pub sequence: u8,
    /// Slot of the confirmed program, and of golden's retained state while there is none.
    pub confirmed_slot: Slot,
    /// There is a confirmed program.
    pub has_confirmed: bool,
    /// The other slot holds a trial that is to run.
    pub has_trial: bool,
    /// The latest reason to fall back; nothing for one that is not known.
    pub fell_back: Option<Fallback>,
    /// Boots of the trial since it last ran well, 0 to 3.
    pub resets: u8,
    /// Minutes that are left to the trial.
    pub minutes: u8,
    /// Boots so far.
    pub boot_counter: u32,
    /// Low 16 bits of the CRC-32 of the golden program that all of this belongs to.
    pub golden: u16,
}

/// An event of the journal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Event {
    /// Modulo 256.
    pub sequence: u8,
    /// What happened (docs/link.md).
    pub code: u8,
    /// Of what.
    pub argument: u16,
    /// UTC minute since 2000-01-01, low 16 bits; 0xFFFF with a lost clock.
    pub minute: u16,
}

/// How far the station has the journal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Mark {
    /// Sequence of the latest event that it has.
    pub confirmed: u8,
    /// Events that have found no room since; 255: so many or more.
    pub lost: u8,
}

/// Codes of six keys of a remote, as an entry holds them (kind 4).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LearnedKeys {
    /// Keys 6 * group to 6 * group + 5 of the panel table.
    pub group: u8,
    /// NEC address, the same for all six.
    pub address: u16,
    /// Their commands; nothing where none was learned.
    pub commands: [Option<u8>; KEYS_IN_GROUP],
}

/// What a place for entries holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Placed {
    /// A calibration.
    Calibration(Entry),
    /// Learned keys.
    Keys(LearnedKeys),
}

/// A whole EEPROM.
#[derive(Clone, Copy, Debug)]
pub struct Image<'a> {
    map: Map,
    bytes: &'a [u8],
}

/// Whether sequence `one` comes after `other`, no more than 127 apart.
fn is_later(one: u8, other: u8) -> bool {
    (1..128).contains(&one.wrapping_sub(other))
}

/// A record whose last two bytes are the CRC-16 of the rest, without them.
fn sound(record: &[u8]) -> Option<&[u8]> {
    let (bytes, crc) = record.split_at_checked(record.len().checked_sub(2)?)?;
    (crc16(bytes).to_le_bytes() == crc).then_some(bytes)
}

impl<'a> Image<'a> {
    /// An image by its length; nothing for an EEPROM that is too small.
    pub fn new(bytes: &'a [u8]) -> Option<Image<'a>> {
        Map::for_size(bytes.len()).map(|map| Image { map, bytes })
    }

    /// What stands where in it.
    pub fn map(&self) -> Map {
        self.map
    }

    fn part(&self, at: usize, length: usize) -> &'a [u8] {
        self.bytes.get(at..at + length).unwrap_or_default()
    }

    /// The boot record that counts; nothing in a new part.
    pub fn boot(&self) -> Option<BootRecord> {
        let mut newest: Option<BootRecord> = None;
        for place in self.part(self.map.at_boot(), BOOT_RECORDS * BOOT_LENGTH).chunks_exact(BOOT_LENGTH) {
            let Some(&[sequence, flags, minutes, c0, c1, c2, g0, g1]) = sound(place) else { continue };
            if newest.is_some_and(|newest| !is_later(sequence, newest.sequence)) {
                continue;
            }
            newest = Some(BootRecord {
                sequence,
                confirmed_slot: if flags & 1 == 0 { Slot::A } else { Slot::B },
                has_confirmed: flags & 2 != 0,
                has_trial: flags & 4 != 0,
                fell_back: Fallback::from_number(flags >> 3 & 7),
                resets: flags >> 6,
                minutes,
                boot_counter: u32::from_le_bytes([c0, c1, c2, 0]),
                golden: u16::from_le_bytes([g0, g1]),
            });
        }
        newest
    }

    /// The bytes in a slot, as long as their header says; they may be anything.
    pub fn slot(&self, slot: Slot) -> &'a [u8] {
        let bytes = self.part(self.map.at_slot(slot), self.map.slot);
        match bytes {
            [_, _, _, _, low, high, ..] => {
                let length = usize::from(u16::from_le_bytes([*low, *high]));
                &bytes[..length.min(bytes.len())]
            }
            _ => bytes,
        }
    }

    /// The confirmed program, whatever its bytes are.
    pub fn confirmed(&self) -> Option<&'a [u8]> {
        self.boot().filter(|boot| boot.has_confirmed).map(|boot| self.slot(boot.confirmed_slot))
    }

    /// The trial, whatever its bytes are.
    pub fn trial(&self) -> Option<&'a [u8]> {
        self.boot().filter(|boot| boot.has_trial).map(|boot| self.slot(boot.confirmed_slot.other()))
    }

    /// The entries that count, in the order of their places.
    pub fn entries(&self) -> impl Iterator<Item = Placed> + 'a {
        let places = self.part(self.map.at_entries(), self.map.n_entries * ENTRY_LENGTH);
        let raw = || places.chunks_exact(ENTRY_LENGTH).filter(|place| sound(place).is_some());
        raw()
            .filter(move |one| {
                !raw()
                    .any(|other| other[0] == one[0] && (1..8).contains(&(other[1].wrapping_sub(one[1]) & 15)))
            })
            .filter_map(|place| {
                let bytes: &[u8; ENTRY_LENGTH] = place.try_into().ok()?;
                if bytes[1] >> 4 != 4 {
                    return Entry::from_bytes(bytes).map(Placed::Calibration);
                }
                let mut commands = [None; KEYS_IN_GROUP];
                for (command, &byte) in commands.iter_mut().zip(&bytes[6..12]) {
                    *command = (byte != 0xFF).then_some(byte);
                }
                Some(Placed::Keys(LearnedKeys {
                    group: bytes[0].checked_sub(KEYS_INPUT)?,
                    address: u16::from_le_bytes([bytes[4], bytes[5]]),
                    commands,
                }))
            })
    }

    /// The calibration of an input.
    pub fn calibration(&self, input: u8) -> Option<Entry> {
        self.entries().find_map(|placed| match placed {
            Placed::Calibration(entry) if entry.input == input => Some(entry),
            _ => None,
        })
    }

    /// What is retained for the program in a slot, which retains `n` bytes and whose CRC-32 this is.
    pub fn retained(&self, slot: Slot, program_crc: u32, n: usize) -> Option<&'a [u8]> {
        let mut newest: Option<(u8, &[u8])> = None;
        for record in self.part(self.map.at_kept(slot), self.map.kept).chunks_exact(n + KEPT_OVERHEAD) {
            let Some(&[sequence, low, high, ref kept @ ..]) = sound(record) else { continue };
            if u16::from_le_bytes([low, high]) == program_crc as u16
                && newest.is_none_or(|(newest, _)| is_later(sequence, newest))
            {
                newest = Some((sequence, kept));
            }
        }
        newest.map(|(_, kept)| kept)
    }

    /// The journal's sound events, in the order of their places: the ring begins anywhere in it.
    pub fn events(&self) -> impl Iterator<Item = Event> + 'a {
        self.part(self.map.at_events(), self.map.n_events * EVENT_LENGTH)
            .chunks_exact(EVENT_LENGTH)
            .filter_map(|record| match sound(record)? {
                &[sequence, code, a0, a1, m0, m1] => Some(Event {
                    sequence,
                    code,
                    argument: u16::from_le_bytes([a0, a1]),
                    minute: u16::from_le_bytes([m0, m1]),
                }),
                _ => None,
            })
    }

    /// How far the station has the journal; nothing before it first confirmed an event.
    pub fn mark(&self) -> Option<Mark> {
        let mut latest: Option<(u8, Mark)> = None;
        for record in self.part(self.map.at_marks(), 2 * MARK_LENGTH).chunks_exact(MARK_LENGTH) {
            let Some(&[sequence, confirmed, lost]) = sound(record) else { continue };
            if latest.is_none_or(|(latest, _)| is_later(sequence, latest)) {
                latest = Some((sequence, Mark { confirmed, lost }));
            }
        }
        let (_, mut latest) = latest?;
        let newest =
            self.events().map(|event| event.sequence).reduce(|a, b| if is_later(b, a) { b } else { a });
        let ahead = newest.map_or(0, |newest| newest.wrapping_sub(latest.confirmed));
        if ahead < 128 && usize::from(ahead) > self.map.n_events {
            // Events are lost only while the ring is full: what came behind began with their gap.
            latest.lost = 0;
        }
        Some(latest)
    }

    /// Whether a network key is set; the key itself is nobody's business.
    pub fn has_network_key(&self) -> bool {
        sound(self.part(self.map.at_key(), KEY_LENGTH + 2))
            .is_some_and(|key| key.iter().any(|&byte| byte != 0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn maps_fit_their_chips() {
        // Data sheets: ATmega328P and ATmega32U4 have 1024 bytes of EEPROM, ATmega2560 has 4096.
        assert!(Map::SMALL.end() <= 1024);
        assert!(Map::LARGE.end() <= 4096);
        assert_eq!(Map::for_size(512), None);
        assert_eq!(Map::for_size(1024), Some(Map::SMALL));
        assert_eq!(Map::for_size(4096), Some(Map::LARGE));
    }

    #[test]
    fn blank_parts_hold_nothing() {
        for blank in [0x00, 0xFF] {
            for size in [1024, 4096] {
                let bytes = &[blank; 4096][..size];
                let Some(image) = Image::new(bytes) else { panic!("{size} bytes are enough") };
                assert_eq!(image.boot(), None);
                assert_eq!(image.confirmed(), None);
                assert_eq!(image.trial(), None);
                assert_eq!(image.entries().count(), 0);
                assert_eq!(image.events().count(), 0);
                assert_eq!(image.mark(), None);
                assert!(!image.has_network_key());
                for n in 0..=image.map().longest_retained() {
                    assert_eq!(image.retained(Slot::A, u32::from_le_bytes([blank; 4]), n), None, "{n} bytes");
                }
            }
        }
    }

    #[test]
    fn any_bytes_may_be_read() {
        let mut noise = 1_u32;
        let mut bytes = [0; 1024];
        for _ in 0..200 {
            for byte in &mut bytes {
                noise ^= noise << 13;
                noise ^= noise >> 17;
                noise ^= noise << 5;
                *byte = noise as u8;
            }
            let Some(image) = Image::new(&bytes) else { panic!("1024 bytes are enough") };
            let _ = (image.boot(), image.confirmed(), image.trial(), image.mark(), image.has_network_key());
            let _ = (image.entries().count(), image.events().count(), image.retained(Slot::B, 1, 12));
        }
    }
}
