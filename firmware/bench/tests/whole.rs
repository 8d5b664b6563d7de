//! Whole systems and long lives, in short: the closed loop with the twin and power cuts. The long runs are the examples `six_hours` and
//! `power_cuts`.

use firmware_bench::board::smallest;
use firmware_bench::closed_loop::{Loop, Strike};
use firmware_bench::power::Victim;
use std::path::Path;

const CHIPS: [&str; 2] = ["atmega328p", "atmega2560"];

fn chip(n_tables: usize) -> Option<&'static str> {
    match firmware_bench::chip::simulator().and_then(|_| smallest(&CHIPS, n_tables)) {
        Ok(chip) => Some(chip),
        Err(reason) => {
            eprintln!("left out: {reason}");
            None
        }
    }
}

#[test]
fn harbour_lane_runs_in_a_loop_with_its_twin_as_it_was_rehearsed() {
    let Some(chip) = chip(3_200) else { return };
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples/harbour-lane/system.toml");
    let system = system::load_file(&path).loaded.system.expect("the example loads");
    let model = trial::Model::new(&system).expect("its rules compile");
    let float = system.sensors.iter().position(|sensor| sensor.name == "float_c_low").expect("its float");
    let flaw = twin::Flaw::ContactStuck(system::model::SensorIdx(float), false);
    let mut in_loop = Loop::new(chip, &system, &model, 1).expect("a board in a loop");
    // Five minutes; the float hangs from the second on. The loop itself holds logged inputs against the reference VM.
    let findings = in_loop.run(300, &[Strike { scan: 60, flaw }], &mut |_| {}).expect("no scan differs");
    assert_eq!(findings.n_scans, 300);
    assert!(findings.farthest <= 1, "{findings:?}");
    assert!(findings.unmatched.is_empty(), "{findings:?}");
    assert_eq!((findings.n_skipped, findings.n_violations), (0, 0), "{findings:?}");
}

#[test]
fn a_board_whose_power_goes_boots_into_what_was_said_to_stand() {
    let Some(chip) = chip(300) else { return };
    let toll = Victim::new(chip, 5).expect("a board").suffer(25, &mut |_| {}).expect("nothing is lost");
    assert_eq!(toll.n_cuts, 25);
    assert!(toll.n_events > 0 && toll.n_torn > 0, "{toll:?}");
}

#[test]
fn an_upload_that_is_cut_leaves_the_old_program_or_the_new_one() {
    let Some(chip) = chip(300) else { return };
    let mut victim = Victim::new(chip, 6).expect("a board");
    // Of all bytes, some of its beginning, middle and end; a byte each of old, erased, new and noise.
    for (n_bytes, torn) in [(1, 3), (40, 1), (77, 0), (110, 2), (118, 3), (124, 1), (130, 3)] {
        victim.cut_upload(n_bytes, torn).expect("a program runs");
    }
}
