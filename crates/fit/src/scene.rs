//! The scene of a fit: system and log seen together. What the water, the room and the gear were over a stretch of time, by the signals that
//! the file has; what is doubtful about that, as shifts that an estimator is run again with.
//!
//! Contract: reads only; a question that the log cannot answer gives None.

use logs::zone::Zone;
use physics::hood::Hood;
use seawater::vapour::{latent_heat_j_per_kg, saturation_pressure_pa, vapour_pressure_pa};
use system::System;
use system::model::{Contents, PassageKind, Sensor, SensorKind, VesselIdx};
use twin::Plan;

use crate::log::{Log, Series};

/// Humidity where the file names no climate.
const USUAL_HUMIDITY: f64 = 0.5;
/// Undisturbed film in the balance of a hood, W/m²/Pa: [`physics::evaporation::natatorium_coefficient`] without wind.
const STILL: f64 = 0.089;

/// What is assumed otherwise than measured or written: the directions in which a fit is run again.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Shift {
    /// By sensor, in the unit of the log.
    pub offsets: Vec<f64>,
    /// Added to the room where it is not measured, K.
    pub room_k: f64,
    /// Added to the relative humidity.
    pub humidity: f64,
    /// Factor on what dosing lines deliver.
    pub lines: f64,
    /// Factor on the heat that the water holds.
    pub capacity: f64,
    /// Factor on the power of gear that is no heater.
    pub gear: f64,
    /// Factor on the power of heaters that the log cannot tell.
    pub heaters: f64,
    /// Factor on evaporation where no top-off tells it.
    pub evaporation: f64,
    /// Added to alkalinity, meq/L.
    pub alkalinity: f64,
    /// Added to the room's CO2, ppm.
    pub co2_ppm: f64,
}

/// Water and air of one vessel over a stretch.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Surface {
    /// What the file's evaporation (factor 1) takes, kg/s.
    pub vapour_kg_s: f64,
    /// Latent heat, J/kg.
    pub latent: f64,
    /// Sensible heat to the air at factor 1, W.
    pub sensible_w: f64,
}

#[derive(Clone, Debug)]
pub(crate) struct Scene<'a> {
    pub system: &'a System,
    pub plan: &'a Plan,
    pub log: &'a Log,
    /// Room by a column of the log that the caller named.
    room: Option<&'a Series>,
    zone: Zone,
    pub shift: Shift,
    /// Of the probes of its vessel only this one is looked at.
    only: Option<usize>,
}

impl<'a> Scene<'a> {
    pub fn new(plan: &'a Plan, log: &'a Log, room: Option<&str>) -> Self {
        let system = &plan.system;
        let shift = Shift {
            offsets: vec![0.0; system.sensors.len()],
            room_k: 0.0,
            humidity: 0.0,
            lines: 1.0,
            capacity: 1.0,
            gear: 1.0,
            heaters: 1.0,
            evaporation: 1.0,
            alkalinity: 0.0,
            co2_ppm: 0.0,
        };
        let zone = Zone::parse(&system.timezone).unwrap_or(Zone::UTC);
        Scene { system, plan, log, room: room.and_then(|name| log.get(name)), zone, shift, only: None }
    }

    /// The same, shifted.
    pub fn shifted(&self, change: impl FnOnce(&mut Shift)) -> Self {
        let mut other = self.clone();
        change(&mut other.shift);
        other
    }

    /// The same, with one probe alone in its vessel.
    pub fn with_only(&self, probe: usize) -> Self {
        Scene { only: Some(probe), ..self.clone() }
    }

    /// Whether the caller named a column that is the room's.
    pub fn is_room_logged(&self) -> bool {
        self.room.is_some()
    }

    /// Whether the room's temperature is measured.
    pub fn is_room_measured(&self) -> bool {
        self.room.is_some() || self.room_probes().next().is_some()
    }

    /// Sensors with a series that show the room.
    pub fn room_probes(&self) -> impl Iterator<Item = usize> + '_ {
        self.with_series().filter(|(_, s)| is_of_room(s)).map(|(i, _)| i)
    }

    /// Sensors with a series that show a vessel's temperature.
    pub fn probes_of(&self, vessel: usize) -> impl Iterator<Item = usize> + '_ {
        let here = Some(VesselIdx(vessel));
        let only = self.only.filter(|i| self.system.sensors[*i].vessel == here);
        self.with_series()
            .filter(move |(i, s)| is_thermometer(s) && s.vessel == here && only.is_none_or(|o| o == *i))
            .map(|(i, _)| i)
    }

    fn with_series(&self) -> impl Iterator<Item = (usize, &'a Sensor)> + '_ {
        self.system.sensors.iter().enumerate().filter(|(_, s)| self.log.get(&s.name).is_some())
    }

    /// Series of a sensor.
    pub fn series(&self, sensor: usize) -> Option<&'a Series> {
        self.log.get(&self.system.sensors[sensor].name)
    }

    /// Tank vessels.
    pub fn waters(&self) -> impl Iterator<Item = usize> + '_ {
        (self.system.vessels.iter().enumerate()).filter(|(_, v)| v.holds == Contents::Tank).map(|(v, _)| v)
    }

    /// Water of a vessel at its start level, m³.
    pub fn volume(&self, vessel: usize) -> f64 {
        let vessel = &self.system.vessels[vessel];
        vessel.volume_below(vessel.start_level)
    }

    /// Local time of day, s.
    fn local_s(&self, utc_s: f64) -> f64 {
        let ms = utc_s * 1000.0;
        (utc_s + self.zone.offset(ms as i64) as f64 / 1000.0).rem_euclid(86_400.0)
    }

    fn mean_of(&self, probes: impl Iterator<Item = usize>, from_s: f64, to_s: f64) -> Option<f64> {
        let (mut sum, mut n) = (0.0, 0);
        for i in probes {
            if let Some(mean) = self.series(i).and_then(|s| s.mean(from_s, to_s)) {
                sum += mean - self.shift.offsets[i];
                n += 1;
            }
        }
        (n > 0).then(|| sum / f64::from(n))
    }

    /// Mean temperature of a vessel, °C; where it has no probe, of the vessel of the tank that has one and the most water.
    pub fn water_c(&self, vessel: usize, from_s: f64, to_s: f64) -> Option<f64> {
        let own = self.mean_of(self.probes_of(vessel), from_s, to_s);
        own.or_else(|| self.mean_of(self.probes_of(self.measured_for(vessel)?), from_s, to_s))
    }

    /// The vessel whose probes stand for a vessel.
    pub fn measured_for(&self, vessel: usize) -> Option<usize> {
        if self.probes_of(vessel).next().is_some() {
            return Some(vessel);
        }
        let of = &self.system.vessels[vessel];
        let kin = |v: &usize| {
            let other = &self.system.vessels[*v];
            let is_kin = of.inside_of == Some(VesselIdx(*v))
                || of.chamber_of.is_some() && of.chamber_of == other.chamber_of;
            (is_kin, self.volume(*v))
        };
        self.waters()
            .filter(|v| self.probes_of(*v).next().is_some())
            .max_by(|a, b| kin(a).partial_cmp(&kin(b)).unwrap_or(core::cmp::Ordering::Equal))
    }

    /// Mean temperature of the room, °C: measured, else by the file's first climate.
    pub fn room_c(&self, from_s: f64, to_s: f64) -> Option<f64> {
        if let Some(series) = self.room {
            return Some(series.mean(from_s, to_s)? + self.shift.room_k);
        }
        if self.is_room_measured() {
            return self.mean_of(self.room_probes(), from_s, to_s);
        }
        let climate = self.system.climates.first();
        // A cosine of a day is straight enough over the minutes and hours that are asked for, in pieces of an hour.
        let n = ((to_s - from_s) / 3600.0).ceil().clamp(1.0, 48.0) as usize;
        let at = |k: usize| from_s + (k as f64 + 0.5) / n as f64 * (to_s - from_s);
        let sum: f64 = (0..n).map(|k| twin::climate_c(climate, self.local_s(at(k)))).sum();
        Some(sum / n as f64 + self.shift.room_k)
    }

    /// Vapour pressure of the room's air at a temperature, Pa: by the humidity of the file's first climate.
    pub fn room_vapour_pa(&self, room_c: f64) -> f64 {
        let humidity = self.system.climates.first().map_or(USUAL_HUMIDITY, |c| c.humidity);
        (humidity + self.shift.humidity).clamp(0.0, 1.0) * saturation_pressure_pa(room_c.clamp(0.0, 60.0))
    }

    /// Mean drive of an actuator, 0 to 1, as the board asked for it. None: not in the log.
    pub fn drive(&self, actuator: usize, from_s: f64, to_s: f64) -> Option<f64> {
        let part = &self.system.actuators[actuator];
        match self.log.get(&part.name) {
            Some(series) => {
                let full = if series.unit() == "%" { 100.0 } else { 1.0 };
                Some((series.mean(from_s, to_s)? / full).clamp(0.0, 1.0))
            }
            None => part.always.then_some(1.0),
        }
    }

    /// Drive at an instant.
    pub fn drive_at(&self, actuator: usize, time_s: f64) -> Option<f64> {
        let part = &self.system.actuators[actuator];
        match self.log.get(&part.name) {
            Some(series) => {
                let full = if series.unit() == "%" { 100.0 } else { 1.0 };
                Some((series.at(time_s)? / full).clamp(0.0, 1.0))
            }
            None => part.always.then_some(1.0),
        }
    }

    /// What dosing lines brought into the tank's water over a stretch, m³, by passage. None: a pump is not in the log.
    pub fn dosed(&self, from_s: f64, to_s: f64) -> Option<Vec<(usize, f64)>> {
        let mut all = vec![];
        for (p, passage) in self.system.passages.iter().enumerate() {
            let PassageKind::Line { pump, flow, .. } = passage.kind else { continue };
            let outside = self.system.vessels[passage.from.idx()].holds != Contents::Tank;
            if outside && self.system.vessels[passage.to.idx()].holds == Contents::Tank {
                let on = self.drive(pump.idx(), from_s, to_s)?;
                all.push((p, flow * self.shift.lines * on * (to_s - from_s)));
            }
        }
        Some(all)
    }

    /// Surfaces of all tank vessels over a stretch (an hour at most: the laws are taken at its means), by vessel.
    pub fn surfaces(&self, from_s: f64, to_s: f64) -> Option<Vec<(usize, Surface)>> {
        let room_c = self.room_c(from_s, to_s)?;
        let room_pa = self.room_vapour_pa(room_c);
        let salinity = self.system.water.salinity;
        let mut waters = vec![];
        for v in self.waters() {
            waters.push((v, self.water_c(v, from_s, to_s)?.clamp(0.0, 60.0)));
        }
        let airs: Vec<(f64, f64)> = (0..self.system.air_spaces.len())
            .map(|a| self.hood(a, &waters, (room_c, room_pa), (from_s, to_s)))
            .collect();
        let surface = |&(v, water_c): &(usize, f64)| {
            let vessel = &self.system.vessels[v];
            let (air_c, air_pa) = vessel.air.map_or((room_c, room_pa), |a| airs[a.idx()]);
            let of = physics::evaporation::Surface::new(
                water_c,
                air_c,
                vapour_pressure_pa(salinity, water_c),
                air_pa,
            );
            let latent = latent_heat_j_per_kg(water_c);
            let speed = vessel.air_speed + self.blown(v, from_s, to_s);
            let area = area_at(vessel);
            let factor = vessel.evaporation;
            let vapour_kg_s = area * physics::evaporation::natatorium(&of, speed, latent, factor);
            let sensible_w = area * physics::evaporation::sensible_heat(&of, speed, latent, factor);
            (v, Surface { vapour_kg_s, latent, sensible_w })
        };
        Some(waters.iter().map(surface).collect())
    }

    /// Air speed of fans over a vessel, m/s.
    fn blown(&self, vessel: usize, from_s: f64, to_s: f64) -> f64 {
        let of = |(a, part): (usize, &system::model::Actuator)| {
            let blow = part.blows.filter(|b| b.over.idx() == vessel)?;
            Some(blow.speed * self.drive(a, from_s, to_s)?)
        };
        self.system.actuators.iter().enumerate().filter_map(of).sum()
    }

    /// Air under a hood: °C, Pa of vapour.
    fn hood(&self, air: usize, waters: &[(usize, f64)], room: (f64, f64), over: (f64, f64)) -> (f64, f64) {
        let is_below = |v: usize| self.system.vessels[v].air.is_some_and(|a| a.idx() == air);
        let (mut draught, mut lamp) = (self.system.air_spaces[air].leak_m3_s, 0.0);
        for (a, part) in self.system.actuators.iter().enumerate() {
            let drive = self.drive(a, over.0, over.1).unwrap_or(0.0);
            if let Some(blow) = part.blows.filter(|b| is_below(b.over.idx())) {
                draught += blow.draws_m3_s * drive;
            }
            if part.lights.is_some_and(|v| is_below(v.idx())) {
                let share = part.heats.map_or(0.0, |(_, share)| share);
                lamp += part.watts * drive * (1.0 - share);
            }
        }
        let mut hood = Hood::new(draught, room.0, room.1, lamp);
        for &(v, water_c) in waters.iter().filter(|(v, _)| is_below(*v)) {
            let vessel = &self.system.vessels[v];
            let area = area_at(vessel);
            let film = vessel.evaporation * STILL / latent_heat_j_per_kg(water_c) * area;
            hood.add_water(film, area, water_c, vapour_pressure_pa(self.system.water.salinity, water_c));
        }
        let (c, pa) = hood.settled();
        (c, pa.min(saturation_pressure_pa(c.clamp(0.0, 60.0))))
    }

    /// Evaporation of the whole tank by the file over a stretch of any length, m³, in pieces of an hour.
    pub fn evaporation_m3(&self, from_s: f64, to_s: f64) -> Option<f64> {
        let n = ((to_s - from_s) / 3600.0).ceil().max(1.0) as usize;
        let step = (to_s - from_s) / n as f64;
        let mut sum = 0.0;
        for k in 0..n {
            let from = from_s + k as f64 * step;
            let surfaces = self.surfaces(from, from + step)?;
            sum += surfaces.iter().map(|(_, s)| s.vapour_kg_s).sum::<f64>() * step / 1000.0;
        }
        Some(sum)
    }
}

/// Area of the water at a vessel's start level, m².
fn area_at(vessel: &system::model::Vessel) -> f64 {
    let below = vessel.areas.iter().take_while(|(from, _)| *from <= vessel.start_level);
    below.last().map_or(0.0, |(_, area)| *area)
}

pub(crate) fn is_thermometer(sensor: &Sensor) -> bool {
    matches!(sensor.kind, SensorKind::Ds18b20 | SensorKind::Tmp36 { .. } | SensorKind::Ntc { .. })
}

fn is_of_room(sensor: &Sensor) -> bool {
    matches!(sensor.kind, SensorKind::RoomTemperature) || is_thermometer(sensor) && sensor.vessel.is_none()
}
