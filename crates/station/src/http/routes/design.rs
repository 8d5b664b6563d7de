//! Design: what a page asks while somebody changes a system file. Nothing here reaches a board.

use std::sync::Arc;
use std::time::Instant;

use axum::Json;
use axum::extract::{DefaultBodyLimit, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::edit::Edit;
use workbench::look::Finding;
use workbench::parts::parts;
use workbench::start::{questions, start};
use workbench::{Beside, LONGEST_TEXT, look};

use super::OfBoard;
use crate::app::App;
use crate::design::wish;
use crate::http::guard::{Ask, Body};
use crate::http::problem::{Problem, ProblemBody};

/// Longest body of a design request, bytes: two texts, escaped, and changes.
pub(super) const LONGEST_DESIGN: usize = 2 * 1024 * 1024;

/// The routes with the body that they take.
pub(super) fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new()
        .routes(routes!(design_look))
        .routes(routes!(design_compare))
        .routes(routes!(design_questions))
        .routes(routes!(design_start))
        .routes(routes!(design_parts))
        .layer(DefaultBodyLimit::max(LONGEST_DESIGN))
}

/// A text to look at.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct ToLookAt {
    /// The text of a system file, at most 256 KiB.
    text: String,
    /// Changes to make first, all or none: docs/api.md.
    #[serde(default)]
    #[schema(value_type = Vec<Value>)]
    edits: Vec<Edit>,
    /// The board whose own parts and planned places count with it; the first without it.
    board: Option<String>,
}

/// What is seen, and how long that took.
#[derive(Serialize)]
struct Timed<'a> {
    #[serde(flatten)]
    seen: &'a look::Look,
    took_ms: f64,
}

/// Refuses a text that is too long to be a system file.
pub(super) fn check_length(text: &str) -> Result<(), Problem> {
    if text.len() > LONGEST_TEXT { Err(Problem::too_large(LONGEST_TEXT)) } else { Ok(()) }
}

/// What stands beside the file of a board.
pub(super) fn beside(app: &App, board: Option<String>) -> Result<Beside, Problem> {
    Ok(OfBoard { board }.find(app)?.beside())
}

/// Findings, section, water lines and figures of a text, with changes made to it first. A text with mistakes is an answer with findings.
#[utoipa::path(post, path = "/api/v1/design/look", tag = "design", request_body = ToLookAt, security(("session" = [])),
    responses((status = 200, body = Value), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn design_look(
    State(app): State<Arc<App>>,
    Body(asked): Body<ToLookAt>,
) -> Result<Response, Problem> {
    check_length(&asked.text)?;
    let beside = beside(&app, asked.board)?;
    // Who drags sends the next before the last is answered: they wait in turn.
    let Ok(_place) = app.design.looks.acquire().await else { return Err(Problem::busy("The station ends.")) };
    app.blocking(move |_| {
        let began = Instant::now();
        let seen = look::look(&asked.text, &asked.edits, &beside);
        let took_ms = (began.elapsed().as_secs_f64() * 1e4).round() / 10.0;
        // Written once: a sheet is thousands of values, and somebody drags.
        let body = serde_json::to_string(&Timed { seen: &seen, took_ms })
            .map_err(|error| Problem::internal(format!("The answer cannot be written: {error}.")))?;
        Ok(([(header::CONTENT_TYPE, "application/json")], body).into_response())
    })
    .await
}

/// Two texts to compare.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct ToCompare {
    /// The first, at most 256 KiB.
    a: String,
    /// The second, at most 256 KiB.
    b: String,
    /// As they were studied; true without it.
    corners: Option<bool>,
    /// The board whose own parts and planned places count with both; the first without it.
    board: Option<String>,
}

fn as_json(answer: impl Serialize) -> Result<Json<Value>, Problem> {
    let value = serde_json::to_value(answer);
    value.map(Json).map_err(|error| Problem::internal(format!("The answer cannot be written: {error}.")))
}

/// What differs between two texts: findings, figures, and rows of the FMEA where both were studied.
#[utoipa::path(post, path = "/api/v1/design/compare", tag = "design", request_body = ToCompare, security(("session" = [])),
    responses((status = 200, body = Value), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn design_compare(
    State(app): State<Arc<App>>,
    Body(asked): Body<ToCompare>,
) -> Result<Json<Value>, Problem> {
    check_length(&asked.a)?;
    check_length(&asked.b)?;
    let beside = beside(&app, asked.board)?;
    let Ok(_place) = app.design.looks.acquire().await else { return Err(Problem::busy("The station ends.")) };
    app.blocking(move |app| {
        as_json(app.design.kept.compare(&asked.a, &asked.b, &beside, wish(asked.corners)))
    })
    .await
}

/// The questions of the guided form.
#[utoipa::path(get, path = "/api/v1/design/questions", tag = "design", security(("session" = [])),
    responses((status = 200, body = Value), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn design_questions() -> Json<Value> {
    Json(json!({ "groups": questions() }))
}

/// Answers of the guided form.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct ToStart {
    /// By id of the question; what is not there is taken as usual.
    #[schema(value_type = Value)]
    answers: Map<String, Value>,
}

/// The commented file that the answers make, with what is found in it.
#[utoipa::path(post, path = "/api/v1/design/start", tag = "design", request_body = ToStart, security(("session" = [])),
    responses((status = 200, body = Value), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn design_start(
    State(app): State<Arc<App>>,
    Body(asked): Body<ToStart>,
) -> Result<Json<Value>, Problem> {
    app.blocking(move |_| {
        let text = start(&asked.answers).map_err(|why| Problem::not_possible(format!("{why}.")))?;
        let (_, found) = look::findings(&text, &Beside::default());
        let diagnostics: Vec<Finding> = found.iter().map(|finding| Finding::new(finding, &text)).collect();
        Ok(Json(json!({ "text": text, "diagnostics": diagnostics })))
    })
    .await
}

/// The parts library that the file of a board is read with.
#[utoipa::path(get, path = "/api/v1/design/parts", tag = "design", params(OfBoard), security(("session" = [])),
    responses((status = 200, body = Value), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn design_parts(
    State(app): State<Arc<App>>,
    Ask(of): Ask<OfBoard>,
) -> Result<Json<Value>, Problem> {
    let all = parts(&of.find(&app)?.system.library);
    Ok(Json(json!({ "parts": all })))
}
