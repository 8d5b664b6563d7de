//! The way of what boards tell to whoever keeps it: one queue, in which each board has its own share, so that one that floods, or a
//! keeper that is slow, makes nobody wait but that board's thread.

use std::collections::VecDeque;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use super::event::{BoardEvent, BoardId};

/// Events of one board that wait at most.
pub const SHARE: usize = 512;

#[derive(Debug)]
struct Waiting {
    events: VecDeque<BoardEvent>,
    by_board: Vec<usize>,
    is_over: bool,
}

#[derive(Debug)]
struct Shared {
    waiting: Mutex<Waiting>,
    is_filled: Condvar,
    has_room: Condvar,
}

pub(super) fn lock<T>(of: &Mutex<T>) -> MutexGuard<'_, T> {
    of.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The keeper's end.
#[derive(Debug)]
pub struct Events(Arc<Shared>);

/// A board's end.
#[derive(Clone, Debug)]
pub(super) struct Outlet(Arc<Shared>);

pub(super) fn queue(n_boards: usize) -> (Outlet, Events) {
    let waiting = Waiting { events: VecDeque::new(), by_board: vec![0; n_boards], is_over: false };
    let shared = Arc::new(Shared {
        waiting: Mutex::new(waiting),
        is_filled: Condvar::new(),
        has_room: Condvar::new(),
    });
    (Outlet(shared.clone()), Events(shared))
}

impl Outlet {
    /// Waits for room in this board's share. False: the keeper is gone, or all is over.
    pub fn put(&self, event: BoardEvent) -> bool {
        let BoardId(board) = event.board();
        let mut waiting = lock(&self.0.waiting);
        while waiting.by_board.get(board).is_some_and(|n| *n >= SHARE) && !waiting.is_over {
            waiting = self.0.has_room.wait(waiting).unwrap_or_else(PoisonError::into_inner);
        }
        if waiting.is_over {
            return false;
        }
        if let Some(n) = waiting.by_board.get_mut(board) {
            *n += 1;
        }
        waiting.events.push_back(event);
        drop(waiting);
        self.0.is_filled.notify_one();
        true
    }

    /// Nothing is taken any more; whoever waits goes on.
    pub fn close(&self) {
        lock(&self.0.waiting).is_over = true;
        self.0.has_room.notify_all();
        self.0.is_filled.notify_all();
    }
}

impl Events {
    /// Everything that waits, at most so much, appended to a list; waits so long for the first. False when nothing will come any more.
    pub fn take(&self, into: &mut Vec<BoardEvent>, most: usize, wait: Duration) -> bool {
        let until = Instant::now() + wait;
        let mut waiting = lock(&self.0.waiting);
        while waiting.events.is_empty() && !waiting.is_over {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return true;
            }
            waiting = self.0.is_filled.wait_timeout(waiting, left).unwrap_or_else(PoisonError::into_inner).0;
        }
        let n = waiting.events.len().min(most);
        for _ in 0..n {
            let Some(event) = waiting.events.pop_front() else { break };
            let BoardId(board) = event.board();
            if let Some(n) = waiting.by_board.get_mut(board) {
                *n -= 1;
            }
            into.push(event);
        }
        let is_over = waiting.is_over && waiting.events.is_empty();
        drop(waiting);
        if n > 0 {
            self.0.has_room.notify_all();
        }
        !is_over
    }

    /// The next; `None` when none came in time.
    pub fn next(&self, wait: Duration) -> Option<BoardEvent> {
        let mut one = Vec::with_capacity(1);
        self.take(&mut one, 1, wait);
        one.pop()
    }
}

impl Drop for Events {
    fn drop(&mut self) {
        Outlet(self.0.clone()).close();
    }
}
