//! The calibration of a board: entries in EEPROM, one for each calibrated input or pump, each complete in itself.
//!
//! An entry is written beside the one it replaces and counts only with a right checksum, so that a power loss leaves
//! the old one. It is not part of the program and not covered by the program's checksum.

use crate::crc::crc16;

/// Length of an entry in EEPROM.
pub const ENTRY_LENGTH: usize = 14;

/// Linear correction `value * gain_ppm / 1 000 000 + offset`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Linear {
    /// In the unit of the input.
    pub offset: i32,
    /// Millionths; 1 000 000 changes nothing.
    pub gain_ppm: i32,
}

/// A pH electrode as calibrated: offset at pH 7, slopes on either side referred to 25 °C.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PhElectrode {
    /// Voltage at pH 7, µV, within ±327 mV; kept in steps of 10 µV.
    pub offset_uv: i32,
    /// Below pH 7, µV per pH at 25 °C.
    pub acid_slope_uv: u16,
    /// Above pH 7, µV per pH at 25 °C.
    pub base_slope_uv: u16,
}

/// Nernst slope at 25 °C, µV per pH: ln 10 R T / F with the SI values of 2019.
pub const IDEAL_SLOPE_UV: u16 = 59_159;

impl PhElectrode {
    /// 100 % slope, no offset.
    pub const IDEAL: PhElectrode =
        PhElectrode { offset_uv: 0, acid_slope_uv: IDEAL_SLOPE_UV, base_slope_uv: IDEAL_SLOPE_UV };
}

/// What an entry holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Correction {
    /// Kind 1: linear.
    Linear(Linear),
    /// Kind 2: pH electrode.
    Ph(PhElectrode),
    /// Kind 3: the value of a parameter input, such as a pump's flow in µL/min.
    Parameter(i32),
}

/// One calibration.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Entry {
    /// Number input it belongs to.
    pub input: u8,
    /// Counts up with each calibration of the input, modulo 16: the later of two entries counts.
    pub sequence: u8,
    /// UTC day since 2000-01-01 on which it was made; 0 with a lost clock.
    pub day: u16,
    /// What it says.
    pub correction: Correction,
}

impl Entry {
    /// As it stands in EEPROM: input, kind and sequence (four bits each), day, eight bytes of payload, CRC-16; all
    /// little-endian.
    pub fn to_bytes(&self) -> [u8; ENTRY_LENGTH] {
        let mut out = [0; ENTRY_LENGTH];
        let kind = match self.correction {
            Correction::Linear(linear) => {
                out[4..8].copy_from_slice(&linear.offset.to_le_bytes());
                out[8..12].copy_from_slice(&linear.gain_ppm.to_le_bytes());
                1
            }
            Correction::Ph(electrode) => {
                let tens = (electrode.offset_uv / 10).clamp(i16::MIN.into(), i16::MAX.into()) as i16;
                out[4..6].copy_from_slice(&tens.to_le_bytes());
                out[6..8].copy_from_slice(&electrode.acid_slope_uv.to_le_bytes());
                out[8..10].copy_from_slice(&electrode.base_slope_uv.to_le_bytes());
                2
            }
            Correction::Parameter(value) => {
                out[4..8].copy_from_slice(&value.to_le_bytes());
                3
            }
        };
        out[0] = self.input;
        out[1] = kind << 4 | self.sequence & 15;
        out[2..4].copy_from_slice(&self.day.to_le_bytes());
        let crc = crc16(&out[..12]);
        out[12..].copy_from_slice(&crc.to_le_bytes());
        out
    }

    /// What makes a board forget the calibration of an input: an entry of kind 0. It is never kept itself.
    pub fn forget(input: u8) -> [u8; ENTRY_LENGTH] {
        let mut out = [0; ENTRY_LENGTH];
        out[0] = input;
        let crc = crc16(&out[..12]);
        out[12..].copy_from_slice(&crc.to_le_bytes());
        out
    }

    /// Reads an entry; nothing when the checksum or the kind is wrong (an empty place, a half-written entry).
    pub fn from_bytes(bytes: &[u8; ENTRY_LENGTH]) -> Option<Entry> {
        if crc16(&bytes[..12]).to_le_bytes() != bytes[12..] {
            return None;
        }
        let word = |at: usize| i32::from_le_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]]);
        let half = |at: usize| u16::from_le_bytes([bytes[at], bytes[at + 1]]);
        let correction = match bytes[1] >> 4 {
            1 => Correction::Linear(Linear { offset: word(4), gain_ppm: word(8) }),
            2 => Correction::Ph(PhElectrode {
                offset_uv: i32::from(half(4) as i16) * 10,
                acid_slope_uv: half(6),
                base_slope_uv: half(8),
            }),
            3 => Correction::Parameter(word(4)),
            _ => return None,
        };
        Some(Entry { input: bytes[0], sequence: bytes[1] & 15, day: half(2), correction })
    }

    /// Whether this entry was made after `other` of the same input.
    pub fn is_later_than(&self, other: &Entry) -> bool {
        (1..8).contains(&(self.sequence.wrapping_sub(other.sequence) & 15))
    }
}

/// Why a calibration is refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CalibrationError {
    /// The points are too close together to give a slope.
    PointsTooClose,
    /// The slope is beyond 85-105 % of the ideal one (pH), or the gain beyond 0.5-2: clean or replace the probe, check
    /// the buffers.
    Slope,
    /// The offset is beyond ±60 mV: clean or replace the electrode, check the buffers.
    Offset,
}

impl core::fmt::Display for CalibrationError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            CalibrationError::PointsTooClose => {
                "the calibration points are too close together; use more distant ones"
            }
            CalibrationError::Slope => {
                "the slope is outside what a sound probe has; clean or replace it and check the references"
            }
            CalibrationError::Offset => {
                "the offset is beyond 60 mV; clean or replace the electrode, check the buffers"
            }
        })
    }
}

impl core::error::Error for CalibrationError {}

impl Linear {
    /// Changes nothing.
    pub const NONE: Linear = Linear { offset: 0, gain_ppm: 1_000_000 };

    /// From one reading and its true value: an offset.
    pub fn from_one(read: i32, truth: i32) -> Linear {
        Linear { offset: truth.saturating_sub(read), gain_ppm: 1_000_000 }
    }

    /// From two readings and their true values.
    ///
    /// # Errors
    /// Equal readings, or a gain outside 0.5 to 2.
    pub fn from_two(read: [i32; 2], truth: [i32; 2]) -> Result<Linear, CalibrationError> {
        let run = i64::from(read[1]) - i64::from(read[0]);
        if run == 0 {
            return Err(CalibrationError::PointsTooClose);
        }
        let gain = (i64::from(truth[1]) - i64::from(truth[0])) * 1_000_000 / run;
        if !(500_000..=2_000_000).contains(&gain) {
            return Err(CalibrationError::Slope);
        }
        let offset = i64::from(truth[0]) - i64::from(read[0]) * gain / 1_000_000;
        let offset = i32::try_from(offset).map_err(|_| CalibrationError::Offset)?;
        Ok(Linear { offset, gain_ppm: gain as i32 })
    }
}

/// An electrode reading in a buffer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BufferReading {
    /// True pH of the buffer at its temperature, milli-pH.
    pub milli_ph: i32,
    /// Electrode voltage, µV.
    pub electrode_uv: i32,
    /// Temperature of the buffer, m°C.
    pub milli_celsius: i32,
}

impl BufferReading {
    /// µV per pH between two readings, referred to 25 °C by the mean absolute temperature.
    fn slope_to(&self, other: &BufferReading) -> Result<i64, CalibrationError> {
        let run = i64::from(other.milli_ph) - i64::from(self.milli_ph);
        if run.abs() < 500 {
            return Err(CalibrationError::PointsTooClose);
        }
        let kelvin = (i64::from(self.milli_celsius) + i64::from(other.milli_celsius)) / 2 + 273_150;
        let fall = i64::from(self.electrode_uv) - i64::from(other.electrode_uv);
        let slope = fall * 1_000 * 298_150 / (run * kelvin.max(1));
        // 85 to 105 %: makers' lower limit and the upper limit of USP <791> (project handbook, section 7).
        let ideal = i64::from(IDEAL_SLOPE_UV);
        if (ideal * 85 / 100..=ideal * 105 / 100).contains(&slope) {
            Ok(slope)
        } else {
            Err(CalibrationError::Slope)
        }
    }

    /// Electrode voltage at pH 7, were the slope at 25 °C `slope`.
    fn offset(&self, slope: i64) -> Result<i32, CalibrationError> {
        let kelvin = i64::from(self.milli_celsius) + 273_150;
        let from_seven = i64::from(self.milli_ph) - 7_000;
        let offset = i64::from(self.electrode_uv) + from_seven * slope * kelvin / (1_000 * 298_150);
        if (-60_000..=60_000).contains(&offset) { Ok(offset as i32) } else { Err(CalibrationError::Offset) }
    }
}

impl PhElectrode {
    /// From two buffers: one slope for both sides.
    ///
    /// # Errors
    /// Buffers less than 0.5 pH apart, slope outside 85-105 %, offset beyond ±60 mV.
    pub fn from_two(low: &BufferReading, high: &BufferReading) -> Result<PhElectrode, CalibrationError> {
        let slope = low.slope_to(high)?;
        let nearer = if (low.milli_ph - 7_000).abs() <= (high.milli_ph - 7_000).abs() { low } else { high };
        let offset_uv = nearer.offset(slope)?;
        Ok(PhElectrode { offset_uv, acid_slope_uv: slope as u16, base_slope_uv: slope as u16 })
    }

    /// From three buffers, acid, near 7, base: a slope for each side.
    ///
    /// # Errors
    /// As [`PhElectrode::from_two`].
    pub fn from_three(
        acid: &BufferReading,
        neutral: &BufferReading,
        base: &BufferReading,
    ) -> Result<PhElectrode, CalibrationError> {
        let (acid_slope, base_slope) = (acid.slope_to(neutral)?, neutral.slope_to(base)?);
        let offset_uv = neutral.offset(if neutral.milli_ph < 7_000 { acid_slope } else { base_slope })?;
        Ok(PhElectrode { offset_uv, acid_slope_uv: acid_slope as u16, base_slope_uv: base_slope as u16 })
    }
}
