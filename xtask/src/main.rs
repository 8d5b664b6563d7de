//! Chores of the repository.
//!
//!     cargo xtask firmware    builds the runtimes with avr-gcc and writes a manifest beside each, for `image` to embed

mod firmware;
mod symbols;

use std::process::ExitCode;

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let result = match words.as_slice() {
        ["firmware"] => firmware::run(),
        _ => Err("usage: cargo xtask firmware".to_owned()),
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("error: {error}");
            ExitCode::FAILURE
        }
    }
}
