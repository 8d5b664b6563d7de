//! Conditions of rules, evaluated on values that somebody has and put into words with the names of the file.

use system::System;
use system::expr::{Comparison, Condition, Term};
use system::model::SignalIdx;

use crate::map::unit_of;

/// One value of a signal, in its scale.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Known {
    /// In the signal's scale; 0 or 1 for a bit.
    pub value: i32,
    /// Its quality is bad.
    pub is_bad: bool,
}

/// The values of the signals now. None: nobody can tell.
pub trait Values {
    /// One signal.
    fn known(&self, signal: SignalIdx) -> Option<Known>;
}

/// Conditions of one system on values.
#[derive(Clone, Copy, Debug)]
pub struct Conditions<'a, V> {
    /// The system.
    pub system: &'a System,
    /// The values.
    pub values: &'a V,
}

impl<V: Values> Conditions<'_, V> {
    fn good(&self, signal: SignalIdx) -> Option<i64> {
        self.values.known(signal).filter(|known| !known.is_bad).map(|known| i64::from(known.value))
    }

    fn number(&self, term: &Term) -> Option<i64> {
        Some(match term {
            Term::Constant(value) => i64::from(*value),
            Term::Signal(signal) => self.good(*signal)?,
            Term::Difference(a, b) => self.good(*a)? - self.good(*b)?,
            Term::Apart(a, b) => (self.good(*a)? - self.good(*b)?).abs(),
        })
    }

    /// Whether a condition holds; `None`: a value is bad or not known.
    pub fn holds(&self, condition: &Condition) -> Option<bool> {
        match condition {
            Condition::Constant(value) => Some(*value),
            Condition::Signal(signal) => self.good(*signal).map(|value| value != 0),
            Condition::Not(of) => self.holds(of).map(|holds| !holds),
            Condition::All(all) => {
                let holds: Option<Vec<bool>> = all.iter().map(|of| self.holds(of)).collect();
                holds.map(|holds| holds.into_iter().all(|holds| holds))
            }
            Condition::Any(any) => {
                let holds: Option<Vec<bool>> = any.iter().map(|of| self.holds(of)).collect();
                holds.map(|holds| holds.into_iter().any(|holds| holds))
            }
            Condition::Compare { left, op, right } => {
                let (left, right) = (self.number(left)?, self.number(right)?);
                Some(match op {
                    Comparison::Less => left < right,
                    Comparison::LessEqual => left <= right,
                    Comparison::Greater => left > right,
                    Comparison::GreaterEqual => left >= right,
                })
            }
            Condition::Bad(signal) => self.values.known(*signal).map(|known| known.is_bad),
        }
    }

    fn name(&self, signal: SignalIdx) -> &str {
        &self.system.signals[signal.idx()].name
    }

    fn term(&self, term: &Term, beside: &Term) -> String {
        match term {
            Term::Signal(signal) => self.name(*signal).to_owned(),
            Term::Difference(a, b) => format!("{} - {}", self.name(*a), self.name(*b)),
            Term::Apart(a, b) => format!("|{} - {}|", self.name(*a), self.name(*b)),
            Term::Constant(value) => match beside {
                Term::Signal(signal) | Term::Difference(signal, _) | Term::Apart(signal, _) => {
                    quantity(self.system, *signal, *value)
                }
                Term::Constant(_) => value.to_string(),
            },
        }
    }

    /// A condition as the rules write it.
    pub fn words(&self, condition: &Condition) -> String {
        let inner = |of: &Condition| match of {
            Condition::All(_) | Condition::Any(_) => format!("({})", self.words(of)),
            _ => self.words(of),
        };
        let join = |all: &[Condition], by: &str| all.iter().map(inner).collect::<Vec<_>>().join(by);
        match condition {
            Condition::Constant(value) => value.to_string(),
            Condition::Signal(signal) => self.name(*signal).to_owned(),
            Condition::Not(of) => format!("not {}", inner(of)),
            Condition::All(all) => join(all, " and "),
            Condition::Any(any) => join(any, " or "),
            Condition::Compare { left, op, right } => {
                let sign = match op {
                    Comparison::Less => "<",
                    Comparison::LessEqual => "<=",
                    Comparison::Greater => ">",
                    Comparison::GreaterEqual => ">=",
                };
                format!("{} {sign} {}", self.term(left, right), self.term(right, left))
            }
            Condition::Bad(signal) => format!("bad({})", self.name(*signal)),
        }
    }

    /// The parts of a condition that do not hold now, in words.
    pub fn missing(&self, condition: &Condition) -> Vec<String> {
        let parts = match condition {
            Condition::All(all) => all.as_slice(),
            one => std::slice::from_ref(one),
        };
        parts.iter().filter(|part| self.holds(part) != Some(true)).map(|part| self.words(part)).collect()
    }

    /// The numbers that a condition compares, as `sump_temp 25.71 degC`; empty when it compares none.
    pub fn readings(&self, condition: &Condition) -> String {
        let mut signals = vec![];
        numbers_of(condition, &mut signals);
        let told: Vec<String> = (signals.into_iter())
            .map(|signal| match self.values.known(signal).filter(|known| !known.is_bad) {
                Some(known) => {
                    format!("{} {}", self.name(signal), quantity(self.system, signal, known.value))
                }
                None => format!("{} without a value", self.name(signal)),
            })
            .collect();
        told.join(", ")
    }

    /// Signals of a condition whose value is bad or not known.
    pub fn blind(&self, condition: &Condition) -> Vec<SignalIdx> {
        let mut all = vec![];
        signals_of(condition, &mut all);
        all.retain(|signal| self.values.known(*signal).is_none_or(|known| known.is_bad));
        all
    }
}

/// A value of a signal with its unit: `25.6 degC`.
pub fn quantity(system: &System, signal: SignalIdx, value: i32) -> String {
    let (unit, per_unit) = unit_of(system.signals[signal.idx()].scale);
    let text = format!("{:.3}", f64::from(value) / per_unit);
    let text = text.trim_end_matches('0').trim_end_matches('.');
    format!("{text} {unit}").trim_end().to_owned()
}

fn push(signal: SignalIdx, all: &mut Vec<SignalIdx>) {
    if !all.contains(&signal) {
        all.push(signal);
    }
}

fn of_term(term: &Term, all: &mut Vec<SignalIdx>) {
    match term {
        Term::Constant(_) => {}
        Term::Signal(signal) => push(*signal, all),
        Term::Difference(a, b) | Term::Apart(a, b) => {
            [a, b].into_iter().for_each(|signal| push(*signal, all))
        }
    }
}

/// The signals that a condition compares as numbers.
fn numbers_of(condition: &Condition, all: &mut Vec<SignalIdx>) {
    match condition {
        Condition::Compare { left, right, .. } => {
            [left, right].into_iter().for_each(|term| of_term(term, all))
        }
        Condition::Not(of) => numbers_of(of, all),
        Condition::All(of) | Condition::Any(of) => of.iter().for_each(|of| numbers_of(of, all)),
        Condition::Constant(_) | Condition::Signal(_) | Condition::Bad(_) => {}
    }
}

/// The signals whose quality a condition has.
pub fn signals_of(condition: &Condition, all: &mut Vec<SignalIdx>) {
    match condition {
        Condition::Compare { left, right, .. } => {
            [left, right].into_iter().for_each(|term| of_term(term, all))
        }
        Condition::Signal(signal) => push(*signal, all),
        Condition::Not(of) => signals_of(of, all),
        Condition::All(of) | Condition::Any(of) => of.iter().for_each(|of| signals_of(of, all)),
        Condition::Constant(_) | Condition::Bad(_) => {}
    }
}
