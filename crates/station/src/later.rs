//! Rows that the disk could not take when they came: kept in order, bounded, and written when it can. What a person was told as an error is
//! not here; this is for what has happened and cannot be undone: the outcome of a command, a change of an alarm, a link that came or went.

use std::collections::VecDeque;
use std::sync::{Mutex, MutexGuard, PoisonError};

use store::{AlarmChange, Outcome, Store};

/// Rows that wait at most; the oldest gives way.
const MOST: usize = 10_000;

/// One row that waits.
#[derive(Clone, Debug, PartialEq)]
pub enum Row {
    /// What came of a command: its number, and the outcome.
    Outcome(i64, Outcome),
    /// A change of an alarm.
    Alarm(AlarmChange),
    /// Something that the station noticed: when (ms since 1970), the board or `station`, a word, in words.
    Event(i64, String, &'static str, String),
}

impl Row {
    fn write(&self, store: &Store) -> store::Result<()> {
        match self {
            Row::Outcome(command, outcome) => store.add_outcome(*command, outcome.clone()).map(drop),
            Row::Alarm(change) => store.add_alarm_changes(vec![change.clone()]),
            Row::Event(at_ms, source, kind, text) => store.add_event(*at_ms, source, kind, text).map(drop),
        }
    }
}

/// What waits for the disk.
#[derive(Debug, Default)]
pub struct Later(Mutex<VecDeque<Row>>);

impl Later {
    fn rows(&self) -> MutexGuard<'_, VecDeque<Row>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Keeps a row until the disk can take it.
    pub fn keep(&self, row: Row) {
        let mut rows = self.rows();
        if rows.len() == MOST {
            rows.pop_front();
        }
        rows.push_back(row);
    }

    /// Nothing waits.
    pub fn is_empty(&self) -> bool {
        self.rows().is_empty()
    }

    /// The outcome of a command that is not written yet.
    pub fn outcome_of(&self, command: i64) -> Option<Outcome> {
        self.rows().iter().find_map(|row| match row {
            Row::Outcome(of, outcome) if *of == command => Some(outcome.clone()),
            _ => None,
        })
    }

    /// Writes what waits, in order; what can never be written is dropped.
    ///
    /// # Errors
    /// The disk still cannot; the rest waits on.
    pub fn write(&self, store: &Store) -> store::Result<()> {
        loop {
            let Some(row) = self.rows().front().cloned() else { return Ok(()) };
            match row.write(store) {
                Err(error) if error.may_pass() => return Err(error),
                _ => {
                    let mut rows = self.rows();
                    // Meanwhile it may have given way.
                    if rows.front() == Some(&row) {
                        rows.pop_front();
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use store::OutcomeKind;

    #[test]
    fn what_waits_is_written_in_order_and_what_cannot_be_is_dropped() {
        let folder = tempfile::tempdir().expect("a folder");
        let store = Store::open(folder.path().join("station.db")).expect("a store");
        let outcome = Outcome {
            at: 1,
            outcome: OutcomeKind::Done,
            detail: "done".to_owned(),
            scan: None,
            output: None,
        };
        let later = Later::default();
        later.keep(Row::Event(1, "station".to_owned(), "link", "first".to_owned()));
        // There is no such command.
        later.keep(Row::Outcome(77, outcome.clone()));
        later.keep(Row::Event(2, "station".to_owned(), "link", "second".to_owned()));
        assert_eq!(later.outcome_of(77), Some(outcome));
        later.write(&store).expect("the disk can");
        assert!(later.is_empty() && later.outcome_of(77).is_none());
        let events = store.events(&store::Page::default()).expect("reads");
        assert_eq!(events.iter().map(|event| event.text.as_str()).collect::<Vec<_>>(), ["first", "second"]);
    }

    #[test]
    fn the_oldest_gives_way() {
        let later = Later::default();
        for n in 0..MOST as i64 + 5 {
            later.keep(Row::Event(n, String::new(), "link", String::new()));
        }
        assert_eq!(later.rows().len(), MOST);
        assert!(matches!(later.rows().front(), Some(Row::Event(5, ..))));
    }
}
