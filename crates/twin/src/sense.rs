//! What the probes say: raw codes as the real parts give them, with lag, noise, rounding and flaws.
//!
//! The codes are those of docs/control-program.md, so that the board's own conversion turns them into values.

use system::model::{Amplifier, Sensor, SensorKind, Volts};

use crate::flaw::{Flaws, Reading};
use crate::lanes::{Mask, has};
use crate::noise::noise;
use crate::plan::Plan;
use crate::state::State;

/// The code of a part that gives no answer.
pub const NO_ANSWER: i32 = i32::MIN;
/// ADC samples added into one code of a pH electrode or of a probe that gives a voltage in proportion.
pub const SAMPLES: f64 = 16.0;
/// ADC steps.
const ADC_STEPS: f64 = 1024.0;
/// Water on the floor that wets a leak probe, m³ (assumed: a film of a millimetre over half a square metre).
const WETTING: f64 = 0.5e-3;
/// Ripple of a stirred surface, m, standard deviation (assumed).
const RIPPLE: f64 = 0.5e-3;

/// Volts behind the amplifier of a pH electrode.
fn ph_volts(amplifier: &Amplifier, ph: f64, celsius: f64) -> f64 {
    // Nernst: ln 10 R T / F, exact SI.
    let slope = core::f64::consts::LN_10 * 8.314_462_618 * (celsius + 273.15) / 96_485.332_12;
    amplifier.midpoint_v + amplifier.gain * slope * (7.0 - ph)
}

/// Code of a probe that gives a voltage in proportion.
fn volts_code(volts: &Volts, value: f64) -> f64 {
    let at_pin = volts.zero_v + value * (volts.full_v - volts.zero_v) / volts.span;
    at_pin / volts.reference_v * ADC_STEPS * SAMPLES
}

/// Way of an echo there and back, µs; speed of sound in air 331.3 + 0.606 t m/s (from memory, good to 0.1 % over 0-40 °C).
fn echo_code(mounted: f64, level: f64, celsius: f64) -> f64 {
    2e6 * (mounted - level) / (331.3 + 0.606 * celsius)
}

/// Raw code, not rounded, of a true or flawed value in SI.
fn ideal_code(sensor: &Sensor, value: f64, celsius: f64) -> f64 {
    match &sensor.kind {
        SensorKind::Ds18b20 | SensorKind::RoomTemperature => value * 16.0,
        SensorKind::Tmp36 { reference_v, oversample } => {
            (0.5 + 0.01 * value) / reference_v * ADC_STEPS * f64::from(*oversample)
        }
        SensorKind::Ntc { beta, r25, series } => {
            let r = r25 * libm::exp(beta * (1.0 / (value + 273.15) - 1.0 / 298.15));
            r / (r + series) * ADC_STEPS
        }
        SensorKind::Ph { reference_v } => {
            ph_volts(&sensor.amplifier, value, celsius) / reference_v * ADC_STEPS * SAMPLES
        }
        SensorKind::Level { .. } => match sensor.mounted {
            Some(mounted) => echo_code(mounted, value, celsius),
            None => volts_code(&sensor.volts, value),
        },
        SensorKind::Conductivity | SensorKind::Charge { .. } => volts_code(&sensor.volts, value),
        _ => value,
    }
}

/// Codes for each unit of the sensor's SI value, for its noise and drift.
fn codes_per_unit(sensor: &Sensor) -> f64 {
    (ideal_code(sensor, 26.0, 25.0) - ideal_code(sensor, 25.0, 25.0)).abs()
}

/// Lowest and highest code of a part.
fn rails(sensor: &Sensor) -> (f64, f64) {
    match &sensor.kind {
        SensorKind::Ds18b20 | SensorKind::RoomTemperature => (-880.0, 2000.0),
        SensorKind::Tmp36 { oversample, .. } => (0.0, 1023.0 * f64::from(*oversample)),
        SensorKind::Ntc { .. } => (0.0, 1023.0),
        SensorKind::Ph { .. } | SensorKind::Conductivity | SensorKind::Charge { .. } => {
            (0.0, 1023.0 * SAMPLES)
        }
        SensorKind::Level { .. } if sensor.mounted.is_none() => (0.0, 1023.0 * SAMPLES),
        _ => (0.0, 1e6),
    }
}

/// True value at a probe in SI: what it would settle to.
fn true_value<const L: usize>(
    plan: &Plan,
    state: &State<L>,
    sensor: &Sensor,
    reading: Reading,
    l: usize,
) -> f64 {
    let vessel = match reading {
        Reading::In(v) => Some(v),
        _ => sensor.vessel.map(|v| v.idx()),
    };
    let dry = reading == Reading::FallenOut;
    match &sensor.kind {
        SensorKind::Ds18b20 | SensorKind::Tmp36 { .. } | SensorKind::Ntc { .. } => {
            let room = state.room_temperature[0][l];
            let Some(v) = vessel else { return room };
            let tip = plan.nodes[v].floor + sensor.height.unwrap_or(0.0);
            // A misplaced probe hangs as deep as it happens to; it is in the water.
            let wet = matches!(reading, Reading::In(_)) || state.surface[v][l] > tip;
            if wet && !dry { state.temperature[v][l] } else { room }
        }
        SensorKind::RoomTemperature => state.room_temperature[0][l],
        // A dry electrode gives no voltage, which is pH 7 (assumed), a dry cell lets no current through.
        SensorKind::Ph { .. } => vessel.filter(|_| !dry).map_or(7.0, |v| state.ph_nbs[v][l]),
        SensorKind::Conductivity => vessel.filter(|_| !dry).map_or(0.0, |v| {
            let s = state.salinity[v][l];
            seawater::salinity::conductivity_ms_per_cm(s, state.temperature[v][l].clamp(0.0, 40.0))
        }),
        SensorKind::Charge { of } => {
            let usable = match plan.system.supplies[of.idx()].kind {
                system::model::SupplyKind::Battery { usable_j, .. } => usable_j,
                _ => 1.0,
            };
            state.energy[of.idx()][l] / usable
        }
        _ => 0.0,
    }
}

/// Whether a sensor is followed in the slow step (the others are read anew at each scan).
fn is_slow(kind: &SensorKind) -> bool {
    matches!(
        kind,
        SensorKind::Ds18b20
            | SensorKind::Tmp36 { .. }
            | SensorKind::Ntc { .. }
            | SensorKind::RoomTemperature
            | SensorKind::Ph { .. }
            | SensorKind::Conductivity
            | SensorKind::Charge { .. }
    )
}

/// Moves the lagged values by one slow step; `settle` puts them at their true value.
pub(crate) fn follow<const L: usize>(
    plan: &Plan,
    flaws: &Flaws<L>,
    state: &mut State<L>,
    time: f64,
    settle: bool,
) {
    for (i, sensor) in plan.system.sensors.iter().enumerate().filter(|(_, s)| is_slow(&s.kind)) {
        let keep = if settle || sensor.lag_s <= 0.0 { 0.0 } else { libm::exp(-time / sensor.lag_s) };
        for l in 0..L {
            let reading = flaws.reading[i][l].0;
            let value = true_value(plan, state, sensor, reading, l);
            let lagged = &mut state.lagged[i][l];
            *lagged = value + (*lagged - value) * keep;
            let celsius = sensor.vessel.map_or(25.0, |v| state.temperature[v.idx()][l]);
            state.ideal[i][l] = ideal_code(sensor, *lagged + sensor.offset, celsius);
        }
    }
}

/// Adds what passed a flow meter since the last call to its pulses; `clear` when the sums are about to be cleared.
pub(crate) fn count_pulses<const L: usize>(plan: &Plan, state: &mut State<L>, sensor: usize, clear: bool) {
    let SensorKind::Flow { passage, pulses_per_litre } = plan.system.sensors[sensor].kind else { return };
    for l in 0..L {
        let owed = state.owed[0][l];
        let passes = plan.passes_of[passage.idx()].iter();
        let passed: f64 = passes.map(|&p| state.given[p][l] + state.flow_given[p][l] * owed).sum();
        let fresh = (passed - state.lagged[sensor][l]).max(0.0);
        state.ideal[sensor][l] += fresh * 1000.0 * pulses_per_litre;
        state.lagged[sensor][l] = if clear { 0.0 } else { passed };
    }
}

/// What the reading of one sensor needs at each scan, worked out once.
#[derive(Clone, Debug)]
pub(crate) struct Probe {
    /// Elevations at which a float switches, m.
    low: f64,
    high: f64,
    /// Codes of one standard deviation of its noise.
    sigma: f64,
    /// Added before rounding to the nearest: -0.5 for a converter that rounds down.
    half: f64,
    /// Lowest and highest code.
    rails: (f64, f64),
    /// Followed in the slow step.
    is_slow: bool,
}

impl Probe {
    pub(crate) fn new(system: &system::System, sensor: &Sensor) -> Self {
        let floor = sensor.vessel.map_or(0.0, |v| system.vessels[v.idx()].floor_m);
        let (low, high) = match sensor.kind {
            SensorKind::Float { low, high, .. } => (floor + low, floor + high),
            _ => (0.0, 0.0),
        };
        Probe {
            low,
            high,
            sigma: codes_per_unit(sensor) * sensor.noise,
            // A thermistor's converter rounds down; the DS18B20 rounds itself, oversampled sums carry their fraction.
            half: if matches!(sensor.kind, SensorKind::Ntc { .. }) { -0.5 } else { 0.0 },
            rails: rails(sensor),
            is_slow: is_slow(&sensor.kind),
        }
    }
}

/// Floats that nothing can switch before the next slow step while all water is calm.
#[derive(Clone, Debug)]
pub(crate) struct Quiet {
    /// By sensor: farther from both marks than calm water can move.
    far: Vec<bool>,
    /// Some continuous level sensor reads the surfaces at each scan.
    reads_levels: bool,
    /// Some lane was awake since the last slow step.
    pub disturbed: bool,
}

impl Quiet {
    /// Whether somebody looks at the surfaces before the next slow step though all water is calm.
    pub(crate) fn needs_levels(&self, plan: &Plan) -> bool {
        let near = |(sensor, far): (&Sensor, &bool)| !far && matches!(sensor.kind, SensorKind::Float { .. });
        self.disturbed || self.reads_levels || plan.system.sensors.iter().zip(&self.far).any(near)
    }

    pub(crate) fn new(plan: &Plan) -> Self {
        let reads_levels = plan.system.sensors.iter().any(|s| matches!(s.kind, SensorKind::Level { .. }));
        Quiet { far: vec![false; plan.system.sensors.len()], reads_levels, disturbed: true }
    }
}

/// Noise never reaches farther than so many standard deviations; see [`noise`].
const NOISE_REACH: f64 = 3.5;

/// Raw codes of scan `state.scan` into `state.code`.
///
/// Probes with a lag are read anew once each slow step: their noise is that of electrode and water, slow itself, and a DS18B20
/// rounds the fast part away. `fresh` says that supplies or flaws may have changed since.
pub(crate) fn read<const L: usize>(
    plan: &Plan,
    seed: u64,
    flaws: &Flaws<L>,
    state: &mut State<L>,
    fresh: bool,
    quiet: &mut Quiet,
) {
    let slow = state.scan.is_multiple_of(plan.slow_every);
    let fresh = fresh || slow;
    for (i, (sensor, probe)) in plan.system.sensors.iter().zip(&plan.probes).enumerate() {
        if probe.is_slow && !fresh && flaws.flawed[i] == 0 {
            continue;
        }
        let scan = if probe.is_slow { state.scan / plan.slow_every } else { state.scan };
        let dead = sensor.supply.map_or(0, |s| !state.alive[s.idx()] & crate::lanes::all::<L>());
        let shake = || noise(seed, i as u64, scan);
        let mut code = [0; L];
        match &sensor.kind {
            SensorKind::Float { closed_above, .. } => {
                let Some(v) = sensor.vessel.map(|v| v.idx()) else { continue };
                let surface = &state.surface[v];
                if !fresh && !quiet.disturbed && quiet.far[i] && flaws.flawed[i] == 0 {
                    continue;
                }
                // Far from both marks the ripple cannot matter, and costs as much as all the rest.
                let reach = NOISE_REACH * RIPPLE;
                let mut near = false;
                if slow {
                    // All that calm water can move until the next slow step, twice.
                    let far = reach + 2.0 * crate::water::CALM_M_S * plan.slow_every as f64 * plan.scan_s();
                    quiet.far[i] = (0..L).all(|l| {
                        (surface[l] - probe.low).abs() > far && (surface[l] - probe.high).abs() > far
                    });
                }
                for l in 0..L {
                    near |= (surface[l] - probe.low).abs() < reach || (surface[l] - probe.high).abs() < reach;
                }
                let ripple = if near { RIPPLE * shake() } else { 0.0 };
                let (high, low) = (probe.high - ripple, probe.low - ripple);
                let (mut up, mut down): (Mask, Mask) = (0, 0);
                for l in 0..L {
                    up |= ((surface[l] > high) as Mask) << l;
                    down |= ((surface[l] < low) as Mask) << l;
                }
                let above = (state.above[i] | up) & !down;
                if above == state.above[i] && !fresh && flaws.flawed[i] == 0 {
                    continue;
                }
                state.above[i] = above;
                let closed = if *closed_above { above } else { !above };
                for l in 0..L {
                    code[l] = i32::from(has(closed, l));
                }
            }
            // Nothing of these changes while supplies live and the floor is dry.
            SensorKind::Presence { .. } | SensorKind::Button if !fresh && flaws.flawed[i] == 0 => continue,
            SensorKind::Leak if !fresh && flaws.flawed[i] == 0 && state.spilled[0] == [0.0; L] => continue,
            SensorKind::Leak => {
                for l in 0..L {
                    code[l] = i32::from(state.spilled[0][l] > WETTING);
                }
            }
            SensorKind::Presence { of } => {
                for l in 0..L {
                    code[l] = i32::from(has(state.alive[of.idx()], l));
                }
            }
            SensorKind::Button => {}
            SensorKind::Flow { .. } => {
                count_pulses(plan, state, i, false);
                for l in 0..L {
                    let whole = state.ideal[i][l] as i32;
                    state.ideal[i][l] -= f64::from(whole);
                    code[l] = whole;
                }
            }
            SensorKind::Level { resolution } => {
                let Some(v) = sensor.vessel.map(|v| v.idx()) else { continue };
                let add = (sensor.noise * shake() + sensor.offset) / resolution;
                let (low, high) = probe.rails;
                for l in 0..L {
                    let depth = state.surface[v][l] - plan.nodes[v].floor - sensor.height.unwrap_or(0.0);
                    let told = f64::from(nearest_code(depth / resolution + add)) * resolution;
                    let x = ideal_code(sensor, told, state.room_temperature[0][l]);
                    let x = if x > low { x } else { low };
                    code[l] = nearest_code(if x < high { x } else { high });
                }
            }
            SensorKind::Tmp36 { oversample, .. } => {
                let n = (*oversample).max(1);
                let sigma = probe.sigma / f64::from(n);
                for k in 0..n {
                    let add = sigma * noise(seed, (i as u64) << 8 | u64::from(k) << 32, scan);
                    for l in 0..L {
                        code[l] += nearest_code(state.ideal[i][l] / f64::from(n) + add - 0.5);
                    }
                }
            }
            _ => {
                let add = probe.sigma * shake() + probe.half;
                let (low, high) = probe.rails;
                let ideal = &state.ideal[i];
                for l in 0..L {
                    let x = ideal[l] + add;
                    let x = if x > low { x } else { low };
                    code[l] = nearest_code(if x < high { x } else { high });
                }
            }
        }
        let flawed = flaws.flawed[i];
        if (flawed | dead) != 0 {
            for l in 0..L {
                if has(flawed, l) {
                    code[l] = flawed_code(plan, seed, flaws, state, i, l, code[l]);
                }
                if has(dead, l) {
                    code[l] = dead_code(&sensor.kind);
                }
            }
        }
        state.code[i] = code;
    }
}

/// Nearest integer (ties to even) of a code within ±2^31: adding 1.5 * 2^52 leaves it in the low bits, without a branch or a
/// conversion instruction that has no vector form.
#[inline(always)]
fn nearest_code(x: f64) -> i32 {
    (x + 6_755_399_441_055_744.0).to_bits() as i32
}

/// What a part without power or bus says: contacts open, the rest is silent.
fn dead_code(kind: &SensorKind) -> i32 {
    match kind {
        SensorKind::Float { .. } | SensorKind::Leak | SensorKind::Presence { .. } | SensorKind::Button => 0,
        SensorKind::Flow { .. } => 0,
        _ => NO_ANSWER,
    }
}

fn flawed_code<const L: usize>(
    plan: &Plan,
    seed: u64,
    flaws: &Flaws<L>,
    state: &State<L>,
    i: usize,
    l: usize,
    code: i32,
) -> i32 {
    let sensor = &plan.system.sensors[i];
    let (reading, since) = flaws.reading[i][l];
    let contact = |above: bool| match sensor.kind {
        SensorKind::Float { closed_above, .. } => i32::from(above == closed_above),
        _ => i32::from(above),
    };
    let is_contact = matches!(
        sensor.kind,
        SensorKind::Float { .. } | SensorKind::Leak | SensorKind::Presence { .. } | SensorKind::Button
    );
    let seconds = state.scan.saturating_sub(since) as f64 * plan.scan_s();
    match reading {
        Reading::True | Reading::FallenOut | Reading::In(_) => code,
        Reading::Stuck(above) => contact(above),
        Reading::Given(value) => match sensor.kind {
            SensorKind::Float { true_above, .. } => contact((value != 0.0) == true_above),
            SensorKind::Flow { pulses_per_litre, .. } => {
                nearest_code(value * 1000.0 * pulses_per_litre * plan.scan_s())
            }
            _ if is_contact => contact(value != 0.0),
            _ => {
                let (low, high) = rails(sensor);
                nearest_code(ideal_code(sensor, value, 25.0).clamp(low, high))
            }
        },
        Reading::Held | Reading::Frozen => state.code[i][l],
        Reading::WireOpen if is_contact => 0,
        Reading::Silent | Reading::WireOpen => dead_code(&sensor.kind),
        Reading::Chatter => i32::from(noise(seed, (i as u64) << 16, state.scan) > 0.0),
        Reading::Railed(high) => {
            let (low, top) = rails(sensor);
            if high { top as i32 } else { low as i32 }
        }
        Reading::Drift(rate) => shifted(sensor, code, rate * seconds),
        Reading::Off(by) => shifted(sensor, code, by),
    }
}

/// The code of a value that is off by `by` in SI units.
fn shifted(sensor: &Sensor, code: i32, by: f64) -> i32 {
    let falls = match sensor.kind {
        SensorKind::Ph { .. } => sensor.amplifier.gain > 0.0,
        SensorKind::Ntc { .. } => true,
        _ => sensor.mounted.is_some() || sensor.volts.full_v < sensor.volts.zero_v,
    };
    let sign = if falls { -1.0 } else { 1.0 };
    let (low, high) = rails(sensor);
    (f64::from(code) + sign * by * codes_per_unit(sensor)).clamp(low, high) as i32
}
