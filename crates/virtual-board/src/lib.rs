//! A board of software: twin and reference VM, scan by scan as in a rehearsal, behind the link protocol (docs/link.md).
//!
//! | module | holds |
//! |---|---|
//! | `board` | requests, scans, events, restarts: what firmware/core does |
//! | `memory`, `journal` | what outlasts a reset |
//! | `world` | what the board is wired to: the twin, or what a test puts in its place |
//! | `port`, `pipe` | its lines: plain or sealed, in memory |
//! | `server` | the running thing: pace, lines, faults |
//! | `stream`, `state` | TCP and pseudo-terminals; the state file |

mod board;
mod file;
mod journal;
mod made;
mod memory;
mod pipe;
mod port;
mod server;
mod state;
mod stream;
mod world;

pub use board::{Board, Kind, Line};
pub use made::Made;
pub use pipe::Wire;
pub use server::{Chapter, Happening, Now, Pace, Setup, StartError, Virtual};
#[cfg(unix)]
pub use stream::Terminal;
pub use world::{Power, Tank, World, cause};
