//! Notes, calibrations, program revisions and settings.

use rusqlite::{OptionalExtension, Row};
use serde::Serialize;

use super::Page;
use crate::error::{Doing, Result};
use crate::{Store, photos};

/// Something that a person wrote to a time. A changed note is a new one that names the one it replaces.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Note {
    /// Row number, rising; 0 for one to be stored.
    pub id: i64,
    /// When it was written, ms since 1970 UTC.
    pub written: i64,
    /// Begin of the time that it is about.
    pub first: i64,
    /// End of that time; equal to the begin for a moment.
    pub last: i64,
    /// Who wrote it.
    pub who: String,
    /// What.
    pub text: String,
    /// The note in whose place it stands.
    pub replaces: Option<i64>,
}

/// A calibration of one input.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Calibration {
    /// Row number, rising; 0 for one to be stored.
    pub id: i64,
    /// ms since 1970 UTC.
    pub at: i64,
    /// The board.
    pub source: String,
    /// The input, by its name in the system file.
    pub input: String,
    /// Who did it.
    pub who: String,
    /// The entry as the board keeps it.
    pub entry: Vec<u8>,
    /// The standards used and the like.
    pub note: String,
}

/// A program that a board was given.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Revision {
    /// Row number, rising; 0 for one to be stored.
    pub id: i64,
    /// ms since 1970 UTC.
    pub at: i64,
    /// The board.
    pub source: String,
    /// Who loaded it.
    pub who: String,
    /// Why.
    pub why: String,
    /// The program's CRC, its identity.
    pub crc: u32,
    /// The program's bytes.
    pub program: Vec<u8>,
    /// The text of the system file that it came from.
    pub system: String,
}

fn note_from_row(row: &Row<'_>) -> rusqlite::Result<Note> {
    Ok(Note {
        id: row.get(0)?,
        written: row.get(1)?,
        first: row.get(2)?,
        last: row.get(3)?,
        who: row.get(4)?,
        text: row.get(5)?,
        replaces: row.get(6)?,
    })
}

fn calibration_from_row(row: &Row<'_>) -> rusqlite::Result<Calibration> {
    Ok(Calibration {
        id: row.get(0)?,
        at: row.get(1)?,
        source: row.get(2)?,
        input: row.get(3)?,
        who: row.get(4)?,
        entry: row.get(5)?,
        note: row.get(6)?,
    })
}

fn revision_from_row(row: &Row<'_>) -> rusqlite::Result<Revision> {
    Ok(Revision {
        id: row.get(0)?,
        at: row.get(1)?,
        source: row.get(2)?,
        who: row.get(3)?,
        why: row.get(4)?,
        crc: row.get(5)?,
        program: row.get(6)?,
        system: row.get(7)?,
    })
}

impl Store {
    /// Stores a note; gives its number.
    ///
    /// # Errors
    ///
    /// As [`Store::write`].
    pub fn add_note(&self, note: &Note) -> Result<i64> {
        let n = note.clone();
        self.write(move |c| {
            c.prepare_cached(
                "insert into notes (written, first, last, who, text, replaces) values (?, ?, ?, ?, ?, ?)",
            )
            .and_then(|mut s| {
                let id = s.insert((n.written, n.first, n.last.max(n.first), &n.who, &n.text, n.replaces))?;
                n.replaces.map_or(Ok(()), |replaced| photos::take_over(c, replaced, id))?;
                Ok(id)
            })
            .doing("storing a note")
        })
    }

    /// Notes about a time, in the order of their begin, without those that were replaced.
    ///
    /// # Errors
    ///
    /// As [`Store::read`].
    pub fn notes(&self, from: i64, to: i64) -> Result<Vec<Note>> {
        self.read(|c| {
            c.prepare_cached(
                "select id, written, first, last, who, text, replaces from notes as n where first <= ?2 and last >= ?1
                 and not exists (select 1 from notes as later where later.replaces = n.id) order by first, id",
            )
            .and_then(|mut s| s.query_map([from, to], note_from_row)?.collect())
            .doing("reading notes")
        })
    }

    /// Stores a calibration; gives its number.
    ///
    /// # Errors
    ///
    /// As [`Store::write`].
    pub fn add_calibration(&self, calibration: &Calibration) -> Result<i64> {
        let k = calibration.clone();
        self.write(move |c| {
            c.prepare_cached(
                "insert into calibrations (at, source, input, who, entry, note) values (?, ?, ?, ?, ?, ?)",
            )
            .and_then(|mut s| s.insert((k.at, &k.source, &k.input, &k.who, &k.entry, &k.note)))
            .doing("storing a calibration")
        })
    }

    /// Calibrations of a time.
    ///
    /// # Errors
    ///
    /// As [`Store::read`].
    pub fn calibrations(&self, page: &Page) -> Result<Vec<Calibration>> {
        self.read(|c| {
            let sql =
                format!("select id, at, source, input, who, entry, note from calibrations{}", page.clause());
            c.prepare_cached(&sql)
                .and_then(|mut s| s.query_map(page.values(), calibration_from_row)?.collect())
                .doing("reading calibrations")
        })
    }

    /// Stores a revision; gives its number.
    ///
    /// # Errors
    ///
    /// As [`Store::write`].
    pub fn add_revision(&self, revision: &Revision) -> Result<i64> {
        let r = revision.clone();
        self.write(move |c| {
            c.prepare_cached(
                "insert into revisions (at, source, who, why, crc, program, system) values (?, ?, ?, ?, ?, ?, ?)",
            )
            .and_then(|mut s| s.insert((r.at, &r.source, &r.who, &r.why, r.crc, &r.program, &r.system)))
            .doing("storing a revision")
        })
    }

    /// Revisions of a time.
    ///
    /// # Errors
    ///
    /// As [`Store::read`].
    pub fn revisions(&self, page: &Page) -> Result<Vec<Revision>> {
        self.read(|c| {
            let sql = format!(
                "select id, at, source, who, why, crc, program, system from revisions{}",
                page.clause()
            );
            c.prepare_cached(&sql)
                .and_then(|mut s| s.query_map(page.values(), revision_from_row)?.collect())
                .doing("reading revisions")
        })
    }

    /// Revisions of a time without programs and texts, each with the length of its program, bytes.
    ///
    /// # Errors
    ///
    /// As [`Store::read`].
    pub fn revision_heads(&self, page: &Page) -> Result<Vec<(Revision, usize)>> {
        self.read(|c| {
            let sql = format!(
                "select id, at, source, who, why, crc, x'', '', length(program) from revisions{}",
                page.clause()
            );
            let head = |row: &Row<'_>| Ok((revision_from_row(row)?, row.get::<_, u32>(8)? as usize));
            c.prepare_cached(&sql)
                .and_then(|mut s| s.query_map(page.values(), head)?.collect())
                .doing("reading revisions")
        })
    }

    /// One revision of a board, by its number.
    ///
    /// # Errors
    ///
    /// As [`Store::read`].
    pub fn revision(&self, source: &str, id: i64) -> Result<Option<Revision>> {
        self.read(|c| {
            c.prepare_cached(
                "select id, at, source, who, why, crc, program, system from revisions where source = ? and id = ?",
            )
            .and_then(|mut s| s.query_row((source, id), revision_from_row).optional())
            .doing("reading a revision")
        })
    }

    /// The newest revision of a board with this program.
    ///
    /// # Errors
    ///
    /// As [`Store::read`].
    pub fn revision_of_program(&self, source: &str, crc: u32) -> Result<Option<Revision>> {
        self.read(|c| {
            c.prepare_cached(
                "select id, at, source, who, why, crc, program, system from revisions where source = ? and crc = ? order by id desc limit 1",
            )
            .and_then(|mut s| s.query_row((source, crc), revision_from_row).optional())
            .doing("reading a revision")
        })
    }

    /// A small value that survives restarts.
    ///
    /// # Errors
    ///
    /// As [`Store::read`].
    pub fn setting(&self, key: &str) -> Result<Option<String>> {
        self.read(|c| {
            c.prepare_cached("select value from settings where key = ?")
                .and_then(|mut s| s.query_row([key], |row| row.get(0)).optional())
                .doing("reading a setting")
        })
    }

    /// Keeps a small value over restarts.
    ///
    /// # Errors
    ///
    /// As [`Store::write`].
    pub fn set_setting(&self, key: &str, value: &str) -> Result<()> {
        let (key, value) = (key.to_owned(), value.to_owned());
        self.write(move |c| {
            c.prepare_cached(
                "insert into settings (key, value) values (?, ?) on conflict (key) do update set value = excluded.value",
            )
            .and_then(|mut s| s.execute((key, value)))
            .doing("storing a setting")?;
            Ok(())
        })
    }
}
