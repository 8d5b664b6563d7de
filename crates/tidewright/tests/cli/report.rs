//! `tidewright report` and `tidewright section`.

use crate::harness::Bench;

#[test]
fn one_page_with_everything() {
    let bench = Bench::new("report");
    bench.example("harbour-lane/first-draft.toml", "first-draft.toml");
    let arguments = [
        "report",
        "first-draft.toml",
        "--one-instant",
        "--nominal",
        "--only",
        "float_c",
        "--window",
        "4h",
        "--date",
        "2026-01-01",
        "-o",
        "out.html",
    ];
    let run = bench.run(&arguments);
    run.ends_with(1);
    assert!(run.out.contains("Wrote out.html"), "{}", run.out);
    let page = bench.read("out.html");
    for wanted in [
        "<svg",
        "What would happen",
        "What each failure breaks",
        "Traces of chosen faults",
        "2026-01-01",
        "Cautions",
    ] {
        assert!(page.contains(wanted), "{wanted}");
    }
    for foreign in ["<script", "src=\"http", "href=\"http", "@import"] {
        assert!(!page.contains(foreign), "{foreign}");
    }
    // A page that is there stays; with --force the same study gives the same bytes.
    bench.run(&arguments).ends_with(2);
    bench.run(&[&arguments[..], &["--force"]].concat()).ends_with(1);
    assert_eq!(bench.read("out.html"), page);
    assert_eq!(bench.names(), ["first-draft.toml", "out.html"]);
}

const QUICK: [&str; 8] =
    ["--one-instant", "--nominal", "--only", "topoff", "--window", "24h", "--date", "2026-01-01"];

#[test]
fn whoever_minds_the_tank_gets_a_sheet() {
    let bench = Bench::new("report-sitter");
    bench.example("harbour-lane/first-draft.toml", "first-draft.toml");
    let own = ["report", "first-draft.toml", "--sitter", "sitter.html", "--call", "Somebody <at any hour>"];
    bench.run(&[&own[..], &QUICK].concat()).ends_with(1);
    let sheet = bench.read("sitter.html");
    for wanted in [
        "Somebody &lt;at any hour&gt;",
        "If something is wrong",
        "The message says",
        "Leave alone",
        "Mains beside salt water",
    ] {
        assert!(sheet.contains(wanted), "{wanted}");
    }
    assert!(!sheet.contains("What each failure breaks"), "one sheet, nothing else");
    let page = bench.read("report.html");
    for wanted in ["If something is wrong", "Proof tests and upkeep", "What it is", "Done: day, who"] {
        assert!(page.contains(wanted), "{wanted}");
    }
}

#[test]
fn what_is_shared_tells_nobody_where_and_whose_it_is() {
    let bench = Bench::new("report-share");
    let text = include_str!("../../../../examples/harbour-lane/first-draft.toml");
    let text =
        format!("# Mara keeps the key, +49 170 1234567, mara@example.org, http://192.168.1.9/\n{text}");
    bench.file("tank.toml", text);
    let run =
        bench.run(&[&["report", "tank.toml", "--share", "out", "--leave-out", "Mara"][..], &QUICK].concat());
    run.ends_with(1);
    assert!(run.out.contains("line 1: left out a mail address"), "{}", run.out);
    for file in ["out/system.toml", "out/report.html", "out/sitter.html"] {
        let text = bench.read(file);
        for secret in ["Mara", "mara", "1234567", "192.168"] {
            assert!(!text.contains(secret), "{file} holds {secret}");
        }
    }
    assert!(bench.read("out/system.toml").contains("# [left out] keeps the key"));
    // What goes out still says the same.
    bench.run(&["audit", "out/system.toml"]).ends_with(1);
}

#[test]
fn the_section_is_one_drawing() {
    let bench = Bench::new("section");
    bench.example("harbour-lane/system.toml", "system.toml");
    bench.run(&["section", "system.toml"]).ends_with(0);
    let svg = bench.read("section.svg");
    assert!(svg.starts_with("<svg") && svg.trim_end().ends_with("</svg>"));
    bench.run(&["section", "system.toml"]).ends_with(2).matches("section-is-there");
}
