//! The journal of a board (docs/link.md, section 5) as the firmware keeps it: a ring whose unconfirmed events are never overwritten,
//! and a mark, written in steps, of how far the station has them.

use link::message::{EVENT_GAP, Event};

use crate::file::{Reader, Writer};

/// Events that wait in memory until the ring has taken those before them.
const MOST_WAITING: usize = 6;

/// Whether sequence `one` comes after `other`, no more than 127 apart.
fn is_later(one: u8, other: u8) -> bool {
    (1..128).contains(&one.wrapping_sub(other))
}

/// What outlasts a reset, and what waits to get there.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Journal {
    ring: Vec<Option<Event>>,
    /// Where the newest stands.
    place: usize,
    /// The newest.
    sequence: u8,
    confirmed: u8,
    /// As they stand in the mark, once one was written: confirmed, lost.
    mark: Option<(u8, u8)>,
    /// Found no room since the newest.
    lost: u8,
    mark_is_due: bool,
    waiting: Vec<(u8, u16)>,
    minute: u16,
}

impl Journal {
    pub fn new(n_places: usize) -> Journal {
        Journal {
            ring: vec![None; n_places],
            place: n_places - 1,
            sequence: 0,
            confirmed: 0_u8.wrapping_sub(n_places as u8),
            mark: None,
            lost: 0,
            mark_is_due: false,
            waiting: Vec::new(),
            minute: 0xFFFF,
        }
    }

    /// A boot: what was only in memory is gone.
    pub fn open(&mut self) {
        let n = self.ring.len() as u8;
        self.waiting.clear();
        self.lost = 0;
        self.mark_is_due = false;
        self.confirmed = self.sequence.wrapping_sub(n);
        let Some((confirmed, lost)) = self.mark else { return };
        if self.sequence.wrapping_sub(confirmed) <= n {
            self.confirmed = confirmed;
            self.lost = lost;
        }
    }

    fn lose(&mut self) {
        if self.lost != u8::MAX {
            self.lost += 1;
            self.mark_is_due = true;
        }
    }

    /// Something happened. [`Journal::write`] brings it into the ring.
    pub fn event(&mut self, code: u8, argument: u16, minute: u16) {
        self.minute = minute;
        if self.waiting.len() == MOST_WAITING {
            self.lose();
        } else {
            self.waiting.push((code, argument));
        }
    }

    fn next_place(&self) -> usize {
        (self.place + 1) % self.ring.len()
    }

    /// The next place holds an event that the station does not have.
    fn is_full(&self) -> bool {
        self.ring[self.next_place()].is_some_and(|event| is_later(event.sequence, self.confirmed))
    }

    fn put(&mut self, code: u8, argument: u16) {
        self.place = self.next_place();
        self.sequence = self.sequence.wrapping_add(1);
        let event = Event { sequence: self.sequence, code, argument, minute: self.minute };
        self.ring[self.place] = Some(event);
    }

    /// Everything that waits, as far as there is room.
    pub fn write(&mut self) {
        while self.lost != 0 || !self.waiting.is_empty() {
            if self.is_full() {
                while !self.waiting.is_empty() {
                    self.lose();
                    self.waiting.remove(0);
                }
                break;
            }
            if self.lost != 0 {
                self.put(EVENT_GAP, self.lost.into());
                self.lost = 0;
                self.mark_is_due = true;
            } else {
                let (code, argument) = self.waiting.remove(0);
                self.put(code, argument);
            }
        }
        if std::mem::take(&mut self.mark_is_due) {
            let n = self.ring.len() as u8;
            if self.sequence.wrapping_sub(self.confirmed) > n {
                self.confirmed = self.sequence.wrapping_sub(n);
            }
            self.mark = Some((self.confirmed, self.lost));
        }
    }

    /// The oldest unconfirmed event at or after a sequence.
    pub fn after(&self, from: u8) -> Option<Event> {
        let mut from = if is_later(from, self.confirmed) { from } else { self.confirmed.wrapping_add(1) };
        while !is_later(from, self.sequence) {
            if let Some(event) = self.ring.iter().flatten().find(|event| event.sequence == from) {
                return Some(*event);
            }
            from = from.wrapping_add(1);
        }
        None
    }

    pub fn newest(&self) -> u8 {
        self.sequence
    }

    /// The station has every event up to this sequence.
    pub fn confirm(&mut self, sequence: u8) {
        if !is_later(sequence, self.confirmed) || is_later(sequence, self.sequence) {
            return;
        }
        self.confirmed = sequence;
        let marked = self.mark.map_or(self.confirmed_at_boot(), |(confirmed, _)| confirmed);
        if usize::from(self.confirmed.wrapping_sub(marked)) >= self.ring.len() / 2 {
            self.mark_is_due = true;
        }
    }

    /// What counts as marked before a mark was ever written.
    fn confirmed_at_boot(&self) -> u8 {
        0_u8.wrapping_sub(self.ring.len() as u8)
    }

    pub fn save(&self, out: &mut Writer) {
        out.u32(self.ring.len() as u32);
        for event in &self.ring {
            out.bytes(&event.map_or([0; 6], |event| event.encode()));
            out.u8(event.is_some().into());
        }
        out.u32(self.place as u32);
        out.u8(self.sequence);
        out.u8(self.mark.is_some().into());
        let (confirmed, lost) = self.mark.unwrap_or_default();
        out.u8(confirmed);
        out.u8(lost);
    }

    /// From what [`Journal::save`] wrote; it is opened by the next boot.
    pub fn load(n_places: usize, file: &mut Reader<'_>) -> Option<Journal> {
        let mut journal = Journal::new(n_places);
        if file.u32()? as usize != n_places {
            return None;
        }
        for place in &mut journal.ring {
            let event = Event::decode(file.array()?);
            *place = (file.u8()? != 0).then_some(event);
        }
        journal.place = file.u32()? as usize % n_places;
        journal.sequence = file.u8()?;
        let is_marked = file.u8()? != 0;
        let mark = (file.u8()?, file.u8()?);
        journal.mark = is_marked.then_some(mark);
        Some(journal)
    }
}
