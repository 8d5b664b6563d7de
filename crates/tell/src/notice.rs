//! What is told: a change of an alarm, in words made elsewhere; and the message that goes out.

pub use alarms::Priority;
use serde::{Deserialize, Serialize};

/// What became of an alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Change {
    /// It came.
    Raised,
    /// What it is about is over.
    Over,
    /// Somebody has taken it.
    Acknowledged,
    /// Put aside until a time, or suppressed: nothing is told of it until it is raised again.
    Shelved,
}

/// A change of an alarm.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AlarmChange {
    /// Which alarm: the same text for the same alarm, always.
    pub alarm: String,
    /// Its priority now.
    pub priority: Priority,
    /// What became of it.
    pub change: Change,
    /// When, ms since 1970 UTC.
    pub at_ms: i64,
    /// What is wrong, where, with the value, in one line: a phone's lock screen shows some 60 characters of it.
    pub headline: String,
    /// Everything else: since when, what has acted, what to do, what not to touch. Lines.
    pub words: String,
}

/// What kind of message it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// An alarm came.
    Raised,
    /// It still stands and nobody has acknowledged it.
    Again,
    /// It is over.
    Over,
    /// It came and went within the quiet hours.
    Passed,
    /// About telling itself: a way that fails, messages that were given up.
    Telling,
    /// A test.
    Test,
}

/// A message as it goes out by one way.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Notice {
    /// The same text whenever the same message is sent again, so that a receiver can drop what it has.
    pub key: String,
    /// What kind.
    pub kind: Kind,
    /// How urgent.
    pub priority: Priority,
    /// When what it tells of happened, ms since 1970 UTC.
    pub at_ms: i64,
    /// One line.
    pub subject: String,
    /// Lines.
    pub body: String,
}

impl Notice {
    /// Several messages in one, oldest first; the first stands for its key, the most urgent for its priority.
    pub fn join(notices: &[Notice]) -> Option<Notice> {
        let (first, rest) = notices.split_first()?;
        if rest.is_empty() {
            return Some(first.clone());
        }
        let lead = notices.iter().rev().max_by_key(|notice| notice.priority)?;
        let mut body = String::new();
        for notice in notices {
            body.push_str(&notice.subject);
            body.push('\n');
            for line in notice.body.lines() {
                body.push_str("  ");
                body.push_str(line);
                body.push('\n');
            }
            body.push('\n');
        }
        Some(Notice {
            key: first.key.clone(),
            kind: lead.kind,
            priority: lead.priority,
            at_ms: first.at_ms,
            subject: format!("{} (and {} more)", lead.subject, rest.len()),
            body,
        })
    }
}
