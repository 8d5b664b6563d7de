//! A board of a system file on a simulated chip behind a pseudo-terminal, for a station to open:
//! `cargo run --release -p firmware-bench --example chip_board SYSTEM.toml [times as fast as life]`.
//! Prints `line: NAME` and serves until its standard input ends. Exit code 3: this machine has no simulator or no compiler for the chip.

use firmware_bench::served::{behind_pty, image_for};

const NO_CHIP: i32 = 3;

fn main() -> Result<(), String> {
    let mut arguments = std::env::args().skip(1);
    let path = arguments.next().ok_or("name a system file")?;
    let speed: f64 = arguments.next().and_then(|word| word.parse().ok()).unwrap_or(1.0);
    let text = std::fs::read_to_string(&path).map_err(|error| format!("{path}: {error}"))?;
    if let Err(why) = image_for(&text) {
        eprintln!("left out: {why}");
        std::process::exit(NO_CHIP);
    }
    behind_pty(&text, speed, |line| {
        println!("line: {line}");
        let _ = std::io::copy(&mut std::io::stdin().lock(), &mut std::io::sink());
    })
}
