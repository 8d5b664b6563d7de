//! Practical salinity from conductivity and back, PSS-78.
//!
//! Source: UNESCO Technical Papers in Marine Science 44 (Fofonoff & Millard 1983), at atmospheric pressure; below S = 2
//! the extension of Hill, Dauphinee & Woods (1986). Valid S 2-42 (0-42 with the extension), t -2..35 degC.

use crate::{held, polynomial, t68_from_t90};

/// Conductivity of standard seawater (S = 35, 15 degC IPTS-68, one atmosphere), mS/cm.
pub const STANDARD_CONDUCTIVITY_MS_PER_CM: f64 = 42.914;

/// What conductivity probes with a fixed compensation assume, per kelvin of the conductivity at 25 degC.
pub const USUAL_COMPENSATION_PER_K: f64 = 0.02;

const A: [f64; 6] = [0.0080, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081];
const B: [f64; 6] = [0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144];
const RT: [f64; 5] = [0.676_609_7, 2.005_64e-2, 1.104_259e-4, -6.9698e-7, 1.0031e-9];
/// The square root of the ratio Rt at which the search for the inverse ends; far above salinity 120.
const LARGEST_ROOT: f64 = 2.5;
/// Below this salinity the extension of Hill et al. takes over.
const LEAST_PSS78: f64 = 2.0;

/// Practical salinity of water of this conductivity (mS/cm, as it is at this temperature, not compensated).
pub fn salinity_from_conductivity(conductivity_ms_per_cm: f64, temperature_c: f64) -> f64 {
    salinity_from_ratio(conductivity_ms_per_cm / STANDARD_CONDUCTIVITY_MS_PER_CM, temperature_c)
}

/// Conductivity in mS/cm of water of this practical salinity at this temperature.
pub fn conductivity_ms_per_cm(salinity: f64, temperature_c: f64) -> f64 {
    STANDARD_CONDUCTIVITY_MS_PER_CM * ratio_from_salinity(salinity, temperature_c)
}

/// Practical salinity from the ratio R of the conductivity to that of standard seawater.
pub fn salinity_from_ratio(ratio: f64, temperature_c: f64) -> f64 {
    let (_, temperature_c) = held(0.0, temperature_c);
    let t68 = t68_from_t90(temperature_c);
    let root = (ratio.max(0.0) / polynomial(&RT, t68)).sqrt();
    salinity_from_root(root.min(LARGEST_ROOT), t68).max(0.0)
}

/// The ratio R of the conductivity to that of standard seawater, from practical salinity.
pub fn ratio_from_salinity(salinity: f64, temperature_c: f64) -> f64 {
    // Half a unit in the last digit of a double at salinity 120, times a few.
    const CLOSE_ENOUGH: f64 = 1e-12;
    const MOST_STEPS: usize = 60;

    let (salinity, temperature_c) = held(salinity, temperature_c);
    let t68 = t68_from_t90(temperature_c);
    let (mut low, mut high) = (0.0, LARGEST_ROOT);
    let mut root = (salinity / 35.0).sqrt();
    let mut excess_before = f64::INFINITY;
    for _ in 0..MOST_STEPS {
        let excess = salinity_from_root(root, t68) - salinity;
        if excess.abs() < CLOSE_ENOUGH {
            break;
        }
        if excess > 0.0 {
            high = root;
        } else {
            low = root;
        }
        // In nearly fresh water the slope is wrong, and Newton's steps alone can creep for ever.
        let gains = excess.abs() < 0.5 * excess_before;
        excess_before = excess.abs();
        let newton = root - excess / slope(root, t68);
        root = if gains && newton > low && newton < high { newton } else { 0.5 * (low + high) };
    }
    root * root * polynomial(&RT, t68)
}

/// What a probe with a fixed linear compensation to 25 degC shows for water that conducts this much (mS/cm).
pub fn compensated_to_25c(conductivity_ms_per_cm: f64, temperature_c: f64, per_k: f64) -> f64 {
    conductivity_ms_per_cm / (1.0 + per_k * (temperature_c - 25.0))
}

fn temperature_term(t68: f64) -> f64 {
    (t68 - 15.0) / (1.0 + 0.0162 * (t68 - 15.0))
}

fn salinity_from_root(root: f64, t68: f64) -> f64 {
    let salinity = pss78(root, t68);
    if salinity >= LEAST_PSS78 {
        return salinity;
    }
    // Scaled so that the extension meets PSS-78 at S = 2, as TEOS-10 does.
    let mut at_least: f64 = 0.25;
    for _ in 0..6 {
        at_least -= (pss78(at_least, t68) - LEAST_PSS78) / slope(at_least, t68);
    }
    (salinity - hill(root, t68)) * LEAST_PSS78 / (LEAST_PSS78 - hill(at_least, t68))
}

fn pss78(root: f64, t68: f64) -> f64 {
    polynomial(&A, root) + temperature_term(t68) * polynomial(&B, root)
}

/// What Hill et al. take off PSS-78 in nearly fresh water, so that nought conductivity is nought salinity.
fn hill(root: f64, t68: f64) -> f64 {
    let (x, root_y) = (400.0 * root * root, 10.0 * root);
    A[0] / (1.0 + x * (1.5 + x))
        + B[0] * temperature_term(t68) / (1.0 + root_y * (1.0 + root_y * (1.0 + root_y)))
}

/// Slope of PSS-78 with the root of the ratio; that of the extension is left out, since the search is safeguarded.
fn slope(root: f64, t68: f64) -> f64 {
    let derivative = |c: &[f64; 6]| polynomial(&[c[1], 2.0 * c[2], 3.0 * c[3], 4.0 * c[4], 5.0 * c[5]], root);
    derivative(&A) + temperature_term(t68) * derivative(&B)
}
