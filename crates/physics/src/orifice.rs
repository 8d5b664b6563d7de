//! Orifices and short tubes: `Q = Cd A sqrt(2 g h)`, and Torricelli's drain time.

use crate::SQRT_TWO_GRAVITY;

/// Discharge coefficient of a sharp-edged hole (common textbook value, from memory).
pub const SHARP_EDGED: f64 = 0.61;

/// Discharge coefficient of a short tube, two to three diameters long (common textbook value, from memory).
pub const SHORT_TUBE: f64 = 0.82;

/// `Cd A sqrt(2 g)`, m^2.5/s: the coefficient for [`crate::fast::orifice`] and [`crate::fast::hole`].
pub fn conductance(coefficient: f64, area: f64) -> f64 {
    coefficient * area * SQRT_TWO_GRAVITY
}

/// Flow through an orifice under a head (m), m³/s; negative for a negative head.
///
/// Torricelli's law with a discharge coefficient, free or drowned: the head is the level over the centre, or the
/// difference of the two levels when both cover it. The slope is infinite at zero; see [`crate::fast::orifice`].
pub fn flow(coefficient: f64, area: f64, head: f64) -> f64 {
    let size = conductance(coefficient, area) * head.abs().sqrt();
    if head < 0.0 { -size } else { size }
}

/// Head for a flow through an orifice, m; the inverse of [`flow`], odd in the flow. Infinite if the hole is shut.
pub fn head(coefficient: f64, area: f64, flow: f64) -> f64 {
    if flow == 0.0 {
        return 0.0;
    }
    let root = flow / conductance(coefficient, area);
    root * root.abs()
}

/// Time for a prismatic tank to fall from one head to a lower one through an orifice, s.
///
/// `t = 2 A (sqrt(h0) - sqrt(h1)) / (Cd a sqrt(2g))` (Torricelli). Heads over the hole in m, areas in m². Zero if `to` is
/// not below `from`; a negative `to` is read as 0.
pub fn drain_time(tank_area: f64, coefficient: f64, hole_area: f64, from: f64, to: f64) -> f64 {
    let fall = from.max(0.0).sqrt() - to.max(0.0).sqrt();
    if fall > 0.0 { 2.0 * tank_area * fall / conductance(coefficient, hole_area) } else { 0.0 }
}
