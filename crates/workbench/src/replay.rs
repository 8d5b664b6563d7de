//! A replay as a page shows it: one fault at its worst place, levels and readings in time, what ran when, and who acted at which moment.

use std::sync::atomic::AtomicBool;

use serde::{Deserialize, Serialize};
use system::System;
use system::model::ActuatorIdx;
use toml_edit::{DocumentMut, Item, Table};
use trial::replay::{self, Act, Replay, Why};
use trial::{Fault, Instant, Place, Settled};

use crate::Beside;
use crate::study::{Kept, NoStudy, RowView, Wish};
use crate::words::{self, HOUR_S};

/// At most so many points of a series.
pub const MOST_POINTS: usize = 2000;
/// Shown at most so many times as long as the breach takes, and at least so long, s.
const AFTER_BREACH: (f64, f64) = (2.0, 6.0 * HOUR_S);

/// Which fault is wanted, and where.
#[derive(Clone, PartialEq, Debug, Deserialize)]
pub struct Wanted {
    /// `part:mode`.
    pub fault: String,
    /// The requirement whose worst place is shown; without it the one for which the row is told.
    pub requirement: Option<String>,
    /// The instant of a cell, with its corner: that place is shown.
    pub instant: Option<String>,
    /// The corner of a cell; `nominal` or not there: none.
    pub corner: Option<String>,
    /// How long it runs, h; without it twice the time to the breach, and the unattended time where nothing breaks.
    pub hours: Option<f64>,
}

/// A replay.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct View {
    /// The fault strikes at 0.
    pub start_s: f64,
    /// Between two points, s.
    pub step_s: f64,
    /// Time of each point, s.
    pub t: Vec<f64>,
    /// Values at these times.
    pub signals: Vec<SignalView>,
    /// Which signal is the level of each vessel.
    pub vessels: Vec<VesselView>,
    /// What ran when.
    pub outputs: Vec<OutputView>,
    /// Who acted when, in order.
    pub acts: Vec<ActView>,
    /// Switchings by rules that are not among the acts.
    pub acts_left_out: usize,
    /// When the requirement breaks, s after the fault.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub breach_s: Option<f64>,
    /// The requirement that is watched.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub requirement: Option<String>,
    /// What fails, in a sentence.
    pub fault_text: String,
    /// When the fault strikes: `lamps-on`, `lamps-off`, `top-off`.
    pub instant: &'static str,
    /// Under which conditions.
    pub corner: String,
}

/// A series.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct SignalView {
    /// As the section binds it: `display.level`; of what the board knows the signal's name.
    pub id: String,
    /// For people.
    pub label: String,
    /// Unit; empty for plain numbers and for 0 or 1.
    pub unit: &'static str,
    /// It is so in truth, rather than what the board reads.
    pub is_truth: bool,
    /// One at each time; null: bad.
    pub values: Vec<Option<f64>>,
}

/// A vessel.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct VesselView {
    /// Its name.
    pub id: String,
    /// The signal that is its level, m.
    pub level_signal: String,
}

/// An actuator.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct OutputView {
    /// Its name.
    pub id: String,
    /// For people.
    pub label: String,
    /// From when to when it ran, s.
    pub on: Vec<(f64, f64)>,
}

/// Something that happened.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct ActView {
    /// When, s after the fault.
    pub t_s: f64,
    /// `fault`, `rule`, `trip`, `alarm`, `board` or `requirement`.
    pub what: &'static str,
    /// Name of what acted.
    pub id: String,
    /// In a sentence.
    pub text: String,
}

impl Kept {
    /// Replays a fault of a text.
    ///
    /// # Errors
    ///
    /// Why it cannot be simulated; no such fault or place.
    pub fn replay(
        &self,
        text: &str,
        beside: &Beside,
        wish: Wish,
        wanted: &Wanted,
        stop: &AtomicBool,
    ) -> Result<View, NoStudy> {
        let settled = self.settled(text, beside, wish.corners, stop)?;
        let system = settled.model().system();
        let fault = (trial::derive(system).into_iter())
            .find(|fault| fault.id() == wanted.fault)
            .ok_or_else(|| NoStudy::Unfit(format!("no fault is named `{}`", wanted.fault)))?;
        let known = match wanted.instant {
            Some(_) => self.known(text, beside, wish).and_then(|study| study.row(&wanted.fault).cloned()),
            None => Some(self.row(text, beside, wish, &wanted.fault, stop)?),
        };
        let requirement = requirement(system, known.as_ref(), wanted)?;
        let place = place(&settled, known.as_ref(), requirement, wanted)?;
        let breaks_s = known.as_ref().and_then(|row| row.cells.get(requirement?)?.hours_left);
        let window_s = match (wanted.hours, breaks_s) {
            (Some(hours), _) if hours.is_finite() => (hours * HOUR_S).clamp(60.0, system.unattended_s),
            (_, Some(hours)) => {
                (hours * HOUR_S * AFTER_BREACH.0).max(AFTER_BREACH.1).min(system.unattended_s)
            }
            _ => system.unattended_s,
        };
        let wish = replay::Wish { window_s, n_points: MOST_POINTS, only_truths: false };
        let replay = replay::run(&settled, Some(&fault), place, wish, stop)?;
        Ok(view(system, text, &fault, requirement, place, replay))
    }
}

/// The requirement that is watched, by its order.
fn requirement(system: &System, row: Option<&RowView>, wanted: &Wanted) -> Result<Option<usize>, NoStudy> {
    let at = |name: &str| system.requirements.iter().position(|r| r.name == name);
    match &wanted.requirement {
        Some(name) => {
            at(name).map(Some).ok_or_else(|| NoStudy::Unfit(format!("no requirement is named `{name}`")))
        }
        None => Ok(row.and_then(|row| row.breaks.as_deref()).and_then(at)),
    }
}

/// Where the fault strikes.
fn place(
    settled: &Settled,
    row: Option<&RowView>,
    requirement: Option<usize>,
    wanted: &Wanted,
) -> Result<Place, NoStudy> {
    let system = settled.model().system();
    let places = settled.places();
    let cell = row.zip(requirement).and_then(|(row, r)| row.cells.get(r));
    let (instant, corner) = match (&wanted.instant, cell) {
        (Some(instant), _) => (Some(instant.as_str()), wanted.corner.as_deref()),
        (None, Some(cell)) => (cell.instant, cell.corner.as_deref()),
        (None, None) => (None, None),
    };
    let Some(instant) = instant else {
        // Nothing breaks anywhere: the start of the night is the hardest hour.
        let night = places.iter().find(|p| p.instant == Instant::LampsOff && p.corner.is_none());
        return night
            .or(places.first())
            .copied()
            .ok_or_else(|| NoStudy::Unfit("the study has no places".into()));
    };
    let corner = corner.filter(|name| *name != "nominal");
    let found = places.iter().find(|place| {
        let name = place.corner.and_then(|c| system.corners.get(c)).map(|corner| corner.name.as_str());
        place.instant.name() == instant && name == corner
    });
    found.copied().ok_or_else(|| {
        NoStudy::Unfit(format!("no run begins at {instant}, {}", corner.unwrap_or("nominal conditions")))
    })
}

fn view(
    system: &System,
    text: &str,
    fault: &Fault,
    requirement: Option<usize>,
    place: Place,
    replay: Replay,
) -> View {
    let acts = acts(system, text, fault, &replay);
    let outputs = system.actuators.iter().zip(replay.ran).map(|(actuator, on)| OutputView {
        id: actuator.name.clone(),
        label: actuator.name.replace('_', " "),
        on,
    });
    let vessels = system
        .vessels
        .iter()
        .map(|vessel| VesselView { id: vessel.name.clone(), level_signal: format!("{}.level", vessel.name) });
    View {
        start_s: 0.0,
        step_s: replay.step_s,
        t: replay.times,
        signals: replay.series.into_iter().filter_map(signal).collect(),
        vessels: vessels.collect(),
        outputs: outputs.collect(),
        acts,
        acts_left_out: replay.n_left_out,
        breach_s: requirement.and_then(|r| replay.outcome.verdicts.get(r)?.broken_at_s),
        requirement: requirement.map(|r| system.requirements[r].name.clone()),
        fault_text: format!("{}: {}. {}", fault.part, fault.mode, words::sentence(&fault.description)),
        instant: place.instant.name(),
        corner: crate::fmea::corner(system, place.corner).to_owned(),
    }
}

fn signal((column, values): (trial::rehearse::Column, Vec<f64>)) -> Option<SignalView> {
    // Alarms are among the acts.
    if column.name.starts_with("alarm.") {
        return None;
    }
    // Levels come as the section wants them.
    let (unit, factor) = match column.unit {
        "mm" if column.is_truth => ("m", 1e-3),
        unit => (unit, 1.0),
    };
    let rounded = |x: f64| (x * factor * 1e5).round() / 1e5;
    Some(SignalView {
        label: column.name.replace(['_', '.'], " "),
        id: column.name,
        unit,
        is_truth: column.is_truth,
        values: values.into_iter().map(|x| x.is_finite().then(|| rounded(x))).collect(),
    })
}

fn acts(system: &System, text: &str, fault: &Fault, replay: &Replay) -> Vec<ActView> {
    let rules = Rules::new(text);
    let mut all = vec![ActView {
        t_s: 0.0,
        what: "fault",
        id: fault.id(),
        text: format!("{}: {}", fault.part, words::sentence(&fault.description)),
    }];
    for (t_s, act) in &replay.acts {
        let (what, id, text) = told(system, &rules, *act);
        all.push(ActView { t_s: *t_s, what, id, text });
    }
    for (requirement, verdict) in system.requirements.iter().zip(&replay.outcome.verdicts) {
        if let Some(t_s) = verdict.broken_at_s {
            let text = format!("`{}` is broken: {}", requirement.name, requirement.text);
            all.push(ActView { t_s, what: "requirement", id: requirement.name.clone(), text });
        }
    }
    all.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
    all
}

fn told(system: &System, rules: &Rules, act: Act) -> (&'static str, String, String) {
    let name = |a: ActuatorIdx| system.actuators[a.idx()].name.clone();
    match act {
        Act::Commanded { actuator, on, why } => {
            let name = name(actuator);
            let state = if on { "on" } else { "off" };
            let why = match (why, why.key().and_then(|key| Some((key, rules.key(&name, key)?)))) {
                (Why::Trip, _) => "tripped".to_owned(),
                (Why::Blind, _) => format!("a value it reads is bad, when_blind = \"{state}\""),
                (_, Some((key, written))) => format!("{key} = \"{written}\""),
                _ => "its rule".to_owned(),
            };
            ("rule", name.clone(), format!("`{name}` is switched {state}: {why}"))
        }
        Act::Trip { actuator, cause, is_tripped } => {
            let name = name(actuator);
            let words = match (is_tripped, rules.key(&name, cause.key())) {
                (false, _) => format!("`{name}` is reset after its `{}`", cause.key()),
                (true, Some(written)) => format!("`{name}` tripped: {} = \"{written}\"", cause.key()),
                (true, None) => format!("`{name}` tripped by its `{}`", cause.key()),
            };
            ("trip", name, words)
        }
        Act::Alarm { alarm, stands } => {
            let alarm = &system.alarms[alarm.idx()];
            let told = alarm.priority >= system.telling.from_priority;
            let words = match (stands, told) {
                (true, true) => format!("alarm `{}`, told: {}", alarm.name, words::sentence(&alarm.text)),
                (true, false) => {
                    format!(
                        "alarm `{}`, told to nobody who is away: {}",
                        alarm.name,
                        words::sentence(&alarm.text)
                    )
                }
                (false, _) => format!("alarm `{}` is over", alarm.name),
            };
            ("alarm", alarm.name.clone(), words)
        }
        Act::Board { answers } => {
            let board = system.boards.first().map_or("board", |board| board.name.as_str());
            let words = if answers { "answers again" } else { "does not answer any more" };
            ("board", board.to_owned(), format!("`{board}` {words}"))
        }
    }
}

/// The rules as the file writes them.
struct Rules(Vec<Table>);

impl Rules {
    fn new(text: &str) -> Self {
        let toml = text.parse::<DocumentMut>().unwrap_or_default();
        let all = toml.get("rule").and_then(Item::as_array_of_tables);
        Rules(all.map_or(vec![], |all| all.iter().cloned().collect()))
    }

    fn of(&self, actuator: &str) -> Option<&Table> {
        self.0.iter().find(|rule| rule.get("drives").and_then(Item::as_str) == Some(actuator))
    }

    fn key(&self, actuator: &str, key: &str) -> Option<&str> {
        self.of(actuator)?.get(key)?.as_str()
    }
}
