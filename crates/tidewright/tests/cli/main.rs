//! Every command as a user runs it: exit code, standard output and standard error, held by snapshots beside this file.
//!
//! One module a command. A changed snapshot is shown as a difference; `UPDATE_SNAPSHOTS=1 cargo test -p tidewright --test cli`
//! writes the new ones, for a person to read before they are committed.

mod audit;
mod bad_input;
mod build;
mod care;
mod compare;
mod fit;
mod flash;
mod fmea;
mod harness;
mod help;
mod listen;
mod new;
mod rehearse;
mod report;
mod revisions;
mod shadow;
#[path = "../../../image/tests/simulated/mod.rs"]
mod simulated;
mod trial;
mod water;
mod wire;
