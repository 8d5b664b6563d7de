//! Online monitors for requirements: how far a run stays from breaking each, in the unit of its predicates, and since when
//! it is known to be broken.
//!
//! # Semantics
//!
//! Signal temporal logic over samples at a fixed period, with space robustness: Fainekos & Pappas (2009), "Robustness of
//! temporal logic specifications for continuous-time signals", Theor. Comput. Sci. 410; Donzé & Maler (2010), "Robust
//! satisfaction of temporal logic over real-valued signals", FORMATS. With x the sample at k:
//!
//! | formula | robustness at sample k |
//! |---|---|
//! | `x <= c`, `x < c` | c - x |
//! | `x >= c`, `x > c` | x - c |
//! | `not f` | -f |
//! | `f and g`, `f or g` | min, max |
//! | `always[a,b] f` | min of f over the samples within `[k + a, k + b]` |
//! | `eventually[a,b] f` | max of the same |
//! | `f until[a,b] g` | max, over the samples j within `[k + a, k + b]`, of min(g at j, f at all samples of `[k, j)`) |
//!
//! A formula is judged at the first sample, so a requirement for the whole run begins with `always`. A negative margin
//! breaks it. A margin of exactly 0 does not, whether the comparison is strict or not: robustness cannot tell them
//! apart. The comparison inside `time(...)` is a plain one and does.
//!
//! Terms that look back (`range`, `rise`, `fall`) take the samples within `[k - window, k]`, as many as there are. In
//! `time`, each sample stands for one period and the window is the last `window / period` samples, rounded down; what lies
//! before the first sample counts as held.
//!
//! A value that is NaN, or missing from the slice, breaks every predicate that reads it at that sample (margin -inf, under
//! `not` as well): a run that left the numbers has not met its requirement. Windows that look back skip such samples.
//!
//! # What is known when
//!
//! A part of a formula that looks ahead is judged when the last sample it may look at has come, so `always
//! eventually[0,2h] f` is known to be broken 2 h after f ceased to hold. Outermost `always` and `and`, in any nesting,
//! and their duals, are taken apart first: each part is judged as soon as it alone can be, and `always[0,1h] f` breaks
//! at the first bad sample. Within other operators a breach may be reported later than the samples would allow (at most
//! by the horizon of that part), never earlier.
//!
//! Memory is bounded by the windows; a sample takes amortised constant time for each operator.

mod error;
mod plan;
mod window;

pub use error::MonitorError;
use plan::{LeafPlan, NodePlan, Op, Plan, TermPlan, Tree};
use std::collections::VecDeque;
use std::sync::Arc;
use system::expr::{Comparison, Stl};
use window::{HeldCount, Highest, UntilWindow, greater, lesser};

/// What a monitor can tell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Status {
    /// Worst robustness known so far, in the unit of the predicates; `+inf` before anything is known. It only falls;
    /// [`Monitor::finish`] settles what ran to the end. Windows that reach beyond the last sample do not count.
    pub margin: f64,
    /// After [`Monitor::finish`]: the smallest robustness that the windows cut off by the end of the run would have if
    /// nothing came after; `+inf` before that and if no window was cut off. A negative value says that the run ended
    /// within something that was on its way to break the requirement.
    pub open_margin: f64,
    /// When it became known to be broken, s after the first sample (or after the fork, see [`Monitor::forget_verdict`]): the
    /// time of the sample that settled it, so the moment at which the allowed duration had passed.
    pub broken_at_s: Option<f64>,
    /// Whether no further sample can change anything.
    pub is_final: bool,
}

/// Judges one requirement, sample by sample.
#[derive(Debug)]
pub struct Monitor {
    plan: Arc<Plan>,
    /// One for each node of the plan.
    nodes: Vec<Node>,
    /// One for each leaf of the plan.
    leaves: Vec<Leaf>,
    /// Samples since the beginning.
    n_seen: u64,
    /// Samples since judging began.
    n_judged: u64,
    /// Periods from time 0 to the first judged sample: 0, or 1 after a fork.
    first_at: u64,
    /// Among the judged samples.
    broken_at: Option<u64>,
    open_margin: f64,
    is_finished: bool,
}

#[derive(Debug)]
struct Node {
    /// For sample `n_judged - 1 - delay`.
    value: f64,
    memory: Memory,
}

impl Clone for Node {
    fn clone(&self) -> Self {
        Self { value: self.value, memory: self.memory.clone() }
    }

    fn clone_from(&mut self, source: &Self) {
        self.value = source.value;
        self.memory.clone_from(&source.memory);
    }
}

#[derive(Debug)]
enum Memory {
    None,
    Range {
        highest: Highest,
        highest_negative: Highest,
    },
    /// Of the values for `fall`, of the negative values for `rise`; so for the two kinds of `Op::Window`.
    Highest(Highest),
    Held(HeldCount),
    Line(VecDeque<f64>),
    Until(UntilWindow),
}

impl Clone for Memory {
    fn clone(&self) -> Self {
        match self {
            Self::None => Self::None,
            Self::Range { highest, highest_negative } => {
                Self::Range { highest: highest.clone(), highest_negative: highest_negative.clone() }
            }
            Self::Highest(highest) => Self::Highest(highest.clone()),
            Self::Held(held) => Self::Held(held.clone()),
            Self::Line(line) => Self::Line(line.clone()),
            Self::Until(until) => Self::Until(until.clone()),
        }
    }

    fn clone_from(&mut self, source: &Self) {
        match (self, source) {
            (
                Self::Range { highest, highest_negative },
                Self::Range { highest: from, highest_negative: from_negative },
            ) => {
                highest.clone_from(from);
                highest_negative.clone_from(from_negative);
            }
            (Self::Highest(highest), Self::Highest(from)) => highest.clone_from(from),
            (Self::Held(held), Self::Held(from)) => held.clone_from(from),
            (Self::Line(line), Self::Line(from)) => line.clone_from(from),
            (Self::Until(until), Self::Until(from)) => until.clone_from(from),
            (own, from) => *own = from.clone(),
        }
    }
}

impl Memory {
    fn new(op: &Op) -> Self {
        match op {
            Op::Predicate { term, .. } => match term {
                TermPlan::Truth => Self::None,
                TermPlan::Range(_) => {
                    Self::Range { highest: Highest::default(), highest_negative: Highest::default() }
                }
                TermPlan::Rise(_) | TermPlan::Fall(_) => Self::Highest(Highest::default()),
                TermPlan::Time { window, .. } => Self::Held(HeldCount::new(*window)),
            },
            Op::Join { .. } => Self::None,
            Op::Window { .. } => Self::Highest(Highest::default()),
            Op::Delay { by, .. } => Self::Line(VecDeque::with_capacity(*by as usize + 1)),
            Op::Until { .. } => Self::Until(UntilWindow::new()),
        }
    }

    fn clear(&mut self) {
        match self {
            Self::None => {}
            Self::Range { highest, highest_negative } => {
                highest.clear();
                highest_negative.clear();
            }
            Self::Highest(highest) => highest.clear(),
            Self::Held(held) => held.clear(),
            Self::Line(line) => line.clear(),
            Self::Until(until) => until.clear(),
        }
    }
}

/// What a leaf has gathered.
#[derive(Clone, Copy, Debug)]
struct Leaf {
    /// Lowest, highest or `until` so far.
    value: f64,
    /// For `until`: lowest left side so far.
    left: f64,
    /// Whether any sample has counted.
    is_begun: bool,
}

impl Leaf {
    fn new(plan: &LeafPlan) -> Self {
        let value = match plan {
            LeafPlan::Lowest { .. } => f64::INFINITY,
            LeafPlan::Highest { .. } | LeafPlan::Until { .. } => f64::NEG_INFINITY,
        };
        Self { value, left: f64::INFINITY, is_begun: false }
    }
}

/// How one leaf or subtree stands.
#[derive(Clone, Copy)]
struct Standing {
    /// The most that its robustness can still be.
    known: f64,
    /// With all windows cut off at the last sample.
    cut: f64,
    /// Of the cut windows alone.
    open: f64,
    is_decided: bool,
}

impl Monitor {
    /// Prepares to judge `formula` on samples every `sample_s` seconds. An interval takes the samples that lie within it.
    ///
    /// # Errors
    ///
    /// [`MonitorError`] for a formula that would need unbounded memory, such as `always (a or eventually b)` without an
    /// end for `eventually`, and for intervals and windows that hold no sample.
    pub fn new(formula: &Stl, sample_s: f64) -> Result<Self, MonitorError> {
        let plan = Arc::new(Plan::new(formula, sample_s)?);
        let nodes =
            plan.nodes.iter().map(|node| Node { value: 0.0, memory: Memory::new(&node.op) }).collect();
        let leaves = plan.leaves.iter().map(Leaf::new).collect();
        Ok(Self {
            plan,
            nodes,
            leaves,
            n_seen: 0,
            n_judged: 0,
            first_at: 0,
            broken_at: None,
            open_margin: f64::INFINITY,
            is_finished: false,
        })
    }

    /// Takes in the next sample; `truths` is indexed by [`system::model::TruthIdx`]. Does nothing after [`Self::end_run`].
    pub fn push(&mut self, truths: &[f64]) {
        if self.is_finished {
            return;
        }
        let plan = &*self.plan;
        let now = self.n_judged;
        for idx in 0..plan.nodes.len() {
            let (inputs, rest) = self.nodes.split_at_mut(idx);
            let node = &mut rest[0];
            match &plan.nodes[idx].op {
                Op::Predicate { truth, term, sign, constant } => {
                    let truth = truths.get(*truth).copied().unwrap_or(f64::NAN);
                    let term = take_in(&mut node.memory, term, self.n_seen, truth, plan.sample_s);
                    let margin = sign * (term - constant);
                    node.value = if margin.is_nan() { f64::NEG_INFINITY } else { margin };
                }
                op => advance(node, inputs, op, plan, now, plan.nodes[idx].delay, now),
            }
        }
        let mut may_be_broken = false;
        for (leaf, leaf_plan) in self.leaves.iter_mut().zip(&plan.leaves) {
            gather(leaf, leaf_plan, &self.nodes, plan, now);
            may_be_broken |= match leaf_plan {
                LeafPlan::Lowest { .. } => leaf.value < 0.0,
                LeafPlan::Highest { .. } | LeafPlan::Until { .. } => true,
            };
        }
        self.n_seen += 1;
        self.n_judged += 1;
        if may_be_broken && self.broken_at.is_none() && self.standing(&plan.tree, None).known < 0.0 {
            self.broken_at = Some(self.n_judged - 1);
        }
    }

    /// What is known after the last sample.
    pub fn status(&self) -> Status {
        let standing = self.standing(&self.plan.tree, None);
        Status {
            margin: standing.known,
            open_margin: self.open_margin,
            broken_at_s: self.broken_at.map(|sample| (self.first_at + sample) as f64 * self.plan.sample_s),
            is_final: standing.is_decided || self.is_finished,
        }
    }

    /// Ends the run after the last sample: settles what ran to the end of the run and works out [`Status::open_margin`].
    /// `eventually` or `until` to the end of the run that was not met is broken at the last sample.
    pub fn finish(mut self) -> Status {
        self.end_run()
    }

    /// As [`Self::finish`], for a monitor that is to be used again after [`Self::reset`] or `clone_from`.
    pub fn end_run(&mut self) -> Status {
        if self.is_finished {
            return self.status();
        }
        self.is_finished = true;
        if self.n_judged > 0 {
            if self.broken_at.is_none() && self.standing(&self.plan.tree, None).known < 0.0 {
                self.broken_at = Some(self.n_judged - 1);
            }
            let cut = self.cut_leaves();
            self.open_margin = self.standing(&self.plan.tree, Some(&cut)).open;
        }
        self.status()
    }

    /// Back to before the first sample, for another run; keeps its memory.
    pub fn reset(&mut self) {
        self.n_seen = 0;
        self.forget_verdict();
        self.nodes.iter_mut().for_each(|node| node.memory.clear());
    }

    /// Begins to judge anew at the next sample, as the first that the formula speaks of, while terms that look back keep
    /// what they have seen. For a run that forks from a shared prefix when a fault is injected. Times then count from
    /// the last sample of the past, the instant of the fork, so the first judged sample comes one period after it.
    pub fn forget_verdict(&mut self) {
        for (node, node_plan) in self.nodes.iter_mut().zip(&self.plan.nodes) {
            if !matches!(node_plan.op, Op::Predicate { .. }) {
                node.memory.clear();
            }
        }
        for (leaf, leaf_plan) in self.leaves.iter_mut().zip(&self.plan.leaves) {
            *leaf = Leaf::new(leaf_plan);
        }
        self.n_judged = 0;
        self.first_at = u64::from(self.n_seen > 0);
        self.broken_at = None;
        self.open_margin = f64::INFINITY;
        self.is_finished = false;
    }

    /// A copy that begins to judge at the next sample: see [`Self::forget_verdict`]. To reuse the memory of an older
    /// copy call `clone_from` and then `forget_verdict` on it.
    pub fn warmed(&self) -> Self {
        let mut copy = self.clone();
        copy.forget_verdict();
        copy
    }

    /// How long after a sample its verdict may come, s; infinite if only the end of the run can tell.
    pub fn horizon_s(&self) -> f64 {
        self.plan.horizon.map_or(f64::INFINITY, |samples| samples as f64 * self.plan.sample_s)
    }

    /// How far a sample's verdict looks back, s: how much of a run a fork has to have seen.
    pub fn history_s(&self) -> f64 {
        self.plan.history as f64 * self.plan.sample_s
    }

    /// The leaves as they would be with all windows cut off at the last sample.
    fn cut_leaves(&mut self) -> Vec<Cut> {
        let plan = &*self.plan;
        let last = self.n_judged - 1;
        let mut cut: Vec<Cut> = self
            .leaves
            .iter()
            .zip(&plan.leaves)
            .map(|(&all, leaf)| Cut { all, open: Leaf::new(leaf) })
            .collect();
        for now in self.n_judged..=last + plan.max_delay {
            for idx in 0..plan.nodes.len() {
                let (inputs, rest) = self.nodes.split_at_mut(idx);
                let NodePlan { op, delay } = &plan.nodes[idx];
                advance(&mut rest[0], inputs, op, plan, now, *delay, last);
            }
            for (cut, leaf_plan) in cut.iter_mut().zip(&plan.leaves) {
                if delay_of(leaf_plan, plan) + last >= now {
                    gather(&mut cut.all, leaf_plan, &self.nodes, plan, now);
                    gather(&mut cut.open, leaf_plan, &self.nodes, plan, now);
                }
            }
        }
        cut
    }

    fn standing(&self, tree: &Tree, cut: Option<&[Cut]>) -> Standing {
        match tree {
            Tree::Leaf(idx) => self.leaf_standing(*idx, cut.map(|cut| &cut[*idx])),
            Tree::All(parts) => parts.iter().map(|part| self.standing(part, cut)).fold(
                Standing { known: f64::INFINITY, cut: f64::INFINITY, open: f64::INFINITY, is_decided: true },
                |all, part| Standing {
                    known: lesser(all.known, part.known),
                    cut: lesser(all.cut, part.cut),
                    open: lesser(all.open, part.open),
                    is_decided: all.is_decided && part.is_decided,
                },
            ),
            Tree::Any(parts) => {
                let nothing = f64::NEG_INFINITY;
                let mut any = parts.iter().map(|part| self.standing(part, cut)).fold(
                    Standing { known: nothing, cut: nothing, open: f64::INFINITY, is_decided: true },
                    |any, part| Standing {
                        known: greater(any.known, part.known),
                        cut: greater(any.cut, part.cut),
                        open: f64::INFINITY,
                        is_decided: any.is_decided && part.is_decided,
                    },
                );
                if !any.is_decided {
                    any.open = any.cut;
                }
                any
            }
        }
    }

    fn leaf_standing(&self, idx: usize, cut: Option<&Cut>) -> Standing {
        let (leaf, leaf_plan) = (&self.leaves[idx], &self.plan.leaves[idx]);
        let is_past = |to: Option<u64>| {
            to.is_some_and(|to| self.n_judged > to.saturating_add(delay_of(leaf_plan, &self.plan)))
        };
        let (known, is_decided) = match *leaf_plan {
            LeafPlan::Lowest { to, .. } => (leaf.value, is_past(to)),
            LeafPlan::Highest { to, .. } => {
                let ends_with_run = self.is_finished && to.is_none() && leaf.is_begun;
                (if is_past(to) || ends_with_run { leaf.value } else { f64::INFINITY }, is_past(to))
            }
            LeafPlan::Until { sign, .. } => {
                let is_settled = sign < 0.0 || (self.is_finished && leaf.is_begun);
                let most = if is_settled { leaf.value } else { greater(leaf.value, leaf.left) };
                (sign * most, false)
            }
        };
        let (cut, open) = match (leaf_plan, cut) {
            (_, None) => (known, f64::INFINITY),
            (LeafPlan::Lowest { .. }, Some(cut)) => (cut.all.value, cut.open.value),
            (LeafPlan::Highest { .. }, Some(cut)) if is_decided => (cut.all.value, f64::INFINITY),
            (LeafPlan::Highest { .. }, Some(cut)) => (cut.all.value, cut.all.value),
            (LeafPlan::Until { sign, .. }, Some(cut)) => (sign * cut.all.value, sign * cut.all.value),
        };
        Standing { known, cut, open, is_decided }
    }
}

/// A leaf at the end of the run, windows cut off there.
struct Cut {
    /// Complete and cut windows.
    all: Leaf,
    /// Cut windows alone.
    open: Leaf,
}

/// The term of a predicate after one more value of its quantity.
fn take_in(memory: &mut Memory, term: &TermPlan, at: u64, truth: f64, sample_s: f64) -> f64 {
    match (term, memory) {
        (TermPlan::Range(window), Memory::Range { highest, highest_negative }) => {
            if !truth.is_nan() {
                highest.push(at, truth);
                highest_negative.push(at, -truth);
            }
            highest.begin_at(at.saturating_sub(*window));
            highest_negative.begin_at(at.saturating_sub(*window));
            if truth.is_nan() { truth } else { highest.value() + highest_negative.value() }
        }
        (TermPlan::Rise(window) | TermPlan::Fall(window), Memory::Highest(highest)) => {
            let sign = if matches!(term, TermPlan::Rise(_)) { -1.0 } else { 1.0 };
            if !truth.is_nan() {
                highest.push(at, sign * truth);
            }
            highest.begin_at(at.saturating_sub(*window));
            highest.value() - sign * truth
        }
        (TermPlan::Time { op, constant, .. }, Memory::Held(held)) => {
            held.push(match op {
                Comparison::Less => truth < *constant,
                Comparison::LessEqual => truth <= *constant,
                Comparison::Greater => truth > *constant,
                Comparison::GreaterEqual => truth >= *constant,
            });
            if truth.is_nan() { truth } else { held.n_held() as f64 * sample_s }
        }
        _ => truth,
    }
}

/// Moves a node that is no predicate on to step `now`, when `last` is the last sample there is (or `now` during the run).
///
/// Beyond `last` inputs bring nothing and windows shrink: that gives the robustness with intervals cut off at the end.
#[inline]
fn advance(node: &mut Node, inputs: &[Node], op: &Op, plan: &Plan, now: u64, delay: u64, last: u64) {
    let value_of = |input: usize| {
        let at = now.checked_sub(plan.nodes[input].delay)?;
        (at <= last).then_some((at, inputs[input].value))
    };
    let own = now.checked_sub(delay).filter(|&at| at <= last);
    match (op, &mut node.memory) {
        (Op::Window { input, from, highest }, Memory::Highest(window)) => {
            let sign = if *highest { 1.0 } else { -1.0 };
            if let Some((at, value)) = value_of(*input) {
                window.push(at, sign * value);
            }
            if let Some(at) = own {
                window.begin_at(at + from);
                node.value = sign * window.value();
            }
        }
        (Op::Delay { input, .. }, Memory::Line(line)) => {
            if let Some((_, value)) = value_of(*input) {
                line.push_back(value);
            }
            if own.is_some() {
                node.value = line.pop_front().unwrap_or(node.value);
            }
        }
        (Op::Join { inputs: of, highest }, _) if own.is_some() => {
            let values = of.iter().map(|&input| inputs[input].value);
            node.value = if *highest {
                values.fold(f64::NEG_INFINITY, greater)
            } else {
                values.fold(f64::INFINITY, lesser)
            };
        }
        (Op::Until { left, right, from, sign }, Memory::Until(window)) => {
            if let (Some((_, left)), Some((_, right))) = (value_of(*left), value_of(*right)) {
                window.push(sign * left, sign * right);
            }
            if let Some(at) = own {
                node.value = sign * window.value(at, *from);
            }
        }
        _ => {}
    }
}

fn delay_of(leaf: &LeafPlan, plan: &Plan) -> u64 {
    match *leaf {
        LeafPlan::Lowest { node, .. } | LeafPlan::Highest { node, .. } => plan.nodes[node].delay,
        LeafPlan::Until { left, .. } => plan.nodes[left].delay,
    }
}

/// Takes what step `now` brought into a leaf.
#[inline]
fn gather(leaf: &mut Leaf, leaf_plan: &LeafPlan, nodes: &[Node], plan: &Plan, now: u64) {
    let Some(at) = now.checked_sub(delay_of(leaf_plan, plan)) else { return };
    match *leaf_plan {
        LeafPlan::Lowest { node, from, to } => {
            if at >= from && to.is_none_or(|to| at <= to) {
                leaf.value = lesser(leaf.value, nodes[node].value);
                leaf.is_begun = true;
            }
        }
        LeafPlan::Highest { node, from, to } => {
            if at >= from && to.is_none_or(|to| at <= to) {
                leaf.value = greater(leaf.value, nodes[node].value);
                leaf.is_begun = true;
            }
        }
        LeafPlan::Until { left, right, at: begin, from, sign } => {
            if at >= begin {
                if at >= begin + from {
                    leaf.value = greater(leaf.value, lesser(leaf.left, sign * nodes[right].value));
                    leaf.is_begun = true;
                }
                leaf.left = lesser(leaf.left, sign * nodes[left].value);
            }
        }
    }
}

impl Clone for Monitor {
    fn clone(&self) -> Self {
        Self { plan: Arc::clone(&self.plan), nodes: self.nodes.clone(), leaves: self.leaves.clone(), ..*self }
    }

    fn clone_from(&mut self, source: &Self) {
        self.plan.clone_from(&source.plan);
        self.nodes.clone_from(&source.nodes);
        self.leaves.clone_from(&source.leaves);
        self.n_seen = source.n_seen;
        self.n_judged = source.n_judged;
        self.first_at = source.first_at;
        self.broken_at = source.broken_at;
        self.open_margin = source.open_margin;
        self.is_finished = source.is_finished;
    }
}
