//! The de-energised table: what each actuator does with the board, its card or the mains dead, and what is bad about it.

use crate::context::Context;
use crate::facts::DeEnergisedFact;
use crate::power::{battery_of, circuit_of};
use crate::reads;
use system::Diagnostic;
use system::model::{Actuator, ActuatorIdx, ActuatorKind, SupplyKind, TripReset};

pub(crate) fn check(context: &mut Context<'_>) {
    let system = context.system;
    let freezes = system.boards.first().is_some_and(|b| b.freezes);
    let board_backed = system.boards.first().is_none_or(|b| battery_of(system, b.supply).is_some());
    for (a, actuator) in system.actuators.iter().enumerate() {
        let rule = reads::rule_of(system, ActuatorIdx(a));
        let rest = if actuator.on_when_dead { "on" } else { "off" };
        let always = actuator.always;
        let board_dead = if always {
            "on"
        } else if freezes {
            "as it was"
        } else {
            rest
        };
        let bus =
            actuator.switched_by.is_some_and(|s| matches!(system.supplies[s.idx()].kind, SupplyKind::Bus));
        let rail_dead = if always {
            "on"
        } else if bus {
            "as it was"
        } else {
            rest
        };
        let fed = battery_of(system, actuator.supply).is_some();
        let mains_out = match (actuator.supply, fed) {
            (None, _) => "not said",
            (_, true) => "battery",
            (Some(_), false) if circuit_of(system, actuator.supply).is_some() => "off",
            _ => "off",
        };
        let mains_back = match rule {
            _ if always => "on at once".to_owned(),
            Some(rule) => {
                let up = if rule.at_power_up { "on" } else { "off" };
                if rule.start_delay_s > 0.0 && !board_backed {
                    format!("{up}, by rule after {:.0} s", rule.start_delay_s)
                } else if board_backed {
                    "by its rule".into()
                } else {
                    format!("{up}, by its rule")
                }
            }
            None => rest.into(),
        };
        let tripped = match rule.and_then(|rule| rule.trip.as_ref().map(|trip| (rule, trip))) {
            Some((rule, trip)) => {
                let state = if rule.when_tripped { "on" } else { "off" };
                match &trip.reset {
                    TripReset::ByHand => format!("{state}, latches"),
                    TripReset::Auto { per_day: Some(n), .. } => format!("{state}, resets {n} a day"),
                    TripReset::Auto { per_day: None, .. } => format!("{state}, resets"),
                }
            }
            None if rule.is_some_and(|r| r.longest_run_s.is_some() || r.limit_latches) => {
                "off, latches".into()
            }
            None => "-".into(),
        };
        let danger = danger(context, ActuatorIdx(a), actuator, freezes);
        context.facts.de_energised.push(DeEnergisedFact {
            actuator: actuator.name.clone(),
            contact: if always {
                "always on"
            } else if actuator.on_when_dead {
                "NC"
            } else {
                "NO"
            }
            .into(),
            board_dead: board_dead.into(),
            rail_dead: rail_dead.into(),
            mains_out: mains_out.into(),
            mains_back,
            tripped,
            danger,
        });
    }
    frozen(context, freezes);
    movement(context, freezes);
    boards(context);
}

/// Whether the part harms by running on.
fn harms_on(kind: ActuatorKind) -> bool {
    matches!(kind, ActuatorKind::DosingPump | ActuatorKind::Heater)
}

fn danger(context: &mut Context<'_>, a: ActuatorIdx, actuator: &Actuator, freezes: bool) -> String {
    let system = context.system;
    let doses = system.passages.iter().any(|p| {
        crate::dosing::doses(system, p)
            && matches!(p.kind, system::model::PassageKind::Line { pump, .. } if pump == a)
    });
    let dosing = doses || actuator.kind == ActuatorKind::DosingPump;
    let place = context.place(&format!("actuator.{}", actuator.name));
    if dosing && (actuator.on_when_dead || actuator.always) {
        context.add(
            Diagnostic::error("doses-when-dead", format!("`{}` runs while the board is dead", actuator.name))
                .at(place, "")
                .help("contact = \"NO\": a dosing pump rests when nothing drives it")
                .subject(actuator.name.clone()),
        );
        return "doses without the board".into();
    }
    if actuator.kind == ActuatorKind::Heater && (actuator.on_when_dead || actuator.always) {
        if crate::body::second_cut(system, a).is_none() {
            context.add(
                Diagnostic::error(
                    "heater-on-when-dead",
                    format!("`{}` heats without limit while the board is dead", actuator.name),
                )
                .at(place, "")
                .help("contact = \"NO\", or its own thermostat a little above the rule's range")
                .subject(actuator.name.clone()),
            );
            return "heats without limit".into();
        }
        return String::new();
    }
    if freezes && (dosing || harms_on(actuator.kind)) {
        return "stays on if it was on".into();
    }
    String::new()
}

fn frozen(context: &mut Context<'_>, freezes: bool) {
    let system = context.system;
    let Some(board) = system.boards.first() else { return };
    if !freezes {
        return;
    }
    let stuck: Vec<&str> =
        system.actuators.iter().filter(|a| harms_on(a.kind) && !a.always).map(|a| a.name.as_str()).collect();
    let level = if stuck.is_empty() { system::Level::Warning } else { system::Level::Error };
    context.add(
        Diagnostic::new("outputs-freeze", level, format!("the outputs of `{}` freeze when it is dead or hung", board.name))
            .at(context.place(&format!("board.{}.when_dead", board.name)), "")
            .note(if stuck.is_empty() {
                "what was on stays on".to_owned()
            } else {
                format!("what was on stays on: {}", stuck.join(", "))
            })
            .help("outputs that fall off without the board's pulse (a relay card that releases, a watchdog): when_dead = \"release\"")
            .subject(board.name.clone()),
    );
}

fn movement(context: &mut Context<'_>, freezes: bool) {
    let system = context.system;
    let Some(livestock) = &system.livestock else { return };
    let home = livestock.vessel;
    let movers: Vec<&Actuator> = system.actuators.iter().filter(|a| a.moves == Some(home)).collect();
    if movers.is_empty() || freezes || system.boards.is_empty() {
        return;
    }
    if movers.iter().all(|a| !a.always && !a.on_when_dead) {
        let list: Vec<&str> = movers.iter().map(|a| a.name.as_str()).collect();
        context.add(
            Diagnostic::warning(
                "movement-stops-with-the-board",
                format!(
                    "with the board dead nothing moves the water of `{}`",
                    system.vessels[home.idx()].name
                ),
            )
            .at(context.place(&format!("actuator.{}", list[0])), "")
            .note(format!("all of them rest open: {}", list.join(", ")))
            .help("contact = \"NC\" for one of them, or plug it in past the board (always = true)")
            .subject(system.vessels[home.idx()].name.clone()),
        );
    }
}

fn boards(context: &mut Context<'_>) {
    let system = context.system;
    for board in &system.boards {
        if !board.watchdog {
            context.add(
                Diagnostic::warning("no-watchdog", format!("a hung program on `{}` stays hung", board.name))
                    .at(context.place(&format!("board.{}", board.name)), "")
                    .help("watchdog = true: the chip resets a hung program within 2 s")
                    .subject(board.name.clone()),
            );
        }
    }
}
