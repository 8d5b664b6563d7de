//! Checks of the ways of the water: what cannot be built, or would never carry water.

use super::context::{Context, Thing};
use crate::diagnostic::Diagnostic;
use crate::model::{ActuatorIdx, ActuatorKind, Passage, PassageKind, System, Vessel, VesselIdx};

pub(super) fn check(context: &Context<'_>, system: &System) {
    for passage in &system.passages {
        one_passage(context, system, passage);
    }
    pumps(context, system);
    nesting(context, system);
    isolated(context, system);
}

fn report(
    context: &Context<'_>,
    system: &System,
    finding: Diagnostic,
    passage: &Passage,
    keys: &[(&str, String)],
) {
    let finding = keys.iter().fold(finding, |finding, (key, label)| {
        finding.at(system.places.find(&format!("passage.{}.{key}", passage.name)), label.clone())
    });
    context.sink.report(finding.subject(passage.name.clone()));
}

fn one_passage(context: &Context<'_>, system: &System, passage: &Passage) {
    let ends = system.vessels.get(passage.from.idx()).zip(system.vessels.get(passage.to.idx()));
    let Some((from, to)) = ends else { return };
    if passage.from == passage.to {
        let finding = Diagnostic::error(
            "passage-to-itself",
            format!("passage `{}` leads from `{}` to itself", passage.name, from.name),
        )
        .help("a passage joins two vessels; a pump that only stirs one has `moves` instead");
        report(context, system, finding, passage, &[("to", String::new()), ("from", String::new())]);
        return;
    }
    match &passage.kind {
        PassageKind::Weir { crest, .. } => over_edge(context, system, passage, (from, to), *crest, "crest"),
        PassageKind::Baffle { top, .. } => over_edge(context, system, passage, (from, to), *top, "top"),
        PassageKind::Drain { inlet, outlet, branches, .. } => {
            downhill(context, system, passage, (from, *inlet), (to, *outlet));
            for branch in branches {
                if let Some(vessel) = system.vessels.get(branch.to.idx()) {
                    downhill(context, system, passage, (from, *inlet), (vessel, branch.outlet));
                }
            }
        }
        PassageKind::Pumped { outlet, break_hole: Some(hole), .. } if hole < outlet => {
            let finding = Diagnostic::warning(
                "break-hole-below-outlet",
                format!("the break hole of `{}` lies below its outlet", passage.name),
            )
            .help(
                "the hole breaks the siphon where the falling level first meets air: put it above the outlet",
            );
            report(context, system, finding, passage, &[("break_hole", String::new())]);
        }
        _ => {}
    }
}

/// An edge must lie above the floor that the water falls to.
fn over_edge(
    context: &Context<'_>,
    system: &System,
    passage: &Passage,
    (from, to): (&Vessel, &Vessel),
    edge: f64,
    key: &str,
) {
    let edge_height = from.floor_m + edge;
    if edge_height < to.floor_m {
        let finding = Diagnostic::error(
            "weir-uphill",
            format!(
                "no water can pass `{}`: the floor of `{}` is higher than its edge",
                passage.name, to.name
            ),
        )
        .note(format!(
            "the edge is {:.0} mm over the cabinet floor, the floor of `{}` {:.0} mm",
            edge_height * 1e3,
            to.name,
            to.floor_m * 1e3
        ))
        .help("check the `floor` of both vessels and the direction of the passage");
        report(
            context,
            system,
            finding,
            passage,
            &[(key, format!("{:.0} mm in `{}`", edge * 1e3, from.name))],
        );
    }
}

/// A drain's outlet must lie below its inlet.
fn downhill(
    context: &Context<'_>,
    system: &System,
    passage: &Passage,
    (from, inlet): (&Vessel, f64),
    (to, outlet): (&Vessel, f64),
) {
    let (start, end) = (from.floor_m + inlet, to.floor_m + outlet);
    if end >= start {
        let finding = Diagnostic::error(
            "drain-uphill",
            format!("`{}` would have to run uphill: its outlet is not below its inlet", passage.name),
        )
        .note(format!(
            "over the cabinet floor the inlet is {:.0} mm, the outlet {:.0} mm",
            start * 1e3,
            end * 1e3
        ))
        .help("check the `floor` of both vessels, `inlet` and `outlet`; water that must go up needs a pump");
        report(context, system, finding, passage, &[("outlet", String::new()), ("inlet", String::new())]);
    }
}

/// Each pump drives one passage, and is a pump.
fn pumps(context: &Context<'_>, system: &System) {
    let mut used: Vec<(ActuatorIdx, &Passage)> = vec![];
    for passage in &system.passages {
        let Some(pump) = passage.kind.pump() else { continue };
        let Some(actuator) = system.actuators.get(pump.idx()) else { continue };
        if !matches!(
            actuator.kind,
            ActuatorKind::Pump | ActuatorKind::DosingPump | ActuatorKind::Valve | ActuatorKind::Other
        ) {
            let finding = Diagnostic::error(
                "wrong-kind-of-name",
                format!("`{}` is no pump, so it cannot drive `{}`", actuator.name, passage.name),
            )
            .help(crate::suggest::help("", context.names_of(&[Thing::Actuator]), "actuators"));
            report(context, system, finding, passage, &[("pump", String::new())]);
        }
        if let Some((_, first)) = used.iter().find(|(other, _)| *other == pump) {
            let finding = Diagnostic::error(
                "pump-shared",
                format!("`{}` drives both `{}` and `{}`", actuator.name, first.name, passage.name),
            )
            .help("one pump drives one passage; give a tee its legs as `branches`");
            let second = system.places.find(&format!("passage.{}.pump", first.name));
            report(
                context,
                system,
                finding.at(second, "first passage"),
                passage,
                &[("pump", "second passage".into())],
            );
        }
        used.push((pump, passage));
    }
}

/// Vessels that stand inside each other in a circle.
fn nesting(context: &Context<'_>, system: &System) {
    for (position, vessel) in system.vessels.iter().enumerate() {
        let mut outer = vessel.inside_of;
        for _ in 0..system.vessels.len() {
            let Some(next) = outer.and_then(|v: VesselIdx| system.vessels.get(v.idx())) else { break };
            if outer.map(VesselIdx::idx) == Some(position) {
                context.sink.report(
                    Diagnostic::error(
                        "inside-of-loop",
                        format!("vessel `{}` stands inside itself", vessel.name),
                    )
                    .at(system.places.find(&format!("vessel.{}.inside_of", vessel.name)), "")
                    .subject(vessel.name.clone())
                    .help("`inside_of` names the larger vessel around this one"),
                );
                break;
            }
            outer = next.inside_of;
        }
    }
}

/// Vessels that nothing fills or empties.
fn isolated(context: &Context<'_>, system: &System) {
    if system.passages.is_empty() {
        return;
    }
    for (position, vessel) in system.vessels.iter().enumerate() {
        let touches = |passage: &Passage| {
            let branches = match &passage.kind {
                PassageKind::Drain { branches, .. } | PassageKind::Pumped { branches, .. } => {
                    branches.as_slice()
                }
                _ => &[],
            };
            passage.from.idx() == position
                || passage.to.idx() == position
                || branches.iter().any(|branch| branch.to.idx() == position)
        };
        if !system.passages.iter().any(touches) && context.passages.len() == system.passages.len() {
            context.sink.report(
                Diagnostic::note_level(
                    "isolated-vessel",
                    format!("no passage leads into or out of vessel `{}`", vessel.name),
                )
                .at(system.places.find(&format!("vessel.{}", vessel.name)), "")
                .subject(vessel.name.clone())
                .help("add its [[passage]]s, or take the vessel out"),
            );
        }
    }
}
