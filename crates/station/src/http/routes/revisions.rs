//! Revisions of a board: which it has had, which it runs, another on trial, kept or given up.

use std::sync::Arc;

use axum::Json;
use axum::extract::{DefaultBodyLimit, State};
use axum::http::header;
use axum::response::IntoResponse;
use serde::Deserialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::act::{Why, order};
use super::{no_board, said};
use crate::app::App;
use crate::auth::door::Who;
use crate::http::guard::{Body, Place};
use crate::http::problem::{Problem, ProblemBody};
use crate::orders::Order;
use crate::revisions::{self, LONGEST_TEXT, Revisions, Sent};

/// Body with a text of the longest kind, escaped.
const LONGEST_BODY: usize = 2 * LONGEST_TEXT;

/// A trial lasts so long unless something else is said, min.
const USUAL_MIN: u8 = 60;

/// All routes of revisions.
pub(super) fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new()
        .routes(routes!(list, deploy))
        .layer(DefaultBodyLimit::max(LONGEST_BODY))
        .routes(routes!(file))
        .routes(routes!(deploy_kept))
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
}

/// Makes a program of a system file and gives it to the board on trial. Unless it is confirmed in time, the board goes back by itself, also after
/// three resets in a row. A file that wires the board otherwise is refused.
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
    let who = who.signature();
    order(app, move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        revisions::deploy(app, board, &new.text, (&who, &why), new.minutes.unwrap_or(USUAL_MIN))
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
    let who = who.signature();
    order(app, move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        revisions::deploy_kept(app, board, revision, (&who, &why), again.minutes.unwrap_or(USUAL_MIN))
    })
    .await
    .map(Json)
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
