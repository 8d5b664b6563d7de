//! Checks of gear against geometry and supplies that need the whole system.

use super::context::Context;
use crate::diagnostic::Diagnostic;
use crate::model::{ActuatorKind, SensorKind, SupplyKind, System, VesselIdx};

pub(super) fn check(context: &Context<'_>, system: &System) {
    heights(context, system);
    series(context, system);
    supply_loops(context, system);
    undriven(context, system);
    charges(context, system);
    if system.boards.is_empty() && !system.rules.is_empty() {
        context.sink.report(
            Diagnostic::warning("no-board", "the file has rules but no board to run them")
                .at(context.rules.first().map(|rule| rule.table.span.clone()), "first rule")
                .help("add [[board]] with name, chip and supply"),
        );
    }
}

/// Nothing hangs above the rim of the vessel it is in.
fn heights(context: &Context<'_>, system: &System) {
    let check = |place: String, name: &str, vessel: Option<VesselIdx>, height: Option<f64>| {
        let (Some(vessel), Some(height)) = (vessel.and_then(|v| system.vessels.get(v.idx())), height) else {
            return;
        };
        let rim = vessel.inside[2];
        if height > rim {
            context.sink.report(
                Diagnostic::error(
                    "above-rim",
                    format!("`{name}` hangs at {:.0} mm, above the rim of `{}`", height * 1e3, vessel.name),
                )
                .at(system.places.find(&place), format!("the rim is at {:.0} mm", rim * 1e3))
                .subject(name)
                .help("heights count from the inside floor of the vessel they are in, not from the cabinet floor"),
            );
        }
    };
    for sensor in &system.sensors {
        let name = &sensor.name;
        check(format!("sensor.{name}.height"), name, sensor.vessel, sensor.height);
        if let SensorKind::Float { high, .. } = sensor.kind {
            check(format!("sensor.{name}.high"), name, sensor.vessel, Some(high));
        }
    }
    for actuator in &system.actuators {
        let name = &actuator.name;
        check(format!("actuator.{name}.mark"), name, actuator.vessel, actuator.mark);
    }
}

/// Only contacts can be wired in series with a load.
fn series(context: &Context<'_>, system: &System) {
    for actuator in &system.actuators {
        for index in &actuator.series {
            let Some(sensor) = system.sensors.get(index.idx()) else { continue };
            if matches!(sensor.kind, SensorKind::Float { .. } | SensorKind::Leak | SensorKind::Button) {
                continue;
            }
            context.sink.report(
                Diagnostic::error(
                    "series-needs-contact",
                    format!(
                        "`{}` is no contact, so `{}` cannot be wired through it",
                        sensor.name, actuator.name
                    ),
                )
                .at(system.places.find(&format!("actuator.{}.series", actuator.name)), "")
                .subject(actuator.name.clone())
                .help("name a float; what the board decides goes into the rule's `permissive`"),
            );
        }
    }
}

/// A supply that, through what feeds it or the contactor before it, feeds itself.
fn supply_loops(context: &Context<'_>, system: &System) {
    let feeders = |supply: usize| -> Vec<usize> {
        let Some(supply) = system.supplies.get(supply) else { return vec![] };
        let coil = supply.through.and_then(|a| system.actuators.get(a.idx())).and_then(|a| a.supply);
        supply.fed_by.into_iter().chain(coil).map(|s| s.idx()).collect()
    };
    let mut told: Vec<usize> = vec![];
    for start in 0..system.supplies.len() {
        let mut seen = vec![];
        let mut open = feeders(start);
        while let Some(next) = open.pop() {
            if next == start {
                break;
            }
            if !seen.contains(&next) {
                seen.push(next);
                open.extend(feeders(next));
            }
        }
        let loops = feeders(start).contains(&start) || seen.iter().any(|s| feeders(*s).contains(&start));
        if !loops || told.contains(&start) {
            continue;
        }
        told.push(start);
        told.extend(seen.iter().copied());
        let supply = &system.supplies[start];
        let others: Vec<String> = seen.iter().map(|s| format!("`{}`", system.supplies[*s].name)).collect();
        let by = if others.is_empty() {
            "itself".to_owned()
        } else {
            format!("itself by way of {}", others.join(", "))
        };
        context.sink.report(
            Diagnostic::error("supply-loop", format!("supply `{}` is fed by {by}", supply.name))
                .at(system.places.find(&format!("supply.{}.fed_by", supply.name)), "")
                .subject(supply.name.clone())
                .help("begin each chain with a circuit, which the house feeds"),
        );
    }
}

/// Only a battery has a charge.
fn charges(context: &Context<'_>, system: &System) {
    for sensor in &system.sensors {
        let SensorKind::Charge { of } = sensor.kind else { continue };
        let Some(supply) = system.supplies.get(of.idx()) else { continue };
        if !matches!(supply.kind, SupplyKind::Battery { .. }) {
            let batteries = system.supplies.iter().filter(|s| matches!(s.kind, SupplyKind::Battery { .. }));
            context.sink.report(
                Diagnostic::error(
                    "wrong-kind-of-name",
                    format!(
                        "`{}` is no battery, so `{}` cannot measure its charge",
                        supply.name, sensor.name
                    ),
                )
                .at(system.places.find(&format!("sensor.{}.of", sensor.name)), "")
                .subject(sensor.name.clone())
                .help(crate::suggest::help(
                    "",
                    batteries.map(|s| s.name.as_str()),
                    "batteries",
                )),
            );
        }
    }
}

/// Actuators that no rule drives.
fn undriven(context: &Context<'_>, system: &System) {
    for (position, actuator) in system.actuators.iter().enumerate() {
        let driven = system.rules.iter().any(|rule| rule.drives.idx() == position);
        // A rule that could not be read has its own findings; a buzzer sounds for alarms.
        let tried = context.rules.iter().any(|rule| rule.name == actuator.name);
        if driven || tried || actuator.always || actuator.kind == ActuatorKind::Buzzer {
            continue;
        }
        let state = if actuator.on_when_dead { "on" } else { "off" };
        context.sink.report(
            Diagnostic::warning(
                "actuator-without-rule",
                format!("nothing drives `{}`: it stays {state}", actuator.name),
            )
            .at(system.places.find(&format!("actuator.{}", actuator.name)), "")
            .subject(actuator.name.clone())
            .help(format!(
                "add [[rule]] with drives = \"{}\", or always = true if it has no switch",
                actuator.name
            )),
        );
    }
}
