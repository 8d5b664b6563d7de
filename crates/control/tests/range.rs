//! Range analysis against runs: no slot ever leaves the interval that is claimed for it, over generated programs that use every
//! operation; and what could saturate is named.

#![allow(clippy::unwrap_used)]

use control::range::{Interval, analyse};
use program::assembler::Header;
use program::codec::MAX_DURATION_MS;
use program::generate::{Draw, inputs, program};
use program::machine::Decoded;
use program::op::{Arithmetic, Op};
use program::quality::{Quality, Sample};
use program::zone::Zone;
use program::{Assembler, Machine, NumRef, Program};

const LONGEST_PERIOD_MS: i32 = 10_000;

/// Runs a program with inputs of the given reach and looks at every number slot after each scan.
fn stays_within(seed: u64, reach: i32) {
    let bytes = program(seed);
    let program = Program::validate(&bytes).unwrap();
    let declared: Vec<(i32, i32)> = (0..program.n_number_inputs())
        .map(|input| (-reach, if input % 2 == 0 { reach } else { reach / 3 }))
        .collect();
    let ranges = analyse(&program, &declared);
    let mut machine = Machine::<1>::new(Decoded::new(&program));
    let mut draw = Draw::new(seed ^ 0x5EED);
    for scan in 0..150 {
        inputs(seed, scan, &program).apply(&mut machine, 0);
        for (input, (low, high)) in declared.iter().enumerate() {
            let width = (i64::from(*high) - i64::from(*low)) as u64 + 1;
            let value = (i64::from(*low) + (draw.next_word() % width) as i64) as i32;
            let sample = match draw.below(6) {
                0 => Sample::BAD,
                1 => Sample { value: *low, quality: Quality::Good },
                2 => Sample { value: *high, quality: Quality::Uncertain },
                _ => Sample { value, quality: Quality::Good },
            };
            machine.set_number(input, 0, sample);
        }
        machine.scan();
        for (slot, interval) in ranges.numbers.iter().enumerate() {
            let value = i64::from(machine.number(NumRef(slot as u16), 0).value);
            assert!(
                (interval.low..=interval.high).contains(&value),
                "seed {seed} scan {scan}: n{slot} = {value}, not within {interval:?}\n{}",
                program::text::disassemble(&program)
            );
        }
    }
}

#[test]
fn no_slot_leaves_its_interval() {
    for seed in 0..400 {
        for reach in [40_000, 3_000_000, i32::MAX] {
            stays_within(seed, reach);
        }
    }
}

fn header(n_number_inputs: u8) -> Header {
    Header {
        wiring_crc: 0,
        period_ms: 1_000,
        n_number_inputs,
        n_bit_inputs: 0,
        longest_hand_ms: 0,
        zone: Zone::UTC,
        wide: false,
    }
}

#[test]
fn what_could_saturate_is_named() {
    let mut assembler = Assembler::new(header(2));
    let (a, b) = (NumRef(0), NumRef(1));
    assembler.number(Op::Arithmetic { kind: Arithmetic::Sum, a, b });
    let c = assembler.number(Op::Arithmetic { kind: Arithmetic::Difference, a, b });
    assembler.number(Op::Scale { input: c, multiplier: 3_600, divisor: 1, offset: 0 });
    assembler.number(Op::Lag { input: a, time_ms: 1_000 });
    let bytes = assembler.finish().unwrap();
    let program = Program::validate(&bytes).unwrap();
    let unproven = |low, high| -> Vec<usize> {
        analyse(&program, &[(low, high), (low, high)]).unproven.iter().map(|unproven| unproven.op).collect()
    };
    assert!(unproven(0, 60_000).is_empty(), "temperatures");
    assert_eq!(unproven(0, 600_000), [2], "0.6 km: the scaled difference leaves 32 bits");
    assert_eq!(unproven(-1_100_000_000, 1_100_000_000), [0, 1, 2, 3], "everything");
    let sum = analyse(&program, &[(5, 10), (-3, 7)]).numbers[2];
    assert_eq!(sum, Interval { low: -3, high: 17 }, "a bad input is 0, so 0 belongs to each");
}

/// The bounds that the format gives to what is kept inside operations (see the head of `range`).
#[test]
fn states_inside_operations_cannot_wrap() {
    const UNITS_PER_PERIOD: i64 = LONGEST_PERIOD_MS as i64 / 250;
    assert!(MAX_DURATION_MS.checked_add(LONGEST_PERIOD_MS).is_some(), "a timer and one period");
    assert!(50_000_000 * UNITS_PER_PERIOD + 240_000 <= i64::from(i32::MAX), "flow of a scan and a remainder");
    let longest_units = i64::from(MAX_DURATION_MS) / 250;
    assert!(16_777_215 * UNITS_PER_PERIOD + longest_units <= i64::from(i32::MAX), "lag");
    assert!(10_000_000 * UNITS_PER_PERIOD + longest_units <= i64::from(i32::MAX), "modulation");
}
