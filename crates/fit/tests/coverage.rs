//! Whether intervals hold what they say, in small: lives of a desk tank with parameters, weather and probes drawn by chance, fitted.
//! `examples/coverage.rs` is the large form (500 trials of three cases).

mod support;

use fit::Quantity;
use support::{Case, Count, Counts, add, count};

const CASE: Case = Case { name: "desk-60l", file: "desk-60l/system.toml", days: 9, room: true };
const TRIALS: u64 = 32;

/// Counts all trials on two threads.
fn all() -> Counts {
    let half = |first: u64| {
        let mut counts = Counts::new();
        (first..TRIALS).step_by(2).for_each(|seed| count(&CASE, seed, &mut counts));
        counts
    };
    let (mut one, two) = std::thread::scope(|scope| {
        let other = scope.spawn(|| half(1));
        (half(0), other.join().expect("the trials end"))
    });
    add(&mut one, two);
    one
}

#[test]
fn the_truth_lies_inside_and_the_intervals_are_narrow_enough_to_say_something() {
    let counts = all();
    // What is told at least, of the trials, and how narrow: half of the width over the truth (median). Measured over 500 trials of 14 days
    // with the large form; a heater of two hardly runs in a mild week.
    let wanted = [
        (Quantity::Evaporation, None, 0.8, 0.25),
        (Quantity::WallLoss, None, 0.9, 0.22),
        (Quantity::HeaterPower, Some("heater_1"), 0.6, 0.08),
        (Quantity::ProbeLag, Some("temp_1"), 0.6, 1.6),
    ];
    for (what, part, told, narrow) in wanted {
        let c = &counts[&(what, part.map(str::to_owned))];
        let n = c.n - c.untold;
        assert!(n as f64 >= told * TRIALS as f64, "{}, {what:?}: told in {n} of {TRIALS}", CASE.name);
        // Of 95 % coverage fewer than 81 % of 20 to 32 trials come in less than one set of a hundred (binomial distribution).
        assert!(c.inside as f64 >= 0.81 * n as f64, "{what:?}: inside in {} of {n}", c.inside);
        let half = Count::middle(&c.widths);
        assert!(half < narrow, "{what:?}: half width {half}");
    }
    // Nothing shows gas exchange here, and it is said so rather than made up.
    assert_eq!(counts[&(Quantity::GasExchange, None)].untold as u64, TRIALS);
}
