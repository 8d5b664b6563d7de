//! Measures each operation on the simulated ATmega328P and writes the table that bounds scan times:
//! `cargo run --release -p firmware-bench --example avr_cycles -- crates/program/data/avr-cycles.txt`.

use firmware_bench::cycles::{MARGIN_PERCENT, measure};
use std::fmt::Write as _;

fn main() -> Result<(), String> {
    let rows = measure(40)?;
    let mut text = format!(
        "# Cycles of each operation of a control program on an 8-bit AVR, worst measured on a simulated ATmega328P, {MARGIN_PERCENT} % added.\n\
         # Written by: cargo run --release -p firmware-bench --example avr_cycles -- crates/program/data/avr-cycles.txt\n\
         # Programs stand in EEPROM, the slowest place; narrow slots; a conversion of local time with daylight-saving time.\n\
         # code, cycles, cycles for each item more (beyond 2 operands of a list, 2 points of a curve, 1 step of a procedure), name.\n\
         # Code 0x00 is what a scan costs beside its operations.\n"
    );
    for row in &rows {
        let _ = writeln!(text, "0x{:02X} {:6} {:6}  {}", row.code, row.cycles, row.per_item, row.name);
    }
    print!("{text}");
    if let Some(path) = std::env::args().nth(1) {
        std::fs::write(&path, &text).map_err(|error| format!("{path}: {error}"))?;
    }
    Ok(())
}
