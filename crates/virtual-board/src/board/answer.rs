//! Requests to acts or words, and their answers.

use link::frame::Message;
use link::message::{
    Answer, AnswerCode, BadRequest, ENTRY_LENGTH, Hello, PROTOCOL, ProcedureCommand, Request,
};
use link::record::Command as Recorded;
use program::machine::Command;

use super::{Board, Clock, LastAct, Line, Subscription, event};
use crate::memory::CHUNK;
use crate::world::{World, cause};

/// The runtime that this board of software stands for.
const RUNTIME: [u8; 3] = [0, 1, 0];
/// A computer.
const CHIP: u8 = 4;
/// Commands that one scan takes.
const MOST_COMMANDS: usize = 3;
/// Raw codes in one answer.
const MOST_RAW: usize = 12;
/// Events in one answer.
const MOST_EVENTS: usize = 8;
/// Clocks end with the year 2099.
const CLOCK_END_S: u32 = 36_525 * 86_400;

impl<W: World> Board<W> {
    fn hello(&self) -> Hello {
        let sizes = self.run.decoded.sizes();
        Hello {
            protocol: PROTOCOL,
            chip: CHIP,
            board: self.kind.board,
            runtime: RUNTIME,
            wiring_crc: self.kind.wiring_crc,
            running_crc: self.run.crc,
            confirmed_crc: self.memory.confirmed_crc(),
            boots: self.memory.boots(),
            reset_cause: self.run.reset_cause,
            program: self.memory.running() as u8,
            fallback: self.memory.fell_back(),
            n_numbers: sizes.n_numbers,
            n_bits: sizes.n_bits,
            n_cells: sizes.n_cells,
            n_ops: sizes.n_ops,
            n_number_inputs: self.n_number_inputs(),
            n_bit_inputs: self.n_bit_inputs(),
            n_drives: sizes.n_drives as u8,
            n_trips: sizes.n_trips as u8,
            n_alarms: sizes.n_alarms as u8,
            n_procedures: sizes.n_procedures as u8,
            period_ms: self.run.decoded.period_ms() as u16,
            scan: self.run.n_scans,
            n_skipped: 0,
            longest_scan_ticks: 0,
            free_stack: 0,
            newest_event: self.memory.journal.newest(),
        }
    }

    /// Carries out a request and answers it; `None` from a board without power, and to what is no request.
    pub fn request(&mut self, line: Line, message: &[u8]) -> Option<Message> {
        if !self.is_on {
            return None;
        }
        let decoded = Request::decode(message);
        let [request_type, id, ..] = *message else { return None };
        let is_act = Request::is_act_type(request_type);
        let last = self.run.last_acts[line as usize];
        let is_again = is_act && id != 0 && id == last.id;
        let mut fields = Message::EMPTY;
        let (code, detail) = match decoded {
            _ if is_again => (AnswerCode::from_byte(last.code), last.detail),
            Err(BadRequest::Nothing) => return None,
            Err(BadRequest::Unknown) => (AnswerCode::Unknown, 0),
            Err(BadRequest::BadValue) => self.bad_value(request_type, message),
            Ok((_, request)) if is_act => self.act(line, &request),
            Ok((_, request)) => (self.tell(line, &request, &mut fields), 0),
        };
        let is_carried_out = decoded.is_ok() || Self::has_act_length(request_type, message);
        if is_act && is_carried_out && code != AnswerCode::Busy && !is_again {
            self.run.last_acts[line as usize] = LastAct { id, code: code.byte(), detail };
        }
        let mut out = Message::EMPTY;
        if is_act || code == AnswerCode::Unknown {
            out.extend(&[detail]);
            if code == AnswerCode::Refused
                && let Ok((_, Request::Hand { drive, .. })) = decoded
            {
                let left_ms = self.world.machine().hand_left_ms(drive.into(), 0) as u32;
                out.extend(&self.output(drive.into()).to_le_bytes());
                out.extend(&left_ms.to_le_bytes());
            }
        } else if code == AnswerCode::Done {
            out = fields;
        }
        let answer = Answer { request_type, id, code, fields: out.as_slice() }.encode();
        self.memory.journal.write();
        let restarts =
            matches!(decoded, Ok((_, Request::UploadEnd { .. } | Request::Revert | Request::Restart)));
        if restarts && code == AnswerCode::Done && !is_again {
            self.boot(cause::WANTED);
        }
        answer
    }

    /// Values out of range that `Request::decode` refuses although the length is right: a procedure's command, minutes 0.
    fn has_act_length(request_type: u8, message: &[u8]) -> bool {
        const PROCEDURE: u8 = 0x07;
        const UPLOAD_END: u8 = 0x10;
        matches!((request_type, message.len()), (PROCEDURE, 4) | (UPLOAD_END, 3))
    }

    fn bad_value(&self, request_type: u8, message: &[u8]) -> (AnswerCode, u8) {
        const PROCEDURE: u8 = 0x07;
        if request_type != PROCEDURE || !Self::has_act_length(request_type, message) {
            return (AnswerCode::BadValue, 0);
        }
        let is_there = u16::from(message[2]) < self.run.decoded.sizes().n_procedures;
        (if is_there { AnswerCode::BadValue } else { AnswerCode::NoSuchPart }, self.next_scan())
    }

    /// Low byte of the number of the scan that takes what is commanded now.
    fn next_scan(&self) -> u8 {
        self.run.n_scans.wrapping_add(1) as u8
    }

    /// What only reads.
    fn tell(&mut self, line: Line, request: &Request<'_>, fields: &mut Message) -> AnswerCode {
        match *request {
            Request::Hello { .. } => {
                self.run.last_acts[line as usize] = LastAct::default();
                *fields = self.hello().encode();
            }
            Request::Subscribe { sections, every } => {
                self.run.subscription = Subscription { line, sections, every, wait: 0 };
                self.n_subscriptions += 1;
            }
            Request::Events { from } => {
                fields.extend(&[self.memory.journal.newest()]);
                let mut from = from;
                for _ in 0..MOST_EVENTS {
                    let Some(event) = self.memory.journal.after(from) else { break };
                    fields.extend(&event.encode());
                    from = event.sequence.wrapping_add(1);
                }
            }
            Request::Clock => {
                fields.extend(&self.clock.utc_s.to_le_bytes());
                fields.extend(&[self.clock.quality]);
            }
            Request::Calibration { n } => match self.memory.entries().nth(n.into()) {
                Some(entry) => {
                    fields.extend(entry);
                }
                None => return AnswerCode::NoSuchPart,
            },
            Request::Raw { first } => {
                let n = self.n_number_inputs();
                if first >= n {
                    return AnswerCode::NoSuchPart;
                }
                for input in (first..n).take(MOST_RAW) {
                    fields.extend(&self.world.raw(input).to_le_bytes());
                }
            }
            _ => return AnswerCode::Unknown,
        }
        AnswerCode::Done
    }

    /// What changes something: code and detail.
    fn act(&mut self, line: Line, request: &Request<'_>) -> (AnswerCode, u8) {
        let scan = self.next_scan();
        let plain = |code| (code, 0);
        match *request {
            Request::Acknowledge { sequence } => {
                self.memory.journal.confirm(sequence);
                plain(AnswerCode::Done)
            }
            Request::Hand { drive, value, time_ms } => (self.hand(drive, value, time_ms), scan),
            Request::ResetTrip { trip } => (self.reset_trip(trip), scan),
            Request::Procedure { procedure, command } => (self.procedure(procedure, command), scan),
            Request::SetClock { utc_s } => plain(self.set_clock(utc_s)),
            Request::Calibrate { entry } => plain(self.calibrate(entry)),
            Request::LearnKey { key } => {
                let is_key = key < self.kind.n_keys || key == u8::MAX;
                plain(if is_key { AnswerCode::Done } else { AnswerCode::NoSuchPart })
            }
            Request::Upload { length } => (self.memory.upload(length), CHUNK as u8),
            Request::Chunk { offset, bytes } => plain(self.memory.chunk(offset, bytes)),
            Request::UploadEnd { minutes } => {
                self.memory.upload_end(minutes, |program| Self::check(&self.kind, program))
            }
            Request::Confirm => plain(self.memory.confirm()),
            Request::Revert => plain(self.memory.revert()),
            Request::Restart => plain(AnswerCode::Done),
            Request::SetKey { .. } if line != Line::Cable => plain(AnswerCode::NotAllowed),
            Request::SetKey { key } => {
                self.memory.set_key(key);
                self.n_keys_set += 1;
                plain(AnswerCode::Done)
            }
            _ => plain(AnswerCode::Unknown),
        }
    }

    fn has_room(&self) -> bool {
        self.run.waiting.len() < MOST_COMMANDS
    }

    fn take_command(&mut self, command: Command, recorded: Recorded) -> AnswerCode {
        if !self.has_room() {
            return AnswerCode::Busy;
        }
        self.world.machine_mut().command(0, command);
        self.run.waiting.push(recorded);
        AnswerCode::Done
    }

    fn hand(&mut self, drive: u8, value: i16, time_ms: u32) -> AnswerCode {
        if u16::from(drive) >= self.run.decoded.sizes().n_drives {
            let is_buzzer = self.kind.buzzers.contains(&drive);
            return if is_buzzer { AnswerCode::Done } else { AnswerCode::NoSuchPart };
        }
        let Ok(time) = i32::try_from(time_ms) else { return AnswerCode::BadValue };
        if !(0..=1000).contains(&value) {
            return AnswerCode::BadValue;
        }
        let is_blocked = self.world.machine().is_blocked(drive.into(), 0);
        if time != 0 && is_blocked && self.output(drive.into()) != value {
            return AnswerCode::Refused;
        }
        let command = Command::Hand { drive: drive.into(), value: value.into(), time_ms: time };
        self.take_command(command, Recorded { kind: 1, part: drive, value, time_ms })
    }

    fn reset_trip(&mut self, trip: u8) -> AnswerCode {
        if u16::from(trip) >= self.run.decoded.sizes().n_trips {
            return AnswerCode::NoSuchPart;
        }
        if !self.world.machine().is_tripped(trip.into(), 0) {
            return AnswerCode::Refused;
        }
        let command = Command::ResetTrip { trip: trip.into() };
        self.take_command(command, Recorded { kind: 2, part: trip, value: 0, time_ms: 0 })
    }

    fn procedure(&mut self, procedure: u8, command: ProcedureCommand) -> AnswerCode {
        if u16::from(procedure) >= self.run.decoded.sizes().n_procedures {
            return AnswerCode::NoSuchPart;
        }
        let recorded = Recorded { kind: 3, part: procedure, value: command as i16, time_ms: 0 };
        let command = match command {
            ProcedureCommand::Start => program::vm::ProcedureCommand::Start,
            ProcedureCommand::Confirm => program::vm::ProcedureCommand::Confirm,
            ProcedureCommand::Stop => program::vm::ProcedureCommand::Stop,
        };
        self.take_command(Command::Procedure { procedure: procedure.into(), command }, recorded)
    }

    fn set_clock(&mut self, utc_s: u32) -> AnswerCode {
        if utc_s >= CLOCK_END_S {
            return AnswerCode::BadValue;
        }
        let off = utc_s.wrapping_sub(self.clock.utc_s).cast_signed();
        let off = off.clamp(i16::MIN.into(), i16::MAX.into()) as i16;
        self.clock = Clock { utc_s, since_ms: self.request_ms(), quality: 0 };
        self.world.clock_was_set();
        self.event(event::CLOCK_SET, off.cast_unsigned());
        AnswerCode::Done
    }

    fn calibrate(&mut self, entry: &[u8; ENTRY_LENGTH]) -> AnswerCode {
        let code = self.memory.calibrate(entry);
        if code == AnswerCode::Done {
            self.event(event::CALIBRATED, entry[0].into());
            self.correct(entry[0]);
        }
        code
    }
}
