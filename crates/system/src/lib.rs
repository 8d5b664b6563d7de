//! The system file: text -> raw (unknown keys rejected) -> resolved [`System`]; the parts library; findings with stable ids.
//!
//! Contract: nothing past this crate sees the raw file; a [`System`] that came out of here can be indexed without checks.

pub mod diagnostic;
pub mod expr;
pub mod model;
pub mod places;

pub use diagnostic::{Annotation, Diagnostic, Level};
pub use model::System;
