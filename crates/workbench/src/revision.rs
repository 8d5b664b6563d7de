//! Two revisions of one system: rows of the FMEA that got better or worse and which change of the file did it, and outputs that differ over the standard
//! scenarios.
//!
//! Contract: pure functions of texts, seed and options; both texts are run alike, so what differs is the file's doing.

use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

use serde::Serialize;
use system::System;
use system::model::Severity;
use trial::rehearse::{self, Event, Scenario};
use trial::{Fmea, Model, Options, Settled, Wanted, Watch};

use crate::Beside;
use crate::changes::{Change, Kind, belonging, without};
use crate::fmea::Verdict;
use crate::study::{CellView, RowView, Study};
use crate::words::{HOUR_S, span};

/// How a row of the FMEA stands.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Standing {
    /// `breaks`, `help-in-time`, `accepted`, `hidden`, `holds`; `none` where the file has no such fault.
    pub verdict: &'static str,
    /// Fault to the breach that it is told for, h.
    pub hours: Option<f64>,
    /// The requirement of that breach.
    pub requirement: Option<String>,
    /// All that breaks there, with the hours: of an open row what nobody accepted.
    #[serde(skip)]
    breaches: Vec<(String, f64)>,
    #[serde(skip)]
    rank: u8,
    #[serde(skip)]
    severity: Option<Severity>,
}

const ACCEPTED: &str = "accepted";
/// From which rank on a row is open.
const OPEN: u8 = 3;

impl Standing {
    const NONE: Standing = Standing {
        verdict: "none",
        hours: None,
        requirement: None,
        breaches: vec![],
        rank: 0,
        severity: None,
    };

    /// Of what is no row of the FMEA.
    pub(crate) fn known(verdict: &'static str) -> Standing {
        Standing { verdict, ..Standing::NONE }
    }

    fn of(row: Option<&RowView>) -> Standing {
        let Some(row) = row else { return Standing::NONE };
        let (verdict, rank) = match row.verdict_of {
            Verdict::Holds => ("holds", 0),
            Verdict::Hidden => ("hidden", 1),
            Verdict::Accepted => (ACCEPTED, 2),
            Verdict::HelpInTime => ("help-in-time", OPEN),
            Verdict::Breaks => ("breaks", OPEN + 1),
        };
        let counts = |cell: &&CellView| cell.is_open() || (rank < OPEN && cell.verdict == ACCEPTED);
        let breach = |cell: &CellView| Some((cell.requirement.clone(), cell.hours_left?));
        Standing {
            verdict,
            hours: row.after_h,
            requirement: row.breaks.clone(),
            breaches: row.cells.iter().filter(counts).filter_map(breach).collect(),
            rank,
            severity: row.severity,
        }
    }

    fn hours_of(&self, requirement: &str) -> Option<f64> {
        self.breaches.iter().find(|(name, _)| name == requirement).map(|(_, hours)| *hours)
    }

    /// In words, as in "breaks `floor` after 4.5 h".
    pub fn words(&self) -> String {
        let verdict = match self.verdict {
            "help-in-time" => "breaks, help in time:",
            ACCEPTED => "accepted:",
            "none" => "no such fault",
            other => other,
        };
        match (&self.requirement, self.hours) {
            (Some(requirement), Some(hours)) => {
                format!("{verdict} `{requirement}` after {}", span(hours * HOUR_S))
            }
            _ => verdict.trim_end_matches(':').to_owned(),
        }
    }

    /// Whether the file has such a fault.
    pub fn is_there(&self) -> bool {
        self.verdict != "none"
    }

    /// Whether what breaks is accepted.
    pub fn is_accepted(&self) -> bool {
        self.verdict == ACCEPTED
    }
}

/// Which way a row turned; the worst first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Turn {
    /// Breaks something now that did not, or that somebody had accepted.
    Opened,
    /// A worse verdict; something more that breaks, or something sooner, whatever else gets better.
    Worse,
    /// A better verdict, or later, or less that breaks.
    Better,
    /// Breaks nothing any more that nobody accepts.
    Closed,
}

/// One requirement of a row that turned.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct CellTurn {
    /// The requirement.
    pub requirement: String,
    /// Fault to breach in the first file, h; null: it holds, or is accepted.
    pub before: Option<f64>,
    /// In the second file.
    pub after: Option<f64>,
}

impl CellTurn {
    fn is_worse(&self) -> bool {
        self.after.is_some_and(|after| self.before.is_none_or(|before| after < before))
    }

    /// In words, as in "`hot` after 60 min, before not at all".
    pub fn words(&self) -> String {
        let when = |hours: Option<f64>| {
            hours.map_or_else(|| "not at all".to_owned(), |hours| format!("after {}", span(hours * HOUR_S)))
        };
        format!("`{}` {}, before {}", self.requirement, when(self.after), when(self.before))
    }
}

/// A time counts as another when it differs by more than this share and by [`OTHER_HOURS`].
const OTHER_SHARE: f64 = 0.1;
const OTHER_HOURS: f64 = 0.1;

/// Requirements that break in one alone or at another time, those that get worse first.
fn cells(before: &Standing, after: &Standing) -> Vec<CellTurn> {
    let only_before = before.breaches.iter().filter(|(name, _)| after.hours_of(name).is_none());
    let names = after.breaches.iter().chain(only_before).map(|(name, _)| name);
    let mut all: Vec<CellTurn> = names
        .map(|name| CellTurn {
            requirement: name.clone(),
            before: before.hours_of(name),
            after: after.hours_of(name),
        })
        .filter(|cell| match (cell.before, cell.after) {
            (Some(then), Some(now)) => {
                let apart = (then - now).abs();
                apart > OTHER_HOURS && apart > OTHER_SHARE * then.max(now)
            }
            _ => true,
        })
        .collect();
    all.sort_by_key(|cell| !cell.is_worse());
    all
}

/// Which way it goes from one standing to another; none where nothing that matters differs.
fn turn(before: &Standing, after: &Standing) -> Option<Turn> {
    match (before.rank >= OPEN, after.rank >= OPEN) {
        (false, true) => return Some(Turn::Opened),
        (true, false) => return Some(Turn::Closed),
        _ => {}
    }
    // A part that is new, or gone, and harms nothing is no news.
    if before.rank != after.rank {
        let quiet = |s: &Standing| s.verdict == "none" || s.rank == 0;
        if quiet(before) && after.rank <= 1 || quiet(after) && before.rank <= 1 {
            return None;
        }
    }
    let cells = cells(before, after);
    if after.rank > before.rank || cells.iter().any(CellTurn::is_worse) {
        Some(Turn::Worse)
    } else if after.rank < before.rank || !cells.is_empty() {
        Some(Turn::Better)
    } else {
        None
    }
}

/// A row that turned.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct RowTurn {
    /// `part:mode`.
    pub fault: String,
    /// One sentence.
    pub description: String,
    /// Which way.
    pub turn: Turn,
    /// In the first file.
    pub before: Standing,
    /// In the second file.
    pub after: Standing,
    /// Requirements that break in one file alone, or at another time; those that get worse first.
    pub cells: Vec<CellTurn>,
    /// Why the second file accepts what breaks there.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub accepted: Option<String>,
    /// Changes without which it would not have turned so; empty where that was not asked, or where only several together did it.
    pub because: Vec<String>,
}

impl RowTurn {
    /// Whether it breaks now, or sooner, or with less help.
    pub fn is_worse(&self) -> bool {
        self.turn <= Turn::Worse
    }

    /// Whether somebody has to say why: it is worse, and the file does not say so itself. What it accepts it gives a reason for; where that reason was
    /// written for more hours, it has to be given anew.
    pub fn wants_reason(&self) -> bool {
        self.is_worse() && (!self.after.is_accepted() || self.before.is_accepted())
    }

    /// What gets worse beside the breach that the row is told for.
    pub fn worse_beside(&self) -> Vec<String> {
        let told = |cell: &&CellTurn| self.after.requirement.as_ref() != Some(&cell.requirement);
        self.cells.iter().filter(|cell| cell.is_worse()).filter(told).map(CellTurn::words).collect()
    }
}

/// Rows of a study as they are shown.
fn views(system: &System, fmea: &Fmea) -> Vec<RowView> {
    fmea.rows.iter().map(|row| RowView::new(system, fmea.places.len(), row)).collect()
}

fn find<'r>(rows: &'r [RowView], fault: &str) -> Option<&'r RowView> {
    rows.iter().find(|row| row.fault == fault)
}

/// Rows that turned from one study to the other, the worst first: what opened before what closed, the graver harm first, then the sooner.
pub fn turns(first: (&System, &Fmea), second: (&System, &Fmea)) -> Vec<RowTurn> {
    turned_rows(&views(first.0, first.1), &views(second.0, second.1))
}

/// The same of two studies as they are kept.
pub fn turns_of(first: &Study, second: &Study) -> Vec<RowTurn> {
    turned_rows(&first.rows, &second.rows)
}

fn turned_rows(first: &[RowView], second: &[RowView]) -> Vec<RowTurn> {
    let of_second = second.iter().filter_map(|row| turned(find(first, &row.fault), Some(row)));
    let gone = first.iter().filter(|row| find(second, &row.fault).is_none());
    let mut all: Vec<RowTurn> = of_second.chain(gone.filter_map(|row| turned(Some(row), None))).collect();
    let gravity = |t: &RowTurn| t.before.severity.max(t.after.severity);
    let hours = |t: &RowTurn| t.after.hours.or(t.before.hours).unwrap_or(f64::INFINITY);
    all.sort_by(|x, y| {
        x.turn.cmp(&y.turn).then(gravity(y).cmp(&gravity(x))).then(hours(x).total_cmp(&hours(y)))
    });
    all
}

/// How one row turned.
pub(crate) fn turned(first: Option<&RowView>, second: Option<&RowView>) -> Option<RowTurn> {
    let (before, after) = (Standing::of(first), Standing::of(second));
    let turn = turn(&before, &after)?;
    let row = second.or(first)?;
    Some(RowTurn {
        fault: row.fault.clone(),
        description: row.description.clone(),
        turn,
        cells: cells(&before, &after),
        before,
        after,
        accepted: second.and_then(|row| row.acceptance.clone()),
        because: vec![],
    })
}

/// What came of leaving changes out.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Attribution {
    /// Changes that were left out, with what belongs to them, and studied.
    pub n_tried: usize,
    /// Changes without which system and program are the same: drawings, prices, pages of a display.
    pub n_quiet: usize,
    /// Changes that cannot be left out: the rest would be no system.
    pub not_alone: Vec<String>,
}

/// A model with what it settled to, kept from one study to the next.
struct Studied {
    model: Model,
    settled: Option<(Wanted, Settled)>,
}

impl Studied {
    fn new(model: Model) -> Self {
        Studied { model, settled: None }
    }

    /// The rows of these faults.
    fn rows(&mut self, options: &Options, tier: Tier, faults: Vec<String>) -> Result<Vec<RowView>, String> {
        let (no_stop, quiet) = (AtomicBool::new(false), |_: usize, _: usize| {});
        if self.settled.as_ref().is_none_or(|(wanted, _)| *wanted != tier.wanted) {
            let settled = Settled::new(self.model.clone(), options.seed, tier.wanted, &no_stop);
            self.settled = Some((tier.wanted, settled.map_err(|error| error.to_string())?));
        }
        let Some((_, settled)) = &self.settled else { return Ok(vec![]) };
        let whole_s = options.window_s.unwrap_or(self.model.system().unattended_s);
        let window_s = Some(tier.longest_s.map_or(whole_s, |longest_s| longest_s.min(whole_s)));
        let options = Options { window_s, faults: Some(faults), ..options.clone() };
        let watch = Watch { progress: &quiet, row: &|_| {}, stop: &no_stop };
        let fmea = trial::run_settled(settled, &options, &watch).map_err(|error| error.to_string())?;
        // One place is worth keeping for the next study; those of all corners take some MB a change.
        if !(tier.wanted.one_instant && tier.wanted.nominal_only) {
            self.settled = None;
        }
        Ok(views(self.model.system(), &fmea))
    }
}

/// The second file without one change and what belongs to it.
struct Without<'c> {
    change: &'c Change,
    studied: Mutex<Studied>,
}

/// How a row is studied: where, and for how long at most.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Tier {
    wanted: Wanted,
    longest_s: Option<f64>,
}

/// Most harm that comes soon has come by then, s.
const SOON_S: f64 = 8.0 * 3_600.0;

/// Which studies are tried, the quickest first; the last is what is wished.
fn tiers(wanted: Wanted) -> Vec<Tier> {
    let quick = Wanted { one_instant: true, nominal_only: true };
    let nominal = Wanted { nominal_only: true, ..wanted };
    let mut all = vec![
        Tier { wanted: quick, longest_s: Some(SOON_S) },
        Tier { wanted: quick, longest_s: None },
        Tier { wanted: nominal, longest_s: None },
        Tier { wanted, longest_s: None },
    ];
    all.dedup();
    all
}

/// Finds the changes responsible for each row that turned. A row of a part that only one file has is that part's doing. For the others each change is
/// left out of the second file, alone with what belongs to it, and the faults of these rows are studied again; a change is responsible where the row, from
/// that to the second file, turns the same way as it did. A row is studied under the fewest conditions under which it turns: nominal at one instant for
/// eight hours, then for the whole time, nominal at all instants, else as in `options`.
///
/// `tell` is told how many of how many studies are done.
///
/// # Errors
/// A text that is no TOML or no system, or a study that cannot be run, in a sentence.
pub fn attribute(
    texts: (&str, &str),
    changes: &[Change],
    beside: &Beside,
    options: &Options,
    turns: &mut [RowTurn],
    tell: &(dyn Fn(usize, usize) + Sync),
) -> Result<Attribution, String> {
    let mut found = Attribution::default();
    let mut open: Vec<usize> = vec![];
    for (n, row) in turns.iter_mut().enumerate() {
        row.because = by_name(row, changes);
        if row.because.is_empty() {
            open.push(n);
        }
    }
    if open.is_empty() {
        return Ok(found);
    }
    let whole = |text: &str| {
        let system = beside.load(text).system.ok_or("one of the files has mistakes")?;
        Model::new(&system).map(Studied::new).map_err(|_| "the rules of one of the files do not compile")
    };
    let (mut first, mut second) = (whole(texts.0)?, whole(texts.1)?);
    let without = all_without(texts, changes, beside, &second.model, &mut found)?;
    found.n_tried = without.len();
    let tiers = tiers(options.wanted);
    for (n, tier) in tiers.iter().enumerate() {
        let faults = |these: &[usize]| these.iter().map(|row| turns[*row].fault.clone()).collect::<Vec<_>>();
        if open.is_empty() {
            break;
        }
        let a = first.rows(options, *tier, faults(&open))?;
        let b = second.rows(options, *tier, faults(&open))?;
        let turns_here = |row: &usize| {
            let (fault, way) = (&turns[*row].fault, turns[*row].turn);
            turn(&Standing::of(find(&a, fault)), &Standing::of(find(&b, fault))) == Some(way)
        };
        let (these, left): (Vec<usize>, Vec<usize>) = open.iter().partition(|row| turns_here(row));
        open = left;
        let wanted: Vec<(usize, &str, Turn)> =
            these.iter().map(|row| (*row, turns[*row].fault.as_str(), turns[*row].turn)).collect();
        let tell = |done: usize| tell(n * without.len() + done, tiers.len() * without.len());
        let because = responsible(&without, &wanted, (options, *tier), &b, &tell);
        for (row, change) in because {
            turns[row].because.push(change);
        }
    }
    tell(1, 1);
    Ok(found)
}

/// Rows with the changes without which they would not have turned so, in the order of the changes. Changes share the machine, a thread each.
fn responsible(
    without: &[Without<'_>],
    wanted: &[(usize, &str, Turn)],
    (options, tier): (&Options, Tier),
    second: &[RowView],
    tell: &(dyn Fn(usize) + Sync),
) -> Vec<(usize, String)> {
    if wanted.is_empty() {
        return vec![];
    }
    let n_threads = match options.n_threads {
        0 => std::thread::available_parallelism().map_or(1, std::num::NonZero::get),
        n => n,
    };
    let options = Options { n_threads: 1, ..options.clone() };
    let (next, n_done) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let found: Mutex<Vec<(usize, usize)>> = Mutex::new(vec![]);
    let faults: Vec<String> = wanted.iter().map(|(_, fault, _)| (*fault).to_owned()).collect();
    let work = || {
        loop {
            let k = next.fetch_add(1, Ordering::Relaxed);
            let Some(one) = without.get(k) else { return };
            let mut studied = one.studied.lock().unwrap_or_else(PoisonError::into_inner);
            let rows = studied.rows(&options, tier, faults.clone()).unwrap_or_default();
            for (row, fault, way) in wanted {
                if turn(&Standing::of(find(&rows, fault)), &Standing::of(find(second, fault))) == Some(*way) {
                    found.lock().unwrap_or_else(PoisonError::into_inner).push((k, *row));
                }
            }
            tell(n_done.fetch_add(1, Ordering::Relaxed) + 1);
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..n_threads.min(without.len()) {
            scope.spawn(work);
        }
    });
    let mut found = found.into_inner().unwrap_or_else(PoisonError::into_inner);
    found.sort_unstable();
    found.into_iter().map(|(k, row)| (row, without[k].change.words())).collect()
}

/// Changes that bring or take the part of a row that only one file has.
fn by_name(row: &RowTurn, changes: &[Change]) -> Vec<String> {
    let part = row.fault.split(':').next().unwrap_or("");
    let brings = |change: &&Change| match (row.before.is_there(), row.after.is_there()) {
        (false, true) => change.kind == Kind::Added,
        (true, false) => change.kind == Kind::Removed,
        _ => false,
    };
    let is_part = |change: &&Change| {
        change.name == part && !matches!(change.table.as_str(), "rule" | "fitting" | "wiring")
    };
    changes.iter().filter(brings).filter(is_part).map(Change::words).collect()
}

fn all_without<'c>(
    texts: (&str, &str),
    changes: &'c [Change],
    beside: &Beside,
    second: &Model,
    found: &mut Attribution,
) -> Result<Vec<Without<'c>>, String> {
    let mut all = vec![];
    for change in changes {
        let text = without(texts.0, texts.1, &belonging(change, changes)).map_err(|(_, why)| why)?;
        let model = beside.load(&text).system.and_then(|system| Model::new(&system).ok());
        match model.filter(|m| !m.system().vessels.is_empty()) {
            None => found.not_alone.push(change.words()),
            Some(model) if is_alike(&model, second) => found.n_quiet += 1,
            Some(model) => all.push(Without { change, studied: Mutex::new(Studied::new(model)) }),
        }
    }
    Ok(all)
}

/// Whether nothing that a simulation reads differs.
fn is_alike(one: &Model, other: &Model) -> bool {
    let (a, b) = (one.system(), other.system());
    let quiet = System {
        name: b.name.clone(),
        wiring: b.wiring.clone(),
        electrics: b.electrics.clone(),
        panel: b.panel.clone(),
        assumptions: b.assumptions.clone(),
        notes: b.notes.clone(),
        places: b.places.clone(),
        ..a.clone()
    };
    one.compiled.bytes == other.compiled.bytes && quiet == *b
}

/// One scenario that both revisions ran.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct ScenarioTurn {
    /// What happens in it.
    pub scenario: String,
    /// Outputs and alarms (`alarm.` before their name) that differ, each with the first time, h.
    pub outputs: Vec<(String, f64)>,
}

/// Which scenarios are run.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Scenarios {
    /// How long undisturbed runs last, s.
    pub calm_s: f64,
    /// How long runs with a fault last, s; it strikes after a quarter of it. 0: none are run.
    pub fault_s: f64,
    /// Seed of all noise.
    pub seed: u64,
}

/// The usual: a day undisturbed at nominal and at each corner that both files name, and eight hours with each fault that both have.
pub const STANDARD: Scenarios = Scenarios { calm_s: 86_400.0, fault_s: 28_800.0, seed: 1 };

/// Runs the scenarios with both and gives those in which an output or alarm differs at any scan, the soonest first; and how many were run. Looked at
/// are outputs that both have a rule for, and alarms that both have.
///
/// # Errors
/// A requirement that cannot be judged, in a sentence.
pub fn outputs(
    first: &Model,
    second: &Model,
    wanted: Scenarios,
    tell: &dyn Fn(usize, usize),
) -> Result<(Vec<ScenarioTurn>, usize), String> {
    let names: Vec<String> =
        outward(first).into_iter().filter(|name| outward(second).contains(name)).collect();
    let all = scenarios(first, second, wanted);
    let mut out = vec![];
    for (k, (name, of_first, of_second)) in all.iter().enumerate() {
        tell(k, all.len());
        let (a, b) = (record(first, of_first, &names)?, record(second, of_second, &names)?);
        let mut differing: Vec<(String, f64)> = (names.iter().enumerate())
            .filter_map(|(n, name)| {
                let width = names.len();
                let first = (a.1.iter().skip(n).step_by(width)).zip(b.1.iter().skip(n).step_by(width));
                // NaN stands for bad, which is the same as bad.
                let at = first.into_iter().position(|(x, y)| x != y && !(x.is_nan() && y.is_nan()))?;
                Some((name.clone(), a.0[at] / 3600.0))
            })
            .collect();
        differing.sort_by(|x, y| x.1.total_cmp(&y.1));
        if !differing.is_empty() {
            out.push(ScenarioTurn { scenario: name.clone(), outputs: differing });
        }
    }
    tell(all.len(), all.len());
    out.sort_by(|x, y| x.outputs[0].1.total_cmp(&y.outputs[0].1));
    Ok((out, all.len()))
}

/// What the board shows of itself: outputs that rules drive, alarms.
fn outward(model: &Model) -> Vec<String> {
    let system = model.system();
    let ruled = system.rules.iter().map(|rule| system.actuators[rule.drives.idx()].name.clone());
    ruled.chain(system.alarms.iter().map(|alarm| format!("alarm.{}", alarm.name))).collect()
}

type Pair = (String, Scenario, Scenario);

fn scenarios(first: &Model, second: &Model, wanted: Scenarios) -> Vec<Pair> {
    let of = |duration_s: f64, corner: Option<usize>, events: Vec<(f64, Event)>, model: &Model| Scenario {
        duration_s,
        corner,
        seed: wanted.seed,
        every_s: model.plan.scan_s(),
        events,
    };
    let calm = |name: &str, a: Option<usize>, b: Option<usize>| {
        (
            format!("undisturbed, {name}"),
            of(wanted.calm_s, a, vec![], first),
            of(wanted.calm_s, b, vec![], second),
        )
    };
    let mut all = vec![calm("nominal", None, None)];
    for (a, corner) in first.system().corners.iter().enumerate() {
        if let Some(b) = second.system().corners.iter().position(|c| c.name == corner.name) {
            all.push(calm(&corner.name, Some(a), Some(b)));
        }
    }
    if wanted.fault_s > 0.0 {
        let others = trial::derive(second.system());
        for fault in trial::derive(first.system()) {
            let Some(other) = others.iter().find(|o| o.id() == fault.id()) else { continue };
            let at = wanted.fault_s / 4.0;
            let event = |injection| vec![(at, Event::Fault(injection))];
            all.push((
                fault.id(),
                of(wanted.fault_s, None, event(fault.injection), first),
                of(wanted.fault_s, None, event(other.injection), second),
            ));
        }
    }
    all
}

/// Times, s, and the wanted columns scan by scan.
fn record(model: &Model, scenario: &Scenario, names: &[String]) -> Result<(Vec<f64>, Vec<f32>), String> {
    let columns = rehearse::columns(model);
    let places: Vec<usize> = (names.iter())
        .filter_map(|name| columns.iter().position(|c| !c.is_truth && c.name == *name))
        .collect();
    let (mut times, mut values) = (vec![], vec![]);
    rehearse::run(model, scenario, &mut |time, row| {
        times.push(time);
        values.extend(places.iter().map(|place| row.get(*place).map_or(f32::NAN, |v| *v as f32)));
    })?;
    Ok((times, values))
}
