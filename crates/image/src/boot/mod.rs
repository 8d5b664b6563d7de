//! Writing flash through the serial bootloaders of common boards.
//!
//! The order of pages is such that a cable pulled at any instant leaves a board that never runs half an image: the first page is
//! replaced by one that holds the chip still (all pins inputs, so every coil rests), or erased where an erased one does that; then all
//! others are written and read back, and the first page comes last. The bootloader itself is never written. EEPROM is never touched. What each protocol adds stands in its file.

mod avr109;
pub mod serial;
mod stk500v1;
mod stk500v2;

use std::io;
use std::time::{Duration, Instant};

use system::parts::BootProtocol;

/// Sessions until a link that loses bytes is given up.
const ATTEMPTS: usize = 3;

/// A byte line to a board.
pub trait Line {
    /// Sends all bytes.
    ///
    /// # Errors
    /// The port is gone.
    fn send(&mut self, bytes: &[u8]) -> io::Result<()>;
    /// Reads what has come, at least a byte; 0 when nothing comes in time.
    ///
    /// # Errors
    /// The port is gone.
    fn receive(&mut self, buffer: &mut [u8], within: Duration) -> io::Result<usize>;
    /// Resets the board, so that its bootloader listens.
    ///
    /// # Errors
    /// The port is gone, or the bootloader's port does not come.
    fn reset(&mut self) -> io::Result<()>;
    /// Longest time to wait for an answer that takes no work; a simulated board has no need of patience.
    fn patience(&self) -> Duration {
        Duration::from_millis(500)
    }
}

/// What is to be written to.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Target {
    /// What the chip names itself.
    pub signature: [u8; 3],
    /// Bytes that its flash writes at once.
    pub page: usize,
    /// First address of the bootloader: nothing is written at or beyond it.
    pub end: usize,
}

/// Why a session failed.
#[derive(Debug)]
pub enum BootError {
    /// The port is gone: the cable was pulled, or somebody else has it.
    Port(io::Error),
    /// The bootloader does not answer.
    Silent,
    /// The bootloader answered something else than its protocol has.
    Garbled,
    /// The board has another chip.
    Signature {
        /// What it answered.
        found: [u8; 3],
    },
    /// The bootloader refused to write this address.
    Refused {
        /// First address of the page.
        address: usize,
    },
    /// The flash reads otherwise than it was written.
    Differs {
        /// First address that does.
        address: usize,
    },
    /// The image reaches into the bootloader, or is empty.
    TooLarge {
        /// Bytes of the image.
        length: usize,
    },
}

impl BootError {
    /// Whether another session may do better: all that one garbled byte can bring about.
    fn is_of_the_link(&self) -> bool {
        !matches!(self, BootError::Port(_) | BootError::TooLarge { .. })
    }
}

impl std::fmt::Display for BootError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            BootError::Port(error) => write!(f, "the port is gone ({error})"),
            BootError::Silent => f.write_str("the bootloader does not answer"),
            BootError::Garbled => f.write_str("the bootloader's answers are garbled"),
            BootError::Signature { found: [a, b, c] } => {
                write!(f, "the board has another chip: its signature is {a:02x} {b:02x} {c:02x}")
            }
            BootError::Refused { address } => write!(f, "the bootloader refuses to write at {address:#x}"),
            BootError::Differs { address } => {
                write!(f, "the flash reads otherwise than it was written at {address:#x}")
            }
            BootError::TooLarge { length } => {
                write!(f, "the image of {length} bytes does not fit below the bootloader")
            }
        }
    }
}

impl std::error::Error for BootError {}

impl From<io::Error> for BootError {
    fn from(error: io::Error) -> Self {
        BootError::Port(error)
    }
}

/// What a board does after a session that failed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Left {
    /// Nothing was written: it runs what it ran before.
    AsItWas,
    /// The first page was under way: it runs what it ran before, or holds still.
    AsItWasOrStill,
    /// It holds still with every pin an input until an image is written whole.
    HoldingStill,
    /// The last page was under way: it holds still, or the image is whole.
    StillOrWhole,
    /// The image is whole, only the last word of the session was lost.
    Whole,
}

/// A session that failed, and what it left.
#[derive(Debug)]
pub struct Failed {
    /// Why.
    pub error: BootError,
    /// What the board does now.
    pub left: Left,
}

/// How far a session is: pages written and read back, of so many.
pub type Progress<'a> = &'a mut dyn FnMut(usize, usize);

/// What each protocol can do.
trait Bootloader {
    /// Resets the board and gets the bootloader to listen.
    fn enter(&mut self, line: &mut dyn Line) -> Result<(), BootError>;
    fn signature(&mut self, line: &mut dyn Line) -> Result<[u8; 3], BootError>;
    fn write(&mut self, line: &mut dyn Line, address: usize, page: &[u8]) -> Result<(), BootError>;
    fn read(&mut self, line: &mut dyn Line, address: usize, page: &mut [u8]) -> Result<(), BootError>;
    /// Makes the first page one that nothing runs from, and reads it back.
    fn hold_still(&mut self, line: &mut dyn Line, page: usize) -> Result<(), BootError> {
        let still = still(page);
        self.write(line, 0, &still)?;
        check(line, self, 0, &still)
    }
    /// Before the first page is written a second time.
    fn turn_back(&mut self, _line: &mut dyn Line) -> Result<(), BootError> {
        Ok(())
    }
    /// Lets the board run.
    fn leave(&mut self, line: &mut dyn Line) -> Result<(), BootError>;
}

fn bootloader(protocol: BootProtocol, target: Target) -> Box<dyn Bootloader> {
    match protocol {
        BootProtocol::Stk500v1 => Box::new(stk500v1::Stk500v1),
        BootProtocol::Stk500v2 => Box::new(stk500v2::Stk500v2::new(target.end)),
        BootProtocol::Avr109 => Box::new(avr109::Avr109),
    }
}

/// A page on which the chip holds still: `rjmp .-2` at the reset vector and everywhere else, so that no other entry into the
/// page gets any further.
fn still(page: usize) -> Vec<u8> {
    0xCFFF_u16.to_le_bytes().into_iter().cycle().take(page).collect()
}

/// Writes an image from address 0 and reads all of it back. A link that loses bytes is tried again from the start.
///
/// # Errors
/// Why it failed, and what that leaves on the board. Writing again is always possible.
pub fn write(
    line: &mut dyn Line,
    protocol: BootProtocol,
    target: Target,
    image: &[u8],
    progress: Progress<'_>,
) -> Result<(), Failed> {
    if image.is_empty() || image.len() > target.end || target.page == 0 {
        let error = BootError::TooLarge { length: image.len() };
        return Err(Failed { error, left: Left::AsItWas });
    }
    let mut left = Left::AsItWas;
    let mut attempt = 1;
    loop {
        let mut bootloader = bootloader(protocol, target);
        match session(line, bootloader.as_mut(), target, image, &mut left, progress) {
            Ok(()) => return Ok(()),
            // The image is whole and read back: a lost word of farewell is no failure.
            Err(_) if left == Left::Whole => return Ok(()),
            Err(error) if error.is_of_the_link() && attempt < ATTEMPTS => attempt += 1,
            Err(error) => return Err(Failed { error, left }),
        }
    }
}

fn session(
    line: &mut dyn Line,
    bootloader: &mut dyn Bootloader,
    target: Target,
    image: &[u8],
    left: &mut Left,
    progress: Progress<'_>,
) -> Result<(), BootError> {
    let page = target.page;
    let n_pages = image.len().div_ceil(page);
    let content = |index: usize| {
        let from = index * page;
        let mut bytes = image[from..image.len().min(from + page)].to_vec();
        bytes.resize(page, 0xFF);
        bytes
    };
    let n_steps = 2 * n_pages;
    bootloader.enter(line)?;
    let found = bootloader.signature(line)?;
    if found != target.signature {
        return Err(BootError::Signature { found });
    }
    if *left == Left::AsItWas {
        *left = Left::AsItWasOrStill;
    }
    bootloader.hold_still(line, page)?;
    *left = Left::HoldingStill;
    for index in 1..n_pages {
        bootloader.write(line, index * page, &content(index))?;
        progress(index, n_steps);
    }
    for index in 1..n_pages {
        check(line, bootloader, index * page, &content(index))?;
        progress(n_pages + index - 1, n_steps);
    }
    bootloader.turn_back(line)?;
    *left = Left::StillOrWhole;
    bootloader.write(line, 0, &content(0))?;
    check(line, bootloader, 0, &content(0))?;
    progress(n_steps, n_steps);
    *left = Left::Whole;
    bootloader.leave(line)
}

fn check<B: Bootloader + ?Sized>(
    line: &mut dyn Line,
    bootloader: &mut B,
    address: usize,
    wanted: &[u8],
) -> Result<(), BootError> {
    let mut back = vec![0; wanted.len()];
    bootloader.read(line, address, &mut back)?;
    match back.iter().zip(wanted).position(|(a, b)| a != b) {
        Some(at) => Err(BootError::Differs { address: address + at }),
        None => Ok(()),
    }
}

/// Reads flash from address 0 until `enough` says so or the bootloader begins; a board is left in its bootloader.
///
/// # Errors
/// As [`write`]; nothing was written.
pub fn read(
    line: &mut dyn Line,
    protocol: BootProtocol,
    target: Target,
    mut enough: impl FnMut(&[u8]) -> bool,
) -> Result<Vec<u8>, BootError> {
    let mut attempt = 1;
    loop {
        let mut bootloader = bootloader(protocol, target);
        let result = (|| {
            bootloader.enter(line)?;
            let found = bootloader.signature(line)?;
            if found != target.signature {
                return Err(BootError::Signature { found });
            }
            let mut flash = vec![];
            while flash.len() < target.end && !enough(&flash) {
                let at = flash.len();
                flash.resize(at + target.page, 0);
                bootloader.read(line, at, &mut flash[at..])?;
            }
            Ok(flash)
        })();
        match result {
            Err(error) if error.is_of_the_link() && attempt < ATTEMPTS => attempt += 1,
            result => return result,
        }
    }
}

/// Fills the buffer, or says that nothing more came in time.
fn exactly(line: &mut dyn Line, buffer: &mut [u8], within: Duration) -> Result<(), BootError> {
    let until = Instant::now() + within;
    let mut n = 0;
    while n < buffer.len() {
        let left = until.saturating_duration_since(Instant::now());
        match line.receive(&mut buffer[n..], left)? {
            0 => return Err(BootError::Silent),
            more => n += more,
        }
    }
    Ok(())
}

/// Throws away what has come.
fn discard(line: &mut dyn Line) -> Result<(), BootError> {
    let mut buffer = [0; 64];
    // A port that talks without end is not drained for ever.
    for _ in 0..64 {
        if line.receive(&mut buffer, Duration::ZERO)? == 0 {
            break;
        }
    }
    Ok(())
}

/// Time for so many bytes at the slowest line of ours, and for writing a page.
fn time_for(line: &dyn Line, n_bytes: usize) -> Duration {
    line.patience() + Duration::from_micros(n_bytes as u64 * 1000)
}
