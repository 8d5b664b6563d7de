//! `tidewright wire`: plan, explanation, lists, drawings, lock.

use crate::build::{SYSTEM, own_runtime};
use crate::harness::Bench;

#[test]
fn harbour_lane_fits_and_everything_is_written() {
    let bench = Bench::new("wire-whole");
    bench.example("harbour-lane/system.toml", "system.toml");
    let run = bench.run(&[
        "wire",
        "system.toml",
        "--csv",
        "lists",
        "--drawings",
        "sheets",
        "--netlist",
        "board.net",
        "--format",
        "json",
    ]);
    let answer = run.ends_with(0).json("tidewright.wire");
    assert_eq!(answer["fits"], true);
    assert!(answer["conflict"].is_null());
    assert_eq!(answer["places"].as_array().map(Vec::len), Some(34), "{}", answer["places"]);
    assert!(answer["cautions"].as_array().is_some_and(|all| all.len() >= 6));
    let cut = bench.read("lists/cut.csv");
    assert!(cut.starts_with("pieces,m,what,mm2,awg,for\r\n"), "{cut}");
    let checkout = bench.read("lists/checkout.csv");
    let stages: Vec<usize> = ["1. Nothing", "2. Low", "3. Mains", "4. Wet"]
        .iter()
        .map(|stage| checkout.find(stage).expect("each stage is there"))
        .collect();
    assert!(stages.windows(2).all(|pair| pair[0] < pair[1]));
    assert!(bench.read("sheets/wiring-1.svg").contains("licensed electrician"));
    assert!(bench.read("sheets/enclosure.svg").contains("licensed electrician"));
    assert!(bench.read("board.net").starts_with("(export (version \"E\")"));
    // Files that are there stay.
    bench.run(&["wire", "system.toml", "--netlist", "board.net"]).ends_with(2);
}

#[test]
fn what_does_not_fit_is_told_in_parts() {
    let bench = Bench::new("wire-misfit");
    bench.example("harbour-lane/does-not-fit.toml", "system.toml");
    bench.run(&["wire", "system.toml"]).ends_with(1).matches("wire-does-not-fit");
    let run = bench.run(&["wire", "system.toml", "--format", "json"]);
    let answer = run.ends_with(1).json("tidewright.wire");
    assert_eq!(answer["conflict"]["smallest_change"]["parts"], 1);
    assert_eq!(answer["conflict"]["larger_board"], "ATmega2560");
}

#[test]
fn a_build_takes_the_lock() {
    let bench = Bench::new("wire-lock");
    let open = SYSTEM.split("[wiring]").next().expect("the part before");
    bench.file("system.toml", open);
    own_runtime(&bench, "ATmega328P");
    bench.run(&["build", "system.toml", "--runtime", "own.json"]).ends_with(2);
    bench.run(&["wire", "system.toml", "--lock"]).ends_with(0).matches("wire-lock");
    assert!(bench.read("system.wiring.lock").contains("water_temp = \"P"));
    let before = bench.read("system.toml");
    bench.run(&["build", "system.toml", "--runtime", "own.json"]).ends_with(0);
    assert_eq!(bench.read("system.toml"), before, "the person's text is never written");
    // A lock that cannot be read is told; a plan beside it is refused.
    bench.file("system.wiring.lock", "version = 9\nchip = \"x\"\n");
    bench.run(&["wire", "system.toml"]).ends_with(2);
}

#[test]
fn another_board_lists_what_moves() {
    let bench = Bench::new("wire-board");
    bench.example("desk-60l/system.toml", "system.toml");
    let run = bench.run(&["wire", "system.toml", "--board", "ATmega32U4", "--format", "json"]);
    let answer = run.ends_with(0).json("tidewright.wire");
    let moved = answer["rewiring"].as_array().expect("a list");
    assert!(
        moved
            .iter()
            .any(|row| row["name"] == "light" && row["test"].as_str().is_some_and(|t| t.contains("reset")))
    );
    bench.run(&["wire", "system.toml", "--board", "Z80"]).ends_with(2);
}

#[test]
fn every_list_can_be_shown() {
    let bench = Bench::new("wire-lists");
    bench.example("desk-60l/system.toml", "system.toml");
    for list in ["places", "power", "loads", "wires", "cut", "bill", "connectors", "labels", "checkout"] {
        let run = bench.run(&["wire", "system.toml", "--show", list]);
        assert!(run.ends_with(0).out.contains("licensed electrician"), "{list}");
        assert!(run.out.lines().all(|line| line.chars().count() <= 100), "{list}: {}", run.out);
    }
}
