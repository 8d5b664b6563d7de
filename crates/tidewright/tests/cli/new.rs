//! `tidewright new`.

use crate::harness::Bench;

#[test]
fn writes_a_file_that_every_command_reads() {
    let bench = Bench::new("new");
    bench.run(&["new", "--yes", "--timezone", "UTC0"]).ends_with(0).matches("new");
    let audit = bench.run(&["audit", "system.toml", "--format", "json"]).json("tidewright.audit");
    // Whether the design is good is another matter; the file reads and can be computed.
    assert!(audit["facts"].is_object(), "{audit}");
    bench.run(&["rehearse", "system.toml", "--for", "2h", "--csv", "out.csv"]).ends_with(0);
    assert_eq!(bench.names(), ["out.csv", "system.toml"]);
}

#[test]
fn flags_are_kept() {
    let bench = Bench::new("new-flags");
    let run = bench.run(&[
        "new",
        "-",
        "--name",
        "Study \"cube\"",
        "--display",
        "24x16x18 in",
        "--no-sump",
        "--no-top-off",
        "--heater",
        "75 W",
        "--no-light",
        "--mains",
        "120 V",
        "--timezone",
        "EST5EDT,M3.2.0,M11.1.0",
        "--unattended",
        "2 days",
    ]);
    run.ends_with(0);
    for line in [
        "inside = [\"610 mm\", \"406 mm\", \"457 mm\"]",
        "mains = \"120 V\"",
        "power = \"75 W\"",
        "unattended = \"48 h\"",
    ] {
        assert!(run.out.contains(line), "{line}\n{}", run.out);
    }
    assert!(!run.out.contains("sump") && !run.out.contains("kind = \"light\""));
    bench.file("system.toml", &run.out);
    let audit = bench.run(&["audit", "system.toml", "--format", "json"]).json("tidewright.audit");
    assert!(audit["facts"].is_object(), "{audit}");
}

#[test]
fn never_overwrites_unless_told() {
    let bench = Bench::new("new-force");
    bench.file("system.toml", "mine");
    bench.run(&["new", "--yes"]).ends_with(2).matches("new-is-there");
    assert_eq!(bench.read("system.toml"), "mine");
    bench.run(&["new", "--yes", "--force", "--timezone", "UTC0"]).ends_with(0);
    assert!(bench.read("system.toml").contains("[system]"));
    assert_eq!(bench.names(), ["system.toml"], "no half-written file is left");
    bench.run(&["new", "nowhere/system.toml", "--yes"]).ends_with(2).matches("new-no-folder");
}

#[test]
fn asks_and_listens() {
    let bench = Bench::new("new-ask");
    let answers = "Hall tank\n80x50 cm\n80x50x50 cm\nnone\nno\n150 W\n\n\n\n36 h\n";
    let run = bench.run_with(&["new", "--ask", "--timezone", "UTC0"], answers);
    run.ends_with(0).matches("new-asks");
    let text = bench.read("system.toml");
    assert!(
        text.contains("name = \"Hall tank\"") && text.contains("\"800 mm\"") && text.contains("\"36 h\"")
    );
}

#[test]
fn json_says_what_was_written() {
    let bench = Bench::new("new-json");
    let run = bench.run(&["new", "a.toml", "--yes", "--format", "json"]);
    assert_eq!(run.ends_with(0).json("tidewright.new")["file"], "a.toml");
    bench.run(&["new", "b.toml", "--yes", "--chip", "Z80"]).ends_with(2).matches("new-unknown-chip");
}
