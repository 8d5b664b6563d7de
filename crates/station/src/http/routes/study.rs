//! Studies: the FMEA of a text row by row as it comes, and one fault in time. One at a time, behind the boards; who hangs up ends it.

use std::convert::Infallible;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use axum::Json;
use axum::extract::{DefaultBodyLimit, State};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use futures_util::stream;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use tokio::sync::{OwnedSemaphorePermit, mpsc, oneshot};
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use workbench::mending;
use workbench::replay::Wanted;
use workbench::study::{NoStudy, Told};

use super::design::{LONGEST_DESIGN, beside, check_length};
use crate::app::App;
use crate::design::{StopOnDrop, stand_back, wish};
use crate::http::guard::Body;
use crate::http::problem::{Problem, ProblemBody};

/// Between two signs of life on a stream on which nothing happens.
const SIGN_OF_LIFE: Duration = Duration::from_secs(5);
/// Events that may wait for a slow reader.
const WAITING_EVENTS: usize = 4096;

/// The routes with the body that they take.
pub(super) fn routes() -> OpenApiRouter<Arc<App>> {
    OpenApiRouter::new()
        .routes(routes!(design_study))
        .routes(routes!(design_replay))
        .routes(routes!(design_mends))
        .layer(DefaultBodyLimit::max(LONGEST_DESIGN))
}

/// A text to study.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct ToStudy {
    /// The text of a system file, at most 256 KiB.
    text: String,
    /// At the corners of the file too; true without it.
    corners: Option<bool>,
    /// The board whose own parts and planned places count with it; the first without it.
    board: Option<String>,
}

/// A fault to show in time.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct ToReplay {
    /// The text of a system file, at most 256 KiB.
    text: String,
    /// `part:mode`.
    fault: String,
    /// The requirement whose worst place is shown; without it the one for which the row is told.
    requirement: Option<String>,
    /// The instant of a cell, with its corner: that place is shown.
    instant: Option<String>,
    /// The corner of a cell, or `nominal`.
    corner: Option<String>,
    /// How long it runs, h; without it twice the time to the breach, or the unattended time.
    hours: Option<f64>,
    /// At the corners of the file too; true without it.
    corners: Option<bool>,
    /// The board whose own parts and planned places count with it; the first without it.
    board: Option<String>,
}

/// Why there is no study, as it goes out.
pub(super) fn refused(error: &NoStudy) -> Problem {
    match error {
        NoStudy::Stopped => Problem::busy("The study was stopped. Try again."),
        NoStudy::Findings(_) => Problem::not_possible(format!("{error} /api/v1/design/look lists them all.")),
        NoStudy::Unfit(_) => Problem::not_possible(error.to_string()),
    }
}

/// Waits until no other study runs.
pub(super) async fn turn(app: &App) -> Result<OwnedSemaphorePermit, Problem> {
    let place = app.design.turn().await;
    place.ok_or_else(|| Problem::busy("Another study runs on this station. Try again when it has ended."))
}

/// Sends events from a thread; when nobody reads any more the work is told to stop.
#[derive(Clone)]
pub(super) struct Sender {
    events: mpsc::Sender<Event>,
    stop: Arc<AtomicBool>,
}

impl Sender {
    pub(super) fn send(&self, name: &str, data: &impl Serialize) {
        let data = serde_json::to_string(data).unwrap_or_default();
        if self.events.blocking_send(Event::default().event(name).data(data)).is_err() {
            self.stop.store(true, Ordering::Relaxed);
        }
    }

    pub(super) fn stop(&self) -> &AtomicBool {
        &self.stop
    }
}

/// Runs work that sends events, and answers with them. The last event is `done` with what the work gives, or `failed` with a message.
pub(super) async fn streamed(
    app: &App,
    work: impl FnOnce(&Sender) -> Result<Value, NoStudy> + Send + 'static,
) -> Result<Response, Problem> {
    let place = turn(app).await?;
    let (events, received) = mpsc::channel(WAITING_EVENTS);
    let sender = Sender { events, stop: Arc::new(AtomicBool::new(false)) };
    let guard = StopOnDrop(sender.stop.clone());
    let last = sender.clone();
    let ended = move |result: Option<Result<Value, NoStudy>>| match result {
        Some(Ok(done)) => last.send("done", &done),
        Some(Err(error)) => {
            let findings = match &error {
                NoStudy::Findings(findings) => findings.as_slice(),
                _ => &[],
            };
            last.send("failed", &json!({ "message": error.to_string(), "diagnostics": findings }));
        }
        None => last.send("failed", &json!({ "message": "The study broke off: a mistake of the station." })),
    };
    stand_back(place, move || work(&sender), ended)
        .map_err(|error| Problem::busy(format!("The machine has no thread left: {error}. Try again.")))?;
    let events = stream::unfold((received, guard), |(mut received, guard)| async move {
        let event = received.recv().await?;
        Some((Ok::<_, Infallible>(event), (received, guard)))
    });
    let alive = KeepAlive::new().interval(SIGN_OF_LIFE).text("");
    Ok(Sse::new(events).keep_alive(alive).into_response())
}

/// The FMEA of a text as server-sent events: `plan`, then `row` by `row` as each is known, then `done`; or `failed`. docs/design-api.md
/// has the fields. An unchanged text answers at once. Closing the stream ends the study.
#[utoipa::path(post, path = "/api/v1/design/study", tag = "design", request_body = ToStudy, security(("session" = [])),
    responses((status = 200, body = String, content_type = "text/event-stream"),
        (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn design_study(
    State(app): State<Arc<App>>,
    Body(asked): Body<ToStudy>,
) -> Result<Response, Problem> {
    check_length(&asked.text)?;
    let beside = beside(&app, asked.board)?;
    let (wish, kept) = (wish(asked.corners), app.design.kept.clone());
    streamed(&app, move |sender| {
        let began = Instant::now();
        let is_known = kept.known(&asked.text, &beside, wish).is_some();
        let tell = |told: Told<'_>| match told {
            Told::Head(head) => sender.send("plan", head),
            Told::Row(row) => sender.send("row", row),
            Told::Progress(done, total) => sender.send("progress", &json!({ "done": done, "total": total })),
        };
        let study = kept.study(&asked.text, &beside, wish, sender.stop(), &tell)?;
        let open = study.n_open();
        Ok(json!({
            "rows": study.rows.len(),
            "closed": study.rows.len() - open,
            "open": open,
            "without_fault": study.without_fault,
            "diagnostics": study.findings,
            "took_ms": began.elapsed().as_millis() as u64,
            "cached": is_known,
        }))
    })
    .await
}

/// One fault in time: levels, readings and what ran, with who acted at which moment.
#[utoipa::path(post, path = "/api/v1/design/replay", tag = "design", request_body = ToReplay, security(("session" = [])),
    responses((status = 200, body = Value), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn design_replay(
    State(app): State<Arc<App>>,
    Body(asked): Body<ToReplay>,
) -> Result<Json<Value>, Problem> {
    check_length(&asked.text)?;
    let beside = beside(&app, asked.board)?;
    let place = turn(&app).await?;
    let (wish, kept) = (wish(asked.corners), app.design.kept.clone());
    let stop = Arc::new(AtomicBool::new(false));
    let _guard = StopOnDrop(stop.clone());
    let wanted = Wanted {
        fault: asked.fault,
        requirement: asked.requirement,
        instant: asked.instant,
        corner: asked.corner,
        hours: asked.hours,
    };
    let (answer, answered) = oneshot::channel();
    let work = move || {
        let view = kept.replay(&asked.text, &beside, wish, &wanted, &stop);
        view.map(|view| serde_json::to_value(view).unwrap_or_default())
    };
    stand_back(place, work, |result| {
        // Nobody may be waiting any more.
        let _ = answer.send(result);
    })
    .map_err(|error| Problem::busy(format!("The machine has no thread left: {error}. Try again.")))?;
    match answered.await {
        Ok(Some(Ok(view))) => Ok(Json(view)),
        Ok(Some(Err(error))) => Err(refused(&error)),
        _ => Err(Problem::internal("The replay broke off; try again, and report it with the text.")),
    }
}

/// A row that is to be mended.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct ToMend {
    /// The text of a system file, at most 256 KiB.
    text: String,
    /// `part:mode`.
    fault: String,
    /// The requirement that shall hold; without it all that nobody accepted.
    requirement: Option<String>,
    /// At the corners of the file too; true without it.
    corners: Option<bool>,
    /// The board whose own parts and planned places count with it; the first without it.
    board: Option<String>,
}

/// What would mend a row, each standard change tried by simulation: `trying`, then `mend` with what came of it, then `done`; or `failed`.
/// Closing the stream ends it.
#[utoipa::path(post, path = "/api/v1/design/mends", tag = "design", request_body = ToMend, security(("session" = [])),
    responses((status = 200, body = String, content_type = "text/event-stream"),
        (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn design_mends(
    State(app): State<Arc<App>>,
    Body(asked): Body<ToMend>,
) -> Result<Response, Problem> {
    check_length(&asked.text)?;
    let beside = beside(&app, asked.board)?;
    let (wish, kept) = (wish(asked.corners), app.design.kept.clone());
    streamed(&app, move |sender| {
        let tell = |told: mending::Told<'_>| match told {
            mending::Told::Trying(remedy) => sender.send("trying", remedy),
            mending::Told::Mend(mend) => sender.send("mend", mend),
        };
        let requirement = asked.requirement.as_deref();
        let sum = kept.mends(&asked.text, &beside, wish, &asked.fault, requirement, sender.stop(), &tell)?;
        Ok(serde_json::to_value(sum).unwrap_or_default())
    })
    .await
}
