//! The state as it goes out: boards, alarms, what needs attention, in the order in which a person should read it.

use serde::Serialize;
use utoipa::ToSchema;

use crate::app::App;
use crate::boards::LinkState;
use crate::ingest::state_word;
use crate::live::{BoardNow, DecidedBy, DriveNow, LinkNow, ProcedureNow, SignalNow, TripNow, minutes};

/// Everything that is now.
#[derive(Serialize, ToSchema, Clone, PartialEq, Debug)]
pub struct StateBody {
    /// When this was, ms since 1970.
    pub at_ms: i64,
    /// Name of the station.
    pub station: String,
    /// Version of the program.
    pub version: &'static str,
    /// When the station began, ms since 1970.
    pub started_ms: i64,
    /// The boards.
    pub boards: Vec<BoardNow>,
    /// All alarms that are not normal, the most urgent first.
    pub alarms: Vec<AlarmNow>,
    /// What needs attention, the most urgent first, a sentence each. Empty: nothing does.
    pub attention: Vec<String>,
    /// What is read first in the morning, a line each.
    pub morning: Vec<Line>,
}

/// A line for people.
#[derive(Serialize, ToSchema, Clone, PartialEq, Eq, Debug)]
pub struct Line {
    /// The sentence.
    pub text: String,
    /// Whether somebody should do something about it.
    pub needs_attention: bool,
}

/// One alarm.
#[derive(Serialize, ToSchema, Clone, PartialEq, Eq, Debug)]
pub struct AlarmNow {
    /// Its id: `board/alarm`, or `station/check/part`. In a path it is percent-encoded.
    pub id: String,
    /// What people read.
    pub text: String,
    /// `low`, `medium`, `high`.
    pub priority: &'static str,
    /// State of IEC 62682: `unacknowledged`, `acknowledged`, `returned-unacknowledged`, ...
    pub state: &'static str,
    /// The same in words.
    pub words: &'static str,
    /// In this state since, ms since 1970.
    pub since_ms: i64,
    /// When it last occurred, ms since 1970.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub occurred_ms: Option<i64>,
    /// Who took it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub acknowledged_by: Option<String>,
    /// Shelved until, ms since 1970.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shelved_until_ms: Option<i64>,
    /// Who put it aside, and why.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub aside: Option<String>,
    /// The first of its group: nearest to the cause.
    pub is_first_out: bool,
    /// It comes and goes too often to be of use.
    pub is_chattering: bool,
    /// It stands for so long that it is no news.
    pub is_stale: bool,
}

impl AlarmNow {
    fn of(view: &alarms::book::View<'_>) -> Self {
        AlarmNow {
            id: view.definition.id.clone(),
            text: view.definition.text.clone(),
            priority: view.definition.priority.word(),
            state: state_word(view.state),
            words: view.state.words(),
            since_ms: view.since_ms,
            occurred_ms: view.occurred_ms,
            acknowledged_by: view.acknowledged_by.map(str::to_owned),
            shelved_until_ms: view.shelved_until_ms,
            aside: view.aside.map(|(by, why)| format!("{by}: {why}")),
            is_first_out: view.is_first_out,
            is_chattering: view.is_chattering,
            is_stale: view.is_stale,
        }
    }
}

/// All alarms: first what needs attention, then what was put aside, then (if asked for) what is normal.
pub fn alarms(book: &alarms::Book, with_normal: bool) -> Vec<AlarmNow> {
    let mut all: Vec<AlarmNow> = book.attention().iter().map(AlarmNow::of).collect();
    let rest = book.alarms().filter(|view| !view.state.needs_attention());
    let mut rest: Vec<AlarmNow> = rest
        .filter(|view| with_normal || view.state != alarms::State::Normal)
        .map(|view| AlarmNow::of(&view))
        .collect();
    rest.sort_by_key(|alarm| alarm.state == "normal");
    all.append(&mut rest);
    all
}

/// Everything that is now.
pub fn now(app: &App, now_ms: i64) -> StateBody {
    let boards = app.live().now(&app.site);
    let alarms = alarms(&app.book(), false);
    let attention = attention(app, &boards, &alarms);
    let morning = morning(&boards, &alarms, now_ms);
    StateBody {
        at_ms: now_ms,
        station: app.site.name.clone(),
        version: env!("CARGO_PKG_VERSION"),
        started_ms: app.started_ms,
        boards,
        alarms,
        attention,
        morning,
    }
}

/// What needs attention: alarms first, then boards that are not there, then what a person left.
fn attention(app: &App, boards: &[BoardNow], alarms: &[AlarmNow]) -> Vec<String> {
    let needs = |alarm: &&AlarmNow| {
        !matches!(
            alarm.state,
            "normal" | "shelved" | "suppressed-by-design" | "out-of-service" | "acknowledged"
        )
    };
    let mut all: Vec<String> = alarms
        .iter()
        .filter(needs)
        .map(|alarm| format!("{} ({}, {})", alarm.text, alarm.priority, alarm.words))
        .collect();
    let live = app.live();
    for (n, board) in boards.iter().enumerate() {
        match live.link(n) {
            Some((LinkState::Up { differs: None, .. }, _)) | None => {}
            Some((LinkState::Silent, _)) => {
                all.push(format!("Board {} is silent: check its power and its cable.", board.name))
            }
            Some(_) => {
                let why = board.link.why.clone().unwrap_or_else(|| "it does not answer".to_owned());
                all.push(format!("Board {}: {why}.", board.name));
            }
        }
    }
    drop(live);
    all.extend(left(boards));
    all
}

/// What a person left: trips and hands.
fn left(boards: &[BoardNow]) -> Vec<String> {
    let mut all = vec![];
    for board in boards {
        for trip in board.trips.iter().filter(|trip| trip.is_latched) {
            all.push(format!(
                "{} of {} has tripped on its `{}` and waits for a reset.",
                trip.actuator, board.name, trip.cause
            ));
        }
        for drive in board.drives.iter().filter(|drive| drive.by == DecidedBy::Hand) {
            all.push(format!(
                "{} of {} is in hand for {} more.",
                drive.name,
                board.name,
                minutes(drive.hand_left_ms)
            ));
        }
    }
    all
}

fn morning(boards: &[BoardNow], alarms: &[AlarmNow], now_ms: i64) -> Vec<Line> {
    let mut lines: Vec<Line> =
        left(boards).into_iter().map(|text| Line { text, needs_attention: true }).collect();
    for alarm in alarms.iter().filter(|alarm| alarm.state == "shelved") {
        lines.push(Line { text: format!("Shelved: {}", alarm.text), needs_attention: false });
    }
    if lines.is_empty() {
        lines.push(Line { text: "No trips, no hands, nothing shelved.".to_owned(), needs_attention: false });
    }
    for board in boards {
        let (text, needs_attention) = match board.newest_ms {
            None => (format!("Board {}: no data yet.", board.name), true),
            Some(newest) => {
                let age = u32::try_from((now_ms - newest).max(0)).unwrap_or(u32::MAX);
                (format!("Board {}: newest data {} old.", board.name, minutes(age)), age > 60_000)
            }
        };
        lines.push(Line { text, needs_attention });
    }
    lines
}

/// The view for somebody who is woken.
#[derive(Serialize, ToSchema, Clone, PartialEq, Eq, Debug)]
pub struct NightBody {
    /// When this was, ms since 1970.
    pub at_ms: i64,
    /// Sections in the order of reading.
    pub sections: Vec<NightSection>,
}

/// A part of it.
#[derive(Serialize, ToSchema, Clone, PartialEq, Eq, Debug)]
pub struct NightSection {
    /// What it answers.
    pub title: String,
    /// Sentences.
    pub lines: Vec<String>,
}

/// What is wrong, what already acted, what can be believed, what to do.
pub fn night(app: &App, board: usize, now_ms: i64) -> NightBody {
    let body = now(app, now_ms);
    let mut sections = vec![];
    let mut add =
        |title: &str, lines: Vec<String>| sections.push(NightSection { title: title.to_owned(), lines });
    let wrong = if body.attention.is_empty() { vec!["Nothing is wrong.".to_owned()] } else { body.attention };
    add("What is wrong", wrong);
    if let Some(board) = body.boards.get(board) {
        let acted: Vec<String> = (board.drives.iter())
            .filter(|drive| drive.by == DecidedBy::Trip)
            .map(|drive| format!("{}: {}.", drive.name, drive.why))
            .collect();
        add(
            "What already acted",
            if acted.is_empty() { vec!["No trip has acted.".to_owned()] } else { acted },
        );
        let doubtful: Vec<String> = (board.signals.iter())
            .filter(|signal| signal.quality != crate::live::QualityWord::Good)
            .map(|signal| format!("{} cannot be believed now.", signal.name))
            .collect();
        add(
            "Can it be believed",
            if doubtful.is_empty() { vec!["Every probe reads soundly.".to_owned()] } else { doubtful },
        );
    }
    add(
        "What to do",
        vec![
            "Make safe: dosing and top-off off, water movement on, heaters on their own thermostats."
                .to_owned(),
            "Mains beside salt water: do not touch wet plugs or cables; switch the circuit off first."
                .to_owned(),
        ],
    );
    NightBody { at_ms: now_ms, sections }
}

/// What changed of a board since the message before.
#[derive(Serialize, Debug)]
struct BoardDelta<'a> {
    name: &'a str,
    link: &'a LinkNow,
    #[serde(skip_serializing_if = "Option::is_none")]
    newest_ms: Option<i64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    scan: Option<u32>,
    is_clock_good: bool,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    signals: Vec<&'a SignalNow>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    drives: Vec<&'a DriveNow>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    trips: Vec<&'a TripNow>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    procedures: Vec<&'a ProcedureNow>,
}

/// What changed since the message before.
#[derive(Serialize, Debug)]
struct Delta<'a> {
    at_ms: i64,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    boards: Vec<BoardDelta<'a>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    alarms: Option<&'a [AlarmNow]>,
    #[serde(skip_serializing_if = "Option::is_none")]
    attention: Option<&'a [String]>,
    #[serde(skip_serializing_if = "Option::is_none")]
    morning: Option<&'a [Line]>,
}

fn changed<'a, T: PartialEq>(before: Option<&[T]>, after: &'a [T]) -> Vec<&'a T> {
    let was = |n: usize| before.and_then(|before| before.get(n));
    after.iter().enumerate().filter(|(n, item)| was(*n) != Some(*item)).map(|(_, item)| item).collect()
}

/// The data of a `now` message: boards with the items that changed, lists that changed as a whole. Without a state before it is everything; `None`:
/// nothing changed.
pub fn delta(before: Option<&StateBody>, after: &StateBody) -> Option<String> {
    let mut boards = vec![];
    for (n, board) in after.boards.iter().enumerate() {
        let was = before.and_then(|before| before.boards.get(n));
        if was == Some(board) {
            continue;
        }
        boards.push(BoardDelta {
            name: &board.name,
            link: &board.link,
            newest_ms: board.newest_ms,
            scan: board.scan,
            is_clock_good: board.is_clock_good,
            signals: changed(was.map(|was| &was.signals[..]), &board.signals),
            drives: changed(was.map(|was| &was.drives[..]), &board.drives),
            trips: changed(was.map(|was| &was.trips[..]), &board.trips),
            procedures: changed(was.map(|was| &was.procedures[..]), &board.procedures),
        });
    }
    let delta = Delta {
        at_ms: after.at_ms,
        alarms: before.is_none_or(|before| before.alarms != after.alarms).then_some(&after.alarms[..]),
        attention: before
            .is_none_or(|before| before.attention != after.attention)
            .then_some(&after.attention[..]),
        morning: before.is_none_or(|before| before.morning != after.morning).then_some(&after.morning[..]),
        boards,
    };
    let is_empty = delta.boards.is_empty()
        && delta.alarms.is_none()
        && delta.attention.is_none()
        && delta.morning.is_none();
    if is_empty { None } else { serde_json::to_string(&delta).ok() }
}
