//! Rules, protections and telling: what is missing, what hangs on one part, what is never tested.

use crate::context::{Context, span_h};
use crate::power::battery_of;
use crate::reads;
use system::model::{ActuatorIdx, ActuatorKind, Derived, SensorIdx, SensorKind, SignalSource};
use system::{Diagnostic, Level};

/// Floats in moving water need this much delay beyond contact debounce, s (common practice, no source: 5-30 s).
const FLOAT_DELAY: f64 = 5.0;

pub(crate) fn check(context: &mut Context<'_>) {
    leak_probe(context);
    temperature_trip(context);
    one_probe(context);
    float_delay(context);
    alarms(context);
    telling(context);
    response(context);
    restart(context);
    latent(context);
}

fn leak_probe(context: &mut Context<'_>) {
    let system = context.system;
    let wet =
        !system.vessels.is_empty() || system.actuators.iter().any(|a| a.kind == ActuatorKind::DosingPump);
    if !wet || system.sensors.iter().any(|s| s.kind == SensorKind::Leak) {
        return;
    }
    context.add(
        Diagnostic::warning("no-leak-probe", "nothing notices water on the floor")
            .help("a leak probe in the bund or under the stand; stop top-off on it and tell somebody")
            .subject("floor"),
    );
}

fn temperature_trip(context: &mut Context<'_>) {
    let system = context.system;
    let heaters: Vec<ActuatorIdx> = (0..system.actuators.len())
        .map(ActuatorIdx)
        .filter(|a| system.actuators[a.idx()].kind == ActuatorKind::Heater)
        .collect();
    if heaters.is_empty() || system.rules.is_empty() {
        return;
    }
    let trips = system.rules.iter().any(|rule| {
        rule.trip.as_ref().is_some_and(|trip| {
            reads::sensors_of_condition(system, &trip.when)
                .iter()
                .any(|s| reads::is_temperature(&system.sensors[s.idx()].kind))
        })
    });
    if trips {
        return;
    }
    let name = &system.actuators[heaters[0].idx()].name;
    context.add(
        Diagnostic::warning("no-temperature-trip", "no rule trips on a temperature")
            .at(context.place(&format!("rule.{name}")), "")
            .note("start and stop follow the probe that rules the heater; when that probe is wrong, so are they")
            .help("trip = \"second_probe > 27.5 degC\" and trip_reset on the heater or, better, on a contactor before it")
            .subject(name.clone()),
    );
}

/// Heaters whose start and whose every cut read the same single probe.
fn one_probe(context: &mut Context<'_>) {
    let system = context.system;
    for rule in &system.rules {
        let actuator = &system.actuators[rule.drives.idx()];
        if actuator.kind != ActuatorKind::Heater {
            continue;
        }
        let temperature = |s: &SensorIdx| reads::is_temperature(&system.sensors[s.idx()].kind);
        let deciding: Vec<SensorIdx> =
            reads::deciding_sensors(system, rule).into_iter().filter(temperature).collect();
        let guarding: Vec<SensorIdx> =
            reads::guarding_sensors(system, rule).into_iter().filter(temperature).collect();
        if deciding.len() != 1 || guarding.iter().any(|s| !deciding.contains(s)) {
            continue;
        }
        if crate::body::second_cut(system, rule.drives).is_some() {
            continue;
        }
        let probe = &system.sensors[deciding[0].idx()].name;
        context.add(
            Diagnostic::warning("one-probe", format!("`{}` believes `{probe}` alone", actuator.name))
                .at(context.place(&format!("rule.{}", actuator.name)), "")
                .at(
                    context.place(&format!("sensor.{probe}")),
                    "fallen out of the water it reads room air, and the heater never stops",
                )
                .help("a second probe in a trip, or two probes and `middle`")
                .subject(probe.clone()),
        );
    }
}

/// Floats in chambers with moving water that a rule reads without delay.
fn float_delay(context: &mut Context<'_>) {
    let system = context.system;
    for rule in &system.rules {
        let actuator = &system.actuators[rule.drives.idx()].name;
        for condition in reads::deciding(rule) {
            let mut direct = vec![];
            reads::each_signal(condition, &mut |signal| {
                if let Some(SignalSource::Sensor(sensor)) =
                    system.signals.get(signal.idx()).map(|s| &s.source)
                {
                    direct.push(*sensor);
                }
                if let Some(SignalSource::Derived(
                    Derived::OnDelay { time_s, condition } | Derived::OffDelay { time_s, condition },
                )) = system.signals.get(signal.idx()).map(|s| &s.source)
                    && *time_s < FLOAT_DELAY
                {
                    direct.extend(reads::sensors_of_condition(system, condition));
                }
            });
            for sensor in direct {
                let part = &system.sensors[sensor.idx()];
                let moving =
                    part.vessel.is_some_and(|v| crate::geometry::holds_tank_water(&system.vessels[v.idx()]));
                if !matches!(part.kind, SensorKind::Float { .. }) || !moving {
                    continue;
                }
                context.add(
                    Diagnostic::note_level("float-without-delay", format!("`{actuator}` follows `{}` without delay", part.name))
                        .at(context.place(&format!("rule.{actuator}")), "")
                        .note("floats in moving water need 5-30 s beyond contact debounce (common practice, no source)")
                        .help(format!("a derived signal with on_delay = \"10 s\" of `{}`", part.name))
                        .subject(part.name.clone()),
                );
            }
        }
    }
}

fn alarms(context: &mut Context<'_>) {
    let system = context.system;
    if system.alarms.is_empty() {
        if !system.rules.is_empty() {
            context.add(
                Diagnostic::warning("no-alarm", "nothing is told to anybody: the file has no alarm")
                    .help("[[alarm]] for temperature, levels, leak and mains")
                    .subject("alarms"),
            );
        }
        return;
    }
    let mut read: Vec<SensorIdx> = vec![];
    for alarm in &system.alarms {
        read.extend(reads::sensors_of_condition(system, &alarm.when));
        if alarm.priority < system.telling.from_priority {
            context.add(
                Diagnostic::note_level(
                    "alarm-told-to-nobody",
                    format!("`{}` is told to nobody who is away", alarm.name),
                )
                .at(context.place(&format!("alarm.{}", alarm.name)), "")
                .note(
                    format!("messages leave from priority {:?} up", system.telling.from_priority)
                        .to_lowercase(),
                )
                .help("raise its priority, or [system] telling from")
                .subject(alarm.name.clone()),
            );
        }
    }
    let unalarmed = |kind: &dyn Fn(&SensorKind) -> bool| {
        let has = system.sensors.iter().any(|s| kind(&s.kind));
        has && !read.iter().any(|s| kind(&system.sensors[s.idx()].kind))
    };
    for (what, unheard) in [
        ("temperature", unalarmed(&reads::is_temperature)),
        ("leak", unalarmed(&|kind| *kind == SensorKind::Leak)),
        ("float", unalarmed(&|kind| matches!(kind, SensorKind::Float { .. }))),
    ] {
        if unheard {
            context.add(
                Diagnostic::warning("nothing-alarms", format!("no alarm reads any {what} sensor"))
                    .help("[[alarm]] with a delay and a priority")
                    .subject(what),
            );
        }
    }
}

fn telling(context: &mut Context<'_>) {
    let system = context.system;
    if system.alarms.is_empty() || system.unattended_s <= 0.0 {
        return;
    }
    if system.telling.heartbeat_s.is_none() {
        context.add(
            Diagnostic::warning("silence-unnoticed", "nobody notices when messages stop coming")
                .at(context.place("system.telling"), "")
                .help("telling = { heartbeat = \"30 min\" }: somebody outside expects a sign of life")
                .subject("telling"),
        );
    }
    let has_mains =
        system.supplies.iter().any(|s| matches!(s.kind, system::model::SupplyKind::Circuit { .. }));
    if has_mains && system.telling.supply.is_none_or(|s| battery_of(system, Some(s)).is_none()) {
        let level = if system.telling.heartbeat_s.is_some() { Level::Note } else { Level::Warning };
        context.add(
            Diagnostic::new("messages-die-with-the-mains", level, "with the mains out no message leaves")
                .at(context.place("system.telling"), "")
                .help("feed router and board from a battery and name it in telling")
                .subject("telling"),
        );
    }
}

fn response(context: &mut Context<'_>) {
    let person = context.system.response.weekend_s / 3600.0;
    let late: Vec<String> = context
        .facts
        .hours
        .iter()
        .filter(|row| row.hours < person)
        .map(|row| format!("{}: {} after {}", row.what, row.harm, span_h(row.hours)))
        .collect();
    if late.is_empty() {
        return;
    }
    let mut finding = Diagnostic::warning(
        "harm-before-a-person",
        match late.len() {
            1 => format!("one way to harm is faster than the {person:.1} h a person needs"),
            n => format!("{n} ways to harm are faster than the {person:.1} h a person needs"),
        },
    )
    .at(context.place("system.response"), "")
    .help("protections that act by themselves, or somebody nearer; alarms alone come too late for these")
    .subject("response");
    for line in late {
        finding = finding.note(line);
    }
    context.add(finding);
}

fn restart(context: &mut Context<'_>) {
    let system = context.system;
    let mains: Vec<_> = system
        .rules
        .iter()
        .filter(|rule| battery_of(system, system.actuators[rule.drives.idx()].supply).is_none())
        .filter(|rule| system.actuators[rule.drives.idx()].watts > 0.0)
        .collect();
    if mains.len() < 3 || mains.iter().any(|rule| rule.start_delay_s > 0.0) {
        return;
    }
    context.add(
        Diagnostic::note_level("restart-all-at-once", "after an outage everything starts at once")
            .note(format!(
                "{} loads, {:.0} W together",
                mains.len(),
                mains.iter().map(|r| system.actuators[r.drives.idx()].watts).sum::<f64>()
            ))
            .help("start_delay: circulation 0 s, return 20 s, heaters 60 s, skimmer 10 min, top-off 15 min")
            .subject("restart"),
    );
}

/// Protections that ordinary service never calls.
fn latent(context: &mut Context<'_>) {
    let system = context.system;
    let mut deciding: Vec<SensorIdx> = vec![];
    for rule in &system.rules {
        deciding.extend(reads::deciding_sensors(system, rule));
    }
    for (i, sensor) in system.sensors.iter().enumerate() {
        let sensor_idx = SensorIdx(i);
        if !matches!(sensor.kind, SensorKind::Float { .. } | SensorKind::Leak)
            || deciding.contains(&sensor_idx)
        {
            continue;
        }
        let guards: Vec<&str> = system
            .actuators
            .iter()
            .enumerate()
            .filter(|(a, actuator)| {
                actuator.series.contains(&sensor_idx)
                    || reads::rule_of(system, ActuatorIdx(*a))
                        .is_some_and(|rule| reads::guarding_sensors(system, rule).contains(&sensor_idx))
            })
            .map(|(_, actuator)| actuator.name.as_str())
            .collect();
        if guards.is_empty() {
            continue;
        }
        context.add(
            Diagnostic::note_level(
                "latent-protection",
                format!("`{}` acts only when something is already wrong", sensor.name),
            )
            .at(context.place(&format!("sensor.{}", sensor.name)), "")
            .note(format!("it guards {}; a stuck one shows when it is called", guards.join(", ")))
            .help("a proof test by hand each month: lift it or wet it, and see what stops")
            .subject(sensor.name.clone()),
        );
    }
    for (a, actuator) in system.actuators.iter().enumerate() {
        let cuts = system.supplies.iter().any(|s| s.through == Some(ActuatorIdx(a)));
        if cuts && actuator.kind == ActuatorKind::Contactor {
            context.add(
                Diagnostic::note_level(
                    "latent-protection",
                    format!("`{}` opens only when something is already wrong", actuator.name),
                )
                .at(context.place(&format!("actuator.{}", actuator.name)), "")
                .help("a proof test each quarter: warm its probe and see the contact open")
                .subject(actuator.name.clone()),
            );
        }
    }
}
