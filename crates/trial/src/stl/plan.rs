//! From a formula to the flat plan that a monitor runs: intervals in samples, negations pushed into the predicates, equal
//! delays, and the outermost `always`, `and` (and their duals) taken apart so that a breach is known as early as it can be.
//!
//! Contract: in [`Plan::nodes`] every node comes after its inputs, all inputs of a node have the same delay, and every
//! interval and window is at most [`MAX_WINDOW_SAMPLES`] long.

use super::MonitorError;
use system::expr::{Comparison, Predicate, Stl, StlTerm};

/// Longest interval or window that is accepted: 8 years of minutes, 64 MB in the worst case.
pub(super) const MAX_WINDOW_SAMPLES: u64 = 4_000_000;

/// Share of a sample by which a time may miss a whole number of samples and still mean it (0.1 s is no binary fraction).
const WHOLE_SAMPLE: f64 = 1e-6;

/// What the left side of a predicate is made of, windows in samples.
#[derive(Clone, Copy, Debug)]
pub(super) enum TermPlan {
    Truth,
    /// Window as distance from now to the oldest sample.
    Range(u64),
    Rise(u64),
    Fall(u64),
    /// Window as number of samples.
    Time {
        op: Comparison,
        constant: f64,
        window: u64,
    },
}

#[derive(Debug)]
pub(super) enum Op {
    /// `sign * (term - constant)`.
    Predicate { truth: usize, term: TermPlan, sign: f64, constant: f64 },
    /// The input, `by` samples late.
    Delay { input: usize, by: u64 },
    /// Highest or lowest of the inputs.
    Join { inputs: Box<[usize]>, highest: bool },
    /// Highest or lowest of the input over `[k + from, k + to]`, `to` being the delay that it adds.
    Window { input: usize, from: u64, highest: bool },
    /// `sign * (sign left until[from, to] sign right)`: `until` for 1, its dual `release` for -1.
    Until { left: usize, right: usize, from: u64, sign: f64 },
}

#[derive(Debug)]
pub(super) struct NodePlan {
    pub(super) op: Op,
    /// The value for sample k is known after sample k + delay.
    pub(super) delay: u64,
}

/// What a leaf of the outermost layer gathers over the run.
#[derive(Debug)]
pub(super) enum LeafPlan {
    /// Lowest of the node over `[from, to]`.
    Lowest { node: usize, from: u64, to: Option<u64> },
    /// Highest of the node over `[from, to]`.
    Highest { node: usize, from: u64, to: Option<u64> },
    /// `left until[from, end of the run] right` as of sample `at`; the dual for sign -1.
    Until { left: usize, right: usize, at: u64, from: u64, sign: f64 },
}

/// The outermost layer.
#[derive(Debug)]
pub(super) enum Tree {
    Leaf(usize),
    All(Box<[Tree]>),
    Any(Box<[Tree]>),
}

#[derive(Debug)]
pub(super) struct Plan {
    pub(super) nodes: Vec<NodePlan>,
    pub(super) leaves: Vec<LeafPlan>,
    pub(super) tree: Tree,
    pub(super) sample_s: f64,
    /// Longest delay of a node under a leaf, samples.
    pub(super) max_delay: u64,
    /// How far beyond a judged sample its verdict may look, samples; None: to the end of the run.
    pub(super) horizon: Option<u64>,
    /// How far back a past window looks, samples.
    pub(super) history: u64,
}

impl Plan {
    pub(super) fn new(formula: &Stl, sample_s: f64) -> Result<Self, MonitorError> {
        if !(sample_s.is_finite() && sample_s > 0.0) {
            return Err(MonitorError::SamplePeriod { sample_s });
        }
        let mut builder = Builder { sample_s, nodes: Vec::new(), leaves: Vec::new(), history: 0 };
        let normal = builder.normal(formula, false)?;
        let tree = builder.lowest(&normal, 0, Some(0))?;
        let Builder { nodes, leaves, history, .. } = builder;
        let delay_of = |leaf: &LeafPlan| match *leaf {
            LeafPlan::Lowest { node, .. } | LeafPlan::Highest { node, .. } => nodes[node].delay,
            LeafPlan::Until { left, .. } => nodes[left].delay,
        };
        let max_delay = leaves.iter().map(delay_of).max().unwrap_or(0);
        let horizon = leaves.iter().try_fold(0, |horizon: u64, leaf| {
            let of_leaf = match leaf {
                LeafPlan::Lowest { .. } => delay_of(leaf),
                LeafPlan::Highest { to, .. } => (*to)? + delay_of(leaf),
                LeafPlan::Until { .. } => return None,
            };
            Some(horizon.max(of_leaf))
        });
        Ok(Self { nodes, leaves, tree, sample_s, max_delay, horizon, history })
    }
}

/// Interval in samples; `to` None is the end of the run.
#[derive(Clone, Copy)]
struct Interval {
    from: u64,
    to: Option<u64>,
}

/// Negation normal form. `highest` tells the dual pairs apart: `or`/`and`, `eventually`/`always`, `until`/`release`.
enum Normal {
    Predicate { truth: usize, term: TermPlan, sign: f64, constant: f64 },
    Join { parts: Vec<Normal>, highest: bool },
    Window { interval: Interval, of: Box<Normal>, highest: bool },
    Until { interval: Interval, left: Box<Normal>, right: Box<Normal>, sign: f64 },
}

struct Builder {
    sample_s: f64,
    nodes: Vec<NodePlan>,
    leaves: Vec<LeafPlan>,
    history: u64,
}

impl Builder {
    fn normal(&mut self, formula: &Stl, negated: bool) -> Result<Normal, MonitorError> {
        let mut boxed = |of: &Stl| self.normal(of, negated).map(Box::new);
        Ok(match formula {
            Stl::Predicate(predicate) => return self.predicate(predicate, negated),
            Stl::Not(of) => return self.normal(of, !negated),
            Stl::And(parts) | Stl::Or(parts) => Normal::Join {
                parts: parts.iter().map(|part| self.normal(part, negated)).collect::<Result<_, _>>()?,
                highest: matches!(formula, Stl::Or(_)) != negated,
            },
            Stl::Always { from, to, of } | Stl::Eventually { from, to, of } => Normal::Window {
                of: boxed(of)?,
                interval: self.interval(*from, *to)?,
                highest: matches!(formula, Stl::Eventually { .. }) != negated,
            },
            Stl::Until { from, to, left, right } => Normal::Until {
                left: boxed(left)?,
                right: boxed(right)?,
                interval: self.interval(*from, *to)?,
                sign: if negated { -1.0 } else { 1.0 },
            },
        })
    }

    fn predicate(&mut self, predicate: &Predicate, negated: bool) -> Result<Normal, MonitorError> {
        let above = matches!(predicate.op, Comparison::Greater | Comparison::GreaterEqual) != negated;
        let (truth, term) = match predicate.term {
            StlTerm::Truth(truth) => (truth, TermPlan::Truth),
            StlTerm::Range(truth, window) => (truth, TermPlan::Range(self.past_window(window)?)),
            StlTerm::Rise(truth, window) => (truth, TermPlan::Rise(self.past_window(window)?)),
            StlTerm::Fall(truth, window) => (truth, TermPlan::Fall(self.past_window(window)?)),
            StlTerm::Time { truth, op, constant, window } => {
                if constant.is_nan() {
                    return Err(MonitorError::ConstantNan);
                }
                (truth, TermPlan::Time { op, constant, window: self.past_window(window)? })
            }
        };
        if predicate.constant.is_nan() {
            return Err(MonitorError::ConstantNan);
        }
        let sign = if above { 1.0 } else { -1.0 };
        Ok(Normal::Predicate { truth: truth.idx(), term, sign, constant: predicate.constant })
    }

    /// Whole samples within `seconds`, which is not negative.
    fn whole_samples(&self, seconds: f64) -> Result<u64, MonitorError> {
        let samples = seconds / self.sample_s;
        if samples > MAX_WINDOW_SAMPLES as f64 {
            return Err(MonitorError::TooLong {
                seconds,
                longest_s: MAX_WINDOW_SAMPLES as f64 * self.sample_s,
            });
        }
        Ok((samples + WHOLE_SAMPLE).floor() as u64)
    }

    fn past_window(&mut self, window_s: f64) -> Result<u64, MonitorError> {
        if !(window_s.is_finite() && window_s > 0.0) {
            return Err(MonitorError::Window { window_s });
        }
        let window = self.whole_samples(window_s)?;
        if window == 0 {
            return Err(MonitorError::WindowTooShort { window_s, sample_s: self.sample_s });
        }
        self.history = self.history.max(window);
        Ok(window)
    }

    fn interval(&self, from_s: f64, to_s: Option<f64>) -> Result<Interval, MonitorError> {
        if !(from_s.is_finite() && from_s >= 0.0) || to_s.is_some_and(|to| !(to.is_finite() && to >= from_s))
        {
            return Err(MonitorError::Interval { from_s, to_s });
        }
        let before = self.whole_samples(from_s)?;
        let from_is_whole = from_s / self.sample_s - before as f64 <= WHOLE_SAMPLE;
        let from = if from_is_whole { before } else { before + 1 };
        let to = to_s.map(|to| self.whole_samples(to)).transpose()?;
        match to {
            Some(to) if to < from => {
                Err(MonitorError::NoSample { from_s, to_s: to_s.unwrap_or(from_s), sample_s: self.sample_s })
            }
            _ => Ok(Interval { from, to }),
        }
    }

    /// The tree for the lowest of `formula` over samples `[from, to]`.
    fn lowest(&mut self, formula: &Normal, from: u64, to: Option<u64>) -> Result<Tree, MonitorError> {
        self.outermost(formula, from, to, false)
    }

    /// The tree for the lowest, or highest, of `formula` over samples `[from, to]`.
    ///
    /// Uses, for the lowest (the highest is the dual): it distributes over `and`; `always` within it widens its interval; an
    /// `eventually` that runs to the end is least at the last sample, because it only ever loses samples; and over a single
    /// sample lowest and highest are the same.
    fn outermost(
        &mut self,
        formula: &Normal,
        from: u64,
        to: Option<u64>,
        highest: bool,
    ) -> Result<Tree, MonitorError> {
        let single = to == Some(from);
        match formula {
            Normal::Join { parts, highest: join_highest } if single || *join_highest == highest => {
                let trees: Result<Box<[Tree]>, MonitorError> =
                    parts.iter().map(|part| self.outermost(part, from, to, highest)).collect();
                Ok(if *join_highest { Tree::Any(trees?) } else { Tree::All(trees?) })
            }
            // Any other single sample may lie beyond the end of the run, where `always` and `eventually` part.
            Normal::Window { interval, of, highest: window_highest }
                if to == Some(0) || *window_highest == highest =>
            {
                let to = to.and_then(|to| Some(to + interval.to?));
                self.outermost(of, from + interval.from, to, *window_highest)
            }
            Normal::Window { interval: Interval { from: later, to: None }, of, highest: window_highest } => {
                let Some(to) = to else { return Err(MonitorError::NeverDecided { highest }) };
                self.outermost(of, to + later, None, *window_highest)
            }
            Normal::Until { interval: Interval { from: later, to: None }, left, right, sign } if single => {
                let left = self.node(left)?;
                let right = self.node(right)?;
                let delay = self.nodes[left].delay.max(self.nodes[right].delay);
                let (left, right) = (self.delayed(left, delay), self.delayed(right, delay));
                Ok(self.leaf(LeafPlan::Until { left, right, at: from, from: *later, sign: *sign }))
            }
            _ => {
                let node = self.node(formula)?;
                Ok(self.leaf(if highest {
                    LeafPlan::Highest { node, from, to }
                } else {
                    LeafPlan::Lowest { node, from, to }
                }))
            }
        }
    }

    fn leaf(&mut self, leaf: LeafPlan) -> Tree {
        self.leaves.push(leaf);
        Tree::Leaf(self.leaves.len() - 1)
    }

    fn push(&mut self, op: Op, delay: u64) -> usize {
        self.nodes.push(NodePlan { op, delay });
        self.nodes.len() - 1
    }

    /// The node, made late enough to have `delay`.
    fn delayed(&mut self, input: usize, delay: u64) -> usize {
        match delay - self.nodes[input].delay {
            0 => input,
            by => self.push(Op::Delay { input, by }, delay),
        }
    }

    /// The node that gives the value of `formula` for every sample.
    fn node(&mut self, formula: &Normal) -> Result<usize, MonitorError> {
        Ok(match formula {
            &Normal::Predicate { truth, term, sign, constant } => {
                self.push(Op::Predicate { truth, term, sign, constant }, 0)
            }
            Normal::Join { parts, highest } => {
                let inputs: Vec<usize> =
                    parts.iter().map(|part| self.node(part)).collect::<Result<_, _>>()?;
                let delay = inputs.iter().map(|&input| self.nodes[input].delay).max().unwrap_or(0);
                let inputs = inputs.into_iter().map(|input| self.delayed(input, delay)).collect();
                self.push(Op::Join { inputs, highest: *highest }, delay)
            }
            Normal::Window { interval, of, highest } => {
                let to = interval.to.ok_or(MonitorError::Unbounded {
                    operator: if *highest { "eventually" } else { "always" },
                })?;
                let input = self.node(of)?;
                let delay = self.nodes[input].delay + to;
                self.push(Op::Window { input, from: interval.from, highest: *highest }, delay)
            }
            Normal::Until { interval, left, right, sign } => {
                let to = interval.to.ok_or(MonitorError::Unbounded { operator: "until" })?;
                let (left, right) = (self.node(left)?, self.node(right)?);
                let ready = self.nodes[left].delay.max(self.nodes[right].delay);
                let (left, right) = (self.delayed(left, ready), self.delayed(right, ready));
                self.push(Op::Until { left, right, from: interval.from, sign: *sign }, ready + to)
            }
        })
    }
}
