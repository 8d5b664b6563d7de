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
//! | [`changes`], [`revision`] | what changed from one text to another, and which change made a row of the FMEA better or worse |
//! | [`flow`] | the measured flow of a metered pump put into a text |
//! | [`weigh`] | a change weighed before it is sent: rows that get worse, for which somebody has to answer |
//! | [`start`], [`parts`] | the guided form and its file; the parts library |
//! | [`boards`], [`expected`] | wiring and program of a board; what the twin expects of a signal |
//! | [`section`] | the section with the water lines of the audit, and a sheet as data |
//!
//! Contract: no text makes anything here panic, nothing reads a clock or a disk, and a text with mistakes is an answer with findings, not
//! an error.

pub mod boards;
pub mod changes;
pub mod compare;
pub mod edit;
pub mod expected;
mod figures;
pub mod flow;
pub mod fmea;
mod handles;
pub mod look;
pub mod mending;
pub mod parts;
mod remedies;
pub mod replay;
pub mod revision;
pub mod section;
pub mod start;
pub mod study;
pub mod weigh;
pub mod words;

use std::sync::Arc;

use electrics::assign::Lock;
use sha2::{Digest as _, Sha256};
use system::parts::Library;
use system::{Diagnostic, Loaded};

/// The longest text that is taken, bytes. Harbour Lane has 30 kB.
pub const LONGEST_TEXT: usize = 256 * 1024;
/// Keys and elements of lists of a text. Harbour Lane has some 1,300.
const MOST_VALUES: usize = 10_000;
/// Vessels, passages, supplies, actuators and sensors of a system. Harbour Lane has some 60.
const MOST_PARTS: usize = 200;
/// Finding: the text has more values than are read here.
pub const TOO_CROWDED: &str = "too-crowded";
/// Finding: the system has more parts than are looked at here.
pub const TOO_MANY_PARTS: &str = "too-many-parts";

/// A finding where a text is longer, or has more values, than are read here.
pub(crate) fn crowded(text: &str) -> Option<Diagnostic> {
    let n_values = text.bytes().filter(|byte| matches!(byte, b'=' | b',')).count();
    let n_lines = text.bytes().filter(|byte| *byte == b'\n').count();
    (text.len() > LONGEST_TEXT || n_values > MOST_VALUES || n_lines > MOST_VALUES).then(|| {
        let what = format!("the text has {} bytes, {n_lines} lines and {n_values} values", text.len());
        Diagnostic::error(TOO_CROWDED, what).help(format!(
            "at most {LONGEST_TEXT} bytes and {MOST_VALUES} lines and values are read here; is this a system file?"
        ))
    })
}

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
    /// Reads a text as the command line reads a file. What is far larger than any tank is refused with a finding: somebody waits for the
    /// answer, and a station has other things to do.
    pub fn load(&self, text: &str) -> Loaded {
        let refused = |finding: Diagnostic| Loaded { system: None, diagnostics: vec![finding] };
        if let Some(finding) = crowded(text) {
            return refused(finding);
        }
        let mut loaded = system::load_with(text, &self.library);
        let Some(system) = &mut loaded.system else { return loaded };
        let n_parts = system.vessels.len()
            + system.passages.len()
            + system.supplies.len()
            + system.actuators.len()
            + system.sensors.len();
        if n_parts > MOST_PARTS {
            return refused(Diagnostic::error(TOO_MANY_PARTS, format!("the file has {n_parts} parts")).help(
                format!("at most {MOST_PARTS} are drawn and studied here; the command line takes more"),
            ));
        }
        if let Some(lock) = &self.lock {
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
