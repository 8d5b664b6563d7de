//! The mains: what stands behind which breaker and RCD, leakage, starting currents, earth, inverters.

use system::Diagnostic;
use system::electrics::Wave;
use system::model::{ActuatorIdx, SensorIdx, SensorKind, SupplyIdx, SupplyKind};
use system::parts::Nature;

use super::facts::is_heater;
use super::{Check, amps, is_circuit};
use crate::laws::fuse;
use crate::loads::{self, Class};

/// Standing leakage that a 30 mA RCD bears without nuisance: 30 % of its rating (IEC 60364-5-53 asks for it; 9 mA).
const LEAKAGE_SHARE: f64 = 0.3;
/// Largest rated residual current that protects people, A (IEC 60364-4-41).
const RCD_LIMIT: f64 = 0.03;

pub(super) fn check(check: &mut Check<'_>) {
    budgets(check);
    leakage(check);
    circuits(check);
    ground_probe(check);
    inverters(check);
}

fn budgets(check: &mut Check<'_>) {
    for fact in check.facts.supplies.clone() {
        let Some(s) = check.system.supplies.iter().position(|supply| supply.name == fact.name) else {
            continue;
        };
        let circuit = is_circuit(check.system, SupplyIdx(s));
        let Some(limit) = fact.limit_a else { continue };
        if !circuit {
            continue;
        }
        if fact.amps > limit {
            check.about(
                Diagnostic::error(
                    "circuit-overloaded",
                    format!(
                        "everything on `{}` draws {}, its breaker holds {}",
                        fact.name,
                        amps(fact.amps),
                        amps(limit)
                    ),
                )
                .note(format!("loads: {}", fact.loads.join(", ")))
                .help("another circuit for some of them"),
                &fact.name,
                "fuse",
            );
        }
        if fact.start_a > fuse::breaker_instant(limit)
            && loads::circuit(check.system, Some(SupplyIdx(s))) == Some(SupplyIdx(s))
        {
            check.about(
                Diagnostic::warning(
                    "inrush-trips-breaker",
                    format!(
                        "when the mains return, {} start at once on `{}`; its breaker may open at {}",
                        amps(fact.start_a),
                        fact.name,
                        amps(fuse::breaker_instant(limit))
                    ),
                )
                .note("what rests closed or always runs starts together; what the board switches follows one each 20 ms; type B opens from 3 I_n (IEC 60898-1), capacitors of less than a millisecond are mostly let pass")
                .help("a breaker of type C, a limiter of the inrush, or fewer loads that rest closed"),
                &fact.name,
                "fuse",
            );
        }
    }
}

fn leakage(check: &mut Check<'_>) {
    for fact in check.facts.supplies.clone() {
        let Some(leakage) = fact.leakage_ma else { continue };
        let Some(s) = check.system.supplies.iter().position(|supply| supply.name == fact.name) else {
            continue;
        };
        let SupplyKind::Circuit { rcd_a: Some(rcd), .. } = check.system.supplies[s].kind else { continue };
        let bearable = LEAKAGE_SHARE * rcd * 1e3;
        if leakage > bearable {
            check.about(
                Diagnostic::warning(
                    "leakage-per-rcd",
                    format!(
                        "{leakage:.1} mA leak behind the RCD of `{}`; it bears {bearable:.0} mA without tripping for nothing",
                        fact.name
                    ),
                )
                .note("sum of the standing leakage of each load and supply; an RCD opens anywhere from half its rating (IEC 61008-1)")
                .help("spread the loads over two RCDs, take supplies of class II"),
                &fact.name,
                "leakage",
            );
        }
    }
}

fn circuits(check: &mut Check<'_>) {
    let house = check.house_circuits();
    let used: Vec<SupplyIdx> = (house.iter().copied())
        .filter(|circuit| check.loads.iter().any(|load| check.circuit_of(load) == Some(*circuit)))
        .collect();
    let has = |check: &Check<'_>, without: SupplyIdx, wanted: &dyn Fn(&Check<'_>, ActuatorIdx) -> bool| {
        check.loads.iter().any(|load| {
            wanted(check, load.actuator)
                && (check.is_backed(load) || check.circuit_of(load).is_some_and(|c| c != without))
        })
    };
    let heater = |check: &Check<'_>, a: ActuatorIdx| is_heater(check, a);
    let mover = |check: &Check<'_>, a: ActuatorIdx| check.is_mover(a);
    let any = |check: &Check<'_>, wanted: &dyn Fn(&Check<'_>, ActuatorIdx) -> bool| {
        check.loads.iter().any(|load| wanted(check, load.actuator))
    };
    if used.len() == 1 && any(check, &heater) && any(check, &mover) {
        let name = &check.system.supplies[used[0].idx()].name;
        check.about(
            Diagnostic::error("one-circuit", format!("everything hangs on `{name}`: one cracked heater turns off all of it"))
                .note("two circuits at least, each keeping one heat source and one water mover (common practice, no source)")
                .help("a second RCD with its own outlet"),
            name,
            "fuse",
        );
        return;
    }
    for circuit in used {
        let on = |check: &Check<'_>, wanted: &dyn Fn(&Check<'_>, ActuatorIdx) -> bool| {
            check.loads.iter().any(|load| {
                wanted(check, load.actuator)
                    && check.circuit_of(load) == Some(circuit)
                    && load.class == Class::Mains
            })
        };
        if !(on(check, &heater) && on(check, &mover)) {
            continue;
        }
        let no_mover = !has(check, circuit, &mover);
        let no_heat = !has(check, circuit, &heater);
        if no_mover || no_heat {
            let what = if no_mover { "no water moves" } else { "no heat is left" };
            let name = &check.system.supplies[circuit.idx()].name;
            check.about(
                Diagnostic::error(
                    "pump-and-heater-on-one-breaker",
                    format!("`{name}` feeds heater and pump; off, {what}"),
                )
                .note("a cracked heater trips the RCD and takes the pump along")
                .help("spread them so that each circuit, and the battery, keeps one heat source and one water mover"),
                name,
                "fuse",
            );
        }
    }
}

fn ground_probe(check: &mut Check<'_>) {
    if check.system.electrics.ground_probe != Some(true) {
        return;
    }
    let bare: Vec<&str> = (check.house_circuits().into_iter())
        .filter(|circuit| {
            !matches!(check.system.supplies[circuit.idx()].kind, SupplyKind::Circuit { rcd_a: Some(rcd), .. } if rcd <= RCD_LIMIT)
        })
        .map(|circuit| check.system.supplies[circuit.idx()].name.as_str())
        .collect();
    if bare.is_empty() {
        return;
    }
    let at = check.system.places.find("electrics.ground_probe");
    check.add(
        Diagnostic::error(
            "ground-probe-without-rcd",
            format!("a ground probe is in the water, but {} without an RCD of 30 mA", bare.iter().map(|n| format!("`{n}` is")).collect::<Vec<_>>().join(" and ")),
        )
        .at(at, "")
        .note("without an RCD the probe makes a steady path for the current of a cracked heater, through the water and whoever touches it")
        .help("an RCD (GFCI) before every part that touches the water, or no ground probe"),
    );
}

fn inverters(check: &mut Check<'_>) {
    for s in 0..check.system.supplies.len() {
        if check.system.electrics.supply(SupplyIdx(s)).wave != Some(Wave::Stepped) {
            continue;
        }
        let stalled: Vec<String> = (check.loads.iter())
            .filter(|load| matches!(load.nature, Nature::Synchronous | Nature::Inductive))
            .filter(|load| {
                let from = check.system.actuators[load.actuator.idx()].supply;
                check.system.supply_chain(from).any(|s2| s2 == SupplyIdx(s))
            })
            .map(|load| format!("`{}`", check.name(load.actuator)))
            .collect();
        if stalled.is_empty() {
            continue;
        }
        let name = &check.system.supplies[s].name;
        check.about(
            Diagnostic::error(
                "stepped-wave-stalls-motors",
                format!("{} on the stepped wave of `{name}` may stall, hum or overheat", stalled.join(", ")),
            )
            .note("magnet-rotor pumps start badly on stepped waves (common practice, no source)")
            .help("a pump on direct current straight from the battery, or an inverter with a sine wave"),
            name,
            "wave",
        );
    }
}

/// Sensors in the water whose circuit is tied to the board's ground.
pub(super) fn tied_probes<'a>(check: &Check<'a>) -> Vec<&'a str> {
    let system = check.system;
    (0..system.sensors.len())
        .map(SensorIdx)
        .filter(|sensor| {
            matches!(system.sensors[sensor.idx()].kind, SensorKind::Ph { .. } | SensorKind::Conductivity)
        })
        .filter(|sensor| {
            let said = system.electrics.sensor(*sensor).isolated;
            let part = loads::probe(system, *sensor);
            !said.unwrap_or_else(|| part.is_some_and(|part| part.isolated))
        })
        .map(|sensor| system.sensors[sensor.idx()].name.as_str())
        .collect()
}
