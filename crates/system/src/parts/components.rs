//! Components: relays, transistors, loads, probes, supplies, batteries, connectors, wires and the forms of boards, as far as the
//! electrics need them. The data are files of `crates/system/parts`; a person's own parts file may add more.

use units::Kind;

use super::{Figure, Pins};
use crate::raw::{Bound, Field, Table};
use crate::resolve::ACTUATOR_KINDS;
use crate::suggest;

/// What a component is.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum ComponentKind {
    /// Electromechanical contact.
    Relay,
    /// Triac or thyristor with an optocoupler.
    SolidStateRelay,
    /// Transistor on a heat sink or bare, for direct current.
    Transistor,
    /// What draws power.
    Load,
    /// What measures.
    Probe,
    /// Card that carries switches, with an input each.
    Card,
    /// Power supply, charger, converter.
    Supply,
    /// Accumulator.
    Battery,
    /// Single wire or cable, by the metre.
    Wire,
    /// Plug and socket.
    Connector,
    /// Snubber, varistor or diode.
    Suppressor,
    /// A card that is stacked on a board and takes pins of it.
    Stack,
    /// A part on the bus: expander, clock, display.
    Device,
    /// Anything else that is bought: terminals, fuse holders, resistors.
    Hardware,
}

/// Words of `kind` of a component.
pub(crate) const COMPONENT_KINDS: &[(&str, ComponentKind)] = &[
    ("relay", ComponentKind::Relay),
    ("solid_state_relay", ComponentKind::SolidStateRelay),
    ("transistor", ComponentKind::Transistor),
    ("load", ComponentKind::Load),
    ("probe", ComponentKind::Probe),
    ("card", ComponentKind::Card),
    ("supply", ComponentKind::Supply),
    ("battery", ComponentKind::Battery),
    ("wire", ComponentKind::Wire),
    ("connector", ComponentKind::Connector),
    ("suppressor", ComponentKind::Suppressor),
    ("stack", ComponentKind::Stack),
    ("device", ComponentKind::Device),
    ("hardware", ComponentKind::Hardware),
];

/// What a load is to the contact that switches it; the words follow the utilisation categories of IEC 60947-4-1 and IEC 60669.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Nature {
    /// Heating elements.
    Resistive,
    /// Shaded-pole or induction motor, transformer.
    Inductive,
    /// Motor with a permanent-magnet rotor that runs with the mains.
    Synchronous,
    /// Rectifier with a reservoir capacitor: lamp drivers, plug-in supplies.
    Capacitive,
    /// Motor with a commutator or its own electronics on direct current.
    DirectMotor,
    /// Coil of a relay, contactor or valve on direct current.
    Coil,
    /// Small electronics on direct current.
    Electronic,
}

const NATURES: &[(&str, Nature)] = &[
    ("resistive", Nature::Resistive),
    ("inductive", Nature::Inductive),
    ("synchronous", Nature::Synchronous),
    ("capacitive", Nature::Capacitive),
    ("direct_motor", Nature::DirectMotor),
    ("coil", Nature::Coil),
    ("electronic", Nature::Electronic),
];

/// Figures of components and what they measure.
const FIGURES: &[(&str, Kind)] = &[
    ("rated_resistive", Kind::Current),
    ("rated_inductive", Kind::Current),
    ("rated_capacitive", Kind::Current),
    ("rated_inrush", Kind::Current),
    ("minimum_load", Kind::Current),
    ("leakage", Kind::Current),
    ("coil_current", Kind::Current),
    ("coil_voltage", Kind::Voltage),
    ("input_current", Kind::Current),
    ("on_voltage", Kind::Voltage),
    ("on_resistance", Kind::Resistance),
    ("without_sink", Kind::Current),
    ("rated_voltage", Kind::Voltage),
    ("rated_current", Kind::Current),
    ("power_factor", Kind::Ratio),
    ("inrush", Kind::Ratio),
    ("inrush_current", Kind::Current),
    ("inrush_time", Kind::Time),
    ("earth_leakage", Kind::Current),
    ("supply_current", Kind::Current),
    ("bus_capacitance", Kind::Capacitance),
    ("efficiency", Kind::Ratio),
    ("width", Kind::Length),
    ("height", Kind::Length),
    ("depth", Kind::Length),
    ("lines", Kind::Ratio),
    ("line_current", Kind::Current),
    ("sink_total", Kind::Current),
    ("source_total", Kind::Current),
    ("peak_volts", Kind::Voltage),
    ("capacity", Kind::Charge),
    ("rated_time", Kind::Time),
    ("peukert", Kind::Ratio),
    ("usable", Kind::Ratio),
    ("aged", Kind::Ratio),
    ("cut_off", Kind::Voltage),
    ("area", Kind::Area),
    ("cores", Kind::Ratio),
    ("price", Kind::Ratio),
];

/// One component.
#[derive(Clone, PartialEq, Debug)]
pub struct Component {
    /// Name by which the file calls it.
    pub id: String,
    /// What it is.
    pub kind: ComponentKind,
    /// For people, in a bill of materials.
    pub title: String,
    /// Its figures.
    pub figures: Vec<Figure>,
    /// What it is to a contact.
    pub nature: Option<Nature>,
    /// Kinds of actuator, sensor or device that it stands for when nothing is said, as the words of the file.
    pub usual_for: Vec<String>,
    /// Energised by a low level at its input.
    pub active_low: bool,
    /// A diode across its coil is inside.
    pub flyback: bool,
    /// A snubber or varistor across its contact is inside.
    pub suppressed: bool,
    /// Switches at the zero of the voltage.
    pub zero_crossing: bool,
    /// It carries mains (a contact, a connector).
    pub mains: bool,
    /// Sealed against salt water.
    pub sealed: bool,
    /// Input and output are isolated.
    pub isolated: bool,
    /// Its lines float high at power-up with a weak current and can only sink.
    pub quasi_bidirectional: bool,
    /// What a battery is made of, for people.
    pub chemistry: Option<String>,
    /// The switch that a card carries.
    pub carries: Option<String>,
    /// Pins that it takes of a board, by chip.
    pub takes: Vec<(String, Vec<u8>)>,
    /// Where what is no figure comes from.
    pub source: String,
}

impl Component {
    /// A figure's value in the base unit of its kind.
    pub fn value(&self, key: &str) -> Option<f64> {
        self.figures.iter().find(|figure| figure.key == key).map(|figure| figure.value)
    }
    /// A figure.
    pub fn figure(&self, key: &str) -> Option<&Figure> {
        self.figures.iter().find(|figure| figure.key == key)
    }
}

/// The usual board of a chip: what its makers put around the pins.
#[derive(Clone, PartialEq, Debug)]
pub struct Form {
    /// Part number of its chip.
    pub chip: String,
    /// For people.
    pub title: String,
    /// What is printed beside each pin.
    pub labels: Vec<(u8, String)>,
    /// Pins that the bootloader or a lamp on the board moves at reset, and why.
    pub pulses: Vec<(u8, String)>,
    /// Absolute limit of a pin, A, and the current at which its levels are still told, A.
    pub pin_max_a: f64,
    /// A.
    pub pin_work_a: f64,
    /// All pins together, A.
    pub total_a: f64,
    /// Groups of pins with the sums that they may give and take, A.
    pub groups: Vec<PinGroup>,
    /// V.
    pub logic_volts: f64,
    /// What its own regulator gives beyond the board at a 12 V supply, A.
    pub regulator_a: f64,
    /// Width and height of the board, m.
    pub size: [f64; 2],
    /// Full scales that the converter can have, V.
    pub references: Vec<f64>,
    /// Where all of it is from.
    pub source: String,
}

impl Form {
    /// What is printed beside a pin; its own name where nothing is.
    pub fn label(&self, pin: u8) -> String {
        let printed = self.labels.iter().find(|(byte, _)| *byte == pin);
        printed.map_or_else(|| Pins::name(pin), |(_, label)| label.clone())
    }
    /// Why a pin moves at reset.
    pub fn pulse(&self, pin: u8) -> Option<&str> {
        self.pulses.iter().find(|(byte, _)| *byte == pin).map(|(_, why)| why.as_str())
    }
}

/// Pins that share a supply rail inside of the chip.
#[derive(Clone, PartialEq, Debug)]
pub struct PinGroup {
    /// The pins.
    pub pins: Vec<u8>,
    /// Sum of what they give, A.
    pub source_a: f64,
    /// Sum of what they take, A.
    pub sink_a: f64,
}

/// Reads `[[component]]`.
pub(super) fn component(table: &Table<'_>) -> Option<Component> {
    let id = table.need("id", "\"my_relay\"").and_then(|field| field.text());
    let kind = table.need("kind", "\"relay\"").and_then(|field| field.word(COMPONENT_KINDS));
    let title = table.need("title", "\"Relay 10 A\"").and_then(|field| field.text());
    let source = table.need("source", "\"data sheet\"").and_then(|field| field.text());
    let mut figures = vec![];
    for (key, kind) in FIGURES {
        let Some(field) = table.get(key) else { continue };
        let inner = field.value.get_ref().is_table().then(|| field.table()).flatten();
        let (value, from) = match &inner {
            Some(inner) => (inner.need("value", "\"10 A\""), inner.text("source")),
            None => (Some(field), None),
        };
        if let Some(value) = value
            && let Some(number) = value.quantity(*kind, Bound::NotNegative)
        {
            figures.push(Figure {
                key: (*key).to_owned(),
                value: number,
                text: value.value.get_ref().as_str().map_or_else(|| number.to_string(), str::to_owned),
                source: from.or(source).unwrap_or_default().to_owned(),
            });
        }
        if let Some(inner) = inner {
            inner.finish();
        }
    }
    let flag = |key: &'static str| table.boolean(key).unwrap_or(false);
    let usual_for = table.get("usual_for").map(|field| field.one_or_list()).unwrap_or_default();
    let usual_for: Vec<String> = usual_for.iter().filter_map(|f| f.text().map(str::to_owned)).collect();
    if kind == Some(ComponentKind::Load) {
        for word in &usual_for {
            // `low_pump` is the usual pump on low voltage.
            let word = word.strip_prefix("low_").unwrap_or(word);
            if !ACTUATOR_KINDS.iter().any(|(known, _)| *known == word)
                && let Some(field) = table.get("usual_for")
            {
                field.report(
                    "unknown-word",
                    format!("`{word}` is no kind of actuator"),
                    "",
                    suggest::help(word, ACTUATOR_KINDS.iter().map(|(word, _)| *word), "kinds"),
                );
            }
        }
    }
    let takes = table.get("takes").map(|field| takes(&field)).unwrap_or_default();
    let component = Component {
        id: id.unwrap_or_default().to_owned(),
        kind: kind.unwrap_or(ComponentKind::Hardware),
        title: title.unwrap_or_default().to_owned(),
        figures,
        nature: table.get("nature").and_then(|field| field.word(NATURES)),
        usual_for,
        active_low: flag("active_low"),
        flyback: flag("flyback"),
        suppressed: flag("suppressed"),
        zero_crossing: flag("zero_crossing"),
        mains: flag("mains"),
        sealed: flag("sealed"),
        isolated: flag("isolated"),
        quasi_bidirectional: flag("quasi_bidirectional"),
        chemistry: table.text("chemistry").map(str::to_owned),
        carries: table.text("carries").map(str::to_owned),
        takes,
        source: source.unwrap_or_default().to_owned(),
    };
    table.finish();
    (id.is_some() && kind.is_some() && title.is_some() && source.is_some()).then_some(component)
}

fn takes(field: &Field<'_>) -> Vec<(String, Vec<u8>)> {
    let Some(table) = field.table() else { return vec![] };
    let all = table.entries();
    all.into_iter()
        .map(|(chip, _, field)| {
            let items = field.one_or_list();
            (chip.to_owned(), items.iter().filter_map(pin).collect())
        })
        .collect()
}

fn pin(field: &Field<'_>) -> Option<u8> {
    let text = field.text()?;
    let pin = Pins::byte(text);
    if pin.is_none() {
        field.report("unknown-pin", format!("`{text}` is no pin"), "", "write a pin as \"PB5\"");
    }
    pin
}

/// Pins by name with a text each.
fn texts(table: &Table<'_>, key: &'static str) -> Vec<(u8, String)> {
    let Some(inner) = table.get(key).and_then(|field| field.table()) else { return vec![] };
    let all = inner.entries();
    all.into_iter()
        .filter_map(|(name, span, field)| {
            let Some(pin) = Pins::byte(name) else {
                field.report("unknown-pin", format!("`{name}` is no pin"), "", "write a pin as PB5");
                let _ = span;
                return None;
            };
            Some((pin, field.text()?.to_owned()))
        })
        .collect()
}

/// Reads `[[form]]`.
pub(super) fn form(table: &Table<'_>) -> Option<Form> {
    let chip = table.need("chip", "\"ATmega328P\"").and_then(|field| field.text());
    let title = table.need("title", "\"Small board\"").and_then(|field| field.text());
    let source = table.need("source", "\"data sheet\"").and_then(|field| field.text());
    let current = |key: &'static str| table.need_quantity(key, Kind::Current, Bound::Positive, "\"20 mA\"");
    let (pin_max_a, pin_work_a, total_a) = (current("pin_max"), current("pin_work"), current("total"));
    let regulator_a = current("regulator");
    let mut groups = vec![];
    for inner in
        table.get("group").map(|f| f.one_or_list()).unwrap_or_default().iter().filter_map(Field::table)
    {
        groups.push(PinGroup {
            pins: super::read::pins(&inner, "pins"),
            source_a: inner.need_quantity("source", Kind::Current, Bound::Positive, "\"150 mA\""),
            sink_a: inner.need_quantity("sink", Kind::Current, Bound::Positive, "\"100 mA\""),
        });
        inner.finish();
    }
    let size = |key: &'static str| table.need_quantity(key, Kind::Length, Bound::Positive, "\"69 mm\"");
    let references = table.get("references").map(|field| field.one_or_list()).unwrap_or_default();
    let form = Form {
        chip: chip.unwrap_or_default().to_owned(),
        title: title.unwrap_or_default().to_owned(),
        labels: texts(table, "labels"),
        pulses: texts(table, "pulses"),
        pin_max_a,
        pin_work_a,
        total_a,
        groups,
        logic_volts: table.quantity("logic", Kind::Voltage, Bound::Positive).unwrap_or(5.0),
        regulator_a,
        size: [size("width"), size("height")],
        references: references.iter().filter_map(|f| f.quantity(Kind::Voltage, Bound::Positive)).collect(),
        source: source.unwrap_or_default().to_owned(),
    };
    table.finish();
    (chip.is_some() && title.is_some() && source.is_some()).then_some(form)
}
