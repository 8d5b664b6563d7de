//! The state as it goes out: boards, alarms, what needs attention, in the order in which a person should read it.

use alarms::book::View;
use alarms::morning::Morning;
use alarms::night::Night;
use program::zone::Zone;
use serde::Serialize;
use utoipa::ToSchema;

use crate::app::App;
use crate::boards::{LinkState, MS_AT_2000};
use crate::ingest::state_word;
use crate::live::{BoardNow, DecidedBy, DriveNow, LinkNow, ProcedureNow, SignalNow, TripNow, minutes};
use crate::site::SiteBoard;

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
    fn of(view: &View<'_>) -> Self {
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
    let morning = morning(app, &boards, now_ms);
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
            let by = drive.hand.as_ref().map_or(String::new(), |hand| format!(", by {}", hand.who));
            all.push(format!(
                "{} of {} is in hand for {} more{by}.",
                drive.name,
                board.name,
                minutes(drive.hand_left_ms)
            ));
        }
    }
    all
}

/// Local time less UTC at a place, ms.
pub(crate) fn local_offset_ms(zone: &str, now_ms: i64) -> i64 {
    let utc_s = now_ms.div_euclid(1000) - MS_AT_2000 / 1000;
    let (Ok(zone), Ok(since_2000)) = (Zone::parse(zone), u32::try_from(utc_s)) else { return 0 };
    zone.offset_s(since_2000) * 1000
}

/// The last night until now: from 22:00 to 08:00 local time.
fn last_night(now_ms: i64, offset_ms: i64) -> (i64, i64) {
    const HOUR_MS: i64 = 3_600_000;
    let local = now_ms + offset_ms;
    let midnight = local - local.rem_euclid(24 * HOUR_MS) - offset_ms;
    (midnight - 2 * HOUR_MS, (midnight + 8 * HOUR_MS).min(now_ms))
}

fn output_words(drive: &DriveNow) -> String {
    match drive.output {
        None => "not known".to_owned(),
        Some(output) if drive.is_modulated => format!("{output} %"),
        Some(output) => if output > 0.5 { "on" } else { "off" }.to_owned(),
    }
}

/// The lines that are read first, of each board.
fn morning(app: &App, boards: &[BoardNow], now_ms: i64) -> Vec<Line> {
    let mut lines = vec![];
    for (n, board) in boards.iter().enumerate() {
        let (Some(checks), Some(of)) = (app.checks(n), app.site.boards.get(n)) else { continue };
        // A board that lives faster than time has a morning of its own.
        let now_ms = board.newest_ms.map_or(now_ms, |newest| newest.max(now_ms));
        let offset_ms = local_offset_ms(&of.system.timezone, now_ms);
        let night = last_night(now_ms, offset_ms);
        let mut morning = Morning::of(
            &checks.watch,
            &checks.verdicts,
            &checks.expected,
            &app.book(),
            (now_ms, offset_ms),
            night,
        );
        morning.due.clone_from(&checks.due);
        drop(checks);
        let mut tripped: Vec<String> =
            board.trips.iter().filter(|trip| trip.is_latched).map(|trip| trip.actuator.clone()).collect();
        tripped.dedup();
        morning.tripped = tripped;
        let hands =
            board.drives.iter().filter(|drive| drive.hand_left_ms > 0).map(|drive| alarms::morning::Hand {
                part: drive.name.clone(),
                state: output_words(drive),
                left_ms: drive.hand_left_ms.into(),
                by: drive.hand.as_ref().map(|hand| hand.who.clone()),
            });
        morning.hands = hands.collect();
        morning.newest = vec![(board.name.clone(), board.newest_ms)];
        let before = if boards.len() > 1 { format!("{}: ", board.name) } else { String::new() };
        lines.extend(
            (morning.lines().into_iter()).map(|line| Line {
                text: format!("{before}{}", line.text),
                needs_attention: line.wants_look,
            }),
        );
    }
    lines
}

/// The view for somebody who is woken.
#[derive(Serialize, ToSchema, Clone, PartialEq, Eq, Debug)]
pub struct NightBody {
    /// When this was, ms since 1970.
    pub at_ms: i64,
    /// Id of the alarm that leads; not there: nothing is wrong.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub alarm: Option<String>,
    /// Sections in the order of reading.
    pub sections: Vec<NightSection>,
}

/// A part of it.
#[derive(Serialize, ToSchema, Clone, PartialEq, Eq, Debug)]
pub struct NightSection {
    /// What it answers.
    pub title: &'static str,
    /// Sentences.
    pub lines: Vec<String>,
}

/// What is known of an alarm, in words: what acted, who was told.
pub fn night_of(app: &App, view: &View<'_>, book: &alarms::Book, now_ms: i64) -> Night {
    let others = book.attention().iter().filter(|other| other.definition.id != view.definition.id).count();
    let board = board_of(app, &view.definition.id);
    let zone = board.map_or("UTC0", |board| &board.system.timezone);
    let mut night = Night::of(view, others, now_ms, local_offset_ms(zone, now_ms));
    if let Some(board) = board {
        night.arrival_h = Some(board.system.response.night_s / 3600.0);
        let now = app.live().board(&app.site, board.id.0);
        let tripped = now.iter().flat_map(|now| &now.trips).filter(|trip| trip.is_latched);
        night.acted = tripped
            .map(|trip| alarms::night::Acted {
                part: trip.actuator.clone(),
                does: "tripped".to_owned(),
                at_ms: trip.since_ms.unwrap_or(now_ms),
            })
            .collect();
    }
    night.harms.extend(harms(app, board, view, night.since_ms, now_ms));
    if let Some(teller) = app.teller.get() {
        let told = teller.told(&view.definition.id, night.since_ms).unwrap_or_default();
        night.told = (told.into_iter())
            .map(|(by, at_ms)| alarms::night::Told {
                who: by.clone(),
                by,
                at_ms: Some(at_ms),
                has_acknowledged: view.acknowledged_by.is_some(),
            })
            .collect();
    }
    night
}

/// Until harm by the study of the board's design: of the faults that this alarm tells of first, those that do harm soonest. What has passed
/// since the alarm is taken off.
fn harms(
    app: &App,
    board: Option<&SiteBoard>,
    view: &View<'_>,
    since_ms: i64,
    now_ms: i64,
) -> Vec<alarms::night::Harm> {
    const MOST: usize = 3;
    let Some(board) = board else { return vec![] };
    let Some(study) = app.design.kept.latest(&crate::fitted::study_text(app, board), &board.beside()) else {
        return vec![];
    };
    let Some((_, alarm)) = view.definition.id.rsplit_once('/') else { return vec![] };
    let passed_h = (now_ms - since_ms).max(0) as f64 / 3.6e6;
    let mut all: Vec<alarms::night::Harm> = (study.rows.iter())
        .flat_map(|row| row.cells.iter().map(move |cell| (row, cell)))
        .filter(|(_, cell)| cell.told_by.as_deref() == Some(alarm))
        .filter_map(|(row, cell)| {
            let harm = study.head.requirements.iter().find(|r| r.id == cell.requirement)?.harm;
            let left = cell.hours_left? - cell.told_after_h.unwrap_or(0.0);
            (left > 0.0).then(|| alarms::night::Harm {
                to: format!("`{}` breaks ({harm})", cell.requirement),
                hours: Some((left - passed_h).max(0.0)),
                basis: alarms::night::Basis::Row(format!("{}: {}", row.part, row.mode)),
            })
        })
        .collect();
    all.sort_by(|a, b| a.hours.unwrap_or(f64::INFINITY).total_cmp(&b.hours.unwrap_or(f64::INFINITY)));
    all.dedup_by(|a, b| a.to == b.to);
    all.truncate(MOST);
    all
}

/// Adds what the records of its board tell of the alarm. The book of alarms must not be held: whoever holds both took the checks first.
pub fn with_records(app: &App, night: Night, alarm: &str) -> Night {
    let Some(board) = board_of(app, alarm) else { return night };
    match app.checks(board.id.0) {
        Some(checks) => night.with_records(&board.system, &checks.watch, &checks.verdicts, alarm),
        None => night,
    }
}

/// The board that an alarm is of, by the alarm's id (`board/alarm`, or `station/board/check` of the station's own); the first one for what
/// is of none.
pub fn board_of<'a>(app: &'a App, alarm: &str) -> Option<&'a SiteBoard> {
    (alarm.split('/').take(2)).find_map(|name| app.site.board(name)).or(app.site.boards.first())
}

/// What is wrong first, what already acted, what to do.
pub fn night(app: &App, now_ms: i64) -> NightBody {
    let leading = {
        let book = app.book();
        let first = book.attention().into_iter().next();
        first.map(|view| {
            // An alarm of a board that lives faster than time is as old as that board's time says.
            let board = board_of(app, &view.definition.id);
            let newest_ms = board.and_then(|board| app.live().board(&app.site, board.id.0)?.newest_ms);
            let now_ms = newest_ms.map_or(now_ms, |newest| newest.max(now_ms));
            (view.definition.id.clone(), night_of(app, &view, &book, now_ms))
        })
    };
    let (alarm, night) = leading.map_or_else(Default::default, |(alarm, night)| {
        let night = with_records(app, night, &alarm);
        (Some(alarm), night)
    });
    let sections = night.sections().into_iter();
    NightBody {
        at_ms: now_ms,
        alarm,
        sections: sections
            .map(|section| NightSection { title: section.about.heading(), lines: section.lines })
            .collect(),
    }
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

#[cfg(test)]
mod tests {
    use super::{last_night, local_offset_ms};

    #[test]
    fn local_time_is_that_of_the_zone() {
        // 2026-01-15T12:00:00Z and 2026-07-15T12:00:00Z.
        let (winter, summer) = (1_768_478_400_000, 1_784_116_800_000);
        for (zone, in_winter, in_summer) in [
            ("GMT0BST,M3.5.0/1,M10.5.0", 0, 1),
            ("EST5EDT,M3.2.0,M11.1.0", -5, -4),
            ("<+14>-14", 14, 14),
            ("<-11>11", -11, -11),
        ] {
            assert_eq!(local_offset_ms(zone, winter), in_winter * 3_600_000, "{zone}");
            assert_eq!(local_offset_ms(zone, summer), in_summer * 3_600_000, "{zone}");
        }
        assert_eq!(local_offset_ms("no zone", winter), 0);
    }

    #[test]
    fn the_night_is_from_ten_to_eight_local() {
        const HOUR: i64 = 3_600_000;
        let noon = 1_768_478_400_000;
        assert_eq!(last_night(noon, 0), (noon - 14 * HOUR, noon - 4 * HOUR));
        assert_eq!(
            last_night(noon - 9 * HOUR, 0),
            (noon - 14 * HOUR, noon - 9 * HOUR),
            "at three it is not over"
        );
        assert_eq!(last_night(noon, HOUR), (noon - 15 * HOUR, noon - 5 * HOUR));
    }
}
