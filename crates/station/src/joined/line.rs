//! The line to a joined controller: a thread that connects, hands on what comes, and connects again. Nothing is ever sent.

use std::io;
use std::sync::Arc;
use std::sync::mpsc::{SyncSender, TrySendError};
use std::time::{Duration, Instant};

use link::transport::{Serial, Tcp, Transport};
use tell::mqtt::Listener;

use super::Joined;
use crate::app::now_ms;
use crate::settings::JoinedLine;

const CONNECT_WAIT: Duration = Duration::from_secs(5);
/// How long to wait for bytes before looking whether all is over.
const LOOK: Duration = Duration::from_millis(250);
const SHORTEST_PAUSE: Duration = Duration::from_secs(1);
const LONGEST_PAUSE: Duration = Duration::from_secs(60);
/// A connection on which nothing came for so long is made anew: the other end may be gone without a word. A serial line is left alone,
/// because opening it can make the controller start anew.
const QUIET: Duration = Duration::from_secs(600);

/// What a line brings.
#[derive(Debug)]
pub(super) enum Heard {
    /// Bytes that came then, ms since 1970.
    Bytes(Vec<u8>, i64),
    /// A message of a topic that came then.
    Message(String, Vec<u8>, i64),
    /// The line stands.
    Up,
    /// It does not; why.
    Down(String),
    /// Messages that found no room.
    Lost(u64),
    /// A person resets the trips of the shadow.
    ResetTrips,
}

fn open(line: &JoinedLine) -> io::Result<Box<dyn Transport>> {
    Ok(match line {
        JoinedLine::Serial { path, baud } => Box::new(Serial::open_at(path, *baud)?),
        JoinedLine::Tcp(address) => Box::new(Tcp::connect(address.as_str(), CONNECT_WAIT)?),
        JoinedLine::Mqtt(_) => return Err(io::Error::other("a topic is heard by the broker's connection")),
    })
}

/// Listens until all is over.
pub(super) fn listen(joined: &Joined, line: &JoinedLine, inbox: &SyncSender<Heard>) {
    let mut pause = SHORTEST_PAUSE;
    while !joined.is_over() {
        let why = match open(line) {
            Err(error) => error.to_string(),
            Ok(mut transport) => {
                if inbox.send(Heard::Up).is_err() {
                    return;
                }
                match hear(joined, transport.as_mut(), line, inbox) {
                    Ended::Over => return,
                    Ended::Broke { why, has_heard } => {
                        if has_heard {
                            pause = SHORTEST_PAUSE;
                        }
                        why
                    }
                }
            }
        };
        if inbox.send(Heard::Down(why)).is_err() {
            return;
        }
        let until = Instant::now() + pause;
        while Instant::now() < until && !joined.is_over() {
            std::thread::sleep(LOOK.min(until.saturating_duration_since(Instant::now())));
        }
        pause = (pause * 2).min(LONGEST_PAUSE);
    }
}

enum Ended {
    Over,
    Broke { why: String, has_heard: bool },
}

fn hear(
    joined: &Joined,
    transport: &mut dyn Transport,
    line: &JoinedLine,
    inbox: &SyncSender<Heard>,
) -> Ended {
    let mut buffer = [0; 4096];
    let mut last = Instant::now();
    let mut has_heard = false;
    while !joined.is_over() {
        match transport.receive(&mut buffer, LOOK) {
            Ok(0) => {
                if matches!(line, JoinedLine::Tcp(_)) && last.elapsed() > QUIET {
                    return Ended::Broke { why: "nothing came for ten minutes".to_owned(), has_heard };
                }
            }
            Ok(n) => {
                (last, has_heard) = (Instant::now(), true);
                if inbox.send(Heard::Bytes(buffer[..n].to_vec(), now_ms())).is_err() {
                    return Ended::Over;
                }
            }
            Err(error) => return Ended::Broke { why: error.to_string(), has_heard },
        }
    }
    Ended::Over
}

/// What the broker's connection calls for a topic. It must not wait: what finds no room is counted.
pub(super) fn listener(filter: &str, inbox: SyncSender<Heard>) -> Listener {
    let n_lost = Arc::new(std::sync::atomic::AtomicU64::new(0));
    let to_line = inbox.clone();
    Listener {
        filter: filter.to_owned(),
        on_message: Arc::new(move |topic, payload| {
            use std::sync::atomic::Ordering::Relaxed;
            let lost = n_lost.swap(0, Relaxed);
            if lost > 0 && inbox.try_send(Heard::Lost(lost)).is_err() {
                n_lost.fetch_add(lost, Relaxed);
            }
            let heard = Heard::Message(topic.to_owned(), payload.to_vec(), now_ms());
            if let Err(TrySendError::Full(_)) = inbox.try_send(heard) {
                n_lost.fetch_add(1, Relaxed);
            }
        }),
        on_line: Arc::new(move |state| {
            let _ = to_line.try_send(match state {
                Ok(()) => Heard::Up,
                Err(why) => Heard::Down(why.to_owned()),
            });
        }),
    }
}
