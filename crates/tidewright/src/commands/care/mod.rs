//! `tidewright care FILE`: proof tests, maintenance, calibration, water tests and dosing of one system.

mod calibrate;
mod due;
pub mod options;
mod water;

use serde_json::{Value, json};
use system::Diagnostic;

pub use self::calibrate::catch;
use self::options::{CareOptions, Topic};
use crate::console::Console;
use crate::ending::{Ending, Failure};
use crate::json;
use crate::open::{self, Opened, open};

/// What a topic found out: text for people, fields for programs, findings of both.
struct Answer {
    heading: String,
    text: String,
    fields: Value,
    findings: Vec<Diagnostic>,
}

/// Does what is asked and tells.
pub fn run(options: &CareOptions, console: &mut Console) -> Result<Ending, Failure> {
    let Some(opened) = open(&options.file, "care", console) else { return Ok(Ending::Unreadable) };
    let system = &opened.system;
    let (topic, answer) = match &options.topic {
        Topic::Proof(options) => ("proof", due::proof(options, system, console)?),
        Topic::Tasks => ("tasks", due::tasks(system, console)),
        Topic::Calendar(options) => ("calendar", due::calendar(options, system)?),
        Topic::Calibrate(options) => ("calibrate", calibrate::calibrate(options, system, console)?),
        Topic::Use(options) => ("use", water::usage(options, system, console)?),
        Topic::Dose(options) => ("dose", water::dose(options, system)?),
        Topic::Lime(options) => ("lime", water::lime(options, system)?),
        Topic::Change(options) => ("change", water::change(options, system)?),
    };
    tell(topic, &opened, answer, console)
}

fn tell(topic: &str, opened: &Opened, answer: Answer, console: &mut Console) -> Result<Ending, Failure> {
    let findings = open::worst_first(answer.findings);
    let ending = Ending::of(open::has_findings(&findings));
    if console.is_json() {
        let mut all = opened.json(&findings);
        if let (Value::Object(all), Value::Object(fields)) = (&mut all, answer.fields) {
            all.insert("system".to_owned(), opened.system.name.clone().into());
            all.insert("topic".to_owned(), topic.into());
            all.extend(fields);
        }
        console.print_json(&json::answer("care", all));
        return Ok(ending);
    }
    if answer.heading.is_empty() {
        console.print(&answer.text);
        return Ok(ending);
    }
    let heading = format!("{}: {}", opened.system.name, answer.heading);
    let mut text = format!("{}\n\n{}", console.paint(crate::console::Tone::Strong, &heading), answer.text);
    if !findings.is_empty() {
        text += "\n";
        text += &opened.plain(&findings, console);
    }
    console.print(&text);
    Ok(ending)
}

/// A number for JSON; what is not finite is null.
fn number(value: f64) -> Value {
    if value.is_finite() { json!(value) } else { Value::Null }
}

/// Lines of a name and a value; the values begin in one column.
fn list(lines: &[(&str, String)]) -> String {
    let width = lines.iter().map(|(name, _)| name.chars().count()).max().unwrap_or(0);
    lines.iter().map(|(name, value)| format!("  {name:<width$}  {value}\n")).collect()
}
