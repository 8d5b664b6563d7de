//! Texts of system files: the one that a board runs, and drafts that people keep while they think. A draft reaches no board.

use std::sync::Arc;

use axum::Json;
use axum::extract::{DefaultBodyLimit, State};
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use store::Doing as _;
use store::drafts::{self, Draft, Saved};
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::design::check_length;
use super::{Told, no_board, said};
use crate::app::{App, now_ms};
use crate::auth::door::Who;
use crate::http::guard::{Body, Place};
use crate::http::problem::{Problem, ProblemBody};

/// Longest body, bytes: a text, escaped.
const LONGEST_DRAFT: usize = 1024 * 1024;
/// Drafts that may stand.
const MOST_DRAFTS: i64 = 200;
/// Characters of a name.
const LONGEST_NAME: usize = 80;

/// The routes with the body that they take.
pub(super) fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new()
        .routes(routes!(board_file))
        .routes(routes!(all_drafts))
        .routes(routes!(draft, save_draft, remove_draft))
        .layer(DefaultBodyLimit::max(LONGEST_DRAFT))
}

/// The text that a board runs.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct FileBody {
    /// The text.
    text: String,
    /// SHA-256 of it, hexadecimal.
    hash: String,
    /// The program that was made of it, as the board names it.
    revision: String,
}

/// A draft.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct DraftBody {
    /// Its name.
    name: String,
    /// SHA-256 of its text, hexadecimal.
    hash: String,
    /// When it was saved last, ms since 1970.
    saved_ms: i64,
    /// Who saved it.
    by: String,
    /// Its text; not in lists.
    #[serde(skip_serializing_if = "Option::is_none")]
    text: Option<String>,
}

/// A text to save.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct ToSave {
    /// The text, at most 256 KiB. It may have mistakes.
    text: String,
    /// Hash of the text that it replaces; without it there must be no such draft yet.
    base_hash: Option<String>,
}

impl DraftBody {
    fn new(draft: Draft, text: Option<String>) -> Self {
        DraftBody { name: draft.name, hash: draft.hash, saved_ms: draft.saved_ms, by: draft.who, text }
    }
}

/// An answer with the hash of its text as its tag.
fn tagged<T: Serialize>(hash: &str, body: T) -> Response {
    let mut response = Json(body).into_response();
    if let Ok(tag) = HeaderValue::from_str(&format!("\"{hash}\"")) {
        response.headers_mut().insert(header::ETAG, tag);
    }
    response
}

/// The text of the system file that a board runs, with its hash.
#[utoipa::path(get, path = "/api/v1/boards/{board}/file", tag = "design", params(("board" = String, Path, description = "Its name")),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = FileBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn board_file(
    State(app): State<Arc<App>>,
    Place(board): Place<String>,
) -> Result<Response, Problem> {
    let board = app.site.board(&board).ok_or_else(|| no_board(&app))?;
    let hash = workbench::hash(&board.text);
    let revision = format!("{:08x}", board.made.program_crc);
    Ok(tagged(&hash.clone(), FileBody { text: board.text.clone(), hash, revision }))
}

/// All drafts without their texts, those saved last first.
#[utoipa::path(get, path = "/api/v1/drafts", tag = "design", security(("session" = [])),
    responses((status = 200, body = Vec<DraftBody>), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn all_drafts(State(app): State<Arc<App>>) -> Result<Json<Vec<DraftBody>>, Problem> {
    app.blocking(|app| {
        let all = app.store.read(|db| drafts::drafts(db).doing("reading drafts")).map_err(Problem::store)?;
        Ok(Json(all.into_iter().map(|draft| DraftBody::new(draft, None)).collect()))
    })
    .await
}

fn no_draft(name: &str) -> Problem {
    Problem::not_found(format!("There is no draft `{name}`. GET /api/v1/drafts lists them."))
}

/// A draft with its text.
#[utoipa::path(get, path = "/api/v1/drafts/{name}", tag = "design", params(("name" = String, Path, description = "Its name")),
    security(("session" = [])),
    responses((status = 200, body = DraftBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn draft(
    State(app): State<Arc<App>>,
    Place(name): Place<String>,
) -> Result<Response, Problem> {
    app.blocking(move |app| {
        let found = app.store.read(|db| drafts::draft(db, &name).doing("reading a draft"));
        let (draft, text) = found.map_err(Problem::store)?.ok_or_else(|| no_draft(&name))?;
        Ok(tagged(&draft.hash.clone(), DraftBody::new(draft, Some(text))))
    })
    .await
}

/// Saves a draft in place of the text that the sender knows.
#[utoipa::path(put, path = "/api/v1/drafts/{name}", tag = "design", params(("name" = String, Path, description = "Its name")),
    request_body = ToSave, security(("session" = [])),
    responses((status = 200, body = DraftBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn save_draft(
    State(app): State<Arc<App>>,
    who: Who,
    Place(name): Place<String>,
    Body(asked): Body<ToSave>,
) -> Result<Response, Problem> {
    let name = said(&name, "name", LONGEST_NAME)?;
    check_length(&asked.text)?;
    app.blocking(move |app| {
        let hash = workbench::hash(&asked.text);
        let draft = Draft { name, hash, saved_ms: now_ms(), who: who.signature() };
        let (kept, base) = (draft.clone(), asked.base_hash);
        let saved = app.store.write(move |db| {
            drafts::save(db, &kept, &asked.text, base.as_deref(), MOST_DRAFTS).doing("saving a draft")
        });
        match saved.map_err(Problem::store)? {
            Saved::Done => Ok(tagged(&draft.hash.clone(), DraftBody::new(draft, None))),
            Saved::Changed(Some(other)) => Err(Problem::conflict(format!(
                "`{}` was saved by {} meanwhile. Read it, then save over it with `base_hash` {}, or take another name.",
                other.name, other.who, other.hash
            ))),
            Saved::Changed(None) => Err(Problem::conflict(format!(
                "`{}` was taken away meanwhile. Save it anew without `base_hash`.",
                draft.name
            ))),
            Saved::Full => Err(Problem::conflict(format!(
                "There are {MOST_DRAFTS} drafts already. Take some away first."
            ))),
        }
    })
    .await
}

/// Takes a draft away.
#[utoipa::path(delete, path = "/api/v1/drafts/{name}", tag = "design", params(("name" = String, Path, description = "Its name")),
    security(("session" = [])),
    responses((status = 200, body = Told), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn remove_draft(
    State(app): State<Arc<App>>,
    Place(name): Place<String>,
) -> Result<Json<Told>, Problem> {
    app.blocking(move |app| {
        let of = name.clone();
        let removed = app.store.write(move |db| drafts::remove(db, &of).doing("taking a draft away"));
        match removed.map_err(Problem::store)? {
            true => Ok(Told::new(format!("`{name}` is gone."))),
            false => Err(no_draft(&name)),
        }
    })
    .await
}
