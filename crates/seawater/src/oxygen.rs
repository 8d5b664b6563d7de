//! Oxygen that seawater holds in equilibrium with moist air, and how fast gases cross its surface.

use crate::density::density_kg_per_m3;
use crate::{KELVIN_AT_ZERO_C, STANDARD_ATMOSPHERE_PA, held, held_temperature, polynomial, t68_from_t90};

/// Molar mass of oxygen, g/mol.
pub const O2_G_PER_MOL: f64 = 31.9988;
/// Volume of a real mole of oxygen at 0 degC and one atmosphere, L/mol.
pub const O2_L_PER_MOL: f64 = 22.3914;

/// Oxygen at air saturation and one atmosphere, µmol/kg.
///
/// Source: Garcia & Gordon (1992) with the Benson & Krause coefficients. Valid S 0-42, t to 40 degC (IPTS-68 inside).
pub fn saturation_umol_per_kg(salinity: f64, temperature_c: f64) -> f64 {
    const TEMPERATURE: [f64; 6] = [5.808_71, 3.202_91, 4.178_87, 5.100_06, -9.866_43e-2, 3.803_69];
    const SALT: [f64; 4] = [-7.015_77e-3, -7.700_28e-3, -1.138_64e-2, -9.515_19e-3];
    let (s, t) = held(salinity, temperature_c);
    let t = t68_from_t90(t);
    let y = libm::log((298.15 - t) / (KELVIN_AT_ZERO_C + t));
    libm::exp(polynomial(&TEMPERATURE, y) + s * (polynomial(&SALT, y) - 2.759_15e-7 * s))
}

/// Oxygen at air saturation and one atmosphere, mg/L: [`saturation_umol_per_kg`] with the density.
pub fn saturation_mg_per_l(salinity: f64, temperature_c: f64) -> f64 {
    mg_per_l_from_umol_per_kg(saturation_umol_per_kg(salinity, temperature_c), salinity, temperature_c)
}

/// An amount of oxygen per mass of seawater as mass per volume.
pub fn mg_per_l_from_umol_per_kg(umol_per_kg: f64, salinity: f64, temperature_c: f64) -> f64 {
    umol_per_kg * density_kg_per_m3(salinity, temperature_c) * O2_G_PER_MOL * 1e-6
}

/// Oxygen at air saturation and one atmosphere, mL/L (gas at 0 degC and one atmosphere); times
/// [`O2_G_PER_MOL`] / [`O2_L_PER_MOL`] it is mg/L.
///
/// Source: Weiss (1970). Valid S 0-40, t -2..40 degC.
pub fn saturation_weiss_ml_per_l(salinity: f64, temperature_c: f64) -> f64 {
    let (s, t) = held(salinity, temperature_c);
    let u = (t68_from_t90(t) + KELVIN_AT_ZERO_C) / 100.0;
    libm::exp(
        -173.4292 + 249.6339 / u + 143.3483 * libm::log(u) - 21.8492 * u
            + s * (-0.033_096 + u * (0.014_259 - 0.0017 * u)),
    )
}

/// Oxygen at air saturation, mg/L, at an air pressure other than one atmosphere.
///
/// Source: Benson & Krause (1984) as in APHA 4500-O, with their pressure term. Valid S 0-40, t 0-40 degC,
/// 0.5-1.1 atmospheres.
pub fn saturation_at_pressure_mg_per_l(salinity: f64, temperature_c: f64, pressure_pa: f64) -> f64 {
    let (s, t) = held(salinity, temperature_c);
    let kelvin = t + KELVIN_AT_ZERO_C;
    let inverse = 1.0 / kelvin;
    let fresh = polynomial(&[-139.344_11, 1.575_701e5, -6.642_308e7, 1.243_800e10, -8.621_949e11], inverse);
    let salt = polynomial(&[1.7674e-2, -10.754, 2140.7], inverse);
    let at_one_atmosphere = libm::exp(fresh - s * salt);

    let vapour = vapour_pressure_green_carritt_pa(s, t) / STANDARD_ATMOSPHERE_PA;
    let second_virial = polynomial(&[9.75e-4, -1.426e-5, 6.436e-8], t);
    // With less pressure than the vapour's own the water would boil; no air is left to dissolve.
    let pressure = (pressure_pa / STANDARD_ATMOSPHERE_PA).max(vapour);
    at_one_atmosphere * (pressure - vapour) * (1.0 - second_virial * pressure)
        / ((1.0 - vapour) * (1.0 - second_virial))
}

/// Vapour pressure over seawater as Benson & Krause use it, Pa.
///
/// Source: Green & Carritt (1967). Valid S 0-40, t 0-40 degC.
pub fn vapour_pressure_green_carritt_pa(salinity: f64, temperature_c: f64) -> f64 {
    let (s, t) = held(salinity, temperature_c);
    let (kelvin, boiling) = (t + KELVIN_AT_ZERO_C, 373.16);
    let (up, down) = (1.0 - kelvin / boiling, 1.0 - boiling / kelvin);
    let exponent = 18.1973 * down + 3.1813e-7 * (1.0 - libm::exp(26.1205 * up))
        - 0.018_726 * (1.0 - libm::exp(8.039_45 * down))
        + 5.028_02 * libm::log(boiling / kelvin);
    (1.0 - 0.000_537 * s) * libm::exp(exponent) * STANDARD_ATMOSPHERE_PA
}

/// Schmidt number of oxygen in seawater of S = 35.
///
/// Source: Wanninkhof (2014), Table 1. Valid -2..40 degC.
pub fn schmidt_o2(temperature_c: f64) -> f64 {
    polynomial(&[1920.4, -135.6, 5.2122, -0.109_39, 0.000_937_77], held_schmidt(temperature_c))
}

/// Schmidt number of carbon dioxide in seawater of S = 35.
///
/// Source: Wanninkhof (2014), Table 1. Valid -2..40 degC.
pub fn schmidt_co2(temperature_c: f64) -> f64 {
    polynomial(&[2116.8, -136.25, 4.7353, -0.092_307, 0.000_755_5], held_schmidt(temperature_c))
}

/// How fast CO2 crosses the surface compared with oxygen, for an agitated surface (k ~ Sc^-1/2); 0.92 in a tank.
pub fn transfer_ratio_co2_to_o2(temperature_c: f64) -> f64 {
    (schmidt_o2(temperature_c) / schmidt_co2(temperature_c)).sqrt()
}

/// The quartic fits turn round above their range; they are held at its ends.
fn held_schmidt(temperature_c: f64) -> f64 {
    held_temperature(temperature_c).clamp(-2.0, 40.0)
}
