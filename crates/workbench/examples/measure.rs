//! Measures the claims of docs/design-api.md on the main example: `cargo run --release -p workbench --example measure`.

use std::sync::atomic::AtomicBool;
use std::time::Instant;

use workbench::Beside;
use workbench::edit::Edit;
use workbench::look::look;
use workbench::replay::Wanted;
use workbench::study::{Kept, Told, Wish};

const TEXT: &str = include_str!("../../../examples/harbour-lane/system.toml");
const RUNS: usize = 40;

/// Least and median, ms: on a machine that does other things too the least is what it takes.
fn measured(mut run: impl FnMut()) -> (f64, f64) {
    let mut all: Vec<f64> = (0..RUNS)
        .map(|_| {
            let began = Instant::now();
            run();
            began.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    all.sort_by(f64::total_cmp);
    (all[0], all[RUNS / 2])
}

fn main() {
    let (beside, stop) = (Beside::default(), AtomicBool::new(false));
    let tell = |what: &str, (least, median): (f64, f64)| {
        println!("{what:<24} least {least:6.1} ms, median {median:6.1} ms");
    };
    tell("look", measured(|| drop(look(TEXT, &[], &beside))));
    let drag = [Edit::Set {
        path: "sensor.float_c_high".to_owned(),
        key: "high".to_owned(),
        value: "219 mm".into(),
    }];
    tell("look after a drag", measured(|| drop(look(TEXT, &drag, &beside))));
    if let Some(system) = beside.load(TEXT).system {
        tell("  of it reading", measured(|| drop(beside.load(TEXT))));
        tell("  of it the audit", measured(|| drop(audit::run(&system))));
        tell("    of it electrics", measured(|| drop(electrics::check(&system, None))));
        tell("  of it the compiler", measured(|| drop(control::compile(&system))));
        let audit = audit::run(&system);
        let title = drawing::TitleBlock::default();
        tell("  of it the section", measured(|| drop(workbench::section::sheet(&system, &audit, &title))));
    }
    if std::env::args().nth(1).as_deref() == Some("look") {
        return;
    }
    let kept = Kept::default();
    let wish = Wish { corners: true, today: None, n_threads: 0 };
    let began = Instant::now();
    if let Err(error) = kept.settled(TEXT, &beside, true, &stop) {
        println!("{error}");
        return;
    }
    println!("settling                 {:6.2} s", began.elapsed().as_secs_f64());
    let began = Instant::now();
    let first = std::sync::Mutex::new(None);
    let tell = |told: Told<'_>| {
        if let (Told::Row(_), Ok(mut first)) = (told, first.lock()) {
            first.get_or_insert_with(|| began.elapsed().as_secs_f64());
        }
    };
    match kept.study(TEXT, &beside, wish, &stop, &tell) {
        Ok(study) => {
            let first = first.into_inner().ok().flatten().unwrap_or_default();
            println!(
                "study                    {:6.2} s for {} rows, the first after {first:.2} s",
                began.elapsed().as_secs_f64(),
                study.rows.len()
            );
        }
        Err(error) => println!("{error}"),
    }
    let wanted = Wanted {
        fault: "drain:blocked".to_owned(),
        requirement: None,
        instant: None,
        corner: None,
        hours: None,
    };
    let began = Instant::now();
    match kept.replay(TEXT, &beside, wish, &wanted, &stop) {
        Ok(view) => println!(
            "replay                   {:6.2} s, {} points, {} acts",
            began.elapsed().as_secs_f64(),
            view.t.len(),
            view.acts.len()
        ),
        Err(error) => println!("{error}"),
    }
}
