//! Records of scans (docs/link.md, section 4): everything that went into a scan and came out of it.

use std::vec::Vec;

use program::quality::{Quality, Sample, unpack_bit};

use crate::frame::{LONGEST_MESSAGE, Message};
use crate::message::{Fields, Hello, RECORD, sections};

/// A command that a scan took.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Command {
    /// 1 hand, 2 reset of a trip, 3 procedure.
    pub kind: u8,
    /// Which of its kind.
    pub part: u8,
    /// Value of a hand; what a procedure was told.
    pub value: i16,
    /// How long a hand lasts, ms.
    pub time_ms: u32,
}

/// Everything that was asked for of one scan.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Record {
    /// Sections that are in it.
    pub sections: u8,
    /// Scans since boot: 1 after the first.
    pub scan: u32,
    /// Clock as the scan had it.
    pub clock_s: u32,
    /// Whether it was good.
    pub is_clock_good: bool,
    /// Sequence of the newest event.
    pub newest_event: u8,
    /// Commands that the scan took, in order.
    pub commands: Vec<Command>,
    /// Number inputs; with inputs or results.
    pub number_inputs: Vec<Sample>,
    /// Bit inputs; with inputs or results.
    pub bit_inputs: Vec<(bool, Quality)>,
    /// Outputs: 0 or 1, or permille.
    pub outputs: Vec<i16>,
    /// Time left of each hand, ms.
    pub hands_left_ms: Vec<u32>,
    /// Trips that stand.
    pub trips: Vec<bool>,
    /// Alarms: on, quality, priority (0 low, 1 medium, 2 high).
    pub alarms: Vec<(bool, Quality, u8)>,
    /// Step of each procedure, 0 when it does not run.
    pub steps: Vec<u8>,
    /// Number slots behind the inputs, with the results.
    pub numbers: Vec<Sample>,
    /// Bit slots behind the inputs, with the results.
    pub bits: Vec<(bool, Quality)>,
    /// Day of the daily counts.
    pub day: u32,
    /// Cells.
    pub cells: Vec<u32>,
}

/// How many of everything a board has, as its HELLO says.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Shape {
    n_number_inputs: usize,
    n_bit_inputs: usize,
    n_drives: usize,
    n_trips: usize,
    n_alarms: usize,
    n_procedures: usize,
    n_numbers: usize,
    n_bits: usize,
    n_cells: usize,
}

/// Bits that are there in every program, before the bit inputs.
const N_BUILT_IN: usize = 2;

impl Shape {
    /// The shape of this board.
    pub fn of(hello: &Hello) -> Shape {
        Shape {
            n_number_inputs: hello.n_number_inputs.into(),
            n_bit_inputs: hello.n_bit_inputs.into(),
            n_drives: hello.n_drives.into(),
            n_trips: hello.n_trips.into(),
            n_alarms: hello.n_alarms.into(),
            n_procedures: hello.n_procedures.into(),
            n_numbers: hello.n_numbers.max(hello.n_number_inputs.into()).into(),
            n_bits: usize::from(hello.n_bits).saturating_sub(N_BUILT_IN).max(hello.n_bit_inputs.into()),
            n_cells: hello.n_cells.into(),
        }
    }

    /// Number and bit slots in a record with these sections.
    fn banks(&self, asked: u8) -> (usize, usize) {
        if asked & sections::RESULTS != 0 {
            (self.n_numbers, self.n_bits)
        } else if asked & sections::INPUTS != 0 {
            (self.n_number_inputs, self.n_bit_inputs)
        } else {
            (0, 0)
        }
    }

    /// Bytes of the items of a record without commands.
    fn length(&self, asked: u8) -> usize {
        let with = |section, n: usize| if asked & section == 0 { 0 } else { n };
        let (n_numbers, n_bits) = self.banks(asked);
        HEAD_LENGTH
            + 5 * n_numbers
            + n_bits
            + with(sections::OUTPUTS, 2 * self.n_drives)
            + with(sections::STATES, 4 * self.n_drives + self.n_trips + self.n_alarms + self.n_procedures)
            + with(sections::CELLS, 4 + 4 * self.n_cells)
    }
}

const HEAD_LENGTH: usize = 12;
const COMMAND_LENGTH: usize = 8;

fn sample(fields: &mut Fields<'_>) -> Sample {
    let quality = Quality::from_code(fields.u8());
    Sample { value: fields.u32().cast_signed(), quality }
}

impl Record {
    /// From its items put together; `None` when their number is not that of the shape.
    pub fn decode(items: &[u8], shape: &Shape) -> Option<Record> {
        let mut fields = Fields(items);
        let mut record = Record {
            sections: fields.u8(),
            scan: fields.u32(),
            clock_s: fields.u32(),
            is_clock_good: fields.u8() == 0,
            newest_event: fields.u8(),
            ..Record::default()
        };
        let n_commands = usize::from(fields.u8());
        let n_commands = if record.sections & sections::INPUTS == 0 { 0 } else { n_commands };
        if items.len() != shape.length(record.sections) + COMMAND_LENGTH * n_commands {
            return None;
        }
        let has = |section| record.sections & section != 0;
        if has(sections::INPUTS) {
            record.commands = (0..n_commands)
                .map(|_| Command {
                    kind: fields.u8(),
                    part: fields.u8(),
                    value: fields.u16().cast_signed(),
                    time_ms: fields.u32(),
                })
                .collect();
        }
        let (n_numbers, n_bits) = shape.banks(record.sections);
        record.number_inputs = (0..n_numbers).map(|_| sample(&mut fields)).collect();
        record.numbers = record.number_inputs.split_off(n_numbers.min(shape.n_number_inputs));
        record.bit_inputs = (0..n_bits).map(|_| unpack_bit(fields.u8())).collect();
        record.bits = record.bit_inputs.split_off(n_bits.min(shape.n_bit_inputs));
        if has(sections::OUTPUTS) {
            record.outputs = (0..shape.n_drives).map(|_| fields.u16().cast_signed()).collect();
        }
        if has(sections::STATES) {
            record.hands_left_ms = (0..shape.n_drives).map(|_| fields.u32()).collect();
            record.trips = (0..shape.n_trips).map(|_| fields.u8() & 1 != 0).collect();
            record.alarms = (0..shape.n_alarms)
                .map(|_| {
                    let byte = fields.u8();
                    let (is_on, quality) = unpack_bit(byte & 0x07);
                    (is_on, quality, byte >> 4 & 0x03)
                })
                .collect();
            record.steps = (0..shape.n_procedures).map(|_| fields.u8()).collect();
        }
        if has(sections::CELLS) {
            record.day = fields.u32();
            record.cells = (0..shape.n_cells).map(|_| fields.u32()).collect();
        }
        Some(record)
    }

    /// The messages that a board of software sends for it. Where a board cuts is its own affair.
    pub fn encode(&self) -> Vec<Message> {
        let items = self.items();
        let size = LONGEST_MESSAGE - 4;
        let n_parts = items.len().div_ceil(size);
        let part = |(at, chunk): (usize, &[u8])| {
            let mut message = Message::EMPTY;
            let [low, high, ..] = self.scan.to_le_bytes();
            let last = if at + 1 == n_parts { 0x80 } else { 0 };
            message.extend(&[RECORD, low, high, (at & 0x7F) as u8 | last]);
            message.extend(chunk);
            message
        };
        items.chunks(size).enumerate().map(part).collect()
    }

    fn items(&self) -> Vec<u8> {
        let mut out = Vec::new();
        let has = |section| self.sections & section != 0;
        let bit = |&(value, quality): &(bool, Quality)| program::quality::pack_bit(value, quality);
        let number =
            |sample: &Sample| core::iter::once(sample.quality as u8).chain(sample.value.to_le_bytes());
        out.push(self.sections);
        out.extend(self.scan.to_le_bytes());
        out.extend(self.clock_s.to_le_bytes());
        out.push(if self.is_clock_good { 0 } else { 2 });
        out.push(self.newest_event);
        out.push(if has(sections::INPUTS) { self.commands.len() as u8 } else { 0 });
        if has(sections::INPUTS) {
            for command in &self.commands {
                out.extend([command.kind, command.part]);
                out.extend(command.value.to_le_bytes());
                out.extend(command.time_ms.to_le_bytes());
            }
        }
        out.extend(self.number_inputs.iter().chain(&self.numbers).flat_map(number));
        out.extend(self.bit_inputs.iter().chain(&self.bits).map(bit));
        if has(sections::OUTPUTS) {
            out.extend(self.outputs.iter().flat_map(|output| output.to_le_bytes()));
        }
        if has(sections::STATES) {
            out.extend(self.hands_left_ms.iter().flat_map(|left| left.to_le_bytes()));
            out.extend(self.trips.iter().map(|&trip| u8::from(trip)));
            out.extend(
                self.alarms.iter().map(|&(is_on, quality, priority)| bit(&(is_on, quality)) | priority << 4),
            );
            out.extend(&self.steps);
        }
        if has(sections::CELLS) {
            out.extend(self.day.to_le_bytes());
            out.extend(self.cells.iter().flat_map(|cell| cell.to_le_bytes()));
        }
        out
    }
}

/// Puts records together from their parts.
#[derive(Clone, Debug, Default)]
pub struct Assembler {
    shape: Shape,
    scan: u16,
    next_part: u8,
    is_open: bool,
    items: Vec<u8>,
    /// Records that were broken off, lost a part, or did not fit the shape.
    pub n_broken: u64,
}

impl Assembler {
    /// For a board of this shape.
    pub fn new(shape: Shape) -> Assembler {
        Assembler { shape, ..Assembler::default() }
    }

    /// Takes a RECORD message; a record when it was the last part.
    pub fn push(&mut self, message: &[u8]) -> Option<Record> {
        let [RECORD, low, high, part, items @ ..] = message else { return None };
        let scan = u16::from_le_bytes([*low, *high]);
        let number = part & 0x7F;
        if number == 0 && !(self.is_open && self.scan == scan && self.next_part == 0) {
            self.n_broken += u64::from(self.is_open);
            self.items.clear();
            self.is_open = true;
            self.scan = scan;
        } else if !self.is_open || scan != self.scan || number != self.next_part {
            self.n_broken += u64::from(self.is_open);
            self.is_open = false;
            return None;
        }
        self.next_part = (number + 1) & 0x7F;
        self.items.extend_from_slice(items);
        if self.items.len() > self.shape.length(u8::MAX) + COMMAND_LENGTH * usize::from(u8::MAX) {
            self.n_broken += 1;
            self.is_open = false;
            return None;
        }
        if part & 0x80 == 0 {
            return None;
        }
        self.is_open = false;
        let record = Record::decode(&self.items, &self.shape);
        self.n_broken += u64::from(record.is_none());
        record
    }
}
