//! Findings about places: what does not fit, pins that move at reset, currents of pins and port groups, nothing left for later.

use system::Diagnostic;
use system::model::ActuatorIdx;
use system::parts::Pins;
use system::wiring::{DeviceKind, Line};

use super::{Check, amps};
use crate::assign::{self, Outcome, Place, Plan, Who};
use crate::loads;

pub(super) fn check(check: &mut Check<'_>, outcome: &Outcome) {
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
            reset(check, plan);
            if check.system.electrics.is_begun {
                currents(check, plan);
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
            let mut finding =
                Diagnostic::error("does-not-fit", format!("on the {} {}", conflict.chip, conflict.sentence))
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
fn reset(check: &mut Check<'_>, plan: &Plan) {
    let form = check.system.library.form(&plan.chip);
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

/// Current of a command, A: positive gives, negative takes.
fn command_current(check: &Check<'_>, actuator: ActuatorIdx) -> f64 {
    let system = check.system;
    let load = &system.actuators[actuator.idx()];
    if load.kind == system::model::ActuatorKind::Buzzer {
        return loads::load(system, actuator)
            .component
            .and_then(|c| c.value("supply_current"))
            .unwrap_or(0.0);
    }
    let card = loads::card_of(system, load).and_then(|card| loads::card(system, card));
    let input = card
        .and_then(|card| card.value("input_current"))
        .or_else(|| loads::switch(system, actuator).and_then(|switch| switch.value("input_current")));
    // A relay without a card hangs on its own small transistor.
    let input = input.unwrap_or(0.001);
    if loads::is_active_low(system, actuator) { -input } else { input }
}

fn currents(check: &mut Check<'_>, plan: &Plan) {
    let system = check.system;
    let Some(form) = system.library.form(&plan.chip).cloned() else { return };
    let mut sums = vec![(0.0, 0.0); form.groups.len()];
    let mut lines: std::collections::BTreeMap<usize, (f64, f64)> = std::collections::BTreeMap::new();
    let mut total = 0.0;
    for (who, _, place) in &plan.placed {
        let Who::Actuator(actuator) = who else { continue };
        let current = command_current(check, *actuator);
        let name = assign::owner(system, *who);
        match place {
            Place::Pin(pin) => {
                total += current.abs();
                if current.abs() > form.pin_work_a {
                    check.about(
                        Diagnostic::error(
                            "pin-overloaded",
                            format!(
                                "`{name}` asks {} of {}; it keeps its levels to {}, {} damage it",
                                amps(current.abs()),
                                form.label(*pin),
                                amps(form.pin_work_a),
                                amps(form.pin_max_a)
                            ),
                        )
                        .note(form.source.clone())
                        .help("a transistor between"),
                        name,
                        "switch",
                    );
                }
                for (group, sum) in form.groups.iter().zip(&mut sums) {
                    if group.pins.contains(pin) {
                        if current > 0.0 { sum.0 += current } else { sum.1 -= current }
                    }
                }
            }
            Place::Line(device, _) => {
                let sum = lines.entry(*device).or_default();
                if current > 0.0 { sum.0 += current } else { sum.1 -= current }
            }
            _ => {}
        }
    }
    for (group, (source, sink)) in form.groups.iter().zip(&sums) {
        for (sum, limit, word) in [(source, group.source_a, "give"), (sink, group.sink_a, "take")] {
            if *sum > limit {
                let first = group.pins.first().map_or(String::new(), |pin| Pins::name(*pin));
                check.add(
                    Diagnostic::error(
                        "port-group-overloaded",
                        format!(
                            "the pins around {first} {word} {} together, {} are allowed",
                            amps(*sum),
                            amps(limit)
                        ),
                    )
                    .note(form.source.clone())
                    .help("spread the commands over both groups, or drive them by transistors"),
                );
            }
        }
    }
    if total > form.total_a {
        check.add(
            Diagnostic::error(
                "port-group-overloaded",
                format!("all pins carry {}, {} are allowed", amps(total), amps(form.total_a)),
            )
            .note(form.source.clone())
            .help("an expander or transistors"),
        );
    }
    for (device, (source, sink)) in lines {
        let Some(part) = loads::device(system, device) else { continue };
        for (sum, key) in [(source, "source_total"), (sink, "sink_total")] {
            if let Some(limit) = part.value(key)
                && sum > limit
            {
                let name = &system.wiring.devices[device].name;
                check.about(
                    Diagnostic::error(
                        "expander-overloaded",
                        format!("the lines of `{name}` carry {}, {} are allowed", amps(sum), amps(limit)),
                    )
                    .note(part.title.clone())
                    .help("a card with smaller input currents, or a second expander"),
                    name,
                    "part",
                );
            }
        }
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
