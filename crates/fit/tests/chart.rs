//! The cumulative sum against published run lengths.
//!
//! Source: Montgomery, Introduction to Statistical Quality Control, "ARL performance of the tabular CUSUM with k = 1/2 and h = 4 or h = 5" (two
//! ways), after Hawkins 1993; and his example of Siegmund's approximation, 469.1 for h = 5 (from memory).

#[path = "../src/drift/dice.rs"]
mod dice;

use dice::Dice;
use fit::drift::chart::{Chart, Design, run_length, run_length_one_way};

/// Shift of the mean in standard deviations; average run length with h = 4 and with h = 5.
const MONTGOMERY: [(f64, f64, f64); 10] = [
    (0.0, 168.0, 465.0),
    (0.25, 74.2, 139.0),
    (0.5, 26.6, 38.0),
    (0.75, 13.3, 17.0),
    (1.0, 8.38, 10.4),
    (1.5, 4.75, 5.75),
    (2.0, 3.34, 4.01),
    (2.5, 2.62, 3.11),
    (3.0, 2.19, 2.57),
    (4.0, 1.71, 2.01),
];

#[test]
fn siegmunds_approximation_is_near_the_table() {
    assert!((run_length(0.0, Design { k: 0.5, h: 5.0 }) - 469.1).abs() < 0.1);
    for (shift, of_4, of_5) in MONTGOMERY {
        for (h, wanted) in [(4.0, of_4), (5.0, of_5)] {
            if shift > 3.0 {
                continue; // A run of fewer than two samples is beyond the approximation.
            }
            let found = run_length(shift, Design { k: 0.5, h });
            // Its own error, as Montgomery's comparison has it: some percent, more where a run is of two or three samples.
            let tolerance = if shift < 2.0 { 0.04 } else { 0.15 };
            assert!(
                (found / wanted - 1.0).abs() < tolerance,
                "shift {shift}, h {h}: {found}, table {wanted}"
            );
        }
    }
    assert_eq!(run_length_one_way(0.5, Design { k: 0.5, h: 4.0 }), 5.166 * 5.166, "its limit, b²");
}

#[test]
fn the_chart_runs_as_long_as_the_table_says() {
    let mut dice = Dice::new(1);
    for (shift, of_4, of_5) in MONTGOMERY {
        for (h, wanted) in [(4.0, of_4), (5.0, of_5)] {
            let n_runs = if shift < 0.3 { 1500 } else { 4000 };
            let (mut sum, mut squares) = (0.0, 0.0);
            for _ in 0..n_runs {
                let mut chart = Chart::new(Design { k: 0.5, h });
                let run = (0..).find(|_| chart.add(dice.normal() + shift).is_some()).unwrap_or(0) + 1;
                sum += run as f64;
                squares += (run * run) as f64;
            }
            let n = f64::from(n_runs);
            let (mean, error) = (sum / n, ((squares / n - (sum / n) * (sum / n)) / n).sqrt());
            // Four standard errors, and the last digit of the table.
            let tolerance = 4.0 * error + 0.006 * wanted;
            assert!(
                (mean - wanted).abs() < tolerance,
                "shift {shift}, h {h}: {mean} ± {error}, table {wanted}"
            );
        }
    }
}

#[test]
fn a_sum_tells_where_it_left_zero() {
    let mut chart = Chart::new(Design { k: 1.0, h: 5.0 });
    assert!(chart.add(f64::NAN).is_none(), "what is no number changes nothing");
    (0..10).for_each(|_| assert!(chart.add(0.0).is_none()));
    let spoken: Vec<_> = [-4.0, -4.0].map(|z| chart.add(z)).into_iter().collect();
    assert_eq!(spoken, [None, Some((fit::drift::chart::Way::Below, 2))]);
    // It comes down when the cause is gone.
    let n = (0..20).take_while(|_| chart.add(0.0).is_some()).count();
    assert!(n < 3, "{n}");
}
