//! The daily look through the store, and what a person sees of a hand.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use serde_json::json;
use station::upkeep::{self, LastCheck};
use store::people::Role;
use store::rusqlite::Connection;
use store::{Quality, Sample};

use crate::harness::{Bench, Sender};

async fn checks(bench: &Bench, sender: &Sender) -> Vec<String> {
    let events = bench.get(sender, "/api/v1/events?board=station").await.json();
    let all = events.as_array().expect("a list").iter().filter(|event| event["kind"] == "check");
    all.map(|event| event["text"].as_str().expect("a text").to_owned()).collect()
}

#[tokio::test]
async fn the_store_is_looked_through_and_damage_is_told() {
    let bench = Bench::new();
    let viewer = bench.person("viewer", Role::Viewer);
    let series = bench.app.store.all_series()[0].id;
    let samples = (0..5000).map(|k| Sample { series, time: k * 1000, value: k % 7, quality: Quality::Good });
    bench.app.store.append(samples.collect()).expect("stores");
    bench.app.store.settle().expect("settles");
    let go_on = Arc::new(AtomicBool::new(false));
    upkeep::check(&bench.app, &go_on);
    let said = checks(&bench, &viewer).await;
    assert!(said[0].ends_with("all is as it was written"), "{said:?}");
    let sound = bench.app.last_check().expect("it was looked through");
    assert_eq!((sound.n_structure, sound.n_parts), (0, 0));

    // Somebody, or a worn card, turns a byte.
    let db = Connection::open(bench.app.store.path()).expect("opens");
    let n = db
        .execute("update blocks set data = cast(substr(data, 1, 9) || x'ff' || substr(data, 11) as blob)", [])
        .expect("changes");
    drop(db);
    assert!(n > 0);
    upkeep::check(&bench.app, &go_on);
    let said = checks(&bench, &viewer).await;
    assert!(said[0].contains("damaged"), "{said:?}");
    let found = bench.app.last_check().expect("it was looked through");
    assert!(found.n_parts >= n, "{found:?}");
    assert_eq!(LastCheck::kept(&bench.app.store), Some(found), "it is known after a restart");

    // Told to stop it says nothing.
    let stop = Arc::new(AtomicBool::new(true));
    upkeep::check(&bench.app, &stop);
    assert_eq!(checks(&bench, &viewer).await.len(), 2);
}

#[tokio::test]
async fn a_hand_is_shown_with_who_why_and_until_when_over_a_restart() {
    let bench = Bench::new();
    let operator = bench.person("Mara", Role::Operator);
    let order = json!({ "drive": "skimmer", "value": 0, "minutes": 1, "why": "cleaning the cup" });
    let answer = bench.post(&operator, "/api/v1/boards/board/hand", order).await;
    assert_eq!(answer.json()["status"], "done", "{}", answer.text());
    let site = bench.app.site.clone();
    let hands = bench.app.live().hands(&site, 0);
    let hand = hands.get("skimmer").expect("it is in hand");
    assert_eq!((hand.who.as_str(), hand.why.as_str()), ("Mara", "cleaning the cup"));
    // The board of these tests took it at its second 1, for a minute.
    assert_eq!((hand.since_ms, hand.until_ms), (1000, 61_000));
    let kept = bench.app.store.setting("hands/board").expect("reads").expect("is kept");
    assert_eq!(serde_json::from_str::<serde_json::Value>(&kept).expect("JSON")["skimmer"]["who"], "Mara");
    {
        let mut live = bench.app.live.write().expect("not poisoned");
        live.note_hand(0, 0, None);
        live.restore_hands(&site, 0, &hands);
    }
    assert_eq!(bench.app.live().hands(&site, 0), hands);
}
