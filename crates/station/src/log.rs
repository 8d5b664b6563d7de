//! The log of alarms as it stands in the store, read back for the report.

use alarms::book::Cause;
use alarms::{Priority, State, Transition};
use store::{AlarmChange, Page};

use crate::app::App;
use crate::http::problem::Problem;
use crate::ingest::state_word;

/// Longest stretch of the log that a report looks at, ms.
const LONGEST_MS: i64 = 14 * 86_400_000;
/// Most changes that a report looks at; a house with more has other worries.
const MOST: u32 = 20_000;

const STATES: [State; 9] = [
    State::Normal,
    State::Unacknowledged,
    State::Acknowledged,
    State::ReturnedUnacknowledged,
    State::LatchedUnacknowledged,
    State::LatchedAcknowledged,
    State::Shelved,
    State::SuppressedByDesign,
    State::OutOfService,
];

/// The changes of the last two weeks, oldest first.
///
/// # Errors
/// The store cannot be read.
pub fn transitions(app: &App, now_ms: i64) -> Result<Vec<Transition>, Problem> {
    let page = Page { from: now_ms - LONGEST_MS, limit: MOST, newest_first: true, ..Page::default() };
    let mut changes = app.store.alarm_changes(&page).map_err(Problem::store)?;
    changes.reverse();
    Ok(changes.into_iter().map(transition).collect())
}

fn transition(change: AlarmChange) -> Transition {
    let state = |word: &str| STATES.into_iter().find(|state| state_word(*state) == word).unwrap_or_default();
    let detail = change.detail.unwrap_or_default();
    let to = state(&change.becomes);
    Transition {
        at_ms: change.at,
        alarm: change.alarm,
        priority: [Priority::Low, Priority::Medium, Priority::High]
            .into_iter()
            .find(|priority| priority.word() == change.priority)
            .unwrap_or_default(),
        from: state(&change.was),
        to,
        cause: cause(to),
        by: change.who,
        why: change.why,
        until_ms: change.until,
        is_first_out: detail.contains("first-out"),
        in_flood: detail.contains("in-flood"),
    }
}

/// The log keeps states, not causes; the report asks for states only.
fn cause(to: State) -> Cause {
    match to {
        State::Normal | State::ReturnedUnacknowledged => Cause::Returned,
        _ => Cause::Occurred,
    }
}
