//! Which failure modes the parts of a system have: the rows of its FMEA before anything is simulated.

use super::{Effect, FailureMode, Library, Part, PartOf, PassageClass, SensorClass, SupplyClass};
use crate::model::{Actuator, PassageKind, SupplyIdx, SupplyKind, System};

/// One failure mode of one part.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Fault<'s> {
    /// Name of the part in the file, or of a place outside it (`mains`, `room`, `telling`).
    pub part: &'s str,
    /// What the part is put as.
    pub of: PartOf,
    /// How it fails.
    pub mode: &'s FailureMode,
}

/// The class in the library of the thing of that name. None for names that have no class: signals, procedures, `*`.
pub fn class_of<'s>(system: &'s System, name: &str) -> Option<&'s Part> {
    let library: &Library = &system.library;
    let usual = |of| library.usual(of);
    if let Some(actuator) = system.actuators.iter().find(|a| a.name == name) {
        return library.part(&actuator.part);
    }
    if let Some(sensor) = system.sensors.iter().find(|s| s.name == name) {
        return library.part(&sensor.part);
    }
    if let Some(vessel) = system.vessels.iter().find(|v| v.name == name) {
        return usual(PartOf::Vessel(vessel.role));
    }
    if let Some(passage) = system.passages.iter().find(|p| p.name == name) {
        return usual(PartOf::Passage(PassageClass::of(&passage.kind)));
    }
    if let Some(supply) = system.supplies.iter().find(|s| s.name == name) {
        return usual(PartOf::Supply(SupplyClass::of(&supply.kind)));
    }
    if system.boards.iter().any(|b| b.name == name) {
        return usual(PartOf::Board);
    }
    library.parts().iter().find(|part| part.of == PartOf::Place && part.id == name)
}

/// Every failure mode that this system can have, parts in the order vessels, passages, actuators, sensors, supplies, boards,
/// places; within each in file order. Modes that cannot touch the part are left out: a welded contact of what always runs, a
/// break hole where there is none.
pub fn faults(system: &System) -> Vec<Fault<'_>> {
    let library: &Library = &system.library;
    let mut all = vec![];
    for vessel in &system.vessels {
        add(&mut all, &vessel.name, library.usual(PartOf::Vessel(vessel.role)), |_| true);
    }
    for passage in &system.passages {
        let part = library.usual(PartOf::Passage(PassageClass::of(&passage.kind)));
        add(&mut all, &passage.name, part, |effect| passage_has(&passage.kind, effect));
    }
    for actuator in &system.actuators {
        add(&mut all, &actuator.name, library.part(&actuator.part), |effect| {
            actuator_has(system, actuator, effect)
        });
    }
    for sensor in &system.sensors {
        let placed = sensor.vessel.is_some();
        add(&mut all, &sensor.name, library.part(&sensor.part), |effect| match effect {
            Effect::FallenOut | Effect::WrongVessel => {
                placed && SensorClass::of(&sensor.kind) != SensorClass::Float
            }
            _ => true,
        });
    }
    for supply in &system.supplies {
        let part = library.usual(PartOf::Supply(SupplyClass::of(&supply.kind)));
        add(&mut all, &supply.name, part, |_| true);
    }
    for board in &system.boards {
        add(&mut all, &board.name, library.usual(PartOf::Board), |_| true);
    }
    for place in library.parts().iter().filter(|part| part.of == PartOf::Place) {
        add(&mut all, &place.id, Some(place), |_| true);
    }
    all
}

fn add<'s>(
    all: &mut Vec<Fault<'s>>,
    name: &'s str,
    part: Option<&'s Part>,
    applies: impl Fn(Effect) -> bool,
) {
    let Some(part) = part else { return };
    let modes = part.modes.iter().filter(|mode| applies(mode.effect));
    all.extend(modes.map(|mode| Fault { part: name, of: part.of, mode }));
}

fn passage_has(kind: &PassageKind, effect: Effect) -> bool {
    match (effect, kind) {
        (Effect::BreakHoleShut, PassageKind::Pumped { break_hole, .. }) => break_hole.is_some(),
        (Effect::CheckValveLeaks, PassageKind::Pumped { check_valve, .. }) => *check_valve,
        // A tube that is squeezed shut cannot siphon, wherever its end hangs.
        (Effect::LineSubmerged, PassageKind::Line { occludes, .. }) => !occludes,
        _ => true,
    }
}

fn actuator_has(system: &System, actuator: &Actuator, effect: Effect) -> bool {
    let carries_water = system.passages.iter().any(|passage| {
        let pump = passage.kind.pump().and_then(|pump| system.actuators.get(pump.idx()));
        pump.is_some_and(|a| a.name == actuator.name)
    });
    match effect {
        Effect::AlwaysOn | Effect::NeverOn => !actuator.always,
        Effect::HoseOff | Effect::LineSlipped => carries_water,
        Effect::ThermostatWelded => actuator.own_thermostat_c.is_some(),
        Effect::TripsRcd => circuit_has_rcd(system, actuator.supply),
        _ => true,
    }
}

/// Whether an RCD stands before a load.
fn circuit_has_rcd(system: &System, supply: Option<SupplyIdx>) -> bool {
    system
        .supply_chain(supply)
        .any(|s| matches!(system.supplies[s.idx()].kind, SupplyKind::Circuit { rcd_a: Some(_), .. }))
}
