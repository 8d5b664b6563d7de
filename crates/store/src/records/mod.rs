//! Everything that is kept beside samples, a row each: events, alarms, commands with their outcomes, notes, calibrations, revisions,
//! settings. Whatever is written here is durable when the call returns.

mod alarms;
mod commands;
mod events;
mod others;
mod weighings;

pub use alarms::AlarmChange;
pub use commands::{Command, Outcome, OutcomeKind};
pub use events::{BoardEvent, Event, EventsStored};
pub use others::{Calibration, Note, Revision};
pub use weighings::{Reason, Weighing};

/// Which rows of a log are wanted: oldest first, at most `limit` of them, behind row `after`.
#[derive(Clone, Debug)]
pub struct Page {
    /// Earliest time, ms.
    pub from: i64,
    /// Latest time, ms.
    pub to: i64,
    /// Rows with greater numbers only; 0 for all.
    pub after: i64,
    /// At most so many rows.
    pub limit: u32,
    /// Of this source only.
    pub source: Option<String>,
    /// Newest first; then `after` is an upper end (rows with smaller numbers), 0 for all.
    pub newest_first: bool,
}

impl Default for Page {
    fn default() -> Self {
        Page { from: i64::MIN, to: i64::MAX, after: 0, limit: 1000, source: None, newest_first: false }
    }
}

impl Page {
    /// The clause behind `select ... from table`, with the column names of time and row number; takes the five parameters of `values`.
    fn clause(&self) -> String {
        let (compare, order) = if self.newest_first { ("<", "desc") } else { (">", "asc") };
        let after = if self.after == 0 { "?3 = 0".to_owned() } else { format!("id {compare} ?3") };
        format!(
            " where at >= ?1 and at <= ?2 and {after} and (?4 is null or source = ?4) order by id {order} limit ?5"
        )
    }

    fn values(&self) -> (i64, i64, i64, Option<&str>, u32) {
        (self.from, self.to, self.after, self.source.as_deref(), self.limit)
    }
}
