//! Every wire of a plan: from which terminal to which, what for, how thick, how long, what ends it has.
//!
//! A harness is a list of *runs*. A run begins at a terminal, passes through elements (a fuse, a contact, a float, a load) and mostly
//! ends at another bar; between two of them lies one wire. So it can be drawn as a rung of a ladder, listed as a table and checked
//! point to point, all from one source. Lengths that the file does not give are assumed and marked.

mod build;
mod items;
mod lists;
mod netlist;

pub use build::harness;
pub use items::{Item, ItemKind, inventory};
pub use lists::{
    BillLine, CheckStep, ConnectorLine, CutLine, Stage, bill, checkout, connectors, cut_list, labels,
};
pub use netlist::{kicad, nets};

use system::electrics::Compartment;

/// What a wire is for; decides its colour.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Function {
    /// Phase of the mains.
    Line,
    /// Neutral.
    Neutral,
    /// Protective earth.
    Earth,
    /// Plus of a rail or battery.
    Plus,
    /// 5 V.
    Five,
    /// 0 V.
    Zero,
    /// Data of the I2C bus.
    Data,
    /// Clock of the I2C bus.
    Clock,
    /// One-wire bus.
    OneWire,
    /// Contact to ground.
    Contact,
    /// Voltage of a probe.
    Analogue,
    /// Pulses, echoes, infrared.
    Pulse,
    /// Command of an output.
    Command,
    /// SPI of the network.
    Network,
}

/// All functions, in the order of a legend.
pub const FUNCTIONS: [Function; 14] = [
    Function::Line,
    Function::Neutral,
    Function::Earth,
    Function::Plus,
    Function::Five,
    Function::Zero,
    Function::Data,
    Function::Clock,
    Function::OneWire,
    Function::Contact,
    Function::Analogue,
    Function::Pulse,
    Function::Command,
    Function::Network,
];

impl Function {
    /// Colour by IEC 60757. Mains as in IEC 60445 (230 V) or as is usual on 120 V. Low voltage: our own scheme, without green or
    /// yellow alone, which IEC 60445 keeps from being taken for earth, and without the brown and light blue of the mains.
    pub fn colour(self, mains_volts: f64) -> &'static str {
        let american = mains_volts < 160.0;
        match self {
            Function::Line if american => "BK",
            Function::Line => "BN",
            Function::Neutral if american => "WH",
            Function::Neutral => "BU",
            Function::Earth if american => "GN",
            Function::Earth => "GNYE",
            Function::Plus => "RD",
            Function::Five => "OG",
            Function::Zero => "BKWH",
            Function::Data => "VTWH",
            Function::Clock => "GYWH",
            Function::OneWire => "VT",
            Function::Contact => "PK",
            Function::Analogue => "TQ",
            Function::Pulse => "GY",
            Function::Command => "RDWH",
            Function::Network => "OGWH",
        }
    }

    /// For a legend.
    pub fn title(self) -> &'static str {
        match self {
            Function::Line => "mains, phase",
            Function::Neutral => "mains, neutral",
            Function::Earth => "protective earth",
            Function::Plus => "plus of rail or battery",
            Function::Five => "5 V",
            Function::Zero => "0 V",
            Function::Data => "I2C data",
            Function::Clock => "I2C clock",
            Function::OneWire => "one-wire bus",
            Function::Contact => "contact",
            Function::Analogue => "voltage of a probe",
            Function::Pulse => "pulses",
            Function::Command => "command",
            Function::Network => "network",
        }
    }

    /// Whether it carries the mains.
    pub fn is_mains(self) -> bool {
        matches!(self, Function::Line | Function::Neutral | Function::Earth)
    }
}

/// The full name of a colour code of IEC 60757.
pub fn colour_name(code: &str) -> String {
    let one = |code: &str| match code {
        "BK" => "black",
        "BN" => "brown",
        "RD" => "red",
        "OG" => "orange",
        "YE" => "yellow",
        "GN" => "green",
        "BU" => "blue",
        "VT" => "violet",
        "GY" => "grey",
        "WH" => "white",
        "PK" => "pink",
        "TQ" => "turquoise",
        _ => "",
    };
    match code.len() {
        4 => format!("{}-{}", one(&code[..2]), one(&code[2..])),
        _ => one(code).to_owned(),
    }
}

/// A terminal: which item, which screw.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Terminal {
    /// Position in [`Harness::items`].
    pub item: usize,
    /// As printed beside it.
    pub name: String,
}

/// One wire.
#[derive(Clone, PartialEq, Debug)]
pub struct Wire {
    /// Number on its sleeves: `W12`.
    pub id: String,
    /// Where it begins.
    pub from: Terminal,
    /// Where it ends.
    pub to: Terminal,
    /// What for.
    pub function: Function,
    /// Colour code of IEC 60757.
    pub colour: &'static str,
    /// Cross-section, mm².
    pub mm2: f64,
    /// Length with half a hand at each end, m.
    pub length_m: f64,
    /// The length is assumed.
    pub is_assumed: bool,
    /// Cable that it is a core of, by the name of the thing at its far end.
    pub cable: Option<String>,
}

/// What a run passes through.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Symbol {
    /// A bar or terminal.
    Bar,
    /// Fuse.
    Fuse,
    /// Contact that is open at rest.
    ContactOpen,
    /// Contact that is closed at rest.
    ContactClosed,
    /// Transistor or solid-state switch.
    Electronic,
    /// Coil or isolated input.
    Coil,
    /// Heating element, resistor.
    Resistor,
    /// Motor.
    Motor,
    /// Lamp.
    Lamp,
    /// Float, leak, button: a contact that the world moves.
    Switch,
    /// A probe or module with electronics.
    Module,
    /// A battery or supply.
    Source,
}

/// A stop of a run.
#[derive(Clone, PartialEq, Debug)]
pub struct Element {
    /// Position in [`Harness::items`].
    pub item: usize,
    /// How it is drawn.
    pub symbol: Symbol,
    /// Terminal where the run comes in.
    pub enters: String,
    /// Terminal where it goes out.
    pub leaves: String,
    /// Wires that leave sideways: position in [`Harness::wires`].
    pub stubs: Vec<usize>,
}

/// One rung.
#[derive(Clone, PartialEq, Debug)]
pub struct Run {
    /// Heading that it stands under.
    pub group: String,
    /// What it is for: the name of the thing.
    pub title: String,
    /// Stops, bars at both ends included where there are such.
    pub stops: Vec<Element>,
    /// Wires between the stops, one fewer than these: positions in [`Harness::wires`].
    pub wires: Vec<usize>,
}

/// All of it.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Harness {
    /// What has terminals.
    pub items: Vec<Item>,
    /// Wires, in the order of their numbers.
    pub wires: Vec<Wire>,
    /// Rungs, in the order of their groups.
    pub runs: Vec<Run>,
    /// Notes that belong on each drawing: pull resistors, suppressors.
    pub notes: Vec<String>,
}

impl Harness {
    /// A terminal for people: `card_mains:IN3`.
    pub fn terminal(&self, terminal: &Terminal) -> String {
        format!("{}:{}", self.items[terminal.item].name, terminal.name)
    }
    /// Compartments of a wire's two ends. None is outside of the enclosure.
    pub fn sides(&self, wire: &Wire) -> [Option<Compartment>; 2] {
        [self.items[wire.from.item].compartment, self.items[wire.to.item].compartment]
    }
}

/// What must stand on every drawing and list that has to do with the mains.
pub const CAUTIONS: [&str; 6] = [
    "Mains kill, most of all beside salt water: everything on the mains enclosed, earthed, fused, strain-relieved.",
    "An RCD (GFCI) of 30 mA before every part that touches the water; press its test button each month.",
    "A drip loop in every lead, lower than its socket; sockets above the highest water and away from spray.",
    "Mains and low voltage in compartments of their own; no mains wire on a terminal for signals.",
    "Local code goes before this sheet; a licensed electrician does or checks the mains side.",
    "Unplug before the door is opened; measure that it is dead before it is touched.",
];
