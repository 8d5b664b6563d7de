//! What a board's thread tells: link states, scans, journal.

use std::sync::Arc;
use std::sync::mpsc::Sender;

use link::client::Told;
use link::message::Hello;
use link::record::Record;

use super::names::Trust;

/// Position of a board in the station file, from 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct BoardId(pub usize);

/// UTC ms since 1970 at 2000-01-01, where the boards' clocks begin.
pub const MS_AT_2000: i64 = 946_684_800_000;

/// What comes out of the boards, in order for each board.
#[derive(Clone, Debug)]
#[expect(clippy::large_enum_variant, reason = "nearly all of them are scans, the largest")]
pub enum BoardEvent {
    /// The link is in another state from now on.
    Link {
        /// Whose.
        board: BoardId,
        /// When, UTC ms since 1970 by the station's clock.
        at_ms: i64,
        /// The new state.
        state: LinkState,
    },
    /// A scan was recorded.
    Scan(Scan),
    /// The journal has grown. It is kept durably, then [`Journal::stored`] is told.
    Journal(Journal),
}

impl BoardEvent {
    /// Whose it is.
    pub fn board(&self) -> BoardId {
        match self {
            BoardEvent::Link { board, .. } => *board,
            BoardEvent::Scan(scan) => scan.board,
            BoardEvent::Journal(journal) => journal.board,
        }
    }
}

/// How a board can be reached.
#[derive(Clone, Debug, PartialEq)]
pub enum LinkState {
    /// Not yet reached, or no longer; the line is tried again and again. Why not, in words, when it is known.
    Down {
        /// What stood against it at the last try.
        why: Option<String>,
    },
    /// It answers and is what the system file says, or as far as `trust` goes.
    Up {
        /// What the board says of itself.
        hello: Arc<Hello>,
        /// What of its records means what the file says.
        trust: Trust,
        /// What differs, in words, when something does.
        differs: Option<String>,
    },
    /// The line stands and nothing comes.
    Silent,
    /// It answers and is not let in, or does not let in: another protocol, a wrong key, nonsense.
    Refused {
        /// In words, with what to do.
        why: String,
    },
}

impl LinkState {
    /// Whether records may come.
    pub fn is_up(&self) -> bool {
        matches!(self, LinkState::Up { .. })
    }
}

/// One recorded scan. [`super::Names::values`] resolves it to series.
#[derive(Clone, Debug, PartialEq)]
pub struct Scan {
    /// Whose.
    pub board: BoardId,
    /// When the scan was, UTC ms since 1970. By the board's clock, within its second spread by the scan's number.
    pub at_ms: i64,
    /// False: the board's clock is lost, or off by more than the station allows, and the time is that of arrival.
    pub is_board_time: bool,
    /// What of it means what the file says.
    pub trust: Trust,
    /// Scans that are missing just before this one: a gap. 0 at the first after a boot or a new connection.
    pub n_missing: u32,
    /// Everything that came with it.
    pub record: Record,
}

/// New entries of a board's journal, oldest first.
#[derive(Clone, Debug)]
pub struct Journal {
    /// Whose.
    pub board: BoardId,
    /// When they came, UTC ms since 1970 by the station's clock.
    pub at_ms: i64,
    /// Sequence behind which it begins; `None`: at the oldest that the board has. Whoever keeps a journal whose begin was not kept before
    /// makes a hole.
    pub after: Option<u8>,
    /// In order.
    pub entries: Vec<Entry>,
    /// To be told once everything above is durable; without it the board offers the same again.
    pub stored: Stored,
}

/// One entry of a journal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// When, UTC ms since 1970, to the minute; `None` when the board's clock was lost.
    pub at_ms: Option<i64>,
    /// Event, or how many were lost.
    pub told: Told,
    /// The same in words, with the names of the file where they can be trusted.
    pub words: String,
}

/// Says that a [`Journal`] is durable.
#[derive(Clone, Debug)]
pub struct Stored {
    pub(super) sequence: u8,
    pub(super) to: Sender<Option<u8>>,
}

impl Stored {
    /// The journal is durable up to its last entry: the board is told and may forget it.
    pub fn done(self) {
        // A board that is gone is told when it is met again: it offers what it was not told about.
        let _ = self.to.send(Some(self.sequence));
    }

    /// It could not be kept: the board offers it again, with all that came behind it, in a while.
    pub fn failed(self) {
        // A board that is gone offers it anyway when it is met again.
        let _ = self.to.send(None);
    }

    /// Sequence of the last entry, to be kept with it and given as [`super::BoardSetup::last_event`] at the next start.
    pub fn sequence(&self) -> u8 {
        self.sequence
    }
}

/// What happened on a link so far; all counts since the start.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counters {
    /// Records that came whole.
    pub n_records: u64,
    /// Scans that should have been recorded and were not.
    pub n_missing: u64,
    /// Records that were broken off or did not fit.
    pub n_broken: u64,
    /// Frames whose checksum or stuffing was wrong.
    pub n_unsound: u64,
    /// Requests that were asked again.
    pub n_retries: u64,
    /// Connections made.
    pub n_connects: u64,
    /// Journal entries passed on.
    pub n_entries: u64,
    /// Times that the board's clock was set.
    pub n_clock_sets: u64,
}
