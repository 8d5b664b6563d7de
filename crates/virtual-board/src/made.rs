//! The program of a system as its board gets it, with the identities by which a board is known.

use control::{Compiled, Options};
use program::Program;
use program::wiring::Wiring;
use system::{Diagnostic, System};

/// A compiled system with the checksums that its board tells.
#[derive(Clone, Debug)]
pub struct Made {
    /// The program and its names.
    pub compiled: Compiled,
    /// Identity of the wiring table; 0 while the file does not place everything.
    pub wiring_crc: u32,
    /// The wiring table; `None` while the file does not place everything.
    pub wiring: Option<Wiring>,
    /// Identity of the program.
    pub program_crc: u32,
}

impl Made {
    /// Compiles a system as `build` does: the wiring table first, then the program that names it. A file that does not place
    /// everything yet gives a program for a virtual board only.
    ///
    /// # Errors
    /// The compiler's findings.
    pub fn new(system: &System) -> Result<Made, Vec<Diagnostic>> {
        let draft = control::compile(system)?;
        let wiring = control::wiring::table(system, &draft).ok();
        let bytes = wiring.as_ref().and_then(|wiring| wiring.encode().ok());
        let wiring_crc = bytes.map_or(0, |bytes| Wiring::crc(&bytes));
        let compiled = match wiring_crc {
            0 => draft,
            _ => control::compile_with(system, &Made::options(wiring_crc))?,
        };
        let program_crc = Program::validate(&compiled.bytes).map_or(0, |program| program.crc());
        Ok(Made { compiled, wiring_crc, wiring, program_crc })
    }

    /// How a program for this wiring is compiled.
    pub(crate) fn options(wiring_crc: u32) -> Options {
        Options { wiring_crc, ..Options::default() }
    }
}
