//! `tidewright fmea`.

use crate::harness::Bench;

/// One instant, nominal, a few faults: the shape, not the verdicts, which crates/trial and tests/ hold.
const QUICK: [&str; 10] = [
    "fmea",
    "first-draft.toml",
    "--one-instant",
    "--nominal",
    "--only",
    "float_c",
    "--window",
    "4h",
    "--date",
    "2026-01-01",
];

fn bench(name: &str) -> Bench {
    let bench = Bench::new(name);
    bench.example("harbour-lane/first-draft.toml", "first-draft.toml");
    bench
}

#[test]
fn rows_have_every_documented_field() {
    let run = bench("fmea-json").run(&[&QUICK[..], &["--format", "json"]].concat());
    let fmea = run.ends_with(1).json("tidewright.fmea");
    let rows = fmea["rows"].as_array().expect("rows");
    assert!(!rows.is_empty());
    for row in rows {
        for key in [
            "part",
            "failure_mode",
            "description",
            "verdict",
            "broken_requirement",
            "process_safety_time_h",
            "margin",
            "margin_unit",
            "margin_of",
            "instant",
            "corner",
            "severity",
            "alarm_lead_h",
            "told",
            "person_in_time",
            "tripped",
            "hidden",
            "accepted",
            "acceptance",
            "mend",
            "spilled_l",
            "breaches",
            "cells",
        ] {
            assert!(row.get(key).is_some(), "{key} is missing in {row}");
        }
        assert!(row["accepted"].is_boolean() && row["hidden"].is_boolean());
        assert_eq!(row["broken_requirement"].is_null(), row["process_safety_time_h"].is_null());
    }
    let n: u64 = ["breaks", "help_in_time", "accepted", "hidden", "holds"]
        .iter()
        .map(|verdict| fmea["summary"][verdict].as_u64().expect("a number"))
        .sum();
    assert_eq!(n, rows.len() as u64);
}

#[test]
fn a_stuck_float_overdoses_the_first_draft() {
    let run = bench("fmea-float").run(&[&QUICK[..], &["--format", "json"]].concat());
    let fmea = run.json("tidewright.fmea");
    let rows = fmea["rows"].as_array().expect("rows");
    let stuck = rows.iter().find(|row| row["failure_mode"] == "stuck-down").expect("the float sticks down");
    // Harbour Lane by hand: 300 L/h of lime water takes the salinity below 32.5 in 6 min and overdoses; pH is sooner.
    assert!(stuck["process_safety_time_h"].as_f64().expect("it breaks") < 0.2, "{stuck}");
    assert_eq!(stuck["hidden"], false);
}

#[test]
fn the_same_seed_gives_the_same_bytes_on_any_number_of_threads() {
    let bench = bench("fmea-seed");
    let with =
        |threads: &str| bench.run(&[&QUICK[..], &["--format", "json", "--threads", threads]].concat()).out;
    assert_eq!(with("1"), with("3"));
}

#[test]
fn text_fits_the_window() {
    let bench = bench("fmea-text");
    for columns in ["80", "120"] {
        let output = bench.command(&QUICK).env("COLUMNS", columns).output().expect("runs");
        let text = String::from_utf8(output.stdout).expect("text");
        let width: usize = columns.parse().expect("a number");
        assert!(text.lines().all(|line| line.chars().count() <= width), "{columns}:\n{text}");
        assert!(text.contains("What would overdose or dilute the tank"), "{text}");
    }
}

#[test]
fn a_bar_only_when_wanted() {
    let bench = bench("fmea-bar");
    assert_eq!(bench.run(&QUICK).err, "");
    let run = bench.run(&[&QUICK[..], &["--progress", "always"]].concat());
    assert!(run.err.contains("faults [") && run.err.contains("100 %"), "{:?}", run.err);
}

#[test]
fn an_unknown_fault_is_told() {
    let run = bench("fmea-only").run(&[
        "fmea",
        "first-draft.toml",
        "--one-instant",
        "--nominal",
        "--only",
        "toaster",
    ]);
    run.ends_with(2).matches("fmea-unknown-fault");
}
