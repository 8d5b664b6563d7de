//! The boards: a thread for each, over serial, TCP or a virtual board. What they say comes out as [`BoardEvent`]s, in order for each
//! board; what people want goes in as [`Act`]s by a bounded queue and comes back with a definite [`Outcome`].
//!
//! ```text
//! board ──line──► thread of the board ──BoardEvent──► whoever keeps it ([`Events`])
//!                    ▲           ▲                        │
//!              Act, deadline     └──── Journal::stored ───┘
//!                    │
//!                 Outcome, once
//! ```
//!
//! * [`Names`] resolves a record to series: `names.series[i]` and the i-th of `names.values(&scan.record, scan.trust)` belong together.
//! * A gap is told: [`Scan::n_missing`] counts the scans that are missing before one.
//! * A [`Journal`] is acknowledged to its board only after [`Stored::done`]; what is not comes again. Journals are kept in order: what follows
//!   one that could not be kept is not kept either ([`Journal::after`]).
//! * Each board has its own share of the queue: one that floods, or whose line is slow, waits for itself.
//! * An act is never carried out after its [`Outcome`] was given.

mod act;
mod clock;
mod event;
mod line;
mod names;
mod queue;
mod safe;
mod thread;
mod words;

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Sender, SyncSender, TrySendError, channel, sync_channel};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use system::{Diagnostic, System};
use virtual_board::Made;

pub use act::{Act, Done, Outcome, SafeStep};
pub use event::{BoardEvent, BoardId, Counters, Entry, Journal, LinkState, MS_AT_2000, Scan, Stored};
pub use line::{AnyTransport, Line};
pub use names::{Names, Series, TripWords, Trust, Value, What};
pub use queue::{Events, SHARE};

use queue::{Outlet, lock};
use thread::{Thread, Wish};

/// Threads of boards may take so long to end, all together.
const LAST_WAIT: Duration = Duration::from_millis(150);
/// Acts that wait for one board at most.
const MOST_WISHES: usize = 32;

/// One board of the station file.
#[derive(Clone, Debug)]
pub struct BoardSetup {
    /// Its name, for people.
    pub name: String,
    /// What it is to be.
    pub system: Arc<System>,
    /// How it is reached.
    pub line: Line,
    /// A record of every n-th scan, 1 to 255.
    pub every: u8,
    /// Its clock is held against the station's: set when it is off, its times not believed when they are wrong. False for a virtual board
    /// that lives in a time of its own.
    pub keeps_clock: bool,
    /// It scans by time: more records than that are a flood. False for a virtual board that runs faster than time.
    pub keeps_time: bool,
    /// Sequence of the last journal entry that is durable ([`Stored::sequence`]); `None` at the first meeting.
    pub last_event: Option<u8>,
}

impl BoardSetup {
    /// A real board: every scan, its clock and its pace held against the station's.
    pub fn new(name: impl Into<String>, system: Arc<System>, line: Line) -> BoardSetup {
        let is_virtual = matches!(line, Line::Virtual(_));
        BoardSetup {
            name: name.into(),
            system,
            line,
            every: 1,
            keeps_clock: !is_virtual,
            keeps_time: !is_virtual,
            last_event: None,
        }
    }
}

/// What follows from a board's file.
#[derive(Clone, Debug)]
pub struct Known {
    /// The program that the file gives, and the identities by which its board is known.
    pub made: Made,
    /// Names of everything that the board has.
    pub names: Names,
}

/// How a board stands.
#[derive(Clone, Debug)]
pub struct Status {
    /// Its link.
    pub state: LinkState,
    /// Since when, UTC ms since 1970.
    pub since_ms: i64,
    /// When its last record came, by the station's clock.
    pub last_record_ms: Option<i64>,
    /// How far its clock is ahead of the station's, ms; `None`: lost, not known yet, or of a time of its own.
    pub clock_off_ms: Option<i64>,
    /// What happened so far.
    pub counters: Counters,
}

struct One {
    setup: BoardSetup,
    known: Arc<Known>,
    status: Arc<Mutex<Status>>,
    wishes: SyncSender<Wish>,
    thread: Option<JoinHandle<()>>,
}

/// All boards of a station. Dropped, it ends their threads, and waits for them a moment.
pub struct Boards {
    all: Vec<One>,
    outlet: Outlet,
    is_over: Arc<AtomicBool>,
}

impl std::fmt::Debug for Boards {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_list().entries(self.all.iter().map(|one| (&one.setup.name, &one.setup.line))).finish()
    }
}

/// Why the boards do not start.
#[derive(Debug)]
pub enum StartError {
    /// The rules of a board's file do not compile: the name of the board and the compiler's findings.
    Rules(String, Vec<Diagnostic>),
    /// There is no thread to be had.
    Thread(std::io::Error),
}

impl std::fmt::Display for StartError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            StartError::Rules(board, findings) => {
                let first = findings.first().map_or("", |finding| finding.message.as_str());
                write!(f, "the rules of board {board} do not compile: {first}")
            }
            StartError::Thread(error) => write!(f, "no thread for a board: {error}"),
        }
    }
}

impl std::error::Error for StartError {}

impl Boards {
    /// Starts a thread for each board. What they tell comes out of the second.
    ///
    /// # Errors
    /// See [`StartError`].
    pub fn start(setups: Vec<BoardSetup>) -> Result<(Boards, Events), StartError> {
        let (outlet, events) = queue::queue(setups.len());
        let mut boards = Boards { all: vec![], outlet, is_over: Arc::new(AtomicBool::new(false)) };
        for (at, setup) in setups.into_iter().enumerate() {
            let made = Made::new(&setup.system)
                .map_err(|findings| StartError::Rules(setup.name.clone(), findings))?;
            let names = Names::new(&setup.system, &made.compiled);
            let known = Arc::new(Known { made, names });
            let status = Arc::new(Mutex::new(Status {
                state: LinkState::Down { why: None },
                since_ms: crate::app::now_ms(),
                last_record_ms: None,
                clock_off_ms: None,
                counters: Counters::default(),
            }));
            let (wishes, inbox) = sync_channel(MOST_WISHES);
            let thread = Thread::new(
                BoardId(at),
                setup.clone(),
                known.clone(),
                status.clone(),
                boards.outlet.clone(),
                inbox,
                boards.is_over.clone(),
            );
            let thread = std::thread::Builder::new()
                .name(format!("board-{}", setup.name))
                .spawn(move || thread.run())
                .map_err(StartError::Thread)?;
            boards.all.push(One { setup, known, status, wishes, thread: Some(thread) });
        }
        Ok((boards, events))
    }

    /// All of them, in the order of the station file.
    pub fn ids(&self) -> impl Iterator<Item = BoardId> {
        (0..self.all.len()).map(BoardId)
    }

    /// Its setup. `None`: there is no such board.
    pub fn setup(&self, board: BoardId) -> Option<&BoardSetup> {
        self.all.get(board.0).map(|one| &one.setup)
    }

    /// Names of what a board has.
    pub fn known(&self, board: BoardId) -> Option<&Arc<Known>> {
        self.all.get(board.0).map(|one| &one.known)
    }

    /// How it stands now.
    pub fn status(&self, board: BoardId) -> Option<Status> {
        self.all.get(board.0).map(|one| lock(&one.status).clone())
    }

    /// Wants something of a board; `reply` gets the outcome, once, from the board's thread: it should not take long. What is not sent
    /// within `patience` is not done.
    pub fn act(
        &self,
        board: BoardId,
        act: Act,
        patience: Duration,
        reply: impl FnOnce(Outcome) + Send + 'static,
    ) {
        let wish = Wish { act, until: Instant::now() + patience, reply: Box::new(reply) };
        let not_done = |why: &str| Outcome::NotDone { why: why.to_owned() };
        let Some(one) = self.all.get(board.0) else {
            return (wish.reply)(not_done("there is no such board"));
        };
        match one.wishes.try_send(wish) {
            Ok(()) => {}
            Err(TrySendError::Full(wish)) => {
                (wish.reply)(not_done("too much is wanted of this board at once; nothing was sent"));
            }
            Err(TrySendError::Disconnected(wish)) => (wish.reply)(not_done("the station stops")),
        }
    }

    /// The same, waiting for the outcome.
    pub fn act_and_wait(&self, board: BoardId, act: Act, patience: Duration) -> Outcome {
        let (tell, told): (Sender<Outcome>, _) = channel();
        self.act(board, act, patience, move |outcome| {
            // Nobody may wait any more; then nobody is told.
            let _ = tell.send(outcome);
        });
        told.recv().unwrap_or_else(|_| Outcome::NotDone { why: "the board's thread has ended".to_owned() })
    }

    /// What "make safe" does on a board: each step is an [`Act`] of its own, with its own outcome.
    pub fn make_safe(&self, board: BoardId) -> Vec<SafeStep> {
        self.all.get(board.0).map_or(vec![], |one| safe::steps(&one.setup.system, &one.known.names))
    }
}

impl Drop for Boards {
    fn drop(&mut self) {
        self.is_over.store(true, Ordering::Relaxed);
        self.outlet.close();
        let until = Instant::now() + LAST_WAIT;
        for one in &mut self.all {
            let Some(thread) = one.thread.take() else { continue };
            while !thread.is_finished() && Instant::now() < until {
                std::thread::sleep(Duration::from_millis(5));
            }
            // One that waits for a board that is not there has nothing to say; it ends by itself when it has waited enough.
            if thread.is_finished() {
                let _ = thread.join();
            }
        }
    }
}
