//! What the station file leads to: each board with its system file read, compiled and named. Fixed until the
//! station begins anew, which it does when a board runs another revision.

use std::sync::Arc;

use electrics::assign::Lock;
use system::{Diagnostic, Loaded, System};
use virtual_board::Made;
use workbench::Beside;

use crate::boards::{BoardId, Names};
use crate::settings::{BoardSettings, JoinedSettings, Settings};

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
    /// What the file in the station file says, which the board was flashed with.
    pub flashed: Flashed,
    /// Number of the revision that the text is, where it is not the file's.
    pub revision: Option<i64>,
}

/// What a board was flashed with.
#[derive(Clone, Debug)]
pub struct Flashed {
    /// The system of the file.
    pub system: Arc<System>,
    /// Its program.
    pub program_crc: u32,
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
    /// Joined controllers, in the order of the station file.
    pub joined: Vec<SiteJoined>,
}

/// A joined controller with what its files say.
#[derive(Debug)]
pub struct SiteJoined {
    /// What the station file says.
    pub settings: JoinedSettings,
    /// The system whose rules run beside it.
    pub system: Arc<System>,
    /// What its printed names are.
    pub map: shadow::Map,
}

impl SiteJoined {
    fn new(settings: &JoinedSettings) -> Result<SiteJoined, Unfit> {
        let file = system::load_file(&settings.system);
        let name = settings.system.display().to_string();
        let Some(system) = file.loaded.system else {
            return Err(Unfit { file: name, source: file.source, findings: file.loaded.diagnostics });
        };
        let map_name = settings.map.display().to_string();
        let source = std::fs::read_to_string(&settings.map).map_err(|error| Unfit {
            file: map_name.clone(),
            source: String::new(),
            findings: vec![
                Diagnostic::error("unreadable-map", format!("cannot read `{map_name}`: {error}"))
                    .help("`tidewright listen FILE --suggest MAP` writes a map to begin with"),
            ],
        })?;
        let (map, findings) = shadow::Map::load(&source, &system);
        let Some(map) = map else { return Err(Unfit { file: map_name, source, findings }) };
        if let Err(findings) = shadow::Shadow::new(Arc::new(system.clone()), map.clone()) {
            return Err(Unfit { file: name, source: file.source, findings });
        }
        Ok(SiteJoined { settings: settings.clone(), system: Arc::new(system), map })
    }
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

/// A board from the text of a system file, with the wiring lock that stands beside the file.
fn read(id: BoardId, settings: &BoardSettings, loaded: Loaded, source: String) -> Result<SiteBoard, Unfit> {
    let name = settings.system.display().to_string();
    let unfit = |source: String, findings| Unfit { file: name.clone(), source, findings };
    let Some(mut system) = loaded.system else { return Err(unfit(source, loaded.diagnostics)) };
    // Pins and contacts that `wire` planned stand beside the file.
    let lock = settings.system.with_extension("wiring.lock");
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
                return Err(unfit(source, vec![finding]));
            }
        }
    }
    let made = match Made::new(&system) {
        Ok(made) => made,
        Err(findings) => return Err(unfit(source, findings)),
    };
    let names = Arc::new(Names::new(&system, &made.compiled));
    let system = Arc::new(system);
    let flashed = Flashed { system: system.clone(), program_crc: made.program_crc };
    Ok(SiteBoard {
        id,
        settings: settings.clone(),
        system,
        text: source,
        lock: planned,
        made,
        names,
        flashed,
        revision: None,
    })
}

impl SiteBoard {
    /// The same board with another text of its system file, for the same wiring.
    ///
    /// # Errors
    /// What is wrong with the text.
    pub fn revised(&self, text: &str) -> Result<SiteBoard, Unfit> {
        let loaded = system::load_with(text, &self.system.library);
        let revised = read(self.id, &self.settings, loaded, text.to_owned())?;
        Ok(SiteBoard { flashed: self.flashed.clone(), ..revised })
    }
}

impl Site {
    /// Reads and compiles every system file, each with its wiring lock where there is one.
    ///
    /// # Errors
    /// The first file that cannot be served.
    pub fn new(settings: &Settings) -> Result<Site, Unfit> {
        let read = |(n, board): (usize, &BoardSettings)| {
            let file = system::load_file(&board.system);
            read(BoardId(n), board, file.loaded, file.source)
        };
        let boards = settings.boards.iter().enumerate().map(read).collect::<Result<_, _>>()?;
        let joined = settings.joined.iter().map(SiteJoined::new).collect::<Result<_, _>>()?;
        Ok(Site { name: settings.name.clone(), boards, joined })
    }

    /// A board by its name, with its place.
    pub fn board(&self, name: &str) -> Option<&SiteBoard> {
        self.boards.iter().find(|board| board.settings.name == name)
    }
}
