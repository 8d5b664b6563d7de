//! "Make safe": what one act does, worked out from the file. The board's own permissives and trips still stand above all of it.

use control::LONGEST_HAND_MS;
use system::System;
use system::model::{Actuator, ActuatorIdx, ActuatorKind, PassageKind, VesselRole};

use super::act::{Act, SafeStep};
use super::names::Names;

/// What is done with an actuator. `None`: it is left alone.
enum Safe {
    Off(&'static str),
    On(&'static str),
    GivenBack,
}

/// The steps for a system, in their order: what adds water or chemicals first, then movement, then heat.
pub fn steps(system: &System, names: &Names) -> Vec<SafeStep> {
    let mut all: Vec<(u8, SafeStep)> = vec![];
    for &actuator in &names.drives {
        let part = &system.actuators[actuator.idx()];
        let Some(safe) = safe(system, actuator, part) else { continue };
        let on = if part.modulated { 1000 } else { 1 };
        let hand = |value, time_ms| Act::Hand { actuator, value, time_ms };
        let longest = LONGEST_HAND_MS.cast_unsigned();
        let (order, act, words) = match safe {
            Safe::Off(why) => (0, hand(0, longest), format!("{} off: {why}", part.name)),
            Safe::On(why) => (1, hand(on, longest), format!("{} on: {why}", part.name)),
            Safe::GivenBack => (
                2,
                hand(0, 0),
                format!(
                    "{} goes by its rule: it has no thermostat of its own, so it is never held on by hand",
                    part.name
                ),
            ),
        };
        let order = if part.kind == ActuatorKind::Heater { 2 } else { order };
        all.push((order, SafeStep { actuator, act, words }));
    }
    all.sort_by_key(|(order, _)| *order);
    all.into_iter().map(|(_, step)| step).collect()
}

fn safe(system: &System, actuator: ActuatorIdx, part: &Actuator) -> Option<Safe> {
    if part.kind == ActuatorKind::Heater {
        return Some(match part.own_thermostat_c {
            Some(_) => Safe::On("its own thermostat holds the temperature"),
            None => Safe::GivenBack,
        });
    }
    if part.kind == ActuatorKind::DosingPump {
        return Some(Safe::Off("nothing is dosed"));
    }
    let mut moves =
        part.moves.is_some() || matches!(part.kind, ActuatorKind::Circulation | ActuatorKind::AirPump);
    for passage in system.passages.iter().filter(|passage| passage.kind.pump() == Some(actuator)) {
        match system.vessels[passage.from.idx()].role {
            VesselRole::Reservoir => return Some(Safe::Off("no water is topped off")),
            VesselRole::Lime => return Some(Safe::Off("no limewater is given")),
            _ if matches!(passage.kind, PassageKind::Line { .. }) => {
                return Some(Safe::Off("nothing is dosed"));
            }
            _ => moves = true,
        }
    }
    moves.then_some(Safe::On("the water moves and breathes"))
}
