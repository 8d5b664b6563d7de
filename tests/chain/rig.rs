//! Drives a twin by hand: small systems as text, commands by name, truths by name. Shared by the chain tests and the twin's own.

#![allow(dead_code)]

use system::System;
use system::model::{
    ActuatorIdx, ClimateIdx, Corner, PassageIdx, SensorIdx, SupplyIdx, TruthKind, VesselIdx,
};
use twin::{Books, Commands, Plan, Start, Twin};

/// Friday 2026-01-16 18:00 UTC: an evening, so that no test depends on the hour by chance.
pub const START: Start = Start { utc_s: 1_768_586_400, local_offset_s: 0, seed: 1 };
/// Cubic metres in a litre.
pub const LITRE: f64 = 1e-3;
/// Seconds in an hour.
pub const HOUR: f64 = 3600.0;

/// A system from text; panics with the findings when it cannot be read.
pub fn system(text: &str) -> System {
    let loaded = system::load(text);
    match loaded.system {
        Some(system) => system,
        None => {
            let errors = loaded.diagnostics.iter().filter(|d| d.level == system::Level::Error);
            panic!("{}\n{text}", errors.map(|d| format!("{} {}\n", d.id, d.message)).collect::<String>())
        }
    }
}

/// Text of Harbour Lane, the mended design.
pub fn harbour_lane_text() -> &'static str {
    include_str!("../../examples/harbour-lane/system.toml")
}

/// Harbour Lane, the mended design.
pub fn harbour_lane() -> System {
    system(harbour_lane_text())
}

/// A board, so that commands count, and a room of one constant temperature and half-moist air.
pub fn room(celsius: f64, scan_s: f64) -> String {
    format!(
        "[system]\nname = \"bench\"\nscan = \"{scan_s} s\"\n\
         [[climate]]\nname = \"room\"\nday = \"{celsius} degC\"\nhumidity = \"50 %\"\nco2 = \"420 ppm\"\n\
         [[board]]\nname = \"board\"\nchip = \"ATmega328P\"\n"
    )
}

/// An open box of water that neither evaporates nor breathes; sizes and heights in mm. `more` is further lines.
pub fn vessel(name: &str, inside: [f64; 3], floor: f64, level: f64, more: &str) -> String {
    let [l, d, h] = inside;
    format!(
        "[[vessel]]\nname = \"{name}\"\ninside = [\"{l} mm\", \"{d} mm\", \"{h} mm\"]\nfloor = \"{floor} mm\"\n\
         level = \"{level} mm\"\nstill_exchange = \"0 L/h\"\n{}{more}\n",
        if more.contains("evaporation") { "" } else { "evaporation = 0\n" }
    )
}

/// A pump, heater or other load that the board switches.
pub fn actuator(name: &str, kind: &str, more: &str) -> String {
    format!("[[actuator]]\nname = \"{name}\"\nkind = \"{kind}\"\n{more}\n")
}

/// A corner in which everything is nominal.
pub fn corner() -> Corner {
    Corner {
        name: String::new(),
        climate: None,
        evaporation: 1.0,
        weir: 1.0,
        gas_exchange: 1.0,
        respiration: 1.0,
        wall_loss: 1.0,
        pump: 1.0,
        battery: 1.0,
        reservoir: None,
    }
}

fn find<'a>(mut names: impl Iterator<Item = &'a String>, name: &str) -> usize {
    names.position(|x| x == name).unwrap_or_else(|| panic!("no `{name}`"))
}

/// Position of a vessel.
pub fn vessel_of(system: &System, name: &str) -> VesselIdx {
    VesselIdx(find(system.vessels.iter().map(|x| &x.name), name))
}

/// Position of an actuator.
pub fn actuator_of(system: &System, name: &str) -> ActuatorIdx {
    ActuatorIdx(find(system.actuators.iter().map(|x| &x.name), name))
}

/// Position of a sensor.
pub fn sensor_of(system: &System, name: &str) -> SensorIdx {
    SensorIdx(find(system.sensors.iter().map(|x| &x.name), name))
}

/// Position of a passage.
pub fn passage_of(system: &System, name: &str) -> PassageIdx {
    PassageIdx(find(system.passages.iter().map(|x| &x.name), name))
}

/// Position of a supply group.
pub fn supply_of(system: &System, name: &str) -> SupplyIdx {
    SupplyIdx(find(system.supplies.iter().map(|x| &x.name), name))
}

/// Position of a climate.
pub fn climate_of(system: &System, name: &str) -> ClimateIdx {
    ClimateIdx(find(system.climates.iter().map(|x| &x.name), name))
}

/// A twin with its outputs in hand.
#[derive(Clone)]
pub struct Rig<'p, const L: usize> {
    /// The twin itself.
    pub twin: Twin<'p, L>,
    /// Commands by actuator, permille.
    pub duty: Vec<[i32; L]>,
}

impl<'p, const L: usize> Rig<'p, L> {
    /// A system at its start, all outputs off.
    pub fn new(plan: &'p Plan, corners: &[Option<&Corner>; L]) -> Self {
        Self::starting(plan, START, corners)
    }

    /// The same, started at a given moment with a given seed.
    pub fn starting(plan: &'p Plan, start: Start, corners: &[Option<&Corner>; L]) -> Self {
        Rig { twin: Twin::new(plan, start, corners), duty: vec![[0; L]; plan.system.actuators.len()] }
    }

    /// The system.
    pub fn system(&self) -> &'p System {
        &self.twin.plan().system
    }

    /// Commands an output in all lanes.
    pub fn set(&mut self, name: &str, permille: i32) {
        let a = actuator_of(self.system(), name).idx();
        self.duty[a] = [permille; L];
    }

    /// Commands an output on in all lanes.
    pub fn on(&mut self, name: &str) {
        self.set(name, 1000);
    }

    /// Commands an output off in all lanes.
    pub fn off(&mut self, name: &str) {
        self.set(name, 0);
    }

    /// One scan.
    pub fn scan(&mut self) {
        let _ = self.twin.sense();
        let board = self.twin.board_alive() & !self.twin.board_hung();
        self.twin.advance(Commands { duty: &self.duty, board, same: false });
    }

    /// Whole scans that make up so many seconds.
    pub fn run(&mut self, seconds: f64) {
        let scans = (seconds / self.twin.plan().scan_s()).round() as u64;
        for _ in 0..scans {
            self.scan();
        }
    }

    /// Level over the vessel's own floor in lane 0, m.
    pub fn level(&self, name: &str) -> f64 {
        self.twin.truth(TruthKind::Level(vessel_of(self.system(), name)))[0]
    }

    /// Volume in lane 0, m³.
    pub fn volume(&self, name: &str) -> f64 {
        self.twin.truth(TruthKind::Volume(vessel_of(self.system(), name)))[0]
    }

    /// Temperature in lane 0, °C.
    pub fn temperature(&self, name: &str) -> f64 {
        self.twin.truth(TruthKind::Temperature(vessel_of(self.system(), name)))[0]
    }

    /// Code of a sensor in lane 0 at the last reading.
    pub fn code(&self, name: &str) -> i32 {
        self.twin.codes()[sensor_of(self.system(), name).idx()][0]
    }

    /// Whether an actuator runs in lane 0.
    pub fn runs(&self, name: &str) -> bool {
        self.twin.running(actuator_of(self.system(), name).idx()) & 1 != 0
    }

    /// Everything a lane shows: all truths, all codes, spilled water, starts and hours, each with its name.
    pub fn fingerprint(&self, l: usize) -> Vec<(String, f64)> {
        let system = self.system();
        let mut all = vec![];
        for (i, vessel) in system.vessels.iter().enumerate() {
            let v = VesselIdx(i);
            for what in [
                TruthKind::Temperature(v),
                TruthKind::Oxygen(v),
                TruthKind::Salinity(v),
                TruthKind::Ph(v),
                TruthKind::Alkalinity(v),
                TruthKind::Level(v),
                TruthKind::Volume(v),
                TruthKind::Movement(v),
                TruthKind::Light(v),
            ] {
                all.push((format!("{} {what:?}", vessel.name), self.twin.truth(what)[l]));
            }
        }
        for (i, actuator) in system.actuators.iter().enumerate() {
            let (a, name) = (ActuatorIdx(i), &actuator.name);
            all.push((format!("{name} bare"), self.twin.truth(TruthKind::Bare(a))[l]));
            all.push((format!("{name} running"), self.twin.truth(TruthKind::Running(a))[l]));
            all.push((format!("{name} run total"), self.twin.run_total_s(i)[l]));
            all.push((format!("{name} starts"), f64::from(self.twin.starts(i)[l])));
        }
        for (sensor, code) in system.sensors.iter().zip(self.twin.codes()) {
            all.push((format!("{} code", sensor.name), f64::from(code[l])));
        }
        let b = self.twin.books(l);
        for (name, x) in [
            ("spilled", self.twin.spilled()[l]),
            ("room", self.twin.room_c()[l]),
            ("omega", self.twin.worst_omega()[l]),
            ("water", b.water_m3),
            ("salt", b.salt_kg),
            ("heat", b.heat_j),
            ("evaporated", b.evaporated_m3),
            ("carried", b.carried_m3),
            ("salt lost", b.salt_lost_kg),
            ("heat lost", b.heat_lost_j),
        ] {
            all.push((name.to_owned(), x));
        }
        all
    }
}

/// Checks that two fingerprints are equal to the bit; names what differs.
#[track_caller]
pub fn same(a: &[(String, f64)], b: &[(String, f64)], what: &str) {
    let differ: Vec<String> = (a.iter().zip(b))
        .filter(|(x, y)| x.1.to_bits() != y.1.to_bits())
        .map(|(x, y)| format!("{}: {:e} and {:e}\n", x.0, x.1, y.1))
        .collect();
    assert!(differ.is_empty(), "{what}: {} of {} differ\n{}", differ.len(), a.len(), differ.concat());
}

/// Checks the books of one lane: stored change plus losses less gains within `share` of the throughput, which is taken as what was
/// stored at the start and what crossed the boundary since. (What the pumps moved round is left out: that is the stricter bound.)
pub fn balance(before: &Books, after: &Books, share: f64) {
    let lost = [
        after.evaporated_m3 - before.evaporated_m3,
        after.spilled_m3 - before.spilled_m3,
        after.carried_m3 - before.carried_m3,
    ];
    let off = (after.water_m3 - before.water_m3) + lost.iter().sum::<f64>();
    let through = before.water_m3 + lost.iter().map(|x| x.abs()).sum::<f64>();
    assert!(off.abs() <= share * through, "water off by {off:e} m3 of {through}");
    let lost = after.salt_lost_kg - before.salt_lost_kg;
    let off = (after.salt_kg - before.salt_kg) + lost;
    let through = before.salt_kg + lost;
    assert!(off.abs() <= share * through, "salt off by {off:e} kg of {through}");
    let (gained, lost) =
        (after.heat_from_gear_j - before.heat_from_gear_j, after.heat_lost_j - before.heat_lost_j);
    let off = (after.heat_j - before.heat_j) - gained + lost;
    let through = before.heat_j.abs() + gained + lost.abs();
    assert!(off.abs() <= share * through, "heat off by {off:e} J of {through}");
}
