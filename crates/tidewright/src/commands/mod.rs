//! One module a command; each reads its options, calls the libraries and says what came out.

pub mod completions;
pub mod man;
pub mod new;
pub mod water;
