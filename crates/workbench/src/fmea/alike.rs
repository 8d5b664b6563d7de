//! Rows that do the same harm at the same time and are mended alike, told together: a pump that is dead, stopped, unplugged or
//! air-locked is one story, and so are four seams.

use system::System;
use system::model::Harm;
use trial::{Fmea, Row};

use crate::fmea::{Verdict, besides, lead, mends, sentences, time_of};
use crate::words::span;

/// Groups in the order of their first rows.
pub fn groups<'r>(system: &System, rows: &[&'r Row]) -> Vec<Vec<&'r Row>> {
    let said = |row: &Row| {
        let leading = lead(system, row).map(|breach| breach.requirement);
        (span(time_of(system, row)), leading, mends::mend(system, row), Verdict::of(row))
    };
    let mut groups: Vec<Vec<&Row>> = vec![];
    for row in rows {
        match groups.iter_mut().find(|group| said(group[0]) == said(row)) {
            Some(group) => group.push(row),
            None => groups.push(vec![row]),
        }
    }
    groups
}

/// The faults and what is common to them.
pub fn shortly(system: &System, rows: &[&Row]) -> String {
    let mut description = "";
    if let Some(first) = rows.first()
        && rows.iter().all(|row| row.description == first.description)
    {
        description = &first.description;
    }
    let all = [
        format!("{}.", sentences::faults(rows)),
        crate::words::sentence(description),
        sentences::breaking(system, rows),
        sentences::spilling(system, rows),
        sentences::telling(system, rows),
    ];
    all.into_iter().filter(|s| !s.is_empty()).collect::<Vec<_>>().join(" ")
}

/// As [`shortly`], and all there is to say where one row stands alone.
pub fn told(system: &System, fmea: &Fmea, rows: &[&Row]) -> String {
    match rows {
        [one] => sentences::whole(system, fmea.places.len(), one),
        _ => shortly(system, rows),
    }
}

/// Faults that do this harm too, by the time they take, and what mends it.
pub fn told_elsewhere(system: &System, harm: Harm, open: &[&Row]) -> (String, Vec<&'static str>) {
    let mut times: Vec<(f64, &'static str, &Row)> = (open.iter())
        .filter_map(|row| beside(system, row, harm).map(|(time, mend)| (time, mend, *row)))
        .collect();
    times.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut groups: Vec<(String, Vec<&Row>)> = vec![];
    let mut mends = vec![];
    for (time, mend, row) in times {
        let time = span(time);
        match groups.iter_mut().find(|(known, _)| *known == time) {
            Some((_, rows)) => rows.push(row),
            None => groups.push((time, vec![row])),
        }
        if !mends.contains(&mend) {
            mends.push(mend);
        }
    }
    let each: Vec<String> =
        groups.iter().map(|(time, rows)| format!("{} ({time})", sentences::faults(rows))).collect();
    (each.join("; "), mends)
}

/// When a row does this harm beside the one it is told for, and what mends that. None too where the harm goes with the water that
/// has left the tank.
pub fn beside(system: &System, row: &Row, harm: Harm) -> Option<(f64, &'static str)> {
    Some((besides(system, row, harm)?, mends::mend_of(system, row, harm)?))
}

/// Accepted rows by the acceptance that covers them, in the order of the file.
pub fn by_reason<'r>(rows: &[&'r Row]) -> Vec<(usize, Vec<&'r Row>)> {
    let mut reasons: Vec<(usize, Vec<&Row>)> = vec![];
    for row in rows {
        let Some(reason) = row.accepted else { continue };
        match reasons.iter_mut().find(|(known, _)| *known == reason) {
            Some((_, rows)) => rows.push(row),
            None => reasons.push((reason, vec![row])),
        }
    }
    reasons.sort_by_key(|(reason, _)| *reason);
    reasons
}

/// Names of what breaks first in each row, each once: `` `floor`, `ph` ``.
pub fn broken_first(system: &System, rows: &[&Row]) -> String {
    let mut names: Vec<String> = vec![];
    for r in rows.iter().filter_map(|row| row.broken) {
        let name = format!("`{}`", system.requirements[r].name);
        if !names.contains(&name) {
            names.push(name);
        }
    }
    names.join(", ")
}
