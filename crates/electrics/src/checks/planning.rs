//! Findings about places: what does not fit, pins that move at reset, currents of pins and port groups, nothing left for later.

use system::model::ActuatorIdx;
use system::parts::Pins;
use system::wiring::{DeviceKind, Line};
use system::{Diagnostic, System};

use super::Check;
use super::facts::CarriedFact;
use crate::assign::{Cause, Conflict, Family, Outcome, Place, Plan, Who};
use crate::loads;

pub(super) fn check(check: &mut Check<'_>, outcome: &Outcome) {
    reset(check);
    match outcome {
        Outcome::Fits(plan) => {
            check.facts.free = [
                (plan.free.iter())
                    .filter(|place| match place {
                        // A pin that moves at reset is good for a buzzer alone.
                        Place::Pin(pin) => {
                            let form = check.system.library.form(&plan.chip);
                            form.is_none_or(|form| form.pulse(*pin).is_none())
                        }
                        Place::Line(..) => true,
                        _ => false,
                    })
                    .count(),
                plan.free.iter().filter(|place| matches!(place, Place::Contact(..))).count(),
            ];
            if check.system.electrics.is_begun {
                carried(check, plan);
                spares(check, plan);
            }
            if plan.shares_expander {
                check.add(
                    Diagnostic::warning(
                        "votes-on-one-expander",
                        "sensors that vote together sit on one expander: dead, it takes both along",
                    )
                    .help("one of them on a pin of the chip, or a second expander"),
                );
            }
        }
        Outcome::DoesNotFit(conflict) => {
            let mut finding = Diagnostic::error(
                id_of(check.system, conflict),
                format!("on the {} {}", conflict.chip, conflict.sentence),
            )
            .at(
                check
                    .system
                    .boards
                    .first()
                    .and_then(|b| check.system.places.find(&format!("board.{}.chip", b.name))),
                "",
            );
            for other in &conflict.others {
                finding = finding.note(other.clone());
            }
            if let Some(larger) = &conflict.larger {
                finding = finding.note(format!("on the {larger} all of it fits with nothing added"));
            }
            if let Some(mend) = &conflict.mend {
                finding = finding.help(format!("the smallest change: {}", mend.steps.join("; ")));
            }
            check.add(finding);
        }
        Outcome::NoBoard => {}
    }
}

/// Places that the file fixes on pins that move at reset, and on lines that float high.
fn reset(check: &mut Check<'_>) {
    let form = check.system.boards.first().and_then(|board| check.system.library.form(&board.chip));
    for a in 0..check.system.actuators.len() {
        let Some(place) = check.system.wiring.actuator(ActuatorIdx(a)) else { continue };
        let actuator = &check.system.actuators[a];
        if actuator.kind == system::model::ActuatorKind::Buzzer {
            continue;
        }
        let name = &actuator.name;
        let at = check.system.places.find(&format!("wiring.{name}"));
        match place.line {
            Line::Pin(pin) => {
                if let Some(why) = form.and_then(|form| form.pulse(pin)) {
                    check.add(
                        Diagnostic::error(
                            "pin-moves-at-reset",
                            format!(
                                "`{name}` is on {}: {why}",
                                form.map_or_else(|| Pins::name(pin), |f| f.label(pin))
                            ),
                        )
                        .at(at, "")
                        .subject(name.as_str())
                        .help("another pin; this one is good for a buzzer"),
                    );
                }
            }
            Line::Expander { device, .. } => {
                let floats = check
                    .system
                    .wiring
                    .devices
                    .get(device)
                    .is_some_and(|device| device.kind == DeviceKind::Pcf8574);
                if floats && !place.active_low {
                    check.add(
                        Diagnostic::error(
                            "line-floats-high",
                            format!("`{name}` is energised by a high level on a PCF8574, whose lines are high at power-up"),
                        )
                        .at(at, "")
                        .subject(name.as_str())
                        .note("PCF8574 data sheet: all lines high after power-on, a weak current source")
                        .help("a card that is energised by a low level, or an MCP23008 with resistors to ground"),
                    );
                }
            }
        }
    }
}

/// The finding of a conflict, by what it is about.
fn id_of(system: &System, conflict: &Conflict) -> &'static str {
    match conflict.cause {
        Cause::Places | Cause::SeveralRules => "does-not-fit",
        Cause::Rules(Family::PinCurrent) => "pin-overloaded",
        Cause::Rules(Family::GroupCurrent) => "port-group-overloaded",
        Cause::Rules(Family::ExpanderCurrent) => "expander-overloaded",
        Cause::Rules(Family::Frequency) => "duty-frequency",
        Cause::Rules(Family::Reference) => {
            let volts = |who: &Who| match who {
                Who::Sensor(sensor, _) => system.sensors[sensor.idx()].reference_v(),
                _ => None,
            };
            let mut all = conflict.wishes.iter().filter_map(|(who, _)| volts(who));
            let first = all.next();
            let differ = all.any(|other| first.is_some_and(|first| (first - other).abs() >= 0.05));
            if differ { "references-disagree" } else { "reference-not-offered" }
        }
    }
}

/// What pins and lines carry, beside what they may: the plan keeps to it.
fn carried(check: &mut Check<'_>, plan: &Plan) {
    let system = check.system;
    let commands: Vec<(Place, f64)> = (plan.placed.iter())
        .filter_map(|(who, _, place)| match who {
            Who::Actuator(actuator) => Some((*place, loads::command_current(system, *actuator))),
            _ => None,
        })
        .collect();
    let sums = |is_inside: &dyn Fn(Place) -> bool| {
        let inside = || commands.iter().filter(|(place, _)| is_inside(*place)).map(|(_, amps)| *amps);
        [inside().map(|amps| amps.max(0.0)).sum::<f64>(), inside().map(|amps| (-amps).max(0.0)).sum()]
    };
    if let Some(form) = system.library.form(&plan.chip) {
        for group in &form.groups {
            let ends: Vec<String> = [group.pins.first(), group.pins.last()]
                .into_iter()
                .flatten()
                .map(|pin| form.label(*pin))
                .collect();
            let [gives_a, takes_a] =
                sums(&|place| matches!(place, Place::Pin(pin) if group.pins.contains(&pin)));
            check.facts.carried.push(CarriedFact {
                name: format!("pins {}", ends.join(" to ")),
                gives_a,
                gives_most_a: group.source_a,
                takes_a,
                takes_most_a: group.sink_a,
            });
        }
        let [gives_a, takes_a] = sums(&|place| matches!(place, Place::Pin(_)));
        check.facts.carried.push(CarriedFact {
            name: "all pins, both ways".to_owned(),
            gives_a: gives_a + takes_a,
            gives_most_a: form.total_a,
            takes_a: gives_a + takes_a,
            takes_most_a: form.total_a,
        });
    }
    for (d, device) in
        system.wiring.devices.iter().enumerate().filter(|(_, device)| device.kind.n_lines() > 0)
    {
        let Some(part) = loads::device(system, d) else { continue };
        let (Some(gives_most_a), Some(takes_most_a)) = (part.value("source_total"), part.value("sink_total"))
        else {
            continue;
        };
        let [gives_a, takes_a] = sums(&|place| matches!(place, Place::Line(at, _) if at == d));
        check.facts.carried.push(CarriedFact {
            name: device.name.clone(),
            gives_a,
            gives_most_a,
            takes_a,
            takes_most_a,
        });
    }
}

fn spares(check: &mut Check<'_>, plan: &Plan) {
    let [places, channels] = check.facts.free;
    let wanted = check.system.electrics.spares.unwrap_or(1) as usize;
    if places < wanted {
        check.add(
            Diagnostic::warning(
                "no-spare-channel",
                match places {
                    0 => format!("every pin of the {} and every line of its expanders is taken", plan.chip),
                    n => format!("{n} places are free of the {wanted} that should be"),
                },
            )
            .help("an expander more now is cheaper than wiring anew later; `spares` in [electrics] says how many"),
        );
    }
    let cards: Vec<String> = (0..check.system.supplies.len())
        .filter(|s| loads::n_channels(check.system, system::model::SupplyIdx(*s)).is_some())
        .filter(|s| !plan.free.iter().any(|place| matches!(place, Place::Contact(card, _) if card == s)))
        .map(|s| check.system.supplies[s].name.clone())
        .collect();
    let _ = channels;
    for name in cards {
        check.about(
            Diagnostic::warning(
                "no-spare-channel",
                format!("every channel of `{name}` is taken: a contact that fails has no neighbour"),
            )
            .help("a larger card, or a loose relay in a socket"),
            &name,
            "channels",
        );
    }
}
