//! What revisions do to rows of the FMEA, and why a row may get worse. A weighing is one of a revision beside the one that ran when it was sent; it is
//! filled in once, and reasons are only added to it.

use rusqlite::{Connection, OptionalExtension, Row};
use serde::Serialize;

use crate::Store;
use crate::error::{Doing, Result};

/// A revision beside the one that ran when it was sent.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Weighing {
    /// Row number, rising; 0 for one to be stored.
    pub id: i64,
    /// When the revision was sent, ms since 1970 UTC.
    pub at: i64,
    /// The board.
    pub source: String,
    /// The revision.
    pub revision: i64,
    /// The one that ran; 0: none that is known.
    pub against: i64,
    /// Who sent it.
    pub who: String,
    /// How it was sent, in a word of whoever stores it.
    pub how: String,
    /// When the rows were known, ms since 1970 UTC; none: they are not yet.
    pub weighed: Option<i64>,
    /// In words.
    pub detail: String,
    /// The rows, as whoever stores them writes them.
    pub rows: String,
}

/// Why a row may get worse.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Reason {
    /// When it was given, ms since 1970 UTC.
    pub at: i64,
    /// The row.
    pub fault: String,
    /// Who gave it.
    pub who: String,
    /// Why.
    pub text: String,
}

fn weighing_from_row(row: &Row<'_>) -> rusqlite::Result<Weighing> {
    Ok(Weighing {
        id: row.get(0)?,
        at: row.get(1)?,
        source: row.get(2)?,
        revision: row.get(3)?,
        against: row.get(4)?,
        who: row.get(5)?,
        how: row.get(6)?,
        weighed: row.get(7)?,
        detail: row.get(8)?,
        rows: row.get(9)?,
    })
}

fn reasons_of(c: &Connection, weighing: i64) -> rusqlite::Result<Vec<Reason>> {
    c.prepare_cached("select at, fault, who, text from reasons where weighing = ? order by id")?
        .query_map([weighing], |row| {
            Ok(Reason { at: row.get(0)?, fault: row.get(1)?, who: row.get(2)?, text: row.get(3)? })
        })?
        .collect()
}

fn add_reasons(c: &Connection, weighing: i64, reasons: &[Reason]) -> rusqlite::Result<()> {
    let mut insert =
        c.prepare_cached("insert into reasons (at, weighing, fault, who, text) values (?, ?, ?, ?, ?)")?;
    for r in reasons {
        insert.execute((r.at, weighing, &r.fault, &r.who, &r.text))?;
    }
    Ok(())
}

impl Store {
    /// Stores a weighing with reasons, or adds to the one of the same revision beside the same one: its rows where they were not known yet, and
    /// reasons. Gives its number.
    ///
    /// # Errors
    ///
    /// As [`Store::write`].
    pub fn add_weighing(&self, weighing: &Weighing, reasons: &[Reason]) -> Result<i64> {
        let (w, reasons) = (weighing.clone(), reasons.to_vec());
        self.write(move |c| {
            let known = |c: &Connection| {
                c.prepare_cached("select id from weighings where source = ? and revision = ? and against = ?")?
                    .query_row((&w.source, w.revision, w.against), |row| row.get::<_, i64>(0))
                    .optional()
            };
            let add = |c: &Connection| {
                let id = match known(c)? {
                    Some(id) => id,
                    None => c
                        .prepare_cached(
                            "insert into weighings (at, source, revision, against, who, how, weighed, detail, rows)
                             values (?, ?, ?, ?, ?, ?, null, '', '[]')",
                        )?
                        .insert((w.at, &w.source, w.revision, w.against, &w.who, &w.how))?,
                };
                if let Some(weighed) = w.weighed {
                    c.prepare_cached(
                        "update weighings set weighed = ?, detail = ?, rows = ? where id = ? and weighed is null",
                    )?
                    .execute((weighed, &w.detail, &w.rows, id))?;
                }
                add_reasons(c, id, &reasons)?;
                Ok(id)
            };
            add(c).doing("storing what a revision does to rows")
        })
    }

    /// The weighing of a revision beside another one, with its reasons.
    ///
    /// # Errors
    ///
    /// As [`Store::read`].
    pub fn weighing(
        &self,
        source: &str,
        revision: i64,
        against: i64,
    ) -> Result<Option<(Weighing, Vec<Reason>)>> {
        let all = self.weighings(source)?;
        Ok(all.into_iter().find(|(one, _)| (one.revision, one.against) == (revision, against)))
    }

    /// All weighings of a board with their reasons, the newest first.
    ///
    /// # Errors
    ///
    /// As [`Store::read`].
    pub fn weighings(&self, source: &str) -> Result<Vec<(Weighing, Vec<Reason>)>> {
        self.read(|c| weighings(c, source).doing("reading what revisions do to rows"))
    }
}

fn weighings(c: &Connection, source: &str) -> rusqlite::Result<Vec<(Weighing, Vec<Reason>)>> {
    let sql = "select id, at, source, revision, against, who, how, weighed, detail, rows from weighings
               where source = ? order by at desc, id desc";
    let all: rusqlite::Result<Vec<Weighing>> =
        c.prepare_cached(sql)?.query_map([source], weighing_from_row)?.collect();
    all?.into_iter().map(|weighing| reasons_of(c, weighing.id).map(|reasons| (weighing, reasons))).collect()
}
