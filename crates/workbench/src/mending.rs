//! What would mend a row: the standard changes of the trade, each made to the text and tried by simulation. Which close the row, what
//! they cost in parts, channels and bytes, and which rows they make worse.

use std::sync::atomic::{AtomicBool, Ordering};

use serde::Serialize;
use system::System;

use crate::edit::{self, Edit};
use crate::remedies::{self, Remedy};
use crate::study::{Kept, NoStudy, RowView, Study, Wish};
use crate::{Beside, words};

/// Full studies are made of so many mends that close the row; the first are the ones that cannot fail.
const MOST_STUDIED: usize = 6;

/// A mend that was tried.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Mend {
    /// Which remedy: stable kebab-case id.
    pub id: &'static str,
    /// What is done, in a sentence.
    pub text: String,
    /// The row, or the cell that was asked for, does not break any more.
    pub closes: bool,
    /// What the row comes to with it: `breaks`, `help_in_time`, `accepted`, `hidden`, `holds`.
    pub verdict: String,
    /// The row with it, in a sentence.
    pub sentence: String,
    /// Cells that break with it and did not before, rows of its own parts among them. Not there: it was not looked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rows_worse: Option<Vec<Worse>>,
    /// Open rows of the whole design with it. Not there: it was not looked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub open_rows: Option<usize>,
    /// Names of the parts that it adds.
    pub parts: Vec<String>,
    /// Inputs and outputs of the board that it adds.
    pub channels: i64,
    /// Bytes of the control program that it adds.
    pub bytes: i64,
    /// What its parts cost, where the file gives the price of a like part for each of them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub price: Option<f64>,
    /// Currency of the price.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub currency: Option<String>,
    /// The changes, to be made to the same text.
    pub edits: Vec<Edit>,
}

/// A cell that a mend makes worse.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Worse {
    /// `part:mode`.
    pub fault: String,
    /// What breaks.
    pub requirement: String,
    /// In a sentence.
    pub text: String,
}

/// What is told while mends are tried.
#[derive(Clone, Copy, Debug)]
pub enum Told<'a> {
    /// This one is tried next.
    Trying(&'a Remedy),
    /// This came of it.
    Mend(&'a Mend),
}

/// What came of all.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct Sum {
    /// Mends that were tried.
    pub tried: usize,
    /// Those that close the row.
    pub closing: usize,
}

impl Kept {
    /// Tries mends of a fault, or of one of its cells.
    ///
    /// # Errors
    ///
    /// Why the text cannot be studied; no such fault or requirement; that it was told to stop.
    #[allow(clippy::too_many_arguments)]
    pub fn mends(
        &self,
        text: &str,
        beside: &Beside,
        wish: Wish,
        fault: &str,
        requirement: Option<&str>,
        stop: &AtomicBool,
        tell: &dyn Fn(Told<'_>),
    ) -> Result<Sum, NoStudy> {
        let before = self.row(text, beside, wish, fault, stop)?;
        if let Some(name) = requirement
            && before.cell(name).is_none()
        {
            return Err(NoStudy::Unfit(format!("no requirement is named `{name}`")));
        }
        let Some(system) = beside.load(text).system else { return Err(NoStudy::Findings(vec![])) };
        let harm = requirement.or(before.breaks.as_deref());
        let harm = system.requirements.iter().find(|r| Some(r.name.as_str()) == harm).map(|r| r.harm);
        let mut sum = Sum { tried: 0, closing: 0 };
        for remedy in remedies::remedies(&system, text, fault, harm) {
            if stop.load(Ordering::Relaxed) {
                return Err(NoStudy::Stopped);
            }
            let Ok(mended) = edit::apply(text, &remedy.edits, beside) else { continue };
            tell(Told::Trying(&remedy));
            let row = match self.row(&mended, beside, wish, fault, stop) {
                Ok(row) => row,
                Err(NoStudy::Stopped) => return Err(NoStudy::Stopped),
                // The mended text has no such fault any more, or its rules do not compile.
                Err(_) => continue,
            };
            sum.tried += 1;
            let closes = match requirement {
                Some(name) => row.cell(name).is_some_and(|cell| !cell.is_open()),
                None => !row.is_open(),
            };
            sum.closing += usize::from(closes);
            let mut mend = costed(&system, beside, &mended, remedy);
            (mend.closes, mend.verdict, mend.sentence) = (closes, row.verdict, row.sentence);
            if closes && sum.closing <= MOST_STUDIED {
                let was = self.study(text, beside, wish, stop, &|_| {})?;
                let is = self.study(&mended, beside, wish, stop, &|_| {})?;
                mend.rows_worse = Some(worse(&was, &is));
                mend.open_rows = Some(is.n_open());
            }
            tell(Told::Mend(&mend));
        }
        Ok(sum)
    }
}

/// Cells that break now and did not before.
pub(crate) fn worse(was: &Study, is: &Study) -> Vec<Worse> {
    let mut all = vec![];
    for row in &is.rows {
        let before: Option<&RowView> = was.row(&row.fault);
        for cell in row.cells.iter().filter(|cell| cell.is_open()) {
            let was_open =
                before.and_then(|row| row.cell(&cell.requirement)).is_some_and(|cell| cell.is_open());
            if was_open {
                continue;
            }
            let after = cell
                .hours_left
                .map_or_else(String::new, |h| format!(" after {}", words::span(h * words::HOUR_S)));
            let text = format!("{}: {} breaks `{}`{after}", row.part, row.mode, cell.requirement);
            all.push(Worse { fault: row.fault.clone(), requirement: cell.requirement.clone(), text });
        }
    }
    all
}

/// What a mend adds.
fn costed(before: &System, beside: &Beside, mended: &str, remedy: Remedy) -> Mend {
    let mut mend = Mend {
        id: remedy.id,
        text: remedy.text,
        closes: false,
        verdict: String::new(),
        sentence: String::new(),
        rows_worse: None,
        open_rows: None,
        parts: vec![],
        channels: 0,
        bytes: 0,
        price: None,
        currency: None,
        edits: remedy.edits,
    };
    let Some(after) = beside.load(mended).system else { return mend };
    let mut prices = vec![];
    for sensor in after.sensors.iter().filter(|s| before.sensors.iter().all(|b| b.name != s.name)) {
        let like = before.sensors.iter().position(|b| b.part == sensor.part);
        prices.push(like.and_then(|s| before.electrics.sensor(system::model::SensorIdx(s)).price));
        mend.parts.push(sensor.name.clone());
    }
    for actuator in after.actuators.iter().filter(|a| before.actuators.iter().all(|b| b.name != a.name)) {
        let like = before.actuators.iter().position(|b| b.part == actuator.part && b.kind == actuator.kind);
        prices.push(like.and_then(|a| before.electrics.actuator(system::model::ActuatorIdx(a)).price));
        mend.parts.push(actuator.name.clone());
    }
    for supply in after.supplies.iter().filter(|s| before.supplies.iter().all(|b| b.name != s.name)) {
        prices.push(None);
        mend.parts.push(supply.name.clone());
    }
    if !prices.is_empty() {
        mend.price = prices.into_iter().sum();
        mend.currency = mend.price.and_then(|_| before.electrics.currency.clone());
    }
    if let (Ok(was), Ok(is)) = (control::compile(before), control::compile(&after)) {
        let channels = |c: &control::Compiled| (c.inputs.len() + c.drives.iter().flatten().count()) as i64;
        mend.channels = channels(&is) - channels(&was);
        mend.bytes = is.bytes.len() as i64 - was.bytes.len() as i64;
    }
    mend
}
