//! Studies and replays of a text: rows as they come are those that are kept, an unchanged text is not studied twice, and what a page is
//! shown agrees with itself.

use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::AtomicBool;

use workbench::Beside;
use workbench::replay::Wanted;
use workbench::study::{Kept, NoStudy, RowView, Told, Wish};

const DESK: &str = include_str!("../../../examples/desk-60l/system.toml");

const WISH: Wish = Wish { corners: false, today: None, n_threads: 2 };

/// The example for a short absence: what matters here is the same, at a scan that takes a fifth of the time.
fn text() -> String {
    let line = DESK.lines().find(|line| line.starts_with("unattended")).expect("the example says how long");
    DESK.replace(line, "unattended = \"8 h\"").replace("scan = \"1 s\"", "scan = \"5 s\"")
}

fn never() -> AtomicBool {
    AtomicBool::new(false)
}

#[test]
fn rows_come_once_and_a_known_text_answers_from_what_is_kept() {
    let (kept, beside, text) = (Kept::default(), Beside::default(), text());
    assert!(kept.known(&text, &beside, WISH).is_none());
    let (heads, rows) = (Mutex::new(0), Mutex::new(BTreeMap::new()));
    let tell = |told: Told<'_>| match told {
        Told::Head(head) => {
            assert_eq!(head.hash, workbench::hash(&text));
            *heads.lock().expect("not poisoned") += 1;
        }
        Told::Row(row) => {
            let before = rows.lock().expect("not poisoned").insert(row.fault.clone(), row.clone());
            assert_eq!(before, None, "{} came twice", row.fault);
        }
        Told::Progress(done, total) => assert!(done <= total),
    };
    let study = kept.study(&text, &beside, WISH, &never(), &tell).expect("a study");
    let rows: BTreeMap<String, RowView> = rows.into_inner().expect("not poisoned");
    assert_eq!(heads.into_inner().expect("not poisoned"), 1);
    assert_eq!(rows.len(), study.rows.len());
    assert_eq!(rows.len(), study.head.faults.len());
    for row in &study.rows {
        assert_eq!(Some(row), rows.get(&row.fault));
        assert_eq!(row.cells.len(), study.head.requirements.len());
        assert_eq!(row.is_open(), matches!(row.verdict.as_str(), "breaks" | "help_in_time"), "{row:?}");
        assert_eq!(row.breaks.is_some(), row.cells.iter().any(|c| c.hours_left.is_some()), "{row:?}");
        for cell in &row.cells {
            assert_eq!(cell.hours_left.is_some(), cell.margin.is_some_and(|m| m < 0.0), "{row:?} {cell:?}");
        }
    }
    let known = kept.known(&text, &beside, WISH).expect("it is kept");
    assert_eq!(known, study);
    assert_eq!(kept.latest(&text, &beside), None, "it was not studied at its corners");
    // What is not the same question is not answered from it.
    assert!(kept.known(&text, &beside, Wish { today: Some(20_000), ..WISH }).is_none());
    assert!(kept.known(&text, &beside, Wish { corners: true, ..WISH }).is_none());
    assert!(kept.known(&format!("{text}\n"), &beside, WISH).is_none());
    // One row asked for alone is the row of the study.
    let worst = &study.rows[0];
    let alone = Kept::default().row(&text, &beside, WISH, &worst.fault, &never()).expect("a row");
    assert_eq!(&alone, worst);
    let told =
        kept.study(&text, &beside, WISH, &AtomicBool::new(true), &|_| {}).expect("kept, so nothing to stop");
    assert_eq!(told, study);
}

#[test]
fn a_replay_breaks_what_its_row_breaks_and_names_who_acted() {
    let (kept, beside, text) = (Kept::default(), Beside::default(), text());
    let study = kept.study(&text, &beside, WISH, &never(), &|_| {}).expect("a study");
    let row = study.rows.iter().find(|row| row.breaks.is_some()).expect("something breaks");
    let wanted = |fault: &str| Wanted {
        fault: fault.to_owned(),
        requirement: None,
        instant: None,
        corner: None,
        hours: None,
    };
    let view = kept.replay(&text, &beside, WISH, &wanted(&row.fault), &never()).expect("a replay");
    assert_eq!(view.requirement, row.breaks);
    let hours = view.breach_s.map(|s| s / 3600.0).expect("it breaks");
    assert!((hours - row.after_h.expect("it breaks")).abs() < 1e-9, "{hours} {row:?}");
    assert!(view.t.len() <= 2000 && view.signals.iter().all(|s| s.values.len() == view.t.len()));
    for vessel in &view.vessels {
        let level = view.signals.iter().find(|s| s.id == vessel.level_signal).expect("a level");
        assert_eq!(level.unit, "m");
        assert!(level.values.iter().flatten().all(|m| (0.0..2.0).contains(m)), "{}", level.id);
    }
    let broken =
        view.acts.iter().find(|act| act.what == "requirement" && Some(&act.id) == row.breaks.as_ref());
    assert_eq!(broken.map(|act| act.t_s), view.breach_s);
    assert_eq!(view.acts[0].what, "fault");
    let rule = view.acts.iter().find(|act| act.what == "rule").expect("a rule acts in hours");
    assert!(
        rule.text.contains(" = \"") || rule.text.contains("its rule") || rule.text.contains("tripped"),
        "{rule:?}"
    );
    // At another place, for so long as it is asked for.
    let night = Wanted { instant: Some("lamps-off".into()), hours: Some(1.0), ..wanted(&row.fault) };
    let view = kept.replay(&text, &beside, WISH, &night, &never()).expect("a replay");
    assert_eq!((view.instant, view.corner.as_str()), ("lamps-off", "nominal"));
    assert!(view.t.last().is_some_and(|t| *t <= 3600.0));
    for wrong in [
        wanted("nothing:at-all"),
        Wanted { requirement: Some("none".into()), ..wanted(&row.fault) },
        Wanted { instant: Some("noon".into()), ..wanted(&row.fault) },
        Wanted { instant: Some("lamps-off".into()), corner: Some("nowhere".into()), ..wanted(&row.fault) },
    ] {
        let error = kept.replay(&text, &beside, WISH, &wrong, &never()).expect_err("there is none");
        assert!(matches!(error, NoStudy::Unfit(_)), "{error:?}");
    }
}

#[test]
fn what_cannot_be_studied_says_why() {
    let (kept, beside) = (Kept::default(), Beside::default());
    let study = |text: &str| kept.study(text, &beside, WISH, &never(), &|_| {}).expect_err("no study");
    assert!(matches!(study("[["), NoStudy::Findings(findings) if !findings.is_empty()));
    assert!(matches!(study("[system]\nname = \"x\"\n"), NoStudy::Unfit(_) | NoStudy::Findings(_)));
    let stopped = kept.study(&text(), &beside, WISH, &AtomicBool::new(true), &|_| {});
    assert_eq!(stopped.err(), Some(NoStudy::Stopped));
}
