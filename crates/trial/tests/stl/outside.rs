//! Against rtamt 0.4.10, a library by others (tests/reference/stl/make_reference.py), to the bit.

use crate::{always, always_within, at_least, at_most, eventually_within, judge, monitor, not, truth, until};
use checks::Table;
use system::expr::{Comparison, Stl};

/// A time of the reference formulas, which count in samples.
fn samples(n: u32) -> f64 {
    f64::from(n) * crate::SAMPLE_S
}

fn ev(from: u32, to: u32, of: Stl) -> Stl {
    eventually_within(samples(from), samples(to), of)
}

fn al(from: u32, to: u32, of: Stl) -> Stl {
    always_within(samples(from), samples(to), of)
}

fn un(from: u32, to: u32, left: Stl, right: Stl) -> Stl {
    until(samples(from), Some(samples(to)), left, right)
}

/// The formula of that name, as the table's column `formula` has it. Truths: x, y, x - y.
fn formula(name: &str) -> Stl {
    let y_most = |c| truth(1, Comparison::LessEqual, c);
    let y_least = |c| truth(1, Comparison::GreaterEqual, c);
    match name {
        "hot" => ev(0, 4, at_most(29.5)),
        "cold" => ev(0, 6, at_least(24.5)),
        "later" => ev(2, 5, at_least(26.0)),
        "stays" => al(1, 3, truth(2, Comparison::GreaterEqual, 0.0)),
        "exactly" => ev(3, 3, at_most(28.0)),
        "response" => Stl::Or(vec![at_most(27.0), ev(0, 3, y_least(26.0))]),
        "both" => Stl::And(vec![at_least(23.0), ev(1, 7, y_most(26.0))]),
        "settles" => ev(0, 5, al(0, 2, at_most(27.0))),
        "recovers" => al(0, 2, ev(1, 4, y_least(25.5))),
        "until" => un(0, 5, at_least(24.0), y_least(26.0)),
        "until_later" => un(2, 6, at_least(23.5), y_least(26.0)),
        "until_late_only" => un(4, 4, at_least(23.5), y_least(25.0)),
        "release" => not(un(1, 4, at_least(24.0), y_most(26.0))),
        "until_nested" => un(1, 5, ev(0, 2, at_least(25.0)), al(0, 3, y_most(28.0))),
        "eventually_until" => ev(1, 3, un(0, 4, at_most(28.0), y_most(25.0))),
        "negated" => not(Stl::And(vec![ev(0, 3, at_least(27.0)), al(2, 4, y_most(27.0))])),
        _ => panic!("robustness.csv has a formula `{name}` that this test does not know"),
    }
}

#[test]
fn robustness_is_that_of_rtamt() {
    let traces = Table::load("stl/traces");
    let reference = Table::load("stl/robustness");
    assert_eq!(reference.n_rows(), 16 * 6);
    for row in reference.rows() {
        let rows: Vec<[f64; 3]> = traces
            .rows_where("trace", row.str("trace"))
            .iter()
            .map(|sample| [sample.f64("x"), sample.f64("y"), sample.f64("x") - sample.f64("y")])
            .collect();
        let formula = formula(row.str("name"));
        let run = |formula: &Stl| {
            let mut monitor = monitor(formula);
            rows.iter().for_each(|row| monitor.push(row));
            monitor.finish()
        };

        let at_first = run(&formula);
        assert!(at_first.is_final, "{}", row.place());
        assert_eq!(at_first.margin, row.f64("at_first"), "{}", row.place());

        let whole = run(&always(formula));
        assert_eq!(whole.margin.min(whole.open_margin), row.f64("always"), "{}", row.place());
        // Outermost `and` and `always` are judged part by part, so more of them counts as complete.
        if matches!(row.str("name"), "both" | "stays" | "recovers") {
            assert!(whole.margin <= row.f64("lowest_complete"), "{}", row.place());
        } else {
            assert_eq!(whole.margin, row.f64("lowest_complete"), "{}", row.place());
            assert_eq!(whole.open_margin, row.f64("lowest_cut"), "{}", row.place());
        }
    }
}

/// The classic request and grant: each request is granted within 3. From memory, the standing example of the literature on
/// response properties (`G (r -> F[0,3] g)`); the values by hand.
#[test]
fn request_and_grant() {
    let response = always(Stl::Or(vec![
        not(truth(0, Comparison::GreaterEqual, 3.0)),
        ev(0, 3, truth(1, Comparison::GreaterEqual, 2.0)),
    ]));
    let mut monitor = monitor(&response);
    // The request at sample 1 stands 2 above its threshold; the best grant of samples 1 to 4 misses its own by 0.5.
    for row in [[0.0, 0.0], [5.0, 1.0], [0.0, 1.5], [0.0, 0.0], [0.0, 0.5]] {
        monitor.push(&row);
    }
    let status = monitor.status();
    assert_eq!((status.margin, status.broken_at_s), (-0.5, Some(samples(4))));
    assert_eq!(judge(&at_most(1.0), [0.25]).margin, 0.75);
}
