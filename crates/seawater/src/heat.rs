//! Heat capacity, viscosity and thermal conductivity of seawater at one atmosphere.

use crate::{ABSOLUTE_PER_PRACTICAL, KELVIN_AT_ZERO_C, held, polynomial, t68_from_t90};

/// Specific heat capacity in J/(kg K).
///
/// Source: Millero, Perron & Desnoyers (1973), printed in UNESCO 44. Valid S 0-40, t 0-35 degC; within 0.1 % of TEOS-10.
pub fn heat_capacity_j_per_kg_k(salinity: f64, temperature_c: f64) -> f64 {
    const WATER: [f64; 5] = [4217.4, -3.720_283, 0.141_285_5, -2.654_387e-3, 2.093_236e-5];
    const LINEAR: [f64; 3] = [-7.643_575, 0.107_276_3, -1.383_85e-3];
    const ROOT: [f64; 3] = [0.177_038_3, -4.077_18e-3, 5.148e-5];
    let (s, t) = held(salinity, temperature_c);
    let t = t68_from_t90(t);
    polynomial(&WATER, t) + s * (polynomial(&LINEAR, t) + polynomial(&ROOT, t) * s.sqrt())
}

/// Dynamic viscosity in Pa s.
///
/// Source: Sharqawy, Lienhard & Zubair (2010), eqs. 22-23. Valid 0-180 degC, 0-150 g/kg, to 1.5 %.
pub fn viscosity_pa_s(salinity: f64, temperature_c: f64) -> f64 {
    let (s, t) = held(salinity, temperature_c);
    let x = s * ABSOLUTE_PER_PRACTICAL / 1000.0;
    let shifted = t + 64.993;
    let water = 4.2844e-5 + 1.0 / (0.157 * shifted * shifted - 91.296);
    let a = polynomial(&[1.541, 1.998e-2, -9.52e-5], t);
    let b = polynomial(&[7.974, -7.561e-2, 4.724e-4], t);
    water * (1.0 + x * (a + b * x))
}

/// Thermal conductivity in W/(m K).
///
/// Source: Jamieson & Tudhope (1970) as given by Sharqawy, Lienhard & Zubair (2010), eq. 13 (coefficients from memory,
/// confirmed against CoolProp within 1 %). Valid 0-180 degC, 0-160 g/kg, to 3 %.
pub fn thermal_conductivity_w_per_m_k(salinity: f64, temperature_c: f64) -> f64 {
    let (s, t) = held(salinity, temperature_c);
    let (sa, kelvin) = (s * ABSOLUTE_PER_PRACTICAL, t + KELVIN_AT_ZERO_C);
    let shape = libm::cbrt(1.0 - kelvin / (647.0 + 0.03 * sa));
    let decades = 0.434 * (2.3 - (343.5 + 0.037 * sa) / kelvin) * shape;
    (240.0 + 0.0002 * sa) * libm::exp(decades * std::f64::consts::LN_10) / 1000.0
}
