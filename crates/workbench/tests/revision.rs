//! Two revisions: rules that are written otherwise and do the same are the same; a change that matters is found with its rows and its first difference.

use system::System;
use trial::rehearse;
use trial::{Fmea, Model, Options, Wanted};
use workbench::Beside;
use workbench::changes::changes;
use workbench::revision::{Scenarios, Turn, attribute, outputs, turns};

const FEW: Scenarios = Scenarios { calm_s: 7_200.0, fault_s: 1_200.0, seed: 1 };

fn text() -> String {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/desk-60l/system.toml");
    std::fs::read_to_string(path).expect("an example")
}

fn system(text: &str) -> System {
    let loaded = system::load(text);
    loaded.system.unwrap_or_else(|| panic!("{:?}", loaded.diagnostics))
}

fn model(text: &str) -> Model {
    rehearse::model(&system(text)).expect("compiles")
}

/// A text with one line replaced.
fn with(line: &str, other: &str) -> String {
    let text = text();
    assert!(text.contains(line), "the example has no line {line}");
    text.replace(line, other)
}

#[test]
fn other_words_for_the_same_are_the_same() {
    let other =
        with("permissive = \"not float_high and not leak\"", "permissive = \"not (float_high or leak)\"");
    let (differing, n) = outputs(&model(&text()), &model(&other), FEW, &|_, _| {}).expect("runs");
    assert!(differing.is_empty() && n > 20, "{n}: {differing:?}");
}

#[test]
fn another_threshold_shows_when_first() {
    let other = with("start = \"temp_1 < 25.0 degC\"", "start = \"temp_1 < 25.2 degC\"");
    let calm = Scenarios { calm_s: 14_400.0, fault_s: 0.0, seed: 1 };
    let (differing, n) = outputs(&model(&text()), &model(&other), calm, &|_, _| {}).expect("runs");
    assert_eq!(differing[0].outputs[0].0, "heater_1", "{n}: {differing:?}");
    assert!(differing[0].outputs[0].1 > 0.0);
}

fn study(text: &str) -> (System, Fmea) {
    let system = system(text);
    let model = Model::new(&system).expect("compiles");
    let fmea = trial::run(&model, &options(), &|_, _| {}).expect("a study");
    (system, fmea)
}

fn options() -> Options {
    Options {
        wanted: Wanted { one_instant: true, nominal_only: true },
        only: Some("heater_1".into()),
        ..Options::default()
    }
}

/// A heater of 300 W with its own dial turned up cooks the tank when its contact welds: rows open, the worst first, and the change that does it is
/// named; the one that does nothing is not.
#[test]
fn the_change_responsible_is_found() {
    let a = text();
    let b = a
        .replacen("power = \"40 W\"", "power = \"300 W\"", 1)
        .replace("own_thermostat = \"26.5 degC\"", "own_thermostat = \"34 degC\"")
        .replace("title = \"Water change\"", "title = \"Change water\"");
    let all = changes(&a, &b).expect("TOML");
    assert!(all.len() >= 2, "{all:?}");
    let (of_a, of_b) = (study(&a), study(&b));
    let mut rows = turns((&of_a.0, &of_a.1), (&of_b.0, &of_b.1));
    assert!(rows.iter().any(|r| r.turn <= Turn::Worse), "{rows:?}");
    assert!(rows.windows(2).all(|w| w[0].turn <= w[1].turn));
    let found =
        attribute((&a, &b), &all, &Beside::default(), &options(), &mut rows, &|_, _| {}).expect("TOML");
    assert_eq!(found.n_tried + found.n_quiet + found.not_alone.len(), all.len());
    let because: Vec<&String> = rows.iter().flat_map(|r| &r.because).collect();
    assert!(!because.is_empty() && because.iter().all(|b| b.contains("heater_1")), "{because:?}");
    // The other way round the same rows turn the other way.
    let back = turns((&of_b.0, &of_b.1), (&of_a.0, &of_a.1));
    assert_eq!(back.len(), rows.len());
    assert!(turns((&of_a.0, &of_a.1), (&of_a.0, &of_a.1)).is_empty());
}
