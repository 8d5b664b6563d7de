//! The VM in C gives the bits of the reference: a fast part of what `examples/differential.rs` runs long.
#![allow(clippy::unwrap_used)]

use firmware_host::Runtime;
use firmware_host::differential::{Coverage, damage, run};

const N_SCANS: u32 = 60;

#[test]
fn generated_programs_give_the_same_bits() {
    let mut runtime = Runtime::lock();
    let mut coverage = Coverage::default();
    for seed in 0..1_500 {
        run(&mut runtime, seed, N_SCANS, &mut coverage).unwrap();
    }
}

#[test]
fn damaged_programs_get_the_same_verdict() {
    let mut runtime = Runtime::lock();
    let mut coverage = Coverage::default();
    for seed in 0..20_000 {
        damage(&mut runtime, seed, &mut coverage).unwrap();
    }
    let n_kinds = coverage.verdicts.iter().filter(|n| **n > 0).count();
    assert!(n_kinds >= 16, "few kinds of damage: {:?}", coverage.verdicts);
}
