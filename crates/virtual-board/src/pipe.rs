//! A line in memory: two bounded queues of bytes between a board's thread and whoever speaks with it.

use std::collections::VecDeque;
use std::io;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use link::transport::Transport;

/// Bytes that wait for the board at most; what comes then is lost, as on a serial line.
const MOST_TO_BOARD: usize = 1 << 16;
/// From here on a reader is woken while the board is still busy: it costs less to wake it seldom.
const WAKE_FROM: usize = 1 << 13;
/// Bytes that wait for the reader before the board waits for it, or breaks its record off.
pub(crate) const FULL: usize = 1 << 16;

pub(crate) fn lock<T>(of: &Mutex<T>) -> MutexGuard<'_, T> {
    of.lock().unwrap_or_else(PoisonError::into_inner)
}

/// What wakes a board's thread.
#[derive(Debug, Default)]
pub(crate) struct Wake {
    is_due: Mutex<bool>,
    signal: Condvar,
}

impl Wake {
    pub fn wake(&self) {
        *lock(&self.is_due) = true;
        self.signal.notify_one();
    }

    pub fn wait(&self, longest: Duration) {
        let mut is_due = lock(&self.is_due);
        if !*is_due {
            is_due = self.signal.wait_timeout(is_due, longest).unwrap_or_else(PoisonError::into_inner).0;
        }
        *is_due = false;
    }
}

#[derive(Debug, Default)]
struct Queues {
    to_board: VecDeque<u8>,
    from_board: VecDeque<u8>,
    is_closed: bool,
}

#[derive(Debug)]
struct Pipe {
    queues: Mutex<Queues>,
    /// The reader's.
    signal: Condvar,
    board: Arc<Wake>,
}

/// The board's end.
#[derive(Debug)]
pub(crate) struct BoardEnd(Arc<Pipe>);

/// The other end: a transport of the link's client. Dropped, it closes the line.
#[derive(Debug)]
pub struct Wire(Arc<Pipe>);

pub(crate) fn pipe(board: &Arc<Wake>) -> (BoardEnd, Wire) {
    let pipe = Pipe { queues: Mutex::default(), signal: Condvar::new(), board: board.clone() };
    let pipe = Arc::new(pipe);
    (BoardEnd(pipe.clone()), Wire(pipe))
}

impl BoardEnd {
    /// Everything that has come; false when the line is closed.
    pub fn take(&self, into: &mut Vec<u8>) -> bool {
        let mut queues = lock(&self.0.queues);
        into.extend(queues.to_board.drain(..));
        !queues.is_closed
    }

    /// Sends; how many bytes wait now.
    pub fn put(&self, bytes: &[u8]) -> usize {
        let mut queues = lock(&self.0.queues);
        queues.from_board.extend(bytes);
        if queues.from_board.len() >= WAKE_FROM {
            self.0.signal.notify_one();
        }
        queues.from_board.len()
    }

    /// Bytes that wait for the reader.
    pub fn n_waiting(&self) -> usize {
        lock(&self.0.queues).from_board.len()
    }

    /// The reader may have what there is.
    pub fn flush(&self) {
        self.0.signal.notify_one();
    }
}

impl Drop for BoardEnd {
    fn drop(&mut self) {
        self.0.close();
    }
}

fn ended() -> io::Error {
    io::Error::new(io::ErrorKind::UnexpectedEof, "the board closed the line")
}

impl Pipe {
    fn send(&self, bytes: &[u8]) -> io::Result<()> {
        {
            let mut queues = lock(&self.queues);
            if queues.is_closed {
                return Err(ended());
            }
            let room = MOST_TO_BOARD - queues.to_board.len().min(MOST_TO_BOARD);
            queues.to_board.extend(&bytes[..bytes.len().min(room)]);
        }
        self.board.wake();
        Ok(())
    }

    fn close(&self) {
        lock(&self.queues).is_closed = true;
        self.signal.notify_one();
        self.board.wake();
    }
}

/// The sending half of a [`Wire`], for a thread of its own.
#[derive(Debug)]
pub(crate) struct WireSender(Arc<Pipe>);

impl WireSender {
    pub fn send(&self, bytes: &[u8]) -> io::Result<()> {
        self.0.send(bytes)
    }

    pub fn close(&self) {
        self.0.close();
    }

    pub fn is_closed(&self) -> bool {
        lock(&self.0.queues).is_closed
    }
}

impl Wire {
    pub(crate) fn sender(&self) -> WireSender {
        WireSender(self.0.clone())
    }
}

impl Transport for Wire {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.0.send(bytes)
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> io::Result<usize> {
        let until = Instant::now() + wait;
        let mut queues = lock(&self.0.queues);
        while queues.from_board.is_empty() {
            if queues.is_closed {
                return Err(ended());
            }
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Ok(0);
            }
            let woken = self.0.signal.wait_timeout(queues, left);
            queues = woken.unwrap_or_else(PoisonError::into_inner).0;
        }
        let was_full = queues.from_board.len() >= FULL / 2;
        let n = queues.from_board.len().min(buffer.len());
        for (place, byte) in buffer.iter_mut().zip(queues.from_board.drain(..n)) {
            *place = byte;
        }
        let is_room = queues.from_board.len() < FULL / 2;
        drop(queues);
        if was_full && is_room {
            self.0.board.wake();
        }
        Ok(n)
    }
}

impl Drop for Wire {
    fn drop(&mut self) {
        self.0.close();
    }
}
