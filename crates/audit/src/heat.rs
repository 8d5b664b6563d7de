//! Steady heat: heaters against the coldest room, one dead, one stuck on, summer with and without fans, still bodies.

use crate::body::{Body, bodies, heaters, second_cut, unheated};
use crate::context::{Context, LITRES};
use crate::evaporation::{mean_c, surfaces};
use crate::facts::{BodyFact, ClimateFact, HeaterFact};
use crate::reads;
use physics::conditions::volumetric_heat_capacity;
use system::model::{ActuatorIdx, ActuatorKind, VesselIdx, VesselRole};
use system::{Diagnostic, Level};

/// Customary limits of a reef, °C (common practice, no source; the default requirements).
pub const HOT: f64 = 29.5;
/// Harm at once.
pub const TOO_HOT: f64 = 31.0;
/// Too cold for hours.
pub const COLD: f64 = 22.0;
/// How far wall loss and evaporation together can be off (issue's estimate: UA ±30 %).
pub const LOSS_SPREAD: f64 = 0.3;
/// Step in which a cooling room is followed, s.
const ROOM_STEP: f64 = 300.0;

pub(crate) fn check(context: &mut Context<'_>) {
    let system = context.system;
    if !context.has_water() {
        return;
    }
    let working = system.water.temperature_c;
    let heaters = heaters(system);
    let capacity: f64 = heaters.iter().map(|(_, watts)| watts).sum();
    let point = context.point.clone();
    for climate in &system.climates {
        let body = Body::new(system, &point, None, climate);
        let (gear, light) = body.gains();
        let losses = body.losses(working, false);
        let need = |factor: f64| (losses.total() * factor - gear - light).max(0.0);
        context.facts.climates.push(ClimateFact {
            climate: climate.name.clone(),
            room_c: mean_c(climate),
            loss_w: losses.total(),
            walls_w: losses.walls,
            latent_w: losses.surface.latent,
            sensible_w: losses.surface.sensible,
            gear_w: gear,
            light_w: light,
            heater_need_w: need(1.0),
            heater_need_low_w: need(1.0 - LOSS_SPREAD),
            heater_need_high_w: need(1.0 + LOSS_SPREAD),
            unheated_c: body.steady(gear + light, false, 0.0),
            with_fans_c: body.steady(gear + light, true, 0.0),
            fans_no_light_c: body.steady(gear, true, 0.0),
            fans_no_light_high_c: body.steady(gear, true, LOSS_SPREAD),
            all_heaters_c: body.steady(gear + light + capacity, false, 0.0),
        });
        for (heater, watts) in &heaters {
            let power = gear + light + watts;
            let stuck = body.steady(power, false, 0.0);
            let cut = second_cut(system, *heater);
            let others = gear + light + capacity - watts;
            context.facts.heaters.push(HeaterFact {
                heater: system.actuators[heater.idx()].name.clone(),
                climate: climate.name.clone(),
                watts: *watts,
                stuck_c: stuck,
                hours_to_29_5: body.hours(working, HOT, power),
                hours_to_31: body.hours(working, TOO_HOT, power),
                cut_c: cut,
                hours_to_cut: cut
                    .filter(|cut| *cut > working)
                    .and_then(|cut| body.hours(working, cut, power)),
                dead_c: body.steady(others, false, 0.0),
                dead_worst_c: body.steady(others, false, -LOSS_SPREAD),
                hours_to_22: body.hours(working, COLD, others),
            });
        }
    }
    if heaters.is_empty() {
        need_without_heater(context);
    } else {
        heater_power(context, capacity);
        heaters_dead(context);
        heaters_stuck(context, &heaters);
    }
    heaters_in_still_water(context, &heaters);
    summer(context);
    still_bodies(context, &heaters);
}

fn coldest(context: &Context<'_>) -> Option<ClimateFact> {
    context.facts.climates.iter().max_by(|a, b| a.heater_need_w.total_cmp(&b.heater_need_w)).cloned()
}

const HEAT_SOURCE: &str = "walls by Churchill and Chu films, 12 mm of glass or what the file says, radiation 0.9; vapour by the natatorium form; surface by Bowen's ratio; room at its daily mean";

fn need_without_heater(context: &mut Context<'_>) {
    let Some(cold) = coldest(context).filter(|cold| cold.heater_need_w > 0.0) else { return };
    context.add(
        Diagnostic::error(
            "heater-too-small",
            format!("no heater, and {} asks for {:.0} W", cold.climate, cold.heater_need_w),
        )
        .at(context.place(&format!("climate.{}", cold.climate)), "")
        .note(format!("unheated the water settles at {:.1} °C", cold.unheated_c))
        .note(HEAT_SOURCE)
        .help(format!("two heaters of {:.0} W", (0.5 * cold.heater_need_high_w / 25.0).ceil() * 25.0))
        .subject("heat"),
    );
}

fn heater_power(context: &mut Context<'_>, capacity: f64) {
    let Some(cold) = coldest(context) else { return };
    if capacity >= cold.heater_need_high_w {
        return;
    }
    let asked = format!(
        "{:.0} W ({:.0}-{:.0} W)",
        cold.heater_need_w, cold.heater_need_low_w, cold.heater_need_high_w
    );
    let finding = if capacity < cold.heater_need_w {
        Diagnostic::error(
            "heater-too-small",
            format!("the heaters give {capacity:.0} W, {} asks for {asked}", cold.climate),
        )
    } else {
        Diagnostic::note_level(
            "heater-without-reserve",
            format!(
                "the heaters give {capacity:.0} W: enough for the {asked} of {}, without reserve",
                cold.climate
            ),
        )
    };
    context.add(
        finding
        .at(context.place(&format!("climate.{}", cold.climate)), "")
        .note(format!(
            "at {:.1} °C in a room of {:.1} °C: walls {:.0} W, vapour {:.0} W, surface {:.0} W, less gear {:.0} W and light {:.0} W",
            context.system.water.temperature_c, cold.room_c, cold.walls_w, cold.latent_w, cold.sensible_w, cold.gear_w, cold.light_w
        ))
        .note(HEAT_SOURCE)
        .help(format!("{:.0} W more, a lid, or a warmer room", (cold.heater_need_high_w - capacity).ceil()))
        .subject("heat"),
    );
}

fn heaters_dead(context: &mut Context<'_>) {
    let mut seen: Vec<String> = vec![];
    for i in 0..context.facts.heaters.len() {
        let name = context.facts.heaters[i].heater.clone();
        if seen.contains(&name) {
            continue;
        }
        seen.push(name.clone());
        let of_it = context.facts.heaters.iter().filter(|h| h.heater == name);
        let Some(worst) = of_it.min_by(|a, b| a.dead_c.total_cmp(&b.dead_c)).cloned() else { continue };
        let level = if worst.dead_c < COLD {
            Level::Warning
        } else if worst.dead_worst_c < COLD {
            Level::Note
        } else {
            continue;
        };
        let alone = !context.facts.heaters.iter().any(|h| h.heater != name);
        let mut finding = Diagnostic::new(
            "one-heater-dead-chills",
            level,
            format!("with `{name}` dead the water settles at {:.1} °C in {}", worst.dead_c, worst.climate),
        )
        .at(context.place(&format!("actuator.{name}")), if alone { "the only heater" } else { "" })
        .note(format!(
            "{:.1} °C if losses are 30 % larger; {COLD} °C is the customary limit",
            worst.dead_worst_c
        ))
        .help("two heaters on two circuits, each able to hold the tank above the limit")
        .subject(name.clone());
        if let Some(hours) = worst.hours_to_22.filter(|_| level == Level::Warning) {
            finding = finding.note(format!("below {COLD} °C after {hours:.1} h"));
            context.hours(format!("{name} dead in {}", worst.climate), "display below 22 °C", hours);
        }
        context.add(finding);
    }
}

fn heaters_stuck(context: &mut Context<'_>, heaters: &[(ActuatorIdx, f64)]) {
    let system = context.system;
    for (heater, watts) in heaters {
        let name = &system.actuators[heater.idx()].name;
        let rows: Vec<HeaterFact> =
            context.facts.heaters.iter().filter(|h| &h.heater == name).cloned().collect();
        let cut = second_cut(system, *heater);
        let worst = rows.iter().max_by(|a, b| a.stuck_c.total_cmp(&b.stuck_c));
        let own = cut.is_some_and(|cut| cut < HOT);
        if own {
            continue;
        }
        let mut finding = match worst {
            Some(worst) if worst.stuck_c > HOT => Diagnostic::error(
                "heater-without-second-cut",
                format!(
                    "`{name}` stuck on takes the water to {:.1} °C in {}, and nothing else cuts it",
                    worst.stuck_c, worst.climate
                ),
            ),
            Some(worst) => Diagnostic::note_level(
                "heater-without-second-cut",
                format!(
                    "`{name}` has no second cut, but stuck on it settles at {:.1} °C: too small to harm",
                    worst.stuck_c
                ),
            ),
            None => Diagnostic::warning(
                "heater-without-second-cut",
                format!("nothing but its own contact stops `{name}`"),
            ),
        };
        for row in &rows {
            let time = |hours: Option<f64>| hours.map_or("never".to_owned(), |h| format!("in {h:.1} h"));
            finding = finding.note(format!(
                "{}: {HOT} °C {}, {TOO_HOT} °C {}, settles at {:.1} °C",
                row.climate,
                time(row.hours_to_29_5),
                time(row.hours_to_31),
                row.stuck_c
            ));
        }
        if let Some(hours) = worst.filter(|w| w.stuck_c > HOT).and_then(|w| w.hours_to_29_5) {
            context.hours(format!("{name} stuck on, warmest room"), "display above 29.5 °C", hours);
        }
        let smaller = harmless_watts(context);
        let mut help = "set its own thermostat a little above the rule's range, or put a contactor before its circuit that trips on a second probe".to_owned();
        if let Some(limit) = smaller.filter(|limit| *limit < *watts) {
            help.push_str(&format!(
                "; below {limit:.0} W it could not harm in {}",
                rows.first().map_or("this room", |r| &r.climate)
            ));
        }
        context.add(
            finding
                .at(context.place(&format!("actuator.{name}")), "")
                .note(HEAT_SOURCE)
                .help(help)
                .subject(name.clone()),
        );
    }
}

/// Power that settles at the hot limit in the first climate, W.
fn harmless_watts(context: &Context<'_>) -> Option<f64> {
    let climate = context.system.climates.first()?;
    let body = Body::new(context.system, &context.point, None, climate);
    let (gear, light) = body.gains();
    Some((body.losses(HOT, false).total() - gear - light).max(0.0))
}

/// A heater whose probe is in another body once the return stands still.
fn heaters_in_still_water(context: &mut Context<'_>, heaters: &[(ActuatorIdx, f64)]) {
    let system = context.system;
    if context.sources().is_empty() {
        return;
    }
    let bodies = bodies(context);
    let body_of = |v: VesselIdx| bodies.iter().position(|body| body.contains(&v));
    let returns: Vec<ActuatorIdx> = context
        .pumped()
        .filter_map(|(_, p)| match p.kind {
            system::model::PassageKind::Pumped { pump, .. } => Some(pump),
            _ => None,
        })
        .collect();
    for (heater, watts) in heaters {
        let actuator = &system.actuators[heater.idx()];
        let Some((vessel, _)) = actuator.heats else { continue };
        let Some(rule) = reads::rule_of(system, *heater) else { continue };
        let elsewhere = reads::deciding_sensors(system, rule).into_iter().find(|s| {
            let sensor = &system.sensors[s.idx()];
            reads::is_temperature(&sensor.kind)
                && sensor.vessel.is_some_and(|v| body_of(v) != body_of(vessel))
        });
        let Some(probe) = elsewhere else { continue };
        let proven = rule.permissive.as_ref().is_some_and(|permissive| {
            let flow = reads::sensors_of_condition(system, permissive)
                .iter()
                .any(|s| matches!(system.sensors[s.idx()].kind, system::model::SensorKind::Flow { .. }));
            flow || reads::actuators_of_condition(system, permissive).iter().any(|a| returns.contains(a))
        });
        let caught = second_cut(system, *heater).is_some();
        if proven {
            continue;
        }
        let volume: f64 = body_of(vessel).map_or(0.0, |b| {
            bodies[b]
                .iter()
                .map(|v| system.vessels[v.idx()].volume_below(context.stopped.levels[v.idx()]))
                .sum()
        });
        let capacity = volume * volumetric_heat_capacity(system.water.salinity, system.water.temperature_c);
        if capacity <= 0.0 {
            continue;
        }
        context.add(
            Diagnostic::new(
                "heater-away-from-its-probe",
                if caught { Level::Note } else { Level::Warning },
                format!(
                    "`{}` heats `{}` on the word of `{}` elsewhere",
                    actuator.name,
                    system.vessels[vessel.idx()].name,
                    system.sensors[probe.idx()].name
                ),
            )
            .at(context.place(&format!("rule.{}", actuator.name)), "")
            .note(format!(
                "with the return stopped its {:.0} L warm by {:.1} K/h while the probe's water cools",
                volume * LITRES,
                watts * 3600.0 / capacity
            ))
            .help("rule it by a probe in its own vessel, and let it run only while the return is proven")
            .subject(actuator.name.clone()),
        );
    }
}

fn summer(context: &mut Context<'_>) {
    let system = context.system;
    let has_fans = system.actuators.iter().any(|a| a.kind == ActuatorKind::Fan && a.blows.is_some());
    let cuts_light = system.actuators.iter().enumerate().any(|(a, part)| {
        part.kind == ActuatorKind::Light
            && reads::rule_of(system, ActuatorIdx(a)).is_some_and(|rule| {
                reads::guarding_sensors(system, rule)
                    .iter()
                    .any(|s| reads::is_temperature(&system.sensors[s.idx()].kind))
            })
    });
    for i in 0..context.facts.climates.len() {
        let climate = context.facts.climates[i].clone();
        let best = match (has_fans, cuts_light) {
            (true, true) => climate.fans_no_light_c,
            (true, false) => climate.with_fans_c,
            (false, _) => climate.unheated_c,
        };
        let with = match (has_fans, cuts_light) {
            (true, true) => "with fans on and the light off",
            (true, false) => "with fans on",
            (false, _) => "without fans",
        };
        let corner = if has_fans { climate.fans_no_light_high_c } else { climate.unheated_c };
        let level = if best > TOO_HOT {
            Level::Error
        } else if best > HOT {
            Level::Warning
        } else if corner > HOT {
            Level::Note
        } else {
            continue;
        };
        let mut finding = Diagnostic::new(
            "too-hot-in-climate",
            level,
            format!("in {} the water settles at {best:.1} °C {with}", climate.climate),
        )
        .at(context.place(&format!("climate.{}", climate.climate)), "")
        .note(format!(
            "without fans {:.1} °C, with fans {:.1} °C, with fans and no light {:.1} °C ({:.1} °C if cooling is 30 % weaker)",
            climate.unheated_c, climate.with_fans_c, climate.fans_no_light_c, climate.fans_no_light_high_c
        ))
        .note(HEAT_SOURCE)
        .subject(climate.climate.clone());
        finding = if !has_fans {
            let cooled = with_assumed_fan(context, i);
            finding
                .help(format!("a fan of 1 m/s over the display: {cooled:.1} °C; cut the light above 28 °C"))
        } else if !cuts_light {
            finding.help(format!("cut the light above 28 °C: {:.1} °C", climate.fans_no_light_c))
        } else {
            finding.help("more air over the water, an opened hood, or a chiller")
        };
        context.add(finding);
    }
}

/// Temperature with a fan of 1 m/s over the livestock's vessel, °C.
fn with_assumed_fan(context: &Context<'_>, climate: usize) -> f64 {
    let mut blown = context.system.clone();
    let over = blown
        .livestock
        .as_ref()
        .map(|l| l.vessel.idx())
        .or_else(|| blown.vessels.iter().position(|v| v.role == VesselRole::Display));
    if let Some(over) = over {
        blown.vessels[over].air_speed = 1.0;
    }
    unheated(&blown, &context.point, &context.system.climates[climate], false, true)
}

fn still_bodies(context: &mut Context<'_>, heaters: &[(ActuatorIdx, f64)]) {
    let system = context.system;
    let Some(cold) = coldest(context) else { return };
    let Some(climate) = system.climates.iter().find(|c| c.name == cold.climate) else { return };
    let mut still = context.point.clone();
    still.levels = context.stopped.levels.clone();
    let pumps: Vec<ActuatorIdx> = context
        .pumped()
        .filter_map(|(_, p)| match p.kind {
            system::model::PassageKind::Pumped { pump, .. } => Some(pump),
            _ => None,
        })
        .collect();
    for vessels in bodies(context) {
        let body = Body::new(system, &still, Some(&vessels), climate);
        let (gear, light) = body.gains();
        let stopped: f64 = pumps
            .iter()
            .filter_map(|pump| {
                let (vessel, share) = system.actuators[pump.idx()].heats?;
                vessels.contains(&vessel).then_some(system.actuators[pump.idx()].watts * share)
            })
            .sum();
        let own: f64 = heaters
            .iter()
            .filter(|(h, _)| system.actuators[h.idx()].heats.is_some_and(|(v, _)| vessels.contains(&v)))
            .map(|(_, watts)| watts)
            .fold(0.0, |sum, watts| sum + watts);
        let volume =
            body.capacity / volumetric_heat_capacity(system.water.salinity, system.water.temperature_c);
        context.facts.still_bodies.push(BodyFact {
            vessels: vessels.iter().map(|v| system.vessels[v.idx()].name.clone()).collect(),
            volume_l: volume * LITRES,
            heaters_w: own,
            rise_k_h: if body.capacity > 0.0 { own * 3600.0 / body.capacity } else { 0.0 },
            settles_c: body.steady((gear + light - stopped).max(0.0) + own, false, 0.0),
        });
        let display = vessels.iter().any(|v| system.vessels[v.idx()].role == VesselRole::Display);
        if display && let Some(hours) = cooling_hours(&body, system.water.temperature_c) {
            let person = system.response.weekend_s / 3600.0;
            context.hours(format!("mains out in {}", climate.name), "display below 22 °C", hours);
            if hours < person {
                context.add(
                    Diagnostic::warning(
                        "cold-before-a-person",
                        format!("with the mains out the display is below {COLD} °C after {hours:.1} h, a person needs {person:.1} h"),
                    )
                    .at(context.place(&format!("climate.{}", climate.name)), "")
                    .note("the display alone, no gear, the room falling as the climate says")
                    .help("a cover for the display, or somebody nearer")
                    .subject(climate.name.clone()),
                );
            }
        }
    }
}

/// Hours until a body without any gear is below the cold limit while the room falls, followed in small steps.
fn cooling_hours(body: &Body<'_>, from: f64) -> Option<f64> {
    if body.capacity <= 0.0 {
        return None;
    }
    let climate = body.climate;
    let start = mean_c(climate);
    let mut now = climate.clone();
    let (mut temperature, mut time) = (from, 0.0);
    while temperature > COLD && time < body.system.unattended_s.max(24.0 * 3600.0) {
        let room = match climate.without_mains {
            Some((to, constant)) => to + (start - to) * libm::exp(-time / constant.max(1.0)),
            None => start,
        };
        (now.day_c, now.night_c) = (room, room);
        let lost = body.wall_loss * (temperature - room) + {
            let s = surfaces(body.system, body.point, body.only, temperature, &now, false);
            s.latent + s.sensible
        };
        temperature -= lost * ROOM_STEP / body.capacity;
        time += ROOM_STEP;
    }
    (temperature <= COLD).then_some(time / 3600.0)
}
