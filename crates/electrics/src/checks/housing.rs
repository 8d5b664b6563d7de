//! The enclosure: compartments, heat, plugs, door.

use system::Diagnostic;
use system::electrics::Compartment;
use system::model::{SupplyIdx, SupplyKind};
use system::parts::ComponentKind;

use super::Check;
use super::facts::part_of_supply;
use crate::laws::enclosure;
use crate::loads::{self, Class};

/// Warmest air that relays and supplies bear at full load, °C (common data sheets: derated above 50).
const WARMEST: f64 = 50.0;
/// A cabinet's air at its warmest when nothing is said, °C (assumed: a summer day under the tank).
const AMBIENT: f64 = 32.0;
/// Depth of a moulded plug when nothing is said, m (assumed).
const PLUG: f64 = 0.045;

pub(super) fn check(check: &mut Check<'_>) {
    let mains = check.loads.iter().any(|load| load.class == Class::Mains && load.switch.is_some());
    check.facts.heat_w = heat(check);
    let Some(enclosure) = check.system.electrics.enclosure.clone() else {
        if mains {
            check.add(
                Diagnostic::note_level(
                    "enclosure-would-show",
                    "heat, plugs and compartments are not judged: no enclosure is described",
                )
                .help("add `enclosure = { inside = [...], divided = true }` to [electrics]"),
            );
        }
        return;
    };
    let at =
        check.system.places.find("electrics.enclosure").or_else(|| check.system.places.find("electrics"));
    let low = !check.system.boards.is_empty();
    if mains && low && !enclosure.divided {
        check.add(
            Diagnostic::error("mains-and-low-in-one-compartment", "mains and low voltage share one compartment of the enclosure")
                .at(at.clone(), "")
                .note("a wire that slips from its screw must not reach the probes in the water: two compartments, or 8 mm of air and double insulation (IEC 61140, IEC 60664-1)")
                .help("a wall between them, or two boxes: `divided = true`"),
        );
    }
    let mut misplaced = vec![];
    for (s, supply) in check.system.supplies.iter().enumerate() {
        let Some(compartment) = check.system.electrics.supply(SupplyIdx(s)).compartment else { continue };
        let class = match supply.kind {
            SupplyKind::Card => loads::card_class(check.system, SupplyIdx(s)),
            SupplyKind::Circuit { .. } => Class::Mains,
            _ => Class::Low,
        };
        let is_card = matches!(supply.kind, SupplyKind::Card | SupplyKind::Circuit { .. });
        if is_card && (class == Class::Mains) != (compartment == Compartment::Mains) {
            misplaced.push((supply.name.clone(), class, compartment));
        }
    }
    for (name, class, _) in misplaced {
        let (what, other) =
            if class == Class::Mains { ("the mains", "low voltage") } else { ("low voltage", "the mains") };
        check.about(
            Diagnostic::error(
                "mains-and-low-in-one-compartment",
                format!("`{name}` carries {what} in the compartment of {other}"),
            )
            .help("put it into the other one"),
            &name,
            "compartment",
        );
    }
    let rise = enclosure::rise(check.facts.heat_w, enclosure.inside, enclosure.vented);
    let inside = enclosure.ambient_c.unwrap_or(AMBIENT) + rise;
    check.facts.inside_c = Some(inside);
    if inside > WARMEST {
        check.add(
            Diagnostic::warning(
                "enclosure-too-hot",
                format!("{:.1} W warm the enclosure to {inside:.0} °C", check.facts.heat_w),
            )
            .at(at.clone(), "")
            .note(format!("{rise:.0} K over the air around it: P/(5.5 W/m²K A), halved by openings (common practice, no source)"))
            .help("a larger or vented enclosure, supplies outside of it"),
        );
    }
    if let Some(clearance) = enclosure.plug_clearance_m {
        let mut deepest = (0.0, String::new());
        for load in check.loads.iter().filter(|load| load.class == Class::Mains) {
            let depth = load.component.and_then(|component| component.value("depth")).unwrap_or(PLUG);
            if depth > deepest.0 {
                deepest = (depth, check.name(load.actuator).to_owned());
            }
        }
        if deepest.0 > clearance {
            let name = deepest.1.clone();
            check.about(
                Diagnostic::error(
                    "plug-too-deep",
                    format!(
                        "the plug of `{name}` is {:.0} mm deep, {:.0} mm are free before the sockets",
                        deepest.0 * 1e3,
                        clearance * 1e3
                    ),
                )
                .help("sockets on another wall, angled plugs, or the supply at the end of a lead"),
                &name,
                "part",
            );
        }
    }
    if let Some((free, width)) = enclosure.door
        && free < enclosure::door_needs(width)
    {
        check.add(
            Diagnostic::warning(
                "door-does-not-open",
                format!(
                    "the door is {:.0} mm wide and meets something after {:.0} mm",
                    width * 1e3,
                    free * 1e3
                ),
            )
            .at(at.clone(), "")
            .note("nobody tests what cannot be reached")
            .help("hinge it at the other side or below, or make it lift off"),
        );
    }
    room(check, &enclosure, at);
}

/// Area of what must go in against the plate: half of it stays for ducts and hands.
fn room(check: &mut Check<'_>, enclosure: &system::electrics::Enclosure, at: Option<std::ops::Range<usize>>) {
    let mut area = 0.0;
    for item in crate::harness::inventory(check.system) {
        area += item.size[0] * item.size[1];
    }
    let plate = enclosure.inside[0] * enclosure.inside[1];
    if area > 0.5 * plate {
        check.add(
            Diagnostic::warning(
                "enclosure-too-small",
                format!("what goes into the enclosure covers {:.0} % of its back", 100.0 * area / plate),
            )
            .at(at, "")
            .note("half of the plate is for ducts, bends and hands (common practice, no source)")
            .help("a larger enclosure, or supplies outside of it"),
        );
    }
}

/// Heat inside, W: coils, contacts, converters, the board.
fn heat(check: &Check<'_>) -> f64 {
    let system = check.system;
    let mut watts: f64 = system.boards.iter().map(|board| board.watts).sum();
    for load in &check.loads {
        let Some(switch) = load.switch else { continue };
        watts += switch.value("on_voltage").unwrap_or(0.0) * load.amps;
        watts += switch.value("on_resistance").unwrap_or(0.0) * load.amps * load.amps;
        if switch.kind == ComponentKind::Relay {
            watts +=
                switch.value("coil_current").unwrap_or(0.0) * switch.value("coil_voltage").unwrap_or(0.0);
        }
    }
    for fact in &check.facts.supplies {
        let Some(s) = system.supplies.iter().position(|supply| supply.name == fact.name) else { continue };
        if !matches!(system.supplies[s].kind, SupplyKind::Rail { .. }) {
            continue;
        }
        let efficiency =
            part_of_supply(system, SupplyIdx(s)).and_then(|part| part.value("efficiency")).unwrap_or(0.85);
        watts += fact.watts * (1.0 / efficiency - 1.0);
    }
    watts
}
