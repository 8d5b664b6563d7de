//! Which printed name may be which part of the system: by words, unit, and whether it is a number or a switch. A suggestion to read and
//! to correct, never taken by itself.

use std::fmt::Write as _;

use system::System;
use system::model::{ActuatorKind, Scale, SensorKind};

use crate::map::unit_of;
use crate::parse::unit as unit_symbol;
use crate::seen::{Names, Seen};

/// What a printed name may be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// A sensor, by its place in the system.
    Sensor(usize),
    /// An actuator, by its place in the system.
    Actuator(usize),
}

/// A printed name and the part that fits best, if one does.
#[derive(Clone, Debug, PartialEq)]
pub struct Suggestion {
    /// As printed.
    pub printed: String,
    /// None: nothing fits.
    pub part: Option<Part>,
}

/// Words that mean the same to whoever names things in a hurry.
const ALIKE: [&[&str]; 14] = [
    &["temp", "temperature", "t", "tmp", "thermometer"],
    &["display", "tank", "main", "dt", "aquarium"],
    &["sump", "filter"],
    &["heater", "heat", "heating", "htr"],
    &["topoff", "ato", "refill", "topup", "osmosis"],
    &["light", "lamp", "led", "lights", "leds"],
    &["fan", "fans", "cooling", "cooler"],
    &["level", "lvl", "float", "water"],
    &["low", "empty", "min"],
    &["high", "full", "max", "overflow"],
    &["flow", "flowmeter"],
    &["leak", "leakage", "wet", "moisture"],
    &["circulation", "wave", "wavemaker", "powerhead", "stream"],
    &["skimmer", "skim"],
];

/// Least score of a suggestion.
const LEAST: i32 = 3;

/// The words of a name: `DispTemp2` is disp, temp, 2.
fn words(name: &str) -> Vec<String> {
    let mut all: Vec<String> = vec![];
    let mut before = ' ';
    for c in name.chars() {
        // `pH` is one word.
        let is_camel =
            before.is_lowercase() && c.is_uppercase() && all.last().is_some_and(|word| word.len() > 1);
        let begins = !before.is_alphanumeric() || is_camel || before.is_numeric() != c.is_numeric();
        if c.is_alphanumeric() {
            match all.last_mut() {
                Some(word) if !begins => word.extend(c.to_lowercase()),
                _ => all.push(c.to_lowercase().collect()),
            }
        }
        before = c;
    }
    // `top_off` and `topoff` are one word.
    let mut joined: Vec<String> = vec![];
    for word in all {
        match joined.last_mut() {
            Some(last) if last == "top" && (word == "off" || word == "up") => last.push_str(&word),
            _ => joined.push(word),
        }
    }
    joined
}

fn are_alike(a: &str, b: &str) -> bool {
    let is_beginning = |a: &str, b: &str| a.len() >= 3 && b.starts_with(a);
    a == b
        || is_beginning(a, b)
        || is_beginning(b, a)
        || ALIKE.iter().any(|group| group.contains(&a) && group.contains(&b))
}

/// How much two names have in common: three for a common word, less for words that only one has.
fn common(printed: &[String], part: &[String]) -> i32 {
    let n = printed.iter().filter(|a| part.iter().any(|b| are_alike(a, b))).count() as i32;
    let n_other = part.iter().filter(|b| !printed.iter().any(|a| are_alike(a, b))).count() as i32;
    if n == 0 { 0 } else { 4 * n - n_other }
}

fn sensor_words(system: &System, at: usize) -> Vec<String> {
    let sensor = &system.sensors[at];
    let mut all = words(&sensor.name);
    all.extend(match sensor.kind {
        SensorKind::Ds18b20
        | SensorKind::Tmp36 { .. }
        | SensorKind::Ntc { .. }
        | SensorKind::RoomTemperature => Some("temp".to_owned()),
        SensorKind::Ph { .. } => Some("ph".to_owned()),
        SensorKind::Float { .. } => Some("float".to_owned()),
        SensorKind::Leak => Some("leak".to_owned()),
        SensorKind::Flow { .. } => Some("flow".to_owned()),
        SensorKind::Level { .. } => Some("level".to_owned()),
        _ => None,
    });
    all.dedup();
    all
}

fn actuator_words(system: &System, at: usize) -> Vec<String> {
    let actuator = &system.actuators[at];
    let mut all = words(&actuator.name);
    let kind = match actuator.kind {
        ActuatorKind::Heater => "heater",
        ActuatorKind::Light => "light",
        ActuatorKind::Fan => "fan",
        ActuatorKind::Skimmer => "skimmer",
        _ => return all,
    };
    if !all.iter().any(|word| are_alike(word, kind)) {
        all.push(kind.to_owned());
    }
    all
}

fn score_of_sensor(system: &System, at: usize, printed: &[String], seen: &Seen) -> i32 {
    let signal = &system.signals[system.sensors[at].signal.idx()];
    if (signal.scale == Scale::Bool) != seen.is_switch() {
        return 0;
    }
    let mut score = common(printed, &sensor_words(system, at));
    let (own, per_unit) = unit_of(signal.scale);
    let own_kind = units::unit(own).map(|unit| unit.kind);
    if let Some(symbol) = seen.unit.as_deref().and_then(unit_symbol) {
        if units::unit(symbol).map(|unit| unit.kind) != own_kind {
            return 0;
        }
        score += 2;
    } else if let Some((least, most)) = seen.range
        && signal.scale != Scale::Bool
    {
        let (from, to) = (f64::from(signal.range.0) / per_unit, f64::from(signal.range.1) / per_unit);
        score += if least >= from && most <= to { 1 } else { -2 };
    }
    score
}

fn score_of_actuator(system: &System, at: usize, printed: &[String], seen: &Seen) -> i32 {
    let actuator = &system.actuators[at];
    if actuator.always
        || actuator.modulated && seen.n_numbers == 0
        || !actuator.modulated && !seen.is_switch()
    {
        return 0;
    }
    common(printed, &actuator_words(system, at))
}

/// The best pairs first, each part and each name once.
pub fn suggest(system: &System, names: &Names) -> Vec<Suggestion> {
    let mut pairs: Vec<(i32, usize, Part)> = vec![];
    for (at, (name, seen)) in names.iter().enumerate() {
        let printed = words(name);
        let sensors = (0..system.sensors.len())
            .map(|s| (score_of_sensor(system, s, &printed, seen), at, Part::Sensor(s)));
        let actuators = (0..system.actuators.len())
            .map(|a| (score_of_actuator(system, a, &printed, seen), at, Part::Actuator(a)));
        pairs.extend(sensors.chain(actuators).filter(|(score, ..)| *score >= LEAST));
    }
    // Stable: what stands first in the file or came first is taken first.
    pairs.sort_by_key(|(score, ..)| -score);
    let mut all: Vec<Suggestion> =
        names.iter().map(|(name, _)| Suggestion { printed: name.to_owned(), part: None }).collect();
    let mut taken: Vec<Part> = vec![];
    for (_, at, part) in pairs {
        if all[at].part.is_none() && !taken.contains(&part) {
            all[at].part = Some(part);
            taken.push(part);
        }
    }
    all
}

/// A map to begin with, as text: what fits, and as remarks what does not and what the rules read beside.
pub fn map_text(system: &System, names: &Names) -> String {
    let mut text = String::from(
        "# A suggestion, by names, units and values. Look at each line; docs/joining.md has all keys.\n",
    );
    if let Some(step) = names.usual_step() {
        let seconds = ((step as f64 / 1e3).ceil() as i64).max(1);
        let _ = writeln!(text, "every = \"{seconds} s\"");
    }
    let all = suggest(system, names);
    for suggestion in &all {
        let Some(seen) = names.get(&suggestion.printed) else { continue };
        let printed = quoted(&suggestion.printed);
        let last = format!(
            "# last: {}{}",
            seen.last,
            seen.unit.as_ref().map(|u| format!(" {u}")).unwrap_or_default()
        );
        let last = last.replace(char::is_control, " ");
        match suggestion.part {
            None => {
                let _ = writeln!(text, "\n# nothing fits: printed = {printed}  {last}");
            }
            Some(Part::Sensor(at)) => {
                let _ = writeln!(
                    text,
                    "\n[[reading]]  {last}\nprinted = {printed}\nsensor = {}",
                    quoted(&system.sensors[at].name)
                );
                let signal = &system.signals[system.sensors[at].signal.idx()];
                text += &match signal.scale {
                    Scale::Bool => words_text(seen, "true, as the rules mean it"),
                    scale => unit_text(seen, scale),
                };
            }
            Some(Part::Actuator(at)) => {
                let _ = writeln!(
                    text,
                    "\n[[output]]  {last}\nprinted = {printed}\nactuator = {}",
                    quoted(&system.actuators[at].name)
                );
                if !system.actuators[at].modulated {
                    text += &words_text(seen, "on");
                }
            }
        }
    }
    text += &missing_text(system, &all);
    text
}

/// Sensors that the rules may read and that nothing printed fits.
fn missing_text(system: &System, all: &[Suggestion]) -> String {
    let is_taken = |at: usize| all.iter().any(|suggestion| suggestion.part == Some(Part::Sensor(at)));
    let mut text = String::new();
    for (at, sensor) in system.sensors.iter().enumerate().filter(|(at, _)| !is_taken(*at)) {
        if text.is_empty() {
            text += "\n# Not printed. Without a value the rules take each for a failed probe; assume one where that would decide too much.\n";
        }
        let (own, _) = unit_of(system.signals[system.sensors[at].signal.idx()].scale);
        let value = match system.signals[sensor.signal.idx()].scale {
            Scale::Bool => "false".to_owned(),
            _ => format!("\"... {own}\""),
        };
        let _ = writeln!(text, "# [[assumed]]\n# sensor = {}\n# value = {value}", quoted(&sensor.name));
    }
    text
}

fn unit_text(seen: &Seen, scale: Scale) -> String {
    let (own, _) = unit_of(scale);
    match seen.unit.as_deref().and_then(unit_symbol) {
        Some(symbol) => format!("unit = {}\n", quoted(symbol)),
        None if own.is_empty() => String::new(),
        None => format!("unit = {}  # assumed: none is printed\n", quoted(own)),
    }
}

fn words_text(seen: &Seen, what: &str) -> String {
    let usual = |words: &[&str], word: &str| words.contains(&word.to_lowercase().as_str());
    let is_plain =
        |word: &String| usual(&["on", "true", "yes", "1"], word) || usual(&["off", "false", "no", "0"], word);
    if seen.words.is_empty() || seen.words.iter().all(is_plain) {
        return String::new();
    }
    let list: Vec<String> = seen.words.iter().map(|word| quoted(word)).collect();
    format!(
        "on = [{}]  # which of them means {what}?\noff = [{}]\n",
        list.first().cloned().unwrap_or_default(),
        list.get(1).cloned().unwrap_or_default()
    )
}

/// A text as TOML writes it.
fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => out.extend(['\\', c]),
            c if c.is_control() => {
                let _ = write!(out, "\\u{:04X}", u32::from(c));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}
