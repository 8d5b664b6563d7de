//! `tidewright compare A B`: what changed in the file, what that does to the FMEA and to outputs, and which change did it.

use serde_json::{Value, json};
use system::{Level, System};
use trial::{Fmea, Model, Options, Wanted, rehearse};
use workbench::Beside;
use workbench::changes::{Change, changes};
use workbench::revision::{
    Attribution, RowTurn, STANDARD, ScenarioTurn, Scenarios, Turn, attribute, outputs, turns,
};

use super::fmea::{check_can_run, today};
use crate::arguments::{CompareOptions, ScenarioChoice, StudyOptions};
use crate::console::{Console, Tone};
use crate::ending::{Ending, Failure};
use crate::open::{self, Opened, open};
use crate::progress::Progress;
use crate::words::{HOUR_S, span};
use crate::{json, wrap};

/// What differs.
struct Difference {
    changes: Vec<Change>,
    rows: Vec<RowTurn>,
    attribution: Option<Attribution>,
    open: [usize; 2],
    scenarios: Option<(Vec<ScenarioTurn>, usize)>,
    program_bytes: [usize; 2],
}

/// Compares and tells.
pub fn run(options: &CompareOptions, console: &mut Console) -> Result<Ending, Failure> {
    let Some(first) = open(&options.first, "compare", console) else { return Ok(Ending::Unreadable) };
    let Some(second) = open(&options.second, "compare", console) else { return Ok(Ending::Unreadable) };
    let both = [&first, &second];
    let changes = changes(&first.source, &second.source)
        .map_err(|(which, why)| Failure::new(format!("`{}` is no TOML: {why}", both[which].name)))?;
    // Both must be fit to run before the first is studied.
    for opened in both {
        check_can_run(&opened.system, &opened.name)?;
    }
    let (mut models, mut studies) = (vec![], vec![]);
    for opened in both {
        let Some(model) = super::fmea::model(opened, "compare", console)? else {
            return Ok(Ending::Unreadable);
        };
        models.push(model);
    }
    for model in &models {
        studies.push(super::fmea::study(model, &options.study, false)?);
    }
    let mut rows = turns((&first.system, &studies[0]), (&second.system, &studies[1]));
    let attribution = if options.because && !rows.is_empty() {
        Some(responsible(&first, &second, &changes, &options.study, &mut rows)?)
    } else {
        None
    };
    let n_open = |fmea: &Fmea| fmea.rows.iter().filter(|row| row.is_open()).count();
    let difference = Difference {
        scenarios: scenarios(options, both)?,
        open: [n_open(&studies[0]), n_open(&studies[1])],
        program_bytes: [models[0].compiled.bytes.len(), models[1].compiled.bytes.len()],
        changes,
        rows,
        attribution,
    };
    let ending = Ending::of(difference.rows.iter().any(|row| row.turn <= Turn::Worse));
    if console.is_json() {
        console.print_json(&json::answer("compare", fields(options, &difference)));
    } else {
        let text = text(both, &difference, options, console);
        console.print(&text);
    }
    Ok(ending)
}

fn responsible(
    first: &Opened,
    second: &Opened,
    changes: &[Change],
    study: &StudyOptions,
    rows: &mut [RowTurn],
) -> Result<Attribution, Failure> {
    let progress = Progress::new(study.progress, "changes");
    let beside = Beside { library: second.system.library.clone(), lock: None };
    let settings = Options {
        seed: study.seed,
        wanted: Wanted { one_instant: study.one_instant, nominal_only: study.nominal },
        window_s: study.window,
        n_threads: study.threads,
        only: study.only.clone(),
        today: today(study),
        ..Options::default()
    };
    attribute((&first.source, &second.source), changes, &beside, &settings, rows, &|done, total| {
        progress.tell(done, total);
    })
    .map_err(Failure::new)
}

fn scenarios(
    options: &CompareOptions,
    both: [&Opened; 2],
) -> Result<Option<(Vec<ScenarioTurn>, usize)>, Failure> {
    let wanted = match options.scenarios {
        ScenarioChoice::None => return Ok(None),
        ScenarioChoice::Calm => Scenarios { fault_s: 0.0, ..STANDARD },
        ScenarioChoice::All => STANDARD,
    };
    let wanted = Scenarios { seed: options.study.seed, ..wanted };
    let model = |system: &System| -> Result<Model, Failure> {
        rehearse::model(system).map_err(|findings| {
            let first = findings.into_iter().find(|f| f.level == Level::Error);
            Failure::new(first.map_or_else(|| "the rules do not compile".to_owned(), |f| f.message))
        })
    };
    let progress = Progress::new(options.study.progress, "scenarios");
    let tell = |done, total| progress.tell(done, total);
    let found =
        outputs(&model(&both[0].system)?, &model(&both[1].system)?, wanted, &tell).map_err(Failure::new)?;
    Ok(Some(found))
}

fn fields(options: &CompareOptions, difference: &Difference) -> Value {
    let changes: Vec<Value> = (difference.changes.iter())
        .map(|c| {
            let details: Vec<Value> = c
                .details
                .iter()
                .map(|d| json!({ "key": d.key, "before": d.before, "after": d.after }))
                .collect();
            json!({ "table": c.table, "name": c.name, "words": c.words(), "details": details })
        })
        .collect();
    let scenarios = difference.scenarios.as_ref().map(|(differing, n)| {
        let differing: Vec<Value> = (differing.iter())
            .map(|s| {
                let outputs: Vec<Value> =
                    s.outputs.iter().map(|(name, h)| json!({ "output": name, "first_h": h })).collect();
                json!({ "scenario": s.scenario, "outputs": outputs })
            })
            .collect();
        json!({ "run": n, "differing": differing })
    });
    json!({
        "first": options.first.display().to_string(),
        "second": options.second.display().to_string(),
        "changes": changes,
        "open": difference.open,
        "rows": difference.rows,
        "not_alone": difference.attribution.as_ref().map(|a| &a.not_alone),
        "scenarios": scenarios,
        "program_bytes": difference.program_bytes,
    })
}

fn text(both: [&Opened; 2], difference: &Difference, options: &CompareOptions, console: &Console) -> String {
    let strong = |text: &str| console.paint(Tone::Strong, text);
    let mut out = format!("{}\n", strong(&format!("{} against {}", both[1].name, both[0].name)));
    for opened in both {
        let more = open::worst_first(opened.findings.clone());
        if open::has_findings(&more) {
            out += &format!("\n{}", opened.plain(&more, console));
        }
    }
    out +=
        &format!("\n{}\n\n", strong(&format!("In the file: {}", count(difference.changes.len(), "change"))));
    out += &changes_text(&difference.changes, console.width);
    let [before, after] = difference.open;
    let heading = format!("In the FMEA: {before} open rows before, {after} after");
    out += &format!("\n{}\n", strong(&heading));
    out += &rows_text(difference, options, console);
    if let Some((differing, n)) = &difference.scenarios {
        out += &format!("\n{}\n\n", strong("Outputs and alarms, scan by scan"));
        out += &scenarios_text(differing, *n, console);
    }
    let [before, after] = difference.program_bytes;
    out += &format!("\n{}\n\n  {before} bytes before, {after} after\n", strong("Control program"));
    out
}

fn count(n: usize, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

/// Plain tables with more changes than this are told in one line.
const MANY: usize = 6;

/// The changes, a line each; of a plain table that changed in many keys (prices, pins) one line.
fn changes_text(changes: &[Change], width: usize) -> String {
    let is_key = |change: &Change| change.thing().starts_with('[');
    let of = |table: &str| -> Vec<&str> {
        let same = changes.iter().filter(|other| is_key(other) && other.table == table);
        same.map(|other| other.name.as_str()).collect()
    };
    let mut out = String::new();
    let mut told: Vec<&str> = vec![];
    for change in changes {
        if !is_key(change) || of(&change.table).len() <= MANY {
            out += &wrap::after("- ", &change.words(), width);
        } else if !told.contains(&change.table.as_str()) {
            told.push(&change.table);
            let names = of(&change.table);
            let text = format!("[{}]: {} keys: {}", change.table, names.len(), names.join(", "));
            out += &wrap::after("- ", &text, width);
        }
    }
    out
}

/// What a heading of rows takes.
type Takes = fn(&RowTurn) -> bool;

const HEADINGS: [(&str, Tone, Takes); 6] = [
    ("Opened", Tone::Bad, |row| row.turn == Turn::Opened),
    ("Worse", Tone::Caution, |row| row.turn == Turn::Worse && !is_new_and_accepted(row)),
    ("New with their part, and accepted", Tone::Caution, is_new_and_accepted),
    ("Better", Tone::Good, |row| row.turn == Turn::Better),
    ("Closed", Tone::Good, |row| row.turn == Turn::Closed && row.after.is_there()),
    ("Closed, for their part is gone", Tone::Good, |row| row.turn == Turn::Closed && !row.after.is_there()),
];

fn is_new_and_accepted(row: &RowTurn) -> bool {
    row.turn == Turn::Worse && !row.before.is_there() && row.after.is_accepted()
}

fn rows_text(difference: &Difference, options: &CompareOptions, console: &Console) -> String {
    if difference.rows.is_empty() {
        return "\n  No row turned.\n".to_owned();
    }
    let mut out = String::new();
    for (title, tone, takes) in HEADINGS {
        let rows: Vec<&RowTurn> = difference.rows.iter().filter(|row| takes(row)).collect();
        if rows.is_empty() {
            continue;
        }
        out += &format!("\n{}\n", console.paint(tone, &format!("{title}: {}", count(rows.len(), "row"))));
        for row in rows {
            let text = match (row.before.is_there(), row.after.is_there()) {
                (true, false) => format!("{}: before: {}", row.fault, row.before.words()),
                (false, _) => format!("{}: {}", row.fault, row.after.words()),
                _ => format!("{}: {}; before: {}", row.fault, row.after.words(), row.before.words()),
            };
            out += &wrap::after("- ", &text, console.width);
            for cell in row.worse_beside() {
                out += &wrap::hanging(&format!("worse too: {cell}"), console.width, 4);
            }
            for because in &row.because {
                out += &wrap::hanging(&format!("by {because}"), console.width, 4);
            }
            if difference.attribution.is_some() && row.because.is_empty() {
                out += "    by several changes together: no single one undoes it\n";
            }
        }
    }
    match &difference.attribution {
        Some(found) if !found.not_alone.is_empty() => {
            out += "\n";
            let text = format!(
                "{} cannot be left out alone, for the rest would be no system; --format json names them.",
                count(found.not_alone.len(), "change")
            );
            out += &wrap::hanging(&text, console.width, 0);
        }
        None if !options.because => {
            out += "\n";
            out += &wrap::hanging(
                "--because leaves each change out and names the one responsible for each row.",
                console.width,
                0,
            );
        }
        _ => {}
    }
    out
}

/// By output: when first, in which scenario, and in how many.
fn scenarios_text(differing: &[ScenarioTurn], n: usize, console: &Console) -> String {
    if differing.is_empty() {
        return format!("  Identical over all of {n} scenarios.\n");
    }
    let mut outputs: Vec<(&str, f64, &str, usize)> = vec![];
    for scenario in differing {
        for (name, hours) in &scenario.outputs {
            match outputs.iter_mut().find(|(known, ..)| known == name) {
                Some((_, first, at, n_in)) => {
                    *n_in += 1;
                    if hours < first {
                        (*first, *at) = (*hours, &scenario.scenario);
                    }
                }
                None => outputs.push((name, *hours, &scenario.scenario, 1)),
            }
        }
    }
    outputs.sort_by(|a, b| a.1.total_cmp(&b.1));
    let mut out = format!("  {} of {n} scenarios differ. By output, the soonest first:\n", differing.len());
    for (name, hours, at, n_in) in outputs {
        let when = if hours > 0.0 {
            format!("after {}", span(hours * HOUR_S))
        } else {
            "at the first scan".to_owned()
        };
        let text = format!("{name}: first {when} in `{at}`; in {} in all", count(n_in, "scenario"));
        out += &wrap::after("- ", &text, console.width);
    }
    out += "  --format json has each scenario.\n";
    out
}
