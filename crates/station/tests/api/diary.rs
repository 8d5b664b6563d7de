//! The diary: photos to notes, who may take them away, how they go out, and all of it as one file.

use std::path::Path;
use std::process::Command;

use axum::body::Body;
use axum::http::{Method, StatusCode};
use serde_json::{Value, json};
use store::people::Role;

use crate::harness::{Answer, Bench, Sender};

/// Photos that Pillow wrote, with a place in each of them (tests/reference/photos/make_photos.py).
fn photo(name: &str) -> Vec<u8> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/reference/photos");
    std::fs::read(folder.join(name)).expect("a reference photo")
}

async fn put(bench: &Bench, from: &Sender, method: Method, path: &str, bytes: &[u8]) -> Answer {
    bench.send_body(from, method, path, Some("application/octet-stream"), Body::from(bytes.to_vec())).await
}

async fn note(bench: &Bench, from: &Sender, text: &str) -> i64 {
    bench.post(from, "/api/v1/notes", json!({ "text": text })).await.json()["id"].as_i64().expect("a number")
}

fn holds(bytes: &[u8], part: &[u8]) -> bool {
    bytes.windows(part.len()).any(|w| w == part)
}

#[tokio::test]
async fn a_photo_is_kept_without_its_place_and_goes_out_as_nothing_but_a_picture() {
    let bench = Bench::new();
    let helper = bench.person("Helper", Role::Operator);
    let id = note(&bench, &helper, "a new return pump").await;
    let path = format!("/api/v1/notes/{id}/photos");
    let sent = photo("phone.jpg");
    assert!(holds(&sent, b"PLACE"));
    let made = put(&bench, &helper, Method::POST, &format!("{path}?caption=old%20pump"), &sent).await;
    assert_eq!(made.status, StatusCode::OK, "{}", made.text());
    let made = made.json();
    assert_eq!(
        (&made["kind"], &made["width"], &made["height"], &made["caption"], &made["who"]),
        (&json!("jpeg"), &json!(48), &json!(32), &json!("old pump"), &json!("Helper"))
    );
    let listed = bench.get(&helper, "/api/v1/notes").await.json();
    assert_eq!(listed[0]["photos"][0], made);
    let number = made["id"].as_i64().expect("a number");
    let whole = bench.get(&helper, &format!("/api/v1/photos/{number}")).await;
    assert!(whole.body.starts_with(b"\xFF\xD8") && !holds(&whole.body, b"PLACE"));
    assert_eq!(whole.body.len() as i64, made["bytes"].as_i64().expect("a number"));
    let header = |name: &str| whole.headers[name].to_str().expect("text").to_owned();
    assert_eq!(header("content-type"), "image/jpeg");
    assert_eq!(header("x-content-type-options"), "nosniff");
    assert_eq!(header("content-security-policy"), "default-src 'none'; sandbox; frame-ancestors 'none'");
    assert_eq!(header("content-disposition"), format!("attachment; filename=\"photo-{number}.jpeg\""));
    assert_eq!(header("cache-control"), "no-store");
    // Without a small picture the whole stands for it.
    let small = format!("/api/v1/photos/{number}/small");
    assert_eq!(bench.get(&helper, &small).await.body, whole.body);
    let given = put(&bench, &helper, Method::PUT, &small, &photo("plain.webp")).await;
    assert_eq!(given.status, StatusCode::OK, "{}", given.text());
    assert!(bench.get(&helper, &small).await.body.starts_with(b"RIFF"));
    // A note in its place takes it over.
    let next =
        bench.post(&helper, "/api/v1/notes", json!({ "text": "a better pump", "replaces": id })).await.json();
    assert_eq!(next["photos"][0]["id"], number);
    assert_eq!(put(&bench, &helper, Method::POST, &path, &sent).await.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn what_is_no_photo_or_too_much_is_refused_in_words() {
    let bench = Bench::new();
    let helper = bench.person("Helper", Role::Operator);
    let id = note(&bench, &helper, "photos").await;
    let path = format!("/api/v1/notes/{id}/photos");
    for (bytes, status, word) in [
        (photo("small.gif"), StatusCode::UNPROCESSABLE_ENTITY, "this is GIF"),
        (b"<script>alert(1)</script>".to_vec(), StatusCode::UNPROCESSABLE_ENTITY, "no photo"),
        (photo("phone.jpg")[..200].to_vec(), StatusCode::UNPROCESSABLE_ENTITY, "too early"),
        (photo("vast.png"), StatusCode::UNPROCESSABLE_ENTITY, "30000 by 30000"),
        (vec![], StatusCode::UNPROCESSABLE_ENTITY, "no photo"),
        (vec![0xFF; 5 << 20], StatusCode::PAYLOAD_TOO_LARGE, "larger"),
    ] {
        let answer = put(&bench, &helper, Method::POST, &path, &bytes).await;
        assert_eq!(answer.status, status, "{}", answer.text());
        assert!(answer.text().contains(word), "{}", answer.text());
    }
    for _ in 0..12 {
        assert_eq!(
            put(&bench, &helper, Method::POST, &path, &photo("plain.webp")).await.status,
            StatusCode::OK
        );
    }
    let many = put(&bench, &helper, Method::POST, &path, &photo("plain.webp")).await;
    assert_eq!(
        (many.status, many.problem()),
        (StatusCode::CONFLICT, "conflict".to_owned()),
        "{}",
        many.text()
    );
    assert_eq!(
        put(&bench, &helper, Method::POST, "/api/v1/notes/99/photos", &photo("plain.webp")).await.status,
        StatusCode::NOT_FOUND
    );
    let long = format!("{path}?caption={}", "x".repeat(300));
    assert_eq!(
        put(&bench, &helper, Method::POST, &long, &photo("plain.webp")).await.status,
        StatusCode::UNPROCESSABLE_ENTITY
    );
    assert_eq!(bench.get(&helper, "/api/v1/photos/99").await.status, StatusCode::NOT_FOUND);
    let large = put(&bench, &helper, Method::PUT, "/api/v1/photos/1/small", &vec![0xFF; 200_000]).await;
    assert_eq!(large.status, StatusCode::PAYLOAD_TOO_LARGE, "{}", large.text());
}

#[tokio::test]
async fn who_sent_a_photo_or_an_owner_takes_it_away() {
    let bench = Bench::new();
    let (helper, other) = (bench.person("Helper", Role::Operator), bench.person("Other", Role::Operator));
    let (owner, viewer) = (bench.person("Owner", Role::Owner), bench.person("Viewer", Role::Viewer));
    let id = note(&bench, &helper, "two photos").await;
    let path = format!("/api/v1/notes/{id}/photos");
    for _ in 0..2 {
        put(&bench, &helper, Method::POST, &path, &photo("screen.png")).await;
    }
    let away = async |from: &Sender, n: u32| {
        bench.send(from, Method::DELETE, &format!("/api/v1/photos/{n}"), None).await.status
    };
    assert_eq!(away(&viewer, 1).await, StatusCode::FORBIDDEN);
    assert_eq!(away(&other, 1).await, StatusCode::FORBIDDEN);
    assert_eq!(
        put(&bench, &other, Method::PUT, "/api/v1/photos/1/small", &photo("plain.webp")).await.status,
        StatusCode::FORBIDDEN
    );
    assert_eq!(away(&helper, 1).await, StatusCode::OK);
    assert_eq!(away(&owner, 2).await, StatusCode::OK);
    assert_eq!(away(&owner, 2).await, StatusCode::NOT_FOUND);
    let listed = bench.get(&viewer, "/api/v1/notes").await.json();
    assert_eq!(listed[0]["photos"], json!([]));
    let events = bench.get(&viewer, "/api/v1/events").await.json();
    assert!(
        events.as_array().is_some_and(|all| all
            .iter()
            .any(|e| e["text"] == "Owner took photo 2 of Helper away from note 1")),
        "{events}"
    );
}

#[tokio::test]
async fn the_diary_goes_out_as_one_file() {
    let bench = Bench::new();
    let helper = bench.person("Helper", Role::Operator);
    let id = note(&bench, &helper, "a \"new\" pump,\nand a tube").await;
    let path = format!("/api/v1/notes/{id}/photos?caption=pump");
    put(&bench, &helper, Method::POST, &path, &photo("phone.jpg")).await;
    put(&bench, &helper, Method::POST, &path, &photo("lossless.webp")).await;
    let all = bench.get(&helper, "/api/v1/diary").await;
    assert_eq!(all.headers["content-type"], "application/zip");
    assert!(
        all.body.starts_with(b"PK\x03\x04")
            && holds(&all.body, b"photos/1.jpeg (pump); photos/2.webp (pump)")
    );
    assert!(holds(&all.body, b"\"a \"\"new\"\" pump,\nand a tube\""));
    let without = bench.get(&helper, "/api/v1/diary?photos=false").await;
    assert!(!holds(&without.body, b"photos/") && without.body.len() < 600);
    assert!(!holds(&bench.get(&helper, "/api/v1/diary?from=1&to=2").await.body, b"pump"));
    // With Python there, its reader of ZIP files looks at it.
    let Ok(python) = std::env::var("PILLOW_PYTHON") else { return };
    let file = bench.folder.path().join("diary.zip");
    std::fs::write(&file, &all.body).expect("writes");
    let tested = Command::new(python).args(["-m", "zipfile", "-t"]).arg(&file).output().expect("Python runs");
    assert!(tested.status.success() && tested.stdout.starts_with(b"Done"), "{tested:?}");
}

/// What a note looks like that has none: an empty list, never nothing.
#[tokio::test]
async fn a_note_without_photos_says_so() {
    let bench = Bench::new();
    let helper = bench.person("Helper", Role::Operator);
    let made: Value = bench.post(&helper, "/api/v1/notes", json!({ "text": "calm" })).await.json();
    assert_eq!(made["photos"], json!([]));
}
