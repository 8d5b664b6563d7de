//! Each finding of the compiler: when it comes, where it points, and that sound rules have none.

#![allow(clippy::unwrap_used)]

use system::Level;

const HEAD: &str = r#"
[system]
name = "findings"
timezone = "UTC0"
[[board]]
name = "board"
chip = "ATmega328P"
[[sensor]]
name = "fine"
kind = "ds18b20"
[[sensor]]
name = "coarse"
kind = "tmp36"
reference = "5 V"
[[sensor]]
name = "cold"
kind = "ds18b20"
range = ["0 degC", "10 degC"]
[[sensor]]
name = "warm"
kind = "ds18b20"
range = ["20 degC", "30 degC"]
[[sensor]]
name = "x"
kind = "button"
[[sensor]]
name = "y"
kind = "button"
[[sensor]]
name = "z"
kind = "button"
[[sensor]]
name = "w"
kind = "button"
[[actuator]]
name = "heater"
kind = "heater"
[[actuator]]
name = "fan"
kind = "fan"
modulated = true
[[actuator]]
name = "pump"
kind = "dosing_pump"
"#;

/// Ids with what stands at their first place.
fn findings(rules: &str) -> Vec<(Level, &'static str, String)> {
    let text = format!("{HEAD}{rules}");
    let loaded = system::load(&text);
    let system = loaded.system.unwrap_or_else(|| panic!("{:#?}", loaded.diagnostics));
    let all = match control::compile(&system) {
        Ok(compiled) => compiled.warnings,
        Err(findings) => findings,
    };
    all.iter()
        .map(|finding| {
            assert!(finding.help.is_some(), "{} says what would be right", finding.id);
            assert!(!finding.message.ends_with('.'));
            let place =
                finding.annotations.first().map(|annotation| text[annotation.span.clone()].to_owned());
            (finding.level, finding.id, place.unwrap_or_default())
        })
        .collect()
}

fn check(rules: &str, level: Level, id: &'static str, place: &str) {
    assert_eq!(findings(rules), [(level, id, place.to_owned())]);
}

fn switch(start: &str, stop: &str) -> String {
    format!("[[rule]]\ndrives = \"heater\"\nstart = \"{start}\"\nstop = \"{stop}\"\nwhen_blind = \"off\"\n")
}

#[test]
fn sound_rules_have_none() {
    assert_eq!(findings(&switch("fine < 25.2 degC", "fine > 25.6 degC")), []);
    assert_eq!(findings(&switch("coarse < 25 degC", "coarse > 25.5 degC")), []);
}

#[test]
fn a_deadband_finer_than_the_probe() {
    // TMP36 at 5 V on ten bits: 0.49 K a count (the example's first draft); DS18B20: 0.0625 K (data sheet).
    check(
        &switch("coarse < 25.2 degC", "coarse > 25.6 degC"),
        Level::Warning,
        "deadband-below-resolution",
        "\"coarse < 25.2 degC\"",
    );
    check(
        &switch("fine < 25.20 degC", "fine > 25.25 degC"),
        Level::Warning,
        "deadband-below-resolution",
        "\"fine < 25.20 degC\"",
    );
}

#[test]
fn signals_that_never_meet() {
    let rule = "[[rule]]\ndrives = \"heater\"\nwhen = \"cold > warm\"\nwhen_blind = \"off\"\n";
    check(rule, Level::Warning, "comparison-never-changes", "\"cold > warm\"");
}

#[test]
fn a_ramp_without_modulation_and_a_rest_with_it() {
    let rule = "[[rule]]\ndrives = \"heater\"\nschedule = \"10:00-12:00\"\nramp = \"10 min\"\nwhen_blind = \"off\"\n";
    check(rule, Level::Warning, "ramp-needs-modulation", "\"10 min\"");
    let rule = "[[rule]]\ndrives = \"fan\"\nwhen = \"x\"\nshortest_rest = \"10 min\"\nwhen_blind = \"off\"\n";
    check(rule, Level::Warning, "rest-needs-switching", "\"10 min\"");
}

#[test]
fn votes_that_the_board_lacks() {
    let of = |vote: &str, of: &str| {
        format!(
            "[[signal]]\nname = \"v\"\nvote = \"{vote}\"\nof = {of}\n[[alarm]]\nname = \"a\"\nwhen = \"v\"\n"
        )
    };
    check(&of("2oo4", "[\"w\", \"x\", \"y\", \"z\"]"), Level::Error, "vote-not-on-board", "\"2oo4\"");
    assert_eq!(findings(&of("1oo4", "[\"w\", \"x\", \"y\", \"z\"]")), []);
}

#[test]
fn doses_that_the_board_cannot_give() {
    let dose = |dose: &str| format!("[[rule]]\ndrives = \"pump\"\ndose = {dose}\nwhen_blind = \"off\"\n");
    let flow = "flow = \"1 L/min\"";
    let many = format!("{{ per_day = \"100 mL\", portions = 200, {flow} }}");
    check(&dose(&many), Level::Error, "too-many-portions", &many);
    let large = format!("{{ per_day = \"90 L\", portions = 2, {flow} }}");
    check(&dose(&large), Level::Error, "portion-too-large", &large);
    let fast = "{ per_day = \"90 L\", portions = 24, flow = \"4000 L/h\" }";
    check(&dose(fast), Level::Error, "flow-too-high", fast);
}

#[test]
fn a_rate_over_an_odd_window() {
    let rule = "[[signal]]\nname = \"r\"\nrate = \"5 s\"\nof = \"fine\"\n[[alarm]]\nname = \"a\"\nwhen = \"r > 1 K/h\"\n";
    check(rule, Level::Warning, "window-rounded", "\"5 s\"");
}

#[test]
fn a_time_beyond_the_board() {
    let rule = "[[alarm]]\nname = \"a\"\nwhen = \"x\"\ndelay = \"30 d\"\n";
    check(rule, Level::Error, "time-too-long", "\"30 d\"");
}

#[test]
fn a_program_beyond_its_slot() {
    let mut rules = String::new();
    for alarm in 0..60 {
        rules += &format!(
            "[[alarm]]\nname = \"a{alarm}\"\nwhen = \"fine > {}.{:02} degC\"\n",
            20 + alarm / 10,
            alarm
        );
    }
    check(&rules, Level::Warning, "program-exceeds-slot", "\"ATmega328P\"");
}

#[test]
fn programs_of_any_size_end_in_a_program_or_a_finding() {
    for n in [130, 700, 9_000] {
        let mut rules = String::new();
        let mut before = "x".to_owned();
        for signal in 0..n {
            rules += &format!("[[signal]]\nname = \"s{signal}\"\non_delay = \"1 s\"\nof = \"{before}\"\n");
            before = format!("s{signal}");
        }
        rules += &format!("[[alarm]]\nname = \"a\"\nwhen = \"{before}\"\n");
        let mut ids: Vec<&str> = findings(&rules).iter().map(|finding| finding.1).collect();
        // Hundreds of operations may also take longer than a scan should.
        ids.retain(|id| *id != "scan-time-not-proven");
        assert!(ids == ["program-exceeds-slot"] || ids == ["program-not-possible"], "{n} signals: {ids:?}");
    }
}
