//! An FMEA put into sentences and JSON: what a row comes to, which harm it is told for, what mends it.

pub mod alike;
pub mod mends;
pub mod sentences;
pub mod shape;

use system::System;
use system::model::{Harm, Severity};
use trial::{Breach, Fmea, Row};

/// What a row comes to.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Verdict {
    /// Something breaks, nobody accepted it and nobody can be there before.
    Breaks,
    /// Something breaks, but an alarm leads by more than a person needs.
    HelpInTime,
    /// Something breaks, and the file accepts it with a reason.
    Accepted,
    /// Nothing breaks and nobody hears of it: a protection is dead until it is needed.
    Hidden,
    /// Nothing breaks, and what happened was told.
    Holds,
}

impl Verdict {
    /// Of a row.
    pub fn of(row: &Row) -> Self {
        if row.is_open() {
            if row.person_in_time { Verdict::HelpInTime } else { Verdict::Breaks }
        } else if row.broken.is_some() {
            Verdict::Accepted
        } else if row.hidden {
            Verdict::Hidden
        } else {
            Verdict::Holds
        }
    }

    /// In a word, for tables.
    pub fn word(self) -> &'static str {
        match self {
            Verdict::Breaks => "BREAKS",
            Verdict::HelpInTime => "help in time",
            Verdict::Accepted => "accepted",
            Verdict::Hidden => "hidden",
            Verdict::Holds => "holds",
        }
    }
}

/// Rows of a verdict, in the order of the FMEA.
pub fn rows_of(fmea: &Fmea, verdict: Verdict) -> Vec<&Row> {
    fmea.rows.iter().filter(|row| Verdict::of(row) == verdict).collect()
}

/// The breach for which a row is told: the soonest that is critical or worse and harms animals or the house, else the soonest
/// that is critical, else the soonest. A welded heater first breaks the allowed swing, but it is told because it cooks; a blocked
/// drain first bares a heater, but it is told because it floods. What nobody accepted comes before what is accepted.
pub fn lead<'r>(system: &System, row: &'r Row) -> Option<&'r Breach> {
    let rank = |breach: &Breach| {
        let requirement = &system.requirements[breach.requirement];
        (requirement.severity < Severity::Critical, requirement.harm == Harm::Equipment)
    };
    row.breaches.iter().min_by(|a, b| {
        (a.accepted.is_some(), rank(a)).cmp(&(b.accepted.is_some(), rank(b))).then(a.at_s.total_cmp(&b.at_s))
    })
}

/// When an open row first does a critical harm that nobody accepted, beside the one it is told for; s after the fault.
pub fn besides(system: &System, row: &Row, harm: Harm) -> Option<f64> {
    if harm_of(system, row) == Some(harm) {
        return None;
    }
    (row.breaches.iter())
        .filter(|breach| {
            let requirement = &system.requirements[breach.requirement];
            breach.accepted.is_none()
                && requirement.harm == harm
                && requirement.severity >= Severity::Critical
        })
        .map(|breach| breach.at_s)
        .min_by(f64::total_cmp)
}

/// When the harm for which a row is told comes, s. Infinite when none does.
pub fn time_of(system: &System, row: &Row) -> f64 {
    lead(system, row).map_or(f64::INFINITY, |breach| breach.at_s)
}

/// What that harm is.
pub fn harm_of(system: &System, row: &Row) -> Option<Harm> {
    lead(system, row).map(|breach| system.requirements[breach.requirement].harm)
}

/// Name of a corner.
pub fn corner(system: &System, corner: Option<usize>) -> &str {
    corner.and_then(|c| system.corners.get(c)).map_or("nominal", |corner| corner.name.as_str())
}
