//! The terms of the book: states, what happens to them, why they change, why an act is refused, and the book's figures.

use serde::{Deserialize, Serialize};

use crate::definition::Priority;

/// States of IEC 62682. Letters of ISA-18.2-2016 beside them are from memory.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// A: all is as it should be.
    #[default]
    Normal,
    /// B: it stands, nobody has taken it.
    Unacknowledged,
    /// C: it stands, somebody has taken it.
    Acknowledged,
    /// D: it is over, nobody has taken it.
    ReturnedUnacknowledged,
    /// E: its condition is over, it waits for acknowledgement and reset.
    LatchedUnacknowledged,
    /// F: its condition is over, it waits for its reset.
    LatchedAcknowledged,
    /// G: a person put it aside until a time.
    Shelved,
    /// H: a procedure makes it expected.
    SuppressedByDesign,
    /// I: a person took it out of service, for work on its part.
    OutOfService,
}

impl State {
    /// The words for it.
    pub fn words(self) -> &'static str {
        match self {
            State::Normal => "normal",
            State::Unacknowledged => "unacknowledged",
            State::Acknowledged => "acknowledged",
            State::ReturnedUnacknowledged => "over, unacknowledged",
            State::LatchedUnacknowledged => "over, waits for acknowledgement and reset",
            State::LatchedAcknowledged => "over, waits for its reset",
            State::Shelved => "shelved",
            State::SuppressedByDesign => "suppressed by a procedure",
            State::OutOfService => "out of service",
        }
    }

    /// Whether a person should see it in the list of what needs attention.
    pub fn needs_attention(self) -> bool {
        !matches!(self, State::Normal | State::Shelved | State::SuppressedByDesign | State::OutOfService)
    }
}

/// What is known about an alarm's condition.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Condition {
    /// It does not hold.
    #[default]
    Gone,
    /// It holds.
    Holds,
    /// Nobody can say: the board is silent, the probe is bad. What stands goes on standing, nothing new occurs.
    Unknown,
}

/// Something that happens to the book.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "act", rename_all = "kebab-case")]
pub enum Act {
    /// What is known of a condition; the same as before changes nothing.
    Condition {
        /// Which alarm.
        alarm: String,
        /// What is known now.
        now: Condition,
    },
    /// A person takes it.
    Acknowledge {
        /// Which alarm.
        alarm: String,
        /// Who.
        by: String,
    },
    /// A person resets a latched alarm whose condition is over.
    Reset {
        /// Which alarm.
        alarm: String,
        /// Who.
        by: String,
    },
    /// A person puts it aside.
    Shelve {
        /// Which alarm.
        alarm: String,
        /// Who.
        by: String,
        /// Why.
        why: String,
        /// Until when, ms since 1970 UTC.
        until_ms: i64,
    },
    /// A person takes it off the shelf.
    Unshelve {
        /// Which alarm.
        alarm: String,
        /// Who.
        by: String,
    },
    /// A person takes it out of service.
    OutOfService {
        /// Which alarm.
        alarm: String,
        /// Who.
        by: String,
        /// Why.
        why: String,
    },
    /// A person puts it back into service.
    InService {
        /// Which alarm.
        alarm: String,
        /// Who.
        by: String,
    },
    /// A procedure runs: alarms that it makes expected are suppressed.
    ProcedureBegan {
        /// `board/procedure`.
        procedure: String,
    },
    /// It runs no more.
    ProcedureEnded {
        /// `board/procedure`.
        procedure: String,
    },
    /// Time passes: delays and shelves may end.
    Tick,
}

/// One line of the log that gives the book back.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Entry {
    /// When, ms since 1970 UTC.
    pub at_ms: i64,
    /// What.
    #[serde(flatten)]
    pub act: Act,
}

/// Why a state changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// The condition held through its delay.
    Occurred,
    /// The condition was gone through its delay.
    Returned,
    /// A person took it.
    Acknowledged,
    /// A person reset it.
    Reset,
    /// A person shelved it.
    Shelved,
    /// A person took it off the shelf.
    Unshelved,
    /// The shelf's time was over.
    ShelfEnded,
    /// A procedure began.
    Suppressed,
    /// The procedure ended.
    SuppressionEnded,
    /// A person took it out of service.
    TakenOut,
    /// A person put it back.
    PutBack,
    /// The alarm is no longer defined.
    Removed,
}

/// A change of state.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Transition {
    /// When, ms since 1970 UTC.
    pub at_ms: i64,
    /// Which alarm.
    pub alarm: String,
    /// Its priority.
    pub priority: Priority,
    /// From.
    pub from: State,
    /// To.
    pub to: State,
    /// Why.
    pub cause: Cause,
    /// The person, where one acted.
    pub by: Option<String>,
    /// The reason that the person gave, or the procedure.
    pub why: Option<String>,
    /// When it comes off the shelf, where it was shelved.
    pub until_ms: Option<i64>,
    /// The first of its group to occur.
    pub is_first_out: bool,
    /// It occurred within a flood of alarms.
    pub in_flood: bool,
}

impl Transition {
    /// It came, and somebody should be told: it occurred, or came back from shelf or suppression while it stands.
    pub fn is_announced(&self) -> bool {
        let was_hidden =
            matches!(self.from, State::Shelved | State::SuppressedByDesign | State::OutOfService);
        self.from != self.to
            && (self.to == State::Unacknowledged || was_hidden && self.to == State::LatchedUnacknowledged)
    }
}

/// Why an act was not done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// No alarm has this id.
    NoSuchAlarm(String),
    /// A person acts, and only with a name.
    NoName,
    /// Shelving and taking out of service need a reason.
    NoReason,
    /// Nothing here waits for acknowledgement.
    NothingToAcknowledge(State),
    /// A reset needs an alarm that is latched.
    NotLatched(State),
    /// A latched alarm is reset when its condition is over.
    StillHolds,
    /// The shelf's end is not in the future.
    EndIsPast,
    /// The shelf's end is later than this alarm may be shelved to, ms since 1970 UTC.
    EndTooLate(i64),
    /// It is not shelved.
    NotShelved(State),
    /// It is out of service already.
    AlreadyOut,
    /// It is in service.
    InServiceAlready,
}

impl std::fmt::Display for Refusal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Refusal::NoSuchAlarm(id) => {
                write!(f, "there is no alarm `{id}`; the list of alarms has the names")
            }
            Refusal::NoName => f.write_str("an alarm is acted on with a name: say who"),
            Refusal::NoReason => f.write_str("say why; whoever reads the log later needs it"),
            Refusal::NothingToAcknowledge(state) => {
                write!(f, "nothing waits for acknowledgement: the alarm is {}", state.words())
            }
            Refusal::NotLatched(state) => write!(f, "nothing to reset: the alarm is {}", state.words()),
            Refusal::StillHolds => f.write_str("the condition still holds; mend its cause, then reset"),
            Refusal::EndIsPast => f.write_str("the shelf's end is not in the future; give a later time"),
            Refusal::EndTooLate(_) => f.write_str(
                "that is longer than this alarm may be shelved; give an earlier end, shelve again later",
            ),
            Refusal::NotShelved(state) => write!(f, "the alarm is not shelved: it is {}", state.words()),
            Refusal::AlreadyOut => f.write_str("the alarm is out of service already"),
            Refusal::InServiceAlready => f.write_str("the alarm is in service"),
        }
    }
}

impl std::error::Error for Refusal {}

/// Figures of the book. Defaults marked "ISA-18.2" are that standard's, from memory.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Settings {
    /// Longest shelf of an alarm of high priority, ms. One day: tomorrow somebody decides again.
    pub longest_shelf_high_ms: i64,
    /// Longest shelf of the others, ms. One week: until the next round of care.
    pub longest_shelf_ms: i64,
    /// So many occurrences of one alarm within `chatter_within_ms` are chattering (ISA-18.2: three in a minute).
    pub chatter_count: usize,
    /// See `chatter_count`.
    pub chatter_within_ms: i64,
    /// So many in a day are chattering too: an alarm with minutes of delay never comes three times a minute. Our own figure.
    pub repeats_a_day: usize,
    /// Standing for longer is stale, ms (ISA-18.2: a day).
    pub stale_ms: i64,
    /// So many announcements within `flood_within_ms` begin a flood. ISA-18.2 has ten in ten minutes for an operator at a console;
    /// for somebody with a phone in their pocket it is half of that.
    pub flood_count: usize,
    /// With fewer than this it is over (ISA-18.2: half of what begins it).
    pub flood_over: usize,
    /// See `flood_count`.
    pub flood_within_ms: i64,
}

const MINUTE_MS: i64 = 60_000;
pub(super) const DAY_MS: i64 = 24 * 60 * MINUTE_MS;

impl Default for Settings {
    fn default() -> Self {
        Settings {
            longest_shelf_high_ms: DAY_MS,
            longest_shelf_ms: 7 * DAY_MS,
            chatter_count: 3,
            chatter_within_ms: MINUTE_MS,
            repeats_a_day: 5,
            stale_ms: DAY_MS,
            flood_count: 5,
            flood_over: 3,
            flood_within_ms: 10 * MINUTE_MS,
        }
    }
}
