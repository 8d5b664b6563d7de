//! Checks a plan without a look at how it was made: from the system, the chip and the parts alone.

use std::collections::{BTreeMap, BTreeSet};

use system::System;
use system::model::{ActuatorIdx, ActuatorKind, SensorIdx, SensorKind, SupplyIdx};
use system::parts::{Pins, TimerWork};
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
    // By pin of a one-wire bus: whether all on it so far have their code.
    let mut buses: BTreeMap<u8, bool> = BTreeMap::new();
    let is_own = system.boards.first().is_some_and(|board| board.chip.eq_ignore_ascii_case(&plan.chip));

    let mut reserved: BTreeSet<u8> = chip.pins.uart.iter().copied().collect();
    if devices.iter().any(|device| device.kind.is_on_i2c()) {
        reserved.extend(&chip.pins.i2c);
    }
    for device in &plan.wiring.devices {
        match device.kind {
            DeviceKind::W5500 => {
                reserved.extend(&chip.pins.spi);
                if !chip.pins.digital.contains(&device.address) {
                    wrong.push(format!("{} has no select pin", device.name));
                }
                reserved.insert(device.address);
            }
            DeviceKind::InfraredReceiver => {
                if !chip.pins.edges.contains(&device.address) {
                    wrong.push(format!("{} is on a pin that sees no edges", device.name));
                }
                if !reserved.insert(device.address) {
                    wrong.push(format!("{} is on a pin that the board needs itself", device.name));
                }
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
                if let Some(all_have_codes) = buses.get_mut(&at) {
                    if !*all_have_codes || rom.is_none() {
                        wrong.push(format!("{who} shares a one-wire bus without a ROM code for each"));
                    }
                    continue;
                }
                buses.insert(at, rom.is_some());
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
    wrong.extend(carried(system, plan));
    wrong.extend(shared(system, plan));
    wrong
}

/// What pins, groups of pins and expanders carry too much of.
fn carried(system: &System, plan: &Plan) -> Vec<String> {
    let mut wrong = vec![];
    let mut gives: BTreeMap<(bool, usize), f64> = BTreeMap::new();
    for (a, actuator) in system.actuators.iter().enumerate() {
        let Some(place) = plan.wiring.actuator(ActuatorIdx(a)).filter(|_| !actuator.always) else { continue };
        let load = loads::load(system, ActuatorIdx(a));
        let input = if actuator.kind == ActuatorKind::Buzzer {
            load.component.and_then(|part| part.value("supply_current")).unwrap_or(0.0)
        } else {
            let card = load.card.and_then(|card| loads::card(system, card));
            let part = card.filter(|card| card.value("input_current").is_some()).or(load.switch);
            part.and_then(|part| part.value("input_current")).unwrap_or(0.001)
        };
        let signed = if loads::is_active_low(system, ActuatorIdx(a)) { -input } else { input };
        let mut bears = |what: &str, bears: Option<f64>| {
            if bears.is_some_and(|bears| input > bears + 1e-9) {
                wrong.push(format!("{} takes {input} A of {what}", actuator.name));
            }
        };
        match place.line {
            Line::Pin(pin) => {
                bears("a pin", system.library.form(&plan.chip).map(|form| form.pin_work_a));
                gives.insert((true, usize::from(pin)), signed);
            }
            Line::Expander { device, line } => {
                bears("a line", loads::device(system, device).and_then(|part| part.value("line_current")));
                gives.insert((false, 256 * device + usize::from(line)), signed);
            }
        }
    }
    let mut most = |what: String, amps: f64, limit: Option<f64>| {
        if limit.is_some_and(|limit| amps > limit + 1e-9) {
            wrong.push(format!("{what} carry {amps} A"));
        }
    };
    let sum = |counts: &dyn Fn(bool, usize) -> bool, way: f64| -> f64 {
        let all = gives.iter().filter(|((is_pin, at), _)| counts(*is_pin, *at));
        all.map(|(_, amps)| (amps * way).max(0.0)).sum()
    };
    if let Some(form) = system.library.form(&plan.chip) {
        for group in &form.groups {
            let inside =
                |is_pin: bool, at: usize| is_pin && group.pins.iter().any(|pin| usize::from(*pin) == at);
            most(format!("pins {:?} giving", group.pins), sum(&inside, 1.0), Some(group.source_a));
            most(format!("pins {:?} taking", group.pins), sum(&inside, -1.0), Some(group.sink_a));
        }
        let pins = |is_pin: bool, _: usize| is_pin;
        most("all pins".to_owned(), sum(&pins, 1.0) + sum(&pins, -1.0), Some(form.total_a));
    }
    for (d, device) in system.wiring.devices.iter().enumerate() {
        let Some(part) = loads::device(system, d) else { continue };
        let lines = |is_pin: bool, at: usize| !is_pin && at / 256 == d;
        most(format!("lines of {} giving", device.name), sum(&lines, 1.0), part.value("source_total"));
        most(format!("lines of {} taking", device.name), sum(&lines, -1.0), part.value("sink_total"));
    }
    wrong
}

/// What the chip has once or a few times: frequencies, the reference, watched edges, the tone.
fn shared(system: &System, plan: &Plan) -> Vec<String> {
    let mut wrong = vec![];
    let Some(chip) = system.library.chip(&plan.chip) else { return wrong };
    let timers = &chip.pins.timers;
    let mut n_tones = 0;
    for (a, actuator) in system.actuators.iter().enumerate() {
        let Some(place) = plan.wiring.actuator(ActuatorIdx(a)) else { continue };
        n_tones += usize::from(actuator.kind == ActuatorKind::Buzzer);
        let Line::Pin(pin) = place.line else { continue };
        let timer = timers.iter().find(|timer| timer.does == TimerWork::Duty && timer.pins.contains(&pin));
        let hz = timer.and_then(|timer| timer.hz).filter(|_| actuator.modulated);
        let most = system.electrics.actuator(ActuatorIdx(a)).pwm_hz;
        if let (Some(hz), Some(most)) = (hz, most)
            && hz > most
        {
            wrong.push(format!("{} gets {hz} Hz and takes {most}", actuator.name));
        }
    }
    if n_tones > 1 && timers.iter().any(|timer| timer.does == TimerWork::Tone) {
        wrong.push(format!("{n_tones} buzzers on one timer"));
    }
    let pulses = plan.wiring.sensors.iter().flatten();
    let n_pulses =
        pulses.filter(|place| matches!(place, SensorPlace::Pulses { .. } | SensorPlace::Echo { .. })).count();
    let receivers = system.wiring.devices.iter().filter(|d| d.kind == DeviceKind::InfraredReceiver).count();
    if chip.pins.watched.is_some_and(|most| n_pulses + receivers > usize::from(most)) {
        wrong.push(format!("{n_pulses} sensors and {receivers} receivers are watched"));
    }
    let mut references: Vec<f64> =
        system.sensors.iter().filter_map(system::model::Sensor::reference_v).collect();
    references.sort_by(f64::total_cmp);
    if let (Some(first), Some(last)) = (references.first(), references.last())
        && last - first >= 0.05
    {
        wrong.push(format!("references of {first} V and {last} V"));
    }
    let offered = system.library.form(&plan.chip).map(|form| form.references.clone()).unwrap_or_default();
    if let Some(volts) = references.first()
        && !offered.is_empty()
        && !offered.iter().any(|offered| (offered - volts).abs() < 0.05)
    {
        wrong.push(format!("a reference of {volts} V, which the board does not have"));
    }
    wrong
}
