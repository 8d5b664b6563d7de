//! Disks that are full or fail, at every write and sync of a history, and power that goes off at any moment: nothing that was
//! acknowledged is lost, the error says what happened, and the store goes on when the disk does.

mod vfs;

use std::path::Path;
use std::sync::Mutex;
use std::time::Duration;

use store::rusqlite::ffi;
use store::{BoardEvent, Command, Error, Options, Page, Quality, Sample, SeriesId, SeriesSpec, Store};
use vfs::Fault;

const BASE: i64 = 1_700_000_000_000;

/// The layer is one for the process: one test at a time.
static ONE: Mutex<()> = Mutex::new(());

fn one_at_a_time() -> std::sync::MutexGuard<'static, ()> {
    vfs::install();
    ONE.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

/// In memory where there is such a place: what is on the disk is this layer's to say.
fn new_folder() -> tempfile::TempDir {
    tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).expect("folder")
}

fn open(path: &Path) -> store::Result<(Store, Vec<SeriesId>)> {
    let options = Options { gather: Duration::ZERO, block: 16, tail: 400, ..Options::default() };
    let store = Store::open_with(path, options)?;
    let mut ids = vec![];
    for name in ["one", "two"] {
        ids.push(store.series(&SeriesSpec {
            source: "board".into(),
            name: name.into(),
            unit: String::new(),
            scale: 1.0,
            interval: 1000,
            is_switch: false,
        })?);
    }
    Ok((store, ids))
}

/// What was acknowledged.
#[derive(Debug, Default)]
struct Acknowledged {
    samples: Vec<Sample>,
    events: Vec<String>,
    commands: Vec<i64>,
}

/// The k-th act of a history; gives the error if there was one.
fn act(store: &Store, ids: &[SeriesId], k: i64, acknowledged: &mut Acknowledged) -> store::Result<()> {
    match k % 4 {
        0 | 1 => {
            let samples: Vec<Sample> = (0..7)
                .flat_map(|i| {
                    ids.iter().map(move |&series| Sample {
                        series,
                        time: BASE + (k * 7 + i) * 1000,
                        value: k * 31 % 17 + i,
                        quality: Quality::Good,
                    })
                })
                .collect();
            store.append(samples.clone())?;
            acknowledged.samples.extend(samples);
        }
        2 => {
            let text = format!("event {k}");
            let event = BoardEvent {
                sequence: k as u8,
                code: 2,
                argument: 0,
                minute: k as u16,
                at: BASE,
                kind: "reset".into(),
                text: text.clone(),
            };
            store.add_board_events("board", vec![event])?;
            acknowledged.events.push(text);
        }
        _ => {
            let command = Command {
                id: 0,
                at: BASE + k,
                source: "board".into(),
                who: "operator".into(),
                why: "a test".into(),
                what: "hand".into(),
                outcomes: vec![],
            };
            acknowledged.commands.push(store.add_command(&command)?);
        }
    }
    Ok(())
}

fn verify(store: &Store, acknowledged: &Acknowledged, when: &str) {
    for s in &acknowledged.samples {
        let points = store.points(s.series, s.time, s.time + 1, 2).expect("reads");
        assert_eq!(points.iter().map(|p| p.value).collect::<Vec<_>>(), [s.value], "{when}: {s:?}");
    }
    let events = store.events(&Page::default()).expect("events");
    for text in &acknowledged.events {
        assert_eq!(events.iter().filter(|e| &e.text == text).count(), 1, "{when}: {text}");
    }
    let commands = store.commands(&Page::default()).expect("commands");
    for id in &acknowledged.commands {
        assert!(commands.iter().any(|c| c.id == *id), "{when}: command {id}");
    }
    let checked = store.check(Duration::from_secs(60)).expect("checks");
    assert!(checked.is_complete && checked.is_sound(), "{when}: {checked:?}");
}

/// Fails the n-th write or sync of a history, each once; after that, all must go well again.
fn fail_everywhere(code: std::ffi::c_int, times: u64) {
    let mut after = 0;
    loop {
        let when = format!("failed {times} times after {after}");
        let folder = new_folder();
        let path = folder.path().join("store.sqlite");
        let (store, ids) = open(&path).expect("opens");
        let mut acknowledged = Acknowledged::default();
        vfs::set(Some(Fault { after, times, code }));
        for k in 0..24 {
            if let Err(error) = act(&store, &ids, k, &mut acknowledged) {
                assert!(error.may_pass(), "{when}: {error}");
                if code == ffi::SQLITE_FULL && times > 1 {
                    assert!(
                        error.to_string().contains("room") || error.to_string().contains("disk"),
                        "{error}"
                    );
                }
            }
        }
        let n_failed = vfs::set(None);
        // Once the disk works again so does the store, without being opened again.
        for k in 24..32 {
            act(&store, &ids, k, &mut acknowledged).unwrap_or_else(|e| panic!("{when}: goes on: {e}"));
        }
        store.settle().expect("settles");
        verify(&store, &acknowledged, &when);
        drop(store);
        let (store, _) = open(&path).expect("opens again");
        assert_eq!(store.opened().salvaged, None, "{when}");
        verify(&store, &acknowledged, &format!("{when}, opened again"));
        if n_failed == 0 {
            assert!(after > 50, "the history has {after} writes and syncs");
            println!("{after} places");
            return;
        }
        after += 1;
    }
}

#[test]
fn a_write_or_sync_that_fails_once_anywhere() {
    let _one = one_at_a_time();
    fail_everywhere(ffi::SQLITE_IOERR_WRITE, 1);
}

#[test]
fn a_disk_that_is_full_for_a_while_from_anywhere() {
    let _one = one_at_a_time();
    fail_everywhere(ffi::SQLITE_FULL, 7);
}

#[test]
fn a_full_disk_is_named() {
    let _one = one_at_a_time();
    let folder = new_folder();
    let (store, ids) = open(&folder.path().join("store.sqlite")).expect("opens");
    let mut acknowledged = Acknowledged::default();
    vfs::set(Some(Fault { after: 0, times: u64::MAX, code: ffi::SQLITE_FULL }));
    let errors: Vec<Error> = (0..4).filter_map(|k| act(&store, &ids, k, &mut acknowledged).err()).collect();
    vfs::set(None);
    assert_eq!(errors.len(), 4);
    assert!(errors.iter().all(|e| matches!(e, Error::Full { .. })), "{errors:?}");
    assert_eq!(errors[0].to_string(), "storing: no room on the disk; make room, it goes on by itself");
}

#[test]
fn power_that_goes_off() {
    let _one = one_at_a_time();
    for n in 1..40 {
        let when = format!("power off after act {n}");
        let folder = new_folder();
        let path = folder.path().join("store.sqlite");
        vfs::record();
        let (store, ids) = open(&path).expect("opens");
        let mut acknowledged = Acknowledged::default();
        for k in 0..n {
            act(&store, &ids, k, &mut acknowledged).expect("acts");
        }
        let after = new_folder();
        vfs::power_cut(after.path());
        drop(store);
        let (store, _) = open(&after.path().join("store.sqlite")).expect("opens again");
        assert_eq!(store.opened().salvaged, None, "{when}");
        verify(&store, &acknowledged, &when);
    }
}
