//! A body of water and its heat: losses through walls and surface, gains from gear and light, steady temperature, hours.

use crate::context::Context;
use crate::evaporation::{Surfaces, mean_c, surfaces};
use crate::geometry::holds_tank_water;
use crate::reads;
use crate::running::{Running, system_volume};
use physics::conditions::volumetric_heat_capacity;
use physics::heat::{InnerFilm, WALL_EMISSIVITY, Wall};
use system::System;
use system::expr::Comparison;
use system::model::{ActuatorIdx, ActuatorKind, Climate, VesselIdx};

/// Film where pumps stir the water, W/m²/K (physics::heat).
const STIRRED_FILM: f64 = 500.0;
/// Least temperature difference at which films are taken, K: below it they matter little and their U is ill-defined.
const LEAST_DIFFERENCE: f64 = 2.0;
/// Range in which steady temperatures are searched, °C.
const SEARCH: (f64, f64) = (-10.0, 90.0);
const HALVINGS: usize = 44;
/// Strips of the quadrature `dt = C dT / P(T)`: the balance is nearly straight over a few kelvin.
const STRIPS: usize = 24;

/// Losses and gains of the system's water, or of some vessels, in one climate.
pub struct Body<'a> {
    /// The system.
    pub system: &'a System,
    /// Its design point.
    pub point: &'a Running,
    /// Only these vessels.
    pub only: Option<&'a [VesselIdx]>,
    /// The room.
    pub climate: &'a Climate,
    /// Loss through walls for each kelvin, W/K.
    pub wall_loss: f64,
    /// Heat capacity, J/K.
    pub capacity: f64,
}

/// Heat lost, W.
#[derive(Clone, Copy, Debug, Default)]
pub struct Losses {
    /// Through walls.
    pub walls: f64,
    /// From the open surface.
    pub surface: Surfaces,
}

impl Losses {
    /// All of it.
    pub fn total(&self) -> f64 {
        self.walls + self.surface.latent + self.surface.sensible
    }

    /// With everything that cools smaller and everything that warms larger by a share, or the reverse.
    fn spread(&self, share: f64) -> f64 {
        [self.walls, self.surface.latent, self.surface.sensible]
            .iter()
            .map(|part| if *part > 0.0 { part * (1.0 - share) } else { part * (1.0 + share) })
            .sum()
    }
}

impl<'a> Body<'a> {
    /// The whole system's water, or only some vessels.
    pub fn new(
        system: &'a System,
        point: &'a Running,
        only: Option<&'a [VesselIdx]>,
        climate: &'a Climate,
    ) -> Self {
        let (s, t) = (system.water.salinity, system.water.temperature_c);
        let mut wall_loss = 0.0;
        let mut volume = 0.0;
        for (v, vessel) in system.vessels.iter().enumerate() {
            if !holds_tank_water(vessel) || only.is_some_and(|only| !only.contains(&VesselIdx(v))) {
                continue;
            }
            volume += vessel.volume_below(point.levels[v]);
            wall_loss += vessel_wall_loss(system, point, v, mean_c(climate));
        }
        if only.is_none() {
            volume = system_volume(system, point);
        }
        Body { system, point, only, climate, wall_loss, capacity: volume * volumetric_heat_capacity(s, t) }
    }

    /// What it loses at a temperature.
    pub fn losses(&self, water_c: f64, fans: bool) -> Losses {
        Losses {
            walls: self.wall_loss * (water_c - mean_c(self.climate)),
            surface: surfaces(self.system, self.point, self.only, water_c, self.climate, fans),
        }
    }

    /// Temperature at which losses, changed by `spread` (0: nominal), take up a power, °C.
    pub fn steady(&self, power: f64, fans: bool, spread: f64) -> f64 {
        let (mut low, mut high) = SEARCH;
        for _ in 0..HALVINGS {
            let middle = 0.5 * (low + high);
            let losses = self.losses(middle, fans);
            let lost = if spread == 0.0 { losses.total() } else { losses.spread(spread) };
            if lost < power { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    }

    /// Hours from one temperature to another under a constant power: `∫ C dT / (P - L(T))`. None: never gets there.
    pub fn hours(&self, from: f64, to: f64, power: f64) -> Option<f64> {
        if from == to {
            return Some(0.0);
        }
        let mut time = 0.0;
        let strip = (to - from) / STRIPS as f64;
        for i in 0..STRIPS {
            let net = power - self.losses(from + (i as f64 + 0.5) * strip, false).total();
            if net * strip <= 0.0 {
                return None;
            }
            time += self.capacity * strip / net;
        }
        // Close to the asymptote the midpoint rule cannot tell: the end itself must still be on the way.
        let at_end = power - self.losses(to, false).total();
        (at_end * strip > 0.0).then_some(time / 3600.0)
    }

    fn contains(&self, vessel: VesselIdx) -> bool {
        self.only.is_none_or(|only| only.contains(&vessel))
    }

    /// Heat from pumps and other gear that runs anyway, and from light averaged over the day, W.
    pub fn gains(&self) -> (f64, f64) {
        let (mut gear, mut light) = (0.0, 0.0);
        for (a, actuator) in self.system.actuators.iter().enumerate() {
            let Some((vessel, share)) = actuator.heats.filter(|(vessel, _)| self.contains(*vessel)) else {
                continue;
            };
            if actuator.kind == ActuatorKind::Heater || !holds_tank_water(&self.system.vessels[vessel.idx()])
            {
                continue;
            }
            let watts = actuator.watts * share * reads::usual_share(self.system, ActuatorIdx(a));
            if actuator.kind == ActuatorKind::Light { light += watts } else { gear += watts }
        }
        (gear, light)
    }
}

/// Loss of one vessel's walls and bottom for each kelvin, W/K.
///
/// `1/U = 1/h_in + x/k + 1/(h_conv + h_rad)` (physics::heat: Churchill and Chu 1975, emissivity 0.9), wetted height times the
/// share of the perimeter that sees the room, plus the bottom unless it is insulated.
pub fn vessel_wall_loss(system: &System, point: &Running, v: usize, room_c: f64) -> f64 {
    let vessel = &system.vessels[v];
    if vessel.inside_of.is_some() {
        return 0.0;
    }
    let [length, depth, height] = vessel.inside;
    let level = point.levels[v];
    let wall = Wall {
        height: height.max(0.05),
        thickness: vessel.wall_m.max(1e-4),
        conductivity: vessel.wall_k,
        emissivity: WALL_EMISSIVITY,
    };
    let difference = (system.water.temperature_c - room_c).abs().max(LEAST_DIFFERENCE);
    let u = wall.loss(room_c + difference, room_c, InnerFilm::Stirred(STIRRED_FILM)).overall;
    let bottom = if vessel.bottom_insulated { 0.0 } else { length * depth };
    u * (vessel.wall_share * 2.0 * (length + depth) * level + bottom)
}

/// Temperature without heaters, °C.
pub fn unheated(system: &System, point: &Running, climate: &Climate, fans: bool, light: bool) -> f64 {
    let body = Body::new(system, point, None, climate);
    let (gear, lamp) = body.gains();
    body.steady(gear + if light { lamp } else { 0.0 }, fans, 0.0)
}

/// Gains less losses at a temperature without heaters, W.
pub fn balance(
    system: &System,
    point: &Running,
    climate: &Climate,
    water_c: f64,
    fans: bool,
    light: bool,
) -> f64 {
    let body = Body::new(system, point, None, climate);
    let (gear, lamp) = body.gains();
    gear + if light { lamp } else { 0.0 } - body.losses(water_c, fans).total()
}

/// Heaters in the system's water: index and watts that reach it.
pub fn heaters(system: &System) -> Vec<(ActuatorIdx, f64)> {
    system
        .actuators
        .iter()
        .enumerate()
        .filter(|(_, a)| a.kind == ActuatorKind::Heater)
        .filter_map(|(i, a)| {
            let (vessel, share) = a.heats?;
            holds_tank_water(&system.vessels[vessel.idx()]).then_some((ActuatorIdx(i), a.watts * share))
        })
        .collect()
}

/// Lowest temperature at which something other than a heater's own contact cuts it, °C: its own thermostat, or a contactor
/// before its supply that trips on a probe.
pub fn second_cut(system: &System, heater: ActuatorIdx) -> Option<f64> {
    let actuator = &system.actuators[heater.idx()];
    let mut cut = actuator.own_thermostat_c;
    for at in system.supply_chain(actuator.supply).map(|s| &system.supplies[s.idx()]) {
        if let Some(trip) =
            at.through.and_then(|c| reads::rule_of(system, c)).and_then(|rule| rule.trip.as_ref())
        {
            for threshold in reads::thresholds(system, &trip.when) {
                let warm = matches!(threshold.op, Comparison::Greater | Comparison::GreaterEqual);
                let is_heat = reads::sensors_of(system, threshold.signal)
                    .iter()
                    .any(|s| reads::is_temperature(&system.sensors[s.idx()].kind));
                if warm && is_heat {
                    let at = f64::from(threshold.value) / 1000.0;
                    cut = Some(cut.map_or(at, |cut| cut.min(at)));
                }
            }
        }
    }
    cut
}

/// Vessels that still mix when the pumped lines stand still.
pub fn bodies(context: &Context<'_>) -> Vec<Vec<VesselIdx>> {
    let system = context.system;
    let mut bodies: Vec<Vec<VesselIdx>> = vec![];
    for v in 0..system.vessels.len() {
        let v = VesselIdx(v);
        let vessel = &system.vessels[v.idx()];
        if !holds_tank_water(vessel) || bodies.iter().any(|body| body.contains(&v)) {
            continue;
        }
        if vessel.inside_of.is_some_and(|outer| holds_tank_water(&system.vessels[outer.idx()])) {
            continue;
        }
        let mut body: Vec<VesselIdx> = context.tank_of(v);
        let inner: Vec<VesselIdx> = (0..system.vessels.len())
            .map(VesselIdx)
            .filter(|i| system.vessels[i.idx()].inside_of.is_some_and(|outer| body.contains(&outer)))
            .filter(|i| !body.contains(i) && holds_tank_water(&system.vessels[i.idx()]))
            .collect();
        body.extend(inner);
        bodies.push(body);
    }
    bodies
}
