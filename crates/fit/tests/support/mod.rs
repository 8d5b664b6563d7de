//! Trials of the fit: a noisy twin lives for some days with parameters, weather and errors of probes that nobody told the fit of; its board
//! writes a line a minute; the fit is asked, and what it says is held against what was true.
//!
//! Drawn for each trial, each as the fit claims it (see the constants beside each): the parameters themselves inside of the corners that
//! files usually have; the room by day and night, and its humidity, with memory from day to day; probes and flow meter within
//! their tolerance; what dosing pumps deliver; the heat that the water holds; the power of gear.

use fit::{Log, Quantity, Series};
use system::System;
use system::model::{ActuatorKind, ClimateIdx, Contents, Corner, PassageKind, SensorKind};
use trial::Injection;
use trial::rehearse::{self, Event, Scenario};
use twin::Flaw;

/// Random numbers by counter (SplitMix64; Steele, Lea & Flood, OOPSLA 2014).
pub struct Random(u64);

impl Random {
    pub fn new(seed: u64) -> Self {
        Random(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x5851_f42d_4c95_7f2d)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Even between two values.
    pub fn even(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Normal (Box & Muller).
    pub fn normal(&mut self, sd: f64) -> f64 {
        let (u, v) = (self.even(1e-12, 1.0), self.even(0.0, 1.0));
        sd * (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }
}

/// A tank to try.
#[derive(Clone, Debug)]
pub struct Case {
    pub name: &'static str,
    pub file: &'static str,
    pub days: u32,
    /// A logger of the room's temperature stands in the log.
    pub room: bool,
}

/// Name of the room's logger in the log.
pub const LOGGER: &str = "room_logger";
/// Room from day to day: standard deviation, K, and its memory.
const WEATHER_K: f64 = 2.0;
const MEMORY: f64 = 0.5;

/// What was true of one parameter.
pub type Truth = Vec<(Quantity, Option<String>, f64)>;

/// One life.
pub struct Life {
    pub system: System,
    pub log: Log,
    pub truth: Truth,
}

pub fn load(file: &str) -> System {
    let path = format!("{}/../../examples/{file}", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).expect("the example is there");
    system::load(&text).system.expect("the example loads")
}

fn corner(random: &mut Random) -> Corner {
    Corner {
        name: "truth".to_owned(),
        climate: None,
        evaporation: random.even(0.65, 1.4),
        weir: 1.0,
        gas_exchange: random.even(0.7, 1.3),
        respiration: random.even(0.75, 1.35),
        wall_loss: random.even(0.7, 1.3),
        pump: random.even(0.8, 1.05),
        battery: 1.0,
        reservoir: None,
    }
}

/// The system as it truly is, and what is true of its parameters.
fn make_true(file: &System, case: &Case, random: &mut Random) -> (System, Truth) {
    let mut real = file.clone();
    let corner = corner(random);
    let gear = 1.0 + random.normal(fit::GEAR);
    let lines = 1.0 + random.normal(fit::LINES);
    let mut truth: Truth = vec![
        (Quantity::Evaporation, None, corner.evaporation),
        (Quantity::WallLoss, None, corner.wall_loss),
        (Quantity::GasExchange, None, corner.gas_exchange),
        (Quantity::Respiration, None, corner.respiration),
    ];
    for actuator in &mut real.actuators {
        if actuator.kind == ActuatorKind::Heater {
            actuator.watts *= random.even(1.0 - fit::HEATER, 1.0 + fit::HEATER);
            actuator.delay_s *= random.even(0.0, 2.0);
            truth.push((Quantity::HeaterPower, Some(actuator.name.clone()), actuator.watts));
        } else {
            actuator.watts *= gear;
        }
    }
    for passage in &mut real.passages {
        match &mut passage.kind {
            PassageKind::Line { flow, .. } => *flow *= lines,
            PassageKind::Pumped { pump, .. } => {
                let pump = file.actuators[pump.idx()].name.clone();
                truth.push((Quantity::PumpSpeed, Some(pump), corner.pump));
            }
            _ => {}
        }
    }
    for sensor in &mut real.sensors {
        let tolerance = real.library.value(&sensor.part, "tolerance").unwrap_or(0.0);
        match sensor.kind {
            SensorKind::Ds18b20 => {
                sensor.offset = random.even(-tolerance, tolerance);
                sensor.lag_s *= random.even(0.5, 2.0);
                truth.push((Quantity::ProbeLag, Some(sensor.name.clone()), sensor.lag_s));
            }
            SensorKind::Ph { .. } => sensor.offset = random.even(-tolerance, tolerance),
            _ => {}
        }
    }
    // What is displaced low in the water changes what it holds and nothing else.
    let water: f64 = file
        .vessels
        .iter()
        .filter(|v| v.holds == Contents::Tank)
        .map(|v| v.volume_below(v.start_level))
        .sum();
    let more = random.normal(fit::CAPACITY) * water;
    let largest = (real.vessels.iter_mut().filter(|v| v.holds == Contents::Tank && v.areas.len() > 1))
        .max_by(|a, b| a.areas[0].1.total_cmp(&b.areas[0].1));
    if let Some(vessel) = largest {
        let height = vessel.areas[1].0;
        vessel.areas[0].1 += more / height;
    }
    real.water.alkalinity_meq_l += random.normal(fit::ALKALINITY);
    // Somebody fills the reservoirs in time.
    for vessel in real.vessels.iter_mut().filter(|v| v.holds != Contents::Tank) {
        vessel.areas.iter_mut().for_each(|(_, area)| *area *= 10.0);
    }
    weather(&mut real, case, random);
    real.corners = vec![corner];
    (real, truth)
}

/// A climate a day behind those of the file.
fn weather(real: &mut System, case: &Case, random: &mut Random) {
    let base = real.climates[0].clone();
    let (room, humidity) = (
        if case.room { random.normal(2.0) } else { random.normal(fit::ROOM_K) },
        random.normal(fit::HUMIDITY),
    );
    let co2 = random.normal(fit::CO2_PPM);
    let (mut warm, mut damp) = (random.normal(WEATHER_K), random.normal(0.04));
    for day in 0..case.days {
        let new = (1.0 - MEMORY * MEMORY).sqrt();
        warm = MEMORY * warm + new * random.normal(WEATHER_K);
        damp = MEMORY * damp + new * random.normal(0.04);
        let mut climate = base.clone();
        climate.name = format!("day {day}");
        climate.day_c += room + warm;
        climate.night_c += room + warm;
        climate.humidity = (climate.humidity + humidity + damp).clamp(0.15, 0.95);
        climate.co2_ppm = (climate.co2_ppm + co2).max(300.0);
        real.climates.push(climate);
    }
}

/// Lives through one trial.
pub fn live(case: &Case, seed: u64) -> Life {
    let file = load(case.file);
    let mut random = Random::new(seed);
    let (real, truth) = make_true(&file, case, &mut random);
    let n_climates = file.climates.len();
    let model = rehearse::model(&real).expect("the example compiles");
    let midnight =
        |day: u32| f64::from(day) * 86_400.0 - f64::from(trial::local_offset_s(&model, trial::EPOCH_UTC_S));
    let events = (0..case.days)
        .map(|day| {
            let flaw = Flaw::Climate(ClimateIdx(n_climates + day as usize));
            (midnight(day).max(0.0), Event::Fault(Injection::Flaw(flaw)))
        })
        .collect();
    let scenario = Scenario {
        duration_s: f64::from(case.days) * 86_400.0,
        corner: Some(0),
        seed,
        every_s: 60.0,
        events,
    };
    let columns = rehearse::columns(&model);
    let mut series: Vec<Vec<(f64, f64)>> = vec![vec![]; columns.len()];
    let begins_s = trial::EPOCH_UTC_S as f64;
    rehearse::run(&model, &scenario, &mut |time, values| {
        for (points, value) in series.iter_mut().zip(values) {
            points.push((begins_s + time, *value));
        }
    })
    .expect("the trial runs");
    let mut log = Log::new();
    let meter = 1.0 + random.even(-1.0, 1.0) * meter_share(&file);
    let logger = random.even(-fit::LOGGER_K, fit::LOGGER_K);
    for (column, mut points) in columns.into_iter().zip(series) {
        if column.name == "room.temperature" && case.room {
            for point in &mut points {
                point.1 = ((point.1 + logger + random.normal(0.05)) * 16.0).round() / 16.0;
            }
            log.put(LOGGER, Series::readings(column.unit, points));
        } else if !column.is_truth {
            if column.unit == "mL/min" {
                points.iter_mut().for_each(|p| p.1 *= meter);
            }
            log.put(&column.name, Series::readings(column.unit, points));
        }
    }
    Life { system: file, log, truth }
}

/// Tolerance of the flow meter as a share of the flow that it watches.
fn meter_share(system: &System) -> f64 {
    let meter = system.sensors.iter().find_map(|s| match s.kind {
        SensorKind::Flow { passage, .. } => Some((s, passage)),
        _ => None,
    });
    meter.map_or(0.0, |(sensor, passage)| {
        let tolerance = system.library.value(&sensor.part, "tolerance").unwrap_or(0.0);
        tolerance / twin::Plan::new(system).design_flow_m3_s(passage)
    })
}

/// What became of one parameter over all trials.
#[derive(Clone, Debug, Default)]
pub struct Count {
    pub n: usize,
    pub inside: usize,
    pub untold: usize,
    /// Half widths over the truth, and errors over it.
    pub widths: Vec<f64>,
    pub errors: Vec<f64>,
}

impl Count {
    pub fn middle(values: &[f64]) -> f64 {
        let mut all = values.to_vec();
        all.sort_by(f64::total_cmp);
        all.get(all.len() / 2).copied().unwrap_or(f64::NAN)
    }

    fn add(&mut self, more: Count) {
        self.n += more.n;
        self.inside += more.inside;
        self.untold += more.untold;
        self.widths.extend(more.widths);
        self.errors.extend(more.errors);
    }
}

/// Counts by parameter.
pub type Counts = std::collections::BTreeMap<(Quantity, Option<String>), Count>;

/// Adds what another thread counted.
pub fn add(counts: &mut Counts, more: Counts) {
    more.into_iter().for_each(|(key, count)| counts.entry(key).or_default().add(count));
}

/// Fits one life and counts.
pub fn count(case: &Case, seed: u64, counts: &mut Counts) {
    let life = live(case, seed);
    let options = fit::Options { room: case.room.then_some(LOGGER) };
    let fitted = fit::fit(&life.system, &life.log, &options).expect("the log can be fitted");
    for (what, part, truth) in life.truth {
        let Some(parameter) = fitted.get(what, part.as_deref()) else { continue };
        let count = counts.entry((what, part)).or_default();
        count.n += 1;
        if let Some(why) = &parameter.unknown {
            if std::env::var_os("WHY").is_some() {
                println!("{seed}: {}: {why}", parameter.title());
            }
            count.untold += 1;
            continue;
        }
        count.inside += usize::from(parameter.found.contains(truth));
        count.widths.push(parameter.found.half() / truth);
        count.errors.push((parameter.found.value - truth) / truth);
    }
}
