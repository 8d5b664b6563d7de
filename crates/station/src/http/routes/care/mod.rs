//! Care: what is due and what was done, and what is due as a calendar.

mod calibrations;
mod dosing;
mod probes;
mod pumps;
mod remark;
mod water;

use std::sync::Arc;

use ::care::calendar::{Event, icalendar, iso_date};
use ::care::proof::schedule::State as DueState;
use ::care::proof::{Step, Watch};
use ::care::tasks::Every;
use axum::Json;
use axum::extract::{Query, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use store::Doing as _;
use store::care::Done;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::{OfBoard, Told, no_board, said};
use crate::app::{App, now_ms};
use crate::auth::door::Who;
use crate::auth::ticket::{self, Ticket};
use crate::care::{self, Item, What};
use crate::http::guard::{Body, Place};
use crate::http::problem::{Problem, ProblemBody};
use crate::site::SiteBoard;

/// The routes.
pub(super) fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new()
        .routes(routes!(items))
        .routes(routes!(done, do_item))
        .routes(routes!(water::water, water::add_water))
        .routes(routes!(water::add_tests))
        .routes(routes!(water::void_water))
        .routes(routes!(dosing::dose))
        .routes(routes!(dosing::lime))
        .routes(routes!(dosing::change))
        .routes(routes!(calibrations::calibrations))
        .routes(routes!(calibrations::calibrate))
        .routes(routes!(calibrations::undo_calibration))
        .routes(routes!(pumps::calibrate_pump))
        .routes(routes!(probes::reading))
        .routes(routes!(make_feed, end_feed))
        .routes(routes!(calendar))
}

fn of_store(error: store::Error) -> Problem {
    Problem::store(error)
}

/// Something that people do for a system.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct ItemBody {
    /// Its id.
    id: String,
    /// `proof-test` or `task`.
    kind: &'static str,
    /// In words.
    title: String,
    /// `later`, `soon`, `due` or `overdue`.
    #[schema(value_type = String)]
    state: DueState,
    /// The newest time it failed.
    is_failed: bool,
    /// Date on which it is due, UTC; not there for what is due by hours or evidence.
    #[serde(skip_serializing_if = "Option::is_none")]
    due: Option<String>,
    /// When it comes round, in words.
    every: String,
    /// When it was last done and passed, ms since 1970.
    #[serde(skip_serializing_if = "Option::is_none")]
    last_ms: Option<i64>,
    /// Who did it then.
    #[serde(skip_serializing_if = "Option::is_none")]
    last_by: Option<String>,
    /// Hours run since, of what is due by them.
    #[serde(skip_serializing_if = "Option::is_none")]
    run_h: Option<f64>,
    /// How, of a task; the reckoning of the interval, of a proof test.
    how: String,
    /// What a person must mind.
    #[serde(skip_serializing_if = "Option::is_none")]
    caution: Option<&'static str>,
    /// Steps of a proof test.
    steps: Vec<StepBody>,
}

/// A step of a proof test.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct StepBody {
    /// What to do or look at.
    text: String,
    /// `signal`, `output`, `trip` or `person`: where it is seen.
    watch: &'static str,
    /// Name of the signal or actuator that is watched.
    #[serde(skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    /// What it must become.
    #[serde(skip_serializing_if = "Option::is_none")]
    becomes: Option<bool>,
    /// How long that may take, s.
    within_s: u32,
}

impl From<&Step> for StepBody {
    fn from(step: &Step) -> Self {
        let (watch, name, becomes) = match &step.watch {
            Watch::Signal { name, is } => ("signal", Some(name.clone()), Some(*is)),
            Watch::Output { name, is_on } => ("output", Some(name.clone()), Some(*is_on)),
            Watch::Trip { name, is_tripped } => ("trip", Some(name.clone()), Some(*is_tripped)),
            Watch::Person => ("person", None, None),
        };
        StepBody { text: step.text.clone(), watch, name, becomes, within_s: step.within_s }
    }
}

impl From<Item> for ItemBody {
    fn from(item: Item) -> Self {
        let title = item.title().to_owned();
        let (kind, every, how, caution, steps) = match &item.what {
            What::Proof(test) => (
                "proof-test",
                format!("{} days", test.interval_days),
                test.formula(),
                test.caution,
                test.steps.iter().map(StepBody::from).collect(),
            ),
            What::Task(task) => {
                let every = match &task.every {
                    Every::Days { days } => format!("{days} days"),
                    Every::Hours { of, hours } => format!("{hours:.0} h of {of}"),
                    Every::Evidence { check } => format!("when `{check}` stands"),
                };
                ("task", every, task.how.clone(), None, vec![])
            }
        };
        ItemBody {
            kind,
            title,
            state: item.state,
            is_failed: item.is_failed,
            due: item.due.map(|due| iso_date(due.day)),
            every,
            last_ms: item.last.as_ref().map(|d| d.at),
            last_by: item.last.map(|d| d.who),
            run_h: item.run_h,
            how,
            caution,
            steps,
            id: item.id,
        }
    }
}

/// Everything that a board's system needs: proof tests, then tasks, with when they are due.
#[utoipa::path(get, path = "/api/v1/care", tag = "care", params(OfBoard), security(("session" = []), ("token" = [])),
    responses((status = 200, body = Vec<ItemBody>), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn items(
    State(app): State<Arc<App>>,
    Query(of): Query<OfBoard>,
) -> Result<Json<Vec<ItemBody>>, Problem> {
    app.blocking(move |app| {
        let all = care::items(app, of.find(app)?, now_ms()).map_err(of_store)?;
        Ok(Json(all.into_iter().map(ItemBody::from).collect()))
    })
    .await
}

/// Something that was done.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct DoneBody {
    /// Its number.
    id: i64,
    /// When, ms since 1970.
    at_ms: i64,
    /// Id of the test or task.
    item: String,
    /// Who.
    who: String,
    /// Whether it passed.
    passed: bool,
    /// What the board's records showed meanwhile.
    seen: String,
    /// What the person says of it.
    note: String,
}

impl From<Done> for DoneBody {
    fn from(d: Done) -> Self {
        DoneBody {
            id: d.id,
            at_ms: d.at,
            item: d.item,
            who: d.who,
            passed: d.passed,
            seen: d.seen,
            note: d.note,
        }
    }
}

/// What was done for a board, the newest first, at most a thousand.
#[utoipa::path(get, path = "/api/v1/boards/{board}/care", tag = "care", params(("board" = String, Path, description = "Its name")),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = Vec<DoneBody>), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn done(
    State(app): State<Arc<App>>,
    Place(board): Place<String>,
) -> Result<Json<Vec<DoneBody>>, Problem> {
    app.blocking(move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        let name = &board.settings.name;
        let all = app.store.read(|db| store::care::done(db, name, None, 1000).doing("reading what was done"));
        Ok(Json(all.map_err(of_store)?.into_iter().map(DoneBody::from).collect()))
    })
    .await
}

/// That something was done.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct ToDo {
    /// Id of the proof test or task.
    item: String,
    /// Whether it passed.
    passed: bool,
    /// When it was begun, ms since 1970: from then on the board's records are searched for the steps. Without it nothing is searched.
    begun_ms: Option<i64>,
    /// Remark.
    #[serde(default)]
    note: String,
}

/// Longest time that a test takes, ms: what was begun before is not searched.
const LONGEST_TEST_MS: i64 = 6 * 3_600_000;

/// Writes down that a proof test or task was done, by whoever asks, now. Of a proof test the records of the board are searched for each step.
#[utoipa::path(post, path = "/api/v1/boards/{board}/care", tag = "care", params(("board" = String, Path, description = "Its name")),
    request_body = ToDo, security(("session" = []), ("token" = [])),
    responses((status = 200, body = DoneBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn do_item(
    State(app): State<Arc<App>>,
    who: Who,
    Place(board): Place<String>,
    Body(asked): Body<ToDo>,
) -> Result<Json<DoneBody>, Problem> {
    let note = if asked.note.trim().is_empty() { String::new() } else { said(&asked.note, "note", 1000)? };
    app.blocking(move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        let now = now_ms();
        let known = care::items(app, board, now).map_err(of_store)?;
        let item = known.into_iter().find(|item| item.id == asked.item).ok_or_else(|| {
            Problem::not_found(format!("There is no `{}`. GET /api/v1/care lists what there is.", asked.item))
        })?;
        let seen = match (&item.what, asked.begun_ms) {
            (What::Proof(test), Some(begun)) if (now - LONGEST_TEST_MS..now).contains(&begun) => {
                let steps = care::seen(app, board, test, begun, now).map_err(of_store)?;
                seen_words(&steps)
            }
            (What::Proof(_), Some(_)) => {
                return Err(Problem::not_possible(
                    "`begun_ms` lies in the future or more than six hours back.",
                ));
            }
            _ => "the records were not searched".to_owned(),
        };
        let mut done = Done {
            id: 0,
            at: now,
            source: board.settings.name.clone(),
            item: item.id,
            who: who.signature(),
            passed: asked.passed,
            seen,
            note,
        };
        let row = done.clone();
        let written =
            app.store.write(move |db| store::care::add_done(db, &row).doing("storing what was done"));
        done.id = written.map_err(of_store)?;
        care::refresh(app, board, now_ms()).map_err(of_store)?;
        Ok(Json(done.into()))
    })
    .await
}

fn seen_words(steps: &[Option<bool>]) -> String {
    let numbers = |wanted: Option<bool>| {
        let of: Vec<String> = steps
            .iter()
            .enumerate()
            .filter(|(_, s)| **s == wanted)
            .map(|(k, _)| (k + 1).to_string())
            .collect();
        of.join(", ")
    };
    let (yes, no) = (numbers(Some(true)), numbers(Some(false)));
    match (yes.is_empty(), no.is_empty()) {
        (true, true) => "no step shows in the records".to_owned(),
        (false, true) => format!("steps {yes} show in the records"),
        (true, false) => format!("steps {no} do not show in the records"),
        (false, false) => format!("steps {yes} show in the records; steps {no} do not"),
    }
}

/// Where the hash of the calendar's secret stands.
const FEED: &str = "care-feed";

/// Where a calendar program finds what is due.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct FeedBody {
    /// Path to give to the calendar program behind the station's address. Shown this once.
    path: String,
}

/// Makes a new secret address for the calendar; the one before ends.
#[utoipa::path(post, path = "/api/v1/care/feed", tag = "care", security(("session" = [])),
    responses((status = 200, body = FeedBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn make_feed(State(app): State<Arc<App>>) -> Result<Json<FeedBody>, Problem> {
    app.blocking(|app| {
        let secret =
            Ticket::new().ok_or_else(|| Problem::internal("The machine has no randomness; try again."))?;
        app.store.set_setting(FEED, &hex(&secret.hash())).map_err(of_store)?;
        Ok(Json(FeedBody { path: format!("/api/v1/care/calendar/{}", secret.text()) }))
    })
    .await
}

/// Ends the calendar's address.
#[utoipa::path(delete, path = "/api/v1/care/feed", tag = "care", security(("session" = [])),
    responses((status = 200, body = Told), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn end_feed(State(app): State<Arc<App>>) -> Result<Json<Told>, Problem> {
    app.blocking(|app| {
        app.store.set_setting(FEED, "").map_err(of_store)?;
        Ok(Told::new("The calendar's address opens nothing any more."))
    })
    .await
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// What is due as iCalendar (RFC 5545). The secret in the path is all that is needed, for calendar programs send nothing else.
#[utoipa::path(get, path = "/api/v1/care/calendar/{secret}", tag = "care", params(("secret" = String, Path, description = "As it was shown")),
    security(()),
    responses((status = 200, content_type = "text/calendar", body = String), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn calendar(
    State(app): State<Arc<App>>,
    Place(secret): Place<String>,
) -> Result<Response, Problem> {
    app.blocking(move |app| {
        let kept = app.store.setting(FEED).map_err(of_store)?.unwrap_or_default();
        let shown = hex(&ticket::hash(&secret));
        // Hashes are compared, so time tells nothing of the secret.
        if kept.len() != shown.len() || kept != shown {
            return Err(Problem::not_found(
                "There is no calendar at this address. An operator makes a new one.",
            ));
        }
        let now = now_ms();
        let mut events = vec![];
        let mut stamp = app.started_ms;
        for board in &app.site.boards {
            for item in care::items(app, board, now).map_err(of_store)? {
                stamp = stamp.max(item.last.as_ref().map_or(0, |d| d.at));
                events.extend(event(app, board, &item));
            }
        }
        let feed = icalendar(&format!("{}: care", app.site.name), &events, stamp);
        Ok(([(header::CONTENT_TYPE, "text/calendar; charset=utf-8")], feed).into_response())
    })
    .await
}

fn event(app: &App, board: &SiteBoard, item: &Item) -> Option<Event> {
    let due = item.due?;
    let name = &board.settings.name;
    let of = if app.site.boards.len() > 1 { format!("{name}: ") } else { String::new() };
    let (category, text) = match &item.what {
        What::Proof(test) => {
            let steps = test.steps.iter().enumerate().map(|(k, s)| format!("{}. {}\n", k + 1, s.text));
            let caution = test.caution.map_or_else(String::new, |c| format!("Caution: {c}\n"));
            ("proof test", steps.collect::<String>() + &caution)
        }
        What::Task(task) => ("maintenance", task.how.clone()),
    };
    Some(Event {
        uid: format!("{name}-{}@care.tidewright", item.id),
        day: due.day,
        every_days: None,
        title: format!("{of}{}", item.title()),
        text,
        category: category.to_owned(),
    })
}
