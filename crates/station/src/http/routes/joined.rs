//! Joined controllers: what they say, and where the rules in shadow would have acted otherwise.

use std::sync::Arc;

use axum::Json;
use axum::extract::{Path, State};

use super::Told;
use crate::app::{App, now_ms};
use crate::auth::door::Who;
use crate::http::problem::{Problem, ProblemBody};
use crate::joined::JoinedNow;

/// Every joined controller, in the order of the station file; an empty list where none is joined.
#[utoipa::path(get, path = "/api/v1/joined", tag = "now", security(("session" = []), ("token" = [])),
    responses((status = 200, body = Vec<JoinedNow>), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn joined(State(app): State<Arc<App>>) -> Json<Vec<JoinedNow>> {
    Json(app.joined.iter().map(|joined| (*joined.now()).clone()).collect())
}

/// Resets the trips of the rules in shadow beside a joined controller. Nothing is sent to the controller; a trip whose cause stands stays.
#[utoipa::path(post, path = "/api/v1/joined/{name}/reset-trips", tag = "now", params(("name" = String, Path, description = "Name of the joined controller")),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = Told), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn reset_trips(
    State(app): State<Arc<App>>,
    who: Who,
    Path(name): Path<String>,
) -> Result<Json<Told>, Problem> {
    app.blocking(move |app| {
        let Some(joined) = app.joined.iter().find(|joined| joined.name == name) else {
            let names: Vec<&str> = app.joined.iter().map(|joined| joined.name.as_str()).collect();
            let known = if names.is_empty() { "none".to_owned() } else { names.join(", ") };
            return Err(Problem::not_found(format!("No controller of that name is joined; there is: {known}.")));
        };
        if !joined.reset_trips() {
            return Err(Problem::busy("Too much of it waits to be taken in; try again in a moment."));
        }
        let what = format!("{} reset the trips of the rules in shadow", who.signature());
        app.store.add_event(now_ms(), &joined.name, "shadow", &what).map_err(Problem::store)?;
        Ok(Told::new("The trips of the rules in shadow are reset at their next scan. Nothing was sent to the controller."))
    })
    .await
}
