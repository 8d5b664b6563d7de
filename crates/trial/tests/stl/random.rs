//! Random formulas and traces: the monitor gives what the definitions give, to the bit.

use crate::naive::Trace;
use crate::{
    HOUR_S, SAMPLE_S, always, always_within, eventually, eventually_within, monitor, not, predicate, until,
};
use proptest::prelude::*;
use system::expr::{Comparison, Stl, StlTerm};
use system::model::TruthIdx;
use trial::stl::Monitor;

const N_TRUTHS: usize = 2;

fn comparison() -> impl Strategy<Value = Comparison> {
    prop_oneof![
        Just(Comparison::Less),
        Just(Comparison::LessEqual),
        Just(Comparison::Greater),
        Just(Comparison::GreaterEqual)
    ]
}

/// Few round values, so that equal ones meet, and any others.
fn value() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => (-3..=3_i32).prop_map(f64::from),
        4 => -3.0..3.0_f64,
    ]
}

fn sample() -> impl Strategy<Value = f64> {
    prop_oneof![40 => value(), 1 => Just(f64::NAN)]
}

fn trace(n_most: usize) -> impl Strategy<Value = Vec<Vec<f64>>> {
    prop::collection::vec(prop::collection::vec(sample(), N_TRUTHS), 1..=n_most)
}

/// Some ends lie between samples.
fn past_window() -> impl Strategy<Value = f64> {
    (1..=5_u32, prop_oneof![Just(0.0), Just(30.0)]).prop_map(|(n, more)| f64::from(n) * SAMPLE_S + more)
}

fn interval() -> impl Strategy<Value = (f64, f64)> {
    (0..=3_u32, 0..=3_u32, prop_oneof![Just(0.0), Just(30.0)]).prop_map(|(from, more, slack)| {
        let (from, to) = (f64::from(from) * SAMPLE_S, f64::from(from + more) * SAMPLE_S);
        ((from - slack).max(0.0), to + slack)
    })
}

fn term() -> impl Strategy<Value = StlTerm> {
    let truth = || (0..N_TRUTHS).prop_map(TruthIdx);
    prop_oneof![
        4 => truth().prop_map(StlTerm::Truth),
        1 => (truth(), past_window()).prop_map(|(truth, window)| StlTerm::Range(truth, window)),
        1 => (truth(), past_window()).prop_map(|(truth, window)| StlTerm::Rise(truth, window)),
        1 => (truth(), past_window()).prop_map(|(truth, window)| StlTerm::Fall(truth, window)),
        1 => (truth(), comparison(), value(), past_window())
            .prop_map(|(truth, op, constant, window)| StlTerm::Time { truth, op, constant, window }),
    ]
}

fn leaf() -> impl Strategy<Value = Stl> + Clone {
    (term(), comparison(), value())
        .prop_map(|(term, op, constant)| {
            let is_time = matches!(term, StlTerm::Time { .. });
            predicate(term, op, if is_time { (constant + 3.0) * SAMPLE_S } else { constant })
        })
        .boxed()
}

/// No operator that looks ahead.
fn instant() -> impl Strategy<Value = Stl> {
    leaf().prop_recursive(2, 6, 3, |inner| {
        prop_oneof![
            inner.clone().prop_map(not),
            prop::collection::vec(inner.clone(), 1..=3).prop_map(Stl::And),
            prop::collection::vec(inner, 1..=3).prop_map(Stl::Or),
        ]
    })
}

/// Every operator, all intervals bounded.
fn bounded() -> impl Strategy<Value = Stl> {
    leaf().prop_recursive(3, 8, 2, |inner| {
        prop_oneof![
            1 => inner.clone().prop_map(not),
            1 => prop::collection::vec(inner.clone(), 1..=2).prop_map(Stl::And),
            1 => prop::collection::vec(inner.clone(), 1..=2).prop_map(Stl::Or),
            2 => (interval(), inner.clone()).prop_map(|((from, to), of)| always_within(from, to, of)),
            2 => (interval(), inner.clone()).prop_map(|((from, to), of)| eventually_within(from, to, of)),
            2 => (interval(), inner.clone(), inner)
                .prop_map(|((from, to), left, right)| until(from, Some(to), left, right)),
        ]
    })
}

fn whole(rows: &[Vec<f64>]) -> Trace<'_> {
    Trace { rows, n_past: 0 }
}

/// What finishing now would say.
fn finished(monitor: &Monitor) -> trial::stl::Status {
    monitor.clone().finish()
}

/// Lowest over the samples that are complete.
fn lowest_complete(trace: &Trace<'_>, formula: &Stl) -> f64 {
    (0..trace.n_samples())
        .filter(|&at| trace.is_complete(formula, at))
        .map(|at| trace.robustness(formula, at))
        .fold(f64::INFINITY, f64::min)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1500))]

    /// A formula judged once: its robustness as soon as its windows are complete, and cut off before.
    #[test]
    fn judged_at_the_first_sample(formula in bounded(), rows in trace(30)) {
        let trace = whole(&rows);
        let mut monitor = monitor(&formula);
        rows.iter().for_each(|row| monitor.push(row));
        let (status, end) = (monitor.status(), finished(&monitor));
        prop_assert_eq!(end.margin.min(end.open_margin), trace.robustness(&formula, 0));
        if trace.is_complete(&formula, 0) {
            prop_assert!(status.is_final);
            prop_assert_eq!(status.margin, trace.robustness(&formula, 0));
            prop_assert_eq!(end.open_margin, f64::INFINITY);
        }
    }

    /// A formula judged at every sample.
    #[test]
    fn judged_always(formula in bounded(), rows in trace(30)) {
        let trace = whole(&rows);
        let requirement = always(formula.clone());
        let mut monitor = monitor(&requirement);
        rows.iter().for_each(|row| monitor.push(row));
        let end = finished(&monitor);
        prop_assert_eq!(end.margin, monitor.status().margin);
        prop_assert_eq!(end.margin.min(end.open_margin), trace.robustness(&requirement, 0));
        prop_assert!(end.margin <= lowest_complete(&trace, &formula));
    }

    /// What does not begin with `always` or `and` is judged for complete windows, no more and no less; and the cut ones
    /// apart from them.
    #[test]
    fn judged_for_complete_windows(
        (from, to) in interval(), left in bounded(), right in bounded(), rows in trace(40)
    ) {
        let trace = whole(&rows);
        let formula = until(from, Some(to), left, right);
        let status = {
            let mut monitor = monitor(&always(formula.clone()));
            rows.iter().for_each(|row| monitor.push(row));
            monitor.finish()
        };
        prop_assert_eq!(status.margin, lowest_complete(&trace, &formula));
        let cut = (0..rows.len())
            .filter(|&at| !trace.is_complete(&formula, at))
            .map(|at| trace.robustness(&formula, at))
            .fold(f64::INFINITY, f64::min);
        prop_assert_eq!(status.open_margin, cut);
    }

    /// For what holds again within a time, the margin is at each sample the most that any continuation can still give:
    /// nothing is known later than it could be.
    #[test]
    fn known_as_early_as_can_be((from, to) in interval(), of in instant(), rows in trace(25)) {
        for requirement in [
            always(eventually_within(from, to, of.clone())),
            always(always_within(from, to, of.clone())),
            always_within(from, to, eventually_within(from, to, of)),
        ] {
            let mut monitor = monitor(&requirement);
            let mut broken_at_s = None;
            for n in 1..=rows.len() {
                monitor.push(&rows[n - 1]);
                let bounds = whole(&rows[..n]).bounds(&requirement, 0, rows.len() + 10, false);
                prop_assert_eq!(monitor.status().margin, bounds.high);
                if bounds.high < 0.0 && broken_at_s.is_none() {
                    broken_at_s = Some((n - 1) as f64 * SAMPLE_S);
                }
                prop_assert_eq!(monitor.status().broken_at_s, broken_at_s);
            }
        }
    }

    /// To the end of the run: `eventually` and `until` and their duals.
    #[test]
    fn to_the_end_of_the_run(
        from in (0..=3_u32).prop_map(|n| f64::from(n) * SAMPLE_S),
        left in instant(), right in instant(), rows in trace(20)
    ) {
        let open = Stl::Until { from, to: None, left: Box::new(left), right: Box::new(right.clone()) };
        let ev = Stl::Eventually { from, to: None, of: Box::new(right.clone()) };
        for requirement in [open.clone(), not(open), ev, eventually(right.clone()), not(always(right))] {
            let trace = whole(&rows);
            let mut monitor = monitor(&requirement);
            rows.iter().for_each(|row| monitor.push(row));
            let bounds = trace.bounds(&requirement, 0, rows.len() + 10, false);
            prop_assert_eq!(monitor.status().margin, bounds.high);
            prop_assert!(!monitor.status().is_final);
            let is_begun = (rows.len() - 1) as f64 * SAMPLE_S >= from;
            if is_begun {
                prop_assert_eq!(monitor.finish().margin, trace.robustness(&requirement, 0));
            }
        }
    }

    /// A fork judges from its first sample on, with the past in view; copies do not touch each other; memory is reused.
    #[test]
    fn forks_and_copies(formula in bounded(), past in trace(12), future in trace(25)) {
        let requirement = always(formula);
        let mut monitor = monitor(&requirement);
        past.iter().for_each(|row| monitor.push(row));
        let mut used = monitor.clone();
        future.iter().for_each(|row| used.push(row));
        used.end_run();

        let rows: Vec<Vec<f64>> = past.iter().chain(&future).cloned().collect();
        let run = |mut monitor: Monitor| {
            future.iter().for_each(|row| monitor.push(row));
            monitor.finish()
        };
        let fork = run(monitor.warmed());
        let trace = Trace { rows: &rows, n_past: past.len() };
        prop_assert_eq!(fork.margin.min(fork.open_margin), trace.robustness(&requirement, 0));

        let straight = run(monitor.clone());
        used.clone_from(&monitor);
        prop_assert_eq!(run(used.clone()), straight);
        used.forget_verdict();
        prop_assert_eq!(run(used.clone()), fork);
        used.reset();
        rows.iter().for_each(|row| used.push(row));
        prop_assert_eq!(used.finish(), straight);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    /// Whatever the formula: never known before it can be, at the latest when all windows are complete, never taken back.
    #[test]
    fn known_in_time(formula in bounded(), rows in trace(16)) {
        let requirement = always(formula.clone());
        let mut monitor = monitor(&requirement);
        let mut before = f64::INFINITY;
        for n in 1..=rows.len() {
            monitor.push(&rows[n - 1]);
            let trace = whole(&rows[..n]);
            let margin = monitor.status().margin;
            prop_assert!(margin <= before);
            prop_assert!(margin <= lowest_complete(&trace, &formula));
            // Windows that begin after the last sample say nothing yet, so the horizon can end there.
            prop_assert!(margin >= trace.bounds(&requirement, 0, n - 1, false).high);
            prop_assert_eq!(monitor.status().broken_at_s.is_some(), margin < 0.0);
            before = margin;
        }
        prop_assert!(monitor.horizon_s() < HOUR_S);
    }
}
