//! A board's side of one line: frames in and out, plain on a cable, sealed on a network.

use std::time::{Duration, Instant};

use link::frame::{Frame, Message, Splitter, from_cable, stuff, to_cable};
use link::message::PROTOCOL;
use link::record::Record;
use link::seal::{Challenge, KEY_LENGTH, RANDOM_LENGTH, Session, Side};

use crate::board::{Board, Line};
use crate::pipe::BoardEnd;
use crate::world::World;

/// A connection on which no sound frame came for so long ends; the first must come sooner.
const SILENCE: Duration = Duration::from_secs(60);
const PATIENCE: Duration = Duration::from_secs(10);

/// Where a network connection is.
enum Phase {
    /// Plain.
    Cable,
    /// The challenge is out.
    Challenged(Challenge, [u8; KEY_LENGTH]),
    Open(Box<Session>),
}

/// See above.
pub(crate) struct Port {
    end: BoardEnd,
    splitter: Splitter,
    phase: Phase,
    heard: Instant,
    received: Vec<u8>,
    out: Vec<u8>,
}

impl Port {
    pub fn cable(end: BoardEnd) -> Port {
        Port {
            end,
            splitter: Splitter::new(),
            phase: Phase::Cable,
            heard: Instant::now(),
            received: Vec::new(),
            out: Vec::new(),
        }
    }

    /// A network connection begins with the challenge; `None`: the board has no key, and it ends with it.
    pub fn network(end: BoardEnd, key: Option<[u8; KEY_LENGTH]>, boots: u32, session: u32) -> Option<Port> {
        let mut port = Port::cable(end);
        let challenge = Challenge { protocol: PROTOCOL, has_key: key.is_some(), boots, session };
        port.put(&challenge.encode());
        port.flush();
        port.phase = Phase::Challenged(challenge, key?);
        Some(port)
    }

    pub fn line(&self) -> Line {
        if matches!(self.phase, Phase::Cable) { Line::Cable } else { Line::Network }
    }

    fn put(&mut self, message: &Message) -> bool {
        let stuffed = match &mut self.phase {
            Phase::Open(session) => session.seal(message).and_then(|frame| stuff(frame.as_slice())),
            _ => to_cable(message),
        };
        match stuffed {
            Some(stuffed) => {
                self.out.extend_from_slice(stuffed.as_slice());
                true
            }
            None => false,
        }
    }

    /// A record goes out.
    pub fn put_record(&mut self, record: &Record) -> bool {
        record.encode().iter().all(|message| self.put(message))
    }

    /// What was put goes to the line. How many bytes wait there.
    pub fn send(&mut self) -> usize {
        let n = self.end.put(&self.out);
        self.out.clear();
        n
    }

    pub fn flush(&mut self) {
        self.send();
        self.end.flush();
    }

    pub fn n_waiting(&self) -> usize {
        self.end.n_waiting()
    }

    /// Takes what has come and answers it; false when the connection is over. `n_sessions` counts those that stood since boot.
    pub fn serve<W: World>(&mut self, board: &mut Board<W>, n_sessions: &mut u32) -> bool {
        let mut received = std::mem::take(&mut self.received);
        let is_open = self.end.take(&mut received);
        let mut is_sound = true;
        let n_malformed = self.splitter.n_malformed;
        for byte in received.drain(..) {
            if let Some(frame) = self.splitter.push(byte) {
                is_sound = is_sound && self.take(&frame, board, n_sessions);
            }
        }
        self.received = received;
        is_sound &= self.line() == Line::Cable || self.splitter.n_malformed == n_malformed;
        let patience = match self.phase {
            Phase::Cable => Duration::MAX,
            Phase::Challenged(..) => PATIENCE,
            Phase::Open(_) => SILENCE,
        };
        is_sound && is_open && self.heard.elapsed() < patience
    }

    fn take<W: World>(&mut self, frame: &Frame, board: &mut Board<W>, n_sessions: &mut u32) -> bool {
        let message = match &mut self.phase {
            Phase::Cable => match from_cable(frame) {
                Some(message) => message,
                // What is not sound changes nothing and is not answered.
                None => return true,
            },
            Phase::Challenged(challenge, key) => {
                let Some(random) = frame.as_slice().first_chunk::<RANDOM_LENGTH>() else { return false };
                let mut session = Session::new(key, challenge, *random, Side::Board);
                let Some(message) = session.open(frame) else { return false };
                self.phase = Phase::Open(Box::new(session));
                *n_sessions += 1;
                message
            }
            Phase::Open(session) => match session.open(frame) {
                Some(message) => message,
                None => return false,
            },
        };
        self.heard = Instant::now();
        let n_starts = board.n_starts();
        let answer = board.request(self.line(), message.as_slice());
        let is_put = answer.is_none_or(|answer| self.put(&answer));
        self.flush();
        // A network connection does not outlive a restart.
        is_put && (board.n_starts() == n_starts || self.line() == Line::Cable)
    }
}
