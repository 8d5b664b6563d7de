//! Measures nanoseconds a scan and a lane: `cargo run --release -p program --example scan_speed`.
#![allow(clippy::unwrap_used)]

#[path = "../tests/common/mod.rs"]
mod common;

use program::machine::{Decoded, Machine};
use program::quality::{Quality, Sample};
use program::{Program, text};
use std::time::Instant;

const N_SCANS: u32 = 4_000_000;

fn measure<const L: usize>(program: &Program<'_>) {
    let mut machine = Machine::<L>::new(Decoded::new(program));
    for lane in 0..L {
        for bit in 0..7 {
            machine.set_bit(bit, lane, false, Quality::Good);
        }
        for (input, value) in [25_000, 25_000, 25_000, 8_200, 30_000, 3_000].into_iter().enumerate() {
            machine.set_number(input, lane, Sample::good(value));
        }
    }
    let start = Instant::now();
    let mut n_on = 0_i64;
    for k in 0..N_SCANS {
        for lane in 0..L {
            machine.set_clock(lane, Some(800_000_000 + k));
        }
        // Temperature drifts to and fro, the top-off float calls now and then.
        let wave = ((k / 4) % 2_000) as i32;
        for input in 0..3 {
            let (values, _) = machine.number_input(input).unwrap();
            *values = [24_500 + wave; L];
        }
        *machine.bit_input(0).unwrap() = [u8::from(k / 700 % 5 == 0); L];
        machine.scan();
        n_on += i64::from(machine.output(4, 0));
    }
    let ns = start.elapsed().as_nanos() as f64 / f64::from(N_SCANS);
    println!(
        "{L:>2} lanes: {ns:7.1} ns a scan, {:6.1} ns a scan and lane, a year of 1 s scans {:5.2} s a lane ({n_on})",
        ns / L as f64,
        ns / L as f64 * 31.536e6 / 1e9
    );
}

fn main() {
    let bytes = common::harbour();
    let program = Program::validate(&bytes).unwrap();
    println!("{}", text::disassemble(&program));
    println!("{:?}", program.sizes());
    measure::<1>(&program);
    measure::<4>(&program);
    measure::<8>(&program);
    measure::<16>(&program);
    measure::<32>(&program);
}
