//! What each board's system needs of people and what they did: proof tests and tasks with when they are due, the log of water, calibrations.
//!
//! Overdue and failed proof tests are a check of the station (`proof-test-overdue`), beside those of [`crate::checks`]; what is due stands in the
//! morning's last line. Days are UTC.

use alarms::watch::{Check, Finding, Outcome, Sure, Verdict};
use care::calendar::iso_date;
use care::proof::schedule::{Due, State, due, due_by_hours};
use care::proof::{ProofTest, Tolerated, Watch, tests};
use care::tasks::{Every, Task, usual};
use store::care::{Done, last_passed};
use store::{Doing as _, Store};
use system::System;

use crate::app::App;
use crate::site::SiteBoard;

/// ms of a day.
pub const DAY_MS: i64 = 86_400_000;
/// How often what is due is looked at anew.
pub const LOOK_MS: i64 = 3_600_000;

/// What an item is.
#[derive(Clone, Debug, PartialEq)]
pub enum What {
    /// A proof test.
    Proof(Box<ProofTest>),
    /// Maintenance.
    Task(Task),
}

/// One thing that people do for a system.
#[derive(Clone, Debug, PartialEq)]
pub struct Item {
    /// Its id.
    pub id: String,
    /// What it is.
    pub what: What,
    /// When it is due by calendar; of hours and evidence only how it stands.
    pub due: Option<Due>,
    /// How it stands.
    pub state: State,
    /// When it was last done and passed.
    pub last: Option<Done>,
    /// The newest time was a failure.
    pub is_failed: bool,
    /// Hours run since, of what is due by them.
    pub run_h: Option<f64>,
}

impl Item {
    /// In words.
    pub fn title(&self) -> &str {
        match &self.what {
            What::Proof(test) => &test.title,
            What::Task(task) => &task.title,
        }
    }

    /// Whether it is a proof test that is late or failed: an alarm of its own.
    pub fn is_alarm(&self) -> bool {
        matches!(self.what, What::Proof(_)) && (self.is_failed || self.state == State::Overdue)
    }
}

/// Where the day stands on which the station began to count for a board.
fn begun_key(board: &str) -> String {
    format!("care-begun/{board}")
}

/// The day on which the station began to count for a board, since 1970; begins now where it has not.
fn begun(store: &Store, board: &str, today: i64) -> store::Result<i64> {
    let key = begun_key(board);
    if let Some(day) = store.setting(&key)?.and_then(|text| text.parse().ok()) {
        return Ok(day);
    }
    store.set_setting(&key, &today.to_string())?;
    Ok(today)
}

/// Everything that a board's system needs, proof tests first.
///
/// # Errors
/// The store fails.
pub fn items(app: &App, board: &SiteBoard, now_ms: i64) -> store::Result<Vec<Item>> {
    let name = &board.settings.name;
    let today = now_ms.div_euclid(DAY_MS);
    let begun = begun(&app.store, name, today)?;
    let passed = app.store.read(|db| last_passed(db, name).doing("reading what was done"))?;
    let newest =
        app.store.read(|db| store::care::done(db, name, None, 1000).doing("reading what was done"))?;
    let last = |id: &str| passed.iter().find(|d| d.item == id).cloned();
    let is_failed = |id: &str| newest.iter().find(|d| d.item == id).is_some_and(|d| !d.passed);
    let by_calendar =
        |id: &str, days: u32| due(days, last(id).map(|d| d.at.div_euclid(DAY_MS)), begun, today);
    let mut all: Vec<Item> = (tests(&board.system, &Tolerated::default()).into_iter())
        .map(|test| {
            let due = by_calendar(&test.id, test.interval_days);
            Item {
                state: due.state,
                due: Some(due),
                last: last(&test.id),
                is_failed: is_failed(&test.id),
                run_h: None,
                id: test.id.clone(),
                what: What::Proof(Box::new(test)),
            }
        })
        .collect();
    for task in usual(&board.system) {
        let last = last(&task.id);
        let (due, state, run_h) = match &task.every {
            Every::Days { days } => {
                let due = by_calendar(&task.id, *days);
                (Some(due), due.state, None)
            }
            Every::Hours { of, hours } => {
                let since = last.as_ref().map_or(begun * DAY_MS, |d| d.at);
                let run_h = run_hours(&app.store, name, of, since, now_ms)?;
                (None, due_by_hours(*hours, run_h), Some(run_h))
            }
            Every::Evidence { check } => (None, by_evidence(app, name, check), None),
        };
        let is_failed = is_failed(&task.id);
        all.push(Item { id: task.id.clone(), what: What::Task(task), due, state, last, is_failed, run_h });
    }
    Ok(all)
}

/// How long an output was on since then, h: its mean times the time, from the roll-ups.
fn run_hours(store: &Store, board: &str, actuator: &str, since: i64, now_ms: i64) -> store::Result<f64> {
    let all = store.all_series();
    // A switched output is a switch; a modulated one is in percent.
    let Some(series) = all.iter().rfind(|s| s.spec.source == board && s.spec.name == actuator) else {
        return Ok(0.0);
    };
    if since >= now_ms {
        return Ok(0.0);
    }
    let trend = store.trend(series.id, since, now_ms, 1000)?;
    let full = if series.spec.is_switch { 1.0 } else { 100.0 };
    let on = |column: &store::Column| column.mean.unwrap_or(0.0).max(0.0) / full;
    Ok(trend.columns.iter().map(on).sum::<f64>() * trend.step as f64 / 3.6e6)
}

fn by_evidence(app: &App, board: &str, check: &str) -> State {
    let begins = format!("station/{board}/{check}");
    let book = app.book();
    let stands = book.attention().iter().any(|view| view.definition.id.starts_with(&begins));
    if stands { State::Due } else { State::Later }
}

/// What the alarms and the morning are to know of a board. The book must not be held.
///
/// # Errors
/// The store fails.
pub fn refresh(app: &App, board: &SiteBoard, now_ms: i64) -> store::Result<()> {
    let items = items(app, board, now_ms)?;
    let verdicts = items.iter().filter_map(|item| verdict(&board.settings.name, item)).collect();
    let due = (items.iter())
        .filter(|item| item.is_failed || matches!(item.state, State::Due | State::Overdue))
        .map(|item| item.title().to_owned())
        .collect();
    if let Some(mut checks) = app.checks(board.id.0) {
        checks.care = verdicts;
        checks.due = due;
    }
    Ok(())
}

fn verdict(board: &str, item: &Item) -> Option<Verdict> {
    let What::Proof(test) = &item.what else { return None };
    let outcome =
        if item.is_alarm() { wrong(item, test) } else { Outcome::Fine("done in its time".to_owned()) };
    Some(Verdict { check: Check::ProofTestOverdue, board: board.to_owned(), part: item.id.clone(), outcome })
}

fn wrong(item: &Item, test: &ProofTest) -> Outcome {
    let last = item.last.as_ref().map_or_else(
        || "it was never done".to_owned(),
        |d| format!("last passed {} by {}", iso_date(d.at.div_euclid(DAY_MS)), d.who),
    );
    let wrong = if item.is_failed {
        format!("{} failed its proof test.", test.title)
    } else {
        let day = item.due.map_or_else(String::new, |due| format!(" since {}", iso_date(due.day)));
        format!("The proof test of {} is overdue{day}.", test.title)
    };
    let act = if item.is_failed {
        "Do not leave the tank alone with it: mend or replace the part, then try it again.".to_owned()
    } else {
        format!(
            "Do the test: {} steps, each is shown; it wants to be done each {} days.",
            test.steps.len(),
            test.interval_days
        )
    };
    Outcome::Wrong(Finding {
        wrong,
        sure: Sure::Certain,
        because: last,
        act,
        caution: test.caution.map(|caution| {
            let mut letters = caution.chars();
            let first = letters.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
            format!("{first}{}.", letters.as_str())
        }),
    })
}

/// What the records of a board show of a test's steps, one after the other, since it was begun.
///
/// Each step must be seen at or after the one before it. Steps that only a person can see are left out.
///
/// # Errors
/// The store fails.
pub fn seen(
    app: &App,
    board: &SiteBoard,
    test: &ProofTest,
    begun_ms: i64,
    now_ms: i64,
) -> store::Result<Vec<Option<bool>>> {
    let all = app.store.all_series();
    let mut from = begun_ms;
    let mut out = Vec::with_capacity(test.steps.len());
    for step in &test.steps {
        let (name, is_on) = match &step.watch {
            Watch::Signal { name, is } => (name, *is),
            Watch::Output { name, is_on } => (name, *is_on),
            // A latched trip holds its actuator where the next step looks.
            Watch::Trip { .. } | Watch::Person => {
                out.push(None);
                continue;
            }
        };
        let of = all.iter().rfind(|s| s.spec.source == board.settings.name && s.spec.name == *name);
        let Some(series) = of.filter(|_| from < now_ms) else {
            out.push(Some(false));
            continue;
        };
        let trend = app.store.trend(series.id, from, now_ms, 1000)?;
        let shows = |column: &&store::Column| {
            if is_on { column.max.is_some_and(|v| v >= 0.5) } else { column.min.is_some_and(|v| v < 0.5) }
        };
        let found = trend.columns.iter().find(shows).map(|column| column.from.max(from));
        out.push(Some(found.is_some()));
        from = found.unwrap_or(from);
    }
    Ok(out)
}

/// Whether a system has this proof test.
pub fn proof_test(system: &System, id: &str) -> Option<ProofTest> {
    tests(system, &Tolerated::default()).into_iter().find(|test| test.id == id)
}
