//! What a board is by its system file: wiring, program, the study of its design, what its twin expects of a signal.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use axum::Json;
use axum::extract::State;
use serde::Deserialize;
use serde_json::{Value, json};
use tokio::sync::oneshot;
use utoipa::IntoParams;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::boards::{program, wiring};

use super::no_board;
use super::study::{refused, turn};
use crate::app::App;
use crate::design::{StopOnDrop, stand_back, wish};
use crate::fitted::study_text;
use crate::http::guard::{Ask, Place};
use crate::http::problem::{Problem, ProblemBody};
use crate::site::SiteBoard;

/// The routes.
pub(super) fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new()
        .routes(routes!(board_study))
        .routes(routes!(board_wiring))
        .routes(routes!(board_program))
        .routes(routes!(series_expected))
}

fn find<'a>(app: &'a App, name: &str) -> Result<&'a SiteBoard, Problem> {
    app.site.board(name).ok_or_else(|| no_board(app))
}

/// The study of the design that a board runs, once it was done: the station does it by itself some time after it started.
#[utoipa::path(get, path = "/api/v1/boards/{board}/study", tag = "design", params(("board" = String, Path, description = "Its name")),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = Value), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn board_study(
    State(app): State<Arc<App>>,
    Place(board): Place<String>,
) -> Result<Json<Value>, Problem> {
    let board = find(&app, &board)?;
    let Some(study) = app.design.kept.latest(&study_text(&app, board), &board.beside()) else {
        return Err(Problem::not_found(
            "The design of this board was not studied yet. The station does it by itself a minute after it started and each new day; \
             an operator has it at once by POST /api/v1/design/study with the text of GET /api/v1/boards/{board}/file.",
        ));
    };
    Ok(Json(json!({
        "plan": study.head, "rows": study.rows, "without_fault": study.without_fault, "open": study.n_open(),
        "diagnostics": study.findings,
    })))
}

/// What is worked out of a board's file, when there is a place for it.
async fn worked_out<T: serde::Serialize>(
    app: Arc<App>,
    name: String,
    of: impl FnOnce(&SiteBoard) -> T + Send + 'static,
) -> Result<Json<Value>, Problem> {
    let Ok(_place) = app.design.looks.acquire().await else { return Err(Problem::busy("The station ends.")) };
    app.blocking(move |app| Ok(Json(serde_json::to_value(of(find(app, &name)?)).unwrap_or_default()))).await
}

/// The wiring of a board: drawings, rungs with their wires, findings.
#[utoipa::path(get, path = "/api/v1/boards/{board}/wiring", tag = "design", params(("board" = String, Path, description = "Its name")),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = Value), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn board_wiring(
    State(app): State<Arc<App>>,
    Place(name): Place<String>,
) -> Result<Json<Value>, Problem> {
    worked_out(app, name, |board| wiring(&board.system, &board.text)).await
}

/// The control program of a board: its rules with the bytes each takes, what it needs, its listing.
#[utoipa::path(get, path = "/api/v1/boards/{board}/program", tag = "design", params(("board" = String, Path, description = "Its name")),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = Value), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn board_program(
    State(app): State<Arc<App>>,
    Place(name): Place<String>,
) -> Result<Json<Value>, Problem> {
    worked_out(app, name, |board| {
        let revision = format!("{:08x}", board.made.program_crc);
        program(&board.system, &board.text, &board.beside(), &board.made.compiled, revision)
    })
    .await
}

/// Which signal, and when.
#[derive(Deserialize, IntoParams, Debug)]
#[into_params(parameter_in = Query)]
pub(super) struct Span {
    /// The signal, as in the system file, or a true quantity such as `display.temperature`.
    signal: String,
    /// From, ms since 1970.
    from: i64,
    /// To, ms since 1970.
    to: i64,
}

/// What the twin expects of a signal at these hours: a day without a fault at nominal conditions and the corners of the file.
#[utoipa::path(get, path = "/api/v1/boards/{board}/series/expected", tag = "history",
    params(("board" = String, Path, description = "Its name"), Span), security(("session" = []), ("token" = [])),
    responses((status = 200, body = Value), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn series_expected(
    State(app): State<Arc<App>>,
    Place(name): Place<String>,
    Ask(span): Ask<Span>,
) -> Result<Json<Value>, Problem> {
    if span.from > span.to {
        return Err(Problem::bad_request("`from` lies behind `to`."));
    }
    let board = find(&app, &name)?;
    let (text, beside, kept) = (board.text.clone(), board.beside(), app.design.kept.clone());
    let place = turn(&app).await?;
    let stop = Arc::new(AtomicBool::new(false));
    let _guard = StopOnDrop(stop.clone());
    let (answer, answered) = oneshot::channel();
    let work = move || {
        let expected = kept.expected(&text, &beside, wish(None), &span.signal, span.from, span.to, &stop);
        expected.map(|expected| serde_json::to_value(expected).unwrap_or_default())
    };
    stand_back(place, work, |result| {
        // Nobody may be waiting any more.
        let _ = answer.send(result);
    })
    .map_err(|error| Problem::busy(format!("The machine has no thread left: {error}. Try again.")))?;
    match answered.await {
        Ok(Some(Ok(expected))) => Ok(Json(expected)),
        Ok(Some(Err(error))) => Err(refused(&error)),
        _ => Err(Problem::internal("The twin broke off; try again.")),
    }
}
