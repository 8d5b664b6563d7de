//! `tidewright fit`.

use crate::harness::Bench;

/// Ten days of the desk tank as it is at its cold and dry corner, with a bottle that lasts so long.
fn lived(bench: &Bench) {
    let text = std::fs::read_to_string(
        std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples/desk-60l/system.toml"),
    )
    .expect("an example");
    let text = text
        .replace(r#"inside = ["120 mm", "120 mm", "260 mm"]"#, r#"inside = ["400 mm", "300 mm", "260 mm"]"#);
    bench.file("system.toml", text);
    let run = bench.run(&[
        "rehearse",
        "system.toml",
        "--for",
        "10 days",
        "--corner",
        "cold_and_dry",
        "--csv",
        "log.csv",
    ]);
    assert!(run.code.is_some_and(|code| code < 2), "{}", run.err);
}

/// The corner has evaporation 1.4 and wall loss 1.3: the fit finds them, writes them, and the FMEA of the file that it wrote gets cold
/// sooner.
#[test]
fn what_it_finds_goes_into_the_file_and_from_there_into_the_fmea() {
    let bench = Bench::new("fit");
    lived(&bench);
    let room = "true room.temperature";
    let run = bench.run(&[
        "fit",
        "system.toml",
        "log.csv",
        "--room",
        room,
        "--out",
        "fitted.toml",
        "--plot",
        "left.svg",
        "--format",
        "json",
    ]);
    run.ends_with(1);
    let answer = run.json("tidewright.fit");
    let found = |what: &str| {
        let all = answer["parameters"].as_array().expect("parameters");
        let p = all.iter().find(|p| p["what"] == what).expect("the parameter").clone();
        (
            p["found"].as_f64(),
            p["low"].as_f64(),
            p["high"].as_f64(),
            p["not_told"].as_str().map(str::to_owned),
        )
    };
    for (what, truth) in [("evaporation", 1.4), ("wall loss", 1.3)] {
        let (value, low, high, _) = found(what);
        assert!(
            low.is_some_and(|l| l < truth) && high.is_some_and(|h| h > truth),
            "{what}: {value:?} {low:?} {high:?}"
        );
    }
    assert!(found("gas exchange").3.is_some_and(|why| why.contains("no pH")));
    let written = bench.read("fitted.toml");
    assert!(written.contains("[fitted]") && written.contains("evaporation = 1."), "{written}");
    assert!(written.contains("# assumed: a pair of gobies"), "comments are kept");
    assert!(bench.read("left.svg").contains("heat of the heaters"));
    let fmea = |file: &str| {
        let run = bench.run(&[
            "fmea",
            file,
            "--only",
            "mains:out",
            "--nominal",
            "--one-instant",
            "--format",
            "json",
        ]);
        assert!(run.code.is_some_and(|code| code < 2), "{}", run.err);
        run.out
    };
    let (before, after) = (fmea("system.toml"), fmea("fitted.toml"));
    assert_ne!(
        before.replace("system.toml", ""),
        after.replace("fitted.toml", ""),
        "the FMEA uses what was fitted"
    );
    // Nothing is written over.
    bench.run(&["fit", "system.toml", "log.csv", "--out", "fitted.toml"]).ends_with(2);
}

#[test]
fn what_cannot_be_read_says_what_to_do() {
    let bench = Bench::new("fit-bad");
    bench.example("desk-60l/system.toml", "system.toml");
    bench.run(&["fit", "system.toml", "none.csv"]).ends_with(2);
    bench.file("foreign.csv", "time,a,b\n2026-01-01T00:00:00Z,1,2\n2026-01-09T00:00:00Z,1,2\n");
    bench.run(&["fit", "system.toml", "foreign.csv"]).ends_with(2).matches("fit-foreign");
    bench.file("short.csv", "time,temp_1 [degC]\n2026-01-01T00:00:00Z,25\n2026-01-01T01:00:00Z,25\n");
    bench.run(&["fit", "system.toml", "short.csv"]).ends_with(2).matches("fit-short");
    bench.run(&["fit", "system.toml", "short.csv", "--room", "attic"]).ends_with(2).matches("fit-room");
}

/// docs/fit.md lists every finding of the fit, and the fit has every finding of the page.
#[test]
fn the_page_lists_the_findings() {
    let page = include_str!("../../../../docs/fit.md");
    for (id, _) in fit::FINDINGS {
        assert!(page.contains(&format!("| `{id}` |")), "docs/fit.md does not list {id}");
    }
    let listed =
        page.split_once("## Findings").expect("the list").1.lines().filter(|l| l.starts_with("| `")).count();
    assert_eq!(listed, fit::FINDINGS.len());
}
