//! Boards of software behind TCP, in this process: they outlive the station, as real ones do.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use virtual_board::{Pace, Setup, Virtual};

/// Their network key.
pub const KEY: [u8; 16] = [7; 16];

/// The system of each.
pub fn system_file() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples/desk-60l/system.toml")
}

/// Boards that run, and the station file that names them.
#[derive(Debug)]
pub struct Tanks {
    _boards: Vec<Virtual>,
    /// Where each listens.
    pub ports: Vec<u16>,
    /// The station file.
    pub file: PathBuf,
}

/// The name of the n-th board.
pub fn name(n: usize) -> String {
    format!("tank-{n}")
}

/// The lines of a station file for a board behind a port.
pub fn lines(name: &str, port: u16, speed: Option<f64>) -> String {
    let speed = speed.map_or(String::new(), |speed| format!("speed = {speed:.1}\n"));
    format!(
        "[[board]]\nname = \"{name}\"\nsystem = {:?}\nline = \"tcp:127.0.0.1:{port}\"\nkey = {{ file = \"board.key\" }}\n{speed}\n",
        system_file()
    )
}

impl Tanks {
    /// So many boards, each so many times as fast as life; with the station file in this folder.
    pub fn start(n: usize, speed: f64, folder: &Path) -> Tanks {
        let text = fs::read_to_string(system_file()).expect("the example is there");
        let system = system::load(&text).system.expect("the example is sound");
        let mut station = "[station]\nname = \"Endurance\"\n\n".to_owned();
        let (mut boards, mut ports) = (vec![], vec![]);
        for n in 0..n {
            let pace = if speed == 1.0 { Pace::Live } else { Pace::Times(speed) };
            let setup =
                Setup { seed: n as u64, pace, waits_for_reader: true, key: Some(KEY), ..Setup::default() };
            let board = Virtual::start(&system, setup).expect("it starts");
            let address = board.listen("127.0.0.1:0").expect("a port");
            let _ = write!(station, "{}", lines(&name(n), address.port(), (speed != 1.0).then_some(speed)));
            boards.push(board);
            ports.push(address.port());
        }
        let file = folder.join("station.toml");
        fs::write(&file, station).expect("a file");
        let key: String = KEY.iter().map(|byte| format!("{byte:02x}")).collect();
        fs::write(folder.join("board.key"), key).expect("a file");
        Tanks { _boards: boards, ports, file }
    }
}
