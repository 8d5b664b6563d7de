//! The sketch folder for chips without an image of their own: the sources of the runtime, the port through the Arduino API, and the
//! tables of one system as an array (docs/firmware.md, "The Arduino port").

use std::fmt::Write;

use crate::build::Made;

include!(concat!(env!("OUT_DIR"), "/sketch.rs"));

/// The folder's name, which is that of the sketch.
pub const FOLDER: &str = "tidewright";

/// What boards that run it call themselves in wiring tables and in *hello*: `PORT_CHIP` of port/arduino/port_config.h.
pub const BOARD: u8 = 5;

/// Files that a person fills in: never replaced once they are there.
pub const OWN: &[&str] = &["src/wifi_access.h"];

/// A file of the folder.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct File {
    /// Its path in the folder, with `/`.
    pub path: &'static str,
    /// What it holds.
    pub text: String,
}

/// All files of the sketch of a system, tables included. None when a table is longer than its length can say.
pub fn files(made: &Made) -> Option<Vec<File>> {
    // There is no runtime before the tables whose checksum they could hold: that of no bytes.
    let block = made.tables.block(&[])?;
    let mut all: Vec<File> =
        SOURCES.iter().map(|(path, text)| File { path, text: (*text).to_owned() }).collect();
    all.push(File { path: "src/tables.h", text: array(&block) });
    Some(all)
}

fn array(block: &[u8]) -> String {
    let mut text = String::from(
        "// Wiring, rules and panel of one system, written by `tidewright build --sketch`: write it anew after each change of the file.\n\
         static const uint8_t TABLES[] PROGMEM = {\n",
    );
    for line in block.chunks(20) {
        text += "   ";
        for byte in line {
            // Writing to a String never fails.
            let _ = write!(text, " {byte},");
        }
        text.push('\n');
    }
    text += "};\n";
    text
}
