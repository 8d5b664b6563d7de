//! Properties of seawater for tanks: salinity, density, heat, vapour, oxygen, the carbonate system and limewater.
//!
//! Pure functions of `f64` without state. Every name carries its unit where that is not SI; temperatures are
//! ITS-90 in degC, salinity is practical salinity (PSS-78), amounts are per kilogram of seawater. Each function
//! names its source and validity range. Outside its range a function still gives a finite value for finite input
//! (salinity is held inside 0-120 and temperature inside -20..90 degC first), and [`validity`] lists which ranges a
//! state leaves, so that a caller can warn.
//!
//! **The same bits on every machine.** Only `libm` and the four operations with square root are used; no function
//! of the platform's mathematics library, no fused operations.
//!
//! **Why not the `gsw` crate** (0.2.3 examined): it is well kept, `no_std`, and uses `libm` too, but of what a tank
//! needs it holds only practical salinity and density. Heat capacity at a given temperature, oxygen solubility,
//! vapour pressure and the carbonate system are missing; density takes conservative temperature and a `Result`
//! through a 75-term polynomial, 55 ns a call against 8 ns for EOS-80 on one machine, for 0.006 kg/m³, a hundredth of what a
//! hobby hydrometer resolves; and it brings complex numbers as a dependency. So the equations stand here, and `gsw`
//! is a dev-dependency with which the tests compare salinity and density.
//!
//! ```
//! use seawater::carbonate::{BoronRatio, Constants, Known, natural_calcium_umol_per_kg};
//!
//! let constants = Constants::at(35.0, 25.0, BoronRatio::Uppstrom1974);
//! let calcium = natural_calcium_umol_per_kg(35.0);
//! let water = constants.solve(Known::Alkalinity(2300.0), Known::Dic(2000.0), calcium)?;
//! assert!((water.ph_total - 8.046).abs() < 0.002);
//! # Ok::<(), seawater::carbonate::CarbonateError>(())
//! ```

pub mod alkalinity;
pub mod carbonate;
pub mod density;
pub mod heat;
pub mod limewater;
pub mod oxygen;
pub mod salinity;
pub mod validity;
pub mod vapour;
pub mod water;

/// Standard atmosphere, Pa.
pub const STANDARD_ATMOSPHERE_PA: f64 = 101_325.0;

/// 0 degC in kelvin.
pub const KELVIN_AT_ZERO_C: f64 = 273.15;

/// Reference-composition salinity in g/kg over practical salinity (Millero et al. 2008). A tank has no position in
/// the ocean, so no anomaly is added.
pub const ABSOLUTE_PER_PRACTICAL: f64 = 35.165_04 / 35.0;

/// The salinities that every function accepts as they are.
const SALINITY_HELD: (f64, f64) = (0.0, 120.0);
/// The temperatures that every function accepts as they are, degC.
const TEMPERATURE_HELD_C: (f64, f64) = (-20.0, 90.0);

/// Salinity and temperature held where all equations stay finite.
pub(crate) fn held(salinity: f64, temperature_c: f64) -> (f64, f64) {
    (salinity.clamp(SALINITY_HELD.0, SALINITY_HELD.1), held_temperature(temperature_c))
}

pub(crate) fn held_temperature(temperature_c: f64) -> f64 {
    temperature_c.clamp(TEMPERATURE_HELD_C.0, TEMPERATURE_HELD_C.1)
}

/// ITS-90 to IPTS-68 in degC (Saunders 1990): the scale of every equation older than 1990.
pub(crate) fn t68_from_t90(temperature_c: f64) -> f64 {
    1.000_24 * temperature_c
}

/// A polynomial with coefficients from the constant upward, by Horner's rule.
pub(crate) fn polynomial(coefficients: &[f64], x: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c)
}
