//! What records tell for the view at three in the morning: the probes that an alarm rests on, their last six hours, hours until a requirement
//! breaks by their trend, and what a check said of its own finding.

use system::System;
use system::expr::{Condition, Stl, StlTerm, Term};
use system::model::{Derived, MarginUnit, SensorKind, SignalIdx, SignalSource, TruthKind, VesselIdx};

use crate::night::{Basis, Harm, Measured, Night, hours_until};
use crate::watch::{Kind, Verdict, Watch};
use crate::words::{decimal, plain};

/// Signals are defined by others only so deep; more is a loop, which `system` refuses.
const DEEPEST: u32 = 32;
/// Hours over which the trend is drawn.
const TREND_HOURS: usize = 6;

impl Night {
    /// Adds what records tell about an alarm, by its id in the book. What is given already is kept.
    pub fn with_records(mut self, system: &System, watch: &Watch, verdicts: &[Verdict], id: &str) -> Self {
        let layout = watch.layout();
        let verdict = verdicts.iter().find(|v| v.id() == id);
        let mut places: Vec<usize> = match verdict {
            Some(verdict) => verdict.part.split('+').filter_map(|name| layout.signal(name)).collect(),
            None => {
                let name = id.rsplit('/').next().unwrap_or(id);
                system.alarms.iter().find(|a| a.name == name).map_or(vec![], |a| sensors(system, &a.when))
            }
        };
        places.dedup();
        // A number says more than a contact.
        places.sort_by_key(|s| layout.signals.get(*s).is_none_or(|x| is_contact(x.kind)));
        if let Some(finding) = verdict.and_then(|v| v.finding()) {
            self.sure.get_or_insert_with(|| format!("{}: {}", finding.sure.word(), finding.because));
            self.act.get_or_insert_with(|| finding.act.clone());
        }
        let Some(first) = places.first().copied() else { return self };
        let beside = |s: &usize| {
            *s != first
                && layout.signals[*s].kind == layout.signals[first].kind
                && layout.signals[*s].vessel == layout.signals[first].vessel
        };
        let second = (0..layout.signals.len()).find(beside).or_else(|| places.get(1).copied());
        let measured = |s: usize| measured(watch, s, self.now_ms);
        self.first = self.first.take().or_else(|| measured(first));
        self.second = self.second.take().or_else(|| second.and_then(measured));
        if is_contact(layout.signals[first].kind) {
            return self;
        }
        let hours = watch.last_hours(first, TREND_HOURS);
        self.harms.extend(harms(system, watch, first, &hours));
        if self.six_hours.is_empty() {
            self.six_hours = hours;
            self.unit.clone_from(&layout.signals[first].unit);
        }
        self
    }
}

fn is_contact(kind: Kind) -> bool {
    matches!(kind, Kind::Float | Kind::Contact | Kind::Presence)
}

fn measured(watch: &Watch, s: usize, now_ms: i64) -> Option<Measured> {
    let signal = watch.layout().signals.get(s)?;
    let last_ms = watch.history().last_ms()?;
    let value = watch.newest(s).map(|value| match signal.kind {
        Kind::Float => if value > 0.5 { "water above" } else { "water below" }.to_owned(),
        Kind::Presence => if value > 0.5 { "there" } else { "gone" }.to_owned(),
        Kind::Contact => if value > 0.5 { "yes" } else { "no" }.to_owned(),
        _ => decimal(value, 2, &signal.unit),
    });
    Some(Measured { probe: signal.name.clone(), value, raw: None, age_ms: now_ms - last_ms })
}

/// Limits of the requirements on the quantity that a probe measures, on the side to which it moves, with the hours until them.
fn harms(system: &System, watch: &Watch, s: usize, hours: &[(i64, f64)]) -> Vec<Harm> {
    let signal = &watch.layout().signals[s];
    let (Some(vessel), Some(value)) = (signal.vessel.map(VesselIdx), hours.last().map(|h| h.1)) else {
        return vec![];
    };
    let what = match signal.kind {
        Kind::Temperature => TruthKind::Temperature(vessel),
        Kind::Ph => TruthKind::Ph(vessel),
        _ => return vec![],
    };
    let mut found = vec![];
    for requirement in system.requirements.iter().filter(|r| {
        // Limits on the quantity itself, not on how far it swings.
        matches!(r.margin_unit, MarginUnit::Kelvin | MarginUnit::Ph)
    }) {
        let mut limits = vec![];
        constants(system, &requirement.formula, what, &mut limits);
        for limit in limits {
            if let Some(left) = hours_until(hours, limit, limit > value) {
                let to = format!(
                    "`{}`, {} at {}",
                    requirement.name,
                    plain(&signal.name),
                    decimal(limit, 1, &signal.unit)
                );
                found.push(Harm { to, hours: Some(left), basis: Basis::Trend(signal.name.clone()) });
            }
        }
    }
    found.sort_by(|a, b| a.hours.unwrap_or(f64::INFINITY).total_cmp(&b.hours.unwrap_or(f64::INFINITY)));
    found
}

fn constants(system: &System, formula: &Stl, what: TruthKind, found: &mut Vec<f64>) {
    match formula {
        Stl::Predicate(predicate) => {
            if let StlTerm::Truth(truth) = &predicate.term
                && system.truths[truth.idx()].what == what
            {
                found.push(predicate.constant);
            }
        }
        Stl::Not(of) | Stl::Always { of, .. } | Stl::Eventually { of, .. } => {
            constants(system, of, what, found)
        }
        Stl::And(all) | Stl::Or(all) => all.iter().for_each(|f| constants(system, f, what, found)),
        Stl::Until { left, right, .. } => {
            constants(system, left, what, found);
            constants(system, right, what, found);
        }
    }
}

/// Places of the sensors that a condition looks at, in its order.
fn sensors(system: &System, condition: &Condition) -> Vec<usize> {
    let mut found = vec![];
    of_condition(system, condition, 0, &mut found);
    let mut seen = std::collections::BTreeSet::new();
    found.retain(|s| seen.insert(*s));
    found
}

fn of_condition(system: &System, condition: &Condition, depth: u32, found: &mut Vec<usize>) {
    let mut of_term = |term: &Term| match term {
        Term::Constant(_) => {}
        Term::Signal(s) => of_signal(system, *s, depth + 1, found),
        Term::Difference(a, b) | Term::Apart(a, b) => {
            of_signal(system, *a, depth + 1, found);
            of_signal(system, *b, depth + 1, found);
        }
    };
    match condition {
        Condition::Constant(_) => {}
        Condition::Compare { left, right, .. } => {
            of_term(left);
            of_term(right);
        }
        Condition::Signal(s) | Condition::Bad(s) => of_signal(system, *s, depth + 1, found),
        Condition::Not(of) => of_condition(system, of, depth + 1, found),
        Condition::All(of) | Condition::Any(of) => {
            of.iter().for_each(|c| of_condition(system, c, depth + 1, found));
        }
    }
}

fn of_signal(system: &System, s: SignalIdx, depth: u32, found: &mut Vec<usize>) {
    if depth > DEEPEST {
        return;
    }
    match &system.signals[s.idx()].source {
        SignalSource::Sensor(sensor) => {
            if system.sensors[sensor.idx()].kind != SensorKind::Button {
                found.push(sensor.idx());
            }
        }
        // A trip rests on the probe that its rule looks at.
        SignalSource::Tripped(a) => {
            let trip = system.rules.iter().find(|r| r.drives == *a).and_then(|r| r.trip.as_ref());
            if let Some(trip) = trip {
                of_condition(system, &trip.when, depth + 1, found);
            }
        }
        SignalSource::Derived(derived) => match derived {
            Derived::Lag { of, .. } | Derived::Rate { of, .. } => of_signal(system, *of, depth + 1, found),
            Derived::Difference { left, right } => {
                of_signal(system, *left, depth + 1, found);
                of_signal(system, *right, depth + 1, found);
            }
            Derived::Vote { of, .. } | Derived::Middle { of } => {
                of.iter().for_each(|s| of_signal(system, *s, depth + 1, found));
            }
            Derived::Substitute { of, with } => {
                of_signal(system, *of, depth + 1, found);
                of_signal(system, *with, depth + 1, found);
            }
            Derived::OnDelay { condition, .. }
            | Derived::OffDelay { condition, .. }
            | Derived::Condition(condition) => of_condition(system, condition, depth + 1, found),
            Derived::Totaliser { .. } | Derived::Schedule { .. } => {}
        },
        SignalSource::Actuator(_) | SignalSource::Running(_) | SignalSource::FirstScan => {}
    }
}
