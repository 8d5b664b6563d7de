//! In which order a program's operations stand.
//!
//! Computations, alarms, trips, procedures, final stages. So whatever reads a state of an actuator, a latch or a procedure stands
//! before it and sees the last scan's. The exceptions are made explicit here: a final stage sees its own latches of this scan, and
//! where a latch or a final stage would see another's state of this scan it gets a copy taken before.

use std::collections::HashMap;

use program::op::{Operand, Stage, StepEnd};
use program::{BitRef, Op};
use system::model::ActuatorIdx;

use crate::graph::{BitDef, Graph, NumberDef, map_operands};
use crate::layout::{Layout, Uses};

/// Which operation stands where.
pub(crate) enum Item {
    Bit(usize),
    Number(usize),
    Alarm(usize),
    Trip(usize),
    AnyTrip(ActuatorIdx),
    Procedure(usize),
    Drive(ActuatorIdx),
}

impl Layout<'_, '_> {
    /// Operands of a final stage that are states of actuators.
    fn drives_read(&self, actuator: ActuatorIdx) -> Vec<ActuatorIdx> {
        let Some(op) = &self.plan.drives[actuator.idx()] else { return vec![] };
        let mut all = vec![];
        op.for_each_operand(|operand| {
            if let Operand::Bit(slot) = operand
                && let BitDef::Drive(other) = self.lowering.graph.of_bit(slot)
                && *other != actuator
            {
                all.push(*other);
            }
        });
        all
    }

    /// File order, but each final stage before those whose state it reads directly, as far as that goes without copies.
    pub(crate) fn order_drives(&self) -> Vec<ActuatorIdx> {
        let mut waiting: Vec<ActuatorIdx> = (0..self.plan.drives.len())
            .map(ActuatorIdx)
            .filter(|a| self.plan.drives[a.idx()].is_some())
            .collect();
        let mut readers: HashMap<ActuatorIdx, usize> = HashMap::new();
        let reads: Vec<Vec<ActuatorIdx>> =
            (0..self.plan.drives.len()).map(|actuator| self.drives_read(ActuatorIdx(actuator))).collect();
        for read in reads.iter().flatten() {
            *readers.entry(*read).or_default() += 1;
        }
        let mut order = vec![];
        while !waiting.is_empty() {
            let free = waiting.iter().position(|actuator| readers.get(actuator).is_none_or(|n| *n == 0));
            let next = waiting.remove(free.unwrap_or(0));
            for read in &reads[next.idx()] {
                if let Some(n) = readers.get_mut(read) {
                    *n -= 1;
                }
            }
            order.push(next);
        }
        order
    }

    pub(crate) fn copy_what_would_be_early(&mut self) {
        let graph = &mut self.lowering.graph;
        let mut copy = |slot: BitRef, is_early: &dyn Fn(&BitDef) -> bool| {
            if !is_early(graph.of_bit(slot)) {
                return slot;
            }
            let copy = graph.bit(BitDef::Copy(BitRef(slot.index() as u16)));
            if slot.is_negated() { !copy } else { copy }
        };
        let tripped = |definition: &BitDef| matches!(definition, BitDef::Tripped(_));
        for trip in &mut self.plan.trips {
            trip.op = map_operands(&trip.op, &mut |slot| copy(slot, &tripped), &mut |slot| slot);
        }
        for step in self.plan.procedures.iter_mut().flatten() {
            if let StepEnd::When(slot) = &mut step.end {
                *slot = copy(*slot, &tripped);
            }
        }
        for (position, actuator) in self.drive_order.iter().enumerate() {
            let before = &self.drive_order[..position];
            let early = |definition: &BitDef| match definition {
                BitDef::Tripped(_) => true,
                BitDef::Drive(other) => before.contains(other),
                _ => false,
            };
            if let Some(op) = &mut self.plan.drives[actuator.idx()] {
                *op = map_operands(op, &mut |slot| copy(slot, &early), &mut |slot| slot);
            }
        }
        // Its own latches act on an actuator within the scan, so this operand comes after the copies.
        let tripping: Vec<ActuatorIdx> = self.plan.trips.iter().map(|trip| trip.actuator).collect();
        for actuator in tripping {
            let latched = self.lowering.graph.bit(BitDef::Tripped(actuator));
            if let Some(Op::Drive { stage, .. } | Op::DriveDuty { stage, .. }) =
                &mut self.plan.drives[actuator.idx()]
            {
                *stage = Stage { trip: latched, ..*stage };
            }
        }
    }

    /// All operations in order. Definitions are made after what they read, so their own order will do.
    pub(crate) fn items(&self, uses: &Uses) -> Vec<Item> {
        let graph = &self.lowering.graph;
        let mut items = vec![];
        let n_definitions = graph.bits.len() + graph.numbers.len();
        let mut order: Vec<(usize, Item)> = Vec::with_capacity(n_definitions);
        let depth = Depth::of(graph);
        for (index, definition) in graph.bits.iter().enumerate() {
            if uses.bits[index] > 0 && matches!(definition, BitDef::Op(_) | BitDef::All(_) | BitDef::Copy(_))
            {
                order.push((depth.bits[index], Item::Bit(index)));
            }
        }
        for (index, definition) in graph.numbers.iter().enumerate() {
            if uses.numbers[index] > 0 && matches!(definition, NumberDef::Op(_)) {
                order.push((depth.numbers[index], Item::Number(index)));
            }
        }
        order.sort_by_key(|(depth, _)| *depth);
        items.extend(order.into_iter().map(|(_, item)| item));
        items.extend((0..self.plan.alarms.len()).map(Item::Alarm));
        for (index, trip) in self.plan.trips.iter().enumerate() {
            items.push(Item::Trip(index));
            let is_last = self.plan.trips.get(index + 1).is_none_or(|next| next.actuator != trip.actuator);
            let is_first = index == 0 || self.plan.trips[index - 1].actuator != trip.actuator;
            if is_last && !is_first {
                items.push(Item::AnyTrip(trip.actuator));
            }
        }
        items.extend((0..self.plan.procedures.len()).map(Item::Procedure));
        items.extend(self.drive_order.iter().copied().map(Item::Drive));
        items
    }
}

/// How many operations stand between a definition and the inputs, at most: an order in which each stands behind what it reads,
/// and which keeps the order of the file otherwise.
struct Depth {
    bits: Vec<usize>,
    numbers: Vec<usize>,
}

impl Depth {
    fn of(graph: &Graph) -> Depth {
        let mut depth = Depth { bits: vec![0; graph.bits.len()], numbers: vec![0; graph.numbers.len()] };
        // Definitions of either bank read earlier ones of their own bank and any of the other, so a few rounds settle it.
        loop {
            let mut changed = false;
            for index in 0..graph.numbers.len() {
                if let NumberDef::Op(op) = &graph.numbers[index] {
                    changed |= raise(depth.below(op), &mut depth.numbers[index]);
                }
            }
            for index in 0..graph.bits.len() {
                let below = match &graph.bits[index] {
                    BitDef::Op(op) => depth.below(op),
                    BitDef::All(parts) => {
                        parts.iter().map(|part| depth.bits[part.index()]).max().unwrap_or(0)
                    }
                    _ => continue,
                };
                changed |= raise(below, &mut depth.bits[index]);
            }
            if !changed {
                return depth;
            }
        }
    }

    fn below(&self, op: &Op) -> usize {
        let mut most = 0;
        op.for_each_operand(|operand| {
            most = most.max(match operand {
                Operand::Bit(slot) => self.bits[slot.index()],
                Operand::Number(slot) => self.numbers[slot.index()],
            });
        });
        most
    }
}

fn raise(below: usize, depth: &mut usize) -> bool {
    let wanted = below + 1;
    let changed = *depth < wanted;
    *depth = (*depth).max(wanted);
    changed
}
