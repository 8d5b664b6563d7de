//! The question put plainly: who wants a place, which places there are, who may have which, and on what condition.
//!
//! A place is a pin, a converter channel that is no pin, a line of an expander, a channel of a card, or a share of something that the chip
//! has a few of (watched edges, tones). A condition is a switch of the solver: a part that is added, a wire that is moved. What sums up
//! (currents of pins, power of a rail) is a [`Sum`] over switches.

use std::collections::BTreeMap;

use system::System;
use system::model::{ActuatorIdx, ActuatorKind, Derived, SensorIdx, SensorKind, SignalSource, SupplyIdx};
use system::parts::TimerWork;
use system::parts::{Chip, Form, Pins};
use system::wiring::{DeviceKind, Line, NO_PIN, SensorPlace};

use super::lock::Lock;
use crate::loads::{self, Class};

/// Most expanders of a kind that are considered as an addition.
pub(super) const MOST_ADDED: usize = 3;

/// Who wants a place.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Who {
    /// A sensor; an ultrasonic one wants two, the trigger first.
    Sensor(SensorIdx, u8),
    /// The command of an actuator.
    Actuator(ActuatorIdx),
    /// The contact of an actuator on its card.
    Contact(ActuatorIdx),
    /// The watch on the edges of a sensor.
    Watch(SensorIdx),
    /// The tone of a buzzer.
    Tone(ActuatorIdx),
    /// A device on a pin of its own, by position: infrared receiver, select line of the network.
    Device(usize),
    /// The watch on the edges of a device.
    DeviceWatch(usize),
}

/// What is asked of a place.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Need {
    /// One-wire bus: a pin.
    OneWire,
    /// Converter channel.
    Channel,
    /// Pin whose edges are seen.
    Edge,
    /// Pin that drives.
    Trigger,
    /// Contact to ground: pin or line.
    Contact,
    /// Push button: a pin.
    Button,
    /// Duty: an output of the fast timer.
    Duty,
    /// Buzzer: a pin.
    Tone,
    /// On-off command: pin or line.
    Command,
    /// Channel of a card.
    Card,
    /// Select line of a bus: a pin.
    Select,
    /// One of the pins whose edges the runtime watches.
    Watch,
    /// The timer that makes tones.
    ToneTimer,
}

impl Need {
    /// Whether a wire goes there: not so for a share of what the chip has inside, and a contact has its wires elsewhere.
    pub fn is_wired(self) -> bool {
        !matches!(self, Need::Card | Need::Watch | Need::ToneTimer)
    }
}

/// Where something can be.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Place {
    /// Pin of the chip.
    Pin(u8),
    /// Converter channel that is no pin.
    Channel(u8),
    /// Line of an expander; positions beyond the file's devices are added ones.
    Line(usize, u8),
    /// Channel of a card; positions beyond the file's supplies are added ones.
    Contact(usize, u8),
    /// One of the watches that the runtime has.
    Watch(u8),
    /// The timer that makes tones.
    ToneTimer,
}

/// A switch of the solver.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Switch {
    /// The n-th added expander of 8 lines (`false`) or 16 (`true`).
    Expander(bool, usize),
    /// An added card beside this one.
    Card(usize),
    /// This one leaves the place that the file gives it.
    MovedFromFile(Who),
    /// This one leaves the place that an earlier plan gave it.
    MovedFromLock(Who),
    /// This load goes to another card.
    OtherCard(ActuatorIdx),
    /// This thermometer joins another one's bus.
    Joined(SensorIdx),
    /// This contact may not be on this expander, for the one that it votes with is.
    Barred(SensorIdx, usize),
    /// Sensors that vote together stand on different expanders.
    KeepApart,
    /// This mains load becomes one for direct current, on a rail and a card of low voltage.
    OtherRail(ActuatorIdx),
    /// A transistor between this command and its place: it takes no current to speak of.
    Driver(ActuatorIdx),
    /// A filter or a driver between, that takes the frequency that there is.
    Filter(ActuatorIdx),
    /// This command does not load this sum.
    Away(Who, usize),
    /// The converter has this reference, mV.
    Reference(u32),
    /// This sensor is reckoned anew with the reference that there is.
    Rescaled(SensorIdx),
}

impl Switch {
    /// Whether it adds a part.
    pub fn is_part(self) -> bool {
        matches!(self, Switch::Expander(..) | Switch::Card(_) | Switch::Driver(_) | Switch::Filter(_))
    }
    /// Whether it moves a wire or changes a line of the file.
    pub fn is_move(self) -> bool {
        matches!(
            self,
            Switch::MovedFromFile(_)
                | Switch::MovedFromLock(_)
                | Switch::OtherCard(_)
                | Switch::OtherRail(_)
                | Switch::Joined(_)
                | Switch::Rescaled(_)
        )
    }
}

/// What sums up over switches and has an upper limit.
#[derive(Clone, PartialEq, Debug)]
pub struct Sum {
    /// What is summed, for people, with the limit.
    pub title: String,
    /// A switch, what it must be to count, what it counts: uA or mW.
    pub terms: Vec<(Switch, bool, u32)>,
    /// Most.
    pub most: u32,
}

/// A family of rules that can be left out, to learn what a conflict is about.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Family {
    /// What one pin or line carries.
    PinCurrent,
    /// What groups of pins and the whole chip carry.
    GroupCurrent,
    /// What the lines of an expander carry together.
    ExpanderCurrent,
    /// Frequencies of duties.
    Frequency,
    /// The reference of the converter.
    Reference,
}

impl Family {
    /// All.
    pub const ALL: [Family; 5] = [
        Family::PinCurrent,
        Family::GroupCurrent,
        Family::ExpanderCurrent,
        Family::Frequency,
        Family::Reference,
    ];
}

/// A condition: a switch that must be on, or off.
pub type Guard = (Switch, bool);

/// One wish.
#[derive(Clone, Debug)]
pub struct Demand {
    /// Whose.
    pub who: Who,
    /// What.
    pub need: Need,
    /// Its place by the file.
    pub fixed: Option<Place>,
    /// Void while this is on.
    pub void: Option<Switch>,
    /// Places it may have, the best first, with their conditions.
    pub edges: Vec<(usize, Vec<Guard>)>,
}

/// The whole question.
#[derive(Clone, Debug, Default)]
pub struct Problem {
    /// Wishes.
    pub demands: Vec<Demand>,
    /// Places.
    pub places: Vec<Place>,
    /// Pins that are taken before any wish, and by what.
    pub taken: Vec<(u8, String)>,
    /// Pairs of switches of which at least one must be on while sensors are kept apart.
    pub apart: Vec<(Switch, Switch)>,
    /// Thermometers that may join a bus; not all may unless the file has a bus.
    pub joiners: Vec<SensorIdx>,
    /// A bus that thermometers can join stands in the file.
    pub has_bus: bool,
    /// Kinds of the file's expanders by position, then of those that may be added.
    pub expanders: BTreeMap<usize, DeviceKind>,
    /// Addresses of the expanders that may be added, in order.
    pub addresses: Vec<u8>,
    /// Sums with a limit.
    pub sums: Vec<Sum>,
    /// Pins and lines that are closed to a wish by what they bear, and why.
    pub closed: Vec<(Who, String)>,
    /// Thermometers of a bus that take no place of their own, and the one whose place they share.
    pub followers: Vec<(SensorIdx, SensorIdx)>,
    /// Joiners whose ROM code stands in the file: they share a bus for nothing.
    pub coded: Vec<SensorIdx>,
    /// If the first is on, so must be the second.
    pub implied: Vec<(Switch, Switch)>,
    /// Pin of the bus that an earlier plan gave a thermometer.
    pub locked_buses: BTreeMap<SensorIdx, u8>,
}

impl Problem {
    /// Every switch that occurs.
    pub fn switches(&self) -> Vec<Switch> {
        let mut all: Vec<Switch> = (self.demands.iter())
            .flat_map(|d| d.edges.iter().flat_map(|(_, guards)| guards.iter().map(|g| g.0)).chain(d.void))
            .chain(self.apart.iter().flat_map(|(a, b)| [*a, *b]))
            .chain(self.implied.iter().flat_map(|(a, b)| [*a, *b]))
            .chain(self.sums.iter().flat_map(|sum| sum.terms.iter().map(|(switch, ..)| *switch)))
            .collect();
        all.sort_unstable();
        all.dedup();
        all
    }

    /// Whether a switch moves something at a cost: to share a bus is free with a ROM code.
    pub fn is_move(&self, switch: Switch) -> bool {
        switch.is_move() && !matches!(switch, Switch::Joined(sensor) if self.coded.contains(&sensor))
    }

    /// The same question with these wishes alone.
    pub(super) fn only(&self, demands: &[usize]) -> Problem {
        let mut part = self.clone();
        part.demands = demands.iter().map(|d| self.demands[*d].clone()).collect();
        let stays = |who: Who| part.demands.iter().any(|demand| demand.who == who);
        for sum in &mut part.sums {
            sum.terms.retain(|(switch, ..)| match switch {
                Switch::Away(who, _) => stays(*who),
                Switch::OtherRail(actuator) => stays(Who::Contact(*actuator)),
                Switch::Driver(actuator) => stays(Who::Actuator(*actuator)),
                _ => true,
            });
        }
        let has = |sensor: SensorIdx| stays(Who::Sensor(sensor, 0));
        part.joiners.retain(|sensor| has(*sensor));
        part.coded.retain(|sensor| has(*sensor));
        part
    }
}

/// What there is, while a problem is put together.
struct Builder<'a> {
    system: &'a System,
    chip: &'a Chip,
    form: Option<&'a Form>,
    lock: Option<&'a Lock>,
    problem: Problem,
    index: BTreeMap<Place, usize>,
    /// Rules that are left out.
    without: &'a [Family],
    /// The I2C pins are free as long as no expander is added.
    i2c_is_free: bool,
}

/// Puts the question for the first board of a system, or for another chip in its place.
pub(super) fn build(
    system: &System,
    chip: &Chip,
    lock: Option<&Lock>,
    keeps_places: bool,
    without: &[Family],
) -> Problem {
    let form = system.library.form(&chip.name);
    let mut builder = Builder {
        system,
        chip,
        form,
        lock,
        problem: Problem::default(),
        index: BTreeMap::new(),
        without,
        i2c_is_free: !system.wiring.devices.iter().any(|device| device.kind.is_on_i2c()),
    };
    builder.taken(keeps_places);
    builder.expanders();
    builder.places();
    builder.demands(keeps_places);
    builder.apart();
    builder.references();
    builder.currents();
    builder.cover();
    builder.rails();
    builder.problem
}

impl Builder<'_> {
    fn taken(&mut self, keeps_places: bool) {
        let pins = &self.chip.pins;
        let devices = &self.system.wiring.devices;
        let taken = &mut self.problem.taken;
        let mut take = |list: &[u8], why: &str| {
            for pin in list {
                if !taken.iter().any(|(old, _)| old == pin) {
                    taken.push((*pin, why.to_owned()));
                }
            }
        };
        take(&pins.uart, "the serial line of the board");
        if !self.i2c_is_free {
            take(&pins.i2c, "the I2C bus");
        }
        if devices.iter().any(|device| device.kind == DeviceKind::W5500) {
            take(&pins.spi, "the network's SPI bus");
        }
        let on_pins = devices.iter().filter(|device| !device.kind.is_on_i2c() && device.address != NO_PIN);
        for device in on_pins.filter(|_| keeps_places) {
            take(&[device.address], &format!("`{}`", device.name));
        }
        for id in &self.system.electrics.stacked {
            let Some(stack) = self.system.library.component(id) else { continue };
            for (chip, list) in &stack.takes {
                if chip.eq_ignore_ascii_case(&self.chip.name) {
                    take(list, &format!("the stacked card `{id}`"));
                }
            }
        }
    }

    fn expanders(&mut self) {
        let devices = &self.system.wiring.devices;
        for (at, device) in devices.iter().enumerate() {
            if device.kind.n_lines() > 0 {
                self.problem.expanders.insert(at, device.kind);
            }
        }
        let used: Vec<u8> = devices.iter().filter(|d| d.kind.is_on_i2c()).map(|d| d.address).collect();
        // MCP23008 and MCP23017 share 0x20 to 0x27 (data sheets).
        self.problem.addresses = (0x20..0x28).filter(|address| !used.contains(address)).collect();
        let n = self.problem.addresses.len().min(MOST_ADDED);
        for slot in 0..2 * n {
            let kind = if slot < n { DeviceKind::Mcp23008 } else { DeviceKind::Mcp23017 };
            self.problem.expanders.insert(devices.len() + slot, kind);
        }
    }

    /// The switch of an expander that is no part of the file.
    fn added(&self, device: usize) -> Option<Switch> {
        let n = self.problem.addresses.len().min(MOST_ADDED);
        let slot = device.checked_sub(self.system.wiring.devices.len())?;
        Some(if slot < n { Switch::Expander(false, slot) } else { Switch::Expander(true, slot - n) })
    }

    fn place(&mut self, place: Place) -> usize {
        *self.index.entry(place).or_insert_with(|| {
            self.problem.places.push(place);
            self.problem.places.len() - 1
        })
    }

    fn is_taken(&self, pin: u8) -> bool {
        self.problem.taken.iter().any(|(taken, _)| *taken == pin)
    }

    fn places(&mut self) {
        for pin in self.chip.pins.digital.clone() {
            if !self.is_taken(pin) {
                self.place(Place::Pin(pin));
            }
        }
    }

    /// Pins that nothing has taken, those with the fewest abilities first.
    fn free_pins(&self, among: &[u8], quiet: bool) -> Vec<u8> {
        let pins = &self.chip.pins;
        let mut all: Vec<u8> = (among.iter().copied())
            .filter(|pin| !self.is_taken(*pin))
            .filter(|pin| !quiet || self.form.is_none_or(|form| form.pulse(*pin).is_none()))
            .collect();
        let abilities = |pin: u8| {
            let channel = pins.channels.iter().any(|(_, _, on)| *on == Some(pin));
            let duty = pins.pwm.contains(&pin);
            let bus = pins.i2c.contains(&pin) || pins.spi.contains(&pin);
            4 * u8::from(duty) + 2 * u8::from(channel) + u8::from(bus)
        };
        all.sort_by_key(|pin| (abilities(*pin), *pin));
        all
    }

    fn pin_edges(&mut self, pins: Vec<u8>) -> Vec<(usize, Vec<Guard>)> {
        let mut edges = vec![];
        for pin in pins {
            let at = self.place(Place::Pin(pin));
            edges.push((at, self.pin_guards(pin)));
        }
        edges
    }

    /// The I2C pins can be had as long as no expander is added.
    fn pin_guards(&self, pin: u8) -> Vec<Guard> {
        if !(self.i2c_is_free && self.chip.pins.i2c.contains(&pin)) {
            return vec![];
        }
        let n = self.system.wiring.devices.len();
        let added = self.problem.expanders.keys().filter(|at| **at >= n);
        added.filter_map(|at| self.added(*at)).map(|switch| (switch, false)).collect()
    }

    fn line_edges(&mut self, high_at_power_up: bool, barred: Option<SensorIdx>) -> Vec<(usize, Vec<Guard>)> {
        let mut edges = vec![];
        for (device, kind) in self.problem.expanders.clone() {
            // A PCF8574 floats high: what is energised by a high level would be on at every reset.
            if kind == DeviceKind::Pcf8574 && !high_at_power_up {
                continue;
            }
            for line in 0..kind.n_lines() {
                let mut guards: Vec<Guard> =
                    self.added(device).map(|switch| (switch, true)).into_iter().collect();
                guards.extend(barred.map(|sensor| (Switch::Barred(sensor, device), false)));
                let at = self.place(Place::Line(device, line));
                edges.push((at, guards));
            }
        }
        edges
    }

    fn demands(&mut self, keeps_places: bool) {
        let system = self.system;
        let mut buses: Vec<(u8, SensorIdx)> = vec![];
        for s in 0..system.sensors.len() {
            let sensor = SensorIdx(s);
            let said = system.wiring.sensor(sensor);
            if matches!(said, Some(SensorPlace::RemoteKey { .. })) {
                continue;
            }
            if let Some(SensorPlace::OneWire { pin, rom }) = said {
                self.problem.has_bus |= rom.is_some() && keeps_places;
                // Further thermometers of a bus take no place of their own, on whatever board.
                if let Some((_, first)) = buses.iter().find(|(bus, _)| bus == pin) {
                    self.problem.followers.push((sensor, *first));
                    continue;
                }
                buses.push((*pin, sensor));
            }
            let fixed = said.filter(|_| keeps_places);
            for (part, need) in needs_of(system, sensor).into_iter().enumerate() {
                let fixed = fixed.and_then(|place| self.fixed_place(*place, part));
                self.demand(Who::Sensor(sensor, part as u8), need, fixed);
                if need == Need::Edge {
                    self.watch(Who::Watch(sensor));
                }
            }
        }
        for (d, device) in system.wiring.devices.iter().enumerate() {
            if device.kind.is_on_i2c() {
                continue;
            }
            let is_receiver = device.kind == DeviceKind::InfraredReceiver;
            if !keeps_places || device.address == NO_PIN {
                self.demand(Who::Device(d), if is_receiver { Need::Edge } else { Need::Select }, None);
            }
            if is_receiver {
                self.watch(Who::DeviceWatch(d));
            }
        }
        for a in 0..system.actuators.len() {
            let actuator = ActuatorIdx(a);
            let load = &system.actuators[a];
            if load.always {
                continue;
            }
            let need = match load.kind {
                _ if load.modulated => Need::Duty,
                ActuatorKind::Buzzer => Need::Tone,
                _ => Need::Command,
            };
            let fixed = keeps_places.then(|| system.wiring.actuator(actuator)).flatten();
            let fixed = fixed.map(|place| match place.line {
                Line::Pin(pin) => Place::Pin(pin),
                Line::Expander { device, line } => Place::Line(device, line),
            });
            self.demand(Who::Actuator(actuator), need, fixed);
            if need == Need::Tone && self.chip.pins.timers.iter().any(|timer| timer.does == TimerWork::Tone) {
                let at = self.place(Place::ToneTimer);
                self.wish(Who::Tone(actuator), Need::ToneTimer, None, vec![(at, vec![])]);
            }
            if need == Need::Command && loads::card_of(system, load).is_some() {
                self.demand(Who::Contact(actuator), Need::Card, None);
            }
        }
        let unplaced: Vec<SensorIdx> = (self.problem.demands.iter())
            .filter_map(|d| match (d.who, d.need, d.fixed) {
                (Who::Sensor(sensor, _), Need::OneWire, None) => Some(sensor),
                _ => None,
            })
            .collect();
        if unplaced.len() > 1 || (self.problem.has_bus && !unplaced.is_empty()) {
            for demand in &mut self.problem.demands {
                if let Who::Sensor(sensor, _) = demand.who
                    && unplaced.contains(&sensor)
                {
                    demand.void = Some(Switch::Joined(sensor));
                }
            }
            self.problem.coded =
                unplaced.iter().copied().filter(|sensor| system.wiring.rom(*sensor).is_some()).collect();
            self.problem.joiners = unplaced;
            self.locked_buses();
        }
    }

    /// Who had a bus in an earlier plan keeps it, and who shared it shares it, or it counts as a wire that moves.
    fn locked_buses(&mut self) {
        let pins = &self.chip.pins;
        for sensor in self.problem.coded.clone() {
            let who = Who::Sensor(sensor, 0);
            let Some(Place::Pin(pin)) = self.lock.and_then(|lock| lock.place(self.system, pins, who)) else {
                continue;
            };
            if !self.problem.locked_buses.values().any(|other| *other == pin) {
                self.problem.implied.push((Switch::Joined(sensor), Switch::MovedFromLock(who)));
            }
            self.problem.locked_buses.insert(sensor, pin);
        }
    }

    /// One of the watches that the runtime has on edges.
    fn watch(&mut self, who: Who) {
        let Some(n) = self.chip.pins.watched else { return };
        let edges = (0..n).map(|watch| (self.place(Place::Watch(watch)), vec![])).collect();
        self.wish(who, Need::Watch, None, edges);
    }

    fn wish(&mut self, who: Who, need: Need, fixed: Option<Place>, edges: Vec<(usize, Vec<Guard>)>) {
        self.problem.demands.push(Demand { who, need, fixed, void: None, edges });
    }

    fn fixed_place(&self, place: SensorPlace, part: usize) -> Option<Place> {
        Some(match place {
            SensorPlace::OneWire { pin, .. }
            | SensorPlace::Pulses { pin }
            | SensorPlace::Button { pin, .. } => Place::Pin(pin),
            SensorPlace::Channel { channel } => channel_place(&self.chip.pins, channel),
            SensorPlace::Echo { trigger, echo } => Place::Pin(if part == 0 { trigger } else { echo }),
            SensorPlace::Contact { line: Line::Pin(pin), .. } => Place::Pin(pin),
            SensorPlace::Contact { line: Line::Expander { device, line }, .. } => Place::Line(device, line),
            SensorPlace::RemoteKey { .. } => return None,
        })
    }

    fn demand(&mut self, who: Who, need: Need, fixed: Option<Place>) {
        let pins = self.chip.pins.clone();
        let mut edges = match need {
            Need::OneWire | Need::Button | Need::Trigger => {
                let free = self.free_pins(&pins.digital, true);
                self.pin_edges(free)
            }
            Need::Tone => {
                let free = self.free_pins(&pins.digital, false);
                self.pin_edges(free)
            }
            Need::Edge => {
                let free = self.free_pins(&pins.edges, true);
                self.pin_edges(free)
            }
            Need::Duty => {
                let free = self.free_pins(&pins.pwm, true);
                self.pin_edges(free)
            }
            Need::Select => {
                // The select pin of the bus itself is the device's if it likes.
                let own = pins.spi.get(3).copied();
                let mut all: Vec<u8> = own.into_iter().collect();
                all.extend(self.free_pins(&pins.digital, true));
                self.pin_edges(all)
            }
            Need::Watch | Need::ToneTimer => vec![],
            Need::Channel => self.channel_edges(),
            Need::Contact => {
                let barred = match who {
                    Who::Sensor(sensor, _) if partners(self.system, sensor).next().is_some() => Some(sensor),
                    _ => None,
                };
                let mut edges = self.line_edges(true, barred);
                let free = self.free_pins(&pins.digital, true);
                edges.extend(self.pin_edges(free));
                edges
            }
            Need::Command => {
                let low = match who {
                    Who::Actuator(actuator) => loads::is_active_low(self.system, actuator),
                    _ => false,
                };
                let free = self.free_pins(&pins.digital, true);
                let mut edges = self.pin_edges(free);
                edges.extend(self.line_edges(low, None));
                edges
            }
            Need::Card => self.card_edges(who),
        };
        let locked = self.lock.and_then(|lock| lock.place(self.system, &pins, who));
        if let Some(fixed) = fixed {
            let at = self.place(fixed);
            for (_, guards) in &mut edges {
                guards.push((Switch::MovedFromFile(who), true));
            }
            edges.retain(|(place, _)| *place != at);
            edges.insert(0, (at, vec![]));
        } else if let Some(locked) = locked
            && let Some(at) = self.index.get(&locked).copied()
            && edges.iter().any(|(place, _)| *place == at)
        {
            for (place, guards) in &mut edges {
                if *place != at {
                    guards.push((Switch::MovedFromLock(who), true));
                }
            }
            edges.sort_by_key(|(place, _)| *place != at);
        }
        self.closed_by_current(who, &mut edges);
        self.closed_by_frequency(who, need, &mut edges);
        self.wish(who, need, fixed, edges);
    }

    fn is_minded(&self, family: Family) -> bool {
        !self.without.contains(&family)
    }

    /// What a command takes from its pin or line.
    fn microamps(&self, who: Who) -> f64 {
        match who {
            Who::Actuator(actuator) => (loads::command_current(self.system, actuator) * 1e6).round(),
            _ => 0.0,
        }
    }

    fn expander_figure(&self, device: usize, key: &str) -> Option<f64> {
        let part = match self.system.wiring.devices.get(device) {
            Some(_) => loads::device(self.system, device),
            None => loads::usual_device(self.system, *self.problem.expanders.get(&device)?),
        };
        part?.value(key)
    }

    /// Pins and lines that bear less than a command takes are open to it behind a transistor only.
    fn closed_by_current(&mut self, who: Who, edges: &mut [(usize, Vec<Guard>)]) {
        let Who::Actuator(actuator) = who else { return };
        if !self.is_minded(Family::PinCurrent) {
            return;
        }
        let amps = self.microamps(who).abs() * 1e-6;
        let mut why: Vec<String> = vec![];
        for (place, guards) in edges.iter_mut() {
            let limit = match self.problem.places[*place] {
                Place::Pin(_) => self.form.map(|form| form.pin_work_a),
                Place::Line(device, _) => self.expander_figure(device, "line_current"),
                _ => None,
            };
            let Some(limit) = limit.filter(|limit| amps > *limit) else { continue };
            guards.push((Switch::Driver(actuator), true));
            let what = if matches!(self.problem.places[*place], Place::Pin(_)) { "a pin" } else { "a line" };
            let text = format!("its command takes {:.0} mA, {what} bears {:.0} mA", amps * 1e3, limit * 1e3);
            if !why.contains(&text) {
                why.push(text);
            }
        }
        self.problem.closed.extend(why.into_iter().map(|text| (who, text)));
    }

    /// A duty comes from a timer, and the timer has one frequency.
    fn closed_by_frequency(&mut self, who: Who, need: Need, edges: &mut [(usize, Vec<Guard>)]) {
        let Who::Actuator(actuator) = who else { return };
        let Some(most) = self.system.electrics.actuator(actuator).pwm_hz else { return };
        if need != Need::Duty || !self.is_minded(Family::Frequency) {
            return;
        }
        let mut given: Vec<f64> = vec![];
        for (place, guards) in edges.iter_mut() {
            let Place::Pin(pin) = self.problem.places[*place] else { continue };
            let Some(hz) = self.chip.pins.duty_hz(pin).filter(|hz| *hz > most) else { continue };
            guards.push((Switch::Filter(actuator), true));
            if !given.contains(&hz) {
                given.push(hz);
            }
        }
        for hz in given {
            let text =
                format!("its driver takes a duty of at most {}, the timer gives {}", hertz(most), hertz(hz));
            self.problem.closed.push((who, text));
        }
    }

    /// The converter has one reference, of those that the board offers.
    fn references(&mut self) {
        let system = self.system;
        let wanted = |sensor: SensorIdx| system.sensors[sensor.idx()].reference_v();
        let same = |a: f64, b: f64| (a - b).abs() < 0.05;
        let mut all: Vec<f64> = vec![];
        for demand in &self.problem.demands {
            if let (Who::Sensor(sensor, _), Need::Channel) = (demand.who, demand.need)
                && let Some(volts) = wanted(sensor)
                && !all.iter().any(|known| same(*known, volts))
            {
                all.push(volts);
            }
        }
        let offered = self.form.map(|form| form.references.clone()).unwrap_or_default();
        let is_offered = |volts: f64| offered.is_empty() || offered.iter().any(|o| same(*o, volts));
        if !self.is_minded(Family::Reference) || all.len() <= 1 && all.iter().all(|volts| is_offered(*volts))
        {
            return;
        }
        for demand in &mut self.problem.demands {
            let (Who::Sensor(sensor, _), Need::Channel) = (demand.who, demand.need) else { continue };
            let Some(volts) = wanted(sensor) else { continue };
            let first = all.iter().copied().find(|known| same(*known, volts)).unwrap_or(volts);
            let mut edges = vec![];
            for (place, guards) in std::mem::take(&mut demand.edges) {
                let mut anew = guards.clone();
                anew.push((Switch::Rescaled(sensor), true));
                if is_offered(volts) {
                    let mut with = guards;
                    with.push((Switch::Reference(millivolts(first)), true));
                    edges.push((place, with));
                }
                edges.push((place, anew));
            }
            demand.edges = edges;
            let offers: Vec<String> = offered.iter().map(|volts| format!("{volts} V")).collect();
            let board = if offers.is_empty() {
                String::new()
            } else {
                format!(" (this board: {})", offers.join(", "))
            };
            let text = format!(
                "it is reckoned with a reference of {volts} V, and a converter has one at a time{board}"
            );
            self.problem.closed.push((demand.who, text));
        }
        // One reference at a time: of each pair one is off.
        let chosen: Vec<u32> = all.into_iter().map(millivolts).collect();
        self.problem.sums.push(Sum {
            title: "a converter has one reference at a time".to_owned(),
            terms: chosen.into_iter().map(|mv| (Switch::Reference(mv), true, 1)).collect(),
            most: 1,
        });
    }

    /// What groups of pins, the whole chip and expanders carry together.
    fn currents(&mut self) {
        let milli = |amps: f64| format!("{:.0} mA", amps * 1e3);
        let name = |pin: u8| self.form.map_or_else(|| Pins::name(pin), |form| form.label(pin));
        let mut domains: Vec<(String, f64, Side, Inside)> = vec![];
        if let Some(form) = self.form.filter(|_| self.is_minded(Family::GroupCurrent)) {
            for group in &form.groups {
                for (side, limit, word) in
                    [(Side::Gives, group.source_a, "give"), (Side::Takes, group.sink_a, "take")]
                {
                    let first = group.pins.first().map_or(String::new(), |pin| name(*pin));
                    let title = format!("the pins around {first} may {word} {} together", milli(limit));
                    let pins = group.pins.clone();
                    domains.push((
                        title,
                        limit,
                        side,
                        Box::new(move |place| matches!(place, Place::Pin(pin) if pins.contains(&pin))),
                    ));
                }
            }
            let title = format!("all pins may carry {} together", milli(form.total_a));
            domains.push((title, form.total_a, Side::Both, Box::new(|place| matches!(place, Place::Pin(_)))));
        }
        for device in
            self.problem.expanders.keys().copied().filter(|_| self.is_minded(Family::ExpanderCurrent))
        {
            let name =
                self.system.wiring.devices.get(device).map_or("an added expander", |d| d.name.as_str());
            for (side, key, word) in
                [(Side::Gives, "source_total", "give"), (Side::Takes, "sink_total", "take")]
            {
                let Some(limit) = self.expander_figure(device, key) else { continue };
                let title = format!("the lines of `{name}` may {word} {} together", milli(limit));
                domains.push((
                    title,
                    limit,
                    side,
                    Box::new(move |place| matches!(place, Place::Line(at, _) if at == device)),
                ));
            }
        }
        let places = self.problem.places.clone();
        for (title, limit, side, is_inside) in domains {
            let mut loaders: Vec<(usize, u32)> = vec![];
            for (d, demand) in self.problem.demands.iter().enumerate() {
                let amount = side.of(self.microamps(demand.who));
                if amount > 0 && demand.edges.iter().any(|(place, _)| is_inside(places[*place])) {
                    loaders.push((d, amount));
                }
            }
            let most = (limit * 1e6).round() as u32;
            // No more commands than there are places; if the largest of them do no harm, none do.
            let n_places = places.iter().filter(|place| is_inside(**place)).count();
            let mut largest: Vec<u32> = loaders.iter().map(|(_, amount)| *amount).collect();
            largest.sort_unstable_by(|a, b| b.cmp(a));
            if largest.iter().take(n_places).sum::<u32>() <= most {
                continue;
            }
            let at = self.problem.sums.len();
            let mut terms = vec![];
            for (d, amount) in loaders {
                let demand = &mut self.problem.demands[d];
                let away = Switch::Away(demand.who, at);
                let Who::Actuator(actuator) = demand.who else { continue };
                let mut driven = vec![];
                for (place, guards) in &mut demand.edges {
                    if !is_inside(places[*place]) || guards.contains(&(Switch::Driver(actuator), true)) {
                        continue;
                    }
                    // Behind a transistor it counts nowhere.
                    let mut free: Vec<Guard> = (guards.iter().copied())
                        .filter(|(switch, _)| !matches!(switch, Switch::Away(..)))
                        .collect();
                    free.push((Switch::Driver(actuator), true));
                    driven.push((*place, free));
                    guards.push((away, false));
                }
                driven.retain(|edge| !demand.edges.contains(edge));
                demand.edges.extend(driven);
                terms.push((away, false, amount));
            }
            self.problem.sums.push(Sum { title, terms, most });
        }
    }

    /// What all commands take is no more than pins and expanders bear together. It follows from the sums of each, but to find that out
    /// is a pigeonhole problem, on which clause learning spends for ever.
    fn cover(&mut self) {
        let Some(form) = self.form else { return };
        if !(self.is_minded(Family::GroupCurrent) && self.is_minded(Family::ExpanderCurrent)) {
            return;
        }
        for side in [Side::Gives, Side::Takes] {
            let loaders: Vec<(ActuatorIdx, u32)> = (self.problem.demands.iter())
                .filter_map(|demand| match demand.who {
                    Who::Actuator(actuator) => Some((actuator, side.of(self.microamps(demand.who)))),
                    _ => None,
                })
                .filter(|(_, amount)| *amount > 0)
                .collect();
            // Equal amounts fill a limit in whole steps only.
            let first = loaders.first().map_or(1, |(_, amount)| *amount);
            let step = if loaders.iter().all(|(_, amount)| *amount == first) { first } else { 1 };
            let bears = |amps: f64| ((amps * 1e6).round() as u32) / step * step;
            let grouped = |pin: &u8| form.groups.iter().any(|group| group.pins.contains(pin));
            let by_group = self.chip.pins.digital.iter().all(grouped).then(|| {
                let limits = form.groups.iter().map(|group| match side {
                    Side::Takes => group.sink_a,
                    _ => group.source_a,
                });
                limits.map(bears).sum::<u32>()
            });
            let mut most = by_group.unwrap_or(u32::MAX).min(bears(form.total_a));
            let key = if matches!(side, Side::Takes) { "sink_total" } else { "source_total" };
            let mut terms: Vec<(Switch, bool, u32)> = loaders
                .iter()
                .map(|(actuator, amount)| (Switch::Driver(*actuator), false, *amount))
                .collect();
            let mut is_known = true;
            for device in self.problem.expanders.keys() {
                let Some(limit) = self.expander_figure(*device, key).map(bears) else {
                    is_known = false;
                    continue;
                };
                most = most.saturating_add(limit);
                terms.extend(self.added(*device).map(|switch| (switch, false, limit)));
            }
            let all: u32 = terms.iter().map(|(.., amount)| *amount).sum();
            if is_known && all > most {
                let title = "the board and its expanders bear no more together".to_owned();
                self.problem.sums.push(Sum { title, terms, most });
            }
        }
    }

    /// What loads that go over to a rail may draw from it.
    fn rails(&mut self) {
        let system = self.system;
        let mut by_rail: BTreeMap<SupplyIdx, Vec<(Switch, bool, u32)>> = BTreeMap::new();
        for demand in &self.problem.demands {
            let Who::Contact(actuator) = demand.who else { continue };
            let away = Switch::OtherRail(actuator);
            if demand.edges.iter().any(|(_, guards)| guards.contains(&(away, true)))
                && let Some(rail) = loads::rail(system)
            {
                let watts = system.actuators[actuator.idx()].watts;
                by_rail.entry(rail).or_default().push((away, true, (watts * 1e3).round() as u32));
            }
        }
        for (rail, terms) in by_rail {
            let Some(free) = loads::rail_headroom(system, rail) else { continue };
            self.problem.sums.push(Sum {
                title: format!("the rail `{}` has {free:.0} W to spare", system.supplies[rail.idx()].name),
                terms,
                most: (free.max(0.0) * 1e3) as u32,
            });
        }
    }

    fn channel_edges(&mut self) -> Vec<(usize, Vec<Guard>)> {
        let mut edges = vec![];
        let mut all: Vec<(u8, Option<u8>)> =
            self.chip.pins.channels.iter().map(|(_, number, pin)| (*number, *pin)).collect();
        // Channels that are no pin cost nobody anything.
        all.sort_by_key(|(number, pin)| (pin.is_some(), *number));
        for (number, pin) in all {
            match pin {
                None => edges.push((self.place(Place::Channel(number)), vec![])),
                Some(pin) if self.is_taken(pin) => {}
                Some(pin) if self.form.is_some_and(|form| form.pulse(pin).is_some()) => {}
                Some(pin) => {
                    let at = self.place(Place::Pin(pin));
                    edges.push((at, self.pin_guards(pin)));
                }
            }
        }
        edges
    }

    fn card_edges(&mut self, who: Who) -> Vec<(usize, Vec<Guard>)> {
        let Who::Contact(actuator) = who else { return vec![] };
        let system = self.system;
        let load = &system.actuators[actuator.idx()];
        let class = loads::class(system, load.supply, load.kind);
        let Some(own) = loads::card_of(system, load) else { return vec![] };
        let mut edges = vec![];
        let cards: Vec<usize> =
            (0..system.supplies.len()).filter(|s| loads::is_card(system, SupplyIdx(*s))).collect();
        let n_supplies = system.supplies.len();
        // Without a word about its channels a card has as many as it needs.
        let n_loads = system.actuators.iter().filter(|a| loads::card_of(system, a).is_some()).count() as u8;
        for card in std::iter::once(own.idx()).chain(cards.into_iter().filter(|card| *card != own.idx())) {
            let is_own = card == own.idx();
            let of = loads::card_class(system, SupplyIdx(card));
            // A load of the mains goes to a card for low voltage only as one for direct current, with its supply.
            let other_rail = !is_own
                && class == Class::Mains
                && of == Class::Low
                && loads::on_direct_current(system, load.kind).is_some()
                && loads::rail(system).is_some();
            if !is_own && of != class && !other_rail {
                continue;
            }
            let n = if system.electrics.is_begun {
                loads::n_channels(system, SupplyIdx(card)).unwrap_or(n_loads)
            } else {
                system.electrics.supply(SupplyIdx(card)).channels.unwrap_or(n_loads)
            };
            for channel in 0..n {
                let at = self.place(Place::Contact(card, channel));
                let guards = match (is_own, other_rail) {
                    (true, _) => vec![],
                    (_, true) => vec![(Switch::OtherRail(actuator), true)],
                    _ => vec![(Switch::OtherCard(actuator), true)],
                };
                edges.push((at, guards));
            }
        }
        // A second card like its own.
        let n = loads::card(system, own).and_then(|card| card.value("lines")).map_or(8, |lines| lines as u8);
        for channel in 0..n {
            let at = self.place(Place::Contact(n_supplies + own.idx(), channel));
            edges.push((at, vec![(Switch::Card(own.idx()), true)]));
        }
        edges
    }

    /// Contacts that vote together should not go dead together.
    fn apart(&mut self) {
        for s in 0..self.system.sensors.len() {
            for other in partners(self.system, SensorIdx(s)).filter(|other| other.idx() > s) {
                for device in self.problem.expanders.keys() {
                    self.problem
                        .apart
                        .push((Switch::Barred(SensorIdx(s), *device), Switch::Barred(other, *device)));
                }
            }
        }
    }
}

/// Whether a place counts in a sum.
type Inside = Box<dyn Fn(Place) -> bool>;

/// Which way a current counts.
#[derive(Clone, Copy)]
enum Side {
    Gives,
    Takes,
    Both,
}

impl Side {
    fn of(self, microamps: f64) -> u32 {
        let counted = match self {
            Side::Gives => microamps.max(0.0),
            Side::Takes => (-microamps).max(0.0),
            Side::Both => microamps.abs(),
        };
        counted as u32
    }
}

fn millivolts(volts: f64) -> u32 {
    (volts * 1e3).round() as u32
}

/// A frequency as people write it.
fn hertz(hz: f64) -> String {
    if hz >= 1e3 { format!("{} kHz", hz / 1e3) } else { format!("{hz:.0} Hz") }
}

/// The place of a converter channel.
pub(super) fn channel_place(pins: &Pins, channel: u8) -> Place {
    let pin = pins.channels.iter().find(|(_, number, _)| *number == channel).and_then(|(_, _, pin)| *pin);
    pin.map_or(Place::Channel(channel), Place::Pin)
}

/// What a sensor wants.
pub(super) fn needs_of(system: &System, sensor: SensorIdx) -> Vec<Need> {
    let part = &system.sensors[sensor.idx()];
    match part.kind {
        SensorKind::Ds18b20 | SensorKind::RoomTemperature => vec![Need::OneWire],
        SensorKind::Level { .. } if part.mounted.is_some() => vec![Need::Trigger, Need::Edge],
        SensorKind::Tmp36 { .. }
        | SensorKind::Ntc { .. }
        | SensorKind::Ph { .. }
        | SensorKind::Conductivity
        | SensorKind::Level { .. }
        | SensorKind::Charge { .. } => vec![Need::Channel],
        SensorKind::Flow { .. } => vec![Need::Edge],
        SensorKind::Button => vec![Need::Button],
        SensorKind::Float { .. } | SensorKind::Leak | SensorKind::Presence { .. } => vec![Need::Contact],
    }
}

/// Contacts that a vote or a middle joins with this one.
pub(super) fn partners(system: &System, sensor: SensorIdx) -> impl Iterator<Item = SensorIdx> + '_ {
    let is_contact = |s: SensorIdx| needs_of(system, s) == [Need::Contact];
    let of = |signal: system::model::SignalIdx| match system.signals.get(signal.idx())?.source {
        SignalSource::Sensor(sensor) => Some(sensor),
        _ => None,
    };
    let mut all: Vec<SensorIdx> = (system.signals.iter())
        .filter_map(|signal| match &signal.source {
            SignalSource::Derived(Derived::Vote { of: inputs, .. } | Derived::Middle { of: inputs }) => {
                Some(inputs.iter().filter_map(|signal| of(*signal)).collect::<Vec<_>>())
            }
            _ => None,
        })
        .filter(|inputs| inputs.contains(&sensor))
        .flatten()
        .filter(|other| *other != sensor && is_contact(*other) && is_contact(sensor))
        .collect();
    all.sort_unstable();
    all.dedup();
    all.into_iter()
}
