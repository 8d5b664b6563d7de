//! The two small languages of the file, resolved: conditions of rules (over signals, integers) and requirements (over true
//! quantities, SI, signal temporal logic). Parsing lives in `parse_expr`; nothing here knows about text.

use crate::model::{SignalIdx, TruthIdx};

/// Boolean expression over signals.
#[derive(Clone, PartialEq, Debug)]
pub enum Condition {
    /// Always or never.
    Constant(bool),
    /// A boolean signal.
    Signal(SignalIdx),
    /// Negation.
    Not(Box<Condition>),
    /// Conjunction of two or more.
    All(Vec<Condition>),
    /// Disjunction of two or more.
    Any(Vec<Condition>),
    /// Comparison; both sides are in the same integer scale.
    Compare {
        /// Left side.
        left: Term,
        /// Which.
        op: Comparison,
        /// Right side.
        right: Term,
    },
    /// The signal's quality is bad; uncertain is not bad.
    Bad(SignalIdx),
}

/// Comparison operators.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[allow(missing_docs)]
pub enum Comparison {
    Less,
    LessEqual,
    Greater,
    GreaterEqual,
}

/// Integer-valued term.
#[derive(Clone, PartialEq, Debug)]
pub enum Term {
    /// In the scale of the other side.
    Constant(i32),
    /// A numeric signal.
    Signal(SignalIdx),
    /// `a - b`.
    Difference(SignalIdx, SignalIdx),
    /// `|a - b|`.
    Apart(SignalIdx, SignalIdx),
}

/// Signal temporal logic over true quantities; times in s. Robustness is the margin in the predicate's unit.
#[derive(Clone, PartialEq, Debug)]
pub enum Stl {
    /// Predicate.
    Predicate(Predicate),
    /// Negation.
    Not(Box<Stl>),
    /// Conjunction.
    And(Vec<Stl>),
    /// Disjunction.
    Or(Vec<Stl>),
    /// At all times within the interval from now. `to` None: to the end of the run.
    Always {
        /// s.
        from: f64,
        /// s.
        to: Option<f64>,
        /// What holds.
        of: Box<Stl>,
    },
    /// At some time within the interval.
    Eventually {
        /// s.
        from: f64,
        /// s.
        to: Option<f64>,
        /// What holds.
        of: Box<Stl>,
    },
    /// `left` holds until `right` does, which it does within the interval.
    Until {
        /// s.
        from: f64,
        /// s.
        to: Option<f64>,
        /// Holds before.
        left: Box<Stl>,
        /// Ends it.
        right: Box<Stl>,
    },
}

/// `term op constant`, in the SI unit of the term.
#[derive(Clone, PartialEq, Debug)]
pub struct Predicate {
    /// Left side.
    pub term: StlTerm,
    /// Which; margin is `constant - term` for Less and LessEqual, else `term - constant`.
    pub op: Comparison,
    /// Right side, in the unit that [`crate::model::TruthKind`] states.
    pub constant: f64,
}

/// Left side of a predicate.
#[derive(Clone, PartialEq, Debug)]
pub enum StlTerm {
    /// The quantity itself.
    Truth(TruthIdx),
    /// Highest less lowest over the window of the past, s: `range(x, 1 h)`.
    Range(TruthIdx, f64),
    /// Now less the lowest of the window: `rise(x, 24 h)`.
    Rise(TruthIdx, f64),
    /// The highest of the window less now: `fall(x, 24 h)`.
    Fall(TruthIdx, f64),
    /// Seconds within the window in which `truth op constant` held: `time(x < 0.5, 24 h)`. Before a full window has passed, the
    /// missing part counts as held.
    Time {
        /// Quantity.
        truth: TruthIdx,
        /// Which.
        op: Comparison,
        /// Against what.
        constant: f64,
        /// s.
        window: f64,
    },
}
