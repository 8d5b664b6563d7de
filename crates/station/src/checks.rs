//! The station's own checks of one board, fed with its scans: what `alarms` makes of them under the board's names.

use alarms::Watch;
use alarms::watch::{Balance, Check, Layout, Now, Outcome, Reading, Record, Verdict};
use fit::drift::Quantity;
use program::quality::Quality;

use crate::boards::{Scan, Value, What};
use crate::site::SiteBoard;

/// The checks of one board.
#[derive(Debug)]
pub struct Checks {
    /// What is remembered of the board.
    pub watch: Watch,
    /// What a healthy tank would do.
    pub expected: Balance,
    /// What the checks found at the last look.
    pub verdicts: Vec<Verdict>,
    /// What proof tests say, looked at each hour ([`crate::care`]).
    pub care: Vec<Verdict>,
    /// What drifts from its twin, looked at each hour ([`crate::twin`]).
    pub drifts: Vec<Verdict>,
    /// What is due, in words.
    pub due: Vec<String>,
    /// By signal of the layout: the series.
    signals: Vec<Option<usize>>,
    /// By drive of the layout: the series, and whether it is permille.
    drives: Vec<Option<(usize, f32)>>,
    /// Procedures of the program in which water is changed.
    water_changes: Vec<usize>,
    readings: Vec<Reading>,
    duties: Vec<f32>,
}

/// Drifts, without the finding of those that another check tells already: of heat and of water.
fn untold(drifts: &[Verdict], told: &[Verdict]) -> Vec<Verdict> {
    let is_told = |drift: &Verdict| {
        let by: &[Check] = match drift.part.as_str() {
            part if part == Quantity::HeatNeed.id() => &[Check::HeatDemand],
            part if part == Quantity::WaterUse.id() => &[Check::WaterLost, Check::WaterNotAdded],
            _ => &[],
        };
        told.iter().any(|v| by.contains(&v.check) && v.finding().is_some())
    };
    let quiet = |drift: &Verdict| {
        let outcome = Outcome::Fine("another check tells of it".to_owned());
        if is_told(drift) { Verdict { outcome, ..drift.clone() } } else { drift.clone() }
    };
    drifts.iter().map(quiet).collect()
}

/// The settings for a board, which sends a record of every n-th scan.
fn of_board(board: &SiteBoard, settings: alarms::watch::Settings) -> alarms::watch::Settings {
    let interval_ms = f64::from(board.system.scan_ms) * f64::from(board.settings.every);
    alarms::watch::Settings { interval_s: interval_ms / 1000.0, ..settings }
}

impl Checks {
    /// For a board, with nothing remembered.
    pub fn new(board: &SiteBoard, settings: alarms::watch::Settings) -> Checks {
        Checks::restored(board, settings, None)
    }

    /// The same, going on with what was kept; what cannot be read is begun anew.
    pub fn restored(board: &SiteBoard, settings: alarms::watch::Settings, kept: Option<&str>) -> Checks {
        let settings = of_board(board, settings);
        let mut layout = Layout::of(&board.system);
        layout.board.clone_from(&board.settings.name);
        let place = |name: &str, is_output: bool| {
            (board.names.series.iter())
                .position(|series| series.name == name && matches!(series.what, What::Output(_)) == is_output)
        };
        let signals = layout.signals.iter().map(|signal| place(&signal.name, false)).collect();
        let drives = (layout.drives.iter())
            .map(|drive| {
                place(&drive.name, true).map(|n| (n, if board.names.series[n].is_bit { 1.0 } else { 0.001 }))
            })
            .collect();
        let kept: Option<Watch> = kept.and_then(|text| serde_json::from_str(text).ok());
        Checks {
            water_changes: (0..board.names.procedures.len())
                .filter(|n| layout.changes_water(&board.system.procedures[board.names.procedures[*n].idx()]))
                .collect(),
            expected: Balance::new(&layout),
            watch: match kept {
                Some(kept) => kept.relaid(layout, settings),
                None => Watch::new(layout, settings),
            },
            signals,
            drives,
            verdicts: vec![],
            care: vec![],
            drifts: vec![],
            due: vec![],
            readings: vec![],
            duties: vec![],
        }
    }

    /// What is to be kept over a restart.
    pub fn to_keep(&self) -> String {
        serde_json::to_string(&self.watch).unwrap_or_default()
    }

    /// Takes a scan, with its values in the order of the board's series.
    pub fn take(&mut self, scan: &Scan, values: &[Option<Value>]) {
        self.readings.clear();
        self.readings.extend(self.signals.iter().map(|place| {
            let value = place.and_then(|n| values.get(n).copied().flatten());
            Reading {
                raw: value.map_or(0, |value| value.raw),
                is_bad: value.is_none_or(|value| value.quality == Quality::Bad),
            }
        }));
        self.duties.clear();
        self.duties.extend(self.drives.iter().map(|place| {
            place.map_or(0.0, |(n, scale)| {
                values.get(n).copied().flatten().map_or(0.0, |v| v.raw as f32 * scale)
            })
        }));
        let running = |n: &usize| scan.record.steps.get(*n).is_some_and(|step| *step > 0);
        self.watch.record(&Record {
            at_ms: scan.at_ms,
            readings: &self.readings,
            duties: &self.duties,
            in_procedure: scan.record.steps.iter().any(|step| *step > 0),
            is_water_changed: self.water_changes.iter().any(running),
        });
    }

    /// Looks at everything now.
    pub fn look(&mut self, now: &Now) -> &[Verdict] {
        self.verdicts = self.watch.look(now, &self.expected);
        self.verdicts.extend(self.care.iter().cloned());
        let drifts = untold(&self.drifts, &self.verdicts);
        self.verdicts.extend(drifts);
        &self.verdicts
    }
}
