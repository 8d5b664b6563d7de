//! Killed at random under load (SIGKILL): whatever was acknowledged is there, the file is sound, and the store opens in less than two
//! seconds. Some kills in the suite; `STORE_KILLS=200 cargo test -p store --test kill -- --nocapture` for many.
//!
//! A killed process leaves what it wrote in the system's cache; lost power does not. That is `faults.rs`.

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use store::photos::{self, Added, Most, Photo, Size};
use store::{
    Doing as _, Note, Options, Outcome, OutcomeKind, Page, Point, Quality, Sample, SeriesId, SeriesSpec,
    Store,
};

const BASE: i64 = 1_700_000_000_000;
const N_SERIES: usize = 5;
/// Longest time to open after a kill.
const RESTART: Duration = Duration::from_secs(2);

/// Some number that looks like noise (the finalizer of SplitMix64, from memory).
fn mix(k: u64) -> u64 {
    let mut z = k.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// The k-th sample of a series.
fn point(series: usize, k: i64) -> Point {
    let noise = mix(k as u64 * N_SERIES as u64 + series as u64);
    let quality = Quality::from_code(if noise.is_multiple_of(97) { 1 } else { 0 });
    Point { time: BASE + k * 1000, value: 25_000 + (noise >> 32) as i64 % 50, quality }
}

fn open(path: &Path) -> (Store, Vec<SeriesId>) {
    // Small blocks, so that kills fall into writing them as well.
    let options =
        Options { gather: Duration::from_millis(2), block: 512, tail: 20_000, ..Options::default() };
    let store = Store::open_with(path, options).expect("opens");
    let ids = (0..N_SERIES)
        .map(|i| {
            let spec = SeriesSpec {
                source: "board".into(),
                name: format!("signal-{i}"),
                unit: "degC".into(),
                scale: 0.001,
                interval: 1000,
                is_switch: false,
            };
            store.series(&spec).expect("series")
        })
        .collect();
    (store, ids)
}

fn say(line: &str) {
    let mut out = std::io::stdout().lock();
    // The parent may be gone; then so are we.
    let _ = writeln!(out, "{line}");
    let _ = out.flush();
}

/// Some bytes that follow from the number of a note.
fn picture_of(note: i64) -> Vec<u8> {
    (0..60_000).map(|k| mix(note as u64 * 100_000 + k) as u8).collect()
}

/// A note with a photo; gives the photo's number.
fn add_photo(store: &Store) -> i64 {
    let note = Note { first: BASE, last: BASE, text: "load".into(), ..Note::default() };
    let note = store.add_note(&note).expect("note");
    let photo = Photo {
        id: 0,
        note,
        at: BASE,
        who: String::new(),
        caption: String::new(),
        kind: "jpeg".into(),
        width: 1,
        height: 1,
        bytes: 0,
    };
    let most = Most { of_note: 1, bytes: i64::MAX };
    let added =
        store.write(move |db| photos::add(db, &photo, &picture_of(note), most).doing("storing a photo"));
    match added.expect("photo") {
        Added::Done(id) => id,
        other => panic!("{other:?}"),
    }
}

/// What runs in the process that is killed: says each thing after it was acknowledged.
#[test]
#[ignore = "runs in a process of its own, to be killed"]
fn child() {
    let Some(path) = std::env::var_os("STORE_CHILD") else { return };
    let (store, ids) = open(Path::new(&path));
    say("open");
    let newest = store.newest(ids[N_SERIES - 1]).expect("reads");
    let mut k = newest.map_or(0, |p| (p.time - BASE) / 1000 + 1);
    let rows = store.clone();
    std::thread::spawn(move || {
        loop {
            let event = rows.add_event(BASE, "station", "load", "one more").expect("event");
            say(&format!("event {event}"));
            let command = store::Command {
                id: 0,
                at: BASE,
                source: "board".into(),
                who: "operator".into(),
                why: "load".into(),
                what: "hand".into(),
                outcomes: vec![],
            };
            let id = rows.add_command(&command).expect("command");
            say(&format!("command {id}"));
            let outcome = Outcome {
                at: BASE,
                outcome: OutcomeKind::Done,
                detail: String::new(),
                scan: Some(1),
                output: Some(1),
            };
            rows.add_outcome(id, outcome).expect("outcome");
            say(&format!("outcome {id}"));
            // Now and then a note with a photo, of some pages.
            if id % 16 == 0 {
                let photo = add_photo(&rows);
                say(&format!("photo {photo}"));
            }
        }
    });
    // Ends by itself should nobody kill it.
    let until = Instant::now() + Duration::from_secs(20);
    while Instant::now() < until {
        let n = 1 + (mix(k as u64) % 400) as i64;
        let samples = (k..k + n)
            .flat_map(|k| {
                ids.iter().enumerate().map(move |(i, &series)| {
                    let p = point(i, k);
                    Sample { series, time: p.time, value: p.value, quality: p.quality }
                })
            })
            .collect();
        store.append(samples).expect("appends");
        k += n;
        say(&format!("samples {k}"));
    }
}

#[derive(Debug, Default)]
struct Acknowledged {
    samples: i64,
    event: i64,
    command: i64,
    outcome: i64,
    photo: i64,
}

#[test]
fn nothing_acknowledged_is_lost_to_a_kill() {
    let n_kills: u64 = std::env::var("STORE_KILLS").ok().and_then(|n| n.parse().ok()).unwrap_or(6);
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("store.sqlite");
    let mut acknowledged = Acknowledged::default();
    let mut slowest = Duration::ZERO;
    for kill in 0..n_kills {
        let mut child = Command::new(std::env::current_exe().expect("own path"))
            .args(["--exact", "child", "--ignored", "--nocapture"])
            .env("STORE_CHILD", &path)
            .stdout(Stdio::piped())
            .spawn()
            .expect("starts");
        let out = BufReader::new(child.stdout.take().expect("its output"));
        let (opened, is_open) = std::sync::mpsc::channel();
        let reader = std::thread::spawn(move || {
            let mut last = Acknowledged::default();
            for line in out.lines().map_while(Result::ok) {
                let Some((what, number)) = line.split_once(' ') else {
                    if line == "open" {
                        let _ = opened.send(());
                    }
                    continue;
                };
                let Ok(number) = number.parse() else { continue };
                match what {
                    "samples" => last.samples = number,
                    "event" => last.event = number,
                    "command" => last.command = number,
                    "outcome" => last.outcome = number,
                    "photo" => last.photo = number,
                    _ => {}
                }
            }
            last
        });
        is_open.recv_timeout(Duration::from_secs(10)).expect("the child opens the store");
        std::thread::sleep(Duration::from_millis(5 + mix(kill) % 250));
        child.kill().expect("kills");
        child.wait().expect("ends");
        let last = reader.join().expect("reads");
        acknowledged.samples = acknowledged.samples.max(last.samples);
        acknowledged.event = acknowledged.event.max(last.event);
        acknowledged.command = acknowledged.command.max(last.command);
        acknowledged.outcome = acknowledged.outcome.max(last.outcome);
        acknowledged.photo = acknowledged.photo.max(last.photo);

        let began = Instant::now();
        let (store, ids) = open(&path);
        slowest = slowest.max(began.elapsed());
        assert_eq!(store.opened().salvaged, None);
        let is_last = kill + 1 == n_kills;
        let from = if is_last { 0 } else { (acknowledged.samples - 50_000).max(0) };
        for (i, &id) in ids.iter().enumerate() {
            let mut k = from;
            store
                .scan(id, BASE + from * 1000, i64::MAX, |points| {
                    for p in points {
                        assert_eq!(*p, point(i, k), "series {i} after kill {kill}");
                        k += 1;
                    }
                    std::ops::ControlFlow::Continue(())
                })
                .expect("scans");
            assert!(
                k >= acknowledged.samples,
                "series {i}: {k} of {} after kill {kill}",
                acknowledged.samples
            );
        }
        let newest = |page: Page| Page { newest_first: true, limit: 1, ..page };
        let events = store.events(&newest(Page::default())).expect("events");
        assert!(events.first().map_or(0, |e| e.id) >= acknowledged.event, "events after kill {kill}");
        let all = Page { after: 0, limit: u32::MAX, ..Page::default() };
        let commands = store.commands(&all).expect("commands");
        assert!(commands.last().map_or(0, |c| c.id) >= acknowledged.command, "commands after kill {kill}");
        let with_outcome = commands.iter().filter(|c| !c.outcomes.is_empty()).map(|c| c.id).max();
        assert!(with_outcome.unwrap_or(0) >= acknowledged.outcome, "outcomes after kill {kill}");
        let photos =
            store.read(|db| photos::of_notes(db, 0, i64::MAX).doing("reading photos")).expect("reads");
        assert!(photos.last().map_or(0, |p| p.id) >= acknowledged.photo, "photos after kill {kill}");
        for photo in photos {
            let kept = store.read(|db| photos::picture(db, photo.id, Size::Whole)).expect("reads");
            assert_eq!(kept.map(|(_, bytes)| bytes), Some(picture_of(photo.note)), "photo {}", photo.id);
        }
        let checked = store.check(Duration::from_secs(60)).expect("checks");
        assert!(checked.is_complete && checked.is_sound(), "{checked:?}");
        let integrity: String = store
            .read(|c| Ok(c.query_row("pragma integrity_check", [], |row| row.get(0)).expect("integrity")))
            .expect("reads");
        assert_eq!(integrity, "ok");
    }
    println!("{n_kills} kills: {acknowledged:?} acknowledged and all there; slowest start {slowest:?}");
    assert!(slowest < RESTART, "{slowest:?}");
}
