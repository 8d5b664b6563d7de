//! What each route needs. A route that is not in [`ROUTES`] is refused to everybody, so none can be forgotten; a test holds this table
//! and the OpenAPI document together.

use axum::http::Method;
use serde::{Deserialize, Serialize};
use store::people::Role;
use utoipa::ToSchema;

/// What a token may do. A token never decides who may: that takes a session.
#[derive(Serialize, Deserialize, ToSchema, Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[serde(rename_all = "kebab-case")]
pub enum Scope {
    /// Sees everything that a viewer sees.
    Read,
    /// Hand, procedures, resets, make safe, alarms, notes.
    Act,
    /// Brings in logs.
    Import,
    /// The metrics, nothing else.
    Metrics,
    /// Gives a board another program, on trial, keeps it or gives it up.
    Program,
}

impl Scope {
    /// All of them.
    pub const ALL: [Scope; 5] = [Scope::Read, Scope::Act, Scope::Import, Scope::Metrics, Scope::Program];

    /// The word in the store and in the API.
    pub fn word(self) -> &'static str {
        match self {
            Scope::Read => "read",
            Scope::Act => "act",
            Scope::Import => "import",
            Scope::Metrics => "metrics",
            Scope::Program => "program",
        }
    }

    /// The role that its maker needs for it to count.
    pub fn role(self) -> Role {
        match self {
            Scope::Read | Scope::Metrics => Role::Viewer,
            Scope::Act | Scope::Import => Role::Operator,
            Scope::Program => Role::Owner,
        }
    }
}

/// What a route needs.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Need {
    /// Nothing: it tells or takes nothing that is anybody's.
    Nothing,
    /// A role, or a token with the scope.
    Scope(Scope),
    /// A session with at least this role; tokens are refused.
    Session(Role),
}

/// Every route with what it needs.
pub const ROUTES: &[(Method, &str, Need)] = &[
    (Method::GET, "/health", Need::Nothing),
    (Method::GET, "/metrics", Need::Scope(Scope::Metrics)),
    (Method::GET, "/api/openapi.json", Need::Nothing),
    (Method::GET, "/api/v1/session", Need::Nothing),
    (Method::POST, "/api/v1/session", Need::Nothing),
    (Method::DELETE, "/api/v1/session", Need::Session(Role::Viewer)),
    (Method::POST, "/api/v1/account/first", Need::Nothing),
    (Method::GET, "/api/v1/account", Need::Session(Role::Viewer)),
    (Method::POST, "/api/v1/account/password", Need::Session(Role::Viewer)),
    (Method::POST, "/api/v1/account/totp", Need::Session(Role::Viewer)),
    (Method::POST, "/api/v1/account/totp/confirm", Need::Session(Role::Viewer)),
    (Method::DELETE, "/api/v1/account/totp", Need::Session(Role::Viewer)),
    (Method::DELETE, "/api/v1/account/sessions/{id}", Need::Session(Role::Viewer)),
    (Method::GET, "/api/v1/accounts", Need::Session(Role::Owner)),
    (Method::POST, "/api/v1/accounts", Need::Session(Role::Owner)),
    (Method::POST, "/api/v1/accounts/{id}/role", Need::Session(Role::Owner)),
    (Method::DELETE, "/api/v1/accounts/{id}", Need::Session(Role::Owner)),
    (Method::DELETE, "/api/v1/accounts/{id}/sessions", Need::Session(Role::Owner)),
    (Method::GET, "/api/v1/tokens", Need::Session(Role::Owner)),
    (Method::POST, "/api/v1/tokens", Need::Session(Role::Owner)),
    (Method::DELETE, "/api/v1/tokens/{id}", Need::Session(Role::Owner)),
    (Method::GET, "/api/v1/state", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/events-stream", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/night", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/joined", Need::Scope(Scope::Read)),
    (Method::POST, "/api/v1/joined/{name}/reset-trips", Need::Scope(Scope::Act)),
    (Method::GET, "/api/v1/series", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/series/{id}/trend", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/export", Need::Scope(Scope::Read)),
    (Method::POST, "/api/v1/import", Need::Scope(Scope::Import)),
    (Method::GET, "/api/v1/events", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/alarms", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/alarms/report", Need::Scope(Scope::Read)),
    (Method::POST, "/api/v1/alarms/{id}/acknowledge", Need::Scope(Scope::Act)),
    (Method::POST, "/api/v1/alarms/{id}/reset", Need::Scope(Scope::Act)),
    (Method::POST, "/api/v1/alarms/{id}/shelve", Need::Scope(Scope::Act)),
    (Method::POST, "/api/v1/alarms/{id}/unshelve", Need::Scope(Scope::Act)),
    (Method::POST, "/api/v1/boards/{board}/hand", Need::Scope(Scope::Act)),
    (Method::POST, "/api/v1/boards/{board}/trips/{trip}/reset", Need::Scope(Scope::Act)),
    (Method::POST, "/api/v1/boards/{board}/procedures/{procedure}", Need::Scope(Scope::Act)),
    (Method::GET, "/api/v1/boards/{board}/revisions", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/boards/{board}/revisions/{revision}/file", Need::Scope(Scope::Read)),
    (Method::POST, "/api/v1/boards/{board}/revisions", Need::Scope(Scope::Program)),
    (Method::POST, "/api/v1/boards/{board}/revisions/compare", Need::Scope(Scope::Program)),
    (Method::POST, "/api/v1/boards/{board}/revisions/{revision}/deploy", Need::Scope(Scope::Program)),
    (Method::POST, "/api/v1/boards/{board}/revisions/{revision}/reasons", Need::Scope(Scope::Program)),
    (Method::POST, "/api/v1/boards/{board}/trial/confirm", Need::Scope(Scope::Program)),
    (Method::POST, "/api/v1/boards/{board}/trial/revert", Need::Scope(Scope::Program)),
    (Method::POST, "/api/v1/make-safe", Need::Scope(Scope::Act)),
    (Method::GET, "/api/v1/tell", Need::Scope(Scope::Read)),
    (Method::POST, "/api/v1/tell/test", Need::Scope(Scope::Act)),
    (Method::GET, "/api/v1/commands", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/notes", Need::Scope(Scope::Read)),
    (Method::POST, "/api/v1/notes", Need::Scope(Scope::Act)),
    (Method::POST, "/api/v1/notes/{id}/photos", Need::Scope(Scope::Act)),
    (Method::GET, "/api/v1/photos/{id}", Need::Scope(Scope::Read)),
    (Method::DELETE, "/api/v1/photos/{id}", Need::Scope(Scope::Act)),
    (Method::GET, "/api/v1/photos/{id}/small", Need::Scope(Scope::Read)),
    (Method::PUT, "/api/v1/photos/{id}/small", Need::Scope(Scope::Act)),
    (Method::GET, "/api/v1/diary", Need::Scope(Scope::Read)),
    (Method::POST, "/api/v1/design/look", Need::Session(Role::Operator)),
    (Method::POST, "/api/v1/design/study", Need::Session(Role::Operator)),
    (Method::POST, "/api/v1/design/replay", Need::Session(Role::Operator)),
    (Method::POST, "/api/v1/design/mends", Need::Session(Role::Operator)),
    (Method::POST, "/api/v1/design/compare", Need::Session(Role::Operator)),
    (Method::GET, "/api/v1/design/questions", Need::Session(Role::Operator)),
    (Method::POST, "/api/v1/design/start", Need::Session(Role::Operator)),
    (Method::GET, "/api/v1/design/parts", Need::Session(Role::Operator)),
    (Method::GET, "/api/v1/boards/{board}/study", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/boards/{board}/wiring", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/boards/{board}/program", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/boards/{board}/series/expected", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/boards/{board}/file", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/drafts", Need::Session(Role::Operator)),
    (Method::GET, "/api/v1/drafts/{name}", Need::Session(Role::Operator)),
    (Method::PUT, "/api/v1/drafts/{name}", Need::Session(Role::Operator)),
    (Method::DELETE, "/api/v1/drafts/{name}", Need::Session(Role::Operator)),
    (Method::GET, "/api/v1/care", Need::Scope(Scope::Read)),
    (Method::POST, "/api/v1/care/feed", Need::Session(Role::Operator)),
    (Method::DELETE, "/api/v1/care/feed", Need::Session(Role::Operator)),
    (Method::GET, "/api/v1/care/calendar/{secret}", Need::Nothing),
    (Method::GET, "/api/v1/boards/{board}/care", Need::Scope(Scope::Read)),
    (Method::POST, "/api/v1/boards/{board}/care", Need::Scope(Scope::Act)),
    (Method::GET, "/api/v1/boards/{board}/water", Need::Scope(Scope::Read)),
    (Method::POST, "/api/v1/boards/{board}/water", Need::Scope(Scope::Act)),
    (Method::POST, "/api/v1/boards/{board}/water/tests", Need::Scope(Scope::Act)),
    (Method::GET, "/api/v1/boards/{board}/water/dose", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/boards/{board}/water/lime", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/boards/{board}/water/change", Need::Scope(Scope::Read)),
    (Method::DELETE, "/api/v1/boards/{board}/water/{id}", Need::Scope(Scope::Act)),
    (Method::GET, "/api/v1/boards/{board}/calibrations", Need::Scope(Scope::Read)),
    (Method::POST, "/api/v1/boards/{board}/calibrations/{sensor}", Need::Scope(Scope::Act)),
    (Method::POST, "/api/v1/boards/{board}/calibrations/{sensor}/undo", Need::Scope(Scope::Act)),
    (Method::POST, "/api/v1/boards/{board}/pumps/{pump}/calibrate", Need::Scope(Scope::Program)),
    (Method::GET, "/api/v1/boards/{board}/fit", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/boards/{board}/fit/file", Need::Scope(Scope::Read)),
    (Method::POST, "/api/v1/boards/{board}/fit/right", Need::Scope(Scope::Act)),
    (Method::GET, "/api/v1/boards/{board}/calibrations/{sensor}/reading", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/section.svg", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/section", Need::Scope(Scope::Read)),
    (Method::GET, "/api/v1/system", Need::Scope(Scope::Read)),
];

/// What a route needs; `None`: it is in no table, so nobody may.
pub fn of(method: &Method, path: &str) -> Option<Need> {
    // HEAD is GET without the body.
    let method = if method == Method::HEAD { &Method::GET } else { method };
    ROUTES.iter().find(|(m, p, _)| m == method && *p == path).map(|(_, _, need)| *need)
}
