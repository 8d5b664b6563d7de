//! Maintenance: what a system of this kind needs by calendar, by hours run, and by evidence.
//!
//! The list is made from the system file; a person keeps, changes and adds. Intervals are common practice, no source, unless one stands
//! beside it.

use system::System;
use system::model::{ActuatorKind, PassageKind, SensorKind, VesselRole};

use crate::stats::Line;

/// When a task comes round.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case", tag = "by")]
pub enum Every {
    /// By calendar.
    Days {
        /// Interval.
        days: u32,
    },
    /// By running time of an actuator.
    Hours {
        /// Whose.
        of: String,
        /// What it bears.
        hours: f64,
    },
    /// When the station's own check of this id stands for this part: flow that falls, heat that takes longer.
    Evidence {
        /// Id of the check (docs/alarms.md).
        check: String,
    },
}

impl std::fmt::Display for Every {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Every::Days { days } => write!(f, "{days} days"),
            Every::Hours { of, hours } => write!(f, "{hours:.0} h of {of}"),
            Every::Evidence { check } => write!(f, "at `{check}`"),
        }
    }
}

/// One task.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Task {
    /// Stable within a system, as in `clean:return_pump`.
    pub id: String,
    /// What to do, for a list.
    pub title: String,
    /// When.
    pub every: Every,
    /// How, and why.
    pub how: String,
}

fn task(id: String, title: String, every: Every, how: &str) -> Task {
    Task { id, title, every, how: how.to_owned() }
}

const fn days(days: u32) -> Every {
    Every::Days { days }
}

/// The usual tasks of a system, by id.
pub fn usual(system: &System) -> Vec<Task> {
    let mut out = vec![task(
        "test:water".into(),
        "Test alkalinity, calcium, nitrate, phosphate".into(),
        days(7),
        "the same hour, before dosing; write them into the log: use in a day follows from them",
    )];
    out.extend(system.actuators.iter().flat_map(of_actuator));
    out.extend(system.sensors.iter().filter_map(of_sensor));
    out.extend(system.passages.iter().filter_map(|p| of_passage(&p.name, &p.kind)));
    out.extend(system.sensors.iter().filter_map(|s| by_flow(system, s)));
    out.extend(system.vessels.iter().filter_map(|v| match v.role {
        VesselRole::Reservoir => Some(task(
            format!("clean:{}", v.name),
            format!("Clean {}", v.name),
            days(91),
            "slime and salt: rinse, look at intake and line, calibrate its pump afterwards",
        )),
        VesselRole::Lime => Some(task(
            format!("renew:{}", v.name),
            format!("Renew the lime in {}", v.name),
            days(30),
            "goggles and gloves; take the crust out, fresh lime, keep it closed: air makes chalk of it",
        )),
        _ => None,
    }));
    out.sort_by(|a, b| a.id.cmp(&b.id));
    out
}

fn of_actuator(actuator: &system::model::Actuator) -> Vec<Task> {
    let name = &actuator.name;
    let clean =
        |days_: u32, how: &str| task(format!("clean:{name}"), format!("Clean {name}"), days(days_), how);
    match actuator.kind {
        ActuatorKind::Pump | ActuatorKind::Circulation => vec![
            clean(182, "rotor and housing in citric acid or vinegar, rinse; look at the cable"),
            task(
                format!("replace:{name}"),
                format!("Replace the rotor of {name}"),
                Every::Hours { of: name.clone(), hours: 20_000.0 },
                "its bearing wears; a spare lies ready (assumed: some two years)",
            ),
        ],
        ActuatorKind::Skimmer => vec![
            clean(7, "cup and neck; foam dies on grease"),
            task(
                format!("descale:{name}"),
                format!("Descale the pump of {name}"),
                days(182),
                "its needle wheel and air line; salt closes the air line first",
            ),
        ],
        ActuatorKind::DosingPump => vec![task(
            format!("tube:{name}"),
            format!("Replace the tube of {name}"),
            Every::Hours { of: name.clone(), hours: 1000.0 },
            "then calibrate it (docs/alarms.md: 1000 h, common practice, from memory)",
        )],
        ActuatorKind::Heater => vec![task(
            format!("look:{name}"),
            format!("Look at {name}"),
            Every::Evidence { check: "heat-demand".into() },
            "unplug, wait, look for cracks, water inside, a burnt plug; replace it rather than mend it",
        )],
        ActuatorKind::Light => vec![task(
            format!("measure:{name}"),
            format!("Measure or replace {name}"),
            Every::Hours { of: name.clone(), hours: 20_000.0 },
            "its light falls by some tenths (assumed); clean its cover each month",
        )],
        ActuatorKind::Fan => vec![clean(182, "dust and salt; it turns freely by hand when unplugged")],
        _ => vec![],
    }
}

fn of_sensor(sensor: &system::model::Sensor) -> Option<Task> {
    let (interval, how) = match sensor.kind {
        SensorKind::Ph { .. } => (14, "two buffers, or three; `care calibrate` or the page guides"),
        SensorKind::Conductivity => (30, "a standard of known conductivity; rinse first, no bubbles"),
        SensorKind::Ds18b20 | SensorKind::Tmp36 { .. } | SensorKind::Ntc { .. } => {
            (182, "beside a thermometer that is known better, in the tank")
        }
        _ => return None,
    };
    Some(task(
        format!("calibrate:{}", sensor.name),
        format!("Calibrate {}", sensor.name),
        days(interval),
        how,
    ))
}

/// The pump whose flow a meter watches: when the flow drifts from its twin.
fn by_flow(system: &System, meter: &system::model::Sensor) -> Option<Task> {
    let SensorKind::Flow { passage, .. } = meter.kind else { return None };
    let PassageKind::Pumped { pump, .. } = system.passages.get(passage.idx())?.kind else { return None };
    let pump = &system.actuators.get(pump.idx())?.name;
    Some(task(
        format!("look:{pump}"),
        format!("Look at {pump}"),
        Every::Evidence { check: format!("twin-drifts/{}", meter.name) },
        "unplug; intake, rotor, then sock, valves and hose; write down as cleaned what you cleaned, so that its flow is learned anew",
    ))
}

fn of_passage(name: &str, kind: &PassageKind) -> Option<Task> {
    match kind {
        PassageKind::Drain { strainer, .. } if *strainer < 1.0 => Some(task(
            format!("clean:{name}"),
            format!("Clean the strainer of {name}"),
            days(7),
            "algae and snails; a blocked drain floods the room",
        )),
        PassageKind::Pumped { break_hole: Some(_), .. } => Some(task(
            format!("clear:{name}"),
            format!("Clear the siphon-break holes of {name}"),
            days(30),
            "a brush through each; grown shut, a power cut drains the display into the sump",
        )),
        PassageKind::Pumped { check_valve: true, .. } => Some(task(
            format!("clear:{name}"),
            format!("Clean the check valve of {name}"),
            days(91),
            "grit holds it open; see that it closes when the pump stops",
        )),
        PassageKind::Sock { .. } => {
            Some(task(format!("wash:{name}"), format!("Wash {name}"), days(4), "before it runs over"))
        }
        _ => None,
    }
}

/// Whether daily means of something fall, and when they reach a share of what they were: evidence of a clog or of wear.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Falling {
    /// Change a day, with its interval.
    pub per_day: crate::Estimate,
    /// Share of the first day's level that is left, by the line.
    pub left: f64,
    /// Day on which the limit is reached, if it goes on so.
    pub reaches_limit: Option<f64>,
}

/// Looks at daily means (day, value), a week at least: `None` while nothing falls by more than chance. `limit` is the share of the first
/// level at which somebody must act, such as 0.8.
pub fn falling(means: &[(f64, f64)], limit: f64) -> Option<Falling> {
    if means.len() < 7 {
        return None;
    }
    let line = Line::fit(means, 0.0).ok()?;
    let per_day = line.slope95();
    let (first, last) = (means.first()?.0, means.last()?.0);
    let level = line.at(first).value;
    if per_day.high() >= 0.0 || level <= 0.0 {
        return None;
    }
    let reaches_limit = line.reaches(limit * level, first, last + 3653.0).expected;
    Some(Falling { per_day, left: line.at(last).value / level, reaches_limit })
}
