//! Upkeep: what has ended is swept, what is old is dropped a little at a time, and once a day, at a quiet hour, the store is looked through.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use serde::{Deserialize, Serialize};
use store::people;
use store::{Checked, Doing as _, Retention, Store};
use tokio::sync::watch;

use crate::app::{App, now_ms};
use crate::serve::until;
use crate::settings::Settings;
use crate::state::local_offset_ms;

/// Sweeping and retention.
const EVERY: Duration = Duration::from_secs(600);
/// The store is looked through at these hours of the first board's local time.
const QUIET_HOURS: std::ops::Range<i64> = 3..6;
/// Between two looks at least; and at most, where the station never runs at night.
const CHECK_AFTER_MS: i64 = 20 * HOUR_MS;
const CHECK_AT_LAST_MS: i64 = 48 * HOUR_MS;
/// A look takes no longer than this; what it did not reach is said.
const CHECK_LONGEST: Duration = Duration::from_secs(1800);
const HOUR_MS: i64 = 3_600_000;
/// Key of what the last look found, among the store's settings.
const KEY: &str = "checked";

/// What the last look through the store found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LastCheck {
    /// When it ended, ms since 1970.
    pub at_ms: i64,
    /// Places where SQLite's structure is wrong.
    pub n_structure: usize,
    /// Blocks, roll-ups and frames that are not as they were written.
    pub n_parts: usize,
}

impl LastCheck {
    /// What was found last, in this run or one before.
    pub fn kept(store: &Store) -> Option<LastCheck> {
        store.setting(KEY).ok().flatten().and_then(|text| serde_json::from_str(&text).ok())
    }
}

/// Whether it is time to look through the store: `last_ms` is when it was done last, or when the station began.
fn is_due(now_ms: i64, last_ms: i64, local_offset_ms: i64) -> bool {
    let since_ms = now_ms - last_ms;
    let hour = (now_ms + local_offset_ms).div_euclid(HOUR_MS).rem_euclid(24);
    // A clock that was set back must not put it off for ever.
    !(-HOUR_MS..CHECK_AT_LAST_MS).contains(&since_ms)
        || since_ms >= CHECK_AFTER_MS && QUIET_HOURS.contains(&hour)
}

/// In words, for the log.
fn words(checked: &Checked, bytes: u64, took: Duration) -> String {
    let size = format!("{:.1} MB in {:.1} s", bytes as f64 / 1e6, took.as_secs_f64());
    let found = checked.structure.iter().chain(&checked.parts);
    match (checked.is_sound(), checked.is_complete) {
        (true, true) => format!("the store was looked through ({size}): all is as it was written"),
        (true, false) => {
            format!(
                "the store was looked through in part ({size}), then the time ran out: so far all is as it was written"
            )
        }
        (false, _) => {
            let n = checked.structure.len() + checked.parts.len();
            let first: Vec<&str> = found.take(3).map(String::as_str).collect();
            format!("the store was looked through ({size}): {n} places are damaged: {}", first.join("; "))
        }
    }
}

/// Looks through the store, and writes down what came of it; whoever sets `stop` ends it at once.
pub fn check(app: &App, stop: &Arc<AtomicBool>) {
    let began = Instant::now();
    let result = app.store.check_until(CHECK_LONGEST, stop);
    if stop.load(Ordering::Relaxed) {
        return;
    }
    let now_ms = now_ms();
    let said = match result {
        Ok(checked) => {
            let last = LastCheck {
                at_ms: now_ms,
                n_structure: checked.structure.len(),
                n_parts: checked.parts.len(),
            };
            app.set_last_check(last);
            let kept = serde_json::to_string(&last).unwrap_or_default();
            // What cannot be kept is looked for again after the next start.
            let _ = app.store.set_setting(KEY, &kept);
            words(&checked, app.store.bytes(), began.elapsed())
        }
        Err(error) => format!("the store could not be looked through: {error}"),
    };
    if let Err(error) = app.store.add_event(now_ms, "station", "check", &said) {
        eprintln!("{said}; this could not be written down: {error}");
    }
}

/// Does all of it until the station ends.
pub async fn run(app: Arc<App>, settings: Settings, mut stopped: watch::Receiver<bool>) {
    let days = |time: Option<Duration>| time.map_or(0, |time| (time.as_secs() / 86_400) as u32);
    let rule = Retention {
        sample_days: days(settings.retention.samples),
        minute_days: days(settings.retention.minutes),
    };
    let failing = Arc::new(AtomicBool::new(false));
    let stop = Arc::new(AtomicBool::new(false));
    loop {
        tokio::select! {
            () = until(&mut stopped) => return,
            () = tokio::time::sleep(EVERY) => {}
        }
        let (failing, of_work) = (failing.clone(), stop.clone());
        let work = app.blocking(move |app| {
            if let Err(error) = sweep(app, rule)
                && !failing.swap(true, Ordering::Relaxed)
            {
                eprintln!("old data could not be dropped: {error}");
            }
            let zone = app.site.boards.first().map_or("UTC0", |board| &board.system.timezone);
            let now = now_ms();
            let last_ms = app.last_check().map_or(app.started_ms, |last| last.at_ms);
            if is_due(now, last_ms, local_offset_ms(zone, now)) {
                check(app, &of_work);
            }
            Ok(())
        });
        tokio::select! {
            () = until(&mut stopped) => {
                stop.store(true, Ordering::Relaxed);
                return;
            }
            _ = work => {}
        }
    }
}

fn sweep(app: &App, rule: Retention) -> store::Result<()> {
    let (life, now) = (app.door.life(), now_ms());
    app.store.write(move |db| people::sweep(db, life, now).doing("sweeping what has ended"))?;
    app.store.retain(rule, now).map(drop)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_store_is_looked_through_at_night_or_at_last_by_day() {
        // 2026-01-15T00:00:00Z.
        let midnight = 1_768_435_200_000;
        let at = |hour: i64| midnight + hour * HOUR_MS;
        assert!(!is_due(at(4), at(4) - 19 * HOUR_MS, 0), "it was done yesterday in the morning");
        assert!(is_due(at(4), at(4) - 24 * HOUR_MS, 0));
        assert!(!is_due(at(14), at(14) - 24 * HOUR_MS, 0), "the night is near");
        assert!(is_due(at(14), at(14) - 24 * HOUR_MS, -10 * HOUR_MS), "it is night there");
        assert!(is_due(at(14), at(14) - 48 * HOUR_MS, 0), "it never runs at night");
        assert!(is_due(at(14), at(14) + 100 * HOUR_MS, 0), "the clock was set back");
        assert!(!is_due(at(4), at(4), 0));
    }

    #[test]
    fn what_was_found_is_said() {
        let took = Duration::from_millis(1500);
        let sound = Checked { is_complete: true, ..Checked::default() };
        assert_eq!(
            words(&sound, 2_000_000, took),
            "the store was looked through (2.0 MB in 1.5 s): all is as it was written"
        );
        let damaged = Checked { parts: vec!["block 7".to_owned()], ..sound.clone() };
        assert!(words(&damaged, 0, took).ends_with("1 places are damaged: block 7"));
        assert!(words(&Checked { is_complete: false, ..sound }, 0, took).contains("in part"));
    }
}
