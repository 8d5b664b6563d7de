//! The question put plainly: who wants a place, which places there are, who may have which, and on what condition.
//!
//! A place is a pin, a converter channel that is no pin, a line of an expander or a channel of a card. A condition is a switch of the
//! solver: a part that is added, a wire that is moved.

use std::collections::BTreeMap;

use system::System;
use system::model::{ActuatorIdx, ActuatorKind, Derived, SensorIdx, SensorKind, SignalSource, SupplyIdx};
use system::parts::{Chip, Form, Pins};
use system::wiring::{DeviceKind, Line, SensorPlace};

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
}

impl Switch {
    /// Whether it adds a part.
    pub fn is_part(self) -> bool {
        matches!(self, Switch::Expander(..) | Switch::Card(_))
    }
    /// Whether it moves a wire.
    pub fn is_move(self) -> bool {
        matches!(
            self,
            Switch::MovedFromFile(_) | Switch::MovedFromLock(_) | Switch::OtherCard(_) | Switch::Joined(_)
        )
    }
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
}

impl Problem {
    /// Every switch that occurs.
    pub fn switches(&self) -> Vec<Switch> {
        let mut all: Vec<Switch> = (self.demands.iter())
            .flat_map(|d| d.edges.iter().flat_map(|(_, guards)| guards.iter().map(|g| g.0)).chain(d.void))
            .chain(self.apart.iter().flat_map(|(a, b)| [*a, *b]))
            .collect();
        all.sort_unstable();
        all.dedup();
        all
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
    /// The I2C pins are free as long as no expander is added.
    i2c_is_free: bool,
}

/// Puts the question for the first board of a system, or for another chip in its place.
pub(super) fn build(system: &System, chip: &Chip, lock: Option<&Lock>, keeps_places: bool) -> Problem {
    let form = system.library.form(&chip.name);
    let mut builder = Builder {
        system,
        chip,
        form,
        lock,
        problem: Problem::default(),
        index: BTreeMap::new(),
        i2c_is_free: !system.wiring.devices.iter().any(|device| device.kind.is_on_i2c()),
    };
    builder.taken();
    builder.expanders();
    builder.places();
    builder.demands(keeps_places);
    builder.apart();
    builder.problem
}

impl Builder<'_> {
    fn taken(&mut self) {
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
        for device in devices.iter().filter(|device| !device.kind.is_on_i2c()) {
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
        let mut buses: Vec<u8> = vec![];
        for s in 0..system.sensors.len() {
            let sensor = SensorIdx(s);
            let fixed = keeps_places.then(|| system.wiring.sensor(sensor)).flatten();
            if matches!(fixed, Some(SensorPlace::RemoteKey { .. })) {
                continue;
            }
            if let Some(SensorPlace::OneWire { pin, rom }) = fixed {
                self.problem.has_bus |= rom.is_some();
                // Further thermometers of a bus take no place of their own.
                if buses.contains(pin) {
                    continue;
                }
                buses.push(*pin);
            }
            for (part, need) in needs_of(system, sensor).into_iter().enumerate() {
                let fixed = fixed.and_then(|place| self.fixed_place(*place, part));
                self.demand(Who::Sensor(sensor, part as u8), need, fixed);
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
            self.problem.joiners = unplaced;
        }
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
        self.problem.demands.push(Demand { who, need, fixed, void: None, edges });
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
            // Direct current may go to a card of contacts for the mains only by moving it there; the mains never to a card for low voltage.
            if !is_own && (of != class || class == Class::Mains && of == Class::Low) {
                continue;
            }
            let n = if system.electrics.is_begun {
                loads::n_channels(system, SupplyIdx(card)).unwrap_or(n_loads)
            } else {
                system.electrics.supply(SupplyIdx(card)).channels.unwrap_or(n_loads)
            };
            for channel in 0..n {
                let at = self.place(Place::Contact(card, channel));
                let guards = if is_own { vec![] } else { vec![(Switch::OtherCard(actuator), true)] };
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
