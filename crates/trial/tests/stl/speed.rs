//! What a sample costs, in the amount that a failure analysis needs: `cargo test --release -p trial --test stl -- --ignored
//! --nocapture`.

use crate::{HOUR_S, MINUTE_S, SAMPLE_S, always, eventually_within, monitor, predicate, truth};
use std::time::Instant;
use system::expr::{Comparison, Stl, StlTerm};
use system::model::TruthIdx;
use trial::stl::Monitor;

const N_RUN: usize = 63 * 60;
const N_RUNS: usize = 40;

/// Twenty as they ship: nine durations, six limits, four swings, one time.
fn requirements() -> Vec<Stl> {
    let most = |idx, c| truth(idx, Comparison::LessEqual, c);
    let within = |to: f64, of| always(eventually_within(0.0, to, of));
    let windowed = |term| always(predicate(term, Comparison::LessEqual, 3.0));
    let x = TruthIdx(0);
    let mut all = vec![];
    all.extend([2.0, 6.0, 1.0, 4.0, 24.0].map(|hours| within(hours * HOUR_S, most(0, 26.0))));
    all.extend([0, 1, 2].map(|idx| within(MINUTE_S, most(idx, 0.5))));
    all.push(within(30.0 * MINUTE_S, most(1, 0.5)));
    all.extend([0, 1, 2, 0, 1, 2].map(|idx| always(most(idx, 26.0))));
    all.extend([
        windowed(StlTerm::Range(x, HOUR_S)),
        windowed(StlTerm::Range(x, 24.0 * HOUR_S)),
        windowed(StlTerm::Range(TruthIdx(2), 24.0 * HOUR_S)),
        windowed(StlTerm::Rise(x, 24.0 * HOUR_S)),
        windowed(StlTerm::Time { truth: x, op: Comparison::Less, constant: 26.0, window: 24.0 * HOUR_S }),
    ]);
    all
}

/// A daily wave with ripple, a switch, a drift.
fn rows() -> Vec<[f64; 3]> {
    (0..N_RUN)
        .map(|sample| {
            let minute = sample as f64;
            let ripple = f64::from(((sample * 7919) % 101) as u32) / 500.0;
            [26.0 + libm::sin(minute / 230.0) + ripple, ((sample / 45) % 2) as f64, 35.0 - minute / 9000.0]
        })
        .collect()
}

#[test]
#[ignore = "prints timings, asserts nothing about them"]
fn nanoseconds_a_sample() {
    let (requirements, rows) = (requirements(), rows());
    let warm = |formula: &Stl| {
        let mut monitor = monitor(formula);
        rows.iter().take(1441).for_each(|row| monitor.push(row));
        monitor
    };
    let prototypes: Vec<Monitor> = requirements.iter().map(warm).collect();
    let mut used = prototypes.clone();
    // The quickest of all runs, so that a busy machine does not count.
    let [mut fork_s, mut push_s, mut finish_s] = [f64::INFINITY; 3];
    let mut sum = 0.0;
    for _ in 0..N_RUNS {
        let begin = Instant::now();
        used.clone_from(&prototypes);
        used.iter_mut().for_each(Monitor::forget_verdict);
        fork_s = begin.elapsed().as_secs_f64().min(fork_s);

        let begin = Instant::now();
        for row in &rows {
            used.iter_mut().for_each(|monitor| monitor.push(row));
        }
        push_s = begin.elapsed().as_secs_f64().min(push_s);

        let begin = Instant::now();
        sum += used.iter_mut().map(|monitor| monitor.end_run().margin).sum::<f64>();
        finish_s = begin.elapsed().as_secs_f64().min(finish_s);
    }
    let n_monitors = requirements.len() as f64;
    println!("{} requirements, {N_RUN} samples of {SAMPLE_S} s, sum of margins {sum}", requirements.len());
    println!("push   {:8.1} ns a sample and requirement", push_s * 1e9 / n_monitors / N_RUN as f64);
    println!("fork   {:8.1} us a requirement", fork_s * 1e6 / n_monitors);
    println!("finish {:8.1} us a requirement", finish_s * 1e6 / n_monitors);
}
