//! Two revisions of one system: rows of the FMEA that got better or worse and which change of the file did it, and outputs that differ over the standard
//! scenarios.
//!
//! Contract: pure functions of texts, seed and options; both texts are run alike, so what differs is the file's doing.

use serde::Serialize;
use system::System;
use system::model::Severity;
use trial::rehearse::{self, Event, Scenario};
use trial::{Fmea, Model, Options, Row};

use crate::Beside;
use crate::changes::{Change, belonging, without};
use crate::fmea::{Verdict, lead};

/// How a row of the FMEA stands.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Standing {
    /// `breaks`, `help-in-time`, `accepted`, `hidden`, `holds`; `none` where the file has no such fault.
    pub verdict: &'static str,
    /// Fault to the breach that it is told for, h.
    pub hours: Option<f64>,
    /// The requirement of that breach.
    pub requirement: Option<String>,
    #[serde(skip)]
    rank: u8,
    #[serde(skip)]
    severity: Option<Severity>,
}

/// From which rank on a row is open.
const OPEN: u8 = 3;

impl Standing {
    const NONE: Standing =
        Standing { verdict: "none", hours: None, requirement: None, rank: 0, severity: None };

    fn of(system: &System, row: Option<&Row>) -> Standing {
        let Some(row) = row else { return Standing::NONE };
        let breach = lead(system, row);
        let (verdict, rank) = match Verdict::of(row) {
            Verdict::Holds => ("holds", 0),
            Verdict::Hidden => ("hidden", 1),
            Verdict::Accepted => ("accepted", 2),
            Verdict::HelpInTime => ("help-in-time", OPEN),
            Verdict::Breaks => ("breaks", OPEN + 1),
        };
        Standing {
            verdict,
            hours: breach.map(|b| b.at_s / 3600.0),
            requirement: breach.map(|b| system.requirements[b.requirement].name.clone()),
            rank,
            severity: row.severity,
        }
    }

    /// In words, as in "breaks `floor` after 4.5 h".
    pub fn words(&self) -> String {
        match (&self.requirement, self.hours) {
            (Some(requirement), Some(hours)) => {
                format!("{} (`{requirement}` after {hours:.1} h)", self.verdict)
            }
            _ => self.verdict.to_owned(),
        }
    }
}

/// Which way a row turned; the worst first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Turn {
    /// Breaks something now that did not, or that somebody had accepted.
    Opened,
    /// A worse verdict, or the same one sooner.
    Worse,
    /// A better verdict, or the same one later.
    Better,
    /// Breaks nothing any more that nobody accepts.
    Closed,
}

/// A time counts as another when it differs by more than this share and by [`OTHER_HOURS`].
const OTHER_SHARE: f64 = 0.1;
const OTHER_HOURS: f64 = 0.1;

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
        return Some(if after.rank > before.rank { Turn::Worse } else { Turn::Better });
    }
    let (then, now) = before.hours.zip(after.hours)?;
    let apart = (then - now).abs();
    (apart > OTHER_HOURS && apart > OTHER_SHARE * then.max(now)).then_some(if now < then {
        Turn::Worse
    } else {
        Turn::Better
    })
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
    /// Changes without which it would not have turned so; empty where that was not asked, or where only several together did it.
    pub because: Vec<String>,
}

fn find<'f>(fmea: &'f Fmea, fault: &str) -> Option<&'f Row> {
    fmea.rows.iter().find(|row| is(row, fault))
}

fn is(row: &Row, fault: &str) -> bool {
    fault.strip_prefix(row.part.as_str()).and_then(|rest| rest.strip_prefix(':')) == Some(row.mode.as_str())
}

/// Rows that turned from one study to the other, the worst first: what opened before what closed, the graver harm first, then the sooner.
pub fn turns(first: (&System, &Fmea), second: (&System, &Fmea)) -> Vec<RowTurn> {
    let ids =
        |fmea: &Fmea| fmea.rows.iter().map(|row| format!("{}:{}", row.part, row.mode)).collect::<Vec<_>>();
    let mut faults = ids(second.1);
    faults.extend(ids(first.1).into_iter().filter(|id| find(second.1, id).is_none()));
    let mut all: Vec<RowTurn> = (faults.into_iter())
        .filter_map(|fault| {
            let (row_a, row_b) = (find(first.1, &fault), find(second.1, &fault));
            let (before, after) = (Standing::of(first.0, row_a), Standing::of(second.0, row_b));
            let turn = turn(&before, &after)?;
            let description = row_b.or(row_a).map_or_else(String::new, |row| row.description.clone());
            Some(RowTurn { fault, description, turn, before, after, because: vec![] })
        })
        .collect();
    let gravity = |t: &RowTurn| t.before.severity.max(t.after.severity);
    let hours = |t: &RowTurn| t.after.hours.or(t.before.hours).unwrap_or(f64::INFINITY);
    all.sort_by(|x, y| {
        x.turn.cmp(&y.turn).then(gravity(y).cmp(&gravity(x))).then(hours(x).total_cmp(&hours(y)))
    });
    all
}

/// What came of leaving changes out.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Attribution {
    /// Changes that were left out, with what belongs to them, and studied.
    pub n_tried: usize,
    /// Changes that cannot be left out: the rest would be no system.
    pub not_alone: Vec<String>,
}

/// Finds the changes responsible for each row that turned: each change is left out of the second file, alone with what belongs to it, and the study
/// is run again. A change is responsible where the row, from that to the second file, turns the same way as it did.
///
/// `tell` is told how many of how many are tried.
///
/// # Errors
/// A text that is no TOML, or a study that cannot be run, in a sentence.
pub fn attribute(
    texts: (&str, &str),
    changes: &[Change],
    beside: &Beside,
    options: &Options,
    turns: &mut [RowTurn],
    tell: &dyn Fn(usize, usize),
) -> Result<Attribution, String> {
    let mut found = Attribution::default();
    for (k, change) in changes.iter().enumerate() {
        tell(k, changes.len());
        let group = belonging(change, changes);
        let text = without(texts.0, texts.1, &group).map_err(|(_, why)| why)?;
        let model = beside.load(&text).system.and_then(|system| Model::new(&system).ok());
        let Some(model) = model.filter(|m| !m.system().vessels.is_empty()) else {
            found.not_alone.push(change.words());
            continue;
        };
        let Ok(fmea) = trial::run(&model, options, &|_, _| {}) else {
            found.not_alone.push(change.words());
            continue;
        };
        found.n_tried += 1;
        for row in turns.iter_mut() {
            let without = Standing::of(model.system(), find(&fmea, &row.fault));
            if turn(&without, &row.after) == Some(row.turn) {
                row.because.push(change.words());
            }
        }
    }
    tell(changes.len(), changes.len());
    Ok(found)
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
