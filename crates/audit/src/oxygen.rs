//! Oxygen hours: the display's water with everything running, without the return, on the battery, and still.

use crate::context::Context;
use crate::facts::OxygenFact;
use crate::geometry::holds_tank_water;
use crate::reads;
use crate::running::system_volume;
use physics::gas::{TEMPERATURE_FACTOR, depletion_time, steady};
use seawater::oxygen::{O2_G_PER_MOL, saturation_mg_per_l};
use system::model::{ActuatorIdx, ActuatorKind, PassageKind, VesselIdx};
use system::{Diagnostic, Level};

/// Exchange figures of the file belong to this temperature, °C (as in the twin).
const EXCHANGE_AT_C: f64 = 25.0;
/// Heavy corner where the file names none: demand and exchange (assumed: both 30 % off).
const HEAVY_DEMAND: f64 = 1.3;
const HEAVY_EXCHANGE: f64 = 0.7;
/// Alarm limit and harm at once, mg/L (the default requirements; handbook section 9: alarm at 4-4.5).
const LOW: f64 = 4.0;
const TOO_LOW: f64 = 3.0;

/// One state: which vessels mix, and what exchanges gas.
struct State {
    name: &'static str,
    volume: f64,
    exchange: f64,
}

pub(crate) fn check(context: &mut Context<'_>) {
    let system = context.system;
    let Some(livestock) = &system.livestock else { return };
    let home = livestock.vessel;
    let (s, t) = (system.water.salinity, system.water.temperature_c);
    let warm = libm::pow(TEMPERATURE_FACTOR, t - EXCHANGE_AT_C);
    let demand_mg_h = livestock.fish_kg * livestock.fish_mg_kg_h
        + livestock.coral_cm2 * livestock.coral_umol_cm2_h * O2_G_PER_MOL / 1000.0
        + livestock.other_mg_h;
    let alone = system.vessels[home.idx()].volume_below(context.stopped.levels[home.idx()]);
    let whole = system_volume(system, &context.point);
    if alone <= 0.0 || whole <= 0.0 {
        return;
    }
    let still = system.vessels[home.idx()].still_exchange;
    let on_battery =
        |a: ActuatorIdx| crate::power::battery_of(system, system.actuators[a.idx()].supply).is_some();
    let gear = |keep: &dyn Fn(ActuatorIdx) -> bool, at_home: bool| -> f64 {
        (0..system.actuators.len())
            .map(ActuatorIdx)
            .filter(|a| keep(*a))
            .filter(|a| system.actuators[a.idx()].vessel.is_some_and(|v| !at_home || v == home))
            .map(|a| system.actuators[a.idx()].exchange * reads::usual_share(system, a))
            .sum()
    };
    let falls: f64 =
        system.passages.iter().enumerate().map(|(p, x)| x.aeration * context.point.flows[p]).sum();
    let all_still: f64 =
        system.vessels.iter().filter(|v| holds_tank_water(v)).map(|v| v.still_exchange).sum();
    let is_return = |a: ActuatorIdx| {
        context.pumped().any(|(_, p)| matches!(p.kind, PassageKind::Pumped { pump, .. } if pump == a))
    };
    let states = [
        State { name: "running", volume: whole, exchange: all_still + gear(&|_| true, false) + falls },
        State { name: "return off", volume: alone, exchange: still + gear(&|a| !is_return(a), true) },
        State { name: "battery", volume: alone, exchange: still + gear(&on_battery, true) },
        State { name: "still", volume: alone, exchange: still },
    ];
    let heavy_demand = system.corners.iter().map(|c| c.respiration).fold(f64::NAN, f64::max);
    let heavy = system.corners.iter().find(|c| c.respiration == heavy_demand && c.respiration > 1.0);
    let (more, less) = heavy.map_or((HEAVY_DEMAND, HEAVY_EXCHANGE), |c| (c.respiration, c.gas_exchange));
    let saturation = saturation_mg_per_l(s, t);
    let rates = |state: &State, more: f64, less: f64| {
        let demand = demand_mg_h * more / (state.volume * 1000.0);
        (demand, state.exchange * less * warm * 3600.0 / state.volume)
    };
    let floor = |value: f64| (value.is_finite() && value > 0.0).then_some(value);
    let start_of = |more: f64, less: f64| {
        let (demand, kla) = rates(&states[0], more, less);
        if kla > 0.0 { steady(saturation, kla, -demand).clamp(0.0, saturation) } else { saturation }
    };
    let (start, heavy_start) = (start_of(1.0, 1.0), start_of(more, less));
    for state in &states {
        let (demand, kla) = rates(state, 1.0, 1.0);
        let (heavy_demand, heavy_kla) = rates(state, more, less);
        let settles =
            |kla: f64, demand: f64| if kla > 0.0 { floor(steady(saturation, kla, -demand)) } else { None };
        let running = state.name == "running";
        let time = |limit: f64, start: f64, kla: f64, demand: f64| {
            if running {
                None
            } else {
                depletion_time(limit, start, saturation, kla, demand).filter(|h| h.is_finite())
            }
        };
        context.facts.oxygen.push(OxygenFact {
            state: state.name.into(),
            demand_mg_l_h: demand,
            kla_per_h: kla,
            saturation_mg_l: saturation,
            start_mg_l: start,
            settles_mg_l: settles(kla, demand),
            hours_to_4: time(LOW, start, kla, demand),
            hours_to_3: time(TOO_LOW, start, kla, demand),
            heavy_settles_mg_l: settles(heavy_kla, heavy_demand),
            heavy_hours_to_4: time(LOW, heavy_start, heavy_kla, heavy_demand),
            heavy_hours_to_3: time(TOO_LOW, heavy_start, heavy_kla, heavy_demand),
        });
    }
    verdicts(context, home);
}

const OXYGEN_SOURCE: &str = "t = -ln((C_lim - C_ss)/(C_0 - C_ss))/kLa, C_ss = C* - R/kLa, C* by Garcia and Gordon 1992; demand as in the file, by night";

fn verdicts(context: &mut Context<'_>, home: VesselIdx) {
    let system = context.system;
    let name = system.vessels[home.idx()].name.clone();
    let of =
        |context: &Context<'_>, state: &str| context.facts.oxygen.iter().find(|o| o.state == state).cloned();
    let person = system.response.weekend_s / 3600.0;
    if let Some(running) = of(context, "running") {
        let level = running.settles_mg_l.unwrap_or(0.0);
        if level < LOW {
            context.add(
                Diagnostic::error(
                    "oxygen-low-while-running",
                    format!("by night `{name}` settles at {level:.1} mg/L with everything running"),
                )
                .at(context.place("livestock"), "")
                .note(OXYGEN_SOURCE)
                .help("less livestock, a skimmer or an air stone, more aeration in the drain")
                .subject(name.clone()),
            );
        }
    }
    if let Some(off) = of(context, "return off")
        && let Some(hours) = off.hours_to_4
    {
        context.hours("return pump stops", "display below 4 mg/L oxygen", hours);
        context.add(
            Diagnostic::new(
                "oxygen-without-return",
                if hours < person { Level::Warning } else { Level::Note },
                format!("without the return `{name}` is below {LOW} mg/L after {hours:.1} h"),
            )
            .note(OXYGEN_SOURCE)
            .help("a circulation pump or air stone in the display that moves its surface")
            .subject(name.clone()),
        );
    }
    let backed = (0..system.actuators.len()).any(|a| {
        let part = &system.actuators[a];
        part.moves == Some(home) && crate::power::battery_of(system, part.supply).is_some()
            || part.kind == ActuatorKind::AirPump && crate::power::battery_of(system, part.supply).is_some()
    });
    let state = if backed { "battery" } else { "still" };
    let Some(out) = of(context, state) else { return };
    let nominal = out.hours_to_4;
    if let Some(hours) = out.hours_to_3.or(nominal) {
        let low = nominal.unwrap_or(hours);
        context.hours("mains out", "display below 4 mg/L oxygen", low);
        let mut finding = Diagnostic::warning(
            "oxygen-runs-out",
            format!("with the mains out `{name}` is below {LOW} mg/L after {low:.1} h"),
        )
        .at(context.place("livestock"), "")
        .note(OXYGEN_SOURCE)
        .note(format!("demand {:.2} mg/L/h in the display alone, kLa {:.2} per h; a person needs {person:.1} h", out.demand_mg_l_h, out.kla_per_h))
        .help("an air pump or a circulation pump on a battery: kLa 0.35 per h settles where a mixed reef can stay")
        .subject(name);
        if let Some(three) = out.hours_to_3 {
            finding = finding.note(format!("below {TOO_LOW} mg/L after {three:.1} h"));
            if three < person {
                finding.level = Level::Error;
            }
        }
        context.add(finding);
    } else if let Some(hours) = out.heavy_hours_to_4 {
        context.add(
            Diagnostic::note_level(
                "oxygen-low-in-heavy-corner",
                format!(
                    "with the mains out and heavy demand `{name}` is below {LOW} mg/L after {hours:.1} h"
                ),
            )
            .at(context.place("livestock"), "")
            .note(format!(
                "nominal {:.1} mg/L, heavy corner {}",
                out.settles_mg_l.unwrap_or(0.0),
                out.heavy_settles_mg_l.map_or("nothing left".into(), |x| format!("{x:.1} mg/L"))
            ))
            .note(OXYGEN_SOURCE)
            .help("a second battery-fed air stone")
            .subject(name),
        );
    }
}
