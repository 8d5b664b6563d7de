//! The VM in C gives the bits of the reference: a fast part of what `examples/differential.rs` runs long.
#![allow(clippy::unwrap_used)]

use firmware_host::Runtime;
use firmware_host::differential::{Coverage, damage, put, run};
use program::Program;
use program::generate::{inputs, program};
use program::machine::{Decoded, Machine};

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

/// Milliseconds in 32 bits last 24.9 days with a sign and 49.7 without. Scans of 10 s come past both; inputs change, and then stand
/// still for longer than any delay of most programs lasts.
#[test]
fn nothing_wraps_in_fifty_days_of_running() {
    const PERIOD_MS: i32 = 10_000;
    const N_SCANS: u32 = (1_u64 << 32).div_ceil(PERIOD_MS as u64) as u32 + 2_000;
    let mut runtime = Runtime::lock();
    let is_slow = |bytes: &Vec<u8>| {
        Program::validate(bytes)
            .is_ok_and(|program| program.period_ms() == PERIOD_MS && program.sizes().n_ops < 30)
    };
    for (seed, bytes) in (0..).map(|seed| (seed, program(seed))).filter(|(_, bytes)| is_slow(bytes)).take(3) {
        let reference = Program::validate(&bytes).unwrap();
        runtime.pretend_wiring(reference.wiring_crc());
        let mut machine = Machine::<1>::new(Decoded::new(&reference));
        let mut loaded = runtime.load(&bytes).unwrap();
        for k in 0..N_SCANS {
            if k % 5_000 < 20 {
                let mut inputs = inputs(seed, k, &reference);
                inputs.restarts = false;
                inputs.clock_s = None;
                inputs.apply(&mut machine, 0);
                put(&inputs, &mut loaded).unwrap();
            }
            machine.scan();
            assert!(loaded.scan());
            if k % 5_000 < 40 || k % 97 == 0 {
                assert_eq!(machine.lane_words(0), loaded.words(), "seed {seed}, scan {k}");
            }
        }
    }
}

/// Bytes that change beneath a running program (a failing cell of its memory) stop it, and nothing leaves the pool: the sanitizers
/// watch this test too.
#[test]
fn a_program_that_changes_while_it_runs_stops_or_stays_within() {
    let mut runtime = Runtime::lock();
    let mut n_stopped = 0;
    for seed in 0..600 {
        let bytes = program(seed);
        runtime.pretend_wiring(Program::validate(&bytes).unwrap().wiring_crc());
        for at in (13..bytes.len() - 4).step_by(7) {
            let changing: Vec<std::cell::Cell<u8>> =
                bytes.iter().map(|byte| std::cell::Cell::new(*byte)).collect();
            let mut loaded = runtime.load_changing(&changing).unwrap();
            assert!(loaded.scan());
            changing[at].set(changing[at].get() ^ 1 << (seed % 8));
            n_stopped += u32::from(!loaded.scan());
        }
    }
    assert!(n_stopped > 1_000, "{n_stopped}");
}
