//! What the station file leads to: each board with its system file read, compiled and named. Fixed for the life of the process.

use std::sync::Arc;

use electrics::assign::Lock;
use system::{Diagnostic, System};
use virtual_board::Made;
use workbench::Beside;

use crate::boards::{BoardId, Names};
use crate::settings::{BoardSettings, Settings};

/// A board and everything that its system file says.
#[derive(Debug)]
pub struct SiteBoard {
    /// Its place in the station file.
    pub id: BoardId,
    /// What the station file says.
    pub settings: BoardSettings,
    /// The system.
    pub system: Arc<System>,
    /// The text of the system file.
    pub text: String,
    /// Places that `wire` planned beside it.
    pub lock: Option<Lock>,
    /// Its program, as `build` makes it.
    pub made: Made,
    /// Names of what its records hold.
    pub names: Arc<Names>,
}

impl SiteBoard {
    /// What stands beside its system file and counts with it.
    pub fn beside(&self) -> Beside {
        Beside { library: Arc::clone(&self.system.library), lock: self.lock.clone() }
    }
}

/// All boards of the station.
#[derive(Debug)]
pub struct Site {
    /// Name of the station.
    pub name: String,
    /// In the order of the station file.
    pub boards: Vec<SiteBoard>,
}

/// A system file that cannot be served, with what is wrong.
#[derive(Debug)]
pub struct Unfit {
    /// The file.
    pub file: String,
    /// Its text.
    pub source: String,
    /// What is wrong.
    pub findings: Vec<Diagnostic>,
}

impl Site {
    /// Reads and compiles every system file, each with its wiring lock where there is one.
    ///
    /// # Errors
    /// The first file that cannot be served.
    pub fn new(settings: &Settings) -> Result<Site, Unfit> {
        let mut boards = vec![];
        for (n, board) in settings.boards.iter().enumerate() {
            let file = system::load_file(&board.system);
            let name = board.system.display().to_string();
            let Some(mut system) = file.loaded.system else {
                return Err(Unfit { file: name, source: file.source, findings: file.loaded.diagnostics });
            };
            // Pins and contacts that `wire` planned stand beside the file.
            let lock = board.system.with_extension("wiring.lock");
            let mut planned = None;
            if let Ok(text) = std::fs::read_to_string(&lock) {
                match Lock::read(&text) {
                    Ok(lock) => {
                        lock.apply(&mut system);
                        planned = Some(lock);
                    }
                    Err(error) => {
                        let finding = Diagnostic::error(
                            "lock-unreadable",
                            format!("`{}` cannot be read: {error}", lock.display()),
                        )
                        .help("write it anew: `tidewright wire --lock`");
                        return Err(Unfit { file: name, source: file.source, findings: vec![finding] });
                    }
                }
            }
            let made = match Made::new(&system) {
                Ok(made) => made,
                Err(findings) => return Err(Unfit { file: name, source: file.source, findings }),
            };
            let names = Arc::new(Names::new(&system, &made.compiled));
            boards.push(SiteBoard {
                id: BoardId(n),
                settings: board.clone(),
                system: Arc::new(system),
                text: file.source,
                lock: planned,
                made,
                names,
            });
        }
        Ok(Site { name: settings.name.clone(), boards })
    }

    /// A board by its name, with its place.
    pub fn board(&self, name: &str) -> Option<&SiteBoard> {
        self.boards.iter().find(|board| board.settings.name == name)
    }
}
