//! Photos to notes: kept, copied, rescued and taken away with all else of the file.

use std::fs;
use std::path::Path;
use std::time::Duration;

use store::photos::{Added, Most, Photo, Size, add, of_note, of_notes, picture, remove, set_small};
use store::rusqlite::Connection;
use store::{Doing as _, Error, Note, Store};

const MOST: Most = Most { of_note: 3, bytes: 400_000 };

fn note(store: &Store, text: &str, replaces: Option<i64>) -> i64 {
    let note = Note {
        first: 1000,
        last: 1000,
        who: "Helper".into(),
        text: text.into(),
        replaces,
        ..Note::default()
    };
    store.add_note(&note).expect("stored")
}

fn photo(note: i64) -> Photo {
    Photo {
        id: 0,
        note,
        at: 1000,
        who: "Helper".into(),
        caption: "pump".into(),
        kind: "jpeg".into(),
        width: 64,
        height: 48,
        bytes: 0,
    }
}

/// Bytes that stand nowhere else in the file.
fn bytes(n: usize, seed: u8) -> Vec<u8> {
    (0..n).map(|k| (k as u32).wrapping_mul(2_654_435_761).to_be_bytes()[1] ^ seed).collect()
}

fn store_photo(store: &Store, note: i64, data: &[u8]) -> Added {
    let data = data.to_vec();
    store.write(move |db| add(db, &photo(note), &data, MOST).doing("storing a photo")).expect("asked")
}

fn read(store: &Store, id: i64, size: Size) -> store::Result<Option<(String, Vec<u8>)>> {
    store.read(|db| picture(db, id, size))
}

fn holds(path: &Path, part: &[u8]) -> bool {
    fs::read(path).expect("reads").windows(part.len()).any(|w| w == part)
}

#[test]
fn photos_belong_to_a_note_and_go_on_to_the_one_in_its_place() {
    let folder = tempfile::tempdir().expect("folder");
    let store = Store::open(folder.path().join("store.sqlite")).expect("opens");
    let first = note(&store, "a new pump", None);
    let data = bytes(100_000, 1);
    let Added::Done(id) = store_photo(&store, first, &data) else { panic!("not stored") };
    assert_eq!(store_photo(&store, 99, &data), Added::NoNote);
    assert_eq!(read(&store, id, Size::Small).expect("reads"), Some(("jpeg".into(), data.clone())));
    let small = bytes(5000, 2);
    let row = small.clone();
    assert!(store.write(move |db| set_small(db, id, "webp", &row).doing("x")).expect("stored"));
    assert!(!store.write(|db| set_small(db, 99, "webp", b"x").doing("x")).expect("asked"));
    assert_eq!(read(&store, id, Size::Small).expect("reads"), Some(("webp".into(), small)));
    assert_eq!(read(&store, id, Size::Whole).expect("reads"), Some(("jpeg".into(), data.clone())));
    let second = note(&store, "a new return pump", Some(first));
    let all = store.read(|db| of_notes(db, 0, 2000).doing("x")).expect("reads");
    assert_eq!(all.iter().map(|p| (p.id, p.note, p.bytes)).collect::<Vec<_>>(), [(id, second, 100_000)]);
    assert_eq!(store_photo(&store, first, &data), Added::NoNote, "another stands in its place");
    assert!(matches!(store_photo(&store, second, &data), Added::Done(_)));
    assert!(matches!(store_photo(&store, second, &data), Added::Done(_)));
    assert_eq!(store_photo(&store, second, &data), Added::NoteFull);
    let other = note(&store, "another", None);
    assert_eq!(store_photo(&store, other, &data[..99_999]), Added::Done(4));
    assert_eq!(store_photo(&store, other, b"xx"), Added::Full);
    assert_eq!(store.read(|db| of_note(db, other).doing("x")).expect("reads").len(), 1);
}

#[test]
fn what_is_taken_away_is_written_over_and_a_copy_holds_the_rest() {
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("store.sqlite");
    let store = Store::open(&path).expect("opens");
    let n = note(&store, "two photos", None);
    let (gone, stays) = (bytes(90_000, 3), bytes(90_000, 4));
    let Added::Done(first) = store_photo(&store, n, &gone) else { panic!("not stored") };
    let Added::Done(second) = store_photo(&store, n, &stays) else { panic!("not stored") };
    let copy = folder.path().join("copy.sqlite");
    store.backup(&copy).expect("copies");
    assert!(holds(&copy, &gone[40_000..40_200]) && holds(&copy, &stays[40_000..40_200]));
    assert!(store.write(move |db| remove(db, first).doing("x")).expect("taken away"));
    assert!(!store.write(move |db| remove(db, first).doing("x")).expect("asked"));
    assert_eq!(read(&store, first, Size::Whole).expect("reads"), None);
    drop(store);
    // Closing brought SQLite's log into the file.
    assert!(!holds(&path, &gone[40_000..40_200]), "its bytes are still there");
    assert!(holds(&path, &stays[40_000..40_200]));
    let copied = Store::open(&copy).expect("opens");
    assert_eq!(read(&copied, first, Size::Whole).expect("reads").map(|p| p.1), Some(gone));
    assert_eq!(read(&copied, second, Size::Whole).expect("reads").map(|p| p.1), Some(stays));
}

#[test]
fn a_photo_that_changed_by_itself_is_found_and_not_shown() {
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("store.sqlite");
    let store = Store::open(&path).expect("opens");
    let n = note(&store, "one photo", None);
    let Added::Done(id) = store_photo(&store, n, &bytes(50_000, 5)) else { panic!("not stored") };
    assert!(store.check(Duration::from_secs(60)).expect("looks").is_sound());
    drop(store);
    let mut raw = fs::read(&path).expect("reads");
    let part = bytes(50_000, 5)[20_000..20_100].to_vec();
    let at = raw.windows(part.len()).position(|w| w == part).expect("is there");
    raw[at] ^= 1;
    fs::write(&path, raw).expect("writes");
    let store = Store::open(&path).expect("opens");
    let found = store.check(Duration::from_secs(60)).expect("looks");
    assert_eq!(found.parts, [format!("photo {id} (whole): it is not as it was stored")]);
    assert!(matches!(read(&store, id, Size::Whole), Err(Error::Damaged { .. })));
}

#[test]
fn a_damaged_file_gives_back_its_photos() {
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("store.sqlite");
    let store = Store::open(&path).expect("opens");
    let n = note(&store, "one photo", None);
    let data = bytes(50_000, 6);
    let Added::Done(id) = store_photo(&store, n, &data) else { panic!("not stored") };
    drop(store);
    // The list of free pages is made wrong: structure, not content.
    let db = Connection::open(&path).expect("opens");
    db.execute_batch("create table t (x); insert into t values (zeroblob(20000)); drop table t")
        .expect("frees pages");
    drop(db);
    let mut raw = fs::read(&path).expect("reads");
    raw[32..36].copy_from_slice(&[0x7f, 0xff, 0xff, 0xff]);
    fs::write(&path, raw).expect("writes");
    let store = Store::open(&path).expect("opens");
    assert!(store.opened().salvaged.is_some());
    assert_eq!(read(&store, id, Size::Whole).expect("reads").map(|p| p.1), Some(data));
}
