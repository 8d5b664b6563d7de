//! The audit trail: what people ordered and what came of it. Both are only added to; the tables refuse anything else.

use rusqlite::Row;
use serde::Serialize;

use super::Page;
use crate::Store;
use crate::error::{Doing, Error, Result};

/// What came of a command.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum OutcomeKind {
    /// The board acknowledged it.
    Done,
    /// The board, or the station for it, refused it.
    Refused,
    /// No answer came: nobody knows that it was done.
    NotDone,
}

impl OutcomeKind {
    const ALL: [OutcomeKind; 3] = [OutcomeKind::Done, OutcomeKind::Refused, OutcomeKind::NotDone];

    /// The word that is stored.
    pub fn word(self) -> &'static str {
        match self {
            OutcomeKind::Done => "done",
            OutcomeKind::Refused => "refused",
            OutcomeKind::NotDone => "not-done",
        }
    }
}

/// What came of a command, and when.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Outcome {
    /// ms since 1970 UTC.
    pub at: i64,
    /// What came of it.
    pub outcome: OutcomeKind,
    /// In words: the reason of a refusal, what to do.
    pub detail: String,
    /// Number of the scan that took it.
    pub scan: Option<i64>,
    /// Output of the drive after that scan.
    pub output: Option<i64>,
}

/// A command of a person.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Command {
    /// Row number, rising; 0 for one to be stored.
    pub id: i64,
    /// ms since 1970 UTC.
    pub at: i64,
    /// The board it went to, or "station".
    pub source: String,
    /// Who ordered it.
    pub who: String,
    /// Why, in their words.
    pub why: String,
    /// What: a sentence, or JSON of who calls.
    pub what: String,
    /// What came of it; empty while it is under way, or when the station stopped before it knew.
    pub outcomes: Vec<Outcome>,
}

fn command_from_row(row: &Row<'_>) -> rusqlite::Result<Command> {
    Ok(Command {
        id: row.get(0)?,
        at: row.get(1)?,
        source: row.get(2)?,
        who: row.get(3)?,
        why: row.get(4)?,
        what: row.get(5)?,
        outcomes: Vec::new(),
    })
}

fn outcome_from_row(row: &Row<'_>) -> rusqlite::Result<Outcome> {
    let word: String = row.get(1)?;
    Ok(Outcome {
        at: row.get(0)?,
        outcome: OutcomeKind::ALL.into_iter().find(|k| k.word() == word).unwrap_or(OutcomeKind::NotDone),
        detail: row.get(2)?,
        scan: row.get(3)?,
        output: row.get(4)?,
    })
}

impl Store {
    /// Writes down a command before it goes out; gives its number.
    ///
    /// # Errors
    ///
    /// As [`Store::write`]: then it must not go out. `Refused` when nobody or no reason is named.
    pub fn add_command(&self, command: &Command) -> Result<i64> {
        if command.who.trim().is_empty() || command.why.trim().is_empty() {
            return Err(Error::refused("a command needs who orders it and why"));
        }
        let c = command.clone();
        self.write(move |connection| {
            connection
                .prepare_cached("insert into commands (at, source, who, why, what) values (?, ?, ?, ?, ?)")
                .and_then(|mut s| s.insert((c.at, &c.source, &c.who, &c.why, &c.what)))
                .doing("writing down a command")
        })
    }

    /// Writes down what came of a command.
    ///
    /// # Errors
    ///
    /// As [`Store::write`]; `Refused` when there is no such command.
    pub fn add_outcome(&self, command: i64, outcome: Outcome) -> Result<()> {
        self.write(move |c| {
            let doing = "writing down the outcome of a command";
            let n = c
                .prepare_cached(
                    "insert into outcomes (command, at, outcome, detail, scan, output)
                     select id, ?2, ?3, ?4, ?5, ?6 from commands where id = ?1",
                )
                .and_then(|mut s| {
                    s.execute((
                        command,
                        outcome.at,
                        outcome.outcome.word(),
                        &outcome.detail,
                        outcome.scan,
                        outcome.output,
                    ))
                })
                .doing(doing)?;
            if n == 1 { Ok(()) } else { Err(Error::refused(format!("there is no command {command}"))) }
        })
    }

    /// Commands of a time with their outcomes.
    ///
    /// # Errors
    ///
    /// As [`Store::read`].
    pub fn commands(&self, page: &Page) -> Result<Vec<Command>> {
        self.read(|c| {
            let read = || -> rusqlite::Result<Vec<Command>> {
                let sql = format!("select id, at, source, who, why, what from commands{}", page.clause());
                let mut commands: Vec<Command> = c
                    .prepare_cached(&sql)?
                    .query_map(page.values(), command_from_row)?
                    .collect::<rusqlite::Result<_>>()?;
                let mut outcomes = c.prepare_cached(
                    "select at, outcome, detail, scan, output from outcomes where command = ? order by id",
                )?;
                for command in &mut commands {
                    command.outcomes = outcomes
                        .query_map([command.id], outcome_from_row)?
                        .collect::<rusqlite::Result<_>>()?;
                }
                Ok(commands)
            };
            read().doing("reading commands")
        })
    }
}
