//! Pure laws of water, heat and gas for tanks: equations only, no state, no file, no clock.
//!
//! Every argument and result is `f64` in SI units (m, m², m³/s, s, K or °C as stated, W, Pa), except where a doc
//! comment names another unit. Properties of the water (density, viscosity, latent heat, vapour pressure, oxygen
//! saturation) are arguments, so the laws stay pure and cheap; [`conditions`] takes them from the `seawater` crate.
//!
//! * [`fast`] holds what a simulator calls every step: flow together with its derivatives, square roots only.
//! * [`weir`], [`pipe`], [`orifice`], [`standpipe`], [`pump`] hold the laws with their sources, their exact inverses,
//!   and the constructors that reduce a described part to the coefficients `fast` uses.
//! * [`air`], [`heat`], [`evaporation`], [`hood`] hold moist air, films, walls, lumped tanks, the open surface and air that is shut in
//!   over it.
//! * [`conditions`] fills the property arguments from salinity and temperature.
//! * [`gas`] holds gas transfer and oxygen depletion.
//!
//! # Results are the same bits on every machine
//!
//! Only `+ - * /`, `sqrt` (exact by IEEE 754) and the functions of the `libm` crate are used; no fused
//! multiply-add, no platform `exp` or `pow`. Iterations stop by a rule that depends on the numbers alone.
//!
//! # Inputs out of range
//!
//! No function panics. A negative head or size is read as zero unless the doc comment gives it a meaning (reverse flow).
//! NaN in gives NaN or zero out. Each law states where it was validated; outside it still answers, and the error grows.

pub mod air;
pub mod conditions;
pub mod evaporation;
pub mod fast;
pub mod gas;
pub mod heat;
pub mod hood;
pub mod orifice;
pub mod pipe;
pub mod pump;
mod solve;
pub mod standpipe;
pub mod weir;

/// Standard gravity, m/s² (3rd CGPM, 1901).
pub const GRAVITY: f64 = 9.806_65;

/// Square root of `2 g`, m^½/s: the factor of every free-discharge law.
pub const SQRT_TWO_GRAVITY: f64 = 4.428_690_551_393_267;

/// Standard atmosphere, Pa.
pub const ATMOSPHERE: f64 = 101_325.0;

/// 0 °C in kelvin.
pub const ZERO_CELSIUS: f64 = 273.15;

/// Area of a circle of the given diameter, m².
#[inline]
pub fn circle_area(diameter: f64) -> f64 {
    core::f64::consts::FRAC_PI_4 * diameter * diameter
}

/// `(1 - exp(-x)) / x`, equal to 1 at zero: the share of a constant push that a decaying quantity keeps.
///
/// Writing exact exponential steps with it keeps them valid down to a decay rate of zero.
pub(crate) fn decay_share(x: f64) -> f64 {
    if x.abs() < 1e-300 { 1.0 } else { -libm::expm1(-x) / x }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn constants_agree() {
        assert_eq!(SQRT_TWO_GRAVITY, (2.0 * GRAVITY).sqrt());
        assert!((decay_share(1e-9) - 1.0).abs() < 1e-9);
        assert_eq!(decay_share(0.0), 1.0);
        assert_eq!(decay_share(f64::INFINITY), 0.0);
    }
}
