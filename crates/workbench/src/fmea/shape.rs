//! The FMEA as JSON; docs/json.md describes each field.

use serde_json::{Value, json};
use system::System;
use trial::{Fmea, Place, Row};

use crate::fmea::{Verdict, corner, mends};
use crate::words::{self, HOUR_S};

/// The fields of `tidewright.fmea` beside those of reading and findings.
pub fn fields(system: &System, fmea: &Fmea, seed: u64) -> Value {
    let requirements: Vec<Value> = (system.requirements.iter())
        .map(|r| {
            json!({
                "name": r.name,
                "formula": r.text,
                "harm": words::harm(r.harm),
                "severity": words::severity(r.severity),
                "margin_unit": words::margin_unit(r.margin_unit),
            })
        })
        .collect();
    let n = |verdict: Verdict| fmea.rows.iter().filter(|row| Verdict::of(row) == verdict).count();
    let rows = |rows: &[Row]| rows.iter().map(|r| row(system, r)).collect::<Vec<_>>();
    json!({
        "system": system.name,
        "window_h": fmea.window_s / HOUR_S,
        "response_h": fmea.response_s / HOUR_S,
        "seed": seed,
        "corners": fmea.corners,
        "places": fmea.places.iter().map(|p| place(system, *p)).collect::<Vec<_>>(),
        "requirements": requirements,
        "summary": {
            "breaks": n(Verdict::Breaks),
            "help_in_time": n(Verdict::HelpInTime),
            "accepted": n(Verdict::Accepted),
            "hidden": n(Verdict::Hidden),
            "holds": n(Verdict::Holds),
        },
        "rows": rows(&fmea.rows),
        "without_fault": rows(&fmea.without_fault),
        "pairs": rows(&fmea.pairs),
        "effort": {
            "runs": fmea.effort.n_runs,
            "runs_equal_to_no_fault": fmea.effort.n_equal,
            "scans": fmea.effort.n_scans,
        },
    })
}

fn place(system: &System, place: Place) -> Value {
    json!({ "instant": place.instant.name(), "corner": corner(system, place.corner) })
}

fn hours(seconds: Option<f64>) -> Option<f64> {
    seconds.filter(|s| s.is_finite()).map(|s| s / HOUR_S)
}

fn row(system: &System, row: &Row) -> Value {
    let requirement = |r: usize| system.requirements[r].name.as_str();
    let unit = |r: usize| system.requirements[r].margin_unit;
    let accepted = row.accepted.map(|a| &system.accepted[a]);
    let breaches: Vec<Value> = (row.breaches.iter())
        .map(|b| {
            json!({
                "requirement": requirement(b.requirement),
                "after_h": hours(Some(b.at_s)),
                "margin": words::margin(b.margin, unit(b.requirement)),
                "margin_unit": words::margin_unit(unit(b.requirement)),
                "instant": b.place.instant.name(),
                "corner": corner(system, b.place.corner),
                "accepted": b.accepted.is_some(),
            })
        })
        .collect();
    let cells: Vec<Value> = (row.cells.iter().enumerate())
        .map(|(r, cell)| {
            json!({
                "requirement": requirement(r),
                "margin": words::margin(cell.margin, unit(r)),
                "margin_unit": words::margin_unit(unit(r)),
                "broken_after_h": hours(cell.broken_at_s),
                "instant": cell.place.map(|p| p.instant.name()),
                "corner": cell.place.map(|p| corner(system, p.corner)),
                "breaks_without_fault": cell.breaks_anyway,
            })
        })
        .collect();
    json!({
        "part": row.part,
        "failure_mode": row.mode,
        "description": row.description,
        "verdict": Verdict::of(row).word().to_lowercase().replace(' ', "_"),
        "broken_requirement": row.broken.map(requirement),
        "process_safety_time_h": hours(row.process_safety_time_s),
        "margin": row.margin_of.and_then(|r| words::margin(row.margin, unit(r))),
        "margin_unit": row.margin_of.map(|r| words::margin_unit(unit(r))),
        "margin_of": row.margin_of.map(requirement),
        "instant": row.place.map(|p| p.instant.name()),
        "corner": row.place.map(|p| corner(system, p.corner)),
        "severity": row.severity.map(words::severity),
        "alarm_lead_h": hours(row.alarm_lead_s),
        "told": row.told.as_ref().map(|(t, alarm)| json!({ "alarm": alarm, "after_h": t / HOUR_S })),
        "person_in_time": row.person_in_time,
        "tripped": row.tripped.iter().map(|(t, part)| json!({ "actuator": part, "after_h": t / HOUR_S })).collect::<Vec<_>>(),
        "hidden": row.hidden,
        "accepted": accepted.is_some(),
        "acceptance": accepted.map(|a| json!({
            "reason": a.reason,
            "procedure": a.procedure,
            "minimum_time_h": a.minimum_time_s / HOUR_S,
            "review": a.review,
        })),
        "mend": if row.is_open() { mends::mend(system, row) } else { None },
        "spilled_l": row.spilled_m3 * 1000.0,
        "precipitates": row.precipitates,
        "failures_per_year": row.rate_per_year,
        "breaches": breaches,
        "cells": cells,
    })
}
