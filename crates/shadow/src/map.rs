//! The map: which printed name is which sensor or actuator of the system, in which unit, and which words mean on. A small TOML file of
//! its own; docs/joining.md has every key.

use std::ops::Range;

use serde::Deserialize;
use system::model::{ActuatorIdx, Scale, SensorIdx};
use system::{Diagnostic, Level, System};
use toml::Spanned;
use units::{Kind as UnitKind, Quantity};

use crate::parse::{Form, Printed, Value, unit as unit_symbol};

/// Longest map, bytes.
pub const LONGEST: usize = 256 * 1024;
/// How often a controller is taken to print where the map does not say, ms.
const USUAL_EVERY_MS: i64 = 10_000;
/// Differences shorter than this do not count where the map does not say, ms.
const USUAL_TOLERANCE_MS: i64 = 5_000;
/// A duty counts as different beyond this, permille.
const USUAL_DUTY_TOLERANCE: i32 = 100;
/// Missed lines after which a value is too old.
const MISSED: i64 = 3;
/// At least so long, ms.
const LEAST_STALE_MS: i64 = 30_000;

/// A map that fits its system.
#[derive(Clone, Debug, PartialEq)]
pub struct Map {
    /// How lines are read.
    pub form: Form,
    /// The controller prints each value so often, ms.
    pub every_ms: i64,
    /// A value older than this counts for nothing, ms.
    pub stale_ms: i64,
    /// Differences that last no longer do not count, ms.
    pub tolerance_ms: i64,
    /// Duties that differ by no more are the same, permille.
    pub duty_tolerance: i32,
    /// What it measures.
    pub readings: Vec<Reading>,
    /// What it does not measure, and what it is taken to be.
    pub assumed: Vec<Assumed>,
    /// What it drives.
    pub outputs: Vec<Output>,
}

/// A printed value that is what a sensor reads.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// Its printed name.
    pub printed: String,
    /// The sensor.
    pub sensor: SensorIdx,
    /// How it becomes the sensor's value.
    pub how: How,
}

/// A sensor that the controller does not have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Assumed {
    /// The sensor.
    pub sensor: SensorIdx,
    /// In the signal's scale; 0 or 1 for a contact.
    pub value: i32,
}

/// A printed value that is the state of an actuator.
#[derive(Clone, Debug, PartialEq)]
pub struct Output {
    /// Its printed name.
    pub printed: String,
    /// The actuator.
    pub actuator: ActuatorIdx,
    /// How it becomes a duty.
    pub how: How,
}

/// How a printed value becomes one of the system.
#[derive(Clone, Debug, PartialEq)]
pub enum How {
    /// `number * scale + offset`, in the unit.
    Number {
        /// The unit; None: as printed behind it, else the system's own.
        unit: Option<&'static str>,
        #[allow(missing_docs)]
        scale: f64,
        #[allow(missing_docs)]
        offset: f64,
        /// Numbers that mean that there is no reading, as printed.
        bad: Vec<f64>,
    },
    /// Words.
    Switch {
        /// What means on, or that the signal is true; lower case.
        on: Vec<String>,
        /// What means off.
        off: Vec<String>,
    },
}

/// What a printed value is to the system.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Meaning {
    /// A value, in the signal's scale; 0 or 1 for a switch, permille for a duty.
    Value(i32),
    /// The controller says, or its value shows, that there is no reading.
    NoReading,
    /// It cannot be told what it means.
    Unclear,
}

/// Unit of a scale in the unit layer's spelling, and counts of the scale in one of it.
pub fn unit_of(scale: Scale) -> (&'static str, f64) {
    match scale {
        Scale::Bool | Scale::Count => ("", 1.0),
        Scale::MilliCelsius => ("degC", 1e3),
        Scale::MilliKelvin => ("K", 1e3),
        Scale::MilliPh => ("pH", 1e3),
        Scale::Micrometre => ("mm", 1e3),
        Scale::Millilitre => ("mL", 1.0),
        Scale::MillilitrePerMinute => ("mL/min", 1.0),
        Scale::Millisecond => ("s", 1e3),
        Scale::MicrosiemensPerCm => ("mS/cm", 1e3),
        Scale::Permille => ("%", 10.0),
        Scale::MilliKelvinPerHour => ("K/h", 1e3),
        Scale::MilliPhPerHour => ("pH/h", 1e3),
        Scale::MicrometrePerHour => ("mm/h", 1e3),
    }
}

fn kind_of(unit: &str) -> Option<UnitKind> {
    units::unit(unit).map(|unit| unit.kind)
}

/// A number in a unit, in counts of a scale. None: the unit measures something else, or the number does not fit.
fn counts(number: f64, unit: Option<&str>, scale: Scale) -> Option<i32> {
    let (own, per_unit) = unit_of(scale);
    let value = match unit {
        Some(unit) if unit != own => Quantity::from_unit(number, unit)?.in_unit(own)?,
        _ => number,
    };
    let counts = (value * per_unit).round();
    (counts.abs() <= f64::from(i32::MAX)).then_some(counts as i32)
}

impl How {
    /// What a printed value is in counts of a scale.
    pub fn meaning(&self, printed: &Printed, scale: Scale) -> Meaning {
        match (self, &printed.value) {
            (_, Value::Nothing) => Meaning::NoReading,
            (How::Number { unit, scale: factor, offset, bad }, Value::Number(number)) => {
                if bad.contains(number) {
                    return Meaning::NoReading;
                }
                let own_kind = kind_of(unit_of(scale).0);
                let printed_unit = || {
                    printed
                        .unit
                        .as_deref()
                        .and_then(unit_symbol)
                        .filter(|symbol| own_kind.is_some() && kind_of(symbol) == own_kind)
                };
                match counts(number * factor + offset, unit.or_else(printed_unit), scale) {
                    Some(counts) => Meaning::Value(counts),
                    None => Meaning::NoReading,
                }
            }
            (How::Number { .. }, Value::Word(_)) => Meaning::Unclear,
            (How::Switch { on, off }, value) => {
                let is = |words: &[String]| match value {
                    Value::Word(word) => words.contains(&word.to_lowercase()),
                    Value::Number(number) => words.iter().any(|word| word.parse() == Ok(*number)),
                    Value::Nothing => false,
                };
                match (is(on), is(off)) {
                    (true, _) => Meaning::Value(1),
                    (_, true) => Meaning::Value(0),
                    _ => Meaning::Unclear,
                }
            }
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawMap {
    every: Option<Spanned<String>>,
    stale: Option<Spanned<String>>,
    tolerance: Option<Spanned<String>>,
    duty_tolerance: Option<Spanned<String>>,
    #[serde(default)]
    form: Option<Spanned<Form>>,
    #[serde(default)]
    reading: Vec<RawEntry>,
    #[serde(default)]
    assumed: Vec<RawAssumed>,
    #[serde(default)]
    output: Vec<RawEntry>,
}

/// An entry of `[[reading]]` or `[[output]]`.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawEntry {
    printed: Spanned<String>,
    #[serde(rename = "sensor", alias = "actuator")]
    part: Spanned<String>,
    unit: Option<String>,
    scale: Option<f64>,
    offset: Option<f64>,
    #[serde(default)]
    bad: Vec<f64>,
    on: Option<Vec<RawWord>>,
    off: Option<Vec<RawWord>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawAssumed {
    sensor: Spanned<String>,
    value: Spanned<RawValue>,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum RawWord {
    Text(String),
    Whole(i64),
    Number(f64),
    Bit(bool),
}

#[derive(Deserialize)]
#[serde(untagged)]
enum RawValue {
    Bit(bool),
    Text(String),
}

impl RawWord {
    fn text(self) -> String {
        match self {
            RawWord::Text(text) => text.trim().to_lowercase(),
            RawWord::Whole(number) => number.to_string(),
            RawWord::Number(number) => number.to_string(),
            RawWord::Bit(bit) => bit.to_string(),
        }
    }
}

impl Map {
    /// Reads a map for a system. None: something is wrong with it.
    pub fn load(text: &str, system: &System) -> (Option<Map>, Vec<Diagnostic>) {
        if text.len() > LONGEST {
            let finding = Diagnostic::error("unreadable-map", format!("{} bytes are no map", text.len()))
                .help("docs/joining.md has a map to begin with");
            return (None, vec![finding]);
        }
        let raw: RawMap = match toml::from_str(text) {
            Ok(raw) => raw,
            Err(error) => return (None, vec![unreadable(&error, text)]),
        };
        let mut checker = Checker { system, findings: vec![] };
        let map = checker.map(raw);
        let is_sound = checker.findings.iter().all(|finding| finding.level != Level::Error);
        (is_sound.then_some(map), checker.findings)
    }

    /// Sensors that the map gives a value, printed or assumed.
    pub fn has_sensor(&self, sensor: SensorIdx) -> bool {
        self.readings.iter().any(|reading| reading.sensor == sensor)
            || self.assumed.iter().any(|assumed| assumed.sensor == sensor)
    }
}

fn unreadable(error: &toml::de::Error, text: &str) -> Diagnostic {
    let span = error.span().unwrap_or(text.len()..text.len());
    let message = error.message().lines().next().unwrap_or("this is not TOML").trim_end_matches('.');
    Diagnostic::error("unreadable-map", format!("this cannot be read: {message}"))
        .at(Some(span), "")
        .help("docs/joining.md lists the keys of a map; `tidewright listen` writes one to begin with")
}

struct Checker<'a> {
    system: &'a System,
    findings: Vec<Diagnostic>,
}

impl Checker<'_> {
    fn wrong(&mut self, id: &'static str, span: Range<usize>, message: String, help: impl Into<String>) {
        self.findings.push(Diagnostic::error(id, message).at(Some(span), "").help(help));
    }

    fn map(&mut self, raw: RawMap) -> Map {
        let every_ms = self.time(raw.every, USUAL_EVERY_MS, (100, 86_400_000));
        let stale_ms = self.time(
            raw.stale,
            every_ms.saturating_mul(MISSED).max(LEAST_STALE_MS),
            (1_000, 7 * 86_400_000),
        );
        let usual_tolerance = USUAL_TOLERANCE_MS.max(every_ms + 1_000);
        let tolerance_ms = self.time(raw.tolerance, usual_tolerance, (0, 86_400_000));
        let duty_tolerance =
            raw.duty_tolerance.map_or(USUAL_DUTY_TOLERANCE, |text| {
                match Quantity::parse_as(text.get_ref(), UnitKind::Ratio) {
                    Ok(share) if (0.0..=1.0).contains(&share.value) => (share.value * 1e3).round() as i32,
                    _ => {
                        let message = format!("`{}` is no share of a duty", text.get_ref());
                        self.wrong("bad-quantity", text.span(), message, "a share, such as \"10 %\"");
                        USUAL_DUTY_TOLERANCE
                    }
                }
            });
        let form = raw.form.map_or_else(Form::default, |form| {
            if let Some((key, what)) = form.get_ref().check() {
                let message = format!("`{key}` of [form]: {what}");
                self.wrong("bad-form", form.span(), message, "docs/joining.md lists the keys of [form]");
            }
            form.into_inner()
        });
        let readings = raw.reading.into_iter().filter_map(|reading| self.reading(reading)).collect();
        let assumed = raw.assumed.into_iter().filter_map(|assumed| self.assumed(assumed)).collect();
        let outputs = raw.output.into_iter().filter_map(|output| self.output(output)).collect();
        let map = Map { form, every_ms, stale_ms, tolerance_ms, duty_tolerance, readings, assumed, outputs };
        self.twice(&map);
        if map.outputs.is_empty() && self.findings.is_empty() {
            self.findings.push(
                Diagnostic::warning(
                    "no-output-mapped",
                    "the map names no output, so nothing can be compared",
                )
                .help(
                    "add [[output]] printed = \"...\", actuator = \"...\" for what the controller switches",
                ),
            );
        }
        map
    }

    /// A sensor or an actuator that two entries name.
    fn twice(&mut self, map: &Map) {
        let mut sensors: Vec<usize> = (map.readings.iter().map(|reading| reading.sensor.idx()))
            .chain(map.assumed.iter().map(|assumed| assumed.sensor.idx()))
            .collect();
        let mut actuators: Vec<usize> = map.outputs.iter().map(|output| output.actuator.idx()).collect();
        sensors.sort_unstable();
        actuators.sort_unstable();
        let names = (sensors.windows(2).filter(|pair| pair[0] == pair[1]))
            .map(|pair| self.system.sensors[pair[0]].name.clone())
            .chain(
                (actuators.windows(2).filter(|pair| pair[0] == pair[1]))
                    .map(|pair| self.system.actuators[pair[0]].name.clone()),
            );
        for name in names.collect::<Vec<_>>() {
            self.findings.push(
                Diagnostic::error("mapped-twice", format!("`{name}` is named by two entries of the map"))
                    .help("leave one of them out"),
            );
        }
    }

    fn time(&mut self, text: Option<Spanned<String>>, usual: i64, (least, most): (i64, i64)) -> i64 {
        let Some(text) = text else { return usual };
        match Quantity::parse_as(text.get_ref(), UnitKind::Time) {
            Ok(time) if (least as f64..=most as f64).contains(&(time.value * 1e3)) => {
                (time.value * 1e3).round() as i64
            }
            Ok(_) => {
                let message = format!("`{}` is too short or too long here", text.get_ref());
                let help = format!("{} s to {} h", least as f64 / 1e3, most / 3_600_000);
                self.wrong("bad-quantity", text.span(), message, help);
                usual
            }
            Err(error) => {
                self.wrong(
                    "bad-quantity",
                    text.span(),
                    format!("this is no time: {error}"),
                    "such as \"10 s\"",
                );
                usual
            }
        }
    }

    fn sensor(&mut self, name: &Spanned<String>) -> Option<SensorIdx> {
        let sensors = &self.system.sensors;
        if let Some(at) = sensors.iter().position(|sensor| sensor.name == *name.get_ref()) {
            return Some(SensorIdx(at));
        }
        let known = list(sensors.iter().map(|sensor| sensor.name.as_str()));
        let message = format!("the system has no sensor `{}`", name.get_ref());
        self.wrong("unknown-sensor", name.span(), message, format!("it has {known}"));
        None
    }

    fn reading(&mut self, raw: RawEntry) -> Option<Reading> {
        let sensor = self.sensor(&raw.part)?;
        let signal = &self.system.signals[self.system.sensors[sensor.idx()].signal.idx()];
        let is_switch = signal.scale == Scale::Bool;
        let printed = self.printed(&raw.printed)?;
        let how = self.how(raw, is_switch, signal.scale)?;
        Some(Reading { printed, sensor, how })
    }

    fn printed(&mut self, name: &Spanned<String>) -> Option<String> {
        if !name.get_ref().trim().is_empty() {
            return Some(name.get_ref().trim().to_owned());
        }
        let help = "the name as the controller prints it; `tidewright listen` lists them";
        self.wrong("bad-name", name.span(), "`printed` is empty".to_owned(), help);
        None
    }

    fn assumed(&mut self, raw: RawAssumed) -> Option<Assumed> {
        let sensor = self.sensor(&raw.sensor)?;
        let signal = &self.system.signals[self.system.sensors[sensor.idx()].signal.idx()];
        let (own, _) = unit_of(signal.scale);
        let value = match raw.value.get_ref() {
            RawValue::Bit(bit) if signal.scale == Scale::Bool => Some(i32::from(*bit)),
            RawValue::Text(text) if signal.scale != Scale::Bool => kind_of(own)
                .and_then(|kind| Quantity::parse_as(text, kind).ok())
                .and_then(|quantity| quantity.in_unit(own))
                .and_then(|number| counts(number, None, signal.scale)),
            _ => None,
        };
        if value.is_none() {
            let message = format!("`{}` cannot have this value", raw.sensor.get_ref());
            let help = match signal.scale {
                Scale::Bool => "true or false".to_owned(),
                _ => format!("a quantity in quotes, such as \"25 {own}\""),
            };
            self.wrong("bad-quantity", raw.value.span(), message, help);
        }
        Some(Assumed { sensor, value: value? })
    }

    fn output(&mut self, raw: RawEntry) -> Option<Output> {
        let actuators = &self.system.actuators;
        let Some(at) = actuators.iter().position(|actuator| actuator.name == *raw.part.get_ref()) else {
            let known = list(actuators.iter().filter(|it| !it.always).map(|actuator| actuator.name.as_str()));
            let message = format!("the system has no actuator `{}`", raw.part.get_ref());
            self.wrong("unknown-actuator", raw.part.span(), message, format!("it has {known}"));
            return None;
        };
        if actuators[at].always {
            let message = format!("`{}` always runs, no rule switches it", raw.part.get_ref());
            self.wrong("not-switched", raw.part.span(), message, "leave this entry out");
            return None;
        }
        let is_switch = !actuators[at].modulated;
        let printed = self.printed(&raw.printed)?;
        let how = self.how(raw, is_switch, Scale::Permille)?;
        Some(Output { printed, actuator: ActuatorIdx(at), how })
    }

    fn how(&mut self, raw: RawEntry, is_switch: bool, scale: Scale) -> Option<How> {
        let of = raw.part;
        let has_words = raw.on.is_some() || raw.off.is_some();
        if is_switch {
            if raw.unit.is_some() || raw.scale.is_some() || raw.offset.is_some() || !raw.bad.is_empty() {
                let message =
                    format!("`{}` is on or off, and has no unit, scale, offset or bad number", of.get_ref());
                self.wrong(
                    "not-a-number",
                    of.span(),
                    message,
                    "say which words mean on and off: on = [\"1\"], off = [\"0\"]",
                );
                return None;
            }
            let usual = |words: &[&str]| words.iter().map(|word| (*word).to_owned()).collect();
            let words = |raw: Option<Vec<RawWord>>, usual: Vec<String>| {
                raw.map_or(usual, |words| words.into_iter().map(RawWord::text).collect())
            };
            let on = words(raw.on, usual(&["on", "true", "yes", "1"]));
            let off = words(raw.off, usual(&["off", "false", "no", "0"]));
            if let Some(word) = on.iter().find(|word| off.contains(word)) {
                let message = format!("`{word}` means both on and off for `{}`", of.get_ref());
                self.wrong("unclear-words", of.span(), message, "name `on` and `off`, with no word in both");
                return None;
            }
            return Some(How::Switch { on, off });
        }
        if has_words {
            let message = format!("`{}` is a number, and has no words for on and off", of.get_ref());
            self.wrong("not-a-switch", of.span(), message, "leave `on` and `off` out");
            return None;
        }
        let unit = match &raw.unit {
            None => None,
            Some(text) => {
                let (own, _) = unit_of(scale);
                let symbol = unit_symbol(text).filter(|symbol| kind_of(symbol) == kind_of(own));
                if symbol.is_none() {
                    let message = format!("`{text}` is no unit of `{}`", of.get_ref());
                    self.wrong("wrong-unit", of.span(), message, format!("a unit of the same kind as {own}"));
                    return None;
                }
                symbol
            }
        };
        let (factor, offset) = (raw.scale.unwrap_or(1.0), raw.offset.unwrap_or(0.0));
        if !(factor.is_finite() && offset.is_finite() && factor != 0.0) {
            let message =
                format!("scale and offset of `{}` must be numbers, and the scale not 0", of.get_ref());
            self.wrong("bad-number", of.span(), message, "a value is number * scale + offset, in the unit");
            return None;
        }
        Some(How::Number { unit, scale: factor, offset, bad: raw.bad })
    }
}

fn list<'a>(names: impl Iterator<Item = &'a str>) -> String {
    const SHOWN: usize = 30;
    let all: Vec<&str> = names.collect();
    let mut text = all.iter().take(SHOWN).map(|name| format!("`{name}`")).collect::<Vec<_>>().join(", ");
    if all.len() > SHOWN {
        text += &format!(" and {} more", all.len() - SHOWN);
    }
    if text.is_empty() { "none".to_owned() } else { text }
}
