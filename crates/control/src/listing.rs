//! A program as readable text, with the names of the file and the bytes of each operation.

use std::collections::HashMap;
use std::fmt::Write;

use program::{Program, text};

/// Names of slots, by their position in the bank.
#[derive(Default)]
pub(crate) struct Names {
    pub bits: HashMap<u16, String>,
    pub numbers: HashMap<u16, String>,
}

impl Names {
    /// The name of a token such as `b12`, `!b12` or `n3`; the token itself when it has none.
    fn of(&self, token: &str) -> String {
        let (negation, slot) = match token.strip_prefix('!') {
            Some(slot) => ("!", slot),
            None => ("", token),
        };
        let bank = match slot.as_bytes().first() {
            Some(b'b') => &self.bits,
            Some(b'n') => &self.numbers,
            _ => return token.to_owned(),
        };
        let (slot, end) = match slot.strip_suffix(':') {
            Some(slot) => (slot, ":"),
            None => (slot, ""),
        };
        match slot[1..].parse().ok().and_then(|index: u16| bank.get(&index)) {
            Some(name) => format!("{negation}{name}{end}"),
            None => token.to_owned(),
        }
    }
}

/// Head, inputs, then a line for each operation: its bytes, its slot, what it does.
pub(crate) fn listing(program: &Program<'_>, names: &Names) -> String {
    let plain = text::disassemble(program);
    let mut lines = plain.lines();
    let mut out = String::new();
    let _ = writeln!(out, "{}", lines.next().unwrap_or_default());
    let starts: Vec<usize> = program.ops().map(|placed| usize::from(placed.at)).collect();
    const CHECKSUM: usize = 4;
    let end = program.bytes().len() - CHECKSUM;
    let _ = writeln!(out, "  {:>3} header and checksum", program.ops_at() + CHECKSUM);
    for input in 0..program.n_number_inputs() as u16 {
        let _ = writeln!(out, "      n{input} = input {}", names.of(&format!("n{input}")));
    }
    for input in 0..program.n_bit_inputs() as u16 {
        let slot = program::BitRef::N_BUILT_IN as u16 + input;
        let _ = writeln!(out, "      b{slot} = input {}", names.of(&format!("b{slot}")));
    }
    let mut operation = 0;
    for line in lines {
        let named = |text: &str| text.split(' ').map(|token| names.of(token)).collect::<Vec<_>>().join(" ");
        match line.trim_start().split_once(" = ") {
            Some((slot, what)) => {
                let n_bytes = starts.get(operation + 1).unwrap_or(&end) - starts[operation];
                let name = names.of(slot);
                let shown = if name == slot { String::new() } else { format!(" {name}") };
                let _ = writeln!(out, "  {n_bytes:>3} {slot}{shown} = {}", named(what));
                operation += 1;
            }
            None => {
                let _ = writeln!(out, "      {}", named(line.trim_start()));
            }
        }
    }
    out
}
