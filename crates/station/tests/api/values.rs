//! What goes out: the state, trends, exports, metrics, drawings, alarms.

use std::sync::Arc;

use axum::http::StatusCode;
use link::message::{Hello, sections};
use link::record::Record;
use program::quality::{Quality, Sample};
use serde_json::{Value, json};
use station::app::now_ms;
use station::boards::{BoardEvent, BoardId, LinkState, Scan, Trust};
use station::ingest::{self, Ingest};
use store::people::Role;

use crate::harness::{Bench, Sender};

/// A scan of the example with every input at zero but these.
fn scan(bench: &Bench, number: u32, at_ms: i64, change: impl FnOnce(&mut Record)) -> Scan {
    let board = &bench.app.site.boards[0];
    let sizes = board.made.compiled.sizes;
    let n_inputs = |is_number: bool| {
        let inputs = board.made.compiled.inputs.iter();
        inputs.filter(|input| matches!(input.place, control::InputPlace::Number(_)) == is_number).count()
    };
    let mut record = Record {
        sections: sections::INPUTS | sections::OUTPUTS | sections::STATES | sections::RESULTS,
        scan: number,
        is_clock_good: true,
        number_inputs: vec![Sample { value: 25_000, quality: Quality::Good }; n_inputs(true)],
        bit_inputs: vec![(false, Quality::Good); n_inputs(false)],
        outputs: vec![0; sizes.n_drives as usize],
        hands_left_ms: vec![0; sizes.n_drives as usize],
        trips: vec![false; sizes.n_trips as usize],
        alarms: vec![(false, Quality::Good, 0); sizes.n_alarms as usize],
        steps: vec![0; sizes.n_procedures as usize],
        numbers: vec![Sample { value: 0, quality: Quality::Good }; 64],
        bits: vec![(false, Quality::Good); 128],
        ..Record::default()
    };
    change(&mut record);
    Scan { board: BoardId(0), at_ms, is_board_time: true, trust: Trust::All, n_missing: 0, record }
}

/// Takes these in, as the station's thread does.
async fn take_in(bench: &Bench, events: Vec<BoardEvent>) {
    let series = ingest::series(&bench.app.site, &bench.app.store).expect("series");
    let ingest = Ingest::new(bench.app.clone(), series);
    let mut events = Some(events);
    tokio::task::spawn_blocking(move || {
        ingest.run(|into, _, _| {
            into.extend(events.take().unwrap_or_default());
            false
        });
    })
    .await
    .expect("taken in");
}

fn up(at_ms: i64) -> BoardEvent {
    let state = LinkState::Up { hello: Arc::new(Hello::default()), trust: Trust::All, differs: None };
    BoardEvent::Link { board: BoardId(0), at_ms, state }
}

fn drive(state: &Value, name: &str) -> Value {
    let drives = state["boards"][0]["drives"].as_array().expect("drives");
    drives.iter().find(|drive| drive["name"] == name).cloned().unwrap_or(Value::Null)
}

#[tokio::test]
async fn the_state_says_what_a_scan_held_and_who_decides() {
    let bench = Bench::new();
    let viewer = bench.person("viewer", Role::Viewer);
    let before = bench.get(&viewer, "/api/v1/state").await.json();
    assert_eq!(before["boards"][0]["link"]["state"], "down");
    assert_eq!(drive(&before, "return_pump")["output"], Value::Null, "nothing is made up");
    let now = now_ms();
    let board = &bench.app.site.boards[0];
    let order = |name: &str| {
        let at = board.names.drives.iter().position(|of| board.system.actuators[of.idx()].name == name);
        at.expect("a drive of that name")
    };
    let tripped = board.names.trips[0].0;
    let tripped = board.system.actuators[tripped.idx()].name.clone();
    let scan = scan(&bench, 5, now, |record| {
        record.outputs[order("return_pump")] = 1;
        record.hands_left_ms[order("return_pump")] = 61_000;
        record.trips[0] = true;
        record.number_inputs[0].quality = Quality::Bad;
    });
    take_in(&bench, vec![up(now), BoardEvent::Scan(scan)]).await;
    let state = bench.get(&viewer, "/api/v1/state").await.json();
    assert_eq!(state["boards"][0]["link"]["state"], "up");
    assert_eq!((&state["boards"][0]["scan"], &state["boards"][0]["newest_ms"]), (&json!(5), &json!(now)));
    let pump = drive(&state, "return_pump");
    assert_eq!(
        (&pump["output"], &pump["by"], &pump["why"]),
        (&json!(1.0), &json!("hand"), &json!("in hand for 61 s more"))
    );
    assert_eq!(drive(&state, &tripped)["by"], "trip");
    assert_eq!(state["boards"][0]["trips"][0]["is_latched"], true);
    let attention = state["attention"].to_string();
    assert!(attention.contains("waits for a reset") && attention.contains("is in hand"), "{attention}");
    let signals = state["boards"][0]["signals"].as_array().expect("signals");
    let bad: Vec<&Value> = signals.iter().filter(|signal| signal["quality"] == "bad").collect();
    assert!(bad.iter().all(|signal| signal["value"] == Value::Null) && !bad.is_empty());
    assert!(signals.iter().any(|signal| signal["unit"] == "degC" || signal["unit"] == "°C"), "{signals:?}");
}

#[tokio::test]
async fn samples_come_back_as_trend_export_and_metrics() {
    let bench = Bench::new();
    let viewer = bench.person("viewer", Role::Viewer);
    let begin = 1_770_000_000_000;
    let scans = (0..600).map(|n| {
        BoardEvent::Scan(scan(&bench, n + 1, begin + i64::from(n) * 1000, |record| {
            record.number_inputs[0].value = 25_000 + n as i32;
        }))
    });
    let scans: Vec<BoardEvent> = scans.collect();
    take_in(&bench, scans).await;
    let series = bench.get(&viewer, "/api/v1/series").await.json();
    let board = &bench.app.site.boards[0];
    let first = (board.made.compiled.inputs.iter())
        .find(|input| input.place == control::InputPlace::Number(0))
        .map(|input| board.system.sensors[input.sensor.idx()].name.clone())
        .expect("an input");
    let of = series
        .as_array()
        .expect("a list")
        .iter()
        .find(|s| s["name"] == json!(first))
        .expect("its series")
        .clone();
    let path = format!("/api/v1/series/{}/trend?from={begin}&to={}&width=10", of["id"], begin + 600_000);
    let trend = bench.get(&viewer, &path).await.json();
    assert_eq!(trend["step_ms"], 60_000);
    assert_eq!((&trend["min"][0], &trend["max"][0]), (&json!(25.0), &json!(25.059)));
    assert_eq!(trend["mean"].as_array().map(Vec::len), Some(10));
    for (format, kind, begins) in [
        ("csv", "text/csv", "time,"),
        ("csv-table", "text/csv", ""),
        ("senml", "application/senml+json", "["),
        ("parquet", "application/vnd.apache.parquet", "PAR1"),
    ] {
        let path =
            format!("/api/v1/export?from={begin}&to={}&series={}&format={format}", begin + 5000, of["id"]);
        let answer = bench.get(&viewer, &path).await;
        assert_eq!(answer.status, StatusCode::OK, "{format}: {}", answer.text());
        assert!(answer.headers["content-type"].to_str().expect("text").starts_with(kind), "{format}");
        assert!(answer.body.starts_with(begins.as_bytes()), "{format}: {}", answer.text());
        assert!(answer.headers["content-disposition"].to_str().expect("text").starts_with("attachment"));
    }
    let metrics = bench.get(&viewer, "/metrics").await;
    assert_eq!(metrics.headers["content-type"], station::http::metrics::KIND);
    let text = metrics.text();
    assert!(text.ends_with("# EOF\n"));
    assert!(text.contains(&format!("signal=\"{first}\"")) && text.contains("25.599"), "{text}");
    assert!(text.contains("tidewright_scans_total 600"), "{text}");
}

#[tokio::test]
async fn an_alarm_of_the_board_is_taken_shelved_and_kept_over_a_restart() {
    let bench = Bench::new();
    let operator = bench.person("Helper", Role::Operator);
    let now = now_ms();
    let raised = |n: u32, on: bool| {
        BoardEvent::Scan(scan(&bench, n, now + i64::from(n), |record| {
            record.alarms[0] = (on, Quality::Good, 1)
        }))
    };
    let events = vec![raised(1, false), raised(2, true)];
    take_in(&bench, events).await;
    let alarms = bench.get(&operator, "/api/v1/alarms").await.json();
    assert_eq!(alarms[0]["state"], "unacknowledged", "{alarms}");
    let id = alarms[0]["id"].as_str().expect("an id").replace('/', "%2F");
    let path = |act: &str| format!("/api/v1/alarms/{id}/{act}");
    let taken = bench.send(&operator, axum::http::Method::POST, &path("acknowledge"), None).await;
    assert_eq!(taken.json()["acknowledged_by"], "Helper", "{}", taken.text());
    let again = bench.send(&operator, axum::http::Method::POST, &path("acknowledge"), None).await;
    assert_eq!(again.problem(), "conflict");
    let shelf = json!({ "until_ms": now - 1, "why": "known" });
    assert_eq!(bench.post(&operator, &path("shelve"), shelf).await.problem(), "conflict");
    let shelf = json!({ "until_ms": now + 3_600_000, "why": "known" });
    assert_eq!(bench.post(&operator, &path("shelve"), shelf).await.json()["state"], "shelved");
    let bench = bench.restarted();
    let operator = bench.token("Helper", "read act", i64::MAX);
    let alarms = bench.get(&operator, "/api/v1/alarms").await.json();
    assert_eq!(
        (&alarms[0]["state"], &alarms[0]["aside"]),
        (&json!("shelved"), &json!("Helper: known")),
        "{alarms}"
    );
    let off = bench.send(&operator, axum::http::Method::POST, &path("unshelve"), None).await;
    assert_ne!(off.json()["state"], "shelved", "{}", off.text());
    let report = bench.get(&operator, "/api/v1/alarms/report").await.json();
    assert!(report["words"].as_array().is_some_and(|words| !words.is_empty()), "{report}");
}

#[tokio::test]
async fn a_board_of_software_lives_its_history_in_its_own_time() {
    let bench = Bench::new();
    let begin = now_ms() - 2 * 3_600_000;
    // As `serve` begins the book: where the history of the boards begins.
    *bench.app.book.lock().expect("not poisoned") =
        ingest::book(&bench.app.site, &bench.app.store, alarms::book::Settings::default(), begin);
    let minutes = |from: u32, to: u32, on: bool| {
        let scans = (from..to).map(|minute| {
            let at_ms = begin + i64::from(minute) * 60_000;
            BoardEvent::Scan(scan(&bench, minute + 1, at_ms, |record| {
                record.alarms[0] = (on, Quality::Good, 1);
            }))
        });
        scans.collect::<Vec<_>>()
    };
    take_in(&bench, [minutes(0, 10, false), minutes(10, 30, true), minutes(30, 60, false)].concat()).await;
    let changes = bench.app.store.alarm_changes(&store::Page::default()).expect("a log");
    let id = format!("{}/{}", bench.app.site.boards[0].settings.name, alarm_name(&bench));
    let of_it: Vec<(i64, &str)> = (changes.iter().filter(|change| id.ends_with(&change.alarm)))
        .map(|change| ((change.at - begin) / 60_000, change.becomes.as_str()))
        .collect();
    assert_eq!(of_it, [(10, "unacknowledged"), (30, "returned-unacknowledged")], "minutes of its own time");
}

/// The first alarm of the example's program.
fn alarm_name(bench: &Bench) -> String {
    let board = &bench.app.site.boards[0];
    board.system.alarms[board.names.alarms[0].idx()].name.clone()
}

#[tokio::test]
async fn the_night_view_of_a_board_ahead_of_time_counts_in_its_time() {
    let bench = Bench::new();
    let viewer = bench.person("viewer", Role::Viewer);
    let ahead = now_ms() + 5 * 3_600_000;
    let at = |n: u32, at_ms: i64| {
        BoardEvent::Scan(scan(&bench, n, at_ms, |record| record.alarms[0] = (n > 1, Quality::Good, 1)))
    };
    take_in(&bench, vec![up(ahead), at(1, ahead), at(2, ahead + 1000), at(3, ahead + 25 * 60_000)]).await;
    let night = bench.get(&viewer, "/api/v1/night").await.json();
    let text = night["sections"].to_string();
    assert!(text.contains("25 min ago") && text.contains("0 s old"), "{text}");
}

/// What the study of the board's design says of the faults that an alarm tells of stands in the night view.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_night_view_tells_the_hours_until_harm_by_the_study_of_the_board() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("system.toml"), crate::design::small()).expect("writes");
    let bench = Bench::in_folder(folder);
    let operator = bench.person("Helper", Role::Operator);
    let name = bench.app.site.boards[0].settings.name.clone();
    let study = format!("/api/v1/boards/{name}/study");
    assert_eq!(bench.get(&operator, &study).await.problem(), "not-found");
    let asked = json!({ "text": bench.app.site.boards[0].text });
    bench.stream(&operator, "/api/v1/design/study", asked).await;
    let study = bench.get(&operator, &study).await.json();
    let rows = study["rows"].as_array().expect("rows");
    let cells = || rows.iter().flat_map(|row| row["cells"].as_array().expect("cells"));
    let leads = |cell: &Value| Some(cell["hours_left"].as_f64()? - cell["told_after_h"].as_f64()?);
    let soonest = (cells().filter(|cell| cell["told_by"] != "silence"))
        .filter_map(|cell| Some((leads(cell).filter(|hours| *hours > 0.5)?, cell["told_by"].as_str()?)))
        .min_by(|a, b| a.0.total_cmp(&b.0));
    let (_, alarm) = soonest.expect("an alarm tells of something in time");
    let board = &bench.app.site.boards[0];
    let order = (board.names.alarms.iter())
        .position(|a| board.system.alarms[a.idx()].name == alarm)
        .expect("the board has the alarm");
    let now = now_ms();
    let at = |n: u32| {
        BoardEvent::Scan(scan(&bench, n, now + i64::from(n), |record| {
            record.alarms[order] = (n > 1, Quality::Good, 1);
        }))
    };
    take_in(&bench, vec![at(1), at(2)]).await;
    let night = bench.get(&operator, "/api/v1/night").await.json();
    let text = night["sections"].to_string();
    assert!(text.contains("until harm") && text.contains("by the FMEA"), "{alarm}: {text}");
}

#[tokio::test]
async fn drawing_and_text_of_the_system_go_out() {
    let bench = Bench::new();
    let viewer = bench.person("viewer", Role::Viewer);
    let svg = bench.get(&viewer, "/api/v1/section.svg").await;
    assert_eq!(svg.headers["content-type"], "image/svg+xml");
    assert!(svg.text().starts_with("<svg "));
    // Styles in attributes would be refused by the drawing's own policy.
    assert!(!svg.text().contains(" style="));
    let section = bench.get(&viewer, "/api/v1/section").await.json();
    assert!(section["parts"].as_array().is_some_and(|parts| parts.len() > 20));
    let text = bench.get(&viewer, "/api/v1/system").await.text();
    assert_eq!(text, std::fs::read_to_string(crate::harness::example()).expect("the example"));
}

#[tokio::test]
async fn notes_and_logs_come_in() {
    let bench = Bench::new();
    let operator = bench.person("Helper", Role::Operator);
    let note = bench.post(&operator, "/api/v1/notes", json!({ "text": "Cleaned the intake." })).await.json();
    assert_eq!((&note["who"], &note["text"]), (&json!("Helper"), &json!("Cleaned the intake.")));
    let other = json!({ "text": "Cleaned intake and cup.", "replaces": note["id"] });
    bench.post(&operator, "/api/v1/notes", other).await;
    let notes = bench.get(&operator, "/api/v1/notes").await.json();
    assert_eq!(notes.as_array().map(Vec::len), Some(1), "{notes}");
    let sender = Sender { headers: vec![("content-type", "text/csv".to_owned())], ..operator };
    let log = "time,temperature (degC)\n2026-01-01 00:00,25.1\n2026-01-01 00:10,25.2\n";
    let import = |path: &'static str| {
        let (bench, sender) = (&bench, &sender);
        async move { bench.send_text(sender, path, log).await }
    };
    let preview = import("/api/v1/import?name=notebook").await.json();
    assert_eq!((&preview["is_stored"], &preview["n_new"]), (&json!(false), &json!(0)), "{preview}");
    let stored = import("/api/v1/import?name=notebook&preview=false").await.json();
    assert_eq!(stored["n_new"], 2, "{stored}");
    let again = import("/api/v1/import?name=notebook&preview=false").await.json();
    assert_eq!((&again["n_new"], &again["n_known"]), (&json!(0), &json!(2)), "{again}");
    assert_eq!(import("/api/v1/import?name=board").await.problem(), "not-possible");
}
