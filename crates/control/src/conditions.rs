//! Conditions to bits.
//!
//! Value and quality of a condition: the quality is the worst of all signals that it names, whatever their values; `bad(x)` alone
//! looks at a quality and is itself good. A comparison with a bad signal is computed with its value 0 and is bad.

use program::op::{Arithmetic, Doubt, Relation};
use program::{BitRef, NumRef, Op};
use system::expr::{Comparison, Condition, Term};
use system::model::Scale;

use crate::lower::Lowering;

/// A comparison of one term with a constant, brought to a strict relation.
pub(crate) struct Threshold<'c> {
    pub term: &'c Term,
    /// Holds below the limit, else above.
    pub below: bool,
    /// Itself does not belong to where it holds.
    pub limit: i32,
}

/// The condition as a threshold; `None` when it is anything else.
pub(crate) fn threshold(condition: &Condition) -> Option<Threshold<'_>> {
    let Condition::Compare { left, op, right } = condition else { return None };
    let (term, op, limit) = match (left, right) {
        (Term::Constant(_), Term::Constant(_)) => return None,
        (term, Term::Constant(limit)) => (term, *op, *limit),
        (Term::Constant(limit), term) => (term, mirrored(*op), *limit),
        _ => return None,
    };
    Some(match op {
        Comparison::Less => Threshold { term, below: true, limit },
        Comparison::LessEqual => Threshold { term, below: true, limit: limit.checked_add(1)? },
        Comparison::Greater => Threshold { term, below: false, limit },
        Comparison::GreaterEqual => Threshold { term, below: false, limit: limit.checked_sub(1)? },
    })
}

/// The relation with its sides exchanged.
fn mirrored(op: Comparison) -> Comparison {
    match op {
        Comparison::Less => Comparison::Greater,
        Comparison::LessEqual => Comparison::GreaterEqual,
        Comparison::Greater => Comparison::Less,
        Comparison::GreaterEqual => Comparison::LessEqual,
    }
}

/// The relation of the format, and whether its result is negated.
fn relation(op: Comparison) -> (Relation, bool) {
    match op {
        Comparison::Greater => (Relation::Above, false),
        Comparison::GreaterEqual => (Relation::AtLeast, false),
        Comparison::Less => (Relation::AtLeast, true),
        Comparison::LessEqual => (Relation::Above, true),
    }
}

fn negated_if(negated: bool, bit: BitRef) -> BitRef {
    if negated { !bit } else { bit }
}

impl Lowering<'_> {
    /// The bit of a condition that stands at a key of the file.
    pub(crate) fn condition_of(&mut self, condition: &Condition, key: &str) -> BitRef {
        let before = std::mem::replace(&mut self.at, key.to_owned());
        let bit = self.condition(condition);
        self.at = before;
        bit
    }

    /// The bit of a condition.
    fn condition(&mut self, condition: &Condition) -> BitRef {
        match condition {
            Condition::Constant(true) => BitRef::TRUE,
            Condition::Constant(false) => BitRef::FALSE,
            Condition::Signal(signal) => self.bit_signal(*signal),
            Condition::Not(inner) => !self.condition(inner),
            Condition::All(parts) => {
                let parts = parts.iter().map(|part| self.condition(part)).collect();
                self.graph.all(parts)
            }
            Condition::Any(parts) => {
                let parts = parts.iter().map(|part| self.condition(part)).collect();
                self.graph.any(parts)
            }
            Condition::Compare { left, op, right } => self.compare(left, *op, right),
            Condition::Bad(signal) if self.system.signals[signal.idx()].scale == Scale::Bool => {
                match self.bit_signal(*signal) {
                    // Neither depends on a measurement, so neither is ever bad.
                    BitRef::TRUE | BitRef::FALSE => BitRef::FALSE,
                    bit => {
                        let bit = BitRef(bit.index() as u16);
                        self.graph.op(Op::QualityTest(Doubt::BitBad(bit)))
                    }
                }
            }
            Condition::Bad(signal) => {
                let number = self.number_signal(*signal);
                self.graph.op(Op::QualityTest(Doubt::NumberBad(number)))
            }
        }
    }

    fn compare(&mut self, left: &Term, op: Comparison, right: &Term) -> BitRef {
        match (left, right) {
            (Term::Constant(a), Term::Constant(b)) => {
                let holds = match op {
                    Comparison::Less => a < b,
                    Comparison::LessEqual => a <= b,
                    Comparison::Greater => a > b,
                    Comparison::GreaterEqual => a >= b,
                };
                negated_if(!holds, BitRef::TRUE)
            }
            (Term::Constant(limit), term) => self.compare_constant(term, mirrored(op), *limit),
            (term, Term::Constant(limit)) => self.compare_constant(term, op, *limit),
            _ => {
                self.check_signals_meet(left, right);
                let (a, b) = (self.term(left), self.term(right));
                let (relation, negated) = relation(op);
                negated_if(negated, self.graph.op(Op::CompareSlots { relation, a, b }))
            }
        }
    }

    fn compare_constant(&mut self, term: &Term, op: Comparison, limit: i32) -> BitRef {
        if let Term::Apart(a, b) = term {
            // `disagree` is "more than", of limits from 0.
            let (limit, negated) = match op {
                Comparison::Greater => (Some(limit), false),
                Comparison::GreaterEqual => (limit.checked_sub(1), false),
                Comparison::LessEqual => (Some(limit), true),
                Comparison::Less => (limit.checked_sub(1), true),
            };
            if let Some(limit) = limit.filter(|limit| *limit >= 0) {
                let (a, b) = (self.number_signal(*a), self.number_signal(*b));
                return negated_if(negated, self.graph.op(Op::Disagree { a, b, limit }));
            }
        }
        let input = self.term(term);
        let (relation, negated) = relation(op);
        negated_if(negated, self.graph.op(Op::Compare { relation, input, limit }))
    }

    /// The number of a term.
    pub(crate) fn term(&mut self, term: &Term) -> NumRef {
        match term {
            Term::Constant(value) => self.graph.number_op(Op::Constant(*value)),
            Term::Signal(signal) => self.number_signal(*signal),
            Term::Difference(a, b) => {
                let (a, b) = (self.number_signal(*a), self.number_signal(*b));
                self.graph.number_op(Op::Arithmetic { kind: Arithmetic::Difference, a, b })
            }
            Term::Apart(a, b) => {
                let (a, b) = (self.number_signal(*a), self.number_signal(*b));
                let forth = self.graph.number_op(Op::Arithmetic { kind: Arithmetic::Difference, a, b });
                let back = self.graph.number_op(Op::Arithmetic { kind: Arithmetic::Difference, a: b, b: a });
                self.graph.number_op(Op::Arithmetic { kind: Arithmetic::Maximum, a: forth, b: back })
            }
        }
    }
}
