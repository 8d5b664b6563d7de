//! The definitions, read off word for word over a whole trace: slow, without any of the monitor's ideas.
//!
//! Space robustness: Fainekos & Pappas (2009), Donzé & Maler (2010). Bounds over all continuations: Deshmukh, Donzé,
//! Ghosh, Jin, Juniwal & Seshia (2017), "Robust online monitoring of signal temporal logic", Form. Methods Syst. Des.
//! 51.

use crate::SAMPLE_S;
use system::expr::{Comparison, Predicate, Stl, StlTerm};

/// Samples of all truths; the first `n_past` of them come before judging begins. Sample numbers count from there.
pub(crate) struct Trace<'a> {
    pub(crate) rows: &'a [Vec<f64>],
    pub(crate) n_past: usize,
}

/// From the lowest to the highest that a robustness can be.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Bounds {
    pub(crate) low: f64,
    pub(crate) high: f64,
}

const ANYTHING: Bounds = Bounds { low: f64::NEG_INFINITY, high: f64::INFINITY };

fn all_of(parts: impl Iterator<Item = Bounds>) -> Bounds {
    parts.fold(Bounds { low: f64::INFINITY, high: f64::INFINITY }, |a, b| Bounds {
        low: a.low.min(b.low),
        high: a.high.min(b.high),
    })
}

fn any_of(parts: impl Iterator<Item = Bounds>) -> Bounds {
    parts.fold(Bounds { low: f64::NEG_INFINITY, high: f64::NEG_INFINITY }, |a, b| Bounds {
        low: a.low.max(b.low),
        high: a.high.max(b.high),
    })
}

fn negative(of: Bounds) -> Bounds {
    Bounds { low: -of.high, high: -of.low }
}

impl Trace<'_> {
    pub(crate) fn n_samples(&self) -> usize {
        self.rows.len() - self.n_past
    }

    /// Samples within the interval as seen from `now`, up to and including sample `last`.
    fn within(
        &self,
        now: usize,
        from: f64,
        to: Option<f64>,
        last: usize,
    ) -> impl Iterator<Item = usize> + use<> {
        (now..=last).filter(move |&sample| {
            let ahead = (sample - now) as f64 * SAMPLE_S;
            ahead >= from && to.is_none_or(|to| ahead <= to)
        })
    }

    fn margin(&self, predicate: &Predicate, sample: usize, negated: bool) -> f64 {
        let at = self.n_past + sample;
        let back = |truth: usize, window: f64| {
            (0..=at)
                .filter(move |&then| (at - then) as f64 * SAMPLE_S <= window)
                .map(move |then| self.rows[then][truth])
                .filter(|value| !value.is_nan())
        };
        let (truth, term) = match predicate.term {
            StlTerm::Truth(truth) => (truth, self.rows[at][truth.idx()]),
            StlTerm::Range(truth, window) => {
                let values = || back(truth.idx(), window);
                (truth, values().fold(f64::MIN, f64::max) - values().fold(f64::MAX, f64::min))
            }
            StlTerm::Rise(truth, window) => {
                (truth, self.rows[at][truth.idx()] - back(truth.idx(), window).fold(f64::MAX, f64::min))
            }
            StlTerm::Fall(truth, window) => {
                (truth, back(truth.idx(), window).fold(f64::MIN, f64::max) - self.rows[at][truth.idx()])
            }
            StlTerm::Time { truth, op, constant, window } => {
                let n_window = (window / SAMPLE_S) as usize;
                let n_held = (0..n_window)
                    .filter(|&ago| {
                        at.checked_sub(ago)
                            .is_none_or(|then| holds(self.rows[then][truth.idx()], op, constant))
                    })
                    .count();
                (truth, n_held as f64 * SAMPLE_S)
            }
        };
        if self.rows[at][truth.idx()].is_nan() {
            return if negated { f64::INFINITY } else { f64::NEG_INFINITY };
        }
        match predicate.op {
            Comparison::Less | Comparison::LessEqual => predicate.constant - term,
            Comparison::Greater | Comparison::GreaterEqual => term - predicate.constant,
        }
    }

    /// Robustness at `sample`, intervals cut off after the last sample.
    pub(crate) fn robustness(&self, formula: &Stl, sample: usize) -> f64 {
        self.cut(formula, sample, false)
    }

    /// `negated`: under an odd number of `not`, which only a value that is NaN looks at.
    fn cut(&self, formula: &Stl, now: usize, negated: bool) -> f64 {
        let last = self.n_samples() - 1;
        let of = |formula: &Stl, at: usize| self.cut(formula, at, negated);
        match formula {
            Stl::Predicate(predicate) => self.margin(predicate, now, negated),
            Stl::Not(part) => -self.cut(part, now, !negated),
            Stl::And(parts) => parts.iter().map(|part| of(part, now)).fold(f64::INFINITY, f64::min),
            Stl::Or(parts) => parts.iter().map(|part| of(part, now)).fold(f64::NEG_INFINITY, f64::max),
            Stl::Always { from, to, of: part } => {
                self.within(now, *from, *to, last).map(|at| of(part, at)).fold(f64::INFINITY, f64::min)
            }
            Stl::Eventually { from, to, of: part } => {
                self.within(now, *from, *to, last).map(|at| of(part, at)).fold(f64::NEG_INFINITY, f64::max)
            }
            Stl::Until { from, to, left, right } => self
                .within(now, *from, *to, last)
                .map(|at| (now..at).map(|before| of(left, before)).fold(of(right, at), f64::min))
                .fold(f64::NEG_INFINITY, f64::max),
        }
    }

    /// Whether all that the robustness at `now` can look at has been seen.
    pub(crate) fn is_complete(&self, formula: &Stl, now: usize) -> bool {
        let ahead = |to: &Option<f64>| to.map_or(usize::MAX / 2, |to| (to / SAMPLE_S) as usize);
        match formula {
            Stl::Predicate(_) => now < self.n_samples(),
            Stl::Not(part) => self.is_complete(part, now),
            Stl::And(parts) | Stl::Or(parts) => parts.iter().all(|part| self.is_complete(part, now)),
            Stl::Always { to, of, .. } | Stl::Eventually { to, of, .. } => {
                self.is_complete(of, now + ahead(to))
            }
            Stl::Until { to, left, right, .. } => {
                self.is_complete(left, now + ahead(to)) && self.is_complete(right, now + ahead(to))
            }
        }
    }

    /// Bounds of the robustness at `now` over all continuations of the trace. Intervals without an end are taken to
    /// `horizon` samples.
    pub(crate) fn bounds(&self, formula: &Stl, now: usize, horizon: usize, negated: bool) -> Bounds {
        let of = |formula: &Stl, at: usize| self.bounds(formula, at, horizon, negated);
        let last = |to: &Option<f64>| to.map_or(horizon, |to| now + (to / SAMPLE_S) as usize);
        match formula {
            Stl::Predicate(predicate) => {
                if now < self.n_samples() {
                    let margin = self.margin(predicate, now, negated);
                    Bounds { low: margin, high: margin }
                } else {
                    ANYTHING
                }
            }
            Stl::Not(part) => negative(self.bounds(part, now, horizon, !negated)),
            Stl::And(parts) => all_of(parts.iter().map(|part| of(part, now))),
            Stl::Or(parts) => any_of(parts.iter().map(|part| of(part, now))),
            Stl::Always { from, to, of: part } => {
                all_of(self.within(now, *from, *to, last(to)).map(|at| of(part, at)))
            }
            Stl::Eventually { from, to, of: part } => {
                any_of(self.within(now, *from, *to, last(to)).map(|at| of(part, at)))
            }
            Stl::Until { from, to, left, right } => {
                any_of(self.within(now, *from, *to, last(to)).map(|at| {
                    all_of((now..at).map(|before| of(left, before)).chain(std::iter::once(of(right, at))))
                }))
            }
        }
    }
}

fn holds(value: f64, op: Comparison, constant: f64) -> bool {
    match op {
        Comparison::Less => value < constant,
        Comparison::LessEqual => value <= constant,
        Comparison::Greater => value > constant,
        Comparison::GreaterEqual => value >= constant,
    }
}
