//! Trials: the twin and the control program together, judged against the requirements. Rehearsal of one run, FMEA of all faults.
//!
//! Contract: everything here is a pure function of system, seed and options; nothing reads a clock, and the number of threads or of
//! lanes never changes a bit of a result.

mod activity;
mod faults;
mod fmea;
mod inputs;
mod judge;
mod model;
mod origins;
pub mod rehearse;
pub mod replay;
mod rig;
mod rows;
pub mod stl;

pub use faults::{Fault, Injection, derive};
pub use fmea::{Effort, Fmea, NoFmea, Options, Place, Watch, run, run_settled};
pub use judge::{Outcome, SAMPLE_S, Verdict};
pub use model::Model;
pub use origins::{EPOCH_UTC_S, Instant, Settled, Wanted, local_offset_s, start};
pub use rig::{Fork, Rig};
pub use rows::{Breach, Cell, Row, days, scale};
