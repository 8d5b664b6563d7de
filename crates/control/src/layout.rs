//! From the graph to bytes: what is alive, in which slots; `order` says in which order.

use std::collections::HashMap;

use program::assembler::{Header, StepPlan};
use program::op::{BitList, Force, Operand, StepEnd};
use program::zone::Zone;
use program::{Assembler, BitRef, NumRef, Op, Program};
use system::Diagnostic;
use system::model::{ActuatorIdx, ProcedureIdx, SensorIdx, SignalIdx};

use crate::graph::{BitDef, NumberDef, map_operands};
use crate::listing::Names;
use crate::lower::{Lowering, Plan, true_when_closed};
use crate::order::Item;
use crate::{Compiled, Input, InputPlace, Slot, Trip, listing};

/// Where definitions stand in the program.
#[derive(Default)]
struct Places {
    bits: HashMap<usize, BitRef>,
    numbers: HashMap<usize, NumRef>,
}

impl Places {
    fn bit(&self, slot: BitRef) -> BitRef {
        let place = self.bits.get(&slot.index()).copied().unwrap_or(BitRef::FALSE);
        if slot.is_negated() { !place } else { place }
    }

    fn number(&self, slot: NumRef) -> NumRef {
        self.numbers.get(&slot.index()).copied().unwrap_or(NumRef(0))
    }
}

/// What of the graph is used, and how often.
pub(crate) struct Uses {
    pub bits: Vec<u32>,
    pub numbers: Vec<u32>,
}

pub(crate) struct Layout<'l, 's> {
    pub lowering: &'l mut Lowering<'s>,
    pub plan: Plan,
    pub drive_order: Vec<ActuatorIdx>,
}

impl<'l, 's> Layout<'l, 's> {
    pub(crate) fn new(lowering: &'l mut Lowering<'s>, plan: Plan) -> Self {
        Layout { lowering, plan, drive_order: vec![] }
    }

    pub(crate) fn compile(mut self) -> Option<Compiled> {
        self.drive_order = self.order_drives();
        self.copy_what_would_be_early();
        if self.lowering.graph.is_overfull {
            return self.too_large("it has more operations than a control program can hold");
        }
        let zone = self.zone()?;
        self.reduce();
        if self.lowering.graph.is_overfull {
            return self.too_large("it has more operations than a control program can hold");
        }
        let uses = self.uses();
        let inputs = self.inputs(&uses);
        if inputs.len() > usize::from(u8::MAX) || self.drive_order.len() > 128 {
            return self.too_large("it has more than 255 inputs or 128 outputs");
        }
        let items = self.items(&uses);
        let places = self.places(&inputs, &items);
        for wide in [false, true] {
            match self.assemble(&inputs, &items, &places, zone, wide) {
                Ok(bytes) => return self.finish(bytes, inputs, &items, &places),
                Err(error) if wide => {
                    let reason = error.to_string();
                    return self.too_large(&reason);
                }
                Err(_) => {}
            }
        }
        None
    }

    fn too_large(&mut self, reason: &str) -> Option<Compiled> {
        self.lowering.findings.push(
            Diagnostic::error("program-not-possible", "the rules do not fit a control program")
                .note(reason)
                .help("take out signals, alarms or rules, or leave some to a second board"),
        );
        None
    }

    fn zone(&mut self) -> Option<Zone> {
        match Zone::parse(&self.lowering.system.timezone) {
            Ok(zone) => Some(zone),
            Err(error) => {
                let finding = Diagnostic::error(
                    "zone-not-on-board",
                    format!("the board cannot keep this time zone: {error}"),
                )
                .help("write a POSIX rule such as CET-1CEST,M3.5.0,M10.5.0/3");
                self.lowering.report(finding, "system.timezone", "");
                None
            }
        }
    }

    /// Calls back for every operand of what acts on the outside.
    pub(crate) fn for_each_acting_root(&self, visit: &mut dyn FnMut(Operand)) {
        let plan = &self.plan;
        let trips = plan.trips.iter().map(|trip| &trip.op);
        for op in plan.alarms.iter().chain(trips).chain(plan.drives.iter().flatten()) {
            op.for_each_operand(&mut *visit);
        }
        for step in plan.procedures.iter().flatten() {
            if let StepEnd::When(slot) = step.end {
                visit(Operand::Bit(slot));
            }
        }
    }

    /// Replaces the operands of what acts on the outside.
    pub(crate) fn map_acting_roots(&mut self, op: &dyn Fn(&Op) -> Op, bit: &dyn Fn(BitRef) -> BitRef) {
        let trips = self.plan.trips.iter_mut().map(|trip| &mut trip.op);
        for root in self.plan.alarms.iter_mut().chain(trips).chain(self.plan.drives.iter_mut().flatten()) {
            *root = op(root);
        }
        for step in self.plan.procedures.iter_mut().flatten() {
            if let StepEnd::When(slot) = &mut step.end {
                *slot = bit(*slot);
            }
        }
    }

    /// Calls back for everything that must be computed: what acts on the outside, and the signals that are to be kept.
    fn for_each_root(&self, visit: &mut dyn FnMut(Operand)) {
        self.for_each_acting_root(visit);
        for signal in self.lowering.system.panel.signals() {
            self.lowering.bit_of[signal.idx()].into_iter().for_each(|slot| visit(Operand::Bit(slot)));
            self.lowering.number_of[signal.idx()].into_iter().for_each(|slot| visit(Operand::Number(slot)));
        }
        self.lowering.clock.into_iter().for_each(|slot| visit(Operand::Number(slot)));
        if self.lowering.options.keep_all_signals {
            self.lowering.bit_of.iter().flatten().for_each(|slot| visit(Operand::Bit(*slot)));
            self.lowering.number_of.iter().flatten().for_each(|slot| visit(Operand::Number(*slot)));
        }
    }

    pub(crate) fn uses(&self) -> Uses {
        let graph = &self.lowering.graph;
        let mut uses = Uses { bits: vec![0; graph.bits.len()], numbers: vec![0; graph.numbers.len()] };
        let mut open = vec![];
        self.for_each_root(&mut |operand| open.push(operand));
        while let Some(operand) = open.pop() {
            let is_new = match operand {
                Operand::Bit(slot) => {
                    uses.bits[slot.index()] += 1;
                    uses.bits[slot.index()] == 1
                }
                Operand::Number(slot) => {
                    uses.numbers[slot.index()] += 1;
                    uses.numbers[slot.index()] == 1
                }
            };
            if !is_new {
                continue;
            }
            let op = match operand {
                Operand::Bit(slot) => match graph.of_bit(slot) {
                    BitDef::Op(op) => op,
                    BitDef::All(parts) => {
                        open.extend(parts.iter().map(|part| Operand::Bit(*part)));
                        continue;
                    }
                    BitDef::Copy(of) => {
                        open.push(Operand::Bit(*of));
                        continue;
                    }
                    _ => continue,
                },
                Operand::Number(slot) => match &graph.numbers[slot.index()] {
                    NumberDef::Op(op) => op,
                    _ => continue,
                },
            };
            op.for_each_operand(|operand| open.push(operand));
        }
        uses
    }

    /// Inputs that are used, numbers first, each kind in the order of sensors.
    fn inputs(&self, uses: &Uses) -> Vec<Input> {
        let graph = &self.lowering.graph;
        let mut bits: Vec<SensorIdx> = vec![];
        let mut numbers: Vec<SensorIdx> = vec![];
        for (definition, uses) in graph.bits.iter().zip(&uses.bits) {
            if let (BitDef::Input(sensor), 1..) = (definition, uses) {
                bits.push(*sensor);
            }
        }
        for (definition, uses) in graph.numbers.iter().zip(&uses.numbers) {
            if let (NumberDef::Input(sensor), 1..) = (definition, uses) {
                numbers.push(*sensor);
            }
        }
        bits.sort_unstable();
        numbers.sort_unstable();
        let numbers = numbers.into_iter().enumerate().map(|(order, sensor)| {
            let place = InputPlace::Number(order.min(255) as u8);
            Input { sensor, place }
        });
        let bits = bits.into_iter().enumerate().map(|(order, sensor)| {
            let kind = &self.lowering.system.sensors[sensor.idx()].kind;
            let true_when_closed = true_when_closed(kind).unwrap_or(true);
            Input { sensor, place: InputPlace::Bit { input: order.min(255) as u8, true_when_closed } }
        });
        numbers.chain(bits).collect()
    }

    fn places(&self, inputs: &[Input], items: &[Item]) -> Places {
        let graph = &self.lowering.graph;
        let mut places = Places::default();
        for built_in in [BitRef::TRUE, BitRef::FIRST_SCAN] {
            places.bits.insert(built_in.index(), built_in);
        }
        let find_bit = |wanted: BitDef| graph.bits.iter().position(|definition| *definition == wanted);
        let find_number =
            |wanted: NumberDef| graph.numbers.iter().position(|definition| *definition == wanted);
        let (mut n_bits, mut n_numbers) = (BitRef::N_BUILT_IN as u16, 0);
        for input in inputs {
            match input.place {
                InputPlace::Bit { .. } => {
                    let index = find_bit(BitDef::Input(input.sensor));
                    places.bits.extend(index.map(|index| (index, BitRef(n_bits))));
                    n_bits += 1;
                }
                InputPlace::Number(_) => {
                    let index = find_number(NumberDef::Input(input.sensor));
                    places.numbers.extend(index.map(|index| (index, NumRef(n_numbers))));
                    n_numbers += 1;
                }
            }
        }
        for item in items {
            let (bit, number) = match item {
                Item::Bit(index) => (Some(*index), None),
                Item::Number(index) => (None, Some(*index)),
                // Several latches of one actuator are first given the last one's place, then that of what joins them.
                Item::Trip(index) => (find_bit(BitDef::Tripped(self.plan.trips[*index].actuator)), None),
                Item::AnyTrip(actuator) => (find_bit(BitDef::Tripped(*actuator)), None),
                Item::Procedure(index) => (None, find_number(NumberDef::Step(ProcedureIdx(*index)))),
                Item::Drive(actuator) => {
                    (find_bit(BitDef::Drive(*actuator)), find_number(NumberDef::Duty(*actuator)))
                }
                Item::Alarm(_) => (None, None),
            };
            if self.gives_bit(item) {
                places.bits.extend(bit.map(|index| (index, is_disjunction(graph, item, BitRef(n_bits)))));
                n_bits = n_bits.saturating_add(1);
            } else {
                places.numbers.extend(number.map(|index| (index, NumRef(n_numbers))));
                n_numbers = n_numbers.saturating_add(1);
            }
        }
        places
    }

    fn gives_bit(&self, item: &Item) -> bool {
        match item {
            Item::Number(_) | Item::Procedure(_) => false,
            Item::Drive(actuator) => !matches!(self.plan.drives[actuator.idx()], Some(Op::DriveDuty { .. })),
            _ => true,
        }
    }

    fn assemble(
        &self,
        inputs: &[Input],
        items: &[Item],
        places: &Places,
        zone: Zone,
        wide: bool,
    ) -> Result<Vec<u8>, program::AssembleError> {
        let n_numbers = inputs.iter().filter(|input| matches!(input.place, InputPlace::Number(_))).count();
        let mut assembler = Assembler::new(Header {
            wiring_crc: self.lowering.options.wiring_crc,
            period_ms: self.lowering.scan_ms,
            n_number_inputs: n_numbers as u8,
            n_bit_inputs: (inputs.len() - n_numbers) as u8,
            longest_hand_ms: self.lowering.options.longest_hand_ms,
            zone,
            wide,
        });
        let graph = &self.lowering.graph;
        let mapped =
            |op: &Op| map_operands(op, &mut |slot| places.bit(slot), &mut |slot| places.number(slot));
        let mut trips: Vec<BitRef> = vec![];
        for item in items {
            match item {
                Item::Bit(index) => {
                    let op = match &graph.bits[*index] {
                        BitDef::Op(op) => mapped(op),
                        BitDef::Copy(of) => {
                            Op::All(BitList::new(&[places.bit(*of), BitRef::TRUE], BitRef::TRUE))
                        }
                        BitDef::All(parts) if is_mostly_negated(parts) => {
                            let opposites: Vec<BitRef> =
                                parts.iter().map(|part| !places.bit(*part)).collect();
                            Op::Any(BitList::new(&opposites, BitRef::TRUE))
                        }
                        BitDef::All(parts) => {
                            let parts: Vec<BitRef> = parts.iter().map(|part| places.bit(*part)).collect();
                            Op::All(BitList::new(&parts, BitRef::TRUE))
                        }
                        _ => continue,
                    };
                    assembler.bit(op);
                }
                Item::Number(index) => {
                    if let NumberDef::Op(op) = &graph.numbers[*index] {
                        assembler.number(mapped(op));
                    }
                }
                Item::Alarm(index) => {
                    assembler.bit(mapped(&self.plan.alarms[*index]));
                }
                Item::Trip(index) => {
                    if index.checked_sub(1).is_none_or(|before| {
                        self.plan.trips[before].actuator != self.plan.trips[*index].actuator
                    }) {
                        trips.clear();
                    }
                    trips.push(assembler.bit(mapped(&self.plan.trips[*index].op)));
                }
                Item::AnyTrip(_) => {
                    assembler.bit(Op::Any(BitList::new(&trips, BitRef::TRUE)));
                }
                Item::Procedure(index) => {
                    let steps: Vec<StepPlan> =
                        self.plan.procedures[*index].iter().map(|step| self.step(step, places)).collect();
                    assembler.procedure(BitRef::FALSE, &steps);
                }
                Item::Drive(actuator) => {
                    if let Some(op) = &self.plan.drives[actuator.idx()] {
                        assembler.bit(mapped(op));
                    }
                }
            }
        }
        assembler.finish()
    }

    fn step(&self, step: &crate::lower::PlannedStep, places: &Places) -> StepPlan {
        let end = match step.end {
            StepEnd::When(slot) => StepEnd::When(places.bit(slot)),
            end => end,
        };
        let order = |actuator| self.drive_order.iter().position(|other| *other == actuator);
        let forces = step.holds.iter().filter_map(|(actuator, is_on)| {
            let drive = order(*actuator)? as u8;
            Some(Force { drive, is_on: *is_on })
        });
        StepPlan { end, longest_ms: step.longest_ms, forces: forces.collect() }
    }

    fn finish(
        mut self,
        bytes: Vec<u8>,
        inputs: Vec<Input>,
        items: &[Item],
        places: &Places,
    ) -> Option<Compiled> {
        let program = match Program::validate(&bytes) {
            Ok(program) => program,
            Err(error) => return self.too_large(&error.to_string()),
        };
        let system = self.lowering.system;
        let names = self.names(&program, &inputs, items, places);
        let listing = listing::listing(&program, &names);
        self.lowering.check_ranges(&program, &inputs, &listing);
        self.lowering.check_time(&program);
        self.lowering.check_slot(bytes.len());
        let sizes = program.sizes();
        let alive = |index: usize| places.bits.get(&index);
        let signals = (0..system.signals.len())
            .map(|index| {
                let bit = self.lowering.bit_of[index].filter(|slot| alive(slot.index()).is_some());
                let number =
                    self.lowering.number_of[index].filter(|slot| places.numbers.contains_key(&slot.index()));
                bit.map(|slot| Slot::Bit(places.bit(slot)))
                    .or_else(|| number.map(|slot| Slot::Number(places.number(slot))))
            })
            .collect();
        let local_time = self.lowering.clock.map(|slot| places.number(slot));
        let mut trips = vec![vec![]; system.actuators.len()];
        for (order, trip) in self.plan.trips.iter().enumerate() {
            trips[trip.actuator.idx()].push(Trip { order: order as u16, cause: trip.cause });
        }
        let mut drives = vec![None; system.actuators.len()];
        for (order, actuator) in self.drive_order.iter().enumerate() {
            drives[actuator.idx()] = Some(order as u16);
        }
        Some(Compiled {
            warnings: vec![],
            inputs,
            drives,
            trips,
            signals,
            local_time,
            alarms: (0..system.alarms.len() as u16).collect(),
            procedures: (0..system.procedures.len() as u16).collect(),
            listing,
            sizes,
            bytes,
        })
    }

    fn names(&self, program: &Program<'_>, inputs: &[Input], items: &[Item], places: &Places) -> Names {
        let system = self.lowering.system;
        let mut names = Names::default();
        let (mut n_numbers, mut n_bits) = (0, BitRef::N_BUILT_IN as u16);
        for input in inputs {
            let name = system.sensors[input.sensor.idx()].name.clone();
            match input.place {
                InputPlace::Number(_) => {
                    names.numbers.insert(n_numbers, name);
                    n_numbers += 1;
                }
                InputPlace::Bit { .. } => {
                    names.bits.insert(n_bits, name);
                    n_bits += 1;
                }
            }
        }
        for (item, placed) in items.iter().zip(program.ops()) {
            let name = match item {
                Item::Alarm(index) => format!("alarm:{}", system.alarms[*index].name),
                Item::Trip(index) => {
                    let trip = &self.plan.trips[*index];
                    format!("{}:{}", trip.cause.key(), system.actuators[trip.actuator.idx()].name)
                }
                Item::AnyTrip(actuator) => format!("tripped:{}", system.actuators[actuator.idx()].name),
                Item::Procedure(index) => format!("procedure:{}", system.procedures[*index].name),
                Item::Drive(actuator) => system.actuators[actuator.idx()].name.clone(),
                Item::Bit(_) | Item::Number(_) => continue,
            };
            let bank = if placed.op.gives_bit() { &mut names.bits } else { &mut names.numbers };
            bank.insert(placed.result, name);
        }
        for index in (0..system.signals.len()).map(SignalIdx) {
            let name = &system.signals[index.idx()].name;
            if let Some(slot) = self.lowering.bit_of[index.idx()]
                && let Some(place) = places.bits.get(&slot.index())
                && place.index() >= BitRef::N_BUILT_IN
            {
                let is_negated = slot.is_negated() ^ place.is_negated();
                let name = if is_negated { format!("not_{name}") } else { name.clone() };
                names.bits.entry(place.index() as u16).or_insert(name);
            }
            if let Some(slot) = self.lowering.number_of[index.idx()]
                && let Some(place) = places.numbers.get(&slot.index())
            {
                names.numbers.entry(place.0).or_insert_with(|| name.clone());
            }
        }
        names
    }
}

/// Whether a conjunction reads better as a disjunction of the opposites, negated; it is then written as that.
fn is_mostly_negated(parts: &[BitRef]) -> bool {
    parts.iter().filter(|part| part.is_negated()).count() * 2 > parts.len()
}

/// The place of a definition: negated where its operation gives the opposite.
fn is_disjunction(graph: &crate::graph::Graph, item: &Item, place: BitRef) -> BitRef {
    match item {
        Item::Bit(index) => match &graph.bits[*index] {
            BitDef::All(parts) if is_mostly_negated(parts) => !place,
            _ => place,
        },
        _ => place,
    }
}
