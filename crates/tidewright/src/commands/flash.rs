//! `tidewright flash`: an image onto the board through its serial bootloader.

use std::io::{BufRead, IsTerminal};
use std::path::Path;

use image::boot::{self, BootError, Failed, Left, Target, serial};
use image::hex::Memory;
use image::tables::{Found, Tables};
use program::Program;
use program::wiring::Wiring;
use serde_json::json;
use system::parts::{BootProtocol, Bootloader, Chip, Library};

use super::build;
use crate::arguments::{BootloaderChoice, FlashOptions};
use crate::console::Console;
use crate::ending::{Ending, Failure};
use crate::open::open;
use crate::progress::Progress;
use crate::{json, wrap};

/// Tables stand below this on every board.
const TABLES_BELOW: usize = 1 << 16;

/// What goes onto the board.
struct Cargo {
    image: Vec<u8>,
    chip: Chip,
    wiring_crc: u32,
    program_crc: u32,
}

/// What a board was found with.
enum There {
    Nothing,
    /// No tables of ours.
    Foreign,
    Ours {
        wiring: u32,
        program: u32,
        numbers: (usize, usize),
    },
}

/// Flashes and tells.
pub fn run(options: &FlashOptions, console: &mut Console) -> Result<Ending, Failure> {
    let is_hex = options.file.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("hex"));
    let cargo = if is_hex {
        from_hex(&options.file)?
    } else {
        match from_system(options, console)? {
            Some(cargo) => cargo,
            None => return Ok(Ending::Unreadable),
        }
    };
    let chip = &cargo.chip;
    let boot = bootloader(chip, options)?;
    let Some(signature) = chip.signature else {
        return Err(Failure::new(format!("the signature of the {} is not known", chip.name))
            .help("add `signature` to its [[chip]] in the parts file"));
    };
    let target = Target { signature, page: chip.page as usize, end: chip.flash as usize };
    let asked = wrap::hanging(
        "The board does not go into its bootloader by itself: press its reset button twice, quickly.",
        console.width,
        0,
    );
    let ask_for_reset = Box::new(move || eprint!("{asked}"));
    let mut line = serial::SerialLine::new(&options.port, boot, ask_for_reset);
    let there = look(&mut line, boot.protocol, target, &options.port)?;
    if !may_replace(&there, &cargo, options, console)? {
        console.print_error("Left as it is.\n");
        return Ok(Ending::Unreadable);
    }
    let progress = Progress::new(options.progress, "flash");
    let result = boot::write(&mut line, boot.protocol, target, &cargo.image, &mut |done, total| {
        progress.tell(done, total);
    });
    drop(progress);
    result.map_err(|failed| failure(&failed, &options.port))?;
    let n_bytes = cargo.image.len();
    let Cargo { wiring_crc: wiring, program_crc: program, .. } = cargo;
    if console.is_json() {
        let (before_wiring, before_program) = match &there {
            There::Ours { wiring, program, .. } => {
                (Some(format!("{wiring:08x}")), Some(format!("{program:08x}")))
            }
            _ => (None, None),
        };
        console.print_json(&json::answer(
            "flash",
            json!({
                "port": options.port,
                "chip": cargo.chip.name,
                "bytes": n_bytes,
                "wiring_crc": format!("{wiring:08x}"),
                "program_crc": format!("{program:08x}"),
                "before_wiring_crc": before_wiring,
                "before_program_crc": before_program,
            }),
        ));
    } else {
        let text = format!(
            "{n_bytes} bytes written to the {} on {} and read back: wiring {wiring:08x}, program {program:08x}. The board runs.",
            cargo.chip.name, options.port
        );
        console.print(&wrap::hanging(&text, console.width, 0));
    }
    Ok(Ending::Clean)
}

/// The image of a system file. None: something is wrong with it, and was told.
fn from_system(options: &FlashOptions, console: &mut Console) -> Result<Option<Cargo>, Failure> {
    let Some(opened) = open(&options.file, "flash", console) else { return Ok(None) };
    let Some(made) = build::make(&opened, "flash", console) else { return Ok(None) };
    let runtime = build::runtime(&opened, &made, options.runtime.as_deref(), options.network)?;
    let Some(built) = build::merge(&opened, &made, &runtime, "flash", console) else { return Ok(None) };
    let Some(chip) = image::build::chip(&opened.system) else { return Ok(None) };
    let (wiring_crc, program_crc) = build::identity(&made);
    Ok(Some(Cargo { image: built.image, chip: chip.clone(), wiring_crc, program_crc }))
}

/// An image that `build` wrote.
fn from_hex(path: &Path) -> Result<Cargo, Failure> {
    let shown = path.display();
    let text = std::fs::read_to_string(path).map_err(|error| {
        Failure::new(format!("cannot read `{shown}`: {error}"))
            .help("name an image that `tidewright build` wrote")
    })?;
    let cure = "build the image again with `tidewright build`";
    let memory = Memory::read(&text)
        .map_err(|error| Failure::new(format!("`{shown}` is not readable: {error}")).help(cure))?;
    let image = memory.flat();
    let Some(found) = Tables::find(&image).filter(|found| found.is_runtime_sound) else {
        return Err(Failure::new(format!(
            "`{shown}` has no sound tables of ours: the board would do nothing"
        ))
        .help("name an image that `tidewright build` wrote"));
    };
    let wiring = Wiring::decode(&found.tables.wiring)
        .map_err(|error| Failure::new(format!("`{shown}`: {error}")).help(cure))?;
    let program = Program::validate(&found.tables.program)
        .map_err(|error| Failure::new(format!("`{shown}`: {error}")).help(cure))?;
    let Some(chip) = Library::builtin().chip_of_code(wiring.board) else {
        return Err(Failure::new(format!("`{shown}` is for a board that this tidewright does not know"))
            .help("update tidewright"));
    };
    Ok(Cargo {
        chip: chip.clone(),
        wiring_crc: Wiring::crc(&found.tables.wiring),
        program_crc: program.crc(),
        image,
    })
}

fn bootloader(chip: &Chip, options: &FlashOptions) -> Result<Bootloader, Failure> {
    let usual = chip.bootloader;
    let protocol = match options.bootloader {
        BootloaderChoice::Auto => usual.map(|boot| boot.protocol),
        BootloaderChoice::Stk500v1 => Some(BootProtocol::Stk500v1),
        BootloaderChoice::Stk500v2 => Some(BootProtocol::Stk500v2),
        BootloaderChoice::Avr109 => Some(BootProtocol::Avr109),
    };
    let Some(protocol) = protocol else {
        return Err(Failure::new(format!(
            "the bootloader of the usual board with the {} is not known",
            chip.name
        ))
        .help("name it with --bootloader, or add `bootloader` to the [[chip]] in the parts file"));
    };
    const USUAL_BAUD: u32 = 115_200;
    let baud = options.baud.or(usual.map(|boot| boot.baud)).unwrap_or(USUAL_BAUD);
    Ok(Bootloader { protocol, baud, bytes: usual.map_or(0, |boot| boot.bytes) })
}

/// Reads what the board runs.
fn look(
    line: &mut serial::SerialLine,
    protocol: BootProtocol,
    target: Target,
    port: &str,
) -> Result<There, Failure> {
    let mut block: Option<usize> = None;
    let mut looked = 0;
    let enough = |flash: &[u8]| {
        while block.is_none() && looked + image::tables::HEADER <= flash.len() {
            block = Tables::length(&flash[looked..]).map(|length| looked + length);
            looked += image::tables::ALIGNMENT;
        }
        let is_still = flash.len() >= 2 && matches!(flash[..2], [0xFF, 0xFF] | [0xFF, 0xCF]);
        block.is_some_and(|end| flash.len() >= end) || flash.len() >= TABLES_BELOW || is_still
    };
    let flash = boot::read(line, protocol, target, enough)
        .map_err(|error| failure(&Failed { error, left: Left::AsItWas }, port))?;
    Ok(match Tables::find(&flash) {
        Some(Found { tables, .. }) => There::Ours {
            wiring: Wiring::crc(&tables.wiring),
            program: Program::validate(&tables.program).map_or(0, |program| program.crc()),
            numbers: Wiring::decode(&tables.wiring)
                .map_or((0, 0), |wiring| (wiring.numbers.len() + wiring.bits.len(), wiring.outputs.len())),
        },
        None if matches!(flash[..], [0xFF, 0xFF | 0xCF, ..]) => There::Nothing,
        None => There::Foreign,
    })
}

/// Whether what the board runs may go. Another wiring is asked about: the pins of one system under the program of another move things
/// that nobody thought of.
fn may_replace(
    there: &There,
    cargo: &Cargo,
    options: &FlashOptions,
    console: &Console,
) -> Result<bool, Failure> {
    let what = match there {
        There::Nothing => return Ok(true),
        There::Ours { wiring, .. } if *wiring == cargo.wiring_crc => return Ok(true),
        There::Ours { wiring, program, numbers: (inputs, outputs) } => format!(
            "the board is wired otherwise: wiring {wiring:08x} with {inputs} inputs and {outputs} outputs, golden program {program:08x}; \
             the image has wiring {:08x}",
            cargo.wiring_crc
        ),
        There::Foreign => "the board runs something that is not tidewright's".to_owned(),
    };
    if options.yes {
        return Ok(true);
    }
    if !std::io::stdin().is_terminal() {
        return Err(Failure::new(what).help("give --yes to replace it"));
    }
    let mut sentence = what;
    sentence[..1].make_ascii_uppercase();
    console.print_error(&wrap::hanging(&format!("{sentence}."), console.width, 0));
    console.print_error("Replace it? [y/N] ");
    let mut answer = String::new();
    let _ = std::io::stdin().lock().read_line(&mut answer);
    Ok(matches!(answer.trim().to_lowercase().as_str(), "y" | "yes"))
}

/// What happened, what it leaves, what to do.
fn failure(failed: &Failed, port: &str) -> Failure {
    let left = match failed.left {
        Left::AsItWas => "nothing was written: the board runs what it ran before",
        Left::AsItWasOrStill => "the board runs what it ran before, or holds still with every coil at rest",
        Left::HoldingStill => "the board holds still with every coil at rest until an image is written whole",
        Left::StillOrWhole => "the image is whole, or the board holds still with every coil at rest",
        Left::Whole => "the image is whole",
    };
    let help = match &failed.error {
        BootError::Port(error) if failed.left == Left::AsItWas => {
            let ports = serial::ports();
            let known = if ports.is_empty() { "there is none".to_owned() } else { ports.join(", ") };
            match error.kind() {
                std::io::ErrorKind::PermissionDenied => {
                    "your account may not open it: on Debian join the group `dialout` and log in again".to_owned()
                }
                _ => format!("look at the cable and the name of the port, close other programs that use it; ports of this machine: {known}"),
            }
        }
        BootError::Port(_) => "plug the cable in and run the same command again".to_owned(),
        BootError::Silent | BootError::Garbled => {
            "look at port and cable, close other programs that use the port, try --bootloader or --baud (older boards with the \
             ATmega328P: 57600), then run the same command again"
                .to_owned()
        }
        BootError::Signature { .. } => "correct `chip` of the [[board]], or take the other board".to_owned(),
        BootError::Refused { .. } => {
            "its bootloader is larger than the usual one: take a smaller image, or a board with the usual bootloader".to_owned()
        }
        BootError::Differs { .. } => {
            "run the same command again; if it differs at the same place, the chip is worn out or protected".to_owned()
        }
        BootError::TooLarge { .. } => "take out rules, alarms or pages, or take a larger chip".to_owned(),
    };
    Failure::new(format!("{port}: {}; {left}", failed.error)).help(help)
}
