//! The system file: text -> raw (unknown keys rejected) -> resolved [`System`]; the parts library; findings with stable ids.
//!
//! Contract: nothing past this crate sees the raw file; a [`System`] that came out of here can be indexed without checks.

pub mod catalogue;
pub mod diagnostic;
pub mod document;
pub mod electrics;
pub mod expr;
pub mod findings;
mod language;
mod load;
pub mod model;
pub mod panel;
pub mod parts;
pub mod places;
mod queries;
mod raw;
pub mod reading;
pub mod render;
mod resolve;
pub mod starter;
mod suggest;
mod timezone;
pub mod wiring;

pub use diagnostic::{Annotation, Diagnostic, Level};
pub use load::{LONGEST, Loaded, LoadedFile, load, load_file, load_with, parts_file};
pub use model::System;
