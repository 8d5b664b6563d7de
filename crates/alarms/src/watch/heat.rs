//! Heat: what the heaters took against what the room explains. A heater that fails by half, a lid left off, a window left open take more
//! than the same room took before.

use serde::Serialize;

use super::expected::Expected;
use super::finding::{Check, Finding, Outcome, Sure, Verdict};
use super::history::{History, Span};
use super::layout::{Kind, Layout};
use super::settings::Settings;
use crate::peril::MAINS;
use crate::words::{decimal, span};

/// Of the last days only this many are learned from.
const LEARNED_DAYS: usize = 28;
/// The last days are what is judged, not what is learned from.
const JUDGED_DAYS: usize = 2;
/// Spread of degree-hours from which a slope is fitted; below it the room was always the same and only the ratio is known.
const SPREAD_K: f64 = 0.5;
/// Heat of a day that is too little to judge, kWh.
const LITTLE_KWH: f64 = 0.3;

/// Heat of the last day.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Heat {
    /// Hours at full power of all heaters.
    pub hours: f64,
    /// What the room explains, h. None: not yet learned.
    pub explained_h: Option<f64>,
    /// All heaters, W.
    pub watts: f64,
    /// The room is measured.
    pub is_room_known: bool,
}

/// A day: degrees of the water above the room (0 where that is not known), kWh.
#[derive(Clone, Copy, Debug)]
struct Day {
    above_k: f64,
    kwh: f64,
}

fn day(layout: &Layout, over: &Span, expected: &dyn Expected) -> Option<Day> {
    let water: Vec<f64> = layout.of_kind(Kind::Temperature).filter_map(|s| over.mean(s)).collect();
    let water_c = super::expected::middle(water)?;
    let room_c = expected.room_c(over);
    let watts: f64 = (layout.drives.iter().enumerate())
        .filter(|(_, drive)| drive.is_heater)
        .map(|(d, drive)| drive.watts * over.duty(d))
        .sum();
    Some(Day { above_k: room_c.map_or(0.0, |room_c| water_c - room_c), kwh: watts * 24e-3 })
}

/// Heat of a day by the days before: its value, and the spread about it.
fn predict(days: &[Day], above_k: f64, is_room_known: bool) -> Option<(f64, f64)> {
    let n = days.len() as f64;
    let mean_x = days.iter().map(|d| d.above_k).sum::<f64>() / n;
    let mean_y = days.iter().map(|d| d.kwh).sum::<f64>() / n;
    let var_x = days.iter().map(|d| (d.above_k - mean_x).powi(2)).sum::<f64>() / n;
    let slope = if !is_room_known {
        0.0
    } else if var_x > SPREAD_K * SPREAD_K {
        days.iter().map(|d| (d.above_k - mean_x) * (d.kwh - mean_y)).sum::<f64>() / n / var_x
    } else if mean_x > SPREAD_K {
        mean_y / mean_x
    } else {
        0.0
    };
    let at = |x: f64| mean_y + slope.max(0.0) * (x - mean_x);
    let residual = (days.iter().map(|d| (d.kwh - at(d.above_k)).powi(2)).sum::<f64>() / n).sqrt();
    Some((at(above_k).max(0.0), residual)).filter(|(value, _)| value.is_finite())
}

/// The last day, and what is learned of the days before.
struct Judged {
    now: Day,
    /// Heat of such a day, kWh, and the spread about it.
    usual: Option<(f64, f64)>,
    is_room_known: bool,
}

fn judged(
    layout: &Layout,
    settings: &Settings,
    history: &History,
    expected: &dyn Expected,
) -> Option<Judged> {
    let window = history.window(24)?;
    let now = day(layout, &window, expected)?;
    let is_room_known = expected.room_c(&window).is_some();
    let n = history.days.len().saturating_sub(JUDGED_DAYS);
    let learned: Vec<Day> = (history.days.iter().take(n).rev().take(LEARNED_DAYS))
        .filter(|d| d.changed_ms == 0)
        .filter_map(|d| day(layout, d, expected))
        .collect();
    let enough = learned.len() >= settings.heat_days.max(2);
    let mut predicted = enough.then(|| predict(&learned, now.above_k, is_room_known)).flatten();
    if !is_room_known {
        // Without the room only the coldest of the days before can be a measure.
        let most = learned.iter().map(|d| d.kwh).fold(0.0, f64::max);
        predicted = predicted.map(|(_, spread)| (most, spread));
    }
    Some(Judged { now, usual: predicted, is_room_known })
}

/// For the morning lines.
pub(super) fn last_day(
    layout: &Layout,
    settings: &Settings,
    history: &History,
    expected: &dyn Expected,
) -> Option<Heat> {
    let watts: f64 = layout.drives.iter().filter(|d| d.is_heater).map(|d| d.watts).sum();
    if watts <= 0.0 {
        return None;
    }
    let judged = judged(layout, settings, history, expected)?;
    let hours = |kwh: f64| kwh * 1e3 / watts;
    Some(Heat {
        hours: hours(judged.now.kwh),
        explained_h: judged.usual.map(|u| hours(u.0)),
        watts,
        is_room_known: judged.is_room_known,
    })
}

/// The check.
pub(super) fn demand(
    layout: &Layout,
    settings: &Settings,
    history: &History,
    expected: &dyn Expected,
) -> Option<Verdict> {
    if !layout.drives.iter().any(|d| d.is_heater) {
        return None;
    }
    let outcome = outcome(layout, settings, history, expected);
    Some(Verdict::new(Check::HeatDemand, layout.board.clone(), outcome))
}

fn outcome(layout: &Layout, settings: &Settings, history: &History, expected: &dyn Expected) -> Outcome {
    let Some(Judged { now, usual, is_room_known }) = judged(layout, settings, history, expected) else {
        return Outcome::Unknown("less than a day of records".to_owned());
    };
    let Some((usual, spread)) = usual else {
        return Outcome::Unknown(format!("not yet learned: {} days are needed", settings.heat_days));
    };
    let slack = (settings.heat_spread * usual).max(LITTLE_KWH);
    let limit = if is_room_known {
        usual + slack.max(settings.heat_deviations * spread)
    } else {
        usual + 2.0 * slack
    };
    let kwh = |v: f64| decimal(v, 1, "kWh");
    if now.kwh <= limit {
        return Outcome::Fine(format!("{} in a day, {} explained", kwh(now.kwh), kwh(usual)));
    }
    let watts: f64 = layout.drives.iter().filter(|d| d.is_heater).map(|d| d.watts).sum();
    let full = span((now.kwh * 1e3 / watts.max(1.0) * 3.6e6) as i64);
    Outcome::Wrong(Finding {
        wrong: format!(
            "Heaters took {} in a day ({full} at full power); {} {}.",
            kwh(now.kwh),
            if is_room_known { "the room explains" } else { "the most before was" },
            kwh(usual)
        ),
        sure: if is_room_known { Sure::Likely } else { Sure::Possible },
        because: if is_room_known {
            "compared with days of the same room".to_owned()
        } else {
            "the room is not measured; it may only be colder".to_owned()
        },
        act: "Feel whether each heater warms; look for an open window, a lid left off, a fan that runs."
            .to_owned(),
        caution: Some(MAINS.to_owned()),
    })
}
