//! Scratch look at the open-loop twin.
use twin::{Commands, Plan, Start, Twin};
fn main() {
    let text = std::fs::read_to_string("examples/harbour-lane/system.toml").expect("file");
    let loaded = system::load(&text);
    for d in &loaded.diagnostics { println!("{:?} {} {}", d.level, d.id, d.message); }
    let Some(s) = loaded.system else { return };
    let plan = Plan::new(&s);
    let start = Start { utc_s: 1_768_521_600, local_offset_s: 0, seed: 1 };
    let mut twin: Twin<'_, 1> = Twin::new(&plan, start, &[None]);
    let n = s.actuators.len();
    let mut duty = vec![[0; 1]; n];
    for (i, a) in s.actuators.iter().enumerate() {
        if ["return_pump", "circulation_1", "circulation_2", "air_pump", "skimmer", "heat_master"].contains(&a.name.as_str()) { duty[i] = [1000]; }
    }
    let off: usize = s.actuators.iter().position(|a| a.name == "return_pump").expect("pump");
    for k in 0..7200u64 {
        if k == 3600 { duty[off] = [0]; }
        let _ = twin.sense();
        twin.advance(Commands { duty: &duty, board: 1 });
        if [1, 10, 60, 600, 3599, 3605, 3620, 3660, 3900, 7199].contains(&k) || (5000..5012).contains(&k) {
            print!("{k:6} ");
            for (i, v) in s.vessels.iter().enumerate() {
                let l = twin.truth(system::model::TruthKind::Level(system::model::VesselIdx(i)));
                print!("{}={:.1} ", v.name, l[0] * 1000.0);
            }
            println!("T={:.3} S={:.3} O2={:.2} pH={:.3} spill={}", twin.truth(system::model::TruthKind::Temperature(system::model::VesselIdx(0)))[0],
              twin.truth(system::model::TruthKind::Salinity(system::model::VesselIdx(0)))[0],
              twin.truth(system::model::TruthKind::Oxygen(system::model::VesselIdx(0)))[0],
              twin.truth(system::model::TruthKind::Ph(system::model::VesselIdx(0)))[0], twin.spilled()[0]);
        }
    }
    println!("{:?}", twin.books(0));
    // speed
    let t = std::time::Instant::now();
    let n = 1_000_000u64;
    for _ in 0..n { let _ = twin.sense(); twin.advance(Commands { duty: &duty, board: 1 }); }
    println!("1 lane: {:.1} ns/scan", t.elapsed().as_secs_f64() * 1e9 / n as f64);
    let mut twin: Twin<'_, 8> = Twin::new(&plan, start, &[None; 8]);
    let duty8: Vec<[i32; 8]> = duty.iter().map(|d| [d[0]; 8]).collect();
    let t = std::time::Instant::now();
    let n = 200_000u64;
    for _ in 0..n { let _ = twin.sense(); twin.advance(Commands { duty: &duty8, board: 0xff }); }
    println!("8 lanes: {:.1} ns/scan/lane", t.elapsed().as_secs_f64() * 1e9 / n as f64 / 8.0);
}
