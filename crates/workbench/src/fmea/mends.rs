//! Which change mends a row: the usual answers of the trade, by what fails and what that harms.
//!
//! Physical bounds come first (a reservoir too small to harm, a pump too slow, freeboard that holds it all): they cannot fail.

use system::System;
use system::model::{ActuatorKind, Harm, PassageKind, SensorKind, VesselRole};
use system::parts::{Effect, PartOf, PassageClass, class_of};
use trial::Row;

use crate::fmea::harm_of;

/// Bounds of a top-off that hold whatever sticks.
const TOO_SMALL_TO_HARM: &str = "a pump too slow and a reservoir too small to do harm, a longest run and a volume a day that latch, and a \
                                 second float in series with the pump in hardware";

/// What fails, as far as it decides the mend.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Cause {
    /// Fresh water or limewater comes although none is needed.
    TopOff,
    /// Fresh water or limewater stays away.
    NoTopOff,
    /// Water cannot leave a vessel that a pump feeds.
    Blocked,
    /// Water runs back when a pump stops.
    Drains,
    /// Water leaves the system.
    Leaks,
    /// A skimmer takes out salt water, which fresh water replaces.
    Skims,
    /// A heater is on when it should not be.
    HeatsOn,
    /// A heater is off.
    HeatsOff,
    /// A temperature probe tells something else than the water.
    Probe,
    /// Mains or a circuit are gone.
    Power,
    /// A pump that moves or lifts water stands still.
    Pump,
    /// A fan.
    Fan,
    /// A lamp.
    Lamp,
    /// The room.
    Room,
    /// The board.
    Board,
    /// A person put the wrong water in.
    WrongWater,
    /// Anything else.
    Other,
}

/// The change that mends the harm for which a row is told. None: nothing general can be said.
pub fn mend(system: &System, row: &Row) -> Option<&'static str> {
    mend_of(system, row, harm_of(system, row)?)
}

/// The change that mends one of the harms of a row.
pub fn mend_of(system: &System, row: &Row, harm: Harm) -> Option<&'static str> {
    let part = row.part.split(" + ").next().unwrap_or_default();
    let mode = row.mode.split(" + ").next().unwrap_or_default();
    let cause = cause(system, part, mode);
    match harm {
        Harm::Flood => Some(flood(cause)),
        // Water that has left the tank takes everything with it: what keeps it in mends the rest.
        _ if cause == Cause::Leaks => None,
        Harm::Cook => Some(cook(cause)),
        Harm::Chill => Some(chill(cause)),
        Harm::Suffocate => Some(suffocate(cause)),
        Harm::Overdose => Some(overdose(cause)),
        Harm::Equipment => Some(equipment(cause)),
        Harm::Dark => Some(dark(cause)),
        Harm::Starve | Harm::Other => None,
    }
}

fn flood(cause: Cause) -> &'static str {
    match cause {
        Cause::TopOff => TOO_SMALL_TO_HARM,
        Cause::Blocked => {
            "a float high in the fed vessel that stops the pump, or freeboard for all that the sump can give"
        }
        Cause::Drains | Cause::Pump | Cause::Power | Cause::HeatsOff => {
            "the pump's outlet nearer to the surface with two break holes, or more free space in the sump"
        }
        Cause::Board => {
            "sizes that hold what comes when the board is dead: free space in the sump, a reservoir too small to do harm"
        }
        Cause::Leaks => {
            "a tray under the stand that holds what can come, and a leak probe that stops the pumps"
        }
        _ => "free space that holds all of it, and a float or leak probe that stops the pump",
    }
}

fn cook(cause: Cause) -> &'static str {
    match cause {
        Cause::Room | Cause::Fan | Cause::Lamp => {
            "fans over the water, and a light that goes off when the water is warm"
        }
        Cause::Board => {
            "outputs that fall off with the board (a watchdog, a card that releases), and heaters too small to cook, each with its \
             own dial just above the setpoint"
        }
        Cause::Pump => "a heater ruled by a probe in its own vessel, and only while the return is proven",
        _ => {
            "two small heaters in place of a large one, each with its own dial just above the setpoint, and a cut on a second probe"
        }
    }
}

fn chill(cause: Cause) -> &'static str {
    match cause {
        Cause::Power => {
            "a heat source on each of two circuits; for the whole house, one that needs no mains and a person in time"
        }
        Cause::Room => {
            "heaters strong enough for the coldest room with one of them dead, and an alarm that leaves time to come"
        }
        Cause::Probe => {
            "a second probe to rule by, and a heater whose own dial just above the setpoint holds it when its probe is silent"
        }
        Cause::Board => {
            "one heater on a normally closed contact, whose own dial just above the setpoint holds it without the board"
        }
        Cause::Pump | Cause::Blocked => "a second heater in the display itself, ruled by a probe beside it",
        Cause::Fan => "heaters stronger than the fans can cool",
        Cause::NoTopOff => {
            "an alarm when top-off calls without success, and a heater in the display, which no empty sump leaves bare"
        }
        _ => {
            "a second heater on another circuit and in another vessel, each strong enough for the coldest room"
        }
    }
}

fn suffocate(cause: Cause) -> &'static str {
    match cause {
        Cause::Power => "an air pump or a circulation pump on a battery that lasts until somebody comes",
        Cause::Board => "movers of water on normally closed contacts, which run while the board is dead",
        _ => "a second mover of water on another circuit, or air from a battery",
    }
}

fn overdose(cause: Cause) -> &'static str {
    match cause {
        Cause::TopOff => TOO_SMALL_TO_HARM,
        Cause::NoTopOff => "an alarm when top-off calls without success, early enough to come",
        Cause::WrongWater => "a reservoir too small to do harm, and a conductivity probe with an alarm",
        Cause::Board => {
            "outputs that fall off with the board (a watchdog, a card that releases), and a float in series with the pump in hardware"
        }
        Cause::Skims => {
            "an alarm on more top-off a day than evaporation explains, and a float that stops the skimmer"
        }
        Cause::Blocked => {
            "fresh water alone in the reservoir, and a volume a day: what a blocked way holds back looks like evaporation"
        }
        Cause::Pump | Cause::Power | Cause::Drains => {
            "a skimmer or air stone on another circuit, and lime only while the return is proven"
        }
        _ => "a dose bounded by the size of its vessel and by volume a day, and a pump too slow to do harm",
    }
}

fn equipment(cause: Cause) -> &'static str {
    match cause {
        Cause::NoTopOff => {
            "a low float that stops what would run bare, and an alarm when top-off calls without success"
        }
        _ => "a low float that stops what would run bare, and marks below the lowest water",
    }
}

fn dark(cause: Cause) -> &'static str {
    match cause {
        Cause::Lamp => {
            "a mains timer before the relay, so that two contacts must weld, or an alarm when it shines at night"
        }
        _ => "outputs that fall off with the board, or a mains timer before the lamp's relay",
    }
}

fn cause(system: &System, part: &str, mode: &str) -> Cause {
    let Some(class) = class_of(system, part) else { return Cause::Other };
    let effect = class.mode(mode).map(|mode| mode.effect);
    let leaks = matches!(
        effect,
        Some(
            Effect::Leak(_)
                | Effect::SeamFails
                | Effect::HoseOff
                | Effect::LineSlipped
                | Effect::CollectorFull
        )
    );
    if leaks {
        return Cause::Leaks;
    }
    let stays_away = matches!(
        effect,
        Some(
            Effect::NeverOn
                | Effect::Stopped
                | Effect::NoRestart
                | Effect::LeftOff
                | Effect::Emptied
                | Effect::Blocked(_)
        )
    );
    match class.of {
        PartOf::Actuator(ActuatorKind::Heater | ActuatorKind::Contactor) => match effect {
            Some(Effect::AlwaysOn | Effect::ThermostatWelded) => Cause::HeatsOn,
            Some(Effect::TripsRcd) => Cause::Power,
            _ => Cause::HeatsOff,
        },
        PartOf::Actuator(_) if feeds_from_reservoir(system, part) => {
            if stays_away {
                Cause::NoTopOff
            } else {
                Cause::TopOff
            }
        }
        PartOf::Actuator(ActuatorKind::DosingPump | ActuatorKind::Valve) => Cause::TopOff,
        PartOf::Actuator(ActuatorKind::Pump | ActuatorKind::Circulation | ActuatorKind::AirPump) => {
            Cause::Pump
        }
        PartOf::Actuator(ActuatorKind::Fan) => Cause::Fan,
        PartOf::Actuator(ActuatorKind::Light) => Cause::Lamp,
        PartOf::Actuator(ActuatorKind::Skimmer) => match effect {
            Some(Effect::Removes(_)) => Cause::Skims,
            _ => Cause::Pump,
        },
        PartOf::Actuator(_) => Cause::Other,
        PartOf::Sensor(_) => sensor_cause(system, part, effect),
        PartOf::Passage(
            PassageClass::Weir | PassageClass::Drain | PassageClass::Baffle | PassageClass::Sock,
        ) => Cause::Blocked,
        PartOf::Passage(_) => match effect {
            Some(Effect::BreakHoleShut | Effect::CheckValveLeaks | Effect::LineSubmerged) => Cause::Drains,
            Some(Effect::Blocked(_)) if is_dosing(system, part) => Cause::NoTopOff,
            // A pumped line that is shut is as a pump that stands still.
            _ => Cause::Pump,
        },
        PartOf::Vessel(_) => match effect {
            Some(Effect::FilledWithSaltWater | Effect::Slurry(_)) => Cause::WrongWater,
            Some(Effect::Emptied) => Cause::NoTopOff,
            _ => Cause::Other,
        },
        PartOf::Supply(_) => Cause::Power,
        PartOf::Board => Cause::Board,
        PartOf::Place => match effect {
            Some(Effect::MainsOut | Effect::MainsBlink) => Cause::Power,
            _ => Cause::Room,
        },
    }
}

fn feeds_from_reservoir(system: &System, pump: &str) -> bool {
    system.passages.iter().any(|passage| {
        let driven = match passage.kind {
            PassageKind::Line { pump, .. } | PassageKind::Pumped { pump, .. } => Some(pump),
            _ => None,
        };
        let from = system.vessels[passage.from.idx()].role;
        driven.is_some_and(|a| system.actuators[a.idx()].name == pump)
            && matches!(from, VesselRole::Reservoir | VesselRole::Lime)
    })
}

/// Whether the line of that name doses.
fn is_dosing(system: &System, name: &str) -> bool {
    system.passages.iter().any(|p| p.name == name && matches!(p.kind, PassageKind::Line { .. }))
}

/// A float decides about water, a temperature probe about heat.
fn sensor_cause(system: &System, name: &str, effect: Option<Effect>) -> Cause {
    let Some(sensor) = system.sensors.iter().find(|s| s.name == name) else { return Cause::Other };
    match sensor.kind {
        SensorKind::Float { low, high, true_above, closed_above } => {
            // The float around the level at which the vessel runs is the one that calls for water.
            let calls = !true_above
                && sensor.vessel.is_some_and(|v| (low..=high).contains(&system.vessels[v.idx()].start_level));
            let says_above = match effect {
                Some(Effect::ContactAbove) => true,
                Some(Effect::ReadsOpen) => !closed_above,
                Some(Effect::ReadsShorted) => closed_above,
                _ => false,
            };
            match (calls, says_above) {
                (true, true) => Cause::NoTopOff,
                (true, false) => Cause::TopOff,
                // Any other float is there to stop something; without its consent the return stands still.
                (false, _) => Cause::Pump,
            }
        }
        SensorKind::Level { .. } | SensorKind::Ph { .. } => Cause::TopOff,
        SensorKind::Ds18b20 | SensorKind::Tmp36 { .. } | SensorKind::Ntc { .. } => Cause::Probe,
        _ => Cause::Other,
    }
}
