//! Gas transfer through the water surface and oxygen depletion, both as exact solutions.
//!
//! `dC/dt = kLa (C* - C) + S` with a constant source S (negative for respiration). Concentrations in one unit throughout
//! (mg/L here), rates per unit time; the time unit of `kLa` and of the source must agree (both per hour, or both per second).

use crate::decay_share;

/// Temperature factor of kLa for each kelvin: ASCE/EWRI 2-06, 5 to 30 °C.
pub const TEMPERATURE_FACTOR: f64 = 1.024;

/// kLa of CO2 over that of O2 in agitated water: Schmidt numbers of Wanninkhof 2014 (S = 35) to the power -1/2.
pub const CO2_AGITATED: f64 = 0.92;

/// kLa of CO2 over that of O2 at a smooth surface: the same to the power -2/3.
pub const CO2_SMOOTH: f64 = 0.90;

/// kLa at a water temperature (°C) from its value at 20 °C: `kLa20 1.024^(t-20)` (ASCE/EWRI 2-06; 5-30 °C).
pub fn transfer_at(transfer_at_20: f64, temperature: f64) -> f64 {
    transfer_at_20 * libm::pow(TEMPERATURE_FACTOR, temperature - 20.0)
}

/// kLa from a film coefficient (m per unit time), the surface (m²) and the volume (m³): `k A / V`; zero without water.
pub fn transfer_from_film(coefficient: f64, surface: f64, volume: f64) -> f64 {
    if volume > 0.0 { coefficient * surface / volume } else { 0.0 }
}

/// Ratio of transfer coefficients of two gases from their Schmidt numbers: `(Sc1/Sc2)^-n`, n 1/2 agitated, 2/3 smooth.
pub fn transfer_ratio(schmidt: f64, schmidt_reference: f64, exponent: f64) -> f64 {
    libm::pow(schmidt / schmidt_reference, -exponent)
}

/// Concentration after a time, exactly; `source` is negative for consumption. Holds for `transfer` = 0.
///
/// The result can be negative when consumption is held constant past exhaustion; the caller decides what that means.
pub fn step(start: f64, saturation: f64, transfer: f64, source: f64, time: f64) -> f64 {
    let rate = transfer * (saturation - start) + source;
    start + rate * time * decay_share(transfer * time)
}

/// Concentration that transfer and a constant source settle at: `C* + S/kLa`; infinite (signed) without transfer.
pub fn steady(saturation: f64, transfer: f64, source: f64) -> f64 {
    if source == 0.0 { saturation } else { saturation + source / transfer }
}

/// Time until the concentration reaches a limit, or `None` if it never does.
///
/// `t = -ln((C_lim - C_ss)/(C0 - C_ss)) / kLa`, and `(C_lim - C0)/S` without transfer. Zero if already there. Works in both
/// directions, falling under respiration or rising towards saturation.
pub fn time_to_reach(limit: f64, start: f64, saturation: f64, transfer: f64, source: f64) -> Option<f64> {
    let way = limit - start;
    if way == 0.0 {
        return Some(0.0);
    }
    let rate = transfer * (saturation - start) + source;
    // With x = kLa way / rate the solution is t = -ln(1 - x) / kLa, which stays exact as kLa goes to zero.
    let needed = way / rate;
    if needed.is_nan() || needed <= 0.0 || !needed.is_finite() {
        return None;
    }
    let x = transfer * needed;
    if x >= 1.0 {
        None
    } else if x.abs() < 1e-300 {
        Some(needed)
    } else {
        Some(-libm::log1p(-x) / transfer)
    }
}

/// Time until oxygen falls to a limit under a constant demand (positive, mg/L per unit time), or `None` if it never does.
///
/// The closed form behind "how long without circulation". The demand of animals stays near constant above their critical
/// level, roughly 15-35 % of air saturation (handbook value, from memory). Zero if already at or below.
pub fn depletion_time(limit: f64, start: f64, saturation: f64, transfer: f64, demand: f64) -> Option<f64> {
    if start <= limit { Some(0.0) } else { time_to_reach(limit, start, saturation, transfer, -demand) }
}
