//! A change weighed before it is sent: rows of the FMEA that get worse beside what the board runs, and why that is so. Who has no time sends first; then
//! the station compares by itself, and reasons can be given afterwards. Both stay with the revision.

use std::collections::BTreeMap;
use std::sync::atomic::AtomicBool;

use serde::{Deserialize, Serialize};
use store::{Reason, Store, Weighing};
use utoipa::ToSchema;
use workbench::revision::{RowTurn, Turn};
use workbench::study::{Kept, NoStudy};
use workbench::weigh::{Told, Weighed};

use crate::app::{App, now_ms};
use crate::design::wish;
use crate::http::problem::Problem;
use crate::site::SiteBoard;

/// Characters of a reason.
pub const LONGEST_REASON: usize = 200;

/// When a change is compared with what runs.
#[derive(Deserialize, ToSchema, Clone, Copy, PartialEq, Eq, Debug)]
#[serde(rename_all = "kebab-case")]
pub enum Compare {
    /// Before it is sent; rows that get worse want a reason.
    First,
    /// It is sent at once, and the station compares afterwards: for an emergency.
    Later,
}

/// How a revision was sent.
#[derive(Serialize, ToSchema, Clone, Copy, PartialEq, Eq, Debug)]
#[serde(rename_all = "kebab-case")]
pub enum How {
    /// It was compared first.
    Compared,
    /// Before it was compared, as somebody wished.
    First,
    /// Before it was compared, because the board had kept it before: the way back.
    Back,
}

impl How {
    fn word(self) -> &'static str {
        match self {
            How::Compared => "compared",
            How::First => "first",
            How::Back => "back",
        }
    }

    fn read(word: &str) -> How {
        match word {
            "first" => How::First,
            "back" => How::Back,
            _ => How::Compared,
        }
    }

    /// What the audit trail says beside what is sent.
    pub fn beside(self) -> &'static str {
        match self {
            How::Compared => "",
            How::First => ", sent before it was compared with what runs",
            How::Back => ", a way back, compared afterwards",
        }
    }
}

/// A row that turned from what ran to what was sent.
#[derive(Serialize, Deserialize, ToSchema, Clone, PartialEq, Debug)]
pub struct WeighedRow {
    /// `part:mode`; `requirement:NAME` for one that is gone; `*` where the new file cannot be studied.
    pub fault: String,
    /// What happens, in a sentence.
    pub description: String,
    /// `opened`, `worse`, `better` or `closed`.
    pub turn: String,
    /// How it was, in words.
    pub before: String,
    /// How it becomes.
    pub after: String,
    /// Fault to harm before, h.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub before_h: Option<f64>,
    /// Fault to harm after, h.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub after_h: Option<f64>,
    /// What gets worse beside what the row is told for, in words.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub beside: Vec<String>,
    /// Why the new file accepts it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub accepted: Option<String>,
    /// It is worse, and the file does not say why.
    pub wants_reason: bool,
    /// Why it may be so.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<GivenReason>,
}

/// A reason that somebody gave.
#[derive(Serialize, Deserialize, ToSchema, Clone, PartialEq, Eq, Debug)]
pub struct GivenReason {
    /// Why.
    pub text: String,
    /// Who.
    pub who: String,
    /// When, ms since 1970.
    pub at_ms: i64,
}

impl WeighedRow {
    fn new(row: &RowTurn) -> WeighedRow {
        let turn = match row.turn {
            Turn::Opened => "opened",
            Turn::Worse => "worse",
            Turn::Better => "better",
            Turn::Closed => "closed",
        };
        WeighedRow {
            fault: row.fault.clone(),
            description: row.description.clone(),
            turn: turn.to_owned(),
            before: row.before.words(),
            after: row.after.words(),
            before_h: row.before.hours,
            after_h: row.after.hours,
            beside: row.worse_beside(),
            accepted: row.accepted.clone(),
            wants_reason: row.wants_reason(),
            reason: None,
        }
    }

    /// Whether it is worse than before.
    pub fn is_worse(&self) -> bool {
        matches!(self.turn.as_str(), "opened" | "worse")
    }

    fn is_unanswered(&self) -> bool {
        self.wants_reason && self.reason.is_none()
    }
}

/// What a revision does to the rows.
#[derive(Serialize, ToSchema, Clone, PartialEq, Debug)]
pub struct Outcome {
    /// The revision that ran when it was sent; not there: none that the station knew.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub against: Option<i64>,
    /// How it was sent.
    pub sent: How,
    /// When it was compared, ms since 1970; not there: not yet.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub compared_ms: Option<i64>,
    /// Why there is nothing to compare, where there is nothing.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub detail: String,
    /// Rows that get worse, the worst first.
    pub worse: Vec<WeighedRow>,
    /// How many rows get better or close.
    pub n_better: usize,
    /// Rows that want a reason and have none.
    pub n_unanswered: usize,
}

impl Outcome {
    /// Of what is kept.
    pub fn of(weighing: &Weighing, reasons: &[Reason]) -> Outcome {
        let mut rows: Vec<WeighedRow> = serde_json::from_str(&weighing.rows).unwrap_or_default();
        answer(&mut rows, reasons);
        let n_better = rows.iter().filter(|row| !row.is_worse()).count();
        rows.retain(WeighedRow::is_worse);
        Outcome {
            against: (weighing.against > 0).then_some(weighing.against),
            sent: How::read(&weighing.how),
            compared_ms: weighing.weighed,
            detail: weighing.detail.clone(),
            n_better,
            n_unanswered: rows.iter().filter(|row| row.is_unanswered()).count(),
            worse: rows,
        }
    }
}

/// Puts to each row the last reason that was given for it.
fn answer(rows: &mut [WeighedRow], reasons: &[Reason]) {
    for row in rows {
        let given = reasons.iter().rfind(|reason| reason.fault == row.fault);
        row.reason = given.map(|reason| GivenReason {
            text: reason.text.clone(),
            who: reason.who.clone(),
            at_ms: reason.at,
        });
    }
}

/// Reasons by row, as they are sent.
pub type Reasons = BTreeMap<String, String>;

/// A change that may be sent, with what is to be kept of it.
#[derive(Debug)]
pub struct Judged {
    weighing: Weighing,
    reasons: Vec<Reason>,
    /// How it is sent.
    pub sent: How,
}

impl Judged {
    /// Keeps it with a revision, before that is sent.
    ///
    /// # Errors
    /// The store cannot take it.
    pub fn keep(mut self, store: &Store, revision: i64) -> store::Result<()> {
        self.weighing.revision = revision;
        store.add_weighing(&self.weighing, &self.reasons).map(drop)
    }
}

/// Number of the revision that the station reads a board by; 0: none that it knows.
fn runs(app: &App, board: &SiteBoard) -> Result<i64, Problem> {
    let known = app.store.revision_of_program(&board.settings.name, board.made.program_crc);
    Ok(known.map_err(Problem::store)?.map_or(0, |revision| revision.id))
}

/// What is stored of a weighing that was done.
fn filled(weighing: Weighing, weighed: &Weighed, at_ms: i64) -> Weighing {
    let rows: Vec<WeighedRow> = weighed.rows().iter().map(WeighedRow::new).collect();
    let detail = match weighed {
        Weighed::Rows(_) => String::new(),
        Weighed::NotComparable(why) => format!("The file that ran cannot be studied: {why}"),
    };
    let rows = serde_json::to_string(&rows).unwrap_or_else(|_| "[]".to_owned());
    Weighing { weighed: Some(at_ms), detail, rows, ..weighing }
}

/// Whether a text may be sent, as what is known of it and the reasons say. `revision` is its number where it is kept already.
///
/// # Errors
/// It was not compared yet; a row gets worse without a reason; a reason is for a row that does not get worse.
pub fn judge(
    app: &App,
    board: &SiteBoard,
    (text, revision): (&str, Option<i64>),
    given: &Reasons,
    sent: How,
    who: &str,
) -> Result<Judged, Problem> {
    let (name, now) = (&board.settings.name, now_ms());
    let against = runs(app, board)?;
    let fresh = Weighing {
        at: now,
        source: name.clone(),
        against,
        who: who.to_owned(),
        how: sent.word().to_owned(),
        ..Weighing::default()
    };
    let reason = |(fault, text): (&String, &String)| Reason {
        at: now,
        fault: fault.clone(),
        who: who.to_owned(),
        text: text.clone(),
    };
    let reasons: Vec<Reason> = given.iter().map(reason).collect();
    if sent != How::Compared {
        return Ok(Judged { weighing: fresh, reasons, sent });
    }
    let kept = match revision {
        Some(revision) => app.store.weighing(name, revision, against).map_err(Problem::store)?,
        None => None,
    };
    let (weighing, earlier) = match kept {
        Some((weighing, earlier)) if weighing.weighed.is_some() => (weighing, earlier),
        other => {
            let weighed = app.design.kept.weighed(&board.text, text, &board.beside(), wish(None));
            let Some(weighed) = weighed else { return Err(not_compared(name)) };
            (filled(fresh, &weighed, now), other.map_or(vec![], |(_, earlier)| earlier))
        }
    };
    let all: Vec<Reason> = earlier.into_iter().chain(reasons.iter().cloned()).collect();
    check(&Outcome::of(&weighing, &all), given)?;
    Ok(Judged { weighing, reasons, sent })
}

fn not_compared(board: &str) -> Problem {
    Problem::compare_first(format!(
        "Nothing was sent: the file was not compared with what {board} runs. POST /api/v1/boards/{board}/revisions/compare does; it takes as long as two \
         studies of the FMEA. In an emergency send it with `compare` \"later\": it goes at once, the station compares afterwards, and the list says so."
    ))
}

/// Whether each row has its reason, and each reason its row.
fn check(outcome: &Outcome, given: &Reasons) -> Result<(), Problem> {
    let worse = |fault: &str| outcome.worse.iter().any(|row| row.fault == fault);
    if let Some(fault) = given.keys().find(|fault| !worse(fault)) {
        return Err(Problem::not_possible(format!(
            "Nothing was sent: there is a reason for `{fault}`, which is no row that gets worse. Rows that get worse: {}.",
            names(&outcome.worse)
        )));
    }
    let unanswered: Vec<WeighedRow> =
        (outcome.worse.iter()).filter(|row| row.is_unanswered()).cloned().collect();
    if unanswered.is_empty() {
        return Ok(());
    }
    let detail = format!(
        "Nothing was sent: rows of the FMEA get worse, and each wants a reason of its own in `reasons`: {}.",
        names(&unanswered)
    );
    let rows = unanswered.iter().filter_map(|row| serde_json::to_value(row).ok());
    Err(Problem::reasons_wanted(detail, rows.collect()))
}

fn names(rows: &[WeighedRow]) -> String {
    let all: Vec<String> =
        rows.iter().map(|row| format!("{} ({}; before: {})", row.fault, row.after, row.before)).collect();
    if all.is_empty() { "none".to_owned() } else { all.join(", ") }
}

/// Gives reasons afterwards, for the newest weighing of a revision.
///
/// # Errors
/// There is no such revision, it was not compared yet, or a row does not get worse.
pub fn add_reasons(
    app: &App,
    board: &SiteBoard,
    revision: i64,
    given: &Reasons,
    who: &str,
) -> Result<Outcome, Problem> {
    let name = &board.settings.name;
    let all = app.store.weighings(name).map_err(Problem::store)?;
    let Some((weighing, mut earlier)) = all.into_iter().find(|(one, _)| one.revision == revision) else {
        return Err(Problem::not_found(format!(
            "Board {name} has no revision {revision} that was sent from here, so none of its rows wants a reason."
        )));
    };
    if weighing.weighed.is_none() {
        return Err(Problem::compare_first(format!(
            "Revision {revision} was sent before it was compared, and is not compared yet: the station does so by itself within minutes."
        )));
    }
    let worse = Outcome::of(&weighing, &[]).worse;
    if let Some(fault) = given.keys().find(|fault| !worse.iter().any(|row| row.fault == **fault)) {
        return Err(Problem::not_possible(format!(
            "`{fault}` is no row that revision {revision} makes worse. These are: {}.",
            names(&worse)
        )));
    }
    let at = now_ms();
    let new = given.iter().map(|(fault, text)| Reason {
        at,
        fault: fault.clone(),
        who: who.to_owned(),
        text: text.clone(),
    });
    let new: Vec<Reason> = new.collect();
    app.store.add_weighing(&weighing, &new).map_err(Problem::store)?;
    earlier.extend(new);
    Ok(Outcome::of(&weighing, &earlier))
}

/// Compares a text with what a board runs, telling what is found on the way; what it comes to, with the reasons that were given before.
///
/// # Errors
/// A study that breaks off.
pub fn compare(
    kept: &Kept,
    of: &Compared,
    stop: &AtomicBool,
    tell: &(dyn Fn(Told<'_>) + Sync),
) -> Result<Outcome, NoStudy> {
    let weighed = kept.weigh(&of.runs, &of.next, &of.beside, wish(None), stop, tell)?;
    let weighing = filled(
        Weighing { against: of.against, how: How::Compared.word().to_owned(), ..Weighing::default() },
        &weighed,
        now_ms(),
    );
    Ok(Outcome::of(&weighing, &of.reasons))
}

/// A row as it goes out while a comparison runs.
pub fn shown(row: &RowTurn) -> WeighedRow {
    WeighedRow::new(row)
}

/// What is compared.
#[derive(Debug)]
pub struct Compared {
    runs: String,
    next: String,
    beside: workbench::Beside,
    against: i64,
    reasons: Vec<Reason>,
}

impl Compared {
    /// A text, of which the revision is kept already where there is one, beside what a board runs.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn new(
        app: &App,
        board: &SiteBoard,
        next: String,
        revision: Option<i64>,
    ) -> Result<Compared, Problem> {
        let against = runs(app, board)?;
        let earlier = match revision {
            Some(id) => app.store.weighing(&board.settings.name, id, against).map_err(Problem::store)?,
            None => None,
        };
        let reasons = earlier.map_or(vec![], |(_, reasons)| reasons);
        Ok(Compared { runs: board.text.clone(), next, beside: board.beside(), against, reasons })
    }
}

/// What was sent before it was compared and still is not, oldest first: the texts, and what is to be filled in.
///
/// # Errors
/// The store cannot be read.
pub fn waiting(app: &App, board: &SiteBoard) -> store::Result<Vec<(Weighing, Compared)>> {
    let name = &board.settings.name;
    let all = app.store.weighings(name)?;
    let mut waiting = vec![];
    for (weighing, _) in all.into_iter().rev().filter(|(one, _)| one.weighed.is_none()) {
        let (of, against) =
            (app.store.revision(name, weighing.revision)?, app.store.revision(name, weighing.against)?);
        let Some((next, runs)) = of.zip(against) else { continue };
        let compared = Compared {
            runs: runs.system,
            next: next.system,
            beside: board.beside(),
            against: weighing.against,
            reasons: vec![],
        };
        waiting.push((weighing, compared));
    }
    Ok(waiting)
}

/// Compares what was sent before; what is to be kept.
///
/// # Errors
/// A study that breaks off.
pub fn catch_up(
    kept: &Kept,
    weighing: Weighing,
    of: &Compared,
    stop: &AtomicBool,
) -> Result<Weighing, NoStudy> {
    let weighed = kept.weigh(&of.runs, &of.next, &of.beside, wish(None), stop, &|_| {})?;
    Ok(filled(weighing, &weighed, now_ms()))
}

/// Keeps what was compared afterwards, and says what came of it in the log.
///
/// # Errors
/// The store cannot take it.
pub fn keep(store: &Store, weighing: &Weighing) -> store::Result<()> {
    store.add_weighing(weighing, &[])?;
    let kept = store.weighing(&weighing.source, weighing.revision, weighing.against)?;
    let Some((weighing, reasons)) = kept else { return Ok(()) };
    let outcome = Outcome::of(&weighing, &reasons);
    let found = match (outcome.worse.len(), outcome.n_unanswered) {
        (0, _) => "no row of the FMEA gets worse".to_owned(),
        (n, 0) => format!("{n} rows of the FMEA get worse, each with a reason"),
        (n, open) => format!("{n} rows of the FMEA get worse; {open} of them want a reason"),
    };
    let words = format!(
        "revision {} was compared with revision {} after it was sent: {found}",
        weighing.revision, weighing.against
    );
    store.add_event(now_ms(), &weighing.source, "revision", &words).map(drop)
}
