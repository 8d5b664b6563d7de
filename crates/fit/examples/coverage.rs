//! How often the truth lies inside of its 95 % interval: `cargo run --release -p fit --example coverage -- 500 [CASE]`.
//!
//! A table by parameter: trials in which the log told it, share of them with the truth inside, median half width and mean error over the
//! truth. Every share ought to lie between 90 and 99 %.

#[allow(dead_code, reason = "the tests use the rest")]
#[path = "../tests/support/mod.rs"]
mod support;

use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use support::{Case, Count, Counts, add, count};

const CASES: [Case; 3] = [
    Case { name: "harbour-lane", file: "harbour-lane/system.toml", days: 14, room: true },
    Case { name: "harbour-lane, room not measured", file: "harbour-lane/system.toml", days: 14, room: false },
    Case { name: "desk-60l", file: "desk-60l/system.toml", days: 14, room: true },
];

fn main() {
    let mut arguments = std::env::args().skip(1);
    let n: u64 = arguments.next().and_then(|n| n.parse().ok()).unwrap_or(50);
    let only = arguments.next().unwrap_or_default();
    let threads = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    for case in CASES.iter().filter(|c| c.name.contains(&only)) {
        let begin = std::time::Instant::now();
        let (next, all) = (AtomicU64::new(0), Mutex::new(Counts::new()));
        std::thread::scope(|scope| {
            for _ in 0..threads {
                scope.spawn(|| {
                    let mut mine = Counts::new();
                    loop {
                        let seed = next.fetch_add(1, Ordering::Relaxed);
                        if seed >= n {
                            break;
                        }
                        count(case, seed, &mut mine);
                    }
                    add(&mut all.lock().unwrap_or_else(std::sync::PoisonError::into_inner), mine);
                });
            }
        });
        println!("{}, {} days, {n} trials, {:.0} s", case.name, case.days, begin.elapsed().as_secs_f64());
        println!("| parameter | told | inside | median half width | mean error | its sd |");
        println!("|---|---:|---:|---:|---:|---:|");
        for ((what, part), c) in all.lock().unwrap_or_else(std::sync::PoisonError::into_inner).iter() {
            let told = c.n - c.untold;
            let mean = c.errors.iter().sum::<f64>() / told.max(1) as f64;
            let sd = (c.errors.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / told.max(2) as f64).sqrt();
            println!(
                "| {} {} | {told} of {} | {:.1} % | {:.1} % | {:+.2} % | {:.2} % |",
                what.name(),
                part.as_deref().unwrap_or(""),
                c.n,
                100.0 * c.inside as f64 / told.max(1) as f64,
                100.0 * Count::middle(&c.widths),
                100.0 * mean,
                100.0 * sd
            );
        }
    }
}
