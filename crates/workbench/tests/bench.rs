//! Mends, comparisons, the guided form, the library, wiring and program: each against the examples and by what must agree with what.

use std::collections::BTreeSet;
use std::sync::Mutex;
use std::sync::atomic::AtomicBool;

use serde_json::{Map, Value, json};
use workbench::look::look;
use workbench::mending::{Mend, Told};
use workbench::start::{questions, start};
use workbench::study::{Kept, NoStudy, Wish};
use workbench::{Beside, boards, parts};

const MENDED: &str = include_str!("../../../examples/harbour-lane/system.toml");
const DRAFT: &str = include_str!("../../../examples/harbour-lane/first-draft.toml");

const WISH: Wish = Wish { corners: false, today: None, n_threads: 2 };

/// The beginner's design for a short absence, at a scan that takes a fifth of the time.
fn draft() -> String {
    let line = DRAFT.lines().find(|line| line.starts_with("unattended")).expect("the example says how long");
    DRAFT.replace(line, "unattended = \"3 h\"").replace("scan = \"1 s\"", "scan = \"5 s\"")
}

fn mends(fault: &str, requirement: Option<&str>) -> Vec<Mend> {
    let (kept, beside) = (Kept::default(), Beside::default());
    let all = Mutex::new(vec![]);
    let tell = |told: Told<'_>| {
        if let Told::Mend(mend) = told {
            all.lock().expect("not poisoned").push(mend.clone());
        }
    };
    let text = draft();
    let sum = kept
        .mends(&text, &beside, WISH, fault, requirement, &AtomicBool::new(false), &tell)
        .expect("mends that can be tried");
    let all = all.into_inner().expect("not poisoned");
    assert_eq!(sum.tried, all.len());
    assert_eq!(sum.closing, all.iter().filter(|mend| mend.closes).count());
    for mend in &all {
        // What a page makes of the edits is the text that was tried.
        let done = look(&text, &mend.edits, &beside);
        assert_eq!(done.refused, None, "{}", mend.id);
        assert!(done.sheet.is_some(), "{}", mend.id);
        assert!(!mend.text.is_empty() && !mend.sentence.is_empty() && !mend.verdict.is_empty());
        assert!(mend.closes || mend.rows_worse.is_none());
    }
    all
}

#[test]
fn a_stuck_float_is_mended_by_what_the_trade_mends_it_with() {
    // The beginner's float calls for ever: 300 L/h of limewater from 70 L (the example's estimate: salinity out in 6 min, floor after).
    let all = mends("float_c:stuck-down", None);
    let find =
        |id: &str| all.iter().find(|mend| mend.id == id).unwrap_or_else(|| panic!("no {id} in {all:#?}"));
    // A pump so slow that three hours bring less than two litres harms nothing, nor does a float in series that water reaches.
    assert!(find("slower-pump").closes, "{:#?}", find("slower-pump"));
    let float = find("second-float");
    assert!(float.closes, "{float:#?}");
    assert_eq!(float.parts.len(), 1);
    assert!(float.channels == 1 && float.bytes > 0, "{float:#?}");
    assert_eq!(float.price, None, "the example has no prices");
    assert!(find("slower-pump").parts.is_empty() && find("slower-pump").channels == 0);
}

#[test]
fn a_higher_siphon_break_mends_the_power_cut() {
    // By the example's estimate 10.6 L are on the floor at every stop of the return.
    let all = mends("return_pump:dead", Some("floor"));
    let hole = all.iter().find(|mend| mend.id == "higher-siphon-break").expect("it is tried");
    assert!(hole.closes, "{hole:#?}");
    assert!(hole.parts.is_empty() && hole.bytes == 0);
}

#[test]
fn mends_of_nothing_say_so() {
    let (kept, beside, text) = (Kept::default(), Beside::default(), draft());
    let try_it = |fault: &str, requirement: Option<&str>| {
        kept.mends(&text, &beside, WISH, fault, requirement, &AtomicBool::new(false), &|_| {})
    };
    assert!(matches!(try_it("no:such", None), Err(NoStudy::Unfit(_))));
    assert!(matches!(try_it("heater:dead", Some("none")), Err(NoStudy::Unfit(_))));
}

#[test]
fn a_comparison_with_itself_finds_nothing_and_with_another_what_differs() {
    let (kept, beside) = (Kept::default(), Beside::default());
    let same = kept.compare(MENDED, MENDED, &beside, WISH);
    assert!(same.findings.only_a.is_empty() && same.findings.only_b.is_empty() && same.figures.is_empty());
    assert_eq!(same.rows, None, "nothing was studied");
    let both = kept.compare(DRAFT, MENDED, &beside, WISH);
    assert!(both.findings.only_a.iter().any(|f| f.severity == "error"));
    let drain = both.figures.iter().find(|f| f.id == "drain-down").expect("it differs");
    // The example's estimate: 71.6 L against 11.4 L (tolerance: heads rounded to a millimetre).
    assert!(
        (drain.a.expect("a") - 71.6).abs() < 1.5 && (drain.b.expect("b") - 11.4).abs() < 1.5,
        "{drain:?}"
    );
    let broken = kept.compare("[[", MENDED, &beside, WISH);
    assert!(!broken.findings.only_a.is_empty());
    let (a, b) = (draft(), draft().replace("flow = \"300 L/h\"", "flow = \"1 L/h\""));
    for text in [&a, &b] {
        kept.study(text, &beside, WISH, &AtomicBool::new(false), &|_| {}).expect("a study");
    }
    let studied = kept.compare(&a, &b, &beside, WISH);
    let rows = studied.rows.expect("both were studied");
    assert!(rows.iter().any(|r| r.fault == "float_c:stuck-down" && r.a != r.b), "{rows:#?}");
    assert!(kept.compare(&a, &a, &beside, WISH).rows.is_some_and(|rows| rows.is_empty()));
}

#[test]
fn the_form_makes_a_file_that_reads_whatever_is_answered() {
    let none = start(&Map::new()).expect("the usual");
    let (system, _) = workbench::look::findings(&none, &Beside::default());
    assert!(system.is_some());
    let fields: Vec<_> = questions().into_iter().flat_map(|group| group.fields).collect();
    let ids: BTreeSet<&str> = fields.iter().map(|field| field.id).collect();
    assert_eq!(ids.len(), fields.len());
    // Every default is an answer, and the same as none.
    let all: Map<String, Value> = (fields.iter())
        .filter(|field| field.id != "heater_watts")
        .map(|field| (field.id.to_owned(), field.default.clone()))
        .collect();
    assert_eq!(start(&all).expect("the defaults"), none);
    for field in &fields {
        for wrong in
            [json!(null), json!([]), json!({}), json!("nonsense\n"), json!(-1.0), json!(1e300), json!(true)]
        {
            let one: Map<String, Value> = [(field.id.to_owned(), wrong)].into_iter().collect();
            match start(&one) {
                Ok(text) => {
                    let (system, found) = workbench::look::findings(&text, &Beside::default());
                    assert!(system.is_some(), "{field:?}: {found:?}");
                }
                Err(why) => assert!(why.contains(field.id), "{why}"),
            }
        }
    }
    let us: Map<String, Value> = [
        ("display_length".to_owned(), json!("36 in")),
        ("sump".to_owned(), json!(false)),
        ("mains_volts".to_owned(), json!(120)),
    ]
    .into_iter()
    .collect();
    assert!(start(&us).expect("inches").contains("914 mm"), "36 in are 914.4 mm");
    let other: Map<String, Value> = [("colour".to_owned(), json!("blue"))].into_iter().collect();
    assert!(start(&other).expect_err("no such question").contains("colour"));
}

#[test]
fn the_library_and_the_board_are_told_whole() {
    let beside = Beside::default();
    let all = parts::parts(&beside.library);
    let float = all.iter().find(|part| part.id == "float").expect("floats");
    assert_eq!(float.kind, "sensor");
    assert!(float.modes.iter().any(|mode| mode.id == "stuck-up"));
    assert!(all.iter().flat_map(|part| &part.figures).all(|figure| !figure.source.is_empty()));
    let system = beside.load(MENDED).system.expect("the example");
    let compiled = control::compile(&system).expect("compiles");
    let program = boards::program(&system, MENDED, &beside, &compiled, "x".to_owned());
    assert_eq!(program.bytes, compiled.bytes.len());
    assert_eq!(program.capacity, Some(320));
    assert_eq!(program.rules.len(), system.rules.len());
    let heater = program.rules.iter().find(|rule| rule.id == "heater_sump").expect("a rule");
    assert!(heater.text.contains("start = \"sump_temp < 25.2 degC\"\n"), "{}", heater.text);
    let of_rules: usize = program.rules.iter().filter_map(|rule| rule.bytes).sum();
    assert!(of_rules > 0 && of_rules < program.bytes, "{of_rules} of {}", program.bytes);
    let wiring = boards::wiring(&system, MENDED);
    assert!(wiring.svg.is_some_and(|svg| svg.contains("<svg")) && wiring.sheets.len() > 1);
    assert!(!wiring.runs.is_empty() && !wiring.cautions.is_empty());
}

#[test]
fn an_expectation_is_a_day_that_repeats_between_its_corners() {
    const DESK: &str = include_str!("../../../examples/desk-60l/system.toml");
    let (kept, beside) = (Kept::default(), Beside::default());
    let wish = Wish { corners: true, ..WISH };
    let day_ms = 86_400_000;
    let from = 1_768_348_800_000; // 2026-01-14 00:00 UTC
    let expected = |signal: &str, from: i64, to: i64| {
        kept.expected(DESK, &beside, wish, signal, from, to, &AtomicBool::new(false))
    };
    let one = expected("display.temperature", from, from + day_ms).expect("an expectation");
    assert!(one.t.len() > 100 && one.t.len() <= 601);
    for ((value, low), high) in one.values.iter().zip(&one.low).zip(&one.high) {
        let (value, low, high) = (value.expect("good"), low.expect("good"), high.expect("good"));
        assert!(low <= value && value <= high, "{low} {value} {high}");
        assert!((20.0..32.0).contains(&value), "{value}");
    }
    // The same hours a week later are the same, but where the clocks change.
    let week = expected("display.temperature", from + 7 * day_ms, from + 8 * day_ms).expect("an expectation");
    assert_eq!(one.values, week.values);
    assert!(matches!(expected("nothing", from, from + 1), Err(NoStudy::Unfit(_))));
    for (a, b) in [(i64::MIN, i64::MAX), (0, 0), (i64::MAX, i64::MAX)] {
        assert!(expected("display.temperature", a, b).is_ok());
    }
}
