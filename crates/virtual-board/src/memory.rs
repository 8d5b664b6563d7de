//! What outlasts a board's reset: program slots and boot record, calibration, network key, retained state, journal; as
//! docs/control-program.md, section 9, and the firmware have it, without the cells' slowness.

use link::message::{AnswerCode, ENTRY_LENGTH};
use program::crc::crc16;
use program::eeprom::{Fallback, Map};

use crate::file::{Reader, Writer};
use crate::journal::Journal;

/// Longest chunk of an upload that a board takes.
pub(crate) const CHUNK: usize = 24;
/// After so many minutes a trial has run well: resets before them no longer count as in a row.
const MINUTES_WELL: u8 = 10;
/// Resets in a row that end a trial.
const MOST_RESETS: u8 = 3;

/// What runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Running {
    Golden,
    Confirmed,
    Trial,
}

#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Boot {
    confirmed_slot: usize,
    has_confirmed: bool,
    has_trial: bool,
    fell_back: u8,
    resets: u8,
    minutes: u8,
    counter: u32,
    golden: u16,
}

/// Retained state beside a slot: low half of the program's identity, and what it keeps.
type Kept = Option<(u16, Vec<u8>)>;

/// See above.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Memory {
    map: Map,
    boot: Boot,
    /// The boot record that would be found at the next boot.
    stored: Option<Boot>,
    running: Running,
    minutes_up: u8,
    slots: [Vec<u8>; 2],
    kept: [Kept; 2],
    /// Length announced and next offset.
    upload: Option<(usize, usize)>,
    entries: Vec<Option<[u8; ENTRY_LENGTH]>>,
    key: [u8; 16],
    pub journal: Journal,
}

impl Memory {
    /// As from the factory.
    pub fn blank(map: Map) -> Memory {
        Memory {
            map,
            boot: Boot::default(),
            stored: None,
            running: Running::Golden,
            minutes_up: 0,
            slots: [vec![0xFF; map.slot], vec![0xFF; map.slot]],
            kept: [None, None],
            upload: None,
            entries: vec![None; map.n_entries],
            key: [0; 16],
            journal: Journal::new(map.n_events),
        }
    }

    fn put_boot(&mut self) {
        self.stored = Some(self.boot);
    }

    /// This boot's number stands in the record from here on.
    fn count(&mut self) {
        if self.stored.is_none_or(|stored| stored.counter != self.boot.counter) {
            self.put_boot();
        }
    }

    fn give_up_trial(&mut self, why: Fallback) {
        self.boot.has_trial = false;
        self.boot.resets = 0;
        self.boot.fell_back = why as u8;
    }

    fn choose(&mut self) {
        self.running = match (self.boot.has_trial, self.boot.has_confirmed) {
            (true, _) => Running::Trial,
            (_, true) => Running::Confirmed,
            _ => Running::Golden,
        };
    }

    /// A boot. `golden`: low half of the golden program's identity.
    pub fn open(&mut self, golden: u16) {
        match self.stored {
            Some(stored) => self.boot = stored,
            // The counter begins anew, and with the old key its numbers would come again.
            None => {
                self.boot = Boot::default();
                self.key = [0; 16];
            }
        }
        self.journal.open();
        self.upload = None;
        self.minutes_up = 0;
        if self.boot.golden != golden {
            self.boot.golden = golden;
            if self.boot.has_confirmed || self.boot.has_trial {
                self.boot.has_confirmed = false;
                self.give_up_trial(Fallback::Flashed);
            }
        }
        self.boot.counter = (self.boot.counter + 1) & 0xFF_FFFF;
        if self.boot.has_trial {
            if self.boot.resets == MOST_RESETS {
                self.give_up_trial(Fallback::Resets);
            } else {
                self.boot.resets += 1;
            }
            self.put_boot();
        }
        self.choose();
    }

    /// The loader refused what was to run; `is_damaged`: its bytes are not what they were.
    pub fn refused(&mut self, is_damaged: bool) {
        let why = if is_damaged { Fallback::Damaged } else { Fallback::Refused };
        match self.running {
            Running::Trial => {
                self.give_up_trial(why);
                self.choose();
                self.put_boot();
            }
            Running::Confirmed => {
                self.boot.fell_back = why as u8;
                self.running = Running::Golden;
            }
            Running::Golden => {}
        }
    }

    pub fn running(&self) -> Running {
        self.running
    }

    pub fn fell_back(&self) -> u8 {
        self.boot.fell_back
    }

    pub fn boots(&self) -> u32 {
        self.boot.counter
    }

    fn slot_of(&self, program: Running) -> usize {
        self.boot.confirmed_slot ^ usize::from(program == Running::Trial)
    }

    /// The bytes of a slot, as long as their header says.
    pub fn program(&self, program: Running) -> &[u8] {
        let bytes = &self.slots[self.slot_of(program)];
        let length = usize::from(u16::from_le_bytes([bytes[4], bytes[5]]));
        &bytes[..length.min(bytes.len())]
    }

    /// Identity of the confirmed program, 0 without one.
    pub fn confirmed_crc(&self) -> u32 {
        if !self.boot.has_confirmed {
            return 0;
        }
        self.program(Running::Confirmed).last_chunk::<4>().map_or(0, |crc| u32::from_le_bytes(*crc))
    }

    /// A minute of running is over; true when the trial's time is over: it is given up, and the board restarts.
    pub fn minute(&mut self) -> bool {
        self.count();
        if self.running != Running::Trial {
            return false;
        }
        self.minutes_up += 1;
        if self.minutes_up >= self.boot.minutes {
            self.give_up_trial(Fallback::Unconfirmed);
            self.put_boot();
            return true;
        }
        if self.minutes_up == MINUTES_WELL {
            self.minutes_up = 0;
            self.boot.minutes -= MINUTES_WELL;
            self.boot.resets = 1;
            self.put_boot();
        }
        false
    }

    pub fn upload(&mut self, length: u16) -> AnswerCode {
        if self.boot.has_trial || self.running == Running::Trial {
            return AnswerCode::Trial;
        }
        let length = usize::from(length);
        if length == 0 || length > self.map.slot {
            return AnswerCode::BadValue;
        }
        self.upload = Some((length, 0));
        self.kept[self.slot_of(Running::Trial)] = None;
        AnswerCode::Done
    }

    pub fn chunk(&mut self, offset: u16, bytes: &[u8]) -> AnswerCode {
        let slot = self.slot_of(Running::Trial);
        let Some((length, at)) = &mut self.upload else { return AnswerCode::NoUpload };
        let offset = usize::from(offset);
        let next = offset + bytes.len();
        if bytes.is_empty() || bytes.len() > CHUNK || next > *length {
            return AnswerCode::NoUpload;
        }
        if next == *at {
            return AnswerCode::Done;
        }
        if offset != *at {
            return AnswerCode::NoUpload;
        }
        self.slots[slot][offset..next].copy_from_slice(bytes);
        *at = next;
        AnswerCode::Done
    }

    /// The end of an upload; `check` is the loader's whole check, 0 when sound. Code and detail.
    pub fn upload_end(&mut self, minutes: u8, check: impl FnOnce(&[u8]) -> u8) -> (AnswerCode, u8) {
        match self.upload {
            Some((length, at)) if length == at => self.upload = None,
            _ => return (AnswerCode::NoUpload, 0),
        }
        match check(self.program(Running::Trial)) {
            0 => {}
            verdict => return (AnswerCode::Program, verdict),
        }
        self.boot.fell_back = 0;
        self.boot.resets = 0;
        self.boot.has_trial = true;
        self.boot.minutes = minutes;
        self.put_boot();
        (AnswerCode::Done, 0)
    }

    pub fn confirm(&mut self) -> AnswerCode {
        if self.running != Running::Trial {
            return AnswerCode::Trial;
        }
        self.boot.confirmed_slot ^= 1;
        self.boot.has_confirmed = true;
        self.boot.has_trial = false;
        self.boot.fell_back = 0;
        self.boot.resets = 0;
        self.running = Running::Confirmed;
        self.put_boot();
        AnswerCode::Done
    }

    pub fn revert(&mut self) -> AnswerCode {
        if self.running != Running::Trial {
            return AnswerCode::Trial;
        }
        self.give_up_trial(Fallback::Reverted);
        self.put_boot();
        AnswerCode::Done
    }

    /// The network key, when one is set.
    pub fn key(&mut self) -> Option<[u8; 16]> {
        self.count();
        Some(self.key).filter(|key| *key != [0; 16])
    }

    pub fn set_key(&mut self, key: &[u8; 16]) {
        self.count();
        self.key = *key;
    }

    /// The same while the board has no power: the boot record stays what it is.
    pub fn put_key(&mut self, key: &[u8; 16]) {
        self.stored.get_or_insert_default();
        self.key = *key;
    }

    /// What is retained for the running program.
    pub fn retained(&self, program_crc: u32) -> Option<&[u8]> {
        let (crc, kept) = self.kept[self.slot_of(self.running)].as_ref()?;
        (*crc == program_crc as u16).then_some(kept)
    }

    pub fn keep(&mut self, program_crc: u32, kept: Vec<u8>) {
        self.kept[self.slot_of(self.running)] = Some((program_crc as u16, kept));
    }

    /// The entries that count, in the order of their places.
    pub fn entries(&self) -> impl Iterator<Item = &[u8; ENTRY_LENGTH]> {
        self.entries.iter().flatten()
    }

    pub fn calibrate(&mut self, entry: &[u8; ENTRY_LENGTH]) -> AnswerCode {
        let (bytes, crc) = entry.split_at(ENTRY_LENGTH - 2);
        let kind = entry[1] >> 4;
        if crc16(bytes).to_le_bytes() != crc || kind > 4 {
            return AnswerCode::BadValue;
        }
        let of_input = |place: &Option<[u8; ENTRY_LENGTH]>| place.is_some_and(|other| other[0] == entry[0]);
        let old = self.entries.iter().position(of_input);
        if kind == 0 {
            if let Some(old) = old {
                self.entries[old] = None;
            }
            return AnswerCode::Done;
        }
        if let Some(before) = old.and_then(|old| self.entries[old]) {
            let later = entry[1].wrapping_sub(before[1]) & 15;
            if later == 0 && before[12..] == entry[12..] {
                return AnswerCode::Done;
            }
            if !(1..8).contains(&later) {
                return AnswerCode::BadValue;
            }
        }
        let n_free = self.entries.iter().filter(|place| place.is_none()).count();
        let Some(place) = self.entries.iter().rposition(Option::is_none) else { return AnswerCode::Full };
        // One is kept free for the next entry of an input that has one.
        if n_free < if old.is_none() { 2 } else { 1 } {
            return AnswerCode::Full;
        }
        self.entries[place] = Some(*entry);
        if let Some(old) = old {
            self.entries[old] = None;
        }
        AnswerCode::Done
    }

    pub fn save(&self, out: &mut Writer) {
        let boot = self.stored.unwrap_or_default();
        out.u8(self.stored.is_some().into());
        for byte in [
            boot.confirmed_slot as u8,
            boot.has_confirmed.into(),
            boot.has_trial.into(),
            boot.fell_back,
            boot.resets,
            boot.minutes,
        ] {
            out.u8(byte);
        }
        out.u32(boot.counter);
        out.u32(boot.golden.into());
        for slot in &self.slots {
            out.block(slot);
        }
        for kept in &self.kept {
            out.u8(kept.is_some().into());
            let (crc, bytes) =
                kept.as_ref().map_or((0, [].as_slice()), |(crc, bytes)| (*crc, bytes.as_slice()));
            out.u32(crc.into());
            out.block(bytes);
        }
        for entry in &self.entries {
            out.u8(entry.is_some().into());
            out.bytes(&entry.unwrap_or_default());
        }
        out.bytes(&self.key);
        self.journal.save(out);
    }

    /// From what [`Memory::save`] wrote; the next boot opens it.
    pub fn load(map: Map, file: &mut Reader<'_>) -> Option<Memory> {
        let mut memory = Memory::blank(map);
        let is_stored = file.u8()? != 0;
        let boot = Boot {
            confirmed_slot: usize::from(file.u8()? & 1),
            has_confirmed: file.u8()? != 0,
            has_trial: file.u8()? != 0,
            fell_back: file.u8()?,
            resets: file.u8()?,
            minutes: file.u8()?,
            counter: file.u32()?,
            golden: file.u32()? as u16,
        };
        memory.stored = is_stored.then_some(boot);
        for slot in &mut memory.slots {
            let bytes = file.block()?;
            if bytes.len() != slot.len() {
                return None;
            }
            slot.copy_from_slice(bytes);
        }
        for kept in &mut memory.kept {
            let is_kept = file.u8()? != 0;
            let crc = file.u32()? as u16;
            *kept = Some((crc, file.block()?.to_vec())).filter(|_| is_kept);
        }
        for entry in &mut memory.entries {
            let is_there = file.u8()? != 0;
            let bytes = *file.array()?;
            *entry = is_there.then_some(bytes);
        }
        memory.key = *file.array()?;
        memory.journal = Journal::load(map.n_events, file)?;
        Some(memory)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_saved_comes_back_and_a_key_put_in_between_harms_nothing() {
        let mut memory = Memory::blank(Map::SMALL);
        memory.open(7);
        memory.minute();
        memory.open(7);
        memory.minute();
        assert_eq!(memory.boots(), 2);
        memory.journal.event(2, 1, 5);
        memory.journal.write();
        let mut out = Writer::default();
        memory.save(&mut out);
        let file = out.finish();
        let read = |file: &[u8]| Memory::load(Map::SMALL, &mut Reader::new(file)?);
        let mut again = read(&file).expect("sound");
        again.put_key(&[9; 16]);
        again.open(7);
        assert_eq!((again.boots(), again.key()), (3, Some([9; 16])));
        assert_eq!(again.journal.after(0), memory.journal.after(0));
        // Cut or altered anywhere it is refused, not believed.
        for n in 0..file.len() {
            assert_eq!(read(&file[..n]), None);
        }
        let mut altered = file.clone();
        altered[20] ^= 1;
        assert_eq!(read(&altered), None);
    }
}
