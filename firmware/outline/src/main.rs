//! Outlining: gives sequences of instructions that occur several times in a program one place, and calls or jumps to them elsewhere.
//!
//!     outline whole.s small.s [share-prologues] [functions that are left alone, because they take most of the time]
//!
//! Reads the assembly of a whole program as avr-gcc writes it (one section for each function) and writes the same program in fewer bytes.
//! `firmware/Makefile` compiles this file by itself, so it uses nothing but the standard library. The same input gives the same output.
//! `assembly` says what may be moved, `search` what is worth it, `undo` takes all of it back and compares with what was there.

mod arguments;
mod assembly;
mod branches;
mod layout;
mod prologue;
mod search;
mod undo;

use std::process::ExitCode;

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [from, to, options @ ..] = &arguments[..] else {
        eprintln!("outline: wants two files, the assembly of a whole program and where the smaller one goes");
        return ExitCode::FAILURE;
    };
    let options: Vec<&str> = options.iter().map(String::as_str).collect();
    match run(from, to, &options) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("outline: {error}");
            ExitCode::FAILURE
        }
    }
}

fn run(from: &str, to: &str, options: &[&str]) -> Result<(), String> {
    let text = std::fs::read_to_string(from).map_err(|error| format!("{from}: {error}"))?;
    let smaller = outlined(&text, options)?;
    std::fs::write(to, smaller).map_err(|error| format!("{to}: {error}"))
}

/// The same program in fewer bytes, compared with the first.
fn outlined(text: &str, options: &[&str]) -> Result<String, String> {
    let mut program = assembly::Program::read(text, options)?;
    if options.contains(&"share-prologues") {
        prologue::run(&mut program);
    }
    arguments::run(&mut program);
    layout::run(&mut program, 100_000);
    let before = program.text();
    search::run(&mut program);
    let smaller = program.text();
    undo::compare(&before, &smaller)?;
    branches::run(&mut program);
    layout::run(&mut program, 400_000);
    Ok(program.text())
}

#[cfg(test)]
mod tests;
