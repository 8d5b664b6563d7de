//! Generated programs on the simulated ATmega328P against the reference:
//! `cargo run --release -p firmware-bench --example chip_differential -- 10000 [scans of each] [first seed]`.

use firmware_bench::vm::VmChip;
use std::time::Instant;

fn main() -> Result<(), String> {
    let mut arguments = std::env::args().skip(1).map(|word| word.parse::<u64>());
    let mut next = |usual: u64| arguments.next().and_then(|number| number.ok()).unwrap_or(usual);
    let (n_programs, n_scans, first) = (next(10_000), next(20), next(0));
    let started = Instant::now();
    let (mut n_run, mut n_too_large, mut n_all_scans, mut longest) = (0u64, 0u64, 0u64, 0u64);
    let mut chip = VmChip::start()?;
    let mut seed = first;
    while n_run < n_programs {
        let outcome = chip.compare(seed, n_scans as u32)?;
        if outcome.is_too_large {
            n_too_large += 1;
        } else {
            n_run += 1;
            n_all_scans += u64::from(outcome.n_scans);
            longest = longest.max(outcome.longest_scan);
        }
        seed += 1;
        if n_run % 500 == 0 && !outcome.is_too_large {
            eprintln!("{n_run} programs, {:.0} s", started.elapsed().as_secs_f64());
        }
    }
    println!(
        "{n_run} programs, {n_all_scans} scans on the simulated ATmega328P: the same bits as the reference ({n_too_large} more \
         were too large for its memory); longest scan {longest} cycles, {:.2} ms at 16 MHz; {:.0} s",
        longest as f64 / 16_000.0,
        started.elapsed().as_secs_f64()
    );
    Ok(())
}
