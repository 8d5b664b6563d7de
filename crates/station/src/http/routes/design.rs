//! Design: what a page asks while somebody changes a system file. Nothing here reaches a board.

use std::sync::Arc;
use std::time::Instant;

use axum::Json;
use axum::extract::{DefaultBodyLimit, State};
use serde::Deserialize;
use serde_json::{Value, json};
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::edit::Edit;
use workbench::{Beside, LONGEST_TEXT, look};

use super::OfBoard;
use crate::app::App;
use crate::http::guard::Body;
use crate::http::problem::{Problem, ProblemBody};

/// Longest body of a design request, bytes: two texts, escaped, and changes.
const LONGEST_DESIGN: usize = 2 * 1024 * 1024;

/// The routes with the body that they take.
pub(super) fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new().routes(routes!(design_look)).layer(DefaultBodyLimit::max(LONGEST_DESIGN))
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
) -> Result<Json<Value>, Problem> {
    check_length(&asked.text)?;
    let beside = beside(&app, asked.board)?;
    // Who drags sends the next before the last is answered: they wait in turn.
    let Ok(_place) = app.design.looks.acquire().await else { return Err(Problem::busy("The station ends.")) };
    app.blocking(move |_| {
        let began = Instant::now();
        let seen = look::look(&asked.text, &asked.edits, &beside);
        let mut answer = serde_json::to_value(&seen)
            .map_err(|error| Problem::internal(format!("The answer cannot be written: {error}.")))?;
        if let Value::Object(fields) = &mut answer {
            let took = (began.elapsed().as_secs_f64() * 1e4).round() / 10.0;
            fields.insert("took_ms".to_owned(), json!(took));
        }
        Ok(Json(answer))
    })
    .await
}
