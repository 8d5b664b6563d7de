//! The wiring table as bytes.

use super::*;
use crate::codec::{Reader, put_decimal, put_duration, put_unsigned};
use crate::convert::N_NTC_POINTS;
use crate::crc::crc32;
use crate::format::LoadError;
use alloc::vec::Vec;

/// First bytes of every wiring table.
const MAGIC: [u8; 2] = *b"Ti";
const FORMAT: u8 = 1;
const CRC_LENGTH: usize = 4;
const NO_INPUT: u8 = 0xFF;
const NORMALLY_CLOSED: u8 = 0x80;
const ACTIVE_LOW: u8 = 0x80;
const ON_WHEN_SAFE: u8 = 0x40;

/// A whole table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Wiring {
    /// Which board it is for, by the board's code in the parts library.
    pub board: u8,
    /// The board's converter.
    pub adc: AdcScale,
    /// Number inputs, as programs count them.
    pub numbers: Vec<NumberInput>,
    /// Bit inputs, as programs count them.
    pub bits: Vec<BitInput>,
    /// Outputs, in the order of drives.
    pub outputs: Vec<Output>,
    /// Devices.
    pub devices: Vec<Device>,
}

/// Why a wiring table is refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WiringError {
    /// Not a wiring table, of another format, or of another length than it says.
    Container,
    /// Damaged.
    Checksum,
    /// An entry is not readable.
    Entry(LoadError),
    /// An entry names a device, an input or a driver that does not exist, or holds a value out of range; this one,
    /// counted over numbers, bits, outputs and devices.
    Reference {
        /// Which entry.
        entry: usize,
    },
    /// More than 255 entries of a kind, or a value without a form.
    NoForm {
        /// Which entry.
        entry: usize,
    },
}

impl core::fmt::Display for WiringError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            WiringError::Container => f.write_str("not a wiring table of this format"),
            WiringError::Checksum => f.write_str("wiring table is damaged (checksum)"),
            WiringError::Entry(error) => write!(f, "wiring table is not readable: {error}"),
            WiringError::Reference { entry } => {
                write!(f, "wiring entry {entry} names something that does not exist or is out of range")
            }
            WiringError::NoForm { entry } => {
                write!(f, "wiring entry {entry} holds a value the format cannot hold")
            }
        }
    }
}

impl core::error::Error for WiringError {}

impl From<LoadError> for WiringError {
    fn from(error: LoadError) -> Self {
        WiringError::Entry(error)
    }
}

fn put_number_driver(out: &mut Vec<u8>, driver: &NumberDriver) -> bool {
    let input = |temperature: TemperatureInput| temperature.unwrap_or(NO_INPUT);
    match *driver {
        NumberDriver::Ds18b20 { pin, rom } => {
            out.extend([1, pin]);
            out.extend(rom);
            true
        }
        NumberDriver::Tmp36 { channel, n_samples } => {
            out.extend([2, channel, n_samples]);
            true
        }
        NumberDriver::Ntc { channel, n_samples, table } => {
            out.extend([3, channel, n_samples]);
            out.extend(table.0.iter().flat_map(|point| point.to_le_bytes()));
            true
        }
        NumberDriver::Ph { channel, n_samples, amplifier, temperature } => {
            out.extend([4, channel, n_samples]);
            out.extend(amplifier.midpoint_mv.to_le_bytes());
            let fits = put_decimal(out, amplifier.gain_permille);
            out.push(input(temperature));
            fits
        }
        NumberDriver::Conductivity { channel, n_samples, zero_uv, per_volt, ppm_per_k, temperature } => {
            out.extend([5, channel, n_samples]);
            let fits = put_decimal(out, zero_uv) & put_decimal(out, per_volt) & put_decimal(out, ppm_per_k);
            out.push(input(temperature));
            fits
        }
        NumberDriver::Level { channel, n_samples, zero_uv, per_volt } => {
            out.extend([6, channel, n_samples]);
            put_decimal(out, zero_uv) & put_decimal(out, per_volt)
        }
        NumberDriver::Ultrasonic { trigger_pin, echo_pin, mounted_um, temperature } => {
            out.extend([7, trigger_pin, echo_pin]);
            let fits = put_decimal(out, mounted_um);
            out.push(input(temperature));
            fits
        }
        NumberDriver::PulseFlow { pin, pulses_per_litre } => {
            out.extend([8, pin]);
            put_decimal(out, pulses_per_litre)
        }
        NumberDriver::Parameter { default } => {
            out.push(9);
            put_decimal(out, default)
        }
    }
}

/// `None` when there is no such driver.
fn read_number_driver(reader: &mut Reader<'_>) -> Result<Option<NumberDriver>, LoadError> {
    fn input(reader: &mut Reader<'_>) -> Result<TemperatureInput, LoadError> {
        Ok(Some(reader.byte()?).filter(|input| *input != NO_INPUT))
    }
    Ok(Some(match reader.byte()? {
        1 => NumberDriver::Ds18b20 { pin: reader.byte()?, rom: reader.array()? },
        2 => NumberDriver::Tmp36 { channel: reader.byte()?, n_samples: reader.byte()? },
        3 => {
            let (channel, n_samples) = (reader.byte()?, reader.byte()?);
            let mut points = [0; N_NTC_POINTS];
            for point in &mut points {
                *point = i16::from_le_bytes(reader.array()?);
            }
            NumberDriver::Ntc { channel, n_samples, table: NtcTable(points) }
        }
        4 => {
            let (channel, n_samples) = (reader.byte()?, reader.byte()?);
            let midpoint_mv = u16::from_le_bytes(reader.array()?);
            let amplifier = PhAmplifier { midpoint_mv, gain_permille: reader.decimal()? };
            NumberDriver::Ph { channel, n_samples, amplifier, temperature: input(reader)? }
        }
        5 => NumberDriver::Conductivity {
            channel: reader.byte()?,
            n_samples: reader.byte()?,
            zero_uv: reader.decimal()?,
            per_volt: reader.decimal()?,
            ppm_per_k: reader.decimal()?,
            temperature: input(reader)?,
        },
        6 => NumberDriver::Level {
            channel: reader.byte()?,
            n_samples: reader.byte()?,
            zero_uv: reader.decimal()?,
            per_volt: reader.decimal()?,
        },
        7 => NumberDriver::Ultrasonic {
            trigger_pin: reader.byte()?,
            echo_pin: reader.byte()?,
            mounted_um: reader.decimal()?,
            temperature: input(reader)?,
        },
        8 => NumberDriver::PulseFlow { pin: reader.byte()?, pulses_per_litre: reader.decimal()? },
        9 => NumberDriver::Parameter { default: reader.decimal()? },
        _ => return Ok(None),
    }))
}

impl NumberDriver {
    fn n_samples(&self) -> u8 {
        match self {
            NumberDriver::Tmp36 { n_samples, .. }
            | NumberDriver::Ntc { n_samples, .. }
            | NumberDriver::Ph { n_samples, .. }
            | NumberDriver::Conductivity { n_samples, .. }
            | NumberDriver::Level { n_samples, .. } => *n_samples,
            _ => 1,
        }
    }
}

impl Wiring {
    /// The table's bytes, with its checksum at the end.
    ///
    /// # Errors
    /// An entry that has no form, or names something that does not exist.
    pub fn encode(&self) -> Result<Vec<u8>, WiringError> {
        self.check()?;
        let mut out = Vec::new();
        out.extend(MAGIC);
        out.extend([FORMAT, 0, 0, self.board]);
        out.extend(self.adc.reference_mv.to_le_bytes());
        out.extend(self.adc.full_scale.to_le_bytes());
        for n in [self.numbers.len(), self.bits.len(), self.outputs.len(), self.devices.len()] {
            out.push(u8::try_from(n).map_err(|_| WiringError::NoForm { entry: n })?);
        }
        for (entry, input) in self.numbers.iter().enumerate() {
            if !(put_number_driver(&mut out, &input.driver) & put_duration(&mut out, input.age_limit_ms)) {
                return Err(WiringError::NoForm { entry });
            }
        }
        for input in &self.bits {
            match input.driver {
                BitDriver::Pin { pin } => out.extend([1, pin]),
                BitDriver::Expander { device, line } => out.extend([2, device, line]),
                BitDriver::Button { pin } => out.extend([3, pin]),
                BitDriver::RemoteKey { code } => {
                    out.push(4);
                    put_unsigned(&mut out, code);
                }
            }
            out.push(input.n_debounce | if input.is_normally_closed { NORMALLY_CLOSED } else { 0 });
        }
        for output in &self.outputs {
            let flags = if output.is_active_low { ACTIVE_LOW } else { 0 }
                | if output.is_on_when_safe { ON_WHEN_SAFE } else { 0 };
            match output.driver {
                OutputDriver::Pin { pin } => out.extend([flags | 1, pin]),
                OutputDriver::Pwm { pin } => out.extend([flags | 2, pin]),
                OutputDriver::Expander { device, line } => out.extend([flags | 3, device, line]),
                OutputDriver::Buzzer { pin } => out.extend([flags | 4, pin]),
            }
        }
        for device in &self.devices {
            out.extend([device.kind as u8, device.address, device.shape]);
        }
        let length = u16::try_from(out.len() + CRC_LENGTH).map_err(|_| WiringError::NoForm { entry: 0 })?;
        out[3..5].copy_from_slice(&length.to_le_bytes());
        out.extend(crc32(&out).to_le_bytes());
        Ok(out)
    }

    /// Reads a table and checks all of it.
    ///
    /// # Errors
    /// What is wrong with it first.
    pub fn decode(bytes: &[u8]) -> Result<Wiring, WiringError> {
        if bytes.len() < 14 + CRC_LENGTH
            || bytes[..2] != MAGIC
            || bytes[2] != FORMAT
            || usize::from(u16::from_le_bytes([bytes[3], bytes[4]])) != bytes.len()
        {
            return Err(WiringError::Container);
        }
        let (body, crc) = bytes.split_at(bytes.len() - CRC_LENGTH);
        if crc != crc32(body).to_le_bytes() {
            return Err(WiringError::Checksum);
        }
        let mut reader = Reader::new(body, 5, false);
        let board = reader.byte()?;
        let reference_mv = u16::from_le_bytes(reader.array()?);
        let full_scale = u16::from_le_bytes(reader.array()?);
        let [n_numbers, n_bits, n_outputs, n_devices] = reader.array()?;
        let mut wiring = Wiring {
            board,
            adc: AdcScale { reference_mv, full_scale },
            numbers: Vec::new(),
            bits: Vec::new(),
            outputs: Vec::new(),
            devices: Vec::new(),
        };
        let mut entry = 0;
        for _ in 0..n_numbers {
            let driver = read_number_driver(&mut reader)?.ok_or(WiringError::Reference { entry })?;
            wiring.numbers.push(NumberInput { driver, age_limit_ms: reader.duration()? });
            entry += 1;
        }
        for _ in 0..n_bits {
            let driver = match reader.byte()? {
                1 => BitDriver::Pin { pin: reader.byte()? },
                2 => BitDriver::Expander { device: reader.byte()?, line: reader.byte()? },
                3 => BitDriver::Button { pin: reader.byte()? },
                4 => BitDriver::RemoteKey { code: reader.unsigned()? },
                _ => return Err(WiringError::Reference { entry }),
            };
            let flags = reader.byte()?;
            let is_normally_closed = flags & NORMALLY_CLOSED != 0;
            wiring.bits.push(BitInput { driver, is_normally_closed, n_debounce: flags & !NORMALLY_CLOSED });
            entry += 1;
        }
        for _ in 0..n_outputs {
            let head = reader.byte()?;
            let driver = match head & 0x3F {
                1 => OutputDriver::Pin { pin: reader.byte()? },
                2 => OutputDriver::Pwm { pin: reader.byte()? },
                3 => OutputDriver::Expander { device: reader.byte()?, line: reader.byte()? },
                4 => OutputDriver::Buzzer { pin: reader.byte()? },
                _ => return Err(WiringError::Reference { entry }),
            };
            wiring.outputs.push(Output {
                driver,
                is_active_low: head & ACTIVE_LOW != 0,
                is_on_when_safe: head & ON_WHEN_SAFE != 0,
            });
            entry += 1;
        }
        for _ in 0..n_devices {
            let kind = DeviceKind::from_code(reader.byte()?).ok_or(WiringError::Reference { entry })?;
            wiring.devices.push(Device { kind, address: reader.byte()?, shape: reader.byte()? });
            entry += 1;
        }
        if !reader.is_at_end() {
            return Err(WiringError::Container);
        }
        wiring.check()?;
        Ok(wiring)
    }

    /// Every reference and range, for both directions.
    fn check(&self) -> Result<(), WiringError> {
        let is_adc_sound =
            (1..=6_000).contains(&self.adc.reference_mv) && (2..=4_096).contains(&self.adc.full_scale);
        let line_exists =
            |device: u8, line: u8| match self.devices.get(usize::from(device)).map(|device| device.kind) {
                Some(DeviceKind::Mcp23017) => line < 16,
                Some(DeviceKind::Mcp23008 | DeviceKind::Pcf8574) => line < 8,
                _ => false,
            };
        let numbers = self.numbers.iter().map(|input| {
            let temperature_exists =
                input.driver.temperature_input().is_none_or(|input| usize::from(input) < self.numbers.len());
            is_adc_sound && temperature_exists && (1..=16).contains(&input.driver.n_samples())
        });
        let bits = self.bits.iter().map(|input| match input.driver {
            BitDriver::Expander { device, line } => line_exists(device, line),
            _ => true,
        } && (1..=127).contains(&input.n_debounce));
        let outputs = self.outputs.iter().map(|output| match output.driver {
            OutputDriver::Expander { device, line } => line_exists(device, line),
            _ => true,
        });
        match numbers.chain(bits).chain(outputs).position(|is_sound| !is_sound) {
            Some(entry) => Err(WiringError::Reference { entry }),
            None => Ok(()),
        }
    }

    /// The checksum by which programs name this table.
    pub fn crc(encoded: &[u8]) -> u32 {
        encoded.iter().rev().take(CRC_LENGTH).fold(0, |crc, byte| crc << 8 | u32::from(*byte))
    }
}
