//! Which change mends a row: the usual answers of the trade, by what fails and what that harms.
//!
//! Physical bounds come first (a reservoir too small to harm, a pump too slow, freeboard that holds it all): they cannot fail.

use system::System;
use system::model::{ActuatorKind, Harm};
use system::parts::{Effect, PartOf, PassageClass, class_of};
use trial::Row;

use crate::fmea::harm_of;

/// What fails, as far as it decides the mend.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Cause {
    /// Fresh water or limewater comes although none is needed.
    TopOff,
    /// Water cannot leave a vessel that a pump feeds.
    Blocked,
    /// Water runs back when a pump stops.
    Drains,
    /// Water leaves the system.
    Leaks,
    /// A heater is on when it should not be, or its probe says so.
    HeatsOn,
    /// A heater is off.
    HeatsOff,
    /// Mains or a circuit are gone.
    Power,
    /// A pump that moves or lifts water stands still.
    Pump,
    /// The room.
    Room,
    /// The board.
    Board,
    /// A person put the wrong water in.
    WrongWater,
    /// Anything else.
    Other,
}

/// The change that mends a row which breaks something. None: nothing general can be said.
pub fn mend(system: &System, row: &Row) -> Option<&'static str> {
    let harm = harm_of(system, row)?;
    let part = row.part.split(" + ").next().unwrap_or_default();
    let mode = row.mode.split(" + ").next().unwrap_or_default();
    Some(match (harm, cause(system, part, mode)) {
        (Harm::Flood | Harm::Overdose, Cause::TopOff) => {
            "a pump too slow and a reservoir too small to do harm, a longest run and a volume a day that latch, and a second float \
             in series with the pump in hardware"
        }
        (Harm::Flood, Cause::Blocked) => {
            "a float high in the fed vessel that stops the pump, or freeboard for all that the sump can give"
        }
        (Harm::Flood, Cause::Drains | Cause::Pump | Cause::Power | Cause::Board) => {
            "the pump's outlet nearer to the surface with two break holes, or more free space in the sump"
        }
        (Harm::Flood, Cause::Leaks) => {
            "a tray under the stand that holds what can come, and a leak probe that stops the pumps"
        }
        (Harm::Flood, _) => "free space that holds all of it, and a float or leak probe that stops the pump",
        (Harm::Cook, Cause::Room) => "fans over the water, and a light that goes off when the water is warm",
        (Harm::Cook, _) => {
            "two small heaters in place of a large one, each with its own dial just above the setpoint, and a cut on a second probe"
        }
        (Harm::Chill, Cause::Power) => {
            "a source of heat that needs no mains and a person in time, or an accepted risk"
        }
        (Harm::Chill, _) => {
            "a second heater on another circuit and in another vessel, each strong enough for the coldest room"
        }
        (Harm::Suffocate, Cause::Power) => {
            "an air pump or a circulation pump on a battery that lasts until somebody comes"
        }
        (Harm::Suffocate, _) => "a second mover of water on another circuit, or air from a battery",
        (Harm::Overdose, Cause::WrongWater) => {
            "a reservoir too small to do harm, and a conductivity probe with an alarm"
        }
        (Harm::Overdose, _) => {
            "a dose bounded by the size of its vessel and by volume a day, and a pump too slow to do harm"
        }
        (Harm::Equipment, _) => {
            "a low float that stops what would run bare, and marks below the lowest water"
        }
        (Harm::Dark, _) => "an alarm that says so",
        (Harm::Starve | Harm::Other, _) => return None,
    })
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
                | Effect::Removes(_)
        )
    );
    if leaks {
        return Cause::Leaks;
    }
    match class.of {
        PartOf::Actuator(ActuatorKind::Heater | ActuatorKind::Contactor) => match effect {
            Some(Effect::AlwaysOn | Effect::ThermostatWelded) => Cause::HeatsOn,
            Some(Effect::TripsRcd) => Cause::Power,
            _ => Cause::HeatsOff,
        },
        PartOf::Actuator(ActuatorKind::DosingPump | ActuatorKind::Valve) => Cause::TopOff,
        PartOf::Actuator(ActuatorKind::Pump | ActuatorKind::Circulation | ActuatorKind::AirPump) => {
            match effect {
                Some(Effect::AlwaysOn) if feeds_from_reservoir(system, part) => Cause::TopOff,
                _ => Cause::Pump,
            }
        }
        PartOf::Actuator(ActuatorKind::Fan) => Cause::Room,
        PartOf::Actuator(_) => Cause::Other,
        PartOf::Sensor(_) => sensor_cause(system, part),
        PartOf::Passage(
            PassageClass::Weir | PassageClass::Drain | PassageClass::Baffle | PassageClass::Sock,
        ) => Cause::Blocked,
        PartOf::Passage(_) => match effect {
            Some(Effect::BreakHoleShut | Effect::CheckValveLeaks | Effect::LineSubmerged) => Cause::Drains,
            _ => Cause::Blocked,
        },
        PartOf::Vessel(_) => match effect {
            Some(Effect::FilledWithSaltWater | Effect::Slurry(_)) => Cause::WrongWater,
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
    use system::model::{PassageKind, VesselRole};
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

/// A float decides about water, a temperature probe about heat.
fn sensor_cause(system: &System, name: &str) -> Cause {
    use system::model::SensorKind;
    let kind = system.sensors.iter().find(|s| s.name == name).map(|s| &s.kind);
    match kind {
        Some(SensorKind::Float { .. } | SensorKind::Level { .. } | SensorKind::Ph { .. }) => Cause::TopOff,
        Some(SensorKind::Ds18b20 | SensorKind::Tmp36 { .. } | SensorKind::Ntc { .. }) => Cause::HeatsOn,
        _ => Cause::Other,
    }
}
