//! Makes a program smaller without changing any value, quality or decision. Each step is small and says why it may be done;
//! `tests/meaning.rs` holds all of them against the direct reading of random conditions.

use std::collections::HashMap;

use program::op::{Arithmetic, DAY_MS, Doubt, Operand, Relation};
use program::{BitRef, NumRef, Op};

use crate::graph::{BitDef, Graph, MOST_OPERANDS, NumberDef, map_operands};
use crate::layout::{Layout, Uses};

/// Conjunctions among which common parts are looked for; a larger program gains little and would take long.
const MOST_SHARING: usize = 96;

impl Layout<'_, '_> {
    pub(crate) fn reduce(&mut self) {
        self.flatten();
        self.drop_heard_doubts();
        self.each_conjunction(drop_implied);
        self.each_conjunction(merge_comparisons);
        self.each_conjunction(join_bands);
        self.share_parts();
    }

    /// Takes conjunctions that only one other conjunction uses into that one.
    fn flatten(&mut self) {
        let uses = self.uses();
        let bits = &mut self.lowering.graph.bits;
        for index in 0..bits.len() {
            let BitDef::All(parts) = &bits[index] else { continue };
            let mut parts = parts.clone();
            let mut at = 0;
            while at < parts.len() {
                let part = parts[at];
                match &bits[part.index()] {
                    BitDef::All(inner)
                        if !part.is_negated()
                            && uses.bits[part.index()] == 1
                            && parts.len() - 1 + inner.len() <= MOST_OPERANDS =>
                    {
                        let inner = inner.clone();
                        parts.splice(at..=at, inner);
                    }
                    _ => at += 1,
                }
            }
            tidy(&mut parts);
            bits[index] = BitDef::All(parts);
        }
    }

    /// `x > 5 or bad(x)`, where it is read by something that looks at the value only while the quality is not bad: with `x` bad the
    /// comparison makes the whole bad already, with `x` not bad the doubt adds nothing. All that acts on the outside reads so.
    fn drop_heard_doubts(&mut self) {
        let uses = self.uses();
        let mut by_roots = vec![0; uses.bits.len()];
        self.for_each_acting_root(&mut |operand| {
            if let Operand::Bit(slot) = operand {
                by_roots[slot.index()] += 1;
            }
        });
        let graph = &self.lowering.graph;
        let mut changed = vec![];
        for (index, definition) in graph.bits.iter().enumerate() {
            let BitDef::All(parts) = definition else { continue };
            if uses.bits[index] == 0 || by_roots[index] < uses.bits[index] {
                continue;
            }
            let is_heard = |part: &BitRef| {
                let Some(of) = doubted(graph, *part) else { return false };
                parts.iter().any(|other| other != part && carries(graph, Operand::Bit(*other), of))
            };
            let left: Vec<BitRef> = parts.iter().copied().filter(|part| !is_heard(part)).collect();
            if left.len() < parts.len() {
                changed.push((index, left));
            }
        }
        self.replace(changed);
    }

    fn each_conjunction(&mut self, change: fn(&mut Graph, &Uses, &[BitRef]) -> Option<Vec<BitRef>>) {
        let uses = self.uses();
        let mut changed = vec![];
        for index in 0..uses.bits.len() {
            let BitDef::All(parts) = &self.lowering.graph.bits[index] else { continue };
            let parts = parts.clone();
            if uses.bits[index] > 0
                && let Some(left) = change(&mut self.lowering.graph, &uses, &parts)
            {
                changed.push((index, left));
            }
        }
        self.replace(changed);
    }

    /// Computes once what several conjunctions have in common, where that saves bytes; the best saving first.
    fn share_parts(&mut self) {
        loop {
            let uses = self.uses();
            let graph = &mut self.lowering.graph;
            let lists: Vec<(usize, Vec<BitRef>)> = (0..uses.bits.len())
                .filter(|index| uses.bits[*index] > 0)
                .filter_map(|index| match &graph.bits[index] {
                    BitDef::All(parts) => Some((index, parts.clone())),
                    _ => None,
                })
                .collect();
            if lists.len() > MOST_SHARING {
                return;
            }
            let Some(common) = best_common(&lists) else { return };
            let existing =
                lists.iter().find(|(_, parts)| *parts == common).map(|(index, _)| BitRef(*index as u16));
            let shared = existing.unwrap_or_else(|| graph.bit(BitDef::All(common.clone())));
            if graph.is_overfull {
                return;
            }
            for (index, mut parts) in lists {
                if parts != common && contains(&parts, &common) {
                    parts.retain(|part| !common.contains(part));
                    parts.push(shared);
                    tidy(&mut parts);
                    graph.bits[index] = BitDef::All(parts);
                }
            }
        }
    }

    /// Gives conjunctions new parts; one with a single part left is replaced by that part wherever it is read.
    fn replace(&mut self, changed: Vec<(usize, Vec<BitRef>)>) {
        let mut aliases: HashMap<usize, BitRef> = HashMap::new();
        for (index, mut parts) in changed {
            tidy(&mut parts);
            match parts.as_slice() {
                [] => _ = aliases.insert(index, BitRef::TRUE),
                [only] => _ = aliases.insert(index, *only),
                _ => self.lowering.graph.bits[index] = BitDef::All(parts),
            }
        }
        if aliases.is_empty() {
            return;
        }
        let resolve = |slot: BitRef| {
            let mut slot = slot;
            while let Some(alias) = aliases.get(&slot.index()) {
                slot = if slot.is_negated() { !*alias } else { *alias };
            }
            slot
        };
        let map = |op: &Op| map_operands(op, &mut |slot| resolve(slot), &mut |slot| slot);
        for definition in &mut self.lowering.graph.bits {
            match definition {
                BitDef::Op(op) => *op = map(op),
                BitDef::All(parts) => {
                    parts.iter_mut().for_each(|part| *part = resolve(*part));
                    tidy(parts);
                }
                _ => {}
            }
        }
        for definition in &mut self.lowering.graph.numbers {
            if let NumberDef::Op(op) = definition {
                *op = map(op);
            }
        }
        for slot in self.lowering.bit_of.iter_mut().flatten() {
            *slot = resolve(*slot);
        }
        self.map_acting_roots(&map, &resolve);
    }
}

fn tidy(parts: &mut Vec<BitRef>) {
    parts.sort_by_key(|part| (part.index(), part.is_negated()));
    parts.dedup();
}

fn contains(parts: &[BitRef], wanted: &[BitRef]) -> bool {
    wanted.iter().all(|part| parts.contains(part))
}

/// Bytes of an `all` or `any` in a narrow program.
fn n_bytes(n_parts: usize) -> usize {
    1 + n_parts + usize::from(n_parts > 4)
}

/// The parts whose sharing saves most.
fn best_common(lists: &[(usize, Vec<BitRef>)]) -> Option<Vec<BitRef>> {
    let mut best: Option<(usize, Vec<BitRef>)> = None;
    for (position, (_, a)) in lists.iter().enumerate() {
        for (_, b) in &lists[position + 1..] {
            let common: Vec<BitRef> = a.iter().copied().filter(|part| b.contains(part)).collect();
            if common.len() < 2 {
                continue;
            }
            let mut saved = 0;
            let mut cost = n_bytes(common.len());
            for (_, parts) in lists {
                if *parts == common {
                    cost = 0;
                } else if contains(parts, &common) {
                    saved += n_bytes(parts.len()) - n_bytes(parts.len() - common.len() + 1);
                }
            }
            if saved > cost && best.as_ref().is_none_or(|(most, _)| saved - cost > *most) {
                best = Some((saved - cost, common));
            }
        }
    }
    best.map(|(_, common)| common)
}

/// What a negated quality test asks about.
fn doubted(graph: &Graph, part: BitRef) -> Option<Operand> {
    match graph.of_bit(part) {
        BitDef::Op(Op::QualityTest(Doubt::NumberBad(of))) if part.is_negated() => Some(Operand::Number(*of)),
        BitDef::Op(Op::QualityTest(Doubt::BitBad(of))) if part.is_negated() => Some(Operand::Bit(*of)),
        _ => None,
    }
}

/// Whether a value is bad whenever `of` is: both are the same, or only operations that pass the worst quality on stand between.
fn carries(graph: &Graph, value: Operand, of: Operand) -> bool {
    let same = match (value, of) {
        (Operand::Bit(a), Operand::Bit(b)) => a.index() == b.index(),
        (Operand::Number(a), Operand::Number(b)) => a == b,
        _ => false,
    };
    if same {
        return true;
    }
    let op = match value {
        Operand::Bit(slot) => match graph.of_bit(slot) {
            BitDef::All(parts) => return parts.iter().any(|part| carries(graph, Operand::Bit(*part), of)),
            BitDef::Op(op) => op,
            _ => return false,
        },
        Operand::Number(slot) => match &graph.numbers[slot.index()] {
            NumberDef::Op(op) => op,
            _ => return false,
        },
    };
    let passes_worst = matches!(
        op,
        Op::Compare { .. }
            | Op::CompareSlots { .. }
            | Op::Disagree { .. }
            | Op::Window { .. }
            | Op::Arithmetic { .. }
            | Op::Scale { .. }
    );
    let mut found = false;
    if passes_worst {
        op.for_each_operand(|operand| found |= carries(graph, operand, of));
    }
    found
}

/// Where a part of a conjunction holds, of one input.
enum Extent {
    /// From this value on.
    From(NumRef, i64),
    /// Below this value.
    Below(NumRef, i64),
    /// From a time of day for so long, ms.
    Daily(NumRef, i32, i32),
}

fn extent(graph: &Graph, part: BitRef) -> Option<Extent> {
    match graph.of_bit(part) {
        BitDef::Op(Op::Compare { relation, input, limit }) => {
            let from = match relation {
                Relation::Above => i64::from(*limit) + 1,
                Relation::AtLeast => i64::from(*limit),
                Relation::Equal => return None,
            };
            Some(if part.is_negated() { Extent::Below(*input, from) } else { Extent::From(*input, from) })
        }
        BitDef::Op(Op::Window { time, from_ms, to_ms }) if from_ms != to_ms => {
            let (from, to) = if part.is_negated() { (*to_ms, *from_ms) } else { (*from_ms, *to_ms) };
            Some(Extent::Daily(*time, from, (to - from).rem_euclid(DAY_MS)))
        }
        _ => None,
    }
}

/// Parts that another one of the same input implies; the input's quality stays with the other.
fn drop_implied(graph: &mut Graph, _: &Uses, parts: &[BitRef]) -> Option<Vec<BitRef>> {
    let implies = |a: BitRef, b: BitRef| match (extent(graph, a), extent(graph, b)) {
        (Some(Extent::From(x, from)), Some(Extent::From(y, wider))) => x == y && from >= wider,
        (Some(Extent::Below(x, below)), Some(Extent::Below(y, wider))) => x == y && below <= wider,
        (Some(Extent::Daily(x, from, lasts)), Some(Extent::Daily(y, wider, longer))) => {
            x == y && (from - wider).rem_euclid(DAY_MS) + lasts <= longer
        }
        _ => false,
    };
    let mut left = parts.to_vec();
    let mut at = 0;
    while at < left.len() {
        let part = left[at];
        if left.iter().any(|other| *other != part && implies(*other, part)) {
            left.remove(at);
        } else {
            at += 1;
        }
    }
    (left.len() < parts.len()).then_some(left)
}

/// `a < 5 and b < 5` is `max(a, b) < 5`, whose quality is the worst of both as well: an operation of three bytes for one of four and
/// an operand.
fn merge_comparisons(graph: &mut Graph, uses: &Uses, parts: &[BitRef]) -> Option<Vec<BitRef>> {
    type Key = (Relation, i32, bool);
    let comparison = |graph: &Graph, part: BitRef| match graph.of_bit(part) {
        BitDef::Op(Op::Compare { relation, input, limit }) if uses.bits.get(part.index()) == Some(&1) => {
            Some(((*relation, *limit, part.is_negated()), *input))
        }
        _ => None,
    };
    let mut groups: Vec<(Key, Vec<NumRef>)> = vec![];
    let mut left = vec![];
    for part in parts {
        match comparison(graph, *part) {
            None => left.push(*part),
            Some((key, input)) => match groups.iter_mut().find(|(other, _)| *other == key) {
                Some((_, inputs)) => inputs.push(input),
                None => groups.push((key, vec![input])),
            },
        }
    }
    if groups.iter().all(|(_, inputs)| inputs.len() < 2) {
        return None;
    }
    for ((relation, limit, is_negated), inputs) in groups {
        if relation == Relation::Equal && inputs.len() > 1 {
            return None;
        }
        let kind = if is_negated { Arithmetic::Maximum } else { Arithmetic::Minimum };
        let (first, rest) = inputs.split_first()?;
        let input = rest.iter().fold(*first, |a, b| graph.number_op(Op::Arithmetic { kind, a, b: *b }));
        let merged = graph.op(Op::Compare { relation, input, limit });
        left.push(if is_negated { !merged } else { merged });
    }
    (!graph.is_overfull).then_some(left)
}

/// `x >= 4 and x <= 8` is "x is not more than 2 away from 6", which takes a constant and one operation for two and an operand.
fn join_bands(graph: &mut Graph, uses: &Uses, parts: &[BitRef]) -> Option<Vec<BitRef>> {
    let is_own = |part: &BitRef| uses.bits.get(part.index()) == Some(&1);
    let own: Vec<BitRef> = parts.iter().copied().filter(is_own).collect();
    for (position, one) in own.iter().enumerate() {
        for other in &own[position + 1..] {
            let (input, from, below) = match (extent(graph, *one), extent(graph, *other)) {
                (Some(Extent::From(x, from)), Some(Extent::Below(y, below)))
                | (Some(Extent::Below(x, below)), Some(Extent::From(y, from)))
                    if x == y =>
                {
                    (x, from, below)
                }
                _ => continue,
            };
            let (sum, width) = (from + below - 1, below - 1 - from);
            let middle = i32::try_from(sum / 2).ok()?;
            let limit = i32::try_from(width / 2).ok()?;
            if sum % 2 != 0 || width < 0 {
                continue;
            }
            let b = graph.number_op(Op::Constant(middle));
            let outside = graph.op(Op::Disagree { a: input, b, limit });
            let mut left: Vec<BitRef> =
                parts.iter().copied().filter(|part| part != one && part != other).collect();
            left.push(!outside);
            return (!graph.is_overfull).then_some(left);
        }
    }
    None
}
