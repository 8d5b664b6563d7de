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

/// Where the tables block stands in the host's flash (`port_host.c`).
const TABLES_AT: usize = 0x4000;

/// Flash of a board: blank where the runtime would stand, then the tables block (docs/firmware.md) without a panel.
pub(crate) fn flash_with(wiring: &[u8], golden: &[u8]) -> Vec<u8> {
    let mut flash = vec![0xFF; 65_536];
    let mut block = vec![b'T', b'b', 1, 0];
    for length in [wiring.len(), golden.len(), 0] {
        block.extend((length as u16).to_le_bytes());
    }
    block.extend(crc32(&flash[..TABLES_AT]).to_le_bytes());
    block.extend(crc32(&block).to_le_bytes());
    block.extend(wiring);
    block.extend(golden);
    flash[TABLES_AT..TABLES_AT + block.len()].copy_from_slice(&block);
    flash
}
