//! Messages (docs/link.md, sections 2, 3 and 5): to bytes and from bytes, as the station and as a board needs them.

use crate::frame::Message;
use crate::seal::Challenge;

/// The protocol that this crate speaks.
pub const PROTOCOL: u8 = 1;
/// Added to a request's type in its answer.
pub const IS_ANSWER: u8 = 0x80;
/// Type of a part of a record.
pub const RECORD: u8 = 0x40;
/// Type of the challenge with which a board begins a connection.
pub const CHALLENGE: u8 = 0x41;
/// Longest program chunk that a message takes; a board may take less.
pub const LONGEST_CHUNK: usize = 52;
/// Bytes of a calibration entry.
pub const ENTRY_LENGTH: usize = program::calibration::ENTRY_LENGTH;

/// Sections of a record that a subscription asks for, or-ed.
pub mod sections {
    /// Commands, number and bit inputs.
    pub const INPUTS: u8 = 1;
    /// What the drives put out.
    pub const OUTPUTS: u8 = 2;
    /// Time left of hands, trips, alarms, steps of procedures.
    pub const STATES: u8 = 4;
    /// Every number and bit slot, those of the inputs too.
    pub const RESULTS: u8 = 8;
    /// Day of the daily counts, every cell.
    pub const CELLS: u8 = 16;
}

/// What a procedure is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ProcedureCommand {
    /// Begin with the first step.
    Start = 1,
    /// The person has done what the step asked for.
    Confirm,
    /// End it.
    Stop,
}

/// A request. What each does stands in docs/link.md.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[expect(missing_docs, reason = "the page names every field; so do their names")]
pub enum Request<'a> {
    Hello { protocol: u8 },
    Subscribe { sections: u8, every: u8 },
    Events { from: u8 },
    Acknowledge { sequence: u8 },
    Hand { drive: u8, value: i16, time_ms: u32 },
    ResetTrip { trip: u8 },
    Procedure { procedure: u8, command: ProcedureCommand },
    Clock,
    SetClock { utc_s: u32 },
    Calibration { n: u8 },
    Calibrate { entry: &'a [u8; ENTRY_LENGTH] },
    LearnKey { key: u8 },
    Raw { first: u8 },
    Upload { length: u16 },
    Chunk { offset: u16, bytes: &'a [u8] },
    UploadEnd { minutes: u8 },
    Confirm,
    Revert,
    Restart,
    SetKey { key: &'a [u8; 16] },
}

/// Why bytes are no request; what a board answers then.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BadRequest {
    /// No request at all: no answer.
    Nothing,
    /// A type of another protocol: UNKNOWN.
    Unknown,
    /// Not the length of this type, or a value out of range: BAD_VALUE.
    BadValue,
}

impl<'a> Request<'a> {
    /// The first byte of the message.
    pub fn message_type(&self) -> u8 {
        match self {
            Request::Hello { .. } => 0x01,
            Request::Subscribe { .. } => 0x02,
            Request::Events { .. } => 0x03,
            Request::Acknowledge { .. } => 0x04,
            Request::Hand { .. } => 0x05,
            Request::ResetTrip { .. } => 0x06,
            Request::Procedure { .. } => 0x07,
            Request::Clock => 0x08,
            Request::SetClock { .. } => 0x09,
            Request::Calibration { .. } => 0x0A,
            Request::Calibrate { .. } => 0x0B,
            Request::LearnKey { .. } => 0x0C,
            Request::Raw { .. } => 0x0D,
            Request::Upload { .. } => 0x0E,
            Request::Chunk { .. } => 0x0F,
            Request::UploadEnd { .. } => 0x10,
            Request::Confirm => 0x11,
            Request::Revert => 0x12,
            Request::Restart => 0x13,
            Request::SetKey { .. } => 0x14,
        }
    }

    /// An act is carried out once however often it is asked with the same id; its answers have a detail.
    pub fn is_act(&self) -> bool {
        Self::is_act_type(self.message_type())
    }

    /// The same of a message's first byte, whatever follows it.
    pub fn is_act_type(message_type: u8) -> bool {
        matches!(message_type, 0x01..=0x14)
            && !matches!(message_type, 0x01 | 0x02 | 0x03 | 0x08 | 0x0A | 0x0D)
    }

    /// The message; `None` when a chunk is empty or too long.
    pub fn encode(&self, id: u8) -> Option<Message> {
        let mut message = Message::of(&[self.message_type(), id])?;
        let fits = match *self {
            Request::Hello { protocol: byte }
            | Request::Events { from: byte }
            | Request::Acknowledge { sequence: byte }
            | Request::ResetTrip { trip: byte }
            | Request::Calibration { n: byte }
            | Request::LearnKey { key: byte }
            | Request::Raw { first: byte }
            | Request::UploadEnd { minutes: byte } => message.extend(&[byte]),
            Request::Subscribe { sections, every } => message.extend(&[sections, every]),
            Request::Hand { drive, value, time_ms } => {
                message.extend(&[drive])
                    && message.extend(&value.to_le_bytes())
                    && message.extend(&time_ms.to_le_bytes())
            }
            Request::Procedure { procedure, command } => message.extend(&[procedure, command as u8]),
            Request::SetClock { utc_s } => message.extend(&utc_s.to_le_bytes()),
            Request::Calibrate { entry } => message.extend(entry),
            Request::Upload { length } => message.extend(&length.to_le_bytes()),
            Request::Chunk { offset, bytes } => {
                !bytes.is_empty()
                    && bytes.len() <= LONGEST_CHUNK
                    && message.extend(&offset.to_le_bytes())
                    && message.extend(bytes)
            }
            Request::SetKey { key } => message.extend(key),
            Request::Clock | Request::Confirm | Request::Revert | Request::Restart => true,
        };
        fits.then_some(message)
    }

    /// A message as a board reads it, with its id.
    pub fn decode(message: &'a [u8]) -> Result<(u8, Request<'a>), BadRequest> {
        let [message_type, id, fields @ ..] = message else { return Err(BadRequest::Nothing) };
        let request = match (message_type, fields) {
            (0x01, &[protocol]) => Request::Hello { protocol },
            (0x02, &[sections, every]) => Request::Subscribe { sections, every },
            (0x03, &[from]) => Request::Events { from },
            (0x04, &[sequence]) => Request::Acknowledge { sequence },
            (0x05, &[drive, v0, v1, t0, t1, t2, t3]) => Request::Hand {
                drive,
                value: i16::from_le_bytes([v0, v1]),
                time_ms: u32::from_le_bytes([t0, t1, t2, t3]),
            },
            (0x06, &[trip]) => Request::ResetTrip { trip },
            (0x07, &[procedure, command]) => Request::Procedure {
                procedure,
                command: match command {
                    1 => ProcedureCommand::Start,
                    2 => ProcedureCommand::Confirm,
                    3 => ProcedureCommand::Stop,
                    _ => return Err(BadRequest::BadValue),
                },
            },
            (0x08, []) => Request::Clock,
            (0x09, &[c0, c1, c2, c3]) => Request::SetClock { utc_s: u32::from_le_bytes([c0, c1, c2, c3]) },
            (0x0A, &[n]) => Request::Calibration { n },
            (0x0B, entry) => {
                Request::Calibrate { entry: entry.try_into().map_err(|_| BadRequest::BadValue)? }
            }
            (0x0C, &[key]) => Request::LearnKey { key },
            (0x0D, &[first]) => Request::Raw { first },
            (0x0E, &[l0, l1]) => Request::Upload { length: u16::from_le_bytes([l0, l1]) },
            (0x0F, [o0, o1, bytes @ ..]) if !bytes.is_empty() && bytes.len() <= LONGEST_CHUNK => {
                Request::Chunk { offset: u16::from_le_bytes([*o0, *o1]), bytes }
            }
            (0x10, &[minutes]) if minutes > 0 => Request::UploadEnd { minutes },
            (0x11, []) => Request::Confirm,
            (0x12, []) => Request::Revert,
            (0x13, []) => Request::Restart,
            (0x14, key) => Request::SetKey { key: key.try_into().map_err(|_| BadRequest::BadValue)? },
            (0x01..=0x14, _) => return Err(BadRequest::BadValue),
            _ => return Err(BadRequest::Unknown),
        };
        Ok((*id, request))
    }
}

/// How a board answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AnswerCode {
    /// Done; of a hand, reset or procedure: taken for the scan that the detail names.
    Done,
    /// No such drive, trip, procedure, input, key or entry.
    NoSuchPart,
    /// Out of range or malformed.
    BadValue,
    /// Ask again.
    Busy,
    /// A permissive or trip stands against it.
    Refused,
    /// A chunk or end at the wrong place: begin the upload again.
    NoUpload,
    /// The loader refuses the program; the detail is its reason.
    Program,
    /// A type that the board does not know.
    Unknown,
    /// Only over the cable.
    NotAllowed,
    /// A trial runs: confirm or revert it first; or none runs.
    Trial,
    /// No place left for a calibration of a further input.
    Full,
    /// The EEPROM does not take it any more.
    Worn,
    /// A code of a later protocol.
    Other(u8),
}

impl AnswerCode {
    const ALL: [AnswerCode; 12] = [
        AnswerCode::Done,
        AnswerCode::NoSuchPart,
        AnswerCode::BadValue,
        AnswerCode::Busy,
        AnswerCode::Refused,
        AnswerCode::NoUpload,
        AnswerCode::Program,
        AnswerCode::Unknown,
        AnswerCode::NotAllowed,
        AnswerCode::Trial,
        AnswerCode::Full,
        AnswerCode::Worn,
    ];

    /// From its byte.
    pub fn from_byte(byte: u8) -> AnswerCode {
        Self::ALL.get(usize::from(byte)).copied().unwrap_or(AnswerCode::Other(byte))
    }

    /// Its byte.
    pub fn byte(self) -> u8 {
        match self {
            AnswerCode::Other(byte) => byte,
            code => Self::ALL.iter().position(|&other| other == code).map_or(0xFF, |at| at as u8),
        }
    }

    /// What it means to a person, and what to do.
    pub fn words(self) -> &'static str {
        match self {
            AnswerCode::Done => "done",
            AnswerCode::NoSuchPart => "the board has no such part",
            AnswerCode::BadValue => "the board takes no such value",
            AnswerCode::Busy => "the board is still writing; ask again",
            AnswerCode::Refused => "a permissive or a trip stands against it",
            AnswerCode::NoUpload => "the upload lost its place; begin it again",
            AnswerCode::Program => "the board's loader refuses the program",
            AnswerCode::Unknown => "this board's runtime does not know the request; flash a newer one",
            AnswerCode::NotAllowed => "the board takes this over the cable only",
            AnswerCode::Trial => "a trial runs: confirm or revert it first (or none runs that could be)",
            AnswerCode::Full => "no place left for a further calibration; forget one first",
            AnswerCode::Worn => "the EEPROM does not take it any more; the chip must be replaced",
            AnswerCode::Other(_) => "an answer that this version does not know",
        }
    }
}

/// An answer, apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Answer<'a> {
    /// Type of the request.
    pub request_type: u8,
    /// Its id.
    pub id: u8,
    /// How it went.
    pub code: AnswerCode,
    /// What follows: of an act its detail first.
    pub fields: &'a [u8],
}

impl<'a> Answer<'a> {
    /// A message of a board as an answer; `None` when it is something else.
    pub fn decode(message: &'a [u8]) -> Option<Answer<'a>> {
        match message {
            [first, id, code, fields @ ..] if first & IS_ANSWER != 0 => Some(Answer {
                request_type: first & !IS_ANSWER,
                id: *id,
                code: AnswerCode::from_byte(*code),
                fields,
            }),
            _ => None,
        }
    }

    /// The message; `None` when the fields are too many.
    pub fn encode(&self) -> Option<Message> {
        let mut message = Message::of(&[self.request_type | IS_ANSWER, self.id, self.code.byte()])?;
        message.extend(self.fields).then_some(message)
    }
}

/// Little-endian fields from the front; what is missing reads 0, so that a shorter answer of an older board still reads.
pub(crate) struct Fields<'a>(pub &'a [u8]);

impl Fields<'_> {
    fn bytes<const N: usize>(&mut self) -> [u8; N] {
        match self.0.split_first_chunk::<N>() {
            Some((bytes, rest)) => {
                self.0 = rest;
                *bytes
            }
            None => {
                self.0 = &[];
                [0; N]
            }
        }
    }

    pub(crate) fn u8(&mut self) -> u8 {
        self.bytes::<1>()[0]
    }

    pub(crate) fn u16(&mut self) -> u16 {
        u16::from_le_bytes(self.bytes())
    }

    pub(crate) fn u24(&mut self) -> u32 {
        let [low, middle, high] = self.bytes();
        u32::from_le_bytes([low, middle, high, 0])
    }

    pub(crate) fn u32(&mut self) -> u32 {
        u32::from_le_bytes(self.bytes())
    }
}

/// What a board says of itself.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Hello {
    /// Protocol of the board.
    pub protocol: u8,
    /// 1 ATmega328P, 2 ATmega32U4, 3 ATmega2560, 4 a computer, 5 another through the Arduino port, 0 not told.
    pub chip: u8,
    /// Board of the wiring table.
    pub board: u8,
    /// Version of the runtime: major, minor, patch.
    pub runtime: [u8; 3],
    /// CRC of the wiring table, 0 without one.
    pub wiring_crc: u32,
    /// Identity of the running program, 0 when none runs.
    pub running_crc: u32,
    /// Identity of the confirmed program in EEPROM, 0 without one.
    pub confirmed_crc: u32,
    /// Boots so far, 24 bits.
    pub boots: u32,
    /// Cause of the last reset, bits as the event RESET.
    pub reset_cause: u8,
    /// 0 golden, 1 confirmed, 2 trial.
    pub program: u8,
    /// Why it is not what was to run; 0 when it is.
    pub fallback: u8,
    /// Number slots.
    pub n_numbers: u16,
    /// Bit slots, the two built-in ones included.
    pub n_bits: u16,
    /// Cells.
    pub n_cells: u16,
    /// Operations.
    pub n_ops: u16,
    /// Number inputs.
    pub n_number_inputs: u8,
    /// Bit inputs.
    pub n_bit_inputs: u8,
    /// Drives.
    pub n_drives: u8,
    /// Trips.
    pub n_trips: u8,
    /// Alarms.
    pub n_alarms: u8,
    /// Procedures.
    pub n_procedures: u8,
    /// Period, ms.
    pub period_ms: u16,
    /// Scans since boot.
    pub scan: u32,
    /// Scans skipped since boot.
    pub n_skipped: u32,
    /// Longest scan, in 64 µs.
    pub longest_scan_ticks: u16,
    /// Bytes of stack never touched.
    pub free_stack: u16,
    /// Sequence of the newest event.
    pub newest_event: u8,
}

impl Hello {
    /// From the fields of its answer.
    pub fn decode(fields: &[u8]) -> Hello {
        let mut fields = Fields(fields);
        let mut hello = Hello {
            protocol: fields.u8(),
            chip: fields.u8(),
            board: fields.u8(),
            runtime: [fields.u8(), fields.u8(), fields.u8()],
            wiring_crc: fields.u32(),
            running_crc: fields.u32(),
            confirmed_crc: fields.u32(),
            boots: fields.u24(),
            reset_cause: fields.u8(),
            ..Hello::default()
        };
        let runs = fields.u8();
        hello.program = runs & 0x0F;
        hello.fallback = runs >> 4;
        hello.n_numbers = fields.u16();
        hello.n_bits = fields.u16();
        hello.n_cells = fields.u16();
        hello.n_ops = fields.u16();
        hello.n_number_inputs = fields.u8();
        hello.n_bit_inputs = fields.u8();
        hello.n_drives = fields.u8();
        hello.n_trips = fields.u8();
        hello.n_alarms = fields.u8();
        hello.n_procedures = fields.u8();
        hello.period_ms = fields.u16();
        hello.scan = fields.u32();
        hello.n_skipped = fields.u32();
        hello.longest_scan_ticks = fields.u16();
        hello.free_stack = fields.u16();
        hello.newest_event = fields.u8();
        hello
    }

    /// The fields of its answer, for a board of software.
    pub fn encode(&self) -> Message {
        let mut out = Message::EMPTY;
        let mut put = |bytes: &[u8]| out.extend(bytes);
        put(&[self.protocol, self.chip, self.board]);
        put(&self.runtime);
        put(&self.wiring_crc.to_le_bytes());
        put(&self.running_crc.to_le_bytes());
        put(&self.confirmed_crc.to_le_bytes());
        put(&self.boots.to_le_bytes()[..3]);
        put(&[self.reset_cause, (self.program & 0x0F) | self.fallback << 4]);
        for count in [self.n_numbers, self.n_bits, self.n_cells, self.n_ops] {
            put(&count.to_le_bytes());
        }
        put(&[self.n_number_inputs, self.n_bit_inputs, self.n_drives, self.n_trips, self.n_alarms]);
        put(&[self.n_procedures]);
        put(&self.period_ms.to_le_bytes());
        put(&self.scan.to_le_bytes());
        put(&self.n_skipped.to_le_bytes());
        put(&self.longest_scan_ticks.to_le_bytes());
        put(&self.free_stack.to_le_bytes());
        put(&[self.newest_event]);
        out
    }
}

/// An event of the journal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Event {
    /// Counts up modulo 256.
    pub sequence: u8,
    /// What happened, docs/link.md section 5.
    pub code: u8,
    /// Belongs to the code.
    pub argument: u16,
    /// UTC minute since 2000, low 16 bits; 0xFFFF when the clock was lost.
    pub minute: u16,
}

/// Code of the event that counts what was lost.
pub const EVENT_GAP: u8 = 1;

impl Event {
    /// Bytes of an event.
    pub const LENGTH: usize = 6;

    /// From its bytes.
    pub fn decode(bytes: &[u8; Event::LENGTH]) -> Event {
        let [sequence, code, a0, a1, m0, m1] = *bytes;
        Event { sequence, code, argument: u16::from_le_bytes([a0, a1]), minute: u16::from_le_bytes([m0, m1]) }
    }

    /// Its bytes.
    pub fn encode(&self) -> [u8; Event::LENGTH] {
        let [a0, a1] = self.argument.to_le_bytes();
        let [m0, m1] = self.minute.to_le_bytes();
        [self.sequence, self.code, a0, a1, m0, m1]
    }
}

/// The answer to EVENTS: the newest sequence, and the events.
pub fn decode_events(fields: &[u8]) -> Option<(u8, impl Iterator<Item = Event> + '_)> {
    let (&newest, events) = fields.split_first()?;
    let (events, rest) = events.as_chunks::<{ Event::LENGTH }>();
    rest.is_empty().then(|| (newest, events.iter().map(Event::decode)))
}

impl Challenge {
    /// From its message.
    pub fn decode(message: &[u8]) -> Option<Challenge> {
        let (&CHALLENGE, fields) = message.split_first()? else { return None };
        let mut fields = Fields(fields);
        Some(Challenge {
            protocol: fields.u8(),
            has_key: fields.u8() & 1 != 0,
            boots: fields.u24(),
            session: fields.u24(),
        })
    }

    /// Its message.
    pub fn encode(&self) -> Message {
        let mut out = Message::EMPTY;
        out.extend(&[CHALLENGE, self.protocol, u8::from(self.has_key)]);
        out.extend(&self.boots.to_le_bytes()[..3]);
        out.extend(&self.session.to_le_bytes()[..3]);
        out
    }
}
