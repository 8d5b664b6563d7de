//! `tidewright rehearse`: one run of a scenario, written down signal by signal.

mod scenario;

use std::fmt::Write as _;

use serde_json::{Value, json};
use system::System;
use trial::Model;
use trial::rehearse::{self, Column, Happening, Rehearsal};

use crate::arguments::RehearseOptions;
use crate::console::{Console, Tone};
use crate::ending::{Ending, Failure};
use crate::open::{self, Opened, open};
use crate::table::{Column as Head, Table};
use crate::words::{self, HOUR_S, span};
use crate::{files, json, wrap};

/// So many events are told in text; JSON has all.
const EVENTS_TOLD: usize = 40;

/// What came of the run.
struct Run<'a> {
    opened: &'a Opened,
    columns: Vec<Column>,
    rehearsal: Rehearsal,
    /// Its log in words, by time, s.
    told: Vec<(f64, String)>,
    n_lines: usize,
}

/// Runs the scenario, writes the record and tells what happened.
pub fn run(options: &RehearseOptions, console: &mut Console) -> Result<Ending, Failure> {
    let to_stdout = options.csv.as_ref().is_some_and(|path| path.as_os_str() == "-");
    if let Some(path) = options.csv.as_ref().filter(|_| !to_stdout) {
        files::check_free(path, options.force)?;
    }
    let Some(opened) = open(&options.file, "rehearse", console) else { return Ok(Ending::Unreadable) };
    let model = match rehearse::model(&opened.system) {
        Ok(model) => model,
        Err(findings) => {
            open::refuse("rehearse", &findings, &opened.name, &opened.source, console);
            return Ok(Ending::Unreadable);
        }
    };
    let (scenario, labels) = scenario::read(options, &model)?;
    let columns = rehearse::columns(&model);
    let mut csv = options.csv.as_ref().map(|_| head(&columns));
    let mut n_lines = 0;
    let rehearsal = rehearse::run(&model, &scenario, &mut |time_s, values| {
        n_lines += 1;
        if let Some(csv) = &mut csv {
            line(csv, time_s, values);
        }
    })
    .map_err(Failure::new)?;
    let told = told(model.system(), &rehearsal, &labels);
    let is_broken = rehearsal.outcome.verdicts.iter().any(|v| v.broken_at_s.is_some());
    match (&options.csv, csv) {
        (Some(_), Some(csv)) if to_stdout => {
            // The record is the answer; nothing else may stand in it.
            console.print(&csv);
            return Ok(Ending::of(is_broken));
        }
        (Some(path), Some(csv)) => files::write_new(path, &csv, options.force)?,
        _ => {}
    }
    let run = Run { opened: &opened, columns, rehearsal, told, n_lines };
    if console.is_json() {
        let value = fields(&run, &model, options);
        console.print_json(&json::answer("rehearse", value));
    } else {
        let text = text(&run, &model, options, console);
        console.print(&text);
    }
    Ok(Ending::of(is_broken))
}

/// What happened in words, by time, s. Events of the scenario stand in the log in their order; they are told as they were given.
fn told(system: &System, rehearsal: &Rehearsal, labels: &[String]) -> Vec<(f64, String)> {
    let mut labels = labels.iter();
    let words = |what: &Happening| match what {
        Happening::Alarm { alarm, stands } => {
            format!("alarm {} {}", system.alarms[alarm.idx()].name, if *stands { "stands" } else { "gone" })
        }
        Happening::Trip { actuator, is_tripped } => {
            format!(
                "{} {}",
                system.actuators[actuator.idx()].name,
                if *is_tripped { "tripped" } else { "reset" }
            )
        }
        Happening::Struck(_) | Happening::Commanded { is_done: true, .. } => String::new(),
        Happening::Commanded { is_done: false, .. } => ": not done, the board does not run".to_owned(),
    };
    (rehearsal.log.iter())
        .map(|(time, what)| {
            let label = if what.is_of_scenario() { labels.next().map_or("", String::as_str) } else { "" };
            (*time, format!("{label}{}", words(what)))
        })
        .collect()
}

/// A field as RFC 4180 has it.
fn field(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

fn head(columns: &[Column]) -> String {
    let mut csv = "time [h]".to_owned();
    for column in columns {
        let unit = if column.unit.is_empty() { "1" } else { column.unit };
        let whose = if column.is_truth { "true " } else { "" };
        let _ = write!(csv, ",{}", field(&format!("{whose}{} [{unit}]", column.name)));
    }
    csv.push('\n');
    csv
}

/// One line; a value of bad quality is an empty field.
fn line(csv: &mut String, time_s: f64, values: &[f64]) {
    let _ = write!(csv, "{}", shortest(time_s / HOUR_S));
    for value in values {
        csv.push(',');
        if value.is_finite() {
            csv.push_str(&shortest(*value));
        }
    }
    csv.push('\n');
}

/// At most six decimals, none of them a trailing nought.
fn shortest(value: f64) -> String {
    let text = format!("{value:.6}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// By requirement: name, what its formula says, margin, time of the breach.
fn verdicts(system: &System, rehearsal: &Rehearsal) -> Vec<Value> {
    (system.requirements.iter().zip(&rehearsal.outcome.verdicts))
        .map(|(r, verdict)| {
            json!({
                "requirement": r.name,
                "margin": words::margin(verdict.margin, r.margin_unit),
                "margin_unit": words::margin_unit(r.margin_unit),
                "broken_after_h": verdict.broken_at_s.map(|s| s / HOUR_S),
            })
        })
        .collect()
}

fn fields(run: &Run<'_>, model: &Model, options: &RehearseOptions) -> Value {
    let system = model.system();
    let columns: Vec<Value> = (run.columns.iter())
        .map(|c| json!({ "name": c.name, "unit": c.unit, "is_truth": c.is_truth }))
        .collect();
    let events: Vec<Value> =
        (run.told.iter()).map(|(t, what)| json!({ "after_h": t / HOUR_S, "what": what })).collect();
    let mut value = run.opened.json(&run.opened.findings);
    let more = json!({
        "system": system.name,
        "duration_h": options.duration.unwrap_or(system.unattended_s) / HOUR_S,
        "corner": options.corner.as_deref().unwrap_or("nominal"),
        "seed": options.seed,
        "csv": options.csv.as_ref().map(|path| path.display().to_string()),
        "lines": run.n_lines,
        "columns": columns,
        "requirements": verdicts(system, &run.rehearsal),
        "events": events,
        "precipitates": run.rehearsal.outcome.precipitates,
        "spilled_l": run.rehearsal.outcome.spilled_m3 * 1000.0,
    });
    if let (Value::Object(all), Value::Object(more)) = (&mut value, more) {
        all.extend(more);
    }
    value
}

fn text(run: &Run<'_>, model: &Model, options: &RehearseOptions, console: &Console) -> String {
    let system = model.system();
    let duration = options.duration.unwrap_or(system.unattended_s);
    let corner = options.corner.as_deref().unwrap_or("nominal");
    let title = format!("{}: rehearsal of {} under {corner} conditions", system.name, span(duration));
    let mut out = format!("{}\n", console.paint(Tone::Strong, &title));
    if !run.opened.findings.is_empty() {
        out += &format!("\n{}", run.opened.plain(&run.opened.findings, console));
    }
    out += &format!("\n{}\n", console.paint(Tone::Strong, "What happened"));
    if run.told.is_empty() {
        out += "  Nothing was told, and nothing tripped.\n";
    }
    for (time, what) in run.told.iter().take(EVENTS_TOLD) {
        out += &wrap::after(&format!("{:>8}  ", span(*time)), what, console.width);
    }
    if run.told.len() > EVENTS_TOLD {
        out += &format!("          and {} more; --format json has all\n", run.told.len() - EVENTS_TOLD);
    }
    if !system.requirements.is_empty() {
        out += &format!("\n{}\n\n", console.paint(Tone::Strong, "What must hold"));
        let rows = (system.requirements.iter().zip(&run.rehearsal.outcome.verdicts))
            .map(|(r, verdict)| {
                vec![
                    r.name.clone(),
                    verdict
                        .broken_at_s
                        .map_or_else(|| "holds".to_owned(), |t| format!("BREAKS after {}", span(t))),
                    words::margin_text(verdict.margin, r.margin_unit, console.units),
                    r.text.clone(),
                ]
            })
            .collect();
        let table = Table {
            columns: vec![
                Head::text("Requirement", 0, 10),
                Head::text("Verdict", 0, 14),
                Head::number("Margin", 0),
                Head::text("Formula", 1, 24),
            ],
            rows,
        };
        out += &table.render(console.width, 2);
    }
    out += "\n";
    out += &match &options.csv {
        Some(path) => wrap::hanging(
            &format!(
                "Wrote {} lines of {} columns to {}.",
                run.n_lines,
                run.columns.len() + 1,
                path.display()
            ),
            console.width,
            0,
        ),
        None => wrap::hanging("--csv FILE writes every signal down, a line a minute.", console.width, 0),
    };
    out
}

#[cfg(test)]
mod tests {
    use super::{field, line, shortest};

    #[test]
    fn numbers_are_as_short_as_they_can_be() {
        assert_eq!(shortest(25.4), "25.4");
        assert_eq!(shortest(-0.0), "0");
        assert_eq!(shortest(513.0), "513");
        assert_eq!(shortest(1.0 / 3.0), "0.333333");
    }

    #[test]
    fn bad_values_are_empty_fields() {
        let mut csv = String::new();
        line(&mut csv, 1800.0, &[25.5, f64::NAN, 1.0]);
        assert_eq!(csv, "0.5,25.5,,1\n");
        assert_eq!(field("a \"b\", c"), "\"a \"\"b\"\", c\"");
    }
}
