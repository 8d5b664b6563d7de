//! The container of a control program and the one gate into it: [`Program::validate`].
//!
//! Each check of a loader stands in exactly one place: those on the container and on slots here, those on the inside
//! of an operation in [`Op::read`], those on the form of numbers in [`crate::codec`].

use crate::codec::Reader;
use crate::crc::crc32;
use crate::op::{BitRef, Force, Op, Operand, Step, StepEnd};
use crate::vm::Frame;
use crate::zone::Zone;

/// First bytes of every program.
pub const MAGIC: [u8; 2] = *b"Tw";
/// The format that this text and this crate describe.
pub const FORMAT: u8 = 1;
/// Scan periods count in this many ms.
pub const PERIOD_UNIT_MS: i32 = 250;

pub(crate) const FLAG_WIDE: u8 = 1;
pub(crate) const FLAG_ZONE: u8 = 2;
pub(crate) const FLAG_DAYLIGHT: u8 = 4;

const CRC_LENGTH: usize = 4;
const SHORTEST: usize = 14 + CRC_LENGTH;
/// Force bytes name an actuator in seven bits.
const MAX_DRIVES: u16 = 128;
/// What people and stations name of trips, alarms and procedures is one byte.
const MAX_PARTS: u16 = 255;
const MAX_NARROW_NUMBERS: u16 = 256;
const MAX_NARROW_BITS: u16 = 128;
const MAX_WIDE: u16 = 0x3FFF;

/// Why a program is refused. `at` is the offset of the offending bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "`at` and `code` are explained above")]
pub enum LoadError {
    /// Shorter than a header and a checksum, or longer than 65 535 bytes.
    Size,
    /// Does not begin as a control program.
    Magic,
    /// Written in a format this loader does not know; update the runtime.
    Format,
    /// Flags that this format does not have.
    Flags,
    /// The stated length is not the length of what arrived.
    Length,
    /// The checksum does not fit: damaged on the way.
    Checksum,
    /// The scan period is not 250 ms to 10 s.
    Period,
    /// The zone section is not a zone.
    Zone { at: usize },
    /// The program ends inside something.
    Truncated { at: usize },
    /// A number that has needless bytes or leaves 32 bits.
    Number { at: usize },
    /// A constant or duration outside what its operation takes.
    Range { at: usize },
    /// No such operation.
    UnknownOperation { at: usize, code: u8 },
    /// No such variant of the operation.
    Variant { at: usize },
    /// An operand names a slot that does not exist.
    Operand { at: usize },
    /// More slots, cells, actuators, trips or procedures than the format holds.
    TooMany { at: usize },
    /// A procedure stands after a drive, or forces an actuator that does not exist.
    Procedure { at: usize },
}

impl LoadError {
    /// The runtime's number for it (`enum vm_verdict`), which the link's answer PROGRAM carries.
    pub fn verdict(&self) -> u8 {
        match self {
            LoadError::Size => 1,
            LoadError::Magic => 2,
            LoadError::Format => 3,
            LoadError::Flags => 4,
            LoadError::Length => 5,
            LoadError::Checksum => 6,
            LoadError::Period => 7,
            LoadError::Zone { .. } => 8,
            LoadError::Truncated { .. } => 9,
            LoadError::Number { .. } => 10,
            LoadError::Range { .. } => 11,
            LoadError::UnknownOperation { .. } => 12,
            LoadError::Variant { .. } => 13,
            LoadError::Operand { .. } => 14,
            LoadError::TooMany { .. } => 15,
            LoadError::Procedure { .. } => 16,
        }
    }
}

impl core::fmt::Display for LoadError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        let text = match self {
            LoadError::Size => "too short or too long for a control program",
            LoadError::Magic => "not a control program",
            LoadError::Format => "control program of an unknown format; update the board's runtime",
            LoadError::Flags => "control program with unknown flags; update the board's runtime",
            LoadError::Length => "control program is cut off or has bytes behind its end; send it again",
            LoadError::Checksum => "control program is damaged (checksum); send it again",
            LoadError::Period => "scan period is not 250 ms to 10 s",
            LoadError::Zone { at } => return write!(f, "time zone is not valid (byte {at})"),
            LoadError::Truncated { at } => return write!(f, "program ends inside an operation (byte {at})"),
            LoadError::Number { at } => return write!(f, "number in no valid form (byte {at})"),
            LoadError::Range { at } => {
                return write!(f, "constant out of range for its operation (byte {at})");
            }
            LoadError::UnknownOperation { at, code } => {
                return write!(f, "unknown operation {code:#04x} (byte {at}); update the board's runtime");
            }
            LoadError::Variant { at } => return write!(f, "unknown variant of an operation (byte {at})"),
            LoadError::Operand { at } => {
                return write!(f, "operand names a slot that does not exist (byte {at})");
            }
            LoadError::TooMany { at } => {
                return write!(f, "more slots or parts than a program can hold (byte {at})");
            }
            LoadError::Procedure { at } => {
                return write!(
                    f,
                    "procedure behind a drive, or forcing an actuator that does not exist (byte {at})"
                );
            }
        };
        f.write_str(text)
    }
}

impl core::error::Error for LoadError {}

/// How much of everything a program has; what storage for it must hold.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Sizes {
    /// Number slots, inputs first.
    pub n_numbers: u16,
    /// Bit slots: two built in, then inputs, then results.
    pub n_bits: u16,
    /// State cells of 32 bits.
    pub n_cells: u16,
    /// Operations.
    pub n_ops: u16,
    /// Actuators, in the order of their drives.
    pub n_drives: u16,
    /// Tripped latches, in order.
    pub n_trips: u16,
    /// Alarms, in order.
    pub n_alarms: u16,
    /// Procedures, in order.
    pub n_procedures: u16,
}

/// An operation with its place in the program.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placed {
    /// The operation.
    pub op: Op,
    /// Offset of its first byte.
    pub at: u16,
    /// Its result slot, in the bit or number bank as [`Op::gives_bit`] says.
    pub result: u16,
    /// Its first state cell.
    pub cell: u16,
    /// Which drive, trip, alarm or procedure it is, counted among its kind.
    pub ordinal: u16,
}

/// A validated program: everything in it can be run.
#[derive(Clone, Copy, Debug)]
pub struct Program<'a> {
    bytes: &'a [u8],
    wiring_crc: u32,
    period_ms: i32,
    n_number_inputs: u16,
    n_bit_inputs: u16,
    longest_hand_ms: i32,
    zone: Zone,
    ops_at: usize,
    sizes: Sizes,
}

impl<'a> Program<'a> {
    /// Checks everything there is to check. What comes back runs without panic and within its storage.
    ///
    /// # Errors
    /// The first thing found wrong; see [`LoadError`].
    pub fn validate(bytes: &'a [u8]) -> Result<Program<'a>, LoadError> {
        if !(SHORTEST..=usize::from(u16::MAX)).contains(&bytes.len()) {
            return Err(LoadError::Size);
        }
        if bytes[..2] != MAGIC {
            return Err(LoadError::Magic);
        }
        if bytes[2] != FORMAT {
            return Err(LoadError::Format);
        }
        let flags = bytes[3];
        if flags > (FLAG_WIDE | FLAG_ZONE | FLAG_DAYLIGHT)
            || flags & (FLAG_ZONE | FLAG_DAYLIGHT) == FLAG_DAYLIGHT
        {
            return Err(LoadError::Flags);
        }
        if usize::from(u16::from_le_bytes([bytes[4], bytes[5]])) != bytes.len() {
            return Err(LoadError::Length);
        }
        let (body, crc) = bytes.split_at(bytes.len() - CRC_LENGTH);
        if crc != crc32(body).to_le_bytes() {
            return Err(LoadError::Checksum);
        }
        let period_ms = i32::from(bytes[10]) * PERIOD_UNIT_MS;
        if !(250..=10_000).contains(&period_ms) {
            return Err(LoadError::Period);
        }
        let mut reader = Reader::new(body, 13, flags & FLAG_WIDE != 0);
        let longest_hand_ms = reader.duration()?;
        let zone = if flags & FLAG_ZONE != 0 {
            Zone::read(&mut reader, flags & FLAG_DAYLIGHT != 0)?
        } else {
            Zone::UTC
        };
        let mut program = Program {
            bytes,
            wiring_crc: u32::from_le_bytes([bytes[6], bytes[7], bytes[8], bytes[9]]),
            period_ms,
            n_number_inputs: bytes[11].into(),
            n_bit_inputs: bytes[12].into(),
            longest_hand_ms,
            zone,
            ops_at: reader.position(),
            sizes: Sizes::default(),
        };
        program.sizes = program.count()?;
        program.check_operands()?;
        Ok(program)
    }

    /// First pass: every operation is readable; counts slots and parts.
    fn count(&self) -> Result<Sizes, LoadError> {
        let (max_numbers, max_bits) =
            if self.is_wide() { (MAX_WIDE, MAX_WIDE) } else { (MAX_NARROW_NUMBERS, MAX_NARROW_BITS) };
        let mut ops = self.ops();
        while let Some(placed) = ops.try_next()? {
            let at = usize::from(placed.at);
            if matches!(placed.op, Op::Procedure { .. }) && ops.sizes.n_drives > 0 {
                return Err(LoadError::Procedure { at });
            }
            let sizes = &ops.sizes;
            if sizes.n_numbers > max_numbers
                || sizes.n_bits > max_bits
                || sizes.n_cells > MAX_WIDE
                || sizes.n_drives > MAX_DRIVES
                || sizes.n_trips.max(sizes.n_alarms).max(sizes.n_procedures) > MAX_PARTS
            {
                return Err(LoadError::TooMany { at });
            }
        }
        let sizes = ops.sizes;
        if sizes.n_numbers > max_numbers || sizes.n_bits > max_bits {
            return Err(LoadError::TooMany { at: self.ops_at });
        }
        Ok(sizes)
    }

    /// Second pass: every operand and every force names something that exists.
    fn check_operands(&self) -> Result<(), LoadError> {
        let number_exists = |index: usize| index < usize::from(self.sizes.n_numbers);
        let bit_exists = |slot: BitRef| slot.index() < usize::from(self.sizes.n_bits);
        for placed in self.ops() {
            let at = usize::from(placed.at);
            let missing = LoadError::Operand { at };
            let mut all_exist = true;
            placed.op.for_each_operand(|operand| {
                all_exist &= match operand {
                    Operand::Number(slot) => number_exists(slot.index()),
                    Operand::Bit(slot) => bit_exists(slot),
                };
            });
            if !all_exist {
                return Err(missing);
            }
            if let Op::Procedure { n_steps, at: steps_at, .. } = placed.op {
                let mut reader = self.reader(usize::from(steps_at));
                for _ in 0..n_steps {
                    let step = Step::read(&mut reader)?;
                    if let StepEnd::When(slot) = step.end
                        && !bit_exists(slot)
                    {
                        return Err(missing);
                    }
                    for _ in 0..step.n_forces {
                        let force = Force::from_byte(reader.byte()?);
                        if u16::from(force.drive) >= self.sizes.n_drives {
                            return Err(LoadError::Procedure { at });
                        }
                    }
                }
            }
        }
        Ok(())
    }

    /// The whole program as it was loaded.
    pub fn bytes(&self) -> &'a [u8] {
        self.bytes
    }

    /// The checksum at the end, which also serves as the program's identity.
    pub fn crc(&self) -> u32 {
        let end = self.bytes.len();
        self.bytes[end - CRC_LENGTH..].iter().rev().fold(0, |crc, byte| crc << 8 | u32::from(*byte))
    }

    /// Checksum of the wiring table it was compiled for; a board with another wiring refuses it.
    pub fn wiring_crc(&self) -> u32 {
        self.wiring_crc
    }

    /// Scan period, ms.
    pub fn period_ms(&self) -> i32 {
        self.period_ms
    }

    /// Longest time a hand command may last, ms.
    pub fn longest_hand_ms(&self) -> i32 {
        self.longest_hand_ms
    }

    /// Number inputs; they are number slots 0 and up.
    pub fn n_number_inputs(&self) -> usize {
        self.n_number_inputs.into()
    }

    /// Bit inputs; they are bit slots [`BitRef::N_BUILT_IN`] and up.
    pub fn n_bit_inputs(&self) -> usize {
        self.n_bit_inputs.into()
    }

    /// The rule of local time.
    pub fn zone(&self) -> Zone {
        self.zone
    }

    /// What storage must hold.
    pub fn sizes(&self) -> Sizes {
        self.sizes
    }

    /// Whether slot operands take two bytes.
    pub fn is_wide(&self) -> bool {
        self.bytes[3] & FLAG_WIDE != 0
    }

    /// Offset of the first operation.
    pub fn ops_at(&self) -> usize {
        self.ops_at
    }

    pub(crate) fn reader(&self, at: usize) -> Reader<'a> {
        Reader::new(&self.bytes[..self.bytes.len() - CRC_LENGTH], at, self.is_wide())
    }

    pub(crate) fn frame(&self) -> Frame<'a> {
        let code = &self.bytes[..self.bytes.len() - CRC_LENGTH];
        Frame { code, wide: self.is_wide(), period_ms: self.period_ms, zone: self.zone }
    }

    /// The operations in order.
    pub fn ops(&self) -> Ops<'a> {
        let sizes = Sizes {
            n_numbers: self.n_number_inputs,
            n_bits: self.n_bit_inputs + BitRef::N_BUILT_IN as u16,
            ..Sizes::default()
        };
        Ops { reader: self.reader(self.ops_at), sizes }
    }
}

/// The operations of a program in order, each with its place.
#[derive(Clone, Debug)]
pub struct Ops<'a> {
    reader: Reader<'a>,
    sizes: Sizes,
}

impl Ops<'_> {
    #[inline]
    fn try_next(&mut self) -> Result<Option<Placed>, LoadError> {
        if self.reader.is_at_end() {
            return Ok(None);
        }
        let at = self.reader.position();
        let op = Op::read(&mut self.reader)?;
        let sizes = &mut self.sizes;
        let next = |counter: &mut u16| {
            let ordinal = *counter;
            *counter = counter.saturating_add(1);
            ordinal
        };
        let result = next(if op.gives_bit() { &mut sizes.n_bits } else { &mut sizes.n_numbers });
        let cell = sizes.n_cells;
        sizes.n_cells = cell.saturating_add(op.n_cells() as u16);
        sizes.n_ops += 1;
        let ordinal = match op {
            Op::Drive { .. } | Op::DriveDuty { .. } => next(&mut sizes.n_drives),
            Op::Trip { .. } => next(&mut sizes.n_trips),
            Op::Alarm { .. } => next(&mut sizes.n_alarms),
            Op::Procedure { .. } => next(&mut sizes.n_procedures),
            _ => 0,
        };
        Ok(Some(Placed { op, at: at as u16, result, cell, ordinal }))
    }
}

impl Iterator for Ops<'_> {
    type Item = Placed;

    #[inline]
    fn next(&mut self) -> Option<Placed> {
        self.try_next().ok().flatten()
    }
}
