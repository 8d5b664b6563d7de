//! From a plan to wires.

mod signals;

use std::collections::BTreeMap;

use system::System;
use system::electrics::{Compartment, Fitting};
use system::model::{ActuatorIdx, ActuatorKind, SensorIdx, SupplyIdx, SupplyKind};
use system::parts::{ComponentKind, Nature};

use super::items::{self, Item, ItemKind};
use super::{Element, Function, Harness, Run, Symbol, Terminal, Wire};
use crate::assign::{Place, Plan, Who};
use crate::checks::{cable_mm2, part_of_supply};
use crate::laws::fuse;
use crate::loads::{self, Class, Load};

/// Lengths when nothing is said, m: to a thing in the water or on the tank, and within the enclosure (assumed).
const FIELD: f64 = 2.0;
const INSIDE: f64 = 0.4;
/// Cross-sections of signals, mm² (common practice, no source).
const SIGNAL: f64 = 0.25;
const FEED: f64 = 1.5;

/// All wires of a plan.
pub fn harness(system: &System, plan: &Plan) -> Harness {
    let mut builder = Builder {
        system,
        plan,
        harness: Harness::default(),
        by_name: BTreeMap::new(),
        n_fuses: 0,
        poles: BTreeMap::new(),
        cards: BTreeMap::new(),
    };
    builder.sources();
    builder.series();
    builder.loads();
    builder.power();
    builder.bus();
    builder.sensors();
    builder.commands();
    builder.notes();
    builder.harness
}

struct Builder<'a> {
    system: &'a System,
    plan: &'a Plan,
    harness: Harness,
    by_name: BTreeMap<String, usize>,
    n_fuses: usize,
    /// Next pole of each interposing relay, by sensor.
    poles: BTreeMap<usize, usize>,
    /// Next channel of cards whose size is not known.
    cards: BTreeMap<usize, u8>,
}

/// A run in the making: stops and the wire that leads to each but the first.
struct Path {
    group: String,
    title: String,
    stops: Vec<Element>,
    wires: Vec<usize>,
}

/// What is asked of the next wire.
#[derive(Clone)]
struct Kind {
    function: Function,
    mm2: f64,
    length_m: Option<f64>,
    cable: Option<String>,
}

impl Kind {
    fn inside(function: Function, mm2: f64) -> Self {
        Kind { function, mm2, length_m: Some(INSIDE), cable: None }
    }
    /// To a thing outside; its length by the file or assumed.
    fn field(function: Function, mm2: f64, fitting: &Fitting, name: &str) -> Self {
        Kind { function, mm2, length_m: fitting.length_m, cable: Some(name.to_owned()) }
    }
}

impl<'a> Builder<'a> {
    fn item(&mut self, item: Item) -> usize {
        if let Some(at) = self.by_name.get(&item.name) {
            return *at;
        }
        self.by_name.insert(item.name.clone(), self.harness.items.len());
        self.harness.items.push(item);
        self.harness.items.len() - 1
    }

    fn volts(&self) -> f64 {
        self.system.mains_volts.unwrap_or(230.0)
    }

    fn wire(&mut self, from: (usize, &str), to: (usize, &str), kind: &Kind) -> usize {
        let n = self.harness.wires.len();
        self.harness.wires.push(Wire {
            id: format!("W{}", n + 1),
            from: Terminal { item: from.0, name: from.1.to_owned() },
            to: Terminal { item: to.0, name: to.1.to_owned() },
            function: kind.function,
            colour: kind.function.colour(self.volts()),
            mm2: kind.mm2,
            length_m: kind.length_m.unwrap_or(FIELD),
            is_assumed: kind.length_m.is_none() || kind.cable.is_none(),
            cable: kind.cable.clone(),
        });
        n
    }

    fn begin(&self, group: &str, title: &str, item: usize, terminal: &str, symbol: Symbol) -> Path {
        let stop =
            Element { item, symbol, enters: terminal.to_owned(), leaves: terminal.to_owned(), stubs: vec![] };
        Path { group: group.to_owned(), title: title.to_owned(), stops: vec![stop], wires: vec![] }
    }

    fn through(&mut self, path: &mut Path, item: usize, symbol: Symbol, terminals: [&str; 2], kind: &Kind) {
        let Some(last) = path.stops.last() else { return };
        let (from, leaves) = (last.item, last.leaves.clone());
        let wire = self.wire((from, &leaves), (item, terminals[0]), kind);
        path.wires.push(wire);
        path.stops.push(Element {
            item,
            symbol,
            enters: terminals[0].to_owned(),
            leaves: terminals[1].to_owned(),
            stubs: vec![],
        });
    }

    /// A wire sideways from the last stop.
    fn stub(&mut self, path: &mut Path, terminal: &str, to: (usize, &str), kind: &Kind) {
        let Some(from) = path.stops.last().map(|stop| stop.item) else { return };
        let wire = self.wire((from, terminal), to, kind);
        if let Some(last) = path.stops.last_mut() {
            last.stubs.push(wire);
        }
    }

    fn end(&mut self, path: Path) {
        self.harness.runs.push(Run {
            group: path.group,
            title: path.title,
            stops: path.stops,
            wires: path.wires,
        });
    }

    /// Outlets, sources and the bars behind each.
    fn sources(&mut self) {
        for item in items::inventory(self.system) {
            self.item(item);
        }
        let system = self.system;
        for (s, supply) in system.supplies.iter().enumerate() {
            let idx = SupplyIdx(s);
            let fitting = system.electrics.supply(idx);
            match supply.kind {
                SupplyKind::Circuit { rcd_a, .. } if loads::circuit(system, Some(idx)) == Some(idx) => {
                    let rcd = rcd_a.map_or("no RCD said".to_owned(), |a| format!("RCD {:.0} mA", a * 1e3));
                    let outlet = self.item(Item {
                        name: supply.name.clone(),
                        title: format!("Outlet of the house, {rcd}"),
                        kind: ItemKind::Outlet,
                        compartment: None,
                        size: [0.0, 0.0],
                        price: None,
                    });
                    let bar = self.mains_bar(idx);
                    for (terminal, function) in
                        [("L", Function::Line), ("N", Function::Neutral), ("PE", Function::Earth)]
                    {
                        let group = format!("Mains: {}", supply.name);
                        let mut path = self.begin(&group, "feed", outlet, terminal, Symbol::Bar);
                        let kind = Kind::field(function, FEED, fitting, &supply.name);
                        self.through(&mut path, bar, Symbol::Bar, [terminal, terminal], &kind);
                        self.end(path);
                    }
                }
                SupplyKind::Battery { .. } | SupplyKind::Rail { .. } => self.low_source(idx),
                _ => {}
            }
        }
    }

    fn mains_bar(&mut self, circuit: SupplyIdx) -> usize {
        let name = format!("X_{}", self.system.supplies[circuit.idx()].name);
        self.item(items::bar(name, "Terminals L, N, PE, covered", Compartment::Mains))
    }

    fn plus_bar(&mut self, source: SupplyIdx) -> usize {
        let name = format!("P_{}", self.system.supplies[source.idx()].name);
        self.item(items::bar(name, "Terminals, plus", Compartment::Low))
    }

    fn zero_bar(&mut self) -> usize {
        self.item(items::bar("X_0V".to_owned(), "Terminals, 0 V", Compartment::Low))
    }

    fn five_bar(&mut self) -> usize {
        self.item(items::bar("X_5V".to_owned(), "Terminals, 5 V", Compartment::Low))
    }

    fn fuse(&mut self, amps: f64, class: Class) -> usize {
        self.n_fuses += 1;
        self.item(items::fuse(format!("F{}", self.n_fuses), amps, items::side(class)))
    }

    /// Plus of a rail or battery over its fuse to its bar, 0 V to the common bar.
    fn low_source(&mut self, source: SupplyIdx) {
        let system = self.system;
        let supply = &system.supplies[source.idx()];
        let fitting = system.electrics.supply(source);
        let is_battery = matches!(supply.kind, SupplyKind::Battery { .. });
        let block = fitting.block.as_deref().and_then(|id| system.library.component(id));
        let title = block.map_or(if is_battery { "Battery" } else { "Power supply" }, |block| &block.title);
        let item = self.item(Item {
            name: supply.name.clone(),
            title: title.to_owned(),
            kind: ItemKind::Source,
            compartment: fitting.compartment.filter(|_| !is_battery),
            size: [0.053, 0.09],
            price: items::price(fitting.price, block),
        });
        let group = format!("Low voltage: {}", supply.name);
        let bar = self.plus_bar(source);
        let zero = self.zero_bar();
        let rated = fitting.fuse_a.unwrap_or(10.0);
        let mm2 = fuse::least_mm2(rated, false).max(1.0);
        let fuse = self.fuse(rated, Class::Low);
        let mut path = self.begin(&group, "plus", item, "+", Symbol::Source);
        let kind = Kind::field(Function::Plus, mm2, fitting, &supply.name);
        self.through(&mut path, fuse, Symbol::Fuse, ["1", "2"], &kind);
        self.through(&mut path, bar, Symbol::Bar, ["+", "+"], &Kind::inside(Function::Plus, mm2));
        self.end(path);
        let mut path = self.begin(&group, "0 V", item, "-", Symbol::Source);
        self.through(&mut path, zero, Symbol::Bar, ["-", "-"], &Kind { function: Function::Zero, ..kind });
        self.end(path);
        if let Some(circuit) = loads::circuit(system, supply.fed_by) {
            let mains = self.mains_bar(circuit);
            let group = format!("Mains: {}", system.supplies[circuit.idx()].name);
            let feeder = if is_battery { self.charger(source, (bar, zero), rated, mm2) } else { item };
            let fuse = self.fuse(3.15, Class::Mains);
            let title = self.harness.items[feeder].name.clone();
            let mut path = self.begin(&group, &title, mains, "L", Symbol::Bar);
            self.through(&mut path, fuse, Symbol::Fuse, ["1", "2"], &Kind::inside(Function::Line, 0.75));
            let kind = Kind { function: Function::Line, mm2: 0.75, length_m: Some(INSIDE), cable: None };
            self.through(&mut path, feeder, Symbol::Source, ["L", "N"], &kind);
            self.stub(&mut path, "PE", (mains, "PE"), &Kind { function: Function::Earth, ..kind.clone() });
            self.through(
                &mut path,
                mains,
                Symbol::Bar,
                ["N", "N"],
                &Kind { function: Function::Neutral, ..kind },
            );
            self.end(path);
        }
    }

    /// The charger of a battery, over a fuse of its own to the battery's bar.
    fn charger(&mut self, battery: SupplyIdx, (bar, zero): (usize, usize), rated: f64, mm2: f64) -> usize {
        let system = self.system;
        let name = &system.supplies[battery.idx()].name;
        let part = part_of_supply(system, battery);
        let item = self.item(Item {
            name: format!("charger_{name}"),
            title: part.map_or("Charger", |part| part.title.as_str()).to_owned(),
            kind: ItemKind::Source,
            compartment: None,
            size: items::size_of(part, [0.1, 0.06]),
            price: items::price(None, part),
        });
        let group = format!("Low voltage: {name}");
        let fuse = self.fuse(rated, Class::Low);
        let mut path = self.begin(&group, "charging", item, "+", Symbol::Source);
        self.through(&mut path, fuse, Symbol::Fuse, ["1", "2"], &Kind::inside(Function::Plus, mm2));
        self.through(&mut path, bar, Symbol::Bar, ["+", "+"], &Kind::inside(Function::Plus, mm2));
        self.end(path);
        let mut path = self.begin(&group, "charging, 0 V", item, "-", Symbol::Source);
        self.through(&mut path, zero, Symbol::Bar, ["-", "-"], &Kind::inside(Function::Zero, mm2));
        self.end(path);
        item
    }

    /// Floats in series with a load and read by the board too: a relay between, a pole for each load and one for the board.
    fn series(&mut self) {
        let system = self.system;
        let mut floats: Vec<SensorIdx> = system.actuators.iter().flat_map(|a| a.series.clone()).collect();
        floats.sort_unstable();
        floats.dedup();
        for float in floats {
            let sensor = &system.sensors[float.idx()];
            let relay = self.item(Item {
                name: format!("K_{}", sensor.name),
                title: "Relay with four change-over contacts, coil 12 V, diode across the coil".to_owned(),
                kind: ItemKind::Switch,
                compartment: Some(Compartment::Low),
                size: [0.028, 0.075],
                price: None,
            });
            let probe = self.probe_item(float);
            let Some(source) = self.any_plus() else { continue };
            let zero = self.zero_bar();
            let bar = self.plus_bar(source);
            let fitting = system.electrics.sensor(float);
            let group = format!("Low voltage: {}", system.supplies[source.idx()].name);
            let mut path = self.begin(&group, &format!("{} in hardware", sensor.name), bar, "+", Symbol::Bar);
            let kind = Kind::field(Function::Contact, SIGNAL, fitting, &sensor.name);
            self.through(&mut path, probe, Symbol::Switch, ["1", "2"], &kind);
            self.through(&mut path, relay, Symbol::Coil, ["A1", "A2"], &kind);
            self.through(&mut path, zero, Symbol::Bar, ["-", "-"], &Kind::inside(Function::Zero, SIGNAL));
            self.end(path);
            self.poles.insert(float.idx(), 1);
        }
    }

    /// The first battery or rail of about twelve volts.
    fn any_plus(&self) -> Option<SupplyIdx> {
        let is_low = |s: &SupplyIdx| {
            matches!(self.system.supplies[s.idx()].kind, SupplyKind::Rail { .. } | SupplyKind::Battery { .. })
        };
        (0..self.system.supplies.len()).map(SupplyIdx).find(is_low)
    }

    fn probe_item(&mut self, sensor: SensorIdx) -> usize {
        let part = loads::probe(self.system, sensor);
        let name = self.system.sensors[sensor.idx()].name.clone();
        let mains = part.is_some_and(|part| part.mains);
        let title = part.map_or("Sensor", |part| part.title.as_str()).to_owned();
        let size = items::size_of(part, [0.0, 0.0]);
        self.item(Item {
            name,
            title,
            kind: ItemKind::Probe,
            compartment: mains.then_some(Compartment::Mains),
            size,
            price: items::price(self.system.electrics.sensor(sensor).price, part),
        })
    }

    /// The switch of a load and its terminals for channel and side. None: it always runs.
    fn contact(&mut self, load: &Load<'_>) -> Option<(usize, [String; 2], Symbol)> {
        let system = self.system;
        let actuator = &system.actuators[load.actuator.idx()];
        let symbol = match load.switch.map(|switch| switch.kind) {
            None => return None,
            Some(ComponentKind::Relay) if actuator.on_when_dead => Symbol::ContactClosed,
            Some(ComponentKind::Relay) => Symbol::ContactOpen,
            Some(_) => Symbol::Electronic,
        };
        let side = if actuator.on_when_dead { "NC" } else { "NO" };
        if let Some(card) = load.card {
            let channel = match self.plan.place(Who::Contact(load.actuator)) {
                Some(Place::Contact(_, channel)) => channel,
                _ => {
                    let next = self.cards.entry(card.idx()).or_default();
                    *next += 1;
                    *next - 1
                }
            } + 1;
            let item = *self.by_name.get(&system.supplies[card.idx()].name)?;
            return Some((item, [format!("COM{channel}"), format!("{side}{channel}")], symbol));
        }
        let item = *self.by_name.get(&format!("switch_{}", actuator.name))?;
        Some((item, ["COM".to_owned(), side.to_owned()], symbol))
    }

    fn loads(&mut self) {
        for load in loads::loads(self.system) {
            if self.system.actuators[load.actuator.idx()].kind == ActuatorKind::Buzzer {
                continue;
            }
            match load.class {
                Class::Mains => self.mains_load(&load),
                Class::Low => self.low_load(&load),
            }
        }
    }

    fn load_item(&mut self, load: &Load<'_>) -> (usize, Symbol) {
        let actuator = &self.system.actuators[load.actuator.idx()];
        let symbol = match (load.nature, actuator.kind) {
            (_, ActuatorKind::Light) => Symbol::Lamp,
            (Nature::Resistive, _) => Symbol::Resistor,
            (Nature::Coil, _) => Symbol::Coil,
            (Nature::Electronic, _) => Symbol::Module,
            _ => Symbol::Motor,
        };
        let item = self.item(Item {
            name: actuator.name.clone(),
            title: load.component.map_or("Load", |component| component.title.as_str()).to_owned(),
            kind: ItemKind::Load,
            compartment: None,
            size: [0.0, 0.0],
            price: items::price(self.system.electrics.actuator(load.actuator).price, load.component),
        });
        (item, symbol)
    }

    fn mains_load(&mut self, load: &Load<'_>) {
        let system = self.system;
        let actuator = &system.actuators[load.actuator.idx()];
        let fitting = system.electrics.actuator(load.actuator);
        let Some(circuit) = loads::circuit(system, actuator.supply).or_else(|| {
            (0..system.supplies.len()).map(SupplyIdx).find(|s| loads::circuit(system, Some(*s)).is_some())
        }) else {
            return;
        };
        let bar = self.mains_bar(circuit);
        let group = format!("Mains: {}", system.supplies[circuit.idx()].name);
        let fuse_a =
            fitting.fuse_a.or_else(|| fuse::choose(load.amps, load.inrush.0, load.inrush.1)).unwrap_or(10.0);
        let mm2 = cable_mm2(system, load, Some(fuse_a));
        let mut path = self.begin(&group, &actuator.name, bar, "L", Symbol::Bar);
        // Master contactors in the chain, the one nearest the house first.
        let mut masters: Vec<(SupplyIdx, ActuatorIdx)> = (system.supply_chain(actuator.supply))
            .filter_map(|s| system.supplies[s.idx()].through.map(|through| (s, through)))
            .collect();
        masters.reverse();
        for (supply, through) in masters {
            let pole =
                (system.supplies.iter().take(supply.idx())).filter(|s| s.through == Some(through)).count();
            let name = &system.actuators[through.idx()].name;
            if let Some(item) = self.by_name.get(name).copied() {
                let symbol = if system.actuators[through.idx()].on_when_dead {
                    Symbol::ContactClosed
                } else {
                    Symbol::ContactOpen
                };
                let terminals = [format!("{}", 2 * pole + 1), format!("{}", 2 * pole + 2)];
                let kind = Kind::inside(Function::Line, FEED.min(mm2.max(1.0)));
                self.through(&mut path, item, symbol, [&terminals[0], &terminals[1]], &kind);
            }
        }
        let fuse = self.fuse(fuse_a, Class::Mains);
        self.through(&mut path, fuse, Symbol::Fuse, ["1", "2"], &Kind::inside(Function::Line, mm2));
        if let Some((item, terminals, symbol)) = self.contact(load) {
            let kind = Kind::inside(Function::Line, mm2);
            self.through(&mut path, item, symbol, [&terminals[0], &terminals[1]], &kind);
        }
        let (item, symbol) = self.load_item(load);
        let kind = Kind::field(Function::Line, mm2, fitting, &actuator.name);
        self.through(&mut path, item, symbol, ["L", "N"], &kind);
        self.stub(&mut path, "PE", (bar, "PE"), &Kind { function: Function::Earth, ..kind.clone() });
        self.through(&mut path, bar, Symbol::Bar, ["N", "N"], &Kind { function: Function::Neutral, ..kind });
        self.end(path);
    }

    fn low_load(&mut self, load: &Load<'_>) {
        let system = self.system;
        let actuator = &system.actuators[load.actuator.idx()];
        let fitting = system.electrics.actuator(load.actuator);
        let is_low = |s: &SupplyIdx| {
            matches!(system.supplies[s.idx()].kind, SupplyKind::Rail { .. } | SupplyKind::Battery { .. })
        };
        let source = system.supply_chain(actuator.supply).find(is_low).or_else(|| self.any_plus());
        let Some(source) = source else { return };
        let bar = self.plus_bar(source);
        let zero = self.zero_bar();
        let group = format!("Low voltage: {}", system.supplies[source.idx()].name);
        let fuse_a =
            fitting.fuse_a.or_else(|| fuse::choose(load.amps, load.inrush.0, load.inrush.1)).unwrap_or(5.0);
        let mm2 = cable_mm2(system, load, Some(fuse_a));
        let mut path = self.begin(&group, &actuator.name, bar, "+", Symbol::Bar);
        let fuse = self.fuse(fuse_a, Class::Low);
        let inside = Kind::inside(Function::Plus, mm2);
        self.through(&mut path, fuse, Symbol::Fuse, ["1", "2"], &inside);
        if let Some((item, terminals, symbol)) = self.contact(load) {
            self.through(&mut path, item, symbol, [&terminals[0], &terminals[1]], &inside);
        }
        for float in &actuator.series {
            let name = format!("K_{}", system.sensors[float.idx()].name);
            let (Some(relay), Some(pole)) =
                (self.by_name.get(&name).copied(), self.poles.get_mut(&float.idx()))
            else {
                continue;
            };
            let terminals = [format!("{pole}1"), format!("{pole}4")];
            *pole += 1;
            self.through(&mut path, relay, Symbol::ContactOpen, [&terminals[0], &terminals[1]], &inside);
        }
        let is_contactor = actuator.kind == ActuatorKind::Contactor;
        let (item, symbol) = self.load_item(load);
        let mut kind = Kind::field(Function::Plus, mm2, fitting, &actuator.name);
        if is_contactor {
            kind = inside;
        }
        let terminals = if is_contactor { ["A1", "A2"] } else { ["+", "-"] };
        self.through(&mut path, item, symbol, terminals, &kind);
        self.through(&mut path, zero, Symbol::Bar, ["-", "-"], &Kind { function: Function::Zero, ..kind });
        self.end(path);
    }
}
