//! The twin fitted to each tank, once a night: parameters of the file with what the board's own log says of them ([`fit`]).
//!
//! The log is read as means of four minutes and dropped again; the newest fit is kept whole, of the ones before their values. A board with
//! `fitted = true` in the station file is studied with the fitted values ([`study_text`]); the file that it runs stays as it is.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use fit::{Fitted, Log, Series};
use serde::{Deserialize, Serialize};
use store::Store;
use system::System;

use crate::app::App;
use crate::site::SiteBoard;
use crate::state::local_offset_ms;

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;
/// Days of log that a fit reads: two weeks, so that week and weekend are in it twice.
const DAYS: i64 = 14;
/// What is read of the log stands for so long, ms: the least that comes from the store's minutes.
const STEP_MS: i64 = 240_000;
/// It is fitted at these hours of the board's local time; and at last, where the station never runs at night.
const QUIET_HOURS: std::ops::Range<i64> = 3..6;
const AFTER_MS: i64 = 20 * HOUR_MS;
const AT_LAST_MS: i64 = 48 * HOUR_MS;
/// Fits whose values are kept.
const MOST_KEPT: usize = 60;

/// A parameter as it was found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Found {
    /// Name of what it is, as in `fit`: "wall loss".
    pub what: String,
    /// Of which part; of the whole tank without it.
    pub part: Option<String>,
    /// Unit of the values; empty for a factor on what the file has.
    pub unit: String,
    /// The file's value.
    pub file: f64,
    /// What the log says; the file's value where it says nothing.
    pub value: f64,
    /// Ends of the 95 % interval; none where nothing bounds it.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
    /// How it was found.
    pub how: String,
    /// What the log cannot tell.
    pub unknown: Option<String>,
}

/// What the fitted model leaves over.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LeftOver {
    /// Of what.
    pub name: String,
    /// Unit of the values.
    pub unit: String,
    /// Middle of each stretch, ms since 1970.
    pub at_ms: Vec<i64>,
    /// As measured.
    pub measured: Vec<f64>,
    /// By the fitted model.
    pub model: Vec<f64>,
}

/// A fit that is kept.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Kept {
    /// Reach of the log, ms since 1970.
    pub from_ms: i64,
    /// Its end.
    pub to_ms: i64,
    /// Hash of the text that was fitted: of another text it says nothing.
    pub hash: String,
    /// All parameters.
    pub parameters: Vec<Found>,
    /// What is left over.
    pub left_over: Vec<LeftOver>,
    /// What to know of the log.
    pub notes: Vec<String>,
    /// The text with the fitted values in it; none where nothing was told better than the file has it.
    pub text: Option<String>,
    /// What was changed in it: key and value.
    pub edits: Vec<(String, String)>,
}

/// Values of a fit before.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Earlier {
    /// End of its log, ms since 1970.
    pub to_ms: i64,
    /// What, of which part, and its value.
    pub values: Vec<(String, Option<String>, f64)>,
}

fn newest_key(board: &str) -> String {
    format!("fit/{board}")
}

fn earlier_key(board: &str) -> String {
    format!("fits/{board}")
}

/// The newest fit of a board, if it is of the text that it runs.
///
/// # Errors
/// The store fails.
pub fn newest(store: &Store, board: &SiteBoard) -> store::Result<Option<Kept>> {
    let kept = store.setting(&newest_key(&board.settings.name))?;
    let kept: Option<Kept> = kept.and_then(|text| serde_json::from_str(&text).ok());
    Ok(kept.filter(|kept| kept.hash == workbench::hash(&board.text)))
}

/// Values of all fits that are kept, oldest first.
///
/// # Errors
/// The store fails.
pub fn earlier(store: &Store, board: &str) -> store::Result<Vec<Earlier>> {
    let kept = store.setting(&earlier_key(board))?;
    Ok(kept.and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_default())
}

/// Whether it is time: `last_ms` is the end of the log of the last fit.
fn is_due(to_ms: i64, last_ms: Option<i64>, local_offset_ms: i64) -> bool {
    let Some(last_ms) = last_ms else { return true };
    let since_ms = to_ms - last_ms;
    let hour = (to_ms + local_offset_ms).div_euclid(HOUR_MS).rem_euclid(24);
    !(-HOUR_MS..AT_LAST_MS).contains(&since_ms) || since_ms >= AFTER_MS && QUIET_HOURS.contains(&hour)
}

/// The log of a board as a fit wants it.
fn log(store: &Store, board: &str, system: &System, from_ms: i64, to_ms: i64) -> store::Result<Log> {
    let names = (system.sensors.iter().map(|s| &s.name)).chain(system.actuators.iter().map(|a| &a.name));
    let all = store.all_series();
    let mut log = Log::new();
    let width = ((to_ms - from_ms) / STEP_MS) as u32;
    for name in names {
        let Some(series) = all.iter().rfind(|s| s.spec.source == board && s.spec.name == *name) else {
            continue;
        };
        let trend = store.trend(series.id, from_ms, to_ms, width)?;
        let middle_s = |from_ms: i64| (from_ms + trend.step / 2) as f64 / 1000.0;
        let points = trend.columns.iter().map(|c| (middle_s(c.from), c.mean.unwrap_or(f64::NAN)));
        log.put(name, Series::readings(&series.spec.unit, points.collect()));
    }
    Ok(log)
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

fn kept(fitted: &Fitted, board: &SiteBoard) -> Kept {
    let ms = |s: f64| (s * 1000.0) as i64;
    let parameters = (fitted.parameters.iter())
        .map(|p| Found {
            what: p.what.name().to_owned(),
            part: p.part.clone(),
            unit: p.what.unit().to_owned(),
            file: p.file,
            value: finite(p.found.value).unwrap_or(p.file),
            low: finite(p.found.low),
            high: finite(p.found.high),
            how: p.how.clone(),
            unknown: p.unknown.clone(),
        })
        .collect();
    let left_over = (fitted.residuals.iter())
        .map(|r| {
            let sound = || r.points.iter().filter(|p| p.measured.is_finite() && p.model.is_finite());
            LeftOver {
                name: r.name.clone(),
                unit: r.unit.to_owned(),
                at_ms: sound().map(|p| ms(0.5 * (p.from_s + p.to_s))).collect(),
                measured: sound().map(|p| p.measured).collect(),
                model: sound().map(|p| p.model).collect(),
            }
        })
        .collect();
    let mut kept = Kept {
        from_ms: ms(fitted.from_s),
        to_ms: ms(fitted.to_s),
        hash: workbench::hash(&board.text),
        parameters,
        left_over,
        notes: fitted.notes.clone(),
        text: None,
        edits: vec![],
    };
    if let Ok(written) = fit::write::into(&board.text, &board.system, fitted) {
        kept.notes.extend(written.left);
        kept.text = Some(written.text).filter(|_| !written.edits.is_empty());
        kept.edits = written.edits.into_iter().map(|e| (e.path, e.value)).collect();
    }
    kept
}

/// Fits a board when it is time. `to_ms` is the end of the last whole hour that it has told of; whoever sets `stop` gets nothing written any more.
///
/// # Errors
/// The store fails.
pub fn refresh(app: &App, board: &SiteBoard, to_ms: i64, stop: &AtomicBool) -> store::Result<()> {
    let (store, name) = (&app.store, &board.settings.name);
    let last = newest(store, board)?;
    let offset_ms = local_offset_ms(&board.system.timezone, to_ms);
    if !is_due(to_ms, last.as_ref().map(|kept| kept.to_ms), offset_ms) {
        return Ok(());
    }
    let log = log(store, name, &board.system, to_ms - DAYS * DAY_MS, to_ms)?;
    // A log that is too short, or another system's, is no news: the next night has more.
    let Ok(fitted) = fit::fit(&board.system, &log, &fit::Options::default()) else { return Ok(()) };
    drop(log);
    if stop.load(Ordering::Relaxed) {
        return Ok(());
    }
    let kept = kept(&fitted, board);
    let mut all = earlier(store, name)?;
    all.push(Earlier {
        to_ms: kept.to_ms,
        values: (kept.parameters.iter())
            .filter(|p| p.unknown.is_none())
            .map(|p| (p.what.clone(), p.part.clone(), p.value))
            .collect(),
    });
    let from = all.len().saturating_sub(MOST_KEPT);
    store.set_setting(&earlier_key(name), &serde_json::to_string(&all[from..]).unwrap_or_default())?;
    store.set_setting(&newest_key(name), &serde_json::to_string(&kept).unwrap_or_default())?;
    app.twins.set_text(board.id.0, kept.text.filter(|_| board.settings.fitted).map(Arc::from));
    Ok(())
}

/// What was kept of a board's fit before this start.
pub fn restore(app: &App) {
    for board in app.site.boards.iter().filter(|board| board.settings.fitted) {
        let kept = newest(&app.store, board).ok().flatten();
        app.twins.set_text(board.id.0, kept.and_then(|kept| kept.text).map(Arc::from));
    }
}

/// The text by which the station studies a board: that which it runs, with the fitted values where the station file says so.
pub fn study_text(app: &App, board: &SiteBoard) -> Arc<str> {
    app.twins.text(board.id.0).unwrap_or_else(|| Arc::from(board.text.as_str()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_fitted_at_night_or_at_last_by_day() {
        // 2026-01-15T00:00:00Z.
        let midnight = 1_768_435_200_000;
        let at = |hour: i64| midnight + hour * HOUR_MS;
        assert!(is_due(at(14), None, 0), "it never was");
        assert!(!is_due(at(4), Some(at(4) - 19 * HOUR_MS), 0));
        assert!(is_due(at(4), Some(at(4) - 24 * HOUR_MS), 0));
        assert!(!is_due(at(14), Some(at(14) - 24 * HOUR_MS), 0), "the night is near");
        assert!(is_due(at(14), Some(at(14) - 48 * HOUR_MS), 0), "it never runs at night");
        assert!(is_due(at(14), Some(at(14) + 100 * HOUR_MS), 0), "the clock was set back");
    }
}
