//! What keeps a store well over years: migrations, retention, copies, checks, and what happens to a damaged file.

use std::fs;
use std::path::Path;
use std::time::Duration;

use store::rusqlite::Connection;
use store::{
    AlarmChange, BoardEvent, Command, Dropped, Error, Options, Outcome, OutcomeKind, Page, Quality,
    Retention, Sample, SeriesId, SeriesSpec, Store,
};

const BASE: i64 = 1_700_000_000_000;
const DAY: i64 = 86_400_000;

fn options() -> Options {
    Options { gather: Duration::ZERO, block: 256, ..Options::default() }
}

fn open(path: &Path) -> Store {
    Store::open_with(path, options()).expect("opens")
}

fn series(store: &Store, name: &str, interval: i64) -> SeriesId {
    let spec = SeriesSpec {
        source: "board".into(),
        name: name.into(),
        unit: "degC".into(),
        scale: 0.001,
        interval,
        is_switch: false,
    };
    store.series(&spec).expect("series")
}

/// Samples so far apart over some days; value is the number of the sample.
fn fill(store: &Store, id: SeriesId, step: i64, days: i64) -> u64 {
    let samples: Vec<Sample> = (0..days * DAY / step)
        .map(|k| Sample { series: id, time: BASE + k * step, value: k, quality: Quality::Good })
        .collect();
    store.append(samples).expect("appends").new
}

#[test]
fn old_samples_go_and_roll_ups_stay() {
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("store.sqlite");
    let store = open(&path);
    let (fast, slow, slowest) = (
        series(&store, "fast", 10_000),
        series(&store, "slow", 120_000),
        series(&store, "slowest", 3_600_000),
    );
    fill(&store, fast, 10_000, 10);
    fill(&store, slow, 120_000, 10);
    fill(&store, slowest, 3_600_000, 10);
    store.settle().expect("settles");
    let end = BASE + 10 * DAY;
    let before = store.trend(fast, BASE, end, 50).expect("trend");
    let rule = Retention { sample_days: 3, minute_days: 6 };
    let dropped = store.retain(rule, end).expect("drops");
    assert!(dropped.n_samples > 8640 * 6 && dropped.n_samples < 8640 * 7 + 720 * 4, "{dropped:?}");
    assert_eq!(dropped.n_days_of_minutes, 4, "the rest of the first day and three whole ones");
    assert_eq!(store.retain(rule, end).expect("drops"), Dropped::default(), "once is enough");
    let first = |id| store.points(id, 0, i64::MAX, 1).expect("reads")[0].time;
    let oldest = end - 3 * DAY;
    assert!(first(fast) <= oldest && first(fast) > oldest - 256 * 10_000);
    let oldest = end - 6 * DAY;
    assert!(
        first(slow) <= oldest && first(slow) > oldest - 256 * 120_000,
        "as long as the minutes of others"
    );
    assert_eq!(first(slowest), BASE, "for ever");
    // Hours stand in for what is gone.
    let after = store.trend(fast, BASE, end, 50).expect("trend");
    assert!(after.columns == before.columns && after.step == before.step);
    assert_eq!(store.trend(fast, BASE, BASE + DAY / 2, 1000).expect("trend").step, 3_600_000);
    assert_eq!(
        store.trend(fast, end - 5 * DAY, end - 5 * DAY + 3_600_000, 1000).expect("trend").step,
        60_000
    );
    // What is too old to be compared is not taken in again.
    let again = store.append(vec![Sample { series: fast, time: BASE, value: 0, quality: Quality::Good }]);
    assert_eq!(again.expect("appends").too_old, 1);
    drop(store);
    let store = open(&path);
    assert!(store.trend(fast, BASE, end, 50).expect("trend").columns == before.columns);
}

fn record(store: &Store) {
    let event = |sequence: u8, argument| BoardEvent {
        sequence,
        code: 4,
        argument,
        minute: 7,
        at: BASE,
        kind: "trip".into(),
        text: "heater tripped".into(),
    };
    let stored =
        store.add_board_events("board", vec![event(254, 1), event(255, 2), event(0, 3)]).expect("events");
    assert_eq!((stored.stored, stored.duplicates, stored.position), (3, 0, Some(0)));
    // The board was restarted and sends two again, and one more.
    let stored =
        store.add_board_events("board", vec![event(255, 2), event(0, 3), event(1, 4)]).expect("events");
    assert_eq!((stored.stored, stored.duplicates, stored.position), (1, 2, Some(1)));
    assert_eq!(store.event_position("board").expect("position"), Some(1));
    assert_eq!(store.event_position("other").expect("position"), None);
    let change = |was: &str, becomes: &str| AlarmChange {
        at: BASE,
        source: "board".into(),
        alarm: "cold".into(),
        priority: "high".into(),
        was: was.into(),
        becomes: becomes.into(),
        ..AlarmChange::default()
    };
    store
        .add_alarm_changes(vec![change("normal", "unacknowledged"), change("unacknowledged", "acknowledged")])
        .expect("alarms");
    let standing = store.alarms_as_they_stand().expect("alarms");
    assert_eq!(standing.iter().map(|a| a.becomes.as_str()).collect::<Vec<_>>(), ["acknowledged"]);
    let command = Command {
        id: 0,
        at: BASE,
        source: "board".into(),
        who: "operator".into(),
        why: "cleaning".into(),
        what: "return pump off for 10 minutes".into(),
        outcomes: vec![],
    };
    let id = store.add_command(&command).expect("command");
    let outcome = Outcome {
        at: BASE + 1,
        outcome: OutcomeKind::Done,
        detail: String::new(),
        scan: Some(17),
        output: Some(0),
    };
    store.add_outcome(id, outcome.clone()).expect("outcome");
    assert_eq!(
        store.commands(&Page::default()).expect("commands"),
        [Command { id, outcomes: vec![outcome.clone()], ..command.clone() }]
    );
    assert!(matches!(store.add_outcome(id + 1, outcome), Err(Error::Refused { .. })));
    assert!(matches!(store.add_command(&Command { why: " ".into(), ..command }), Err(Error::Refused { .. })));
}

#[test]
fn logs_and_the_audit_trail() {
    let folder = tempfile::tempdir().expect("folder");
    let store = open(&folder.path().join("store.sqlite"));
    record(&store);
    for sql in [
        "update commands set who = 'x'",
        "delete from commands",
        "update outcomes set outcome = 'done'",
        "delete from outcomes",
    ] {
        let result =
            store.write(move |c| c.execute(sql, []).map_err(|e| Error::of("changing the audit trail", &e)));
        let error = result.expect_err(sql).to_string();
        assert!(error.contains("only added to"), "{error}");
    }
    store.set_setting("a", "1").expect("sets");
    store.set_setting("a", "2").expect("sets");
    assert_eq!(store.setting("a").expect("reads").as_deref(), Some("2"));
    let note = store::Note {
        written: BASE,
        first: BASE,
        last: BASE,
        who: "keeper".into(),
        text: "fed".into(),
        ..Default::default()
    };
    let id = store.add_note(&note).expect("note");
    store.add_note(&store::Note { text: "fed twice".into(), replaces: Some(id), ..note }).expect("note");
    let notes = store.notes(BASE, BASE).expect("notes");
    assert_eq!(notes.iter().map(|n| n.text.as_str()).collect::<Vec<_>>(), ["fed twice"]);
    let page = Page { newest_first: true, limit: 2, ..Page::default() };
    let newest: Vec<i64> = store.events(&page).expect("events").iter().map(|e| e.id).collect();
    assert_eq!(newest, [4, 3]);
    let next = Page { after: 3, ..page };
    assert_eq!(store.events(&next).expect("events").iter().map(|e| e.id).collect::<Vec<_>>(), [2, 1]);
}

#[test]
fn a_failed_write_undoes_only_itself() {
    let folder = tempfile::tempdir().expect("folder");
    let store = open(&folder.path().join("store.sqlite"));
    let other = store.clone();
    let thread = std::thread::spawn(move || {
        for k in 0..50 {
            other.set_setting(&format!("good {k}"), "1").expect("sets");
        }
    });
    for _ in 0..50 {
        let result: Result<(), Error> = store.write(|c| {
            c.execute("insert into settings (key, value) values ('bad', '1')", [])
                .map_err(|e| Error::of("a test", &e))?;
            Err(Error::refused("thought better of it"))
        });
        assert_eq!(result, Err(Error::refused("thought better of it")));
    }
    thread.join().expect("ends");
    assert_eq!(store.setting("bad").expect("reads"), None);
    assert_eq!(store.setting("good 49").expect("reads").as_deref(), Some("1"));
    let broken = store.write(|_| -> Result<(), Error> { panic!("a mistake in a closure") });
    assert!(broken.is_err());
    store.set_setting("after", "1").expect("the writer lives");
}

#[test]
fn a_copy_while_in_use() {
    let folder = tempfile::tempdir().expect("folder");
    let store = open(&folder.path().join("store.sqlite"));
    let id = series(&store, "signal", 10_000);
    fill(&store, id, 10_000, 2);
    record(&store);
    let writer = store.clone();
    let stop = std::sync::Arc::new(std::sync::atomic::AtomicBool::new(false));
    let stopped = stop.clone();
    let thread = std::thread::spawn(move || {
        let mut k = 2 * DAY / 10_000;
        while !stopped.load(std::sync::atomic::Ordering::Relaxed) {
            let time = BASE + k * 10_000;
            writer
                .append(vec![Sample { series: id, time, value: k, quality: Quality::Good }])
                .expect("appends");
            k += 1;
        }
    });
    let copy = folder.path().join("copy.sqlite");
    fs::write(&copy, "an older copy").expect("writes");
    let copied = store.backup(&copy).expect("copies");
    stop.store(true, std::sync::atomic::Ordering::Relaxed);
    thread.join().expect("ends");
    assert_eq!(copied.bytes, fs::metadata(&copy).expect("is there").len());
    let copy = open(&copy);
    let points = copy.points(id, 0, i64::MAX, usize::MAX).expect("reads");
    assert!(points.len() >= 2 * 8640);
    assert!((0..).zip(&points).all(|(k, p)| p.value == k));
    assert_eq!(copy.trend(id, i64::MIN, i64::MAX, 10).expect("any range").columns.len(), 1);
    assert_eq!(copy.commands(&Page::default()).expect("commands").len(), 1);
    let error = store.backup(store.path()).expect_err("its own name");
    assert!(matches!(error, Error::Refused { .. }), "{error}");
    let error = store.backup(Path::new("/nowhere/copy.sqlite")).expect_err("no such folder");
    assert!(matches!(error, Error::Io { .. }), "{error}");
}

#[test]
fn one_process_at_a_time_and_no_stranger() {
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("store.sqlite");
    let store = open(&path);
    assert!(matches!(Store::open(&path), Err(Error::InUse { .. })));
    drop(store);
    drop(open(&path));
    let picture = folder.path().join("picture.jpeg");
    fs::write(&picture, vec![0xFFu8; 5000]).expect("writes");
    let error = Store::open(&picture).expect_err("refuses").to_string();
    assert!(error.contains("no store"), "{error}");
    assert_eq!(fs::metadata(&picture).expect("untouched").len(), 5000);
    let stranger = folder.path().join("stranger.sqlite");
    Connection::open(&stranger).and_then(|c| c.execute_batch("create table t (a)")).expect("makes");
    let error = Store::open(&stranger).expect_err("refuses");
    assert!(error.to_string().contains("no store"), "{error}");
    let c = Connection::open(&stranger).expect("opens");
    assert_eq!(
        c.query_row("select count(*) from sqlite_master", [], |r| r.get::<_, i64>(0)),
        Ok(1),
        "untouched"
    );
}

#[test]
fn a_newer_file_is_not_touched() {
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("store.sqlite");
    let store = open(&path);
    assert!(store.opened().migrated.steps.iter().any(|s| s.0 == "store"));
    assert_eq!(store.opened().migrated.backup, None, "there was nothing to copy");
    let id = series(&store, "signal", 10_000);
    fill(&store, id, 10_000, 1);
    drop(store);
    let change = |sql: &str| Connection::open(&path).and_then(|c| c.execute_batch(sql)).expect("changes");
    change("insert into versions (module, version, at) values ('store', 99, '')");
    let error = Store::open(&path).expect_err("refuses");
    assert!(matches!(&error, Error::Newer { module, found: 99, .. } if module == "store"), "{error}");
    change("delete from versions where version = 99");
    assert_eq!(open(&path).points(id, 0, i64::MAX, usize::MAX).expect("reads").len(), 8640);
}

/// Pages that all else hangs on: where the tables are named (children of page 1, SQLite file format 1.6), and where the series are.
fn named_pages(path: &Path, bytes: &[u8]) -> Vec<usize> {
    let root = "select rootpage from sqlite_master where name = 'series'";
    let series: i64 =
        Connection::open(path).and_then(|c| c.query_row(root, [], |r| r.get(0))).expect("reads");
    let number = |at: usize, n: usize| bytes[at..at + n].iter().fold(0, |sum, b| sum << 8 | usize::from(*b));
    let mut pages = vec![1, series as usize];
    if bytes[100] == 5 {
        pages.push(number(108, 4));
        pages.extend((0..number(103, 2)).map(|k| number(number(112 + 2 * k, 2), 4)));
    }
    pages
}

/// Overwrites a page in the middle of the file.
fn damage(path: &Path, from: f64, n: usize) {
    let mut bytes = fs::read(path).expect("reads");
    let named = named_pages(path, &bytes);
    let mut page = (bytes.len() as f64 * from) as usize / 4096;
    while named.contains(&(page + 1)) {
        page += 1;
    }
    let page = page * 4096;
    for b in &mut bytes[page..page + n] {
        *b = b.wrapping_mul(31).wrapping_add(77);
    }
    fs::write(path, bytes).expect("writes");
}

#[test]
fn a_damaged_file_is_put_aside_and_saved_as_far_as_it_can_be_read() {
    let folder = tempfile::tempdir().expect("folder");
    let mut n_salvaged = 0;
    for from in [0.1, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9] {
        let path = folder.path().join(format!("store-{from}.sqlite"));
        let store = open(&path);
        let id = series(&store, "signal", 1000);
        // Noise, so that blocks take some pages.
        let samples: Vec<Sample> = (0..DAY / 1000)
            .map(|k| Sample {
                series: id,
                time: BASE + k * 1000,
                value: (k * 7919 + k * k) % 60_013,
                quality: Quality::Good,
            })
            .collect();
        let n = store.append(samples.clone()).expect("appends").new;
        record(&store);
        store.settle().expect("settles");
        drop(store);
        damage(&path, from, 4096);
        let store = open(&path);
        let opened = store.opened();
        let Some(salvaged) = &opened.salvaged else {
            // The page held only the insides of blocks, whose checksums tell, or nothing.
            let checked = store.check(Duration::from_secs(60)).expect("checks");
            let points = store.points(id, 0, i64::MAX, usize::MAX).expect("reads");
            assert_eq!(checked.is_sound(), points.len() as u64 == n, "at {from}: {checked:?}");
            continue;
        };
        n_salvaged += 1;
        assert!(salvaged.aside.exists(), "never deleted");
        let points = store.points(id, 0, i64::MAX, usize::MAX).expect("reads");
        assert!(points.len() as u64 > n * 9 / 10, "at {from}: {} of {n}, {salvaged:?}", points.len());
        for p in &points {
            assert_eq!(p.value, samples[((p.time - BASE) / 1000) as usize].value);
        }
        let gaps = store.gaps(id, BASE, BASE + DAY).expect("gaps");
        // What is lost at an end is no gap: nothing comes after it.
        let (first, last) = (points.first().map(|p| p.time), points.last().map(|p| p.time));
        if (first, last) == (Some(BASE), Some(BASE + DAY - 1000)) {
            assert_eq!(gaps.is_empty(), points.len() as u64 == n, "at {from}: what was lost is a known gap");
        }
        let checked = store.check(Duration::from_secs(60)).expect("checks");
        assert!(checked.structure.is_empty(), "{checked:?}");
        store.set_setting("a", "1").expect("goes on");
    }
    assert!(n_salvaged > 1, "{n_salvaged}");
    // Nothing to read at all.
    let path = folder.path().join("ruin.sqlite");
    drop(open(&path));
    fs::write(&path, vec![7u8; 50_000]).expect("writes");
    let store = open(&path);
    let salvaged = store.opened().salvaged.clone().expect("put aside");
    assert_eq!(fs::metadata(&salvaged.aside).expect("is there").len(), 50_000);
    assert!(!salvaged.holes.is_empty());
}

#[test]
fn a_damaged_block_costs_that_block() {
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("store.sqlite");
    let store = open(&path);
    let id = series(&store, "signal", 10_000);
    let n = fill(&store, id, 10_000, 1);
    store.settle().expect("settles");
    let bytes = store
        .write(|c| {
            c.execute("update blocks set data = zeroblob(length(data)) where id = 3", [])
                .map_err(|e| Error::of("a test", &e))
        })
        .expect("damages");
    assert_eq!(bytes, 1);
    let checked = store.check(Duration::from_secs(60)).expect("checks");
    assert_eq!(checked.parts.len(), 1);
    assert!(checked.parts[0].contains("the checksum of the block of series 1"), "{checked:?}");
    let points = store.points(id, 0, i64::MAX, usize::MAX).expect("reads around it");
    assert!((points.len() as u64) < n && points.len() as u64 >= n - 384);
    // The same samples again fill the hole; the damaged block is kept aside.
    let appended = store.append(
        (0..n as i64)
            .map(|k| Sample { series: id, time: BASE + k * 10_000, value: k, quality: Quality::Good })
            .collect(),
    );
    assert_eq!(appended.expect("appends").new, n - points.len() as u64);
    store.settle().expect("settles");
    assert_eq!(store.points(id, 0, i64::MAX, usize::MAX).expect("reads").len() as u64, n);
    assert_eq!(store.gaps(id, BASE, BASE + DAY).expect("gaps"), []);
    let aside: i64 = store
        .read(|c| {
            c.query_row("select count(*) from damaged", [], |r| r.get(0)).map_err(|e| Error::of("a test", &e))
        })
        .expect("reads");
    assert_eq!(aside, 1);
}

/// What a revision does to rows is filled in once; reasons are added, and an older file gets the tables.
#[test]
fn reasons_stand_beside_the_rows_they_are_for() {
    use store::{Reason, Revision, Weighing};
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("store.sqlite");
    let store = open(&path);
    let revision = Revision {
        id: 0,
        at: 1,
        source: "reef".into(),
        who: "mara".into(),
        why: "cooler".into(),
        crc: 7,
        program: vec![1],
        system: "x".into(),
    };
    let id = store.add_revision(&revision).expect("stores");
    let sent = Weighing {
        at: 10,
        source: "reef".into(),
        revision: id,
        who: "mara".into(),
        how: "later".into(),
        ..Weighing::default()
    };
    let first = store.add_weighing(&sent, &[]).expect("stores");
    assert_eq!(
        store.weighing("reef", id, 0).expect("reads").map(|(w, r)| (w.weighed, r.len())),
        Some((None, 0))
    );
    let rows = Weighing { weighed: Some(20), rows: "[1]".into(), how: "first".into(), ..sent.clone() };
    let why =
        |text: &str| Reason { at: 21, fault: "heater:welded".into(), who: "mara".into(), text: text.into() };
    assert_eq!(
        store.add_weighing(&rows, &[why("its dial holds it")]).expect("stores"),
        first,
        "one of each pair"
    );
    let other = Weighing { weighed: Some(30), rows: "[2]".into(), ..sent.clone() };
    store.add_weighing(&other, &[why("and somebody is told")]).expect("stores");
    drop(store);
    let all = open(&path).weighings("reef").expect("reads");
    assert_eq!(all.len(), 1);
    let (kept, reasons) = &all[0];
    assert_eq!((kept.how.as_str(), kept.weighed, kept.rows.as_str()), ("later", Some(20), "[1]"));
    let texts: Vec<&str> = reasons.iter().map(|r| r.text.as_str()).collect();
    assert_eq!(texts, ["its dial holds it", "and somebody is told"]);
    assert_eq!(open(&path).weighings("other").expect("reads"), []);
}
