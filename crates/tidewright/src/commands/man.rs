//! `tidewright man`: manual pages made from the same texts as `--help`.

use clap::{Command, CommandFactory};

use crate::arguments::{Arguments, ManOptions};
use crate::console::Console;
use crate::ending::{Ending, Failure};
use crate::files;

/// Prints one page or writes all.
pub fn run(options: &ManOptions, console: &mut Console) -> Result<Ending, Failure> {
    let mut whole = Arguments::command();
    whole.build();
    let pages: Vec<&Command> = whole.get_subcommands().filter(|c| !c.is_hide_set()).collect();
    if let Some(folder) = &options.out {
        if !folder.is_dir() {
            return Err(
                Failure::new(format!("there is no folder `{}`", folder.display())).help("make it first")
            );
        }
        for command in std::iter::once(&whole).chain(pages) {
            let path = folder.join(format!("{}.1", name(command)));
            files::write_new(&path, &page(command)?, options.force)?;
            console.print(&format!("{}\n", path.display()));
        }
        return Ok(Ending::Clean);
    }
    let command = match &options.command {
        None => &whole,
        Some(wanted) => {
            let names: Vec<&str> = pages.iter().map(|c| c.get_name()).collect();
            pages.iter().find(|c| c.get_name() == wanted).copied().ok_or_else(|| {
                Failure::new(format!("there is no command `{wanted}`"))
                    .help(format!("the commands are {}", names.join(", ")))
            })?
        }
    };
    console.print(&page(command)?);
    Ok(Ending::Clean)
}

fn name(command: &Command) -> String {
    match command.get_name() {
        "tidewright" => "tidewright".to_owned(),
        other => format!("tidewright-{other}"),
    }
}

fn page(command: &Command) -> Result<String, Failure> {
    let mut text = vec![];
    clap_mangen::Man::new(command.clone())
        .title(name(command))
        .render(&mut text)
        .map_err(|error| Failure::new(format!("the page cannot be made: {error}")))?;
    Ok(String::from_utf8_lossy(&text).into_owned())
}
