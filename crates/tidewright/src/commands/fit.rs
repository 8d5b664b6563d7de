//! `tidewright fit`: the twin fitted to a log of the tank, told, drawn and written into the system file.

use std::path::Path;

use fit::read::{self, Read, Reading};
use fit::write::{self, Written};
use fit::{Fitted, Parameter, Residuals};
use report::{Limit, Plot, Series};
use serde_json::{Value, json};
use system::document::EditError;

use crate::arguments::FitOptions;
use crate::console::{Console, Tone};
use crate::ending::{Ending, Failure};
use crate::open::{self, Opened, open};
use crate::table::{Column, Table};
use crate::words::{HOUR_S, sentence, span};
use crate::{files, json, wrap};

/// Largest log that is read, bytes: two weeks of every second are half of it; a line a minute is as good.
const LARGEST: u64 = 2 << 30;
/// Shares of an interval that are told in text; JSON has all.
const SHARES_TOLD: usize = 3;

/// What came of it.
struct Run<'a> {
    opened: &'a Opened,
    fitted: Fitted,
    notes: Vec<String>,
    written: Option<Written>,
}

/// Fits and tells.
pub fn run(options: &FitOptions, console: &mut Console) -> Result<Ending, Failure> {
    for path in [&options.out, &options.plot].into_iter().flatten() {
        files::check_free(path, options.force)?;
    }
    let Some(opened) = open(&options.file, "fit", console) else { return Ok(Ending::Unreadable) };
    let Read { log, notes } = log(&options.log, options.board.as_deref(), &opened)?;
    if let Some(room) = options.room.as_deref().filter(|name| log.get(name).is_none()) {
        let names: Vec<&str> = log.names().collect();
        return Err(Failure::new(format!("the log has no column `{room}`"))
            .help(format!("it has {}", names.join(", "))));
    }
    let fitted = fit::fit(&opened.system, &log, &fit::Options { room: options.room.as_deref() })
        .map_err(|error| Failure::new(format!("`{}`: {error}", options.log.display())))?;
    if let Some(path) = &options.plot {
        files::write_new(path, report::plot::file(&plot(&opened.system.name, &fitted)), options.force)?;
    }
    let written = match &options.out {
        Some(path) => Some(write(path, &opened, &fitted, options.force)?),
        None => None,
    };
    let mut findings = fit::findings(&opened.system, &fitted);
    findings.splice(0..0, opened.findings.iter().cloned());
    let findings = open::worst_first(findings);
    let ending = Ending::of(open::has_findings(&findings));
    let run = Run { opened: &opened, fitted, notes, written };
    if console.is_json() {
        let mut value = opened.json(&findings);
        if let Value::Object(all) = &mut value {
            all.extend(fields(&run, options)?);
        }
        console.print_json(&json::answer("fit", value));
    } else {
        let mut text = text(&run, console);
        if !findings.is_empty() {
            text += &format!(
                "\n{}\n\n{}",
                console.paint(Tone::Strong, "Findings"),
                opened.plain(&findings, console)
            );
        }
        text += &ends(&run, options, console);
        console.print(&text);
    }
    Ok(ending)
}

fn log(path: &Path, board: Option<&str>, opened: &Opened) -> Result<Read, Failure> {
    let shown = path.display();
    let unreadable = |error: std::io::Error| {
        Failure::new(format!("cannot read `{shown}`: {error}"))
            .help("give the station's export, or what `tidewright rehearse --csv` wrote")
    };
    let size = std::fs::metadata(path).map_err(unreadable)?.len();
    if size > LARGEST {
        return Err(Failure::new(format!("`{shown}` has {size} bytes, more than is read at once"))
            .help("export a line a minute, or fewer days"));
    }
    let bytes = std::fs::read(path).map_err(unreadable)?;
    let how = Reading { zone: &opened.system.timezone, begins_s: trial::EPOCH_UTC_S as f64, source: board };
    read::csv(&bytes, &how).map_err(|error| {
        Failure::new(format!("cannot read `{shown}` as a log: {error}"))
            .help("the first row names the signals of the file, as in the station's export; --board names one of several boards")
    })
}

fn write(path: &Path, opened: &Opened, fitted: &Fitted, force: bool) -> Result<Written, Failure> {
    let written = write::into(&opened.source, &opened.system, fitted).map_err(|error: EditError| {
        Failure::new(format!("what was fitted does not go into `{}`: {error}", opened.name))
            .help("write it by hand; `tidewright fit` without --out tells the values")
    })?;
    files::write_new(path, &written.text, force)?;
    Ok(written)
}

/// A value with as many digits as make sense of it.
fn number(p: &Parameter, value: f64) -> String {
    if !value.is_finite() {
        return if value > 0.0 { "∞".to_owned() } else { "-∞".to_owned() };
    }
    let digits = if p.what.unit().is_empty() {
        2
    } else if value.abs() < 10.0 {
        1
    } else {
        0
    };
    format!("{value:.digits$} {}", p.what.unit()).trim_end().to_owned()
}

fn interval(p: &Parameter) -> String {
    if p.unknown.is_some() {
        return "not told".to_owned();
    }
    format!("{} to {}", number(p, p.found.low), number(p, p.found.high))
}

fn text(run: &Run<'_>, console: &Console) -> String {
    let fitted = &run.fitted;
    let title = format!(
        "{}: the twin fitted to {} of log",
        run.opened.system.name,
        span(fitted.to_s - fitted.from_s)
    );
    let mut out = format!("{}\n", console.paint(Tone::Strong, &title));
    for note in fitted.notes.iter().chain(&run.notes) {
        out += &wrap::hanging(&sentence(note), console.width, 2);
    }
    let rows = (fitted.parameters.iter())
        .map(|p| {
            let found = if p.unknown.is_some() { "-".to_owned() } else { number(p, p.found.value) };
            let verdict = match (&p.unknown, p.differs()) {
                (Some(_), _) => "",
                (None, true) => "differs",
                (None, false) => "agrees",
            };
            vec![p.title(), number(p, p.file), found, interval(p), verdict.to_owned()]
        })
        .collect();
    let table = Table {
        columns: vec![
            Column::text("Parameter", 0, 16),
            Column::number("File", 0),
            Column::number("Tank", 0),
            Column::text("95 % interval", 0, 12),
            Column::text("", 0, 7),
        ],
        rows,
    };
    out += &format!(
        "\n{}\n\n{}",
        console.paint(Tone::Strong, "What the log says"),
        table.render(console.width, 2)
    );
    let told: Vec<&Parameter> = fitted.parameters.iter().filter(|p| p.unknown.is_none()).collect();
    if !told.is_empty() {
        out += &format!("\n{}\n", console.paint(Tone::Strong, "How, and what the intervals are made of"));
    }
    for p in told {
        out += &wrap::after(&format!("  {}: ", p.title()), &sentence(&p.how), console.width);
        for share in p.shares.iter().take(SHARES_TOLD) {
            let size = format!("      ± {:>6}  ", number(p, 1.96 * share.standard));
            out += &wrap::after(&size, &share.source, console.width);
        }
    }
    out
}

/// What was written, or can be.
fn ends(run: &Run<'_>, options: &FitOptions, console: &Console) -> String {
    let mut out = "\n".to_owned();
    if let Some(path) = &options.plot {
        out += &wrap::hanging(&format!("Drew residuals to {}.", path.display()), console.width, 0);
    }
    match (&run.written, &options.out) {
        (Some(written), Some(path)) => {
            out += &wrap::hanging(
                &format!("Wrote {} with {} changes:", path.display(), written.edits.len()),
                console.width,
                0,
            );
            for edit in &written.edits {
                out += &format!("  {} = {}\n", edit.path, edit.value);
            }
            for left in &written.left {
                out += &wrap::hanging(&sentence(left), console.width, 2);
            }
        }
        _ => {
            out += &wrap::hanging(
                "--out FILE writes the system file with these values; --plot FILE draws what is left over.",
                console.width,
                0,
            );
        }
    }
    out
}

/// Measured, fitted, and what is left over, a panel each.
fn plot(name: &str, fitted: &Fitted) -> Plot {
    let mut plot = Plot {
        title: format!("{name}: what the fitted twin leaves over"),
        note: "Measured against the fitted twin, and the difference of both".to_owned(),
        ..Plot::default()
    };
    for Residuals { name, unit, points } in &fitted.residuals {
        let hours = |r: &fit::Residual| (0.5 * (r.from_s + r.to_s) - fitted.from_s) / HOUR_S;
        let line = |of: fn(&fit::Residual) -> f64| points.iter().map(|r| (hours(r), of(r))).collect();
        let over = format!("{unit} left over");
        plot.series.push(Series {
            name: name.clone(),
            unit: (*unit).to_owned(),
            points: line(|r| r.measured),
        });
        plot.series.push(Series {
            name: "by the twin".to_owned(),
            unit: (*unit).to_owned(),
            points: line(|r| r.model),
        });
        plot.series.push(Series {
            name: name.clone(),
            unit: over.clone(),
            points: line(|r| r.measured - r.model),
        });
        plot.limits.push(Limit { name: "none".to_owned(), unit: over, value: 0.0 });
    }
    plot
}

fn parameter(p: &Parameter) -> Value {
    let bound = |x: f64| if x.is_finite() { json!(x) } else { Value::Null };
    json!({
        "what": p.what.name(),
        "part": p.part,
        "unit": p.what.unit(),
        "file": p.file,
        "found": if p.unknown.is_some() { Value::Null } else { json!(p.found.value) },
        "low": bound(p.found.low),
        "high": bound(p.found.high),
        "differs": p.unknown.is_none() && p.differs(),
        "how": p.how,
        "not_told": p.unknown,
        "made_of": p.shares.iter().map(|s| json!({ "source": s.source, "standard": s.standard })).collect::<Vec<_>>(),
    })
}

fn fields(run: &Run<'_>, options: &FitOptions) -> Result<serde_json::Map<String, Value>, Failure> {
    let residuals = serde_json::to_value(&run.fitted.residuals)
        .map_err(|error| Failure::new(format!("the residuals cannot be written as JSON: {error}")))?;
    let written = run.written.as_ref().map(|written| {
        let edits: Vec<Value> =
            written.edits.iter().map(|e| json!({ "path": e.path, "value": e.value })).collect();
        json!({ "file": options.out.as_ref().map(|p| p.display().to_string()), "edits": edits, "left": written.left })
    });
    let value = json!({
        "system": run.opened.system.name,
        "log": options.log.display().to_string(),
        "from_s": run.fitted.from_s,
        "to_s": run.fitted.to_s,
        "notes_of_log": run.fitted.notes.iter().chain(&run.notes).collect::<Vec<_>>(),
        "parameters": run.fitted.parameters.iter().map(parameter).collect::<Vec<_>>(),
        "residuals": residuals,
        "written": written,
        "plot": options.plot.as_ref().map(|p| p.display().to_string()),
    });
    match value {
        Value::Object(fields) => Ok(fields),
        _ => Ok(serde_json::Map::new()),
    }
}
