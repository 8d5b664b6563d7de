//! From outcomes to rows: what broke first, how soon, how far, who was told, what is accepted and what is hidden.

use std::cmp::Ordering;

use system::model::{MarginUnit, NOTHING_WRONG, Severity};
use system::{Diagnostic, System};

use crate::faults::Fault;
use crate::fmea::Place;
use crate::inputs::UTC_AT_2000;
use crate::judge::{Outcome, Verdict};

/// Worst result of one fault against one requirement over all places.
#[derive(Clone, Debug, PartialEq)]
pub struct Cell {
    /// Worst margin, SI; negative: broken. Infinite: the requirement was never decided.
    pub margin: f64,
    /// Shortest time from the fault to the breach, s.
    pub broken_at_s: Option<f64>,
    /// Where that was.
    pub place: Option<Place>,
    /// The requirement breaks at that place also without the fault, and no later.
    pub breaks_anyway: bool,
}

/// One way in which a fault breaks something.
#[derive(Clone, Debug, PartialEq)]
pub struct Breach {
    /// Into the requirements of the system.
    pub requirement: usize,
    /// Where.
    pub place: Place,
    /// s after the fault.
    pub at_s: f64,
    /// Worst margin there, SI.
    pub margin: f64,
    /// First alarm told there, s after the fault.
    pub told_at_s: Option<f64>,
    /// Its name, `silence` for a missing heartbeat.
    pub told_by: Option<String>,
    /// Acceptance that covers it.
    pub accepted: Option<usize>,
}

/// One row of the FMEA.
#[derive(Clone, Debug)]
pub struct Row {
    /// Named part; two joined by ` + ` for a pair.
    pub part: String,
    /// Failure mode.
    pub mode: String,
    /// One sentence.
    pub description: String,
    /// First requirement broken, at the place where that is soonest. None: nothing breaks.
    pub broken: Option<usize>,
    /// Fault to breach there, s.
    pub process_safety_time_s: Option<f64>,
    /// Margin of the broken requirement there; else of the one of whose healthy margin the least is left.
    pub margin: f64,
    /// Requirement that `margin` speaks of.
    pub margin_of: Option<usize>,
    /// Where the worst was found.
    pub place: Option<Place>,
    /// First alarm told there: s after the fault, name.
    pub told: Option<(f64, String)>,
    /// Alarm to breach, s; negative: the alarm came after. None without alarm or breach.
    pub alarm_lead_s: Option<f64>,
    /// Somebody told at that moment would have been there before the breach.
    pub person_in_time: bool,
    /// Trips that latched there, in order: s after the fault, actuator.
    pub tripped: Vec<(f64, String)>,
    /// Severity of the worst broken requirement.
    pub severity: Option<Severity>,
    /// By requirement.
    pub cells: Vec<Cell>,
    /// All breaches by place, soonest first.
    pub breaches: Vec<Breach>,
    /// Acceptance that covers every breach.
    pub accepted: Option<usize>,
    /// Breaks nothing and tells nobody anywhere: it waits for a second fault.
    pub hidden: bool,
    /// Carbonate would precipitate somewhere: pH and alkalinity beyond that point are outside the model.
    pub precipitates: bool,
    /// Most water on bund and floor at any place, m³.
    pub spilled_m3: f64,
    /// Failures a year by the library.
    pub rate_per_year: Option<f64>,
    /// By place.
    pub outcomes: Vec<Outcome>,
}

impl Row {
    /// Breaks something that nobody accepted.
    pub fn is_open(&self) -> bool {
        self.breaches.iter().any(|b| b.accepted.is_none())
    }
}

/// A breach must come so much sooner than without the fault to be the fault's, s.
const SOONER_S: f64 = 600.0;

/// Scale of a margin unit: how much of it matters about equally, SI. Only used to say which intact requirement is closest.
pub fn scale(unit: MarginUnit) -> f64 {
    match unit {
        MarginUnit::Kelvin | MarginUnit::Salinity | MarginUnit::MgPerLitre => 1.0,
        MarginUnit::Ph => 0.2,
        MarginUnit::MeqPerLitre => 0.36,
        MarginUnit::Metre => 0.01,
        MarginUnit::CubicMetre => 1e-3,
        MarginUnit::Seconds => 3600.0,
        MarginUnit::One => 0.5,
    }
}

pub(crate) struct Judging<'a> {
    pub system: &'a System,
    pub places: &'a [Place],
    pub baseline: &'a [Outcome],
    pub today: Option<i64>,
}

impl Judging<'_> {
    /// Whether a verdict is the fault's own doing.
    fn is_new(&self, place: usize, requirement: usize, verdict: &Verdict) -> bool {
        let Some(at) = verdict.broken_at_s else { return false };
        match self.baseline.get(place).and_then(|b| b.verdicts.get(requirement)).and_then(|v| v.broken_at_s) {
            Some(anyway) => at < anyway - SOONER_S,
            None => true,
        }
    }

    /// First alarm that the healthy run at that place does not raise as soon.
    fn told(&self, place: usize, outcome: &Outcome) -> Option<(f64, String)> {
        let healthy = self.baseline.get(place);
        let news = |t: &f64, anyway: Option<f64>| anyway.is_none_or(|a| *t < a - SOONER_S);
        let alarms = (outcome.told_at_s.iter().enumerate()).filter_map(|(i, t)| {
            let anyway = healthy.and_then(|b| b.told_at_s[i]);
            t.filter(|t| news(t, anyway)).map(|t| (t, self.system.alarms[i].name.clone()))
        });
        let silent_anyway = healthy.and_then(|b| b.silence_at_s);
        let silence = outcome.silence_at_s.filter(|t| news(t, silent_anyway));
        let silence = silence.map(|t| (t, "silence".to_owned()));
        alarms.chain(silence).min_by(|a, b| a.0.total_cmp(&b.0))
    }

    /// One row from the outcomes at all places.
    pub fn row(&self, faults: &[Fault], outcomes: Vec<Outcome>) -> Row {
        let join = |f: fn(&Fault) -> &str| faults.iter().map(f).collect::<Vec<_>>().join(" + ");
        let n = self.system.requirements.len();
        let mut cells =
            vec![Cell { margin: f64::INFINITY, broken_at_s: None, place: None, breaks_anyway: false }; n];
        let mut breaches = vec![];
        let told: Vec<Option<(f64, String)>> =
            outcomes.iter().enumerate().map(|(p, o)| self.told(p, o)).collect();
        for (p, outcome) in outcomes.iter().enumerate() {
            for (r, verdict) in outcome.verdicts.iter().enumerate() {
                let cell = &mut cells[r];
                let new = self.is_new(p, r, verdict);
                if let Some(at_s) = verdict.broken_at_s.filter(|_| new) {
                    breaches.push(Breach {
                        requirement: r,
                        place: self.places[p],
                        at_s,
                        margin: verdict.margin,
                        told_at_s: told[p].as_ref().map(|(t, _)| *t),
                        told_by: told[p].as_ref().map(|(_, alarm)| alarm.clone()),
                        accepted: None,
                    });
                    if cell.broken_at_s.is_none_or(|t| at_s < t) {
                        (cell.broken_at_s, cell.place, cell.breaks_anyway) =
                            (Some(at_s), Some(self.places[p]), false);
                    }
                    cell.margin =
                        if cell.margin < 0.0 { cell.margin.min(verdict.margin) } else { verdict.margin };
                } else if verdict.broken_at_s.is_some() {
                    if cell.broken_at_s.is_none() {
                        cell.breaks_anyway = true;
                    }
                } else if cell.broken_at_s.is_none() && verdict.margin < cell.margin {
                    (cell.margin, cell.place) = (verdict.margin, Some(self.places[p]));
                }
            }
        }
        breaches.sort_by(|a, b| a.at_s.total_cmp(&b.at_s).then(a.requirement.cmp(&b.requirement)));
        let first = breaches.first();
        // With nothing broken: the requirement of whose healthy margin the least is left.
        let closest = (cells.iter().enumerate())
            .filter(|(_, c)| c.margin.is_finite())
            .filter_map(|(r, c)| {
                let p = c.place.and_then(|p| self.places.iter().position(|x| *x == p))?;
                let healthy = self.baseline.get(p).map_or(0.0, |b| b.verdicts[r].margin);
                let left = if healthy.is_finite() && healthy > 0.0 { c.margin / healthy } else { 1.0 };
                Some((r, c, left, c.margin / scale(self.system.requirements[r].margin_unit)))
            })
            .min_by(|a, b| a.2.total_cmp(&b.2).then(a.3.total_cmp(&b.3)));
        let place = first.map(|b| b.place).or(closest.as_ref().and_then(|(_, c, ..)| c.place));
        let at = place.and_then(|p| self.places.iter().position(|x| *x == p));
        let told_there = at.and_then(|p| told[p].clone());
        let pst = first.map(|b| b.at_s);
        let lead = told_there.as_ref().zip(pst).map(|((t, _), b)| b - t);
        let mut tripped: Vec<(f64, String)> = at.map_or(vec![], |p| {
            (outcomes[p].tripped_at_s.iter().zip(&self.system.actuators))
                .filter_map(|(t, a)| t.map(|t| (t, a.name.clone())))
                .collect()
        });
        tripped.sort_by(|a, b| a.0.total_cmp(&b.0));
        let severity = breaches.iter().map(|b| self.system.requirements[b.requirement].severity).max();
        Row {
            part: join(|f| &f.part),
            mode: join(|f| &f.mode),
            description: join(|f| &f.description),
            broken: first.map(|b| b.requirement),
            process_safety_time_s: pst,
            margin: first
                .map(|b| b.margin)
                .or(closest.as_ref().map(|(_, c, ..)| c.margin))
                .unwrap_or(f64::INFINITY),
            margin_of: first.map(|b| b.requirement).or(closest.as_ref().map(|(r, ..)| *r)),
            place,
            person_in_time: lead.is_some_and(|lead| lead > self.system.response.weekend_s),
            alarm_lead_s: lead,
            told: told_there,
            tripped,
            severity,
            hidden: breaches.is_empty() && told.iter().all(Option::is_none),
            precipitates: (outcomes.iter().zip(self.baseline))
                .any(|(o, b)| o.precipitates && !b.precipitates),
            spilled_m3: outcomes.iter().map(|o| o.spilled_m3).fold(0.0, f64::max),
            rate_per_year: if let [one] = faults { one.rate_per_year } else { None },
            cells,
            breaches,
            accepted: None,
            outcomes,
        }
    }

    /// What breaks with nothing wrong: one row for each corner in which something does.
    pub fn without_fault(&self) -> Vec<Row> {
        let healthy: Vec<Outcome> = self.baseline.to_vec();
        let mut rows = vec![];
        let corners: Vec<Option<usize>> = {
            let mut all: Vec<_> = self.places.iter().map(|p| p.corner).collect();
            all.sort();
            all.dedup();
            all
        };
        for corner in corners {
            let here: Vec<usize> =
                (0..self.places.len()).filter(|&p| self.places[p].corner == corner).collect();
            let places: Vec<Place> = here.iter().map(|&p| self.places[p]).collect();
            let outcomes: Vec<Outcome> = here.iter().map(|&p| healthy[p].clone()).collect();
            let clean = Judging { places: &places, baseline: &[], ..*self };
            let name = corner.map_or("nominal", |c| self.system.corners[c].name.as_str());
            let nothing = Fault {
                part: name.to_owned(),
                mode: NOTHING_WRONG.to_owned(),
                description: "Every part works; only the conditions of the corner".to_owned(),
                injection: crate::faults::Injection::Flaw(twin::Flaw::RoomCo2(420.0)),
                rate_per_year: None,
                source: String::new(),
            };
            let row = clean.row(std::slice::from_ref(&nothing), outcomes);
            if row.broken.is_some() {
                rows.push(row);
            }
        }
        rows
    }

    /// Applies the acceptances of the file; says which lapse or match nothing.
    pub fn accept<'r>(&self, rows: impl Iterator<Item = &'r mut Row>, findings: &mut Vec<Diagnostic>) {
        let mut rows: Vec<&mut Row> = rows.collect();
        for (i, entry) in self.system.accepted.iter().enumerate() {
            let place = |key: &str| self.system.places.find(key);
            let span = place(&format!("accepted.{i}"));
            let mut used = false;
            let mut lapsed: Option<(String, f64)> = None;
            let overdue = self.today.is_some_and(|today| days(&entry.review).is_some_and(|d| d < today));
            for row in rows.iter_mut() {
                let part = entry.part == "*" || row.part == entry.part;
                let sweeping = entry.part == "*" && entry.mode == "*";
                if !part || !(entry.mode == "*" || row.mode == entry.mode) {
                    continue;
                }
                for breach in &mut row.breaches {
                    let requirement = &self.system.requirements[breach.requirement];
                    if entry.requirement != "*" && requirement.name != entry.requirement {
                        continue;
                    }
                    let corner =
                        breach.place.corner.map_or("nominal", |c| self.system.corners[c].name.as_str());
                    if !(entry.corners.is_empty() || entry.corners.iter().any(|c| c == corner)) {
                        continue;
                    }
                    // "Whatever it is, somebody comes" holds only where somebody is told and can be there.
                    let told =
                        breach.told_at_s.is_some_and(|t| breach.at_s - t > self.system.response.weekend_s);
                    if sweeping && (!told || breach.at_s < entry.minimum_time_s) {
                        continue;
                    }
                    used = true;
                    if breach.at_s < entry.minimum_time_s {
                        if lapsed.as_ref().is_none_or(|(_, t)| breach.at_s < *t) {
                            lapsed = Some((format!("{}:{}", row.part, row.mode), breach.at_s));
                        }
                    } else if !overdue {
                        breach.accepted = breach.accepted.or(Some(i));
                    }
                }
            }
            if overdue {
                findings.push(
                    Diagnostic::warning("acceptance-review-due", "an accepted risk is past its review date")
                        .at(span.clone(), format!("review was due on {}", entry.review))
                        .help("look at the row again, then set a new review date"),
                );
            }
            if let Some((id, at_s)) = lapsed {
                findings.push(
                    Diagnostic::warning(
                        "acceptance-lapsed",
                        format!(
                            "the accepted risk no longer holds: {id} breaks `{}` after {:.1} h",
                            entry.requirement,
                            at_s / 3600.0
                        ),
                    )
                    .at(span.clone(), format!("accepted for {:.1} h or more", entry.minimum_time_s / 3600.0))
                    .help("mend what made the row worse, or decide anew and write the new time"),
                );
            }
            if !used {
                findings.push(
                    Diagnostic::warning(
                        "acceptance-unused",
                        "an accepted risk that no row of the FMEA shows",
                    )
                    .at(span, format!("{}:{} breaks no `{}`", entry.part, entry.mode, entry.requirement))
                    .help(
                        "delete it: the design no longer needs it, or part, mode or requirement are misnamed",
                    ),
                );
            }
        }
        for row in rows {
            if !row.breaches.is_empty() && row.breaches.iter().all(|b| b.accepted.is_some()) {
                row.accepted = row.breaches[0].accepted;
            }
        }
    }
}

/// Days since 1970 of an ISO date; None when it is none.
pub fn days(iso: &str) -> Option<i64> {
    let mut parts = iso.splitn(3, '-').map(|p| p.parse::<i64>().ok());
    let (y, m, d) = (parts.next()??, parts.next()??, parts.next()??);
    let leap = y % 4 == 0 && (y % 100 != 0 || y % 400 == 0);
    let last = match m {
        2 => 28 + i64::from(leap),
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    };
    if !(1..=9999).contains(&y) || !(1..=12).contains(&m) || !(1..=last).contains(&d) {
        return None;
    }
    let days =
        program::zone::day_number(i32::try_from(y).ok()?, u8::try_from(m).ok()?, u8::try_from(d).ok()?);
    Some(i64::from(days) + UTC_AT_2000 / i64::from(program::zone::DAY_S))
}

/// Open before accepted before intact; worse severity, then sooner, first; hidden before harmless.
pub(crate) fn worst_first(a: &Row, b: &Row) -> Ordering {
    let class = |r: &Row| match (r.is_open(), r.broken.is_some(), r.hidden) {
        (true, ..) => 0,
        (_, true, _) => 1,
        (_, _, true) => 2,
        _ => 3,
    };
    class(a)
        .cmp(&class(b))
        .then(b.severity.cmp(&a.severity))
        .then_with(|| match (a.process_safety_time_s, b.process_safety_time_s) {
            (Some(x), Some(y)) => x.total_cmp(&y),
            (Some(_), None) => Ordering::Less,
            (None, Some(_)) => Ordering::Greater,
            (None, None) => Ordering::Equal,
        })
        .then_with(|| a.part.cmp(&b.part))
        .then_with(|| a.mode.cmp(&b.mode))
}

#[cfg(test)]
mod tests {
    use super::days;

    #[test]
    fn counts_days_like_the_calendar() {
        assert_eq!(days("1970-01-01"), Some(0));
        assert_eq!(days("2000-03-01"), Some(11_017)); // from memory: 2000-03-01 is day 11017
        assert_eq!(days("2026-01-14"), Some(1_768_348_800 / 86_400));
        assert_eq!(days("2026-13-01"), None);
        assert_eq!(days("2026-02-31"), None);
        assert_eq!(days("2026-04-31"), None);
        // Leap years by the Gregorian rule: 2024 and 2000 are, 2026 and 1900 are not.
        assert_eq!(days("2026-02-29"), None);
        assert_eq!(days("1900-02-29"), None);
        assert_eq!(days("2024-03-01").zip(days("2024-02-29")).map(|(a, b)| a - b), Some(1));
        assert_eq!(days("2000-03-01").zip(days("2000-02-29")).map(|(a, b)| a - b), Some(1));
        assert_eq!(days("soon"), None);
    }
}
