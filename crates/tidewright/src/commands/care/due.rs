//! What is due: proof tests with their reckoning and steps, maintenance, and both as a calendar.

use std::fmt::Write as _;
use std::path::Path;

use care::calendar::{Event, icalendar, iso_date};
use care::proof::schedule;
use care::proof::{Kind, ProofTest, Tolerated, Watch, findings, tests};
use care::tasks::{Every, Task, usual};
use serde_json::{Value, json};
use system::System;

use super::options::{CalendarOptions, ProofOptions};
use super::{Answer, list, number};
use crate::console::Console;
use crate::ending::Failure;
use crate::table::{Column, Table};
use crate::{calendar as dates, files, wrap};

/// Proof tests, or the steps of one.
pub fn proof(options: &ProofOptions, system: &System, console: &Console) -> Result<Answer, Failure> {
    let usual = Tolerated::default();
    let tolerated = Tolerated {
        loss: options.loss.unwrap_or(usual.loss),
        harm: options.harm.unwrap_or(usual.harm),
        shock: options.shock.unwrap_or(usual.shock),
    };
    let all = tests(system, &tolerated);
    if let Some(id) = &options.steps {
        let Some(test) = all.iter().find(|t| t.id == *id) else {
            let known: Vec<&str> = all.iter().map(|t| t.id.as_str()).collect();
            return Err(Failure::new(format!("there is no proof test `{id}`"))
                .help(format!("the tests are {}", known.join(", "))));
        };
        return Ok(Answer {
            heading: test.title.clone(),
            text: steps(test, console),
            fields: json!({ "tests": [fields(test)] }),
            findings: vec![],
        });
    }
    let mut text = table(&all).render(console.width, 0);
    text += "\n";
    text += &wrap::hanging(
        "PFDavg = λ T / 2; harm = λ (1 - (1 - e^-DT)/(DT)). Rates are assumed unless --steps names a source; --loss, --harm and --shock \
         say what is tolerated. --steps ID shows how a test goes.",
        console.width,
        0,
    );
    let findings = findings(&all);
    let fields = json!({ "tests": all.iter().map(fields).collect::<Vec<_>>() });
    Ok(Answer { heading: "proof tests".into(), text, fields, findings })
}

fn table(all: &[ProofTest]) -> Table {
    let columns = vec![
        Column::number("Every", 0),
        Column::text("Test", 1, 20),
        Column::number("λ/year", 3),
        Column::number("D/year", 3),
        Column::number("PFDavg", 2),
        Column::number("Harm/year", 2),
        Column::number("Tolerated", 4),
        Column::text("Id", 0, 40),
    ];
    let row = |t: &ProofTest| {
        vec![
            format!("{} d", t.interval_days),
            t.title.clone(),
            t.failure.per_year.to_string(),
            t.demand.per_year.to_string(),
            format!("{:.4}", t.pfd_avg),
            // The call of each day tests what calls; other protections hold what it harms.
            if t.kind == Kind::CallingFloat { "-".into() } else { format!("{:.1e}", t.harm_per_year) },
            format!("{:.0e}", t.tolerable_per_year),
            t.id.clone(),
        ]
    };
    let mut order: Vec<&ProofTest> = all.iter().collect();
    order.sort_by_key(|t| t.interval_days);
    Table { columns, rows: order.into_iter().map(row).collect() }
}

fn steps(test: &ProofTest, console: &Console) -> String {
    let mut out = String::new();
    if let Some(caution) = test.caution {
        out += &wrap::after("Caution: ", caution, console.width);
        out += "\n";
    }
    for (k, step) in test.steps.iter().enumerate() {
        out += &wrap::after(&format!("{:>2}. ", k + 1), &step.text, console.width);
        if let Some(seen) = seen(&step.watch) {
            out += &wrap::hanging(
                &format!("the station sees {seen} within {} s", step.within_s),
                console.width,
                4,
            );
        }
    }
    out += "\n";
    let mut lines = vec![
        ("every", format!("{} days", test.interval_days)),
        ("λ", format!("{}/year: {}", test.failure.per_year, test.failure.source)),
        ("D", format!("{}/year: {}", test.demand.per_year, test.demand.source)),
        ("reckoned", reckoned(test)),
    ];
    if !test.guards.is_empty() {
        lines.insert(0, ("holds back", test.guards.join(", ")));
    }
    if let Some(because) = test.because {
        lines.push(("but", because.to_owned()));
    }
    out += &list(&lines);
    out += &wrap::hanging(&test.formula(), console.width, 2);
    out
}

fn reckoned(test: &ProofTest) -> String {
    if test.reckoned_days.is_finite() {
        format!("{:.0} days keep harm within what is tolerated", test.reckoned_days)
    } else {
        "no interval is needed for what is tolerated".to_owned()
    }
}

fn seen(watch: &Watch) -> Option<String> {
    Some(match watch {
        Watch::Signal { name, is } => format!("{name} become {}", if *is { "true" } else { "false" }),
        Watch::Output { name, is_on } => format!("{name} go {}", if *is_on { "on" } else { "off" }),
        Watch::Trip { name, is_tripped } => {
            format!("{name} {}", if *is_tripped { "trip" } else { "reset" })
        }
        Watch::Person => return None,
    })
}

fn fields(test: &ProofTest) -> Value {
    let steps: Vec<Value> = (test.steps.iter())
        .map(|s| json!({ "text": s.text, "watch": s.watch, "within_s": s.within_s }))
        .collect();
    json!({
        "id": test.id,
        "kind": test.kind,
        "part": test.part,
        "title": test.title,
        "guards": test.guards,
        "interval_days": test.interval_days,
        "reckoned_days": number(test.reckoned_days),
        "because": test.because,
        "failures_per_year": test.failure.per_year,
        "failures_source": test.failure.source,
        "demands_per_year": test.demand.per_year,
        "demands_source": test.demand.source,
        "tolerable_per_year": test.tolerable_per_year,
        "pfd_avg": test.pfd_avg,
        "harm_per_year": test.harm_per_year,
        "formula": test.formula(),
        "caution": test.caution,
        "steps": steps,
    })
}

/// Maintenance.
pub fn tasks(system: &System, console: &Console) -> Answer {
    let all = usual(system);
    let columns = vec![Column::text("When", 0, 12), Column::text("Task", 0, 20), Column::text("How", 1, 20)];
    let rows = all.iter().map(|t| vec![t.every.to_string(), t.title.clone(), t.how.clone()]).collect();
    let text = Table { columns, rows }.render(console.width, 0);
    Answer { heading: "maintenance".into(), text, fields: json!({ "tasks": all }), findings: vec![] }
}

/// Proof tests and tasks by calendar, as a file.
pub fn calendar(options: &CalendarOptions, system: &System) -> Result<Answer, Failure> {
    let today = options.date.or_else(dates::today).unwrap_or(0);
    let mut events: Vec<Event> =
        tests(system, &Tolerated::default()).iter().map(|t| of_test(t, today)).collect();
    events.extend(usual(system).iter().filter_map(|t| of_task(t, today)));
    let feed = icalendar(&format!("{}: care", system.name), &events, today * 86_400_000);
    let is_output = options.out == Path::new("-");
    if !is_output {
        files::write_new(&options.out, &feed, options.force)?;
    }
    let list: Vec<Value> = (events.iter())
        .map(|e| json!({ "id": e.uid, "title": e.title, "first": iso_date(e.day), "every_days": e.every_days }))
        .collect();
    let mut text = String::new();
    let _ =
        writeln!(text, "{} holds {} dates from {}.", options.out.display(), events.len(), iso_date(today));
    Ok(Answer {
        heading: if is_output { String::new() } else { "calendar".into() },
        text: if is_output { feed } else { text },
        fields: json!({ "calendar": options.out, "events": list }),
        findings: vec![],
    })
}

fn of_test(test: &ProofTest, today: i64) -> Event {
    let mut text = String::new();
    for (k, step) in test.steps.iter().enumerate() {
        let _ = writeln!(text, "{}. {}", k + 1, step.text);
    }
    if let Some(caution) = test.caution {
        let _ = writeln!(text, "Caution: {caution}");
    }
    Event {
        uid: format!("{}@care.tidewright", test.id),
        day: schedule::due(test.interval_days, None, today, today).day,
        every_days: Some(test.interval_days),
        title: format!("Proof test: {}", test.title),
        text,
        category: "proof test".into(),
    }
}

fn of_task(task: &Task, today: i64) -> Option<Event> {
    let Every::Days { days } = task.every else { return None };
    Some(Event {
        uid: format!("{}@care.tidewright", task.id),
        day: schedule::due(days, None, today, today).day,
        every_days: Some(days),
        title: task.title.clone(),
        text: task.how.clone(),
        category: "maintenance".into(),
    })
}
