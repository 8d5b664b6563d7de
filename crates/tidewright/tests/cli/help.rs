//! Help, version, completions, manual pages and what every command has in common.

use std::io::Read;
use std::process::Stdio;

use crate::harness::Bench;

const COMMANDS: [&str; 18] = [
    "new",
    "audit",
    "rehearse",
    "fit",
    "fmea",
    "compare",
    "report",
    "section",
    "wire",
    "build",
    "flash",
    "trial",
    "serve",
    "revisions",
    "listen",
    "shadow",
    "care",
    "water",
];

#[test]
fn help_of_the_whole() {
    Bench::new("help").run(&["-h"]).ends_with(0).matches("help");
}

#[test]
fn every_command_has_help_and_a_page() {
    let bench = Bench::new("pages");
    for command in COMMANDS {
        let help = bench.run(&[command, "--help"]);
        assert!(help.ends_with(0).out.contains("Usage: tidewright"), "{command}");
        let page = bench.run(&["man", command]);
        assert!(page.ends_with(0).out.contains(&format!("tidewright-{command}")), "{command}");
    }
    bench.run(&["man"]).ends_with(0);
    bench.run(&["man", "tidy"]).ends_with(2).matches("man-unknown");
    bench.run(&["man", "--out", "."]).ends_with(0);
    assert_eq!(bench.names().len(), COMMANDS.len() + 1);
    // Pages that are there stay.
    bench.run(&["man", "--out", "."]).ends_with(2);
    bench.run(&["man", "--out", ".", "--force"]).ends_with(0);
}

/// A page that forgets an option is worse than none.
#[test]
fn the_page_of_commands_names_every_option() {
    let bench = Bench::new("documented");
    let page = include_str!("../../../../docs/commands.md");
    let topics = ["proof", "tasks", "calendar", "calibrate", "use", "dose", "lime", "change"];
    let helps = (COMMANDS.iter().map(|command| (*command, bench.run(&[command, "--help"]).out)))
        .chain(topics.iter().map(|topic| (*topic, bench.run(&["care", "system.toml", topic, "--help"]).out)));
    for (command, help) in helps {
        for word in help.split(|c: char| c.is_whitespace() || c == ',') {
            let option = word.trim_end_matches([']', ')', '.', '>']);
            if option.starts_with("--") && option.len() > 2 && !matches!(option, "--help" | "--version") {
                assert!(
                    page.contains(&format!("`{option}")),
                    "docs/commands.md does not name {option} of {command}"
                );
            }
        }
    }
}

#[test]
fn completions_of_every_shell() {
    let bench = Bench::new("completions");
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        assert!(bench.run(&["completions", shell]).ends_with(0).out.contains("rehearse"), "{shell}");
    }
}

#[test]
fn unknown_words_are_usage() {
    let bench = Bench::new("usage");
    bench.run(&["audti"]).ends_with(2).matches("unknown-command");
    bench.run(&[]).ends_with(2);
    bench.run(&["audit"]).ends_with(2);
    assert!(bench.run(&["--version"]).ends_with(0).out.starts_with("tidewright "));
}

#[test]
fn colours_only_when_wanted() {
    let bench = Bench::new("colours");
    let water = ["water", "--temperature", "25degC", "--salinity", "35"];
    assert!(!bench.run(&water).out.contains('\u{1b}'));
    let always = bench.run(&[&water[..], &["--color", "always"]].concat());
    assert!(always.out.contains("\u{1b}[1mWater"));
}

#[test]
fn a_reader_that_leaves_is_no_error() {
    let bench = Bench::new("pipe");
    bench.example("harbour-lane/system.toml", "system.toml");
    let arguments = ["audit", "system.toml", "--facts"];
    let mut child =
        bench.command(&arguments).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("runs");
    // The reader closes its end before anything is written.
    drop(child.stdout.take());
    let status = child.wait().expect("ends");
    let mut err = String::new();
    child.stderr.take().expect("its errors").read_to_string(&mut err).expect("text");
    assert!(!err.contains("panicked"), "{err}");
    assert!(matches!(status.code(), Some(0 | 1)), "{status}");
}
