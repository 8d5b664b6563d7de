//! How often the tests of drift speak without a cause, and how long they take when there is one: years of the library's reef on the twin under made-up
//! weather. `cargo run --release -p fit --example drift`; add the years without trouble (20) and the days of each trouble (30).

#[path = "../tests/tank/mod.rs"]
mod tank;

use std::collections::BTreeMap;

use fit::drift::{Course, Drift};
use tank::{DAY_H, Tank, Trouble};

/// Days before a trouble begins.
const LEARN_DAYS: u32 = 34;
const RUNS: usize = 16;

fn name(course: &Course) -> String {
    format!("{} of {}", course.quantity.id(), course.part)
}

fn all(course: &Course) -> impl Iterator<Item = &Drift> {
    course.past.iter().chain(&course.drift)
}

fn main() {
    let mut args = std::env::args().skip(1).filter_map(|a| a.parse::<f64>().ok());
    let (years, days) = (args.next().unwrap_or(20.0), args.next().unwrap_or(30.0) as u32);
    let system = tank::system();
    let model = trial::rehearse::model(&system).expect("the example compiles");
    quiet(&model, years);
    troubled(&model, days);
}

/// Longest run: later the tank of software, whose chemistry nobody tests and doses, is truly not what it was (its pH swings wider).
const LONGEST_DAYS: u32 = 230;

/// False words, samples that were judged, largest spread and correlation, by room and quantity.
type Counts = BTreeMap<(bool, String), (usize, usize, f64, f64)>;

fn quiet(model: &trial::Model, years: f64) {
    let begun = std::time::Instant::now();
    let days = (years * 365.25 / RUNS as f64).ceil() as u32;
    let batches = days.div_ceil(LONGEST_DAYS);
    let each = days.div_ceil(batches);
    let mut counts = Counts::new();
    for batch in 0..batches {
        let mut tank = Tank::new(model, 1 + u64::from(batch), vec![(Trouble::None, 0); RUNS]);
        tank.run_hours(each * DAY_H);
        for (is_room_known, l) in [false, true].into_iter().flat_map(|room| (0..RUNS).map(move |l| (room, l)))
        {
            for course in tank.courses(l, is_room_known, &[]) {
                let entry = counts.entry((is_room_known, name(&course))).or_default();
                entry.0 += all(&course).count();
                entry.1 += course.points.iter().filter(|p| p.expected.is_some()).count();
                if let Some(learned) = course.learned {
                    entry.2 = entry.2.max(learned.spread);
                    entry.3 = entry.3.max(learned.rho);
                }
            }
        }
    }
    let years = f64::from(each * batches) * RUNS as f64 / 365.25;
    println!(
        "Without trouble, {years:.1} years in {} runs of {each} days ({:.0} s):",
        RUNS * batches as usize,
        begun.elapsed().as_secs_f64()
    );
    for room in [false, true] {
        let of_room: Vec<_> = counts.iter().filter(|((is_known, _), _)| *is_known == room).collect();
        println!("  room {}", if room { "measured" } else { "not measured" });
        for ((_, name), (n, samples, spread, rho)) in &of_room {
            println!(
                "    {name:<32} {:.2} false a year ({n}); {samples} samples judged; largest spread {:.1} %, correlation {rho:.2}",
                *n as f64 / years,
                spread * 100.0
            );
        }
        let whole: usize = of_room.iter().map(|(_, of)| of.0).sum();
        println!("    all: {:.2} false a year", whole as f64 / years);
    }
}

fn troubled(model: &trial::Model, days: u32) {
    let kinds = [
        Trouble::Clog,
        Trouble::SlowClog,
        Trouble::WeakHeater,
        Trouble::Loss(1.5),
        Trouble::Loss(3.0),
        Trouble::NoSkimmer,
    ];
    for trouble in kinds {
        // Other weather, and another hour of the day, for each run.
        let at = |l: u32| LEARN_DAYS * DAY_H + l * 5 % 24;
        let mut tank = Tank::new(model, 77, (0..RUNS as u32).map(|l| (trouble, at(l))).collect());
        tank.run_hours((LEARN_DAYS + days) * DAY_H);
        println!("\n{trouble:?}, {RUNS} runs, followed for {days} days:");
        for is_room_known in [false, true] {
            let mut found: BTreeMap<String, Vec<f64>> = BTreeMap::new();
            for l in 0..RUNS {
                let struck_ms = tank.struck_ms(l);
                for course in tank.courses(l, is_room_known, &[]) {
                    if let Some(first) = all(&course).find(|d| d.found_ms > struck_ms) {
                        let hours = (first.found_ms - struck_ms) as f64 / 3.6e6;
                        found.entry(name(&course)).or_default().push(hours);
                    }
                }
            }
            for (name, mut hours) in found {
                hours.sort_by(f64::total_cmp);
                println!(
                    "  room {:<12} {name:<32} {} of {RUNS}: {:.0} to {:.0} h, median {:.0} h",
                    if is_room_known { "measured" } else { "not measured" },
                    hours.len(),
                    hours[0],
                    hours[hours.len() - 1],
                    hours[hours.len() / 2]
                );
            }
        }
    }
}
