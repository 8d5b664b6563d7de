//! A study that tells its rows as they come, one that is stopped, and the replay of a run: all are the plain study, bit for bit.

use std::collections::BTreeSet;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use trial::replay::{self, Act, Wish};
use trial::{Fmea, NoFmea, Options, Row, Settled, Wanted, Watch, run_settled};

use crate::small::{TEXT, fmea, model, read};

/// Every instant and a corner, one risk taken.
fn text() -> String {
    format!(
        "{TEXT}\n[[corner]]\nname = \"dry\"\nevaporation = 1.4\n\n[[accepted]]\npart = \"heater\"\nmode = \"welded\"\n\
         requirement = \"*\"\nreason = \"a test\"\nminimum_time = \"0 s\"\nprocedure = \"none\"\nreview = \"2090-01-01\"\n"
    )
}

const WANTED: Wanted = Wanted { one_instant: false, nominal_only: false };

fn options() -> Options {
    Options { wanted: WANTED, n_threads: 2, ..Options::default() }
}

fn settled() -> Settled {
    Settled::new(model(&read(&text())), 1, WANTED, &AtomicBool::new(false)).expect("settles")
}

fn written(rows: &[Row]) -> BTreeSet<String> {
    rows.iter().map(|row| format!("{row:?}")).collect()
}

fn plain() -> Fmea {
    fmea(&read(&text()), &options())
}

#[test]
fn rows_that_come_one_by_one_are_those_of_the_plain_study() {
    let plain = plain();
    let (settled, rows) = (settled(), Mutex::new(vec![]));
    let (n_at_first, n_done) = (AtomicUsize::new(usize::MAX), AtomicUsize::new(0));
    let watch = Watch {
        progress: &|done, _| n_done.store(done, Ordering::Relaxed),
        row: &|row| {
            if !row.outcomes.is_empty() && n_done.load(Ordering::Relaxed) > 0 {
                n_at_first.fetch_min(n_done.load(Ordering::Relaxed), Ordering::Relaxed);
            }
            rows.lock().expect("not poisoned").push(row.clone());
        },
        stop: &AtomicBool::new(false),
    };
    let told = run_settled(&settled, &options(), &watch).expect("judged");
    let rows = rows.into_inner().expect("not poisoned");
    assert_eq!(rows.len(), plain.rows.len());
    assert_eq!(written(&rows), written(&plain.rows), "rows as they came");
    let order = |fmea: &Fmea| fmea.rows.iter().map(|row| format!("{row:?}")).collect::<Vec<_>>();
    assert_eq!(order(&told), order(&plain), "rows at the end, with their order");
    assert_eq!(told.effort, plain.effort);
    assert_eq!(told.baseline, plain.baseline);
    assert_eq!(format!("{:?}", told.acceptance_findings), format!("{:?}", plain.acceptance_findings));
    assert!(told.rows.iter().any(|row| row.accepted.is_some()), "the test takes a risk");
    // The first rows are there before half of the runs are done.
    let total = usize::try_from(told.effort.n_runs).expect("small");
    assert!(n_at_first.load(Ordering::Relaxed) < total / 2, "{n_at_first:?} of {total}");
}

#[test]
fn a_study_that_is_told_to_stop_stops() {
    let stop = AtomicBool::new(true);
    let never = Settled::new(model(&read(&text())), 1, WANTED, &stop);
    assert_eq!(never.err(), Some(NoFmea::Stopped));
    let settled = settled();
    stop.store(false, Ordering::Relaxed);
    let n = AtomicUsize::new(0);
    let watch = Watch {
        progress: &|_, _| stop.store(true, Ordering::Relaxed),
        row: &|_| {
            n.fetch_add(1, Ordering::Relaxed);
        },
        stop: &stop,
    };
    assert_eq!(run_settled(&settled, &options(), &watch).err(), Some(NoFmea::Stopped));
    assert!(n.load(Ordering::Relaxed) < settled.places().len() * 1000);
}

#[test]
fn a_replay_is_the_run_of_the_study() {
    let (plain, settled) = (plain(), settled());
    let faults = trial::derive(settled.model().system());
    let wish = Wish { window_s: plain.window_s, n_points: 100, only_truths: false };
    let stop = AtomicBool::new(false);
    let mut n_trips = 0;
    for row in plain.rows.iter().filter(|row| ["heater", "float_low", "mains"].contains(&row.part.as_str())) {
        let fault =
            faults.iter().find(|f| f.part == row.part && f.mode == row.mode).expect("the row's fault");
        for (place, outcome) in plain.places.iter().zip(&row.outcomes) {
            let replay = replay::run(&settled, Some(fault), *place, wish, &stop).expect("replays");
            assert_eq!(&replay.outcome, outcome, "{}:{} at {place:?}", row.part, row.mode);
            assert!(replay.times.len() <= 100 && replay.times.len() > 50, "{}", replay.times.len());
            assert!(replay.series.iter().all(|(_, values)| values.len() == replay.times.len()));
            assert!(replay.times.windows(2).all(|t| (t[1] - t[0] - replay.step_s).abs() < 1e-6));
            assert!(replay.acts.windows(2).all(|acts| acts[0].0 <= acts[1].0));
            for ran in &replay.ran {
                assert!(ran.iter().all(|(from, to)| from < to), "{ran:?}");
                assert!(ran.windows(2).all(|two| two[0].1 <= two[1].0), "{ran:?}");
            }
            // A trip that the judge saw at its minute is told at its scan, at most a minute before.
            for (a, tripped) in outcome.tripped_at_s.iter().enumerate() {
                let Some(judged_s) = tripped else { continue };
                let acted = replay.acts.iter().find_map(|(t, act)| match act {
                    Act::Trip { actuator, is_tripped: true, .. } if actuator.idx() == a => Some(*t),
                    _ => None,
                });
                let acted = acted.expect("the trip is among the acts");
                assert!(acted <= *judged_s && judged_s - acted <= trial::SAMPLE_S, "{acted} {judged_s}");
                n_trips += 1;
            }
        }
    }
    for (place, outcome) in plain.places.iter().zip(&plain.baseline) {
        let replay = replay::run(&settled, None, *place, wish, &stop).expect("replays");
        assert_eq!(&replay.outcome, outcome, "without a fault at {place:?}");
    }
    assert!(n_trips > 0, "no fault of the small tank trips anything");
}
