//! Design routes: looking at texts, files of boards, drafts.

use axum::http::{Method, StatusCode};
use serde_json::{Value, json};
use store::people::Role;

use crate::harness::{Bench, example};

fn text() -> String {
    std::fs::read_to_string(example()).expect("the example")
}

#[tokio::test]
async fn a_board_shows_its_file_and_a_look_at_it_agrees_with_its_section() {
    let bench = Bench::new();
    let viewer = bench.person("viewer", Role::Viewer);
    let operator = bench.person("operator", Role::Operator);
    let file = bench.get(&viewer, "/api/v1/boards/board/file").await;
    assert_eq!(file.json()["text"], text());
    let hash = file.json()["hash"].as_str().expect("a hash").to_owned();
    assert_eq!(file.headers["etag"], format!("\"{hash}\""));
    assert_eq!(bench.get(&viewer, "/api/v1/boards/none/file").await.problem(), "not-found");
    let look = bench.post(&operator, "/api/v1/design/look", json!({ "text": text() })).await;
    assert_eq!(look.status, StatusCode::OK, "{}", look.text());
    let look = look.json();
    assert_eq!(look["hash"], hash);
    let live = bench.get(&viewer, "/api/v1/section").await.json();
    let parts = |sheet: &Value| -> Vec<String> {
        let all = sheet["parts"].as_array().expect("parts").iter();
        let mut ids: Vec<String> = all.map(|p| p["id"].as_str().expect("an id").to_owned()).collect();
        // Sets of water lines are the look's own.
        ids.retain(|id| !id.starts_with("water.") && !id.starts_with("legend."));
        ids.sort();
        ids
    };
    assert_eq!(parts(&look["sheet"]), parts(&live));
    assert!(look["took_ms"].is_number());
}

#[tokio::test]
async fn a_bad_text_is_an_answer_and_a_long_one_is_refused() {
    let bench = Bench::new();
    let operator = bench.person("operator", Role::Operator);
    let path = "/api/v1/design/look";
    for text in ["", "\0", "[[", "x = 1", &"[".repeat(200_000)] {
        let answer = bench.post(&operator, path, json!({ "text": text })).await;
        assert_eq!(answer.status, StatusCode::OK, "{}", answer.text());
        assert!(answer.json()["diagnostics"].as_array().is_some_and(|all| !all.is_empty()));
        assert!(answer.json().get("sheet").is_none());
    }
    let long = bench.post(&operator, path, json!({ "text": "#".repeat(300_000) })).await;
    assert_eq!(long.problem(), "too-large");
    let longer = bench.post(&operator, path, json!({ "text": "#".repeat(3_000_000) })).await;
    assert_eq!(longer.problem(), "too-large");
    let wrong = json!({ "text": "", "edits": [{ "op": "burn" }] });
    assert_eq!(bench.post(&operator, path, wrong).await.problem(), "bad-request");
    let nowhere = json!({ "text": "", "board": "none" });
    assert_eq!(bench.post(&operator, path, nowhere).await.problem(), "not-found");
}

#[tokio::test]
async fn a_draft_is_never_overwritten_unseen() {
    let bench = Bench::new();
    let (anna, ben) = (bench.person("anna", Role::Operator), bench.person("ben", Role::Owner));
    let path = "/api/v1/drafts/larger%20sump";
    let put = |text: &str, base: Option<&Value>| json!({ "text": text, "base_hash": base });
    let first = bench.send(&anna, Method::PUT, path, Some(put("a = 1", None))).await;
    assert_eq!(first.status, StatusCode::OK, "{}", first.text());
    let (one, by) = (first.json()["hash"].clone(), first.json()["by"].clone());
    assert_eq!(by, "anna");
    // Whoever does not know what stands there does not replace it.
    assert_eq!(bench.send(&ben, Method::PUT, path, Some(put("b = 1", None))).await.problem(), "conflict");
    let second = bench.send(&ben, Method::PUT, path, Some(put("b = 1", Some(&one)))).await;
    assert_eq!(second.status, StatusCode::OK, "{}", second.text());
    let late = bench.send(&anna, Method::PUT, path, Some(put("a = 2", Some(&one)))).await;
    assert_eq!(late.status, StatusCode::CONFLICT);
    assert!(late.text().contains("ben"), "{}", late.text());
    let bench = bench.restarted();
    let read = bench.get(&anna, path).await;
    assert_eq!(read.json()["text"], "b = 1");
    assert_eq!(read.headers["etag"], format!("\"{}\"", read.json()["hash"].as_str().expect("a hash")));
    let list = bench.get(&anna, "/api/v1/drafts").await.json();
    assert_eq!(list[0]["name"], "larger sump");
    assert!(list[0].get("text").is_none());
    assert_eq!(bench.send(&anna, Method::DELETE, path, None).await.status, StatusCode::OK);
    assert_eq!(bench.send(&anna, Method::DELETE, path, None).await.problem(), "not-found");
    // What was taken away is not brought back by who still has it open.
    let gone = bench.send(&ben, Method::PUT, path, Some(put("b = 2", Some(&second.json()["hash"])))).await;
    assert_eq!(gone.problem(), "conflict");
    let nameless = bench.send(&ben, Method::PUT, "/api/v1/drafts/%20", Some(put("b = 2", None))).await;
    assert_eq!(nameless.problem(), "not-possible");
}

/// The events of a stream that ends by itself: names and data.
fn events(text: &str) -> Vec<(String, Value)> {
    let field = |block: &str, name: &str| -> Option<String> {
        let line = block.lines().find(|line| line.starts_with(name))?;
        Some(line[name.len()..].trim_start_matches(':').trim().to_owned())
    };
    (text.split("\n\n"))
        .filter_map(|block| {
            let data = serde_json::from_str(&field(block, "data")?).expect("JSON");
            Some((field(block, "event")?, data))
        })
        .collect()
}

/// The small example for a short absence.
pub fn small() -> String {
    let path = example().with_file_name("../desk-60l/system.toml");
    let text = std::fs::read_to_string(path).expect("the example");
    let line = text.lines().find(|line| line.starts_with("unattended")).expect("a line").to_owned();
    text.replace(&line, "unattended = \"4 h\"").replace("scan = \"1 s\"", "scan = \"5 s\"")
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_study_comes_row_by_row_and_a_known_one_at_once() {
    let bench = Bench::new();
    let operator = bench.person("operator", Role::Operator);
    let (path, asked) = ("/api/v1/design/study", json!({ "text": small(), "corners": false }));
    let mut seen = vec![];
    for cached in [false, true] {
        let answer = bench.stream(&operator, path, asked.clone()).await;
        let events = events(&answer);
        assert_eq!(events[0].0, "plan", "{events:?}");
        let (last, done) = events.last().expect("an end");
        assert_eq!(last, "done", "{done}");
        assert_eq!(done["cached"], cached);
        let mut rows: Vec<String> =
            events.iter().filter(|(name, _)| name == "row").map(|(_, row)| row.to_string()).collect();
        assert_eq!(rows.len(), events[0].1["faults"].as_array().map_or(0, Vec::len));
        assert_eq!(done["rows"], rows.len());
        rows.sort();
        seen.push(rows);
    }
    assert_eq!(seen[0], seen[1]);
    let row: Value = serde_json::from_str(&seen[0][0]).expect("JSON");
    let replay = json!({ "text": small(), "corners": false, "fault": row["fault"] });
    let view = bench.post(&operator, "/api/v1/design/replay", replay).await;
    assert_eq!(view.status, StatusCode::OK, "{}", view.text());
    let view = view.json();
    assert_eq!(view["acts"][0]["what"], "fault");
    assert_eq!(view["t"].as_array().map(Vec::len), view["signals"][0]["values"].as_array().map(Vec::len));
    let wrong = json!({ "text": small(), "corners": false, "fault": "no:such" });
    assert_eq!(bench.post(&operator, "/api/v1/design/replay", wrong).await.problem(), "not-possible");
    let failed = events(&bench.stream(&operator, path, json!({ "text": "[[" })).await);
    assert_eq!(failed.len(), 1);
    assert_eq!(failed[0].0, "failed");
    assert!(failed[0].1["diagnostics"][0]["where"].is_object(), "{failed:?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn who_hangs_up_ends_the_study_and_the_next_one_runs() {
    let bench = Bench::new();
    let operator = bench.person("operator", Role::Operator);
    // The large example takes far longer than this test: it must be broken off.
    let asked = json!({ "text": text() });
    drop(bench.open_stream(&operator, "/api/v1/design/study", asked).await);
    let begun = std::time::Instant::now();
    let next = json!({ "text": "[[" });
    let failed = events(&bench.stream(&operator, "/api/v1/design/study", next).await);
    assert_eq!(failed[0].0, "failed");
    assert!(begun.elapsed().as_secs() < 15, "the study went on: {:?}", begun.elapsed());
}
