//! Probes: what their calibrations say of each, and what one shows now while it stands in a reference.

use std::sync::Arc;

use ::care::calibration::buffers::Buffer;
use ::care::calibration::drift::{
    AsFound, Made, MadeLinear, Wanted, ageing, ageing_findings, found_linear, holding, holding_findings,
};
use ::care::calibration::electrode::{NERNST_25C_MV, voltage_mv};
use ::care::calibration::linear::{seawater_standard_ms_cm, uncorrected};
use ::care::calibration::still::{Criterion, Stillness, judge};
use axum::Json;
use axum::extract::State;
use control::InputPlace;
use program::calibration::{Correction, IDEAL_SLOPE_UV, PhElectrode};
use program::wiring::NumberDriver;
use serde::{Deserialize, Serialize};
use store::{Calibration, Point, Quality, SeriesId};
use system::model::{ActuatorIdx, ActuatorKind, PassageKind, Sensor, SensorKind};
use utoipa::{IntoParams, ToSchema};

use super::calibrations::{entry_of, of_board};
use super::of_store;
use super::remark::{RemarkBody, remarks};
use crate::app::{App, now_ms};
use crate::care::DAY_MS;
use crate::http::guard::{Ask, Place};
use crate::http::problem::{Problem, ProblemBody};
use crate::http::routes::no_board;
use crate::site::SiteBoard;

/// What a probe measures.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Measures {
    /// pH, by an electrode.
    Ph,
    /// Temperature.
    Temperature,
    /// Conductivity.
    Conductivity,
}

impl Measures {
    /// What a sensor measures, if it is calibrated at all.
    pub(super) fn of(sensor: &Sensor) -> Option<Measures> {
        match sensor.kind {
            SensorKind::Ph { .. } => Some(Measures::Ph),
            SensorKind::Conductivity => Some(Measures::Conductivity),
            SensorKind::Ds18b20 | SensorKind::Tmp36 { .. } | SensorKind::Ntc { .. } => {
                Some(Measures::Temperature)
            }
            _ => None,
        }
    }

    /// Unit of its reading without a calibration.
    fn own_unit(self) -> &'static str {
        match self {
            Measures::Ph => "mV",
            Measures::Temperature => "degC",
            Measures::Conductivity => "mS/cm",
        }
    }

    fn wanted(self) -> Wanted {
        match self {
            Measures::Ph => Wanted::PH,
            Measures::Temperature => Wanted::TEMPERATURE,
            Measures::Conductivity => Wanted::CONDUCTIVITY,
        }
    }

    /// Where a linear probe works, in its unit.
    pub(super) fn used_at(self) -> f64 {
        if self == Measures::Conductivity { 53.0 } else { 25.0 }
    }
}

/// A calibration of a probe in numbers.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct MadeBody {
    /// When, ms since 1970.
    at_ms: i64,
    /// Of an electrode: the lower slope, % of the ideal one.
    #[serde(skip_serializing_if = "Option::is_none")]
    slope_percent: Option<f64>,
    /// Of an electrode: mV; else in the unit of the probe.
    offset: f64,
    /// Else: stretch of the reading.
    #[serde(skip_serializing_if = "Option::is_none")]
    gain: Option<f64>,
    /// How far the calibration before had gone off by then, in pH or the unit of the probe.
    #[serde(skip_serializing_if = "Option::is_none")]
    found_off: Option<f64>,
}

/// For how long a probe may be trusted.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct HoldsBody {
    /// Days for which a further reading stays within `tolerance`, with 95 % confidence; not there: fewer than three finds.
    #[serde(skip_serializing_if = "Option::is_none")]
    days: Option<f64>,
    /// pH or the unit of the probe.
    tolerance: f64,
    /// Unit of it.
    unit: &'static str,
    /// Days that are asked for (assumed).
    wanted_days: f64,
    /// Mean drift in a week.
    per_week: f64,
    /// Finds that it rests on.
    n: usize,
}

/// When an electrode will be out, ms since 1970.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct OutBody {
    /// With 95 % confidence not before.
    #[serde(skip_serializing_if = "Option::is_none")]
    earliest_ms: Option<i64>,
    /// By the line.
    #[serde(skip_serializing_if = "Option::is_none")]
    expected_ms: Option<i64>,
    /// With 95 % confidence not after.
    #[serde(skip_serializing_if = "Option::is_none")]
    latest_ms: Option<i64>,
}

/// A probe that is calibrated.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct ProbeBody {
    /// Its name.
    name: String,
    /// What it measures.
    #[schema(inline)]
    measures: Measures,
    /// Unit in which a calibration takes its readings.
    own_unit: &'static str,
    /// Why the board keeps no calibration of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    not_kept: Option<String>,
    /// The thermometer by which the board compensates it.
    #[serde(skip_serializing_if = "Option::is_none")]
    thermometer: Option<String>,
    /// Its calibrations, oldest first.
    made: Vec<MadeBody>,
    /// When it will be out, of an electrode with three calibrations.
    #[serde(skip_serializing_if = "Option::is_none")]
    out: Option<OutBody>,
    /// Whether it holds; not there: no calibration found another one off.
    #[serde(skip_serializing_if = "Option::is_none")]
    holds: Option<HoldsBody>,
    /// What is to be said of it.
    remarks: Vec<RemarkBody>,
}

/// A metered pump.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct MeteredBody {
    /// Its name.
    name: String,
    /// Flow by the system file, mL/min.
    flow_ml_min: f64,
}

/// Every probe that can be calibrated, with what its calibrations say.
pub(super) fn probes(board: &SiteBoard, all: &[Calibration], now: i64) -> Vec<ProbeBody> {
    let of = |sensor: &Sensor| Some(probe(board, sensor, Measures::of(sensor)?, all, now));
    board.system.sensors.iter().filter_map(of).collect()
}

fn day(at: i64) -> f64 {
    at as f64 / DAY_MS as f64
}

fn probe(board: &SiteBoard, sensor: &Sensor, measures: Measures, all: &[Calibration], now: i64) -> ProbeBody {
    let mut rows: Vec<(i64, Correction)> = (all.iter().filter(|c| c.input == sensor.name))
        .filter_map(|c| Some((c.at, entry_of(c)?.correction)))
        .collect();
    rows.sort_by_key(|(at, _)| *at);
    let wanted = measures.wanted();
    let (mut out, mut remarks_of) = (None, vec![]);
    let found: Vec<AsFound> = if measures == Measures::Ph {
        let made: Vec<Made> = (rows.iter())
            .filter_map(|(at, c)| match c {
                Correction::Ph(electrode) => Some(Made { day: day(*at), electrode: *electrode }),
                _ => None,
            })
            .collect();
        let ages = ageing(&made);
        let ms = |day: Option<f64>| day.map(|day| (day * DAY_MS as f64).round() as i64);
        out = ages.out.map(|out| OutBody {
            earliest_ms: ms(out.earliest),
            expected_ms: ms(out.expected),
            latest_ms: ms(out.latest),
        });
        remarks_of.extend(ageing_findings(&ages, day(now)));
        ages.found
    } else {
        let made: Vec<MadeLinear> = (rows.iter())
            .filter_map(|(at, c)| match c {
                Correction::Linear(linear) => Some(MadeLinear { day: day(*at), linear: *linear }),
                _ => None,
            })
            .collect();
        let found = found_linear(&made, measures.used_at());
        remarks_of.extend(holding_findings(&found, &wanted));
        found
    };
    let holds = holding(&found, wanted.tolerance).map(|holds| HoldsBody {
        days: holds.days,
        tolerance: wanted.tolerance,
        unit: wanted.unit,
        wanted_days: wanted.days,
        per_week: holds.per_week.value,
        n: found.len(),
    });
    ProbeBody {
        name: sensor.name.clone(),
        measures,
        own_unit: measures.own_unit(),
        not_kept: not_kept(board, &sensor.name),
        thermometer: thermometer(board, &sensor.name).map(|of| of.name.clone()),
        made: made(&rows, &found),
        out,
        holds,
        remarks: remarks(remarks_of),
    }
}

/// Rows in numbers; each error that was found stands at the calibration that found it.
fn made(rows: &[(i64, Correction)], found: &[AsFound]) -> Vec<MadeBody> {
    let mut finds = found.iter();
    let mut before: Option<i64> = None;
    let mut out = vec![];
    for (at, correction) in rows {
        let (slope_percent, offset, gain) = match correction {
            Correction::Ph(e) => {
                let slope =
                    f64::from(e.acid_slope_uv.min(e.base_slope_uv)) / f64::from(IDEAL_SLOPE_UV) * 100.0;
                (Some(slope), f64::from(e.offset_uv) / 1e3, None)
            }
            Correction::Linear(l) => (None, f64::from(l.offset) / 1e3, Some(f64::from(l.gain_ppm) / 1e6)),
            Correction::Parameter(_) => continue,
        };
        // Two on one day are one calibration that was done again: it found nothing (as in care::calibration::drift).
        let found_off = before
            .filter(|before| day(*at) - day(*before) >= 0.5)
            .and_then(|_| finds.next())
            .map(|find| find.error);
        before = Some(*at);
        out.push(MadeBody { at_ms: *at, slope_percent, offset, gain, found_off });
    }
    out
}

/// Why the board keeps no calibration of a sensor.
pub(super) fn not_kept(board: &SiteBoard, sensor: &str) -> Option<String> {
    board.names.number_input(sensor).is_none().then(|| {
        format!("The program does not read `{sensor}`, so the board keeps no calibration of it; use it in a rule or an alarm")
    })
}

/// How the board reads a sensor.
fn driver(board: &SiteBoard, sensor: &str) -> Option<control::wiring::NumberSource> {
    let order = usize::from(board.names.number_input(sensor)?);
    control::wiring::numbers(&board.system, &board.made.compiled.inputs).into_iter().nth(order)
}

/// The thermometer by which the board compensates a sensor.
fn thermometer<'a>(board: &'a SiteBoard, sensor: &str) -> Option<&'a Sensor> {
    let wanted = driver(board, sensor)?.input.driver.temperature_input()?;
    let input = board.made.compiled.inputs.iter().find(|input| match input.place {
        InputPlace::Number(order) => order == wanted,
        _ => false,
    })?;
    board.system.sensors.get(input.sensor.idx())
}

/// Metered pumps with their flow by the file.
pub(super) fn pumps(board: &SiteBoard) -> Vec<MeteredBody> {
    let flow_of = |pump: ActuatorIdx| {
        board.system.passages.iter().find_map(|passage| match passage.kind {
            PassageKind::Line { pump: of, flow, .. } if of == pump => Some(flow * 6e7),
            _ => None,
        })
    };
    (board.system.actuators.iter().enumerate())
        .filter(|(_, actuator)| actuator.kind == ActuatorKind::DosingPump)
        .filter_map(|(n, actuator)| {
            let flow_ml_min = flow_of(ActuatorIdx(n))?;
            Some(MeteredBody { name: actuator.name.clone(), flow_ml_min })
        })
        .collect()
}

/// Since when the probe stands in what it is in.
#[derive(Deserialize, IntoParams, Debug)]
#[into_params(parameter_in = Query)]
pub(super) struct SinceWhen {
    /// ms since 1970: earlier readings are of something else. Three minutes without it, and never more.
    since: Option<i64>,
    /// Of conductivity: practical salinity of the seawater that it stands in; 35 without it.
    salinity: Option<f64>,
}

/// A buffer with its pH at the temperature of now.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct BufferBody {
    /// What stands on its bottle.
    label: &'static str,
    /// Its pH; not there: the tables end at 0 and 40 °C.
    #[serde(skip_serializing_if = "Option::is_none")]
    ph: Option<f64>,
}

/// Whether a reading stands.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Stands {
    /// Nothing is read, or nothing that can be believed.
    None,
    /// Too few readings yet.
    TooShort,
    /// On its way.
    Settling,
    /// Too noisy to be used.
    Noisy,
    /// It stands, and may be taken.
    Still,
}

/// What a probe shows now.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct ReadingBody {
    /// When it was read last, ms since 1970.
    #[serde(skip_serializing_if = "Option::is_none")]
    at_ms: Option<i64>,
    /// What the board shows, with its calibration, in pH, °C or mS/cm.
    #[serde(skip_serializing_if = "Option::is_none")]
    shown: Option<f64>,
    /// What the probe gives of itself, in its own unit: mV, °C or mS/cm.
    #[serde(skip_serializing_if = "Option::is_none")]
    own: Option<f64>,
    /// Temperature by its thermometer, °C.
    #[serde(skip_serializing_if = "Option::is_none")]
    temperature_c: Option<f64>,
    /// Whether it stands.
    #[schema(inline)]
    stands: Stands,
    /// The same in words, with what to wait for.
    words: String,
    /// What a calibration may take, once it stands: the mean of the last minute.
    #[serde(skip_serializing_if = "Option::is_none")]
    mean: Option<f64>,
    /// Standard deviation of a reading.
    #[serde(skip_serializing_if = "Option::is_none")]
    sd: Option<f64>,
    /// Readings since then in its own unit, the newest 180 at most: time in ms since 1970, value.
    readings: Vec<(i64, f64)>,
    /// Of an electrode: the usual buffers at this temperature.
    buffers: Vec<BufferBody>,
    /// Of conductivity: what it should show in seawater of the salinity asked for, mS/cm.
    #[serde(skip_serializing_if = "Option::is_none")]
    seawater: Option<f64>,
}

/// Shortest time that is looked at, ms.
const WINDOW_MS: i64 = 180_000;
/// A reading that is older than this, and than three records, is not of now, ms.
const FRESH_MS: i64 = 60_000;
/// Records that a reading is judged by at least, as in [`judge`].
const FEWEST: i64 = 8;
/// Readings that are sent.
const MOST_READINGS: usize = 180;

/// What a probe shows now, without its calibration, and whether that stands: for the steps of a calibration.
#[utoipa::path(get, path = "/api/v1/boards/{board}/calibrations/{sensor}/reading", tag = "care",
    params(("board" = String, Path, description = "Its name"), ("sensor" = String, Path, description = "The probe"), SinceWhen),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = ReadingBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn reading(
    State(app): State<Arc<App>>,
    Place((board, name)): Place<(String, String)>,
    Ask(of): Ask<SinceWhen>,
) -> Result<Json<ReadingBody>, Problem> {
    app.blocking(move |app| {
        let board = app.site.board(&board).ok_or_else(|| no_board(app))?;
        let (sensor, measures) = find(board, &name)?;
        let stands_now = of_board(app, board)?.into_iter().find(|c| c.input == name);
        let correction = stands_now.as_ref().and_then(entry_of).map(|entry| entry.correction);
        // A board of software lives in a time of its own: now is when its newest scan was.
        let now = app.live().scan(board.id.0).map_or_else(now_ms, |scan| scan.at_ms);
        // Where records are rare, more time is looked at.
        let record_ms = i64::from(board.system.scan_ms) * i64::from(board.settings.every);
        let mut criterion = criterion(board, sensor, measures);
        criterion.window_s = criterion.window_s.max((FEWEST * record_ms) as f64 / 1e3);
        let from = of.since.unwrap_or(0).clamp(now - WINDOW_MS.max(2 * FEWEST * record_ms), now);
        let samples = samples_of(app, board, &sensor.name, from, now)?;
        let warmth = match thermometer(board, &name) {
            Some(beside) => samples_of(app, board, &beside.name, from, now)?,
            None => vec![],
        };
        let own: Vec<(i64, f64)> = (samples.iter())
            .map(|(at, shown)| (*at, own_value(*shown, temperature_at(&warmth, *at), measures, correction)))
            .collect();
        let seconds: Vec<(f64, f64)> = own.iter().map(|(at, v)| ((at - from) as f64 / 1e3, *v)).collect();
        let newest = own.last().filter(|(at, _)| now - at <= FRESH_MS.max(3 * record_ms)).copied();
        let judged = newest.map(|_| judge(&seconds, &criterion));
        let (stands, words, mean, sd) = in_words(judged, measures, &name, &criterion);
        let temperature_c = warmth.last().map(|(_, t)| *t);
        let at_c = temperature_c.unwrap_or(25.0);
        let is = |wanted: Measures| measures == wanted;
        Ok(Json(ReadingBody {
            at_ms: newest.map(|(at, _)| at),
            shown: newest.and(samples.last()).map(|(_, shown)| *shown),
            own: newest.map(|(_, own)| own),
            temperature_c: temperature_c.filter(|_| newest.is_some()),
            stands,
            words,
            mean,
            sd,
            readings: own[own.len().saturating_sub(MOST_READINGS)..].to_vec(),
            buffers: (Buffer::ALL.iter().filter(|_| is(Measures::Ph)))
                .map(|b| BufferBody { label: b.label(), ph: b.ph(at_c) })
                .collect(),
            seawater: is(Measures::Conductivity)
                .then(|| seawater_standard_ms_cm(of.salinity.unwrap_or(35.0), at_c, ppm_per_k(board, &name))),
        }))
    })
    .await
}

/// A sensor that is calibrated.
pub(super) fn find<'a>(board: &'a SiteBoard, name: &str) -> Result<(&'a Sensor, Measures), Problem> {
    let sensor = board
        .system
        .sensors
        .iter()
        .find(|s| s.name == name)
        .ok_or_else(|| Problem::not_found(format!("There is no sensor `{name}`.")))?;
    let measures = Measures::of(sensor).ok_or_else(|| {
        Problem::not_possible(format!("`{name}` is not calibrated: it switches or counts."))
    })?;
    Ok((sensor, measures))
}

/// How much the board refers a conductivity to 25 °C, millionths a kelvin.
pub(super) fn ppm_per_k(board: &SiteBoard, sensor: &str) -> f64 {
    match driver(board, sensor).map(|source| source.input.driver) {
        Some(NumberDriver::Conductivity { ppm_per_k, .. }) => f64::from(ppm_per_k),
        _ => 0.0,
    }
}

/// Good samples of a signal, in its unit.
fn samples_of(
    app: &App,
    board: &SiteBoard,
    signal: &str,
    from: i64,
    to: i64,
) -> Result<Vec<(i64, f64)>, Problem> {
    let all = app.store.all_series();
    let Some(series) = all.iter().rfind(|s| s.spec.source == board.settings.name && s.spec.name == signal)
    else {
        return Ok(vec![]);
    };
    let id: SeriesId = series.id;
    let points: Vec<Point> = app.store.points(id, from, to + 1, 4 * MOST_READINGS).map_err(of_store)?;
    let good = points.into_iter().filter(|p| p.quality == Quality::Good);
    Ok(good.map(|p| (p.time, p.value as f64 * series.spec.scale)).collect())
}

/// The temperature at a time or just before; 25 °C, as the board takes, without a thermometer.
fn temperature_at(warmth: &[(i64, f64)], at: i64) -> f64 {
    let n = warmth.partition_point(|(time, _)| *time <= at);
    warmth.get(n.saturating_sub(1)).map_or(25.0, |(_, t)| *t)
}

/// What a probe gives of itself where the board shows this.
fn own_value(shown: f64, temperature_c: f64, measures: Measures, correction: Option<Correction>) -> f64 {
    match (measures, correction) {
        (Measures::Ph, Some(Correction::Ph(electrode))) => voltage_mv(shown, temperature_c, &electrode),
        (Measures::Ph, _) => voltage_mv(shown, temperature_c, &PhElectrode::IDEAL),
        (_, Some(Correction::Linear(linear))) => uncorrected(shown, &linear),
        _ => shown,
    }
}

/// What counts as still, by the step of the converter.
fn criterion(board: &SiteBoard, sensor: &Sensor, measures: Measures) -> Criterion {
    let source = driver(board, &sensor.name);
    // A sum of conversions divides a step by their number.
    let step_v = |n_samples: u8| {
        let adc = source.map(|source| source.adc);
        adc.map_or(0.0, |adc| {
            f64::from(adc.reference_mv) / 1e3 / f64::from(adc.full_scale) / f64::from(n_samples.max(1))
        })
    };
    match (measures, source.map(|source| source.input.driver)) {
        (Measures::Ph, Some(NumberDriver::Ph { n_samples, .. })) => {
            // The board shows thousandths of a pH.
            let shown = NERNST_25C_MV / 1e3;
            Criterion::electrode((step_v(n_samples) * 1e3 / sensor.amplifier.gain.abs().max(1e-3)).max(shown))
        }
        (Measures::Ph, _) => Criterion::electrode(NERNST_25C_MV / 1e3),
        (Measures::Conductivity, Some(NumberDriver::Conductivity { n_samples, per_volt, .. })) => {
            Criterion::conductivity(step_v(n_samples) * f64::from(per_volt).abs() / 1e3)
        }
        (Measures::Conductivity, _) => Criterion::conductivity(0.0),
        (Measures::Temperature, Some(NumberDriver::Tmp36 { n_samples, .. })) => {
            Criterion::thermometer(step_v(n_samples) * 100.0)
        }
        (Measures::Temperature, _) => Criterion::thermometer(0.0625),
    }
}

fn in_words(
    judged: Option<Stillness>,
    measures: Measures,
    name: &str,
    criterion: &Criterion,
) -> (Stands, String, Option<f64>, Option<f64>) {
    let (unit, places) = match measures {
        Measures::Ph => ("mV", 1),
        Measures::Temperature => ("K", 2),
        Measures::Conductivity => ("mS/cm", 2),
    };
    match judged {
        None => {
            let words = format!(
                "{name} gives no reading that can be believed: look at its plug, at the line of the board, and whether what it stands in lies within its range."
            );
            (Stands::None, words, None, None)
        }
        Some(Stillness::TooShort { left_s }) => {
            let words =
                format!("A reading is judged over {:.0} s: {:.0} s more.", criterion.window_s, left_s.ceil());
            (Stands::TooShort, words, None, None)
        }
        Some(Stillness::Settling { per_minute, left_s }) => {
            let left = left_s.map_or_else(String::new, |s| format!(" It should stand in {:.0} s.", s.ceil()));
            let words = format!(
                "It still moves by {per_minute:+.places$} {unit} a minute; less than {:.2} is wanted.{left} Stir a little, then hold still.",
                criterion.per_minute
            );
            (Stands::Settling, words, None, None)
        }
        Some(Stillness::Noisy { sd }) => {
            let words = format!(
                "It jumps about by {sd:.places$} {unit}, more than {:.2}: look at plug and cable, switch off what hums near it, dip it deeper.",
                criterion.noise
            );
            (Stands::Noisy, words, None, Some(sd))
        }
        Some(Stillness::Still { mean, sd, n }) => (
            Stands::Still,
            format!("It stands: the mean of {n} readings may be taken."),
            Some(mean),
            Some(sd),
        ),
    }
}
