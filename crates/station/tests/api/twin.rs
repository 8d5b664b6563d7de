//! The twin beside the tank: a flow that falls is seen in the store's hours, told as an alarm of its own with where to look, and learned anew when a
//! person says that it is right, or that the pump was cleaned.

use axum::http::StatusCode;
use serde_json::{Value, json};
use station::app::App;
use station::fitted::{Found, Kept, study_text};
use station::twin;
use store::people::Role;
use store::{Quality, Sample};

use crate::harness::Bench;

const FIT: &str = "/api/v1/boards/board/fit";
const HOUR_MS: i64 = 3_600_000;
/// A midnight, so that stretches of six hours begin here.
const BEGIN_MS: i64 = 1_768_435_200_000;

/// Stretches of six hours in which the return gives so many L/h: half of three of their hours each, which is enough.
fn record(app: &App, from: i64, flows: &[i64]) {
    let all = app.store.all_series();
    let of = |name: &str| all.iter().find(|s| s.spec.name == name).expect("a series").id;
    let (flow, pump) = (of("return_flow"), of("return_pump"));
    let mut samples = vec![];
    for (stretch, l_h) in (from..).zip(flows) {
        for hour in 0..3 {
            let begin = BEGIN_MS + (stretch * 6 + hour) * HOUR_MS;
            for second in 0..1860 {
                let time = begin + second * 1000;
                let good = |series, value| Sample { series, time, value, quality: Quality::Good };
                // mL/min, with a little noise that comes and goes.
                samples.push(good(flow, l_h * 1000 / 60 + second % 7));
                samples.push(good(pump, 1));
            }
        }
    }
    // The newest sample ends the last stretch, which counts once more comes.
    let time = BEGIN_MS + (from + flows.len() as i64) * 6 * HOUR_MS;
    samples.push(Sample { series: pump, time, value: 1, quality: Quality::Good });
    app.store.append(samples).expect("stores");
    app.store.settle().expect("settles");
}

fn flow(fit: &Value) -> &Value {
    let all = fit["quantities"].as_array().expect("a list");
    all.iter().find(|q| q["quantity"] == "flow").expect("it has a meter")
}

fn stands(app: &App) -> Option<String> {
    let checks = app.checks(0).expect("a board");
    let drift = checks.drifts.iter().find(|v| v.id() == "station/board/twin-drifts/return_flow")?;
    drift.finding().map(|f| f.wrong.clone())
}

#[tokio::test]
async fn a_clog_is_told_and_what_is_right_is_learned_anew() {
    let bench = Bench::new();
    let operator = bench.person("Mara", Role::Operator);
    let viewer = bench.person("viewer", Role::Viewer);
    let before = bench.get(&viewer, FIT).await.json();
    assert_eq!(
        (before["to_ms"].is_null(), &before["quantities"]),
        (true, &json!([])),
        "nothing was looked at yet"
    );

    let board = &bench.app.site.boards[0];
    twin::look(&bench.app, board).expect("no sample is no fault");
    record(&bench.app, 0, &[2400; 13]);
    twin::look(&bench.app, board).expect("looks");
    let steady = bench.get(&viewer, FIT).await.json();
    assert_eq!(flow(&steady)["state"], "steady", "{}", flow(&steady));
    assert_eq!(stands(&bench.app), None);

    record(&bench.app, 13, &[1920; 3]);
    twin::look(&bench.app, board).expect("looks");
    let fallen = bench.get(&viewer, &format!("{FIT}?days=30")).await.json();
    let of = flow(&fallen);
    assert_eq!(of["state"], "drifting", "{of}");
    assert_eq!(
        of["words"],
        "Return flow is 20 % below its twin since Sun 2026-01-18: 1920 L/h instead of 2400 L/h."
    );
    assert!(of["act"].as_str().is_some_and(|a| a.starts_with("Look at the pump's intake and rotor")), "{of}");
    assert!(of["caution"].as_str().is_some_and(|c| c.contains("pull the plug")), "{of}");
    let n = of["at_ms"].as_array().map_or(0, Vec::len);
    assert_eq!(
        (n, of["value"].as_array().map_or(0, Vec::len), of["expected"].as_array().map_or(0, Vec::len)),
        (15, 15, 15)
    );
    let wrong = stands(&bench.app).expect("it is told");
    assert!(wrong.starts_with("Return flow is 20 % below its twin"), "{wrong}");

    // Who may only read cannot say so; what is not watched cannot be right.
    let right = json!({ "part": "return_flow", "why": "a smaller pump" });
    let path = format!("{FIT}/right");
    assert_eq!(bench.post(&viewer, &path, right.clone()).await.status, StatusCode::FORBIDDEN);
    let unknown = bench.post(&operator, &path, json!({ "part": "kettle", "why": "tea" })).await;
    assert_eq!(unknown.status, StatusCode::NOT_FOUND, "{}", unknown.text());
    assert_eq!(bench.get(&viewer, &format!("{FIT}?days=0")).await.status, StatusCode::BAD_REQUEST);
    let said = bench.post(&operator, &path, right).await;
    assert_eq!(said.status, StatusCode::OK, "{}", said.text());
    let after = bench.get(&viewer, FIT).await.json();
    assert_eq!(flow(&after)["state"], "learning", "{}", flow(&after));
    assert_eq!(stands(&bench.app), None);
    let events = bench.get(&viewer, "/api/v1/events?board=board").await.text();
    assert!(events.contains("says that `return_flow` is right as it is: a smaller pump"), "{events}");

    // It stands over a restart, and what is written down as care counts the same.
    let bench = bench.restarted();
    let board = &bench.app.site.boards[0];
    twin::look(&bench.app, board).expect("looks");
    let seen = bench.app.twins.seen(0).expect("looked");
    let of = seen.courses.iter().find(|c| c.part == "return_flow").expect("it is watched");
    assert_eq!(of.state(), fit::drift::State::Learning);
}

#[tokio::test]
async fn what_was_fitted_is_shown_with_its_interval_and_its_file() {
    let bench = Bench::new();
    let viewer = bench.person("viewer", Role::Viewer);
    let path = format!("{FIT}/file");
    assert_eq!(bench.get(&viewer, &path).await.status, StatusCode::NOT_FOUND, "nothing was fitted yet");
    let board = &bench.app.site.boards[0];
    let found = |what: &str, low: Option<f64>, unknown: Option<&str>| Found {
        what: what.to_owned(),
        part: None,
        unit: String::new(),
        file: 1.0,
        value: low.map_or(1.0, |low| low + 0.1),
        low,
        high: low.map(|low| low + 0.2),
        how: "by a balance".to_owned(),
        unknown: unknown.map(str::to_owned),
    };
    let kept = Kept {
        from_ms: BEGIN_MS,
        to_ms: BEGIN_MS + 14 * 24 * HOUR_MS,
        hash: workbench::hash(&board.text),
        parameters: vec![found("evaporation", Some(1.1), None), found("wall loss", None, Some("no room"))],
        left_over: vec![],
        notes: vec!["the room is not measured".to_owned()],
        text: Some("# fitted".to_owned()),
        edits: vec![("fitted.evaporation".to_owned(), "1.2".to_owned())],
    };
    let keep = |kept: &Kept| {
        let text = serde_json::to_string(kept).expect("JSON");
        bench.app.store.set_setting("fit/board", &text).expect("stores");
    };
    keep(&kept);
    let shown = bench.get(&viewer, FIT).await.json();
    let of = &shown["fitted"]["parameters"];
    assert_eq!(
        (&of[0]["what"], &of[0]["low"], &of[1]["unknown"]),
        (&json!("evaporation"), &json!(1.1), &json!("no room"))
    );
    assert!(of[1]["low"].is_null() && shown["is_used"] == false, "{shown}");
    assert_eq!(shown["fitted"]["edits"][0]["path"], "fitted.evaporation");
    assert_eq!(bench.get(&viewer, &path).await.json()["text"], "# fitted");
    assert_eq!(&*study_text(&bench.app, board), board.text, "the owner did not say that it is to be used");
    // Of another text it says nothing.
    keep(&Kept { hash: "another".to_owned(), ..kept });
    assert!(bench.get(&viewer, FIT).await.json()["fitted"].is_null());
}
