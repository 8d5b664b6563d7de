//! `tidewright wire`: who sits on which pin, every wire, what protects what; lists, drawings, netlist and the lock file.

use std::path::Path;

use electrics::assign::{self, Lock, Outcome, Plan};
use electrics::harness::{self, CAUTIONS, Harness};
use electrics::{Checked, check, plan_of};
use serde_json::{Value, json};
use system::System;

use crate::arguments::{WireList, WireOptions};
use crate::console::{Console, Tone};
use crate::ending::{Ending, Failure};
use crate::open::{self, Opened};
use crate::wiring::{self, List};
use crate::{files, json, wrap};

/// Plans, checks, writes and tells.
pub fn run(options: &WireOptions, console: &mut Console) -> Result<Ending, Failure> {
    let Some(opened) = open::open_unlocked(&options.file, "wire", console) else {
        return Ok(Ending::Unreadable);
    };
    let lock = open::lock(&options.file)?;
    let system = &opened.system;
    let checked = check(system, lock.as_ref());
    let mut findings = opened.findings.clone();
    findings.extend(electrics::accepted(system, checked.findings.clone()));
    let findings = open::worst_first(findings);
    let plan = plan_of(&checked.outcome);
    let harness = plan.map(|plan| harness::harness(system, plan)).unwrap_or_default();
    let written = match plan {
        Some(plan) => write(options, system, plan, &harness, &checked, console)?,
        None => vec![],
    };
    let moved = rewire(options, system, plan)?;
    let lists = shown(options, system, plan, &harness, &checked, moved);
    let ending = Ending::of(open::has_findings(&findings) || plan.is_none());
    if console.is_json() {
        let mut value = opened.json(&findings);
        if let Value::Object(fields) = &mut value {
            fields.insert("system".to_owned(), system.name.clone().into());
            fields.insert("fits".to_owned(), plan.is_some().into());
            fields.insert("conflict".to_owned(), conflict(system, &checked.outcome));
            for list in &lists {
                fields.insert(list.name.to_owned(), list.json());
            }
            fields.insert("cautions".to_owned(), json!(CAUTIONS));
            fields.insert("written".to_owned(), json!(written));
        }
        console.print_json(&json::answer("wire", value));
        return Ok(ending);
    }
    tell(&opened, &checked, &findings, &lists, &written, console);
    Ok(ending)
}

fn conflict(system: &System, outcome: &Outcome) -> Value {
    let Outcome::DoesNotFit(conflict) = outcome else { return Value::Null };
    let mend = conflict
        .mend
        .as_ref()
        .map(|mend| json!({ "parts": mend.n_parts, "moves": mend.n_moves, "steps": mend.steps }));
    json!({
        "chip": conflict.chip,
        "sentence": conflict.sentence,
        "wishes": conflict.wishes.iter().map(|(who, _)| assign::owner(system, *who)).collect::<Vec<_>>(),
        "places": conflict.places.iter().map(|p| assign::name_of(system, &conflict.chip, *p)).collect::<Vec<_>>(),
        "others": conflict.others,
        "smallest_change": mend,
        "larger_board": conflict.larger,
    })
}

/// What another board means, if one was asked for.
fn rewire(options: &WireOptions, system: &System, plan: Option<&Plan>) -> Result<Option<List>, Failure> {
    let (Some(chip), Some(plan)) = (&options.board, plan) else { return Ok(None) };
    if system.library.chip(chip).is_none() {
        let known: Vec<&str> = system.library.chips().iter().map(|chip| chip.name.as_str()).collect();
        return Err(Failure::new(format!("no board with the chip `{chip}` is known"))
            .help(format!("known: {}", known.join(", "))));
    }
    match assign::rewiring(system, plan, chip) {
        Ok(rewiring) => Ok(Some(wiring::rewiring(&rewiring))),
        Err(outcome) => match *outcome {
            Outcome::DoesNotFit(conflict) => {
                let text = conflict.text();
                let text = text.trim_end().trim_end_matches('.');
                Err(Failure::new(text.to_owned())
                    .help("name a larger board, or add what it lacks to the file"))
            }
            _ => Err(Failure::new(format!("the pins of `{chip}` are not known"))),
        },
    }
}

fn shown(
    options: &WireOptions,
    system: &System,
    plan: Option<&Plan>,
    harness: &Harness,
    checked: &Checked,
    moved: Option<List>,
) -> Vec<List> {
    let mut lists = vec![];
    if let Some(plan) = plan {
        let wanted: &[WireList] = match options.show {
            Some(ref one) => std::slice::from_ref(one),
            None if moved.is_some() => &[],
            None => &[WireList::Places, WireList::Power, WireList::Loads],
        };
        for list in wanted {
            lists.push(match list {
                WireList::Places => wiring::places(system, plan),
                WireList::Power => wiring::power(&checked.facts),
                WireList::Loads => wiring::loads(&checked.facts),
                WireList::Wires => wiring::wires(harness),
                WireList::Cut => wiring::cut(harness),
                WireList::Bill => wiring::bill(system, harness),
                WireList::Connectors => wiring::connectors(system, harness),
                WireList::Labels => wiring::labels(harness),
                WireList::Checkout => wiring::checkout(system, harness),
            });
            if *list == WireList::Power {
                lists.push(wiring::protection(system, &checked.facts));
                lists.push(wiring::carried(&checked.facts));
            }
        }
    }
    lists.extend(moved);
    lists.retain(|list| !list.rows.is_empty());
    lists
}

/// All files that were asked for; their names.
fn write(
    options: &WireOptions,
    system: &System,
    plan: &Plan,
    harness: &Harness,
    checked: &Checked,
    console: &Console,
) -> Result<Vec<String>, Failure> {
    let mut written = vec![];
    let mut put = |path: &Path, text: &str, force: bool| -> Result<(), Failure> {
        files::write_new(path, text, force)?;
        written.push(path.display().to_string());
        Ok(())
    };
    if options.lock {
        // The lock is the tool's own file: an older one gives way.
        put(&open::lock_path(&options.file), &Lock::of(system, plan).text(), true)?;
    }
    if let Some(path) = &options.netlist {
        put(path, &harness::kicad(harness), options.force)?;
    }
    if let Some(folder) = &options.csv {
        make_folder(folder)?;
        let lists = [
            wiring::places(system, plan),
            wiring::power(&checked.facts),
            wiring::loads(&checked.facts),
            wiring::wires(harness),
            wiring::cut(harness),
            wiring::bill(system, harness),
            wiring::connectors(system, harness),
            wiring::labels(harness),
            wiring::checkout(system, harness),
        ];
        for list in lists {
            put(&folder.join(format!("{}.csv", list.name)), &list.csv(), options.force)?;
        }
    }
    if let Some(folder) = &options.drawings {
        make_folder(folder)?;
        for (i, page) in drawing::wiring::sheets(system, harness).iter().enumerate() {
            let svg = page.to_svg(Some("297mm"));
            put(&folder.join(format!("wiring-{}.svg", i + 1)), &format!("{svg}\n"), options.force)?;
        }
        let phone = drawing::wiring::phone(system, harness).to_svg(Some("100%"));
        put(&folder.join("wiring-phone.svg"), &format!("{phone}\n"), options.force)?;
        let cabinet = drawing::wiring::cabinet(system, harness).to_svg(Some("297mm"));
        put(&folder.join("enclosure.svg"), &format!("{cabinet}\n"), options.force)?;
    }
    let _ = console;
    Ok(written)
}

fn make_folder(folder: &Path) -> Result<(), Failure> {
    std::fs::create_dir_all(folder).map_err(|error| {
        Failure::new(format!("cannot make the folder `{}`: {error}", folder.display()))
            .help("name a folder that you may write to")
    })
}

fn tell(
    opened: &Opened,
    checked: &Checked,
    findings: &[system::Diagnostic],
    lists: &[List],
    written: &[String],
    console: &mut Console,
) {
    let heading = format!("{}: electrics", opened.system.name);
    let mut text = format!("{}\n\n", console.paint(Tone::Strong, &heading));
    match &checked.outcome {
        Outcome::Fits(plan) => {
            let [places, channels] = checked.facts.free;
            let count = |n: usize, what: &str| format!("{n} {what}{}", if n == 1 { "" } else { "s" });
            let mut line =
                format!("Everything has a place on the {}; {} free", plan.chip, count(places, "place"));
            if channels > 0 {
                line += &format!(", {} of cards", count(channels, "contact"));
            }
            line += ".";
            text += &wrap::hanging(&line, console.width, 0);
        }
        Outcome::DoesNotFit(conflict) => {
            for line in conflict.text().lines() {
                text += &wrap::hanging(line, console.width, 2);
            }
        }
        Outcome::NoBoard => {
            text += &wrap::hanging(
                "No board, or none whose pins are known: add [[board]] with its chip.",
                console.width,
                0,
            );
        }
    }
    text += "\n";
    // Why it does not fit stands above already.
    let others: Vec<system::Diagnostic> =
        findings.iter().filter(|finding| finding.id != "does-not-fit").cloned().collect();
    if !others.is_empty() {
        text += &format!("{}\n", opened.plain(&others, console));
    }
    for list in lists {
        text += &format!("{}\n\n{}\n", console.paint(Tone::Strong, list.title), list.render(console.width));
    }
    // The checkout begins with them.
    if lists.iter().all(|list| list.name != "checkout") {
        text += &format!("{}\n\n", console.paint(Tone::Caution, "Mains"));
        for line in CAUTIONS {
            text += &wrap::after("  - ", line, console.width);
        }
    }
    if !written.is_empty() {
        text += &format!("\nWrote {}.\n", written.join(", "));
    }
    console.print(&text);
}
