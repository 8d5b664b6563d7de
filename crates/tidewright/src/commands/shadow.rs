//! `tidewright shadow`: the rules beside a recorded log of a controller, and where they would have acted differently.

use std::io::Read;
use std::sync::Arc;

use serde_json::{Value, json};
use shadow::run::{Difference, Sums};
use shadow::seen::Names;
use shadow::words::{self, Told};
use shadow::{Form, Map, Printed, Reader, Shadow, suggest};
use system::{Diagnostic, System};

use super::listen::{refused_fields, refused_text};
use crate::arguments::ShadowOptions;
use crate::console::{Console, Tone};
use crate::ending::{Ending, Failure};
use crate::open::{self, Opened, open};
use crate::{json, wrap};

/// So many differences are told one by one in text; JSON has all.
const TOLD: usize = 40;

/// What came of the log.
struct Run {
    shadow: Shadow,
    reader: Reader,
    /// Values before any time was known.
    n_without_time: u64,
    /// The map is the suggestion.
    is_suggested: bool,
    findings: Vec<Diagnostic>,
}

/// Runs the rules beside the log and tells.
pub fn run(options: &ShadowOptions, console: &mut Console) -> Result<Ending, Failure> {
    let Some(opened) = open(&options.file, "shadow", console) else { return Ok(Ending::Unreadable) };
    let log = read(options)?;
    let (map, findings) = match &options.map {
        Some(path) => match open::map(path, &opened.system, "shadow", console)? {
            Some(read) => read,
            None => return Ok(Ending::Unreadable),
        },
        None => suggested(&opened.system, &log)?,
    };
    let system = Arc::new(opened.system.clone());
    let shadow = match Shadow::new(system, map) {
        Ok(shadow) => shadow,
        Err(findings) => {
            open::refuse("shadow", &findings, &opened.name, &opened.source, console);
            return Ok(Ending::Unreadable);
        }
    };
    let reader = Reader::from_the_beginning(&shadow.map().form);
    let mut run = Run { shadow, reader, n_without_time: 0, is_suggested: options.map.is_none(), findings };
    run.feed(&log);
    let sums = run.shadow.sums();
    if sums.since_ms.is_none() {
        return Err(run.nothing(&options.log.display().to_string()));
    }
    let told = words::told(&run.shadow);
    let all: Vec<Difference> = sums.differences.iter().cloned().chain(run.shadow.lasting()).collect();
    if console.is_json() {
        let mut value = opened.json(&opened.findings);
        if let (Value::Object(value), Value::Object(more)) =
            (&mut value, fields(&run, &sums, &told, &all, options))
        {
            value.extend(more);
        }
        console.print_json(&json::answer("shadow", value));
    } else {
        let text = text(&run, &opened, &sums, &told, &all, console);
        console.print(&text);
    }
    Ok(Ending::of(!all.is_empty()))
}

fn read(options: &ShadowOptions) -> Result<Vec<u8>, Failure> {
    let mut log = vec![];
    if options.log.as_os_str() == "-" {
        std::io::stdin()
            .lock()
            .read_to_end(&mut log)
            .map_err(|error| Failure::new(format!("cannot read the standard input: {error}")))?;
        return Ok(log);
    }
    std::fs::read(&options.log).map_err(|error| {
        Failure::new(format!("cannot read `{}`: {error}", options.log.display()))
            .help("check the path and who may read it; `tidewright listen --record LOG` writes one")
    })
}

/// The map that `listen` suggests for the names of the log.
fn suggested(system: &System, log: &[u8]) -> Result<(Map, Vec<Diagnostic>), Failure> {
    let mut reader = Reader::from_the_beginning(&Form::default());
    let mut names = Names::default();
    let mut take = |printed: Printed| {
        names.take(&printed, None);
    };
    reader.push(log, None, &mut take);
    reader.end(None, &mut take);
    let (map, findings) = Map::load(&suggest::map_text(system, &names), system);
    let map = map.ok_or_else(|| {
        let messages: Vec<&str> = findings.iter().map(|finding| finding.message.as_str()).collect();
        Failure::new(format!("no map fits this log: {}", messages.join("; ")))
            .help("write one with `tidewright listen FILE --file LOG --suggest MAP`, mend it, and give it as --map MAP")
    })?;
    Ok((map, findings))
}

impl Run {
    fn feed(&mut self, log: &[u8]) {
        let Run { shadow, reader, n_without_time, .. } = self;
        let mut last = None;
        let mut take = |printed: Printed| {
            last = printed.time.or(last);
            match last {
                Some(time) => {
                    shadow.take(&printed, time);
                }
                None => *n_without_time += 1,
            }
        };
        reader.push(log, None, &mut take);
        reader.end(None, &mut take);
        if let Some(last) = last {
            shadow.advance(last);
        }
    }

    /// Why nothing could be compared.
    fn nothing(&self, log: &str) -> Failure {
        let tally = self.reader.tally();
        if self.n_without_time > 0 {
            return Failure::new(format!("no line of `{log}` tells its time")).help(
                "record it with `tidewright listen --record LOG`, or name the value that is the time in the map: [form] time = \"...\"",
            );
        }
        if tally.n_values > 0 {
            return Failure::new(format!(
                "none of the {} values of `{log}` has a name of the map",
                tally.n_values
            ))
            .help("`tidewright listen FILE --file LOG` lists the names and suggests a map");
        }
        Failure::new(format!("nothing in `{log}` was understood"))
            .help("`tidewright listen FILE --file LOG` says why, line by line")
    }
}

fn rfc3339(ms: i64) -> String {
    logs::dates::rfc3339(ms)
}

fn fields(run: &Run, sums: &Sums, told: &Told, all: &[Difference], options: &ShadowOptions) -> Value {
    let system = run.shadow.system();
    let seconds = |ms: i64| ms as f64 / 1e3;
    let outputs: Vec<Value> = (run.shadow.map().outputs.iter().zip(&sums.outputs))
        .map(|(mapped, sum)| {
            json!({
                "actuator": system.actuators[mapped.actuator.idx()].name,
                "printed": mapped.printed,
                "compared_s": seconds(sum.compared_ms),
                "unknown_s": seconds(sum.unknown_ms),
                "settling_s": seconds(sum.settling_ms),
                "less_s": seconds(sum.less.ms),
                "less": sum.less.n,
                "more_s": seconds(sum.more.ms),
                "more": sum.more.n,
                "short": sum.n_short,
            })
        })
        .collect();
    let differences: Vec<Value> = (all.iter())
        .map(|difference| {
            json!({
                "output": difference.output,
                "from": rfc3339(difference.from_ms),
                "to": difference.to_ms.map(rfc3339),
                "theirs": difference.theirs,
                "ours": difference.ours,
                "rank": difference.because.rank,
                "because": difference.because.text,
                "sentence": words::difference(system, difference),
            })
        })
        .collect();
    let tally = run.reader.tally();
    json!({
        "system": system.name,
        "log": options.log.display().to_string(),
        "since": sums.since_ms.map(rfc3339),
        "until": sums.until_ms.map(rfc3339),
        "lines": tally.n_lines,
        "understood": tally.n_understood,
        "values": tally.n_values,
        "refused": refused_fields(tally),
        "without_time": run.n_without_time,
        "unmapped": sums.n_unmapped,
        "outputs": outputs,
        "differences": differences,
        "dropped": sums.n_dropped,
        "sentences": { "outputs": told.outputs, "inputs": told.inputs, "notes": told.notes },
    })
}

fn text(
    run: &Run,
    opened: &Opened,
    sums: &Sums,
    told: &Told,
    all: &[Difference],
    console: &Console,
) -> String {
    let system = run.shadow.system();
    let of = |ms: Option<i64>| ms.map(|ms| words::moment(system, ms)).unwrap_or_default();
    let title =
        format!("{}: the rules in shadow from {} to {}", system.name, of(sums.since_ms), of(sums.until_ms));
    let mut out = format!("{}\n", console.paint(Tone::Strong, &title));
    let findings: Vec<Diagnostic> = opened.findings.clone();
    if !findings.is_empty() {
        out += &format!("\n{}", opened.plain(&findings, console));
    }
    let mut section = |head: &str, lines: &[String]| {
        if lines.is_empty() {
            return;
        }
        out += &format!("\n{}\n", console.paint(Tone::Strong, head));
        for line in lines {
            out += &wrap::after("  ", line, console.width);
        }
    };
    let mut notes = told.notes.clone();
    if run.is_suggested {
        notes.insert(
            0,
            "The map is a suggestion by names, units and values: look at it with `tidewright listen`."
                .to_owned(),
        );
    }
    notes.extend(run.findings.iter().map(|finding| format!("{}.", finding.message)));
    let count = |n: u64, what: &str| (n > 0).then(|| format!("{n} {what}"));
    notes.extend(count(run.n_without_time, "values came before any time was known, and were left out."));
    notes.extend(count(sums.n_unmapped, "values have names that the map does not have."));
    notes.extend(count(sums.n_late, "values were older than what had come before them."));
    section("Outputs", &told.outputs);
    section("What the rules could not see", &told.inputs);
    section("To know", &notes);
    let from = all.len().saturating_sub(TOLD);
    let lines: Vec<String> =
        all[from..].iter().map(|difference| words::difference(system, difference)).collect();
    section("Differences", &lines);
    if from > 0 || sums.n_dropped > 0 {
        out += &format!("  and {} before; --format json has more\n", from as u64 + sums.n_dropped);
    }
    out += &refused_text(run.reader.tally(), console);
    out
}
