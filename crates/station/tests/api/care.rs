//! Care: what is due, guided proof tests seen in the records, the log of water, calibrations that go to the board and back, the calendar.

use axum::http::{Method, StatusCode};
use program::calibration::{Correction, Entry};
use serde_json::{Value, json};
use station::app::now_ms;
use station::boards::{Act, Outcome};
use station::care::{DAY_MS, refresh};
use store::care::Done;
use store::people::Role;
use store::{Quality, Sample};

use crate::harness::{Bench, Sender};

const CARE: &str = "/api/v1/boards/board/care";
const WATER: &str = "/api/v1/boards/board/water";
const CALIBRATIONS: &str = "/api/v1/boards/board/calibrations";
const FLOAT: &str = "float:float_c_high";

fn item<'a>(all: &'a Value, id: &str) -> &'a Value {
    all.as_array().and_then(|all| all.iter().find(|item| item["id"] == id)).unwrap_or(&Value::Null)
}

#[tokio::test]
async fn everything_is_due_after_a_week_and_who_did_it_is_kept() {
    let bench = Bench::new();
    let helper = bench.person("Helper", Role::Operator);
    let all = bench.get(&helper, "/api/v1/care").await.json();
    let float = item(&all, FLOAT);
    assert_eq!((float["state"].as_str(), float["kind"].as_str()), (Some("soon"), Some("proof-test")));
    assert!(
        float["steps"].as_array().is_some_and(|s| s.len() >= 4)
            && float["how"].as_str().is_some_and(|h| h.contains("PFDavg"))
    );
    let body = json!({ "item": FLOAT, "passed": true, "note": "moves freely" });
    let done = bench.post(&helper, CARE, body).await;
    assert_eq!(done.status, StatusCode::OK, "{}", done.text());
    assert_eq!(done.json()["who"], "Helper");
    let all = bench.get(&helper, "/api/v1/care").await.json();
    assert_eq!(
        (&item(&all, FLOAT)["state"], &item(&all, FLOAT)["last_by"]),
        (&json!("later"), &json!("Helper"))
    );
    assert_eq!(bench.get(&helper, CARE).await.json()[0]["note"], "moves freely");
    for (body, status) in [
        (json!({ "item": "float:none", "passed": true }), StatusCode::NOT_FOUND),
        (
            json!({ "item": FLOAT, "passed": true, "begun_ms": now_ms() + 10_000_000 }),
            StatusCode::UNPROCESSABLE_ENTITY,
        ),
        (json!({ "item": FLOAT }), StatusCode::BAD_REQUEST),
    ] {
        let answer = bench.post(&helper, CARE, body.clone()).await;
        assert!(answer.status == status || answer.status.is_client_error(), "{body}: {}", answer.text());
    }
    assert_eq!(
        bench
            .post(&helper, "/api/v1/boards/none/care", json!({ "item": FLOAT, "passed": true }))
            .await
            .status,
        StatusCode::NOT_FOUND
    );
}

/// What was passed 40 days ago and is wanted each 30 is overdue: an alarm, a line in the morning; done again both go.
#[tokio::test]
async fn overdue_is_an_alarm_of_its_own() {
    let bench = Bench::new();
    let board = &bench.app.site.boards[0];
    let now = now_ms();
    let row = Done {
        id: 0,
        at: now - 40 * DAY_MS,
        source: "board".into(),
        item: FLOAT.into(),
        who: "Helper".into(),
        passed: true,
        seen: String::new(),
        note: String::new(),
    };
    bench.app.store.write(move |db| Ok(store::care::add_done(db, &row).expect("stored"))).expect("stored");
    refresh(&bench.app, board, now).expect("looked");
    let (verdicts, due) = {
        let checks = bench.app.checks(0).expect("checks");
        (checks.care.clone(), checks.due.clone())
    };
    let wrong: Vec<String> = verdicts.iter().filter(|v| v.finding().is_some()).map(|v| v.id()).collect();
    assert_eq!(wrong, [format!("station/board/proof-test-overdue/{FLOAT}")]);
    assert_eq!(due, ["Float float_c_high"]);
    let changes = alarms::watch::tell(&mut bench.app.book(), &verdicts, now);
    assert_eq!(changes.len(), 1, "{changes:?}");
    let helper = bench.person("Helper", Role::Operator);
    // A failure is an alarm at once, whenever it is due.
    bench.post(&helper, CARE, json!({ "item": "leak:leak_1", "passed": false, "note": "dry" })).await;
    bench.post(&helper, CARE, json!({ "item": FLOAT, "passed": true })).await;
    let checks = bench.app.checks(0).expect("checks");
    let wrong: Vec<String> =
        checks.care.iter().filter(|v| v.finding().is_some()).map(|v| v.part.clone()).collect();
    assert_eq!(wrong, ["leak:leak_1"]);
}

/// The steps of a guided test are found in the samples of the board, one after the other.
#[tokio::test]
async fn a_guided_test_is_seen_in_the_records() {
    let bench = Bench::new();
    let helper = bench.person("Helper", Role::Operator);
    let begun = now_ms() - 60_000;
    let series = |name: &str| {
        bench.app.store.all_series().into_iter().rfind(|s| s.spec.name == name).expect("a series").id
    };
    let (float, top_off, lime) = (series("float_c_high"), series("topoff_pump"), series("lime_pump"));
    let mut samples = vec![];
    for second in 0..50 {
        let at = begun + second * 1000;
        let mut put = |series, value: bool| {
            samples.push(Sample { series, time: at, value: i64::from(value), quality: Quality::Good });
        };
        put(float, (20..30).contains(&second));
        // Both run from the fifth second and stop as the float is lifted.
        put(top_off, (5..21).contains(&second));
        put(lime, false);
    }
    bench.app.store.append(samples).expect("stored");
    let body = json!({ "item": FLOAT, "passed": true, "begun_ms": begun });
    let done = bench.post(&helper, CARE, body).await.json();
    // The lime pump never ran, and so step 2 was not done.
    let seen = done["seen"].as_str().unwrap_or("");
    assert!(seen.starts_with("steps 1, 3, 4") && seen.contains("steps 2"), "{done}");
}

#[tokio::test]
async fn the_log_of_water_gives_the_use() {
    let bench = Bench::new();
    let helper = bench.person("Helper", Role::Operator);
    let now = now_ms();
    for day in 0..8_i64 {
        let value = format!("{:.2} dKH", 5.7 + 0.4 * day as f64);
        let body = json!({ "what": "alkalinity", "value": value, "at_ms": now - day * DAY_MS });
        let told = bench.post(&helper, WATER, body).await;
        assert_eq!(told.status, StatusCode::OK, "{}", told.text());
    }
    bench.post(&helper, WATER, json!({ "what": "dose sodium bicarbonate", "value": "0 g" })).await;
    let water = bench.get(&helper, WATER).await.json();
    assert_eq!(water["lines"].as_array().map(Vec::len), Some(9));
    let used = water["quantities"][0]["used"]["per_day"].as_f64().expect("a use");
    assert!((used - 0.4).abs() < 0.01, "{water}");
    let id = water["lines"][0]["id"].as_i64().expect("a number");
    let path = format!("{WATER}/{id}");
    assert_eq!(bench.send(&helper, Method::DELETE, &path, None).await.status, StatusCode::OK);
    assert_eq!(bench.send(&helper, Method::DELETE, &path, None).await.status, StatusCode::NOT_FOUND);
    assert_eq!(bench.get(&helper, WATER).await.json()["lines"][0]["voided_by"], "Helper");
    for wrong in [
        json!({ "what": "colour", "value": "blue" }),
        json!({ "what": "alkalinity", "value": "8 mg/L" }),
        json!({ "what": "alkalinity", "value": "8,5" }),
        json!({ "what": "alkalinity", "value": "8", "at_ms": now + 1_000_000_000 }),
    ] {
        let answer = bench.post(&helper, WATER, wrong.clone()).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{wrong}: {}", answer.text());
    }
}

fn points(at_ten: f64) -> Value {
    json!([
        { "buffer": "7.00", "reading": 3.1, "temperature_c": 25.0 },
        { "buffer": "10.01", "reading": at_ten, "temperature_c": 25.0 },
    ])
}

fn entries(bench: &Bench) -> Vec<Option<Entry>> {
    let acts = bench.hands.acts.lock().expect("not poisoned");
    let entry = |act: &Act| match act {
        Act::Calibrate { entry } => Entry::from_bytes(entry),
        other => panic!("{other:?}"),
    };
    acts.iter().map(entry).collect()
}

#[tokio::test]
async fn a_calibration_goes_to_the_board_and_back() {
    let bench = Bench::new();
    let helper = bench.person("Helper", Role::Operator);
    let ph = format!("{CALIBRATIONS}/ph");
    // Reckoned only: nothing goes out.
    let body = json!({ "points": points(-169.2), "why": "fresh buffers" });
    let made = bench.post(&helper, &ph, body).await.json();
    assert_eq!((&made["is_accepted"], made.get("order")), (&json!(true), None), "{made}");
    assert!(entries(&bench).is_empty());
    // A slope of 83 % is not sent, though it was asked for.
    let body = json!({ "points": points(-145.0), "send": true, "why": "old buffers" });
    let refused = bench.post(&helper, &ph, body).await.json();
    assert_eq!((&refused["is_accepted"], refused.get("order")), (&json!(false), None), "{refused}");
    assert!(entries(&bench).is_empty());

    let send = |at_ten: f64| json!({ "points": points(at_ten), "send": true, "why": "fresh buffers" });
    let first = bench.post(&helper, &ph, send(-169.2)).await.json();
    assert_eq!(first["order"]["status"], "done", "{first}");
    bench.post(&helper, &ph, send(-171.0)).await;
    let undone =
        bench.post(&helper, &format!("{ph}/undo"), json!({ "why": "the second was wrong" })).await.json();
    assert_eq!(undone["status"], "done", "{undone}");
    let sent = entries(&bench);
    let slope = |n: usize| match sent[n].expect("an entry").correction {
        Correction::Ph(e) => e.base_slope_uv,
        other => panic!("{other:?}"),
    };
    // Forgotten first, for the board may know one that the station does not; then each later than the one before.
    assert_eq!(sent[0], None);
    assert_eq!(sent[1..].iter().map(|e| e.expect("an entry").sequence).collect::<Vec<_>>(), [0, 1, 2]);
    assert!(slope(1) == slope(3) && slope(2) != slope(1));
    let kept = bench.get(&helper, CALIBRATIONS).await.json();
    assert_eq!(kept["calibrations"].as_array().map(Vec::len), Some(3));
    assert!(
        kept["calibrations"][0]["says"].as_str().is_some_and(|s| s.starts_with("slopes 96.7 %")),
        "{kept}"
    );
    let trail = bench.get(&helper, "/api/v1/commands").await.json();
    assert!(trail[0]["what"].as_str().is_some_and(|w| w.starts_with("ph: calibrated")), "{trail}");

    // What the board does not take is not kept.
    *bench.hands.answer.lock().expect("not poisoned") = Some(Outcome::NotDone { why: "no answer".into() });
    let lost = bench.post(&helper, &ph, send(-170.0)).await.json();
    assert_eq!(lost["order"]["status"], "not-done");
    assert_eq!(
        bench.get(&helper, CALIBRATIONS).await.json()["calibrations"].as_array().map(Vec::len),
        Some(3)
    );
    for (path, body) in [
        ("float_c_high", json!({ "points": [{ "truth": 1.0, "reading": 1.0 }], "why": "x" })),
        ("none", json!({ "points": [], "why": "x" })),
        ("ph", json!({ "points": [], "why": "x" })),
        ("ph", json!({ "points": points(-169.0), "why": " " })),
        ("display_temp", json!({ "points": [{ "reading": 1.0 }], "why": "x" })),
    ] {
        let answer = bench.post(&helper, &format!("{CALIBRATIONS}/{path}"), body.clone()).await;
        assert!(answer.status.is_client_error(), "{path} {body}: {}", answer.text());
    }
    let none = bench.post(&helper, &format!("{CALIBRATIONS}/display_temp/undo"), json!({ "why": "x" })).await;
    assert_eq!(none.status, StatusCode::CONFLICT);
}

#[tokio::test]
async fn the_calendar_opens_with_its_secret_alone() {
    let bench = Bench::new();
    let helper = bench.person("Helper", Role::Operator);
    let nobody = Sender { is_foreign: true, ..Sender::default() }.far();
    let none = bench.get(&nobody, "/api/v1/care/calendar/AAAA").await;
    assert_eq!(none.status, StatusCode::NOT_FOUND);
    let path = bench.post(&helper, "/api/v1/care/feed", json!({})).await.json()["path"]
        .as_str()
        .expect("a path")
        .to_owned();
    let feed = bench.get(&nobody, &path).await;
    assert_eq!(feed.status, StatusCode::OK, "{}", feed.text());
    assert!(feed.headers["content-type"].to_str().is_ok_and(|t| t.starts_with("text/calendar")));
    let text = feed.text();
    assert!(
        text.starts_with("BEGIN:VCALENDAR\r\n")
            && text.contains("UID:board-float:float_c_high@care.tidewright")
    );
    assert_eq!(bench.get(&nobody, &path).await.text(), text, "the same while nothing changes");
    // A new one ends the old one; ended, none opens.
    let newer = bench.post(&helper, "/api/v1/care/feed", json!({})).await.json()["path"]
        .as_str()
        .expect("a path")
        .to_owned();
    assert_eq!(bench.get(&nobody, &path).await.status, StatusCode::NOT_FOUND);
    assert_eq!(bench.get(&nobody, &newer).await.status, StatusCode::OK);
    bench.send(&helper, Method::DELETE, "/api/v1/care/feed", None).await;
    assert_eq!(bench.get(&nobody, &newer).await.status, StatusCode::NOT_FOUND);
}

/// A form of tests goes in whole or not at all, and what follows from the log is told: trend, use, whether the newest test agrees.
#[tokio::test]
async fn tests_that_were_made_together_are_looked_at() {
    let bench = Bench::new();
    let (helper, viewer) = (bench.person("Helper", Role::Operator), bench.person("Viewer", Role::Viewer));
    let now = now_ms();
    let tests = format!("{WATER}/tests");
    for day in (1..8_i64).rev() {
        let (alkalinity, calcium) = (8.0 + 0.4 * day as f64, 410.0 + 3.0 * day as f64);
        let body = json!({ "at_ms": now - day * DAY_MS, "tests": [
            { "quantity": "alkalinity", "value": format!("{alkalinity:.2}") },
            { "quantity": "calcium", "value": format!("{calcium:.0} mg/L") },
        ] });
        let told = bench.post(&helper, &tests, body).await;
        assert_eq!(told.status, StatusCode::OK, "{}", told.text());
    }
    // One that is wrong keeps the others out.
    for wrong in [
        json!([{ "quantity": "alkalinity", "value": "8" }, { "quantity": "calcium", "value": "blue" }]),
        json!([{ "quantity": "alkalinity", "value": "8" }, { "quantity": "alkalinity", "value": "9" }]),
        json!([{ "quantity": "alkalinity", "value": " " }]),
        json!([]),
    ] {
        let answer = bench.post(&helper, &tests, json!({ "tests": wrong })).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{}", answer.text());
    }
    let told = bench
        .post(&helper, &tests, json!({ "tests": [{ "quantity": "alkalinity", "value": "3.57 meq/L" }] }))
        .await;
    assert_eq!(told.json()["words"], "In the log: alkalinity 3.57 meq/L.");
    let water = bench.get(&viewer, WATER).await.json();
    assert_eq!(water["lines"].as_array().map(Vec::len), Some(15), "{water}");
    let alkalinity = &water["quantities"][0];
    // 3.57 meq/L is 10.01 dKH (2.803 87 dKH a meq/L); 8.0 was to be expected.
    assert_eq!(alkalinity["tests"].as_array().map(Vec::len), Some(8));
    assert!((alkalinity["tests"][7]["value"].as_f64().expect("a value") - 10.01).abs() < 0.01);
    let reckoned = &alkalinity["reckoned"];
    assert!((reckoned["value"].as_f64().expect("a value") - 8.0).abs() < 0.02, "{alkalinity}");
    assert_eq!(
        (&reckoned["is_apart"], &alkalinity["remarks"][0]["id"]),
        (&json!(true), &json!("test-disagrees"))
    );
    assert_eq!(alkalinity["standing"], "above");
    let calcium = &water["quantities"][1];
    assert!((calcium["used"]["per_day"].as_f64().expect("a use") - 3.0).abs() < 0.1, "{calcium}");
    assert!(calcium["salts"].as_array().is_some_and(|s| s.contains(&json!("calcium chloride dihydrate"))));
    assert_eq!(
        (&water["quantities"][3]["salts"], water["quantities"][3].get("daily_limit")),
        (&json!([]), None)
    );
}

/// Doses are reckoned from the log: what the crate `care` gives (held there by molar masses) for these numbers, in sentences with their cautions.
#[tokio::test]
async fn doses_limewater_and_changes_are_reckoned_for_whoever_looks() {
    let bench = Bench::new();
    let (helper, viewer) = (bench.person("Helper", Role::Operator), bench.person("Viewer", Role::Viewer));
    let now = now_ms();
    let dose = |more: &str| format!("{WATER}/dose?quantity=alkalinity&target=8.5&salt=NaHCO3{more}");
    let none = bench.get(&viewer, &dose("")).await;
    assert_eq!(none.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(none.text().contains("test first"), "{}", none.text());
    for (day, value) in [(4, "8.2"), (2, "7.8"), (0, "7.4")] {
        let body = json!({ "what": "alkalinity", "value": value, "at_ms": now - day * DAY_MS });
        bench.post(&helper, WATER, body).await;
    }
    let plan = bench.get(&viewer, &dose("&stock=60")).await.json();
    assert_eq!(plan["salt"], "sodium bicarbonate (NaHCO3)", "{plan}");
    assert!((plan["now"]["value"].as_f64().expect("a value") - 7.4).abs() < 1e-6, "{plan}");
    assert!((plan["used"]["value"].as_f64().expect("a value") - 0.2).abs() < 1e-6, "{plan}");
    // 1.1 dKH within 1 dKH a day are two days. By hand: (0.55 + 0.2) dKH / 2.803 87 * 84.006 g/mol / 1000 a litre.
    assert_eq!(plan["days"], 2);
    let volume = bench.get(&viewer, WATER).await.json()["tank"]["volume_l"].as_f64().expect("a volume");
    let by_hand = 0.75 / 2.803_87 * 84.006 / 1000.0 * volume;
    let a_day = plan["g_per_day"].as_f64().expect("a dose");
    assert!((a_day / by_hand - 1.0).abs() < 1e-3, "{a_day} g, {by_hand} g by hand");
    assert!(
        plan["steps"][0]
            .as_str()
            .is_some_and(|s| s.starts_with("For 2 days, ") && s.contains("mL of the solution")),
        "{plan}"
    );
    assert_eq!(plan["log"]["what"], "dose sodium bicarbonate");
    assert_eq!(bench.post(&helper, WATER, plan["log"].clone()).await.status, StatusCode::OK);
    let soda = bench
        .get(&viewer, &format!("{WATER}/dose?quantity=alkalinity&target=8.5&salt=sodium%20carbonate"))
        .await
        .json();
    assert!(
        soda["remarks"].as_array().is_some_and(|r| r.iter().any(|r| r["id"] == "caution-salt")),
        "{soda}"
    );
    for wrong in [
        "quantity=nitrate&target=5&salt=NaHCO3",
        "quantity=alkalinity&target=8&salt=sugar",
        "quantity=calcium&target=420&salt=NaHCO3&now=400",
    ] {
        let answer = bench.get(&viewer, &format!("{WATER}/dose?{wrong}")).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{wrong}: {}", answer.text());
    }
    let lime = bench.get(&viewer, &format!("{WATER}/lime")).await.json();
    assert!(
        lime["remarks"].as_array().is_some_and(|r| r.iter().any(|r| r["id"] == "caution-lime")),
        "{lime}"
    );
    assert!(lime["evaporation"]["by"].as_str().is_some_and(|by| by.contains("known to 40 %")), "{lime}");
    let us = bench.get(&viewer, &format!("{WATER}/lime?evaporation=4&units=us")).await.json();
    assert!(us["steps"][1].as_str().is_some_and(|s| s.contains(" gal of limewater")), "{us}");
    let change =
        bench.get(&viewer, &format!("{WATER}/change?litres=40&measured=33&salinity=35")).await.json();
    assert!(
        change["steps"][1].as_str().is_some_and(|s| s.starts_with("It came out at 33.0: add ")),
        "{change}"
    );
    let values: Vec<&str> =
        change["values"].as_array().expect("values").iter().filter_map(|v| v["quantity"].as_str()).collect();
    assert_eq!(values, ["alkalinity", "salinity"]);
    let many = bench.get(&viewer, &format!("{WATER}/change?litres=5000")).await;
    assert_eq!(many.status, StatusCode::UNPROCESSABLE_ENTITY, "{}", many.text());
}

/// Samples of a probe once a second, ending now.
fn record(bench: &Bench, name: &str, seconds: i64, value: impl Fn(i64) -> f64) {
    let series = bench.app.store.all_series().into_iter().rfind(|s| s.spec.name == name).expect("a series");
    let now = now_ms();
    let samples = (0..seconds).map(|k| Sample {
        series: series.id,
        time: now - (seconds - k) * 1000,
        value: (value(k) / series.spec.scale).round() as i64,
        quality: Quality::Good,
    });
    bench.app.store.append(samples.collect()).expect("stored");
}

/// What a probe shows is told without its calibration, and taken only once it stands: an electrode that shows pH 6.95 at 25 °C gives 2.96 mV, by
/// Nernst's 59.159 mV a pH.
#[tokio::test]
async fn a_reading_is_judged_before_it_is_taken() {
    let bench = Bench::new();
    let viewer = bench.person("Viewer", Role::Viewer);
    let ph = format!("{CALIBRATIONS}/ph/reading");
    let silent = bench.get(&viewer, &ph).await.json();
    assert_eq!((&silent["stands"], silent.get("own")), (&json!("none"), None), "{silent}");
    let warm = bench.get(&viewer, CALIBRATIONS).await.json();
    let probe = warm["probes"]
        .as_array()
        .and_then(|all| all.iter().find(|p| p["name"] == "ph"))
        .expect("a probe")
        .clone();
    let thermometer = probe["thermometer"].as_str().expect("one that compensates").to_owned();
    record(&bench, &thermometer, 100, |_| 25.0);
    record(&bench, "ph", 100, |k| 6.95 + 0.000_5 * f64::from(u8::try_from(k % 3).unwrap_or(0)));
    let still = bench.get(&viewer, &ph).await.json();
    assert_eq!(still["stands"], "still", "{still}");
    assert!((still["mean"].as_f64().expect("a mean") - 2.93).abs() < 0.06, "{still}");
    assert_eq!(still["temperature_c"], 25.0);
    // pH of the buffers at 25 °C, as on their bottles.
    for buffer in still["buffers"].as_array().expect("buffers") {
        let label: f64 = buffer["label"].as_str().and_then(|l| l.parse().ok()).expect("a number");
        assert!((buffer["ph"].as_f64().expect("a pH") - label).abs() < 0.011, "{buffer}");
    }
    let since = now_ms() - 20_000;
    let short = bench.get(&viewer, &format!("{ph}?since={since}")).await.json();
    assert_eq!(short["stands"], "too-short", "{short}");
    for (path, status) in
        [("float_c_high", StatusCode::UNPROCESSABLE_ENTITY), ("none", StatusCode::NOT_FOUND)]
    {
        assert_eq!(bench.get(&viewer, &format!("{CALIBRATIONS}/{path}/reading")).await.status, status);
    }
    // One that moves by 0.6 pH a minute is on its way.
    let bench = Bench::new();
    let viewer = bench.person("Viewer", Role::Viewer);
    record(&bench, "ph", 100, |k| 7.5 - 0.01 * k as f64);
    let moving = bench.get(&viewer, &ph).await.json();
    assert_eq!(moving["stands"], "settling", "{moving}");
}

/// Each probe is told with its numbers, each metered pump with its flow by the file.
#[tokio::test]
async fn probes_and_pumps_are_told_of() {
    let bench = Bench::new();
    let helper = bench.person("Helper", Role::Operator);
    let body = json!({ "points": points(-169.2), "send": true, "why": "fresh buffers" });
    bench.post(&helper, &format!("{CALIBRATIONS}/ph"), body).await;
    let all = bench.get(&helper, CALIBRATIONS).await.json();
    let of = |name: &str| {
        all["probes"].as_array().and_then(|p| p.iter().find(|p| p["name"] == name)).expect("a probe")
    };
    let made = &of("ph")["made"][0];
    assert!((made["slope_percent"].as_f64().expect("a slope") - 96.7).abs() < 0.1, "{made}");
    assert_eq!((&of("ph")["measures"], &of("ph")["own_unit"]), (&json!("ph"), &json!("mV")));
    assert_eq!(of("display_temp")["measures"], "temperature");
    // By the file: 30 mL/min of top-off, 3 mL/min of limewater.
    assert_eq!(
        all["pumps"],
        json!([{ "name": "topoff_pump", "flow_ml_min": 30.0 }, { "name": "lime_pump", "flow_ml_min": 3.0 }])
    );
}
