//! `tidewright rehearse`.

use crate::harness::Bench;

/// What somebody has on the first evening: a board, a probe, a heater and a rule.
const FIRST_EVENING: &str = "[system]\nname = \"First evening\"\n\n[[board]]\nname = \"controller\"\nchip = \"ATmega328P\"\n\n\
    [[sensor]]\nname = \"display_temp\"\nkind = \"ds18b20\"\n\n\
    [[actuator]]\nname = \"heater\"\nkind = \"heater\"\npower = \"100 W\"\ncontact = \"NO\"\n\n\
    [[rule]]\ndrives = \"heater\"\nstart = \"display_temp < 25.2 degC\"\nstop = \"display_temp > 25.6 degC\"\nwhen_blind = \"off\"\n";

#[test]
fn writes_a_column_a_signal_with_its_unit() {
    let bench = Bench::new("rehearse-csv");
    bench.example("harbour-lane/system.toml", "system.toml");
    bench.run(&["rehearse", "system.toml", "--for", "2h", "--csv", "out.csv"]).ends_with(0);
    let csv = bench.read("out.csv");
    let mut lines = csv.lines();
    let head = lines.next().expect("a head");
    assert!(head.starts_with("time [h],display_temp [degC],"), "{head}");
    assert!(head.contains(",true display.temperature [degC]"), "{head}");
    let n = head.split(',').count();
    assert_eq!(lines.clone().count(), 120, "a line a minute");
    assert!(lines.all(|line| line.split(',').count() == n));
    // A record that is there stays.
    bench.run(&["rehearse", "system.toml", "--for", "1h", "--csv", "out.csv"]).ends_with(2);
    assert_eq!(bench.read("out.csv"), csv);
}

#[test]
fn rules_run_against_readings_set_by_hand() {
    let bench = Bench::new("rehearse-set");
    bench.file("plain.toml", FIRST_EVENING);
    let run = bench.run(&[
        "rehearse",
        "plain.toml",
        "--for",
        "1h",
        "--every",
        "10min",
        "--csv",
        "-",
        "--set",
        "display_temp=24degC",
        "--set",
        "display_temp=26degC@30min",
    ]);
    run.ends_with(0);
    let heater: Vec<&str> = run.out.lines().skip(1).filter_map(|line| line.split(',').nth(2)).collect();
    assert_eq!(heater, ["1", "1", "1", "0", "0", "0"], "{}", run.out);
}

#[test]
fn faults_hands_and_procedures_are_told() {
    let bench = Bench::new("rehearse-events");
    bench.example("harbour-lane/system.toml", "system.toml");
    let run = bench.run(&[
        "rehearse",
        "system.toml",
        "--for",
        "3h",
        "--fault",
        "skimmer:stopped@1h",
        "--hand",
        "light=off@90min+10min",
        "--procedure",
        "feeding@2h",
        "--format",
        "json",
    ]);
    let answer = run.json("tidewright.rehearse");
    let told: Vec<&str> =
        answer["events"].as_array().expect("a list").iter().filter_map(|e| e["what"].as_str()).collect();
    for wanted in ["fault: skimmer:stopped", "hand: light=off", "procedure: feeding"] {
        assert!(told.contains(&wanted), "{wanted}: {told:?}");
    }
    assert!(answer["requirements"].as_array().is_some_and(|all| !all.is_empty()));
}

#[test]
fn what_the_file_lacks_is_told_with_what_it_has() {
    let bench = Bench::new("rehearse-unknown");
    bench.file("plain.toml", FIRST_EVENING);
    let with = |more: &[&str]| bench.run(&[&["rehearse", "plain.toml", "--for", "1h"][..], more].concat());
    with(&["--fault", "heater:weld"]).ends_with(2).matches("rehearse-unknown-fault");
    with(&["--corner", "summer"]).ends_with(2).matches("rehearse-unknown-corner");
    with(&["--procedure", "feeding"]).ends_with(2).matches("rehearse-unknown-procedure");
    with(&["--hand", "heater"]).ends_with(2).matches("rehearse-bad-hand");
    with(&["--set", "display_temp=24@1h"]).ends_with(2).matches("rehearse-bad-reading");
    with(&["--fault", "heater:welded@soon"]).ends_with(2).matches("rehearse-bad-time");
}
