//! A revision that makes rows worse: asked for a reason each, sent at once in an emergency and compared afterwards, with the reasons in the list.

use std::sync::atomic::AtomicBool;

use axum::http::StatusCode;
use link::message::Hello;
use serde_json::{Value, json};
use station::boards::Act;
use station::weighing;
use store::people::Role;

use crate::harness::{Bench, Sender};

const REVISIONS: &str = "/api/v1/boards/board/revisions";
const COMPARE: &str = "/api/v1/boards/board/revisions/compare";
const FALLEN: &str = "water_temp:fallen-out";

fn text() -> String {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/systems/quarantine.toml");
    std::fs::read_to_string(path).expect("a system")
}

/// Without the trip by the second probe.
fn bolder() -> String {
    let text = text();
    let bolder = text
        .replace("trip = \"second_temp > 27 degC\"\n", "")
        .replace("trip_reset = \"3 per day below 26 degC\"\n", "");
    assert_ne!(bolder, text);
    bolder
}

fn bench() -> (Bench, Sender) {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("system.toml"), text()).expect("writes");
    let bench = Bench::in_folder(folder);
    let board = &bench.app.site.boards[0];
    let hello =
        Hello { wiring_crc: board.made.wiring_crc, running_crc: board.made.program_crc, ..Hello::default() };
    station::revisions::met(&bench.app, board, &hello, 1).expect("it is noted");
    let owner = bench.person("Mara", Role::Owner);
    (bench, owner)
}

/// The data of the last event of this name.
fn last(stream: &str, event: &str) -> Value {
    let begin = format!("event: {event}\ndata: ");
    let data = stream.rsplit_once(&begin).unwrap_or_else(|| panic!("no {event}: {stream}")).1;
    serde_json::from_str(data.lines().next().expect("a line")).expect("JSON")
}

async fn revision(bench: &Bench, owner: &Sender, id: i64) -> Value {
    let list = bench.get(owner, REVISIONS).await.json();
    let found = list["revisions"].as_array().and_then(|all| all.iter().find(|one| one["id"] == id));
    found.unwrap_or_else(|| panic!("no revision {id}: {list}")).clone()
}

fn n_sent(bench: &Bench) -> usize {
    let acts = bench.hands.acts.lock().expect("not poisoned");
    acts.iter().filter(|act| matches!(act, Act::Try { .. })).count()
}

#[tokio::test]
async fn rows_that_get_worse_want_a_reason_each() {
    let (bench, owner) = bench();
    let body = json!({ "text": bolder(), "why": "the trip is a nuisance" });
    let early = bench.post(&owner, REVISIONS, body.clone()).await;
    assert_eq!((early.status, early.problem()), (StatusCode::CONFLICT, "compare-first".to_owned()));
    assert!(early.text().contains("later"), "the way out is said: {}", early.text());

    let stream = bench.stream(&owner, COMPARE, json!({ "text": bolder() })).await;
    let (row, done) = (last(&stream, "row"), last(&stream, "done"));
    assert_eq!((row["stage"].as_str(), row["row"]["turn"].as_str()), (Some("whole"), Some("worse")));
    let worse = done["worse"].as_array().expect("rows");
    assert_eq!((worse.len(), &worse[0]["fault"], &done["against"]), (1, &json!(FALLEN), &json!(1)), "{done}");
    assert!(worse[0]["after_h"].is_number() && worse[0]["before_h"].is_number(), "{done}");
    assert_eq!(done["n_better"], 2, "{done}");

    let without = bench.post(&owner, REVISIONS, body.clone()).await;
    assert_eq!((without.status, without.problem()), (StatusCode::CONFLICT, "reasons-wanted".to_owned()));
    assert_eq!(without.json()["rows"][0]["fault"], FALLEN, "{}", without.text());
    let with = |reasons: Value| {
        let mut body = body.clone();
        body["reasons"] = reasons;
        body
    };
    let other = bench.post(&owner, REVISIONS, with(json!({ "heater:dead": "x" }))).await;
    assert_eq!(other.status, StatusCode::UNPROCESSABLE_ENTITY, "{}", other.text());
    assert!(other.text().contains("no row that gets worse"), "{}", other.text());
    let empty = bench.post(&owner, REVISIONS, with(json!({ FALLEN: " " }))).await;
    assert_eq!(empty.status, StatusCode::UNPROCESSABLE_ENTITY, "{}", empty.text());
    assert_eq!(n_sent(&bench), 0);

    let why = "somebody sits beside it until Friday";
    let sent = bench.post(&owner, REVISIONS, with(json!({ FALLEN: why }))).await;
    assert_eq!(
        (sent.status, &sent.json()["order"]["status"]),
        (StatusCode::OK, &json!("done")),
        "{}",
        sent.text()
    );
    let rows = revision(&bench, &owner, 2).await["rows"].clone();
    assert_eq!((&rows["sent"], &rows["n_unanswered"]), (&json!("compared"), &json!(0)), "{rows}");
    let reason = &rows["worse"][0]["reason"];
    assert_eq!((&reason["text"], &reason["who"]), (&json!(why), &json!("Mara")));
    // What has its reason is not asked again, also where the station began anew and studied nothing since.
    let bench = bench.restarted();
    let again = bench.post(&owner, REVISIONS, body).await;
    assert_eq!(again.status, StatusCode::OK, "{}", again.text());
}

#[tokio::test]
async fn in_an_emergency_it_goes_at_once_and_is_compared_afterwards() {
    let (bench, owner) = bench();
    let body = json!({ "text": bolder(), "why": "the heater does not start", "compare": "later" });
    let sent = bench.post(&owner, REVISIONS, body).await;
    assert_eq!(sent.status, StatusCode::OK, "{}", sent.text());
    let what = sent.json()["order"]["what"].as_str().unwrap_or("").to_owned();
    assert!(what.contains("before it was compared"), "the audit trail says so: {what}");
    let rows = revision(&bench, &owner, 2).await["rows"].clone();
    assert_eq!((&rows["sent"], &rows["compared_ms"]), (&json!("first"), &Value::Null), "{rows}");
    let reasons = format!("{REVISIONS}/2/reasons");
    let why = json!({ "reasons": { FALLEN: "seen by eye until the new probe comes" } });
    assert_eq!(bench.post(&owner, &reasons, why.clone()).await.problem(), "compare-first");

    let board = &bench.app.site.boards[0];
    let stop = AtomicBool::new(false);
    for (waiting, of) in weighing::waiting(&bench.app, board).expect("reads") {
        let done =
            weighing::catch_up(&bench.app.design.kept, waiting, &of, &stop).expect("it can be studied");
        weighing::keep(&bench.app.store, &done).expect("writes");
    }
    assert!(weighing::waiting(&bench.app, board).expect("reads").is_empty());
    let rows = revision(&bench, &owner, 2).await["rows"].clone();
    assert_eq!((&rows["sent"], &rows["n_unanswered"]), (&json!("first"), &json!(1)), "{rows}");
    let events = bench.get(&owner, "/api/v1/events?board=board").await.text();
    assert!(events.contains("1 of them want a reason"), "{events}");

    let wrong = bench.post(&owner, &reasons, json!({ "reasons": { "heater:dead": "x" } })).await;
    assert_eq!(wrong.status, StatusCode::UNPROCESSABLE_ENTITY, "{}", wrong.text());
    let none = bench.post(&owner, &format!("{REVISIONS}/9/reasons"), why.clone()).await;
    assert_eq!(none.status, StatusCode::NOT_FOUND, "{}", none.text());
    let answered = bench.post(&owner, &reasons, why).await;
    assert_eq!((answered.status, &answered.json()["n_unanswered"]), (StatusCode::OK, &json!(0)));
}

/// One request takes a board back to what it kept before.
#[tokio::test]
async fn the_way_back_is_one_request() {
    let (bench, owner) = bench();
    assert_eq!(revision(&bench, &owner, 1).await["was_kept"], true);
    let body = json!({ "text": bolder(), "why": "x", "compare": "later" });
    bench.post(&owner, REVISIONS, body).await;
    assert_eq!(revision(&bench, &owner, 2).await["was_kept"], false);
    // The board runs the second now, confirmed.
    let board = &bench.app.site.boards[0];
    let second = board.revised(&bolder()).expect("it compiles");
    let hello = Hello {
        wiring_crc: second.made.wiring_crc,
        running_crc: second.made.program_crc,
        program: 1,
        ..Hello::default()
    };
    station::revisions::met(&bench.app, board, &hello, 2).expect("it is noted");
    let mut read_anew = bench.app.site.boards[0].revised(&bolder()).expect("it compiles");
    read_anew.revision = Some(2);
    let wish = station::revisions::Wish {
        who: "Mara",
        why: "it cooks",
        minutes: 60,
        reasons: &weighing::Reasons::new(),
        compare: None,
    };
    let sent = station::revisions::deploy_kept(&bench.app, &read_anew, 1, &wish).expect("it goes at once");
    assert!(sent.order.what.contains("a way back"), "{}", sent.order.what);
    let rows = revision(&bench, &owner, 1).await["rows"].clone();
    assert_eq!((&rows["sent"], &rows["against"]), (&json!("back"), &json!(2)), "{rows}");
}

/// What has no vessel cannot be studied: nothing but the note is asked.
#[tokio::test]
async fn what_runs_without_geometry_has_no_rows_to_answer_for() {
    let folder = tempfile::tempdir().expect("a folder");
    let bare: String = {
        let text = text();
        let keep = |table: &&str| {
            !["[water]", "[livestock]", "[[climate]]", "[[vessel]]", "[requirements]"]
                .iter()
                .any(|head| table.starts_with(head))
        };
        let tables =
            text.split("\n[").enumerate().map(|(n, t)| if n == 0 { t.to_owned() } else { format!("[{t}") });
        let tables: Vec<String> = tables.collect();
        let kept: Vec<&str> = tables.iter().map(String::as_str).filter(keep).collect();
        kept.join("\n")
            .replace("vessel = \"display\"\n", "")
            .replace("mark = \"100 mm\"\n", "")
            .replace("mark = \"120 mm\"\n", "")
            .replace("heats = { vessel = \"display\", share = \"100 %\" }\n", "")
            .replace("moves = \"display\"\nexchange = \"60 L/h\"\n", "")
            .replace("height = \"200 mm\"\n", "")
            .replace("height = \"150 mm\"\n", "")
    };
    std::fs::write(folder.path().join("system.toml"), &bare).expect("writes");
    let bench = Bench::in_folder(folder);
    let owner = bench.person("Mara", Role::Owner);
    let body = json!({ "text": bare.replace("< 25.2 degC", "< 25.1 degC"), "why": "cooler" });
    let sent = bench.post(&owner, REVISIONS, body).await;
    assert_eq!(sent.status, StatusCode::OK, "{}", sent.text());
    let rows =
        revision(&bench, &owner, sent.json()["revision"].as_i64().expect("a number")).await["rows"].clone();
    assert!(rows["detail"].as_str().is_some_and(|why| why.contains("vessel")), "{rows}");
}

/// A pump's flow goes into the file that the board runs, as a revision, and is kept among the calibrations with its number.
#[tokio::test]
async fn the_flow_of_a_pump_goes_on_trial_as_a_revision() {
    let bench = Bench::new();
    let owner = bench.person("Mara", Role::Owner);
    let path = "/api/v1/boards/board/pumps/topoff_pump/calibrate";
    let catches: Vec<Value> =
        [284.0, 285.1, 284.4].map(|ml| json!({ "seconds": 600, "millilitres": ml })).into();
    let body = json!({ "catches": catches, "step_ml": 0.5 });
    let found = bench.post(&owner, path, body.clone()).await.json();
    // By hand: the mean of three catches over ten minutes each.
    assert!(found["flow_ml_min"].as_f64().is_some_and(|flow| (flow - 28.45).abs() < 1e-9), "{found}");
    assert_eq!((&found["before_ml_min"], &found["is_accepted"]), (&json!(30.0), &json!(true)), "{found}");
    assert_eq!(found["changes"], json!(["passage.topoff_line.flow becomes \"28.45 mL/min\""]));
    assert!(found["text"].as_str().is_some_and(|text| text.contains("flow = \"28.45 mL/min\"")));
    assert_eq!(n_sent(&bench), 0, "it was only reckoned");
    let none = bench.post(&owner, "/api/v1/boards/board/pumps/skimmer/calibrate", body.clone()).await;
    assert_eq!(none.status, StatusCode::UNPROCESSABLE_ENTITY, "{}", none.text());

    let mut sending = body;
    sending["send"] = json!({ "why": "new tube" });
    assert_eq!(bench.post(&owner, path, sending.clone()).await.problem(), "compare-first");
    sending["send"]["compare"] = "later".into();
    let sent = bench.post(&owner, path, sending).await.json();
    assert_eq!(sent["sent"]["order"]["status"], "done", "{sent}");
    let number = sent["sent"]["revision"].as_i64().expect("a number");
    let kept = bench.get(&owner, "/api/v1/boards/board/calibrations").await.json();
    let first = &kept["calibrations"][0];
    assert_eq!(
        (&first["part"], &first["who"], &first["says"]),
        (&json!("topoff_pump"), &json!("Mara"), &json!("28.450 mL/min"))
    );
    assert!(
        first["note"].as_str().is_some_and(|note| note.contains(&format!("revision {number}"))),
        "{first}"
    );
    let file = bench.get(&owner, &format!("{REVISIONS}/{number}/file")).await.text();
    assert!(file.contains("flow = \"28.45 mL/min\""));
}
