//! What an alarm is, before anything has happened: text, priority, delays, what it may harm.

use serde::{Deserialize, Serialize};

use crate::peril::Peril;

/// How urgent an answer is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Priority {
    /// Can wait for days.
    Low,
    /// Should be seen today.
    #[default]
    Medium,
    /// Act now.
    High,
}

impl Priority {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Priority::Low => "low",
            Priority::Medium => "medium",
            Priority::High => "high",
        }
    }
}

impl From<system::model::Priority> for Priority {
    fn from(priority: system::model::Priority) -> Self {
        match priority {
            system::model::Priority::Low => Priority::Low,
            system::model::Priority::Medium => Priority::Medium,
            system::model::Priority::High => Priority::High,
        }
    }
}

/// Who finds that the condition of an alarm holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Origin {
    /// The program of a board; its delays have passed when it says so.
    Board,
    /// The station.
    Station,
}

/// One alarm.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Definition {
    /// The same text for the same alarm, always: `board/alarm` or `station/check/part`.
    pub id: String,
    /// What the person reads.
    pub text: String,
    /// How urgent.
    pub priority: Priority,
    /// What it may end in.
    pub peril: Peril,
    /// Who finds it.
    pub origin: Origin,
    /// The condition must hold for so long before the alarm occurs, ms.
    pub on_delay_ms: i64,
    /// The condition must be gone for so long before the alarm returns, ms.
    pub off_delay_ms: i64,
    /// Stays after the condition has gone, until a person resets it.
    pub is_latching: bool,
    /// Of several in one group the first to occur is marked: it is nearest to the cause.
    pub group: Option<String>,
    /// Procedures, as `board/procedure`, during which it is expected and therefore suppressed.
    pub suppressed_during: Vec<String>,
}

impl Definition {
    /// An alarm of a board's program: its delays are the program's, so there are none here.
    pub fn of_board(board: &str, system: &system::System, alarm: &system::model::Alarm) -> Self {
        Definition {
            id: format!("{board}/{}", alarm.name),
            text: alarm.text.clone(),
            priority: alarm.priority.into(),
            peril: Peril::of_alarm(system, alarm),
            origin: Origin::Board,
            on_delay_ms: 0,
            off_delay_ms: 0,
            is_latching: false,
            group: None,
            suppressed_during: vec![],
        }
    }
}

/// A limit with a deadband, for alarms on numbers: it holds from beyond the limit until the value is back by the deadband.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Limit {
    /// In the value's unit.
    pub at: f64,
    /// Holds above the limit rather than below.
    pub is_high: bool,
    /// How far back the value must come, in its unit; not negative.
    pub deadband: f64,
}

impl Limit {
    /// Whether it holds now, given whether it held before. A value that is no number changes nothing.
    pub fn holds(&self, value: f64, held: bool) -> bool {
        let back = if held { self.deadband } else { 0.0 };
        if value.is_nan() {
            held
        } else if self.is_high {
            value > self.at - back
        } else {
            value < self.at + back
        }
    }
}
