//! How long a scan takes at most on an 8-bit AVR, from what each operation costs. A program is straight-line, so its bound is a sum.
//!
//! The figures are measured, not proven: the worst of each operation on a simulated ATmega328P over drawn operands, with long constants
//! and the program in EEPROM, and a margin; `data/avr-cycles.txt` says by which command. Whoever changes the VM writes it anew.

use crate::codec::Reader;
use crate::format::Program;
use crate::op::{Op, Step};

/// What each operation costs; its first lines say what the columns are.
const CYCLES: &str = include_str!("../data/avr-cycles.txt");

/// Clock of the boards that the firmware is built for.
pub const AVR_HZ: u64 = 16_000_000;

/// A force in a step of a procedure is one byte more to read; a byte of a program in EEPROM and what is done with it stays below this.
const CYCLES_PER_FORCE: u64 = 200;

/// Cycles of an operation by its code, for each item more, and its name; nothing for a code that the table lacks.
fn of_code(code: u8) -> Option<(u64, u64, &'static str)> {
    CYCLES.lines().filter(|line| !line.starts_with('#')).find_map(|line| {
        let (row, rest) = line.trim_start().split_once(' ')?;
        let (cycles, rest) = rest.trim_start().split_once(' ')?;
        let (more, name) = rest.trim_start().split_once(' ')?;
        let row = u8::from_str_radix(row.strip_prefix("0x")?, 16).ok()?;
        (row == code).then_some((cycles.parse().ok()?, more.parse().ok()?, name.trim()))
    })
}

/// Items beyond those that the table's first figure has.
fn n_more_items(op: &Op) -> u64 {
    let more = |n: usize, with: usize| n.saturating_sub(with) as u64;
    match op {
        Op::All(list) | Op::Any(list) => more(list.as_slice().len(), 2),
        Op::Probes { inputs, .. } => more(inputs.as_slice().len(), 2),
        Op::Curve { n_points, .. } => more((*n_points).into(), 2),
        Op::Procedure { n_steps, .. } => more((*n_steps).into(), 1),
        _ => 0,
    }
}

fn n_forces(program: &Program<'_>, op: &Op) -> u64 {
    let Op::Procedure { n_steps, at, .. } = op else { return 0 };
    let mut reader: Reader<'_> = program.reader((*at).into());
    let mut n = 0;
    for _ in 0..*n_steps {
        let Ok(step) = Step::read(&mut reader) else { return n };
        n += u64::from(step.n_forces);
        for _ in 0..step.n_forces {
            let _ = reader.byte();
        }
    }
    n
}

/// What takes time in one scan, in order: the scan itself, then each operation, by name with its cycles at most. An operation that the
/// table lacks takes `u64::MAX`: nothing is known then.
pub fn each_of_scan<'a>(program: &'a Program<'a>) -> impl Iterator<Item = (&'static str, u64)> + 'a {
    let cost = |code: u8| of_code(code).unwrap_or((u64::MAX, 0, "unknown operation"));
    let (first, _, name) = cost(0);
    let operations = program.ops().map(move |placed| {
        let code = program.bytes().get(usize::from(placed.at)).map_or(0xFF, |head| head & 0x3F);
        let (first, more, name) = cost(code);
        // Wide slots are a byte more each; at most half of what an operation costs is reading its operands.
        let first = if program.is_wide() { first.saturating_add(first / 2) } else { first };
        let cycles = first
            .saturating_add(more * n_more_items(&placed.op))
            .saturating_add(CYCLES_PER_FORCE * n_forces(program, &placed.op));
        (name, cycles)
    });
    core::iter::once((name, first)).chain(operations)
}

/// Cycles of one scan at most; `u64::MAX` where nothing is known.
pub fn scan_cycles(program: &Program<'_>) -> u64 {
    each_of_scan(program).fold(0, |sum, (_, cycles)| sum.saturating_add(cycles))
}

/// The same in µs at [`AVR_HZ`].
pub fn scan_microseconds(program: &Program<'_>) -> u64 {
    scan_cycles(program).saturating_mul(1_000) / (AVR_HZ / 1_000)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::generate::program;

    #[test]
    fn every_operation_has_its_figure() {
        for seed in 0..300 {
            let bytes = program(seed);
            let cycles = scan_cycles(&Program::validate(&bytes).unwrap());
            assert!((1_000..10_000_000).contains(&cycles), "seed {seed}: {cycles}");
        }
    }

    #[test]
    fn more_of_a_list_costs_more() {
        let (_, more, name) = of_code(0x05).unwrap();
        assert_eq!((more > 0, name), (true, "all"));
        assert_eq!(of_code(0x3F), None);
    }
}
