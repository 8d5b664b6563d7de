//! The parts library: what a class of part is worth when the file says nothing, how it fails, and where each figure is from.
//!
//! The data are the TOML files of `crates/system/parts`; a person's own file may add parts. Nothing here knows a part by name.
//!
//! ```
//! use system::parts::{Effect, Library};
//!
//! let library = Library::builtin();
//! let welded = library.part("heater").and_then(|part| part.mode("welded"));
//! assert_eq!(welded.map(|mode| mode.effect), Some(Effect::AlwaysOn));
//! ```

mod components;
mod effect;
mod faults;
mod read;

use std::sync::{Arc, OnceLock};

use crate::diagnostic::Diagnostic;
use crate::model::{ActuatorKind, PassageKind, SensorKind, SupplyKind, VesselRole};
pub use components::{Component, ComponentKind, Form, Nature, PinGroup};
pub use effect::{Effect, Group};
pub use faults::{Fault, class_of, faults};

/// Kinds of sensor, without their parameters.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[allow(missing_docs)]
pub enum SensorClass {
    Ds18b20,
    Tmp36,
    Ntc,
    Ph,
    Conductivity,
    Level,
    Float,
    Leak,
    Flow,
    Presence,
    Charge,
    RoomTemperature,
    Button,
}

/// Kinds of passage, without their parameters.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[allow(missing_docs)]
pub enum PassageClass {
    Weir,
    Baffle,
    Opening,
    Drain,
    Sock,
    Pumped,
    Line,
    Siphon,
}

/// Kinds of supply, without their parameters.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[allow(missing_docs)]
pub enum SupplyClass {
    Circuit,
    Rail,
    Battery,
    Card,
    Bus,
}

/// What a part can be put as.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum PartOf {
    /// An actuator of this kind.
    Actuator(ActuatorKind),
    /// A sensor of this kind.
    Sensor(SensorClass),
    /// A supply group of this kind.
    Supply(SupplyClass),
    /// A controller board.
    Board,
    /// A vessel with its role.
    Vessel(VesselRole),
    /// A passage of this kind.
    Passage(PassageClass),
    /// Something outside the file: mains, room, people, telling.
    Place,
}

/// One figure with its unit and source.
#[derive(Clone, PartialEq, Debug)]
pub struct Figure {
    /// What, e.g. `lag`.
    pub key: String,
    /// In the base unit of [`units::Kind`]; plain numbers as they are.
    pub value: f64,
    /// As written, with its unit.
    pub text: String,
    /// Where it is from; `assumed` or `common practice, no source` when from nowhere.
    pub source: String,
}

/// One way to fail.
#[derive(Clone, PartialEq, Debug)]
pub struct FailureMode {
    /// Kebab-case name of the FMEA row, e.g. `stuck-up`.
    pub id: String,
    /// One sentence.
    pub description: String,
    /// What the simulator does.
    pub effect: Effect,
    /// Failures a year. None: no figure.
    pub rate_per_year: Option<f64>,
    /// Where mode and rate are from.
    pub source: String,
}

/// A class of part.
#[derive(Clone, PartialEq, Debug)]
pub struct Part {
    /// Name by which `part = "..."` calls it.
    pub id: String,
    /// For people.
    pub title: String,
    /// What it can be put as.
    pub of: PartOf,
    /// Its figures.
    pub figures: Vec<Figure>,
    /// How it fails.
    pub modes: Vec<FailureMode>,
}

impl Part {
    /// The failure mode of that name.
    pub fn mode(&self, id: &str) -> Option<&FailureMode> {
        self.modes.iter().find(|mode| mode.id == id)
    }

    /// The figure of that name.
    pub fn figure(&self, key: &str) -> Option<&Figure> {
        self.figures.iter().find(|figure| figure.key == key)
    }
}

/// A chip that can run the rules.
#[derive(Clone, PartialEq, Debug)]
pub struct Chip {
    /// Part number.
    pub name: String,
    /// Flash for program and runtime behind the bootloader, bytes.
    pub flash: u32,
    /// Bytes.
    pub sram: u32,
    /// Bytes.
    pub eeprom: u32,
    /// W of a usual board with it.
    pub watts: f64,
    /// Its number in wiring tables and in *hello*. None: no runtime of ours runs on it.
    pub code: Option<u8>,
    /// Three bytes by which its bootloader names it.
    pub signature: Option<[u8; 3]>,
    /// Bytes that its flash writes at once.
    pub page: u32,
    /// The bootloader that the usual board brings along.
    pub bootloader: Option<Bootloader>,
    /// Its pins as far as a board leaves them free.
    pub pins: Pins,
    /// Where the figures are from.
    pub source: String,
}

/// The serial bootloader of the usual board with a chip.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Bootloader {
    /// What it speaks.
    pub protocol: BootProtocol,
    /// Bits a second.
    pub baud: u32,
    /// Bytes at the top of the flash.
    pub bytes: u32,
}

/// Protocols of serial bootloaders.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum BootProtocol {
    /// STK500, first version (Atmel AVR061).
    Stk500v1,
    /// STK500, second version (Atmel AVR068).
    Stk500v2,
    /// AVR109.
    Avr109,
}

/// A timer of a chip.
#[derive(Clone, PartialEq, Debug)]
pub struct Timer {
    /// What the runtime does with it.
    pub does: TimerWork,
    /// Its outputs.
    pub pins: Vec<u8>,
    /// Frequency of its duties, Hz; None for other work.
    pub hz: Option<f64>,
}

/// Work of a timer.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum TimerWork {
    /// Pulse-width modulation, all outputs at one frequency.
    Duty,
    /// Tones, one at a time, on any pin.
    Tone,
    /// The tick, and stamps of edges: infrared, pulses, echoes.
    Time,
}

/// Pins of a chip and what each can do. A pin is a byte as in docs/firmware.md: `(letter - 'A') * 8 + bit` of a pin with port and bit,
/// 128 and its number of one that has only a number.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Pins {
    /// Digital inputs and outputs.
    pub digital: Vec<u8>,
    /// Those whose edges can be watched.
    pub edges: Vec<u8>,
    /// Those with fast pulse-width modulation.
    pub pwm: Vec<u8>,
    /// What its timers do. Empty: not known.
    pub timers: Vec<Timer>,
    /// Pins whose edges the runtime can watch at once. None: not known.
    pub watched: Option<u8>,
    /// Converter channels: name, number of the multiplexer, and the pin where it is one.
    pub channels: Vec<(String, u8, Option<u8>)>,
    /// Data and clock of the I2C bus.
    pub i2c: Vec<u8>,
    /// Receive and send of the serial line.
    pub uart: Vec<u8>,
    /// Out, in, clock and select of the SPI bus.
    pub spi: Vec<u8>,
}

/// From here on pins have only a number.
const NUMBERED: u8 = 128;
/// The byte that is no pin.
const NO_PIN: u8 = 255;

impl Pins {
    /// Frequency of the duties that a pin gives, Hz. None: it gives none, or its timer is not known.
    pub fn duty_hz(&self, pin: u8) -> Option<f64> {
        self.timers.iter().find(|timer| timer.does == TimerWork::Duty && timer.pins.contains(&pin))?.hz
    }

    /// The byte of a pin's name such as `PB5` or `GPIO5`; None when it is not the name of a pin of any chip.
    pub fn byte(name: &str) -> Option<u8> {
        let bytes = name.as_bytes();
        if let Some(number) = name.strip_prefix("GPIO").or_else(|| name.strip_prefix("gpio")) {
            let number: u8 = number.parse().ok()?;
            return (number < NO_PIN - NUMBERED).then_some(NUMBERED + number);
        }
        match bytes {
            [b'P' | b'p', letter, bit @ b'0'..=b'7'] if letter.is_ascii_alphabetic() => {
                let letter = letter.to_ascii_uppercase() - b'A';
                (letter < 12).then_some(letter * 8 + (bit - b'0'))
            }
            _ => None,
        }
    }

    /// The name of a pin's byte.
    pub fn name(pin: u8) -> String {
        match pin.checked_sub(NUMBERED) {
            Some(number) => format!("GPIO{number}"),
            None => format!("P{}{}", char::from(b'A' + pin / 8), pin % 8),
        }
    }

    /// A converter channel by its own name or that of its pin: its number, and the pin it takes.
    pub fn channel(&self, name: &str) -> Option<(u8, Option<u8>)> {
        let pin = Pins::byte(name);
        (self.channels.iter())
            .find(|(channel, _, on)| channel.eq_ignore_ascii_case(name) || (pin.is_some() && pin == *on))
            .map(|(_, number, on)| (*number, *on))
    }
}

/// All parts and chips.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Library {
    parts: Vec<Part>,
    chips: Vec<Chip>,
    components: Vec<Component>,
    forms: Vec<Form>,
}

/// The data files of the built-in library.
pub(crate) const FILES: &[(&str, &str)] = &[
    ("sensors.toml", include_str!("../../parts/sensors.toml")),
    ("actuators.toml", include_str!("../../parts/actuators.toml")),
    ("supplies.toml", include_str!("../../parts/supplies.toml")),
    ("water.toml", include_str!("../../parts/water.toml")),
    ("places.toml", include_str!("../../parts/places.toml")),
    ("chips.toml", include_str!("../../parts/chips.toml")),
    ("boards.toml", include_str!("../../parts/boards.toml")),
    ("switches.toml", include_str!("../../parts/switches.toml")),
    ("loads.toml", include_str!("../../parts/loads.toml")),
    ("wires.toml", include_str!("../../parts/wires.toml")),
    ("low_voltage.toml", include_str!("../../parts/low_voltage.toml")),
];

impl SensorClass {
    /// The class of a sensor.
    pub fn of(kind: &SensorKind) -> Self {
        match kind {
            SensorKind::Ds18b20 => Self::Ds18b20,
            SensorKind::Tmp36 { .. } => Self::Tmp36,
            SensorKind::Ntc { .. } => Self::Ntc,
            SensorKind::Ph { .. } => Self::Ph,
            SensorKind::Conductivity => Self::Conductivity,
            SensorKind::Level { .. } => Self::Level,
            SensorKind::Float { .. } => Self::Float,
            SensorKind::Leak => Self::Leak,
            SensorKind::Flow { .. } => Self::Flow,
            SensorKind::Presence { .. } => Self::Presence,
            SensorKind::Charge { .. } => Self::Charge,
            SensorKind::RoomTemperature => Self::RoomTemperature,
            SensorKind::Button => Self::Button,
        }
    }
}

impl PassageClass {
    /// The class of a passage.
    pub fn of(kind: &PassageKind) -> Self {
        match kind {
            PassageKind::Weir { .. } => Self::Weir,
            PassageKind::Baffle { .. } => Self::Baffle,
            PassageKind::Opening { .. } => Self::Opening,
            PassageKind::Drain { .. } => Self::Drain,
            PassageKind::Sock { .. } => Self::Sock,
            PassageKind::Pumped { .. } => Self::Pumped,
            PassageKind::Line { .. } => Self::Line,
            PassageKind::Siphon { .. } => Self::Siphon,
        }
    }
}

impl SupplyClass {
    /// The class of a supply.
    pub fn of(kind: &SupplyKind) -> Self {
        match kind {
            SupplyKind::Circuit { .. } => Self::Circuit,
            SupplyKind::Rail { .. } => Self::Rail,
            SupplyKind::Battery { .. } => Self::Battery,
            SupplyKind::Card => Self::Card,
            SupplyKind::Bus => Self::Bus,
        }
    }
}

impl Library {
    /// The library that the tool brings along.
    pub fn builtin() -> &'static Arc<Library> {
        static BUILTIN: OnceLock<Arc<Library>> = OnceLock::new();
        BUILTIN.get_or_init(|| {
            let mut library = Library::default();
            for (_, text) in FILES {
                // A test reads each file and holds it free of findings.
                library.add(text);
            }
            Arc::new(library)
        })
    }

    /// This library and the parts of a person's own file. A part of the same name replaces the old one.
    ///
    /// # Errors
    ///
    /// Everything that is wrong with the file, places counted in `text`.
    pub fn with_file(&self, text: &str) -> Result<Library, Vec<Diagnostic>> {
        let mut library = self.clone();
        let findings = library.add(text);
        if findings.is_empty() { Ok(library) } else { Err(findings) }
    }

    /// Reads a file into the library; returns what is wrong with it.
    pub(crate) fn add(&mut self, text: &str) -> Vec<Diagnostic> {
        let read::Contents { parts, chips, components, forms, findings } = read::read(text);
        for component in components {
            self.components.retain(|old| old.id != component.id);
            self.components.push(component);
        }
        for form in forms {
            self.forms.retain(|old| old.chip != form.chip);
            self.forms.push(form);
        }
        for part in parts {
            self.parts.retain(|old| old.id != part.id || old.of != part.of);
            self.parts.push(part);
        }
        for chip in chips {
            self.chips.retain(|old| old.name != chip.name);
            self.chips.push(chip);
        }
        findings
    }

    /// The part of that name.
    pub fn part(&self, id: &str) -> Option<&Part> {
        self.parts.iter().find(|part| part.id == id)
    }

    /// The plain part of a kind: the first one of that kind.
    pub fn usual(&self, of: PartOf) -> Option<&Part> {
        self.parts.iter().find(|part| part.of == of)
    }

    /// All parts.
    pub fn parts(&self) -> &[Part] {
        &self.parts
    }

    /// Names of the parts that can be put as this.
    pub fn ids(&self, of: PartOf) -> Vec<&str> {
        self.parts.iter().filter(|part| part.of == of).map(|part| part.id.as_str()).collect()
    }

    /// A figure of a part.
    pub fn value(&self, id: &str, key: &str) -> Option<f64> {
        self.part(id)?.figure(key).map(|figure| figure.value)
    }

    /// The chip of that part number, in any case.
    pub fn chip(&self, name: &str) -> Option<&Chip> {
        self.chips.iter().find(|chip| chip.name.eq_ignore_ascii_case(name))
    }

    /// The chip with this number in wiring tables.
    pub fn chip_of_code(&self, code: u8) -> Option<&Chip> {
        self.chips.iter().find(|chip| chip.code == Some(code))
    }

    /// The component of that name.
    pub fn component(&self, id: &str) -> Option<&Component> {
        self.components.iter().find(|component| component.id == id)
    }

    /// All components.
    pub fn components(&self) -> &[Component] {
        &self.components
    }

    /// The component of a kind that stands for a word of the file (`pump`, `ds18b20`, `mcp23017`, `mains`) when nothing is said; one of a
    /// person's own file goes before.
    pub fn usual_component(&self, kind: ComponentKind, word: &str) -> Option<&Component> {
        self.components.iter().rev().find(|c| c.kind == kind && c.usual_for.iter().any(|usual| usual == word))
    }

    /// The wire or cable of so many cores and such a cross-section, mm². `mains`: for the mains, or for low voltage alone. One of
    /// a person's own file goes before.
    pub fn wire(&self, cores: usize, mm2: f64, mains: bool) -> Option<&Component> {
        self.components.iter().rev().find(|c| {
            let is =
                |key: &str, value: f64| c.value(key).is_some_and(|own| (own - value).abs() < 1e-3 * value);
            c.kind == ComponentKind::Wire
                && c.mains == mains
                && is("cores", cores as f64)
                && is("area", mm2 * 1e-6)
        })
    }

    /// The usual board with a chip.
    pub fn form(&self, chip: &str) -> Option<&Form> {
        self.forms.iter().find(|form| form.chip.eq_ignore_ascii_case(chip))
    }

    /// All chips.
    pub fn chips(&self) -> &[Chip] {
        &self.chips
    }

    /// Whether any part fails in a mode of that name.
    pub fn has_mode(&self, id: &str) -> bool {
        self.parts.iter().any(|part| part.mode(id).is_some())
    }

    /// All names of failure modes, in alphabetical order.
    pub fn mode_ids(&self) -> Vec<&str> {
        let mut ids: Vec<&str> =
            self.parts.iter().flat_map(|part| part.modes.iter().map(|mode| mode.id.as_str())).collect();
        ids.sort_unstable();
        ids.dedup();
        ids
    }
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::{FILES, Library, PartOf};
    use crate::resolve::{ACTUATOR_KINDS, SENSOR_KINDS};

    #[test]
    fn the_data_files_are_sound() {
        for (name, text) in FILES {
            let findings = Library::default().add(text);
            assert!(findings.is_empty(), "{name}: {findings:#?}");
        }
    }

    #[test]
    fn every_kind_has_a_plain_part_named_as_in_the_file() {
        let library = Library::builtin();
        for (word, kind) in ACTUATOR_KINDS {
            assert_eq!(library.usual(PartOf::Actuator(*kind)).map(|p| p.id.as_str()), Some(*word));
        }
        for (word, class) in SENSOR_KINDS {
            assert_eq!(library.usual(PartOf::Sensor(*class)).map(|p| p.id.as_str()), Some(*word));
            assert!(library.value(word, "max_age").is_some_and(|age| age > 0.0), "{word}");
        }
    }

    #[test]
    fn one_component_at_most_is_the_usual_one() {
        let mut seen = HashSet::new();
        for component in Library::builtin().components() {
            assert!(component.figures.iter().all(|figure| !figure.source.is_empty()), "{}", component.id);
            for word in &component.usual_for {
                assert!(seen.insert((component.kind, word)), "{word} of {} stands twice", component.id);
            }
        }
    }

    #[test]
    fn every_figure_and_mode_has_a_source_and_ids_are_unique() {
        let mut ids = HashSet::new();
        for part in Library::builtin().parts() {
            assert!(ids.insert(&part.id), "{} stands twice", part.id);
            let mut modes = HashSet::new();
            assert!(part.figures.iter().all(|figure| !figure.source.is_empty()), "{}", part.id);
            for mode in &part.modes {
                assert!(
                    !mode.source.is_empty() && !mode.description.ends_with('.'),
                    "{} {}",
                    part.id,
                    mode.id
                );
                assert!(modes.insert(&mode.id), "{} {} stands twice", part.id, mode.id);
            }
        }
    }
}
