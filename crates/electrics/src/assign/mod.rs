//! Who sits where: every signal and output gets a pin, an expander line, a converter channel and a contact, or the smallest reason why
//! not and the smallest change that helps.

mod explain;
pub mod lock;
mod problem;
mod solver;
mod verify;

pub use explain::{Cause, Conflict, Mend, Rewiring, rewiring};
pub use lock::{Lock, LockError};
pub use problem::{Demand, Family, Guard, Need, Place, Problem, Sum, Switch, Who};
pub use verify::verify;

use std::collections::BTreeSet;

use system::System;
use system::model::{ActuatorIdx, SensorIdx};
use system::parts::{Chip, Pins};
use system::wiring::{SensorPlace, Wiring};

use solver::{Answer, Held, Solver};

/// A plan: all that is wired to the first board.
#[derive(Clone, PartialEq, Debug)]
pub struct Plan {
    /// Chip that it is for.
    pub chip: String,
    /// Each wish with its place, in file order, sensors first.
    pub placed: Vec<(Who, Need, Place)>,
    /// What the file fixed and what was planned, in the terms of the wiring.
    pub wiring: Wiring,
    /// Wires that an earlier plan had elsewhere.
    pub moved: Vec<Who>,
    /// Sensors that vote together stand on one expander, for there was no other place.
    pub shares_expander: bool,
    /// Places that are still free.
    pub free: Vec<Place>,
}

impl Plan {
    /// Where somebody is.
    pub fn place(&self, who: Who) -> Option<Place> {
        self.placed.iter().find(|(other, ..)| *other == who).map(|(.., place)| *place)
    }
}

/// What came of planning.
#[derive(Clone, PartialEq, Debug)]
pub enum Outcome {
    /// All fits.
    Fits(Plan),
    /// It does not.
    DoesNotFit(Box<Conflict>),
    /// There is no board, or its pins are not known.
    NoBoard,
}

/// Plans the first board of a system. An earlier plan's places are kept as far as they can be.
pub fn plan(system: &System, lock: Option<&Lock>) -> Outcome {
    let chip = system.boards.first().and_then(|board| system.library.chip(&board.chip));
    let lock = lock.filter(|lock| chip.is_some_and(|chip| lock.chip.eq_ignore_ascii_case(&chip.name)));
    on_chip(system, chip, lock, true)
}

/// The question that [`plan`] answers without an earlier plan. None: there is no board, or its pins are not known.
pub fn question(system: &System) -> Option<Problem> {
    let chip = system.library.chip(&system.boards.first()?.chip)?;
    Some(problem::build(system, chip, None, true, &[]))
}

/// Plans a system for another chip than its own, without the places that the file fixes on the chip's pins.
pub fn plan_for(system: &System, chip: &str) -> Outcome {
    on_chip(system, system.library.chip(chip), None, false)
}

fn on_chip(system: &System, chip: Option<&Chip>, lock: Option<&Lock>, keeps_places: bool) -> Outcome {
    let Some(chip) = chip.filter(|chip| !chip.pins.digital.is_empty()) else { return Outcome::NoBoard };
    let problem = problem::build(system, chip, lock, keeps_places, &[]);
    let mut solver = Solver::new(&problem);
    match fit(&problem, &mut solver) {
        Some((matching, on)) => Outcome::Fits(finish(system, chip, &problem, &matching, &on)),
        None => {
            let asked = explain::Asked { system, chip, lock, keeps_places, problem: &problem };
            Outcome::DoesNotFit(Box::new(explain::conflict(&asked, &mut solver)))
        }
    }
}

/// Everything as the file has it: nothing added, nothing of the file moved, of an earlier plan as little as can be. None: it does not
/// fit.
fn fit(problem: &Problem, solver: &mut Solver<'_>) -> Option<(solver::Matching, BTreeSet<Switch>)> {
    let switches = problem.switches();
    let is_lock = |switch: &Switch| matches!(switch, Switch::MovedFromLock(_));
    let mut held = Held {
        switches: (switches.iter().copied())
            .filter(|switch| switch.is_part() || problem.is_move(*switch) && !is_lock(switch))
            .map(|switch| (switch, false))
            .collect(),
        ..Held::default()
    };
    let n_lock = switches.iter().filter(|switch| is_lock(switch)).count();
    for keeps_apart in [true, false] {
        held.switches.push((Switch::KeepApart, keeps_apart));
        held.most_moves = None;
        if let Answer::Fits(mut matching, mut on) = solver.solve(&held) {
            for most in 0..n_lock {
                held.most_moves = Some(most);
                if let Answer::Fits(better, with) = solver.solve(&held) {
                    (matching, on) = (better, with);
                    break;
                }
            }
            return Some((matching, on));
        }
        held.switches.pop();
    }
    None
}

fn finish(
    system: &System,
    chip: &Chip,
    problem: &Problem,
    matching: &solver::Matching,
    on: &BTreeSet<Switch>,
) -> Plan {
    let mut placed = vec![];
    for (d, place) in matching.iter().enumerate() {
        if let Some(place) = place {
            let demand = &problem.demands[d];
            placed.push((demand.who, demand.need, problem.places[*place]));
        }
    }
    let moved = on
        .iter()
        .filter_map(|switch| match switch {
            Switch::MovedFromLock(who) | Switch::MovedFromFile(who) => Some(*who),
            _ => None,
        })
        .filter(|who| {
            // A switch may be on without need.
            let d = problem.demands.iter().position(|demand| demand.who == *who);
            d.is_some_and(|d| {
                let first = problem.demands[d].edges.first().map(|(place, _)| *place);
                matching[d] != first
            })
        })
        .collect();
    let used: BTreeSet<Place> = placed.iter().map(|(.., place)| *place).collect();
    let n_devices = system.wiring.devices.len();
    let free = (problem.places.iter().copied())
        .filter(|place| !used.contains(place))
        .filter(|place| match place {
            Place::Line(device, _) => *device < n_devices,
            Place::Contact(card, _) => *card < system.supplies.len(),
            Place::Watch(_) | Place::ToneTimer => false,
            _ => true,
        })
        .collect();
    let wiring = wired(system, chip, problem, &placed);
    let shares_expander = shares(system, &placed);
    Plan { chip: chip.name.clone(), placed, wiring, moved, shares_expander, free }
}

fn shares(system: &System, placed: &[(Who, Need, Place)]) -> bool {
    let device = |sensor: SensorIdx| {
        placed.iter().find_map(|(who, _, place)| match (who, place) {
            (Who::Sensor(other, 0), Place::Line(device, _)) if *other == sensor => Some(*device),
            _ => None,
        })
    };
    (0..system.sensors.len()).map(SensorIdx).any(|sensor| {
        let own = device(sensor);
        own.is_some() && problem::partners(system, sensor).any(|other| device(other) == own)
    })
}

/// The wiring of the file with the planned places in it.
fn wired(system: &System, chip: &Chip, problem: &Problem, placed: &[(Who, Need, Place)]) -> Wiring {
    let mut wiring = system.wiring.clone();
    let is_own = system.boards.first().is_some_and(|board| board.chip.eq_ignore_ascii_case(&chip.name));
    if !is_own {
        // Keys of a remote are on no pin.
        for sensor in &mut wiring.sensors {
            if !matches!(sensor, Some(SensorPlace::RemoteKey { .. })) {
                *sensor = None;
            }
        }
        wiring.actuators.iter_mut().for_each(|place| *place = None);
    }
    wiring.sensors.resize(system.sensors.len(), None);
    wiring.actuators.resize(system.actuators.len(), None);
    let at = |who: Who| placed.iter().find(|(other, ..)| *other == who).map(|(.., place)| *place);
    for s in 0..system.sensors.len() {
        if wiring.sensors[s].is_none() {
            let places: Vec<Place> = (0..2).filter_map(|part| at(Who::Sensor(SensorIdx(s), part))).collect();
            wiring.sensors[s] = lock::sensor_place(system, &chip.pins, SensorIdx(s), &places);
        }
    }
    // Who shares a bus stands on the pin of the one that has it: a follower of the file on its own, a joiner on the first with a code.
    let pin_of = |sensor: SensorIdx, wiring: &Wiring| match wiring.sensor(sensor) {
        Some(SensorPlace::OneWire { pin, .. }) => Some(*pin),
        _ => None,
    };
    for s in 0..system.sensors.len() {
        let sensor = SensorIdx(s);
        if wiring.sensors[s].is_some() || problem::needs_of(system, sensor) != [Need::OneWire] {
            continue;
        }
        let leader = problem.followers.iter().find(|(other, _)| *other == sensor).map(|(_, first)| *first);
        let hosts =
            (0..system.sensors.len()).map(SensorIdx).filter(|host| system.wiring.rom(*host).is_some());
        let pin = match leader {
            Some(first) => pin_of(first, &wiring),
            None => {
                let pins: Vec<u8> = hosts.filter_map(|host| pin_of(host, &wiring)).collect();
                let before = problem.locked_buses.get(&sensor).filter(|pin| pins.contains(pin));
                before.or(pins.first()).copied()
            }
        };
        wiring.sensors[s] = pin.map(|pin| SensorPlace::OneWire { pin, rom: system.wiring.rom(sensor) });
    }
    for (d, device) in wiring.devices.iter_mut().enumerate() {
        if let Some(Place::Pin(pin)) = at(Who::Device(d)) {
            device.address = pin;
        }
    }
    for a in 0..system.actuators.len() {
        if wiring.actuators[a].is_none()
            && let Some(place) = at(Who::Actuator(ActuatorIdx(a)))
        {
            wiring.actuators[a] = lock::actuator_place(system, ActuatorIdx(a), place);
        }
    }
    wiring
}

/// What a place is called on the board or expander, for people: `D4 (PD4)`, line 3 of `inputs`.
pub fn name_of(system: &System, chip: &str, place: Place) -> String {
    let form = system.library.form(chip);
    match place {
        Place::Pin(pin) => match form.map(|form| form.label(pin)) {
            Some(label) if label != Pins::name(pin) => format!("{label} ({})", Pins::name(pin)),
            _ => Pins::name(pin),
        },
        Place::Channel(channel) => {
            let chip = system.library.chip(chip);
            let name =
                chip.and_then(|chip| chip.pins.channels.iter().find(|(_, number, _)| *number == channel));
            name.map_or_else(|| format!("channel {channel}"), |(name, ..)| name.clone())
        }
        Place::Line(device, line) => match system.wiring.devices.get(device) {
            Some(device) => format!("line {line} of `{}`", device.name),
            None => format!("line {line} of an added expander"),
        },
        Place::Contact(card, channel) => format!("channel {} of {}", channel + 1, quoted_card(system, card)),
        Place::Watch(_) => "one of the edges that the runtime watches".to_owned(),
        Place::ToneTimer => "the timer that makes tones".to_owned(),
    }
}

fn quoted_card(system: &System, card: usize) -> String {
    match system.supplies.get(card) {
        Some(supply) => format!("`{}`", supply.name),
        None => lock::card_name(system, card),
    }
}

/// The name of who wants a place.
pub fn owner(system: &System, who: Who) -> &str {
    match who {
        Who::Sensor(sensor, _) | Who::Watch(sensor) => &system.sensors[sensor.idx()].name,
        Who::Actuator(actuator) | Who::Contact(actuator) | Who::Tone(actuator) => {
            &system.actuators[actuator.idx()].name
        }
        Who::Device(device) | Who::DeviceWatch(device) => &system.wiring.devices[device].name,
    }
}
