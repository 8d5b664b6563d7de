//! Harbour Lane with a stuck float, six hours in a closed loop with the twin on a simulated chip:
//! `cargo run --release -p firmware-bench --example six_hours [seconds] [chip]`.

use firmware_bench::board::smallest;
use firmware_bench::closed_loop::{Loop, Strike};
use std::path::Path;
use std::time::Instant;
use twin::Flaw;

fn main() -> Result<(), String> {
    let mut arguments = std::env::args().skip(1);
    let n_scans: u64 = arguments.next().and_then(|word| word.parse().ok()).unwrap_or(6 * 3600);
    // The smallest chip whose flash has room for the tables, unless one is named.
    let chip = match arguments.next() {
        Some(chip) => chip,
        None => smallest(&["atmega328p", "atmega2560"], 3_200)?.to_owned(),
    };
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples/harbour-lane/system.toml");
    let loaded = system::load_file(&path);
    let system = loaded.loaded.system.ok_or("the example does not load")?;
    let model = trial::Model::new(&system).map_err(|findings| format!("{findings:?}"))?;
    let float =
        system.sensors.iter().position(|sensor| sensor.name == "float_c_low").ok_or("no float_c_low")?;
    let started = Instant::now();
    let mut in_loop = Loop::new(&chip, &system, &model, 1)?;
    // The float that calls for fresh water hangs low from one sixth of the run on: it calls for ever.
    let strike =
        Strike { scan: n_scans / 6, flaw: Flaw::ContactStuck(system::model::SensorIdx(float), false) };
    let findings = in_loop.run(n_scans, &[strike], &mut |scan| {
        if (scan + 1) % 1800 == 0 {
            eprintln!("{} scans, {:.0} s", scan + 1, started.elapsed().as_secs_f64());
        }
    })?;
    println!(
        "{} scans on the simulated {chip}: inputs replayed in the reference VM give the same outputs at every scan; {} switchings, \
         farthest {} scans from the rehearsal, unmatched {:?}, {} input words other than the rehearsal's; skipped {}, longest scan {:.1} ms, free stack {} bytes, {} violations \
         of bus times; {:.0} s",
        findings.n_scans,
        findings.n_switchings,
        findings.farthest,
        findings.unmatched,
        findings.n_other_inputs,
        findings.n_skipped,
        f64::from(findings.longest_scan_ticks) * 0.064,
        findings.free_stack,
        findings.n_violations,
        started.elapsed().as_secs_f64()
    );
    Ok(())
}
