//! What has come of a shadow, in sentences: each output, what the rules could not see, when they did not run.

use logs::zone::Zone;
use system::System;
use system::model::{Actuator, Rule, Scale};

use crate::conditions::quantity;
use crate::run::{Difference, OutputSum, Shadow, Sum, Sums, Why};

/// Sentences for people; each ends with a period.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Told {
    /// One or two for each output of the map, in its order.
    pub outputs: Vec<String>,
    /// What the rules could not see, and what was assumed.
    pub inputs: Vec<String>,
    /// When the rules did not run, what is latched, what the map lacks.
    pub notes: Vec<String>,
}

/// A time of the system's zone: `2026-03-01 12:05:10`. `system.timezone` is its POSIX TZ string.
pub fn moment(system: &System, ms: i64) -> String {
    let zone = Zone::parse(&system.timezone).unwrap_or(Zone::UTC);
    let local = logs::dates::rfc3339(ms.saturating_add(zone.offset(ms)));
    local.get(..19).unwrap_or(&local).replace('T', " ")
}

/// A span: `45 s`, `2 h 10 min`, `3 d 4 h`.
pub fn span(ms: i64) -> String {
    let s = (ms + 500) / 1_000;
    let two = |a: i64, unit: &str, b: i64, lesser: &str| match b {
        0 => format!("{a} {unit}"),
        b => format!("{a} {unit} {b} {lesser}"),
    };
    match s {
        ..60 => format!("{s} s"),
        60..3_600 => two(s / 60, "min", s % 60, "s"),
        3_600..86_400 => two(s / 3_600, "h", s / 60 % 60, "min"),
        _ => two(s / 86_400, "d", s / 3_600 % 24, "h"),
    }
}

fn duty(permille: i32, is_modulated: bool) -> String {
    match (is_modulated, permille) {
        (false, 0) => "off".to_owned(),
        (false, _) => "on".to_owned(),
        (true, duty) => format!("{} %", f64::from(duty) / 10.0),
    }
}

/// One difference as a sentence.
pub fn difference(system: &System, difference: &Difference) -> String {
    let is_modulated =
        system.actuators.iter().find(|it| it.name == difference.output).is_some_and(|it| it.modulated);
    let until = match difference.to_ms {
        Some(to) => format!("for {}", span(to - difference.from_ms)),
        None => "since then".to_owned(),
    };
    format!(
        "{} {until}: {} was {}, the rules would have had it {}, because {}.",
        moment(system, difference.from_ms),
        difference.output,
        duty(difference.theirs, is_modulated),
        duty(difference.ours, is_modulated),
        difference.because.text
    )
}

fn direction(system: &System, name: &str, is_modulated: bool, sum: &Sum, is_more: bool) -> Option<String> {
    let first = sum.first.as_ref()?;
    let how = match (is_modulated, is_more) {
        (false, true) => format!("would have been on {} longer", span(sum.ms)),
        (false, false) => format!("would have been off {} longer", span(sum.ms)),
        (true, true) => format!("would have had a higher duty for {}", span(sum.ms)),
        (true, false) => format!("would have had a lower duty for {}", span(sum.ms)),
    };
    let (times, at) = match sum.n {
        1 => ("once, ".to_owned(), "at"),
        n => (format!("{n} times, "), "first at"),
    };
    Some(format!(
        "{name}: the rules {how} ({times}{at} {}, because {}).",
        moment(system, first.from_ms),
        first.because.text
    ))
}

/// What has come of one output so far: a sentence or two.
pub fn output(system: &System, it: &Actuator, sum: &OutputSum) -> Vec<String> {
    let (name, is_modulated) = (&it.name, it.modulated);
    if sum.compared_ms == 0 {
        let why = match (sum.unknown_ms, sum.settling_ms) {
            (0, 0) => "no value of it came",
            (_, 0) => "the controller told no state of it that can be read",
            _ => {
                "the rules came to no decision of their own yet: a start delay, or it lies between its thresholds"
            }
        };
        return vec![format!("{name}: not compared, because {why}.")];
    }
    let mut told: Vec<String> = [(&sum.less, false), (&sum.more, true)]
        .into_iter()
        .filter_map(|(sum, is_more)| direction(system, name, is_modulated, sum, is_more))
        .collect();
    if told.is_empty() {
        told.push(format!("{name}: as the rules would have it, for {}.", span(sum.compared_ms)));
    }
    told
}

fn inputs(shadow: &Shadow, sums: &Sums) -> Vec<String> {
    let system = shadow.system();
    let mut told = vec![];
    for assumed in &shadow.map().assumed {
        let sensor = &system.sensors[assumed.sensor.idx()];
        let value = match system.signals[sensor.signal.idx()].scale {
            Scale::Bool => (assumed.value != 0).to_string(),
            _ => quantity(system, sensor.signal, assumed.value),
        };
        told.push(format!("{} is not measured: assumed to be {value}.", sensor.name));
    }
    let missing = shadow.missing();
    let names: Vec<&str> = missing.iter().map(|sensor| system.sensors[sensor.idx()].name.as_str()).collect();
    if !names.is_empty() {
        told.push(format!(
            "Not in the map, so that the rules took each for a failed probe all the time: {}.",
            names.join(", ")
        ));
    }
    for (sensor, sum) in system.sensors.iter().zip(&sums.sensors) {
        if let Some(unclear) = &sum.unclear {
            told.push(format!(
                "{}: {} values say neither, such as {unclear}; name the word in `on` or `off` of the map.",
                sensor.name, sum.n_unclear
            ));
        }
        let is_missing = missing.iter().any(|missing| system.sensors[missing.idx()].name == sensor.name);
        if let (Some(first), false) = (sum.first_bad_ms, is_missing) {
            told.push(format!(
                "{} had no value for {} in all, first at {}: the rules took it for a failed probe.",
                sensor.name,
                span(sum.bad_ms),
                moment(system, first)
            ));
        }
    }
    told
}

/// What has a limit of the day is not judged fairly on the day on which the shadow began.
fn first_day(shadow: &Shadow, sums: &Sums) -> Option<String> {
    let system = shadow.system();
    let since = sums.since_ms.filter(|since| since % logs::dates::DAY_MS != 0)?;
    let is_compared = |rule: &Rule| shadow.map().outputs.iter().any(|output| output.actuator == rule.drives);
    let limited: Vec<&str> = (system.rules.iter())
        .filter(|rule| (rule.daily_run_s.is_some() || rule.daily_volume_m3.is_some()) && is_compared(rule))
        .map(|rule| system.actuators[rule.drives.idx()].name.as_str())
        .collect();
    (!limited.is_empty()).then(|| {
        format!(
            "Sums of the day began at zero on {}: until midnight UTC {} may run longer in the rules than their limits of the day allow.",
            moment(system, since),
            limited.join(", ")
        )
    })
}

/// All of it in sentences.
pub fn told(shadow: &Shadow) -> Told {
    let (system, sums) = (shadow.system(), shadow.sums());
    let mut told = Told { inputs: inputs(shadow, &sums), ..Told::default() };
    for (mapped, sum) in shadow.map().outputs.iter().zip(&sums.outputs) {
        let it = &system.actuators[mapped.actuator.idx()];
        told.outputs.extend(output(system, it, sum));
    }
    told.notes.extend(first_day(shadow, &sums));
    for pause in &sums.breaks {
        let why = match pause.why {
            Why::Silent => "Nothing came",
            Why::SteppedBack => "The times stepped back",
            Why::NotRunning => "The shadow did not run",
        };
        told.notes.push(format!(
            "{why} from {} to {}: the rules began again as after a power cut.",
            moment(system, pause.from_ms),
            moment(system, pause.to_ms)
        ));
    }
    let tripped = shadow.tripped();
    if !tripped.is_empty() {
        told.notes.push(format!(
            "Latched in the rules now: {}. In the shadow nobody resets a trip, so it stays.",
            tripped.join(", ")
        ));
    }
    told
}
