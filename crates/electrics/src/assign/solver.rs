//! The solver: a SAT solver decides the switches, a bipartite matching places everything under them, and each failed matching teaches
//! the SAT solver the reason (a Hall set: more wishes than places) as a clause.
//!
//! Why not all in SAT: that n things do not fit into n - 1 places is the textbook formula that takes clause learning exponential time.
//! A matching sees it at once, and what it sees is already the smallest reason.

use std::collections::{BTreeMap, BTreeSet};

use batsat::{BasicSolver, Lit, SolverInterface, lbool};

use super::problem::{Problem, Switch};

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

/// A solver that keeps what it has learnt from question to question.
pub(super) struct Solver<'p> {
    problem: &'p Problem,
    sat: BasicSolver,
    lits: BTreeMap<Switch, Lit>,
    /// `count[n]`: more than n moves are made.
    count: Vec<Lit>,
    /// Matchings tried, for tests of the work done.
    pub n_matchings: u64,
}

impl<'p> Solver<'p> {
    pub(super) fn new(problem: &'p Problem) -> Self {
        let mut sat = BasicSolver::default();
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
        // One bus must stay for the others to join.
        if !problem.has_bus && !problem.joiners.is_empty() {
            let mut clause: Vec<Lit> = problem
                .joiners
                .iter()
                .filter_map(|s| lits.get(&Switch::Joined(*s)).map(|lit| !*lit))
                .collect();
            sat.add_clause_reuse(&mut clause);
        }
        let mut solver = Solver { problem, sat, lits, count: vec![], n_matchings: 0 };
        solver.build_count();
        solver
    }

    /// A sequential counter over the moves (Sinz 2005), one direction: n + 1 moves made imply `count[n]`.
    fn build_count(&mut self) {
        let moves: Vec<Lit> =
            self.lits.iter().filter(|(switch, _)| switch.is_move()).map(|(_, lit)| *lit).collect();
        let mut row: Vec<Lit> = vec![];
        for one in moves {
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
        self.count = row;
    }

    /// Places everything with these switches held, all other moves free up to `most_moves`.
    pub(super) fn solve(&mut self, held: &[(Switch, bool)], most_moves: Option<usize>) -> Answer {
        let mut assumed: Vec<Lit> = vec![];
        for (switch, on) in held {
            if let Some(lit) = self.lits.get(switch) {
                assumed.push(if *on { *lit } else { !*lit });
            }
        }
        if let Some(over) = most_moves.and_then(|most| self.count.get(most)) {
            assumed.push(!*over);
        }
        loop {
            if self.sat.solve_limited(&assumed) != lbool::TRUE {
                return Answer::Clash;
            }
            let on: BTreeSet<Switch> = (self.lits.iter())
                .filter(|(_, lit)| self.sat.value_lit(**lit) == lbool::TRUE)
                .map(|(switch, _)| *switch)
                .collect();
            self.n_matchings += 1;
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
