//! The real firmware image on a simulated chip, with simulated parts on its buses.
//!
//! The chip runs in a process of its own (`sim/`, a C program with libsimavr, which is under the GPL and is linked into nothing that
//! ships); [`Chip`] drives it over pipes. [`vm`] holds the C virtual machine on the chip against the reference;
//! [`closed_loop`] wires a whole system to its twin; [`served`] puts it behind a line that a station opens.
//!
//! Nothing here is needed to build or use Tidewright. Without libsimavr or avr-gcc the tests say what is missing and pass.

pub mod board;
pub mod chip;
pub mod closed_loop;
pub mod cycles;
pub mod power;
#[cfg(unix)]
pub mod served;
pub mod vm;

pub use board::{Board, Load};
pub use chip::{Chip, Fault, Level};
