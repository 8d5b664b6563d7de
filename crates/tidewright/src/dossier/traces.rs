//! Traces of chosen faults: the soonest of each harm, rehearsed again and drawn from six hours before.

use report::{Limit, Mark, MarkKind, Plot, Series};
use system::System;
use system::expr::{Predicate, Stl, StlTerm};
use system::model::{Harm, PassageKind, RuleForm, TruthIdx, VesselRole};
use trial::rehearse::{self, Event, Happening, Scenario};
use trial::{EPOCH_UTC_S, Fmea, Instant, Model, Place, Row};

use crate::ending::Failure;
use crate::fmea::{Verdict, corner, harm_of, lead, sentences, time_of};
use crate::words::{self, HARMS, HOUR_S, span};

/// Days before the fault, in which the tank settles.
const SETTLING_DAYS: f64 = 2.0;
/// Shown before the fault, s.
const BEFORE_S: f64 = 6.0 * HOUR_S;
/// A point each so often, s.
const EVERY_S: f64 = 300.0;
/// Past a change of light, as the FMEA strikes, s.
const AFTER_LIGHT_S: f64 = 300.0;
/// A top-off is looked for so long, and so often, s.
const TOPOFF_WITHIN_S: f64 = 36.0 * HOUR_S;
const TOPOFF_EVERY_S: f64 = 60.0;
const DAY_S: f64 = 86_400.0;
/// Lamps when no rule says, minutes of the local day; as the FMEA assumes.
const USUAL_LIGHT: (u16, u16) = (10 * 60, 20 * 60);
/// Shown after the first breach, as a multiple of the time to it, and at least so long, s.
const AFTER_BREACH: (f64, f64) = (2.0, 6.0 * HOUR_S);
/// Seconds from 1970 to 2000, where the board's clock begins.
const UTC_AT_2000: i64 = 946_684_800;

/// One plot for each harm that some row does.
///
/// # Errors
///
/// When a requirement cannot be judged.
pub fn plots(model: &Model, fmea: &Fmea, seed: u64) -> Result<Vec<Plot>, Failure> {
    let system = model.system();
    let faults = trial::derive(system);
    let mut plots = vec![];
    for harm in HARMS {
        let worst = (fmea.rows.iter())
            .filter(|row| harm_of(system, row) == Some(harm))
            .min_by(|a, b| order(a).cmp(&order(b)).then(time_of(system, a).total_cmp(&time_of(system, b))));
        let Some(row) = worst else { continue };
        let injection = faults.iter().find(|f| f.part == row.part && f.mode == row.mode).map(|f| f.injection);
        if let Some(injection) = injection {
            plots.push(plot(model, fmea, row, harm, Event::Fault(injection), seed)?);
        }
    }
    Ok(plots)
}

/// What nobody can stop comes before what is accepted.
fn order(row: &Row) -> Verdict {
    Verdict::of(row)
}

fn plot(model: &Model, fmea: &Fmea, row: &Row, harm: Harm, event: Event, seed: u64) -> Result<Plot, Failure> {
    let system = model.system();
    let lead = lead(system, row);
    let place = lead.map(|breach| breach.place);
    let onset_s = match place {
        Some(place) => onset(model, place, seed)?,
        None => SETTLING_DAYS * DAY_S,
    };
    let shown_s = (time_of(system, row) * AFTER_BREACH.0).max(AFTER_BREACH.1).min(fmea.window_s);
    let columns = rehearse::columns(model);
    let wanted: Vec<usize> = (0..columns.len())
        .filter(|&c| columns[c].is_truth && is_wanted(system, row, harm, &columns[c].name))
        .collect();
    let mut series: Vec<Series> = (wanted.iter())
        .map(|&c| Series { name: columns[c].name.clone(), unit: unit(&columns[c]), points: vec![] })
        .collect();
    let scenario = Scenario {
        duration_s: onset_s + shown_s,
        corner: place.and_then(|place| place.corner),
        seed,
        every_s: EVERY_S,
        events: vec![(onset_s, event)],
    };
    let rehearsal = rehearse::run(model, &scenario, &mut |time_s, values| {
        let since_s = time_s - onset_s;
        if since_s >= -BEFORE_S {
            for (series, &c) in series.iter_mut().zip(&wanted) {
                series.points.push((since_s / HOUR_S, values[c]));
            }
        }
    })
    .map_err(Failure::new)?;
    let mut marks = vec![Mark { hours: 0.0, kind: MarkKind::Fault, text: row.mode.clone() }];
    marks.extend(rehearsal.log.iter().filter_map(|(t, what)| {
        let since_s = t - onset_s;
        let (kind, text) = match what {
            Happening::Alarm { alarm, stands: true } => (MarkKind::Alarm, &system.alarms[alarm.idx()].name),
            Happening::Trip { actuator, is_tripped: true } => {
                (MarkKind::Trip, &system.actuators[actuator.idx()].name)
            }
            _ => return None,
        };
        let text = text.clone();
        (since_s > 0.0).then(|| Mark { hours: since_s / HOUR_S, kind, text })
    }));
    if let Some(breach) = lead {
        let text = system.requirements[breach.requirement].name.clone();
        marks.push(Mark { hours: breach.at_s / HOUR_S, kind: MarkKind::Break, text });
    }
    let place = place.map_or_else(String::new, |place| {
        format!("at {}, {}", place.instant.name(), corner(system, place.corner))
    });
    Ok(Plot {
        title: format!("{} {place}", sentences::fault(row)),
        note: format!(
            "{} It would {} after {}.",
            words::sentence(&row.description),
            words::harm_does(harm),
            span(time_of(system, row))
        ),
        series,
        limits: lead
            .map_or(vec![], |breach| limits(system, &system.requirements[breach.requirement].formula)),
        marks,
    })
}

/// Columns without a unit are told apart by what they are.
fn unit(column: &rehearse::Column) -> String {
    if !column.unit.is_empty() {
        return column.unit.replace("deg", "°");
    }
    match column.name.rsplit('.').next() {
        Some("salinity") => "PSU".to_owned(),
        Some("ph") => "pH".to_owned(),
        _ => "0 or 1".to_owned(),
    }
}

/// What the broken requirement speaks about; levels too where water runs over.
fn is_wanted(system: &System, row: &Row, harm: Harm, name: &str) -> bool {
    let mut named = vec![];
    if let Some(breach) = lead(system, row) {
        truths(&system.requirements[breach.requirement].formula, &mut named);
    }
    let level = harm == Harm::Flood
        && system.vessels.iter().any(|v| {
            matches!(v.role, VesselRole::Display | VesselRole::Sump | VesselRole::Reservoir)
                && name.strip_suffix(".level") == Some(v.name.as_str())
        });
    level || named.iter().any(|t| system.truths[t.idx()].name == name)
}

fn each(formula: &Stl, see: &mut impl FnMut(&Predicate)) {
    match formula {
        Stl::Predicate(predicate) => see(predicate),
        Stl::Not(of) | Stl::Always { of, .. } | Stl::Eventually { of, .. } => each(of, see),
        Stl::And(all) | Stl::Or(all) => all.iter().for_each(|of| each(of, see)),
        Stl::Until { left, right, .. } => {
            each(left, see);
            each(right, see);
        }
    }
}

fn truths(formula: &Stl, into: &mut Vec<TruthIdx>) {
    each(formula, &mut |predicate| {
        into.push(match predicate.term {
            StlTerm::Truth(t) | StlTerm::Range(t, _) | StlTerm::Rise(t, _) | StlTerm::Fall(t, _) => t,
            StlTerm::Time { truth, .. } => truth,
        });
    });
}

/// Constants that a quantity itself is compared with.
fn limits(system: &System, formula: &Stl) -> Vec<Limit> {
    let mut all: Vec<Limit> = vec![];
    each(formula, &mut |predicate| {
        if let StlTerm::Truth(t) = predicate.term {
            let truth = &system.truths[t.idx()];
            let (symbol, factor) = rehearse::truth_unit(truth.what);
            let column = rehearse::Column { name: truth.name.clone(), unit: symbol, is_truth: true };
            let value = predicate.constant * factor;
            let unit = unit(&column);
            if all.iter().all(|l| l.unit != unit || l.value != value) {
                all.push(Limit { name: "limit".to_owned(), unit, value });
            }
        }
    });
    all
}

/// From the start of a rehearsal to the instant on its third day, s.
fn onset(model: &Model, place: Place, seed: u64) -> Result<f64, Failure> {
    let system = model.system();
    let light = system.rules.iter().find_map(|rule| match &rule.form {
        RuleForm::Schedule { windows, .. } if system.actuators[rule.drives.idx()].lights.is_some() => {
            windows.first().copied()
        }
        _ => None,
    });
    let (on, off) = light.unwrap_or(USUAL_LIGHT);
    let clock_s = u32::try_from(EPOCH_UTC_S - UTC_AT_2000).unwrap_or(0);
    let local_s =
        program::zone::Zone::parse(&system.timezone).map_or(0, |zone| zone.local(clock_s).second_of_day);
    let at =
        |minute: u16| SETTLING_DAYS * DAY_S + f64::from(minute) * 60.0 - f64::from(local_s) + AFTER_LIGHT_S;
    match place.instant {
        Instant::LampsOn => Ok(at(on)),
        Instant::LampsOff => Ok(at(off)),
        Instant::TopOff => {
            let from_s = at(off) + HOUR_S;
            Ok(topping(model, place.corner, seed, from_s)?.unwrap_or(from_s))
        }
    }
}

/// The first minute from a time on in which a top-off pump runs, s; what the FMEA strikes during a top-off is struck then.
fn topping(model: &Model, corner: Option<usize>, seed: u64, from_s: f64) -> Result<Option<f64>, Failure> {
    let system = model.system();
    let pumps: Vec<&str> = (system.passages.iter())
        .filter(|p| system.vessels[p.from.idx()].role == VesselRole::Reservoir)
        .filter_map(|p| match p.kind {
            PassageKind::Line { pump, .. } | PassageKind::Pumped { pump, .. } => {
                Some(system.actuators[pump.idx()].name.as_str())
            }
            _ => None,
        })
        .collect();
    let columns = rehearse::columns(model);
    let wanted: Vec<usize> = (0..columns.len())
        .filter(|&c| !columns[c].is_truth && pumps.contains(&columns[c].name.as_str()))
        .collect();
    let healthy = Scenario {
        duration_s: from_s + TOPOFF_WITHIN_S,
        corner,
        seed,
        every_s: TOPOFF_EVERY_S,
        events: vec![],
    };
    let mut found = None;
    rehearse::run(model, &healthy, &mut |time_s, values| {
        if found.is_none() && time_s >= from_s && wanted.iter().any(|&c| values[c] > 0.5) {
            found = Some(time_s);
        }
    })
    .map_err(Failure::new)?;
    Ok(found)
}
