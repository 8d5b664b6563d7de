//! Operations to program bytes, for the compiler and for tests.

use crate::codec::{put_bit, put_decimal, put_duration, put_unsigned};
use crate::crc::crc32;
use crate::format::{FLAG_DAYLIGHT, FLAG_WIDE, FLAG_ZONE, FORMAT, LoadError, MAGIC, PERIOD_UNIT_MS, Program};
use crate::op::{BitRef, Force, NumRef, Op, OperandMut, StepEnd};
use crate::zone::Zone;
use alloc::vec::Vec;

/// What stands before the operations.
#[derive(Clone, Copy, Debug)]
pub struct Header {
    /// Checksum of the wiring table.
    pub wiring_crc: u32,
    /// Scan period, ms: a multiple of 250 from 250 to 10 000.
    pub period_ms: i32,
    /// Number inputs.
    pub n_number_inputs: u8,
    /// Bit inputs.
    pub n_bit_inputs: u8,
    /// Longest time a hand command may last, ms.
    pub longest_hand_ms: i32,
    /// Rule of local time.
    pub zone: Zone,
    /// Two-byte slot operands, for programs too large for one.
    pub wide: bool,
}

/// A step to assemble.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StepPlan {
    /// How it ends.
    pub end: StepEnd,
    /// Longest time, ms.
    pub longest_ms: i32,
    /// What it forces, at most 63.
    pub forces: Vec<Force>,
}

/// Why a program could not be assembled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AssembleError {
    /// An operand of this operation (counted from 0) has no form: a slot beyond a narrow program (try `wide`), a
    /// constant beyond ±536 870 911 that is no multiple of ten, a duration beyond 24 days.
    NoForm {
        /// Which operation.
        op: usize,
    },
    /// A forward reference was never bound.
    Unbound {
        /// Which one, in the order of [`Assembler::forward`].
        label: usize,
    },
    /// The header holds a period or a hand time that has no form.
    Header,
    /// The result is refused by the loader.
    Load(LoadError),
}

impl core::fmt::Display for AssembleError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            AssembleError::NoForm { op } => {
                write!(f, "operation {op} has an operand that the format cannot hold")
            }
            AssembleError::Unbound { label } => write!(f, "forward reference {label} was never bound"),
            AssembleError::Header => {
                f.write_str("scan period or longest hand time cannot be held by the format")
            }
            AssembleError::Load(error) => write!(f, "assembled program is refused: {error}"),
        }
    }
}

impl core::error::Error for AssembleError {}

/// References from here on are labels, bound before the end.
const LABEL_BASE: u16 = 0x4000;

#[derive(Clone, Debug)]
enum Item {
    Op(Op),
    Curve { input: NumRef, points: Vec<(i32, i32)> },
    Procedure { abort: BitRef, steps: Vec<StepPlan> },
}

/// Collects operations in order and gives each its result slot.
#[derive(Clone, Debug)]
pub struct Assembler {
    header: Header,
    items: Vec<Item>,
    n_numbers: u16,
    n_bits: u16,
    labels: Vec<Option<BitRef>>,
}

impl Assembler {
    /// An empty program.
    pub fn new(header: Header) -> Assembler {
        Assembler {
            header,
            items: Vec::new(),
            n_numbers: header.n_number_inputs.into(),
            n_bits: u16::from(header.n_bit_inputs) + BitRef::N_BUILT_IN as u16,
            labels: Vec::new(),
        }
    }

    /// Slot of a number input.
    pub fn number_input(&self, input: u8) -> NumRef {
        NumRef(input.into())
    }

    /// Slot of a bit input.
    pub fn bit_input(&self, input: u8) -> BitRef {
        BitRef(u16::from(input) + BitRef::N_BUILT_IN as u16)
    }

    /// A reference to a bit that comes later in the table: it reads the previous scan's result, which is what the
    /// actuator did since. Bind it with [`Assembler::bind`].
    pub fn forward(&mut self) -> BitRef {
        self.labels.push(None);
        BitRef(LABEL_BASE + self.labels.len() as u16 - 1)
    }

    /// Binds a forward reference.
    pub fn bind(&mut self, label: BitRef, slot: BitRef) {
        let place = label.index().checked_sub(LABEL_BASE.into()).and_then(|index| self.labels.get_mut(index));
        if let Some(place) = place {
            *place = Some(slot);
        }
    }

    /// Adds an operation whose result is a bit. (One whose result is a number is added too; the answer is then of no
    /// use: [`Op::gives_bit`] tells.)
    pub fn bit(&mut self, op: Op) -> BitRef {
        BitRef(self.push(Item::Op(op)))
    }

    /// Adds an operation whose result is a number.
    pub fn number(&mut self, op: Op) -> NumRef {
        NumRef(self.push(Item::Op(op)))
    }

    /// Adds a piecewise linear curve of 2 to 16 points with rising first coordinates.
    pub fn curve(&mut self, input: NumRef, points: &[(i32, i32)]) -> NumRef {
        NumRef(self.push(Item::Curve { input, points: points.to_vec() }))
    }

    /// Adds a procedure; all procedures stand before the first drive.
    pub fn procedure(&mut self, abort: BitRef, steps: &[StepPlan]) -> NumRef {
        NumRef(self.push(Item::Procedure { abort, steps: steps.to_vec() }))
    }

    fn push(&mut self, item: Item) -> u16 {
        let gives_bit = matches!(&item, Item::Op(op) if op.gives_bit());
        self.items.push(item);
        let counter = if gives_bit { &mut self.n_bits } else { &mut self.n_numbers };
        *counter = counter.saturating_add(1);
        *counter - 1
    }

    fn bound(&self, slot: BitRef) -> Result<BitRef, AssembleError> {
        let Some(label) = slot.index().checked_sub(LABEL_BASE.into()) else { return Ok(slot) };
        let bound = self.labels.get(label).copied().flatten().ok_or(AssembleError::Unbound { label })?;
        Ok(if slot.is_negated() { !bound } else { bound })
    }

    fn put(&self, index: usize, item: &Item, out: &mut Vec<u8>) -> Result<(), AssembleError> {
        let wide = self.header.wide;
        let fits = match item {
            Item::Op(op) => {
                let mut op = *op;
                let mut failed = None;
                op.for_each_operand_mut(|operand| {
                    if let OperandMut::Bit(slot) = operand {
                        match self.bound(*slot) {
                            Ok(bound) => *slot = bound,
                            Err(error) => failed = Some(error),
                        }
                    }
                });
                if let Some(error) = failed {
                    return Err(error);
                }
                op.write(out, wide)
            }
            Item::Curve { input, points } => {
                out.push(0x2B);
                let mut fits = crate::codec::put_number(out, *input, wide);
                put_unsigned(out, points.len() as u32);
                for (x, y) in points {
                    fits &= put_decimal(out, *x) & put_decimal(out, *y);
                }
                fits
            }
            Item::Procedure { abort, steps } => {
                let has_abort = *abort != BitRef::FALSE;
                out.push(0x30 | u8::from(has_abort) << 6);
                let mut fits = true;
                if has_abort {
                    fits &= put_bit(out, self.bound(*abort)?, wide);
                }
                put_unsigned(out, steps.len() as u32);
                for step in steps {
                    let kind: u8 = match step.end {
                        StepEnd::Timed => 0,
                        StepEnd::Confirmed => 1,
                        StepEnd::When(_) => 2,
                    };
                    fits &= step.forces.len() < 64;
                    out.push(kind << 6 | step.forces.len() as u8 & 0x3F);
                    fits &= put_duration(out, step.longest_ms);
                    if let StepEnd::When(slot) = step.end {
                        fits &= put_bit(out, self.bound(slot)?, wide);
                    }
                    for force in &step.forces {
                        fits &= force.drive < 128;
                        out.push(force.drive & 0x7F | u8::from(force.is_on) << 7);
                    }
                }
                fits
            }
        };
        if fits { Ok(()) } else { Err(AssembleError::NoForm { op: index }) }
    }

    /// The program's bytes, which the loader accepts.
    ///
    /// # Errors
    /// What has no form in the format, or is refused by [`Program::validate`].
    pub fn finish(&self) -> Result<Vec<u8>, AssembleError> {
        let header = &self.header;
        let mut out = Vec::new();
        out.extend(MAGIC);
        out.push(FORMAT);
        let mut flags = if header.wide { FLAG_WIDE } else { 0 };
        if header.zone != Zone::UTC {
            flags |= FLAG_ZONE;
        }
        if header.zone.daylight.is_some() {
            flags |= FLAG_DAYLIGHT;
        }
        out.push(flags);
        out.extend([0; 2]);
        out.extend(header.wiring_crc.to_le_bytes());
        if header.period_ms % PERIOD_UNIT_MS != 0 {
            return Err(AssembleError::Header);
        }
        out.push(u8::try_from(header.period_ms / PERIOD_UNIT_MS).map_err(|_| AssembleError::Header)?);
        out.push(header.n_number_inputs);
        out.push(header.n_bit_inputs);
        if !put_duration(&mut out, header.longest_hand_ms) {
            return Err(AssembleError::Header);
        }
        if flags & FLAG_ZONE != 0 {
            let (bytes, n_bytes) = header.zone.to_bytes();
            out.extend(&bytes[..n_bytes]);
        }
        for (index, item) in self.items.iter().enumerate() {
            self.put(index, item, &mut out)?;
        }
        let length = u16::try_from(out.len() + 4).map_err(|_| AssembleError::Load(LoadError::Size))?;
        out[4..6].copy_from_slice(&length.to_le_bytes());
        out.extend(crc32(&out).to_le_bytes());
        Program::validate(&out).map_err(AssembleError::Load)?;
        Ok(out)
    }

    /// How many operations there are so far.
    pub fn n_ops(&self) -> usize {
        self.items.len()
    }
}
