//! Every route of the API. Each is described where it stands; the OpenAPI document is made from that.

// The macros that describe the routes write whole paths.
#![allow(unused_qualifications)]

mod act;
mod alarms;
mod boards;
mod care;
mod design;
mod diary;
mod drafts;
mod drawing;
mod history;
mod joined;
mod live;
mod people;
mod revisions;
mod stream;
mod study;
mod tell;
mod twin;

use std::sync::Arc;

use serde::{Deserialize, Serialize};
use utoipa::openapi::security::{ApiKey, ApiKeyValue, Http, HttpAuthScheme, SecurityScheme};
use utoipa::{IntoParams, Modify, OpenApi, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use crate::app::App;
use crate::site::SiteBoard;

use super::problem::Problem;

#[derive(OpenApi)]
#[openapi(
    info(
        title = "Tidewright station",
        description = "What a station knows and takes. Times are ms since 1970 UTC. Errors are RFC 9457 problem details whose `detail` says what to do. A session comes by cookie; programs send a token as `Authorization: Bearer`. What changes anything takes, with a cookie, the station's own page as its origin."
    ),
    modifiers(&Security)
)]
struct Document;

struct Security;

impl Modify for Security {
    fn modify(&self, document: &mut utoipa::openapi::OpenApi) {
        let components = document.components.get_or_insert_default();
        let cookie = ApiKeyValue::new(crate::auth::door::COOKIE);
        components.add_security_scheme("session", SecurityScheme::ApiKey(ApiKey::Cookie(cookie)));
        components.add_security_scheme("token", SecurityScheme::Http(Http::new(HttpAuthScheme::Bearer)));
    }
}

/// All routes with their description.
pub fn all() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::with_openapi(Document::openapi())
        .routes(routes!(live::state))
        .routes(routes!(live::night))
        .routes(routes!(live::health))
        .routes(routes!(joined::joined))
        .routes(routes!(joined::reset_trips))
        .routes(routes!(live::metrics))
        .routes(routes!(stream::events_stream))
        .routes(routes!(history::series))
        .routes(routes!(history::trend))
        .routes(routes!(history::export))
        .merge(history::import_route())
        .routes(routes!(history::events))
        .merge(diary::routes())
        .routes(routes!(alarms::alarms))
        .routes(routes!(alarms::report))
        .routes(routes!(alarms::acknowledge))
        .routes(routes!(alarms::reset))
        .routes(routes!(alarms::shelve))
        .routes(routes!(alarms::unshelve))
        .routes(routes!(act::hand))
        .routes(routes!(act::reset_trip))
        .routes(routes!(act::procedure))
        .routes(routes!(act::make_safe))
        .routes(routes!(act::commands))
        .merge(revisions::routes())
        .routes(routes!(tell::ways))
        .routes(routes!(tell::test))
        .merge(design::routes())
        .merge(boards::routes())
        .merge(study::routes())
        .merge(drafts::routes())
        .merge(care::routes())
        .merge(twin::routes())
        .routes(routes!(drawing::section_svg))
        .routes(routes!(drawing::section))
        .routes(routes!(drawing::system_text))
        .routes(routes!(people::session, people::log_in, people::log_out))
        .routes(routes!(people::first_owner))
        .routes(routes!(people::account))
        .routes(routes!(people::set_password))
        .routes(routes!(people::begin_totp, people::end_totp))
        .routes(routes!(people::confirm_totp))
        .routes(routes!(people::end_session))
        .routes(routes!(people::accounts, people::add_account))
        .routes(routes!(people::set_role))
        .routes(routes!(people::remove_account))
        .routes(routes!(people::end_sessions_of))
        .routes(routes!(people::tokens, people::add_token))
        .routes(routes!(people::remove_token))
}

/// Which board.
#[derive(Deserialize, IntoParams, Debug)]
#[into_params(parameter_in = Query)]
pub(crate) struct OfBoard {
    /// Name of the board; the first without it.
    board: Option<String>,
}

impl OfBoard {
    fn find<'a>(&self, app: &'a App) -> Result<&'a SiteBoard, Problem> {
        let found = match &self.board {
            Some(name) => app.site.board(name),
            None => app.site.boards.first(),
        };
        found.ok_or_else(|| no_board(app))
    }
}

fn no_board(app: &App) -> Problem {
    let names: Vec<&str> = app.site.boards.iter().map(|board| board.settings.name.as_str()).collect();
    Problem::not_found(format!("There is no such board. The station has: {}.", names.join(", ")))
}

/// Which rows of a log.
#[derive(Deserialize, IntoParams, Debug)]
#[into_params(parameter_in = Query)]
pub(crate) struct Rows {
    /// Earliest time, ms since 1970.
    from: Option<i64>,
    /// Latest time, ms since 1970.
    to: Option<i64>,
    /// Of this board, or `station`.
    board: Option<String>,
    /// Rows before this number only, to read on.
    before: Option<i64>,
    /// At most so many, 1 to 1000; 100 without it.
    #[param(minimum = 1, maximum = 1000)]
    limit: Option<u32>,
}

impl Rows {
    fn page(self) -> Result<store::Page, Problem> {
        let limit = self.limit.unwrap_or(100);
        if !(1..=1000).contains(&limit) {
            return Err(Problem::bad_request("`limit` goes from 1 to 1000."));
        }
        if self.before.is_some_and(|before| before < 1) {
            return Err(Problem::bad_request("`before` is the number of a row, 1 or more."));
        }
        Ok(store::Page {
            from: self.from.unwrap_or(i64::MIN),
            to: self.to.unwrap_or(i64::MAX),
            after: self.before.unwrap_or(0),
            limit,
            source: self.board,
            newest_first: true,
        })
    }
}

/// That it is done.
#[derive(Serialize, ToSchema, Debug)]
pub(crate) struct Told {
    /// In words.
    words: String,
}

impl Told {
    fn new(words: impl Into<String>) -> axum::Json<Told> {
        axum::Json(Told { words: words.into() })
    }
}

/// A text that a person gives: trimmed, not empty, not too long.
fn said(text: &str, what: &str, longest: usize) -> Result<String, Problem> {
    let text = text.trim();
    let n = text.chars().count();
    if n == 0 || n > longest || text.chars().any(|c| c.is_control() && c != '\n') {
        return Err(Problem::not_possible(format!(
            "`{what}` needs 1 to {longest} characters: say it in a few words."
        )));
    }
    Ok(text.to_owned())
}

/// What the store says, as it goes out: a refusal is the asker's, anything else the station's.
fn of_store(error: store::Error) -> Problem {
    match error {
        store::Error::Refused { why } => Problem::not_possible(format!("{why}.")),
        other => Problem::store(other),
    }
}
