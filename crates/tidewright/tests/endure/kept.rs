//! What a station's file has, held against what was acknowledged. Looks at a copy, as the killed process left it.

use std::collections::BTreeMap;
use std::fs;
use std::ops::ControlFlow;
use std::path::Path;
use std::time::Duration;

use store::{Page, Store};

use crate::load::{Acknowledged, LOG_BASE_MS, point};

/// What a file has of the boards.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Kept {
    /// Samples.
    pub samples: u64,
    /// Entries of journals.
    pub entries: u64,
    /// Places where a series of a board misses samples, the most of any.
    pub holes: usize,
    /// Entries that a board itself says it lost: its journal was full before a station could keep it. None of them was acknowledged.
    pub lost_by_boards: u64,
}

/// Copies the store of a station that is dead, log included, and opens the copy.
pub fn copy(data: &Path, to: &Path) -> Store {
    let _ = fs::remove_dir_all(to);
    fs::create_dir_all(to).expect("a folder");
    for name in ["station.db", "station.db-wal"] {
        if data.join(name).exists() {
            fs::copy(data.join(name), to.join(name)).expect("it is copied");
        }
    }
    Store::open(to.join("station.db")).expect("it opens")
}

fn one(store: &Store, sql: &'static str, id: i64) -> Option<String> {
    store.read(|db| Ok(db.query_row(sql, [id], |row| row.get(0)).ok())).expect("it is read")
}

/// Holds a file against what was acknowledged by the process that wrote last; `before` is what the file had when that began.
pub fn hold(store: &Store, told: &Acknowledged, before: &Kept, when: &str) -> Kept {
    assert_eq!(store.opened().salvaged, None, "{when}: nothing is damaged");
    let integrity: String = store
        .read(|db| Ok(db.query_row("pragma integrity_check", [], |row| row.get(0)).expect("it is checked")))
        .expect("it is read");
    assert_eq!(integrity, "ok", "{when}");
    let checked = store.check(Duration::from_secs(120)).expect("it is checked");
    assert!(checked.is_complete && checked.is_sound(), "{when}: {checked:?}");
    for (id, text) in &told.notes {
        assert_eq!(
            one(store, "select text from notes where id = ?", *id).as_ref(),
            Some(text),
            "{when}: note {id}"
        );
    }
    for (id, why, is_done) in &told.orders {
        assert_eq!(
            one(store, "select why from commands where id = ?", *id).as_ref(),
            Some(why),
            "{when}: command {id}"
        );
        let outcome =
            one(store, "select outcome from outcomes where command = ? order by id desc limit 1", *id);
        let is_kept_done = outcome.as_deref() == Some("done");
        assert!(outcome.is_some() && is_kept_done == *is_done, "{when}: command {id}: {outcome:?}");
    }
    points(store, told, when);
    let kept = of_boards(store, when);
    assert!(
        kept.samples >= before.samples + told.samples,
        "{when}: {kept:?}, before {before:?}, told {told:?}"
    );
    assert!(
        kept.entries >= before.entries + told.entries,
        "{when}: {kept:?}, before {before:?}, told {told:?}"
    );
    kept
}

/// Every point of the logs is there with its value.
fn points(store: &Store, told: &Acknowledged, when: &str) {
    let Some(series) = store.find_series("log", "temperature") else {
        assert!(told.points.is_empty(), "{when}: the log's series is gone");
        return;
    };
    for (from, to) in &told.points {
        let ms = |k: i64| LOG_BASE_MS + k * 1000;
        let points = store.points(series.id, ms(*from), ms(*to), usize::MAX).expect("it is read");
        let values: Vec<(i64, i64)> = (points.iter())
            .map(|point| (point.time, (point.value as f64 * series.spec.scale * 1000.0).round() as i64))
            .collect();
        let wanted: Vec<(i64, i64)> = (*from..*to).map(|k| (ms(k), point(k))).collect();
        assert_eq!(values, wanted, "{when}: log from point {from}");
    }
}

/// What is there of the boards; their journals without a hole but those that the boards told.
pub fn of_boards(store: &Store, when: &str) -> Kept {
    let mut kept = Kept::default();
    for series in store.all_series().iter().filter(|series| series.spec.source.starts_with("tank")) {
        let (mut holes, mut last) = (0, None::<i64>);
        let each = |points: &[store::Point]| {
            kept.samples += points.len() as u64;
            for point in points {
                holes += usize::from(last.is_some_and(|last| point.time - last > series.spec.interval));
                last = Some(point.time);
            }
            ControlFlow::Continue(())
        };
        store.scan(series.id, 0, i64::MAX, each).expect("it is read");
        kept.holes = kept.holes.max(holes);
    }
    let all = Page { limit: u32::MAX, ..Page::default() };
    let mut last = BTreeMap::<String, u8>::new();
    for event in store.events(&all).expect("it is read") {
        let Some(sequence) = event.sequence else { continue };
        kept.entries += 1;
        // A gap stands under the number of the last entry that came with it.
        if event.code == Some(1) {
            kept.lost_by_boards += u64::from(event.argument.unwrap_or(1).max(1));
            last.remove(&event.source);
            continue;
        }
        let before = last.insert(event.source.clone(), sequence);
        let follows = before.is_none_or(|before| before.wrapping_add(1) == sequence);
        assert!(follows, "{when}: an entry is missing before {event:?}");
    }
    kept
}
