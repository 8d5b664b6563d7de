//! `tidewright listen`: what a controller that somebody built prints, what of it is understood, and which parts of the system it may be.

use std::fmt::Write as _;
use std::io::Read;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use link::transport::{Serial, Tcp, Transport};
use serde_json::{Value, json};
use shadow::lines::{Line, Lines};
use shadow::seen::{Names, Seen};
use shadow::suggest::{self, Part, Suggestion};
use shadow::{Form, Reader, Tally};
use system::System;

use crate::arguments::ListenOptions;
use crate::console::{Console, Tone};
use crate::ending::{Ending, Failure};
use crate::open::{self, open};
use crate::table::{Column as Head, Table};
use crate::{files, json, wrap};

/// Usual time of listening to what does not end by itself, s.
const USUAL_S: f64 = 60.0;
/// Wait for a connection.
const WAIT: Duration = Duration::from_secs(10);

/// What was heard.
struct Heard {
    reader: Reader,
    names: Names,
    /// Lines with the time at which each came.
    record: Option<(Lines, String)>,
}

/// Listens and tells.
pub fn run(options: &ListenOptions, console: &mut Console) -> Result<Ending, Failure> {
    for path in [&options.record, &options.suggest].into_iter().flatten() {
        files::check_free(path, options.force)?;
    }
    let Some(opened) = open(&options.file, "listen", console) else { return Ok(Ending::Unreadable) };
    let form = match &options.map {
        None => Form::default(),
        Some(path) => match open::map(path, &opened.system, "listen", console)? {
            Some((map, _)) => map.form,
            None => return Ok(Ending::Unreadable),
        },
    };
    let heard = listen(options, &form)?;
    let suggested = suggest::map_text(&opened.system, &heard.names);
    if let (Some(path), Some((_, text))) = (&options.record, &heard.record) {
        files::write_new(path, text, options.force)?;
    }
    if let Some(path) = &options.suggest {
        files::write_new(path, &suggested, options.force)?;
    }
    let all = suggest::suggest(&opened.system, &heard.names);
    if console.is_json() {
        let mut value = opened.json(&opened.findings);
        if let (Value::Object(value), Value::Object(more)) =
            (&mut value, fields(&opened.system, &heard, &all, &suggested))
        {
            value.extend(more);
        }
        console.print_json(&json::answer("listen", value));
    } else {
        let text = text(&opened.system, &heard, &all, &suggested, options, console);
        console.print(&text);
    }
    Ok(Ending::of(heard.names.is_empty() || heard.reader.tally().n_trouble() > 0))
}

fn now_ms() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_millis()).unwrap_or(i64::MAX)
}

fn listen(options: &ListenOptions, form: &Form) -> Result<Heard, Failure> {
    let record = |lines| options.record.as_ref().map(|_| (lines, String::new()));
    if let Some(path) = &options.input {
        let mut heard = Heard {
            reader: Reader::from_the_beginning(form),
            names: Names::default(),
            record: record(Lines::from_the_beginning()),
        };
        if path.as_os_str() == "-" {
            let until = options.duration.map(|seconds| Instant::now() + Duration::from_secs_f64(seconds));
            heard
                .take_all(&mut std::io::stdin().lock(), true, until)
                .map_err(|error| Failure::new(format!("cannot read the standard input: {error}")))?;
        } else {
            let unreadable = |error: std::io::Error| {
                Failure::new(format!("cannot read `{}`: {error}", path.display()))
                    .help("check the path and who may read it")
            };
            let mut file = std::fs::File::open(path).map_err(unreadable)?;
            heard.take_all(&mut file, false, None).map_err(unreadable)?;
        }
        return Ok(heard);
    }
    let (mut line, what): (Box<dyn Transport>, String) = if let Some(port) = &options.serial {
        let line = Serial::open_at(port, options.baud).map_err(|error| {
            Failure::new(format!("cannot open `{port}`: {error}"))
                .help("check the name of the port, that no other program has it open, and that you may use it (group dialout)")
        })?;
        (Box::new(line), port.clone())
    } else {
        let address = options.tcp.as_deref().unwrap_or_default();
        let line = Tcp::connect(address, WAIT).map_err(|error| {
            Failure::new(format!("cannot connect to `{address}`: {error}"))
                .help("an address and a port are needed, such as `192.168.1.40:23`")
        })?;
        (Box::new(line), address.to_owned())
    };
    let mut heard =
        Heard { reader: Reader::joined(form), names: Names::default(), record: record(Lines::joined()) };
    let end = Instant::now() + Duration::from_secs_f64(options.duration.unwrap_or(USUAL_S));
    let mut buffer = [0; 4096];
    while Instant::now() < end {
        match line.receive(&mut buffer, Duration::from_millis(200)) {
            Ok(n) => heard.take(&buffer[..n], Some(now_ms())),
            Err(error) if heard.reader.tally().n_lines == 0 => {
                return Err(Failure::new(format!("`{what}` ended before a line came: {error}"))
                    .help("check that the controller prints there"));
            }
            Err(_) => break,
        }
    }
    heard.end(false);
    Ok(heard)
}

impl Heard {
    fn take(&mut self, bytes: &[u8], now: Option<i64>) {
        let Heard { reader, names, record } = self;
        if let Some((lines, text)) = record {
            let stamp = logs::dates::rfc3339(now.unwrap_or_else(now_ms));
            lines.push(bytes, &mut |line| keep(text, &stamp, line));
        }
        let mut beyond = vec![];
        reader.push(bytes, now, &mut |printed| {
            if !names.take(&printed, now) {
                beyond.push(printed.name);
            }
        });
        beyond.iter().for_each(|name| reader.reject_name(name));
    }

    fn end(&mut self, is_whole: bool) {
        let Heard { reader, names, record } = self;
        if let Some((lines, text)) = record {
            let stamp = logs::dates::rfc3339(now_ms());
            lines.end(is_whole, &mut |line| keep(text, &stamp, line));
        }
        let mut take = |printed| {
            names.take(&printed, None);
        };
        if is_whole { reader.end(None, &mut take) } else { reader.broke(None, &mut take) }
    }

    /// Takes all that comes until the end, or until a time. `is_live`: it comes as it is printed.
    fn take_all(
        &mut self,
        from: &mut dyn Read,
        is_live: bool,
        until: Option<Instant>,
    ) -> std::io::Result<()> {
        let mut buffer = [0; 65_536];
        loop {
            let n = match from.read(&mut buffer) {
                Ok(n) => n,
                Err(error) if error.kind() == std::io::ErrorKind::Interrupted => continue,
                Err(error) => return Err(error),
            };
            if n == 0 || until.is_some_and(|until| Instant::now() >= until) {
                break;
            }
            self.take(&buffer[..n], is_live.then(now_ms));
        }
        self.end(true);
        Ok(())
    }
}

/// A line for the record, with the time at which it came.
fn keep(text: &mut String, stamp: &str, line: Line) {
    if let Line::Text(line) = line {
        let _ = writeln!(text, "{stamp} {line}");
    }
}

fn part_name(system: &System, part: Option<Part>) -> Option<&str> {
    Some(match part? {
        Part::Sensor(at) => &system.sensors[at].name,
        Part::Actuator(at) => &system.actuators[at].name,
    })
}

fn range_text(seen: &Seen) -> String {
    let unit = seen.unit.as_ref().map(|unit| format!(" {unit}")).unwrap_or_default();
    let mut parts = vec![];
    if let Some((least, most)) = seen.range {
        parts.push(if least == most { format!("{least}{unit}") } else { format!("{least} to {most}{unit}") });
    }
    if !seen.words.is_empty() {
        let more = if seen.has_more_words { " ..." } else { "" };
        parts.push(format!("{}{more}", seen.words.join(", ")));
    }
    if seen.n_nothing > 0 {
        let times = if seen.n_nothing == 1 { "once".to_owned() } else { format!("{} times", seen.n_nothing) };
        parts.push(format!("no reading {times}"));
    }
    parts.join("; ")
}

fn fields(system: &System, heard: &Heard, all: &[Suggestion], suggested: &str) -> Value {
    let names: Vec<Value> = (heard.names.iter().zip(all))
        .map(|((name, seen), suggestion)| {
            json!({
                "printed": name,
                "values": seen.n,
                "least": seen.range.map(|range| range.0),
                "most": seen.range.map(|range| range.1),
                "words": seen.words,
                "without_reading": seen.n_nothing,
                "unit": seen.unit,
                "last": seen.last,
                "every_s": seen.usual_step().map(|ms| ms as f64 / 1e3),
                "sensor": part_name(system, suggestion.part.filter(|part| matches!(part, Part::Sensor(_)))),
                "actuator": part_name(system, suggestion.part.filter(|part| matches!(part, Part::Actuator(_)))),
            })
        })
        .collect();
    let tally = heard.reader.tally();
    json!({
        "system": system.name,
        "lines": tally.n_lines,
        "understood": tally.n_understood,
        "values": tally.n_values,
        "names": names,
        "refused": refused_fields(tally),
        "map": suggested,
    })
}

/// What was not understood, by reason.
pub(super) fn refused_fields(tally: &Tally) -> Vec<Value> {
    (tally.rejected.iter())
        .map(|(reason, rejected)| {
            json!({
                "reason": reason.word(),
                "n": rejected.n,
                "line": rejected.line,
                "example": rejected.example,
                "detail": rejected.detail,
                "means": reason.sentence(),
            })
        })
        .collect()
}

/// As [`refused_fields`], for people; empty when all was understood.
pub(super) fn refused_text(tally: &Tally, console: &Console) -> String {
    if tally.rejected.is_empty() {
        return String::new();
    }
    let mut out = format!("\n{}\n", console.paint(Tone::Strong, "Not understood"));
    for (reason, rejected) in &tally.rejected {
        let detail = rejected.detail.as_ref().map(|detail| format!(" ({detail})")).unwrap_or_default();
        let what =
            format!("{}; first in line {}: {}{detail}", reason.sentence(), rejected.line, rejected.example);
        out += &wrap::after(&format!("{:>8}  ", rejected.n), &what, console.width);
    }
    out
}

fn text(
    system: &System,
    heard: &Heard,
    all: &[Suggestion],
    suggested: &str,
    options: &ListenOptions,
    console: &Console,
) -> String {
    let tally = heard.reader.tally();
    let title = format!(
        "{}: {} of {} lines understood, {} values of {} names",
        system.name,
        tally.n_understood,
        tally.n_lines,
        tally.n_values,
        heard.names.len()
    );
    let mut out = format!("{}\n", console.paint(Tone::Strong, &title));
    if !heard.names.is_empty() {
        let rows = (heard.names.iter().zip(all))
            .map(|((name, seen), suggestion)| {
                let every = seen.usual_step().map_or("-".to_owned(), |ms| format!("{} s", ms as f64 / 1e3));
                let part = part_name(system, suggestion.part).unwrap_or("-").to_owned();
                vec![name.to_owned(), seen.n.to_string(), every, range_text(seen), part]
            })
            .collect();
        let table = Table {
            columns: vec![
                Head::text("Printed", 0, 12),
                Head::number("Values", 1),
                Head::number("Every", 2),
                Head::text("From what to what", 0, 16),
                Head::text("Perhaps", 0, 10),
            ],
            rows,
        };
        out += "\n";
        out += &table.render(console.width, 2);
    }
    out += &refused_text(tally, console);
    if heard.names.is_empty() {
        out += "\n";
        let advice = "Nothing was understood. Check that the controller prints there, and the speed of a serial line (--baud).";
        out += &wrap::hanging(advice, console.width, 0);
        return out;
    }
    match &options.suggest {
        Some(path) => {
            out += "\n";
            let told = format!(
                "Wrote a map to begin with to {}. Look at each line before you use it.",
                path.display()
            );
            out += &wrap::hanging(&told, console.width, 0);
        }
        None => {
            out += &format!("\n{}\n\n{suggested}", console.paint(Tone::Strong, "A map to begin with"));
        }
    }
    if let Some(path) = &options.record {
        out += &wrap::hanging(&format!("Wrote the lines to {}.", path.display()), console.width, 0);
    }
    out
}
