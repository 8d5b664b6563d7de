//! What all parts of the running station share, and the time.

use std::sync::{Arc, Mutex, OnceLock, PoisonError, RwLock};
use std::time::{SystemTime, UNIX_EPOCH};

use alarms::Book;
use store::Store;
use tokio::sync::watch;

use crate::auth::door::Door;
use crate::checks::Checks;
use crate::design::Design;
use crate::feed::Feed;
use crate::http::problem::Problem;
use crate::ingest::Intake;
use crate::joined::Joined;
use crate::later::Later;
use crate::live::Live;
use crate::orders::Hands;
use crate::site::Site;
use crate::twin::Twins;
use crate::upkeep::LastCheck;

/// What all parts share.
pub struct App {
    /// Boards and their files.
    pub site: Arc<Site>,
    /// What is kept.
    pub store: Store,
    /// Who may come in.
    pub door: Arc<Door>,
    /// What is now.
    pub live: RwLock<Live>,
    /// The alarms.
    pub book: Mutex<Book>,
    /// By board: the station's own checks. Locked before the book, never after it.
    pub checks: Vec<Mutex<Checks>>,
    /// How people are told; empty until it has begun.
    pub teller: OnceLock<tell::Teller>,
    /// What changes, to whoever watches.
    pub feed: Feed,
    /// The way to the boards.
    pub hands: Arc<dyn Hands>,
    /// What waits for a disk that can take it.
    pub later: Later,
    /// What the last look through the store found.
    pub last_check: Mutex<Option<LastCheck>>,
    /// True once the station ends: what has no end of its own ends then.
    pub ending: watch::Sender<bool>,
    /// Counts of what came in.
    pub intake: Intake,
    /// Names under which the station is reached, beside its addresses.
    pub host_names: Vec<String>,
    /// When the process began, ms since 1970.
    pub started_ms: i64,
    /// A board runs another revision than the station reads it by: the station is to begin anew.
    pub begin_anew: tokio::sync::Notify,
    /// Streams that are open now.
    pub streams: tokio::sync::Semaphore,
    /// Commands that wait for their outcome now.
    pub commands: tokio::sync::Semaphore,
    /// Joined controllers, in the order of the station file.
    pub joined: Vec<Arc<Joined>>,
    /// What the design routes share.
    pub design: Design,
    /// What was seen of each board beside its twin.
    pub twins: Twins,
}

/// Most streams of live values at once.
pub const MOST_STREAMS: usize = 32;
/// Most commands that wait for an answer of a board at once.
pub const MOST_COMMANDS: usize = 8;

impl std::fmt::Debug for App {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("App")
    }
}

/// Now, ms since 1970 UTC. The one place of the station that asks the clock.
pub fn now_ms() -> i64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |passed| passed.as_millis() as i64)
}

impl App {
    /// Does something with the store where blocking does no harm.
    ///
    /// # Errors
    /// The problem, as it goes out.
    pub async fn blocking<T: Send + 'static>(
        self: &Arc<Self>,
        act: impl FnOnce(&App) -> Result<T, Problem> + Send + 'static,
    ) -> Result<T, Problem> {
        let app = self.clone();
        tokio::task::spawn_blocking(move || act(&app)).await.unwrap_or_else(|_| {
            Err(Problem::internal("A part of the station failed while it answered; try again."))
        })
    }

    /// The book of alarms.
    pub fn book(&self) -> std::sync::MutexGuard<'_, Book> {
        self.book.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What the last look through the store found; `None`: there was none yet.
    pub fn last_check(&self) -> Option<LastCheck> {
        *self.last_check.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Notes what a look through the store found.
    pub fn set_last_check(&self, last: LastCheck) {
        *self.last_check.lock().unwrap_or_else(PoisonError::into_inner) = Some(last);
    }

    /// The checks of a board.
    pub fn checks(&self, board: usize) -> Option<std::sync::MutexGuard<'_, Checks>> {
        self.checks.get(board).map(|checks| checks.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// What is now.
    pub fn live(&self) -> std::sync::RwLockReadGuard<'_, Live> {
        self.live.read().unwrap_or_else(PoisonError::into_inner)
    }
}
