//! Weighing a change before it is sent: rows of the FMEA of the file that is to run beside those of the file that runs, and which of them somebody
//! has to answer for.
//!
//! Contract: both files are studied alike (same seed, same instants, same corners); what was studied before is not studied again. A file that cannot
//! be studied is an answer, not an error.

use std::sync::Mutex;
use std::sync::PoisonError;
use std::sync::atomic::AtomicBool;

use crate::Beside;
use crate::revision::{RowTurn, Standing, Turn, turned, turns_of};
use crate::study::{Kept, NoStudy, Study, Told as OfStudy, Wish, model};

/// The row that stands for all where the new file cannot be studied any more.
pub const ALL: &str = "*";
/// Before the name of a requirement that the new file does not have any more.
pub const REQUIREMENT: &str = "requirement:";

/// What a change does to the rows.
#[derive(Clone, PartialEq, Debug)]
pub enum Weighed {
    /// Rows that turned, the worst first.
    Rows(Vec<RowTurn>),
    /// The file that runs cannot be studied, so nothing can get worse than it is known to be: why, in a sentence.
    NotComparable(String),
}

impl Weighed {
    /// Rows that get worse.
    pub fn worse(&self) -> impl Iterator<Item = &RowTurn> {
        self.rows().iter().filter(|row| row.is_worse())
    }

    /// All rows that turned.
    pub fn rows(&self) -> &[RowTurn] {
        match self {
            Weighed::Rows(rows) => rows,
            Weighed::NotComparable(_) => &[],
        }
    }
}

/// How far a weighing is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Stage {
    /// Nominal conditions alone: what it finds may change at the corners.
    Nominal,
    /// Nominal conditions and every corner of the files: what counts.
    Whole,
}

impl Stage {
    /// In a word.
    pub fn word(self) -> &'static str {
        match self {
            Stage::Nominal => "nominal",
            Stage::Whole => "whole",
        }
    }
}

/// What is told while it runs.
#[derive(Clone, Copy, Debug)]
pub enum Told<'a> {
    /// A stage begins; false: the file that runs is studied, true: the one that is to run.
    Begins(Stage, bool),
    /// Runs done, and all, of what began last.
    Progress(usize, usize),
    /// A row that gets worse, as soon as that is known.
    Worse(Stage, &'a RowTurn),
}

impl Kept {
    /// What is known of a change without studying anything; none: one of the files was not studied yet.
    pub fn weighed(&self, runs: &str, next: &str, beside: &Beside, wish: Wish) -> Option<Weighed> {
        match prepared(runs, next, beside) {
            Prepared::Known(weighed) => Some(weighed),
            Prepared::Both => {
                let both = self.known(runs, beside, wish).zip(self.known(next, beside, wish));
                both.map(|(a, b)| compared(&a, &b))
            }
        }
    }

    /// Weighs a change: nominal conditions first, where corners take longer. Rows that get worse are told as soon as they are known.
    ///
    /// # Errors
    /// A study that breaks off.
    pub fn weigh(
        &self,
        runs: &str,
        next: &str,
        beside: &Beside,
        wish: Wish,
        stop: &AtomicBool,
        tell: &(dyn Fn(Told<'_>) + Sync),
    ) -> Result<Weighed, NoStudy> {
        if let Some(weighed) = self.weighed(runs, next, beside, wish) {
            weighed.worse().for_each(|row| tell(Told::Worse(Stage::Whole, row)));
            return Ok(weighed);
        }
        let has_corners = [runs, next]
            .iter()
            .any(|text| beside.load(text).system.is_some_and(|system| !system.corners.is_empty()));
        if wish.corners && has_corners {
            self.stage(Stage::Nominal, (runs, next), beside, Wish { corners: false, ..wish }, stop, tell)?;
        }
        self.stage(Stage::Whole, (runs, next), beside, wish, stop, tell)
    }

    fn stage(
        &self,
        stage: Stage,
        (runs, next): (&str, &str),
        beside: &Beside,
        wish: Wish,
        stop: &AtomicBool,
        tell: &(dyn Fn(Told<'_>) + Sync),
    ) -> Result<Weighed, NoStudy> {
        let progress = |told: OfStudy<'_>| {
            if let OfStudy::Progress(done, total) = told {
                tell(Told::Progress(done, total));
            }
        };
        tell(Told::Begins(stage, false));
        let before = self.study(runs, beside, wish, stop, &progress)?;
        tell(Told::Begins(stage, true));
        // Rows come from several threads; who is told gets one after the other.
        let one_by_one = Mutex::new(());
        let rows = |told: OfStudy<'_>| {
            if let OfStudy::Row(row) = told
                && let Some(turn) = turned(before.row(&row.fault), Some(row)).filter(RowTurn::is_worse)
            {
                let _turn = one_by_one.lock().unwrap_or_else(PoisonError::into_inner);
                tell(Told::Worse(stage, &turn));
            }
            progress(told);
        };
        let after = self.study(next, beside, wish, stop, &rows)?;
        Ok(compared(&before, &after))
    }
}

enum Prepared {
    Both,
    Known(Weighed),
}

/// Whether both can be studied.
fn prepared(runs: &str, next: &str, beside: &Beside) -> Prepared {
    if let Err(why) = model(runs, beside) {
        return Prepared::Known(Weighed::NotComparable(why.to_string()));
    }
    match model(next, beside) {
        Ok(_) => Prepared::Both,
        Err(why) => {
            let description = format!("The new file cannot be studied, as the one that runs can be: {why}");
            Prepared::Known(Weighed::Rows(vec![alone(ALL.to_owned(), description)]))
        }
    }
}

/// A row that is none of the FMEA.
fn alone(fault: String, description: String) -> RowTurn {
    let (before, after) = (Standing::known("studied"), Standing::known("not studied"));
    RowTurn {
        fault,
        description,
        turn: Turn::Opened,
        before,
        after,
        cells: vec![],
        accepted: None,
        because: vec![],
    }
}

/// Rows that turned, and requirements that are gone: without one its rows would seem to get better.
fn compared(before: &Study, after: &Study) -> Weighed {
    let has = |study: &Study, id: &str| study.head.requirements.iter().any(|r| r.id == id);
    let gone = before.head.requirements.iter().filter(|r| !has(after, &r.id));
    let mut rows: Vec<RowTurn> = gone
        .map(|r| RowTurn {
            before: Standing::known("required"),
            after: Standing::known("not required"),
            ..alone(
                format!("{REQUIREMENT}{}", r.id),
                format!("Nothing requires `{}` any more: {}", r.id, r.text),
            )
        })
        .collect();
    rows.extend(turns_of(before, after));
    Weighed::Rows(rows)
}
