//! `tidewright compare`.

use crate::harness::Bench;

const STUDY: [&str; 6] = ["--nominal", "--one-instant", "--only", "heater_1", "--progress", "never"];

fn desk() -> String {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/desk-60l/system.toml");
    std::fs::read_to_string(path).expect("an example")
}

#[test]
fn other_words_are_no_change_of_behaviour() {
    let bench = Bench::new("compare-same");
    let permissive = "permissive = \"not float_high and not leak\"";
    assert!(desk().contains(permissive));
    bench.file("a.toml", desk());
    bench.file("b.toml", desk().replace(permissive, "permissive = \"not (leak or float_high)\""));
    let run = bench.run(&[&["compare", "a.toml", "b.toml", "--scenarios", "calm"][..], &STUDY].concat());
    let out = &run.ends_with(0).out;
    for part in [
        "In the file: 1 change\n",
        "rule of topoff_pump: permissive",
        "No row turned.",
        "Identical over all of",
    ] {
        assert!(out.contains(part), "{part} is not in {out}");
    }
}

#[test]
fn a_row_that_opens_names_its_change() {
    let bench = Bench::new("compare-worse");
    bench.file("a.toml", desk());
    let other = desk()
        .replacen("power = \"40 W\"", "power = \"300 W\"", 1)
        .replace("own_thermostat = \"26.5 degC\"", "own_thermostat = \"34 degC\"")
        .replace("title = \"Water change\"", "title = \"Change water\"");
    bench.file("b.toml", other);
    let line = [&["compare", "a.toml", "b.toml", "--scenarios", "none", "--because"][..], &STUDY].concat();
    let told = bench.run(&line);
    for part in ["In the file: 2 changes\n", "by actuator heater_1", "Control program"] {
        assert!(told.ends_with(1).out.contains(part), "{part} is not in {}", told.out);
    }
    let run = bench.run(&[&line[..], &["--format", "json"]].concat());
    let value = run.ends_with(1).json("tidewright.compare");
    assert_eq!(value["changes"].as_array().map(Vec::len), Some(2));
    assert!(value["rows"][0]["because"][0].as_str().is_some_and(|b| b.contains("heater_1")), "{value}");
    // The other way round nothing is worse.
    let back = [&["compare", "b.toml", "a.toml", "--scenarios", "none"][..], &STUDY].concat();
    bench.run(&back).ends_with(0);
}

#[test]
fn what_cannot_be_compared_says_why() {
    let bench = Bench::new("compare-wrong");
    bench.file("a.toml", desk());
    bench.run(&["compare", "a.toml", "missing.toml"]).ends_with(2);
    bench.file("bare.toml", "[system]\nname = \"bare\"\n");
    bench.run(&["compare", "a.toml", "bare.toml", "--scenarios", "none"]).ends_with(2);
}
