//! The page: well-formed, self-contained, escaped, complete.

use proptest::prelude::*;
use report::*;
use system::Diagnostic;

#[path = "../../drawing/tests/common/mod.rs"]
mod common;

fn cell(margin: f64, unit: &str, hours: Option<f64>) -> Cell {
    Cell { margin: Some(margin), unit: unit.to_owned(), hours }
}

fn head(name: &str, text: &str, harm: &str) -> RequirementHead {
    RequirementHead { name: name.to_owned(), text: text.to_owned(), harm: harm.to_owned() }
}

fn row(part: &str, mode: &str, cells: Vec<Cell>) -> Row {
    Row {
        part: part.to_owned(),
        mode: mode.to_owned(),
        instant: "lamps off".to_owned(),
        corner: "cold_and_dry".to_owned(),
        cells,
        alarm_lead_h: None,
        response_h: Some(4.0),
        acts: vec![],
        accepted: None,
        hidden: false,
        severity: "critical".to_owned(),
    }
}

/// A dossier as the command line would fill it, with figures of the example's first draft.
fn sample() -> Dossier {
    let units = ["K", "K", "K", "mg/L", "g/kg", "pH", "dKH", "L", "s", "min", "h"];
    let requirements = vec![
        head("hot", "never above 31 degC; above 29.5 degC for at most 2 h", "cook"),
        head("cold", "below 22 degC for at most 6 h", "chill"),
        head("swing", "at most 1.5 K in 1 h", "chill"),
        head("oxygen", "below 4 mg/L for at most 1 h", "suffocate"),
        head("salinity", "32.5 to 37", "overdose"),
        head("ph", "7.5 to 8.7", "overdose"),
        head("alkalinity", "6 to 11 dKH", "overdose"),
        head("floor", "at most 0.5 L outside the bund", "flood"),
        head("bare", "no heater or pump runs bare for 60 s", "equipment"),
        head("movement", "never still for 30 min", "suffocate"),
        head("darkness", "8 h in any 24 h", "dark"),
    ];
    let calm = [2.1, 1.4, 0.8, 1.55, 1.2, 0.21, 1.9, 0.5, 60.0, 30.0, 6.5];
    let holds = || calm.iter().zip(units).map(|(m, u)| cell(*m, u, None)).collect::<Vec<_>>();
    let with = |i: usize, m: f64, h: f64| {
        let mut cells = holds();
        cells[i] = cell(m, units[i], Some(h));
        cells
    };
    let mut rows = vec![
        row("return_pump", "stops with the mains", with(7, -10.1, 0.05)),
        row("float_low", "stuck down", with(4, -2.45, 0.1)),
        row("heater", "relay welded", with(0, -3.5, 6.5)),
        row("heater", "dead", with(1, -4.8, 7.8)),
        row("mains", "out", with(3, -1.0, 5.0)),
        row("weir", "half blocked", holds()),
        row("leak_1", "stuck dry", holds()),
    ];
    rows[2].alarm_lead_h = Some(5.2);
    rows[2].acts = vec![
        Act { hours: 1.2, text: "alarm warm".to_owned() },
        Act { hours: 2.5, text: "light cut by its permissive".to_owned() },
    ];
    rows[4].accepted = Some("key holder comes within 4 h with a power station".to_owned());
    rows[6].hidden = true;
    let names = [
        "skimmer",
        "topoff_pump",
        "lime_pump",
        "circulation_1",
        "circulation_2",
        "display_temp",
        "fans",
        "light",
    ];
    for part in names {
        rows.push(row(part, "dead", holds()));
    }
    let hours: Vec<f64> = (0..=630).map(|i| f64::from(i) / 10.0).collect();
    let series = |name: &str, unit: &str, f: &dyn Fn(f64) -> f64| Series {
        name: name.to_owned(),
        unit: unit.to_owned(),
        points: hours.iter().map(|&h| (h, f(h))).collect(),
    };
    let plot = Plot {
        title: "heater, relay welded, at lamps off, room 21 °C".to_owned(),
        note: "The heater warms the whole system until its losses equal its power; nothing in the first draft stops it.".to_owned(),
        series: vec![
            series("display", "°C", &|h| 35.0 - 9.6 * (-h / 14.0f64).exp()),
            series("sump", "°C", &|h| 35.4 - 9.9 * (-h / 13.0f64).exp()),
            series("oxygen", "mg/L", &|h| 6.3 - 1.1 * (1.0 - (-h / 20.0f64).exp()) + 0.2 * (h / 3.8).sin()),
        ],
        limits: vec![
            Limit { name: "hot".to_owned(), unit: "°C".to_owned(), value: 31.0 },
            Limit { name: "oxygen low".to_owned(), unit: "mg/L".to_owned(), value: 4.0 },
        ],
        marks: vec![
            Mark { hours: 0.0, kind: MarkKind::Fault, text: "relay welds".to_owned() },
            Mark { hours: 4.1, kind: MarkKind::Alarm, text: "warm".to_owned() },
            Mark { hours: 6.5, kind: MarkKind::Break, text: "hot".to_owned() },
            Mark { hours: 7.0, kind: MarkKind::Trip, text: "light cut".to_owned() },
        ],
    };
    let sheet = drawing::section(
        &common::harbour_lane(),
        &common::harbour_lines(),
        &drawing::TitleBlock { revision: "3 (mended)".to_owned(), date: "2026-03-14".to_owned() },
    );
    let line = |verdict, text: &str, mend: Option<&str>| SummaryLine {
        verdict,
        text: text.to_owned(),
        mend: mend.map(str::to_owned),
    };
    Dossier {
        description: vec!["Water of the system: 415 L".to_owned()],
        sitter: Some(SitterSheet {
            call: vec![],
            always: vec!["Call first when you are not sure.".to_owned()],
            never: vec!["Never pour tap water into the tank.".to_owned()],
            messages: vec![Message {
                words: "Water in the tray under the stand.".to_owned(),
                priority: "high priority".to_owned(),
                means: "Sump: leak.".to_owned(),
                time: "40 min at the least, then it would wet the floor.".to_owned(),
                is_short: true,
                act: "Hand off for top-off.".to_owned(),
                leave: "Leave circulation running.".to_owned(),
                caution: Some("Mains beside salt water.".to_owned()),
            }],
            basis: "Times are estimates.".to_owned(),
        }),
        care: vec![],
        history: vec![ListTable {
            title: "Revisions".to_owned(),
            heads: vec!["No".to_owned(), "Why".to_owned()],
            rows: vec![vec!["1".to_owned(), "first".to_owned()]],
        }],
        wiring: vec![],
        lists: vec![],
        title: "Harbour Lane reading-room reef".to_owned(),
        revision: "first-draft.toml".to_owned(),
        date: "2026-03-14".to_owned(),
        made_by: "tidewright 0.1.0".to_owned(),
        summary: vec![
            line(
                Verdict::Breaks,
                "Every power cut puts 10.6 L on the floor within 3 minutes: the display drains to the return outlet.",
                Some(
                    "raise the outlet to 25 mm below the surface and drill siphon-break holes 6 mm below it.",
                ),
            ),
            line(
                Verdict::Breaks,
                "A float stuck down empties the reservoir into the sump in 14 minutes: salinity falls to 30.05.",
                Some(
                    "limit the run to 60 minutes and 10 L a day, and put a second float in series with the pump.",
                ),
            ),
            line(
                Verdict::HelpInTime,
                "A welded heater relay cooks the display in 6.5 hours; the alarm leads by 5.2 hours, a person needs 4.",
                None,
            ),
            line(Verdict::Accepted, "Mains out: oxygen breaks after 5 hours.", None),
            line(
                Verdict::Hidden,
                "The leak probe stuck dry is seen by nobody until it is needed.",
                Some("proof-test it monthly."),
            ),
            line(Verdict::Holds, "None of the other 9 single faults breaks anything.", None),
        ],
        drawings: vec![Drawing {
            caption: "Section with the water running, stopped and in the worst case".to_owned(),
            svg: sheet.to_svg(&drawing::SvgOptions::default()),
        }],
        findings: vec![
            Diagnostic::error("sump-overflows-on-stop", "The sump overflows by 10.6 L when the return stops")
                .subject("sump")
                .note("drain-down 71.6 L: 87 mm x 0.69 m2 + 8.8 L over the weir + 2.6 L of pipes")
                .help("raise the outlet or the siphon break"),
            Diagnostic::warning("coarse-probe", "One count of the probe is wider than the deadband")
                .subject("display_temp")
                .note("0.49 K a count against 0.4 K"),
            Diagnostic::note_level("reservoir-days", "The reservoir lasts 14.9 days"),
        ],
        matrix: Matrix { requirements, rows },
        plots: vec![plot],
        energised: vec![
            EnergisedRow {
                part: "return_pump".to_owned(),
                board_dead: "on (NC)".to_owned(),
                supply_dead: "off".to_owned(),
                mains_back: "on after 20 s".to_owned(),
                trip: String::new(),
            },
            EnergisedRow {
                part: "topoff_pump".to_owned(),
                board_dead: "off".to_owned(),
                supply_dead: "off".to_owned(),
                mains_back: "waits 15 min".to_owned(),
                trip: "latches, by hand".to_owned(),
            },
        ],
        assumptions: vec!["evaporation is good to 40 %, weirs at low head to 25 %".to_owned()],
        not_modelled: vec!["calcification, nutrients, skimmer foam, lime precipitation".to_owned()],
    }
}

fn show(name: &str, text: &str) {
    if let Ok(folder) = std::env::var("DRAWING_SHOW") {
        std::fs::write(std::path::Path::new(&folder).join(name), text).expect("writable");
    }
}

/// Parses the page as XML: it is written so that both parsers read it alike.
fn parse(html: &str) -> roxmltree::Document<'_> {
    let body = html.strip_prefix("<!DOCTYPE html>\n").expect("doctype");
    roxmltree::Document::parse(body).expect("well-formed")
}

/// Ids are unique, every reference points at one, nothing is loaded from elsewhere, nothing runs.
fn check(html: &str) {
    let tree = parse(html);
    let mut ids: Vec<&str> = tree.descendants().filter_map(|n| n.attribute("id")).collect();
    ids.sort_unstable();
    ids.windows(2).for_each(|w| assert_ne!(w[0], w[1]));
    for n in tree.descendants().filter(roxmltree::Node::is_element) {
        let tag = n.tag_name().name();
        assert!(!matches!(tag, "script" | "link" | "img" | "iframe" | "object"), "{tag}");
        for a in n.attributes() {
            assert!(!a.name().starts_with("on"), "{}", a.name());
            if matches!(a.name(), "href" | "src") {
                let id = a.value().strip_prefix('#').expect("only places of this page");
                assert!(ids.contains(&id), "{id}");
            }
            if matches!(a.name(), "aria-labelledby") {
                a.value().split(' ').for_each(|id| assert!(ids.contains(&id), "{id}"));
            }
        }
    }
    assert!(!html.contains("NaN"));
    for table in tree.descendants().filter(|n| n.has_tag_name("table")) {
        assert!(table.descendants().any(|n| n.has_tag_name("caption")));
        for th in table.descendants().filter(|n| n.has_tag_name("th")) {
            assert!(th.attribute("scope").is_some());
        }
    }
}

#[test]
fn sample_report() {
    let html = render(&sample());
    show("report.html", &html);
    check(&html);
    for text in [
        "10.6 L on the floor",
        "sump-overflows-on-stop",
        "help in time",
        "in 6.5 h",
        "RCD (GFCI)",
        "Limewater",
    ] {
        assert!(html.contains(text), "{text}");
    }
}

#[test]
fn empty_report() {
    check(&render(&Dossier::default()));
    check(&render_sitter(&Dossier::default()));
}

#[test]
fn outcomes() {
    let m = sample().matrix;
    let outcome = |part: &str, mode: &str| {
        m.rows.iter().find(|r| r.part == part && r.mode == mode).map(Row::outcome).expect("row")
    };
    assert_eq!(outcome("heater", "relay welded"), Outcome::HelpInTime);
    assert_eq!(outcome("heater", "dead"), Outcome::Breaks);
    assert_eq!(outcome("mains", "out"), Outcome::Accepted);
    assert_eq!(outcome("leak_1", "stuck dry"), Outcome::Hidden);
    assert_eq!(outcome("fans", "dead"), Outcome::Holds);
}

#[test]
fn hostile_text_stays_text() {
    let evil = "<script>alert('x')</script>\"&\u{1}";
    let mut d = sample();
    d.title = evil.to_owned();
    d.revision = evil.to_owned();
    d.date = evil.to_owned();
    d.made_by = evil.to_owned();
    d.summary[0].text = evil.to_owned();
    d.summary[0].mend = Some(evil.to_owned());
    d.drawings[0].caption = evil.to_owned();
    d.findings[0].message = evil.to_owned();
    d.findings[0].notes.push(evil.to_owned());
    d.findings[0].subject = Some(evil.to_owned());
    d.findings[0].help = Some(evil.to_owned());
    d.matrix.requirements[0] = head(evil, evil, evil);
    let r = &mut d.matrix.rows[2];
    r.part = evil.to_owned();
    r.mode = evil.to_owned();
    r.instant = evil.to_owned();
    r.corner = evil.to_owned();
    r.severity = evil.to_owned();
    r.accepted = Some(evil.to_owned());
    r.acts[0].text = evil.to_owned();
    r.cells[0].unit = evil.to_owned();
    let p = &mut d.plots[0];
    p.title = evil.to_owned();
    p.note = evil.to_owned();
    p.series[0].name = evil.to_owned();
    p.series[0].unit = evil.to_owned();
    p.limits[0].name = evil.to_owned();
    p.marks[0].text = evil.to_owned();
    d.description.push(evil.to_owned());
    let sheet = d.sitter.as_mut().expect("a sheet");
    sheet.call.push(evil.to_owned());
    sheet.never.push(evil.to_owned());
    sheet.basis = evil.to_owned();
    let m = &mut sheet.messages[0];
    for text in [&mut m.words, &mut m.priority, &mut m.means, &mut m.time, &mut m.act, &mut m.leave] {
        *text = evil.to_owned();
    }
    m.caution = Some(evil.to_owned());
    d.history[0].rows[0][1] = evil.to_owned();
    d.energised[0].part = evil.to_owned();
    d.energised[0].trip = evil.to_owned();
    d.assumptions.push(evil.to_owned());
    d.not_modelled.push(evil.to_owned());
    for html in [render(&d), render_sitter(&d)] {
        assert!(!html.contains("<script"));
        check(&html);
    }
}

#[test]
fn steps_are_round() {
    // 1-2-5 rule; hours as on a clock.
    assert_eq!(plot::nice_step(10.0, 6), 2.0);
    assert_eq!(plot::nice_step(0.9, 6), 0.2);
    assert_eq!(plot::nice_step(350.0, 6), 100.0);
    assert_eq!(plot::time_step(63.0, 9), 12.0);
    assert_eq!(plot::time_step(6.0, 9), 1.0);
}

fn any_value() -> impl Strategy<Value = f64> {
    prop_oneof![8 => -100.0..100.0f64, 1 => Just(f64::NAN), 1 => Just(f64::INFINITY), 1 => Just(1e300), 1 => Just(0.0)]
}

/// Box of each text of a plot: x, baseline, width to the side of its anchor.
fn boxes(svg: &str) -> Vec<drawing::Rect> {
    let tree = roxmltree::Document::parse(svg).expect("well-formed");
    tree.descendants()
        .filter(|n| n.has_tag_name("text"))
        .map(|n| {
            let at = |name: &str| n.attribute(name).and_then(|v| v.parse::<f64>().ok()).expect("number");
            let w = drawing::text_width(n.text().unwrap_or(""), 12.5, false);
            let left = match n.attribute("text-anchor") {
                Some("end") => at("x") - w,
                Some("middle") => at("x") - w / 2.0,
                _ => at("x"),
            };
            drawing::Rect::new(left, at("y") - 10.0, w, 12.0)
        })
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn any_plot_is_drawn(
        lines in proptest::collection::vec((0..2usize, proptest::collection::vec((any_value(), any_value()), 0..40)), 0..6),
        limits in proptest::collection::vec((0..3usize, any_value()), 0..3),
        marks in proptest::collection::vec((any_value(), "[a-z<& ]{0,60}"), 0..6),
    ) {
        let units = ["°C", "mg/L", "<m>"];
        let plot = Plot {
            title: "any".to_owned(),
            note: String::new(),
            series: lines.into_iter().enumerate().map(|(i, (u, points))| Series {
                name: format!("line {i}"), unit: units[u].to_owned(), points,
            }).collect(),
            limits: limits.into_iter().map(|(u, value)| Limit {
                name: "limit".to_owned(), unit: units[u].to_owned(), value,
            }).collect(),
            marks: marks.into_iter().map(|(hours, text)| Mark { hours, kind: MarkKind::Break, text }).collect(),
        };
        let svg = plot::svg(&plot, "p");
        prop_assert!(!svg.contains("NaN") && !svg.contains("inf\""));
        let all = boxes(&svg);
        for (i, a) in all.iter().enumerate() {
            for b in &all[i + 1..] {
                prop_assert!(!a.overlaps(b), "{a:?} {b:?}");
            }
        }
    }

    #[test]
    fn many_points_keep_their_extremes(peak in 1..9_999usize) {
        let points = (0..10_000).map(|i| (f64::from(i) / 100.0, if i as usize == peak { 50.0 } else { 25.0 })).collect();
        let series = vec![Series { name: "t".to_owned(), unit: "°C".to_owned(), points }];
        let svg = plot::svg(&Plot { series, ..Plot::default() }, "p");
        prop_assert!(svg.len() < 60_000);
        let tree = roxmltree::Document::parse(&svg).expect("well-formed");
        let d = tree.descendants().find(|n| n.attribute("class") == Some("series s0")).and_then(|n| n.attribute("d")).expect("line");
        let ys: Vec<f64> = d.split(['M', 'L']).filter_map(|p| p.split(' ').nth(1)).filter_map(|y| y.parse().ok()).collect();
        let spread = ys.iter().copied().fold(f64::MIN, f64::max) - ys.iter().copied().fold(f64::MAX, f64::min);
        prop_assert!(spread > 100.0, "{spread}");
    }
}
