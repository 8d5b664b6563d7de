//! `tidewright serve`: runs the station.

use std::io::{IsTerminal as _, Write as _};
use std::path::Path;

use station::settings::{self, Settings};
use station::site::Site;

use crate::arguments::ServeOptions;
use crate::console::Console;
use crate::ending::{Ending, Failure};
use crate::open::refuse;

/// Runs the command.
pub fn run(options: &ServeOptions, console: &mut Console) -> Result<Ending, Failure> {
    let Some(mut settings) = read(options, console)? else { return Ok(Ending::Unreadable) };
    if let Some(data) = &options.data {
        settings.data.clone_from(data);
    }
    if let Some(port) = options.port {
        settings.http.here_port = port;
    }
    let site = match Site::new(&settings) {
        Ok(site) => site,
        Err(unfit) => {
            refuse("serve", &unfit.findings, &unfit.file, &unfit.source, console);
            return Ok(Ending::Unreadable);
        }
    };
    if options.check {
        let words: Vec<String> = site
            .boards
            .iter()
            .map(|board| format!("{} ({})", board.settings.name, board.system.name))
            .collect();
        console.print(&format!("nothing is wrong; it would serve {}\n", words.join(", ")));
        return Ok(Ending::Clean);
    }
    if !station::http::page::is_there() {
        say("this program was built without the page: only the API is served");
    }
    let is_terminal = std::io::stdout().is_terminal();
    station::serve::run(settings, site, say, is_terminal)
        .map(|()| Ending::Clean)
        .map_err(|failure| Failure::new(failure.0))
}

/// A line at once, also where the output is a file.
fn say(line: &str) {
    let mut out = std::io::stdout();
    // A service whose log is gone goes on.
    let _ = writeln!(out, "{line}").and_then(|()| out.flush());
}

/// The station file, or what a system file alone means. None: something is wrong with it, and was told.
fn read(options: &ServeOptions, console: &mut Console) -> Result<Option<Settings>, Failure> {
    let file = options.file.as_path();
    let text = std::fs::read_to_string(file).unwrap_or_default();
    if !text.is_empty() && !settings::is_station_file(&text) {
        let name = system_name(&text).unwrap_or_else(|| "Tidewright station".to_owned());
        let Some(data) = options.data.clone().or_else(|| state_of(file)) else {
            return Err(Failure::new("nobody says where the data go, and there is no home folder")
                .help("name a folder: --data /var/lib/tidewright"));
        };
        let mut settings = Settings::virtual_board(file, &name, data);
        if let Some(speed) = options.speed
            && let Some(settings::Line::Virtual { speed: of_board, .. }) =
                settings.boards.first_mut().map(|board| &mut board.line)
        {
            *of_board = speed;
        }
        return Ok(Some(settings));
    }
    if options.speed.is_some() {
        return Err(Failure::new("--speed goes with a system file")
            .help("in a station file a virtual board has its `speed`"));
    }
    let loaded = settings::load_file(file);
    if loaded.settings.is_none() || !loaded.findings.is_empty() {
        refuse("serve", &loaded.findings, &file.display().to_string(), &loaded.source, console);
    }
    Ok(loaded.settings)
}

/// The name of a system; its file is read in earnest later.
fn system_name(text: &str) -> Option<String> {
    system::load(text).system.map(|system| system.name)
}

/// The folder of a system's data in the user's state folder, by the file's name.
fn state_of(file: &Path) -> Option<std::path::PathBuf> {
    let folder = file.canonicalize().ok()?.parent()?.file_name()?.to_owned();
    let stem = file.file_stem()?;
    Some(settings::state_folder()?.join(format!("{}-{}", folder.display(), Path::new(stem).display())))
}
