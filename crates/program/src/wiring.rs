//! The wiring table: what is on which pin, bus and line, by small integers. It lives in flash beside the runtime; a
//! program names it by its checksum.
//!
//! Inputs and outputs are in the order in which programs number them. The bytes are read by the runtime in place;
//! here, on the host, they are read into and written from [`Wiring`].

use crate::calibration::{Correction, Linear, PhElectrode};
use crate::convert::{self, AdcScale, AdcSum, NtcTable, PhAmplifier};
use crate::quality::Sample;

#[cfg(feature = "alloc")]
mod table;
#[cfg(feature = "alloc")]
pub use table::{Wiring, WiringError};

/// Number of the input that gives a temperature for compensation; none for 25 °C without it.
pub type TemperatureInput = Option<u8>;

/// What reads a number input.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NumberDriver {
    /// 1: digital thermometer on a one-wire bus. Raw: sixteenths of a degree.
    Ds18b20 {
        /// Pin of the bus.
        pin: u8,
        /// ROM code of the part; all zero means the only one on its bus.
        rom: [u8; 8],
    },
    /// 2: analogue thermometer, 10 mV/K. Raw: sum of counts, as all analogue ones.
    Tmp36 {
        /// Converter channel.
        channel: u8,
        /// Conversions summed, 1 to 16.
        n_samples: u8,
    },
    /// 3: thermistor in a divider.
    Ntc {
        /// Converter channel.
        channel: u8,
        /// Conversions summed, 1 to 16.
        n_samples: u8,
        /// Temperature against ratio.
        table: NtcTable,
    },
    /// 4: pH electrode behind an amplifier.
    Ph {
        /// Converter channel.
        channel: u8,
        /// Conversions summed, 1 to 16.
        n_samples: u8,
        /// The amplifier.
        amplifier: PhAmplifier,
        /// Temperature of the water.
        temperature: TemperatureInput,
    },
    /// 5: conductivity amplifier with a voltage output, in µS/cm.
    Conductivity {
        /// Converter channel.
        channel: u8,
        /// Conversions summed, 1 to 16.
        n_samples: u8,
        /// Voltage at 0 µS/cm, µV.
        zero_uv: i32,
        /// µS/cm a volt.
        per_volt: i32,
        /// Temperature compensation to 25 °C, ppm per kelvin; 0 for none.
        ppm_per_k: i32,
        /// Temperature of the water.
        temperature: TemperatureInput,
    },
    /// 6: level by pressure or any other voltage, in µm.
    Level {
        /// Converter channel.
        channel: u8,
        /// Conversions summed, 1 to 16.
        n_samples: u8,
        /// Voltage at level 0, µV.
        zero_uv: i32,
        /// µm a volt.
        per_volt: i32,
    },
    /// 7: level by echo. Raw: µs.
    Ultrasonic {
        /// Trigger pin.
        trigger_pin: u8,
        /// Echo pin.
        echo_pin: u8,
        /// Height of the transducer above level 0, µm.
        mounted_um: i32,
        /// Temperature of the air.
        temperature: TemperatureInput,
    },
    /// 8: flow meter with pulses. Raw: pulses since the last scan.
    PulseFlow {
        /// Pin.
        pin: u8,
        /// Pulses a litre.
        pulses_per_litre: i32,
    },
    /// 9: a value from the calibration record, such as a pump's flow. Raw: none.
    Parameter {
        /// Value without a record.
        default: i32,
    },
}

/// A number input: its driver and how old its value may be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NumberInput {
    /// What reads it.
    pub driver: NumberDriver,
    /// A value older than this is bad, ms.
    pub age_limit_ms: i32,
}

impl NumberDriver {
    /// The input that this one needs for temperature compensation.
    pub fn temperature_input(&self) -> TemperatureInput {
        match self {
            NumberDriver::Ph { temperature, .. }
            | NumberDriver::Conductivity { temperature, .. }
            | NumberDriver::Ultrasonic { temperature, .. } => *temperature,
            _ => None,
        }
    }

    /// Raw code to value: driver's arithmetic, then calibration. `temperature` is the input named by
    /// [`NumberDriver::temperature_input`] in the same scan, [`Sample::BAD`] without one. A correction of another kind
    /// than the driver takes is as none.
    pub fn convert(
        &self,
        raw: i32,
        scale: AdcScale,
        correction: Option<&Correction>,
        temperature: Sample,
        period_ms: i32,
    ) -> Sample {
        let linear = match correction {
            Some(Correction::Linear(linear)) => *linear,
            _ => Linear::NONE,
        };
        let sum = |n_samples: u8| AdcSum { sum: raw, n_samples };
        let value = match *self {
            NumberDriver::Ds18b20 { .. } => convert::ds18b20(raw),
            NumberDriver::Tmp36 { n_samples, .. } => convert::tmp36(sum(n_samples), scale),
            NumberDriver::Ntc { n_samples, ref table, .. } => table.temperature(sum(n_samples), scale),
            NumberDriver::Ph { n_samples, amplifier, .. } => {
                let electrode = match correction {
                    Some(Correction::Ph(electrode)) => *electrode,
                    _ => PhElectrode::IDEAL,
                };
                return match convert::electrode_microvolts(sum(n_samples), scale, amplifier) {
                    Some(electrode_uv) => convert::ph(electrode_uv, temperature, &electrode),
                    None => Sample::BAD,
                };
            }
            NumberDriver::Conductivity { n_samples, zero_uv, per_volt, ppm_per_k, .. } => {
                let there = convert::linear_voltage(sum(n_samples), scale, zero_uv, per_volt);
                convert::conductivity_at_25(there, temperature, ppm_per_k)
            }
            NumberDriver::Level { n_samples, zero_uv, per_volt, .. } => {
                convert::linear_voltage(sum(n_samples), scale, zero_uv, per_volt)
            }
            NumberDriver::Ultrasonic { mounted_um, .. } => convert::ultrasonic(raw, mounted_um, temperature),
            NumberDriver::PulseFlow { pulses_per_litre, .. } => {
                convert::pulse_flow(raw, pulses_per_litre, period_ms)
            }
            NumberDriver::Parameter { default } => {
                return Sample::good(match correction {
                    Some(Correction::Parameter(value)) => *value,
                    _ => default,
                });
            }
        };
        convert::calibrated(value, &linear)
    }
}

/// What reads a bit input.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BitDriver {
    /// 1: contact on a pin to ground, with the pin's pull-up.
    Pin {
        /// Pin.
        pin: u8,
    },
    /// 2: contact on an expander.
    Expander {
        /// Which device of the table.
        device: u8,
        /// Line of the expander.
        line: u8,
    },
    /// 3: push button on a pin: a press is latched until the next scan.
    Button {
        /// Pin.
        pin: u8,
    },
    /// 4: key of an infrared remote (NEC): latched until the next scan.
    RemoteKey {
        /// Address and command as received.
        code: u32,
    },
}

/// A bit input.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BitInput {
    /// What reads it.
    pub driver: BitDriver,
    /// Opens when active.
    pub is_normally_closed: bool,
    /// Samples of 5 ms in a row that change it, 1 to 127.
    pub n_debounce: u8,
}

/// What an output drives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OutputDriver {
    /// 1: a pin.
    Pin {
        /// Pin.
        pin: u8,
    },
    /// 2: a pin with pulse-width modulation.
    Pwm {
        /// Pin.
        pin: u8,
    },
    /// 3: a line of an expander.
    Expander {
        /// Which device of the table.
        device: u8,
        /// Line of the expander.
        line: u8,
    },
    /// 4: buzzer with alarm patterns on a pin.
    Buzzer {
        /// Pin.
        pin: u8,
    },
}

/// An output.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Output {
    /// What it drives.
    pub driver: OutputDriver,
    /// On is low.
    pub is_active_low: bool,
    /// On in the safe state (at boot and on any doubt).
    pub is_on_when_safe: bool,
}

/// Parts that inputs and outputs go through, or that stand beside them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum DeviceKind {
    /// MCP23008 expander, 8 lines.
    Mcp23008 = 1,
    /// MCP23017 expander, 16 lines.
    Mcp23017 = 2,
    /// PCF8574 expander, 8 lines.
    Pcf8574 = 3,
    /// Text display (HD44780) behind a PCF8574.
    TextDisplay = 4,
    /// DS1307 clock.
    Ds1307 = 5,
    /// DS3231 clock.
    Ds3231 = 6,
    /// Infrared receiver; the address is its pin.
    InfraredReceiver = 7,
    /// W5500 Ethernet; the address is its select pin.
    Ethernet = 8,
}

impl DeviceKind {
    /// The kind with this code.
    pub fn from_code(code: u8) -> Option<DeviceKind> {
        use DeviceKind::*;
        [Mcp23008, Mcp23017, Pcf8574, TextDisplay, Ds1307, Ds3231, InfraredReceiver, Ethernet]
            .into_iter()
            .find(|kind| *kind as u8 == code)
    }
}

/// A device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Device {
    /// What it is.
    pub kind: DeviceKind,
    /// Its I2C address or pin.
    pub address: u8,
    /// Of a display: characters a row in the low six bits, rows less one in the top two. Else 0.
    pub shape: u8,
}
