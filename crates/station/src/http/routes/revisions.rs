//! Revisions of a board: which it has had, which it runs, another on trial, kept or given up.

use std::sync::Arc;

use axum::Json;
use axum::extract::{DefaultBodyLimit, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::weigh::Told;

use super::act::{Why, order};
use super::study::streamed;
use super::{no_board, said};
use crate::app::App;
use crate::auth::door::Who;
use crate::http::guard::{Body, Place};
use crate::http::problem::{Problem, ProblemBody};
use crate::orders::Order;
use crate::revisions::{self, LONGEST_TEXT, Revisions, Sent, Wish};
use crate::weighing::{self, Compare, LONGEST_REASON, Outcome, Reasons};

/// Body with a text of the longest kind, escaped.
const LONGEST_BODY: usize = 2 * LONGEST_TEXT;

/// A trial lasts so long unless something else is said, min.
pub(super) const USUAL_MIN: u8 = 60;

/// All routes of revisions.
pub(super) fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new()
        .routes(routes!(list, deploy))
        .routes(routes!(compare))
        .layer(DefaultBodyLimit::max(LONGEST_BODY))
        .routes(routes!(file))
        .routes(routes!(deploy_kept))
        .routes(routes!(reasons))
        .routes(routes!(confirm))
        .routes(routes!(revert))
}

/// The revisions of a board, the newest first, and what it runs.
#[utoipa::path(get, path = "/api/v1/boards/{board}/revisions", tag = "revisions",
    params(("board" = String, Path, description = "Name of the board")), security(("session" = []), ("token" = [])),
    responses((status = 200, body = Revisions), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn list(
    State(app): State<Arc<App>>,
    Place(board): Place<String>,
) -> Result<Json<Revisions>, Problem> {
    app.blocking(move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        revisions::list(app, board).map(Json)
    })
    .await
}

/// The text of a revision's system file.
#[utoipa::path(get, path = "/api/v1/boards/{board}/revisions/{revision}/file", tag = "revisions",
    params(("board" = String, Path, description = "Name of the board"), ("revision" = i64, Path, description = "Number of the revision")),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = String, content_type = "text/plain"), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn file(
    State(app): State<Arc<App>>,
    Place((board, revision)): Place<(String, i64)>,
) -> Result<impl IntoResponse, Problem> {
    let text = app
        .blocking(move |app| {
            let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
            let name = &board.settings.name;
            let kept = app.store.revision(name, revision).map_err(Problem::store)?;
            kept.map(|kept| kept.system)
                .ok_or_else(|| Problem::not_found(format!("Board {name} has no revision {revision}.")))
        })
        .await?;
    Ok(([(header::CONTENT_TYPE, "text/plain; charset=utf-8")], text))
}

/// A text to be tried.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct NewRevision {
    /// The system file.
    text: String,
    /// Why, 1 to 200 characters.
    why: String,
    /// Unless it is confirmed within so many minutes the board goes back, 1 to 255; 60 without it.
    #[schema(minimum = 1, maximum = 255)]
    minutes: Option<u8>,
    /// Why each row of the FMEA that gets worse may do so, by row: 1 to 200 characters each.
    #[serde(default)]
    reasons: Reasons,
    /// `later`: it is sent at once, and compared with what runs afterwards.
    compare: Option<Compare>,
}

/// Makes a program of a system file and gives it to the board on trial. Unless it is confirmed in time, the board goes back by itself, also after
/// three resets in a row. A file that wires the board otherwise is refused. It is compared with what runs before: where rows of the FMEA get worse and
/// have no reason the answer is 409 with these rows, and nothing was sent.
#[utoipa::path(post, path = "/api/v1/boards/{board}/revisions", tag = "revisions", params(("board" = String, Path, description = "Name of the board")),
    request_body = NewRevision, security(("session" = []), ("token" = [])),
    responses((status = 200, body = Sent), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn deploy(
    State(app): State<Arc<App>>,
    who: Who,
    Place(board): Place<String>,
    Body(new): Body<NewRevision>,
) -> Result<Json<Sent>, Problem> {
    let why = said(&new.why, "why", 200)?;
    let (who, given) = (who.signature(), reasons_said(&new.reasons)?);
    let (minutes, compare) = (new.minutes.unwrap_or(USUAL_MIN), new.compare);
    order(app, move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        let wish = Wish { who: &who, why: &why, minutes, reasons: &given, compare };
        revisions::deploy(app, board, &new.text, &wish)
    })
    .await
    .map(Json)
}

/// A revision to be tried again.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct Again {
    /// Why, 1 to 200 characters.
    why: String,
    /// Unless it is confirmed within so many minutes the board goes back, 1 to 255; 60 without it.
    #[schema(minimum = 1, maximum = 255)]
    minutes: Option<u8>,
    /// Why each row of the FMEA that gets worse may do so, by row: 1 to 200 characters each.
    #[serde(default)]
    reasons: Reasons,
    /// Whether it is compared with what runs first or later; later without it where the board kept it before, else first.
    compare: Option<Compare>,
}

/// Gives the board a revision that it has had, on trial: the way back.
#[utoipa::path(post, path = "/api/v1/boards/{board}/revisions/{revision}/deploy", tag = "revisions",
    params(("board" = String, Path, description = "Name of the board"), ("revision" = i64, Path, description = "Number of the revision")),
    request_body = Again, security(("session" = []), ("token" = [])),
    responses((status = 200, body = Sent), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn deploy_kept(
    State(app): State<Arc<App>>,
    who: Who,
    Place((board, revision)): Place<(String, i64)>,
    Body(again): Body<Again>,
) -> Result<Json<Sent>, Problem> {
    let why = said(&again.why, "why", 200)?;
    let (who, given) = (who.signature(), reasons_said(&again.reasons)?);
    let (minutes, compare) = (again.minutes.unwrap_or(USUAL_MIN), again.compare);
    order(app, move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        let wish = Wish { who: &who, why: &why, minutes, reasons: &given, compare };
        revisions::deploy_kept(app, board, revision, &wish)
    })
    .await
    .map(Json)
}

/// What is to be compared with what the board runs: one of both.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct ToWeigh {
    /// The text of a system file.
    text: Option<String>,
    /// A revision that is kept.
    revision: Option<i64>,
}

/// Compares a file, or a revision, with what the board runs, as server-sent events: `begins` (`stage`: `nominal` first, then `whole`; `of`: `running`,
/// `next`), `progress` (`done`, `total`), `row` (`stage` and a row that gets worse, as soon as it is known), at last `done` with what it comes to; or
/// `failed`. It takes as long as two studies; what was studied before is not studied again. Closing the stream ends it.
#[utoipa::path(post, path = "/api/v1/boards/{board}/revisions/compare", tag = "revisions",
    params(("board" = String, Path, description = "Name of the board")), request_body = ToWeigh, security(("session" = []), ("token" = [])),
    responses((status = 200, body = String, content_type = "text/event-stream"),
        (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn compare(
    State(app): State<Arc<App>>,
    Place(board): Place<String>,
    Body(asked): Body<ToWeigh>,
) -> Result<Response, Problem> {
    let what = match (asked.text, asked.revision) {
        (Some(text), None) => Ok(text),
        (None, Some(revision)) => Err(revision),
        _ => return Err(Problem::not_possible("Give either `text` or `revision`.")),
    };
    let of = app
        .blocking(move |app| {
            let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
            revisions::to_compare(app, board, what)
        })
        .await?;
    let kept = app.design.kept.clone();
    streamed(&app, move |sender| {
        let tell = |told: Told<'_>| match told {
            Told::Begins(stage, is_next) => {
                let of = if is_next { "next" } else { "running" };
                sender.send("begins", &json!({ "stage": stage.word(), "of": of }));
            }
            Told::Progress(done, total) => sender.send("progress", &json!({ "done": done, "total": total })),
            Told::Worse(stage, row) => {
                sender.send("row", &json!({ "stage": stage.word(), "row": weighing::shown(row) }));
            }
        };
        let outcome = weighing::compare(&kept, &of, sender.stop(), &tell)?;
        Ok(serde_json::to_value(outcome).unwrap_or_default())
    })
    .await
}

/// Reasons for rows that a revision makes worse.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct NewReasons {
    /// By row, 1 to 200 characters each.
    reasons: Reasons,
}

/// Says afterwards why rows may get worse that a revision makes worse: one that was sent before it was compared.
#[utoipa::path(post, path = "/api/v1/boards/{board}/revisions/{revision}/reasons", tag = "revisions",
    params(("board" = String, Path, description = "Name of the board"), ("revision" = i64, Path, description = "Number of the revision")),
    request_body = NewReasons, security(("session" = []), ("token" = [])),
    responses((status = 200, body = Outcome), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn reasons(
    State(app): State<Arc<App>>,
    who: Who,
    Place((board, revision)): Place<(String, i64)>,
    Body(new): Body<NewReasons>,
) -> Result<Json<Outcome>, Problem> {
    let (who, given) = (who.signature(), reasons_said(&new.reasons)?);
    if given.is_empty() {
        return Err(Problem::not_possible("`reasons` is empty: give one for each row that gets worse."));
    }
    app.blocking(move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        weighing::add_reasons(app, board, revision, &given, &who).map(Json)
    })
    .await
}

/// Reasons as they were sent, each trimmed, none empty or too long.
pub(super) fn reasons_said(given: &Reasons) -> Result<Reasons, Problem> {
    let one = |(fault, text): (&String, &String)| {
        Ok((fault.clone(), said(text, &format!("reasons.{fault}"), LONGEST_REASON)?))
    };
    given.iter().map(one).collect()
}

async fn end(
    app: Arc<App>,
    who: Who,
    board: String,
    why: &str,
    is_kept: bool,
) -> Result<Json<Order>, Problem> {
    let why = said(why, "why", 200)?;
    let who = who.signature();
    order(app, move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        revisions::end_trial(app, board, (&who, &why), is_kept)
    })
    .await
    .map(Json)
}

/// Keeps the revision that is tried.
#[utoipa::path(post, path = "/api/v1/boards/{board}/trial/confirm", tag = "revisions", params(("board" = String, Path, description = "Name of the board")),
    request_body = Why, security(("session" = []), ("token" = [])),
    responses((status = 200, body = Order), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn confirm(
    State(app): State<Arc<App>>,
    who: Who,
    Place(board): Place<String>,
    Body(why): Body<Why>,
) -> Result<Json<Order>, Problem> {
    end(app, who, board, &why.why, true).await
}

/// Gives up the revision that is tried; the board starts anew with the one before.
#[utoipa::path(post, path = "/api/v1/boards/{board}/trial/revert", tag = "revisions", params(("board" = String, Path, description = "Name of the board")),
    request_body = Why, security(("session" = []), ("token" = [])),
    responses((status = 200, body = Order), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn revert(
    State(app): State<Arc<App>>,
    who: Who,
    Place(board): Place<String>,
    Body(why): Body<Why>,
) -> Result<Json<Order>, Problem> {
    end(app, who, board, &why.why, false).await
}
