//! What the file says about how things are fitted electrically: `[electrics]` and `[fitting]`, resolved.
//!
//! Contract: every component named here is in the library of the system. What is None was not said; what stands for it then is the
//! business of the crate `electrics`.

use crate::model::{ActuatorIdx, BoardIdx, SensorIdx, SupplyIdx};

/// All that is said.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Electrics {
    /// The I2C bus as a piece of cable.
    pub i2c: BusCable,
    /// The one-wire bus as a piece of cable.
    pub one_wire: BusCable,
    /// How the one-wire bus branches.
    pub one_wire_topology: Topology,
    /// The box of the electronics.
    pub enclosure: Option<Enclosure>,
    /// A probe that ties the water to protective earth. None: not said.
    pub ground_probe: Option<bool>,
    /// Currency of all prices, free text.
    pub currency: Option<String>,
    /// Digital places that should stay free for what comes later.
    pub spares: Option<u32>,
    /// Components of kind `stack` that sit on the first board and take pins.
    pub stacked: Vec<String>,
    /// By [`SensorIdx`].
    pub sensors: Vec<Fitting>,
    /// By [`ActuatorIdx`].
    pub actuators: Vec<Fitting>,
    /// By [`SupplyIdx`].
    pub supplies: Vec<Fitting>,
    /// By [`BoardIdx`].
    pub boards: Vec<Fitting>,
    /// In the order of [`crate::wiring::Wiring::devices`].
    pub devices: Vec<Fitting>,
    /// The file has one of the two sections.
    pub is_begun: bool,
}

impl Electrics {
    /// How a sensor is fitted.
    pub fn sensor(&self, sensor: SensorIdx) -> &Fitting {
        self.sensors.get(sensor.idx()).unwrap_or(&NOT_SAID)
    }
    /// How an actuator is fitted.
    pub fn actuator(&self, actuator: ActuatorIdx) -> &Fitting {
        self.actuators.get(actuator.idx()).unwrap_or(&NOT_SAID)
    }
    /// How a supply is fitted.
    pub fn supply(&self, supply: SupplyIdx) -> &Fitting {
        self.supplies.get(supply.idx()).unwrap_or(&NOT_SAID)
    }
    /// How a board is fitted.
    pub fn board(&self, board: BoardIdx) -> &Fitting {
        self.boards.get(board.idx()).unwrap_or(&NOT_SAID)
    }
    /// How a device is fitted, by its position.
    pub fn device(&self, device: usize) -> &Fitting {
        self.devices.get(device).unwrap_or(&NOT_SAID)
    }
}

static NOT_SAID: Fitting = Fitting::NONE;

/// How one thing is fitted.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Fitting {
    /// The component that it is: a load, a probe, a card, a power supply.
    pub part: Option<String>,
    /// The component that switches it: relay, solid-state relay, transistor.
    pub switch: Option<String>,
    /// What a battery is: component of its block.
    pub block: Option<String>,
    /// The charger of a battery.
    pub charger: Option<String>,
    /// Component across its contact or coil against voltage spikes.
    pub suppressor: Option<String>,
    /// Said to have none.
    pub without_suppressor: bool,
    /// Connector at its end.
    pub connector: Option<String>,
    /// One-way length of its cable, m.
    pub length_m: Option<f64>,
    /// Cross-section of its cable, mm².
    pub area_mm2: Option<f64>,
    /// Its own fuse, A.
    pub fuse_a: Option<f64>,
    /// Channels of a card.
    pub channels: Option<u8>,
    /// Its cable's entry and its tip are sealed against salt water.
    pub sealed: Option<bool>,
    /// Its circuit is isolated from the rest of the low voltage.
    pub isolated: Option<bool>,
    /// Standing leakage to earth, A.
    pub leakage_a: Option<f64>,
    /// Highest frequency of a duty that it takes, Hz.
    pub pwm_hz: Option<f64>,
    /// Wave form of a circuit that an inverter makes.
    pub wave: Option<Wave>,
    /// Compartment of the enclosure that it is put in by hand.
    pub compartment: Option<Compartment>,
    /// In the file's currency.
    pub price: Option<f64>,
}

impl Fitting {
    /// Nothing said.
    pub const NONE: Fitting = Fitting {
        part: None,
        switch: None,
        block: None,
        charger: None,
        suppressor: None,
        without_suppressor: false,
        connector: None,
        length_m: None,
        area_mm2: None,
        fuse_a: None,
        channels: None,
        sealed: None,
        isolated: None,
        leakage_a: None,
        pwm_hz: None,
        wave: None,
        compartment: None,
        price: None,
    };
}

/// A bus as a piece of cable.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct BusCable {
    /// All of its cable, m.
    pub length_m: Option<f64>,
    /// All pull-ups in parallel, ohm.
    pub pull_up_ohm: Option<f64>,
    /// Hz.
    pub clock_hz: Option<f64>,
    /// Capacitance of cable and parts where it was measured, F.
    pub capacitance_f: Option<f64>,
}

/// How a bus branches.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Topology {
    /// From one part to the next.
    #[default]
    Chain,
    /// All cables from one point.
    Star,
}

/// Wave form of an inverter.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Wave {
    /// As the mains.
    Sine,
    /// Stepped: synchronous motors may stall or run hot on it.
    Stepped,
}

/// Half of an enclosure.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub enum Compartment {
    /// Mains.
    Mains,
    /// Low voltage.
    Low,
}

/// The box that the electronics are in.
#[derive(Clone, PartialEq, Debug)]
pub struct Enclosure {
    /// Inside width, height, depth, m.
    pub inside: [f64; 3],
    /// A wall or a second box parts mains and low voltage.
    pub divided: bool,
    /// It has openings or a fan.
    pub vented: bool,
    /// It is of metal: protective earth to the door and the plate.
    pub metal: bool,
    /// Free depth between the socket strip and the door or what is in front of it, m.
    pub plug_clearance_m: Option<f64>,
    /// Free way of the door before it meets something, m; and its own width, m.
    pub door: Option<(f64, f64)>,
    /// Air around it at its warmest, °C.
    pub ambient_c: Option<f64>,
}
