//! What an alarm may end in, what is safe to do about it at once, and what is better left alone.

use serde::{Deserialize, Serialize};
use system::System;
use system::expr::{Comparison, Condition, Term};
use system::model::{
    ActuatorIdx, ActuatorKind, Alarm, Derived, Harm, SensorKind, SignalIdx, SignalSource, VesselRole,
};

/// Before somebody reaches for the tank's wires. (Usual cautions; common practice.)
pub const MAINS: &str = "Mains beside salt water: pull the plug before you touch a wire or a wet part.";
/// About limewater. (Usual cautions; common practice.)
pub(crate) const LIME: &str = "Limewater burns eyes and skin: gloves and glasses.";

/// What an alarm may end in, the most urgent first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Peril {
    /// Water where it should not be.
    Flood,
    /// Too warm.
    Cook,
    /// Water that stands still, or too little air: oxygen.
    Suffocate,
    /// Too cold.
    Chill,
    /// Too much of what is dosed.
    Overdose,
    /// Mains out, a battery low.
    Power,
    /// Water that is not replaced, or replaced by too much.
    Salinity,
    /// A probe, a board or a message that cannot be believed.
    Blind,
    /// Anything else: a part that wears, a disk that fills.
    #[default]
    Upkeep,
}

impl From<Harm> for Peril {
    fn from(harm: Harm) -> Self {
        match harm {
            Harm::Flood => Peril::Flood,
            Harm::Cook => Peril::Cook,
            Harm::Chill => Peril::Chill,
            Harm::Suffocate => Peril::Suffocate,
            Harm::Overdose => Peril::Overdose,
            Harm::Starve => Peril::Salinity,
            Harm::Equipment | Harm::Dark | Harm::Other => Peril::Upkeep,
        }
    }
}

/// What to do at once, and what not.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Advice {
    /// One act that is safe whatever the cause.
    pub act: &'static str,
    /// What not to touch.
    pub leave: &'static str,
    /// A caution where the act can hurt.
    pub caution: Option<&'static str>,
}

impl Peril {
    /// The advice for it. Common practice, no source.
    pub fn advice(self) -> Advice {
        match self {
            Peril::Flood => Advice {
                act: "Hand off for top-off and limewater: nothing more is added.",
                leave: "Leave circulation in the display running. Do not step into water before the breaker is off.",
                caution: Some(MAINS),
            },
            Peril::Cook => Advice {
                act: "Hand off for every heater; if one stays warm, open its breaker.",
                leave: "Leave pumps, air and fans running. No ice and no cold water into the tank.",
                caution: Some(MAINS),
            },
            Peril::Suffocate => Advice {
                act: "Make safe: it keeps water and air moving and stops dosing and top-off.",
                leave: "Do not feed. Leave lids open.",
                caution: Some(MAINS),
            },
            Peril::Chill => Advice {
                act: "Make safe: it puts the heaters on their own thermostats and keeps water moving.",
                leave: "No hot water into the tank: more than 1 K an hour harms.",
                caution: Some(MAINS),
            },
            Peril::Overdose => Advice {
                act: "Make safe: it stops dosing and top-off and keeps water moving.",
                leave: "No acid, no large water change tonight: a second swing harms more than the first.",
                caution: Some(LIME),
            },
            Peril::Power => Advice {
                act: "Ask somebody on site to look at breaker and RCD: unplug that circuit, then set it once.",
                leave: "If it trips again, leave it off. Nothing else goes onto the battery.",
                caution: Some(MAINS),
            },
            Peril::Salinity => Advice {
                act: "Have somebody look at the return chamber's level and fill the reservoir.",
                leave: "No fresh water by the bucket into the sump: no more than 1 L in 10 minutes.",
                caution: None,
            },
            Peril::Blind => Advice {
                act: "Have somebody look at the tank itself: does water move, is its level right, what does a thermometer say?",
                leave: "Change nothing on the strength of a value that cannot be believed.",
                caution: None,
            },
            Peril::Upkeep => Advice {
                act: "Acknowledge it and act by day.",
                leave: "Leave the tank as it is.",
                caution: None,
            },
        }
    }

    /// What an alarm of a program may end in, read from its condition. A row of the FMEA that the alarm tells of knows better.
    pub fn of_alarm(system: &System, alarm: &Alarm) -> Peril {
        let mut found = vec![];
        walk(system, &alarm.when, true, 0, &mut found);
        found.into_iter().min().unwrap_or_default()
    }
}

/// Signals are defined by others only so deep; more is a loop, which `system` refuses.
const DEEPEST: u32 = 32;

fn walk(system: &System, condition: &Condition, holds: bool, depth: u32, found: &mut Vec<Peril>) {
    if depth > DEEPEST {
        return;
    }
    match condition {
        Condition::Constant(_) => {}
        Condition::Signal(s) => signal(system, *s, holds, depth + 1, found),
        Condition::Not(of) => walk(system, of, !holds, depth + 1, found),
        Condition::All(of) | Condition::Any(of) => {
            of.iter().for_each(|c| walk(system, c, holds, depth + 1, found));
        }
        Condition::Bad(_) => found.push(Peril::Blind),
        Condition::Compare { left: Term::Apart(..) | Term::Difference(..), .. } => found.push(Peril::Blind),
        Condition::Compare { left: Term::Signal(s), op, .. } => {
            let is_above = matches!(op, Comparison::Greater | Comparison::GreaterEqual) == holds;
            number(system, *s, is_above, depth + 1, found);
        }
        Condition::Compare { right: Term::Signal(s), op, .. } => {
            let is_above = matches!(op, Comparison::Less | Comparison::LessEqual) == holds;
            number(system, *s, is_above, depth + 1, found);
        }
        Condition::Compare { .. } => {}
    }
}

/// A true (or false) signal.
fn signal(system: &System, s: SignalIdx, holds: bool, depth: u32, found: &mut Vec<Peril>) {
    match &system.signals[s.idx()].source {
        SignalSource::Sensor(sensor) => {
            let sensor = &system.sensors[sensor.idx()];
            let vessel = sensor.vessel.map(|v| &system.vessels[v.idx()]);
            found.push(match sensor.kind {
                SensorKind::Leak => Peril::Flood,
                SensorKind::Presence { .. } => Peril::Power,
                SensorKind::Float { true_above, .. } => {
                    let is_above = true_above == holds;
                    let is_tank =
                        vessel.is_none_or(|v| !matches!(v.role, VesselRole::Reservoir | VesselRole::Lime));
                    if is_above && is_tank { Peril::Flood } else { Peril::Salinity }
                }
                _ => Peril::Upkeep,
            });
        }
        SignalSource::Actuator(a) if !holds => found.push(stopped(system, *a)),
        SignalSource::Tripped(a) => found.push(tripped(system, *a)),
        SignalSource::Derived(derived) => match derived {
            Derived::OnDelay { condition, .. }
            | Derived::OffDelay { condition, .. }
            | Derived::Condition(condition) => walk(system, condition, holds, depth + 1, found),
            Derived::Vote { of, .. } if depth < DEEPEST => {
                of.iter().for_each(|s| signal(system, *s, holds, depth + 1, found));
            }
            _ => {}
        },
        SignalSource::Actuator(_) | SignalSource::Running(_) | SignalSource::FirstScan => {}
    }
}

/// A number above or below its limit.
fn number(system: &System, s: SignalIdx, is_above: bool, depth: u32, found: &mut Vec<Peril>) {
    if depth > DEEPEST {
        return;
    }
    match &system.signals[s.idx()].source {
        SignalSource::Sensor(sensor) => found.push(match (&system.sensors[sensor.idx()].kind, is_above) {
            (SensorKind::Ds18b20 | SensorKind::Tmp36 { .. } | SensorKind::Ntc { .. }, true) => Peril::Cook,
            (SensorKind::Ds18b20 | SensorKind::Tmp36 { .. } | SensorKind::Ntc { .. }, false) => Peril::Chill,
            (SensorKind::RoomTemperature, true) => Peril::Cook,
            (SensorKind::RoomTemperature, false) => Peril::Chill,
            (SensorKind::Ph { .. }, true) => Peril::Overdose,
            (SensorKind::Ph { .. }, false) => Peril::Suffocate,
            (SensorKind::Conductivity, _) => Peril::Salinity,
            (SensorKind::Level { .. }, true) => Peril::Flood,
            (SensorKind::Level { .. }, false) => Peril::Salinity,
            (SensorKind::Flow { .. }, false) => Peril::Suffocate,
            (SensorKind::Charge { .. }, false) => Peril::Power,
            _ => Peril::Upkeep,
        }),
        SignalSource::Derived(derived) => match derived {
            Derived::Lag { of, .. } | Derived::Rate { of, .. } | Derived::Substitute { of, .. } => {
                number(system, *of, is_above, depth + 1, found);
            }
            Derived::Middle { of } => {
                of.iter().take(1).for_each(|s| number(system, *s, is_above, depth + 1, found));
            }
            Derived::Difference { .. } => found.push(Peril::Blind),
            Derived::Totaliser { actuator, .. } => found.push(tripped(system, *actuator)),
            _ => {}
        },
        _ => {}
    }
}

fn stopped(system: &System, a: ActuatorIdx) -> Peril {
    match system.actuators[a.idx()].kind {
        ActuatorKind::Pump | ActuatorKind::Circulation | ActuatorKind::AirPump => Peril::Suffocate,
        ActuatorKind::Heater => Peril::Chill,
        ActuatorKind::Fan => Peril::Cook,
        _ => Peril::Upkeep,
    }
}

fn tripped(system: &System, a: ActuatorIdx) -> Peril {
    match system.actuators[a.idx()].kind {
        ActuatorKind::Heater | ActuatorKind::Contactor => Peril::Cook,
        ActuatorKind::Pump | ActuatorKind::Circulation | ActuatorKind::AirPump => Peril::Suffocate,
        ActuatorKind::DosingPump | ActuatorKind::Valve => Peril::Salinity,
        _ => Peril::Upkeep,
    }
}
