//! What each load, contact and card is electrically: the file's word, else the usual component of its kind, else a plain default.

use system::System;
use system::model::{Actuator, ActuatorIdx, ActuatorKind, SensorIdx, SupplyIdx, SupplyKind};
use system::parts::{Component, ComponentKind, Nature, SensorClass};
use system::wiring::DeviceKind;

/// Voltage class of a wire or part.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Class {
    /// The mains.
    Mains,
    /// Up to 60 V direct current.
    Low,
}

/// A load and what switches it.
#[derive(Clone, Debug)]
pub struct Load<'a> {
    /// Which.
    pub actuator: ActuatorIdx,
    /// Voltage that feeds it. None: not said.
    pub volts: Option<f64>,
    /// By its supply.
    pub class: Class,
    /// Steady current, A. 0 where nothing is known.
    pub amps: f64,
    /// Peak at switching on, A, and how long, s.
    pub inrush: (f64, f64),
    /// What it is to a contact.
    pub nature: Nature,
    /// Its component.
    pub component: Option<&'a Component>,
    /// What switches it; None for a load that always runs.
    pub switch: Option<&'a Component>,
    /// The card that its contact sits on.
    pub card: Option<SupplyIdx>,
    /// Standing leakage to earth, A; only on the mains.
    pub leakage: f64,
}

/// Voltage of a supply: that of the nearest one in its chain that has one.
pub fn volts(system: &System, supply: Option<SupplyIdx>) -> Option<f64> {
    system.supply_chain(supply).find_map(|s| match system.supplies[s.idx()].kind {
        SupplyKind::Rail { volts, .. } | SupplyKind::Battery { volts, .. } => Some(volts),
        SupplyKind::Circuit { .. } => system.mains_volts.or(Some(230.0)),
        _ => None,
    })
}

/// Class of a supply. A supply that is not said is the mains for what usually is on the mains.
pub fn class(system: &System, supply: Option<SupplyIdx>, kind: ActuatorKind) -> Class {
    let found = system.supply_chain(supply).find_map(|s| match system.supplies[s.idx()].kind {
        SupplyKind::Rail { .. } | SupplyKind::Battery { .. } => Some(Class::Low),
        SupplyKind::Circuit { .. } => Some(Class::Mains),
        _ => None,
    });
    found.unwrap_or(match kind {
        ActuatorKind::Pump
        | ActuatorKind::Heater
        | ActuatorKind::Light
        | ActuatorKind::Skimmer
        | ActuatorKind::Circulation => Class::Mains,
        _ => Class::Low,
    })
}

/// The house circuit behind a supply.
pub fn circuit(system: &System, supply: Option<SupplyIdx>) -> Option<SupplyIdx> {
    let all = system.supply_chain(supply);
    all.filter(|s| matches!(system.supplies[s.idx()].kind, SupplyKind::Circuit { .. })).last()
}

/// The battery that a supply is or hangs behind.
pub fn battery(system: &System, supply: Option<SupplyIdx>) -> Option<SupplyIdx> {
    system.supply_chain(supply).find(|s| matches!(system.supplies[s.idx()].kind, SupplyKind::Battery { .. }))
}

/// The word of a kind of actuator in system files.
pub fn word(kind: ActuatorKind) -> &'static str {
    match kind {
        ActuatorKind::Pump => "pump",
        ActuatorKind::DosingPump => "dosing_pump",
        ActuatorKind::Heater => "heater",
        ActuatorKind::Fan => "fan",
        ActuatorKind::Light => "light",
        ActuatorKind::Circulation => "circulation",
        ActuatorKind::AirPump => "air_pump",
        ActuatorKind::Skimmer => "skimmer",
        ActuatorKind::Stirrer => "stirrer",
        ActuatorKind::Valve => "valve",
        ActuatorKind::Contactor => "contactor",
        ActuatorKind::Buzzer => "buzzer",
        ActuatorKind::Other => "other",
    }
}

/// The word of a class of sensor in system files.
pub fn sensor_word(class: SensorClass) -> &'static str {
    match class {
        SensorClass::Ds18b20 => "ds18b20",
        SensorClass::Tmp36 => "tmp36",
        SensorClass::Ntc => "ntc",
        SensorClass::Ph => "ph",
        SensorClass::Conductivity => "conductivity",
        SensorClass::Level => "level",
        SensorClass::Float => "float",
        SensorClass::Leak => "leak",
        SensorClass::Flow => "flow",
        SensorClass::Presence => "presence",
        SensorClass::Charge => "charge",
        SensorClass::RoomTemperature => "room_temperature",
        SensorClass::Button => "button",
    }
}

/// The word of a kind of device in system files.
pub fn device_word(kind: DeviceKind) -> &'static str {
    match kind {
        DeviceKind::Mcp23008 => "mcp23008",
        DeviceKind::Mcp23017 => "mcp23017",
        DeviceKind::Pcf8574 => "pcf8574",
        DeviceKind::TextDisplay { .. } => "text_display",
        DeviceKind::Ds1307 => "ds1307",
        DeviceKind::Ds3231 => "ds3231",
        DeviceKind::InfraredReceiver => "infrared_receiver",
        DeviceKind::W5500 => "w5500",
    }
}

/// The component of a sensor.
pub fn probe(system: &System, sensor: SensorIdx) -> Option<&Component> {
    let word = sensor_word(SensorClass::of(&system.sensors[sensor.idx()].kind));
    let said = system.electrics.sensor(sensor).part.as_deref();
    said.and_then(|id| system.library.component(id))
        .or_else(|| system.library.usual_component(ComponentKind::Probe, word))
}

/// The component of a device.
pub fn device(system: &System, position: usize) -> Option<&Component> {
    let said = system.electrics.device(position).part.as_deref();
    said.and_then(|id| system.library.component(id)).or_else(|| {
        let word = device_word(system.wiring.devices.get(position)?.kind);
        system.library.usual_component(ComponentKind::Device, word)
    })
}

/// Whether a supply is a card of switches.
pub fn is_card(system: &System, supply: SupplyIdx) -> bool {
    matches!(system.supplies[supply.idx()].kind, SupplyKind::Card)
}

/// Class of what is on a card: the mains as soon as one of its loads is.
pub fn card_class(system: &System, card: SupplyIdx) -> Class {
    let mains = system
        .actuators
        .iter()
        .any(|a| a.switched_by == Some(card) && !a.always && class(system, a.supply, a.kind) == Class::Mains);
    if mains { Class::Mains } else { Class::Low }
}

/// The component of a card.
pub fn card(system: &System, card: SupplyIdx) -> Option<&Component> {
    let said = system.electrics.supply(card).part.as_deref().and_then(|id| system.library.component(id));
    if let Some(said) = said {
        return (said.kind == ComponentKind::Card).then_some(said);
    }
    let word = if card_class(system, card) == Class::Mains { "mains" } else { "low" };
    is_card(system, card).then(|| system.library.usual_component(ComponentKind::Card, word)).flatten()
}

/// Channels of a card, by the file, else by its component.
pub fn n_channels(system: &System, of: SupplyIdx) -> Option<u8> {
    let said = system.electrics.supply(of).channels;
    said.or_else(|| card(system, of)?.value("lines").map(|lines| lines as u8))
}

/// The card of an actuator.
pub fn card_of(system: &System, actuator: &Actuator) -> Option<SupplyIdx> {
    actuator.switched_by.filter(|s| is_card(system, *s))
}

/// Whether the command of an actuator is active low, as what it drives wants it.
pub fn is_active_low(system: &System, actuator: ActuatorIdx) -> bool {
    let load = &system.actuators[actuator.idx()];
    if load.modulated || load.kind == ActuatorKind::Buzzer {
        return false;
    }
    match card_of(system, load).and_then(|s| card(system, s)) {
        Some(card) => card.active_low,
        None => switch(system, actuator).is_some_and(|switch| switch.active_low),
    }
}

/// The component that switches a load.
pub fn switch(system: &System, actuator: ActuatorIdx) -> Option<&Component> {
    let load = &system.actuators[actuator.idx()];
    if load.always || load.kind == ActuatorKind::Buzzer {
        return None;
    }
    if let Some(id) = system.electrics.actuator(actuator).switch.as_deref() {
        return system.library.component(id);
    }
    if load.modulated {
        return system.library.usual_component(ComponentKind::Transistor, "modulated");
    }
    let carried = card_of(system, load).and_then(|s| card(system, s)?.carries.as_deref());
    if let Some(carried) = carried.and_then(|id| system.library.component(id)) {
        return Some(carried);
    }
    let word = if class(system, load.supply, load.kind) == Class::Mains { "mains" } else { "low" };
    system.library.usual_component(ComponentKind::Relay, word)
}

/// Current of a command, A: positive flows out of its pin, negative into it.
pub fn command_current(system: &System, actuator: ActuatorIdx) -> f64 {
    /// Base of a small transistor before a relay that has no card, A (assumed).
    const BASE: f64 = 0.001;
    let part = &system.actuators[actuator.idx()];
    if part.kind == ActuatorKind::Buzzer {
        return load(system, actuator).component.and_then(|c| c.value("supply_current")).unwrap_or(0.0);
    }
    let of_card = card_of(system, part).and_then(|s| card(system, s)?.value("input_current"));
    let of_switch = || switch(system, actuator).and_then(|switch| switch.value("input_current"));
    let amps = of_card.or_else(of_switch).unwrap_or(BASE);
    if is_active_low(system, actuator) { -amps } else { amps }
}

/// The usual component of a kind of device, by its word in the file.
pub fn usual_device(system: &System, kind: DeviceKind) -> Option<&Component> {
    system.library.usual_component(ComponentKind::Device, device_word(kind))
}

/// The load that stands for this one on direct current: its kind is sold for it.
pub fn on_direct_current(system: &System, kind: ActuatorKind) -> Option<&Component> {
    let usual = |word: &str| system.library.usual_component(ComponentKind::Load, word);
    usual(&format!("low_{}", word(kind)))
        .or_else(|| usual(word(kind)).filter(|load| load.nature == Some(Nature::DirectMotor)))
}

/// The rail of direct current that loads can go over to: the first, else the first battery.
pub fn rail(system: &System) -> Option<SupplyIdx> {
    let find = |is: fn(&SupplyKind) -> bool| system.supplies.iter().position(|s| is(&s.kind)).map(SupplyIdx);
    find(|kind| matches!(kind, SupplyKind::Rail { .. }))
        .or_else(|| find(|kind| matches!(kind, SupplyKind::Battery { .. })))
}

/// Power that a rail has left with everything on, W, less the fifth that should stay free. None: nothing says what it gives.
pub fn rail_headroom(system: &System, rail: SupplyIdx) -> Option<f64> {
    let gives = match system.supplies[rail.idx()].kind {
        SupplyKind::Rail { watts, .. } => watts?,
        SupplyKind::Battery { volts, .. } => system.electrics.supply(rail).fuse_a? * volts,
        _ => return None,
    };
    let is_behind = |from: Option<SupplyIdx>| system.supply_chain(from).any(|s| s == rail);
    let loads = system.actuators.iter().filter(|a| is_behind(a.supply)).map(|a| a.watts);
    let boards = system.boards.iter().filter(|b| is_behind(b.supply)).map(|b| b.watts);
    Some(0.8 * gives - loads.chain(boards).sum::<f64>())
}

/// The electrical side of one actuator.
pub fn load(system: &System, actuator: ActuatorIdx) -> Load<'_> {
    let part = &system.actuators[actuator.idx()];
    let fitting = system.electrics.actuator(actuator);
    let class = class(system, part.supply, part.kind);
    let component = fitting
        .part
        .as_deref()
        .and_then(|id| system.library.component(id))
        .or_else(|| usual_load(system, part.kind, class));
    let volts = volts(system, part.supply)
        .or_else(|| (class == Class::Mains).then_some(system.mains_volts).flatten());
    let value = |key: &str| component.and_then(|component| component.value(key));
    let power_factor = value("power_factor").filter(|factor| *factor > 0.0).unwrap_or(1.0);
    let amps = volts.map_or(0.0, |volts| part.watts / volts / power_factor);
    let peak = value("inrush_current").unwrap_or(amps * value("inrush").unwrap_or(1.0));
    let leakage = match class {
        Class::Mains => fitting.leakage_a.or(value("earth_leakage")).unwrap_or(0.0),
        Class::Low => 0.0,
    };
    Load {
        actuator,
        volts,
        class,
        amps,
        inrush: (peak.max(amps), value("inrush_time").unwrap_or(0.1)),
        nature: component.and_then(|c| c.nature).unwrap_or(Nature::Electronic),
        component,
        switch: switch(system, actuator),
        card: card_of(system, part),
        leakage,
    }
}

/// The usual component of a kind; a circulation pump on direct current has electronics, not a rotor on the mains.
fn usual_load(system: &System, kind: ActuatorKind, class: Class) -> Option<&Component> {
    let library = &system.library;
    let low = format!("low_{}", word(kind));
    (class == Class::Low)
        .then(|| library.usual_component(ComponentKind::Load, &low))
        .flatten()
        .or_else(|| library.usual_component(ComponentKind::Load, word(kind)))
}

/// All loads, in file order.
pub fn loads(system: &System) -> Vec<Load<'_>> {
    (0..system.actuators.len()).map(|a| load(system, ActuatorIdx(a))).collect()
}
