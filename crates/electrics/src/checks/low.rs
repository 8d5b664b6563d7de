//! Low voltage: rails, batteries, wires, buses, probes, connectors.

use std::collections::BTreeMap;

use system::Diagnostic;
use system::electrics::Topology;
use system::model::{SensorIdx, SensorKind, SupplyIdx, SupplyKind};

use system::wiring::SensorPlace;

use super::{Check, amps};
use crate::assign::Plan;
use crate::laws::{bus, copper, fuse};
use crate::loads::{self, Class};

/// Loss that a low-voltage load bears, share (IEC 60364-5-52 annex G: 5 % for other than lighting).
const LOSS: f64 = 0.05;
/// Headroom that a rail should keep, share (common practice, no source).
const HEADROOM: f64 = 0.2;
/// I2C when nothing is said: V, pull-ups of two boards in parallel, ohm, cable, F/m (flat cable, common practice), board itself, F.
const I2C_VOLTS: f64 = 5.0;
const USUAL_PULL_UP: f64 = 4700.0;
const PER_METRE: f64 = 60e-12;
const BOARD: f64 = 20e-12;

pub(super) fn check(check: &mut Check<'_>, plan: Option<&Plan>) {
    rails(check);
    wires(check);
    i2c(check);
    one_wire(check, plan);
    probes(check);
    connectors(check);
}

fn rails(check: &mut Check<'_>) {
    for fact in check.facts.supplies.clone() {
        let Some(s) = check.system.supplies.iter().position(|supply| supply.name == fact.name) else {
            continue;
        };
        match check.system.supplies[s].kind {
            SupplyKind::Rail { .. } => {
                let Some(limit) = fact.limit_a else { continue };
                if fact.amps > limit {
                    check.about(
                        Diagnostic::error(
                            "rail-overloaded",
                            format!(
                                "everything on `{}` draws {}, it gives {}",
                                fact.name,
                                amps(fact.amps),
                                amps(limit)
                            ),
                        )
                        .note(format!("loads: {}", fact.loads.join(", ")))
                        .help(format!("a supply of {:.0} W, or fewer loads", fact.watts * (1.0 + HEADROOM))),
                        &fact.name,
                        "part",
                    );
                } else if fact.amps > limit * (1.0 - HEADROOM) {
                    check.about(
                        Diagnostic::warning(
                            "rail-without-headroom",
                            format!("everything on `{}` draws {} of {}", fact.name, amps(fact.amps), amps(limit)),
                        )
                        .note("a fifth should stay free: supplies age, motors draw more when they do (common practice, no source)")
                        .help(format!("a supply of {:.0} W", fact.watts / (1.0 - HEADROOM))),
                        &fact.name,
                        "part",
                    );
                }
            }
            SupplyKind::Battery { .. } => {
                if check.system.electrics.supply(SupplyIdx(s)).fuse_a.is_none() {
                    let rated = fuse::RATINGS.iter().find(|rating| **rating >= 1.25 * fact.amps);
                    let rated = rated.map_or("a larger fuse".to_owned(), |rating| format!("{rating} A"));
                    check.about(
                        Diagnostic::error(
                            "battery-without-fuse",
                            format!(
                                "nothing stands between `{}` and a short: it gives hundreds of amperes",
                                fact.name
                            ),
                        )
                        .note(format!("everything on draws {}", amps(fact.amps)))
                        .help(format!("a fuse at its pole ({rated}): `fuse = \"...\"` in its [fitting]")),
                        &fact.name,
                        "fuse",
                    );
                } else if let Some(limit) = fact.limit_a
                    && fact.amps > limit
                {
                    check.about(
                        Diagnostic::error(
                            "rail-overloaded",
                            format!(
                                "everything on `{}` draws {}, its fuse holds {}",
                                fact.name,
                                amps(fact.amps),
                                amps(limit)
                            ),
                        )
                        .help("a larger fuse and wire, or fewer loads"),
                        &fact.name,
                        "fuse",
                    );
                }
            }
            _ => {}
        }
    }
}

fn wires(check: &mut Check<'_>) {
    for (fact, load) in check.facts.loads.clone().into_iter().zip(check.loads.clone()) {
        let fitting = check.system.electrics.actuator(load.actuator);
        let mains = load.class == Class::Mains;
        if let (Some(volts), Some(length)) = (load.volts, fitting.length_m)
            && fact.drop_v > LOSS * volts
        {
            let better = copper::section_for(load.amps, length, 0.03 * volts);
            check.about(
                Diagnostic::warning(
                    "wire-drop",
                    format!(
                        "`{}` loses {:.2} V of {volts:.0} V on {length:.1} m of {:.2} mm² (AWG {})",
                        fact.name,
                        fact.drop_v,
                        fact.mm2,
                        copper::awg_of(fact.mm2)
                    ),
                )
                .note("2 L R I, copper at 20 °C; at most 5 % (IEC 60364-5-52 annex G)")
                .help(better.map_or("a shorter way or a higher voltage".to_owned(), |mm2| {
                    format!("{mm2} mm² (AWG {})", copper::awg_of(mm2))
                })),
                &fact.name,
                "wire",
            );
        }
        if let (Some(said), Some(fuse_a)) = (fitting.area_mm2, fact.fuse_a) {
            let least = fuse::least_mm2(fuse_a, mains);
            if said < least * 0.98 {
                check.about(
                    Diagnostic::error(
                        "wire-thinner-than-fuse",
                        format!(
                            "the wire of `{}` ({said:.2} mm²) burns before its fuse of {fuse_a} A opens",
                            fact.name
                        ),
                    )
                    .note(if mains { "IEC 60335-1 table 11" } else { "common practice, no source" })
                    .help(format!("{least} mm² (AWG {}), or a smaller fuse", copper::awg_of(least))),
                    &fact.name,
                    "wire",
                );
            }
        }
    }
}

fn i2c(check: &mut Check<'_>) {
    let devices = &check.system.wiring.devices;
    let on_bus: Vec<usize> = (0..devices.len()).filter(|d| devices[*d].kind.is_on_i2c()).collect();
    if on_bus.is_empty() {
        return;
    }
    let cable = check.system.electrics.i2c;
    let parts: f64 = (on_bus.iter())
        .map(|d| {
            loads::device(check.system, *d).and_then(|part| part.value("bus_capacitance")).unwrap_or(10e-12)
        })
        .sum();
    let lengths: f64 = (on_bus.iter()).filter_map(|d| check.system.electrics.device(*d).length_m).sum();
    let length = cable.length_m.unwrap_or(lengths);
    let farad = cable.capacitance_f.unwrap_or(BOARD + parts + PER_METRE * length);
    let mode = bus::Mode::of(cable.clock_hz.unwrap_or(100e3));
    let ohm = cable.pull_up_ohm.unwrap_or(USUAL_PULL_UP);
    let (least, most) = bus::window(mode, I2C_VOLTS, farad);
    let rise = bus::rise(ohm, farad);
    check.facts.i2c = Some([farad * 1e12, rise * 1e9, least, most]);
    let at = check.system.places.find("electrics.i2c").or_else(|| check.system.places.find("electrics"));
    let sum = format!(
        "{:.0} pF: {length:.1} m of cable at 60 pF/m, {} parts, the board; window {least:.0} to {most:.0} ohm (UM10204)",
        farad * 1e12,
        on_bus.len()
    );
    let found = if farad > bus::MOST_CAPACITANCE || most < least {
        Some((
            format!("the I2C bus has {:.0} pF, no pull-up makes it rise in time", farad * 1e12),
            "a shorter cable, a slower clock, or a bus buffer".to_owned(),
        ))
    } else if ohm > most {
        Some((
            format!(
                "the I2C bus rises in {:.0} ns with {:.1} kohm; {:.0} ns are allowed",
                rise * 1e9,
                ohm / 1e3,
                mode.longest_rise() * 1e9
            ),
            format!("pull-ups of {:.1} kohm, or a shorter cable", (most * 0.8).max(least) / 1e3),
        ))
    } else if ohm < least {
        Some((
            format!(
                "the pull-ups of the I2C bus come to {ohm:.0} ohm; its parts pull {least:.0} ohm to low and no less"
            ),
            "take the pull-ups off some of the modules".to_owned(),
        ))
    } else {
        None
    };
    if let Some((message, help)) = found {
        check.add(Diagnostic::error("i2c-pull-up", message).at(at, "").note(sum).help(help));
    }
}

/// Thermometers on the fullest one-wire bus. Without a plan all on one, the worst that can be.
fn fullest_bus(check: &Check<'_>, plan: Option<&Plan>) -> usize {
    let mut by_pin: BTreeMap<u8, usize> = BTreeMap::new();
    let Some(plan) = plan else {
        let is_digital =
            |kind: &SensorKind| matches!(kind, SensorKind::Ds18b20 | SensorKind::RoomTemperature);
        return check.system.sensors.iter().filter(|sensor| is_digital(&sensor.kind)).count();
    };
    for place in plan.wiring.sensors.iter().flatten() {
        if let SensorPlace::OneWire { pin, .. } = place {
            *by_pin.entry(*pin).or_default() += 1;
        }
    }
    by_pin.into_values().max().unwrap_or(0)
}

fn one_wire(check: &mut Check<'_>, plan: Option<&Plan>) {
    let n = fullest_bus(check, plan);
    if n == 0 {
        return;
    }
    let cable = check.system.electrics.one_wire;
    let at = check.system.places.find("electrics.one_wire").or_else(|| check.system.places.find("electrics"));
    let Some(length) = cable.length_m else { return };
    let ohm = cable.pull_up_ohm.unwrap_or(USUAL_PULL_UP);
    let star = check.system.electrics.one_wire_topology == Topology::Star;
    if star && n > 2 && length > 10.0 {
        check.add(
            Diagnostic::warning("one-wire-star", format!("{n} thermometers hang as a star on {length:.0} m of cable"))
                .at(at.clone(), "")
                .note("echoes from each branch end blur the bits; the weight of all branches adds up (common practice, no source)")
                .help("a chain from one to the next with stubs below a metre, or a pin for each"),
        );
    }
    let longest = bus::one_wire_longest(ohm, n);
    if length > longest {
        check.add(
            Diagnostic::error(
                "one-wire-too-long",
                format!("{length:.0} m of one-wire cable with {:.1} kohm rise too slowly; {longest:.0} m do", ohm / 1e3),
            )
            .at(at, "")
            .note("R C ln(1/0.3) within 9 us of a bit's 15 (DS18B20 data sheet), 50 pF/m and 25 pF a part (assumed)")
            .help("a smaller pull-up (2.2 kohm), or two buses"),
        );
    }
}

fn probes(check: &mut Check<'_>) {
    for s in 0..check.system.sensors.len() {
        let sensor = &check.system.sensors[s];
        if sensor.vessel.is_none() {
            continue;
        }
        let said = check.system.electrics.sensor(SensorIdx(s)).sealed;
        let part = loads::probe(check.system, SensorIdx(s));
        if said.unwrap_or_else(|| part.is_none_or(|part| part.sealed)) {
            continue;
        }
        check.about(
            Diagnostic::warning(
                "probe-not-sealed",
                format!(
                    "the cable entry of `{}` is not sealed: salt water creeps in within months",
                    sensor.name
                ),
            )
            .note(part.map_or(String::new(), |part| part.title.clone()))
            .help("pot the entry with epoxy and sheathe the sleeve (PTFE, titanium), then `sealed = true`"),
            &sensor.name,
            "sealed",
        );
    }
    for name in super::mains::tied_probes(check) {
        check.about(
            Diagnostic::error(
                "probe-not-isolated",
                format!("`{name}` ties the water to the board's ground: a second probe or a ground probe closes a loop through it"),
            )
            .note("the reading jumps with every pump that leaks, and the electrode polarises (common practice, no source)")
            .help("an amplifier with an isolated supply and output, then `isolated = true`"),
            name,
            "isolated",
        );
    }
}

/// Connectors that fit into each other at different voltages.
fn connectors(check: &mut Check<'_>) {
    let mut seen: Vec<(&str, String, &str)> = vec![];
    for load in &check.loads {
        let Some(id) = check.system.electrics.actuator(load.actuator).connector.as_deref() else { continue };
        let Some(volts) = load.volts else { continue };
        seen.push((id, format!("{volts:.0} V"), check.name(load.actuator)));
    }
    for s in 0..check.system.sensors.len() {
        let Some(id) = check.system.electrics.sensor(SensorIdx(s)).connector.as_deref() else { continue };
        seen.push((id, "a signal".to_owned(), &check.system.sensors[s].name));
    }
    for s in 0..check.system.supplies.len() {
        let Some(id) = check.system.electrics.supply(SupplyIdx(s)).connector.as_deref() else { continue };
        let Some(volts) = loads::volts(check.system, Some(SupplyIdx(s))) else { continue };
        seen.push((id, format!("{volts:.0} V"), &check.system.supplies[s].name));
    }
    let mut told: Vec<&str> = vec![];
    for i in 0..seen.len() {
        let (id, first, a) = &seen[i];
        // Terminals are no plugs: nobody takes the one for the other in the dark.
        if told.contains(id)
            || check.system.library.component(id).is_some_and(|c| c.usual_for.iter().any(|w| w == "signal"))
        {
            continue;
        }
        let Some((_, second, b)) =
            seen[i + 1..].iter().find(|(other, volts, _)| other == id && volts != first)
        else {
            continue;
        };
        told.push(id);
        let title = check.system.library.component(id).map_or(*id, |component| component.title.as_str());
        check.about(
            Diagnostic::error(
                "connector-fits-two-voltages",
                format!("`{a}` ({first}) and `{b}` ({second}) have the same plug: {title}"),
            )
            .note("sooner or later the one is put into the other")
            .help("another kind of connector for each voltage, or other sizes or codings of one"),
            b,
            "connector",
        );
    }
    for load in check.loads.clone() {
        let Some(id) = check.system.electrics.actuator(load.actuator).connector.as_deref() else { continue };
        let Some(part) = check.system.library.component(id) else { continue };
        if let Some(rated) = part.value("rated_current")
            && load.amps > rated
        {
            let name = check.name(load.actuator);
            check.about(
                Diagnostic::error(
                    "connector-overloaded",
                    format!("`{name}` draws {} through a connector for {}", amps(load.amps), amps(rated)),
                )
                .note(part.title.clone())
                .help("a connector for the current"),
                name,
                "connector",
            );
        }
    }
}
