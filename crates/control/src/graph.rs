//! The operations of a program while it is being compiled: interned, so that what two rules share is computed once.
//!
//! Operations are those of [`program::Op`], but their operands name definitions of this graph rather than slots; slots are given in
//! `layout`. Two conventions make more things equal than the file shows: every junction is kept as a conjunction ("a or b" is
//! "not (not a and not b)", which has the same value and the same quality), and its operands are sorted.

use std::collections::HashMap;

use program::op::OperandMut;
use program::{BitRef, NumRef, Op};
use system::model::{ActuatorIdx, ProcedureIdx, SensorIdx};

/// Most operands that one `all` or `any` of the format holds.
pub(crate) const MOST_OPERANDS: usize = 8;
/// Definitions that a graph can name; more than any program can hold.
const MOST_DEFINITIONS: usize = 0x3FFF;

/// What a two-state definition is.
#[derive(Clone, PartialEq, Debug)]
pub(crate) enum BitDef {
    /// Always true, or true in the first scan.
    BuiltIn,
    /// An input.
    Input(SensorIdx),
    /// An operation.
    Op(Op),
    /// All of two to eight.
    All(Vec<BitRef>),
    /// What a late definition was in the last scan, kept for readers that stand behind it.
    Copy(BitRef),
    /// Final stage of a switched actuator: the last scan's for every reader.
    Drive(ActuatorIdx),
    /// Whether any trip of an actuator is latched: the last scan's for every reader but its own final stage.
    Tripped(ActuatorIdx),
}

/// What a numeric definition is.
#[derive(Clone, PartialEq, Debug)]
pub(crate) enum NumberDef {
    /// An input.
    Input(SensorIdx),
    /// An operation.
    Op(Op),
    /// Final stage of a modulated actuator.
    Duty(ActuatorIdx),
    /// Step of a procedure.
    Step(ProcedureIdx),
}

/// All definitions; an operand's index is its position.
pub(crate) struct Graph {
    pub bits: Vec<BitDef>,
    pub numbers: Vec<NumberDef>,
    known_bits: HashMap<String, BitRef>,
    known_numbers: HashMap<String, NumRef>,
    /// There were more definitions than a program can hold; the graph is of no use.
    pub is_overfull: bool,
}

impl Graph {
    pub fn new() -> Graph {
        Graph {
            bits: vec![BitDef::BuiltIn; BitRef::N_BUILT_IN],
            numbers: vec![],
            known_bits: HashMap::new(),
            known_numbers: HashMap::new(),
            is_overfull: false,
        }
    }

    /// The definition, made at its first use. (`Op` cannot be hashed; its debug text names every field.)
    pub fn bit(&mut self, definition: BitDef) -> BitRef {
        let key = format!("{definition:?}");
        if let Some(known) = self.known_bits.get(&key) {
            return *known;
        }
        if self.bits.len() >= MOST_DEFINITIONS {
            self.is_overfull = true;
            return BitRef::FALSE;
        }
        let new = BitRef(self.bits.len() as u16);
        self.bits.push(definition);
        self.known_bits.insert(key, new);
        new
    }

    /// As [`Graph::bit`].
    pub fn number(&mut self, definition: NumberDef) -> NumRef {
        let key = format!("{definition:?}");
        if let Some(known) = self.known_numbers.get(&key) {
            return *known;
        }
        if self.numbers.len() >= MOST_DEFINITIONS {
            self.is_overfull = true;
            return NumRef(0);
        }
        let new = NumRef(self.numbers.len() as u16);
        self.numbers.push(definition);
        self.known_numbers.insert(key, new);
        new
    }

    /// An operation that gives a bit.
    pub fn op(&mut self, op: Op) -> BitRef {
        self.bit(BitDef::Op(op))
    }

    /// An operation that gives a number.
    pub fn number_op(&mut self, op: Op) -> NumRef {
        self.number(NumberDef::Op(op))
    }

    /// Conjunction of any number of bits. A part that is always false does not swallow the others: their quality still counts.
    pub fn all(&mut self, mut parts: Vec<BitRef>) -> BitRef {
        parts.retain(|part| *part != BitRef::TRUE);
        parts.sort_by_key(|part| (part.index(), part.is_negated()));
        parts.dedup();
        while parts.len() > MOST_OPERANDS {
            let rest = parts.split_off(MOST_OPERANDS);
            let group = self.bit(BitDef::All(parts));
            parts = rest;
            parts.push(group);
        }
        match parts.as_slice() {
            [] => BitRef::TRUE,
            [only] => *only,
            _ => self.bit(BitDef::All(parts)),
        }
    }

    /// Disjunction.
    pub fn any(&mut self, parts: Vec<BitRef>) -> BitRef {
        !self.all(parts.into_iter().map(|part| !part).collect())
    }

    /// The definition of a bit.
    pub fn of_bit(&self, slot: BitRef) -> &BitDef {
        &self.bits[slot.index()]
    }
}

/// Replaces every operand of an operation (procedures have theirs in their steps, which the layout replaces).
pub(crate) fn map_operands(
    op: &Op,
    bit: &mut dyn FnMut(BitRef) -> BitRef,
    number: &mut dyn FnMut(NumRef) -> NumRef,
) -> Op {
    let mut op = *op;
    op.for_each_operand_mut(|operand| match operand {
        OperandMut::Bit(slot) => *slot = bit(*slot),
        OperandMut::Number(slot) => *slot = number(*slot),
    });
    op
}
