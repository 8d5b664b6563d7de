//! How each proof test goes, step by step, and what the station can watch meanwhile.

use system::System;
use system::model::{Actuator, ActuatorIdx, ActuatorKind, Sensor, SensorIdx, SupplyIdx, VesselRole};

/// What shows that a step was done.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case", tag = "watch")]
pub enum Watch {
    /// A two-state signal takes this value.
    Signal {
        /// Its name.
        name: String,
        /// What it must be.
        is: bool,
    },
    /// An output is on or off.
    Output {
        /// Actuator.
        name: String,
        /// What it must be.
        is_on: bool,
    },
    /// An actuator's trip is latched, or not any more.
    Trip {
        /// Actuator.
        name: String,
        /// What it must be.
        is_tripped: bool,
    },
    /// Only a person can see it.
    Person,
}

/// One step.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Step {
    /// What to do or to look at.
    pub text: String,
    /// What shows that it was done.
    pub watch: Watch,
    /// How long that may take, s.
    pub within_s: u32,
}

/// The caution of everything beside mains.
pub const MAINS: &str = "mains beside salt water: dry hands, touch no plug that is wet; what must be opened is for a licensed electrician, by local code";
const LIME: &str = "limewater burns eyes and skin: goggles and gloves; catch what runs in a vessel";

/// Caution for the actuators that run meanwhile.
pub(super) fn caution(system: &System, actuators: &[ActuatorIdx]) -> Option<&'static str> {
    let from_lime = |a: &ActuatorIdx| {
        system
            .passages
            .iter()
            .any(|p| p.kind.pump() == Some(*a) && system.vessels[p.from.idx()].role == VesselRole::Lime)
    };
    if actuators.iter().any(from_lime) { Some(LIME) } else { Some(MAINS) }
}

fn step(text: impl Into<String>, watch: Watch, within_s: u32) -> Step {
    Step { text: text.into(), watch, within_s }
}

fn output(name: &str, is_on: bool) -> Watch {
    Watch::Output { name: name.to_owned(), is_on }
}

fn signal(name: &str, is: bool) -> Watch {
    Watch::Signal { name: name.to_owned(), is }
}

/// Longest delay that a rule may put between a contact and what it stops, s.
const DELAYED_S: u32 = 90;

/// What runs is put into hand first, or nobody sees it stop.
fn switched<'a>(system: &'a System, guards: &[ActuatorIdx]) -> Vec<&'a Actuator> {
    guards
        .iter()
        .map(|a| &system.actuators[a.idx()])
        .filter(|a| !a.always && a.kind != ActuatorKind::Contactor)
        .collect()
}

pub(super) fn float(system: &System, sensor: &Sensor, true_above: bool, guards: &[ActuatorIdx]) -> Vec<Step> {
    // A float against too little water stands lifted: its test is to hold it down.
    let acts = |is_up| !seen_to_stop(system, guards, sensor, is_up).is_empty();
    let tries_up = match (acts(true), acts(false)) {
        (true, false) => true,
        (false, true) => false,
        _ => true_above,
    };
    let (there, back) = if tries_up { ("Lift", "Let") } else { ("Hold", "Let go of") };
    let (there_end, back_end) = if tries_up {
        ("by hand, gently, until it stops; hold it", " down")
    } else {
        ("down with a finger until it stops", "; it rises")
    };
    let mut out = by_hand(system, guards);
    let name = &sensor.name;
    out.push(step(format!("{there} {name} {there_end}"), signal(name, true_above == tries_up), 30));
    out.extend(seen_to_stop(system, guards, sensor, tries_up));
    out.push(step(format!("{back} {name}{back_end}"), signal(name, true_above != tries_up), 30));
    out.extend(seen_to_stop(system, guards, sensor, !tries_up));
    out.push(step(
        "Rinse the float and its stem in fresh water; it moves freely, no snail or salt on it",
        Watch::Person,
        600,
    ));
    out
}

pub(super) fn leak(system: &System, sensor: &Sensor, guards: &[ActuatorIdx]) -> Vec<Step> {
    let mut out = by_hand(system, guards);
    out.push(step(
        format!("Lay a cloth wet with tank water on {}", sensor.name),
        signal(&sensor.name, true),
        60,
    ));
    out.extend(seen_to_stop(system, guards, sensor, true));
    out.push(step(
        format!("Take the cloth away, rinse {} with fresh water and dry it", sensor.name),
        signal(&sensor.name, false),
        300,
    ));
    out
}

fn by_hand(system: &System, guards: &[ActuatorIdx]) -> Vec<Step> {
    switched(system, guards)
        .into_iter()
        .filter(|a| !a.on_when_dead)
        .map(|a| {
            let text = match a.kind {
                ActuatorKind::DosingPump => format!(
                    "Hold the end of the line of {} into a cup; take it in hand, on, for five minutes",
                    a.name
                ),
                _ => format!("Take {} in hand, on, for five minutes", a.name),
            };
            step(text, output(&a.name, true), 60)
        })
        .collect()
}

/// The actuators that the float stops when it goes up (or down), by what their rules say of it.
fn seen_to_stop(system: &System, guards: &[ActuatorIdx], sensor: &Sensor, is_up: bool) -> Vec<Step> {
    switched(system, guards)
        .into_iter()
        .filter(|a| stops_when(system, a, sensor, is_up))
        .map(|a| step(format!("See {} stop", a.name), output(&a.name, false), DELAYED_S))
        .collect()
}

/// Whether the rule's permissive or trip takes the actuator off with the contact in this state; a float in series always when its contact opens.
fn stops_when(system: &System, actuator: &Actuator, sensor: &Sensor, is_up: bool) -> bool {
    use system::model::SensorKind;
    let (true_now, closed_now) = match sensor.kind {
        SensorKind::Float { true_above, closed_above, .. } => (true_above == is_up, closed_above == is_up),
        _ => (is_up, is_up),
    };
    let by_hardware =
        actuator.series.iter().any(|s| system.sensors[s.idx()].name == sensor.name) && !closed_now;
    let drives = |r: &&system::model::Rule| system.actuators[r.drives.idx()].name == actuator.name;
    let by_rule = system.rules.iter().find(drives).is_some_and(|rule| {
        let says = |c: &system::expr::Condition| told(system, c, sensor.signal, true_now);
        rule.permissive.as_ref().is_some_and(|p| says(p) == Some(false))
            || rule.trip.as_ref().is_some_and(|t| says(&t.when) == Some(true))
    });
    by_hardware || by_rule
}

/// What a condition says when one two-state signal is known and nothing else; `None` where that is not enough.
fn told(
    system: &System,
    condition: &system::expr::Condition,
    known: system::model::SignalIdx,
    is: bool,
) -> Option<bool> {
    use system::expr::Condition;
    use system::model::{Derived, SignalSource};
    match condition {
        Condition::Constant(value) => Some(*value),
        Condition::Signal(signal) if *signal == known => Some(is),
        Condition::Signal(signal) => match &system.signals.get(signal.idx())?.source {
            SignalSource::Derived(
                Derived::OnDelay { condition, .. }
                | Derived::OffDelay { condition, .. }
                | Derived::Condition(condition),
            ) => told(system, condition, known, is),
            _ => None,
        },
        Condition::Not(inner) => told(system, inner, known, is).map(|b| !b),
        Condition::All(parts) => {
            let all: Vec<Option<bool>> = parts.iter().map(|p| told(system, p, known, is)).collect();
            if all.contains(&Some(false)) {
                Some(false)
            } else {
                all.iter().all(|p| *p == Some(true)).then_some(true)
            }
        }
        Condition::Any(parts) => {
            let all: Vec<Option<bool>> = parts.iter().map(|p| told(system, p, known, is)).collect();
            if all.contains(&Some(true)) {
                Some(true)
            } else {
                all.iter().all(|p| *p == Some(false)).then_some(false)
            }
        }
        Condition::Compare { .. } | Condition::Bad(_) => None,
    }
}

pub(super) fn trip(system: &System, actuator: &Actuator, read: &[SensorIdx]) -> Vec<Step> {
    let probes: Vec<&str> = read.iter().map(|s| system.sensors[s.idx()].name.as_str()).collect();
    let tripped = |is_tripped| Watch::Trip { name: actuator.name.clone(), is_tripped };
    vec![
        step(
            format!(
                "Take {} out of the water into a cup and bring the cup past the limit of the trip: warm or cold water, for pH a buffer",
                probes.join(" and ")
            ),
            tripped(true),
            900,
        ),
        step(
            format!("See {} off, and hear its contact", actuator.name),
            output(&actuator.name, actuator_trips_to(system, actuator)),
            60,
        ),
        step(format!("Put {} back where it belongs, to its mark", probes.join(" and ")), Watch::Person, 600),
        step(format!("Reset the trip of {} when the reading is back", actuator.name), tripped(false), 1800),
    ]
}

/// State of an actuator while it is tripped.
fn actuator_trips_to(system: &System, actuator: &Actuator) -> bool {
    let drives = |r: &&system::model::Rule| system.actuators[r.drives.idx()].name == actuator.name;
    system.rules.iter().find(drives).is_some_and(|r| r.when_tripped)
}

pub(super) fn cut(system: &System, actuator: &Actuator) -> Vec<Step> {
    let behind: Vec<&str> = system
        .supplies
        .iter()
        .filter(|s| s.through.is_some_and(|a| system.actuators[a.idx()].name == actuator.name))
        .map(|s| s.name.as_str())
        .collect();
    vec![
        step(
            format!("Take {} in hand, off, for one minute", actuator.name),
            output(&actuator.name, false),
            30,
        ),
        step(
            format!(
                "See everything behind {} dead: pump still, lamp of the heater out",
                behind.join(" and ")
            ),
            Watch::Person,
            120,
        ),
        step(
            format!("Give {} back; everything starts again", actuator.name),
            output(&actuator.name, true),
            120,
        ),
    ]
}

pub(super) fn buzzer(actuator: &Actuator) -> Vec<Step> {
    vec![
        step(
            format!("Take {} in hand, on, for ten seconds", actuator.name),
            output(&actuator.name, true),
            30,
        ),
        step("Hear it in the room where somebody sits", Watch::Person, 60),
        step(format!("Give {} back", actuator.name), output(&actuator.name, false), 60),
    ]
}

pub(super) fn alarm_path() -> Vec<Step> {
    vec![
        step("Send a trial message from the station to everybody who is told", Watch::Person, 60),
        step("Each of them answers that it came, within a quarter of an hour", Watch::Person, 900),
        step(
            "Those numbers and addresses that did not answer are corrected, and tried again",
            Watch::Person,
            3600,
        ),
    ]
}

pub(super) fn battery(system: &System, idx: SupplyIdx) -> Vec<Step> {
    let supply = &system.supplies[idx.idx()];
    let presence = system
        .sensors
        .iter()
        .find(|s| matches!(s.kind, system::model::SensorKind::Presence { of } if Some(of) == supply.fed_by));
    let fed = supply.fed_by.map_or("its charger", |s| system.supplies[s.idx()].name.as_str());
    let dead = presence.map_or(Watch::Person, |s| signal(&s.name, false));
    let back = presence.map_or(Watch::Person, |s| signal(&s.name, true));
    vec![
        step(format!("Switch off {fed}, by day, with somebody there"), dead, 120),
        step(
            format!("For an hour everything on {} runs on; nothing flickers, nothing gets hot", supply.name),
            Watch::Person,
            4500,
        ),
        step(
            "Read charge or voltage at the end and write it down: more than a fifth of its capacity an hour means that it is worn or the load is wrong",
            Watch::Person,
            300,
        ),
        step(format!("Switch {fed} on again; it charges"), back, 300),
    ]
}

pub(super) fn residual_current(system: &System, idx: SupplyIdx) -> Vec<Step> {
    let supply = &system.supplies[idx.idx()];
    let presence = system
        .sensors
        .iter()
        .find(|s| matches!(s.kind, system::model::SensorKind::Presence { of } if of == idx));
    let dead = presence.map_or(Watch::Person, |s| signal(&s.name, false));
    let back = presence.map_or(Watch::Person, |s| signal(&s.name, true));
    vec![
        step(
            format!(
                "Press the test button of the RCD of {}: it must drop at once, without force",
                supply.name
            ),
            dead,
            60,
        ),
        step(
            "If it does not drop: leave the circuit off, touch nothing wet, call a licensed electrician",
            Watch::Person,
            60,
        ),
        step("Switch it on again; see pump, heater and light come back", back, 300),
    ]
}
