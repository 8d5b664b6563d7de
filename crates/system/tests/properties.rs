//! Properties of reading and editing that must hold for any input. `PROPTEST_CASES=100000 cargo test -p system --test properties
//! --release` runs them for long; `fuzz/` has the same entry points for a coverage-guided fuzzer.
#![allow(clippy::expect_used)]

use proptest::prelude::*;
use system::document::Document;
use system::{Level, load, render};

const HARBOUR_LANE: &str = include_str!("../../../examples/harbour-lane/system.toml");

/// What must hold of any text: no panic, places inside the text, a cure for each error, and all of it can be shown.
fn check(text: &str) -> Result<(), TestCaseError> {
    let loaded = load(text);
    let errors = loaded.diagnostics.iter().filter(|finding| finding.level == Level::Error).count();
    prop_assert_eq!(loaded.system.is_some(), errors == 0);
    if let Some(system) = &loaded.system {
        // Every quantity is a number and every index points at something: the placeholders of a broken file never get out.
        let all = format!("{system:?}");
        prop_assert!(!all.contains("NaN") && !all.contains(&usize::MAX.to_string()));
        system::parts::faults(system);
    }
    for finding in &loaded.diagnostics {
        prop_assert!(system::findings::ALL.iter().any(|(id, _)| *id == finding.id), "{}", finding.id);
        if finding.level == Level::Error {
            prop_assert!(finding.help.is_some(), "{:?}", finding);
            prop_assert!(!finding.annotations.is_empty() || text.contains('\0'), "{:?}", finding);
        }
        for annotation in &finding.annotations {
            let span = annotation.span.clone();
            prop_assert!(span.start <= span.end && span.end <= text.len(), "{:?}", finding);
            prop_assert!(
                text.is_char_boundary(span.start) && text.is_char_boundary(span.end),
                "{:?}",
                finding
            );
        }
    }
    let shown = render::plain(&loaded.diagnostics, "system.toml", text, false);
    prop_assert!(shown.chars().all(|c| c == '\n' || !c.is_control()), "{:?}", shown);
    let json = render::diagnostics_json(&loaded.diagnostics, "system.toml", text);
    prop_assert_eq!(json["findings"].as_array().map(Vec::len), Some(loaded.diagnostics.len()));
    Ok(())
}

/// Replaces, cuts out or doubles a piece of the example.
fn mutated() -> impl Strategy<Value = String> {
    let length = HARBOUR_LANE.len();
    let piece = (0..length, 0usize..60, 0..length, prop_oneof![Just(0u8), Just(1), Just(2)], ".{0,12}");
    proptest::collection::vec(piece, 1..6).prop_map(|edits| {
        let mut text = HARBOUR_LANE.to_owned();
        for (at, cut, from, how, with) in edits {
            let boundary = |text: &str, mut at: usize| {
                at = at.min(text.len());
                while !text.is_char_boundary(at) {
                    at -= 1;
                }
                at
            };
            let start = boundary(&text, at);
            let end = boundary(&text, start + cut).max(start);
            match how {
                0 => text.replace_range(start..end, &with),
                1 => text.replace_range(start..end, ""),
                _ => {
                    let a = boundary(&text, from);
                    let b = boundary(&text, a + cut).max(a);
                    let copied = text[a..b].to_owned();
                    text.insert_str(start, &copied);
                }
            }
        }
        text
    })
}

/// Exchanges whole values of the example for others, so that the TOML stays sound and the meaning does not.
fn exchanged() -> impl Strategy<Value = String> {
    let values: Vec<&'static str> = HARBOUR_LANE
        .lines()
        .filter_map(|line| {
            line.split_once(" = ").map(|(_, value)| value.split("  #").next().unwrap_or(value).trim())
        })
        .filter(|value| !value.is_empty() && !value.ends_with('[') && !value.starts_with('['))
        .collect();
    let extra = [
        "-1",
        "1e300",
        "\"-5 mm\"",
        "\"99999999 L\"",
        "\"\"",
        "[]",
        "{}",
        "[[]]",
        "true",
        "2027-03-01",
        "\"a - b > 1 K\"",
    ];
    let n = values.len();
    let pick = (0..n, 0..n + extra.len());
    proptest::collection::vec(pick, 1..8).prop_map(move |swaps| {
        let mut text = String::new();
        let mut number = 0;
        for line in HARBOUR_LANE.lines() {
            let plain = line.split_once(" = ").filter(|(_, value)| {
                let value = value.split("  #").next().unwrap_or(value).trim();
                !value.is_empty() && !value.ends_with('[') && !value.starts_with('[')
            });
            match plain {
                Some((key, value)) => {
                    let new = swaps
                        .iter()
                        .find(|(at, _)| *at == number)
                        .map(|(_, with)| values.get(*with).copied().unwrap_or_else(|| extra[*with - n]));
                    number += 1;
                    text.push_str(key);
                    text.push_str(" = ");
                    text.push_str(new.unwrap_or(value));
                }
                None => text.push_str(line),
            }
            text.push('\n');
        }
        text
    })
}

/// Few cases in every test run, as many as asked for otherwise.
fn config() -> ProptestConfig {
    const USUAL_CASES: u32 = 64;
    let cases =
        std::env::var("PROPTEST_CASES").ok().and_then(|cases| cases.parse().ok()).unwrap_or(USUAL_CASES);
    ProptestConfig { cases, failure_persistence: None, ..ProptestConfig::default() }
}

proptest! {
    #![proptest_config(config())]

    #[test]
    fn any_text_gives_findings_and_no_panic(text in ".{0,400}") {
        check(&text)?;
    }

    #[test]
    fn any_bytes_give_findings_and_no_panic(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        check(&String::from_utf8_lossy(&bytes))?;
    }

    #[test]
    fn a_damaged_file_gives_findings_and_no_panic(text in mutated()) {
        check(&text)?;
    }

    #[test]
    fn a_confused_file_gives_findings_and_no_panic(text in exchanged()) {
        check(&text)?;
    }

    #[test]
    fn any_condition_gives_findings_and_no_panic(
        words in proptest::collection::vec(prop_oneof![
            Just("and"), Just("or"), Just("not"), Just("("), Just(")"), Just("display_temp"), Just("ph"), Just("leak_1"),
            Just("<"), Just(">="), Just("25.2 degC"), Just("8.4"), Just("1 K"), Just("apart"), Just(","), Just("-"),
            Just("bad"), Just("tripped"), Just("heat_master"), Just("true"), Just("always"), Just("["), Just("]"),
            Just("display.temperature"), Just("range"), Just("24 h"), Just("until"), Just("=")
        ], 0..14),
    ) {
        let condition = words.join(" ");
        check(&HARBOUR_LANE.replace("\"leak\"\ndelay", &format!("\"{condition}\"\ndelay")))?;
        check(&format!("{HARBOUR_LANE}\n[[requirement]]\nname = \"own\"\ntext = \"{condition}\"\n"))?;
    }

    /// A file that was read is written as it was, and read back the same.
    #[test]
    fn what_was_read_is_written_and_read_back_the_same(text in prop_oneof![mutated(), exchanged()]) {
        let Ok(document) = Document::new(&text) else { return Ok(()) };
        prop_assert_eq!(document.text(), text.as_str());
        let (first, second) = (load(&text), document.load());
        prop_assert_eq!(first.system, second.system);
        prop_assert_eq!(first.diagnostics, second.diagnostics);
    }

    /// An edit changes the value that it names, and no other byte.
    #[test]
    fn an_edit_keeps_all_other_bytes(watts in 1u32..5000) {
        let mut document = Document::new(HARBOUR_LANE).expect("reads");
        document.set("actuator.heater_sump.power", &format!("{watts} W")).expect("a right value");
        let old = "name = \"heater_sump\"\nkind = \"heater\"\npower = \"200 W\"";
        let new = format!("name = \"heater_sump\"\nkind = \"heater\"\npower = \"{watts} W\"");
        prop_assert!(HARBOUR_LANE.contains(old));
        let expected = HARBOUR_LANE.replace(old, &new);
        prop_assert_eq!(document.text(), expected.as_str());
    }

    /// An edit that would make the file wrong is refused, and the text stays.
    #[test]
    fn a_wrong_edit_leaves_the_text(value in ".{0,20}") {
        let mut document = Document::new(HARBOUR_LANE).expect("reads");
        if document.set("rule.heater_sump.start", &value).is_err() {
            prop_assert_eq!(document.text(), HARBOUR_LANE);
        } else {
            prop_assert!(document.load().system.is_some());
        }
    }

    /// A section that is added and removed leaves the file as it was.
    #[test]
    fn adding_and_removing_leaves_the_text(name in "[a-z][a-z0-9]{4,12}") {
        let mut document = Document::new(HARBOUR_LANE).expect("reads");
        let added = document.add("sensor", &format!("name = \"{name}\"\nkind = \"room_temperature\"\n"));
        prop_assume!(added.is_ok());
        let system = document.load().system.expect("sound");
        prop_assert!(system.sensors.iter().any(|sensor| sensor.name == name));
        document.remove(&format!("sensor.{name}")).expect("is there");
        prop_assert_eq!(document.text(), HARBOUR_LANE);
    }
}

#[test]
fn deep_nesting_is_a_finding() {
    let condition = format!("{}leak{}", "(".repeat(3000), ")".repeat(3000));
    let text = HARBOUR_LANE.replace("\"leak\"\ndelay", &format!("\"{condition}\"\ndelay"));
    assert!(load(&text).diagnostics.iter().any(|finding| finding.id == "bad-condition"));
    let nots = format!("{} leak", "not ".repeat(50_000));
    let text = HARBOUR_LANE.replace("\"leak\"\ndelay", &format!("\"{nots}\"\ndelay"));
    assert!(load(&text).diagnostics.iter().any(|finding| finding.id == "bad-condition"));
    let brackets = format!("a = {}{}", "[".repeat(100_000), "]".repeat(100_000));
    assert!(load(&brackets).system.is_none());
}

#[test]
fn a_long_chain_of_signals_is_no_problem() {
    let mut text = String::from("[[sensor]]\nname = \"s0\"\nkind = \"leak\"\n");
    for i in (1..5000).rev() {
        text.push_str(&format!("[[signal]]\nname = \"s{i}\"\ncondition = \"s{}\"\n", i - 1));
    }
    assert_eq!(load(&text).diagnostics, []);
}

#[test]
fn edits_say_what_is_wrong() {
    let mut document = Document::new(HARBOUR_LANE).expect("reads");
    for (path, value) in [
        ("actuator.heatr.power", "300 W"),
        ("power", "300 W"),
        ("actuator.heater_sump.power.more", "300 W"),
        ("actuator.heater_sump.power", "300 L"),
        ("actuator.heater_sump.", "300 W"),
        ("sensor.ph.name", "display_temp"),
    ] {
        let error = document.set(path, value).expect_err(path).to_string();
        assert!(!error.is_empty());
    }
    assert!(document.remove("sensor.ph").is_err(), "rules read it");
    assert!(document.add("sensor", "name = \"ph\"\nkind = \"ph\"").is_err(), "the name is taken");
    assert!(document.add("vessle", "name = \"a\"").is_err());
    assert_eq!(document.text(), HARBOUR_LANE);

    document.set("actuator.heater_sump.heats.share", "90 %").expect("inside braces");
    document.set_boolean("board.controller.watchdog", false).expect("a boolean");
    document.set_number("water.salinity", 34.5).expect("a number");
    document.unset("vessel.display.still_exchange").expect("may be absent");
    let system = document.load().system.expect("sound");
    assert!(!system.boards[0].watchdog);
    assert!((system.water.salinity - 34.5).abs() < 1e-12);
    assert!(document.text().contains("salinity = 34.5\n"));
}

/// A file from a machine that ends its lines with carriage returns keeps them.
#[test]
fn line_ends_are_kept() {
    let text = HARBOUR_LANE.replace('\n', "\r\n");
    let mut document = Document::new(&text).expect("reads");
    assert_eq!(document.text(), text);
    document.set("actuator.heater_sump.power", "150 W").expect("a right value");
    assert_eq!(document.text(), text.replacen("\"200 W\"", "\"150 W\"", 1));
    document.unset("actuator.heater_sump.own_thermostat").expect("may be absent");
    document.add("sensor", "name = \"air\"\nkind = \"room_temperature\"\n").expect("a right section");
    assert!(!document.text().replace("\r\n", "").contains('\n'), "all line ends are of one kind");
    document.remove("sensor.air").expect("is there");
    assert_eq!(
        document.text().replace("\r\n", "\n"),
        HARBOUR_LANE.replacen("\"200 W\"", "\"150 W\"", 1).replacen(
            "own_thermostat = \"27.0 degC\"\n",
            "",
            1
        )
    );
    let marked = format!("\u{feff}{HARBOUR_LANE}");
    assert_eq!(Document::new(&marked).expect("reads").text(), marked);
    assert_eq!(load(&marked).diagnostics, []);
}
