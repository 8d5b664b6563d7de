//! The `tidewright` command: reads arguments, hands them to one command, turns its ending into an exit code.
//!
//! Contract: thin. Every number comes out of a library crate; here it is only put into words, tables, JSON and files.

mod arguments;
mod asked;
mod calendar;
mod commands;
mod console;
mod dossier;
mod ending;
mod files;
mod fmea;
mod json;
mod open;
mod progress;
mod quantity;
mod table;
mod wiring;
mod wrap;

use std::process::ExitCode;

use clap::Parser;
use workbench::words;

use arguments::{Arguments, Command};
use console::Console;
use ending::Ending;

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let mut console = Console::new(&arguments.global);
    let ending = match &arguments.command {
        Command::New(options) => commands::new::run(options, &mut console),
        Command::Audit(options) => commands::audit::run(options, &mut console),
        Command::Fmea(options) => commands::fmea::run(options, &mut console),
        Command::Compare(options) => commands::compare::run(options, &mut console),
        Command::Report(options) => commands::report::run(options, &mut console),
        Command::Fit(options) => commands::fit::run(options, &mut console),
        Command::Rehearse(options) => commands::rehearse::run(options, &mut console),
        Command::Section(options) => commands::section::run(options, &mut console),
        Command::Build(options) => commands::build::run(options, &mut console),
        Command::Flash(options) => commands::flash::run(options, &mut console),
        Command::Trial(options) => commands::trial::run(options, &mut console),
        Command::Revisions(options) => commands::revisions::run(options, &mut console),
        Command::Wire(options) => commands::wire::run(options, &mut console),
        Command::Serve(options) => commands::serve::run(options, &mut console),
        Command::Listen(options) => commands::listen::run(options, &mut console),
        Command::Shadow(options) => commands::shadow::run(options, &mut console),
        Command::Care(options) => commands::care::run(options, &mut console),
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
