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

const SHORT: Scenarios = Scenarios { calm_s: 3_600.0, fault_s: 1_200.0, seed: 1 };

fn harbour_lane() -> String {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/harbour-lane/system.toml");
    std::fs::read_to_string(path).expect("an example")
}

/// The rules of Harbour Lane said otherwise: by De Morgan, in another order, with the alarms before the rules. Nothing that the board shows differs at any
/// scan of any scenario.
#[test]
fn all_rules_of_harbour_lane_in_other_words_are_the_same() {
    let text = harbour_lane();
    let mut other = text.clone();
    for (was, becomes) in [
        (
            "not sump_c_empty and not display_high and not leak_sure",
            "not (leak_sure or sump_c_empty or display_high)",
        ),
        (
            "not sump_a_high and return_pump and not leak and not level_lost",
            "return_pump and not (level_lost or leak or sump_a_high)",
        ),
        ("when = \"level_low and not lime_pump\"", "when = \"not (lime_pump or not level_low)\""),
        (
            "not float_c_high and not sump_a_high and not display_high and not leak and return_pump",
            "return_pump and not (leak or display_high) and not (sump_a_high or float_c_high)",
        ),
        (
            "when = \"level_low and lime_hours and ph < 8.40\"",
            "when = \"ph < 8.40 and (lime_hours and level_low)\"",
        ),
        (
            "not float_c_high and not sump_a_high and not leak and return_proven",
            "not (not return_proven or leak or sump_a_high or float_c_high)",
        ),
        ("mains_2 or battery_charge > 70 %", "battery_charge > 70 % or mains_2"),
        // The compiler makes the same program of all these; of what follows it makes another one.
        (
            "middle = [\"display_temp\", \"display_temp_2\"]",
            "middle = [\"display_temp_2\", \"display_temp\"]",
        ),
    ] {
        assert!(other.contains(was), "the example has no `{was}`");
        other = other.replace(was, becomes);
    }
    let (a, b) = (model(&text), model(&other));
    assert_ne!(a.compiled.bytes, b.compiled.bytes, "they are other programs");
    let (differing, n) = outputs(&a, &b, SHORT, &|_, _| {}).expect("runs");
    assert!(differing.is_empty() && n > 100, "{n}: {differing:?}");
}

/// A float in the display that is believed ten seconds later: of all scenarios only those in which that float calls show it, and it is said when first.
#[test]
fn what_differs_only_in_a_rare_case_is_found_with_its_first_time() {
    let text = harbour_lane();
    let later = text.replace(
        "name = \"display_high\"\non_delay = \"20 s\"",
        "name = \"display_high\"\non_delay = \"30 s\"",
    );
    assert_ne!(text, later, "the example has such a delay");
    let (differing, n) = outputs(&model(&text), &model(&later), SHORT, &|_, _| {}).expect("runs");
    let names: Vec<&str> = differing.iter().map(|one| one.scenario.as_str()).collect();
    assert_eq!(names, ["float_display_high:stuck-up", "float_display_high:wire-open"], "of {n}");
    // By hand: the fault strikes after a quarter of the run, 300 s, and the shorter delay is over 20 s later.
    for one in &differing {
        let mut outputs: Vec<&str> = one.outputs.iter().map(|(name, _)| name.as_str()).collect();
        outputs.sort_unstable();
        assert_eq!(outputs, ["alarm.display_too_high", "return_pump"]);
        assert!(one.outputs.iter().all(|(_, hours)| (hours * 3600.0 - 320.0).abs() < 1.5), "{one:?}");
    }
}
