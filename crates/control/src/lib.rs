//! The compiler: from the rules of a resolved system to the control program that the board runs.
//!
//! docs/rules.md says what each form of rule means; this crate turns each into operations of docs/control-program.md and adds nothing
//! of its own at run time. Contract: the bytes of a [`Compiled`] have passed [`program::Program::validate`], the same system gives
//! the same bytes, and [`range`] has looked through every operation.
//!
//! One order holds for all that a program reads: measured values are those of this scan; what the rules themselves decided
//! (states of actuators, latched trips, running procedures) is that of the last scan.

mod checks;
mod conditions;
mod findings;
mod graph;
mod layout;
mod listing;
mod lower;
mod order;
pub mod panel;
pub mod range;
mod reduce;
mod rules;
mod signals;
mod usual_pages;
pub mod wiring;

use program::{BitRef, NumRef, Sizes};
use system::model::SensorIdx;
use system::{Diagnostic, System};

/// What may be chosen about a compilation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Options {
    /// Computes every signal of the file, also those that no rule, alarm or procedure needs. What the program decides is the same;
    /// only its size differs.
    pub keep_all_signals: bool,
    /// Checksum of the wiring table that the program is for.
    pub wiring_crc: u32,
    /// Longest time that a hand command may last, ms.
    pub longest_hand_ms: i32,
}

impl Default for Options {
    fn default() -> Self {
        Options { keep_all_signals: false, wiring_crc: 0, longest_hand_ms: LONGEST_HAND_MS }
    }
}

/// Half a day: hand must end before the next one forgets it. (Common practice, no source.)
pub const LONGEST_HAND_MS: i32 = 12 * 3_600_000;

/// A compiled program and where everything of the file stands in it.
#[derive(Clone, Debug)]
pub struct Compiled {
    /// The program, validated.
    pub bytes: Vec<u8>,
    /// Findings that do not stop it.
    pub warnings: Vec<Diagnostic>,
    /// Inputs, number inputs first, each kind in the order of its slots.
    pub inputs: Vec<Input>,
    /// By [`system::model::ActuatorIdx`]: the order of its drive; `None` for what always runs, and for a buzzer without a rule.
    pub drives: Vec<Option<u16>>,
    /// By [`system::model::ActuatorIdx`]: its trips.
    pub trips: Vec<Vec<Trip>>,
    /// By [`system::model::SignalIdx`]: where its value stands after a scan; `None` when nothing needs it.
    pub signals: Vec<Option<Slot>>,
    /// Where the local time of day stands; `None` when nothing needs it.
    pub local_time: Option<NumRef>,
    /// By [`system::model::AlarmIdx`]: the order of its alarm.
    pub alarms: Vec<u16>,
    /// By [`system::model::ProcedureIdx`]: the order of its procedure.
    pub procedures: Vec<u16>,
    /// The program as readable text, with names and the bytes that each operation takes.
    pub listing: String,
    /// Slots, cells, operations and parts.
    pub sizes: Sizes,
}

/// One input of the program.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Input {
    /// What is measured. Its [`system::model::SensorKind`] decides the conversion of a number.
    pub sensor: SensorIdx,
    /// Which input it is.
    pub place: InputPlace,
}

/// Which input of the program.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum InputPlace {
    /// Number input of this order, in the signal's scale.
    Number(u8),
    /// Bit input of this order.
    Bit {
        /// Its order.
        input: u8,
        /// The signal is true while the contact is closed, else while it is open.
        true_when_closed: bool,
    },
}

/// Where a value stands after a scan.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Slot {
    /// A number.
    Number(NumRef),
    /// A bit, negated where the reference says so.
    Bit(BitRef),
}

/// One latch of an actuator.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Trip {
    /// Order of the trip in the program, for reading and resetting it.
    pub order: u16,
    /// What latches it.
    pub cause: TripCause,
}

/// What latches a trip.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum TripCause {
    /// The rule's `trip`.
    Condition,
    /// On without gain.
    Stall,
    /// On for too long without a pause.
    LongestRun,
    /// On for too long in a day (`limit = "latches"`).
    DailyRun,
    /// Too much pumped in a day (`limit = "latches"`).
    DailyVolume,
}

impl TripCause {
    /// The key of the rule that it comes from.
    pub fn key(self) -> &'static str {
        match self {
            TripCause::Condition => "trip",
            TripCause::Stall => "stall",
            TripCause::LongestRun => "longest_run",
            TripCause::DailyRun => "daily_run",
            TripCause::DailyVolume => "daily_volume",
        }
    }
}

/// Compiles the rules of a system with the default [`Options`].
///
/// # Errors
/// Everything that keeps the rules from running on a board, with places in the file.
pub fn compile(system: &System) -> Result<Compiled, Vec<Diagnostic>> {
    compile_with(system, &Options::default())
}

/// Compiles the rules of a system.
///
/// # Errors
/// As [`compile`].
pub fn compile_with(system: &System, options: &Options) -> Result<Compiled, Vec<Diagnostic>> {
    let mut compiled = lower::Lowering::new(system, options).run()?;
    // Each line must fit the display of the same file, so its mistakes are those of the file.
    if panel::is_wanted(system) {
        compiled.warnings.extend(panel::table(system, &compiled)?.warnings);
    }
    Ok(compiled)
}
