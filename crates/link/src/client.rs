//! What a station does with a board: request and answer with time-outs, records, events without a silent gap, upload.

use std::collections::VecDeque;
use std::io;
use std::thread::sleep;
use std::time::{Duration, Instant};
use std::vec::Vec;

use crate::frame::{Frame, Message, Splitter, from_cable, stuff, to_cable};
use crate::message::{
    Answer, AnswerCode, EVENT_GAP, Event, Hello, PROTOCOL, ProcedureCommand, RECORD, Request, decode_events,
};
use crate::record::{Assembler, Record, Shape};
use crate::seal::{Challenge, KEY_LENGTH, RANDOM_LENGTH, Session, Side};
use crate::transport::Transport;

/// How long an answer may take before the request is sent again.
const ANSWER_WAIT: Duration = Duration::from_millis(300);
/// The loader's whole check takes longer.
const UPLOAD_END_WAIT: Duration = Duration::from_secs(3);
/// How often a request is sent.
const N_TRIES: u32 = 5;
/// Between two tries while the board's storage is busy.
const BUSY_WAIT: Duration = Duration::from_millis(20);
/// Storage is never busy for longer: the longest record takes a second.
const LONGEST_BUSY: Duration = Duration::from_secs(5);
/// How long a board may take for its challenge.
const CHALLENGE_WAIT: Duration = Duration::from_secs(5);
/// Many boards restart when their port is opened: a bootloader waits for a second, boot takes two with thermometers.
const MEETING_WAIT: Duration = Duration::from_secs(6);
/// Records that nobody asked for yet; older ones are dropped.
const MOST_WAITING: usize = 1024;
/// Rounds of catching up; the journal of the largest board is shorter.
const MOST_ROUNDS: u32 = 64;

/// Why something did not work, and what to do.
#[derive(Debug)]
pub enum ClientError {
    /// The line failed: check cable or network, connect again.
    Line(io::Error),
    /// Nobody answered. On a cable: wrong port, no power, or no runtime on the board.
    NoAnswer,
    /// The board speaks another protocol: use the version of Tidewright that it was flashed with, or flash it.
    Protocol(u8),
    /// The board has no network key: set one over the cable.
    NoKey,
    /// The board does not take this key, or somebody altered a frame: the connection is over.
    Key,
    /// The board has shown an old challenge: it is not the board, or its EEPROM was erased.
    OldChallenge,
    /// The board says no; with the fields of its answer behind the code.
    Refused(AnswerCode, Vec<u8>),
    /// An answer that makes no sense.
    Malformed,
    /// More than a board can take.
    TooLong,
}

impl core::fmt::Display for ClientError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            ClientError::Line(error) => write!(f, "the line to the board failed: {error}"),
            ClientError::NoAnswer => f.write_str("the board does not answer; check port, power and cable"),
            ClientError::Protocol(theirs) => {
                write!(f, "the board speaks protocol {theirs}, this program {PROTOCOL}; flash the board anew")
            }
            ClientError::NoKey => f.write_str("the board has no network key; set one over the cable"),
            ClientError::Key => f.write_str("the board does not take this key; set it again over the cable"),
            ClientError::OldChallenge => {
                f.write_str("an old challenge came back; this is not the board, or its memory was erased")
            }
            ClientError::Refused(code, _) => f.write_str(code.words()),
            ClientError::Malformed => f.write_str("the board's answer makes no sense; update this program"),
            ClientError::TooLong => f.write_str("more than the board can take"),
        }
    }
}

impl core::error::Error for ClientError {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            ClientError::Line(error) => Some(error),
            _ => None,
        }
    }
}

impl From<io::Error> for ClientError {
    fn from(error: io::Error) -> Self {
        ClientError::Line(error)
    }
}

/// What the journal tells, in order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Told {
    /// An event.
    Event(Event),
    /// So many events were lost here; `None`: nobody knows how many.
    Lost(Option<u16>),
}

/// How a command was taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Taken {
    /// It is an input of the scan whose number ends in this byte; what came of it stands in that scan's record.
    ForScan(u8),
    /// A permissive or a trip stands against it: the drive's output and the time left of its hand.
    Refused {
        /// What the drive puts out now.
        output: i16,
        /// Time left of a hand that was taken before.
        hand_left_ms: u32,
    },
}

/// A connection to one board.
#[derive(Debug)]
pub struct Client<T> {
    transport: T,
    session: Option<Session>,
    splitter: Splitter,
    /// Bytes behind the last frame.
    received: VecDeque<u8>,
    id: u8,
    hello: Hello,
    assembler: Assembler,
    records: VecDeque<Record>,
    last_event: Option<u8>,
    /// Records that nobody asked for in time, dropped.
    pub n_dropped: u64,
    /// Requests that had to be sent again.
    pub n_retries: u64,
    /// Frames whose checksum was wrong.
    pub n_unsound: u64,
}

impl<T: Transport> Client<T> {
    fn new(transport: T) -> Self {
        Client {
            transport,
            session: None,
            splitter: Splitter::new(),
            received: VecDeque::new(),
            id: 0,
            hello: Hello::default(),
            assembler: Assembler::default(),
            records: VecDeque::new(),
            last_event: None,
            n_dropped: 0,
            n_retries: 0,
            n_unsound: 0,
        }
    }

    /// Meets a board over the cable.
    pub fn over_cable(transport: T) -> Result<Self, ClientError> {
        let mut client = Client::new(transport);
        let until = Instant::now() + MEETING_WAIT;
        loop {
            client.transport.send(&[0])?;
            match client.hello() {
                Err(ClientError::NoAnswer) if Instant::now() < until => {}
                Err(error) => return Err(error),
                Ok(_) => return Ok(client),
            }
        }
    }

    /// Meets a board over a network. `above`: the last session known of this board (boot counter, session), if any; a
    /// challenge that is not above it is refused. Gives the new one beside the client.
    pub fn over_network(
        transport: T,
        key: &[u8; KEY_LENGTH],
        above: Option<(u32, u32)>,
    ) -> Result<(Self, Challenge), ClientError> {
        let mut random = [0; RANDOM_LENGTH];
        getrandom::fill(&mut random)
            .map_err(|error| ClientError::Line(io::Error::other(std::format!("{error}"))))?;
        let mut client = Client::new(transport);
        let until = Instant::now() + CHALLENGE_WAIT;
        let challenge = loop {
            let frame = client.next_frame(until)?.ok_or(ClientError::NoAnswer)?;
            if let Some(challenge) =
                from_cable(&frame).and_then(|message| Challenge::decode(message.as_slice()))
            {
                break challenge;
            }
        };
        if challenge.protocol != PROTOCOL {
            return Err(ClientError::Protocol(challenge.protocol));
        }
        if !challenge.has_key {
            return Err(ClientError::NoKey);
        }
        if above.is_some_and(|above| (challenge.boots, challenge.session) <= above) {
            return Err(ClientError::OldChallenge);
        }
        client.session = Some(Session::new(key, &challenge, random, Side::Station));
        match client.hello() {
            Err(ClientError::Line(error)) if error.kind() == io::ErrorKind::UnexpectedEof => {
                Err(ClientError::Key)
            }
            Err(ClientError::NoAnswer) => Err(ClientError::Key),
            Err(error) => Err(error),
            Ok(_) => Ok((client, challenge)),
        }
    }

    /// What the board said of itself last.
    pub fn board(&self) -> &Hello {
        &self.hello
    }

    /// The transport, for a test that bends it.
    pub fn transport(&mut self) -> &mut T {
        &mut self.transport
    }

    fn next_frame(&mut self, until: Instant) -> Result<Option<Frame>, ClientError> {
        // A line that carries nonsense without end does not keep the caller beyond its time.
        let mut was_last = false;
        loop {
            while let Some(byte) = self.received.pop_front() {
                if let Some(frame) = self.splitter.push(byte) {
                    return Ok(Some(frame));
                }
            }
            if was_last {
                return Ok(None);
            }
            let wait = until.saturating_duration_since(Instant::now());
            was_last = wait.is_zero();
            let mut bytes = [0; 256];
            let n = self.transport.receive(&mut bytes, wait)?;
            self.received.extend(&bytes[..n]);
        }
    }

    /// What stood between two ends of a frame and was none: too long, or stuffed wrongly.
    pub fn n_malformed(&self) -> u64 {
        self.splitter.n_malformed
    }

    /// The next message; records are put by on the way.
    fn next_message(&mut self, until: Instant) -> Result<Option<Message>, ClientError> {
        while let Some(frame) = self.next_frame(until)? {
            let message = match &mut self.session {
                Some(session) => Some(session.open(&frame).ok_or(ClientError::Key)?),
                None => from_cable(&frame),
            };
            let Some(message) = message else {
                self.n_unsound += 1;
                continue;
            };
            if message.as_slice().first() != Some(&RECORD) {
                return Ok(Some(message));
            }
            if let Some(record) = self.assembler.push(message.as_slice()) {
                if self.records.len() == MOST_WAITING {
                    self.records.pop_front();
                    self.n_dropped += 1;
                }
                self.records.push_back(record);
                return Ok(None);
            }
        }
        Ok(None)
    }

    fn send(&mut self, message: &Message) -> Result<(), ClientError> {
        let stuffed = match &mut self.session {
            Some(session) => {
                let frame = session.seal(message).ok_or(ClientError::Key)?;
                stuff(frame.as_slice())
            }
            None => to_cable(message),
        };
        self.transport.send(stuffed.ok_or(ClientError::TooLong)?.as_slice())?;
        Ok(())
    }

    /// Asks, and asks again until an answer comes. The fields behind the code; codes other than DONE are errors.
    pub fn request(&mut self, request: &Request<'_>) -> Result<Vec<u8>, ClientError> {
        let busy_until = Instant::now() + LONGEST_BUSY;
        loop {
            match self.request_once(request)? {
                (AnswerCode::Done, fields) => return Ok(fields),
                (AnswerCode::Busy, _) if Instant::now() < busy_until => sleep(BUSY_WAIT),
                (code, fields) => return Err(ClientError::Refused(code, fields)),
            }
        }
    }

    fn request_once(&mut self, request: &Request<'_>) -> Result<(AnswerCode, Vec<u8>), ClientError> {
        self.id = if self.id == u8::MAX { 1 } else { self.id + 1 };
        let message = request.encode(self.id).ok_or(ClientError::TooLong)?;
        let wait = if matches!(request, Request::UploadEnd { .. }) { UPLOAD_END_WAIT } else { ANSWER_WAIT };
        // On a network nothing gets lost, and a frame sent twice would be two frames: the answer just has more time.
        let n_tries = if self.session.is_some() { 1 } else { N_TRIES };
        let wait = if self.session.is_some() { wait * N_TRIES } else { wait };
        for n_try in 0..n_tries {
            self.n_retries += u64::from(n_try > 0);
            self.send(&message)?;
            let until = Instant::now() + wait;
            while Instant::now() < until {
                let Some(message) = self.next_message(until)? else { continue };
                let Some(answer) = Answer::decode(message.as_slice()) else { continue };
                if answer.id == self.id && answer.request_type == request.message_type() {
                    return Ok((answer.code, answer.fields.to_vec()));
                }
            }
        }
        Err(ClientError::NoAnswer)
    }

    /// Asks the board what it is.
    pub fn hello(&mut self) -> Result<Hello, ClientError> {
        let hello = Hello::decode(&self.request(&Request::Hello { protocol: PROTOCOL })?);
        if hello.protocol != PROTOCOL {
            return Err(ClientError::Protocol(hello.protocol));
        }
        let shape = Shape::of(&hello);
        if shape != Shape::of(&self.hello) {
            self.assembler = Assembler::new(shape);
        }
        self.hello = hello;
        Ok(hello)
    }

    /// Wants a record of every n-th scan with these [`crate::message::sections`]; none of them ends it.
    pub fn subscribe(&mut self, sections: u8, every: u8) -> Result<(), ClientError> {
        self.request(&Request::Subscribe { sections, every }).map(drop)
    }

    /// The next record; `None` when none came in time.
    pub fn next_record(&mut self, wait: Duration) -> Result<Option<Record>, ClientError> {
        let until = Instant::now() + wait;
        loop {
            if let Some(record) = self.records.pop_front() {
                return Ok(Some(record));
            }
            if Instant::now() >= until {
                return Ok(None);
            }
            // Whatever is no record here is an answer that came too late.
            self.next_message(until)?;
        }
    }

    /// Records that were broken off or lost a part.
    pub fn n_broken_records(&self) -> u64 {
        self.assembler.n_broken
    }

    /// Everything that the journal has behind `last`, the sequence stored last (`None` at the first meeting). Nothing is
    /// acknowledged: store it, then call [`Client::acknowledge`] with the last sequence.
    pub fn events_after(&mut self, last: Option<u8>) -> Result<Vec<Told>, ClientError> {
        let mut told = Vec::new();
        let mut last = last;
        for _ in 0..MOST_ROUNDS {
            // At the first meeting the oldest is wanted; no journal is half of the numbers long.
            let from =
                last.map_or_else(|| self.hello.newest_event.wrapping_sub(100), |last| last.wrapping_add(1));
            let fields = self.request(&Request::Events { from })?;
            let (_, events) = decode_events(&fields).ok_or(ClientError::Malformed)?;
            let mut came = false;
            for event in events {
                if last.is_some_and(|last| event.sequence.wrapping_sub(last) > 0x7F || event.sequence == last)
                {
                    continue;
                }
                if last.is_some_and(|last| event.sequence != last.wrapping_add(1)) {
                    told.push(Told::Lost(None));
                }
                last = Some(event.sequence);
                came = true;
                told.push(if event.code == EVENT_GAP {
                    Told::Lost(Some(event.argument))
                } else {
                    Told::Event(event)
                });
            }
            if !came {
                break;
            }
        }
        self.last_event = last;
        Ok(told)
    }

    /// Sequence of the last event that [`Client::events_after`] gave, or that it was asked from.
    pub fn last_event(&self) -> Option<u8> {
        self.last_event
    }

    /// Tells the board that every event up to this one is stored durably.
    pub fn acknowledge(&mut self, sequence: u8) -> Result<(), ClientError> {
        self.request(&Request::Acknowledge { sequence }).map(drop)
    }

    fn command(&mut self, request: &Request<'_>) -> Result<Taken, ClientError> {
        match self.request(request) {
            Ok(fields) => Ok(Taken::ForScan(fields.first().copied().unwrap_or(0))),
            Err(ClientError::Refused(AnswerCode::Refused, fields)) if fields.len() >= 7 => {
                let mut fields = crate::message::Fields(&fields[1..]);
                Ok(Taken::Refused { output: fields.u16().cast_signed(), hand_left_ms: fields.u32() })
            }
            Err(error) => Err(error),
        }
    }

    /// Takes a drive into hand for a time; 0 ms gives it back.
    pub fn hand(&mut self, drive: u8, value: i16, time_ms: u32) -> Result<Taken, ClientError> {
        self.command(&Request::Hand { drive, value, time_ms })
    }

    /// Resets a trip.
    pub fn reset_trip(&mut self, trip: u8) -> Result<Taken, ClientError> {
        self.command(&Request::ResetTrip { trip })
    }

    /// Starts, confirms or stops a procedure.
    pub fn procedure(&mut self, procedure: u8, command: ProcedureCommand) -> Result<Taken, ClientError> {
        self.command(&Request::Procedure { procedure, command })
    }

    /// The board's clock as its last scan had it; `None` while it is lost.
    pub fn clock(&mut self) -> Result<Option<u32>, ClientError> {
        let fields = self.request(&Request::Clock)?;
        let (clock, quality) = fields.split_first_chunk::<4>().ok_or(ClientError::Malformed)?;
        Ok((quality == [0]).then_some(u32::from_le_bytes(*clock)))
    }

    /// Sets the board's clock: UTC seconds since 2000.
    pub fn set_clock(&mut self, utc_s: u32) -> Result<(), ClientError> {
        self.request(&Request::SetClock { utc_s }).map(drop)
    }

    /// Every calibration entry that counts.
    pub fn calibrations(&mut self) -> Result<Vec<[u8; 14]>, ClientError> {
        let mut entries = Vec::new();
        for n in 0..u8::MAX {
            match self.request(&Request::Calibration { n }) {
                Ok(fields) => entries.push(fields.as_slice().try_into().map_err(|_| ClientError::Malformed)?),
                Err(ClientError::Refused(AnswerCode::NoSuchPart, _)) => break,
                Err(error) => return Err(error),
            }
        }
        Ok(entries)
    }

    /// Writes a calibration entry (`program::calibration::Entry::to_bytes`).
    pub fn calibrate(&mut self, entry: &[u8; 14]) -> Result<(), ClientError> {
        self.request(&Request::Calibrate { entry }).map(drop)
    }

    /// Last raw codes of all number inputs.
    pub fn raw_codes(&mut self) -> Result<Vec<i32>, ClientError> {
        let n = usize::from(self.hello.n_number_inputs);
        let mut codes = Vec::with_capacity(n);
        while codes.len() < n {
            let fields = self.request(&Request::Raw { first: codes.len() as u8 })?;
            let (words, rest) = fields.as_chunks::<4>();
            if words.is_empty() || !rest.is_empty() {
                return Err(ClientError::Malformed);
            }
            codes.extend(words.iter().map(|word| i32::from_le_bytes(*word)));
        }
        Ok(codes)
    }

    /// The next code of the remote becomes this key of the panel table.
    pub fn learn_key(&mut self, key: u8) -> Result<(), ClientError> {
        self.request(&Request::LearnKey { key }).map(drop)
    }

    /// Sets the network key; over the cable only.
    pub fn set_key(&mut self, key: &[u8; KEY_LENGTH]) -> Result<(), ClientError> {
        self.request(&Request::SetKey { key }).map(drop)
    }

    /// Sends a program, has it checked by the board's loader, and starts it on trial: it must be confirmed within `minutes`.
    /// The board restarts. `progress` gets bytes sent. A line that fails on the way leaves the old program; call it again.
    pub fn upload(
        &mut self,
        program: &[u8],
        minutes: u8,
        mut progress: impl FnMut(usize),
    ) -> Result<(), ClientError> {
        let length = u16::try_from(program.len()).map_err(|_| ClientError::TooLong)?;
        let fields = self.request(&Request::Upload { length })?;
        let longest =
            usize::from(fields.first().copied().unwrap_or(0)).clamp(1, crate::message::LONGEST_CHUNK);
        let mut offset = 0;
        for bytes in program.chunks(longest) {
            self.request(&Request::Chunk { offset, bytes })?;
            offset += bytes.len() as u16;
            progress(offset.into());
        }
        self.request(&Request::UploadEnd { minutes }).map(drop)
    }

    /// After a restart over the cable: asks until the board answers and runs this program. What runs instead is in
    /// [`Client::board`] when it is another.
    pub fn wait_for_program(&mut self, crc: u32, wait: Duration) -> Result<bool, ClientError> {
        let until = Instant::now() + wait;
        loop {
            match self.hello() {
                Ok(hello) if hello.running_crc == crc => return Ok(true),
                Ok(_) if Instant::now() >= until => return Ok(false),
                Err(ClientError::NoAnswer) if Instant::now() < until => {}
                Ok(_) => sleep(BUSY_WAIT),
                Err(error) => return Err(error),
            }
        }
    }

    /// The running trial becomes the confirmed program.
    pub fn confirm(&mut self) -> Result<(), ClientError> {
        self.request(&Request::Confirm).map(drop)
    }

    /// Gives the trial up; the board restarts with the confirmed program.
    pub fn revert(&mut self) -> Result<(), ClientError> {
        self.request(&Request::Revert).map(drop)
    }

    /// Restarts the board.
    pub fn restart(&mut self) -> Result<(), ClientError> {
        self.request(&Request::Restart).map(drop)
    }
}
