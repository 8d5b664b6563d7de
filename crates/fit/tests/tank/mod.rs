//! The library's reef on the twin for weeks and years, its room by made-up weather, several runs side by side: hours for the tests of drift. Shared
//! by the test and by the example that prints figures.

#[path = "../../src/drift/dice.rs"]
mod dice;

use std::fmt::Write as _;

use alarms::Watch;
use alarms::watch::{Balance, Kind, Layout, Reading, Record, Settings, Signal, Span};
use control::Slot;
use dice::Dice;
use fit::drift::{Act, Course, courses};
use program::Quality;
use system::System;
use system::model::{ActuatorIdx, ClimateIdx, PassageIdx};
use trial::{Model, Rig};
use twin::Flaw;
use twin::lanes::has;

pub const DAY_H: u32 = 24;
/// A record each so many scans of a second.
const EVERY: u64 = 10;
/// Rooms of the weather: degrees by humidity.
const ROOMS_C: [f64; 12] = [15.0, 16.5, 18.0, 19.0, 20.0, 21.0, 22.0, 23.0, 24.5, 26.0, 28.0, 30.0];
const HUMIDITIES: [f64; 5] = [0.3, 0.38, 0.46, 0.54, 0.62];

/// The library's reef with rooms for all weathers.
pub fn system() -> System {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/harbour-lane/system.toml");
    let mut text = std::fs::read_to_string(path).expect("the example is there");
    for (t, c) in ROOMS_C.iter().enumerate() {
        for (h, humidity) in HUMIDITIES.iter().enumerate() {
            let percent = humidity * 100.0;
            write!(
                text,
                "\n[[climate]]\nname = \"w{t}_{h}\"\nday = \"{c} degC\"\nnight = \"{c} degC\"\nhumidity = \"{percent} %\"\nco2 = \"600 ppm\"\n"
            )
            .expect("writes");
        }
    }
    system::load(&text).system.expect("the example is sound")
}

/// The room of one run: seasons, days that hang together, people who come in the evening; and what the twin has not: a meter and a pump that
/// wander a little.
struct Weather {
    dice: Dice,
    season: f64,
    degrees: f64,
    damp: f64,
    stale: f64,
    flow: f64,
    /// Hours of silence left: a station that was off.
    silent: u32,
}

/// Correlation of a day with the day before, and standard deviations of a day: degrees, humidity, ppm; and of the flow over six hours.
const DAY_RHO: f64 = 0.7;
const DEGREES_K: f64 = 1.2;
const DAMP: f64 = 0.06;
const STALE_PPM: f64 = 120.0;
const FLOW_RHO: f64 = 0.8;
const FLOW_SD: f64 = 0.015;

fn wander(value: &mut f64, rho: f64, sd: f64, dice: &mut Dice) {
    *value = rho * *value + sd * (1.0 - rho * rho).sqrt() * dice.normal();
}

impl Weather {
    fn new(seed: u64) -> Self {
        let mut dice = Dice::new(seed);
        let season = dice.even();
        Weather { dice, season, degrees: 0.0, damp: 0.0, stale: 0.0, flow: 0.0, silent: 0 }
    }

    /// Room, °C, humidity and carbon dioxide, ppm, of this hour.
    fn hour(&mut self, hour: u32) -> (f64, f64, f64) {
        let of_day = hour % 24;
        if of_day == 0 {
            wander(&mut self.degrees, DAY_RHO, DEGREES_K, &mut self.dice);
            wander(&mut self.damp, DAY_RHO, DAMP, &mut self.dice);
            wander(&mut self.stale, DAY_RHO, STALE_PPM, &mut self.dice);
            // Twice a month the station is off for some hours.
            if self.dice.even() < 1.0 / 15.0 {
                self.silent = 1 + (self.dice.even() * 20.0) as u32;
            }
        }
        if of_day.is_multiple_of(6) {
            wander(&mut self.flow, FLOW_RHO, FLOW_SD, &mut self.dice);
        }
        self.silent = self.silent.saturating_sub(1);
        let turn = std::f64::consts::TAU;
        let season = (turn * (self.season + f64::from(hour) / 8766.0)).sin();
        let day = (turn * (f64::from(of_day) - 9.0) / 24.0).sin();
        let people = if (18..23).contains(&of_day) { 400.0 } else { 0.0 };
        (
            21.0 + 3.0 * season + 1.0 * day + self.degrees,
            0.46 + 0.08 * season + self.damp,
            (600.0 + people + self.stale).max(420.0),
        )
    }
}

/// What may come over a tank.
#[derive(Clone, Copy, Debug, PartialEq)]
#[allow(dead_code)] // The test strikes fewer than the example.
pub enum Trouble {
    None,
    /// The return gives a fifth less from now on.
    Clog,
    /// The same, little by little over a week.
    SlowClog,
    /// The sump's heater gives half.
    WeakHeater,
    /// So many litres a day leave by the skimmer's cup and drain.
    Loss(f64),
    /// The skimmer draws no air.
    NoSkimmer,
}

impl Trouble {
    /// Puts it on a run, so many hours after it began.
    fn strike(self, rig: &mut Rig<'_, 16>, system: &System, l: usize, since_h: u32) {
        let actuator =
            |name: &str| ActuatorIdx(place(system.actuators.iter().map(|a| a.name.as_str()), name));
        let passage = |name: &str| PassageIdx(place(system.passages.iter().map(|p| p.name.as_str()), name));
        let twin = rig.twin_mut();
        match self {
            Trouble::Clog if since_h == 0 => twin.set_flaw(l, Flaw::Blocked(passage("return"), 0.8)),
            Trouble::SlowClog if since_h <= 168 => {
                let share = 1.0 - 0.2 * f64::from(since_h) / 168.0;
                twin.clear_flaw(l, Flaw::Blocked(passage("return"), 1.0));
                twin.set_flaw(l, Flaw::Blocked(passage("return"), share));
            }
            Trouble::WeakHeater if since_h == 0 => twin.set_flaw(l, Flaw::Weak(actuator("heater_sump"), 0.5)),
            Trouble::Loss(litres) if since_h == 0 => {
                let m3_s = litres * 1e-3 / 86_400.0;
                twin.set_flaw(l, Flaw::SkimmerOverflow(actuator("skimmer"), m3_s, false));
            }
            Trouble::NoSkimmer if since_h == 0 => twin.set_flaw(l, Flaw::LoadDead(actuator("skimmer"))),
            _ => {}
        }
    }
}

fn place<'n>(mut names: impl Iterator<Item = &'n str>, name: &str) -> usize {
    names.position(|n| n == name).expect("the example has it")
}

/// Sixteen runs.
pub struct Tank<'m> {
    rig: Rig<'m, 16>,
    model: &'m Model,
    slots: Vec<Option<Slot>>,
    weather: Vec<Weather>,
    watches: Vec<Watch>,
    /// By run: all its hours.
    pub hours: Vec<Vec<Span>>,
    troubles: Vec<(Trouble, u32)>,
    hour: u32,
    flow: usize,
}

impl<'m> Tank<'m> {
    /// `troubles` by run, each with the hour at which it begins; `seed` for the weather of all.
    pub fn new(model: &'m Model, seed: u64, troubles: Vec<(Trouble, u32)>) -> Self {
        let system = model.system();
        let mut layout = Layout::of(system);
        let flow = place(layout.signals.iter().map(|s| s.name.as_str()), "return_flow");
        layout.signals.push(Signal {
            name: "room_temp".into(),
            kind: Kind::Room,
            unit: "degC".into(),
            per_count: 1e-3,
            is_inverted: false,
            vessel: None,
            switches_mm: None,
        });
        let settings = Settings { interval_s: EVERY as f64, ..Settings::default() };
        Tank {
            rig: Rig::new(model, trial::start(model, seed), &[None; 16]),
            slots: system.sensors.iter().map(|s| model.compiled.signals[s.signal.idx()]).collect(),
            weather: (0..16).map(|l| Weather::new(seed * 16 + l)).collect(),
            watches: vec![Watch::new(layout, settings); 16],
            hours: vec![vec![]; 16],
            model,
            troubles,
            hour: 0,
            flow,
        }
    }

    pub fn run_hours(&mut self, hours: u32) {
        (0..hours).for_each(|_| self.one_hour());
    }

    fn one_hour(&mut self) {
        let system = self.model.system();
        let first = system.climates.len() - ROOMS_C.len() * HUMIDITIES.len();
        for l in 0..16 {
            let (degrees, humidity, co2) = self.weather[l].hour(self.hour);
            let room = first + nearest(&ROOMS_C, degrees) * HUMIDITIES.len() + nearest(&HUMIDITIES, humidity);
            let twin = self.rig.twin_mut();
            twin.set_flaw(l, Flaw::Climate(ClimateIdx(room)));
            twin.set_flaw(l, Flaw::RoomCo2(co2));
            if self.hour % 24 == 9 {
                twin.fill_reservoirs(l);
            }
            let (trouble, begins) = self.troubles[l];
            if let Some(since_h) = self.hour.checked_sub(begins) {
                trouble.strike(&mut self.rig, system, l, since_h);
            }
        }
        self.hour += 1;
        for second in 0..3600 {
            self.rig.scan();
            if second % EVERY == EVERY - 1 {
                self.record();
            }
        }
        for (watch, hours) in self.watches.iter().zip(&mut self.hours) {
            if let Some(hour) = watch.history().hours.back()
                && hours.last().is_none_or(|last| last.from_ms < hour.from_ms)
            {
                hours.push(hour.clone());
            }
        }
    }

    fn record(&mut self) {
        let at_ms = self.rig.twin().utc_s() * 1000;
        let answers = self.rig.board_answers();
        let room = self.rig.twin().room_c();
        for l in (0..16).filter(|&l| has(answers, l) && self.weather[l].silent == 0) {
            let mut readings: Vec<Reading> = (self.slots.iter())
                .map(|slot| match slot {
                    Some(Slot::Number(slot)) => {
                        let sample = self.rig.machine().number(*slot, l);
                        Reading { raw: sample.value, is_bad: sample.quality == Quality::Bad }
                    }
                    Some(Slot::Bit(slot)) => {
                        let (value, quality) = self.rig.machine().bit(*slot, l);
                        Reading { raw: i32::from(value), is_bad: quality == Quality::Bad }
                    }
                    None => Reading { raw: 0, is_bad: true },
                })
                .collect();
            let flow = &mut readings[self.flow];
            flow.raw = (f64::from(flow.raw) * (1.0 + self.weather[l].flow)).round() as i32;
            readings.push(Reading { raw: ((room[l] * 16.0).round() * 62.5) as i32, is_bad: false });
            let duties: Vec<f32> = (0..self.model.system().actuators.len())
                .map(|a| self.rig.duty(ActuatorIdx(a))[l] as f32 * 1e-3)
                .collect();
            self.watches[l].record(&Record {
                at_ms,
                readings: &readings,
                duties: &duties,
                in_procedure: false,
                is_water_changed: false,
            });
        }
    }

    /// When the trouble of a run began, ms since 1970 UTC.
    pub fn struck_ms(&self, l: usize) -> i64 {
        self.rig.twin().utc_s() * 1000 - i64::from(self.hour.saturating_sub(self.troubles[l].1)) * 3_600_000
    }

    /// What is judged of a run, with or without the thermometer in the room.
    pub fn courses(&self, l: usize, is_room_known: bool, acts: &[Act]) -> Vec<Course> {
        let mut layout = self.watches[l].layout().clone();
        if !is_room_known {
            layout.signals.pop();
        }
        let expected = Balance::new(&layout);
        courses(self.model.system(), &layout, &self.hours[l], acts, &expected)
    }
}

fn nearest(all: &[f64], wanted: f64) -> usize {
    let off = |i: &usize| (all[*i] - wanted).abs();
    (0..all.len()).min_by(|a, b| off(a).total_cmp(&off(b))).unwrap_or(0)
}
