//! Density of seawater at one atmosphere, and specific gravity as hydrometers give it.
//!
//! Source: EOS-80 at one atmosphere, Millero & Poisson (1981), printed in UNESCO 36 and 44. Valid S 0-42, t -2..40 degC,
//! standard error 3.6e-3 kg/m³; TEOS-10 differs by at most 0.006 kg/m³ there.

use crate::{held, polynomial, t68_from_t90};

const WATER: [f64; 6] = [999.842_594, 6.793_952e-2, -9.095_290e-3, 1.001_685e-4, -1.120_083e-6, 6.536_332e-9];
const LINEAR: [f64; 5] = [0.824_493, -4.0899e-3, 7.6438e-5, -8.2467e-7, 5.3875e-9];
const ROOT: [f64; 3] = [-5.724_66e-3, 1.0227e-4, -1.6546e-6];
const SQUARE: f64 = 4.8314e-4;

/// Density in kg/m³.
pub fn density_kg_per_m3(salinity: f64, temperature_c: f64) -> f64 {
    let (s, t) = held(salinity, temperature_c);
    let t = t68_from_t90(t);
    polynomial(&WATER, t) + s * (polynomial(&LINEAR, t) + polynomial(&ROOT, t) * s.sqrt() + SQUARE * s)
}

/// Thermal expansion -(1/rho) d rho/dt in 1/K, the derivative of [`density_kg_per_m3`].
pub fn thermal_expansion_per_k(salinity: f64, temperature_c: f64) -> f64 {
    let (s, t) = held(salinity, temperature_c);
    let t68 = t68_from_t90(t);
    let (w, a, b) = (&WATER, &LINEAR, &ROOT);
    let water = polynomial(&[w[1], 2.0 * w[2], 3.0 * w[3], 4.0 * w[4], 5.0 * w[5]], t68);
    let linear = polynomial(&[a[1], 2.0 * a[2], 3.0 * a[3], 4.0 * a[4]], t68);
    let root = polynomial(&[b[1], 2.0 * b[2]], t68);
    -1.000_24 * (water + s * (linear + root * s.sqrt())) / density_kg_per_m3(s, t)
}

/// Which water is weighed against which: the sample at one temperature over fresh water at another. Trade
/// hydrometers are marked 25/25, 20/20, 60F/60F or 20/4; without the mark a reading is worth little.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GravityScale {
    /// Temperature of the sample for which the instrument is made, degC.
    pub sample_c: f64,
    /// Temperature of the fresh water it is compared with, degC.
    pub water_c: f64,
}

impl GravityScale {
    /// 25 degC over 25 degC, today's usual hobby hydrometer.
    pub const AT_25_25: Self = Self { sample_c: 25.0, water_c: 25.0 };
    /// 20 degC over 20 degC, refractometers.
    pub const AT_20_20: Self = Self { sample_c: 20.0, water_c: 20.0 };
    /// 60 degF over 60 degF, older instruments.
    pub const AT_60F_60F: Self = Self { sample_c: 140.0 / 9.0, water_c: 140.0 / 9.0 };
    /// 20 degC over 4 degC, laboratory glass.
    pub const AT_20_4: Self = Self { sample_c: 20.0, water_c: 4.0 };
    /// 25 degC over 4 degC, laboratory glass.
    pub const AT_25_4: Self = Self { sample_c: 25.0, water_c: 4.0 };
}

/// Specific gravity of water of this salinity at the scale's own temperatures.
pub fn specific_gravity(salinity: f64, scale: GravityScale) -> f64 {
    hydrometer_reading(salinity, scale, scale.sample_c)
}

/// Salinity of water of this specific gravity at the scale's own temperatures; 0 if it is lighter than fresh water.
pub fn salinity_from_specific_gravity(gravity: f64, scale: GravityScale) -> f64 {
    salinity_from_hydrometer(gravity, scale, scale.sample_c)
}

/// What a hydrometer of this scale reads in water that is not at the scale's temperature. Expansion of the glass
/// (about 2.5e-5 per kelvin in volume) is left out.
pub fn hydrometer_reading(salinity: f64, scale: GravityScale, temperature_c: f64) -> f64 {
    density_kg_per_m3(salinity, temperature_c) / density_kg_per_m3(0.0, scale.water_c)
}

/// Salinity from what a hydrometer of this scale reads in water at this temperature; the inverse of
/// [`hydrometer_reading`].
pub fn salinity_from_hydrometer(reading: f64, scale: GravityScale, temperature_c: f64) -> f64 {
    salinity_from_density(reading * density_kg_per_m3(0.0, scale.water_c), temperature_c)
}

/// Salinity of water of this density (kg/m³), between 0 and 120.
pub fn salinity_from_density(density: f64, temperature_c: f64) -> f64 {
    const MOST_STEPS: usize = 60;
    const CLOSE_ENOUGH: f64 = 1e-10;

    let (mut low, mut high) = crate::SALINITY_HELD;
    if density <= density_kg_per_m3(low, temperature_c) {
        return low;
    }
    if density >= density_kg_per_m3(high, temperature_c) {
        return high;
    }
    let mut salinity: f64 = 35.0;
    for _ in 0..MOST_STEPS {
        let excess = density_kg_per_m3(salinity, temperature_c) - density;
        if excess.abs() < CLOSE_ENOUGH {
            break;
        }
        if excess > 0.0 {
            high = salinity;
        } else {
            low = salinity;
        }
        let (s, t) = held(salinity, temperature_c);
        let t = t68_from_t90(t);
        let slope = polynomial(&LINEAR, t) + 1.5 * polynomial(&ROOT, t) * s.sqrt() + 2.0 * SQUARE * s;
        let newton = salinity - excess / slope;
        salinity = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
    }
    salinity
}
