//! Metered pumps: a flow is reckoned from caught volumes, put into the file that the board runs, and sent as a revision. A flow is part of the program, so
//! it goes on trial like any change of it, and is taken back by going back to the revision before.

use std::sync::Arc;

use ::care::calibration::pump::{self, Catch};
use axum::Json;
use axum::extract::State;
use program::calibration::{Correction, Entry};
use serde::{Deserialize, Serialize};
use store::Calibration;
use utoipa::ToSchema;
use workbench::flow::{WithFlow, by_file, with_flow};

use super::calibrations::{entry_of, of_board};
use crate::app::{App, now_ms};
use crate::auth::door::Who;
use crate::http::guard::{Body, Place};
use crate::http::problem::{Problem, ProblemBody};
use crate::http::routes::act::order;
use crate::http::routes::revisions::{USUAL_MIN, reasons_said};
use crate::http::routes::{no_board, said};
use crate::orders::Status;
use crate::revisions::{self, Sent, Wish};
use crate::site::SiteBoard;
use crate::weighing::{Compare, Reasons};

/// Step of a usual measuring cylinder, mL.
const USUAL_STEP_ML: f64 = 0.5;

/// A volume that was caught.
#[derive(Deserialize, ToSchema, Clone, Copy, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct CatchBody {
    /// How long the pump ran, s.
    seconds: f64,
    /// What was caught, mL.
    millilitres: f64,
}

/// Caught volumes, and whether the flow is to be sent.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct ToMeasure {
    /// The catches, at most a hundred.
    catches: Vec<CatchBody>,
    /// Step of the measuring vessel, mL; 0.5 without it.
    step_ml: Option<f64>,
    /// Sends it as a revision, on trial, when it is accepted; without it it is only reckoned.
    send: Option<FlowToSend>,
}

/// How a flow is to be sent.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct FlowToSend {
    /// Why, and by what, 1 to 200 characters.
    why: String,
    /// Unless it is confirmed within so many minutes the board goes back, 1 to 255; 60 without it.
    #[schema(minimum = 1, maximum = 255)]
    minutes: Option<u8>,
    /// Why each row of the FMEA that gets worse may do so.
    #[serde(default)]
    reasons: Reasons,
    /// `later`: it is sent at once, and compared with what runs afterwards.
    compare: Option<Compare>,
}

/// What came of the catches.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct MeasuredBody {
    /// Whether it may be sent.
    is_accepted: bool,
    /// The flow, mL/min.
    flow_ml_min: f64,
    /// Half of its 95 % interval, mL/min.
    half95_ml_min: f64,
    /// The flow by the file that the board runs, mL/min.
    before_ml_min: f64,
    /// What is to be said of it.
    remarks: Vec<String>,
    /// What changes in the file, in words.
    changes: Vec<String>,
    /// The file with the new flow.
    text: String,
    /// What became of it, when it was sent.
    #[serde(skip_serializing_if = "Option::is_none")]
    sent: Option<Sent>,
}

/// Reckons the flow of a metered pump from caught volumes and puts it into the file that the board runs; with `send` it goes to the board as a revision
/// on trial, and is kept among the calibrations. It is taken back by going back to the revision before.
#[utoipa::path(post, path = "/api/v1/boards/{board}/pumps/{pump}/calibrate", tag = "care",
    params(("board" = String, Path, description = "Its name"), ("pump" = String, Path, description = "The pump: an actuator")),
    request_body = ToMeasure, security(("session" = []), ("token" = [])),
    responses((status = 200, body = MeasuredBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn calibrate_pump(
    State(app): State<Arc<App>>,
    who: Who,
    Place((board, pump)): Place<(String, String)>,
    Body(asked): Body<ToMeasure>,
) -> Result<Json<MeasuredBody>, Problem> {
    let who = who.signature();
    let ToMeasure { catches, step_ml, send } = asked;
    if catches.len() > 100 {
        return Err(Problem::not_possible("A hundred catches are enough: send at most so many."));
    }
    let catches: Vec<Catch> =
        catches.iter().map(|c| Catch { seconds: c.seconds, millilitres: c.millilitres }).collect();
    let step_ml = step_ml.unwrap_or(USUAL_STEP_ML);
    let Some(to_send) = send else {
        return app
            .blocking(move |app| {
                let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
                reckon(app, board, &pump, &catches, step_ml).map(|(body, _)| Json(body))
            })
            .await;
    };
    let (why, given) = (said(&to_send.why, "why", 200)?, reasons_said(&to_send.reasons)?);
    order(app, move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        let (mut body, made) = reckon(app, board, &pump, &catches, step_ml)?;
        if !body.is_accepted {
            return Ok(body);
        }
        let minutes = to_send.minutes.unwrap_or(USUAL_MIN);
        let wish = Wish { who: &who, why: &why, minutes, reasons: &given, compare: to_send.compare };
        let sent = revisions::deploy(app, board, &body.text, &wish)?;
        if sent.order.status == Status::Done {
            keep(app, board, &pump, &made, (&who, &why), sent.revision)?;
        }
        body.sent = Some(sent);
        Ok(body)
    })
    .await
    .map(Json)
}

fn reckon(
    app: &App,
    board: &SiteBoard,
    pump: &str,
    catches: &[Catch],
    step_ml: f64,
) -> Result<(MeasuredBody, pump::PumpCalibration), Problem> {
    let nominal = by_file(&board.system, pump);
    let first = of_board(app, board)?.into_iter().rfind(|one| one.input == pump);
    let first = first.and_then(|one| match entry_of(&one)?.correction {
        Correction::Parameter(ul_min) => Some(f64::from(ul_min) / 1e3),
        _ => None,
    });
    let made = pump::calibrate(catches, step_ml, nominal, first)
        .map_err(|error| Problem::not_possible(format!("{error}.")))?;
    let flow = made.flow_ml_min;
    let WithFlow { text, before_ml_min, changes } =
        with_flow(&board.text, &board.beside(), pump, flow.value).map_err(Problem::not_possible)?;
    let body = MeasuredBody {
        is_accepted: made.is_accepted,
        flow_ml_min: flow.value,
        half95_ml_min: flow.half95,
        before_ml_min,
        remarks: made.findings.iter().map(|finding| finding.message.clone()).collect(),
        changes,
        text,
        sent: None,
    };
    Ok((body, made))
}

/// Keeps it among the calibrations, with the revision that carries it.
fn keep(
    app: &App,
    board: &SiteBoard,
    pump: &str,
    made: &pump::PumpCalibration,
    (who, why): (&str, &str),
    revision: i64,
) -> Result<(), Problem> {
    let correction = Correction::Parameter(made.parameter_ul_min);
    let kept = Calibration {
        id: 0,
        at: now_ms(),
        source: board.settings.name.clone(),
        input: pump.to_owned(),
        who: who.to_owned(),
        entry: Entry { input: 0, sequence: 0, day: 0, correction }.to_bytes().to_vec(),
        note: format!(
            "{why}; ± {:.3} mL/min, scatter {:.1} %; sent on trial as revision {revision}",
            made.flow_ml_min.half95, made.scatter_percent
        ),
    };
    app.store.add_calibration(&kept).map(drop).map_err(Problem::store)
}
