//! Checks a plan without a look at how it was made: from the system, the chip and the parts alone.

use std::collections::BTreeSet;

use system::System;
use system::model::{ActuatorIdx, ActuatorKind, SensorIdx, SensorKind, SupplyIdx};
use system::parts::Pins;
use system::wiring::{DeviceKind, Line, SensorPlace};

use super::{Place, Plan, Who};
use crate::loads;

/// Everything that is wrong with a plan, a sentence each.
pub fn verify(system: &System, plan: &Plan) -> Vec<String> {
    let Some(chip) = system.library.chip(&plan.chip) else { return vec![format!("no chip {}", plan.chip)] };
    let form = system.library.form(&plan.chip);
    let devices = &system.wiring.devices;
    let mut wrong = vec![];
    let mut used: BTreeSet<(u8, usize, u8)> = BTreeSet::new();
    let mut buses: BTreeSet<u8> = BTreeSet::new();

    let mut reserved: BTreeSet<u8> = chip.pins.uart.iter().copied().collect();
    if devices.iter().any(|device| device.kind.is_on_i2c()) {
        reserved.extend(&chip.pins.i2c);
    }
    for device in devices {
        match device.kind {
            DeviceKind::W5500 => {
                reserved.extend(&chip.pins.spi);
                reserved.insert(device.address);
            }
            DeviceKind::InfraredReceiver => {
                reserved.insert(device.address);
            }
            _ => {}
        }
    }
    for id in &system.electrics.stacked {
        for (of, pins) in system.library.component(id).map(|stack| stack.takes.as_slice()).unwrap_or_default()
        {
            if of.eq_ignore_ascii_case(&plan.chip) {
                reserved.extend(pins);
            }
        }
    }
    let mut pin = |pin: u8, of: &[u8], who: &str, loud: bool, fixed: bool, wrong: &mut Vec<String>| {
        let name = Pins::name(pin);
        if !of.contains(&pin) {
            wrong.push(format!("{who} is on {name}, which cannot do that"));
        }
        if reserved.contains(&pin) && !fixed {
            wrong.push(format!("{who} is on {name}, which the board needs itself"));
        }
        if !loud && !fixed && form.is_some_and(|form| form.pulse(pin).is_some()) {
            wrong.push(format!("{who} is on {name}, which moves at reset"));
        }
        if !used.insert((0, 0, pin)) {
            wrong.push(format!("{name} is used twice, the second time by {who}"));
        }
    };
    let mut lines: BTreeSet<(usize, u8)> = BTreeSet::new();
    let mut line = |device: usize, line: u8, who: &str, wrong: &mut Vec<String>| {
        match devices.get(device) {
            Some(device) if line < device.kind.n_lines() => {}
            _ => wrong.push(format!("{who} is on a line that does not exist")),
        }
        if !lines.insert((device, line)) {
            wrong.push(format!("line {line} of device {device} is used twice, the second time by {who}"));
        }
    };
    let is_own = system.boards.first().is_some_and(|board| board.chip.eq_ignore_ascii_case(&plan.chip));
    let mut free_channels: BTreeSet<u8> = BTreeSet::new();
    for (s, sensor) in system.sensors.iter().enumerate() {
        let who = sensor.name.as_str();
        let place = plan.wiring.sensor(SensorIdx(s));
        let before = system.wiring.sensor(SensorIdx(s)).filter(|_| is_own);
        let fixed = before.is_some();
        if fixed && place != before {
            wrong.push(format!("{who} is not where the file puts it"));
        }
        let Some(place) = place else {
            wrong.push(format!("{who} has no place"));
            continue;
        };
        match (*place, &sensor.kind) {
            (SensorPlace::OneWire { pin: at, rom }, SensorKind::Ds18b20 | SensorKind::RoomTemperature) => {
                if rom.is_some() && buses.contains(&at) {
                    continue;
                }
                buses.insert(at);
                pin(at, &chip.pins.digital, who, false, fixed, &mut wrong);
            }
            (SensorPlace::Channel { channel }, kind) => {
                let analogue = matches!(
                    kind,
                    SensorKind::Tmp36 { .. }
                        | SensorKind::Ntc { .. }
                        | SensorKind::Ph { .. }
                        | SensorKind::Conductivity
                        | SensorKind::Charge { .. }
                ) || matches!(kind, SensorKind::Level { .. }) && sensor.mounted.is_none();
                if !analogue {
                    wrong.push(format!("{who} gives no voltage, but is on a channel"));
                }
                match chip.pins.channels.iter().find(|(_, number, _)| *number == channel) {
                    Some((_, _, Some(at))) => pin(*at, &[*at], who, false, fixed, &mut wrong),
                    Some((_, number, None)) => {
                        if !free_channels.insert(*number) {
                            wrong.push(format!("channel {number} is used twice, the second time by {who}"));
                        }
                    }
                    None => wrong.push(format!("{who} is on a channel that does not exist")),
                }
            }
            (SensorPlace::Echo { trigger, echo }, SensorKind::Level { .. }) => {
                pin(trigger, &chip.pins.digital, who, false, fixed, &mut wrong);
                pin(echo, &chip.pins.edges, who, false, fixed, &mut wrong);
            }
            (SensorPlace::Pulses { pin: at }, SensorKind::Flow { .. }) => {
                pin(at, &chip.pins.edges, who, false, fixed, &mut wrong);
            }
            (SensorPlace::Button { pin: at, .. }, SensorKind::Button) => {
                pin(at, &chip.pins.digital, who, false, fixed, &mut wrong);
            }
            (SensorPlace::RemoteKey { .. }, SensorKind::Button) => {}
            (
                SensorPlace::Contact { line: at, .. },
                SensorKind::Float { .. } | SensorKind::Leak | SensorKind::Presence { .. },
            ) => match at {
                Line::Pin(at) => pin(at, &chip.pins.digital, who, false, fixed, &mut wrong),
                Line::Expander { device, line: at } => line(device, at, who, &mut wrong),
            },
            _ => wrong.push(format!("{who} has a place of another kind")),
        }
    }
    let mut contacts: BTreeSet<(usize, u8)> = BTreeSet::new();
    for (a, actuator) in system.actuators.iter().enumerate() {
        let who = actuator.name.as_str();
        if actuator.always {
            if plan.wiring.actuator(ActuatorIdx(a)).is_some() {
                wrong.push(format!("{who} always runs, but is wired to the board"));
            }
            continue;
        }
        let before = system.wiring.actuator(ActuatorIdx(a)).filter(|_| is_own);
        let place = plan.wiring.actuator(ActuatorIdx(a));
        if before.is_some() && place != before {
            wrong.push(format!("{who} is not where the file puts it"));
        }
        let Some(place) = place else {
            wrong.push(format!("{who} has no place"));
            continue;
        };
        match place.line {
            Line::Pin(at) => {
                let of = if actuator.modulated { &chip.pins.pwm } else { &chip.pins.digital };
                let loud = actuator.kind == ActuatorKind::Buzzer;
                pin(at, of, who, loud, before.is_some(), &mut wrong);
            }
            Line::Expander { device, line: at } => {
                if actuator.modulated || actuator.kind == ActuatorKind::Buzzer {
                    wrong.push(format!("{who} needs a pin of the chip"));
                }
                let floats = devices.get(device).is_some_and(|device| device.kind == DeviceKind::Pcf8574);
                if floats && before.is_none() && !place.active_low {
                    wrong.push(format!("{who} would be on at every reset: its line floats high"));
                }
                line(device, at, who, &mut wrong);
            }
        }
        if before.is_none() && place.active_low != loads::is_active_low(system, ActuatorIdx(a)) {
            wrong.push(format!("{who} is commanded the wrong way round"));
        }
        let switched = !actuator.modulated && actuator.kind != ActuatorKind::Buzzer;
        let card = loads::card_of(system, actuator).filter(|_| switched);
        match (card, plan.place(Who::Contact(ActuatorIdx(a)))) {
            (None, None) => {}
            (Some(card), Some(Place::Contact(on, channel))) => {
                if on != card.idx() {
                    wrong.push(format!("{who} is not on its card"));
                }
                let n = loads::n_channels(system, SupplyIdx(on));
                let said = system.electrics.is_begun || system.electrics.supply(card).channels.is_some();
                if said && n.is_some_and(|n| channel >= n) {
                    wrong.push(format!("{who} is on a channel that its card does not have"));
                }
                if !contacts.insert((on, channel)) {
                    wrong
                        .push(format!("channel {channel} of a card is used twice, the second time by {who}"));
                }
            }
            _ => wrong.push(format!("{who} has no contact, or one without a card")),
        }
    }
    wrong
}
