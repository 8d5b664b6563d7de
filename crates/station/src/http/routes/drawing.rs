//! The section drawing and the text of a system.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use base64::Engine as _;
use drawing::{SvgOptions, TitleBlock};
use serde_json::Value;
use sha2::{Digest, Sha256};

use super::OfBoard;
use crate::app::App;
use crate::http::guard::Ask;
use crate::http::problem::{Problem, ProblemBody};

fn sheet(app: &App, of: &OfBoard) -> Result<drawing::Sheet, Problem> {
    let board = of.find(app)?;
    let title = TitleBlock { revision: format!("{:08x}", board.made.program_crc), date: String::new() };
    Ok(drawing::section(&board.system, &[], &title))
}

/// The system in section, to scale, as SVG.
#[utoipa::path(get, path = "/api/v1/section.svg", tag = "system", params(OfBoard), security(("session" = []), ("token" = [])),
    responses((status = 200, body = String, content_type = "image/svg+xml"),
        (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn section_svg(
    State(app): State<Arc<App>>,
    Ask(of): Ask<OfBoard>,
) -> Result<Response, Problem> {
    let options = SvgOptions { interactive: true, ..SvgOptions::default() };
    let svg = app.blocking(move |app| Ok(sheet(app, &of)?.to_svg(&options))).await?;
    // The drawing brings its styles along; their hash lets in these and no others.
    let style = svg
        .split_once("<style>")
        .and_then(|(_, rest)| rest.split_once("</style>"))
        .map_or("", |(style, _)| style);
    let hash = base64::engine::general_purpose::STANDARD.encode(Sha256::digest(style.as_bytes()));
    let policy = format!("default-src 'none'; style-src 'sha256-{hash}'; frame-ancestors 'none'");
    let head =
        [(header::CONTENT_TYPE, "image/svg+xml".to_owned()), (header::CONTENT_SECURITY_POLICY, policy)];
    Ok((head, svg).into_response())
}

/// The same as data: parts with ids, anchors, shapes and the values that they show.
#[utoipa::path(get, path = "/api/v1/section", tag = "system", params(OfBoard), security(("session" = []), ("token" = [])),
    responses((status = 200, body = Value), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn section(
    State(app): State<Arc<App>>,
    Ask(of): Ask<OfBoard>,
) -> Result<Json<Value>, Problem> {
    app.blocking(move |app| Ok(Json(workbench::section::as_data(&sheet(app, &of)?)))).await
}

/// The text of the system file that a board runs.
#[utoipa::path(get, path = "/api/v1/system", tag = "system", params(OfBoard), security(("session" = []), ("token" = [])),
    responses((status = 200, body = String, content_type = "text/plain"),
        (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn system_text(
    State(app): State<Arc<App>>,
    Ask(of): Ask<OfBoard>,
) -> Result<Response, Problem> {
    let text = of.find(&app)?.text.clone();
    Ok(([(header::CONTENT_TYPE, "text/plain; charset=utf-8")], text).into_response())
}
