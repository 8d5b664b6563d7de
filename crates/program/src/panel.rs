//! The panel table: what a text display shows, what the keys of a remote do, how the buzzer sounds (docs/panel.md, normative).
//!
//! The C runtime reads the bytes in place; here, on the host, they are made from and read into [`Panel`], and [`show`] is the
//! reference of what the panel then does.

use alloc::vec::Vec;

pub mod charset;
pub mod show;
mod table;

use crate::format::Program;

/// Codes of the display's character generator.
pub type Text = Vec<u8>;

/// Most columns of a display.
pub const MOST_COLUMNS: u8 = 40;
/// Most rows of a display.
pub const MOST_ROWS: u8 = 4;
/// Most pages.
pub const MOST_PAGES: usize = 16;
/// Most keys of a remote.
pub const MOST_KEYS: usize = 32;
/// Longest sentence, chars.
pub const LONGEST_TEXT: usize = 200;
/// What the board itself can doubt: texts before those of alarms.
pub const N_DOUBTS: usize = 4;
/// No such output, no such code.
const NO_OUTPUT: u8 = 0xFF;
/// A key without a code of its own: learned on the board only.
const NO_CODE: u32 = 0xFF_FFFF;
/// Stands for no key in EEPROM, so no key has it.
const NO_COMMAND: u8 = 0xFF;

/// A whole table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Panel {
    /// Counts of the program that it is written for, by [`counts_of`].
    pub counts: Counts,
    /// Columns of the display, 8 to 40.
    pub columns: u8,
    /// Rows of the display, 1 to 4.
    pub rows: u8,
    /// A page stands so long, s; 0: until a key turns it.
    pub page_s: u8,
    /// The page that comes up with an alarm.
    pub attention_page: u8,
    /// Pages of as many lines as the display has rows.
    pub pages: Vec<Vec<Line>>,
    /// Keys of the remote.
    pub keys: Vec<Key>,
    /// Output of the buzzer.
    pub buzzer: Option<u8>,
    /// For low, medium, high and the board's own doubt.
    pub patterns: [Pattern; 4],
    /// Sentences.
    pub texts: Texts,
}

/// Chars and places, from the left.
pub type Line = Vec<Piece>;

/// One piece of a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Piece {
    /// A char as it is, 0x20 and above.
    Char(u8),
    /// Room for what changes.
    Place {
        /// Chars, the mark included where there is one.
        width: u8,
        /// What stands there.
        what: What,
    },
}

impl Piece {
    /// Chars that it takes.
    pub fn width(&self) -> usize {
        match self {
            Piece::Char(_) => 1,
            Piece::Place { width, .. } => usize::from(*width),
        }
    }
}

/// Where a value comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Source {
    /// A slot of the program.
    Slot(u16),
    /// The output of a drive.
    Output(u8),
}

/// What stands in a place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum What {
    /// 1: a number.
    Number {
        /// Where from.
        source: Source,
        /// How it is written.
        form: Form,
    },
    /// 2: one of two words, each one char shorter than the place.
    State {
        /// Where from.
        source: Source,
        /// The opposite of it.
        is_negated: bool,
        /// Word for true.
        when_true: Text,
        /// Word for false.
        when_false: Text,
    },
    /// 3: local time of day, from this number slot.
    Clock {
        /// Slot of the local time of day, ms.
        slot: u16,
    },
    /// 4: time left of hand.
    HandLeft {
        /// Drive.
        drive: u8,
    },
    /// 5: what needs attention first.
    Attention,
    /// 6: the step of a running procedure.
    Step,
    /// 7: the last key.
    Key,
}

/// Shown is nearest(v * multiplier / divisor) + offset, in units of 10^-decimals.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Form {
    /// Digits behind the point, at most 4.
    pub decimals: u8,
    /// At least 1.
    pub multiplier: u16,
    /// At least 1.
    pub divisor: u16,
    /// Added.
    pub offset: i16,
}

impl Form {
    /// What is written for a value, without its point.
    pub fn shown(&self, value: i32) -> i32 {
        let (product, divisor) = (i64::from(value) * i64::from(self.multiplier), i64::from(self.divisor));
        let half = divisor / 2;
        let magnitude = (product.abs() + half) / divisor;
        let shown = if product < 0 { -magnitude } else { magnitude } + i64::from(self.offset);
        shown.clamp(i64::from(i32::MIN), i64::from(i32::MAX)) as i32
    }
}

/// A key of the remote.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Key {
    /// Address and command << 16; none: it must be learned.
    pub code: Option<u32>,
    /// What it does.
    pub action: Action,
    /// Its echo.
    pub name: Text,
}

/// What a key does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Action {
    /// 1: hand, for so long.
    Hand {
        /// Drive.
        drive: u8,
        /// 0 off, 1 on, permille of a modulated drive.
        value: i16,
        /// Seconds, at least 1.
        time_s: u16,
    },
    /// 2: hand, the other way than it is.
    Toggle {
        /// Drive.
        drive: u8,
        /// When it is off.
        value: i16,
        /// Seconds, at least 1.
        time_s: u16,
    },
    /// 3: back to the rule.
    GiveBack {
        /// Drive.
        drive: u8,
    },
    /// 4: resets trips.
    ResetTrips {
        /// The first.
        first: u8,
        /// How many.
        n: u8,
    },
    /// 5: a procedure.
    Procedure {
        /// Which.
        procedure: u8,
        /// What with it.
        command: KeyCommand,
    },
    /// 6: turns the page.
    Page {
        /// To the next rather than back.
        is_next: bool,
    },
    /// 7: silences the buzzer.
    Silence {
        /// Seconds, at least 1.
        time_s: u16,
    },
}

/// What a key does with a procedure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum KeyCommand {
    /// Start.
    Start = 1,
    /// Confirm a step.
    Confirm = 2,
    /// Stop.
    Stop = 3,
    /// Start, or confirm while it runs.
    Advance = 4,
}

/// A pattern of the buzzer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pattern {
    /// Frequency, 31 to 10 000 Hz.
    pub hz: u16,
    /// It begins again after so many seconds, at least 2.
    pub period_s: u8,
    /// In which of its first 32 ticks of [`TICK_MS`] it sounds, the first one lowest.
    pub beeps: u32,
}

/// The panel counts in these, ms.
pub const TICK_MS: u32 = 50;

impl Pattern {
    /// What a file gets that says nothing (own patterns; common practice, no source).
    pub const USUAL: [Pattern; 4] = [
        Pattern { hz: 2000, period_s: 60, beeps: 0b11 },
        Pattern { hz: 2700, period_s: 10, beeps: 0b111_000_111 },
        Pattern { hz: 2700, period_s: 2, beeps: 0b111_000_111_000_111 },
        Pattern { hz: 3500, period_s: 5, beeps: 0b1_0101_0101 },
    ];

    /// So many beeps with gaps between, in ticks; none when they do not fit 32 ticks.
    pub fn beeps(n_beeps: u32, beep: u32, gap: u32) -> Option<u32> {
        if n_beeps == 0 || beep == 0 || (n_beeps > 1 && gap == 0) {
            return None;
        }
        let length = n_beeps.checked_mul(beep.checked_add(gap)?)?.checked_sub(gap)?;
        (length <= u32::BITS).then(|| {
            (0..n_beeps)
                .fold(0, |beeps, order| beeps | (u32::MAX >> (u32::BITS - beep)) << (order * (beep + gap)))
        })
    }
}

/// Sentences, each at most [`LONGEST_TEXT`] chars.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Texts {
    /// While all is well.
    pub well: Text,
    /// What the board itself doubts: an output, a self test, a device, the program.
    pub doubts: [Text; N_DOUBTS],
    /// For an alarm of a program of another layout.
    pub foreign_alarm: Text,
    /// A key was refused.
    pub refused: Text,
    /// For each alarm.
    pub alarms: Vec<Text>,
    /// For each step of each procedure.
    pub steps: Vec<Vec<Text>>,
}

/// Why a panel table is refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PanelError {
    /// Not a panel table, of another format, or of another length than it says.
    Container,
    /// Damaged.
    Checksum,
    /// A count, size or number is out of range, or a block is not readable; this one, or the head.
    Block {
        /// Which block, from 0 over lines, keys and texts; none for the head.
        block: Option<usize>,
    },
    /// It would be longer than 65 535 bytes.
    TooLong,
}

impl core::fmt::Display for PanelError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            PanelError::Container => f.write_str("not a panel table of this format"),
            PanelError::Checksum => f.write_str("panel table is damaged (checksum)"),
            PanelError::Block { block: Some(block) } => {
                write!(f, "block {block} of the panel table is not readable or out of range")
            }
            PanelError::Block { block: None } => f.write_str("the head of the panel table is out of range"),
            PanelError::TooLong => f.write_str("panel table is longer than 65535 bytes"),
        }
    }
}

impl core::error::Error for PanelError {}

/// Counts by which a table knows its program, as the board's loader keeps them: numbers, bits, cells and operations by 16 bits, number
/// inputs, bit inputs, drives, trips, alarms and procedures by 8.
pub type Counts = [u8; 14];

/// The counts of a program.
pub fn counts_of(program: &Program<'_>) -> Counts {
    let sizes = program.sizes();
    let mut counts = [0; 14];
    let wide = [sizes.n_numbers, sizes.n_bits, sizes.n_cells, sizes.n_ops];
    for (to, from) in counts.chunks_exact_mut(2).zip(wide) {
        to.copy_from_slice(&from.to_le_bytes());
    }
    let narrow = [
        program.n_number_inputs() as u8,
        program.n_bit_inputs() as u8,
        sizes.n_drives as u8,
        sizes.n_trips as u8,
        sizes.n_alarms as u8,
        sizes.n_procedures as u8,
    ];
    counts[8..].copy_from_slice(&narrow);
    counts
}

/// The 32 bits of a NEC frame, first received bit lowest, as the code of a key; none when the inverse of the command is wrong, or the
/// command is 0xFF.
pub fn code_of_frame(frame: u32) -> Option<u32> {
    let [_, _, command, inverse] = frame.to_le_bytes();
    (command ^ inverse == 0xFF && command != NO_COMMAND).then_some(frame & NO_CODE)
}
