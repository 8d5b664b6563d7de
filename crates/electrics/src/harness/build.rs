//! From a plan to wires.

use std::collections::BTreeMap;

use system::System;
use system::electrics::{Compartment, Fitting};
use system::model::{ActuatorIdx, ActuatorKind, SensorIdx, SensorKind, SupplyIdx, SupplyKind};
use system::parts::{ComponentKind, Nature};
use system::wiring::{DeviceKind, SensorPlace};

use super::items::{self, Item, ItemKind};
use super::{Element, Function, Harness, Run, Symbol, Terminal, Wire};
use crate::assign::{Place, Plan, Who};
use crate::checks::cable_mm2;
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
        let item = self.item(Item {
            name: supply.name.clone(),
            title: if is_battery { "Battery with its charger".to_owned() } else { "Power supply".to_owned() },
            kind: ItemKind::Source,
            compartment: fitting.compartment.filter(|_| !is_battery),
            size: [0.053, 0.09],
            price: fitting.price,
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
            let fuse = self.fuse(3.15, Class::Mains);
            let mut path = self.begin(&group, &supply.name, mains, "L", Symbol::Bar);
            self.through(&mut path, fuse, Symbol::Fuse, ["1", "2"], &Kind::inside(Function::Line, 0.75));
            let kind = Kind { function: Function::Line, mm2: 0.75, length_m: Some(INSIDE), cable: None };
            self.through(&mut path, item, Symbol::Source, ["L", "N"], &kind);
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
            price: self.system.electrics.sensor(sensor).price,
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
            price: self.system.electrics.actuator(load.actuator).price,
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

    /// Supply of board, devices and cards.
    fn power(&mut self) {
        let system = self.system;
        let Some(board) = system.boards.first() else { return };
        let Some(board_item) = self.by_name.get(&board.name).copied() else { return };
        let is_low = |s: &SupplyIdx| {
            matches!(system.supplies[s.idx()].kind, SupplyKind::Rail { .. } | SupplyKind::Battery { .. })
        };
        let group = "Supply of board and cards";
        let zero = self.zero_bar();
        let five = self.five_bar();
        let source = system.supply_chain(board.supply).find(is_low).or_else(|| self.any_plus());
        if let Some(source) = source {
            let bar = self.plus_bar(source);
            let part = system.library.usual_component(ComponentKind::Supply, "5v");
            let converter = self.item(Item {
                name: "converter_5v".to_owned(),
                title: part.map_or("Converter to 5 V", |part| part.title.as_str()).to_owned(),
                kind: ItemKind::Source,
                compartment: Some(Compartment::Low),
                size: items::size_of(part, [0.045, 0.025]),
                price: None,
            });
            let fuse = self.fuse(2.0, Class::Low);
            let mut path = self.begin(group, "5 V", bar, "+", Symbol::Bar);
            let plus = Kind::inside(Function::Plus, 0.5);
            self.through(&mut path, fuse, Symbol::Fuse, ["1", "2"], &plus);
            self.through(&mut path, converter, Symbol::Source, ["IN+", "OUT+"], &plus);
            self.stub(&mut path, "IN-", (zero, "-"), &Kind::inside(Function::Zero, 0.5));
            self.through(&mut path, five, Symbol::Bar, ["+", "+"], &Kind::inside(Function::Five, 0.5));
            self.end(path);
        }
        let mut path = self.begin(group, &board.name, five, "+", Symbol::Bar);
        self.through(
            &mut path,
            board_item,
            Symbol::Module,
            ["5V", "GND"],
            &Kind::inside(Function::Five, 0.5),
        );
        self.through(&mut path, zero, Symbol::Bar, ["-", "-"], &Kind::inside(Function::Zero, 0.5));
        self.end(path);
        for (s, supply) in system.supplies.iter().enumerate() {
            if !matches!(supply.kind, SupplyKind::Card) {
                continue;
            }
            let Some(card) = self.by_name.get(&supply.name).copied() else { continue };
            let source = system.supply_chain(Some(SupplyIdx(s))).find(is_low).or_else(|| self.any_plus());
            let Some(source) = source else { continue };
            let bar = self.plus_bar(source);
            let mut path = self.begin(group, &supply.name, bar, "+", Symbol::Bar);
            self.through(&mut path, card, Symbol::Module, ["V+", "GND"], &Kind::inside(Function::Plus, 0.5));
            self.through(&mut path, zero, Symbol::Bar, ["-", "-"], &Kind::inside(Function::Zero, 0.5));
            self.end(path);
        }
    }

    /// Data and clock from part to part, supply of each.
    fn bus(&mut self) {
        let system = self.system;
        let Some(board) = system.boards.first().and_then(|board| self.by_name.get(&board.name).copied())
        else {
            return;
        };
        let pins = system.library.chip(&self.plan.chip).map(|chip| chip.pins.clone()).unwrap_or_default();
        let devices: Vec<(usize, DeviceKind)> = (system.wiring.devices.iter())
            .filter_map(|device| Some((*self.by_name.get(&device.name)?, device.kind)))
            .collect();
        let group = "Bus";
        let on_bus: Vec<usize> =
            devices.iter().filter(|(_, kind)| kind.is_on_i2c()).map(|(item, _)| *item).collect();
        for (n, (terminal, function)) in
            [("SDA", Function::Data), ("SCL", Function::Clock)].into_iter().enumerate()
        {
            if on_bus.is_empty() {
                break;
            }
            let label = pins.i2c.get(n).map_or(terminal.to_owned(), |pin| self.pin_label(*pin));
            let mut path = self.begin(group, terminal, board, &label, Symbol::Module);
            // More parts than a line of the sheet holds go on from the last one.
            for (n, item) in on_bus.iter().enumerate() {
                self.through(
                    &mut path,
                    *item,
                    Symbol::Module,
                    [terminal, terminal],
                    &Kind::inside(function, SIGNAL),
                );
                if n % 4 == 3 && n + 1 < on_bus.len() {
                    self.end(path);
                    path = self.begin(group, &format!("{terminal}, on"), *item, terminal, Symbol::Module);
                }
            }
            self.end(path);
        }
        let (five, zero) = (self.five_bar(), self.zero_bar());
        for (d, (item, kind)) in devices.into_iter().enumerate() {
            let name = system.wiring.devices[d].name.clone();
            let mut path = self.begin(group, &name, five, "+", Symbol::Bar);
            self.through(
                &mut path,
                item,
                Symbol::Module,
                ["VCC", "GND"],
                &Kind::inside(Function::Five, SIGNAL),
            );
            self.through(&mut path, zero, Symbol::Bar, ["-", "-"], &Kind::inside(Function::Zero, SIGNAL));
            self.end(path);
            let own = self.pin_label(system.wiring.devices[d].address);
            match kind {
                DeviceKind::InfraredReceiver => {
                    let mut path = self.begin(group, &name, board, &own, Symbol::Module);
                    let kind = Kind::inside(Function::Pulse, SIGNAL);
                    self.through(&mut path, item, Symbol::Module, ["OUT", "OUT"], &kind);
                    self.end(path);
                }
                DeviceKind::W5500 => {
                    let names = ["MOSI", "MISO", "SCK"];
                    let spi =
                        pins.spi.iter().take(3).zip(names).map(|(pin, name)| (self.pin_label(*pin), name));
                    let all: Vec<(String, &str)> = spi.chain([(own, "CS")]).collect();
                    for (pin, terminal) in all {
                        let mut path = self.begin(group, &name, board, &pin, Symbol::Module);
                        let kind = Kind::inside(Function::Network, SIGNAL);
                        self.through(&mut path, item, Symbol::Module, [terminal, terminal], &kind);
                        self.end(path);
                    }
                }
                _ => {}
            }
        }
    }

    fn pin_label(&self, pin: u8) -> String {
        let form = self.system.library.form(&self.plan.chip);
        form.map_or_else(|| system::parts::Pins::name(pin), |form| form.label(pin))
    }

    /// Item and terminal of a place.
    fn at(&self, place: Place) -> Option<(usize, String)> {
        let board = self.by_name.get(&self.system.boards.first()?.name).copied()?;
        Some(match place {
            Place::Pin(pin) => (board, self.pin_label(pin)),
            Place::Channel(channel) => {
                let chip = self.system.library.chip(&self.plan.chip)?;
                let name = chip.pins.channels.iter().find(|(_, number, _)| *number == channel)?.0.clone();
                (board, name)
            }
            Place::Line(device, line) => {
                let device = self.system.wiring.devices.get(device)?;
                // Sixteen lines are two ports of eight, as printed on the part.
                let label = match device.kind {
                    DeviceKind::Mcp23017 if line < 8 => format!("GPA{line}"),
                    DeviceKind::Mcp23017 => format!("GPB{}", line - 8),
                    DeviceKind::Mcp23008 => format!("GP{line}"),
                    _ => format!("P{line}"),
                };
                (*self.by_name.get(&device.name)?, label)
            }
            Place::Contact(..) => return None,
        })
    }

    fn sensors(&mut self) {
        let system = self.system;
        for s in 0..system.sensors.len() {
            let sensor = SensorIdx(s);
            let part = &system.sensors[s];
            let fitting = system.electrics.sensor(sensor);
            if matches!(self.plan.wiring.sensor(sensor), Some(SensorPlace::RemoteKey { .. }) | None) {
                continue;
            }
            // Further thermometers of a bus go by the pin of the first.
            let place =
                self.plan.place(Who::Sensor(sensor, 0)).or_else(|| match self.plan.wiring.sensor(sensor) {
                    Some(SensorPlace::OneWire { pin, .. }) => Some(Place::Pin(*pin)),
                    _ => None,
                });
            let Some((board, terminal)) = place.and_then(|place| self.at(place)) else { continue };
            let probe = self.probe_item(sensor);
            let (five, zero) = (self.five_bar(), self.zero_bar());
            let field = |function| Kind::field(function, SIGNAL, fitting, &part.name);
            let three = |builder: &mut Self, function: Function, out: &str, group: &str| {
                let mut path = builder.begin(group, &part.name, board, &terminal, Symbol::Module);
                builder.through(&mut path, probe, Symbol::Module, [out, "GND"], &field(function));
                builder.stub(&mut path, "VCC", (five, "+"), &field(Function::Five));
                builder.through(&mut path, zero, Symbol::Bar, ["-", "-"], &field(Function::Zero));
                builder.end(path);
            };
            match part.kind {
                SensorKind::Ds18b20 | SensorKind::RoomTemperature => {
                    three(self, Function::OneWire, "DQ", "Thermometers and voltages");
                }
                SensorKind::Level { .. } if part.mounted.is_some() => {
                    three(self, Function::Pulse, "TRIG", "Thermometers and voltages");
                    let echo = self.plan.place(Who::Sensor(sensor, 1)).and_then(|place| self.at(place));
                    if let Some((board, terminal)) = echo {
                        let mut path = self.begin(
                            "Thermometers and voltages",
                            &part.name,
                            board,
                            &terminal,
                            Symbol::Module,
                        );
                        self.through(
                            &mut path,
                            probe,
                            Symbol::Module,
                            ["ECHO", "ECHO"],
                            &field(Function::Pulse),
                        );
                        self.end(path);
                    }
                }
                SensorKind::Flow { .. } => three(self, Function::Pulse, "OUT", "Thermometers and voltages"),
                SensorKind::Tmp36 { .. }
                | SensorKind::Ntc { .. }
                | SensorKind::Ph { .. }
                | SensorKind::Conductivity
                | SensorKind::Level { .. } => {
                    three(self, Function::Analogue, "OUT", "Thermometers and voltages")
                }
                SensorKind::Charge { of } => {
                    let bar = self.plus_bar(of);
                    let mut path =
                        self.begin("Thermometers and voltages", &part.name, board, &terminal, Symbol::Module);
                    self.through(
                        &mut path,
                        probe,
                        Symbol::Resistor,
                        ["OUT", "GND"],
                        &Kind::inside(Function::Analogue, SIGNAL),
                    );
                    self.stub(&mut path, "IN", (bar, "+"), &Kind::inside(Function::Plus, SIGNAL));
                    self.through(
                        &mut path,
                        zero,
                        Symbol::Bar,
                        ["-", "-"],
                        &Kind::inside(Function::Zero, SIGNAL),
                    );
                    self.end(path);
                }
                SensorKind::Float { .. }
                | SensorKind::Leak
                | SensorKind::Button
                | SensorKind::Presence { .. } => {
                    let mut path = self.begin("Contacts", &part.name, board, &terminal, Symbol::Module);
                    let pole = self.poles.get(&s).copied();
                    let relay = self.by_name.get(&format!("K_{}", part.name)).copied();
                    if let (Some(pole), Some(relay)) = (pole, relay) {
                        let terminals = [format!("{pole}1"), format!("{pole}4")];
                        let kind = Kind::inside(Function::Contact, SIGNAL);
                        self.through(
                            &mut path,
                            relay,
                            Symbol::ContactOpen,
                            [&terminals[0], &terminals[1]],
                            &kind,
                        );
                        self.through(
                            &mut path,
                            zero,
                            Symbol::Bar,
                            ["-", "-"],
                            &Kind::inside(Function::Zero, SIGNAL),
                        );
                    } else {
                        self.through(&mut path, probe, Symbol::Switch, ["1", "2"], &field(Function::Contact));
                        self.through(&mut path, zero, Symbol::Bar, ["-", "-"], &field(Function::Zero));
                    }
                    self.end(path);
                    if let SensorKind::Presence { of } = part.kind
                        && let Some(circuit) = loads::circuit(system, Some(of))
                    {
                        let bar = self.mains_bar(circuit);
                        let group = format!("Mains: {}", system.supplies[circuit.idx()].name);
                        let mut path = self.begin(&group, &part.name, bar, "L", Symbol::Bar);
                        let fuse = self.fuse(0.25, Class::Mains);
                        let line = Kind::inside(Function::Line, 0.75);
                        self.through(&mut path, fuse, Symbol::Fuse, ["1", "2"], &line);
                        self.through(&mut path, probe, Symbol::Coil, ["L", "N"], &line);
                        let kind = Kind::inside(Function::Neutral, 0.75);
                        self.through(&mut path, bar, Symbol::Bar, ["N", "N"], &kind);
                        self.end(path);
                    }
                }
            }
        }
    }

    fn commands(&mut self) {
        let system = self.system;
        for load in loads::loads(system) {
            let actuator = &system.actuators[load.actuator.idx()];
            let place = self.plan.place(Who::Actuator(load.actuator)).and_then(|place| self.at(place));
            let Some((board, terminal)) = place else { continue };
            let mut path = self.begin("Commands", &actuator.name, board, &terminal, Symbol::Module);
            let kind = Kind::inside(Function::Command, SIGNAL);
            if actuator.kind == ActuatorKind::Buzzer {
                let zero = self.zero_bar();
                let (item, _) = self.load_item(&load);
                self.through(&mut path, item, Symbol::Module, ["+", "-"], &kind);
                self.through(&mut path, zero, Symbol::Bar, ["-", "-"], &Kind::inside(Function::Zero, SIGNAL));
            } else if let Some((item, terminals, symbol)) = self.contact_again(&load) {
                let channel = terminals[0].trim_start_matches("COM").to_owned();
                let input = format!("IN{channel}");
                let symbol = if symbol == Symbol::Electronic { Symbol::Module } else { Symbol::Coil };
                self.through(&mut path, item, symbol, [&input, &input], &kind);
            }
            self.end(path);
        }
    }

    /// The contact of a load that has been wired already.
    fn contact_again(&self, load: &Load<'_>) -> Option<(usize, [String; 2], Symbol)> {
        let name = &self.system.actuators[load.actuator.idx()].name;
        let run = self.harness.runs.iter().find(|run| run.title == *name && run.group != "Commands")?;
        let stop = run.stops.iter().find(|stop| {
            matches!(stop.symbol, Symbol::ContactOpen | Symbol::ContactClosed | Symbol::Electronic)
                && stop.enters.starts_with("COM")
        })?;
        Some((stop.item, [stop.enters.clone(), stop.leaves.clone()], stop.symbol))
    }

    fn notes(&mut self) {
        let system = self.system;
        let mut notes = vec![];
        let list = |low: bool| {
            let all = system.actuators.iter().enumerate();
            let n = all
                .filter(|(a, load)| {
                    !load.always
                        && load.kind != ActuatorKind::Buzzer
                        && loads::is_active_low(system, ActuatorIdx(*a)) == low
                        && self.plan.place(Who::Actuator(ActuatorIdx(*a))).is_some()
                })
                .count();
            n
        };
        let (high, low) = (list(false), list(true));
        if high > 0 {
            notes.push(format!("10 kohm from each command that is on when high to 0 V ({high}): it rests off while the board resets."));
        }
        if low > 0 {
            notes.push(format!("10 kohm from each command that is on when low to 5 V ({low}): it rests off while the board resets."));
        }
        let one_wire = self.harness.wires.iter().filter(|wire| wire.function == Function::OneWire).count();
        if one_wire > 0 {
            notes.push("4.7 kohm from each one-wire pin to 5 V.".to_owned());
        }
        if self.harness.wires.iter().any(|wire| wire.function == Function::Data) {
            let ohm = system.electrics.i2c.pull_up_ohm.unwrap_or(4700.0);
            notes.push(format!(
                "Pull-ups of the I2C bus to 5 V, all together {:.1} kohm; take surplus ones off the modules.",
                ohm / 1e3
            ));
        }
        for load in loads::loads(system) {
            let fitting = system.electrics.actuator(load.actuator);
            if let Some(part) = fitting.suppressor.as_deref().and_then(|id| system.library.component(id)) {
                notes.push(format!("{}: {}.", system.actuators[load.actuator.idx()].name, part.title));
            }
        }
        self.harness.notes = notes;
    }
}
