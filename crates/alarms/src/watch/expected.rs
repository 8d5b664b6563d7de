//! What a healthy tank would do: asked by the checks, answered by a simple balance here or by whatever the caller has (a twin that runs
//! beside, a fitted model).

use serde::{Deserialize, Serialize};

use super::history::Span;
use super::layout::{Kind, Layout};

/// A quantity that is known only so far.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Band {
    /// Least.
    pub low: f64,
    /// Usual.
    pub usual: f64,
    /// Most.
    pub high: f64,
}

impl Band {
    /// All three times a factor that is not negative.
    pub fn times(self, factor: f64) -> Self {
        Band { low: self.low * factor, usual: self.usual * factor, high: self.high * factor }
    }
}

/// What is expected of a board's tank.
pub trait Expected {
    /// Evaporation of the whole system over a stretch of time, L/h. None: nothing to say.
    fn evaporation_l_h(&self, over: &Span) -> Option<Band>;

    /// Mean temperature of the room over a stretch of time, °C. None: nobody measures it.
    fn room_c(&self, over: &Span) -> Option<f64>;

    /// What a signal, by its place in the layout, should have been on average over a stretch of time, in its unit. None: nothing
    /// to say.
    fn mean(&self, signal: usize, over: &Span) -> Option<Band> {
        let _ = (signal, over);
        None
    }
}

/// Evaporation is known to 40 % (handbook section 4: the best of eleven correlations has a mean error of 18 %, most far more).
pub const EVAPORATION_SPREAD: f64 = 0.4;
/// Humidity where nothing is said, and how far it may be from what is said. Our own figures.
const USUAL_HUMIDITY: f64 = 0.5;
/// Without heat the tank's gear keeps it at most so much above the room, K. Our own figure: 90 W of gear on 25 W/K.
const WARMER_BY_GEAR_K: f64 = 6.0;
/// Heaters on for more than this share of the time: the room is colder than the water.
const HEATED_DUTY: f64 = 0.02;

/// The balance of a free surface: `W = Fa (0.089 + 0.0782 v)(pw - pa)/Y`, ASHRAE's natatorium equation (handbook section 4), with the
/// water as measured and the room as measured or, without a probe, as one of the states of the system file that fit to what the heaters do.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Balance {
    layout: Layout,
}

impl Balance {
    /// For a board.
    pub fn new(layout: &Layout) -> Self {
        Balance { layout: layout.clone() }
    }

    fn water_c(&self, vessel: Option<usize>, over: &Span) -> Option<f64> {
        let of = |wanted: Option<usize>| {
            let means: Vec<f64> = (self.layout.of_kind(Kind::Temperature))
                .filter(|s| wanted.is_none() || self.layout.signals[*s].vessel == wanted)
                .filter_map(|s| over.mean(s))
                .collect();
            middle(means)
        };
        of(vessel).or_else(|| of(None))
    }

    /// L/h at this state of the room.
    fn at(&self, room_c: f64, humidity: f64, over: &Span) -> Option<f64> {
        let air_pa = humidity * seawater::vapour::saturation_pressure_pa(room_c);
        let mut kg_s = 0.0;
        for surface in &self.layout.surfaces {
            let water_c = self.water_c(Some(surface.vessel), over)?;
            let fans: f64 = (self.layout.drives.iter().enumerate())
                .filter_map(|(d, drive)| {
                    drive.blows.filter(|(v, _)| *v == surface.vessel).map(|b| b.1 * over.duty(d))
                })
                .sum();
            let over_water = seawater::vapour::vapour_pressure_pa(self.layout.salinity, water_c);
            let of = physics::evaporation::Surface::new(water_c, room_c, over_water, air_pa);
            let latent = seawater::vapour::latent_heat_j_per_kg(water_c);
            let speed = surface.air_speed + fans;
            kg_s += surface.area_m2
                * physics::evaporation::natatorium(&of, speed, latent, surface.factor).max(0.0);
        }
        Some(kg_s * 3600.0)
    }
}

impl Expected for Balance {
    fn evaporation_l_h(&self, over: &Span) -> Option<Band> {
        if self.layout.surfaces.is_empty() {
            return None;
        }
        let rates: Vec<f64> = match self.room_c(over) {
            Some(room_c) => {
                let mut humidities: Vec<f64> = self.layout.climates.iter().map(|c| c.humidity).collect();
                if humidities.is_empty() {
                    humidities.push(USUAL_HUMIDITY);
                }
                humidities.iter().filter_map(|h| self.at(room_c, *h, over)).collect()
            }
            None => {
                let water_c = self.water_c(None, over)?;
                let heaters = (0..self.layout.drives.len()).filter(|d| self.layout.drives[*d].is_heater);
                let is_heated = heaters.map(|d| over.duty(d)).fold(0.0, f64::max) > HEATED_DUTY;
                let fits = |mean_c: f64| {
                    if is_heated { mean_c < water_c } else { mean_c > water_c - WARMER_BY_GEAR_K }
                };
                let climates = &self.layout.climates;
                let some: Vec<_> = climates.iter().filter(|c| fits(c.mean_c)).collect();
                let used = if some.is_empty() { climates.iter().collect() } else { some };
                used.iter().filter_map(|c| self.at(c.mean_c, c.humidity, over)).collect()
            }
        };
        let usual = *rates.first()?;
        Some(Band {
            low: rates.iter().copied().fold(usual, f64::min) * (1.0 - EVAPORATION_SPREAD),
            usual,
            high: rates.iter().copied().fold(usual, f64::max) * (1.0 + EVAPORATION_SPREAD),
        })
    }

    fn room_c(&self, over: &Span) -> Option<f64> {
        middle(self.layout.of_kind(Kind::Room).filter_map(|s| over.mean(s)).collect())
    }
}

/// Median of what is a number; of an even count the mean of the middle two. None of nothing.
pub fn middle(mut values: Vec<f64>) -> Option<f64> {
    values.retain(|v| v.is_finite());
    values.sort_by(f64::total_cmp);
    let n = values.len();
    match n {
        0 => None,
        _ if n % 2 == 1 => values.get(n / 2).copied(),
        _ => Some(0.5 * (values[n / 2 - 1] + values[n / 2])),
    }
}
