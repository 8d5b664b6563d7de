//! The map and what is suggested for one.

use shadow::map::{How, Meaning};
use shadow::seen::Names;
use shadow::{Form, Map, Printed, Reader, Value, suggest};
use system::System;
use system::model::Scale;

const HARBOUR_LANE: &str = include_str!("../../../examples/harbour-lane/system.toml");

fn harbour_lane() -> System {
    system::load(HARBOUR_LANE).system.expect("the example")
}

fn names(text: &str) -> Names {
    let mut reader = Reader::from_the_beginning(&Form::default());
    let mut names = Names::default();
    reader.push(text.as_bytes(), None, &mut |printed| {
        names.take(&printed, None);
    });
    names
}

fn printed(value: Value, unit: Option<&str>) -> Printed {
    Printed { name: "x".into(), value, unit: unit.map(str::to_owned), time: None }
}

#[test]
fn units_and_words() {
    let how = How::Number { unit: Some("degF"), scale: 1.0, offset: 0.0, bad: vec![-127.0] };
    let of = |how: &How, value, unit| how.meaning(&printed(value, unit), Scale::MilliCelsius);
    // 77 °F are 25 °C by definition.
    assert_eq!(of(&how, Value::Number(77.0), None), Meaning::Value(25_000));
    assert_eq!(of(&how, Value::Number(-127.0), None), Meaning::NoReading);
    assert_eq!(of(&how, Value::Nothing, None), Meaning::NoReading);
    assert_eq!(of(&how, Value::Word("hot".into()), None), Meaning::Unclear);
    let how = How::Number { unit: None, scale: 0.1, offset: 0.5, bad: vec![] };
    assert_eq!(of(&how, Value::Number(245.0), None), Meaning::Value(25_000));
    assert_eq!(
        of(&How::Number { unit: None, scale: 1.0, offset: 0.0, bad: vec![] }, Value::Number(77.0), Some("F")),
        Meaning::Value(25_000)
    );
    let words = How::Switch { on: vec!["wet".into(), "1".into()], off: vec!["dry".into(), "0".into()] };
    assert_eq!(words.meaning(&printed(Value::Word("WET".into()), None), Scale::Bool), Meaning::Value(1));
    assert_eq!(words.meaning(&printed(Value::Number(0.0), None), Scale::Bool), Meaning::Value(0));
    assert_eq!(words.meaning(&printed(Value::Word("damp".into()), None), Scale::Bool), Meaning::Unclear);
}

#[test]
fn a_map_is_read() {
    let system = harbour_lane();
    let text = r#"
every = "5 s"
[form]
zone = "GMT0BST,M3.5.0/1,M10.5.0"
[[reading]]
printed = "temp"
sensor = "display_temp"
unit = "°F"
bad = [-127, 185]
[[reading]]
printed = "float1"
sensor = "float_c_low"
on = [1]
off = [0]
[[assumed]]
sensor = "return_flow"
value = "40 L/min"
[[output]]
printed = "heater"
actuator = "heater_sump"
"#;
    let (map, findings) = Map::load(text, &system);
    assert!(findings.is_empty(), "{findings:?}");
    let map = map.expect("a map");
    assert_eq!((map.every_ms, map.stale_ms, map.tolerance_ms), (5_000, 30_000, 6_000));
    // 40 L/min in mL/min.
    assert_eq!(map.assumed[0].value, 40_000);
    assert_eq!(map.readings.len(), 2);
}

/// Every finding of a map, with what brings it; docs/joining.md lists the same ids.
#[test]
fn findings_of_a_map() {
    let reading = |more: &str| format!("[[reading]]\nprinted = \"a\"\n{more}\n");
    let output = |more: &str| format!("[[output]]\nprinted = \"a\"\n{more}\n");
    let cases = [
        ("unreadable-map", "every = ".to_owned()),
        ("unreadable-map", "evry = \"5 s\"".to_owned()),
        ("unreadable-map", reading("sensor = \"ph\"\nunits = \"pH\"")),
        ("bad-quantity", "every = \"5 mm\"".to_owned()),
        ("bad-quantity", "every = \"1 ms\"".to_owned()),
        ("bad-quantity", "duty_tolerance = \"200 %\"".to_owned()),
        ("bad-quantity", "[[assumed]]\nsensor = \"ph\"\nvalue = true".to_owned()),
        ("bad-form", "[form]\nzone = \"Berlin\"".to_owned()),
        ("bad-form", "[form]\nseparator = \"x\"".to_owned()),
        ("bad-name", "[[reading]]\nprinted = \" \"\nsensor = \"ph\"".to_owned()),
        ("unknown-sensor", reading("sensor = \"pH\"")),
        ("unknown-actuator", output("actuator = \"heat\"")),
        ("mapped-twice", reading("sensor = \"ph\"") + "[[assumed]]\nsensor = \"ph\"\nvalue = \"8.1 pH\""),
        ("wrong-unit", reading("sensor = \"ph\"\nunit = \"degC\"")),
        ("not-a-number", reading("sensor = \"leak_1\"\nunit = \"degC\"")),
        ("not-a-switch", reading("sensor = \"ph\"\non = [\"x\"]")),
        ("unclear-words", reading("sensor = \"leak_1\"\non = [\"x\"]\noff = [\"X\"]")),
        ("bad-number", reading("sensor = \"ph\"\nscale = 0")),
        ("no-output-mapped", String::new()),
    ];
    let system = harbour_lane();
    let page = include_str!("../../../docs/joining.md");
    let mut ids: Vec<&str> = vec!["not-switched"];
    for (id, text) in &cases {
        let (map, findings) = Map::load(text, &system);
        assert!(findings.iter().any(|finding| finding.id == *id), "{text}: {findings:?}");
        assert_eq!(map.is_some(), *id == "no-output-mapped", "{text}");
        ids.push(id);
    }
    for id in ids {
        assert!(page.contains(&format!("`{id}`")), "docs/joining.md does not list {id}");
    }
}

#[test]
fn a_suggestion_is_a_map() {
    let system = harbour_lane();
    let text = "Display temp: 25.3 C, Sump temp: 25.1 C, pH: 8.12, ATO: off, Heater display: ON, Lamp: 1, FloatLowC: 0, WiFi: -71\n\
                Display temp: 25.4 C, Sump temp: 25.2 C, pH: 8.13, ATO: on, Heater display: OFF, Lamp: 0, FloatLowC: 1, WiFi: -70\n";
    let names = names(text);
    let told: Vec<(String, Option<String>)> = suggest::suggest(&system, &names)
        .into_iter()
        .map(|suggestion| {
            let part = suggestion.part.map(|part| match part {
                suggest::Part::Sensor(at) => system.sensors[at].name.clone(),
                suggest::Part::Actuator(at) => system.actuators[at].name.clone(),
            });
            (suggestion.printed, part)
        })
        .collect();
    let expected = [
        ("Display temp", Some("display_temp")),
        ("Sump temp", Some("sump_temp")),
        ("pH", Some("ph")),
        ("ATO", Some("topoff_pump")),
        ("Heater display", Some("heater_display")),
        ("Lamp", Some("light")),
        ("FloatLowC", Some("float_c_low")),
        ("WiFi", None),
    ];
    let expected: Vec<(String, Option<String>)> =
        expected.into_iter().map(|(a, b)| (a.to_owned(), b.map(str::to_owned))).collect();
    assert_eq!(told, expected);
    let text = suggest::map_text(&system, &names);
    let (map, findings) = Map::load(&text, &system);
    assert!(findings.is_empty(), "{findings:?}\n{text}");
    let map = map.expect("a map");
    assert_eq!((map.readings.len(), map.outputs.len()), (4, 3));
    assert!(text.contains("# sensor = \"return_flow\""), "{text}");
}
