//! The log of alarms: one row for each change of state. The states are words of who decides them; the log only keeps them.

use rusqlite::Row;
use serde::Serialize;

use super::Page;
use crate::Store;
use crate::error::{Doing, Result};

/// One change of one alarm.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct AlarmChange {
    /// Row number, rising; 0 for one to be stored.
    pub id: i64,
    /// ms since 1970 UTC.
    pub at: i64,
    /// Board, or "station" for its own checks.
    pub source: String,
    /// Name of the alarm.
    pub alarm: String,
    /// Its priority.
    pub priority: String,
    /// State before.
    pub was: String,
    /// State after.
    pub becomes: String,
    /// Who did it, for acknowledging and shelving.
    pub who: Option<String>,
    /// Why, for shelving.
    pub why: Option<String>,
    /// When a shelving ends, ms.
    pub until: Option<i64>,
    /// Anything more: the value, the one that came first.
    pub detail: Option<String>,
}

impl AlarmChange {
    const COLUMNS: &str =
        "select id, at, source, alarm, priority, was, becomes, who, why, until, detail from alarm_log";

    fn from_row(row: &Row<'_>) -> rusqlite::Result<Self> {
        Ok(AlarmChange {
            id: row.get(0)?,
            at: row.get(1)?,
            source: row.get(2)?,
            alarm: row.get(3)?,
            priority: row.get(4)?,
            was: row.get(5)?,
            becomes: row.get(6)?,
            who: row.get(7)?,
            why: row.get(8)?,
            until: row.get(9)?,
            detail: row.get(10)?,
        })
    }
}

impl Store {
    /// Stores changes of alarms, all or none.
    ///
    /// # Errors
    ///
    /// As [`Store::write`].
    pub fn add_alarm_changes(&self, changes: Vec<AlarmChange>) -> Result<()> {
        self.write(move |c| {
            let doing = "storing changes of alarms";
            let mut insert = c
                .prepare_cached(
                    "insert into alarm_log (at, source, alarm, priority, was, becomes, who, why, until, detail)
                     values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                )
                .doing(doing)?;
            for a in &changes {
                insert
                    .execute((
                        a.at, &a.source, &a.alarm, &a.priority, &a.was, &a.becomes, &a.who, &a.why, a.until,
                        &a.detail,
                    ))
                    .doing(doing)?;
            }
            Ok(())
        })
    }

    /// Changes of alarms of a time.
    ///
    /// # Errors
    ///
    /// As [`Store::read`].
    pub fn alarm_changes(&self, page: &Page) -> Result<Vec<AlarmChange>> {
        self.read(|c| {
            let sql = format!("{}{}", AlarmChange::COLUMNS, page.clause());
            c.prepare_cached(&sql)
                .and_then(|mut s| s.query_map(page.values(), AlarmChange::from_row)?.collect())
                .doing("reading changes of alarms")
        })
    }

    /// The newest change of each alarm: what stands after a restart.
    ///
    /// # Errors
    ///
    /// As [`Store::read`].
    pub fn alarms_as_they_stand(&self) -> Result<Vec<AlarmChange>> {
        self.read(|c| {
            let sql = format!(
                "{} where id in (select max(id) from alarm_log group by source, alarm) order by id",
                AlarmChange::COLUMNS
            );
            c.prepare_cached(&sql)
                .and_then(|mut s| s.query_map([], AlarmChange::from_row)?.collect())
                .doing("reading alarms")
        })
    }
}
