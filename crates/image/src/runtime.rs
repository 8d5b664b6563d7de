//! The prebuilt runtimes: some for each chip, which differ in what they serve beside the rest ([`Features`]), so that a chip with little
//! flash has one for whatever a file wires. `cargo xtask firmware` makes them; the build of this crate embeds those that it finds.

use program::crc::crc32;
use program::wiring::{BitDriver, DeviceKind, Wiring};
use serde::{Deserialize, Serialize};

use crate::hex::Memory;

include!(concat!(env!("OUT_DIR"), "/embedded.rs"));

/// What some runtimes serve and others leave out for room.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Features {
    /// Text display and infrared remote. The buzzer is in every runtime.
    pub panel: bool,
    /// The link over the W5500.
    pub network: bool,
}

impl Features {
    /// What a wiring table needs.
    pub fn of(wiring: &Wiring) -> Features {
        let has_key = wiring.bits.iter().any(|input| matches!(input.driver, BitDriver::RemoteKey { .. }));
        let has = |kind| wiring.devices.iter().any(|device| device.kind == kind);
        Features {
            panel: has_key || has(DeviceKind::TextDisplay) || has(DeviceKind::InfraredReceiver),
            network: has(DeviceKind::Ethernet),
        }
    }

    /// Everything of `wanted` is there.
    pub fn include(self, wanted: Features) -> bool {
        (self.panel || !wanted.panel) && (self.network || !wanted.network)
    }

    /// What of `wanted` is not there.
    #[must_use]
    pub fn lacking(self, wanted: Features) -> Features {
        Features { panel: wanted.panel && !self.panel, network: wanted.network && !self.network }
    }
}

impl std::fmt::Display for Features {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match (self.panel, self.network) {
            (true, true) => "display, remote and network",
            (true, false) => "display and remote",
            (false, true) => "network",
            (false, false) => "neither display, remote nor network",
        })
    }
}

/// What is known of a runtime beside its bytes.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Manifest {
    /// Part number of the chip.
    pub chip: String,
    /// What it serves that others leave out.
    #[serde(flatten)]
    pub features: Features,
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
    /// None was embedded that serves this on this chip.
    Missing {
        /// The chip.
        chip: String,
        /// What it was to serve.
        wanted: Features,
        /// Some other runtime was embedded, so a compiler was there.
        has_others: bool,
    },
    /// The embedded one is not readable.
    Damaged(String),
}

impl std::fmt::Display for RuntimeError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            RuntimeError::Missing { chip, wanted, .. } => {
                write!(f, "this build of tidewright brings along no runtime for the {chip}")?;
                if *wanted == Features::default() { Ok(()) } else { write!(f, " with {wanted}") }
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
            RuntimeError::Missing { wanted, has_others: true, .. } if *wanted != Features::default() => {
                let mut out = vec![];
                if wanted.network {
                    out.push("the W5500 (and leave --network out)");
                }
                if wanted.panel {
                    out.push("text display and remote");
                }
                format!("take {} out of the file, or take a larger chip", out.join(" or "))
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
        let bytes = Memory::read(hex).map_err(|error| RuntimeError::Damaged(error.to_string()))?.flat();
        Runtime::of_one_build(Runtime::manifest(manifest)?, bytes)
    }

    fn manifest(manifest: &str) -> Result<Manifest, RuntimeError> {
        serde_json::from_str(manifest).map_err(|error| RuntimeError::Damaged(error.to_string()))
    }

    fn of_one_build(manifest: Manifest, bytes: Vec<u8>) -> Result<Runtime, RuntimeError> {
        let damaged = |why: String| RuntimeError::Damaged(why);
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

    /// The smallest embedded runtime for a chip that serves all of this.
    ///
    /// # Errors
    /// There is none, or one is not readable.
    pub fn for_chip(chip: &str, wanted: Features) -> Result<Runtime, RuntimeError> {
        let mut smallest: Option<(Manifest, &[u8])> = None;
        for (manifest, bytes) in EMBEDDED {
            let manifest = Runtime::manifest(manifest)?;
            let serves = manifest.chip.eq_ignore_ascii_case(chip) && manifest.features.include(wanted);
            if serves && smallest.as_ref().is_none_or(|(best, _)| manifest.flash < best.flash) {
                smallest = Some((manifest, *bytes));
            }
        }
        match smallest {
            Some((manifest, bytes)) => Runtime::of_one_build(manifest, bytes.to_vec()),
            None => {
                Err(RuntimeError::Missing { chip: chip.to_owned(), wanted, has_others: !EMBEDDED.is_empty() })
            }
        }
    }
}
