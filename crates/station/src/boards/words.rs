//! What stands in the way of an act, and what a journal tells, in words with the names of the file.

use link::client::Told;
use link::message::Event;
use link::record::Record;
use program::quality::Quality;
use shadow::conditions::{Conditions, Known, Values};
use system::System;
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
}

impl Values for Now<'_> {
    fn known(&self, signal: SignalIdx) -> Option<Known> {
        self.value(signal).map(|value| Known { value: value.raw, is_bad: value.quality == Quality::Bad })
    }
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
    let conditions = Conditions { system, values: &now };
    let missing = conditions.missing(permissive);
    if missing.is_empty() {
        return None;
    }
    Some(format!(
        "{name} is permitted only while `{}`, and `{}` does not hold now",
        conditions.words(permissive),
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
