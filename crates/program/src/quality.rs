//! How far a value can be believed, and how that travels (IEC 62541 words: good, uncertain, bad).

/// Quality of a value; the order is from best to worst, so that the worst of several is their maximum.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[repr(u8)]
pub enum Quality {
    /// The value can be used as it is.
    #[default]
    Good = 0,
    /// The value stands in for a better one (a substitute, a degraded vote, an uncompensated reading).
    Uncertain = 1,
    /// The value must not be used.
    Bad = 2,
}

/// Code of [`Quality::Good`] in a slot.
pub const GOOD: u8 = Quality::Good as u8;
/// Code of [`Quality::Uncertain`] in a slot.
pub const UNCERTAIN: u8 = Quality::Uncertain as u8;
/// Code of [`Quality::Bad`] in a slot.
pub const BAD: u8 = Quality::Bad as u8;

impl Quality {
    /// The quality with this code; every code above 2 reads as bad.
    pub fn from_code(code: u8) -> Quality {
        match code {
            GOOD => Quality::Good,
            UNCERTAIN => Quality::Uncertain,
            _ => Quality::Bad,
        }
    }
}

/// A value with its quality, as an input conversion or a number slot gives it. A bad sample has the value 0.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Sample {
    /// The value in the fixed scale of its signal (m°C, milli-pH, µm, mL, ms, permille).
    pub value: i32,
    /// How far it can be believed.
    pub quality: Quality,
}

impl Sample {
    /// A value that can be used as it is.
    pub const fn good(value: i32) -> Sample {
        Sample { value, quality: Quality::Good }
    }

    /// A value that stands in for a better one.
    pub const fn uncertain(value: i32) -> Sample {
        Sample { value, quality: Quality::Uncertain }
    }

    /// No value.
    pub const BAD: Sample = Sample { value: 0, quality: Quality::Bad };
}

/// Bit 0 of a bit slot is its value, bits 1 and 2 its quality: this packs the two.
#[inline]
pub const fn pack_bit(value: bool, quality: Quality) -> u8 {
    value as u8 | (quality as u8) << 1
}

/// Value and quality of a bit slot.
#[inline]
pub fn unpack_bit(slot: u8) -> (bool, Quality) {
    (slot & 1 == 1, Quality::from_code(slot >> 1))
}
