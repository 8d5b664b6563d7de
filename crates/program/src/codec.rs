//! How numbers stand in a program: short, exact, one form each.
//!
//! * unsigned: LEB128, seven bits a byte, least first, at most 32 bits, no needless last byte;
//! * decimal: an unsigned whose low two bits are a power of ten (1, 10, 100, 1000) and whose rest is a zigzag
//!   mantissa, so that 25 200 m°C takes two bytes;
//! * duration: an unsigned whose low two bits are a unit (ms, s, min, h) and whose rest is a count, so that
//!   0 to 31 of any unit takes one byte.

use crate::format::LoadError;
use crate::op::{BitRef, NumRef};

/// The longest duration a program may hold: 24 days, so that a timer plus one period never leaves `i32`.
pub const MAX_DURATION_MS: i32 = 24 * 86_400_000;

const UNIT_MS: [u32; 4] = [1, 1_000, 60_000, 3_600_000];
const TEN_TO: [i64; 4] = [1, 10, 100, 1_000];

/// Reads program bytes in order. Every read says where it failed.
#[derive(Clone, Debug)]
pub struct Reader<'a> {
    bytes: &'a [u8],
    at: usize,
    wide: bool,
}

impl<'a> Reader<'a> {
    /// Starts at `at`; `wide` programs have two-byte slot operands.
    pub fn new(bytes: &'a [u8], at: usize, wide: bool) -> Reader<'a> {
        Reader { bytes, at, wide }
    }

    /// Offset of the next byte.
    pub fn position(&self) -> usize {
        self.at
    }

    /// Whether every byte is read.
    pub fn is_at_end(&self) -> bool {
        self.at >= self.bytes.len()
    }

    /// One byte.
    #[inline]
    pub fn byte(&mut self) -> Result<u8, LoadError> {
        let byte = *self.bytes.get(self.at).ok_or(LoadError::Truncated { at: self.at })?;
        self.at += 1;
        Ok(byte)
    }

    /// `N` bytes.
    pub fn array<const N: usize>(&mut self) -> Result<[u8; N], LoadError> {
        let mut out = [0; N];
        for byte in &mut out {
            *byte = self.byte()?;
        }
        Ok(out)
    }

    /// An unsigned number.
    pub fn unsigned(&mut self) -> Result<u32, LoadError> {
        let at = self.at;
        let mut value = 0_u32;
        for shift in [0, 7, 14, 21, 28] {
            let byte = self.byte()?;
            let low = u32::from(byte & 0x7F);
            if shift == 28 && byte > 0x0F || shift > 0 && byte == 0 {
                return Err(LoadError::Number { at });
            }
            value |= low << shift;
            if byte < 0x80 {
                return Ok(value);
            }
        }
        Err(LoadError::Number { at })
    }

    /// A decimal constant.
    pub fn decimal(&mut self) -> Result<i32, LoadError> {
        let at = self.at;
        let raw = self.unsigned()?;
        let zigzag = raw >> 2;
        let mantissa = i64::from(zigzag >> 1) ^ -i64::from(zigzag & 1);
        i32::try_from(mantissa * TEN_TO[(raw & 3) as usize]).map_err(|_| LoadError::Number { at })
    }

    /// A decimal constant that must lie within `range`.
    pub fn decimal_in(&mut self, range: core::ops::RangeInclusive<i32>) -> Result<i32, LoadError> {
        let at = self.at;
        let value = self.decimal()?;
        if range.contains(&value) { Ok(value) } else { Err(LoadError::Range { at }) }
    }

    /// An unsigned number that must lie within `range`.
    pub fn unsigned_in(&mut self, range: core::ops::RangeInclusive<u32>) -> Result<u32, LoadError> {
        let at = self.at;
        let value = self.unsigned()?;
        if range.contains(&value) { Ok(value) } else { Err(LoadError::Range { at }) }
    }

    /// A duration in ms, at most [`MAX_DURATION_MS`].
    pub fn duration(&mut self) -> Result<i32, LoadError> {
        let at = self.at;
        let raw = self.unsigned()?;
        let ms = u64::from(raw >> 2) * u64::from(UNIT_MS[(raw & 3) as usize]);
        match i32::try_from(ms) {
            Ok(ms) if ms <= MAX_DURATION_MS => Ok(ms),
            _ => Err(LoadError::Range { at }),
        }
    }

    /// A duration that must lie within `range`.
    pub fn duration_in(&mut self, range: core::ops::RangeInclusive<i32>) -> Result<i32, LoadError> {
        let at = self.at;
        let value = self.duration()?;
        if range.contains(&value) { Ok(value) } else { Err(LoadError::Range { at }) }
    }

    /// A number-slot operand.
    pub fn number(&mut self) -> Result<NumRef, LoadError> {
        let low = u16::from(self.byte()?);
        let high = if self.wide { u16::from(self.byte()?) } else { 0 };
        Ok(NumRef(high << 8 | low))
    }

    /// A bit-slot operand; the top bit negates.
    pub fn bit(&mut self) -> Result<BitRef, LoadError> {
        let low = u16::from(self.byte()?);
        if self.wide {
            let high = u16::from(self.byte()?);
            return Ok(BitRef(high << 8 | low));
        }
        Ok(BitRef((low & 0x7F) | (low & 0x80) << 8))
    }
}

#[cfg(feature = "alloc")]
pub use writer::*;

#[cfg(feature = "alloc")]
mod writer {
    use super::*;
    use alloc::vec::Vec;

    /// Appends an unsigned number.
    pub fn put_unsigned(out: &mut Vec<u8>, mut value: u32) {
        while value >= 0x80 {
            out.push(value as u8 | 0x80);
            value >>= 7;
        }
        out.push(value as u8);
    }

    /// The shortest raw form among `(count, unit index)` pairs, each unit tried from large to small.
    fn shortest(forms: impl Iterator<Item = u64>) -> Option<u32> {
        forms.filter_map(|raw| u32::try_from(raw).ok()).min()
    }

    /// Appends a decimal constant, or answers `false` when it has none (beyond ±536 870 911 only multiples of a
    /// power of ten up to 1000 have a form).
    #[must_use]
    pub fn put_decimal(out: &mut Vec<u8>, value: i32) -> bool {
        let forms = (0..4_u64).filter_map(|exponent| {
            let ten = TEN_TO[exponent as usize];
            let mantissa = i64::from(value) / ten;
            let zigzag = (mantissa << 1 ^ mantissa >> 63) as u64;
            (mantissa * ten == i64::from(value)).then_some(zigzag << 2 | exponent)
        });
        shortest(forms).map(|raw| put_unsigned(out, raw)).is_some()
    }

    /// Appends a duration in ms, or answers `false` when it is negative or above [`MAX_DURATION_MS`].
    #[must_use]
    pub fn put_duration(out: &mut Vec<u8>, ms: i32) -> bool {
        let Ok(value) = u32::try_from(ms) else { return false };
        if ms > MAX_DURATION_MS {
            return false;
        }
        let forms = (0..4_u64).filter_map(|unit| {
            let size = UNIT_MS[unit as usize];
            value.is_multiple_of(size).then_some(u64::from(value / size) << 2 | unit)
        });
        shortest(forms).map(|raw| put_unsigned(out, raw)).is_some()
    }

    /// Appends a number-slot operand; `false` when it does not fit a narrow program.
    #[must_use]
    pub fn put_number(out: &mut Vec<u8>, slot: NumRef, wide: bool) -> bool {
        if wide {
            out.extend(slot.0.to_le_bytes());
            return true;
        }
        out.push(slot.0 as u8);
        slot.0 < 0x100
    }

    /// Appends a bit-slot operand; `false` when it does not fit a narrow program.
    #[must_use]
    pub fn put_bit(out: &mut Vec<u8>, slot: BitRef, wide: bool) -> bool {
        if wide {
            out.extend(slot.0.to_le_bytes());
            return true;
        }
        out.push(slot.index() as u8 & 0x7F | u8::from(slot.is_negated()) << 7);
        slot.index() < 0x80
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use alloc::vec::Vec;
    use proptest::prelude::*;

    #[test]
    fn everyday_constants_are_short() {
        for (value, n_bytes) in
            [(0, 1), (400, 1), (25_200, 2), (27_800, 2), (8_400, 2), (215_000, 2), (-500, 1)]
        {
            let mut out = Vec::new();
            assert!(put_decimal(&mut out, value));
            assert_eq!(out.len(), n_bytes, "{value}");
        }
        for (ms, n_bytes) in [(0, 1), (10_000, 1), (180_000, 1), (36_000_000, 1), (70_200_000, 2), (1_500, 2)]
        {
            let mut out = Vec::new();
            assert!(put_duration(&mut out, ms));
            assert_eq!(out.len(), n_bytes, "{ms}");
        }
    }

    proptest! {
        #[test]
        fn decimals_read_back(value in -536_870_911_i32..=536_870_911) {
            let mut out = Vec::new();
            prop_assert!(put_decimal(&mut out, value));
            let mut reader = Reader::new(&out, 0, false);
            prop_assert_eq!(reader.decimal().unwrap(), value);
            prop_assert!(reader.is_at_end());
        }

        #[test]
        fn durations_read_back(ms in 0..=1_000_000_000_i32) {
            let mut out = Vec::new();
            prop_assert!(put_duration(&mut out, ms));
            prop_assert_eq!(Reader::new(&out, 0, false).duration().unwrap(), ms);
        }

        #[test]
        fn any_bytes_are_read_without_panic(bytes in prop::collection::vec(any::<u8>(), 0..8)) {
            let _ = Reader::new(&bytes, 0, false).unsigned();
            let _ = Reader::new(&bytes, 0, true).decimal();
            let _ = Reader::new(&bytes, 0, true).duration();
        }
    }
}
