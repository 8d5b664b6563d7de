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

#[test]
fn the_section_is_one_drawing() {
    let bench = Bench::new("section");
    bench.example("harbour-lane/system.toml", "system.toml");
    bench.run(&["section", "system.toml"]).ends_with(0);
    let svg = bench.read("section.svg");
    assert!(svg.starts_with("<svg") && svg.trim_end().ends_with("</svg>"));
    bench.run(&["section", "system.toml"]).ends_with(2).matches("section-is-there");
}
