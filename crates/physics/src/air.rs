//! Room air: dry-air properties for films, and moist air (humidity ratio, density, wet bulb, dew point).
//!
//! Temperatures in °C, pressures in Pa. Saturation pressures are arguments, or a function of temperature where one is
//! needed at several temperatures.

use crate::solve::root;
use crate::{ATMOSPHERE, ZERO_CELSIUS};

/// Molar mass of water over that of dry air (ASHRAE Handbook Fundamentals).
pub const MASS_RATIO: f64 = 0.621_945;

/// Gas constant of dry air, J/(kg K) (ASHRAE Handbook Fundamentals).
pub const GAS_CONSTANT: f64 = 287.042;

/// Heat capacity of air at constant pressure, J/(kg K).
pub const HEAT_CAPACITY: f64 = 1006.0;

/// Inverse of [`MASS_RATIO`] as printed in the ASHRAE equation of specific volume.
const VAPOUR_SWELL: f64 = 1.607_858;

/// What natural convection needs to know of a fluid at its film temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FilmFluid {
    /// Thermal conductivity, W/(m K).
    pub conductivity: f64,
    /// Kinematic viscosity, m²/s.
    pub kinematic_viscosity: f64,
    /// Prandtl number.
    pub prandtl: f64,
    /// Thermal expansion, 1/K.
    pub expansion: f64,
}

impl FilmFluid {
    /// From a fluid's usual properties: density kg/m³, viscosity Pa s, heat capacity J/(kg K), conductivity W/(m K),
    /// expansion 1/K. For seawater at 25 °C: 1023.3, 0.959e-3, 3999, 0.603, 2.97e-4.
    pub fn new(density: f64, viscosity: f64, heat_capacity: f64, conductivity: f64, expansion: f64) -> Self {
        Self {
            conductivity,
            kinematic_viscosity: viscosity / density,
            prandtl: viscosity * heat_capacity / conductivity,
            expansion,
        }
    }

    /// Dry air at one atmosphere and a film temperature in °C.
    pub fn dry_air(temperature: f64) -> Self {
        let kelvin = temperature + ZERO_CELSIUS;
        Self::new(
            ATMOSPHERE / (GAS_CONSTANT * kelvin),
            viscosity(temperature),
            HEAT_CAPACITY,
            conductivity(temperature),
            1.0 / kelvin,
        )
    }
}

/// Viscosity of air, Pa s: Sutherland's law as in the U.S. Standard Atmosphere 1976, `1.458e-6 T^1.5/(T + 110.4)`.
pub fn viscosity(temperature: f64) -> f64 {
    let kelvin = temperature + ZERO_CELSIUS;
    1.458e-6 * kelvin * kelvin.max(0.0).sqrt() / (kelvin + 110.4)
}

/// Thermal conductivity of air, W/(m K): U.S. Standard Atmosphere 1976,
/// `2.64638e-3 T^1.5 / (T + 245.4 * 10^(-12/T))`.
pub fn conductivity(temperature: f64) -> f64 {
    let kelvin = temperature + ZERO_CELSIUS;
    2.646_38e-3 * kelvin * kelvin.max(0.0).sqrt() / (kelvin + 245.4 * libm::exp10(-12.0 / kelvin))
}

/// Humidity ratio, kg of vapour for each kg of dry air, from the vapour pressure: `0.621945 p/(P - p)` (ASHRAE).
pub fn humidity_ratio(vapour_pressure: f64, pressure: f64) -> f64 {
    MASS_RATIO * vapour_pressure / (pressure - vapour_pressure)
}

/// Vapour pressure from a humidity ratio, Pa; the inverse of [`humidity_ratio`].
pub fn vapour_pressure(humidity_ratio: f64, pressure: f64) -> f64 {
    pressure * humidity_ratio / (MASS_RATIO + humidity_ratio)
}

/// Volume of moist air for each kg of dry air, m³: `Rda T (1 + 1.607858 W)/P` (ASHRAE Fundamentals).
pub fn specific_volume(temperature: f64, humidity_ratio: f64, pressure: f64) -> f64 {
    GAS_CONSTANT * (temperature + ZERO_CELSIUS) * (1.0 + VAPOUR_SWELL * humidity_ratio) / pressure
}

/// Density of moist air, kg of mixture for each m³.
pub fn density(temperature: f64, humidity_ratio: f64, pressure: f64) -> f64 {
    (1.0 + humidity_ratio) / specific_volume(temperature, humidity_ratio, pressure)
}

/// Wet-bulb temperature over liquid water, °C, from the temperature, the vapour pressure and the saturation pressure as a
/// function of temperature.
///
/// ASHRAE Fundamentals: `W = ((2501 - 2.326 t*) Ws* - 1.006 (t - t*)) / (2501 + 1.86 t - 4.186 t*)`, solved to rounding.
/// For wet bulbs above 0 °C.
pub fn wet_bulb(
    temperature: f64,
    vapour_pressure: f64,
    pressure: f64,
    saturation: impl Fn(f64) -> f64,
) -> f64 {
    let actual = humidity_ratio(vapour_pressure, pressure);
    root(temperature - 50.0, temperature, |wet| {
        let saturated = humidity_ratio(saturation(wet), pressure);
        let balance = ((2501.0 - 2.326 * wet) * saturated - 1.006 * (temperature - wet))
            / (2501.0 + 1.86 * temperature - 4.186 * wet);
        balance - actual
    })
}

/// Dew point, °C: where `saturation` equals the vapour pressure; searched down to 100 K below `temperature`.
pub fn dew_point(temperature: f64, vapour_pressure: f64, saturation: impl Fn(f64) -> f64) -> f64 {
    root(temperature - 100.0, temperature, |t| saturation(t) - vapour_pressure)
}
