//! What is now: the state, the night view, health, metrics.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use axum::Json;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use utoipa::ToSchema;

use crate::app::{App, now_ms};
use crate::http::problem::{Problem, ProblemBody};
use crate::state::{self, NightBody, StateBody};

/// Everything that is now.
#[utoipa::path(get, path = "/api/v1/state", tag = "now", security(("session" = []), ("token" = [])),
    responses((status = 200, body = StateBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn state(State(app): State<Arc<App>>) -> Result<Json<StateBody>, Problem> {
    app.blocking(|app| Ok(Json(state::now(app, now_ms())))).await
}

/// What somebody needs who is woken by an alarm: words before any drawing.
#[utoipa::path(get, path = "/api/v1/night", tag = "now", security(("session" = []), ("token" = [])),
    responses((status = 200, body = NightBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn night(State(app): State<Arc<App>>) -> Result<Json<NightBody>, Problem> {
    app.blocking(|app| Ok(Json(state::night(app, now_ms())))).await
}

/// Whether the station does its work.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct Health {
    /// It takes in and its store takes it.
    is_well: bool,
    /// Boards that answer.
    n_boards_up: usize,
    /// Boards that there are.
    n_boards: usize,
}

/// For whoever watches the station itself; tells nothing about the tank.
#[utoipa::path(get, path = "/health", tag = "now", security(()),
    responses((status = 200, body = Health), (status = 503, body = Health),
        (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn health(State(app): State<Arc<App>>) -> Response {
    let alive_ms = now_ms() - app.intake.alive_ms.load(Ordering::Relaxed);
    let is_well =
        alive_ms < crate::watchdog::LONGEST_ROUND_MS && app.intake.failing.load(Ordering::Relaxed) == 0;
    let live = app.live();
    let n_boards = app.site.boards.len();
    let n_boards_up = (0..n_boards).filter(|n| live.link(*n).is_some_and(|(link, _)| link.is_up())).count();
    let status = if is_well { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
    (status, Json(Health { is_well, n_boards_up, n_boards })).into_response()
}

/// Values, links and the station itself as OpenMetrics text.
#[utoipa::path(get, path = "/metrics", tag = "now", security(("session" = []), ("token" = [])),
    responses((status = 200, body = String, content_type = "application/openmetrics-text"),
        (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn metrics(State(app): State<Arc<App>>) -> Result<Response, Problem> {
    let text = app.blocking(|app| Ok(crate::http::metrics::text(app, now_ms()))).await?;
    Ok(([(header::CONTENT_TYPE, crate::http::metrics::KIND)], text).into_response())
}
