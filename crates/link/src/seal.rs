//! Sealing on a network (docs/link.md, section 6): Ascon-AEAD128 as NIST SP 800-232 has it, under nonces that never repeat.

use ascon_aead::aead::inout::InOutBuf;
use ascon_aead::aead::{AeadInOut, KeyInit};
use ascon_aead::{AsconAead128, AsconAead128Nonce};

use crate::frame::{Frame, Message};

/// Length of a key.
pub const KEY_LENGTH: usize = 16;
/// Length of a tag.
pub const TAG_LENGTH: usize = 16;
/// Length of the station's share of a session's nonces.
pub const RANDOM_LENGTH: usize = 7;
/// Frames in one direction of a session.
pub const MOST_FRAMES: u32 = (1 << 23) - 1;

/// What both sides know of a session beside the key.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Challenge {
    /// Protocol of the board.
    pub protocol: u8,
    /// Whether the board has a key; without one it closes the connection.
    pub has_key: bool,
    /// The board's boot counter, 24 bits.
    pub boots: u32,
    /// Sessions since that boot, 24 bits.
    pub session: u32,
}

/// Which side of a session this is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Opened it.
    Station,
    /// Answered.
    Board,
}

/// One side of a session. A frame that does not open ends it: the caller closes the connection.
pub struct Session {
    cipher: AsconAead128,
    nonce: [u8; 13],
    side: Side,
    n_sent: u32,
    n_received: u32,
}

impl core::fmt::Debug for Session {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        write!(f, "session of the {:?}, {} frames out, {} in", self.side, self.n_sent, self.n_received)
    }
}

impl Session {
    /// A session that has sent nothing yet. `random` must be fresh for each session of a station.
    pub fn new(
        key: &[u8; KEY_LENGTH],
        challenge: &Challenge,
        random: [u8; RANDOM_LENGTH],
        side: Side,
    ) -> Session {
        let mut nonce = [0; 13];
        nonce[..3].copy_from_slice(&challenge.boots.to_le_bytes()[..3]);
        nonce[3..6].copy_from_slice(&challenge.session.to_le_bytes()[..3]);
        nonce[6..].copy_from_slice(&random);
        Session { cipher: AsconAead128::new(key.into()), nonce, side, n_sent: 0, n_received: 0 }
    }

    fn nonce(&self, number: u32, from: Side) -> AsconAead128Nonce {
        let direction = if from == Side::Board { 0x80 } else { 0 };
        let [low, middle, high, _] = number.to_le_bytes();
        let mut nonce = [0; 16];
        nonce[..13].copy_from_slice(&self.nonce);
        nonce[13..].copy_from_slice(&[low, middle, high | direction]);
        nonce.into()
    }

    /// The frame of a message, not yet stuffed; `None` when the session has used up its numbers.
    pub fn seal(&mut self, message: &Message) -> Option<Frame> {
        if self.n_sent >= MOST_FRAMES {
            return None;
        }
        let mut frame = Frame::of(&self.nonce[6..])?;
        if self.side == Side::Board || self.n_sent > 0 {
            frame.truncate(0);
        }
        let at = frame.as_slice().len();
        if !frame.extend(message.as_slice()) {
            return None;
        }
        let nonce = self.nonce(self.n_sent, self.side);
        let tag = self
            .cipher
            .encrypt_inout_detached(&nonce, &[], InOutBuf::from(&mut frame.as_mut_slice()[at..]))
            .ok()?;
        self.n_sent += 1;
        frame.extend(&tag).then_some(frame)
    }

    /// The message of a frame; `None` when it is not the next one of the other side, unaltered.
    pub fn open(&mut self, frame: &Frame) -> Option<Message> {
        let (sealed, tag) = frame.as_slice().split_last_chunk::<TAG_LENGTH>()?;
        let from = if self.side == Side::Board { Side::Station } else { Side::Board };
        if self.n_received >= MOST_FRAMES {
            return None;
        }
        // The random bytes of the first frame have been read already, to make this session.
        let sealed =
            if from == Side::Station && self.n_received == 0 { sealed.get(RANDOM_LENGTH..)? } else { sealed };
        let mut message = Message::of(sealed)?;
        let nonce = self.nonce(self.n_received, from);
        self.cipher
            .decrypt_inout_detached(&nonce, &[], InOutBuf::from(message.as_mut_slice()), tag.into())
            .ok()?;
        self.n_received += 1;
        (sealed.len() >= 2).then_some(message)
    }
}
