//! Every route of the OpenAPI document, one by one: nobody gets in without, with wrong, with ended or with too small credentials.

use std::collections::BTreeSet;

use axum::http::{Method, StatusCode};
use serde_json::{Value, json};
use station::app::now_ms;
use station::auth::door::COOKIE;
use station::auth::needs::{Need, ROUTES, Scope};
use store::people::Role;

use crate::harness::{Bench, LIFE, Sender};

/// A path with something for each of its parts.
fn filled(path: &str) -> String {
    path.replace("{id}", "1")
        .replace("{board}", "board")
        .replace("{trip}", "heater.trip")
        .replace("{procedure}", "feeding")
        .replace("{sensor}", "ph")
        .replace("{pump}", "lime_pump")
        .replace("{secret}", "none")
        .replace("{name}", "larger-sump")
}

fn body(method: &Method) -> Option<Value> {
    (*method == Method::POST).then(|| json!({}))
}

/// Every route, with what it needs, as the router describes itself.
fn routes() -> Vec<(Method, String)> {
    let document: Value =
        serde_json::from_str(&station::http::openapi().to_json().expect("JSON")).expect("JSON");
    let mut all = vec![];
    for (path, item) in document["paths"].as_object().expect("paths") {
        for method in item.as_object().expect("methods").keys() {
            all.push((method.to_uppercase().parse().expect("a method"), path.clone()));
        }
    }
    all
}

#[test]
fn the_table_of_needs_and_the_router_have_the_same_routes() {
    let described: BTreeSet<(String, String)> =
        routes().into_iter().map(|(method, path)| (method.to_string(), path)).collect();
    let needed: BTreeSet<(String, String)> = (ROUTES.iter())
        .map(|(method, path, _)| (method.to_string(), (*path).to_owned()))
        // The document itself is not described in itself.
        .filter(|(_, path)| path != "/api/openapi.json")
        .collect();
    assert_eq!(described, needed);
    assert_eq!(ROUTES.len(), needed.len() + 1, "a route stands twice in the table");
}

#[test]
fn the_document_says_of_each_route_what_it_needs() {
    let document: Value =
        serde_json::from_str(&station::http::openapi().to_json().expect("JSON")).expect("JSON");
    for (method, path, need) in ROUTES.iter().filter(|(_, path, _)| *path != "/api/openapi.json") {
        let security = &document["paths"][*path][method.as_str().to_lowercase()]["security"];
        let expected = match need {
            Need::Nothing => json!([{}]),
            Need::Session(_) => json!([{ "session": [] }]),
            Need::Scope(_) => json!([{ "session": [] }, { "token": [] }]),
        };
        assert_eq!(*security, expected, "{method} {path}");
    }
}

#[tokio::test]
async fn every_route_refuses_who_may_not() {
    let bench = Bench::new();
    bench.person("owner", Role::Owner);
    let viewer = bench.person("viewer", Role::Viewer);
    let operator = bench.person("operator", Role::Operator);
    let silent = bench.person_since("silent", Role::Owner, now_ms() - LIFE.idle_ms - 1000);
    // One that was seen just now, and is older than any may be.
    let old = bench.person_since("old", Role::Owner, now_ms() - LIFE.longest_ms - 1000);
    bench.seen_now("old");
    // And one that was ended, by log-out.
    let out = bench.person("out", Role::Owner);
    let ended_by_hand = bench.send(&out, Method::DELETE, "/api/v1/session", None).await;
    assert_eq!(ended_by_hand.status, StatusCode::OK, "{}", ended_by_hand.text());
    let far_future = now_ms() + 86_400_000;
    let ended = bench.token("owner", "read act import metrics program", now_ms() - 1000);
    let wrong_cookie = Sender::cookie(format!("{COOKIE}={}", "A".repeat(43)));
    let mut n_tried = 0;
    for (method, path, need) in ROUTES {
        if *need == Need::Nothing {
            continue;
        }
        let mut nobody = vec![
            ("without", Sender::default()),
            ("wrong cookie", wrong_cookie.clone()),
            (
                "cookie of another name",
                Sender {
                    cookie: viewer.cookie.as_ref().map(|c| c.replace(COOKIE, "tidewright")),
                    ..Sender::default()
                },
            ),
            ("session that was silent too long", silent.clone()),
            ("session that is too old", old.clone()),
            ("session that was logged out", out.clone()),
            ("wrong token", Sender::bearer("A".repeat(43))),
            ("empty token", Sender::bearer("")),
            ("ended token", ended.clone()),
            // A token that is none is not helped by a cookie beside it.
            ("wrong token beside a cookie", Sender { bearer: Some("x".to_owned()), ..operator.clone() }),
        ];
        nobody.push((
            "basic",
            Sender { headers: vec![("authorization", "Basic b3duZXI6eA==".to_owned())], ..Sender::default() },
        ));
        for (what, sender) in nobody {
            let answer = bench.send(&sender, method.clone(), &filled(path), body(method)).await;
            assert_eq!(answer.status, StatusCode::UNAUTHORIZED, "{method} {path} {what}: {}", answer.text());
            n_tried += 1;
        }
        let mut small: Vec<(String, Sender)> = vec![];
        match need {
            Need::Session(role) => {
                small.push((
                    "token with all scopes".to_owned(),
                    bench.token("owner", "read act import metrics program", far_future),
                ));
                if *role > Role::Viewer {
                    small.push(("viewer".to_owned(), viewer.clone()));
                }
                if *role > Role::Operator {
                    small.push(("operator".to_owned(), operator.clone()));
                }
            }
            Need::Scope(scope) => {
                for other in Scope::ALL.into_iter().filter(|other| other != scope) {
                    if (*scope, other) != (Scope::Metrics, Scope::Read) {
                        small.push((
                            format!("token {}", other.word()),
                            bench.token("owner", other.word(), far_future),
                        ));
                    }
                }
                small.push(("token without scope".to_owned(), bench.token("owner", "", far_future)));
                if scope.role() > Role::Viewer {
                    small.push(("viewer".to_owned(), viewer.clone()));
                    if scope.role() == Role::Owner {
                        small.push(("operator".to_owned(), operator.clone()));
                        let token = bench.token("operator", scope.word(), far_future);
                        small.push(("token of an operator".to_owned(), token));
                    }
                    small.push((
                        "token of a viewer".to_owned(),
                        bench.token("viewer", scope.word(), far_future),
                    ));
                }
            }
            Need::Nothing => {}
        }
        for (what, sender) in small {
            let answer = bench.send(&sender, method.clone(), &filled(path), body(method)).await;
            assert_eq!(answer.status, StatusCode::FORBIDDEN, "{method} {path} {what}: {}", answer.text());
            assert_eq!(answer.problem(), "not-allowed", "{method} {path} {what}");
            n_tried += 1;
        }
    }
    assert!(n_tried > 300, "{n_tried}");
    assert!(bench.hands.acts.lock().expect("not poisoned").is_empty(), "something reached a board");
}

#[tokio::test]
async fn every_route_lets_in_who_may() {
    let bench = Bench::new();
    let owner = bench.person("owner", Role::Owner);
    bench.person("operator", Role::Operator);
    let far_future = now_ms() + 86_400_000;
    for (method, path, need) in ROUTES {
        // These end the session that the others use.
        if matches!(
            (method.as_str(), *path),
            (
                "DELETE",
                "/api/v1/session"
                    | "/api/v1/account/sessions/{id}"
                    | "/api/v1/accounts/{id}"
                    | "/api/v1/accounts/{id}/sessions"
            )
        ) {
            continue;
        }
        let mut senders = vec![owner.clone()];
        if let Need::Scope(scope) = need {
            let maker = if scope.role() == Role::Owner { "owner" } else { "operator" };
            senders.push(bench.token(maker, scope.word(), far_future));
        }
        for sender in senders {
            let answer = bench.send(&sender, method.clone(), &filled(path), body(method)).await;
            let is_in = !matches!(answer.status, StatusCode::UNAUTHORIZED | StatusCode::FORBIDDEN)
                // Public ones say 401 and 403 of the credentials in their body, which there are none of.
                || *need == Need::Nothing;
            assert!(is_in, "{method} {path}: {} {}", answer.status, answer.text());
            assert_ne!(
                answer.status,
                StatusCode::INTERNAL_SERVER_ERROR,
                "{method} {path}: {}",
                answer.text()
            );
        }
    }
}

#[tokio::test]
async fn pages_of_other_sites_change_nothing() {
    let bench = Bench::new();
    let owner = bench.person("owner", Role::Owner);
    for (method, path, _) in ROUTES.iter().filter(|(method, _, _)| *method != Method::GET) {
        for headers in [
            vec![],
            vec![("sec-fetch-site", "cross-site".to_owned())],
            vec![("sec-fetch-site", "same-site".to_owned())],
            vec![("origin", "https://elsewhere.example".to_owned())],
            vec![("origin", "null".to_owned())],
        ] {
            let sender = Sender { is_foreign: true, headers, ..owner.clone() };
            let answer = bench.send(&sender, method.clone(), &filled(path), body(method)).await;
            assert_eq!(answer.problem(), "foreign-page", "{method} {path}: {}", answer.text());
        }
    }
}

#[tokio::test]
async fn names_of_others_are_not_the_stations() {
    let bench = Bench::new();
    let owner = bench.person("owner", Role::Owner);
    for (host, is_own) in [
        ("localhost:7480", true),
        ("127.0.0.1:7480", true),
        ("[::1]:7480", true),
        ("192.0.2.9", true),
        ("reef.home.arpa:7443", true),
        ("Reef.Home.Arpa", true),
        ("elsewhere.example", false),
        ("localhost.elsewhere.example:7480", false),
        ("", false),
    ] {
        let request = axum::http::Request::builder()
            .uri("/api/v1/state")
            .header("host", host)
            .header("cookie", owner.cookie.clone().expect("a cookie"))
            .body(axum::body::Body::empty())
            .expect("a request");
        let answer =
            tower::ServiceExt::oneshot(bench.router.clone(), request).await.expect("the router never fails");
        assert_eq!(answer.status() == StatusCode::OK, is_own, "{host}: {}", answer.status());
    }
}

#[tokio::test]
async fn every_answer_has_the_headers_that_keep_a_page_safe() {
    let bench = Bench::new();
    let owner = bench.person("owner", Role::Owner);
    for path in ["/", "/api/v1/state", "/api/v1/nothing", "/health", "/no.js", "/api/v1/section.svg"] {
        for sender in [owner.clone(), Sender::default().far()] {
            let answer = bench.get(&sender, path).await;
            let header = |name: &str| {
                answer.headers.get(name).map_or("", |value| value.to_str().expect("text")).to_owned()
            };
            let policy = header("content-security-policy");
            assert!(
                policy.contains("default-src 'none'") && policy.contains("frame-ancestors 'none'"),
                "{path}: {policy}"
            );
            assert!(!policy.contains("unsafe"), "{path}: {policy}");
            assert_eq!(header("x-content-type-options"), "nosniff", "{path}");
            assert_eq!(header("referrer-policy"), "no-referrer", "{path}");
            assert_eq!(header("cross-origin-opener-policy"), "same-origin", "{path}");
            assert_eq!(header("strict-transport-security").is_empty(), !sender.is_far, "{path}");
            if path.starts_with("/api/") {
                assert_eq!(header("cache-control"), "no-store", "{path}");
            }
        }
    }
}

#[tokio::test]
async fn an_address_that_asks_too_often_waits() {
    let bench = Bench::new();
    let mut last = StatusCode::OK;
    for _ in 0..400 {
        let answer = bench.get(&Sender::default().far(), "/health").await;
        last = answer.status;
        if last == StatusCode::TOO_MANY_REQUESTS {
            assert!(answer.headers.contains_key("retry-after"));
            break;
        }
    }
    assert_eq!(last, StatusCode::TOO_MANY_REQUESTS);
    assert_eq!(
        bench.get(&Sender::default(), "/health").await.status,
        StatusCode::OK,
        "another address goes on"
    );
}

#[tokio::test]
async fn what_makes_no_sense_is_said_as_a_problem() {
    let bench = Bench::new();
    let owner = bench.person("owner", Role::Owner);
    let hand = "/api/v1/boards/board/hand";
    for (method, path, body, status) in [
        (Method::GET, "/api/v1/nothing", None, 404),
        (Method::PUT, "/api/v1/notes", None, 405),
        (Method::POST, hand, Some(json!({ "drive": "x" })), 400),
        (Method::POST, hand, Some(json!({ "drive": "x", "why": "w", "more": 1 })), 400),
        (Method::POST, hand, Some(json!("a text")), 400),
        (Method::POST, "/api/v1/notes", None, 415),
        (Method::POST, "/api/v1/notes", Some(json!({ "text": "x".repeat(100_000) })), 413),
        (Method::GET, "/api/v1/series/x/trend?from=0&to=1", None, 404),
        (Method::GET, "/api/v1/series/1/trend?from=2&to=1", None, 400),
        (Method::GET, "/api/v1/series/1/trend", None, 400),
        (Method::GET, "/api/v1/series/9999/trend?from=0&to=10", None, 404),
        (Method::GET, "/api/v1/events?limit=0", None, 400),
        (Method::GET, "/api/v1/export?from=0&to=10&format=xml", None, 400),
        (Method::GET, "/api/v1/system?board=none", None, 404),
    ] {
        let answer = bench.send(&owner, method.clone(), path, body).await;
        assert_eq!(answer.status.as_u16(), status, "{method} {path}: {}", answer.text());
        assert_eq!(answer.headers["content-type"], "application/problem+json", "{method} {path}");
        let problem = answer.json();
        assert_eq!(problem["status"], status, "{method} {path}");
        assert!(
            problem["detail"].as_str().is_some_and(|detail| detail.len() > 10),
            "{method} {path}: {problem}"
        );
    }
}
