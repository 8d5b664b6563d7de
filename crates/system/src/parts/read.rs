//! Reading a parts file. Form: docs/system-file.md, "Parts".

use units::Kind;

use super::components::{self, Component, Form};
use super::{
    BootProtocol, Bootloader, Chip, Effect, FailureMode, Figure, Part, PartOf, Pins, SensorClass, Timer,
    TimerWork,
};
use crate::diagnostic::Diagnostic;
use crate::raw::{Bound, Field, Sink, Table};
use crate::resolve::{ACTUATOR_KINDS, PASSAGE_KINDS, SENSOR_KINDS, SUPPLY_KINDS, VESSEL_ROLES};
use crate::suggest;

/// Figures that parts may have, and what they measure. None: a plain number or the unit of the sensor's signal.
const FIGURES: &[(&str, Option<Kind>)] = &[
    ("lag", Some(Kind::Time)),
    ("delay", Some(Kind::Time)),
    ("max_age", Some(Kind::Time)),
    ("noise", None),
    ("tolerance", None),
    ("resolution", None),
    ("life", Some(Kind::Time)),
    ("cycles", Some(Kind::Ratio)),
    ("leakage", Some(Kind::Current)),
    ("rated_current", Some(Kind::Current)),
    ("supply_voltage", Some(Kind::Voltage)),
];

/// What stands in a parts file, and what is wrong with it.
pub(super) struct Contents {
    pub parts: Vec<Part>,
    pub chips: Vec<Chip>,
    pub components: Vec<Component>,
    pub forms: Vec<Form>,
    pub findings: Vec<Diagnostic>,
}

/// Reads a file.
pub(super) fn read(text: &str) -> Contents {
    let sink = Sink::new(text);
    let (document, errors) = toml::de::DeTable::parse_recoverable(text);
    for error in &errors {
        sink.report(crate::load::syntax(error, text));
    }
    let (mut parts, mut chips, mut components, mut forms) = (vec![], vec![], vec![], vec![]);
    if errors.is_empty() {
        let root = Table::new(document.get_ref(), 0..0, "the parts file", None, &sink);
        let sections = |key| root.get(key).map(|field| field.one_or_list()).unwrap_or_default();
        let groups: Vec<(String, Vec<FailureMode>)> =
            sections("group").iter().filter_map(|field| group(&field.table()?)).collect();
        for table in sections("part").iter().filter_map(Field::table) {
            parts.extend(part(&table, &groups));
        }
        for table in sections("chip").iter().filter_map(Field::table) {
            chips.extend(chip(&table));
        }
        for table in sections("component").iter().filter_map(Field::table) {
            components.extend(components::component(&table));
        }
        for table in sections("form").iter().filter_map(Field::table) {
            forms.extend(components::form(&table));
        }
        root.finish();
    }
    Contents { parts, chips, components, forms, findings: sink.into_findings() }
}

/// Failure modes that several parts of one file share; `with` of a part names them.
fn group(table: &Table<'_>) -> Option<(String, Vec<FailureMode>)> {
    let id = table.need("id", "\"contact\"").and_then(|field| field.text());
    let common = table.text("source").unwrap_or("").to_owned();
    // A drift in a group has no sensor to give its unit: it must be written with one, and temperature is what probes share.
    let of = Some(PartOf::Sensor(SensorClass::Ds18b20));
    let items = table.get("mode").map(|field| field.one_or_list()).unwrap_or_default();
    let modes = items.iter().filter_map(|item| mode(&item.table()?, of, &common)).collect();
    table.finish();
    Some((id?.to_owned(), modes))
}

fn part(table: &Table<'_>, groups: &[(String, Vec<FailureMode>)]) -> Option<Part> {
    let id = table.need("id", "\"my_heater\"").and_then(|field| field.text());
    let of = part_of(table);
    let title = table.need("title", "\"Heater with its own dial\"").and_then(|field| field.text());
    let common = table.text("source").unwrap_or("").to_owned();
    let mut figures = vec![];
    for (key, kind) in FIGURES {
        if let Some(inner) = table.get(key).and_then(|field| field.table()) {
            figures.extend(figure(&inner, key, *kind, of, &common));
            inner.finish();
        }
    }
    let items = table.get("mode").map(|field| field.one_or_list()).unwrap_or_default();
    let mut modes: Vec<FailureMode> =
        items.iter().filter_map(|item| mode(&item.table()?, of, &common)).collect();
    for field in table.get("with").map(|field| field.one_or_list()).unwrap_or_default() {
        let Some(name) = field.text() else { continue };
        match groups.iter().find(|(id, _)| id == name) {
            Some((_, shared)) => modes.extend(shared.iter().cloned()),
            None => field.report(
                "unknown-name",
                format!("no group of this file is named `{name}`"),
                "",
                suggest::help(name, groups.iter().map(|(id, _)| id.as_str()), "groups"),
            ),
        }
    }
    table.finish();
    Some(Part { id: id?.to_owned(), title: title?.to_owned(), of: of?, figures, modes })
}

fn part_of(table: &Table<'_>) -> Option<PartOf> {
    const KEYS: &[&str] = &["actuator", "sensor", "supply", "board", "vessel", "passage", "place"];
    let key = KEYS.iter().copied().find(|key| table.has(key));
    let Some(key) = key else {
        table.sink.report(
            Diagnostic::error("missing-key", format!("{} does not say what it can be put as", table.label))
                .at(Some(table.span.clone()), "")
                .help("add one of: actuator = \"heater\", sensor = \"float\", supply, board, vessel, passage, place"),
        );
        return None;
    };
    let field = table.get(key)?;
    match key {
        "actuator" => field.word(ACTUATOR_KINDS).map(PartOf::Actuator),
        "sensor" => field.word(SENSOR_KINDS).map(PartOf::Sensor),
        "supply" => field.word(SUPPLY_KINDS).map(PartOf::Supply),
        "vessel" => field.word(VESSEL_ROLES).map(PartOf::Vessel),
        "passage" => field.word(PASSAGE_KINDS).map(PartOf::Passage),
        "board" => field.boolean().map(|_| PartOf::Board),
        _ => field.boolean().map(|_| PartOf::Place),
    }
}

/// Kind of figures in the unit of a sensor's signal: noise, tolerance, resolution, drift.
fn spread_kind(of: Option<PartOf>) -> Kind {
    match of {
        Some(PartOf::Sensor(
            SensorClass::Ds18b20 | SensorClass::Tmp36 | SensorClass::Ntc | SensorClass::RoomTemperature,
        )) => Kind::TemperatureDifference,
        Some(PartOf::Sensor(SensorClass::Ph)) => Kind::Ph,
        Some(PartOf::Sensor(SensorClass::Conductivity)) => Kind::Conductivity,
        Some(PartOf::Sensor(SensorClass::Level | SensorClass::Float)) => Kind::Length,
        Some(PartOf::Sensor(SensorClass::Flow)) => Kind::Flow,
        _ => Kind::Ratio,
    }
}

fn figure(
    table: &Table<'_>,
    key: &str,
    kind: Option<Kind>,
    of: Option<PartOf>,
    common: &str,
) -> Option<Figure> {
    let field = table.need("value", "\"20 s\"")?;
    let source = table.text("source").unwrap_or(common).to_owned();
    let value = field.quantity(kind.unwrap_or(spread_kind(of)), Bound::Any)?;
    if source.is_empty() {
        table.missing("source", "\"data sheet\"");
    }
    let text = field.value.get_ref().as_str().map_or_else(|| value.to_string(), str::to_owned);
    Some(Figure { key: key.to_owned(), value, text, source })
}

fn mode(table: &Table<'_>, of: Option<PartOf>, common: &str) -> Option<FailureMode> {
    let id = table.need("id", "\"stuck-up\"").and_then(|field| field.text());
    let description = table.need("description", "\"what happens\"").and_then(|field| field.text());
    let name = table.need("effect", "\"dead\"");
    let amount_field = table.get("amount");
    let rate_per_year = table.number("rate_per_year", Bound::NotNegative);
    let source = table.text("source").unwrap_or(common).to_owned();
    table.finish();
    if source.is_empty() {
        table.missing("source", "\"common practice, no source\"");
    }
    let name = name?;
    let word = name.text()?;
    let amount = match amount_field {
        Some(field) => {
            Some(field.quantity(Effect::amount_kind(word).unwrap_or(spread_kind(of)), Bound::Any)?)
        }
        None => None,
    };
    match Effect::read(word, amount) {
        Ok(effect) => Some(FailureMode {
            id: id?.to_owned(),
            description: description?.to_owned(),
            effect,
            rate_per_year,
            source,
        }),
        Err(problem) => {
            name.report(
                "bad-effect",
                format!("`{word}` is not understood as an effect: {problem}"),
                "",
                suggest::help(
                    word,
                    ["always-on", "never-on", "frozen", "drift", "blocked", "leak"],
                    "effects",
                ),
            );
            None
        }
    }
}

fn chip(table: &Table<'_>) -> Option<Chip> {
    let name = table.need("name", "\"ATmega328P\"").and_then(|field| field.text());
    let bytes = |key: &'static str| table.need(key, "1024").and_then(|field| field.whole(1, 1 << 30));
    let (flash, sram, eeprom) = (bytes("flash"), bytes("sram"), bytes("eeprom"));
    let watts = table.quantity("power", Kind::Power, Bound::NotNegative).unwrap_or(0.0);
    let source = table.need("source", "\"data sheet\"").and_then(|field| field.text());
    let code = table.get("code").and_then(|field| field.whole(1, 254)).map(|code| code as u8);
    let signature = table.get("signature").and_then(|field| {
        let bytes: Option<Vec<u8>> = field.list()?.iter().map(|b| b.whole(0, 255).map(|b| b as u8)).collect();
        bytes?.try_into().ok()
    });
    let page = table.get("page").and_then(|field| field.whole(16, 1024)).unwrap_or(128);
    let bootloader = table.get("bootloader").and_then(|field| bootloader(&field.table()?));
    let pins = Pins {
        digital: pins(table, "pins"),
        edges: pins(table, "edges"),
        pwm: pins(table, "pwm"),
        timers: table.get("timers").map(|field| timers(&field)).unwrap_or_default(),
        watched: table.get("watched").and_then(|field| field.whole(0, 254)).map(|n| n as u8),
        channels: table.get("channels").and_then(|field| channels(&field)).unwrap_or_default(),
        i2c: pins(table, "i2c"),
        uart: pins(table, "uart"),
        spi: pins(table, "spi"),
    };
    table.finish();
    Some(Chip {
        name: name?.to_owned(),
        flash: flash?,
        sram: sram?,
        eeprom: eeprom?,
        watts,
        code,
        signature,
        page,
        bootloader,
        pins,
        source: source?.to_owned(),
    })
}

/// Pins of a list: `"PB5"`, or a run of one port, `"PB0-PB5"`; numbered ones the same, `"GPIO12-GPIO19"`.
pub(super) fn pins(table: &Table<'_>, key: &'static str) -> Vec<u8> {
    let mut all = vec![];
    for field in table.get(key).map(|field| field.one_or_list()).unwrap_or_default() {
        let Some(text) = field.text() else { continue };
        let (first, last) = text.split_once('-').unwrap_or((text, text));
        match (Pins::byte(first), Pins::byte(last)) {
            (Some(first), Some(last)) if first <= last && (first >= 128 || first / 8 == last / 8) => {
                all.extend(first..=last);
            }
            _ => field.report(
                "unknown-pin",
                format!("`{text}` is neither a pin nor a run of pins of one port"),
                "",
                "write a pin as \"PB5\", a run as \"PB0-PB5\"",
            ),
        }
    }
    all
}

/// Converter channels: `ADC0 = [0, "PC0"]`, the number of the multiplexer and the pin where it is one.
fn channels(field: &Field<'_>) -> Option<Vec<(String, u8, Option<u8>)>> {
    let table = field.table()?;
    let mut all = vec![];
    for (name, _, field) in table.entries() {
        let items = field.one_or_list();
        let Some(number) = items.first().and_then(|item| item.whole(0, 254)) else { continue };
        let pin = items.get(1).and_then(|item| item.text()).and_then(Pins::byte);
        all.push((name.to_owned(), number as u8, pin));
    }
    Some(all)
}

/// Timers: `{ does = "duty", pins = ["PB1", "PB2"], frequency = "25 kHz" }`.
fn timers(field: &Field<'_>) -> Vec<Timer> {
    const WORDS: &[(&str, TimerWork)] =
        &[("duty", TimerWork::Duty), ("tone", TimerWork::Tone), ("time", TimerWork::Time)];
    let mut all = vec![];
    for table in field.one_or_list().iter().filter_map(Field::table) {
        let does = table.need("does", "\"duty\"").and_then(|field| field.word(WORDS));
        let hz = match does {
            Some(TimerWork::Duty) => {
                Some(table.need_quantity("frequency", Kind::Frequency, Bound::Positive, "\"25 kHz\""))
            }
            _ => None,
        };
        let pins = pins(&table, "pins");
        table.finish();
        all.extend(does.map(|does| Timer { does, pins, hz }));
    }
    all
}

fn bootloader(table: &Table<'_>) -> Option<Bootloader> {
    const PROTOCOLS: &[(&str, BootProtocol)] = &[
        ("stk500v1", BootProtocol::Stk500v1),
        ("stk500v2", BootProtocol::Stk500v2),
        ("avr109", BootProtocol::Avr109),
    ];
    let protocol = table.need("protocol", "\"stk500v1\"").and_then(|field| field.word(PROTOCOLS));
    let baud = table.need("baud", "115200").and_then(|field| field.whole(300, 2_000_000));
    let bytes = table.need("bytes", "512").and_then(|field| field.whole(0, 1 << 20));
    table.finish();
    Some(Bootloader { protocol: protocol?, baud: baud?, bytes: bytes? })
}
