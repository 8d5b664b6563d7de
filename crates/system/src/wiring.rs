//! What stands on the board's pins and buses, as far as the file fixes it: `[[device]]` and `[wiring]`, resolved.
//!
//! Contract: of a sound file every pin exists on the chip of the first board and can do what is asked of it, every expander line
//! exists, and no pin, line or bus address is taken twice.

use crate::model::{ActuatorIdx, SensorIdx};

/// All places of a file. What has none is still to be placed.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Wiring {
    /// Parts that inputs and outputs go through, or that stand beside them, in file order.
    pub devices: Vec<Device>,
    /// By [`SensorIdx`].
    pub sensors: Vec<Option<SensorPlace>>,
    /// By [`ActuatorIdx`].
    pub actuators: Vec<Option<ActuatorPlace>>,
    /// ROM codes of thermometers whose pin the file leaves open: they may share a bus.
    pub roms: Vec<(SensorIdx, [u8; 8])>,
    /// The file has a `[wiring]` section.
    pub is_begun: bool,
}

impl Wiring {
    /// Where a sensor is wired.
    pub fn sensor(&self, sensor: SensorIdx) -> Option<&SensorPlace> {
        self.sensors.get(sensor.idx())?.as_ref()
    }

    /// ROM code of a thermometer, placed or not.
    pub fn rom(&self, sensor: SensorIdx) -> Option<[u8; 8]> {
        match self.sensor(sensor) {
            Some(SensorPlace::OneWire { rom, .. }) => *rom,
            _ => self.roms.iter().find(|(other, _)| *other == sensor).map(|(_, rom)| *rom),
        }
    }

    /// Where an actuator is wired.
    pub fn actuator(&self, actuator: ActuatorIdx) -> Option<&ActuatorPlace> {
        self.actuators.get(actuator.idx())?.as_ref()
    }
}

/// Pin of a device that the file leaves open.
pub const NO_PIN: u8 = 0xFF;

/// A part on a bus or a pin of its own.
#[derive(Clone, PartialEq, Debug)]
pub struct Device {
    /// Unique name.
    pub name: String,
    /// What it is.
    pub kind: DeviceKind,
    /// Its address on the I2C bus, or its pin; [`NO_PIN`] while that is open.
    pub address: u8,
}

/// Kinds of device.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum DeviceKind {
    /// Expander of 8 lines.
    Mcp23008,
    /// Expander of 16 lines.
    Mcp23017,
    /// Expander of 8 lines that float high.
    Pcf8574,
    /// Text display (HD44780) behind a PCF8574.
    TextDisplay {
        /// Characters a row.
        columns: u8,
        /// Rows.
        rows: u8,
    },
    /// Clock.
    Ds1307,
    /// Clock with its own crystal inside.
    Ds3231,
    /// Receiver of an infrared remote (NEC).
    InfraredReceiver,
    /// Ethernet.
    W5500,
}

impl DeviceKind {
    /// Lines that inputs and outputs can take.
    pub fn n_lines(self) -> u8 {
        match self {
            DeviceKind::Mcp23017 => 16,
            DeviceKind::Mcp23008 | DeviceKind::Pcf8574 => 8,
            _ => 0,
        }
    }

    /// Whether it hangs on the I2C bus, rather than on a pin of its own.
    pub fn is_on_i2c(self) -> bool {
        !matches!(self, DeviceKind::InfraredReceiver | DeviceKind::W5500)
    }
}

/// One digital line.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Line {
    /// A pin of the chip.
    Pin(u8),
    /// A line of an expander.
    Expander {
        /// Position in [`Wiring::devices`].
        device: usize,
        /// From 0.
        line: u8,
    },
}

/// Where a sensor is wired.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum SensorPlace {
    /// A digital thermometer on a one-wire bus.
    OneWire {
        /// Pin of the bus.
        pin: u8,
        /// Its ROM code, checksum included. None: the only one on its bus.
        rom: Option<[u8; 8]>,
    },
    /// A voltage at the converter.
    Channel {
        /// Number of the multiplexer.
        channel: u8,
    },
    /// An ultrasonic transducer.
    Echo {
        /// Starts a measurement.
        trigger: u8,
        /// Answers it.
        echo: u8,
    },
    /// Pulses of a flow meter.
    Pulses {
        /// Pin.
        pin: u8,
    },
    /// A contact to ground.
    Contact {
        /// Where.
        line: Line,
        /// It must hold so long, ms.
        debounce_ms: u16,
    },
    /// A push button: a press counts once.
    Button {
        /// Pin.
        pin: u8,
        /// It must hold so long, ms.
        debounce_ms: u16,
    },
    /// A key of the infrared remote: a press counts once.
    RemoteKey {
        /// Address and command as received.
        code: u32,
    },
}

/// Where an actuator is wired.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ActuatorPlace {
    /// Where.
    pub line: Line,
    /// Its coil or gate is energised by a low level.
    pub active_low: bool,
}

/// Contacts are sampled so often, ms (docs/control-program.md).
pub const CONTACT_SAMPLE_MS: u16 = 5;
/// Debounce when the file says nothing, ms (common practice, no source: floats and buttons chatter for 1 to 20 ms).
pub const USUAL_DEBOUNCE_MS: u16 = 25;
