//! Calibrations: reckoned from readings, sent to the board, kept, taken back.

use std::sync::Arc;

use ::care::calibration::buffers::{Buffer, Reference};
use ::care::calibration::electrode::{self, BufferPoint};
use ::care::calibration::linear::{self, LinearPoint, Measured};
use axum::Json;
use axum::extract::State;
use program::calibration::{Correction, ENTRY_LENGTH, Entry};
use serde::{Deserialize, Serialize};
use store::{Calibration, Page};
use utoipa::ToSchema;

use super::of_store;
use super::probes::{self, Measures, MeteredBody, ProbeBody};
use super::remark::{RemarkBody, remarks};
use crate::app::{App, now_ms};
use crate::auth::door::Who;
use crate::boards::Act;
use crate::care::DAY_MS;
use crate::http::guard::{Body, Place};
use crate::http::problem::{Problem, ProblemBody};
use crate::http::routes::{no_board, said};
use crate::orders::{Order, Status, carry_out};
use crate::site::SiteBoard;

/// A calibration.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct CalibrationBody {
    /// Its number.
    id: i64,
    /// When, ms since 1970.
    at_ms: i64,
    /// The sensor.
    part: String,
    /// Who.
    who: String,
    /// What the board was sent, in words; `forgotten`: it was taken back to none.
    says: String,
    /// References and the like.
    note: String,
}

/// Calibrations of a board with what they say of its probes.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct CalibrationsBody {
    /// The newest first, at most a thousand.
    calibrations: Vec<CalibrationBody>,
    /// Every probe that can be calibrated.
    probes: Vec<ProbeBody>,
    /// Pumps whose flow is part of the program.
    pumps: Vec<MeteredBody>,
}

pub(super) fn entry_of(calibration: &Calibration) -> Option<Entry> {
    let bytes: &[u8; ENTRY_LENGTH] = calibration.entry.as_slice().try_into().ok()?;
    Entry::from_bytes(bytes)
}

fn entry_words(entry: Option<Entry>) -> String {
    match entry.map(|e| e.correction) {
        Some(Correction::Ph(e)) => {
            let percent = |uv: u16| f64::from(uv) / f64::from(program::calibration::IDEAL_SLOPE_UV) * 100.0;
            format!(
                "slopes {:.1} % and {:.1} %, offset {:+.2} mV",
                percent(e.acid_slope_uv),
                percent(e.base_slope_uv),
                f64::from(e.offset_uv) / 1e3
            )
        }
        Some(Correction::Linear(l)) => {
            format!("offset {:+.3}, gain {:.4}", f64::from(l.offset) / 1e3, f64::from(l.gain_ppm) / 1e6)
        }
        Some(Correction::Parameter(ul_min)) => format!("{:.3} mL/min", f64::from(ul_min) / 1e3),
        None => "forgotten".to_owned(),
    }
}

pub(super) fn of_board(app: &App, board: &SiteBoard) -> Result<Vec<Calibration>, Problem> {
    let page = Page {
        source: Some(board.settings.name.clone()),
        limit: 1000,
        newest_first: true,
        ..Page::default()
    };
    app.store.calibrations(&page).map_err(of_store)
}

/// Calibrations of a board's probes, and what they say of them.
#[utoipa::path(get, path = "/api/v1/boards/{board}/calibrations", tag = "care", params(("board" = String, Path, description = "Its name")),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = CalibrationsBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn calibrations(
    State(app): State<Arc<App>>,
    Place(board): Place<String>,
) -> Result<Json<CalibrationsBody>, Problem> {
    app.blocking(move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        let all = of_board(app, board)?;
        let probes = probes::probes(board, &all, now_ms());
        let calibrations = all.into_iter().map(|c| CalibrationBody {
            says: entry_words(entry_of(&c)),
            id: c.id,
            at_ms: c.at,
            part: c.input,
            who: c.who,
            note: c.note,
        });
        let calibrations = calibrations.collect();
        Ok(Json(CalibrationsBody { calibrations, probes, pumps: probes::pumps(board) }))
    })
    .await
}

/// A reading in a reference.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct PointBody {
    /// Of pH: the buffer by its label (`7.00`, `10.01`), or the pH that its bottle states.
    buffer: Option<String>,
    /// Of a thermometer or conductivity cell: what is true, °C or mS/cm, as the board refers it.
    truth: Option<f64>,
    /// Of pH: voltage of the electrode, mV; else what the probe shows without a calibration.
    reading: f64,
    /// Of pH: temperature of the buffer, °C.
    temperature_c: Option<f64>,
    /// Of pH: standard deviation of the reading, mV; 0 without it.
    #[serde(default)]
    sd: f64,
}

/// Readings to calibrate by.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct ToCalibrate {
    /// Readings, two or three of pH, one or two else.
    points: Vec<PointBody>,
    /// Sends it to the board when it is accepted; else it is only reckoned.
    #[serde(default)]
    send: bool,
    /// Why, and by what.
    why: String,
}

/// What came of a calibration.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct CalibratedBody {
    /// Whether it may be sent.
    is_accepted: bool,
    /// What the board is sent, in words.
    says: String,
    /// What is to be said of it.
    remarks: Vec<RemarkBody>,
    /// The order, when it was sent.
    #[serde(skip_serializing_if = "Option::is_none")]
    order: Option<Order>,
}

/// Reckons a calibration of a probe, and sends it to the board when that is asked for and it is accepted.
#[utoipa::path(post, path = "/api/v1/boards/{board}/calibrations/{sensor}", tag = "care",
    params(("board" = String, Path, description = "Its name"), ("sensor" = String, Path, description = "The probe")),
    request_body = ToCalibrate, security(("session" = []), ("token" = [])),
    responses((status = 200, body = CalibratedBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn calibrate(
    State(app): State<Arc<App>>,
    who: Who,
    Place((board, sensor)): Place<(String, String)>,
    Body(asked): Body<ToCalibrate>,
) -> Result<Json<CalibratedBody>, Problem> {
    let why = said(&asked.why, "why", 500)?;
    app.blocking(move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        let (correction, is_accepted, remarks) = reckon(board, &sensor, &asked.points)?;
        let says = entry_words(Some(Entry { input: 0, sequence: 0, day: 0, correction }));
        let order = if asked.send && is_accepted {
            Some(send(app, board, &sensor, Some(correction), &who.signature(), &why)?)
        } else {
            None
        };
        Ok(Json(CalibratedBody { is_accepted, says, remarks, order }))
    })
    .await
}

/// By the readings: what the board would be sent, whether it may, and what is to be said.
fn reckon(
    board: &SiteBoard,
    sensor: &str,
    points: &[PointBody],
) -> Result<(Correction, bool, Vec<RemarkBody>), Problem> {
    let (_, measures) = probes::find(board, sensor)?;
    let measured = match measures {
        Measures::Ph => {
            let points = points.iter().map(buffer_point).collect::<Result<Vec<_>, _>>()?;
            let made = electrode::calibrate(&points).map_err(|e| Problem::not_possible(format!("{e}.")))?;
            return Ok((Correction::Ph(made.electrode), made.is_accepted, remarks(made.findings)));
        }
        Measures::Conductivity => Measured::Conductivity,
        Measures::Temperature => Measured::Temperature,
    };
    let point = |p: &PointBody| {
        let truth = p.truth.ok_or_else(|| Problem::not_possible("Each point needs its `truth`."))?;
        Ok(LinearPoint { shown: p.reading, truth, half_width: 0.0 })
    };
    let points = points.iter().map(point).collect::<Result<Vec<_>, Problem>>()?;
    let made = linear::calibrate(measured, &points, measures.used_at())
        .map_err(|e| Problem::not_possible(format!("{e}.")))?;
    Ok((Correction::Linear(made.linear), made.is_accepted, remarks(made.findings)))
}

fn buffer_point(p: &PointBody) -> Result<BufferPoint, Problem> {
    let (Some(buffer), Some(temperature_c)) = (&p.buffer, p.temperature_c) else {
        return Err(Problem::not_possible(
            "Each point of a pH calibration needs its `buffer` and `temperature_c`.",
        ));
    };
    let reference = match (Buffer::of_label(buffer), buffer.trim().parse()) {
        (Some(buffer), _) => Reference::Table(buffer),
        (None, Ok(ph)) => Reference::Printed(ph),
        (None, Err(_)) => {
            return Err(Problem::not_possible(format!(
                "`{buffer}` is no buffer: give its pH, as in `7.00`."
            )));
        }
    };
    Ok(BufferPoint { reference, temperature_c, electrode_mv: p.reading, sd_mv: p.sd.max(0.0) })
}

/// Gives the board the calibration that it had before the newest one, or none; done twice it brings the newest back.
#[utoipa::path(post, path = "/api/v1/boards/{board}/calibrations/{sensor}/undo", tag = "care",
    params(("board" = String, Path, description = "Its name"), ("sensor" = String, Path, description = "The probe")),
    request_body = Undo, security(("session" = []), ("token" = [])),
    responses((status = 200, body = Order), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn undo_calibration(
    State(app): State<Arc<App>>,
    who: Who,
    Place((board, sensor)): Place<(String, String)>,
    Body(asked): Body<Undo>,
) -> Result<Json<Order>, Problem> {
    let why = said(&asked.why, "why", 500)?;
    app.blocking(move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        let row: Vec<Calibration> = of_board(app, board)?.into_iter().filter(|c| c.input == sensor).collect();
        if row.is_empty() {
            return Err(Problem::conflict(format!("No calibration of `{sensor}` was sent by the station.")));
        }
        let before = row.get(1).and_then(entry_of);
        Ok(Json(send(app, board, &sensor, before.map(|e| e.correction), &who.signature(), &why)?))
    })
    .await
}

/// Why a calibration is taken back.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct Undo {
    /// Why.
    why: String,
}

/// UTC days from 1970 to 2000, where a board counts from.
const DAYS_TO_2000: i64 = 10_957;

/// Sends a calibration (or none) to the board, in the audit trail, and keeps it when the board has taken it.
fn send(
    app: &App,
    board: &SiteBoard,
    sensor: &str,
    correction: Option<Correction>,
    who: &str,
    why: &str,
) -> Result<Order, Problem> {
    let input = board.names.number_input(sensor).ok_or_else(|| {
        Problem::not_possible(format!("{}.", probes::not_kept(board, sensor).unwrap_or_default()))
    })?;
    let last = of_board(app, board)?.into_iter().find(|c| c.input == sensor);
    let stands = last.as_ref().and_then(entry_of);
    let now = now_ms();
    let day = u16::try_from(now.div_euclid(DAY_MS) - DAYS_TO_2000).unwrap_or(0);
    let forget = |what: String| {
        carry_out(app, board.id.0, who, why, what, Act::Calibrate { entry: Entry::forget(input) })
    };
    let (entry, order) = match correction {
        None => (Entry::forget(input), forget(format!("{sensor}: calibration forgotten"))?),
        Some(correction) => {
            // Whatever the board has that the station does not know of would refuse a sequence that is not later.
            if stands.is_none() {
                let cleared = forget(format!("{sensor}: earlier calibration forgotten"))?;
                if cleared.status != Status::Done && cleared.status != Status::Refused {
                    return Ok(cleared);
                }
            }
            let sequence = stands.map_or(0, |e| (e.sequence + 1) & 15);
            let entry = Entry { input, sequence, day, correction };
            let what = format!("{sensor}: calibrated, {}", entry_words(Some(entry)));
            (
                entry.to_bytes(),
                carry_out(app, board.id.0, who, why, what, Act::Calibrate { entry: entry.to_bytes() })?,
            )
        }
    };
    if order.status == Status::Done {
        let kept = Calibration {
            id: 0,
            at: now,
            source: board.settings.name.clone(),
            input: sensor.to_owned(),
            who: who.to_owned(),
            entry: entry.to_vec(),
            note: why.to_owned(),
        };
        app.store.add_calibration(&kept).map_err(|error| {
            Problem::store(format!("{error}; the board has taken the calibration, but it is not kept here"))
        })?;
    }
    Ok(order)
}
