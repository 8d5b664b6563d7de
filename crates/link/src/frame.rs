//! Frames (docs/link.md, section 1): byte stuffing, the checksum of the cable, and finding frames in a stream.

use program::crc::crc16;

/// Longest message: type, number of the request, fields.
pub const LONGEST_MESSAGE: usize = 56;
/// Length of the checksum behind a message on the cable.
pub const CRC_LENGTH: usize = 2;
/// Longest frame before stuffing: what a station's first sealed frame brings.
pub const LONGEST_FRAME: usize = 7 + LONGEST_MESSAGE + 16;
/// Longest frame on the line, its final 0 included.
pub const LONGEST_STUFFED: usize = LONGEST_FRAME + 2;

/// Bytes in a fixed place: a message, or a frame. Never more than fit.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Bytes<const N: usize> {
    bytes: [u8; N],
    n: usize,
}

impl<const N: usize> Bytes<N> {
    /// Nothing yet.
    pub const EMPTY: Self = Bytes { bytes: [0; N], n: 0 };

    /// These bytes; `None` when they are too many.
    pub fn of(bytes: &[u8]) -> Option<Self> {
        let mut all = Self::EMPTY;
        all.extend(bytes).then_some(all)
    }

    /// Appends; false, and nothing appended, when they do not fit.
    pub fn extend(&mut self, bytes: &[u8]) -> bool {
        match self.bytes.get_mut(self.n..self.n + bytes.len()) {
            Some(room) => {
                room.copy_from_slice(bytes);
                self.n += bytes.len();
                true
            }
            None => false,
        }
    }

    /// What stands in it.
    pub fn as_slice(&self) -> &[u8] {
        &self.bytes[..self.n]
    }

    /// What stands in it, to alter.
    pub fn as_mut_slice(&mut self) -> &mut [u8] {
        &mut self.bytes[..self.n]
    }

    /// Keeps the first `n` bytes at most.
    pub fn truncate(&mut self, n: usize) {
        self.n = self.n.min(n);
    }
}

impl<const N: usize> core::fmt::Debug for Bytes<N> {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        core::fmt::Debug::fmt(self.as_slice(), f)
    }
}

/// A message.
pub type Message = Bytes<LONGEST_MESSAGE>;
/// A frame before stuffing.
pub type Frame = Bytes<LONGEST_FRAME>;
/// A frame on the line.
pub type Stuffed = Bytes<LONGEST_STUFFED>;

/// Stuffs a frame and ends it with 0 (consistent overhead byte stuffing; no run here is long enough for a code of 255).
pub fn stuff(frame: &[u8]) -> Option<Stuffed> {
    let mut out = Stuffed::EMPTY;
    for run in frame.split(|&byte| byte == 0) {
        let code = u8::try_from(run.len() + 1).ok()?;
        if !(out.extend(&[code]) && out.extend(run)) {
            return None;
        }
    }
    out.extend(&[0]).then_some(out)
}

/// Takes the stuffing out of what stood before a 0; `None` when it points beyond the end or is too long.
pub fn unstuff(stuffed: &[u8]) -> Option<Frame> {
    let mut out = Frame::EMPTY;
    let mut rest = stuffed;
    while let Some((&code, after)) = rest.split_first() {
        let (run, next) = after.split_at_checked(usize::from(code).checked_sub(1)?)?;
        if !out.extend(run) || (!next.is_empty() && !out.extend(&[0])) {
            return None;
        }
        rest = next;
    }
    Some(out)
}

/// A message as it goes over the cable.
pub fn to_cable(message: &Message) -> Option<Stuffed> {
    let mut frame = Frame::of(message.as_slice())?;
    frame.extend(&crc16(message.as_slice()).to_le_bytes());
    stuff(frame.as_slice())
}

/// The message of a frame from the cable, when its checksum is right.
pub fn from_cable(frame: &Frame) -> Option<Message> {
    let (message, crc) = frame.as_slice().split_last_chunk::<CRC_LENGTH>()?;
    (message.len() >= 2 && crc16(message) == u16::from_le_bytes(*crc)).then(|| Message::of(message))?
}

/// Finds frames in a stream of bytes.
#[derive(Clone, Debug)]
pub struct Splitter {
    waiting: Stuffed,
    is_too_long: bool,
    /// Frames that were none: stuffing wrong or too long.
    pub n_malformed: u64,
}

impl Splitter {
    /// At the beginning of a stream.
    pub const fn new() -> Splitter {
        Splitter { waiting: Stuffed::EMPTY, is_too_long: false, n_malformed: 0 }
    }

    /// Takes the next byte; a frame when it ends one.
    pub fn push(&mut self, byte: u8) -> Option<Frame> {
        if byte != 0 {
            self.is_too_long |= !self.waiting.extend(&[byte]);
            return None;
        }
        let frame = if self.is_too_long { None } else { unstuff(self.waiting.as_slice()) };
        self.n_malformed += u64::from(frame.is_none());
        self.waiting = Stuffed::EMPTY;
        self.is_too_long = false;
        frame.filter(|frame| !frame.as_slice().is_empty())
    }
}

impl Default for Splitter {
    fn default() -> Self {
        Splitter::new()
    }
}
