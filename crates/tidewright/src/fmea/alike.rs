//! Rows that differ in nothing but what failed, told together: a pump that is dead, stopped, unplugged or air-locked is one story.

use system::System;
use trial::{Fmea, Row};

use crate::fmea::{sentences, time_of};
use crate::words::span;

/// Groups in the order of their first rows.
pub fn groups<'r>(system: &System, rows: &[&'r Row]) -> Vec<Vec<&'r Row>> {
    let said = |row: &Row| (span(time_of(system, row)), common(system, row));
    let mut groups: Vec<((String, String), Vec<&Row>)> = vec![];
    for row in rows {
        let key = said(row);
        match groups.iter_mut().find(|(known, _)| *known == key) {
            Some((_, group)) => group.push(row),
            None => groups.push((key, vec![row])),
        }
    }
    groups.into_iter().map(|(_, group)| group).collect()
}

/// What is said of a row beside its fault.
fn common(system: &System, row: &Row) -> String {
    let all = [sentences::breaking(system, row), sentences::spilling(row), sentences::telling(system, row)];
    all.into_iter().filter(|s| !s.is_empty()).collect::<Vec<_>>().join(" ")
}

/// The faults and what is common to them.
pub fn shortly(system: &System, rows: &[&Row]) -> String {
    rows.first()
        .map_or_else(String::new, |first| format!("{}. {}", sentences::faults(rows), common(system, first)))
}

/// As [`shortly`], and all there is to say where one row stands alone.
pub fn told(system: &System, fmea: &Fmea, rows: &[&Row]) -> String {
    match rows {
        [one] => sentences::whole(system, fmea, one),
        _ => shortly(system, rows),
    }
}
