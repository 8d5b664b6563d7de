//! `tidewright care`.

use crate::harness::Bench;

fn bench(name: &str) -> Bench {
    let bench = Bench::new(name);
    bench.example("harbour-lane/system.toml", "system.toml");
    bench
}

fn near(value: &serde_json::Value, wanted: f64, tolerance: f64) {
    let value = value.as_f64().expect("a number");
    assert!((value - wanted).abs() <= tolerance, "{value} is not {wanted} within {tolerance}");
}

#[test]
fn proof_tests_and_their_steps() {
    let bench = bench("care-proof");
    bench.run(&["care", "system.toml", "proof"]).ends_with(0).matches("care-proof");
    bench
        .run(&["care", "system.toml", "proof", "--steps", "float:float_c_high"])
        .ends_with(0)
        .matches("care-proof-steps");
    bench
        .run(&["care", "system.toml", "proof", "--steps", "float:none"])
        .ends_with(2)
        .matches("care-proof-unknown");
    let run = bench.run(&["care", "system.toml", "proof", "--loss", "1e-5", "--format", "json"]);
    let strict = run.ends_with(1).json("tidewright.care");
    assert_eq!(strict["topic"], "proof");
    assert!(
        strict["findings"].as_array().is_some_and(|f| f.iter().all(|f| f["id"] == "proof-test-not-enough"))
    );
    // By hand: PFDavg = 0.1 * 7 / 365.25 / 2.
    let high = strict["tests"]
        .as_array()
        .and_then(|t| t.iter().find(|t| t["id"] == "float:float_c_high"))
        .expect("the float");
    near(&high["pfd_avg"], 9.582e-4, 1e-6);
}

#[test]
fn tasks_and_calendar() {
    let bench = bench("care-calendar");
    bench.run(&["care", "system.toml", "tasks"]).ends_with(0).matches("care-tasks");
    bench
        .run(&["care", "system.toml", "calendar", "--date", "2026-11-29"])
        .ends_with(0)
        .matches("care-calendar");
    let feed = bench.read("care.ics");
    assert!(feed.starts_with("BEGIN:VCALENDAR\r\n") && feed.ends_with("END:VCALENDAR\r\n"));
    assert!(feed.contains("UID:float:float_c_high@care.tidewright\r\nDTSTAMP:20261129T000000Z\r\nDTSTART;VALUE=DATE:20261206\r\n"));
    bench.run(&["care", "system.toml", "calendar", "--date", "2026-11-29"]).ends_with(2);
    let again = bench.run(&["care", "system.toml", "calendar", "--date", "2026-11-29", "--out", "-"]);
    assert_eq!(again.ends_with(0).out, feed);
}

#[test]
fn calibrations() {
    let bench = bench("care-calibrate");
    let run = |part: &str, more: &[&str]| {
        bench.run(&[&["care", "system.toml", "calibrate", part][..], more].concat())
    };
    run("ph", &[]).ends_with(0).matches("care-calibrate-guide");
    let points = ["--point", "7.00, 3.1 mV, 25 degC", "--point", "10.01, -169.2 mV, 25 degC"];
    run("ph", &points).ends_with(0).matches("care-calibrate-ph");
    // By hand: (3.1 + 169.2) / (10.012 - 7.00) / 59.159 = 96.7 %.
    let made = run("ph", &[&points[..], &["--format", "json"]].concat()).ends_with(0).json("tidewright.care");
    near(&made["result"]["base_slope_percent"], 96.69, 0.01);
    // An uncalibrated board shows 7.00 and 9.50: 83 %, so it is refused.
    run("ph", &["--point", "7.00, 7.00, 25 degC", "--point", "10.01, 9.50, 25 degC"])
        .ends_with(1)
        .matches("care-calibrate-refused");
    run("display_temp", &["--point", "25.30 degC, 25.52 degC"])
        .ends_with(0)
        .matches("care-calibrate-temperature");
    run("lime_pump", &["--catch", "600 s, 30.2 mL", "--catch", "600 s, 29.8 mL"])
        .ends_with(0)
        .matches("care-calibrate-pump");
    run("float_c_high", &[]).ends_with(2).matches("care-calibrate-float");
    run("ph", &["--point", "7, 3"]).ends_with(2).matches("care-calibrate-mistake");
    run("ph", &["--catch", "1 s, 1 mL"]).ends_with(2);
}

#[test]
fn use_and_doses() {
    let bench = bench("care-dose");
    let mut log = String::from("date,what,value\n");
    for day in 1..=9 {
        log += &format!(
            "2026-11-{day:02},alkalinity,{:.2} dKH\n",
            8.5 - 0.4 * f64::from(day) + 0.05 * f64::from(day % 2)
        );
        log += &format!("2026-11-{day:02},calcium,{}\n", 440 - 3 * day);
    }
    bench.file("tests.csv", log);
    bench.run(&["care", "system.toml", "use", "tests.csv"]).ends_with(0).matches("care-use");
    bench.file("wrong.csv", "2026-11-01,alkalinity,8 mg/L\n2026-11-01,colour,blue\n");
    bench.run(&["care", "system.toml", "use", "wrong.csv"]).ends_with(2).matches("care-use-mistakes");
    let dose = [
        "care",
        "system.toml",
        "dose",
        "alkalinity",
        "--now",
        "7.2 dKH",
        "--target",
        "8",
        "--salt",
        "sodium bicarbonate",
    ];
    bench.run(&[&dose[..], &["--stock", "80 g/L", "--ph", "8.1"]].concat()).ends_with(0).matches("care-dose");
    let made = bench.run(&[&dose[..], &["--volume", "100 L", "--use", "0", "--format", "json"]].concat());
    // Handbook of chemistry by hand: 0.8 dKH in 100 L are 0.8 * 2.996 g of NaHCO3 (tests/reference/care/doses.csv).
    near(&made.ends_with(0).json("tidewright.care")["rise_g"], 0.8 * 2.996, 0.001);
    bench
        .run(&[
            "care",
            "system.toml",
            "dose",
            "alkalinity",
            "--now",
            "7",
            "--target",
            "8",
            "--salt",
            "CaCl2.2H2O",
        ])
        .ends_with(2)
        .matches("care-dose-wrong-salt");
    bench.run(&["care", "system.toml", "lime"]).ends_with(1).matches("care-lime");
    bench
        .run(&["care", "system.toml", "change", "40 L", "--value", "nitrate=20,0"])
        .ends_with(0)
        .matches("care-change");
}
