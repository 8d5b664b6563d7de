//! The workbench: what a page, or any other program, asks while a tank is designed. Everything starts from the text of a system file.
//!
//! | module | holds |
//! |---|---|
//! | [`look`] | at once: findings, the section, water lines, figures, and what may be dragged |
//! | [`edit`] | changes of a text that keep its comments |
//! | [`fmea`], [`words`] | an FMEA in sentences and JSON; numbers and harms as people read them |
//! | [`study`], [`replay`] | the FMEA row by row as it comes, and what is kept of it; one fault in time |
//! | [`mending`] | what would mend a row, tried by simulation |
//! | [`compare`] | two texts side by side |
//! | [`start`], [`parts`] | the guided form and its file; the parts library |
//! | [`boards`], [`expected`] | wiring and program of a board; what the twin expects of a signal |
//! | [`section`] | the section with the water lines of the audit, and a sheet as data |
//!
//! Contract: no text makes anything here panic, nothing reads a clock or a disk, and a text with mistakes is an answer with findings, not
//! an error.

pub mod boards;
pub mod compare;
pub mod edit;
pub mod expected;
mod figures;
pub mod fmea;
mod handles;
pub mod look;
pub mod mending;
pub mod parts;
mod remedies;
pub mod replay;
pub mod section;
pub mod start;
pub mod study;
pub mod words;

use std::sync::Arc;

use electrics::assign::Lock;
use sha2::{Digest as _, Sha256};
use system::Loaded;
use system::parts::Library;

/// The longest text that is taken, bytes. Harbour Lane has 30 kB.
pub const LONGEST_TEXT: usize = 256 * 1024;

/// What stands beside a text on disk and counts with it.
#[derive(Clone, Debug)]
pub struct Beside {
    /// The parts that it is read with.
    pub library: Arc<Library>,
    /// Places that `wire --lock` planned.
    pub lock: Option<Lock>,
}

impl Default for Beside {
    fn default() -> Self {
        Beside { library: Arc::clone(Library::builtin()), lock: None }
    }
}

impl Beside {
    /// Reads a text as the command line reads a file.
    pub fn load(&self, text: &str) -> Loaded {
        let mut loaded = system::load_with(text, &self.library);
        if let (Some(lock), Some(system)) = (&self.lock, &mut loaded.system) {
            lock.apply(system);
        }
        loaded
    }
}

/// Names a text: SHA-256 in hexadecimal digits.
pub fn hash(text: &str) -> String {
    use std::fmt::Write as _;
    Sha256::digest(text.as_bytes()).iter().fold(String::new(), |mut out, byte| {
        let _ = write!(out, "{byte:02x}");
        out
    })
}
