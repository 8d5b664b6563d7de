//! Quantities: a number with the kind of thing it measures, read from metric or US text and shown in either.
//!
//! Everything a person writes with a unit goes through here once: [`Quantity::parse`] reads the text, checks that
//! the unit is known and of the right kind, and turns it into the kind's base unit (SI, with the exceptions that
//! [`Kind`] names). From then on the rest of the code reckons with plain `f64` in base units.
//!
//! ```
//! use units::{Kind, Quantity, UnitSystem, show};
//!
//! let volume = Quantity::parse_as("100 gal", Kind::Volume)?;
//! assert_eq!(volume.value, 0.3785411784);
//! assert_eq!(show(volume, UnitSystem::Metric), "378.5 L");
//!
//! let wrong = Quantity::parse_as("0.4 degC", Kind::TemperatureDifference).unwrap_err();
//! assert_eq!(&"0.4 degC"[wrong.span.clone()], "degC");
//! # Ok::<(), units::UnitError>(())
//! ```

mod error;
mod kind;
mod parse;
mod show;
mod table;

pub use error::{Problem, UnitError};
pub use kind::Kind;
pub use show::{show, show_in};
pub use table::{Unit, UnitSystem};

/// A value in its kind's base unit, and the kind.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quantity {
    /// The value in the base unit that [`Kind`] names.
    pub value: f64,
    /// What the value measures.
    pub kind: Kind,
}

impl Quantity {
    /// A value that is already in the base unit of `kind`.
    pub const fn new(value: f64, kind: Kind) -> Self {
        Self { value, kind }
    }

    /// Reads a number with its unit; the unit decides the kind. White space around is ignored, the space between
    /// number and unit may be missing, fractions (`1/2 in`, `1 1/2 in`) and sums (`1 h 30 min`) are understood.
    ///
    /// # Errors
    ///
    /// What is wrong, with the bytes where: no number, no unit, an unknown unit, a number too large.
    pub fn parse(text: &str) -> Result<Self, UnitError> {
        parse::parse(text, None)
    }

    /// Reads a quantity that must be of one kind; only then may the unit of a ratio, a salinity or a pH be left out.
    ///
    /// # Errors
    ///
    /// As [`Quantity::parse`], and a unit of another kind.
    pub fn parse_as(text: &str, kind: Kind) -> Result<Self, UnitError> {
        parse::parse(text, Some(kind))
    }

    /// `x` of the unit so spelled; `None` if no unit is.
    pub fn from_unit(x: f64, unit: &str) -> Option<Self> {
        parse::find_unit(unit).map(|unit| Self { value: unit.to_base(x), kind: unit.kind })
    }

    /// How many of the unit so spelled this is; `None` if the unit is unknown or of another kind.
    pub fn in_unit(self, unit: &str) -> Option<f64> {
        parse::find_unit(unit).filter(|unit| unit.kind == self.kind).map(|unit| unit.from_base(self.value))
    }

    /// The value if this is of `kind`.
    pub fn value_as(self, kind: Kind) -> Option<f64> {
        (self.kind == kind).then_some(self.value)
    }
}

impl std::str::FromStr for Quantity {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        Self::parse(text)
    }
}

impl std::fmt::Display for Quantity {
    /// The metric form of [`show`].
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&show(*self, UnitSystem::Metric))
    }
}

/// The unit so spelled, in any of its spellings; `None` if none is.
pub fn unit(spelling: &str) -> Option<&'static Unit> {
    parse::find_unit(spelling)
}
