//! The prebuilt runtimes: one for each chip, and one with the network for each. `cargo xtask firmware` makes them; the build of this
//! crate embeds those that it finds.

use program::crc::crc32;
use serde::{Deserialize, Serialize};

use crate::hex::Memory;

include!(concat!(env!("OUT_DIR"), "/embedded.rs"));

/// What is known of a runtime beside its bytes.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Manifest {
    /// Part number of the chip.
    pub chip: String,
    /// It speaks over the network too.
    pub network: bool,
    /// What made it.
    pub compiler: String,
    /// Bytes of flash, initialised data included.
    pub flash: u32,
    /// CRC-32 of those bytes, so that manifest and image are of one build.
    pub crc: u32,
    /// Bytes of SRAM that its variables take.
    pub sram: u32,
    /// Bytes for slots, cells and hands of the running program; part of `sram`.
    pub pool: u32,
    /// Bytes for the states of inputs, outputs and devices: 4 a number input, 1 a bit input, 1 an output, 1 a device.
    pub states: u32,
    /// Pins whose edges it can watch: infrared, pulse meters, echoes.
    pub watched_pins: u32,
    /// Deepest stack that was measured on the simulated chip, bytes. None: not measured.
    pub stack: Option<u32>,
    /// What its parts take.
    pub modules: Vec<Module>,
}

/// One part of a runtime.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Module {
    /// Name of its file, or what it is.
    pub name: String,
    /// Bytes of flash.
    pub flash: u32,
    /// Bytes of SRAM.
    pub sram: u32,
}

/// A runtime.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Runtime {
    /// What is known of it.
    pub manifest: Manifest,
    /// Its bytes from address 0.
    pub bytes: Vec<u8>,
}

/// Why a runtime cannot be had.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum RuntimeError {
    /// None was embedded for this chip.
    Missing {
        /// The chip.
        chip: String,
        /// With the network.
        network: bool,
        /// Some other runtime was embedded, so a compiler was there.
        has_others: bool,
    },
    /// The embedded one is not readable.
    Damaged(String),
}

impl std::fmt::Display for RuntimeError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            RuntimeError::Missing { chip, network, .. } => {
                let with = if *network { " with the network" } else { "" };
                write!(f, "this build of tidewright brings along no runtime for the {chip}{with}")
            }
            RuntimeError::Damaged(why) => write!(f, "an embedded runtime is not readable: {why}"),
        }
    }
}

impl std::error::Error for RuntimeError {}

impl RuntimeError {
    /// What to do.
    pub fn help(&self) -> String {
        match self {
            RuntimeError::Missing { network: true, has_others: true, .. } => {
                "leave --network out and take the W5500 out of the file, or take a chip that has one".to_owned()
            }
            RuntimeError::Missing { .. } => {
                "install avr-gcc and avr-libc (Debian: `apt install gcc-avr avr-libc`), run `cargo xtask firmware` in the \
                 sources and build tidewright again; --program-only needs no runtime"
                    .to_owned()
            }
            RuntimeError::Damaged(_) => "run `cargo xtask firmware` in the sources and build tidewright again".to_owned(),
        }
    }
}

impl Runtime {
    /// Reads a runtime from its manifest (JSON) and its image (Intel HEX).
    ///
    /// # Errors
    /// What is wrong with either.
    pub fn read(manifest: &str, hex: &str) -> Result<Runtime, RuntimeError> {
        let damaged = |why: String| RuntimeError::Damaged(why);
        let manifest: Manifest =
            serde_json::from_str(manifest).map_err(|error| damaged(error.to_string()))?;
        let bytes = Memory::read(hex).map_err(|error| damaged(error.to_string()))?.flat();
        if bytes.is_empty() {
            return Err(damaged(format!("the image for the {} is empty", manifest.chip)));
        }
        if bytes.len() != manifest.flash as usize || crc32(&bytes) != manifest.crc {
            return Err(damaged(format!(
                "manifest and image for the {} are not of one build",
                manifest.chip
            )));
        }
        Ok(Runtime { manifest, bytes })
    }

    /// The embedded runtime for a chip.
    ///
    /// # Errors
    /// There is none, or it is not readable.
    pub fn for_chip(chip: &str, network: bool) -> Result<Runtime, RuntimeError> {
        for (manifest, hex) in EMBEDDED {
            let runtime = Runtime::read(manifest, hex)?;
            if runtime.manifest.chip.eq_ignore_ascii_case(chip) && runtime.manifest.network == network {
                return Ok(runtime);
            }
        }
        let has_others = !EMBEDDED.is_empty();
        Err(RuntimeError::Missing { chip: chip.to_owned(), network, has_others })
    }
}
