//! `tidewright completions`: what a shell needs to complete commands and options.

use clap::CommandFactory;

use crate::arguments::{Arguments, CompletionOptions};
use crate::console::Console;
use crate::ending::{Ending, Failure};

/// Prints the script.
pub fn run(options: &CompletionOptions, console: &mut Console) -> Result<Ending, Failure> {
    let mut script = vec![];
    clap_complete::generate(options.shell, &mut Arguments::command(), "tidewright", &mut script);
    console.print(&String::from_utf8_lossy(&script));
    Ok(Ending::Clean)
}
