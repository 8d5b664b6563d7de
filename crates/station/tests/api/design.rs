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
