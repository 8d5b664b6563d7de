//! Commands: what they need, what the trail says before and after, and after a crash in between.

use axum::http::StatusCode;
use serde_json::json;
use station::boards::{Act, Done, Outcome, SafeStep};
use store::Command;
use store::people::Role;

use crate::harness::{Bench, Sender};

const HAND: &str = "/api/v1/boards/board/hand";

fn operator(bench: &Bench) -> Sender {
    bench.person("Helper", Role::Operator)
}

#[tokio::test]
async fn a_hand_has_an_end_a_value_and_a_reason() {
    let bench = Bench::new();
    let helper = operator(&bench);
    let drive = "return_pump";
    for (body, word) in [
        (json!({ "drive": drive, "value": 0, "why": "cleaning" }), "`minutes`"),
        (json!({ "drive": drive, "value": 0, "minutes": 0, "why": "cleaning" }), "`minutes`"),
        (json!({ "drive": drive, "value": 0, "minutes": 721, "why": "cleaning" }), "`minutes`"),
        (json!({ "drive": drive, "value": 0, "minutes": 20, "why": "  " }), "`why`"),
        (json!({ "drive": drive, "value": 0.5, "minutes": 20, "why": "cleaning" }), "0 or 1"),
        (json!({ "drive": "no_such", "value": 0, "minutes": 20, "why": "cleaning" }), "nothing of that name"),
    ] {
        let answer = bench.post(&helper, HAND, body.clone()).await;
        assert!(answer.status.is_client_error() && answer.text().contains(word), "{body}: {}", answer.text());
    }
    assert!(bench.hands.acts.lock().expect("not poisoned").is_empty());
    assert_eq!(bench.get(&helper, "/api/v1/commands").await.json(), json!([]), "nothing was ordered");
}

#[tokio::test]
async fn a_command_is_in_the_trail_with_who_why_and_what_came_of_it() {
    let bench = Bench::new();
    let helper = operator(&bench);
    let body = json!({ "drive": "return_pump", "value": 0, "minutes": 20, "why": "cleaning the intake" });
    let order = bench.post(&helper, HAND, body).await.json();
    assert_eq!(order["status"], "done");
    assert_eq!((&order["scan"], &order["output"]), (&json!(7), &json!(1)));
    let system = &bench.app.site.boards[0].system;
    let pump = system.actuators.iter().position(|a| a.name == "return_pump").expect("is there");
    let acts = bench.hands.acts.lock().expect("not poisoned").clone();
    assert_eq!(
        acts,
        [Act::Hand { actuator: system::model::ActuatorIdx(pump), value: 0, time_ms: 1_200_000 }]
    );
    *bench.hands.answer.lock().expect("not poisoned") =
        Some(Outcome::Refused { why: "its permissive `not sump_low` stands against it".to_owned() });
    let body = json!({ "drive": "return_pump", "value": 1, "minutes": 1, "why": "try" });
    let refused = bench.post(&helper, HAND, body).await;
    assert_eq!(refused.status, StatusCode::OK, "the station did what it was asked: it asked the board");
    assert_eq!(refused.json()["status"], "refused");
    assert!(refused.json()["detail"].as_str().is_some_and(|why| why.contains("permissive")));
    *bench.hands.answer.lock().expect("not poisoned") =
        Some(Outcome::NotDone { why: "no answer in time".to_owned() });
    let body = json!({ "drive": "return_pump", "why": "done" });
    assert_eq!(bench.post(&helper, HAND, body).await.json()["status"], "not-done");
    let trail = bench.get(&helper, "/api/v1/commands").await.json();
    let of = |n: usize, key: &str| trail[n][key].as_str().unwrap_or("").to_owned();
    assert_eq!(
        [of(0, "what"), of(1, "what"), of(2, "what")],
        ["return_pump back to its rule", "return_pump on for 60 s", "return_pump off for 20 min"]
    );
    assert_eq!([of(0, "status"), of(1, "status"), of(2, "status")], ["not-done", "refused", "done"]);
    assert_eq!(
        (of(2, "who"), of(2, "why"), of(2, "board")),
        ("Helper".into(), "cleaning the intake".into(), "board".into())
    );
}

#[tokio::test]
async fn a_token_signs_with_its_maker_and_its_name() {
    let bench = Bench::new();
    operator(&bench);
    let token = bench.token("Helper", "act", i64::MAX);
    let body = json!({ "drive": "return_pump", "why": "test" });
    assert_eq!(bench.post(&token, HAND, body).await.json()["who"], "Helper by token test");
}

#[tokio::test]
async fn a_crash_between_command_and_outcome_shows_as_not_known() {
    let bench = Bench::new();
    operator(&bench);
    let command = Command {
        id: 0,
        at: station::app::now_ms(),
        source: "board".to_owned(),
        who: "Helper".to_owned(),
        why: "cleaning".to_owned(),
        what: "return_pump off for 20 min".to_owned(),
        outcomes: vec![],
    };
    bench.app.store.add_command(&command).expect("writes");
    let read = bench.token("Helper", "read", i64::MAX);
    assert_eq!(bench.get(&read, "/api/v1/commands").await.json()[0]["status"], "under-way");
    std::thread::sleep(std::time::Duration::from_millis(5));
    let bench = bench.restarted();
    let order = bench.get(&read, "/api/v1/commands").await.json()[0].clone();
    assert_eq!(order["status"], "not-known");
    assert!(
        order["detail"].as_str().is_some_and(|detail| detail.starts_with("not known whether done")),
        "{order}"
    );
}

#[tokio::test]
async fn the_trail_cannot_be_changed() {
    let bench = Bench::new();
    let helper = operator(&bench);
    bench.post(&helper, HAND, json!({ "drive": "return_pump", "why": "test" })).await;
    for sql in [
        "update commands set who = 'x'",
        "delete from commands",
        "update outcomes set detail = ''",
        "delete from outcomes",
    ] {
        let done = bench.app.store.write(move |db| {
            db.execute(sql, []).map(drop).map_err(|error| store::Error::of("changing the trail", &error))
        });
        assert!(done.is_err_and(|error| error.to_string().contains("only added to")), "{sql}");
    }
}

#[tokio::test]
async fn trips_and_procedures_go_by_the_names_of_the_file() {
    let bench = Bench::new();
    let helper = operator(&bench);
    let state = bench.get(&helper, "/api/v1/state").await.json();
    let trip = state["boards"][0]["trips"][1]["id"].as_str().expect("a trip").to_owned();
    let why = json!({ "why": "looked after it" });
    let order =
        bench.post(&helper, &format!("/api/v1/boards/board/trips/{trip}/reset"), why.clone()).await.json();
    assert_eq!(order["what"], format!("reset of the trip {trip}"));
    let procedure = state["boards"][0]["procedures"][0]["name"].as_str().expect("a procedure").to_owned();
    let path = format!("/api/v1/boards/board/procedures/{procedure}");
    let order = bench.post(&helper, &path, json!({ "act": "start", "why": "feeding time" })).await.json();
    assert_eq!(order["status"], "done", "{order}");
    let acts = bench.hands.acts.lock().expect("not poisoned").clone();
    assert_eq!(acts[0], Act::ResetTrip { trip: 1 });
    assert!(matches!(acts[1], Act::Procedure { command: link::message::ProcedureCommand::Start, .. }));
    assert_eq!(
        bench.post(&helper, &path, json!({ "act": "skip", "why": "x" })).await.status,
        StatusCode::BAD_REQUEST
    );
    assert_eq!(
        bench.post(&helper, "/api/v1/boards/board/trips/none/reset", why).await.status,
        StatusCode::NOT_FOUND
    );
}

#[tokio::test]
async fn make_safe_tells_of_each_step() {
    let bench = Bench::new();
    let helper = operator(&bench);
    let actuator = system::model::ActuatorIdx(0);
    let step = |words: &str| SafeStep {
        actuator,
        act: Act::Hand { actuator, value: 0, time_ms: 1000 },
        words: words.to_owned(),
    };
    *bench.hands.steps.lock().expect("not poisoned") = vec![step("lime pump off"), step("return pump on")];
    let done =
        Outcome::Done(Done { scan: Some(1), at_ms: 0, output: Some(0), hand_left_ms: None, remark: None });
    *bench.hands.answer.lock().expect("not poisoned") = Some(done);
    let safe = bench.post(&helper, "/api/v1/make-safe", json!({ "why": "woken at three" })).await.json();
    assert_eq!(safe["is_all_done"], true, "{safe}");
    assert_eq!(safe["steps"].as_array().map(Vec::len), Some(2));
    assert_eq!(safe["steps"][1]["what"], "make safe: return pump on");
    assert_eq!(bench.get(&helper, "/api/v1/commands").await.json().as_array().map(Vec::len), Some(2));
}
