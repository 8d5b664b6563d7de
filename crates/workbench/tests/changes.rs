//! Changes between two texts: in words, without order and comments, and left out again.

use workbench::changes::{Kind, belonging, changes, without};

fn example(name: &str) -> String {
    let path = format!("{}/../../examples/harbour-lane/{name}", env!("CARGO_MANIFEST_DIR"));
    std::fs::read_to_string(path).expect("an example")
}

const A: &str = r#"
[system]
name = "Reef"     # a comment
unattended = "63 h"

[[actuator]]
name = "heater"
kind = "heater"
power = "100 W"

[[actuator]]
name = "old_fan"
kind = "fan"

[[rule]]
drives = "heater"
start = "temp < 25 degC"
"#;

const B: &str = r#"
# another order, other comments
[[actuator]]
name = "heater"
power = "200 W"
kind = "heater"

[[sensor]]
name = "leak_1"
kind = "leak"

[[rule]]
drives = "heater"
start = "temp < 25 degC"
permissive = "not leak_1"

[system]
unattended = "87 h"
name = "Reef"
"#;

#[test]
fn in_words() {
    let all = changes(A, B).expect("both are TOML");
    let words: Vec<String> = all.iter().map(|c| c.words()).collect();
    assert_eq!(
        words,
        [
            r#"actuator heater: power "100 W" becomes "200 W""#,
            "sensor leak_1 is new",
            r#"rule of heater: permissive nothing becomes "not leak_1""#,
            r#"[system] unattended: "63 h" becomes "87 h""#,
            "actuator old_fan is gone",
        ]
    );
    assert!(changes(A, A).expect("TOML").is_empty());
    assert_eq!(changes(A, "x = [").expect_err("no TOML").0, 1);
    // A sensor that is left out takes the permissive that names it along.
    let sensor = &all[1];
    assert_eq!(belonging(sensor, &all).len(), 2);
    let left = without(A, B, &belonging(sensor, &all)).expect("TOML");
    assert_eq!(changes(A, &left).expect("TOML").len(), 3, "{left}");
}

/// Every change of the two Harbour Lane files left out one by one leaves one change fewer (with those that belong to it); all left out is the
/// first file again.
#[test]
fn left_out_one_by_one() {
    let (a, b) = (example("first-draft.toml"), example("system.toml"));
    let all = changes(&a, &b).expect("both are TOML");
    assert!(all.len() > 40 && all.iter().any(|c| c.kind == Kind::Removed), "{}", all.len());
    let mut n_valid = 0;
    for change in &all {
        let group = belonging(change, &all);
        let text = without(&a, &b, &group).expect("TOML");
        let rest = changes(&a, &text).expect("TOML");
        let left: Vec<String> = group.iter().filter(|c| rest.contains(c)).map(|c| c.words()).collect();
        assert_eq!(left, [""; 0], "still there without {}", change.words());
        let more: Vec<String> = rest.iter().filter(|c| !all.contains(c)).map(|c| c.words()).collect();
        assert_eq!((rest.len(), more), (all.len() - group.len(), vec![]), "{}", change.words());
        n_valid += usize::from(system::load(&text).system.is_some());
    }
    // Most can stand alone; the others are told as such.
    assert!(n_valid * 3 > all.len() * 2, "{n_valid} of {}", all.len());
    let none = without(&a, &b, &all.iter().collect::<Vec<_>>()).expect("TOML");
    assert!(changes(&a, &none).expect("TOML").is_empty());
    assert!(system::load(&none).system.is_some());
}
