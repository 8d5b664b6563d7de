//! The C virtual machine on the simulated ATmega328P gives the same bits as the reference; the long run is
//! `cargo run --release -p firmware-bench --example chip_differential -- 10000`.

use firmware_bench::vm::{self, VmChip};

/// Says why a test does nothing here.
fn chip() -> Option<VmChip> {
    if let Err(reason) = firmware_bench::chip::simulator().and(vm::image()) {
        eprintln!("left out: {reason}");
        return None;
    }
    Some(VmChip::start().unwrap_or_else(|error| panic!("{error}")))
}

#[test]
fn generated_programs_give_the_same_bits_on_the_chip() {
    let Some(mut chip) = chip() else { return };
    let (mut n_run, mut n_too_large) = (0, 0);
    for seed in 0..200 {
        let outcome = chip.compare(seed, 12).unwrap_or_else(|error| panic!("{error}"));
        n_run += u32::from(!outcome.is_too_large);
        n_too_large += u32::from(outcome.is_too_large);
    }
    assert!(n_run >= 120, "{n_run} ran, {n_too_large} too large for the chip's memory");
}
