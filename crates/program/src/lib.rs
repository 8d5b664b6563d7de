//! The control program as it is on the chip: its bytes, what a loader accepts, the reference VM, the conversion of
//! raw codes to values, calibration and the wiring table.
//!
//! `docs/control-program.md` is the normative text; this crate is the reference that the C runtime is compared with.
//!
//! Contract: [`Program::validate`] is the only way to a [`Program`], and everything that runs takes a `Program`, so
//! that running can neither panic nor leave its storage. Nothing here allocates, except behind the `alloc` feature
//! (assembler, disassembler, [`machine::Machine`], generator), which a chip does not use. No floating point enters a
//! result: control arithmetic is `i32` in fixed scales (m°C, milli-pH, µm, mL, ms, permille).
#![no_std]

#[cfg(feature = "alloc")]
extern crate alloc;

pub mod calibration;
pub mod codec;
pub mod convert;
pub mod crc;
pub mod eeprom;
pub mod format;
pub mod op;
pub mod quality;
pub mod vm;
pub mod wiring;
pub mod zone;

#[cfg(feature = "alloc")]
pub mod assembler;
#[cfg(feature = "alloc")]
pub mod cost;
#[cfg(feature = "alloc")]
pub mod generate;
#[cfg(feature = "alloc")]
pub mod machine;
#[cfg(feature = "alloc")]
pub mod panel;
#[cfg(feature = "alloc")]
pub mod text;

pub use format::{LoadError, Program, Sizes};
pub use op::{BitRef, NumRef, Op};
pub use quality::{Quality, Sample};

#[cfg(feature = "alloc")]
pub use assembler::{AssembleError, Assembler};
#[cfg(feature = "alloc")]
pub use machine::{Command, Machine};
