//! The library's reef on the twin, weeks of it: the room by the week, somebody who fills the reservoirs, and a watch on each run. Shared by the
//! test of the checks and the example that prints their figures.

use std::collections::BTreeMap;

use alarms::book::Settings as BookSettings;
use alarms::watch::{Balance, Check, Kind, Layout, Now, Outcome, Reading, Record, Settings, Signal, tell};
use alarms::{Book, Transition, Watch};
use control::Slot;
use program::Quality;
use system::model::{ActuatorIdx, ClimateIdx, PassageIdx, SensorIdx, VesselIdx};
use trial::Model;
use trial::Rig;
use twin::Flaw;
use twin::lanes::has;

const HOUR_MS: i64 = 3_600_000;
pub const DAY_H: u32 = 24;
/// A record each so many scans of a second.
const EVERY: u64 = 10;

/// Reads an example.
pub fn system(name: &str) -> system::System {
    let path = format!("{}/../../examples/{name}", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).expect("the example is there");
    system::load(&text).system.expect("the example is sound")
}

/// Model of a system whose program keeps all signals.
pub fn model(system: &system::System) -> Model {
    trial::rehearse::model(system).expect("the example compiles")
}

/// Nominal and the corners, by name.
pub fn places(system: &system::System) -> Vec<&str> {
    std::iter::once("nominal").chain(system.corners.iter().map(|c| c.name.as_str())).collect()
}

/// A fault, and the alarm of the station that is to find it.
pub struct Fault {
    pub name: &'static str,
    /// Part of the alarm's id; empty: none.
    pub wanted: &'static str,
    pub flaw: Option<Flaw>,
    /// Found within so many hours, without and with a room thermometer; with room for other days of the week.
    pub within_h: [f64; 2],
}

impl Fault {
    pub fn is_own(&self, id: &str) -> bool {
        !self.wanted.is_empty() && id.contains(self.wanted)
    }

    pub fn found(&self, announced: &BTreeMap<String, f64>) -> Option<f64> {
        announced.iter().find(|(id, _)| self.is_own(id)).map(|(_, h)| *h)
    }
}

/// The faults that are struck, a lane each. Water that a leak puts into the tray is told by the board's own leak probes at once; the
/// board then stops the top-off, which is what the station sees.
pub fn faults(system: &system::System) -> Vec<Fault> {
    let sensor =
        |name: &str| SensorIdx(system.sensors.iter().position(|s| s.name == name).expect("a sensor"));
    let actuator =
        |name: &str| ActuatorIdx(system.actuators.iter().position(|a| a.name == name).expect("an actuator"));
    let passage =
        |name: &str| PassageIdx(system.passages.iter().position(|p| p.name == name).expect("a passage"));
    let vessel =
        |name: &str| VesselIdx(system.vessels.iter().position(|v| v.name == name).expect("a vessel"));
    let l_day = 1e-3 / 86_400.0;
    let speed = physics::orifice::flow(physics::orifice::SHARP_EDGED, 1.0, 0.19);
    let a_day = 1.0 / 86_400.0;
    let fault =
        |name, wanted, within_h, flaw| Fault { name, wanted, within_h: [within_h; 2], flaw: Some(flaw) };
    let (low, ph) = (sensor("float_c_low"), sensor("ph"));
    let (one, two) = (sensor("display_temp"), sensor("display_temp_2"));
    vec![
        Fault { name: "none", wanted: "", flaw: None, within_h: [0.0; 2] },
        fault(
            "sump leaks 3 L a day into the tray",
            "water-not-added",
            24.0,
            Flaw::Leak(vessel("sump_c"), 0.01, 3.0 * l_day / speed),
        ),
        fault(
            "skimmer takes 4 L a day",
            "water-lost",
            36.0,
            Flaw::SkimmerOverflow(actuator("skimmer"), 4.0 * l_day, false),
        ),
        fault("top-off float stuck up", "water-not-added", 18.0, Flaw::ContactStuck(low, true)),
        fault("display probe frozen", "probe-frozen/display_temp", 6.0, Flaw::Frozen(one)),
        fault(
            "second probe drifts 0.1 K a day",
            "probe-drifts/display_temp_2",
            150.0,
            Flaw::Drift(two, 0.1 * a_day),
        ),
        fault("second probe in the air", "probes-apart", 2.0, Flaw::FallenOut(two)),
        fault("pH drifts 0.02 a day", "probe-drifts/ph", 500.0, Flaw::Drift(ph, -0.02 * a_day)),
        fault("pH probe frozen", "probe-frozen/ph", 24.0, Flaw::Frozen(ph)),
        // Without a thermometer in the room the colder and drier days of the weekend must come first.
        Fault {
            within_h: [168.0, 48.0],
            ..fault("sump heater gives half", "heat-demand", 0.0, Flaw::Weak(actuator("heater_sump"), 0.5))
        },
        Fault {
            within_h: [168.0, 36.0],
            ..fault("top-off pump gives 60 %", "water-lost", 0.0, Flaw::Weak(actuator("topoff_pump"), 0.6))
        },
        fault("top-off float chatters", "water-not-added", 18.0, Flaw::Chatter(low)),
        fault("room goes stale, 2500 ppm of CO2", "ph-low", 48.0, Flaw::RoomCo2(2500.0)),
        fault("board dead", "board-silent", 2.0, Flaw::BoardDead),
        fault("top-off line on the floor", "water-not-added", 24.0, Flaw::LineOut(passage("topoff_line"))),
        fault("sump probe off by 1 K", "probe-drifts/sump_temp", 24.0, Flaw::Off(sensor("sump_temp"), 1.0)),
    ]
}

/// A watch with its book and all that changed in it.
pub struct Watched {
    pub watch: Watch,
    pub book: Book,
    pub log: Vec<Transition>,
    expected: Balance,
}

impl Watched {
    fn new(layout: Layout) -> Self {
        let settings = Settings { interval_s: EVERY as f64, ..Settings::default() };
        Watched {
            expected: Balance::new(&layout),
            watch: Watch::new(layout, settings),
            book: Book::new(BookSettings::default()),
            log: vec![],
        }
    }

    pub fn look(&mut self, now_ms: i64) {
        let verdicts = self.watch.look(&Now { now_ms, ..Now::default() }, &self.expected);
        self.log.extend(tell(&mut self.book, &verdicts, now_ms));
    }

    /// How often each alarm was announced from a time on.
    pub fn counts(&self, from_ms: i64) -> BTreeMap<String, usize> {
        let mut counts = BTreeMap::new();
        for t in self.log.iter().filter(|t| t.is_announced() && t.at_ms >= from_ms) {
            *counts.entry(t.alarm.clone()).or_default() += 1;
        }
        counts
    }

    /// What a check says now.
    pub fn says(&mut self, check: Check) -> String {
        let now_ms = self.watch.history().last_ms().unwrap_or(0);
        let verdicts = self.watch.look(&Now { now_ms, ..Now::default() }, &self.expected);
        let outcome = verdicts.into_iter().find(|v| v.check == check).map(|v| v.outcome);
        match outcome {
            Some(Outcome::Wrong(finding)) => format!("wrong: {}", finding.wrong),
            Some(Outcome::Fine(what)) => format!("fine: {what}"),
            Some(Outcome::Unknown(why)) => format!("unknown: {why}"),
            None => "nothing".to_owned(),
        }
    }

    /// First announcement of each alarm at or after a time, in hours after it.
    pub fn announced(&self, from_ms: i64) -> BTreeMap<String, f64> {
        let mut first = BTreeMap::new();
        for t in self.log.iter().filter(|t| t.is_announced() && t.at_ms >= from_ms) {
            first.entry(t.alarm.clone()).or_insert((t.at_ms - from_ms) as f64 / HOUR_MS as f64);
        }
        first
    }
}

/// Several runs side by side, each watched once without and once with a thermometer in the room.
pub struct Tank<'m, const L: usize> {
    pub rig: Rig<'m, L>,
    model: &'m Model,
    slots: Vec<Option<Slot>>,
    pub blind: Vec<Watched>,
    pub warm: Vec<Watched>,
    /// Lanes whose room goes by the week: open from Monday 09:00, set back from Friday 18:00.
    by_week: Vec<bool>,
    hour: u32,
}

impl<'m, const L: usize> Tank<'m, L> {
    pub fn new(model: &'m Model, corners: &[Option<usize>; L]) -> Self {
        let system = model.system();
        let layout = Layout::of(system);
        let mut with_room = layout.clone();
        with_room.signals.push(Signal {
            name: "room_temp".into(),
            kind: Kind::Room,
            unit: "degC".into(),
            per_count: 1e-3,
            is_inverted: false,
            vessel: None,
            switches_mm: None,
        });
        Tank {
            rig: Rig::new(model, trial::start(model, 7), corners),
            slots: system.sensors.iter().map(|s| model.compiled.signals[s.signal.idx()]).collect(),
            blind: (0..L).map(|_| Watched::new(layout.clone())).collect(),
            warm: (0..L).map(|_| Watched::new(with_room.clone())).collect(),
            by_week: corners.iter().map(|c| c.is_none_or(|c| system.corners[c].climate.is_none())).collect(),
            model,
            hour: 0,
        }
    }

    pub fn now_ms(&self) -> i64 {
        self.rig.twin().utc_s() * 1000
    }

    /// One hour: what people do, 3600 scans, a look.
    fn one_hour(&mut self) {
        let (day, of_day) = (self.hour / 24, self.hour % 24);
        self.hour += 1;
        let system = self.model.system();
        let climate = |name: &str| system.climates.iter().position(|c| c.name == name).map(ClimateIdx);
        let is_open = match day % 7 {
            0 => of_day >= 9,
            4 => of_day < 18,
            5 | 6 => false,
            _ => true,
        };
        let room = climate(if is_open { "winter_open" } else { "winter_setback" });
        for l in (0..L).filter(|l| self.by_week[*l]) {
            if let Some(room) = room {
                self.rig.twin_mut().set_flaw(l, Flaw::Climate(room));
            }
        }
        if matches!((day % 7, of_day), (0 | 2, 9) | (4, 18)) {
            let now_ms = self.now_ms();
            for l in 0..L {
                self.rig.twin_mut().fill_reservoirs(l);
                for watched in [&mut self.blind[l], &mut self.warm[l]] {
                    for reservoir in watched.watch.layout().reservoirs.clone() {
                        watched.watch.refilled(&reservoir.name, now_ms);
                    }
                }
            }
        }
        for second in 0..3600 {
            self.rig.scan();
            if second % EVERY == EVERY - 1 {
                self.record();
            }
        }
        let now_ms = self.now_ms();
        for watched in self.blind.iter_mut().chain(&mut self.warm) {
            watched.look(now_ms);
        }
    }

    pub fn run_hours(&mut self, hours: u32) {
        (0..hours).for_each(|_| self.one_hour());
    }

    /// Strikes a fault in each lane.
    pub fn strike(&mut self, faults: &[Fault]) {
        for (l, fault) in faults.iter().enumerate().take(L) {
            if let Some(flaw) = fault.flaw {
                self.rig.twin_mut().set_flaw(l, flaw);
            }
        }
    }

    /// The house without mains for so long, and an hour with them.
    pub fn outage(&mut self, hours: u32) {
        (0..L).for_each(|l| self.rig.twin_mut().set_flaw(l, Flaw::HouseOut));
        self.run_hours(hours);
        (0..L).for_each(|l| self.rig.twin_mut().clear_house_out(l));
        self.run_hours(1);
    }

    fn record(&mut self) {
        let at_ms = self.now_ms();
        let answers = self.rig.board_answers();
        let room = self.rig.twin().room_c();
        let mut readings = Vec::with_capacity(self.slots.len() + 1);
        let mut duties = Vec::with_capacity(self.model.system().actuators.len());
        for l in (0..L).filter(|&l| has(answers, l)) {
            readings.clear();
            duties.clear();
            for slot in &self.slots {
                readings.push(match slot {
                    Some(Slot::Number(slot)) => {
                        let sample = self.rig.machine().number(*slot, l);
                        Reading { raw: sample.value, is_bad: sample.quality == Quality::Bad }
                    }
                    Some(Slot::Bit(slot)) => {
                        let (value, quality) = self.rig.machine().bit(*slot, l);
                        Reading { raw: i32::from(value), is_bad: quality == Quality::Bad }
                    }
                    None => Reading { raw: 0, is_bad: true },
                });
            }
            for a in 0..self.model.system().actuators.len() {
                duties.push(self.rig.duty(ActuatorIdx(a))[l] as f32 * 1e-3);
            }
            // Sixteenths of a degree, and a step of noise that comes and goes.
            let noise = (at_ms / 10_000 * 7919 % 101 - 50) as f64 / 100.0;
            let sixteenths = (room[l] * 16.0 + noise).round();
            readings.push(Reading { raw: (sixteenths * 62.5) as i32, is_bad: false });
            let n = self.slots.len();
            let record = Record {
                at_ms,
                readings: &readings,
                duties: &duties,
                in_procedure: false,
                is_water_changed: false,
            };
            self.warm[l].watch.record(&record);
            self.blind[l].watch.record(&Record { readings: &readings[..n], ..record });
        }
    }
}
