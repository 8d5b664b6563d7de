//! Cost of the twin alone, without a control program: nanoseconds a scan and lane, one lane and eight.

use std::hint::black_box;
use std::time::Instant;

use twin::{Commands, Plan, Start, Twin};

fn main() {
    let system = benches::harbour_lane();
    let plan = Plan::new(&system);
    measure::<1>(&plan, 2_000_000);
    measure::<8>(&plan, 500_000);
}

fn measure<const L: usize>(plan: &Plan, n_scans: u32) {
    let start = Start { utc_s: 1_768_348_800, local_offset_s: 0, seed: 1 };
    let mut twin: Twin<'_, L> = Twin::new(plan, start, &[None; L]);
    let running = ["return_pump", "circulation_1", "circulation_2", "air_pump", "skimmer", "heat_master"];
    let duty: Vec<[i32; L]> = (plan.system.actuators.iter())
        .map(|a| [if running.contains(&a.name.as_str()) { 1000 } else { 0 }; L])
        .collect();
    let began = Instant::now();
    for _ in 0..n_scans {
        black_box(twin.sense());
        twin.advance(Commands { duty: &duty, board: twin::lanes::all::<L>(), same: false });
    }
    let each = began.elapsed().as_secs_f64() * 1e9 / f64::from(n_scans) / L as f64;
    println!("twin alone, {L} lanes: {each:.0} ns a scan and lane");
}
