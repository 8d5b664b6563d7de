//! `[[device]]` and `[wiring]`: what stands on which pin, bus and line, checked against the chip.
//!
//! The chip is that of the first board. What the file leaves open stays open; only what it says is judged.

use std::ops::Range;

use units::Kind;

use super::context::{Context, Entry, Thing};
use crate::diagnostic::Diagnostic;
use crate::model::{Actuator, ActuatorKind, Sensor, SensorIdx, SensorKind, System};
use crate::parts::{Chip, Pins};
use crate::raw::{Bound, Field, Table};
use crate::suggest;
use crate::wiring::{
    ActuatorPlace, CONTACT_SAMPLE_MS, Device, DeviceKind, Line, NO_PIN, SensorPlace, USUAL_DEBOUNCE_MS,
    Wiring,
};

/// Longest debounce: 127 samples (docs/control-program.md).
const LONGEST_DEBOUNCE_S: f64 = 127.0 * CONTACT_SAMPLE_MS as f64 / 1000.0;

/// Words of `kind` of a device.
const DEVICE_KINDS: &[(&str, DeviceKind)] = &[
    ("mcp23008", DeviceKind::Mcp23008),
    ("mcp23017", DeviceKind::Mcp23017),
    ("pcf8574", DeviceKind::Pcf8574),
    ("text_display", DeviceKind::TextDisplay { columns: 20, rows: 4 }),
    ("ds1307", DeviceKind::Ds1307),
    ("ds3231", DeviceKind::Ds3231),
    ("infrared_receiver", DeviceKind::InfraredReceiver),
    ("w5500", DeviceKind::W5500),
];

/// Addresses that a kind can have on the bus, from and to, by the data sheets: MCP23008, MCP23017 and PCF8574 three address pins over 0x20, the
/// PCF8574A over 0x38; both clocks 0x68 alone.
fn addresses(kind: DeviceKind) -> &'static [(u8, u8)] {
    match kind {
        DeviceKind::Mcp23008 | DeviceKind::Mcp23017 => &[(0x20, 0x27)],
        DeviceKind::Pcf8574 | DeviceKind::TextDisplay { .. } => &[(0x20, 0x27), (0x38, 0x3F)],
        DeviceKind::Ds1307 | DeviceKind::Ds3231 => &[(0x68, 0x68)],
        DeviceKind::InfraredReceiver | DeviceKind::W5500 => &[],
    }
}

/// What is asked of a pin.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Asks {
    Level,
    Edges,
    Pwm,
}

/// Something that is taken.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Taken {
    Pin(u8),
    /// A channel of the converter that is no pin.
    Channel(u8),
    Address(u8),
    Line(usize, u8),
}

struct Claim {
    what: Taken,
    owner: String,
    /// None: the board itself takes it.
    span: Option<Range<usize>>,
    /// A one-wire bus: further thermometers may join. Holds whether this one has a ROM code.
    one_wire: Option<bool>,
}

struct Reader<'c, 'a> {
    context: &'c Context<'a>,
    chip: Option<&'c Chip>,
    claims: Vec<Claim>,
    devices: Vec<Device>,
}

/// Reads both sections.
pub(super) fn wiring<'a>(
    context: &Context<'a>,
    root: &Table<'a>,
    sensors: &[Sensor],
    actuators: &[Actuator],
) -> Wiring {
    let section = root.get("wiring").and_then(|field| field.table());
    let mut wiring = Wiring {
        devices: vec![],
        sensors: vec![None; sensors.len()],
        actuators: vec![None; actuators.len()],
        roms: vec![],
        is_begun: section.is_some(),
    };
    let first = section.as_ref().map(|table| table.span.clone());
    let first = first.or_else(|| context.devices.first().map(|entry| entry.table.span.clone()));
    let Some(first) = first else { return wiring };
    let board = context.boards.first();
    let chip = board
        .and_then(|entry| entry.table.get("chip"))
        .and_then(|field| field.value.get_ref().as_str())
        .and_then(|name| context.library.chip(name));
    if board.is_none() || chip.is_some_and(|chip| chip.pins.digital.is_empty()) {
        let (what, cure) = match chip {
            Some(chip) => (
                format!("the pins of the {} are not known, so nothing can be wired to it", chip.name),
                "add `pins` to its [[chip]] in the parts file".to_owned(),
            ),
            None => (
                "there is no board to wire to".to_owned(),
                "add [[board]] with the part number of its chip, such as chip = \"ATmega328P\"".to_owned(),
            ),
        };
        let finding = Diagnostic::error("wiring-without-board", what).at(Some(first), "").help(cure);
        context.sink.report(finding);
    }
    let mut reader = Reader { context, chip, claims: vec![], devices: vec![] };
    reader.claim_buses();
    for entry in &context.devices {
        let device = reader.device(entry);
        reader.devices.push(device);
    }
    if let Some(section) = &section {
        reader.section(section, sensors, actuators, &mut wiring);
    }
    wiring.devices = reader.devices;
    wiring
}

/// Checks that need the whole system.
pub(super) fn check(context: &Context<'_>, system: &System) {
    for (position, sensor) in system.sensors.iter().enumerate() {
        let Some(thermometer) = sensor.temperature else { continue };
        let is_thermometer = matches!(
            system.sensors[thermometer.idx()].kind,
            SensorKind::Ds18b20
                | SensorKind::Tmp36 { .. }
                | SensorKind::Ntc { .. }
                | SensorKind::RoomTemperature
        );
        if is_thermometer {
            continue;
        }
        let table = &context.sensors[position].table;
        if let Some(field) = table.get("temperature") {
            let thermometers: Vec<&str> = (system.sensors.iter())
                .filter(|s| matches!(s.kind, SensorKind::Ds18b20 | SensorKind::RoomTemperature))
                .map(|s| s.name.as_str())
                .collect();
            field.report(
                "wrong-kind-of-name",
                format!("`{}` is no thermometer", system.sensors[thermometer.idx()].name),
                "",
                suggest::help("", thermometers, "thermometers"),
            );
        }
    }
}

impl<'a> Reader<'_, 'a> {
    /// What the board takes for itself: the serial line always, a bus when something hangs on it.
    fn claim_buses(&mut self) {
        let Some(chip) = self.chip else { return };
        let kinds = self.context.devices.iter().map(|entry| {
            let field = entry.table.get("kind");
            let word = field.and_then(|field| field.value.get_ref().as_str());
            DEVICE_KINDS.iter().find(|(known, _)| Some(*known) == word).map(|(_, kind)| *kind)
        });
        let kinds: Vec<DeviceKind> = kinds.flatten().collect();
        let mut take = |pins: &[u8], owner: &str| {
            for pin in pins {
                self.claims.push(Claim {
                    what: Taken::Pin(*pin),
                    owner: owner.to_owned(),
                    span: None,
                    one_wire: None,
                });
            }
        };
        take(&chip.pins.uart, "the board's serial line, by which it is programmed and spoken to");
        if kinds.iter().any(|kind| kind.is_on_i2c()) {
            take(&chip.pins.i2c, "the I2C bus of the devices");
        }
        if kinds.contains(&DeviceKind::W5500) {
            // The select pin of the bus may be the select line of the device itself.
            take(chip.pins.spi.get(..3).unwrap_or_default(), "the SPI bus of the W5500");
        }
    }

    fn claim(&mut self, field: &Field<'_>, what: Taken, owner: &str, one_wire: Option<bool>) {
        let other = self.claims.iter().find(|claim| claim.what == what);
        if let (Some(with_rom), Some(other)) = (one_wire, other)
            && let Some(other_with_rom) = other.one_wire
        {
            if !(with_rom && other_with_rom) {
                let (owner, message) = (
                    other.owner.clone(),
                    format!("{owner} and {} share a one-wire bus and need a ROM code each", other.owner),
                );
                let finding = Diagnostic::error("rom-needed", message)
                    .at(Some(field.span()), "")
                    .at(other.span.clone(), format!("{owner} is here"))
                    .help("add `rom = \"28-<12 hex digits>\"` to both, or give each a pin of its own");
                self.report(field, finding);
            }
            self.claims.push(Claim { what, owner: owner.to_owned(), span: Some(field.span()), one_wire });
            return;
        }
        if let Some(other) = other {
            let (id, thing) = match what {
                Taken::Pin(pin) => ("pin-used-twice", format!("pin {}", Pins::name(pin))),
                Taken::Channel(channel) => ("pin-used-twice", format!("channel {channel}")),
                Taken::Address(address) => ("address-used-twice", format!("bus address {address:#04x}")),
                Taken::Line(device, line) => {
                    let name = self.devices.get(device).map_or("the expander", |d| d.name.as_str());
                    ("line-used-twice", format!("line {line} of `{name}`"))
                }
            };
            let finding =
                Diagnostic::error(id, format!("{thing} is taken twice: by {} and by {owner}", other.owner))
                    .at(Some(field.span()), "")
                    .at(other.span.clone(), format!("{} is here", other.owner))
                    .help(self.free(what));
            self.report(field, finding);
            return;
        }
        self.claims.push(Claim { what, owner: owner.to_owned(), span: Some(field.span()), one_wire });
    }

    fn report(&self, field: &Field<'_>, finding: Diagnostic) {
        self.context.sink.report(match &field.subject {
            Some(subject) => finding.subject(subject.clone()),
            None => finding,
        });
    }

    fn is_taken(&self, what: Taken) -> bool {
        self.claims.iter().any(|claim| claim.what == what)
    }

    /// What could be taken instead.
    fn free(&self, what: Taken) -> String {
        match what {
            Taken::Pin(_) | Taken::Channel(_) => {
                let all = self.chip.map(|chip| chip.pins.digital.as_slice()).unwrap_or_default();
                self.free_pins(all)
            }
            Taken::Address(_) => "set the address pins of one of them otherwise".to_owned(),
            Taken::Line(device, _) => {
                let n = self.devices.get(device).map_or(0, |device| device.kind.n_lines());
                let free: Vec<String> = (0..n)
                    .filter(|line| !self.is_taken(Taken::Line(device, *line)))
                    .map(|line| line.to_string())
                    .collect();
                format!("lines not yet taken: {}", listed(&free))
            }
        }
    }

    fn free_pins(&self, of: &[u8]) -> String {
        let free: Vec<String> =
            (of.iter()).filter(|pin| !self.is_taken(Taken::Pin(**pin))).map(|pin| Pins::name(*pin)).collect();
        format!("pins not yet taken: {}", listed(&free))
    }

    /// Reads a pin, checks it against the chip and takes it.
    fn pin(&mut self, field: &Field<'_>, asks: Asks, owner: &str, one_wire: Option<bool>) -> u8 {
        let (Some(text), Some(chip)) = (field.text(), self.chip) else { return NO_PIN };
        let Some(pin) = Pins::byte(text).filter(|pin| chip.pins.digital.contains(pin)) else {
            field.report(
                "unknown-pin",
                format!("the {} has no pin `{text}` that is free to use", chip.name),
                "",
                self.free_pins(&chip.pins.digital),
            );
            return NO_PIN;
        };
        let (able, wanted) = match asks {
            Asks::Level => (&chip.pins.digital, ""),
            Asks::Edges => (&chip.pins.edges, "tell the chip of its edges"),
            Asks::Pwm => (&chip.pins.pwm, "give a duty"),
        };
        if !able.contains(&pin) {
            field.report(
                "pin-cannot",
                format!("pin {} of the {} cannot {wanted}, which {owner} needs", Pins::name(pin), chip.name),
                "",
                self.free_pins(able),
            );
            return NO_PIN;
        }
        self.claim(field, Taken::Pin(pin), owner, one_wire);
        pin
    }

    fn channel(&mut self, field: &Field<'_>, owner: &str) -> u8 {
        let (Some(text), Some(chip)) = (field.text(), self.chip) else { return 0 };
        let Some((channel, pin)) = chip.pins.channel(text) else {
            let names = chip.pins.channels.iter().map(|(name, ..)| name.as_str());
            field.report(
                "unknown-pin",
                format!("the converter of the {} has no channel `{text}`", chip.name),
                "",
                suggest::help("", names, "channels"),
            );
            return 0;
        };
        self.claim(field, pin.map_or(Taken::Channel(channel), Taken::Pin), owner, None);
        channel
    }

    fn device(&mut self, entry: &Entry<'a>) -> Device {
        let table = &entry.table;
        let name = entry.name.clone();
        let owner = format!("`{name}`");
        let Some(mut kind) = table.need("kind", "\"mcp23017\"").and_then(|field| field.word(DEVICE_KINDS))
        else {
            table.leave();
            return Device { name, kind: DeviceKind::W5500, address: NO_PIN };
        };
        if let DeviceKind::TextDisplay { columns, rows } = &mut kind
            && let Some(field) = table.get("size")
            && let Some(text) = field.text()
        {
            match size(text) {
                Some(size) => (*columns, *rows) = size,
                None => field.report(
                    "bad-display-size",
                    format!("`{text}` is no size of a text display"),
                    "",
                    "write characters a row and rows, such as \"20x4\"; 8 to 40 characters, at most 80 in all, \
                     in 1, 2 or 4 rows",
                ),
            }
        }
        let address = if kind.is_on_i2c() {
            self.address(table, kind, &owner)
        } else {
            let asks = if kind == DeviceKind::W5500 { Asks::Level } else { Asks::Edges };
            table.get("pin").map_or(NO_PIN, |field| self.pin(&field, asks, &owner, None))
        };
        if kind == DeviceKind::W5500 && address != NO_PIN {
            self.claim_select(address);
        }
        Device { name, kind, address }
    }

    /// The select pin of the SPI bus must be an output: it is free only for the device itself.
    fn claim_select(&mut self, pin: u8) {
        let select = self.chip.and_then(|chip| chip.pins.spi.get(3).copied());
        if let Some(select) = select.filter(|select| *select != pin) {
            let owner = "the SPI bus of the W5500".to_owned();
            self.claims.push(Claim { what: Taken::Pin(select), owner, span: None, one_wire: None });
        }
    }

    fn address(&mut self, table: &Table<'a>, kind: DeviceKind, owner: &str) -> u8 {
        let possible = addresses(kind);
        let fixed = matches!(possible, [(first, last)] if first == last);
        let usual = possible.first().map_or(0, |(first, _)| *first);
        let Some(field) = table.get("address") else {
            let free = if fixed { Some(usual) } else { self.free_address(possible) };
            self.claim_at(table.span.clone(), free.unwrap_or(usual), owner);
            return free.unwrap_or(usual);
        };
        let Some(address) = field.whole(0, 0x7F).map(|address| address as u8) else { return usual };
        if !possible.iter().any(|(first, last)| (*first..=*last).contains(&address)) {
            let ranges: Vec<String> = (possible.iter())
                .map(|(first, last)| match first == last {
                    true => format!("{first:#04x}"),
                    false => format!("{first:#04x} to {last:#04x}"),
                })
                .collect();
            field.report(
                "out-of-range",
                format!("{owner} cannot have the bus address {address:#04x}"),
                "",
                format!("its address is {}", ranges.join(", or ")),
            );
            return usual;
        }
        self.claim(&field, Taken::Address(address), owner, None);
        address
    }

    /// The first address that no device of the file asks for and none has got yet.
    fn free_address(&self, possible: &[(u8, u8)]) -> Option<u8> {
        let asked: Vec<u32> = (self.context.devices.iter())
            .filter_map(|entry| entry.table.written("address")?.plain_whole())
            .collect();
        possible
            .iter()
            .flat_map(|(first, last)| *first..=*last)
            .find(|address| !asked.contains(&u32::from(*address)) && !self.is_taken(Taken::Address(*address)))
    }

    /// Takes an address that stands nowhere in the file.
    fn claim_at(&mut self, span: Range<usize>, address: u8, owner: &str) {
        let what = Taken::Address(address);
        if let Some(other) = self.claims.iter().find(|claim| claim.what == what) {
            self.context.sink.report(
                Diagnostic::error(
                    "address-used-twice",
                    format!("bus address {address:#04x} is taken twice: by {} and by {owner}", other.owner),
                )
                .at(Some(span), "")
                .at(other.span.clone(), format!("{} is here", other.owner))
                .help("a board has one clock, and eight expanders of a kind; take one of them out"),
            );
            return;
        }
        self.claims.push(Claim { what, owner: owner.to_owned(), span: Some(span), one_wire: None });
    }

    fn section(
        &mut self,
        section: &Table<'a>,
        sensors: &[Sensor],
        actuators: &[Actuator],
        wiring: &mut Wiring,
    ) {
        for (name, span, field) in section.entries() {
            let found = self.context.find(name);
            let Some((thing, position)) =
                found.filter(|(thing, _)| matches!(thing, Thing::Sensor | Thing::Actuator))
            else {
                self.no_such(name, span, found.map(|(thing, _)| thing));
                continue;
            };
            let Some(mut table) = field.table() else { continue };
            table.label = format!("the wiring of `{name}`");
            table.subject = Some(name.to_owned());
            {
                let mut places = self.context.places.borrow_mut();
                places.note(format!("wiring.{name}"), span.clone());
                for (key, _, field) in table.entries() {
                    places.note(format!("wiring.{name}.{key}"), field.span());
                }
            }
            match thing {
                Thing::Sensor => {
                    let place = self.sensor(&table, &sensors[position]);
                    match place {
                        Some(SensorPlace::OneWire { pin: NO_PIN, rom: Some(rom) }) => {
                            wiring.roms.push((SensorIdx(position), rom));
                        }
                        place => wiring.sensors[position] = place,
                    }
                }
                _ if actuators[position].always => {
                    table.leave();
                    self.context.sink.report(
                        Diagnostic::error(
                            "conflicting-keys",
                            format!("`{name}` always runs, so nothing of it is wired to the board"),
                        )
                        .at(Some(span), "")
                        .subject(name)
                        .help("take this line out, or take out `always = true` and give it a rule"),
                    );
                }
                _ => {
                    if let Some(slot) = wiring.actuators.get_mut(position) {
                        *slot = self.actuator(&table, &actuators[position]);
                    }
                }
            }
            table.finish();
        }
    }

    fn no_such(&self, name: &str, span: Range<usize>, thing: Option<Thing>) {
        let names = self.context.names_of(&[Thing::Sensor, Thing::Actuator]);
        let finding = match thing {
            Some(Thing::Device) => Diagnostic::error(
                "wrong-kind-of-name",
                format!("`{name}` is a device; its pin or address stands in its own section"),
            )
            .help("write `address` or `pin` under its [[device]]"),
            Some(thing) => Diagnostic::error(
                "wrong-kind-of-name",
                format!("`{name}` is {}, but [wiring] places sensors and actuators", thing.with_article()),
            )
            .help(suggest::help(name, names, "sensors and actuators")),
            None => Diagnostic::error(
                "unknown-name",
                format!("no sensor or actuator of this file is named `{name}`"),
            )
            .help(suggest::help(name, names, "sensors and actuators")),
        };
        self.context.sink.report(finding.at(Some(span), ""));
    }

    fn sensor(&mut self, table: &Table<'a>, sensor: &Sensor) -> Option<SensorPlace> {
        let owner = format!("`{}`", sensor.name);
        Some(match sensor.kind {
            SensorKind::Ds18b20 | SensorKind::RoomTemperature => {
                let rom = table.get("rom").map(|field| rom(&field));
                if rom.is_some() && !table.has("pin") {
                    // With its code alone it may stand on any one-wire bus.
                    return Some(SensorPlace::OneWire { pin: NO_PIN, rom: rom.flatten() });
                }
                let field = table.need("pin", "\"PD4\"")?;
                let pin = self.pin(&field, Asks::Level, &owner, Some(rom.is_some()));
                SensorPlace::OneWire { pin, rom: rom.flatten() }
            }
            SensorKind::Level { .. } if sensor.mounted.is_some() => {
                let trigger = table.need("trigger", "\"PD4\"")?;
                let echo = table.need("echo", "\"PD5\"")?;
                SensorPlace::Echo {
                    trigger: self.pin(&trigger, Asks::Level, &owner, None),
                    echo: self.pin(&echo, Asks::Edges, &owner, None),
                }
            }
            SensorKind::Tmp36 { .. }
            | SensorKind::Ntc { .. }
            | SensorKind::Ph { .. }
            | SensorKind::Conductivity
            | SensorKind::Level { .. }
            | SensorKind::Charge { .. } => {
                let field = table.need("channel", "\"ADC0\"")?;
                SensorPlace::Channel { channel: self.channel(&field, &owner) }
            }
            SensorKind::Flow { .. } => {
                let field = table.need("pin", "\"PD3\"")?;
                SensorPlace::Pulses { pin: self.pin(&field, Asks::Edges, &owner, None) }
            }
            SensorKind::Button => {
                if let Some(field) = table.get("code") {
                    return Some(SensorPlace::RemoteKey { code: field.whole(1, u32::MAX)? });
                }
                let debounce_ms = debounce(table);
                let field = table.need("pin", "\"PD3\"")?;
                SensorPlace::Button { pin: self.pin(&field, Asks::Level, &owner, None), debounce_ms }
            }
            SensorKind::Float { .. } | SensorKind::Leak | SensorKind::Presence { .. } => {
                let debounce_ms = debounce(table);
                SensorPlace::Contact { line: self.line(table, Asks::Level, &owner)?, debounce_ms }
            }
        })
    }

    fn actuator(&mut self, table: &Table<'a>, actuator: &Actuator) -> Option<ActuatorPlace> {
        let owner = format!("`{}`", actuator.name);
        let active_low = table.boolean("active_low").unwrap_or(false);
        let line = if actuator.modulated || actuator.kind == ActuatorKind::Buzzer {
            let asks = if actuator.modulated { Asks::Pwm } else { Asks::Level };
            let field = table.need("pin", "\"PB1\"")?;
            Line::Pin(self.pin(&field, asks, &owner, None))
        } else {
            self.line(table, Asks::Level, &owner)?
        };
        Some(ActuatorPlace { line, active_low })
    }

    /// `pin`, or `on` an expander and its `line`.
    fn line(&mut self, table: &Table<'a>, asks: Asks, owner: &str) -> Option<Line> {
        let Some(on) = table.get("on") else {
            let field = table.need("pin", "\"PD3\"")?;
            return Some(Line::Pin(self.pin(&field, asks, owner, None)));
        };
        let device = self.context.refer(&on, Thing::Device)?;
        let field = table.need("line", "0")?;
        let kind = self.devices.get(device)?.kind;
        if kind.n_lines() == 0 {
            let expanders = self.devices.iter().filter(|device| device.kind.n_lines() > 0);
            on.report(
                "wrong-kind-of-name",
                format!("`{}` is no expander", self.devices[device].name),
                "",
                suggest::help("", expanders.map(|device| device.name.as_str()), "expanders"),
            );
            return None;
        }
        let line = field.whole(0, u32::from(kind.n_lines()) - 1)? as u8;
        self.claim(&field, Taken::Line(device, line), owner, None);
        Some(Line::Expander { device, line })
    }
}

/// A list of at most a dozen.
fn listed(all: &[String]) -> String {
    const SHOWN: usize = 12;
    match all.len() {
        0 => "none".to_owned(),
        n if n > SHOWN => format!("{} and {} more", all[..SHOWN].join(", "), n - SHOWN),
        _ => all.join(", "),
    }
}

fn debounce(table: &Table<'_>) -> u16 {
    let bound = Bound::Within(f64::from(CONTACT_SAMPLE_MS) / 1000.0, LONGEST_DEBOUNCE_S);
    match table.quantity("debounce", Kind::Time, bound) {
        Some(seconds) => (seconds * 1000.0).round() as u16,
        None => USUAL_DEBOUNCE_MS,
    }
}

/// Characters a row and rows of a display: HD44780 with 80 characters of memory, in 1, 2 or 4 rows (data sheet).
fn size(text: &str) -> Option<(u8, u8)> {
    let (columns, rows) = text.split_once('x')?;
    let (columns, rows): (u8, u8) = (columns.trim().parse().ok()?, rows.trim().parse().ok()?);
    ((8..=40).contains(&columns) && [1, 2, 4].contains(&rows) && u16::from(columns) * u16::from(rows) <= 80)
        .then_some((columns, rows))
}

/// The ROM code of a DS18B20: `28-` and 12 hex digits of its serial number, the highest first, or all eight bytes in the order
/// in which the part sends them, checksum included.
fn rom(field: &Field<'_>) -> Option<[u8; 8]> {
    const FAMILY: u8 = 0x28;
    let text = field.text()?;
    let digits: String = text.chars().filter(|c| !matches!(c, '-' | ' ' | ':' | '.')).collect();
    let bytes: Option<Vec<u8>> = (0..digits.len() / 2)
        .map(|i| digits.get(2 * i..2 * i + 2).and_then(|pair| u8::from_str_radix(pair, 16).ok()))
        .collect();
    let bytes = bytes.filter(|_| digits.len().is_multiple_of(2));
    let mut rom = [0; 8];
    let problem = match bytes.as_deref() {
        Some([family, serial @ ..]) if serial.len() == 6 && *family == FAMILY => {
            rom[0] = FAMILY;
            for (to, from) in rom[1..7].iter_mut().zip(serial.iter().rev()) {
                *to = *from;
            }
            rom[7] = crc8(&rom[..7]);
            return Some(rom);
        }
        Some(all) if all.len() == 8 && all[0] == FAMILY => {
            rom.copy_from_slice(all);
            if crc8(&rom[..7]) == rom[7] {
                return Some(rom);
            }
            "its checksum is wrong"
        }
        Some([family, ..]) if *family != FAMILY => "it does not begin with 28, the family of the DS18B20",
        _ => "it is neither 7 nor 8 bytes in hex digits",
    };
    field.report(
        "bad-rom",
        format!("`{text}` is no ROM code: {problem}"),
        "",
        "write \"28-\" and the 12 hex digits of the serial number, or all 16 digits as the part sends them",
    );
    None
}

/// Checksum of one-wire parts: x^8 + x^5 + x^4 + 1, least significant bit first (Maxim application note 27).
fn crc8(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |crc, byte| {
        (0..8).fold(crc ^ byte, |crc, _| if crc & 1 != 0 { crc >> 1 ^ 0x8C } else { crc >> 1 })
    })
}

#[cfg(test)]
mod tests {
    use super::{crc8, size};

    /// The worked example of Maxim application note 27: ROM 02 1C B8 01 00 00 00 has the checksum A2.
    #[test]
    fn the_checksum_is_that_of_the_parts() {
        assert_eq!(crc8(&[0x02, 0x1C, 0xB8, 0x01, 0, 0, 0]), 0xA2);
    }

    #[test]
    fn sizes_of_displays() {
        assert_eq!(size("20x4"), Some((20, 4)));
        assert_eq!(size("40x2"), Some((40, 2)));
        assert_eq!(size("40x4"), None);
        assert_eq!(size("16x3"), None);
        assert_eq!(size("16"), None);
    }
}
