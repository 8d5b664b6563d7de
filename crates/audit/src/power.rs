//! Supplies: batteries against the unattended time, circuits that carry everything, RCDs.

use crate::context::Context;
use crate::facts::BatteryFact;
use crate::reads;
use system::expr::Comparison;
use system::model::{
    ActuatorIdx, ActuatorKind, RuleForm, SensorKind, SignalIdx, SignalSource, SupplyIdx, SupplyKind,
};
use system::{Diagnostic, Level, System};

/// Charge steps in which a battery's runtime is summed: loads shed at a charge are met within a per cent.
const CHARGE_STEPS: usize = 100;
/// Capacity left of an aged battery where no corner says (harbour figure: -20 %).
const AGED: f64 = 0.8;
/// Largest rated residual current for people, A (30 mA: IEC 60364-4-41 additional protection).
const RCD_LIMIT: f64 = 0.03;

/// The battery that a supply is, or hangs behind.
pub fn battery_of(system: &System, supply: Option<SupplyIdx>) -> Option<SupplyIdx> {
    up(system, supply, |kind| matches!(kind, SupplyKind::Battery { .. }))
}

/// The mains circuit that a supply is, or hangs behind, the one nearest the house.
pub fn circuit_of(system: &System, supply: Option<SupplyIdx>) -> Option<SupplyIdx> {
    let circuits = |s: &SupplyIdx| matches!(system.supplies[s.idx()].kind, SupplyKind::Circuit { .. });
    system.supply_chain(supply).filter(circuits).last()
}

fn up(system: &System, supply: Option<SupplyIdx>, is: impl Fn(&SupplyKind) -> bool) -> Option<SupplyIdx> {
    system.supply_chain(supply).find(|s| is(&system.supplies[s.idx()].kind))
}

pub(crate) fn check(context: &mut Context<'_>) {
    batteries(context);
    circuits(context);
    no_backup(context);
}

/// Draw of everything behind a battery with the mains out at a charge (0..1), W.
fn load(system: &System, battery: SupplyIdx, charge: f64) -> f64 {
    let known = |signal: SignalIdx, compared: Option<(Comparison, i32)>| -> Option<bool> {
        let SignalSource::Sensor(sensor) = system.signals.get(signal.idx())?.source else { return None };
        match (&system.sensors[sensor.idx()].kind, compared) {
            (SensorKind::Presence { of }, None) => battery_of(system, Some(*of)).is_none().then_some(false),
            (SensorKind::Charge { of }, Some((op, value))) if *of == battery => {
                let value = f64::from(value) / 1000.0;
                Some(match op {
                    Comparison::Less | Comparison::LessEqual => charge < value,
                    Comparison::Greater | Comparison::GreaterEqual => charge > value,
                })
            }
            _ => None,
        }
    };
    let mut watts = 0.0;
    for (a, actuator) in system.actuators.iter().enumerate() {
        if battery_of(system, actuator.supply) != Some(battery) {
            continue;
        }
        // A contactor that rests closed draws nothing while closed.
        if actuator.kind == ActuatorKind::Contactor && actuator.on_when_dead {
            continue;
        }
        let rule = reads::rule_of(system, ActuatorIdx(a));
        let mut share = reads::usual_share(system, ActuatorIdx(a));
        if let Some(rule) = rule {
            match &rule.form {
                RuleForm::When(when) => match reads::evaluate(system, when, &known) {
                    Some(true) => share = 1.0,
                    Some(false) => share = 0.0,
                    None => {}
                },
                RuleForm::Switch { start, stop } => {
                    if reads::evaluate(system, stop, &known) == Some(true) {
                        share = 0.0;
                    } else if reads::evaluate(system, start, &known) == Some(true)
                        || reads::evaluate(system, stop, &known) == Some(false)
                    {
                        share = 1.0;
                    }
                }
                _ => {}
            }
            let held = rule.permissive.as_ref().map(|p| reads::evaluate(system, p, &known));
            if held == Some(Some(false)) {
                share = 0.0;
            }
        }
        watts += actuator.watts * share;
    }
    for board in &system.boards {
        if battery_of(system, board.supply) == Some(battery) {
            watts += board.watts;
        }
    }
    watts
}

fn batteries(context: &mut Context<'_>) {
    let system = context.system;
    for (s, supply) in system.supplies.iter().enumerate() {
        let SupplyKind::Battery { usable_j, .. } = supply.kind else { continue };
        let battery = SupplyIdx(s);
        let aged = system.corners.iter().map(|c| c.battery).fold(f64::NAN, f64::min);
        let aged = if aged < 1.0 { aged } else { AGED };
        let loads: Vec<f64> = (0..CHARGE_STEPS)
            .map(|i| load(system, battery, 1.0 - (i as f64 + 0.5) / CHARGE_STEPS as f64))
            .collect();
        let runtime = |factor: f64| {
            let step = usable_j * factor / CHARGE_STEPS as f64;
            let mut hours = 0.0;
            for watts in &loads {
                if *watts <= 0.0 {
                    return None;
                }
                hours += step / watts / 3600.0;
            }
            Some(hours)
        };
        let unattended = system.unattended_s / 3600.0;
        let (hours, hours_aged) = (runtime(1.0), runtime(aged));
        // What the unattended time takes, shedding included.
        let mean = hours.map_or(loads[0], |hours| usable_j / 3600.0 / hours);
        let fact = BatteryFact {
            supply: supply.name.clone(),
            usable_wh: usable_j / 3600.0,
            load_w: loads[0],
            hours,
            hours_aged,
            need_wh: mean * unattended,
        };
        let short = hours.filter(|hours| *hours < unattended);
        let short_aged = hours_aged.filter(|hours| *hours < unattended);
        if let Some(hours_aged) = short_aged {
            let level = if short.is_some() { Level::Warning } else { Level::Note };
            let nominal = hours.unwrap_or(hours_aged);
            context.add(
                Diagnostic::new(
                    "battery-runs-out",
                    level,
                    format!("`{}` lasts {nominal:.0} h ({hours_aged:.0} h aged) of the unattended {unattended:.0} h", supply.name),
                )
                .at(context.place(&format!("supply.{}", supply.name)), "")
                .note(format!("t = E/P: {:.0} Wh usable, {:.1} W with the mains out", fact.usable_wh, fact.load_w))
                .help(format!(
                    "{:.0} Wh, or shed loads that can wait below some charge (rule on the battery's charge): {:.1} W would last",
                    (fact.need_wh / aged).ceil(),
                    fact.usable_wh * aged / unattended
                ))
                .subject(supply.name.clone()),
            );
            context.hours(
                format!("mains out: {} empty", supply.name),
                "water stands, board and messages dead",
                nominal,
            );
        }
        let heats = system
            .actuators
            .iter()
            .find(|a| a.kind == ActuatorKind::Heater && battery_of(system, a.supply) == Some(battery));
        if let Some(heater) = heats {
            context.add(
                Diagnostic::warning(
                    "heater-on-battery",
                    format!("`{}` would empty `{}`", heater.name, supply.name),
                )
                .at(context.place(&format!("actuator.{}.supply", heater.name)), "")
                .help("backup goes to water movement and air, board and message path, never to heaters")
                .subject(heater.name.clone()),
            );
        }
        context.facts.batteries.push(fact);
    }
}

/// What one circuit takes with it, and what stands without an RCD.
fn circuits(context: &mut Context<'_>) {
    let system = context.system;
    for (s, supply) in system.supplies.iter().enumerate() {
        let SupplyKind::Circuit { rcd_a, .. } = supply.kind else { continue };
        // A circuit behind another has the RCD of the first.
        let guarded = up(
            system,
            Some(SupplyIdx(s)),
            |kind| matches!(kind, SupplyKind::Circuit { rcd_a: Some(rated), .. } if *rated <= RCD_LIMIT + 1e-9),
        );
        if guarded.is_none() {
            let says = rcd_a.map_or("none given".to_owned(), |a| format!("{:.0} mA", a * 1e3));
            context.add(
                Diagnostic::warning(
                    "no-rcd",
                    format!("circuit `{}` beside salt water has no RCD of 30 mA ({says})", supply.name),
                )
                .at(context.place(&format!("supply.{}", supply.name)), "")
                .note("30 mA for additional protection of people: IEC 60364-4-41")
                .help("an RCD (GFCI) of 30 mA or less, tested monthly; rcd = \"30 mA\"")
                .subject(supply.name.clone()),
            );
        }
    }
    let movers = |a: &system::model::Actuator| {
        a.moves.is_some()
            || matches!(a.kind, ActuatorKind::Circulation | ActuatorKind::AirPump | ActuatorKind::Pump)
    };
    for (what, id, group) in [
        (
            "water mover",
            "one-circuit-for-movement",
            system.actuators.iter().filter(|a| movers(a)).collect::<Vec<_>>(),
        ),
        (
            "heat source",
            "one-circuit-for-heat",
            system.actuators.iter().filter(|a| a.kind == ActuatorKind::Heater).collect::<Vec<_>>(),
        ),
    ] {
        if group.is_empty() {
            continue;
        }
        // A battery holds its own loads when the circuit goes.
        let on_battery = group.iter().any(|a| battery_of(system, a.supply).is_some());
        let first = circuit_of(system, group[0].supply);
        let same = first.is_some() && group.iter().all(|a| circuit_of(system, a.supply) == first);
        let (Some(circuit), true, false) = (first, same, on_battery) else { continue };
        let name = &system.supplies[circuit.idx()].name;
        let list: Vec<&str> = group.iter().map(|a| a.name.as_str()).collect();
        context.add(
            Diagnostic::warning(id, format!("every {what} hangs on `{name}`: one tripped RCD stops all"))
                .at(context.place(&format!("supply.{name}")), "")
                .note(format!("on it: {}", list.join(", ")))
                .help("two circuits with an RCD each, every one keeping a heat source and a water mover")
                .subject(name.clone()),
        );
    }
}

fn no_backup(context: &mut Context<'_>) {
    let system = context.system;
    let has_battery = system.supplies.iter().any(|s| matches!(s.kind, SupplyKind::Battery { .. }));
    if has_battery || system.supplies.is_empty() || system.livestock.is_none() {
        return;
    }
    context.add(
        Diagnostic::warning("no-backup", "with the mains out nothing moves the water and no message leaves")
            .help("a battery for a DC circulation or air pump, the board and the router")
            .subject("supplies"),
    );
}
