//! The `tidewright` command: reads arguments, hands them to one command, turns its ending into an exit code.
//!
//! Contract: thin. Every number comes out of a library crate; here it is only put into words, tables, JSON and files.

mod arguments;
mod commands;
mod console;
mod ending;
mod files;
mod json;
mod quantity;
mod table;
mod wrap;

use std::process::ExitCode;

use clap::Parser;

use arguments::{Arguments, Command};
use console::Console;
use ending::Ending;

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let mut console = Console::new(&arguments.global);
    let ending = match &arguments.command {
        Command::New(options) => commands::new::run(options, &mut console),
        Command::Water(options) => commands::water::run(options, &mut console),
        Command::Completions(options) => commands::completions::run(options, &mut console),
        Command::Man(options) => commands::man::run(options, &mut console),
    };
    let ending = ending.unwrap_or_else(|failure| {
        console.fail(&failure);
        Ending::Unreadable
    });
    ExitCode::from(ending.code())
}
