//! `tidewright audit`.

use crate::harness::Bench;

#[test]
fn the_first_draft_floods() {
    let bench = Bench::new("audit-draft");
    bench.example("harbour-lane/first-draft.toml", "first-draft.toml");
    let run = bench.run(&["audit", "first-draft.toml", "--format", "json"]);
    let audit = run.ends_with(1).json("tidewright.audit");
    let drain = &audit["facts"]["drain_down"];
    // Harbour Lane by hand: 60.2 + 8.8 + 2.6 L down against 61.0 L free, so 10.6 L on the floor.
    let litres = |key: &str| drain[key].as_f64().expect("a volume");
    assert!((litres("released_l") - 71.6).abs() < 2.0, "{drain}");
    assert!((litres("floor_l") - 10.6).abs() < 2.0, "{drain}");
    assert!(audit["errors"].as_u64().expect("a number") > 0);
}

#[test]
fn one_line_a_finding() {
    let bench = Bench::new("audit-brief");
    bench.example("harbour-lane/first-draft.toml", "first-draft.toml");
    let run = bench.run(&["audit", "first-draft.toml", "--brief"]);
    run.ends_with(1);
    assert!(run.out.lines().all(|line| line.chars().count() <= 100), "{}", run.out);
}

#[test]
fn facts_are_added_on_demand() {
    let bench = Bench::new("audit-facts");
    bench.example("harbour-lane/system.toml", "system.toml");
    let run = bench.run(&["audit", "system.toml", "--facts"]);
    assert!(run.out.contains("What it computed"), "{}", run.out);
}
