//! The solver: a SAT solver decides the switches, a bipartite matching places everything under them, and each failed matching teaches
//! the SAT solver the reason (a Hall set: more wishes than places) as a clause.
//!
//! Why not all in SAT: that n things do not fit into n - 1 places is the textbook formula that takes clause learning exponential time.
//! A matching sees it at once, and what it sees is already the smallest reason.

use std::cell::Cell;
use std::collections::{BTreeMap, BTreeSet};

use batsat::{Callbacks, Lit, SolverInterface, SolverOpts, lbool};

use super::problem::{Problem, Sum, Switch};

/// A placing: by demand its place; None for a void one.
pub(super) type Matching = Vec<Option<usize>>;

/// What came of a question.
pub(super) enum Answer {
    /// All is placed, under these switches.
    Fits(Matching, BTreeSet<Switch>),
    /// No way to hold the switches so.
    Clash,
}

/// More wishes than places: a smallest such set.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Clash {
    /// Positions of the demands.
    pub demands: Vec<usize>,
    /// Positions of all places that any of them may have.
    pub places: Vec<usize>,
}

/// Conflicts and placings that a question may cost, a count and no clock, so that the answer is the same on any machine.
pub(super) const MOST_EFFORT: u64 = 20_000;

/// What is left of the effort; the SAT solver asks at each conflict.
struct Effort(Cell<u64>);

impl Callbacks for Effort {
    fn stop(&self) -> bool {
        let left = self.0.get().saturating_sub(1);
        self.0.set(left);
        left == 0
    }
}

/// A solver that keeps what it has learnt from question to question.
pub(super) struct Solver<'p> {
    problem: &'p Problem,
    sat: batsat::Solver<Effort>,
    lits: BTreeMap<Switch, Lit>,
    /// `[n]`: more than n moves are made.
    moves: Vec<Lit>,
    /// `[n]`: more than n parts are added.
    parts: Vec<Lit>,
}

/// What a question holds still.
#[derive(Clone, Default)]
pub(super) struct Held {
    /// Switches that are on or off.
    pub switches: Vec<(Switch, bool)>,
    /// Most parts that are added. None: as many as there are.
    pub most_parts: Option<usize>,
    /// Most moves that are made.
    pub most_moves: Option<usize>,
}

impl<'p> Solver<'p> {
    pub(super) fn new(problem: &'p Problem) -> Self {
        let mut sat = batsat::Solver::new(SolverOpts::default(), Effort(Cell::new(MOST_EFFORT)));
        let mut lits = BTreeMap::new();
        let keep = Lit::new(sat.new_var_default(), true);
        for switch in problem.switches() {
            lits.insert(switch, Lit::new(sat.new_var_default(), true));
        }
        lits.insert(Switch::KeepApart, keep);
        for (a, b) in &problem.apart {
            if let (Some(a), Some(b)) = (lits.get(a), lits.get(b)) {
                sat.add_clause_reuse(&mut vec![!keep, *a, *b]);
            }
        }
        for (one, other) in &problem.implied {
            if let (Some(one), Some(other)) = (lits.get(one), lits.get(other)) {
                sat.add_clause_reuse(&mut vec![!*one, *other]);
            }
        }
        let mut solver = Solver { problem, sat, lits, moves: vec![], parts: vec![] };
        solver.buses();
        solver.slots();
        for sum in &problem.sums {
            solver.bound(sum);
        }
        solver.moves = solver.count(|switch| problem.is_move(switch));
        solver.parts = solver.count(Switch::is_part);
        solver
    }

    /// One bus must stay for the others to join: of those with a ROM code one, else any.
    fn buses(&mut self) {
        let problem = self.problem;
        if problem.has_bus {
            return;
        }
        for group in [&problem.joiners, &problem.coded] {
            let mut clause: Vec<Lit> =
                group.iter().filter_map(|s| self.lits.get(&Switch::Joined(*s)).map(|lit| !*lit)).collect();
            if !clause.is_empty() {
                self.sat.add_clause_reuse(&mut clause);
            }
        }
    }

    /// Of added expanders of a kind the first comes first; all of them need an address.
    fn slots(&mut self) {
        let added = |switch: &Switch| matches!(switch, Switch::Expander(..));
        let all: Vec<Switch> = self.lits.keys().copied().filter(added).collect();
        for switch in &all {
            let Switch::Expander(large, slot) = *switch else { continue };
            let before = slot.checked_sub(1).and_then(|slot| self.lits.get(&Switch::Expander(large, slot)));
            if let (Some(before), Some(this)) = (before, self.lits.get(switch)) {
                self.sat.add_clause_reuse(&mut vec![!*this, *before]);
            }
        }
        let most = self.problem.addresses.len() as u32;
        let terms = all.into_iter().map(|switch| (switch, true, 1)).collect();
        self.bound(&Sum { title: String::new(), terms, most });
    }

    /// A sum stays at or below its limit: the diagram of all partial sums that can be reached (after Een and Soerensson 2006), one
    /// literal each that says "at least so much so far". Few different amounts make few partial sums.
    fn bound(&mut self, sum: &Sum) {
        let mut terms: Vec<(Lit, u32)> = (sum.terms.iter())
            .filter(|(.., amount)| *amount > 0)
            .filter_map(|(switch, on, amount)| {
                let lit = *self.lits.get(switch)?;
                Some((if *on { lit } else { !lit }, *amount))
            })
            .collect();
        if terms.iter().map(|(_, amount)| u64::from(*amount)).sum::<u64>() <= u64::from(sum.most) {
            return;
        }
        terms.sort_by_key(|(_, amount)| std::cmp::Reverse(*amount));
        // By partial sum the literal that it is reached; the empty sum always is.
        let mut row: BTreeMap<u32, Option<Lit>> = BTreeMap::from([(0, None)]);
        for (counts, amount) in terms {
            let mut next: BTreeMap<u32, Option<Lit>> = row.clone();
            for (so_far, reached) in row {
                let mut clause = vec![!counts];
                clause.extend(reached.map(|lit| !lit));
                let total = so_far.saturating_add(amount);
                if total <= sum.most {
                    let lit = match next.get(&total).copied().flatten() {
                        // A literal of the row before must not be strengthened: it takes one of its own.
                        Some(old) => {
                            let lit = Lit::new(self.sat.new_var_default(), true);
                            self.sat.add_clause_reuse(&mut vec![!old, lit]);
                            lit
                        }
                        None => Lit::new(self.sat.new_var_default(), true),
                    };
                    next.insert(total, Some(lit));
                    clause.push(lit);
                }
                self.sat.add_clause_reuse(&mut clause);
            }
            row = next;
        }
    }

    /// A sequential counter over switches (Sinz 2005), one direction: n + 1 of them on imply `[n]`.
    fn count(&mut self, is_counted: impl Fn(Switch) -> bool) -> Vec<Lit> {
        let counted: Vec<Lit> =
            self.lits.iter().filter(|(switch, _)| is_counted(**switch)).map(|(_, lit)| *lit).collect();
        let mut row: Vec<Lit> = vec![];
        for one in counted {
            let mut next: Vec<Lit> = vec![];
            for n in 0..=row.len() {
                let out = Lit::new(self.sat.new_var_default(), true);
                if let Some(same) = row.get(n) {
                    self.sat.add_clause_reuse(&mut vec![!*same, out]);
                }
                let carried = n.checked_sub(1).and_then(|n| row.get(n).copied());
                match carried {
                    Some(carried) => self.sat.add_clause_reuse(&mut vec![!carried, !one, out]),
                    None => self.sat.add_clause_reuse(&mut vec![!one, out]),
                };
                next.push(out);
            }
            row = next;
        }
        row
    }

    /// Begins to count anew.
    pub(super) fn allow(&mut self, effort: u64) {
        self.sat.cb_mut().0.set(effort);
    }

    /// Whether a clash may have been called so for want of effort.
    pub(super) fn is_spent(&self) -> bool {
        self.sat.cb().0.get() == 0
    }

    /// Places everything with what is held.
    pub(super) fn solve(&mut self, held: &Held) -> Answer {
        let mut assumed: Vec<Lit> = vec![];
        for (switch, on) in &held.switches {
            if let Some(lit) = self.lits.get(switch) {
                assumed.push(if *on { *lit } else { !*lit });
            }
        }
        for (most, over) in [(held.most_moves, &self.moves), (held.most_parts, &self.parts)] {
            assumed.extend(most.and_then(|most| over.get(most)).map(|over| !*over));
        }
        loop {
            if self.sat.solve_limited(&assumed) != lbool::TRUE {
                return Answer::Clash;
            }
            let on: BTreeSet<Switch> = (self.lits.iter())
                .filter(|(_, lit)| self.sat.value_lit(**lit) == lbool::TRUE)
                .map(|(switch, _)| *switch)
                .collect();
            if self.sat.cb().stop() {
                return Answer::Clash;
            }
            match matching(self.problem, &on) {
                Ok(placed) => return Answer::Fits(placed, on),
                Err(clash) => {
                    let mut clause = self.lesson(&clash, &on);
                    if !self.sat.add_clause_reuse(&mut clause) {
                        return Answer::Clash;
                    }
                }
            }
        }
    }

    /// What would have to change for the clash to go away: one of the wishes void, or a place more for one of them.
    fn lesson(&self, clash: &Clash, on: &BTreeSet<Switch>) -> Vec<Lit> {
        let mut clause = BTreeSet::new();
        for demand in &clash.demands {
            let demand = &self.problem.demands[*demand];
            clause.extend(demand.void.and_then(|switch| self.lits.get(&switch)).copied());
            for (place, guards) in &demand.edges {
                if clash.places.contains(place) {
                    continue;
                }
                // The edge is shut, so one of its conditions does not hold; it would have to.
                let shut = guards.iter().find(|(switch, wanted)| on.contains(switch) != *wanted);
                if let Some((switch, wanted)) = shut
                    && let Some(lit) = self.lits.get(switch)
                {
                    clause.insert(if *wanted { *lit } else { !*lit });
                }
            }
        }
        clause.into_iter().collect()
    }
}

/// Places by augmenting paths (Kuhn), the most bound first. An error is a smallest set that does not fit: all that one wish without a
/// place can reach by moving others.
pub(super) fn matching(problem: &Problem, on: &BTreeSet<Switch>) -> Result<Matching, Clash> {
    let n = problem.demands.len();
    let open: Vec<Vec<usize>> = (problem.demands.iter())
        .map(|demand| {
            if demand.void.is_some_and(|switch| on.contains(&switch)) {
                return vec![];
            }
            let edges = demand.edges.iter();
            edges
                .filter(|(_, guards)| guards.iter().all(|(switch, wanted)| on.contains(switch) == *wanted))
                .map(|(place, _)| *place)
                .collect()
        })
        .collect();
    let mut order: Vec<usize> =
        (0..n).filter(|d| !problem.demands[*d].void.is_some_and(|switch| on.contains(&switch))).collect();
    // Needs that only pins can meet go first, so that the rest finds its lines at the first try; within a need in file order.
    order
        .sort_by_key(|d| (open[*d].len() > 1, problem.demands[*d].need == super::problem::Need::Contact, *d));
    let mut holder: Vec<Option<usize>> = vec![None; problem.places.len()];
    let mut placed: Matching = vec![None; n];
    for d in order {
        let mut seen = vec![false; problem.places.len()];
        if augment(d, &open, &mut holder, &mut placed, &mut seen) {
            continue;
        }
        let places: Vec<usize> = (0..seen.len()).filter(|place| seen[*place]).collect();
        let mut demands: Vec<usize> = places.iter().filter_map(|place| holder[*place]).collect();
        demands.push(d);
        demands.sort_unstable();
        return Err(Clash { demands, places });
    }
    Ok(placed)
}

/// Finds a place for a wish, moving others where it must; without recursion, for a chain may be as long as there are wishes.
fn augment(
    root: usize,
    open: &[Vec<usize>],
    holder: &mut [Option<usize>],
    placed: &mut Matching,
    seen: &mut [bool],
) -> bool {
    let mut queue = std::collections::VecDeque::from([root]);
    let mut came_from: BTreeMap<usize, usize> = BTreeMap::new();
    while let Some(d) = queue.pop_front() {
        for place in &open[d] {
            if std::mem::replace(&mut seen[*place], true) {
                continue;
            }
            came_from.insert(*place, d);
            let Some(other) = holder[*place] else {
                let mut place = *place;
                loop {
                    let Some(d) = came_from.get(&place).copied() else { return true };
                    let before = placed[d].replace(place);
                    holder[place] = Some(d);
                    match before {
                        Some(before) => place = before,
                        None => return true,
                    }
                }
            };
            queue.push_back(other);
        }
    }
    false
}
