//! Speed of a pump from the flow meter in its pipe, by the twin's own pump and pipe.

use system::model::{Corner, PassageIdx, PassageKind, SensorKind};
use twin::{Commands, Plan, Start, Twin};

use crate::doubts;
use crate::fitted::{Parameter, Quantity, Residual, Residuals};
use crate::regress::jackknife;
use crate::scene::Scene;

/// Speeds for which the twin is asked.
const SPEEDS: [f64; 16] =
    [0.5, 0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 1.0, 1.05, 1.1, 1.15, 1.2, 1.3];
/// Until levels stand, and the time that is then averaged over, s.
const SETTLE_S: f64 = 2400.0;
const AVERAGE_S: f64 = 300.0;
/// Hours that are needed.
const LEAST_DAYS: usize = 3;
const HOUR_S: f64 = 3600.0;
const DAY_S: f64 = 86_400.0;

/// Flow in a passage by speed of its pump, m³/s, all else as the file starts.
pub(crate) fn curve(plan: &Plan, pump: usize, sensor: usize) -> Vec<(f64, f64)> {
    let corner = |pump: f64| Corner {
        name: String::new(),
        climate: None,
        evaporation: 1.0,
        weir: 1.0,
        gas_exchange: 1.0,
        respiration: 1.0,
        wall_loss: 1.0,
        pump,
        battery: 1.0,
        reservoir: None,
    };
    let corners = SPEEDS.map(corner);
    let mut twin: Twin<'_, 16> =
        Twin::new(plan, Start { utc_s: 0, local_offset_s: 0, seed: 0 }, &corners.each_ref().map(Some));
    let mut duty = vec![[0; 16]; plan.system.actuators.len()];
    duty[pump] = [1000; 16];
    for (a, part) in plan.system.actuators.iter().enumerate() {
        if part.kind == system::model::ActuatorKind::Contactor {
            duty[a] = [1000; 16];
        }
    }
    let SensorKind::Flow { pulses_per_litre, .. } = plan.system.sensors[sensor].kind else { return vec![] };
    let scans = |s: f64| (s / plan.scan_s()).round() as u64;
    let mut pulses = [0.0; 16];
    let (settle, all) = (scans(SETTLE_S), scans(SETTLE_S + AVERAGE_S));
    for k in 0..all {
        let codes = twin.sense();
        if k >= settle {
            for (sum, code) in pulses.iter_mut().zip(&codes[sensor]) {
                *sum += f64::from(*code);
            }
        }
        twin.advance(Commands { duty: &duty, board: twin::lanes::all::<16>(), same: k > 1 });
    }
    let time = (all - settle) as f64 * plan.scan_s();
    SPEEDS.iter().zip(pulses).map(|(s, n)| (*s, n / pulses_per_litre / 1000.0 / time)).collect()
}

/// Speed at a flow. None: outside of the curve.
fn speed_at(curve: &[(f64, f64)], flow: f64) -> Option<f64> {
    curve.windows(2).find(|w| w[0].1 <= flow && flow <= w[1].1 && w[1].1 > w[0].1).map(|w| {
        let share = (flow - w[0].1) / (w[1].1 - w[0].1);
        w[0].0 + share * (w[1].0 - w[0].0)
    })
}

/// m³/s of a unit of flow.
fn per_unit(unit: &str) -> Option<f64> {
    match unit {
        "mL/min" => Some(1e-6 / 60.0),
        "L/min" => Some(1e-3 / 60.0),
        "L/h" => Some(1e-3 / 3600.0),
        _ => None,
    }
}

/// Water that goes round between the vessels of the tank, m³/s: by flow meter where there is one, else by the file's pump while it runs.
pub(crate) fn circulation(scene: &Scene<'_>, from_s: f64, to_s: f64) -> Option<f64> {
    let mut sum = 0.0;
    for (p, passage) in scene.system.passages.iter().enumerate() {
        let PassageKind::Pumped { pump, .. } = passage.kind else { continue };
        let measured = meter_of(scene, p).and_then(|m| {
            let series = scene.series(m)?;
            Some(series.mean(from_s, to_s)? * per_unit(series.unit())?)
        });
        sum += match measured {
            Some(flow) => flow,
            None => scene.plan.design_flow_m3_s(PassageIdx(p)) * scene.drive(pump.idx(), from_s, to_s)?,
        };
    }
    Some(sum)
}

/// Flow meter of a passage.
fn meter_of(scene: &Scene<'_>, passage: usize) -> Option<usize> {
    (0..scene.system.sensors.len()).find(|i| {
        matches!(scene.system.sensors[*i].kind, SensorKind::Flow { passage: p, .. } if p.idx() == passage)
    })
}

/// One for each pump of a pipe between waters of the tank.
pub(crate) fn fit(scene: &Scene<'_>) -> Vec<(Parameter, Option<Residuals>)> {
    let pumped = scene.system.passages.iter().enumerate().filter_map(|(p, passage)| match passage.kind {
        PassageKind::Pumped { pump, .. } => Some((p, pump.idx())),
        _ => None,
    });
    pumped.map(|(p, pump)| one(scene, p, pump)).collect()
}

fn one(scene: &Scene<'_>, passage: usize, pump: usize) -> (Parameter, Option<Residuals>) {
    let name = &scene.system.actuators[pump].name;
    let parameter = Parameter::of(Quantity::PumpSpeed, Some(name), 1.0);
    let Some(meter) = meter_of(scene, passage) else {
        let why =
            format!("no flow meter is in `{}`: its flow is not known", scene.system.passages[passage].name);
        return (parameter.not_told(why), None);
    };
    let sensor = &scene.system.sensors[meter];
    let Some((series, unit)) = scene.series(meter).and_then(|s| Some((s, per_unit(s.unit())?))) else {
        let why = format!("the log has no flow of `{}` in mL/min, L/min or L/h", sensor.name);
        return (parameter.not_told(why), None);
    };
    let Some((from, to)) = series.reach() else {
        return (parameter.not_told(format!("`{}` has no values in the log", sensor.name)), None);
    };
    let runs = |t: f64| scene.drive(pump, t - HOUR_S, t + HOUR_S).is_none_or(|d| d > 0.999);
    let mut days: Vec<(f64, f64, u32)> = vec![];
    let mut at = from + HOUR_S;
    while at + HOUR_S <= to {
        if let Some(mean) = series.mean(at, at + HOUR_S).filter(|m| runs(at) && *m > 0.0) {
            let day = from + ((at - from) / DAY_S).floor() * DAY_S;
            match days.last_mut() {
                Some(last) if last.0 == day => {
                    last.1 += mean * unit;
                    last.2 += 1;
                }
                _ => days.push((day, mean * unit, 1)),
            }
        }
        at += HOUR_S;
    }
    let means: Vec<(f64, f64)> = days.iter().map(|(day, sum, n)| (*day, sum / f64::from(*n))).collect();
    let curve = curve(scene.plan, pump, meter);
    let speed = |without: Option<usize>| {
        let kept: Vec<f64> =
            (means.iter().enumerate()).filter(|(i, _)| Some(*i) != without).map(|(_, m)| m.1).collect();
        Some(vec![speed_at(&curve, kept.iter().sum::<f64>() / kept.len() as f64)?])
    };
    let estimated = if means.len() < LEAST_DAYS { None } else { jackknife(means.len(), speed) };
    let Some(estimated) = estimated else {
        let why = if means.len() < LEAST_DAYS {
            format!("the pump ran whole hours on {} days only; {LEAST_DAYS} are needed", means.len())
        } else {
            format!(
                "`{}` shows a flow that the file's pump and pipe give at no speed from {} to {}: look at head, bore and pulses a litre",
                sensor.name,
                SPEEDS[0],
                SPEEDS[SPEEDS.len() - 1]
            )
        };
        return (parameter.not_told(why), None);
    };
    let mean = means.iter().map(|m| m.1).sum::<f64>() / means.len() as f64;
    let tolerance = doubts::tolerance(scene, meter).unwrap_or(0.0);
    let shifted = speed_at(&curve, mean - tolerance / 3.0_f64.sqrt());
    let by_meter = shifted.map_or(0.0, |s| (s - estimated.values[0]).abs());
    let effects = [doubts::Effect {
        source: format!("`{}` may be off by {:.2} L/min", sensor.name, tolerance * 60_000.0),
        is_even: true,
        change: vec![by_meter],
    }];
    let mut told = doubts::told(parameter, &estimated, 0, &effects, "scatter from day to day");
    told.how = format!(
        "Mean flow of `{}` on {} days, over the flow that the file's pump gives through its pipe at each speed",
        sensor.name,
        means.len()
    );
    let points = (means.iter())
        .map(|(day, flow)| Residual {
            from_s: *day,
            to_s: (day + DAY_S).min(to),
            measured: flow * 3.6e6,
            model: mean * 3.6e6,
        })
        .collect();
    (told, Some(Residuals { name: format!("flow of {}", sensor.name), unit: "L/h", points }))
}
