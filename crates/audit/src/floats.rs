//! Float heights against the running, stopped and lowest water lines, and marks of heaters and pumps.

use crate::context::{Context, LITRES};
use crate::facts::{FloatFact, MarkFact};
use crate::geometry::volume_between;
use crate::reads;
use system::Diagnostic;
use system::model::{ActuatorIdx, ActuatorKind, PassageKind, SensorIdx, SensorKind, TripReset, VesselIdx};

/// Ripples in a return chamber: a float nearer to the line than this chatters, m (common practice, no source).
const RIPPLE: f64 = 2e-3;

pub(crate) fn check(context: &mut Context<'_>) {
    let system = context.system;
    for (i, sensor) in system.sensors.iter().enumerate() {
        let (SensorKind::Float { low, high, .. }, Some(vessel)) = (&sensor.kind, sensor.vessel) else {
            continue;
        };
        float(context, SensorIdx(i), vessel, *low, *high);
    }
    marks(context);
}

fn float(context: &mut Context<'_>, sensor: SensorIdx, vessel: VesselIdx, low: f64, high: f64) {
    let system = context.system;
    let v = vessel.idx();
    let name = &system.sensors[sensor.idx()].name;
    let holder = &system.vessels[v];
    let (running, stopped, lowest) = (context.point.levels[v], context.stopped.levels[v], context.lowest[v]);
    context.facts.floats.push(FloatFact {
        sensor: name.clone(),
        vessel: holder.name.clone(),
        low_mm: low * 1e3,
        high_mm: high * 1e3,
        running_mm: running * 1e3,
        stopped_mm: stopped * 1e3,
        stopped_worst_mm: context.worst.levels[v] * 1e3,
        drained_mm: lowest * 1e3,
    });
    if !crate::geometry::holds_tank_water(holder) {
        return;
    }
    let lines = format!(
        "water in `{}`: running {:.0} mm, after a stop {:.0} mm, lowest {:.0} mm; the float switches at {:.0} and {:.0} mm",
        holder.name,
        running * 1e3,
        stopped * 1e3,
        lowest * 1e3,
        low * 1e3,
        high * 1e3
    );
    let place = context.place(&format!("sensor.{name}"));
    let calls = calling(context, sensor);
    let guards: Vec<ActuatorIdx> = (0..system.actuators.len())
        .map(ActuatorIdx)
        .filter(|a| context.stops(*a, sensor, true) || context.stops(*a, sensor, false))
        .collect();
    // Crossed by the fall or rise of every ordinary stop.
    let up = running < high && stopped >= high;
    let down = running > low && stopped <= low;
    if (up || down) && calls.is_empty() {
        let latching = guards.iter().find(|a| latches(context, **a, sensor, up));
        let finding = match latching {
            Some(a) => Diagnostic::warning(
                "float-trips-at-every-stop",
                format!("`{name}` trips `{}` at every stop of the return pump, until somebody resets it", system.actuators[a.idx()].name),
            )
            .help(if up {
                format!("place it above {:.0} mm, or make it a permissive, which resets itself", context.worst.levels[v] * 1e3)
            } else {
                format!("place it below {:.0} mm, or make it a permissive, which resets itself", stopped * 1e3)
            }),
            None => Diagnostic::note_level(
                "float-crossed-at-every-stop",
                format!("`{name}` switches at every stop of the return pump"),
            )
            .help("right if it only holds something back meanwhile; its alarm needs a delay longer than a feeding pause"),
        };
        context.add(finding.at(place.clone(), "").note(lines.clone()).subject(name.clone()));
    }
    if calls.is_empty() && (running >= low && running <= high) {
        context.add(
            Diagnostic::warning(
                "float-at-the-line",
                format!("`{name}` sits at the running water line of `{}`", holder.name),
            )
            .at(place.clone(), "")
            .note(lines.clone())
            .help("move it away from the line; a float that guards must not switch in ordinary service")
            .subject(name.clone()),
        );
    }
    calling_float(context, sensor, vessel, low, high, &calls, &lines);
    low_guard(context, sensor, vessel, low, &guards, &lines);
    let near = |height: f64| {
        calls.is_empty() && (height - running).abs() < RIPPLE && !(running >= low && running <= high)
    };
    if near(low) || near(high) {
        context.add(
            Diagnostic::note_level(
                "float-near-the-line",
                format!("`{name}` switches within {:.0} mm of the running line", RIPPLE * 1e3),
            )
            .at(place, "")
            .note(lines)
            .help("give it 10 mm, or an `on_delay` of 5-30 s beyond contact debounce")
            .subject(name.clone()),
        );
    }
}

/// Actuators whose start this float decides.
fn calling(context: &Context<'_>, sensor: SensorIdx) -> Vec<ActuatorIdx> {
    let system = context.system;
    system
        .rules
        .iter()
        .filter(|rule| reads::deciding_sensors(system, rule).contains(&sensor))
        .map(|rule| rule.drives)
        .collect()
}

/// Whether crossing the float latches the actuator off.
fn latches(context: &Context<'_>, actuator: ActuatorIdx, sensor: SensorIdx, above: bool) -> bool {
    let system = context.system;
    let Some(trip) = reads::rule_of(system, actuator).and_then(|rule| rule.trip.as_ref()) else {
        return false;
    };
    let reads_it = reads::sensors_of_condition(system, &trip.when).contains(&sensor);
    reads_it && matches!(trip.reset, TripReset::ByHand) && context.stops(actuator, sensor, above)
}

/// A float that calls for water, against the floats that cut it.
fn calling_float(
    context: &mut Context<'_>,
    sensor: SensorIdx,
    vessel: VesselIdx,
    low: f64,
    high: f64,
    calls: &[ActuatorIdx],
    lines: &str,
) {
    let system = context.system;
    let name = &system.sensors[sensor.idx()].name;
    let doses = |a: &&ActuatorIdx| {
        system
            .passages
            .iter()
            .any(|p| matches!(p.kind, PassageKind::Line { pump, .. } if pump == **a) && p.to == vessel)
    };
    let Some(pump) = calls.iter().find(doses).copied() else { return };
    let running = context.point.levels[vessel.idx()];
    if low > running || high < running {
        context.add(
            Diagnostic::note_level(
                "top-off-float-off-the-line",
                format!(
                    "`{name}` keeps {:.0}-{:.0} mm, the file starts at {:.0} mm",
                    low * 1e3,
                    high * 1e3,
                    running * 1e3
                ),
            )
            .at(context.place(&format!("sensor.{name}")), "")
            .note(lines)
            .help("set the vessel's level to what the float keeps")
            .subject(name.clone()),
        );
    }
    let cutting: Vec<(SensorIdx, f64, f64)> = context
        .floats_in(vessel)
        .filter(|(other, _, _)| *other != sensor && context.stops(pump, *other, true))
        .collect();
    for (other, other_low, other_high) in cutting {
        if other_low <= high {
            let cut = &system.sensors[other.idx()].name;
            context.add(
                Diagnostic::warning(
                    "top-off-float-above-cut",
                    format!(
                        "`{name}` calls up to {:.0} mm, `{cut}` cuts at {:.0} mm",
                        high * 1e3,
                        other_high * 1e3
                    ),
                )
                .at(context.place(&format!("sensor.{name}.high")), "")
                .at(context.place(&format!("sensor.{cut}")), "cuts the same pump")
                .note("the call must end below the height at which the cut lets go again")
                .help(format!("place `{cut}` at {:.0} mm or higher", (high + 5e-3) * 1e3))
                .subject(name.clone()),
            );
        }
    }
}

/// A low float that guards a pump, against the intake.
fn low_guard(
    context: &mut Context<'_>,
    sensor: SensorIdx,
    vessel: VesselIdx,
    low: f64,
    guards: &[ActuatorIdx],
    lines: &str,
) {
    let system = context.system;
    let name = &system.sensors[sensor.idx()].name;
    for passage in &system.passages {
        let PassageKind::Pumped { pump, intake, .. } = passage.kind else { continue };
        if passage.from != vessel
            || !guards.contains(&pump)
            || !context.stops(pump, sensor, false)
            || low >= intake
        {
            continue;
        }
        context.add(
            Diagnostic::warning(
                "float-never-reached",
                format!("`{name}` is below the intake of `{}`: the pump is dry before it acts", passage.name),
            )
            .at(context.place(&format!("sensor.{name}.low")), "")
            .at(context.place(&format!("passage.{}.intake", passage.name)), format!("{:.0} mm", intake * 1e3))
            .note(lines)
            .help(format!("place it at {:.0} mm or higher", (intake + 0.02) * 1e3))
            .subject(name.clone()),
        );
    }
}

fn marks(context: &mut Context<'_>) {
    let system = context.system;
    for (a, actuator) in system.actuators.iter().enumerate() {
        let (Some(vessel), Some(mark)) = (actuator.vessel, actuator.mark) else { continue };
        let v = vessel.idx();
        let holder = &system.vessels[v];
        let running = context.point.levels[v];
        // Evaporation shows where a pump draws and top-off should refill.
        let shows = context.sources().contains(&vessel);
        let gate = context.low_stop(ActuatorIdx(a), vessel);
        let lowest = gate.map_or(context.lowest[v], |gate| gate.max(context.lowest[v]));
        let to_mark = volume_between(holder, mark, running);
        let rates = context.evaporation;
        let hours = |rate: f64| (shows && rate > 0.0 && to_mark > 0.0).then(|| to_mark / rate / 3600.0);
        let fact = MarkFact {
            actuator: actuator.name.clone(),
            vessel: holder.name.clone(),
            mark_mm: mark * 1e3,
            running_mm: running * 1e3,
            stopped_mm: context.worst.levels[v] * 1e3,
            lowest_mm: lowest * 1e3,
            to_mark_l: to_mark * LITRES,
            hours_to_mark: rates.and_then(|(nominal, _)| hours(nominal)),
            hours_to_mark_worst: rates.and_then(|(_, worst)| hours(worst)),
        };
        let heater = actuator.kind == ActuatorKind::Heater;
        let place = context.place(&format!("actuator.{}.mark", actuator.name));
        let numbers = format!(
            "mark {:.0} mm; water running {:.0} mm, after a stop {:.0} mm, lowest {:.0} mm",
            mark * 1e3,
            running * 1e3,
            context.worst.levels[v] * 1e3,
            lowest * 1e3
        );
        if mark > running || mark > context.worst.levels[v] {
            let when = if mark > running { "while the pumps run" } else { "after every stop of the pumps" };
            context.add(
                Diagnostic::error("mark-above-water", format!("`{}` is bare {when}", actuator.name))
                    .at(place, "")
                    .note(numbers)
                    .help(format!(
                        "place its mark at {:.0} mm or lower",
                        running.min(context.worst.levels[v]).min(lowest) * 1e3
                    ))
                    .subject(actuator.name.clone()),
            );
        } else if heater && mark > lowest + 1e-9 {
            let mut finding = Diagnostic::warning(
                "heater-bare-on-run-out",
                format!("`{}` is bare before the return chamber has run out", actuator.name),
            )
            .at(place, "")
            .note(numbers);
            if let (Some(nominal), Some(worst)) = (fact.hours_to_mark, fact.hours_to_mark_worst) {
                finding = finding.note(format!(
                    "without top-off evaporation takes the {:.1} L above the mark in {nominal:.0} h ({worst:.0} h at 40 % more)",
                    fact.to_mark_l
                ));
                context.hours(format!("top-off fails: {} bare", actuator.name), "bare heater", nominal);
            }
            context.add(
                finding
                    .help(format!(
                        "stand it where a baffle keeps the level, or stop it by a float above {:.0} mm",
                        mark * 1e3
                    ))
                    .subject(actuator.name.clone()),
            );
        }
        context.facts.marks.push(fact);
    }
}
