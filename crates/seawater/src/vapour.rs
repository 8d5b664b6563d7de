//! Water vapour: saturation pressure, what salt takes off it, and the heat of evaporation.

use crate::{KELVIN_AT_ZERO_C, held, held_temperature};

/// Saturation pressure over liquid fresh water, Pa.
///
/// Source: Hyland & Wexler (1983), as in ASHRAE Fundamentals. Valid 0-200 degC; within 0.03 % of IAPWS-95.
pub fn saturation_pressure_pa(temperature_c: f64) -> f64 {
    let t = held_temperature(temperature_c) + KELVIN_AT_ZERO_C;
    libm::exp(
        -5800.2206 / t + 1.391_499_3 - t * (0.048_640_239 - t * (4.176_476_8e-5 - t * 1.445_209_3e-8))
            + 6.545_967_3 * libm::log(t),
    )
}

/// Activity of water in seawater: its vapour pressure over that of fresh water.
///
/// Source: Weiss & Price (1980). 0.98114 at S = 35, where TEOS-10 gives 0.98131.
pub fn water_activity(salinity: f64) -> f64 {
    let (s, _) = held(salinity, 0.0);
    libm::exp(-0.000_544 * s)
}

/// Vapour pressure over seawater, Pa: [`water_activity`] times [`saturation_pressure_pa`].
pub fn vapour_pressure_pa(salinity: f64, temperature_c: f64) -> f64 {
    water_activity(salinity) * saturation_pressure_pa(temperature_c)
}

/// Latent heat of evaporation, J/kg.
///
/// The usual straight line 2501 - 2.37 t kJ/kg; within 0.05 % of IAPWS-95 between 5 and 40 degC.
pub fn latent_heat_j_per_kg(temperature_c: f64) -> f64 {
    2.501e6 - 2370.0 * held_temperature(temperature_c)
}

/// Partial pressure in µatm of a gas whose mole fraction in dry air is known, over water at this temperature: air
/// at the surface is saturated, so `x (P - pH2O)`; at 25 degC that is 3 % less than a meter for dry air suggests.
pub fn wet_partial_pressure_uatm(dry_ppm: f64, pressure_pa: f64, salinity: f64, temperature_c: f64) -> f64 {
    let dry_pa = (pressure_pa - vapour_pressure_pa(salinity, temperature_c)).max(0.0);
    dry_ppm * dry_pa / crate::STANDARD_ATMOSPHERE_PA
}
