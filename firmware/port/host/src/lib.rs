//! The C runtime as a library for tests on a computer: its hardware is what a test makes of it.
//!
//! Contract: the C code keeps its state in statics, one runtime a process. [`Runtime::lock`] gives the only way to it; whoever holds a
//! [`Runtime`] is alone with it, and a test that needs it in two threads waits for the other. A module of the C code has its wrappers
//! in a file of its own here, which takes `&mut Runtime`.
#![allow(unsafe_code, reason = "calls into C; every block says why it is sound")]

pub mod board;
mod code;
pub mod differential;
pub mod link;
pub mod store;
pub mod vm;
pub mod wiring;

pub use code::{Code, crc16, crc32};

use std::sync::{Mutex, MutexGuard, PoisonError};

static ALONE: Mutex<()> = Mutex::new(());

/// The one C runtime of this process, held by one user at a time.
#[derive(Debug)]
pub struct Runtime {
    _alone: MutexGuard<'static, ()>,
}

impl Runtime {
    /// Waits for the runtime. A holder that panicked leaves it as usable as after a reset of the board: whatever is done next
    /// starts by loading or opening something.
    pub fn lock() -> Runtime {
        Runtime { _alone: ALONE.lock().unwrap_or_else(PoisonError::into_inner) }
    }
}
