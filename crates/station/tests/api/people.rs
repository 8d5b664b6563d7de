//! Logging in, one-time codes, waiting after wrong guesses, accounts and tokens.

use std::net::Ipv4Addr;
use std::path::Path;

use axum::http::{Method, StatusCode};
use serde_json::{Value, json};
use station::app::now_ms;
use station::auth::door::LogIn;
use station::auth::password::Password;
use station::auth::totp::Seed;
use station::http::listen::{Peer, Way};
use store::people::{self, Role};

use crate::harness::{Bench, Sender};

const PASSWORD: &str = "barnacle wicket nine staircase";

/// An owner, made by the code from the terminal.
async fn with_owner() -> (Bench, Sender) {
    let bench = Bench::new();
    let code = bench.app.door.new_first_code().expect("no owner yet");
    let body = json!({ "code": code.to_lowercase(), "name": "Keeper", "password": PASSWORD });
    let answer = bench.post(&Sender::default(), "/api/v1/account/first", body).await;
    assert_eq!(answer.status, StatusCode::OK, "{}", answer.text());
    let sender = Sender::cookie(answer.cookie());
    (bench, sender)
}

async fn log_in(
    bench: &Bench,
    from: &Sender,
    name: &str,
    password: &str,
    code: Option<&str>,
) -> crate::harness::Answer {
    let mut body = json!({ "name": name, "password": password });
    if let Some(code) = code {
        body["code"] = json!(code);
    }
    bench.post(from, "/api/v1/session", body).await
}

#[tokio::test]
async fn the_first_account_takes_the_code_and_comes_once() {
    let bench = Bench::new();
    assert_eq!(
        bench.get(&Sender::default(), "/api/v1/session").await.json(),
        json!({ "needs_first_owner": true })
    );
    let first = |code: &str, password: &str| json!({ "code": code, "name": "Keeper", "password": password });
    let nobody = Sender::default();
    let path = "/api/v1/account/first";
    assert_eq!(
        bench.post(&nobody, path, first("AAAA", PASSWORD)).await.problem(),
        "conflict",
        "no code was made"
    );
    let old = bench.app.door.new_first_code().expect("no owner yet");
    let code = bench.app.door.new_first_code().expect("no owner yet");
    assert_eq!(bench.post(&nobody, path, first(&old, PASSWORD)).await.problem(), "not-allowed");
    assert_eq!(bench.post(&nobody, path, first(&code, "password1234")).await.problem(), "not-possible");
    let answer = bench.post(&nobody, path, first(&code, PASSWORD)).await;
    assert_eq!(answer.status, StatusCode::OK, "{}", answer.text());
    let cookie = answer.headers["set-cookie"].to_str().expect("text");
    for part in ["__Host-tidewright=", "; Path=/", "; Secure", "; HttpOnly", "; SameSite=Strict"] {
        assert!(cookie.contains(part), "{cookie}");
    }
    assert!(!cookie.contains("Domain"), "{cookie}");
    assert!(*bench.app.door.has_owner().borrow());
    assert_eq!(bench.post(&nobody, path, first(&code, PASSWORD)).await.problem(), "conflict");
    assert_eq!(bench.app.door.new_first_code(), None);
    let me = bench.get(&Sender::cookie(answer.cookie()), "/api/v1/session").await.json();
    assert_eq!(me, json!({ "me": { "name": "Keeper", "role": "owner" }, "needs_first_owner": false }));
}

#[tokio::test]
async fn logging_out_ends_the_session_and_a_new_password_all_others() {
    let (bench, first) = with_owner().await;
    let second = Sender::cookie(log_in(&bench, &first, "keeper", PASSWORD, None).await.cookie());
    assert_ne!(first.cookie, second.cookie, "each log-in has a session of its own");
    let third = Sender::cookie(log_in(&bench, &Sender::default(), "KEEPER", PASSWORD, None).await.cookie());
    bench.send(&third, Method::DELETE, "/api/v1/session", None).await;
    assert_eq!(bench.get(&third, "/api/v1/state").await.status, StatusCode::UNAUTHORIZED);
    let change = |old: &str, new: &str| json!({ "old": old, "new": new });
    let path = "/api/v1/account/password";
    assert_eq!(
        bench.post(&first, path, change("wrong", "another four words here")).await.problem(),
        "not-allowed"
    );
    assert_eq!(bench.post(&first, path, change(PASSWORD, "short")).await.problem(), "not-possible");
    assert_eq!(
        bench.post(&first, path, change(PASSWORD, "another four words here")).await.status,
        StatusCode::OK
    );
    assert_eq!(bench.get(&first, "/api/v1/state").await.status, StatusCode::OK);
    assert_eq!(bench.get(&second, "/api/v1/state").await.status, StatusCode::UNAUTHORIZED);
    assert_eq!(
        log_in(&bench, &Sender::default(), "Keeper", PASSWORD, None).await.problem(),
        "wrong-credentials"
    );
}

#[tokio::test]
async fn one_time_codes_count_once_and_recovery_codes_too() {
    let (bench, owner) = with_owner().await;
    let begun = bench.post(&owner, "/api/v1/account/totp", json!({ "password": PASSWORD })).await.json();
    let uri = begun["uri"].as_str().expect("a link");
    assert!(uri.starts_with("otpauth://totp/Harbour%20Lane:Keeper?secret="), "{uri}");
    assert_eq!(
        log_in(&bench, &Sender::default(), "keeper", PASSWORD, None).await.status,
        StatusCode::OK,
        "not yet confirmed"
    );
    let account = bench.app.door.account(1).expect("is there");
    let seed = Seed::from_bytes(&account.totp_pending.expect("waits")).expect("a seed");
    assert_eq!(begun["secret"], json!(seed.base32()));
    let confirm = "/api/v1/account/totp/confirm";
    assert_eq!(bench.post(&owner, confirm, json!({ "code": "000000" })).await.problem(), "not-possible");
    let now_s = || now_ms().unsigned_abs() / 1000;
    // The code of the step before, so that those of now and of the next are left for what follows.
    let code = seed.code(now_s() - 30);
    let codes = bench.post(&owner, confirm, json!({ "code": code })).await.json();
    let codes: Vec<String> = serde_json::from_value(codes["recovery_codes"].clone()).expect("codes");
    assert_eq!(codes.len(), 8);
    let nobody = Sender::default();
    assert_eq!(log_in(&bench, &nobody, "keeper", PASSWORD, None).await.problem(), "code-needed");
    assert_eq!(
        log_in(&bench, &nobody, "keeper", PASSWORD, Some(&code)).await.problem(),
        "wrong-credentials",
        "it was taken"
    );
    assert_eq!(
        log_in(&bench, &nobody, "keeper", "wrong", Some(&seed.code(now_s()))).await.problem(),
        "wrong-credentials"
    );
    let code = seed.code(now_s());
    assert_eq!(log_in(&bench, &nobody, "keeper", PASSWORD, Some(&code)).await.status, StatusCode::OK);
    assert_eq!(
        log_in(&bench, &nobody, "keeper", PASSWORD, Some(&code)).await.problem(),
        "wrong-credentials",
        "it was taken"
    );
    assert_eq!(
        log_in(&bench, &nobody, "keeper", PASSWORD, Some(&codes[0].to_lowercase())).await.status,
        StatusCode::OK
    );
    assert_eq!(
        log_in(&bench, &nobody, "keeper", PASSWORD, Some(&codes[0])).await.problem(),
        "wrong-credentials"
    );
    assert_eq!(bench.get(&owner, "/api/v1/account").await.json()["n_recovery_codes"], 7);
    let end = bench
        .send(&owner, Method::DELETE, "/api/v1/account/totp", Some(json!({ "password": PASSWORD })))
        .await;
    assert_eq!(end.status, StatusCode::OK, "{}", end.text());
    assert_eq!(log_in(&bench, &nobody, "keeper", PASSWORD, None).await.status, StatusCode::OK);
}

/// A log-in at the times of RFC 6238, appendix B, with its seed and its codes; they have eight digits there, of which the last six are the
/// code of six (RFC 4226, section 5.3: the same number modulo 10^6).
#[tokio::test]
async fn logging_in_takes_the_codes_of_rfc_6238() {
    let (bench, _) = with_owner().await;
    bench
        .app
        .store
        .write(|db| {
            people::set_pending_seed(db, 1, b"12345678901234567890").expect("writes");
            people::confirm_seed(db, 1, 0, &[]).expect("writes");
            Ok(())
        })
        .expect("writes");
    let peer = Peer { address: Ipv4Addr::LOCALHOST.into(), way: Way::Here, is_secure: false };
    let enter = async |code: &str, at_s: i64| {
        let log_in = LogIn {
            name: "keeper".to_owned(),
            password: Password::new(PASSWORD),
            code: Some(code.to_owned()),
            device: "test".to_owned(),
        };
        bench.app.door.log_in(log_in, peer, at_s * 1000).await.is_ok()
    };
    for (at_s, code) in [
        (59, "94287082"),
        (1_111_111_109, "07081804"),
        (1_111_111_111, "14050471"),
        (1_234_567_890, "89005924"),
        (2_000_000_000, "69279037"),
        (20_000_000_000, "65353130"),
    ] {
        let code = &code[2..];
        // A few wrong guesses are free, and a right one forgets them.
        assert!(!enter(code, at_s + 90).await, "{code} is too old at {at_s} + 90");
        assert!(enter(code, at_s).await, "{code} at {at_s}");
        assert!(!enter(code, at_s).await, "{code} was taken");
    }
}

#[tokio::test]
async fn wrong_guesses_from_afar_wait_and_the_keeper_at_the_machine_does_not() {
    let (bench, _) = with_owner().await;
    let far = Sender::default().far();
    for _ in 0..5 {
        assert_eq!(log_in(&bench, &far, "keeper", "wrong", None).await.problem(), "wrong-credentials");
    }
    let waits = log_in(&bench, &far, "keeper", PASSWORD, None).await;
    assert_eq!(waits.status, StatusCode::TOO_MANY_REQUESTS, "also with the right password: {}", waits.text());
    assert!(waits.headers.contains_key("retry-after"));
    let other = log_in(&bench, &far, "somebody", "wrong", None).await;
    assert_eq!(other.status, StatusCode::TOO_MANY_REQUESTS, "the address waits for any name");
    assert_eq!(
        log_in(&bench, &Sender::default(), "keeper", PASSWORD, None).await.status,
        StatusCode::OK,
        "here"
    );
    // What came through something else on the machine is not from here.
    let proxied = Sender { headers: vec![("x-forwarded-for", "192.0.2.8".to_owned())], ..Sender::default() };
    bench
        .app
        .store
        .write(|db| {
            for _ in 0..30 {
                people::add_wrong_guess(db, "account keeper", i64::MAX, now_ms()).expect("writes");
            }
            Ok(())
        })
        .expect("writes");
    assert_eq!(
        log_in(&bench, &proxied, "keeper", PASSWORD, None).await.status,
        StatusCode::TOO_MANY_REQUESTS
    );
    // A restart forgives nothing.
    let bench = bench.restarted();
    assert_eq!(log_in(&bench, &far, "keeper", PASSWORD, None).await.status, StatusCode::TOO_MANY_REQUESTS);
    assert_eq!(
        log_in(&bench, &Sender::default(), "keeper", PASSWORD, None).await.status,
        StatusCode::OK,
        "here"
    );
}

#[tokio::test]
async fn an_unknown_name_is_answered_as_a_wrong_password() {
    let (bench, _) = with_owner().await;
    let known = log_in(&bench, &Sender::default(), "keeper", "wrong", None).await;
    let unknown = log_in(&bench, &Sender::default(), "nobody", "wrong", None).await;
    assert_eq!((known.status, known.body), (unknown.status, unknown.body));
}

#[tokio::test]
async fn owners_make_accounts_and_the_last_owner_stays() {
    let (bench, owner) = with_owner().await;
    let made = bench
        .post(
            &owner,
            "/api/v1/accounts",
            json!({ "name": "Helper", "role": "operator", "password": "pebble lantern ferry oats" }),
        )
        .await;
    assert_eq!(made.status, StatusCode::OK, "{}", made.text());
    let id = made.json()["id"].as_i64().expect("a number");
    let again = json!({ "name": "helper", "role": "viewer", "password": "pebble lantern ferry oats" });
    assert_eq!(bench.post(&owner, "/api/v1/accounts", again).await.problem(), "conflict");
    let helper = Sender::cookie(
        log_in(&bench, &Sender::default(), "Helper", "pebble lantern ferry oats", None).await.cookie(),
    );
    assert_eq!(bench.get(&helper, "/api/v1/accounts").await.problem(), "not-allowed");
    assert_eq!(
        bench.post(&owner, "/api/v1/accounts/1/role", json!({ "role": "viewer" })).await.problem(),
        "conflict"
    );
    assert_eq!(bench.send(&owner, Method::DELETE, "/api/v1/accounts/1", None).await.problem(), "conflict");
    let role = format!("/api/v1/accounts/{id}/role");
    assert_eq!(bench.post(&owner, &role, json!({ "role": "viewer" })).await.status, StatusCode::OK);
    let note = json!({ "text": "looked" });
    assert_eq!(
        bench.post(&helper, "/api/v1/notes", note).await.problem(),
        "not-allowed",
        "a smaller role counts at once"
    );
    assert_eq!(
        bench.send(&owner, Method::DELETE, &format!("/api/v1/accounts/{id}"), None).await.status,
        StatusCode::OK
    );
    assert_eq!(bench.get(&helper, "/api/v1/state").await.status, StatusCode::UNAUTHORIZED);
}

#[tokio::test]
async fn a_token_is_told_once_and_ends_with_its_removal() {
    let (bench, owner) = with_owner().await;
    let new = |days: u32| json!({ "name": "graphs", "scopes": ["metrics"], "days": days });
    assert_eq!(bench.post(&owner, "/api/v1/tokens", new(400)).await.problem(), "not-possible");
    let made = bench.post(&owner, "/api/v1/tokens", new(30)).await.json();
    let token = Sender::bearer(made["token"].as_str().expect("a text"));
    assert_eq!(bench.get(&token, "/metrics").await.status, StatusCode::OK);
    assert_eq!(bench.get(&token, "/api/v1/state").await.status, StatusCode::FORBIDDEN);
    let list = bench.get(&owner, "/api/v1/tokens").await;
    assert!(!list.text().contains(made["token"].as_str().expect("a text")));
    assert_eq!(list.json()[0]["scopes"], json!(["metrics"]));
    let path = format!("/api/v1/tokens/{}", made["id"]);
    assert_eq!(bench.send(&owner, Method::DELETE, &path, None).await.status, StatusCode::OK);
    assert_eq!(bench.get(&token, "/metrics").await.status, StatusCode::UNAUTHORIZED);
}

fn holds(folder: &Path, secret: &str) -> bool {
    std::fs::read_dir(folder).expect("a folder").flatten().any(|entry| {
        let bytes = std::fs::read(entry.path()).unwrap_or_default();
        bytes.windows(secret.len()).any(|window| window == secret.as_bytes())
    })
}

#[tokio::test]
async fn no_secret_stands_in_the_store_or_in_the_log_of_events() {
    let (bench, owner) = with_owner().await;
    log_in(&bench, &Sender::default(), "keeper", "a wrong guess of mine", None).await;
    let made = bench
        .post(&owner, "/api/v1/tokens", json!({ "name": "x", "scopes": ["read"], "days": 1 }))
        .await
        .json();
    let events: Value = bench.get(&owner, "/api/v1/events").await.json();
    let events = events.to_string();
    assert!(
        events.contains("wrong log-in as `keeper`") && events.contains("became the first owner"),
        "{events}"
    );
    let cookie = owner.cookie.as_deref().and_then(|cookie| cookie.split_once('=')).expect("a cookie").1;
    let token = made["token"].as_str().expect("a text");
    for secret in [PASSWORD, "a wrong guess of mine", cookie, token] {
        assert!(!events.contains(secret));
        assert!(!holds(bench.folder.path(), secret), "{secret} stands in a file");
    }
}

#[tokio::test]
async fn roles_from_the_store_decide() {
    let bench = Bench::new();
    let viewer = bench.person("viewer", Role::Viewer);
    assert_eq!(bench.get(&viewer, "/api/v1/state").await.status, StatusCode::OK);
    assert_eq!(bench.get(&viewer, "/metrics").await.status, StatusCode::OK);
    assert_eq!(bench.get(&viewer, "/api/v1/tokens").await.status, StatusCode::FORBIDDEN);
}
