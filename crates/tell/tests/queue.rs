//! The queue: who is told what and when, across quiet hours, outages and restarts.

use std::collections::BTreeMap;

use program::zone::Zone;
use proptest::prelude::*;
use tell::queue::Queue;
use tell::{AlarmChange, Change, Kind, Notice, Priority, Settings};

const MINUTE: i64 = 60_000;

/// So many hours after a midnight in UTC.
fn h(hours: i64) -> i64 {
    1_789_948_800_000 + hours * 60 * MINUTE
}

/// Two ways: everything from medium goes to `first`; `second` is called when nobody acknowledged three times.
const SETTINGS: &str = r#"{
    "webhook": [
        { "name": "first", "url": "https://tank.example/a", "secret": { "env": "KEY" } },
        { "name": "second", "url": "https://tank.example/b", "secret": { "env": "KEY" }, "share": { "after_tells": 2 } }
    ],
    "quiet": { "medium": "22:00-07:00", "low": "22:00-07:00" }
}"#;

fn settings() -> Settings {
    serde_json::from_str(SETTINGS).expect("settings")
}

/// A store's file.
fn file() -> (tempfile::TempDir, std::path::PathBuf) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("store.sqlite");
    drop(store::Store::open(&path).expect("a store"));
    (folder, path)
}

fn queue_at(path: &std::path::Path, now: i64) -> Queue {
    Queue::open(rusqlite::Connection::open(path).expect("a file"), &settings(), Zone::default(), now)
        .expect("a queue")
}

/// A queue and the folder that its file is in.
fn queue() -> (Queue, tempfile::TempDir) {
    let (folder, path) = file();
    (queue_at(&path, 0), folder)
}

fn change(alarm: &str, priority: Priority, change: Change, at_ms: i64) -> AlarmChange {
    AlarmChange {
        alarm: alarm.to_owned(),
        priority,
        change,
        at_ms,
        headline: format!("{alarm}: Display 28.4 °C, limit 27.8"),
        words: "Since 03:10. The master cut has opened.\nLook at the heater of the sump.\n".to_owned(),
    }
}

/// Sends all that is due by a way; the kinds and subjects that went.
fn drain(queue: &mut Queue, route: &str, now: i64) -> Vec<(Kind, String)> {
    let mut sent = Vec::new();
    while let Some(batch) = queue.due(route, now).expect("a queue") {
        sent.push((batch.notice.kind, batch.notice.subject.clone()));
        queue.sent(route, &batch, "ok", now).expect("a queue");
    }
    sent
}

#[test]
fn high_goes_at_once_and_at_night_the_rest_waits_for_the_morning() {
    let (mut queue, _folder) = queue();
    let night = h(23);
    queue.tell(&change("hot", Priority::High, Change::Raised, night), night).expect("told");
    queue.tell(&change("reservoir", Priority::Medium, Change::Raised, night), night).expect("told");
    let at_night = drain(&mut queue, "first", night);
    assert_eq!(at_night.len(), 1);
    assert!(at_night[0].1.starts_with("hot"), "{at_night:?}");
    assert_eq!(drain(&mut queue, "first", h(30)), []);
    let morning = drain(&mut queue, "first", h(31));
    assert!(
        morning.iter().any(|(kind, subject)| *kind == Kind::Raised && subject.starts_with("reservoir")),
        "{morning:?}"
    );
}

#[test]
fn repeats_until_acknowledged_farther_and_farther_apart_and_calls_the_second() {
    let (mut queue, _folder) = queue();
    let mut told: BTreeMap<&str, Vec<i64>> = BTreeMap::new();
    queue.tell(&change("hot", Priority::High, Change::Raised, h(8)), h(8)).expect("told");
    for minute in 0..12 * 60 {
        let now = h(8) + minute * MINUTE;
        queue.advance(now).expect("a queue");
        for route in ["first", "second"] {
            told.entry(route).or_default().extend(drain(&mut queue, route, now).iter().map(|_| minute));
        }
    }
    assert_eq!(told["first"], [0, 15, 45, 105, 225, 465, 705]);
    assert_eq!(told["second"], [45, 105, 225, 465, 705]);
    queue.tell(&change("hot", Priority::High, Change::Acknowledged, h(20)), h(20)).expect("told");
    for hour in 20..60 {
        queue.advance(h(hour)).expect("a queue");
        assert_eq!(drain(&mut queue, "first", h(hour)), []);
    }
}

#[test]
fn what_came_and_went_in_the_night_is_one_line_in_the_morning() {
    let (mut queue, _folder) = queue();
    queue.tell(&change("ph", Priority::Medium, Change::Raised, h(24)), h(24)).expect("told");
    queue.tell(&change("ph", Priority::Medium, Change::Over, h(25)), h(25)).expect("told");
    queue.advance(h(26)).expect("a queue");
    assert_eq!(drain(&mut queue, "first", h(30)), []);
    let morning = drain(&mut queue, "first", h(31));
    assert_eq!(morning.len(), 1);
    assert_eq!(morning[0].0, Kind::Passed);
}

#[test]
fn over_is_told_to_whoever_was_told() {
    let (mut queue, _folder) = queue();
    queue.tell(&change("hot", Priority::High, Change::Raised, h(8)), h(8)).expect("told");
    assert_eq!(drain(&mut queue, "first", h(8)).len(), 1);
    queue.tell(&change("hot", Priority::High, Change::Over, h(9)), h(9)).expect("told");
    assert_eq!(drain(&mut queue, "first", h(9) + MINUTE)[0].0, Kind::Over);
    assert_eq!(drain(&mut queue, "second", h(9) + MINUTE), []);
    assert_eq!(queue.told("hot", 0).expect("a queue"), [("first".to_owned(), h(8))]);
}

#[test]
fn a_flood_is_one_message_with_the_worst_in_its_subject() {
    let (mut queue, _folder) = queue();
    for n in 0..9 {
        queue
            .tell(&change(&format!("alarm {n}"), Priority::Medium, Change::Raised, h(8) + n), h(8))
            .expect("told");
    }
    queue.tell(&change("hot", Priority::High, Change::Raised, h(8)), h(8) + 15_000).expect("told");
    let first = drain(&mut queue, "first", h(8) + MINUTE);
    assert_eq!(first.len(), 1);
    assert!(first[0].1.starts_with("hot") && first[0].1.ends_with("(and 9 more)"), "{first:?}");
}

#[test]
fn told_twice_is_told_once() {
    let (mut queue, _folder) = queue();
    for _ in 0..2 {
        queue.tell(&change("hot", Priority::High, Change::Raised, h(8)), h(8)).expect("told");
        queue.tell(&change("hot", Priority::High, Change::Raised, h(8)), h(8) + 1).expect("told");
    }
    assert_eq!(drain(&mut queue, "first", h(8) + MINUTE).len(), 1);
    assert_eq!(drain(&mut queue, "first", h(8) + MINUTE).len(), 0);
}

#[test]
fn a_dead_way_rests_longer_each_time_and_the_other_says_so() {
    let (mut queue, _folder) = queue();
    queue.tell(&change("hot", Priority::High, Change::Raised, h(8)), h(8)).expect("told");
    let mut tries = Vec::new();
    for second in 0..2 * 3600 {
        let now = h(8) + second * 1000;
        if second % 60 == 0 {
            queue.advance(now).expect("a queue");
        }
        if queue.due("first", now).expect("a queue").is_some() {
            tries.push(second);
            queue.failed("first", "nobody answers", now).expect("a queue");
        }
    }
    assert_eq!(tries[..5], [0, 10, 30, 70, 150]);
    assert!(tries.windows(2).all(|pair| pair[1] - pair[0] <= 15 * 60));
    let state =
        queue.states().expect("a queue").into_iter().find(|state| state.name == "first").expect("a way");
    assert_eq!(state.failing_since_ms, Some(h(8)));
    assert_eq!(state.last_answer, "nobody answers");
}

#[test]
fn what_nobody_took_for_a_week_is_given_up_and_kept() {
    let (mut queue, _folder) = queue();
    queue.tell(&change("hot", Priority::High, Change::Raised, h(8)), h(8)).expect("told");
    queue.tell(&change("hot", Priority::High, Change::Acknowledged, h(8)), h(8)).expect("told");
    queue.say(&notice("lost", Priority::High), None, h(8)).expect("said");
    queue.advance(h(8 + 8 * 24)).expect("a queue");
    assert_eq!(queue.due("first", h(8 + 8 * 24)).expect("a queue"), None);
}

#[test]
fn a_way_that_left_the_settings_is_no_trouble() {
    let (_folder, path) = file();
    queue_at(&path, 0).tell(&change("hot", Priority::High, Change::Raised, 1), 1).expect("told");
    let db = rusqlite::Connection::open(&path).expect("a file");
    let queue = Queue::open(db, &Settings::default(), Zone::default(), 2).expect("a queue");
    assert!(queue.states().expect("a queue").is_empty());
}

fn notice(key: &str, priority: Priority) -> Notice {
    Notice {
        key: key.to_owned(),
        kind: Kind::Telling,
        priority,
        at_ms: 0,
        subject: key.to_owned(),
        body: String::new(),
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 8, ..ProptestConfig::default() })]

    /// Whatever fails and restarts in between: each message arrives at least once, in order, and more than once only when the note of its
    /// sending was lost.
    #[test]
    fn nothing_is_lost(n in 1_usize..30, fates in proptest::collection::vec(0_u8..5, 200)) {
        let (_folder, path) = file();
        let mut queue = queue_at(&path, 0);
        let mut fates = fates.into_iter().chain(std::iter::repeat(4));
        let mut arrived: Vec<String> = Vec::new();
        let mut now = h(8);
        let mut said = 0;
        for _ in 0..100_000 {
            if said < n {
                queue.say(&notice(&format!("{said:03}"), Priority::High), Some("first"), now).expect("said");
                said += 1;
            }
            now += 1000;
            if let Some(batch) = queue.due("first", now).expect("a queue") {
                match fates.next().unwrap_or(4) {
                    0 | 1 => queue.failed("first", "down", now).expect("a queue"),
                    // Taken by the peer, and killed before that could be noted.
                    2 => { arrived.extend(keys(&batch.notice)); drop(queue); queue = queue_at(&path, now); }
                    3 => { drop(queue); queue = queue_at(&path, now); }
                    _ => { arrived.extend(keys(&batch.notice)); queue.sent("first", &batch, "ok", now).expect("a queue"); }
                }
            } else if said == n && queue.states().expect("a queue").iter().all(|state| state.waiting == 0) {
                break;
            }
        }
        arrived.dedup();
        let mut sorted = arrived.clone();
        sorted.sort();
        sorted.dedup();
        prop_assert_eq!(sorted, (0..n).map(|k| format!("{k:03}")).collect::<Vec<_>>());
    }
}

/// The messages in a joined one: each says its own key in a line of its own.
fn keys(notice: &Notice) -> Vec<String> {
    if notice.body.is_empty() {
        return vec![notice.key.clone()];
    }
    notice.body.lines().filter(|line| line.len() == 3).map(str::to_owned).collect()
}
