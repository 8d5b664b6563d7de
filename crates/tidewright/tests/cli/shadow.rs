//! `tidewright shadow`: a recorded log and what the rules would have done, from the record to the answer.

use crate::harness::Bench;

const MAP: &str = "every = \"10 s\"\n[[reading]]\nprinted = \"temp\"\nsensor = \"display_temp\"\nunit = \"degF\"\n\
    [[output]]\nprinted = \"heater\"\nactuator = \"heater_display\"\n";

/// Ten seconds a line: the water warms from 76 °F by 0.02 °F a line; the controller heats until 78 °F.
fn log() -> String {
    let mut log = String::from("starting\n");
    for k in 0..150 {
        let (minute, second) = (k / 6, k % 6 * 10);
        let temp = 76.0 + f64::from(k) * 0.02;
        let state = if temp <= 78.0 { "ON" } else { "OFF" };
        log += &format!("2026-03-01 12:{minute:02}:{second:02} temp={temp:.2} heater={state}\n");
    }
    log
}

#[test]
fn a_log_and_its_map() {
    let bench = Bench::new("shadow");
    bench.example("harbour-lane/system.toml", "system.toml").file("monday.log", log()).file("map.toml", MAP);
    bench.run(&["shadow", "system.toml", "monday.log", "--map", "map.toml"]).ends_with(1).matches("shadow");
    let run = bench.run(&["shadow", "system.toml", "monday.log", "--map", "map.toml", "--format", "json"]);
    let answer = run.ends_with(1).json("tidewright.shadow");
    // By hand: 25.3 degC are 77.54 degF, so 77.56 at line 78, 780 s, is the first above; the controller stops at 78.02, line 101.
    assert_eq!(answer["differences"][0]["from"], "2026-03-01T12:13:00.000Z");
    assert_eq!(answer["differences"][0]["to"], "2026-03-01T12:16:50.000Z");
    assert_eq!(answer["outputs"][0]["less_s"], 230.0);
    assert_eq!(answer["refused"][0]["reason"], "nothing-named");
}

#[test]
fn without_a_map_it_takes_the_suggestion() {
    let bench = Bench::new("shadow-suggested");
    let log = log()
        .replace("temp=", "display temp=")
        .replace("heater=", "display heater=")
        .replace(" display", ", display");
    bench.example("harbour-lane/system.toml", "system.toml");
    let log = log
        .replace("temp=", "temp: ")
        .replace("heater=", "heater: ")
        .replace(", display heater", " F, display heater");
    let run = bench.run_with(&["shadow", "system.toml", "-"], &log);
    let out = run.ends_with(1).out.clone();
    assert!(out.contains("heater_display: the rules would have been off 3 min 50 s longer"), "{out}");
    assert!(out.contains("The map is a suggestion"), "{out}");
}

#[test]
fn what_cannot_be_compared_is_said() {
    let bench = Bench::new("shadow-wrong");
    bench.example("harbour-lane/system.toml", "system.toml").file("map.toml", MAP);
    let with = ["shadow", "system.toml", "-", "--map", "map.toml"];
    bench.run_with(&with, "temp=76 heater=ON\n").ends_with(2).matches("shadow-no-time");
    bench.run_with(&with, "2026-03-01 12:00:00 t=76\n").ends_with(2).matches("shadow-no-name");
    bench.run_with(&with, "hello\n").ends_with(2).matches("shadow-nothing");
    bench.run(&["shadow", "system.toml", "gone.log"]).ends_with(2);
    bench.run(&["shadow", "system.toml", "gone.log", "--map", "gone.toml"]).ends_with(2);
}
