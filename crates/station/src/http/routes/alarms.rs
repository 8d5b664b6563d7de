//! Alarms: the list, the report, and what a person does with one.

use std::sync::Arc;

use alarms::Act;
use alarms::report::Report;
use axum::Json;
use axum::extract::State;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::said;
use crate::app::{App, now_ms};
use crate::auth::door::Who;
use crate::http::guard::{Ask, Body, Place};
use crate::http::problem::{Problem, ProblemBody};
use crate::ingest;
use crate::state::{self, AlarmNow};

/// Which alarms.
#[derive(Deserialize, IntoParams, Debug)]
#[into_params(parameter_in = Query)]
pub(super) struct OfAlarms {
    /// Those that are normal too; without it those that are not.
    all: Option<bool>,
}

/// The alarms, the most urgent first.
#[utoipa::path(get, path = "/api/v1/alarms", tag = "alarms", params(OfAlarms), security(("session" = []), ("token" = [])),
    responses((status = 200, body = Vec<AlarmNow>), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn alarms(
    State(app): State<Arc<App>>,
    Ask(of): Ask<OfAlarms>,
) -> Result<Json<Vec<AlarmNow>>, Problem> {
    app.blocking(move |app| Ok(Json(state::alarms(&app.book(), of.all.unwrap_or(false))))).await
}

/// How many alarms there were.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct ReportBody {
    /// From, ms since 1970.
    from_ms: i64,
    /// To, ms since 1970.
    to_ms: i64,
    /// Alarms a week that somebody had to act on.
    a_week: f64,
    /// At most one a week, which is the aim.
    meets_aim: bool,
    /// The report in words, a line each.
    words: Vec<String>,
}

/// How many alarms there were in the last week, and which of them are a nuisance (ISA-18.2).
#[utoipa::path(get, path = "/api/v1/alarms/report", tag = "alarms", security(("session" = []), ("token" = [])),
    responses((status = 200, body = ReportBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn report(State(app): State<Arc<App>>) -> Result<Json<ReportBody>, Problem> {
    app.blocking(|app| {
        let now = now_ms();
        let report = Report::of_week(&crate::log::transitions(app, now)?, now);
        Ok(Json(ReportBody {
            from_ms: report.from_ms,
            to_ms: report.to_ms,
            a_week: report.a_week,
            meets_aim: report.meets_aim(),
            words: report.words(),
        }))
    })
    .await
}

/// Does something to the book, writes down what changed, gives the alarm as it is then.
async fn act(app: Arc<App>, id: String, act: Act) -> Result<Json<AlarmNow>, Problem> {
    app.blocking(move |app| {
        let changes = app.book().apply(now_ms(), act).map_err(|refusal| match refusal {
            alarms::Refusal::NoSuchAlarm(_) => Problem::not_found(format!("{refusal}.")),
            _ => Problem::conflict(format!("{refusal}.")),
        })?;
        ingest::write_down(app, &changes).map_err(Problem::store)?;
        ingest::keep_book(app).map_err(Problem::store)?;
        let alarm = state::alarms(&app.book(), true).into_iter().find(|alarm| alarm.id == id);
        alarm.map(Json).ok_or_else(|| Problem::not_found("There is no such alarm."))
    })
    .await
}

/// Takes an alarm: somebody knows.
#[utoipa::path(post, path = "/api/v1/alarms/{id}/acknowledge", tag = "alarms", params(("id" = String, Path, description = "Id of the alarm, percent-encoded")),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = AlarmNow), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn acknowledge(
    State(app): State<Arc<App>>,
    who: Who,
    Place(id): Place<String>,
) -> Result<Json<AlarmNow>, Problem> {
    act(app, id.clone(), Act::Acknowledge { alarm: id, by: who.signature() }).await
}

/// Resets a latched alarm whose condition is over.
#[utoipa::path(post, path = "/api/v1/alarms/{id}/reset", tag = "alarms", params(("id" = String, Path, description = "Id of the alarm, percent-encoded")),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = AlarmNow), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn reset(
    State(app): State<Arc<App>>,
    who: Who,
    Place(id): Place<String>,
) -> Result<Json<AlarmNow>, Problem> {
    act(app, id.clone(), Act::Reset { alarm: id, by: who.signature() }).await
}

/// Until when and why.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct Shelf {
    /// It ends then, ms since 1970.
    until_ms: i64,
    /// Why, 1 to 200 characters.
    why: String,
}

/// Puts an alarm aside until a time.
#[utoipa::path(post, path = "/api/v1/alarms/{id}/shelve", tag = "alarms", params(("id" = String, Path, description = "Id of the alarm, percent-encoded")),
    request_body = Shelf, security(("session" = []), ("token" = [])),
    responses((status = 200, body = AlarmNow), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn shelve(
    State(app): State<Arc<App>>,
    who: Who,
    Place(id): Place<String>,
    Body(shelf): Body<Shelf>,
) -> Result<Json<AlarmNow>, Problem> {
    let why = said(&shelf.why, "why", 200)?;
    act(app, id.clone(), Act::Shelve { alarm: id, by: who.signature(), why, until_ms: shelf.until_ms }).await
}

/// Takes an alarm off the shelf.
#[utoipa::path(post, path = "/api/v1/alarms/{id}/unshelve", tag = "alarms", params(("id" = String, Path, description = "Id of the alarm, percent-encoded")),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = AlarmNow), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn unshelve(
    State(app): State<Arc<App>>,
    who: Who,
    Place(id): Place<String>,
) -> Result<Json<AlarmNow>, Problem> {
    act(app, id.clone(), Act::Unshelve { alarm: id, by: who.signature() }).await
}
