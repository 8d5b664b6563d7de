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

/// Median and largest, ms.
fn measured(mut run: impl FnMut()) -> (f64, f64) {
    let mut all: Vec<f64> = (0..RUNS)
        .map(|_| {
            let began = Instant::now();
            run();
            began.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    all.sort_by(f64::total_cmp);
    (all[RUNS / 2], all[RUNS - 1])
}

fn main() {
    let (beside, stop) = (Beside::default(), AtomicBool::new(false));
    let (median, most) = measured(|| drop(look(TEXT, &[], &beside)));
    println!("look                     median {median:6.1} ms, at most {most:6.1} ms");
    let drag = [Edit::Set {
        path: "sensor.float_c_high".to_owned(),
        key: "high".to_owned(),
        value: "219 mm".into(),
    }];
    let (median, most) = measured(|| drop(look(TEXT, &drag, &beside)));
    println!("look after a drag        median {median:6.1} ms, at most {most:6.1} ms");
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
