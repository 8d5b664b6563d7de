//! The wiring table of a system and its program: what the board reads and drives, in the program's order, from the places that the
//! file fixes.
//!
//! [`numbers`] gives the drivers of number inputs whether or not they are placed, so that a rehearsal converts raw codes by the very
//! drivers that the board has.

use program::codec::MAX_DURATION_MS;
use program::convert::{AdcScale, NtcTable, PhAmplifier};
use program::wiring::{
    BitDriver, BitInput, Device, DeviceKind, NumberDriver, NumberInput, Output, OutputDriver,
    TemperatureInput, Wiring,
};
use system::model::{ActuatorIdx, ActuatorKind, Sensor, SensorKind};
use system::wiring::{CONTACT_SAMPLE_MS, DeviceKind as Kind, Line, SensorPlace};
use system::{Diagnostic, System};

use crate::{Compiled, Input, InputPlace};

/// Pin or channel of what has no place yet.
pub use system::wiring::NO_PIN;
/// Counts of full scale of the boards' converters: 10 bits.
const FULL_SCALE: u16 = 1024;
/// Conversions summed for a pH electrode and for a probe that gives a voltage in proportion.
const N_SAMPLES: u8 = 16;
/// Reference when no sensor asks for one, mV.
const USUAL_REFERENCE_MV: u16 = 5000;

/// A number input with the converter that its code comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NumberSource {
    /// Driver and age limit.
    pub input: NumberInput,
    /// Scale of the converter; of no concern to a digital driver.
    pub adc: AdcScale,
}

fn rounded(value: f64) -> i32 {
    value.round().clamp(-2_147_483_648.0, 2_147_483_647.0) as i32
}

fn scale(reference_v: f64) -> AdcScale {
    AdcScale { reference_mv: (reference_v * 1e3).round().clamp(1.0, 6000.0) as u16, full_scale: FULL_SCALE }
}

/// The thermometers among the number inputs: sensor and input.
fn thermometers<'s>(
    system: &'s System,
    inputs: &'s [Input],
) -> impl Iterator<Item = (usize, &'s Sensor, u8)> + 's {
    inputs.iter().filter_map(|input| {
        let sensor = &system.sensors[input.sensor.idx()];
        let InputPlace::Number(order) = input.place else { return None };
        matches!(
            sensor.kind,
            SensorKind::Ds18b20
                | SensorKind::Tmp36 { .. }
                | SensorKind::Ntc { .. }
                | SensorKind::RoomTemperature
        )
        .then_some((input.sensor.idx(), sensor, order))
    })
}

/// The input by which a sensor is compensated: the one that the file names, else for an electrode a thermometer of its vessel or the
/// first in water, for an echo one of the room.
fn temperature_of(system: &System, inputs: &[Input], sensor: &Sensor) -> TemperatureInput {
    if let Some(wanted) = sensor.temperature {
        return thermometers(system, inputs).find(|(s, ..)| *s == wanted.idx()).map(|(.., order)| order);
    }
    let is_of_air = |other: &Sensor| matches!(other.kind, SensorKind::RoomTemperature);
    let all = || thermometers(system, inputs);
    if sensor.mounted.is_some() {
        return all().find(|(_, other, _)| is_of_air(other)).map(|(.., order)| order);
    }
    let beside = all()
        .find(|(_, other, _)| !is_of_air(other) && other.vessel.is_some() && other.vessel == sensor.vessel);
    beside.or_else(|| all().find(|(_, other, _)| !is_of_air(other))).map(|(.., order)| order)
}

/// Drivers of the number inputs, in their order. What has no place has [`NO_PIN`]; all else is as on the board.
pub fn numbers(system: &System, inputs: &[Input]) -> Vec<NumberSource> {
    let mut all = vec![];
    for input in inputs {
        let InputPlace::Number(_) = input.place else { continue };
        let sensor = &system.sensors[input.sensor.idx()];
        let place = system.wiring.sensor(input.sensor);
        let (mut pin, mut second, mut channel, mut rom) = (NO_PIN, NO_PIN, NO_PIN, [0; 8]);
        match place {
            Some(SensorPlace::OneWire { pin: p, rom: r }) => (pin, rom) = (*p, r.unwrap_or_default()),
            Some(SensorPlace::Channel { channel: c }) => channel = *c,
            Some(SensorPlace::Echo { trigger, echo }) => (pin, second) = (*trigger, *echo),
            Some(SensorPlace::Pulses { pin: p }) => pin = *p,
            _ => {}
        }
        let adc = scale(sensor.reference_v().unwrap_or(f64::from(USUAL_REFERENCE_MV) / 1e3));
        // Per volt in the signal's own counts: `per_unit` of them make one SI unit.
        let volts = |per_unit: f64| {
            let volts = sensor.volts;
            (rounded(volts.zero_v * 1e6), rounded(volts.span * per_unit / (volts.full_v - volts.zero_v)))
        };
        let driver = match &sensor.kind {
            SensorKind::Ds18b20 | SensorKind::RoomTemperature => NumberDriver::Ds18b20 { pin, rom },
            SensorKind::Tmp36 { oversample, .. } => {
                NumberDriver::Tmp36 { channel, n_samples: (*oversample).clamp(1, 16) as u8 }
            }
            SensorKind::Ntc { beta, r25, series } => {
                NumberDriver::Ntc { channel, n_samples: 1, table: NtcTable::beta(*beta, *r25, *series, true) }
            }
            SensorKind::Ph { .. } => NumberDriver::Ph {
                channel,
                n_samples: N_SAMPLES,
                amplifier: PhAmplifier {
                    midpoint_mv: (sensor.amplifier.midpoint_v * 1e3).round().clamp(0.0, 6000.0) as u16,
                    gain_permille: rounded(sensor.amplifier.gain * 1e3),
                },
                temperature: temperature_of(system, inputs, sensor),
            },
            SensorKind::Conductivity => {
                let (zero_uv, per_volt) = volts(1e3);
                NumberDriver::Conductivity {
                    channel,
                    n_samples: N_SAMPLES,
                    zero_uv,
                    per_volt,
                    ppm_per_k: 0,
                    temperature: None,
                }
            }
            SensorKind::Level { .. } => match sensor.mounted {
                Some(mounted) => NumberDriver::Ultrasonic {
                    trigger_pin: pin,
                    echo_pin: second,
                    mounted_um: rounded(mounted * 1e6),
                    temperature: temperature_of(system, inputs, sensor),
                },
                None => {
                    let (zero_uv, per_volt) = volts(1e6);
                    NumberDriver::Level { channel, n_samples: N_SAMPLES, zero_uv, per_volt }
                }
            },
            SensorKind::Charge { .. } => {
                let (zero_uv, per_volt) = volts(1e3);
                NumberDriver::Level { channel, n_samples: N_SAMPLES, zero_uv, per_volt }
            }
            SensorKind::Flow { pulses_per_litre, .. } => {
                NumberDriver::PulseFlow { pin, pulses_per_litre: rounded(*pulses_per_litre).max(1) }
            }
            SensorKind::Float { .. }
            | SensorKind::Leak
            | SensorKind::Presence { .. }
            | SensorKind::Button => continue,
        };
        let age_limit_ms = rounded(sensor.max_age_s * 1e3).clamp(0, MAX_DURATION_MS);
        all.push(NumberSource { input: NumberInput { driver, age_limit_ms }, adc });
    }
    all
}

/// The table of a system's first board for a compiled program.
///
/// # Errors
///
/// Everything that has no place yet, and what one board cannot have together, with places in the file.
pub fn table(system: &System, compiled: &Compiled) -> Result<Wiring, Vec<Diagnostic>> {
    let mut findings = vec![];
    let chip = system.boards.first().and_then(|board| system.library.chip(&board.chip));
    let board = chip.and_then(|chip| chip.code);
    if board.is_none() {
        let key = system.boards.first().map(|board| format!("board.{}.chip", board.name));
        findings.push(
            Diagnostic::error("no-board-to-build", "there is no board whose chip a runtime is made for")
                .at(key.and_then(|key| system.places.find(&key)), "")
                .help("add [[board]] with chip = \"ATmega328P\", \"ATmega32U4\" or \"ATmega2560\""),
        );
    }
    findings.extend(not_placed(system, compiled));
    findings.extend(not_compensated(system, &compiled.inputs));
    let adc = match one_reference(system, &compiled.inputs) {
        Ok(adc) => adc,
        Err(finding) => {
            findings.push(*finding);
            scale(5.0)
        }
    };
    if !findings.is_empty() {
        return Err(findings);
    }
    Ok(Wiring {
        board: board.unwrap_or_default(),
        adc,
        numbers: numbers(system, &compiled.inputs).into_iter().map(|source| source.input).collect(),
        bits: compiled.inputs.iter().filter_map(|input| bit(system, input)).collect(),
        outputs: driven(system, compiled).iter().filter_map(|actuator| output(system, *actuator)).collect(),
        devices: system.wiring.devices.iter().map(device).collect(),
    })
}

/// Actuators in the order of their drives, behind them a buzzer that the panel has alone.
fn driven(system: &System, compiled: &Compiled) -> Vec<ActuatorIdx> {
    let mut all: Vec<(u16, ActuatorIdx)> = (compiled.drives.iter().enumerate())
        .filter_map(|(actuator, order)| Some(((*order)?, ActuatorIdx(actuator))))
        .collect();
    all.sort_unstable();
    let alone = crate::panel::output_behind_drives(system, compiled);
    all.into_iter().map(|(_, actuator)| actuator).chain(alone).collect()
}

fn bit(system: &System, input: &Input) -> Option<BitInput> {
    let InputPlace::Bit { true_when_closed, .. } = input.place else { return None };
    let n_debounce = |ms: u16| (ms / CONTACT_SAMPLE_MS).clamp(1, 127) as u8;
    let (driver, n_debounce) = match *system.wiring.sensor(input.sensor)? {
        SensorPlace::Contact { line: Line::Pin(pin), debounce_ms } => {
            (BitDriver::Pin { pin }, n_debounce(debounce_ms))
        }
        SensorPlace::Contact { line: Line::Expander { device, line }, debounce_ms } => {
            (BitDriver::Expander { device: device as u8, line }, n_debounce(debounce_ms))
        }
        SensorPlace::Button { pin, debounce_ms } => (BitDriver::Button { pin }, n_debounce(debounce_ms)),
        SensorPlace::RemoteKey { code } => (BitDriver::RemoteKey { code }, 1),
        _ => return None,
    };
    Some(BitInput { driver, is_normally_closed: !true_when_closed, n_debounce })
}

/// In the safe state coils and gates rest, so the load does what it does while the board is dead; an NC contact turns the sense of
/// its line over.
fn output(system: &System, actuator: ActuatorIdx) -> Option<Output> {
    let place = system.wiring.actuator(actuator)?;
    let it = &system.actuators[actuator.idx()];
    let driver = match place.line {
        Line::Pin(pin) if it.modulated => OutputDriver::Pwm { pin },
        Line::Pin(pin) if it.kind == ActuatorKind::Buzzer => OutputDriver::Buzzer { pin },
        Line::Pin(pin) => OutputDriver::Pin { pin },
        Line::Expander { device, line } => OutputDriver::Expander { device: device as u8, line },
    };
    Some(Output {
        driver,
        is_active_low: place.active_low ^ it.on_when_dead,
        is_on_when_safe: it.on_when_dead,
    })
}

fn device(device: &system::wiring::Device) -> Device {
    let (kind, shape) = match device.kind {
        Kind::Mcp23008 => (DeviceKind::Mcp23008, 0),
        Kind::Mcp23017 => (DeviceKind::Mcp23017, 0),
        Kind::Pcf8574 => (DeviceKind::Pcf8574, 0),
        Kind::TextDisplay { columns, rows } => (DeviceKind::TextDisplay, shape(columns, rows)),
        Kind::Ds1307 => (DeviceKind::Ds1307, 0),
        Kind::Ds3231 => (DeviceKind::Ds3231, 0),
        Kind::InfraredReceiver => (DeviceKind::InfraredReceiver, 0),
        Kind::W5500 => (DeviceKind::Ethernet, 0),
    };
    Device { kind, address: device.address, shape }
}

/// The shape byte of a display: columns, and in the top two bits rows less one.
fn shape(columns: u8, rows: u8) -> u8 {
    columns & 0x3F | rows.saturating_sub(1) << 6
}

/// Everything that the program reads or drives and that has no place.
fn not_placed(system: &System, compiled: &Compiled) -> Option<Diagnostic> {
    let sensors = compiled.inputs.iter().filter(|input| system.wiring.sensor(input.sensor).is_none());
    let mut lines: Vec<String> = sensors
        .map(|input| {
            let sensor = &system.sensors[input.sensor.idx()];
            format!("{} = {}", sensor.name, example(sensor))
        })
        .collect();
    let n_sensors = lines.len();
    for actuator in driven(system, compiled) {
        if system.wiring.actuator(actuator).is_none() {
            let it = &system.actuators[actuator.idx()];
            lines.push(format!("{} = {{ pin = \"...\" }}", it.name));
        }
    }
    let bare: Vec<&str> = (system.wiring.devices.iter())
        .filter(|device| device.address == NO_PIN)
        .map(|device| device.name.as_str())
        .collect();
    if lines.is_empty() && bare.is_empty() {
        return None;
    }
    let count = |n: usize, one: &str| match n {
        1 => format!("1 {one}"),
        n => format!("{n} {one}s"),
    };
    let message = match (n_sensors, lines.len() - n_sensors) {
        (0, 0) => format!("{} has no place on the board", count(bare.len(), "device")),
        (sensors, 0) => format!("{} has no place on the board", count(sensors, "sensor")),
        (0, outputs) => format!("{} has no place on the board", count(outputs, "actuator")),
        (sensors, outputs) => {
            format!(
                "{} and {} have no place on the board",
                count(sensors, "sensor"),
                count(outputs, "actuator")
            )
        }
    };
    let board = system.boards.first().and_then(|board| system.places.find(&format!("board.{}", board.name)));
    let mut finding = Diagnostic::error("not-placed", message)
        .at(system.places.find("wiring").or(board), "")
        .help("`tidewright wire --lock` plans them; or write these lines into [wiring], with pins of the chip or lines of an expander");
    for line in lines {
        finding = finding.note(line);
    }
    for name in bare {
        finding = finding.note(format!("pin = \"...\" in the [[device]] `{name}`"));
    }
    Some(finding)
}

/// What the line of a sensor in `[wiring]` looks like.
fn example(sensor: &Sensor) -> &'static str {
    match sensor.kind {
        SensorKind::Ds18b20 | SensorKind::RoomTemperature => "{ pin = \"...\", rom = \"28-...\" }",
        SensorKind::Level { .. } if sensor.mounted.is_some() => "{ trigger = \"...\", echo = \"...\" }",
        SensorKind::Tmp36 { .. }
        | SensorKind::Ntc { .. }
        | SensorKind::Ph { .. }
        | SensorKind::Conductivity
        | SensorKind::Level { .. }
        | SensorKind::Charge { .. } => "{ channel = \"ADC...\" }",
        _ => "{ pin = \"...\" }",
    }
}

/// Sensors whose thermometer the program does not read, so that the board would not measure it.
fn not_compensated(system: &System, inputs: &[Input]) -> Vec<Diagnostic> {
    let mut findings = vec![];
    for input in inputs {
        let sensor = &system.sensors[input.sensor.idx()];
        let Some(wanted) = sensor.temperature else { continue };
        if temperature_of(system, inputs, sensor).is_none() {
            let name = &system.sensors[wanted.idx()].name;
            findings.push(
                Diagnostic::error(
                    "compensation-not-read",
                    format!("nothing of the program reads `{name}`, which compensates `{}`", sensor.name),
                )
                .at(system.places.find(&format!("sensor.{}.temperature", sensor.name)), "")
                .subject(sensor.name.clone())
                .help(format!(
                    "use it in a rule or an alarm, such as `bad({name})`, or name another thermometer"
                )),
            );
        }
    }
    findings
}

/// The one reference that all analogue inputs share.
fn one_reference(system: &System, inputs: &[Input]) -> Result<AdcScale, Box<Diagnostic>> {
    let mut first: Option<(&Sensor, f64)> = None;
    for input in inputs {
        let sensor = &system.sensors[input.sensor.idx()];
        let Some(volts) = sensor.reference_v() else { continue };
        match first {
            None => first = Some((sensor, volts)),
            Some((other, v)) if scale(v) != scale(volts) => {
                let place =
                    |sensor: &Sensor| system.places.find(&format!("sensor.{}.reference", sensor.name));
                return Err(Box::new(
                    Diagnostic::error(
                        "references-differ",
                        format!(
                            "`{}` is measured against {v} V and `{}` against {volts} V, but a board has one reference",
                            other.name, sensor.name
                        ),
                    )
                    .at(place(sensor), "")
                    .at(place(other), format!("`{}` has {v} V", other.name))
                    .subject(sensor.name.clone())
                    .help("give all analogue sensors the reference of the board's converter"),
                ));
            }
            Some(_) => {}
        }
    }
    Ok(scale(first.map_or(f64::from(USUAL_REFERENCE_MV) / 1e3, |(_, volts)| volts)))
}
