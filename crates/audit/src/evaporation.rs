//! Evaporation by climate, and reservoirs against the unattended time.

use crate::context::{Context, LITRES};
use crate::facts::{EvaporationFact, ReservoirFact};
use crate::geometry::{area_at, holds_tank_water};
use crate::running::Running;
use physics::conditions::{latent_heat, surface};
use physics::evaporation::{natatorium, psychrometric_constant};
use system::model::{ActuatorKind, Climate, PassageKind, VesselIdx, VesselRole};
use system::{Diagnostic, System};

/// Physical claim of every evaporation formula: ±40 % (Shah 2002 review, abstract; physics::evaporation).
pub const SPREAD: f64 = 0.4;
/// Specific gas constant of water vapour, J/kg/K.
const VAPOUR_GAS_CONSTANT: f64 = 461.5;
/// Seconds in a day.
pub const DAY: f64 = 86_400.0;

/// What leaves the open surfaces at a water and room temperature.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Surfaces {
    /// Water, kg/s; negative when the room's vapour condenses.
    pub water: f64,
    /// Heat with the vapour, W.
    pub latent: f64,
    /// Heat to the air, W.
    pub sensible: f64,
}

/// Open surfaces of the system's water, or of some vessels, at a uniform temperature.
///
/// ASHRAE natatorium form with each vessel's share of an open surface as activity, Bowen's ratio for the sensible part. Under
/// a hood with little leakage the vapour collects: the same quasi-steady balance as in the twin.
pub fn surfaces(
    system: &System,
    point: &Running,
    only: Option<&[VesselIdx]>,
    water_c: f64,
    climate: &Climate,
    fans: bool,
) -> Surfaces {
    let room_c = mean_c(climate);
    let open = surface(system.water.salinity, water_c, room_c, climate.humidity);
    let latent_heat = latent_heat(water_c);
    let mut sum = Surfaces::default();
    for (v, vessel) in system.vessels.iter().enumerate() {
        if !holds_tank_water(vessel) || only.is_some_and(|only| !only.contains(&VesselIdx(v))) {
            continue;
        }
        let area = area_at(vessel, point.levels[v]);
        let blown = system
            .actuators
            .iter()
            .filter(|a| fans && a.kind == ActuatorKind::Fan)
            .filter_map(|a| a.blows.filter(|blow| blow.over == VesselIdx(v)));
        let (mut speed, mut draught) = (vessel.air_speed, 0.0);
        for blow in blown {
            speed = f64::max(speed, blow.speed);
            draught += blow.draws_m3_s;
        }
        let mut air = open;
        if let Some(space) = vessel.air.map(|a| &system.air_spaces[a.idx()]) {
            let by_draught = (space.leak_m3_s + draught) / (VAPOUR_GAS_CONSTANT * (room_c + 273.15));
            let film = vessel.evaporation * 0.089 / latent_heat * area;
            let weight = by_draught + film;
            if weight > 0.0 {
                air.air_vapour = (by_draught * open.air_vapour + film * open.water_vapour) / weight;
            }
        }
        let rate = natatorium(&air, speed, latent_heat, vessel.evaporation);
        sum.water += rate * area;
        sum.latent += rate * area * latent_heat;
        sum.sensible += vessel.evaporation
            * physics::evaporation::natatorium_coefficient(speed)
            * psychrometric_constant(air.pressure, latent_heat)
            * (water_c - room_c)
            * area;
    }
    sum
}

/// Daily mean of the room, °C (the twin's room is a cosine between both).
pub fn mean_c(climate: &Climate) -> f64 {
    0.5 * (climate.day_c + climate.night_c)
}

/// Nominal and 40 % larger evaporation, m³/s, in the climate where it is largest. None without climates or open water.
pub fn range(system: &System, point: &Running) -> Option<(f64, f64)> {
    let nominal = system.climates.iter().map(|climate| at_work(system, point, climate).1).fold(0.0, f64::max);
    (nominal > 0.0).then_some((nominal, nominal * (1.0 + SPREAD)))
}

/// Water temperature that gear and control make of a climate, evaporation there, m³/s, and whether the fans run.
pub fn at_work(system: &System, point: &Running, climate: &Climate) -> (f64, f64, bool) {
    let warm = crate::body::unheated(system, point, climate, false, true);
    let working = system.water.temperature_c;
    let has_fans = system.actuators.iter().any(|a| a.kind == ActuatorKind::Fan && a.blows.is_some());
    let (water_c, fans) = if warm <= working {
        (working, false)
    } else if has_fans {
        // Fans cycle about their threshold while they can hold it: the working temperature is the best guess.
        let cooled = crate::body::unheated(system, point, climate, true, true);
        (cooled.max(working), true)
    } else {
        (warm, false)
    };
    let mut rate = surfaces(system, point, None, water_c, climate, fans).water.max(0.0) / 1000.0;
    if fans && water_c <= working {
        // They run part of the time: what the heat balance asks for, not what they could do.
        let without = surfaces(system, point, None, working, climate, false).water.max(0.0) / 1000.0;
        let surplus = crate::body::balance(system, point, climate, working, false, true);
        let with = crate::body::balance(system, point, climate, working, true, true);
        let share = if surplus > with { (surplus / (surplus - with)).clamp(0.0, 1.0) } else { 1.0 };
        rate = without + share * (rate - without);
    }
    (water_c, rate, fans)
}

pub(crate) fn check(context: &mut Context<'_>) {
    let system = context.system;
    if !context.has_water() {
        return;
    }
    for climate in &system.climates {
        let (water_c, rate, fans) = at_work(system, &context.point, climate);
        let l_day = rate * DAY * LITRES;
        context.facts.evaporation.push(EvaporationFact {
            climate: climate.name.clone(),
            water_c,
            fans,
            l_day,
            low_l_day: l_day * (1.0 - SPREAD),
            high_l_day: l_day * (1.0 + SPREAD),
        });
    }
    let Some((nominal, worst)) = context.evaporation else { return };
    let mut seen: Vec<VesselIdx> = vec![];
    for passage in &system.passages {
        let source = &system.vessels[passage.from.idx()];
        if !crate::dosing::doses(system, passage)
            || source.role != VesselRole::Reservoir
            || seen.contains(&passage.from)
        {
            continue;
        }
        seen.push(passage.from);
        let PassageKind::Line { flow, .. } = passage.kind else { continue };
        let usable = crate::dosing::usable(system, passage);
        let time = system.unattended_s;
        let fact = ReservoirFact {
            vessel: source.name.clone(),
            usable_l: usable * LITRES,
            days: usable / nominal / DAY,
            days_worst: usable / worst / DAY,
            need_l: nominal * time * LITRES,
            need_worst_l: worst * time * LITRES,
        };
        let short_nominal = usable < nominal * time;
        if short_nominal || usable < worst * time {
            let level = if short_nominal { system::Level::Error } else { system::Level::Warning };
            context.add(
                Diagnostic::new(
                    "reservoir-runs-out",
                    level,
                    format!("`{}` can run out within the unattended {:.0} h", source.name, time / 3600.0),
                )
                .at(context.place(&format!("vessel.{}", source.name)), "")
                .note(format!(
                    "{:.1} L can be drawn; {:.1} L evaporate in the worst climate, {:.1} L at 40 % more",
                    fact.usable_l, fact.need_l, fact.need_worst_l
                ))
                .note("evaporation: (0.089 + 0.0782 v)(pw - pa)/Y times each vessel's share of an open surface (ASHRAE natatorium form; Carrier 1918), ±40 %")
                .help(format!(
                    "a reservoir of {:.0} L, or a refill every {:.1} days",
                    fact.need_worst_l.ceil(),
                    fact.days_worst
                ))
                .subject(source.name.clone()),
            );
        }
        if flow < worst {
            context.add(
                Diagnostic::warning(
                    "top-off-too-slow",
                    format!("`{}` cannot keep up with evaporation", passage.name),
                )
                .at(context.place(&format!("passage.{}.flow", passage.name)), "")
                .note(format!(
                    "it brings {:.2} L/h at most; {:.2} L/h evaporate at the worst",
                    flow * 3.6e6,
                    worst * 3.6e6
                ))
                .help(format!("a pump of {:.1} L/h or more", worst * 3.6e6 * 2.0))
                .subject(passage.name.clone()),
            );
        }
        let daily = crate::dosing::daily(system, passage);
        if let Some(daily) = daily.filter(|daily| *daily < nominal * DAY) {
            context.add(
                Diagnostic::warning(
                    "daily-limit-below-need",
                    format!("the daily limit of `{}` is less than what evaporates", passage.name),
                )
                .note(format!(
                    "limit {:.1} L, evaporation {:.1} L a day",
                    daily * LITRES,
                    nominal * DAY * LITRES
                ))
                .help(format!("a limit of {:.0} L a day", (worst * DAY * LITRES).ceil()))
                .subject(passage.name.clone()),
            );
        }
        context.facts.reservoirs.push(fact);
    }
}
