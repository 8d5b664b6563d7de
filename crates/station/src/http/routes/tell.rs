//! How people are told: what stands with each way, and the test of one.

use std::sync::Arc;

use ::tell::Teller;
use axum::Json;
use axum::extract::State;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::Told;
use crate::app::App;
use crate::auth::door::Who;
use crate::http::guard::Body;
use crate::http::problem::{Problem, ProblemBody};

/// One way of telling.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct WayBody {
    /// Its name in the station file.
    name: String,
    /// Messages that wait.
    n_waiting: u64,
    /// When it last took a message, ms since 1970.
    #[serde(skip_serializing_if = "Option::is_none")]
    last_sent_ms: Option<i64>,
    /// Since when it fails, ms since 1970.
    #[serde(skip_serializing_if = "Option::is_none")]
    failing_since_ms: Option<i64>,
    /// What its peer, or the line to it, said last.
    last_answer: String,
}

/// What stands with each way of telling.
#[utoipa::path(get, path = "/api/v1/tell", tag = "alarms", security(("session" = []), ("token" = [])),
    responses((status = 200, body = Vec<WayBody>), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn ways(State(app): State<Arc<App>>) -> Result<Json<Vec<WayBody>>, Problem> {
    app.blocking(|app| {
        let states = app.teller.get().map(Teller::states).transpose().map_err(Problem::store)?;
        let ways = states.unwrap_or_default().into_iter().map(|way| WayBody {
            name: way.name,
            n_waiting: way.waiting,
            last_sent_ms: way.last_sent_ms,
            failing_since_ms: way.failing_since_ms,
            last_answer: way.last_answer,
        });
        Ok(Json(ways.collect()))
    })
    .await
}

/// Which way is tried.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct Which {
    /// Its name.
    way: String,
}

/// Sends a test message by one way. What its peer answered shows in /api/v1/tell.
#[utoipa::path(post, path = "/api/v1/tell/test", tag = "alarms", request_body = Which, security(("session" = []), ("token" = [])),
    responses((status = 200, body = Told), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn test(
    State(app): State<Arc<App>>,
    who: Who,
    Body(which): Body<Which>,
) -> Result<Json<Told>, Problem> {
    app.blocking(move |app| {
        let Some(teller) = app.teller.get() else {
            return Err(Problem::not_found("The station file names no way of telling: add one to [tell]."));
        };
        teller.test(&which.way, &who.signature()).map_err(|why| Problem::not_found(format!("{why}.")))?;
        Ok(Told::new("The test is on its way; its answer shows with the way."))
    })
    .await
}
