//! Board, bus, probes and commands: all that is wired inside of the low-voltage side.

use std::collections::BTreeMap;

use system::electrics::Compartment;
use system::model::{ActuatorIdx, ActuatorKind, SensorIdx, SensorKind, SupplyIdx, SupplyKind};
use system::parts::ComponentKind;
use system::wiring::{DeviceKind, SensorPlace};

use super::{Builder, Kind, SIGNAL};
use crate::assign::{Place, Who};
use crate::harness::items::{self, Item, ItemKind};
use crate::harness::{Function, Symbol};
use crate::loads::{self, Class, Load};

impl Builder<'_> {
    /// Supply of board, devices and cards.
    pub(super) fn power(&mut self) {
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
    pub(super) fn bus(&mut self) {
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
            let own = self.pin_label(self.plan.wiring.devices[d].address);
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
            Place::Contact(..) | Place::Watch(_) | Place::ToneTimer => return None,
        })
    }

    pub(super) fn sensors(&mut self) {
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
            // A monitor of the mains sits in the enclosure.
            let is_inside = self.harness.items[probe].compartment.is_some();
            let field = |function| match is_inside {
                true => Kind::inside(function, SIGNAL),
                false => Kind::field(function, SIGNAL, fitting, &part.name),
            };
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

    pub(super) fn commands(&mut self) {
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

    pub(super) fn notes(&mut self) {
        let system = self.system;
        let mut notes = vec![];
        let list = |low: bool| {
            let all = system.actuators.iter().enumerate();
            all.filter(|(a, load)| {
                !load.always
                    && load.kind != ActuatorKind::Buzzer
                    && loads::is_active_low(system, ActuatorIdx(*a)) == low
                    && self.plan.place(Who::Actuator(ActuatorIdx(*a))).is_some()
            })
            .count()
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
        let mut suppressors: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
        for (a, actuator) in system.actuators.iter().enumerate() {
            let fitting = system.electrics.actuator(ActuatorIdx(a));
            if let Some(part) = fitting.suppressor.as_deref().and_then(|id| system.library.component(id)) {
                suppressors.entry(&part.title).or_default().push(&actuator.name);
            }
        }
        notes.extend(suppressors.iter().map(|(title, names)| format!("{title}: {}.", names.join(", "))));
        self.harness.notes = notes;
    }
}
