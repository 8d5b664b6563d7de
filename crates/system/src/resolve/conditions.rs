//! Conditions: words -> signals, quantities -> integers in the scale of the other side.

use std::ops::Range;

use units::{Kind, Quantity};

use super::context::Thing;
use super::signals::{Signals, counts, difference_scale, noun_of, unit_of};
use crate::diagnostic::Diagnostic;
use crate::expr::{Comparison, Condition, Term};
use crate::language::Word;
use crate::language::condition::{Cond, Side};
use crate::model::{Scale, SignalIdx};
use crate::raw::{Field, unit_id};

/// A side of a comparison whose signals are known: the term, its scale and the range it can have.
struct Measured {
    term: Term,
    scale: Scale,
    range: (i64, i64),
}

impl<'a> Signals<'_, 'a> {
    /// Resolves a condition that stands in a field; None after a finding.
    pub(super) fn resolve(&mut self, condition: &Cond, field: &Field<'a>) -> Option<Condition> {
        match condition {
            Cond::Constant(value) => Some(Condition::Constant(*value)),
            Cond::Name(word) if word.text == "first_scan" => Some(Condition::Signal(self.first_scan())),
            Cond::Name(word) => self.two_state(word, field).map(Condition::Signal),
            Cond::Bad(word) => self.word(word, field).map(Condition::Bad),
            Cond::Tripped(word) => {
                let position = self.thing(word, field, Thing::Actuator)?;
                Some(Condition::Signal(self.tripped(position, &word.text)))
            }
            Cond::Running(word) => {
                let position = self.thing(word, field, Thing::Procedure)?;
                Some(Condition::Signal(self.running(position, &word.text)))
            }
            Cond::Not(inner) => Some(Condition::Not(Box::new(self.resolve(inner, field)?))),
            Cond::All(parts) => self.resolve_all(parts, field).map(Condition::All),
            Cond::Any(parts) => self.resolve_all(parts, field).map(Condition::Any),
            Cond::Compare { left, op, right } => self.compare(left, *op, right, field),
        }
    }

    fn resolve_all(&mut self, parts: &[Cond], field: &Field<'a>) -> Option<Vec<Condition>> {
        // Each part is looked at, so that all their mistakes are told.
        let all: Vec<Option<Condition>> = parts.iter().map(|part| self.resolve(part, field)).collect();
        all.into_iter().collect()
    }

    fn word(&self, word: &Word, field: &Field<'a>) -> Option<SignalIdx> {
        self.named(&word.text, field.inner_span(word.span.clone()), field.subject.as_ref())
    }

    fn two_state(&self, word: &Word, field: &Field<'a>) -> Option<SignalIdx> {
        let index = self.word(word, field)?;
        let scale = self.get(index).scale;
        if scale == Scale::Bool {
            return Some(index);
        }
        report(
            field,
            "not-a-condition",
            word.span.clone(),
            format!("`{}` is {}, not a condition", word.text, noun_of(scale)),
            format!("compare it: `{} > ...`", word.text),
        );
        None
    }

    fn thing(&self, word: &Word, field: &Field<'a>, wanted: Thing) -> Option<usize> {
        match self.context.find(&word.text) {
            Some((thing, position)) if thing == wanted => Some(position),
            Some((thing, _)) => {
                report(
                    field,
                    "wrong-kind-of-name",
                    word.span.clone(),
                    format!("`{}` is {}, not {}", word.text, thing.with_article(), wanted.with_article()),
                    crate::suggest::help(&word.text, self.context.names_of(&[wanted]), wanted.plural()),
                );
                None
            }
            None => {
                report(
                    field,
                    "unknown-name",
                    word.span.clone(),
                    format!("no {} of this file is named `{}`", wanted.noun(), word.text),
                    crate::suggest::help(&word.text, self.context.names_of(&[wanted]), wanted.plural()),
                );
                None
            }
        }
    }

    fn compare(&self, left: &Side, op: Comparison, right: &Side, field: &Field<'a>) -> Option<Condition> {
        match (left, right) {
            (Side::Quantity(a), Side::Quantity(b)) => {
                report(
                    field,
                    "not-a-condition",
                    a.span.start..b.span.end,
                    "this compares two constants".to_owned(),
                    "one side must be a signal: `display_temp < 25.2 degC`".to_owned(),
                );
                None
            }
            (Side::Quantity(word), side) => {
                let measured = self.measured(side, field)?;
                let constant = self.constant(word, &measured, op_reversed(op), field)?;
                Some(Condition::Compare { left: Term::Constant(constant), op, right: measured.term })
            }
            (side, Side::Quantity(word)) => {
                let measured = self.measured(side, field)?;
                let constant = self.constant(word, &measured, op, field)?;
                Some(Condition::Compare { left: measured.term, op, right: Term::Constant(constant) })
            }
            (a, b) => {
                let (first, second) = (self.measured(a, field), self.measured(b, field));
                let (first, second) = (first?, second?);
                if first.scale != second.scale {
                    report(
                        field,
                        "different-scales",
                        a.span().start..b.span().end,
                        format!("this compares {} with {}", noun_of(first.scale), noun_of(second.scale)),
                        "both sides must measure the same kind of thing".to_owned(),
                    );
                    return None;
                }
                Some(Condition::Compare { left: first.term, op, right: second.term })
            }
        }
    }

    fn measured(&self, side: &Side, field: &Field<'a>) -> Option<Measured> {
        match side {
            Side::Quantity(_) => None,
            Side::Name(word) => {
                let index = self.number(word, field)?;
                let signal = self.get(index);
                let range = (i64::from(signal.range.0), i64::from(signal.range.1));
                Some(Measured { term: Term::Signal(index), scale: signal.scale, range })
            }
            Side::Difference(a, b) | Side::Apart(a, b) => {
                let (left, right) = (self.number(a, field), self.number(b, field));
                let (left, right) = (left?, right?);
                let (l, r) = (self.get(left), self.get(right));
                if l.scale != r.scale {
                    report(
                        field,
                        "different-scales",
                        a.span.start..b.span.end,
                        format!("`{}` is {}, `{}` is {}", l.name, noun_of(l.scale), r.name, noun_of(r.scale)),
                        "only signals of one kind can be subtracted".to_owned(),
                    );
                    return None;
                }
                let low = i64::from(l.range.0) - i64::from(r.range.1);
                let high = i64::from(l.range.1) - i64::from(r.range.0);
                let scale = difference_scale(l.scale);
                Some(match side {
                    Side::Apart(..) => {
                        Measured { term: Term::Apart(left, right), scale, range: (0, high.max(-low)) }
                    }
                    _ => Measured { term: Term::Difference(left, right), scale, range: (low, high) },
                })
            }
        }
    }

    fn number(&self, word: &Word, field: &Field<'a>) -> Option<SignalIdx> {
        let index = self.word(word, field)?;
        if self.get(index).scale != Scale::Bool {
            return Some(index);
        }
        report(
            field,
            "different-scales",
            word.span.clone(),
            format!("`{}` has two states and cannot be compared", word.text),
            format!("write `{0}` or `not {0}`", word.text),
        );
        None
    }

    /// A quantity as an integer in the scale of what it is compared with.
    fn constant(&self, word: &Word, with: &Measured, op: Comparison, field: &Field<'a>) -> Option<i32> {
        let (value, counts) = in_scale(word, with.scale, field)?;
        let count = i64::from(counts);
        let (low, high) = with.range;
        let never_changes = match op {
            Comparison::Less => count <= low || count > high,
            Comparison::LessEqual => count < low || count >= high,
            Comparison::Greater => count >= high || count < low,
            Comparison::GreaterEqual => count > high || count <= low,
        };
        if never_changes {
            let shown = |count: i64| show(count, with.scale);
            field.sink.report(
                Diagnostic::warning(
                    "comparison-never-changes",
                    format!(
                        "this comparison never changes: the signal lies within {} to {}",
                        shown(low),
                        shown(high)
                    ),
                )
                .at(Some(field.inner_span(word.span.clone())), format!("this is {}", shown(count)))
                .help(format!("check the value {value}, or widen the signal's `range`")),
            );
        }
        Some(counts)
    }
}

/// Reads a quantity into a scale: the text and the integer.
pub(super) fn in_scale(word: &Word, scale: Scale, field: &Field<'_>) -> Option<(String, i32)> {
    let (kind, per_unit) = unit_of(scale)?;
    match Quantity::parse_as(&word.text, kind) {
        Ok(quantity) => {
            let exact = quantity.value * per_unit;
            if exact.abs() >= f64::from(i32::MAX) {
                report(
                    field,
                    "out-of-range",
                    word.span.clone(),
                    format!("`{}` is beyond what the board can hold", word.text),
                    "write a value of a size that a tank can have".to_owned(),
                );
                return None;
            }
            Some((word.text.clone(), counts(quantity.value, per_unit)))
        }
        Err(error) => {
            let span = word.span.start + error.span.start..word.span.start + error.span.end;
            report(
                field,
                unit_id(&error),
                span,
                format!("`{}` of {}: {error}", field.key, field.label),
                error.help(),
            );
            None
        }
    }
}

fn show(count: i64, scale: Scale) -> String {
    match unit_of(scale) {
        Some((kind, per_unit)) if scale != Scale::MilliPhPerHour && kind != Kind::Ratio => {
            Quantity::new(count as f64 / per_unit, kind).to_string()
        }
        Some((_, per_unit)) => format!("{}", count as f64 / per_unit),
        None => count.to_string(),
    }
}

fn op_reversed(op: Comparison) -> Comparison {
    match op {
        Comparison::Less => Comparison::Greater,
        Comparison::LessEqual => Comparison::GreaterEqual,
        Comparison::Greater => Comparison::Less,
        Comparison::GreaterEqual => Comparison::LessEqual,
    }
}

/// Reports an error at a part of a text.
pub(super) fn report(field: &Field<'_>, id: &'static str, part: Range<usize>, message: String, help: String) {
    let finding = Diagnostic::error(id, message).at(Some(field.inner_span(part)), "").help(help);
    field.sink.report(match &field.subject {
        Some(subject) => finding.subject(subject.clone()),
        None => finding,
    });
}
