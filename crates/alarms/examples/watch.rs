//! Runs the checks on weeks of the library's reef: without a fault at nominal and at each corner (false alarms), and with faults (how long
//! until they are found). `cargo run --release -p alarms --example watch`; add a number of days (60).

#[path = "../tests/tank/mod.rs"]
mod tank;

use alarms::watch::Check;
use tank::{DAY_H, Tank};

/// Days before the faults strike.
const LEARN_DAYS: u32 = 32;

fn main() {
    let days: u32 = std::env::args().nth(1).and_then(|a| a.parse().ok()).unwrap_or(60);
    let system = tank::system("harbour-lane/system.toml");
    let model = tank::model(&system);
    let begun = std::time::Instant::now();
    let mut corners = Tank::<5>::new(&model, &[None, Some(0), Some(1), Some(2), Some(3)]);
    corners.run_hours(days * DAY_H);
    println!("Without a fault, {days} days ({:.0} s):", begun.elapsed().as_secs_f64());
    let names = tank::places(&system);
    for (l, name) in names.iter().enumerate() {
        for (room, watched) in [("not measured", &corners.blind[l]), ("measured", &corners.warm[l])] {
            let counts = watched.counts(i64::MIN);
            let n: usize = counts.values().sum();
            println!("  {name:<14} room {room:<14} {n} alarms");
            for (alarm, n) in counts {
                let text = watched.book.alarm(&alarm).map_or("", |v| v.definition.text.as_str());
                println!("      {n} x {alarm}, the last: {text}");
            }
        }
    }
    corners.outage(6);
    println!("\nAfter an outage of 6 h:");
    for (l, name) in names.iter().enumerate() {
        println!("  {name:<14} {}", corners.warm[l].says(Check::BatteryAgeing));
    }
    let faults = tank::faults(&system);
    let begun = std::time::Instant::now();
    let mut struck = Tank::<16>::new(&model, &[None; 16]);
    struck.run_hours(LEARN_DAYS * DAY_H + 10);
    let at_ms = struck.now_ms();
    struck.strike(&faults);
    struck.run_hours(days.saturating_sub(LEARN_DAYS) * DAY_H);
    println!(
        "\nFaults after {LEARN_DAYS} days ({:.0} s); hours until found, without and with a room thermometer:",
        begun.elapsed().as_secs_f64()
    );
    for (l, fault) in faults.iter().enumerate() {
        let found = |watched: &tank::Watched| {
            let all = watched.announced(at_ms);
            let own = fault.found(&all).map_or("-".to_owned(), |h| format!("{h:.1}"));
            let others: Vec<String> = (all.iter())
                .filter(|(id, _)| !fault.is_own(id))
                .map(|(id, h)| format!("{} {h:.0} h", id.trim_start_matches("station/")))
                .collect();
            (own, others.join(", "))
        };
        let (blind, warm) = (found(&struck.blind[l]), found(&struck.warm[l]));
        println!(
            "  {:<34} {:<28} {:>6} {:>6} (within {:>3.0} {:>3.0})  {}",
            fault.name, fault.wanted, blind.0, warm.0, fault.within_h[0], fault.within_h[1], warm.1
        );
    }
    let n = 1_000_000;
    let watch = &mut struck.warm[0].watch;
    let readings = vec![alarms::watch::Reading { raw: 25_000, is_bad: false }; watch.layout().signals.len()];
    let duties = vec![1.0f32; watch.layout().drives.len()];
    let begun = std::time::Instant::now();
    for i in 1..=n {
        watch.record(&alarms::watch::Record {
            at_ms: at_ms + 1_000_000_000_000 + i * 1000,
            readings: &readings,
            duties: &duties,
            in_procedure: false,
            is_water_changed: false,
        });
    }
    let size = serde_json::to_string(watch).map_or(0, |text| text.len());
    println!(
        "\nA record of {} signals and {} drives costs {:.0} ns; the memory of a board is {} kB as JSON.",
        readings.len(),
        duties.len(),
        begun.elapsed().as_secs_f64() * 1e9 / n as f64,
        size / 1000
    );
}
