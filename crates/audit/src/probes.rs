//! Steps and noise of probes against the deadbands that use them.

use crate::context::Context;
use crate::facts::DeadbandFact;
use crate::reads;
use system::model::{Derived, RuleForm, Scale, SensorIdx, SensorKind, SignalIdx, SignalSource};
use system::{Diagnostic, Level, System};

/// Counts of the board's converter.
const ADC_COUNTS: f64 = 1024.0;
/// TMP36: 10 mV/K (data sheet).
const TMP36_V_PER_K: f64 = 0.01;
/// DS18B20 at 12 bits (data sheet).
const DS18B20_STEP: f64 = 0.0625;
/// Electrode slope at 25 °C, V per pH (Nernst), and the usual gain of a pH amplifier (assumed, as in the twin).
const PH_SLOPE: f64 = 0.05916;
const PH_GAIN: f64 = 3.0;
/// Samples that a pH reading adds (as in the twin).
const PH_SAMPLES: f64 = 16.0;
/// A deadband under this many steps switches on single counts (assumed; two counts are the least that is a band at all).
const LEAST_STEPS: f64 = 2.0;
/// A deadband under this many standard deviations of noise chatters (assumed).
const LEAST_SIGMAS: f64 = 4.0;

/// Step of a sensor in the unit of its signal (K, pH, m, L/min), near the working point.
pub fn step(system: &System, sensor: SensorIdx) -> Option<f64> {
    match system.sensors[sensor.idx()].kind {
        SensorKind::Ds18b20 | SensorKind::RoomTemperature => Some(DS18B20_STEP),
        SensorKind::Tmp36 { reference_v, oversample } => {
            // Noise dithers, so n samples refine by sqrt(n) (Atmel AVR121 in substance; from memory).
            Some(reference_v / ADC_COUNTS / TMP36_V_PER_K / f64::from(oversample.max(1)).sqrt())
        }
        SensorKind::Ntc { beta, r25, series } => {
            let kelvin = system.water.temperature_c + 273.15;
            let r = r25 * libm::exp(beta * (1.0 / kelvin - 1.0 / 298.15));
            let counts_per_k =
                ADC_COUNTS * r * series / ((r + series) * (r + series)) * beta / (kelvin * kelvin);
            (counts_per_k > 0.0).then(|| 1.0 / counts_per_k)
        }
        SensorKind::Ph { reference_v } => {
            Some(reference_v / ADC_COUNTS / (PH_GAIN * PH_SLOPE) / PH_SAMPLES.sqrt())
        }
        SensorKind::Level { resolution } => Some(resolution),
        SensorKind::Flow { pulses_per_litre, .. } => {
            let scan_min = f64::from(system.scan_ms) / 60_000.0;
            (pulses_per_litre > 0.0).then(|| 1.0 / pulses_per_litre / scan_min)
        }
        _ => None,
    }
}

/// Integer scale of a signal as factor to the unit shown, and the unit.
fn unit(scale: Scale) -> Option<(f64, &'static str)> {
    match scale {
        Scale::MilliCelsius | Scale::MilliKelvin => Some((1e-3, "K")),
        Scale::MilliPh => Some((1e-3, "pH")),
        Scale::Micrometre => Some((1e-3, "mm")),
        Scale::MillilitrePerMinute => Some((1e-3, "L/min")),
        _ => None,
    }
}

pub(crate) fn check(context: &mut Context<'_>) {
    let system = context.system;
    for rule in &system.rules {
        let name = &system.actuators[rule.drives.idx()].name;
        if let RuleForm::Switch { start, stop } = &rule.form {
            let stops = reads::thresholds(system, stop);
            for a in reads::thresholds(system, start) {
                for b in stops.iter().filter(|b| b.signal == a.signal && b.op != a.op) {
                    band(context, name, a.signal, (f64::from(a.value) - f64::from(b.value)).abs());
                }
            }
        }
        // A plain condition on a measured value has no deadband at all.
        if let RuleForm::When(when) = &rule.form {
            for threshold in reads::thresholds(system, when) {
                bare_threshold(
                    context,
                    name,
                    threshold.signal,
                    rule.shortest_rest_s.max(rule.shortest_run_s),
                );
            }
        }
    }
    unread(context);
}

/// Sensors behind a signal that carry its value itself.
fn behind(system: &System, signal: SignalIdx) -> Vec<SensorIdx> {
    match system.signals.get(signal.idx()).map(|s| &s.source) {
        Some(SignalSource::Sensor(sensor)) => vec![*sensor],
        Some(SignalSource::Derived(Derived::Lag { of, .. })) => behind(system, *of),
        Some(SignalSource::Derived(Derived::Middle { of })) => {
            of.iter().flat_map(|s| behind(system, *s)).collect()
        }
        Some(SignalSource::Derived(Derived::Substitute { of, with })) => {
            [*of, *with].iter().flat_map(|s| behind(system, *s)).collect()
        }
        _ => vec![],
    }
}

fn band(context: &mut Context<'_>, actuator: &str, signal: SignalIdx, counts: f64) {
    let system = context.system;
    let Some((factor, unit)) = system.signals.get(signal.idx()).and_then(|s| unit(s.scale)) else { return };
    let name = &system.signals[signal.idx()].name;
    let band = counts * factor;
    for sensor in behind(system, signal) {
        let Some(step) = step(system, sensor) else { continue };
        let part = &system.sensors[sensor.idx()];
        let to_unit = if unit == "mm" { 1e3 } else { 1.0 };
        let (step, noise) = (step * to_unit, part.noise * to_unit);
        context.facts.deadbands.push(DeadbandFact {
            actuator: actuator.into(),
            signal: name.clone(),
            sensor: part.name.clone(),
            band,
            step,
            noise,
            unit: unit.into(),
        });
        if band < LEAST_STEPS * step {
            let level = if band < step { Level::Error } else { Level::Warning };
            let mut finding = Diagnostic::new(
                "deadband-below-resolution",
                level,
                format!(
                    "the deadband of `{actuator}` is {band:.2} {unit}, one step of `{}` is {step:.2} {unit}",
                    part.name
                ),
            )
            .at(context.place(&format!("rule.{actuator}.start")), "")
            .at(context.place(&format!("sensor.{}", part.name)), format!("{step:.2} {unit} a step"))
            .subject(part.name.clone());
            finding = match part.kind {
                SensorKind::Tmp36 { reference_v, .. } => finding
                    .note(format!(
                        "{reference_v} V / 1024 / 10 mV/K = {step:.3} K (TMP36 data sheet; 10-bit converter)"
                    ))
                    .help("a reference of 1.1 V gives 0.107 K a step; a DS18B20 gives 0.0625 K"),
                _ => finding
                    .note("fewer than two steps between start and stop: it switches on single counts")
                    .help(format!(
                        "a deadband of {:.2} {unit} or more, or a finer probe",
                        LEAST_STEPS * step
                    )),
            };
            context.add(finding);
        } else if noise > 0.0 && band < LEAST_SIGMAS * noise {
            context.add(
                Diagnostic::warning(
                    "deadband-below-noise",
                    format!("the deadband of `{actuator}` is {band:.2} {unit}, the noise of `{}` {noise:.2} {unit}", part.name),
                )
                .at(context.place(&format!("rule.{actuator}.start")), "")
                .note(format!("less than {LEAST_SIGMAS} standard deviations: it chatters"))
                .help("a wider deadband, or a derived signal with a lag")
                .subject(part.name.clone()),
            );
        }
    }
}

fn bare_threshold(context: &mut Context<'_>, actuator: &str, signal: SignalIdx, rest_s: f64) {
    let system = context.system;
    let Some((_, unit)) = system.signals.get(signal.idx()).and_then(|s| unit(s.scale)) else { return };
    let noisy = behind(system, signal).into_iter().any(|s| system.sensors[s.idx()].noise > 0.0);
    if !noisy || rest_s > 0.0 {
        return;
    }
    context.add(
        Diagnostic::note_level(
            "threshold-without-deadband",
            format!(
                "`{actuator}` switches on one threshold of `{}` ({unit}): noise makes it chatter",
                system.signals[signal.idx()].name
            ),
        )
        .at(context.place(&format!("rule.{actuator}.when")), "")
        .help("start and stop with a gap, or shortest_run and shortest_rest")
        .subject(actuator),
    );
}

/// Sensors that nothing reads.
fn unread(context: &mut Context<'_>) {
    let system = context.system;
    let mut read: Vec<SensorIdx> = vec![];
    for rule in &system.rules {
        read.extend(reads::deciding_sensors(system, rule));
        read.extend(reads::guarding_sensors(system, rule));
        if let Some(stall) = &rule.stall {
            read.extend(reads::sensors_of(system, stall.signal));
        }
    }
    for alarm in &system.alarms {
        read.extend(reads::sensors_of_condition(system, &alarm.when));
    }
    for actuator in &system.actuators {
        read.extend(&actuator.series);
    }
    for procedure in &system.procedures {
        for until in procedure.steps.iter().filter_map(|s| s.until.as_ref()) {
            read.extend(reads::sensors_of_condition(system, until));
        }
    }
    for (i, sensor) in system.sensors.iter().enumerate() {
        if read.contains(&SensorIdx(i)) || system.rules.is_empty() {
            continue;
        }
        context.add(
            Diagnostic::note_level("sensor-unused", format!("no rule and no alarm reads `{}`", sensor.name))
                .at(context.place(&format!("sensor.{}", sensor.name)), "")
                .help("name it in a rule or an alarm; for logging alone it is right as it is")
                .subject(sensor.name.clone()),
        );
    }
}
