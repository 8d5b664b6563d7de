//! Whatever a command is given: a clear finding, exit 2, no panic, nothing overwritten.

use crate::harness::Bench;

const COMMANDS: [&[&str]; 5] = [
    &["audit"],
    &["fmea", "--one-instant", "--nominal", "--window", "1h"],
    &["rehearse", "--for", "1h", "--csv", "kept.txt"],
    &["report", "-o", "kept.txt"],
    &["section", "-o", "kept.txt"],
];

/// What is wrong, the file, and the id of the finding that says so.
fn cases() -> Vec<(&'static str, Vec<u8>, &'static str)> {
    let board = "[[board]]\nname = \"b\"\nchip = \"ATmega328P\"\n";
    let tank = "[[vessel]]\nname = \"display\"\nrole = \"display\"\ninside = [\"600 mm\", \"400 mm\", \"450 mm\"]\nlevel = \"400 mm\"\n";
    let heater = "[[actuator]]\nname = \"heater\"\nkind = \"heater\"\npower = \"100 W\"\n";
    let probe = "[[sensor]]\nname = \"temp\"\nkind = \"ds18b20\"\n";
    let text = |parts: &[&str]| parts.concat().into_bytes();
    vec![
        ("empty", vec![], "empty-file"),
        ("binary", b"\x7fELF\x00\x01\x02\xff".to_vec(), "binary-file"),
        ("not-utf-8", b"name = \"\xff\xfe\"".to_vec(), "not-utf-8"),
        ("not-toml", b"[system\nname = ".to_vec(), "bad-toml"),
        ("wrong-unit", text(&[&tank.replace("400 mm\"\n", "400 W\"\n")]), "wrong-unit"),
        (
            "dangling-name",
            text(&[
                board,
                probe,
                heater,
                "[[rule]]\ndrives = \"heeter\"\nwhen = \"temp < 25 degC\"\nwhen_blind = \"off\"\n",
            ]),
            "unknown-name",
        ),
        ("negative-size", text(&[&tank.replace("\"600 mm\"", "\"-600 mm\"")]), "not-positive"),
        (
            "signal-loop",
            text(&[
                board,
                "[[signal]]\nname = \"a\"\non_delay = \"1 s\"\nof = \"b2\"\n[[signal]]\nname = \"b2\"\non_delay = \"1 s\"\nof = \"a\"\n",
            ]),
            "signal-loop",
        ),
        (
            "no-safe-state",
            text(&[board, probe, heater, "[[rule]]\ndrives = \"heater\"\nwhen = \"temp < 25 degC\"\n"]),
            "rule-without-safe-state",
        ),
        (
            "impossible-topology",
            text(&[
                tank,
                "[[passage]]\nname = \"round\"\nkind = \"weir\"\nfrom = \"display\"\nto = \"display\"\ncrest = \"390 mm\"\nwidth = \"100 mm\"\n",
            ]),
            "passage-to-itself",
        ),
        ("unknown-key", text(&["[system]\nnmae = \"x\"\n"]), "unknown-key"),
    ]
}

#[test]
fn every_bad_file_is_a_finding_in_every_command() {
    let bench = Bench::new("bad-files");
    for (name, content, id) in cases() {
        bench.file("bad.toml", &content).file("kept.txt", "kept");
        for command in COMMANDS {
            let forced: &[&str] = if command.contains(&"kept.txt") { &["--force"] } else { &[] };
            let arguments = [&[command[0], "bad.toml"], &command[1..], forced].concat();
            let run = bench.run(&arguments);
            run.ends_with(2);
            assert!(run.err.contains(&format!("error[{id}]")), "{name}, {command:?}: {}", run.err);
            assert!(run.out.is_empty(), "{name}, {command:?}: {}", run.out);
            let json = bench.run(&[&arguments[..], &["--format", "json"]].concat());
            let answer = json.ends_with(2).json(&format!("tidewright.{}", command[0]));
            let ids: Vec<&str> = answer["findings"]
                .as_array()
                .expect("a list")
                .iter()
                .filter_map(|f| f["id"].as_str())
                .collect();
            assert!(ids.contains(&id), "{name}, {command:?}: {ids:?}");
        }
        assert_eq!(bench.read("kept.txt"), "kept", "{name}");
        assert_eq!(bench.names(), ["bad.toml", "kept.txt"], "{name}");
    }
}

#[test]
fn findings_have_place_cause_and_cure() {
    let bench = Bench::new("bad-shown");
    for (name, content, _) in cases() {
        bench.file("bad.toml", &content);
        bench.run(&["audit", "bad.toml"]).ends_with(2).matches(&format!("bad-{name}"));
    }
}

#[test]
fn missing_files_and_folders() {
    let bench = Bench::new("bad-paths");
    bench.run(&["audit", "nowhere.toml"]).ends_with(2).matches("bad-missing");
    bench.run(&["fmea", "."]).ends_with(2).matches("bad-folder");
    bench.run(&["audit", ""]).ends_with(2);
}

#[test]
fn what_a_simulation_needs_is_named() {
    let bench = Bench::new("bad-no-water");
    bench.file("plain.toml", "[[board]]\nname = \"b\"\nchip = \"ATmega328P\"\n");
    bench.run(&["fmea", "plain.toml"]).ends_with(2).matches("fmea-without-vessel");
}
