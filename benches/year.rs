//! One simulated year of Harbour Lane, twin and control program, 1 s scans, on one core. `YEAR_DAYS` shortens it.

use std::time::Instant;

use trial::{Model, Rig, start};

fn main() {
    let days: f64 = std::env::var("YEAR_DAYS").ok().and_then(|d| d.parse().ok()).unwrap_or(365.0);
    let system = benches::harbour_lane();
    let model = match Model::new(&system) {
        Ok(model) => model,
        Err(findings) => return eprintln!("the example does not compile: {findings:?}"),
    };
    let mut rig: Rig<'_, 1> = Rig::new(&model, start(&model, 1), &[None]);
    let n_scans = (days * 86_400.0 / model.plan.scan_s()) as u64;
    let day = (86_400.0 / model.plan.scan_s()) as u64;
    let began = Instant::now();
    while rig.twin().scan() < n_scans {
        // Volunteers fill the reservoirs daily; otherwise the year would be one of an empty return chamber.
        rig.twin_mut().fill_reservoirs(0);
        let next = (rig.twin().scan() + day).min(n_scans);
        rig.run_to(next);
    }
    let seconds = began.elapsed().as_secs_f64();
    println!(
        "{days:.0} simulated days in {seconds:.2} s: {:.0} ns a scan, a year in {:.1} s",
        seconds * 1e9 / n_scans as f64,
        seconds * 365.0 / days
    );
}
