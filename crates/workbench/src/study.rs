//! Studies: the FMEA of a text as rows that come one by one, and what is kept of it so that an unchanged design answers at once.

use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex, PoisonError};

use serde::Serialize;
use system::model::{MarginUnit, Severity};
use system::{Level, System};
use trial::{Cell, Model, NoFmea, Options, Row, Settled, Wanted, Watch};
use units::UnitSystem;

use crate::expected::Day;
use crate::fmea::{Verdict, corner, lead, mends, sentences};
use crate::look::Finding;
use crate::words::{self, HOUR_S};
use crate::{Beside, hash};

/// Seed of all noise: the same for all studies, so that designs are compared under the same noise.
const SEED: u64 = 1;
/// Settled systems that are kept; each takes some MB.
const KEPT_SETTLED: usize = 3;
/// Studies that are kept.
const KEPT_STUDIES: usize = 12;

/// What is wanted of a study.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct Wish {
    /// At the corners of the file too, not at nominal conditions alone.
    pub corners: bool,
    /// Today, days since 1970: acceptances reviewed before it lapse. None: reviews are not looked at.
    pub today: Option<i64>,
    /// Worker threads; 0: as many as the machine has.
    pub n_threads: usize,
}

/// Why there is no study.
#[derive(Clone, PartialEq, Debug)]
pub enum NoStudy {
    /// The text is no system, or its rules do not compile.
    Findings(Vec<Finding>),
    /// It lacks what a simulation needs, or a requirement cannot be judged: a sentence with what to do.
    Unfit(String),
    /// It was told to stop.
    Stopped,
}

impl std::fmt::Display for NoStudy {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            NoStudy::Findings(findings) => match findings.first() {
                Some(first) => write!(f, "The file has mistakes. The first: {}.", first.message),
                None => f.write_str("The file has mistakes."),
            },
            NoStudy::Unfit(sentence) => f.write_str(&words::sentence(sentence)),
            NoStudy::Stopped => f.write_str("The study was stopped."),
        }
    }
}

impl std::error::Error for NoStudy {}

impl From<NoFmea> for NoStudy {
    fn from(error: NoFmea) -> Self {
        match error {
            NoFmea::Unjudgeable(sentence) => NoStudy::Unfit(sentence),
            NoFmea::Stopped => NoStudy::Stopped,
        }
    }
}

/// What comes before the first row.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Head {
    /// Names the text.
    pub hash: String,
    /// Name of the system.
    pub system: String,
    /// What must hold, in the order of the cells.
    pub requirements: Vec<RequirementHead>,
    /// Every fault.
    pub faults: Vec<FaultHead>,
    /// How long each run lasts, h.
    pub window_h: f64,
    /// How long a person takes to come, h.
    pub response_h: f64,
    /// Corners beside nominal conditions.
    pub corners: Vec<String>,
}

/// A requirement.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct RequirementHead {
    /// Its name.
    pub id: String,
    /// Its formula.
    pub text: String,
    /// What breaks with it: `flood`, `cook`, ...
    pub harm: &'static str,
    /// `minor` to `catastrophic`.
    pub severity: &'static str,
    /// Unit of its margin.
    pub unit: &'static str,
}

/// A fault.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct FaultHead {
    /// `part:mode`.
    pub id: String,
    /// The part.
    pub part: String,
    /// The failure mode.
    pub mode: String,
    /// What it is, in a sentence.
    pub text: String,
}

/// A row as it is shown.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct RowView {
    /// `part:mode`.
    pub fault: String,
    /// The part.
    pub part: String,
    /// The failure mode.
    pub mode: String,
    /// `breaks`, `help_in_time`, `accepted`, `hidden` or `holds`.
    pub verdict: String,
    #[serde(skip)]
    pub(crate) verdict_of: Verdict,
    #[serde(skip)]
    pub(crate) severity: Option<Severity>,
    /// What the fault is.
    #[serde(skip)]
    pub(crate) description: String,
    /// What fails, what that does, after how long, who hears of it.
    pub sentence: String,
    /// The requirement for which the row is told. Not there: nothing breaks.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub breaks: Option<String>,
    /// When that breaks, h after the fault.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub after_h: Option<f64>,
    /// The usual change that mends it, in words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mend: Option<&'static str>,
    /// Why it is accepted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub acceptance: Option<String>,
    /// Trips that latched at the worst place.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub tripped: Vec<TripView>,
    /// Most water on tray and floor, L.
    pub spilled_l: f64,
    /// One for each requirement.
    pub cells: Vec<CellView>,
}

/// A trip.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct TripView {
    /// What was stopped.
    pub actuator: String,
    /// h after the fault.
    pub after_h: f64,
}

/// One requirement in one row, at the worst place.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct CellView {
    /// Its name.
    pub requirement: String,
    /// `ok`, `breach` (somebody is told before), `untold` (nobody is, or too late), `accepted`, or `hidden`: holds, but nobody hears
    /// of the fault.
    pub verdict: &'static str,
    /// What is left, negative when broken. Not there: never decided.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub margin: Option<f64>,
    /// The same with its unit.
    pub margin_text: String,
    /// From the fault to the breach, h.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hours_left: Option<f64>,
    /// First alarm told there, h after the fault.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub told_after_h: Option<f64>,
    /// Its name; `silence`: a message that did not come.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub told_by: Option<String>,
    /// Where that is: the instant of the fault.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub instant: Option<&'static str>,
    /// Where that is: the corner, or `nominal`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub corner: Option<String>,
    /// It breaks there also without the fault.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub anyway: bool,
}

/// A study that was done.
#[derive(Clone, PartialEq, Debug)]
pub struct Study {
    /// What comes before the rows.
    pub head: Head,
    /// The worst first.
    pub rows: Vec<RowView>,
    /// What breaks with nothing wrong but a corner.
    pub without_fault: Vec<RowView>,
    /// Acceptances that lapse or match nothing.
    pub findings: Vec<Finding>,
}

impl Study {
    /// Rows with a breach that nobody accepted.
    pub fn n_open(&self) -> usize {
        self.rows.iter().filter(|row| row.is_open()).count()
    }

    /// A row by `part:mode`.
    pub fn row(&self, fault: &str) -> Option<&RowView> {
        self.rows.iter().find(|row| row.fault == fault)
    }
}

impl RowView {
    /// Whether something breaks that nobody accepted.
    pub fn is_open(&self) -> bool {
        self.cells.iter().any(CellView::is_open)
    }

    /// The cell of a requirement.
    pub fn cell(&self, requirement: &str) -> Option<&CellView> {
        self.cells.iter().find(|cell| cell.requirement == requirement)
    }

    /// Of a row of a study at so many places.
    pub fn new(system: &System, n_places: usize, row: &Row) -> Self {
        let leading = lead(system, row);
        let acceptance = row.accepted.and_then(|a| system.accepted.get(a));
        RowView {
            fault: format!("{}:{}", row.part, row.mode),
            part: row.part.clone(),
            mode: row.mode.clone(),
            verdict: Verdict::of(row).word().to_lowercase().replace(' ', "_"),
            verdict_of: Verdict::of(row),
            severity: row.severity,
            description: words::sentence(&row.description),
            sentence: sentences::whole(system, n_places, row),
            breaks: leading.map(|breach| system.requirements[breach.requirement].name.clone()),
            after_h: leading.map(|breach| breach.at_s / HOUR_S),
            mend: if row.is_open() { mends::mend(system, row) } else { None },
            acceptance: acceptance.map(|a| a.reason.clone()),
            tripped: (row.tripped.iter())
                .map(|(t, part)| TripView { actuator: part.clone(), after_h: t / HOUR_S })
                .collect(),
            spilled_l: row.spilled_m3 * 1000.0,
            cells: (0..row.cells.len()).map(|r| cell(system, row, r)).collect(),
        }
    }
}

impl CellView {
    /// Whether it breaks and nobody accepted that.
    pub fn is_open(&self) -> bool {
        matches!(self.verdict, "breach" | "untold")
    }
}

fn cell(system: &System, row: &Row, r: usize) -> CellView {
    let cell: &Cell = &row.cells[r];
    let requirement = &system.requirements[r];
    let unit: MarginUnit = requirement.margin_unit;
    let of_cell = || row.breaches.iter().filter(|breach| breach.requirement == r);
    // What nobody accepted counts before what is accepted; among these the soonest.
    let first = of_cell().find(|breach| breach.accepted.is_none()).or_else(|| of_cell().next());
    let verdict = match first {
        Some(breach) if breach.accepted.is_some() => "accepted",
        Some(breach) if breach.told_at_s.is_some_and(|told| told < breach.at_s) => "breach",
        Some(_) => "untold",
        None if row.hidden => "hidden",
        None => "ok",
    };
    let place = first.map(|breach| breach.place).or(cell.place);
    CellView {
        requirement: requirement.name.clone(),
        verdict,
        margin: words::margin(cell.margin, unit),
        margin_text: words::margin_text(cell.margin, unit, UnitSystem::Metric),
        hours_left: first.map(|breach| breach.at_s / HOUR_S),
        told_after_h: first.and_then(|breach| breach.told_at_s).map(|s| s / HOUR_S),
        told_by: first.and_then(|breach| breach.told_by.clone()),
        instant: place.map(|place| place.instant.name()),
        corner: place.map(|place| corner(system, place.corner).to_owned()),
        anyway: cell.breaks_anyway,
    }
}

/// What is told while a study runs.
#[derive(Clone, Copy, Debug)]
pub enum Told<'a> {
    /// Once, before the first row.
    Head(&'a Head),
    /// A row, in no particular order; of a kept study the worst first.
    Row(&'a RowView),
    /// Runs done, and all.
    Progress(usize, usize),
}

/// What is kept from one question to the next.
#[derive(Debug, Default)]
pub struct Kept {
    settled: Mutex<Vec<(String, Arc<Settled>)>>,
    studies: Mutex<Vec<(String, Arc<Study>)>>,
    days: Mutex<Vec<(String, Arc<Day>)>>,
}

/// What a name stands for, moved to the end as the one used last.
fn find<T>(list: &Mutex<Vec<(String, Arc<T>)>>, key: &str) -> Option<Arc<T>> {
    let mut list = list.lock().unwrap_or_else(PoisonError::into_inner);
    let at = list.iter().position(|(known, _)| known == key)?;
    let found = list.remove(at);
    let value = Arc::clone(&found.1);
    list.push(found);
    Some(value)
}

fn keep<T>(list: &Mutex<Vec<(String, Arc<T>)>>, key: String, value: &Arc<T>, most: usize) {
    let mut list = list.lock().unwrap_or_else(PoisonError::into_inner);
    list.retain(|(known, _)| *known != key);
    list.push((key, Arc::clone(value)));
    let over = list.len().saturating_sub(most);
    list.drain(..over);
}

impl Kept {
    /// Names a text with what stands beside it and how it is studied.
    fn key(text: &str, beside: &Beside, corners: bool) -> String {
        let lock = beside.lock.as_ref().map_or_else(String::new, |lock| hash(&lock.text()));
        format!("{} {lock} {corners}", hash(text))
    }

    fn study_key(text: &str, beside: &Beside, wish: Wish) -> String {
        format!("{} {:?}", Kept::key(text, beside, wish.corners), wish.today)
    }

    /// The text as a system that has settled.
    ///
    /// # Errors
    ///
    /// Why it cannot be simulated.
    pub fn settled(
        &self,
        text: &str,
        beside: &Beside,
        corners: bool,
        stop: &AtomicBool,
    ) -> Result<Arc<Settled>, NoStudy> {
        let key = Kept::key(text, beside, corners);
        if let Some(known) = find(&self.settled, &key) {
            return Ok(known);
        }
        let wanted = Wanted { one_instant: false, nominal_only: !corners };
        let settled = Arc::new(Settled::new(model(text, beside)?, SEED, wanted, stop)?);
        keep(&self.settled, key, &settled, KEPT_SETTLED);
        Ok(settled)
    }

    /// Takes over what another kept.
    pub fn take_over(&self, other: &Kept) {
        fn all<T>(from: &Mutex<Vec<(String, Arc<T>)>>, to: &Mutex<Vec<(String, Arc<T>)>>) {
            let kept = std::mem::take(&mut *from.lock().unwrap_or_else(PoisonError::into_inner));
            to.lock().unwrap_or_else(PoisonError::into_inner).splice(0..0, kept);
        }
        all(&other.settled, &self.settled);
        all(&other.studies, &self.studies);
        all(&other.days, &self.days);
    }

    pub(crate) fn known_day(&self, text: &str, beside: &Beside, corners: bool) -> Option<Arc<Day>> {
        find(&self.days, &Kept::key(text, beside, corners))
    }

    pub(crate) fn keep_day(&self, text: &str, beside: &Beside, corners: bool, day: &Arc<Day>) {
        keep(&self.days, Kept::key(text, beside, corners), day, KEPT_SETTLED);
    }

    /// A study that was done before.
    pub fn known(&self, text: &str, beside: &Beside, wish: Wish) -> Option<Arc<Study>> {
        find(&self.studies, &Kept::study_key(text, beside, wish))
    }

    /// The last study of a text at its corners, of whatever day: what is shown until the day's own is done.
    pub fn latest(&self, text: &str, beside: &Beside) -> Option<Arc<Study>> {
        let key = format!("{} ", Kept::key(text, beside, true));
        let newest = {
            let studies = self.studies.lock().unwrap_or_else(PoisonError::into_inner);
            studies.iter().rev().find(|(known, _)| known.starts_with(&key)).map(|(known, _)| known.clone())
        };
        find(&self.studies, &newest?)
    }

    /// Studies a text, or gives what is known of it, telling the head and each row as it comes.
    ///
    /// # Errors
    ///
    /// Why it cannot be studied, or that it was told to stop.
    pub fn study(
        &self,
        text: &str,
        beside: &Beside,
        wish: Wish,
        stop: &AtomicBool,
        tell: &(dyn Fn(Told<'_>) + Sync),
    ) -> Result<Arc<Study>, NoStudy> {
        if let Some(known) = self.known(text, beside, wish) {
            tell(Told::Head(&known.head));
            known.rows.iter().for_each(|row| tell(Told::Row(row)));
            return Ok(known);
        }
        let settled = self.settled(text, beside, wish.corners, stop)?;
        let head = head(&settled, text);
        tell(Told::Head(&head));
        let (system, n_places) = (settled.model().system(), settled.places().len());
        let watch = Watch {
            progress: &|done, total| tell(Told::Progress(done, total)),
            row: &|row| tell(Told::Row(&RowView::new(system, n_places, row))),
            stop,
        };
        let fmea = trial::run_settled(&settled, &options(wish, None), &watch)?;
        let view = |rows: &[Row]| rows.iter().map(|row| RowView::new(system, n_places, row)).collect();
        let study = Arc::new(Study {
            head,
            rows: view(&fmea.rows),
            without_fault: view(&fmea.without_fault),
            findings: fmea.acceptance_findings.iter().map(|f| Finding::new(f, text)).collect(),
        });
        keep(&self.studies, Kept::study_key(text, beside, wish), &study, KEPT_STUDIES);
        Ok(study)
    }

    /// One row alone; of the study if it is known.
    ///
    /// # Errors
    ///
    /// Why it cannot be studied; no such fault.
    pub fn row(
        &self,
        text: &str,
        beside: &Beside,
        wish: Wish,
        fault: &str,
        stop: &AtomicBool,
    ) -> Result<RowView, NoStudy> {
        if let Some(known) = self.known(text, beside, wish) {
            return known.row(fault).cloned().ok_or_else(|| no_fault(fault));
        }
        let settled = self.settled(text, beside, wish.corners, stop)?;
        let watch = Watch { progress: &|_, _| {}, row: &|_| {}, stop };
        let fmea = trial::run_settled(&settled, &options(wish, Some(fault.to_owned())), &watch)?;
        let row = fmea.rows.iter().find(|row| format!("{}:{}", row.part, row.mode) == fault);
        let row = row.ok_or_else(|| no_fault(fault))?;
        Ok(RowView::new(settled.model().system(), fmea.places.len(), row))
    }
}

fn no_fault(fault: &str) -> NoStudy {
    NoStudy::Unfit(format!("no fault is named `{fault}`; the study lists them as `part:mode`"))
}

fn options(wish: Wish, only: Option<String>) -> Options {
    Options { n_threads: wish.n_threads, today: wish.today, only, ..Options::default() }
}

/// The text as a system that can run.
///
/// # Errors
///
/// Why it cannot.
pub(crate) fn model(text: &str, beside: &Beside) -> Result<Model, NoStudy> {
    let findings = |all: Vec<system::Diagnostic>| {
        let errors = all.iter().filter(|finding| finding.level == Level::Error);
        NoStudy::Findings(errors.map(|finding| Finding::new(finding, text)).collect())
    };
    let loaded = beside.load(text);
    let Some(system) = loaded.system else { return Err(findings(loaded.diagnostics)) };
    if system.vessels.is_empty() {
        return Err(NoStudy::Unfit(
            "nothing can be simulated without a vessel: measure the tank and describe it, docs/system-file.md, [[vessel]] and [[passage]]"
                .to_owned(),
        ));
    }
    if system.requirements.is_empty() {
        return Err(NoStudy::Unfit(
            "no requirement says what must hold: write `[requirements]` with `defaults = true`".to_owned(),
        ));
    }
    Model::new(&system).map_err(findings)
}

fn head(settled: &Settled, text: &str) -> Head {
    let system = settled.model().system();
    Head {
        hash: hash(text),
        system: system.name.clone(),
        requirements: (system.requirements.iter())
            .map(|r| RequirementHead {
                id: r.name.clone(),
                text: r.text.clone(),
                harm: words::harm(r.harm),
                severity: words::severity(r.severity),
                unit: words::margin_unit(r.margin_unit),
            })
            .collect(),
        faults: (trial::derive(system).into_iter())
            .map(|fault| FaultHead {
                id: fault.id(),
                text: words::sentence(&fault.description),
                part: fault.part,
                mode: fault.mode,
            })
            .collect(),
        window_h: system.unattended_s / HOUR_S,
        response_h: system.response.weekend_s / HOUR_S,
        corners: system.corners.iter().map(|corner| corner.name.clone()).collect(),
    }
}
