//! The lock file: what a plan decided, beside the system file and never in it. A later plan keeps these places as far as it can, and a
//! build takes them.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use system::System;
use system::model::{ActuatorIdx, SensorIdx, SupplyIdx};
use system::parts::Pins;
use system::wiring::{ActuatorPlace, Line, NO_PIN, SensorPlace, USUAL_DEBOUNCE_MS};

use super::Plan;
use super::problem::Need;
use super::problem::{Place, Who, channel_place, needs_of};
use crate::loads;

/// A lock file, read.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Lock {
    /// Chip that it was made for.
    pub chip: String,
    /// By name of a sensor or actuator: its places as written.
    pub places: BTreeMap<String, Vec<String>>,
    /// By name of an actuator: card and channel from 1.
    pub contacts: BTreeMap<String, (String, u8)>,
}

/// Why a lock file is not taken.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum LockError {
    /// It is not of this form. Make it anew with `tidewright wire`.
    Unreadable(String),
    /// It was written by a later version. Take that version, or make it anew.
    Version(i64),
}

impl std::fmt::Display for LockError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            LockError::Unreadable(what) => write!(f, "the lock file cannot be read: {what}"),
            LockError::Version(version) => write!(f, "the lock file has the version {version}, known is 1"),
        }
    }
}

impl std::error::Error for LockError {}

impl Lock {
    /// The lock of a plan. What the file itself fixes is left out: it stands in one place only.
    pub fn of(system: &System, plan: &Plan) -> Self {
        let mut lock = Lock { chip: plan.chip.clone(), ..Lock::default() };
        let pins = system.library.chip(&plan.chip).map(|chip| chip.pins.clone()).unwrap_or_default();
        let name = |place: Place| written(system, &pins, place);
        for (s, sensor) in system.sensors.iter().enumerate() {
            if system.wiring.sensor(SensorIdx(s)).is_some() {
                continue;
            }
            let mut places: Vec<String> = (0..2)
                .filter_map(|part| plan.place(Who::Sensor(SensorIdx(s), part)))
                .filter_map(name)
                .collect();
            if let (true, Some(SensorPlace::OneWire { pin, .. })) =
                (places.is_empty(), plan.wiring.sensor(SensorIdx(s)))
            {
                places.extend(name(Place::Pin(*pin)));
            }
            if !places.is_empty() {
                lock.places.insert(sensor.name.clone(), places);
            }
        }
        for (d, device) in system.wiring.devices.iter().enumerate() {
            if let Some(place) = plan.place(Who::Device(d)).and_then(name) {
                lock.places.insert(device.name.clone(), vec![place]);
            }
        }
        for (a, actuator) in system.actuators.iter().enumerate() {
            if system.wiring.actuator(ActuatorIdx(a)).is_none()
                && let Some(place) = plan.place(Who::Actuator(ActuatorIdx(a))).and_then(name)
            {
                lock.places.insert(actuator.name.clone(), vec![place]);
            }
            if let Some(Place::Contact(card, channel)) = plan.place(Who::Contact(ActuatorIdx(a)))
                && let Some(card) = system.supplies.get(card)
            {
                lock.contacts.insert(actuator.name.clone(), (card.name.clone(), channel + 1));
            }
        }
        lock
    }

    /// The text of the file.
    pub fn text(&self) -> String {
        let mut out = String::from(
            "# Where `tidewright wire` put what the system file leaves open. Made by the tool: change the system file's [wiring]\n\
             # instead, and keep this file beside it, so that the next plan moves as few wires as it can.\n\
             version = 1\n",
        );
        let _ = write!(out, "chip = \"{}\"\n\n[place]\n", self.chip);
        for (name, places) in &self.places {
            let _ = writeln!(out, "{name} = \"{}\"", places.join(" "));
        }
        out.push_str("\n[contact]\n");
        for (name, (card, channel)) in &self.contacts {
            let _ = writeln!(out, "{name} = \"{card}.{channel}\"");
        }
        out
    }

    /// Reads the text of a lock file.
    ///
    /// # Errors
    ///
    /// If it is not of this form or of a later version.
    pub fn read(text: &str) -> Result<Self, LockError> {
        let unreadable = |what: &str| LockError::Unreadable(what.to_owned());
        let table = toml::de::DeTable::parse(text)
            .map_err(|error| unreadable(error.message().lines().next().unwrap_or("it is not TOML")))?;
        let table = table.get_ref();
        let version = table.get("version").and_then(|value| match value.get_ref() {
            toml::de::DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).ok(),
            _ => None,
        });
        match version {
            Some(1) => {}
            Some(other) => return Err(LockError::Version(other)),
            None => return Err(unreadable("it has no version")),
        }
        let chip = table.get("chip").and_then(|value| value.get_ref().as_str());
        let mut lock =
            Lock { chip: chip.ok_or_else(|| unreadable("it names no chip"))?.to_owned(), ..Lock::default() };
        let section = |key: &str| -> Result<Vec<(String, String)>, LockError> {
            let Some(inner) = table.get(key) else { return Ok(vec![]) };
            let inner = inner.get_ref().as_table().ok_or_else(|| unreadable("a section is no table"))?;
            inner
                .iter()
                .map(|(name, value)| {
                    let text = value.get_ref().as_str().ok_or_else(|| unreadable("a place is no text"))?;
                    Ok((name.get_ref().to_string(), text.to_owned()))
                })
                .collect()
        };
        for (name, text) in section("place")? {
            lock.places.insert(name, text.split_whitespace().map(str::to_owned).collect());
        }
        for (name, text) in section("contact")? {
            let (card, channel) =
                text.rsplit_once('.').ok_or_else(|| unreadable("a contact is no `card.channel`"))?;
            let channel = channel.parse().map_err(|_| unreadable("a channel is no number"))?;
            lock.contacts.insert(name, (card.to_owned(), channel));
        }
        Ok(lock)
    }

    /// The place that it gives.
    pub(super) fn place(&self, system: &System, pins: &Pins, who: Who) -> Option<Place> {
        match who {
            Who::Sensor(sensor, part) => {
                let texts = self.places.get(&system.sensors[sensor.idx()].name)?;
                parse(system, pins, texts.get(usize::from(part))?)
            }
            Who::Actuator(actuator) => {
                parse(system, pins, self.places.get(&system.actuators[actuator.idx()].name)?.first()?)
            }
            Who::Contact(actuator) => {
                let (card, channel) = self.contacts.get(&system.actuators[actuator.idx()].name)?;
                let card = system.supplies.iter().position(|supply| supply.name == *card)?;
                Some(Place::Contact(card, channel.checked_sub(1)?))
            }
            Who::Device(device) => {
                parse(system, pins, self.places.get(&system.wiring.devices[device].name)?.first()?)
            }
            Who::Watch(_) | Who::DeviceWatch(_) | Who::Tone(_) => None,
        }
    }

    /// Names in it that the system no longer has.
    pub fn stale(&self, system: &System) -> Vec<String> {
        let known = |name: &String| {
            system.sensors.iter().any(|s| s.name == *name)
                || system.actuators.iter().any(|a| a.name == *name)
                || system.wiring.devices.iter().any(|d| d.name == *name)
        };
        let mut all: Vec<String> =
            self.places.keys().chain(self.contacts.keys()).filter(|name| !known(name)).cloned().collect();
        all.dedup();
        all
    }

    /// Puts its places where the file has none, so that whatever comes next sees a wired system. What is stale or does not fit the
    /// kind of the part is left out.
    pub fn apply(&self, system: &mut System) {
        let Some(chip) = system.boards.first().and_then(|board| system.library.chip(&board.chip)) else {
            return;
        };
        if !chip.name.eq_ignore_ascii_case(&self.chip) {
            return;
        }
        let pins = chip.pins.clone();
        for s in 0..system.sensors.len() {
            let sensor = SensorIdx(s);
            if system.wiring.sensor(sensor).is_some() {
                continue;
            }
            let places: Vec<Place> =
                (0..2).filter_map(|part| self.place(system, &pins, Who::Sensor(sensor, part))).collect();
            let place = sensor_place(system, &pins, sensor, &places);
            if let Some(slot) = system.wiring.sensors.get_mut(s) {
                *slot = place;
            }
        }
        for d in 0..system.wiring.devices.len() {
            if system.wiring.devices[d].address == NO_PIN
                && let Some(Place::Pin(pin)) = self.place(system, &pins, Who::Device(d))
            {
                system.wiring.devices[d].address = pin;
            }
        }
        for a in 0..system.actuators.len() {
            let actuator = ActuatorIdx(a);
            if system.wiring.actuator(actuator).is_some() || system.actuators[a].always {
                continue;
            }
            let place = self.place(system, &pins, Who::Actuator(actuator));
            let place = place.and_then(|place| actuator_place(system, actuator, place));
            if let Some(slot) = system.wiring.actuators.get_mut(a) {
                *slot = place;
            }
        }
    }
}

/// How a place is written in the lock file.
fn written(system: &System, pins: &Pins, place: Place) -> Option<String> {
    Some(match place {
        Place::Pin(pin) => Pins::name(pin),
        Place::Channel(channel) => {
            pins.channels.iter().find(|(_, number, _)| *number == channel).map(|(name, ..)| name.clone())?
        }
        Place::Line(device, line) => format!("{}.{line}", system.wiring.devices.get(device)?.name),
        Place::Contact(card, channel) => format!("{}.{}", system.supplies.get(card)?.name, channel + 1),
        Place::Watch(_) | Place::ToneTimer => return None,
    })
}

fn parse(system: &System, pins: &Pins, text: &str) -> Option<Place> {
    if let Some((device, line)) = text.rsplit_once('.') {
        let device = system.wiring.devices.iter().position(|known| known.name == device)?;
        let line: u8 = line.parse().ok()?;
        return (line < system.wiring.devices[device].kind.n_lines()).then_some(Place::Line(device, line));
    }
    if let Some(pin) = Pins::byte(text).filter(|pin| pins.digital.contains(pin)) {
        return Some(Place::Pin(pin));
    }
    pins.channel(text).map(|(number, pin)| pin.map_or(Place::Channel(number), Place::Pin))
}

/// Place of a sensor in the terms of the wiring. None where the places do not fit its kind.
pub(super) fn sensor_place(
    system: &System,
    pins: &Pins,
    sensor: SensorIdx,
    places: &[Place],
) -> Option<SensorPlace> {
    let needs = needs_of(system, sensor);
    Some(match (needs.as_slice(), places) {
        ([Need::OneWire], [Place::Pin(pin), ..]) => {
            SensorPlace::OneWire { pin: *pin, rom: system.wiring.rom(sensor) }
        }
        ([Need::Trigger, Need::Edge], [Place::Pin(trigger), Place::Pin(echo)]) => {
            SensorPlace::Echo { trigger: *trigger, echo: *echo }
        }
        ([Need::Channel], [place, ..]) => {
            let channels = pins.channels.iter();
            let number =
                channels.map(|(_, number, _)| *number).find(|n| channel_place(pins, *n) == *place)?;
            SensorPlace::Channel { channel: number }
        }
        ([Need::Edge], [Place::Pin(pin), ..]) => SensorPlace::Pulses { pin: *pin },
        ([Need::Button], [Place::Pin(pin), ..]) => {
            SensorPlace::Button { pin: *pin, debounce_ms: USUAL_DEBOUNCE_MS }
        }
        ([Need::Contact], [place, ..]) => {
            SensorPlace::Contact { line: line(*place)?, debounce_ms: USUAL_DEBOUNCE_MS }
        }
        _ => return None,
    })
}

/// Place of an actuator in the terms of the wiring.
pub(super) fn actuator_place(system: &System, actuator: ActuatorIdx, place: Place) -> Option<ActuatorPlace> {
    Some(ActuatorPlace { line: line(place)?, active_low: loads::is_active_low(system, actuator) })
}

fn line(place: Place) -> Option<Line> {
    match place {
        Place::Pin(pin) => Some(Line::Pin(pin)),
        Place::Line(device, line) => Some(Line::Expander { device, line }),
        _ => None,
    }
}

/// The card of a contact, by its name in the file.
pub(super) fn card_name(system: &System, card: usize) -> String {
    match system.supplies.get(card) {
        Some(supply) => supply.name.clone(),
        None => {
            let beside = SupplyIdx(card.saturating_sub(system.supplies.len()));
            let name = system.supplies.get(beside.idx()).map_or("the card", |supply| supply.name.as_str());
            format!("a second card beside `{name}`")
        }
    }
}
