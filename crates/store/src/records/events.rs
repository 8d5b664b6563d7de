//! Events: what boards wrote in their journals, and what the station noticed itself.

use rusqlite::{Connection, OptionalExtension, Row};
use serde::Serialize;

use super::Page;
use crate::Store;
use crate::error::{Doing, Result};

/// So many of a board's newest events are compared to tell one that came again. A board sends at most six again (docs/link.md,
/// section 5) and numbers them modulo 256, so a true one can't be among them.
const COMPARED: u32 = 64;

/// An event of a board's journal, as docs/link.md section 5 has it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BoardEvent {
    /// Its number in the journal, modulo 256.
    pub sequence: u8,
    /// What it is.
    pub code: u8,
    /// Of which part and the like.
    pub argument: u16,
    /// The journal's minute as it came.
    pub minute: u16,
    /// That minute as a time, or the time of arrival when the board had no clock, ms.
    pub at: i64,
    /// What it is, a word ("trip", "reset").
    pub kind: String,
    /// What it says, in words with the names of the system file.
    pub text: String,
}

/// One event as it is kept.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Event {
    /// Row number, rising.
    pub id: i64,
    /// ms since 1970 UTC.
    pub at: i64,
    /// Board, or "station".
    pub source: String,
    /// What it is, a word.
    pub kind: String,
    /// What it says.
    pub text: String,
    /// Number in the board's journal; None for the station's own.
    pub sequence: Option<u8>,
    /// Code in the board's journal.
    pub code: Option<u8>,
    /// Argument in the board's journal.
    pub argument: Option<u16>,
}

impl Event {
    const COLUMNS: &str = "select id, at, source, kind, text, sequence, code, argument from events";

    fn from_row(row: &Row<'_>) -> rusqlite::Result<Self> {
        Ok(Event {
            id: row.get(0)?,
            at: row.get(1)?,
            source: row.get(2)?,
            kind: row.get(3)?,
            text: row.get(4)?,
            sequence: row.get(5)?,
            code: row.get(6)?,
            argument: row.get(7)?,
        })
    }
}

/// What became of a board's events.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct EventsStored {
    /// New ones.
    pub stored: u32,
    /// Ones that had been stored before.
    pub duplicates: u32,
    /// Sequence that the next question of the board begins behind; None when none was ever stored.
    pub position: Option<u8>,
}

fn position(connection: &Connection, board: &str) -> rusqlite::Result<Option<u8>> {
    connection
        .prepare_cached(
            "select sequence from events where source = ? and sequence is not null order by id desc limit 1",
        )?
        .query_row([board], |row| row.get(0))
        .optional()
}

fn add(connection: &Connection, board: &str, events: &[BoardEvent]) -> rusqlite::Result<EventsStored> {
    let mut known = connection.prepare_cached(
        "select count(*) from (select * from events where source = ?1 and sequence is not null order by id desc limit ?2)
         where sequence = ?3 and code = ?4 and argument = ?5 and minute = ?6",
    )?;
    let mut insert = connection.prepare_cached(
        "insert into events (at, source, sequence, code, argument, minute, kind, text) values (?, ?, ?, ?, ?, ?, ?, ?)",
    )?;
    let mut stored = EventsStored { stored: 0, duplicates: 0, position: None };
    for e in events {
        let n: i64 =
            known.query_row((board, COMPARED, e.sequence, e.code, e.argument, e.minute), |row| row.get(0))?;
        if n > 0 {
            stored.duplicates += 1;
            continue;
        }
        insert.execute((e.at, board, e.sequence, e.code, e.argument, e.minute, &e.kind, &e.text))?;
        stored.stored += 1;
    }
    stored.position = position(connection, board)?;
    Ok(stored)
}

impl Store {
    /// Stores a board's events; those that it sent before are told apart and left out. After this returns they may be acknowledged.
    ///
    /// # Errors
    ///
    /// As [`Store::write`]; then none of them may be acknowledged.
    pub fn add_board_events(&self, board: &str, events: Vec<BoardEvent>) -> Result<EventsStored> {
        let board = board.to_owned();
        self.write(move |c| add(c, &board, &events).doing("storing a board's events"))
    }

    /// Sequence of the board's newest event that is stored.
    ///
    /// # Errors
    ///
    /// As [`Store::read`].
    pub fn event_position(&self, board: &str) -> Result<Option<u8>> {
        self.read(|c| position(c, board).doing("reading a board's position"))
    }

    /// Stores something that the station noticed itself; gives its row number.
    ///
    /// # Errors
    ///
    /// As [`Store::write`].
    pub fn add_event(&self, at: i64, source: &str, kind: &str, text: &str) -> Result<i64> {
        let (source, kind, text) = (source.to_owned(), kind.to_owned(), text.to_owned());
        self.write(move |c| {
            c.prepare_cached("insert into events (at, source, kind, text) values (?, ?, ?, ?)")
                .and_then(|mut s| s.insert((at, source, kind, text)))
                .doing("storing an event")
        })
    }

    /// Events of a time.
    ///
    /// # Errors
    ///
    /// As [`Store::read`].
    pub fn events(&self, page: &Page) -> Result<Vec<Event>> {
        self.read(|c| {
            let sql = format!("{}{}", Event::COLUMNS, page.clause());
            c.prepare_cached(&sql)
                .and_then(|mut s| s.query_map(page.values(), Event::from_row)?.collect())
                .doing("reading events")
        })
    }
}
