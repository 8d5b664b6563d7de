//! A controller that somebody built already and that runs: what it prints is read, mapped to the parts of the system file, and the new
//! rules run in shadow beside it, so that the difference is seen before anything is replaced.
//!
//! Contract: pure. Nothing here reads a clock or holds a thread; times come with the values. The same bytes and times give the same
//! answer in any chunking, and memory is bounded whatever comes.

pub mod because;
pub mod conditions;
pub mod lines;
pub mod map;
mod parse;
mod reader;
pub mod run;
pub mod seen;
pub mod suggest;
mod tally;
pub mod words;

pub use map::Map;
pub use parse::{Form, Kind, Printed, Value};
pub use reader::Reader;
pub use run::Shadow;
pub use tally::{Reason, Rejected, Tally};
