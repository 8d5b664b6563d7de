//! What stands in the way of an act, and what a journal tells, in words with the names of the file.

use link::client::Told;
use link::message::Event;
use link::record::Record;
use program::quality::Quality;
use system::System;
use system::expr::{Comparison, Condition, Term};
use system::model::{ActuatorIdx, Priority, Rule, SignalIdx};

use super::names::{Names, TripWords, Trust, Value, What};

/// Reads signals out of one record.
struct Now<'a> {
    system: &'a System,
    names: &'a Names,
    record: &'a Record,
}

impl Now<'_> {
    fn value(&self, signal: SignalIdx) -> Option<Value> {
        let is_its = |actuator: &system::model::Actuator| actuator.signal == signal;
        let what = match self.system.actuators.iter().position(is_its) {
            Some(actuator) => What::Output(ActuatorIdx(actuator)),
            None => What::Signal(signal),
        };
        self.names.value_of(self.names.series_of(what)?, self.record, Trust::All)
    }

    fn number(&self, term: &Term) -> Option<i64> {
        let of = |signal: &SignalIdx| {
            self.value(*signal)
                .filter(|value| value.quality != Quality::Bad)
                .map(|value| i64::from(value.raw))
        };
        Some(match term {
            Term::Constant(value) => i64::from(*value),
            Term::Signal(signal) => of(signal)?,
            Term::Difference(a, b) => of(a)? - of(b)?,
            Term::Apart(a, b) => (of(a)? - of(b)?).abs(),
        })
    }

    /// Whether a condition holds; `None`: it cannot be told from the record, or a value is bad.
    fn holds(&self, condition: &Condition) -> Option<bool> {
        match condition {
            Condition::Constant(value) => Some(*value),
            Condition::Signal(signal) => {
                let value = self.value(*signal)?;
                (value.quality != Quality::Bad).then_some(value.raw != 0)
            }
            Condition::Not(of) => self.holds(of).map(|holds| !holds),
            Condition::All(all) => {
                let holds: Option<Vec<bool>> = all.iter().map(|of| self.holds(of)).collect();
                holds.map(|holds| holds.into_iter().all(|holds| holds))
            }
            Condition::Any(any) => {
                let holds: Option<Vec<bool>> = any.iter().map(|of| self.holds(of)).collect();
                holds.map(|holds| holds.into_iter().any(|holds| holds))
            }
            Condition::Compare { left, op, right } => {
                let (left, right) = (self.number(left)?, self.number(right)?);
                Some(match op {
                    Comparison::Less => left < right,
                    Comparison::LessEqual => left <= right,
                    Comparison::Greater => left > right,
                    Comparison::GreaterEqual => left >= right,
                })
            }
            Condition::Bad(signal) => self.value(*signal).map(|value| value.quality == Quality::Bad),
        }
    }

    fn name(&self, signal: SignalIdx) -> &str {
        &self.system.signals[signal.idx()].name
    }

    fn term(&self, term: &Term, beside: &Term) -> String {
        match term {
            Term::Signal(signal) => self.name(*signal).to_owned(),
            Term::Difference(a, b) => format!("{} - {}", self.name(*a), self.name(*b)),
            Term::Apart(a, b) => format!("|{} - {}|", self.name(*a), self.name(*b)),
            Term::Constant(value) => match beside {
                Term::Signal(signal) | Term::Difference(signal, _) | Term::Apart(signal, _) => {
                    let (unit, scale) = trial::rehearse::unit_of(self.system.signals[signal.idx()].scale);
                    let text = format!("{} {unit}", rounded(f64::from(*value) * scale));
                    text.trim_end().to_owned()
                }
                Term::Constant(_) => value.to_string(),
            },
        }
    }

    /// A condition as the rules write it.
    fn words(&self, condition: &Condition) -> String {
        let inner = |of: &Condition| match of {
            Condition::All(_) | Condition::Any(_) => format!("({})", self.words(of)),
            _ => self.words(of),
        };
        let join = |all: &[Condition], by: &str| all.iter().map(inner).collect::<Vec<_>>().join(by);
        match condition {
            Condition::Constant(value) => value.to_string(),
            Condition::Signal(signal) => self.name(*signal).to_owned(),
            Condition::Not(of) => format!("not {}", inner(of)),
            Condition::All(all) => join(all, " and "),
            Condition::Any(any) => join(any, " or "),
            Condition::Compare { left, op, right } => {
                let sign = match op {
                    Comparison::Less => "<",
                    Comparison::LessEqual => "<=",
                    Comparison::Greater => ">",
                    Comparison::GreaterEqual => ">=",
                };
                format!("{} {sign} {}", self.term(left, right), self.term(right, left))
            }
            Condition::Bad(signal) => format!("bad({})", self.name(*signal)),
        }
    }

    /// The parts of a condition that do not hold now.
    fn missing(&self, condition: &Condition) -> Vec<String> {
        let parts = match condition {
            Condition::All(all) => all.as_slice(),
            one => std::slice::from_ref(one),
        };
        parts.iter().filter(|part| self.holds(part) != Some(true)).map(|part| self.words(part)).collect()
    }
}

fn rounded(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn rule(system: &System, actuator: ActuatorIdx) -> Option<&Rule> {
    system.rules.iter().find(|rule| rule.drives == actuator)
}

/// Which trip or permissive stands against an actuator, by the latest record. `None`: none that shows.
pub(super) fn against(
    system: &System,
    names: &Names,
    actuator: ActuatorIdx,
    record: &Record,
) -> Option<String> {
    let name = &system.actuators[actuator.idx()].name;
    let standing =
        names.trips.iter().zip(&record.trips).find(|(trip, stands)| **stands && trip.0 == actuator);
    if let Some((trip, _)) = standing {
        let trip = TripWords { system, trip: *trip };
        return Some(format!("the trip {trip} stands: find its cause, then reset it"));
    }
    let permissive = rule(system, actuator)?.permissive.as_ref()?;
    let now = Now { system, names, record };
    let missing = now.missing(permissive);
    if missing.is_empty() {
        return None;
    }
    Some(format!(
        "{name} is permitted only while `{}`, and `{}` does not hold now",
        now.words(permissive),
        missing.join("` and `")
    ))
}

/// Why a hand that was taken does not show in the output.
pub(super) fn why_not_as_asked(
    system: &System,
    names: &Names,
    actuator: ActuatorIdx,
    record: &Record,
) -> String {
    if let Some(why) = against(system, names, actuator, record) {
        return why;
    }
    let times = rule(system, actuator).map_or((0.0, 0.0), |rule| (rule.shortest_run_s, rule.shortest_rest_s));
    if times != (0.0, 0.0) {
        return format!("it stays as it is for its shortest run of {} s and rest of {} s", times.0, times.1);
    }
    "a limit of its rule stands above hand".to_owned()
}

fn priority(priority: Priority) -> &'static str {
    match priority {
        Priority::Low => "low",
        Priority::Medium => "medium",
        Priority::High => "high",
    }
}

/// A journal entry as a sentence. `trust`: what of it has a name here.
pub(super) fn entry(system: &System, names: &Names, trust: Trust, told: &Told) -> String {
    match told {
        Told::Lost(Some(n)) => format!("{n} events were lost here"),
        Told::Lost(None) => "events were lost here, nobody knows how many".to_owned(),
        Told::Event(told) => event(system, names, trust, told),
    }
}

fn event(system: &System, names: &Names, trust: Trust, event: &Event) -> String {
    let argument = event.argument;
    let low = usize::from(argument & 0xFF);
    let high = argument >> 8;
    let has_parts = trust == Trust::All;
    let input = || match names.input(argument) {
        Some(name) if trust != Trust::Nothing => name.to_owned(),
        _ => format!("{} input {low}", if high == 0 { "number" } else { "bit" }),
    };
    let trip = |end: &str| match names.trips.get(low) {
        Some(trip) if has_parts => format!("trip {} {end}", TripWords { system, trip: *trip }),
        _ => format!("trip {low} {end}"),
    };
    let alarm = |end: &str| match names.alarms.get(low) {
        Some(alarm) if has_parts => {
            let alarm = &system.alarms[alarm.idx()];
            format!("alarm {} ({}) {end}: {}", alarm.name, priority(alarm.priority), alarm.text)
        }
        _ => format!("alarm {low} {end}"),
    };
    let drive = || match names.drives.get(low) {
        Some(actuator) if has_parts => system.actuators[actuator.idx()].name.clone(),
        _ => format!("output {low}"),
    };
    let procedure = || match names.procedures.get(low) {
        Some(procedure) if has_parts => system.procedures[procedure.idx()].name.clone(),
        _ => format!("procedure {low}"),
    };
    match event.code {
        2 => format!("the board started ({})", causes(argument)),
        3 => format!("it runs {}{}", running(low), fallback(high)),
        4 => trip("has tripped"),
        5 => trip("is reset"),
        6 => alarm("stands"),
        7 => alarm("is over"),
        8 => format!("{} reads nothing sound", input()),
        9 => format!("{} reads again", input()),
        10 if high == 0 => format!("procedure {} has ended", procedure()),
        10 => format!("procedure {} is at step {high}", procedure()),
        11 => {
            let by = if argument & 0x8000 != 0 { " by the remote" } else { "" };
            let end = if high & 1 == 0 { "is given back" } else { "is in hand" };
            format!("{} {end}{by}", drive())
        }
        12 => format!("{} was calibrated", input()),
        13 => format!("its clock was set; it was off by {} s", argument.cast_signed()),
        14 => "its clock has lost the time".to_owned(),
        15 => format!("device {argument} does not answer"),
        16 => format!("device {argument} answers again"),
        17 => format!("self test failed: {}", self_test(low)),
        18 => format!("{argument} scans were skipped since its start"),
        19 => format!("key {argument} of the remote was learned"),
        20 => "trips of another program were lost".to_owned(),
        code => format!("event {code} ({argument}), which this version does not know"),
    }
}

fn causes(bits: u16) -> String {
    const CAUSES: [&str; 6] = ["power", "reset pin", "brown-out", "watchdog", "asked for", "self test"];
    // The runtime itself resets by way of the watchdog.
    const WATCHDOG: u16 = 0x08;
    const BY_ITSELF: u16 = 0x30;
    let bits = if bits & BY_ITSELF != 0 { bits & !WATCHDOG } else { bits };
    let named = CAUSES.iter().enumerate().filter(|(bit, _)| bits >> bit & 1 != 0);
    let all: Vec<&str> = named.map(|(_, cause)| *cause).collect();
    if all.is_empty() { "cause unknown".to_owned() } else { all.join(", ") }
}

fn running(program: usize) -> &'static str {
    match program {
        0 => "the program it was flashed with",
        1 => "its confirmed program",
        2 => "a program on trial",
        _ => "a program of a kind that this version does not know",
    }
}

fn fallback(why: u16) -> &'static str {
    match why {
        1 => ": the trial was not confirmed in time",
        2 => ": three resets during the trial",
        3 => ": the other program is damaged",
        4 => ": its loader refuses the other program",
        5 => ": another program was flashed",
        6 => ": the trial was given up",
        _ => "",
    }
}

fn self_test(what: usize) -> &'static str {
    match what {
        1 => "the flash is damaged",
        2 => "memory",
        3 => "an output does not follow",
        4 => "stack",
        5 => "no sound wiring table",
        _ => "unknown",
    }
}
