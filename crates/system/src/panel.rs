//! What a text display shows, what the keys of a remote do, how the buzzer sounds: `[panel]`, `[[page]]`, `[[remote_key]]` and
//! `[buzzer]`, resolved. Widths and codes of the display are `control::panel`'s.

use std::ops::Range;

pub use units::UnitSystem;

use crate::model::{ActuatorIdx, ProcedureIdx, SignalIdx};

/// All of it; sections that the file leaves out are empty.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Panel {
    /// Units of what is shown.
    pub units: UnitSystem,
    /// A page stands so long, s; 0: until a key turns it. None: the usual time.
    pub turn_s: Option<u8>,
    /// Sentences that replace the usual ones.
    pub sentences: Sentences,
    /// Pages in file order; none: a usual set is made.
    pub pages: Vec<Page>,
    /// Keys in file order.
    pub keys: Vec<RemoteKey>,
    /// Patterns that replace the usual ones.
    pub patterns: Patterns,
}

impl Panel {
    /// The file has something to say about display, remote or buzzer.
    pub fn is_begun(&self) -> bool {
        *self != Panel::default()
    }

    /// Signals that pages show, actuators' states not among them.
    pub fn signals(&self) -> impl Iterator<Item = SignalIdx> + '_ {
        self.places().filter_map(|place| match place {
            Place::Number { signal, .. } | Place::State { signal, .. } => Some(*signal),
            _ => None,
        })
    }

    /// Whether a page shows the time of day.
    pub fn shows_clock(&self) -> bool {
        self.places().any(|place| *place == Place::Clock)
    }

    fn places(&self) -> impl Iterator<Item = &Place> {
        self.pages.iter().flat_map(|page| &page.lines).flat_map(|line| &line.pieces).filter_map(|piece| {
            match piece {
                Piece::Place(place, _) => Some(place),
                Piece::Text(..) => None,
            }
        })
    }
}

/// Sentences that the board says by itself.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Sentences {
    /// While all is well.
    pub well: Option<String>,
    /// An output does not follow.
    pub output: Option<String>,
    /// The last reset was by the watchdog or a self test.
    pub self_test: Option<String>,
    /// An expander, clock or display does not answer.
    pub device: Option<String>,
    /// Another program runs than the one that was to.
    pub program: Option<String>,
    /// An alarm of a program that the texts are not of.
    pub other_alarm: Option<String>,
    /// A key was refused.
    pub refused: Option<String>,
}

/// What the display shows at a time.
#[derive(Clone, PartialEq, Debug)]
pub struct Page {
    /// Lines from the top.
    pub lines: Vec<Line>,
    /// Place of the page in the file.
    pub span: Range<usize>,
}

/// A line of the display.
#[derive(Clone, PartialEq, Debug)]
pub struct Line {
    /// From the left.
    pub pieces: Vec<Piece>,
    /// Place of the line in the file.
    pub span: Range<usize>,
}

/// Text, or a place for what changes, each with its place in the file.
#[derive(Clone, PartialEq, Debug)]
pub enum Piece {
    /// As written.
    Text(String, Range<usize>),
    /// What stands in braces.
    Place(Place, Range<usize>),
}

/// What stands in a place.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Place {
    /// A number.
    Number {
        /// Whose.
        signal: SignalIdx,
        /// Digits behind the point; none: as is usual for its kind.
        decimals: Option<u8>,
    },
    /// One of two words.
    State {
        /// A two-state signal.
        signal: SignalIdx,
        /// While it is true, and while it is false.
        words: (String, String),
    },
    /// Duty of a modulated actuator, percent.
    Duty(ActuatorIdx),
    /// One of two words by the output of an actuator.
    Output {
        /// Whose.
        actuator: ActuatorIdx,
        /// While it is on, and while it is off.
        words: (String, String),
    },
    /// Local time of day.
    Clock,
    /// Time left of hand.
    HandLeft(ActuatorIdx),
    /// What needs attention first.
    Attention,
    /// The step of a running procedure.
    Step,
    /// The last key.
    Key,
}

/// A key of the remote.
#[derive(Clone, PartialEq, Debug)]
pub struct RemoteKey {
    /// What the display echoes.
    pub name: String,
    /// Address and command << 16. None: it is learned on the board.
    pub code: Option<u32>,
    /// What it does.
    pub act: KeyAct,
    /// Place of the key in the file.
    pub span: Range<usize>,
}

/// What a key does.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum KeyAct {
    /// Hand for so long, s.
    Hand {
        /// Of what.
        actuator: ActuatorIdx,
        /// Share in thousandths: 0 off, 1000 on.
        permille: u16,
        /// How long, s.
        time_s: u16,
    },
    /// Hand, the other way than it is.
    Toggle {
        /// Of what.
        actuator: ActuatorIdx,
        /// How long, s.
        time_s: u16,
    },
    /// Back to its rule.
    Auto(ActuatorIdx),
    /// Resets the trips of an actuator.
    Reset(ActuatorIdx),
    /// Starts a procedure.
    Start(ProcedureIdx),
    /// Confirms a step.
    Confirm(ProcedureIdx),
    /// Ends a procedure.
    Stop(ProcedureIdx),
    /// Starts a procedure, or confirms a step while it runs.
    StartOrConfirm(ProcedureIdx),
    /// The next page.
    NextPage,
    /// The page before.
    PreviousPage,
    /// No sound for so long, s.
    Silence(u16),
}

/// Patterns of the buzzer.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Patterns {
    /// For low, medium and high alarms, and the board's own doubt.
    pub by_level: [Option<Pattern>; 4],
}

/// One pattern.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Pattern {
    /// Beeps.
    pub n_beeps: u8,
    /// Length of one, in 50 ms.
    pub beep: u8,
    /// Gap between two, in 50 ms.
    pub gap: u8,
    /// From the beginning of one pattern to that of the next, s.
    pub every_s: u8,
    /// Frequency, Hz.
    pub hz: u16,
}

/// The panel counts in these, ms (docs/panel.md).
pub const TICK_MS: u32 = 50;
/// Ticks that a pattern may take.
pub const PATTERN_TICKS: u32 = 32;
/// Keys that a board keeps.
pub const MOST_KEYS: usize = 32;
/// Pages that a board keeps.
pub const MOST_PAGES: usize = 16;
