//! A change is weighed: rows that get worse are named with their hours, what is not required any more is said, and what cannot be studied is an
//! answer.

use std::sync::Mutex;
use std::sync::atomic::AtomicBool;

use workbench::Beside;
use workbench::revision::RowTurn;
use workbench::study::{Kept, Wish};
use workbench::weigh::{ALL, REQUIREMENT, Stage, Told, Weighed};

const NOMINAL: Wish = Wish { corners: false, today: None, n_threads: 0 };
const CORNERS: Wish = Wish { corners: true, ..NOMINAL };

fn text() -> String {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/systems/quarantine.toml");
    std::fs::read_to_string(path).expect("a system")
}

/// Without the trip by the second probe nothing holds a heater whose own probe has fallen out.
fn bolder(text: &str) -> String {
    let bolder = text
        .replace("trip = \"second_temp > 27 degC\"\n", "")
        .replace("trip_reset = \"3 per day below 26 degC\"\n", "");
    assert!(bolder.len() + 60 < text.len(), "the system has such a trip");
    bolder
}

fn weigh(kept: &Kept, runs: &str, next: &str, wish: Wish) -> (Weighed, Vec<String>) {
    let told = Mutex::new(vec![]);
    let tell = |what: Told<'_>| {
        let line = match what {
            Told::Begins(stage, is_next) => {
                format!("{} {}", stage.word(), if is_next { "next" } else { "runs" })
            }
            Told::Worse(stage, row) => format!("{} worse {}", stage.word(), row.fault),
            Told::Progress(..) => return,
        };
        told.lock().expect("no panic").push(line);
    };
    let stop = AtomicBool::new(false);
    let weighed = kept.weigh(runs, next, &Beside::default(), wish, &stop, &tell).expect("it can be studied");
    (weighed, told.into_inner().expect("no panic"))
}

#[test]
fn rows_that_get_worse_are_named_with_hours_before_and_after() {
    let (kept, runs) = (Kept::default(), text());
    let next = bolder(&runs);
    assert_eq!(kept.weighed(&runs, &next, &Beside::default(), NOMINAL), None, "nothing was studied");
    let (weighed, told) = weigh(&kept, &runs, &next, NOMINAL);
    let worse: Vec<&RowTurn> = weighed.worse().collect();
    // It broke a swing before, which the trip ended; now it cooks as well. That is worse, whatever the row is told for.
    let fallen =
        worse.iter().find(|row| row.fault == "water_temp:fallen-out").expect("the fallen probe cooks");
    let hot = fallen.cells.iter().find(|cell| cell.requirement == "hot").expect("it breaks `hot`");
    assert!(hot.before.is_none() && hot.after.is_some_and(|hours| hours < 3.0), "{hot:?}");
    assert!(!fallen.description.is_empty() && fallen.wants_reason(), "{fallen:?}");
    assert_eq!(told[..2], ["whole runs", "whole next"]);
    let mut named: Vec<String> = worse.iter().map(|row| format!("whole worse {}", row.fault)).collect();
    let mut said = told[2..].to_vec();
    named.sort();
    said.sort();
    assert_eq!(named, said, "each is told once, as soon as it is known");
    // What was studied is known, and carried over when a station begins anew.
    let anew = Kept::default();
    anew.take_over(&kept);
    assert_eq!(kept.weighed(&runs, &next, &Beside::default(), NOMINAL), None);
    assert_eq!(anew.weighed(&runs, &next, &Beside::default(), NOMINAL), Some(weighed));
    // The way back mends that, but a second probe that is silent stops the heater again.
    let (back, _) = weigh(&anew, &next, &runs, NOMINAL);
    let opened: Vec<&str> = back.worse().map(|row| row.fault.as_str()).collect();
    assert_eq!(opened, ["second_temp:open", "second_temp:shorted"]);
    let same = runs.replace("when = \"second_temp > 27 degC\"", "when = \"not (second_temp <= 27 degC)\"");
    assert_ne!(same, runs);
    assert_eq!(weigh(&anew, &runs, &same, NOMINAL).0, Weighed::Rows(vec![]));
}

/// Nominal conditions first; what counts comes from all.
#[test]
fn what_takes_long_begins_with_nominal_conditions() {
    let with_corner = |text: &str| format!("{text}\n[[corner]]\nname = \"windy\"\nevaporation = 1.2\n");
    let runs = with_corner(&text());
    let (_, told) = weigh(&Kept::default(), &runs, &bolder(&runs), CORNERS);
    let begins: Vec<&String> = told.iter().filter(|line| !line.contains("worse")).collect();
    assert_eq!(begins, ["nominal runs", "nominal next", "whole runs", "whole next"]);
    assert!(told.iter().any(|line| line.starts_with("nominal worse")));
    assert!(told.iter().any(|line| line.starts_with(Stage::Whole.word()) && line.contains("worse")));
}

#[test]
fn what_is_required_no_more_and_what_cannot_be_studied_wants_an_answer() {
    let (kept, runs) = (Kept::default(), text());
    let without = runs.replace("defaults = true", "defaults = true\nwithout = [\"hot\"]");
    let (weighed, _) = weigh(&kept, &runs, &without, NOMINAL);
    assert_eq!(weighed.rows()[0].fault, format!("{REQUIREMENT}hot"), "{weighed:?}");
    let board_alone = "[system]\nname = \"A board\"\n";
    let (weighed, told) = weigh(&kept, &runs, board_alone, NOMINAL);
    let faults: Vec<&str> = weighed.worse().map(|row| row.fault.as_str()).collect();
    assert_eq!((faults, told.len()), (vec![ALL], 1));
    let (weighed, _) = weigh(&kept, board_alone, &runs, NOMINAL);
    let Weighed::NotComparable(why) = weighed else { panic!("{weighed:?}") };
    assert!(why.contains("vessel"), "{why}");
}
