//! What changes, as server-sent events: a bounded memory of the last ones, so that a short break of the line costs nothing.
//!
//! Contract: nobody who reads slowly holds anybody up; who misses more than the memory holds gets the whole state again.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::broadcast;

/// Messages that are remembered.
const REMEMBERED: usize = 512;
/// Messages that wait for one reader.
const WAITING: usize = 256;

/// One message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// Rising by one.
    pub n: u64,
    /// `now`, `alarm`, `command`.
    pub event: &'static str,
    /// JSON.
    pub data: String,
}

/// What goes out to all readers.
#[derive(Debug)]
pub struct Feed {
    /// Tells one process from another: numbers of another process mean nothing here.
    run: String,
    memory: Mutex<Memory>,
    readers: broadcast::Sender<Arc<Message>>,
}

#[derive(Debug, Default)]
struct Memory {
    last: u64,
    messages: VecDeque<Arc<Message>>,
}

/// A reader's beginning.
#[derive(Debug)]
pub struct Subscription {
    /// What was missed; `None`: too much, or nothing is known, so the whole state is needed first.
    pub missed: Option<Vec<Arc<Message>>>,
    /// What comes from now on.
    pub messages: broadcast::Receiver<Arc<Message>>,
    /// Number of the message before the first that comes.
    pub last: u64,
}

impl Feed {
    /// A feed of the process that began then.
    pub fn new(started_ms: i64) -> Self {
        Feed {
            run: format!("{started_ms:x}"),
            memory: Mutex::default(),
            readers: broadcast::Sender::new(WAITING),
        }
    }

    /// Whether somebody reads.
    pub fn has_readers(&self) -> bool {
        self.readers.receiver_count() > 0
    }

    /// Sends to all and remembers.
    pub fn send(&self, event: &'static str, data: String) {
        let mut memory = self.memory.lock().unwrap_or_else(PoisonError::into_inner);
        memory.last += 1;
        let message = Arc::new(Message { n: memory.last, event, data });
        if memory.messages.len() == REMEMBERED {
            memory.messages.pop_front();
        }
        memory.messages.push_back(message.clone());
        // Nobody may be reading; what is remembered is there for who comes back.
        let _ = self.readers.send(message);
    }

    /// Forgets what was sent: nobody watched, so what changed since was not sent.
    pub fn forget(&self) {
        let mut memory = self.memory.lock().unwrap_or_else(PoisonError::into_inner);
        memory.messages.clear();
        memory.last += 1;
    }

    /// The id of a message as it goes out.
    pub fn id(&self, n: u64) -> String {
        format!("{}-{n}", self.run)
    }

    /// Begins to read, behind the id that the reader had last.
    pub fn subscribe(&self, last_id: Option<&str>) -> Subscription {
        let memory = self.memory.lock().unwrap_or_else(PoisonError::into_inner);
        let messages = self.readers.subscribe();
        let had = last_id.and_then(|id| id.rsplit_once('-')).filter(|(run, _)| *run == self.run);
        let had: Option<u64> = had.and_then(|(_, n)| n.parse().ok()).filter(|n| *n <= memory.last);
        let missed = had.and_then(|had| {
            let oldest = memory.messages.front().map_or(memory.last + 1, |message| message.n);
            let is_whole = had + 1 >= oldest;
            is_whole.then(|| memory.messages.iter().filter(|message| message.n > had).cloned().collect())
        });
        Subscription { missed, messages, last: memory.last }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn numbers(subscription: &Subscription) -> Option<Vec<u64>> {
        subscription.missed.as_ref().map(|missed| missed.iter().map(|message| message.n).collect())
    }

    #[test]
    fn who_comes_back_gets_what_was_missed() {
        let feed = Feed::new(7);
        for _ in 0..3 {
            feed.send("now", "{}".to_owned());
        }
        assert_eq!(numbers(&feed.subscribe(Some(&feed.id(1)))), Some(vec![2, 3]));
        assert_eq!(numbers(&feed.subscribe(Some(&feed.id(3)))), Some(vec![]));
        assert_eq!(numbers(&feed.subscribe(None)), None);
        assert_eq!(numbers(&feed.subscribe(Some(&feed.id(4)))), None, "a number that was never given");
        assert_eq!(numbers(&feed.subscribe(Some("8-1"))), None, "another process");
        assert_eq!(numbers(&feed.subscribe(Some("-"))), None);
        feed.forget();
        assert_eq!(numbers(&feed.subscribe(Some(&feed.id(3)))), None, "something was not sent");
    }

    #[test]
    fn the_memory_is_bounded_and_who_missed_more_begins_anew() {
        let feed = Feed::new(7);
        for _ in 0..2 * REMEMBERED {
            feed.send("now", String::new());
        }
        assert_eq!(feed.memory.lock().expect("not poisoned").messages.len(), REMEMBERED);
        assert_eq!(numbers(&feed.subscribe(Some(&feed.id(1)))), None);
        let kept = numbers(&feed.subscribe(Some(&feed.id(REMEMBERED as u64)))).map(|n| n.len());
        assert_eq!(kept, Some(REMEMBERED));
    }

    #[test]
    fn a_slow_reader_is_told_and_holds_nobody_up() {
        let feed = Feed::new(7);
        let mut slow = feed.subscribe(None);
        for _ in 0..=WAITING {
            feed.send("now", String::new());
        }
        assert!(matches!(slow.messages.try_recv(), Err(broadcast::error::TryRecvError::Lagged(1))));
    }
}
