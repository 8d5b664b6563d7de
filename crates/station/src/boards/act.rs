//! What people want of a board, and what became of it: done, refused or not done, never assumed.

use std::sync::Arc;

use link::message::ProcedureCommand;
use system::model::{ActuatorIdx, ProcedureIdx};

/// One act on one board.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Act {
    /// Takes an actuator into hand for a time; 0 ms gives it back.
    Hand {
        /// Which.
        actuator: ActuatorIdx,
        /// 0 or 1, permille if modulated.
        value: i16,
        /// How long, ms. The board cuts it to what the program allows (12 h).
        time_ms: u32,
    },
    /// Resets a trip, by its order in the program ([`super::Names::trips`]).
    ResetTrip {
        /// Which.
        trip: u8,
    },
    /// Starts, confirms or stops a procedure.
    Procedure {
        /// Which.
        procedure: ProcedureIdx,
        /// What it is told.
        command: ProcedureCommand,
    },
    /// Writes a calibration entry (`program::calibration::Entry::to_bytes`).
    Calibrate {
        /// The entry.
        entry: [u8; 14],
    },
    /// Gives the board another program for its wiring, on trial: unless it is confirmed in time, the board goes back by itself.
    Try {
        /// The program.
        program: Arc<[u8]>,
        /// How long it is tried, min, 1 to 255.
        minutes: u8,
    },
    /// Keeps the program that is tried.
    Confirm,
    /// Gives up the program that is tried; the board starts anew with the confirmed one.
    Revert,
}

/// What became of an act.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The board took it, and the record of the scan that took it says so.
    Done(Done),
    /// The board, or its program, does not do it: why, in words of the file.
    Refused {
        /// A sentence.
        why: String,
    },
    /// Nothing was done as far as anybody knows, and nothing of it is done later: why.
    NotDone {
        /// A sentence.
        why: String,
    },
}

/// How an act was done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Done {
    /// The scan that took it, since the board's boot; `None` of a calibration, which no scan takes.
    pub scan: Option<u32>,
    /// When that scan was, UTC ms since 1970.
    pub at_ms: i64,
    /// Of a hand: what the actuator puts out in the record of that very scan (0 or 1, permille if modulated).
    pub output: Option<i16>,
    /// Of a hand: how long it still lasts after that scan, ms.
    pub hand_left_ms: Option<u32>,
    /// What the person must know, such as that the output is not what was asked for and why.
    pub remark: Option<String>,
}

/// One line of "make safe", with what became of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SafeStep {
    /// Which actuator.
    pub actuator: ActuatorIdx,
    /// What is done with it.
    pub act: Act,
    /// A sentence for people: what and why.
    pub words: String,
}
