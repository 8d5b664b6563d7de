//! What is doubtful about a fit beside its scatter: probes within their tolerance, air that nobody measures, figures of the file that a fit
//! stands on. Each is a shift by one standard uncertainty with which the estimate is worked out again; the difference is what it
//! contributes (JCGM 100:2008, 5.1.3, numerically; a tolerance is a rectangular distribution, 4.3.7).

use system::model::SensorKind;

use crate::fitted::{Interval, Parameter, Share};
use crate::regress::{Estimated, half95};
use crate::scene::{Scene, Shift};

/// Standard uncertainty of the room's mean where the file's climate stands in for a probe, K (assumed: a heated room is within 3 K of what
/// its people say, nineteen times of twenty).
pub const ROOM_K: f64 = 1.5;
/// Tolerance of a logger of the room that the file does not have, K (assumed: that of a DS18B20).
pub const LOGGER_K: f64 = 0.5;
/// Of the room's relative humidity (assumed: 45 % may be 30 or 60 %).
pub const HUMIDITY: f64 = 0.08;
/// Of what a dosing pump delivers against the file (assumed: calibrated once, tube worn since).
pub const LINES: f64 = 0.03;
/// Of the heat that the water holds: displaced volume, rock (assumed).
pub const CAPACITY: f64 = 0.02;
/// Of the power of pumps and lamps against their plates (assumed).
pub const GEAR: f64 = 0.04;
/// Of the power of a heater against its plate where the log cannot tell it: a rectangle of 15 % either side (assumed).
pub const HEATER: f64 = 0.15;
/// Of the evaporation law where no top-off shows it (handbook of correlations: the best of eleven is good to 18 % on average).
pub const EVAPORATION: f64 = 0.2;
/// Of the alkalinity against the file's, meq/L (assumed: 0.35 dKH).
pub const ALKALINITY: f64 = 0.12;
/// Of the room's CO2 against the file's climate, ppm (assumed).
pub const CO2_PPM: f64 = 120.0;

/// One doubt.
pub(crate) struct Doubt {
    /// As a clause.
    pub source: String,
    /// Even within bounds (a tolerance) rather than normal.
    pub is_even: bool,
    /// By one standard uncertainty.
    pub change: Box<dyn Fn(&mut Shift)>,
}

/// What a doubt does to an estimate.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Effect {
    pub source: String,
    pub is_even: bool,
    /// By value, one standard uncertainty.
    pub change: Vec<f64>,
}

fn doubt(source: impl Into<String>, change: impl Fn(&mut Shift) + 'static) -> Doubt {
    Doubt { source: source.into(), is_even: false, change: Box::new(change) }
}

/// Within a tolerance.
fn even(source: impl Into<String>, change: impl Fn(&mut Shift) + 'static) -> Doubt {
    Doubt { is_even: true, ..doubt(source, change) }
}

/// All that may matter to a heat or water balance.
pub(crate) fn of_balance(scene: &Scene<'_>) -> Vec<Doubt> {
    let mut all = vec![];
    for (i, sensor) in scene.system.sensors.iter().enumerate() {
        let is_used = matches!(
            sensor.kind,
            SensorKind::Ds18b20
                | SensorKind::Tmp36 { .. }
                | SensorKind::Ntc { .. }
                | SensorKind::RoomTemperature
        ) && scene.series(i).is_some();
        if let Some(tolerance) = tolerance(scene, i).filter(|_| is_used) {
            let source = format!("`{}` may be off by {tolerance} K", sensor.name);
            all.push(even(source, move |s| s.offsets[i] = tolerance / 3.0_f64.sqrt()));
        }
    }
    if scene.is_room_logged() {
        all.push(even(format!("the room's logger may be off by {LOGGER_K} K"), |s| {
            s.room_k = LOGGER_K / 3.0_f64.sqrt();
        }));
    }
    if !scene.is_room_measured() {
        all.push(doubt(
            format!("the room is not measured; its mean is taken from the file, good to {ROOM_K} K"),
            |s| s.room_k = ROOM_K,
        ));
    }
    all.push(doubt(
        format!("humidity of the room by the file, good to {:.0} percentage points", 100.0 * HUMIDITY),
        |s| s.humidity = HUMIDITY,
    ));
    all.push(doubt(format!("dosing pumps deliver what the file says to {:.0} %", 100.0 * LINES), |s| {
        s.lines = 1.0 + LINES;
    }));
    all.push(doubt(
        format!(
            "the water holds what its volume says to {:.0} %: rock and displaced volume",
            100.0 * CAPACITY
        ),
        |s| s.capacity = 1.0 + CAPACITY,
    ));
    all.push(doubt(format!("pumps and lamps take what the file says to {:.0} %", 100.0 * GEAR), |s| {
        s.gear = 1.0 + GEAR
    }));
    all
}

/// Tolerance of a sensor's part, in the signal's SI unit.
pub(crate) fn tolerance(scene: &Scene<'_>, sensor: usize) -> Option<f64> {
    scene.system.library.value(&scene.system.sensors[sensor].part, "tolerance").filter(|t| *t > 0.0)
}

/// Works the estimate out again for each doubt. By doubt, the change of each value; a doubt under which it cannot be worked out, or that
/// changes nothing, is left out.
pub(crate) fn effects(
    scene: &Scene<'_>,
    doubts: &[Doubt],
    base: &[f64],
    of: &dyn Fn(&Scene<'_>) -> Option<Vec<f64>>,
) -> Vec<Effect> {
    (doubts.iter())
        .filter_map(|doubt| {
            let other = of(&scene.shifted(&doubt.change))?;
            let change = other.iter().zip(base).map(|(a, b)| (a - b).abs()).collect();
            Some(Effect { source: doubt.source.clone(), is_even: doubt.is_even, change })
        })
        .collect()
}

/// Puts value `j` of an estimate and what is doubtful about it into a parameter.
pub(crate) fn told(
    mut parameter: Parameter,
    estimated: &Estimated,
    j: usize,
    effects: &[Effect],
    scatter: &str,
) -> Parameter {
    let known: Vec<(f64, bool)> = effects.iter().map(|e| (e.change[j], e.is_even)).collect();
    let half = half95(estimated.standard[j], estimated.dof[j], &known);
    let value = estimated.values[j];
    if !(half.is_finite() && value.is_finite()) {
        return parameter.not_told(
            "what comes out has no bound: the log contradicts the file's figures, or hangs on a single day",
        );
    }
    parameter.found = Interval { value, low: value - half, high: value + half };
    let mut shares = vec![Share { source: scatter.to_owned(), standard: estimated.standard[j] }];
    shares.extend(effects.iter().map(|e| Share { source: e.source.clone(), standard: e.change[j] }));
    // What is less than a twentieth of the whole does not show in it.
    shares.retain(|s| s.standard > 0.025 * half);
    shares.sort_by(|a, b| b.standard.total_cmp(&a.standard));
    parameter.shares = shares;
    parameter
}
