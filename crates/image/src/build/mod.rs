//! From a system to the image of its board, and what that takes.

mod budget;

use control::{Compiled, Options};
use program::Program;
use program::eeprom::Map;
use program::machine::{Decoded, Machine};
use program::wiring::{DeviceKind, NumberDriver, Wiring};
use system::parts::Chip;
use system::{Diagnostic, Level, System};

use crate::hex::Memory;
use crate::runtime::{Features, Manifest, Runtime};
use crate::tables::{ALIGNMENT, Tables};
pub use budget::{Budget, Use, User};

/// Findings of this stage; docs/build.md lists them, a test holds both together.
pub const FINDINGS: &[(&str, &str)] = &[
    ("flash-overfull", "runtime and tables take more flash than the bootloader leaves"),
    ("pool-overfull", "the program's slots take more memory than the runtime has for them"),
    (
        "program-exceeds-slot",
        "the program is longer than a slot in EEPROM, so it could not be replaced by a trial",
    ),
    (
        "retained-exceeds-ring",
        "what the program keeps through a reset is too long to be written twice into its place",
    ),
    (
        "runtime-lacks",
        "the runtime that was named leaves out a display, a remote or a network that the file wires",
    ),
    ("scan-too-long", "a scan may take longer than its period"),
    ("too-many-watched", "more pins are to be watched for edges than the runtime can"),
    ("too-much-wired", "inputs, outputs and devices take more memory than the runtime has for them"),
];

/// Runtime and tables stand below this, where 16 bits reach (firmware/core/port.h).
const HIGHEST: usize = (1 << 16) - 1;

/// A program for a board, with the tables that it stands beside.
#[derive(Clone, Debug)]
pub struct Made {
    /// The compiled program, which names `wiring` by its checksum.
    pub compiled: Compiled,
    /// What is wired where.
    pub wiring: Wiring,
    /// The three tables as bytes.
    pub tables: Tables,
    /// Findings that do not stop it.
    pub warnings: Vec<Diagnostic>,
}

/// An image for a board.
#[derive(Clone, Debug)]
pub struct Built {
    /// Flash from address 0.
    pub image: Vec<u8>,
    /// What it takes.
    pub budget: Budget,
}

impl Built {
    /// As Intel HEX.
    pub fn hex(&self) -> String {
        let mut memory = Memory::default();
        // One piece from 0 always fits: the image was held against the chip.
        let _ = memory.put(0, &self.image);
        memory.write()
    }
}

/// The chip of a system's first board. None: there is no board, which [`make`] has a finding for.
pub fn chip(system: &System) -> Option<&Chip> {
    system.library.chip(&system.boards.first()?.chip)
}

/// Compiles a system for its board: wiring table first, then the program that names it. The program fits its slot, and what it
/// retains fits its ring.
///
/// # Errors
/// Everything that keeps it from the board, with places in the file.
pub fn make(system: &System) -> Result<Made, Vec<Diagnostic>> {
    let draft = control::compile(system)?;
    let wiring = control::wiring::table(system, &draft)?;
    let board = system.boards.first().map(|board| format!("board.{}.chip", board.name));
    let place = board.and_then(|key| system.places.find(&key));
    let unwritable = |error: &dyn std::fmt::Display| {
        vec![
            Diagnostic::error("too-much-wired", format!("the wiring table cannot be written: {error}"))
                .at(place.clone(), "")
                .help("take out sensors, outputs or devices, or leave some to a second board"),
        ]
    };
    let bytes = wiring.encode().map_err(|error| unwritable(&error))?;
    let options = Options { wiring_crc: Wiring::crc(&bytes), ..Options::default() };
    let compiled = control::compile_with(system, &options)?;
    let mut warnings: Vec<Diagnostic> =
        compiled.warnings.iter().filter(|finding| finding.id != "program-exceeds-slot").cloned().collect();
    let mut findings = vec![];
    if let Some(map) = chip(system).and_then(|chip| Map::for_size(chip.eeprom as usize)) {
        let length = compiled.bytes.len();
        if length > map.slot {
            findings.push(
                Diagnostic::error(
                    "program-exceeds-slot",
                    format!("the program takes {length} bytes; a program slot holds {}", map.slot),
                )
                .at(place.clone(), "")
                .note("it would run, but no change of it could ever be tried on the board")
                .help("leave alarms to the station, share conditions as `[[signal]]`, or take a chip with more EEPROM"),
            );
        }
        let kept = retained(&compiled.bytes);
        if kept > map.longest_retained() {
            findings.push(
                Diagnostic::error(
                    "retained-exceeds-ring",
                    format!(
                        "the program keeps {kept} bytes through a reset; two records of at most {} fit their place",
                        map.longest_retained()
                    ),
                )
                .at(place.clone(), "")
                .note("day, one bit a trip, one byte a counted reset, four bytes a daily total")
                .help("count fewer daily volumes and run times, or take a chip with more EEPROM"),
            );
        }
    }
    if !findings.is_empty() {
        findings.append(&mut warnings);
        return Err(findings);
    }
    let panel = match control::panel::is_wanted(system) {
        true => control::panel::bytes(system, &compiled)?,
        false => vec![],
    };
    let tables = Tables { wiring: bytes, program: compiled.bytes.clone(), panel };
    Ok(Made { compiled, wiring, tables, warnings })
}

/// Bytes that a program retains, from the day up to the checksum.
fn retained(program: &[u8]) -> usize {
    match Program::validate(program) {
        Ok(program) => Machine::<1>::new(Decoded::new(&program)).keep(0).len(),
        Err(_) => 0,
    }
}

/// Merges a runtime and the tables of a system, and holds the result against the chip.
///
/// # Errors
/// What does not fit, with places in the file.
pub fn build(system: &System, made: &Made, runtime: &Runtime) -> Result<Built, Vec<Diagnostic>> {
    let Some(chip) = chip(system) else { return Err(vec![]) };
    let mut image = runtime.bytes.clone();
    image.resize(image.len().next_multiple_of(ALIGNMENT), 0xFF);
    let n_runtime = image.len();
    let block = made.tables.block(&image).unwrap_or_default();
    image.extend(&block);
    let budget = Budget::new(chip, made, runtime, n_runtime);
    let mut findings = vec![];
    let board = system.boards.first().map(|board| format!("board.{}.chip", board.name));
    let place = board.and_then(|key| system.places.find(&key));
    let mut refuse = |id: &'static str, level: Level, message: String, help: &str| {
        findings.push(Diagnostic::new(id, level, message).at(place.clone(), "").help(help));
    };
    let manifest = &runtime.manifest;
    let wanted = Features::of(&made.wiring);
    if !manifest.features.include(wanted) {
        let message =
            format!("the runtime has no {}, which the file wires", manifest.features.lacking(wanted));
        refuse("runtime-lacks", Level::Error, message, "leave --runtime out, or name one that has it");
    }
    let room = (chip.flash as usize).min(HIGHEST);
    if image.len() > room || block.is_empty() {
        let message =
            format!("the image takes {} bytes of flash; the {} has {}", image.len(), chip.name, room);
        refuse("flash-overfull", Level::Error, message, &smaller(manifest, wanted));
    }
    let pool = budget::pool_bytes(&made.compiled.sizes);
    if pool > u64::from(manifest.pool) {
        let message =
            format!("the program's slots take {pool} bytes; the runtime has {} for them", manifest.pool);
        refuse(
            "pool-overfull",
            Level::Error,
            message,
            "take out rules, signals or alarms, or take a larger chip",
        );
    }
    let wiring = &made.wiring;
    let states = 4 * wiring.numbers.len() + wiring.bits.len() + wiring.outputs.len() + wiring.devices.len();
    if states > manifest.states as usize {
        let message =
            format!("inputs, outputs and devices take {states} bytes; the runtime has {}", manifest.states);
        refuse("too-much-wired", Level::Error, message, "take out sensors or outputs, or take a larger chip");
    }
    let watched = watched_pins(wiring);
    if watched > manifest.watched_pins as usize {
        let message = format!(
            "{watched} pins are to be watched for edges; the runtime can watch {}",
            manifest.watched_pins
        );
        refuse("too-many-watched", Level::Error, message, "take out flow meters, echoes or the remote");
    }
    if budget.scan.used > budget.scan.total {
        let message = format!(
            "a scan may take {} ms; its period is {} ms",
            budget.scan.used / 1000,
            budget.scan.total / 1000
        );
        refuse(
            "scan-too-long",
            Level::Error,
            message,
            "lengthen `scan` under [system], or take out rules or thermometers",
        );
    }
    if findings.is_empty() { Ok(Built { image, budget }) } else { Err(findings) }
}

/// What would make an image smaller, with the bytes where they are known.
fn smaller(manifest: &Manifest, wanted: Features) -> String {
    let mut cures = vec!["take out rules, alarms or pages".to_owned()];
    for (part, without, has_part) in [
        ("the W5500", Features { network: false, ..wanted }, wanted.network),
        ("text display and remote", Features { panel: false, ..wanted }, wanted.panel),
    ] {
        let Ok(other) = Runtime::for_chip(&manifest.chip, without) else { continue };
        if has_part && other.manifest.flash < manifest.flash {
            cures.push(format!("take out {part} ({} bytes less)", manifest.flash - other.manifest.flash));
        }
    }
    cures.push("take a larger chip".to_owned());
    let last = cures.pop().unwrap_or_default();
    format!("{}, or {last}", cures.join(", or "))
}

/// Pins whose edges the runtime must watch.
fn watched_pins(wiring: &Wiring) -> usize {
    let of_inputs = wiring.numbers.iter().filter(|input| {
        matches!(input.driver, NumberDriver::PulseFlow { .. } | NumberDriver::Ultrasonic { .. })
    });
    let of_devices = wiring.devices.iter().filter(|device| device.kind == DeviceKind::InfraredReceiver);
    of_inputs.count() + of_devices.count()
}
