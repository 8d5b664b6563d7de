//! Monitors of requirements against a naive reading of the definitions, against an outside library and by hand.

mod naive;
mod outside;
mod random;
mod shipped;
mod speed;

use system::expr::{Comparison, Predicate, Stl, StlTerm};
use system::model::TruthIdx;
use trial::stl::{Monitor, Status};

/// Sample period of all tests, s.
pub(crate) const SAMPLE_S: f64 = 60.0;
pub(crate) const MINUTE_S: f64 = 60.0;
pub(crate) const HOUR_S: f64 = 3600.0;

pub(crate) fn predicate(term: StlTerm, op: Comparison, constant: f64) -> Stl {
    Stl::Predicate(Predicate { term, op, constant })
}

pub(crate) fn truth(idx: usize, op: Comparison, constant: f64) -> Stl {
    predicate(StlTerm::Truth(TruthIdx(idx)), op, constant)
}

pub(crate) fn at_most(constant: f64) -> Stl {
    truth(0, Comparison::LessEqual, constant)
}

pub(crate) fn at_least(constant: f64) -> Stl {
    truth(0, Comparison::GreaterEqual, constant)
}

pub(crate) fn always(of: Stl) -> Stl {
    Stl::Always { from: 0.0, to: None, of: Box::new(of) }
}

pub(crate) fn always_within(from: f64, to: f64, of: Stl) -> Stl {
    Stl::Always { from, to: Some(to), of: Box::new(of) }
}

pub(crate) fn eventually(of: Stl) -> Stl {
    Stl::Eventually { from: 0.0, to: None, of: Box::new(of) }
}

pub(crate) fn eventually_within(from: f64, to: f64, of: Stl) -> Stl {
    Stl::Eventually { from, to: Some(to), of: Box::new(of) }
}

pub(crate) fn until(from: f64, to: Option<f64>, left: Stl, right: Stl) -> Stl {
    Stl::Until { from, to, left: Box::new(left), right: Box::new(right) }
}

pub(crate) fn not(of: Stl) -> Stl {
    Stl::Not(Box::new(of))
}

pub(crate) fn monitor(formula: &Stl) -> Monitor {
    Monitor::new(formula, SAMPLE_S).unwrap_or_else(|error| panic!("{formula:?}: {error}"))
}

/// The end of a run of which the first truth takes these values.
pub(crate) fn judge(formula: &Stl, values: impl IntoIterator<Item = f64>) -> Status {
    let mut monitor = monitor(formula);
    for value in values {
        monitor.push(&[value]);
    }
    monitor.finish()
}
