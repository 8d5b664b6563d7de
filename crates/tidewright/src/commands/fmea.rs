//! `tidewright fmea`: every single fault simulated and judged.

use serde_json::Value;
use system::{Diagnostic, System};
use trial::{Fmea, Model, Options, Wanted};

use crate::arguments::{FmeaOptions, StudyOptions};
use crate::console::{Console, Tone};
use crate::ending::{Ending, Failure};
use crate::fmea::{self, shape, text};
use crate::json;
use crate::open::{self, Opened, open};
use crate::progress::Progress;

/// Runs the FMEA and tells.
pub fn run(options: &FmeaOptions, console: &mut Console) -> Result<Ending, Failure> {
    let Some(opened) = open(&options.file, "fmea", console) else { return Ok(Ending::Unreadable) };
    let Some(model) = model(&opened, "fmea", console)? else { return Ok(Ending::Unreadable) };
    let fmea = study(&model, &options.study, options.pairs)?;
    let system = &opened.system;
    let findings = findings(&opened, &fmea);
    let ending = Ending::of(fmea::has_findings(&fmea));
    if console.is_json() {
        let mut value = opened.json(&findings);
        if let (Value::Object(all), Value::Object(fields)) =
            (&mut value, shape::fields(system, &fmea, options.study.seed))
        {
            all.extend(fields);
        }
        console.print_json(&json::answer("fmea", value));
        return Ok(ending);
    }
    let mut out = String::new();
    if !findings.is_empty() {
        out += &opened.plain(&findings, console);
        out += "\n";
    }
    out += &text::summary(system, &fmea, console);
    if !options.brief {
        let title = console.paint(Tone::Strong, "Every single fault, worst first");
        out += &format!("\n{title}\n\n{}", text::table(system, &fmea.rows, console));
    }
    if options.pairs {
        let title = format!(
            "Pairs of a hidden fault and another that break something together ({})",
            fmea.pairs.len()
        );
        out += &format!("\n{}\n\n", console.paint(Tone::Strong, &title));
        out += &if fmea.pairs.is_empty() {
            "None.\n".to_owned()
        } else {
            text::table(system, &fmea.pairs, console)
        };
    }
    console.print(&out);
    Ok(ending)
}

/// Warnings of reading and of acceptances.
fn findings(opened: &Opened, fmea: &Fmea) -> Vec<Diagnostic> {
    let mut all = opened.findings.clone();
    all.extend(fmea.acceptance_findings.iter().cloned());
    open::worst_first(all)
}

/// The system made ready to run. None: its rules do not compile, and that was told.
pub fn model(opened: &Opened, command: &str, console: &mut Console) -> Result<Option<Model>, Failure> {
    check_can_run(&opened.system, &opened.name)?;
    match Model::new(&opened.system) {
        Ok(model) => Ok(Some(model)),
        Err(findings) => {
            open::refuse(command, &findings, &opened.name, &opened.source, console);
            Ok(None)
        }
    }
}

/// What a simulation needs beyond a file that reads.
pub fn check_can_run(system: &System, name: &str) -> Result<(), Failure> {
    if system.vessels.is_empty() {
        return Err(Failure::new(format!("{name}: nothing can be simulated without a vessel"))
            .help("measure the tank and describe it: docs/system-file.md, [[vessel]] and [[passage]]"));
    }
    if system.requirements.is_empty() {
        return Err(Failure::new(format!("{name}: no requirement says what must hold")).help(
            "write `[requirements]` with `defaults = true`, and [[requirement]]s of your own beside it",
        ));
    }
    Ok(())
}

/// The day of the study, days since 1970: the given one, or today.
pub fn today(options: &StudyOptions) -> Option<i64> {
    match &options.date {
        Some(date) => trial::days(date),
        None => crate::calendar::today(),
    }
}

/// Runs the study that the options ask for, with a bar.
pub fn study(model: &Model, options: &StudyOptions, pairs: bool) -> Result<Fmea, Failure> {
    let progress = Progress::new(options.progress, "faults");
    let settings = Options {
        seed: options.seed,
        wanted: Wanted { one_instant: options.one_instant, nominal_only: options.nominal },
        window_s: options.window,
        n_threads: options.threads,
        only: options.only.clone(),
        pairs,
        today: today(options),
        ..Options::default()
    };
    // The tank settles before the first fault strikes; the bar says meanwhile that something is happening.
    progress.tell(0, 1);
    let fmea =
        trial::run(model, &settings, &|done, total| progress.tell(done, total)).map_err(Failure::new)?;
    if let (Some(only), true) = (&options.only, fmea.rows.is_empty()) {
        return Err(Failure::new(format!("no fault has `{only}` in its name"))
            .help("faults are named part:mode, such as `heater:welded`; without --only all are listed"));
    }
    Ok(fmea)
}
