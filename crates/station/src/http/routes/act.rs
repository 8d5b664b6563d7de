//! Commands: hand, resets, procedures, make safe, and the audit trail.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use link::message::ProcedureCommand;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{OfBoard, Rows, no_board, said};
use crate::app::App;
use crate::auth::door::Who;
use crate::boards::Act;
use crate::http::guard::{Ask, Body, Place};
use crate::http::problem::{Problem, ProblemBody};
use crate::live::trip_id;
use crate::orders::{Order, carry_out};

/// Waits for a place, carries out, gives the outcome. A reader that goes away stops nothing.
pub(super) async fn order<T: Send + 'static>(
    app: Arc<App>,
    act: impl FnOnce(&App) -> Result<T, Problem> + Send + 'static,
) -> Result<T, Problem> {
    let task = {
        let app = app.clone();
        tokio::spawn(async move {
            let Ok(_place) = app.commands.try_acquire() else {
                return Err(Problem::busy(
                    "Too many commands wait for their boards. Nothing was sent; try again in a few seconds.",
                ));
            };
            app.blocking(act).await
        })
    };
    task.await.unwrap_or_else(|_| {
        Err(Problem::internal("The command was broken off; the audit trail says what is known."))
    })
}

fn one(orders: Vec<Order>) -> Result<Json<Order>, Problem> {
    orders.into_iter().next().map(Json).ok_or_else(|| Problem::internal("There is no outcome."))
}

/// A hand command.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct Hand {
    /// The actuator, as in the system file.
    drive: String,
    /// 0 or 1; percent if modulated. Not there: the drive is given back to its rule.
    #[schema(minimum = 0, maximum = 100)]
    value: Option<f64>,
    /// It ends by itself after so many minutes, above 0 up to 720. Needed with a value.
    #[schema(minimum = 0, maximum = 720)]
    minutes: Option<f64>,
    /// Why, 1 to 200 characters.
    why: String,
}

/// Takes a drive into hand for a time, or gives it back. The answer is the board's: done with the output afterwards, refused with the reason, or not
/// done. Permissives and trips bind a hand too.
#[utoipa::path(post, path = "/api/v1/boards/{board}/hand", tag = "commands", params(("board" = String, Path, description = "Name of the board")),
    request_body = Hand, security(("session" = []), ("token" = [])),
    responses((status = 200, body = Order), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn hand(
    State(app): State<Arc<App>>,
    who: Who,
    Place(board): Place<String>,
    Body(hand): Body<Hand>,
) -> Result<Json<Order>, Problem> {
    let why = said(&hand.why, "why", 200)?;
    let board = app.site.board(&board).ok_or_else(|| no_board(&app))?;
    let found = board.names.drives.iter().find(|of| board.system.actuators[of.idx()].name == hand.drive);
    let Some(actuator) = found.copied() else {
        return Err(Problem::not_found(format!(
            "Board {} drives nothing of that name. /api/v1/state lists its drives.",
            board.settings.name
        )));
    };
    let part = &board.system.actuators[actuator.idx()];
    let wanted = hand.value.map(|value| (value, hand.minutes.unwrap_or(0.0)));
    let (act, what) = crate::orders::hand(part, actuator, wanted).map_err(Problem::not_possible)?;
    let (n, who) = (board.id.0, who.signature());
    one(order(app, move |app| Ok(vec![carry_out(app, n, &who, &why, what, act)?])).await?)
}

/// Why.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct Why {
    /// Why, 1 to 200 characters.
    pub(super) why: String,
}

/// Resets a trip. It latches again at once while its condition holds.
#[utoipa::path(post, path = "/api/v1/boards/{board}/trips/{trip}/reset", tag = "commands",
    params(("board" = String, Path, description = "Name of the board"), ("trip" = String, Path, description = "Id of the trip, as in the state")),
    request_body = Why, security(("session" = []), ("token" = [])),
    responses((status = 200, body = Order), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn reset_trip(
    State(app): State<Arc<App>>,
    who: Who,
    Place((board, trip)): Place<(String, String)>,
    Body(why): Body<Why>,
) -> Result<Json<Order>, Problem> {
    let why = said(&why.why, "why", 200)?;
    let board = app.site.board(&board).ok_or_else(|| no_board(&app))?;
    let Some(order_of_trip) = (0..board.names.trips.len()).find(|n| trip_id(board, *n) == trip) else {
        return Err(Problem::not_found(format!(
            "Board {} has no such trip. /api/v1/state lists its trips.",
            board.settings.name
        )));
    };
    let (n, who, what) = (board.id.0, who.signature(), format!("reset of the trip {trip}"));
    let act = Act::ResetTrip { trip: order_of_trip as u8 };
    one(order(app, move |app| Ok(vec![carry_out(app, n, &who, &why, what, act)?])).await?)
}

/// What a procedure is told.
#[derive(Deserialize, ToSchema, Clone, Copy, PartialEq, Eq, Debug)]
#[serde(rename_all = "lowercase")]
pub(super) enum ProcedureAct {
    /// Begin with the first step.
    Start,
    /// The step that waits is done.
    Confirm,
    /// End at once.
    Stop,
}

/// What a procedure is told, and why.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct ProcedureOrder {
    /// What it is told.
    act: ProcedureAct,
    /// Why, 1 to 200 characters.
    why: String,
}

/// Starts, confirms or stops a procedure of the system file.
#[utoipa::path(post, path = "/api/v1/boards/{board}/procedures/{procedure}", tag = "commands",
    params(("board" = String, Path, description = "Name of the board"), ("procedure" = String, Path, description = "Name of the procedure")),
    request_body = ProcedureOrder, security(("session" = []), ("token" = [])),
    responses((status = 200, body = Order), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn procedure(
    State(app): State<Arc<App>>,
    who: Who,
    Place((board, procedure)): Place<(String, String)>,
    Body(told): Body<ProcedureOrder>,
) -> Result<Json<Order>, Problem> {
    let why = said(&told.why, "why", 200)?;
    let board = app.site.board(&board).ok_or_else(|| no_board(&app))?;
    let found = board.names.procedures.iter().find(|of| board.system.procedures[of.idx()].name == procedure);
    let Some(found) = found.copied() else {
        return Err(Problem::not_found(format!(
            "Board {} has no such procedure. /api/v1/state lists them.",
            board.settings.name
        )));
    };
    let (command, word) = match told.act {
        ProcedureAct::Start => (ProcedureCommand::Start, "start"),
        ProcedureAct::Confirm => (ProcedureCommand::Confirm, "confirm the step"),
        ProcedureAct::Stop => (ProcedureCommand::Stop, "stop"),
    };
    let what = format!("procedure {procedure}: {word}");
    let (n, who) = (board.id.0, who.signature());
    let act = Act::Procedure { procedure: found, command };
    one(order(app, move |app| Ok(vec![carry_out(app, n, &who, &why, what, act)?])).await?)
}

/// What became of "make safe".
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct SafeBody {
    /// Every step was done.
    is_all_done: bool,
    /// Each step with its outcome, in order.
    steps: Vec<Order>,
}

/// The one act for the night: dosing and top-off off, water movement on, heaters on their own thermostats; on one board, or on the first. Every step is a
/// command of its own, with its outcome.
#[utoipa::path(post, path = "/api/v1/make-safe", tag = "commands", params(OfBoard), request_body = Why, security(("session" = []), ("token" = [])),
    responses((status = 200, body = SafeBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn make_safe(
    State(app): State<Arc<App>>,
    who: Who,
    Ask(of): Ask<OfBoard>,
    Body(why): Body<Why>,
) -> Result<Json<SafeBody>, Problem> {
    let why = said(&why.why, "why", 200)?;
    let board = of.find(&app)?.id;
    let who = who.signature();
    let steps: Vec<Order> = order(app, move |app| {
        let steps = app.hands.safe_steps(board).into_iter();
        steps
            .map(|step| carry_out(app, board.0, &who, &why, format!("make safe: {}", step.words), step.act))
            .collect()
    })
    .await?;
    let is_all_done = steps.iter().all(|step| step.status == crate::orders::Status::Done);
    Ok(Json(SafeBody { is_all_done, steps }))
}

/// The audit trail, the newest first.
#[utoipa::path(get, path = "/api/v1/commands", tag = "commands", params(Rows), security(("session" = []), ("token" = [])),
    responses((status = 200, body = Vec<Order>), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn commands(
    State(app): State<Arc<App>>,
    Ask(rows): Ask<Rows>,
) -> Result<Json<Vec<Order>>, Problem> {
    let page = rows.page()?;
    app.blocking(move |app| {
        let commands = app.store.commands(&page).map_err(Problem::store)?;
        let orders = commands.into_iter().map(|mut command| {
            if command.outcomes.is_empty() {
                command.outcomes.extend(app.later.outcome_of(command.id));
            }
            Order::of(command, app.started_ms)
        });
        Ok(Json(orders.collect()))
    })
    .await
}
