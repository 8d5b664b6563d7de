//! What a rehearsal is told on the command line: faults, hands, procedures and readings, each with its time.

use program::machine::Command;
use program::vm::ProcedureCommand;
use system::model::{ActuatorIdx, Scale, SensorIdx};
use trial::rehearse::{Event, Scenario};
use trial::{Injection, Model};
use twin::Flaw;
use units::Kind;

use crate::arguments::RehearseOptions;
use crate::ending::Failure;
use crate::quantity;

/// Hand lasts so long when no time is given, s; a person looks again after half an hour.
const USUAL_HAND_S: f64 = 1800.0;
/// So many names are listed in advice.
const NAMES_LISTED: usize = 12;

/// Reads everything; a name that is not in the file is told with those that are.
pub fn read(options: &RehearseOptions, model: &Model) -> Result<(Scenario, Vec<String>), Failure> {
    let system = model.system();
    let corner = match options.corner.as_deref() {
        None | Some("nominal") => None,
        Some(name) => Some(system.corners.iter().position(|c| c.name == name).ok_or_else(|| {
            unknown(
                "corner",
                name,
                std::iter::once("nominal").chain(system.corners.iter().map(|c| c.name.as_str())),
            )
        })?),
    };
    let mut events = vec![];
    type Read = fn(&str, &Model) -> Result<(f64, Event), Failure>;
    let kinds: [(&str, &[String], Read); 4] = [
        ("fault", &options.fault, fault),
        ("hand", &options.hand, hand),
        ("procedure", &options.procedure, procedure),
        ("reading set by hand", &options.set, reading),
    ];
    for (kind, texts, read) in kinds {
        for text in texts {
            let (time, event) = read(text, model)?;
            let what = text.split('@').next().unwrap_or(text);
            events.push((time, event, format!("{kind}: {what}")));
        }
    }
    events.sort_by(|a, b| a.0.total_cmp(&b.0));
    let labels = events.iter().map(|(_, _, label)| label.clone()).collect();
    let events = events.into_iter().map(|(time, event, _)| (time, event)).collect();
    let scenario = Scenario {
        duration_s: options.duration.unwrap_or(system.unattended_s),
        corner,
        seed: options.seed,
        every_s: options.every,
        events,
    };
    Ok((scenario, labels))
}

fn unknown<'a>(what: &str, name: &str, names: impl Iterator<Item = &'a str>) -> Failure {
    let all: Vec<&str> = names.collect();
    let failure = Failure::new(format!("the file has no {what} `{name}`"));
    if all.is_empty() {
        return failure.help(format!("it has no {what} at all"));
    }
    // Names that share a part of the word are likelier meant.
    let word = name.split([':', '_', '-']).next().unwrap_or(name);
    let mut near: Vec<&str> = all.iter().filter(|n| !word.is_empty() && n.contains(word)).copied().collect();
    if near.is_empty() {
        near = all;
    }
    let more = if near.len() > NAMES_LISTED { ", ..." } else { "" };
    near.truncate(NAMES_LISTED);
    failure.help(format!("it has {}{more}", near.join(", ")))
}

/// `what@time`; without a time, from the start.
fn timed<'t>(option: &str, text: &'t str) -> Result<(&'t str, f64), Failure> {
    match text.rsplit_once('@') {
        None => Ok((text, 0.0)),
        Some((what, time)) => Ok((what, span(option, text, time)?)),
    }
}

fn span(option: &str, text: &str, time: &str) -> Result<f64, Failure> {
    let wrong = |error: String| {
        Failure::new(format!("--{option} {text}: `{time}` is no time: {error}"))
            .help("write a time such as `24h`")
    };
    let seconds = quantity::of(time, Kind::Time).map_err(wrong)?;
    if seconds < 0.0 { Err(wrong("it is before the start".to_owned())) } else { Ok(seconds) }
}

fn fault(text: &str, model: &Model) -> Result<(f64, Event), Failure> {
    let system = model.system();
    let (name, time) = timed("fault", text)?;
    let all = trial::derive(system);
    let ids: Vec<String> = all.iter().map(trial::Fault::id).collect();
    let found = ids.iter().position(|id| id == name);
    let found = found.ok_or_else(|| unknown("fault", name, ids.iter().map(String::as_str)))?;
    Ok((time, Event::Fault(all[found].injection)))
}

/// `actuator=on@12h+30min`.
fn hand(text: &str, model: &Model) -> Result<(f64, Event), Failure> {
    const FORM: &str =
        "write it as `heater=on@12h+30min`: what, on, off or a percentage, when, and for how long";
    let system = model.system();
    let (what, when) = text.split_once('@').unwrap_or((text, "0 s"));
    let (name, state) =
        what.split_once('=').ok_or_else(|| Failure::new(format!("--hand {text}: no `=`")).help(FORM))?;
    let (at, lasting) = when.split_once('+').map_or((when, None), |(at, lasting)| (at, Some(lasting)));
    let time = span("hand", text, at)?;
    let lasting = lasting.map_or(Ok(USUAL_HAND_S), |lasting| span("hand", text, lasting))?;
    let actuator = system.actuators.iter().position(|a| a.name == name);
    let actuator = actuator
        .map(ActuatorIdx)
        .ok_or_else(|| unknown("actuator", name, system.actuators.iter().map(|a| a.name.as_str())))?;
    let drive = model.compiled.drives[actuator.idx()].ok_or_else(|| {
        Failure::new(format!("`{name}` always runs: the board has no hand on it"))
            .help("give it a rule, or use --fault with one of its failure modes")
    })?;
    let is_modulated = system.actuators[actuator.idx()].modulated;
    let full = if is_modulated { 1000 } else { 1 };
    let value = match state.trim() {
        "on" => full,
        "off" => 0,
        share => {
            let share = quantity::of(share, Kind::Ratio)
                .map_err(|error| Failure::new(format!("--hand {text}: {error}")).help(FORM))?;
            if !is_modulated || !(0.0..=1.0).contains(&share) {
                return Err(Failure::new(format!("--hand {text}: `{name}` takes no such state")).help(FORM));
            }
            (share * 1000.0).round() as i32
        }
    };
    let time_ms = (lasting * 1000.0).min(f64::from(i32::MAX)) as i32;
    Ok((time, Event::Command(Command::Hand { drive, value, time_ms })))
}

fn procedure(text: &str, model: &Model) -> Result<(f64, Event), Failure> {
    let system = model.system();
    let (name, time) = timed("procedure", text)?;
    let found = system.procedures.iter().position(|p| p.name == name);
    let found =
        found.ok_or_else(|| unknown("procedure", name, system.procedures.iter().map(|p| p.name.as_str())))?;
    let procedure = model.compiled.procedures[found];
    Ok((time, Event::Command(Command::Procedure { procedure, command: ProcedureCommand::Start })))
}

/// `sensor=value@time`, the value with the unit of what it measures.
fn reading(text: &str, model: &Model) -> Result<(f64, Event), Failure> {
    let system = model.system();
    let (what, time) = timed("set", text)?;
    let (name, value) = what.split_once('=').ok_or_else(|| {
        Failure::new(format!("--set {text}: no `=`")).help("write it as `display_temp=24degC@1h`")
    })?;
    let found = system.sensors.iter().position(|s| s.name == name);
    let found =
        found.ok_or_else(|| unknown("sensor", name, system.sensors.iter().map(|s| s.name.as_str())))?;
    let sensor = &system.sensors[found];
    let scale = system.signals[sensor.signal.idx()].scale;
    let wrong = |error: String| Failure::new(format!("--set {text}: {error}"));
    let value = match scale {
        Scale::Bool => match value.trim() {
            "on" | "true" | "1" => 1.0,
            "off" | "false" | "0" => 0.0,
            _ => return Err(wrong("a contact is true or false".to_owned()).help("write `true` or `false`")),
        },
        _ => {
            let kind = match scale {
                Scale::MilliCelsius => Kind::Temperature,
                Scale::MilliPh => Kind::Ph,
                Scale::Micrometre => Kind::Length,
                Scale::MicrosiemensPerCm => Kind::Conductivity,
                Scale::MillilitrePerMinute => Kind::Flow,
                _ => Kind::Ratio,
            };
            quantity::of(value, kind).map_err(wrong)?
        }
    };
    Ok((time, Event::Fault(Injection::Flaw(Flaw::Reads(SensorIdx(found), value)))))
}
