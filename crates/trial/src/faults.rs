//! Faults of a system, derived from its topology and the failure modes of the parts library. Nothing here simulates.

use system::System;
use system::model::{
    ActuatorIdx, ClimateIdx, PassageIdx, PassageKind, SensorIdx, SensorKind, SupplyIdx, SupplyKind,
    VesselIdx, VesselRole,
};
use system::parts::{Effect, FailureMode, Library, PartOf, PassageClass, SensorClass, SupplyClass};
use twin::Flaw;

/// What happens to one run.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Injection {
    /// A flaw from the onset on.
    Flaw(Flaw),
    /// The mains of the house blink for two seconds.
    Blink,
    /// The board resets every five seconds for ten minutes.
    BrownOut,
}

/// One fault: a row of the FMEA.
#[derive(Clone, PartialEq, Debug)]
pub struct Fault {
    /// Named part of the file, or the place (`house`, `room`, `people`, `telling`).
    pub part: String,
    /// Failure mode id of the parts library.
    pub mode: String,
    /// One sentence.
    pub description: String,
    /// What is injected.
    pub injection: Injection,
    /// Failures a year by the library. None: no figure.
    pub rate_per_year: Option<f64>,
    /// Where mode and rate are from.
    pub source: String,
}

impl Fault {
    /// `part:mode`, the way it is named on the command line.
    pub fn id(&self) -> String {
        format!("{}:{}", self.part, self.mode)
    }
}

const DAY_S: f64 = 86_400.0;
/// Height of a leak over a vessel's floor, m (assumed: a seam low down, the worse case).
const LEAK_HEIGHT: f64 = 0.01;
/// Area of a failed seam, m² (assumed: 0.5 mm over 400 mm).
const SEAM_AREA: f64 = 2e-4;
/// What a skimmer with a full collector puts on the floor at least, m³/s (assumed: 1 L/h of wet foam).
const LEAST_OVERFLOW: f64 = 1e-3 / 3600.0;

/// All single faults of a system, in the order of the file.
pub fn derive(system: &System, library: &Library) -> Vec<Fault> {
    let mut all = Collector { faults: vec![] };
    for (i, sensor) in system.sensors.iter().enumerate() {
        let of = PartOf::Sensor(class_of_sensor(&sensor.kind));
        all.part(library, &sensor.part, of, &sensor.name, |effect| sensor_flaw(system, SensorIdx(i), effect));
    }
    for (i, actuator) in system.actuators.iter().enumerate() {
        let of = PartOf::Actuator(actuator.kind);
        all.part(library, &actuator.part, of, &actuator.name, |effect| {
            actuator_flaw(system, ActuatorIdx(i), effect)
        });
    }
    for (i, passage) in system.passages.iter().enumerate() {
        let of = PartOf::Passage(class_of_passage(&passage.kind));
        all.part(library, "", of, &passage.name, |effect| passage_flaw(system, PassageIdx(i), effect));
    }
    for (i, vessel) in system.vessels.iter().enumerate() {
        all.part(library, "", PartOf::Vessel(vessel.role), &vessel.name, |effect| {
            vessel_flaw(system, VesselIdx(i), effect)
        });
    }
    for (i, supply) in system.supplies.iter().enumerate() {
        let of = PartOf::Supply(class_of_supply(&supply.kind));
        all.part(library, "", of, &supply.name, |effect| {
            matches!(effect, Effect::Dead).then_some(Injection::Flaw(Flaw::SupplyDead(SupplyIdx(i))))
        });
    }
    if let Some(board) = system.boards.first() {
        all.part(library, "", PartOf::Board, &board.name, board_flaw);
    }
    for part in library.parts().iter().filter(|p| p.of == PartOf::Place) {
        for mode in &part.modes {
            if let Some(injection) = place_flaw(system, mode.effect) {
                all.push(&part.id, mode, injection);
            }
        }
    }
    all.faults
}

struct Collector {
    faults: Vec<Fault>,
}

impl Collector {
    fn push(&mut self, part: &str, mode: &FailureMode, injection: Injection) {
        self.faults.push(Fault {
            part: part.to_owned(),
            mode: mode.id.clone(),
            description: mode.description.clone(),
            injection,
            rate_per_year: mode.rate_per_year,
            source: mode.source.clone(),
        });
    }

    fn part(
        &mut self,
        library: &Library,
        id: &str,
        of: PartOf,
        name: &str,
        flaw: impl Fn(Effect) -> Option<Injection>,
    ) {
        let Some(part) = library.part(id).filter(|p| p.of == of).or_else(|| library.usual(of)) else {
            return;
        };
        for mode in &part.modes {
            if let Some(injection) = flaw(mode.effect) {
                self.push(name, mode, injection);
            }
        }
    }
}

fn sensor_flaw(system: &System, s: SensorIdx, effect: Effect) -> Option<Injection> {
    let sensor = &system.sensors[s.idx()];
    let on_bus = matches!(sensor.kind, SensorKind::Ds18b20 | SensorKind::RoomTemperature);
    let is_contact = matches!(
        sensor.kind,
        SensorKind::Float { .. } | SensorKind::Leak | SensorKind::Presence { .. } | SensorKind::Button
    );
    let flaw = match effect {
        Effect::ContactAbove => Flaw::ContactStuck(s, true),
        Effect::ContactBelow => Flaw::ContactStuck(s, false),
        Effect::Chatter => Flaw::Chatter(s),
        Effect::ReadsOpen if is_contact => Flaw::WireOpen(s),
        Effect::ReadsShorted if is_contact => match sensor.kind {
            SensorKind::Float { closed_above, .. } => Flaw::ContactStuck(s, closed_above),
            _ => Flaw::ContactStuck(s, true),
        },
        Effect::ReadsOpen | Effect::ReadsShorted if on_bus => Flaw::Silent(s),
        Effect::ReadsOpen => Flaw::Railed(s, true),
        Effect::ReadsShorted | Effect::ReadsZero => Flaw::Railed(s, false),
        Effect::Frozen if is_contact => Flaw::ContactHeld(s),
        Effect::Frozen => Flaw::Frozen(s),
        Effect::Drift(per_day) => Flaw::Drift(s, per_day / DAY_S),
        Effect::Offset(by) => Flaw::Off(s, by),
        Effect::FallenOut => {
            sensor.vessel?;
            Flaw::FallenOut(s)
        }
        Effect::WrongVessel => Flaw::Misplaced(s, other_vessel(system, sensor.vessel?)?),
        _ => return None,
    };
    Some(Injection::Flaw(flaw))
}

/// Where a probe would end up by mistake: from the display into the sump, from elsewhere into the display; in a system of one
/// vessel nowhere.
fn other_vessel(system: &System, from: VesselIdx) -> Option<VesselIdx> {
    let role = system.vessels[from.idx()].role;
    let wanted = if role == VesselRole::Display { VesselRole::Sump } else { VesselRole::Display };
    (0..system.vessels.len()).map(VesselIdx).find(|v| system.vessels[v.idx()].role == wanted && *v != from)
}

/// Passages that a pump drives.
fn driven_by(system: &System, pump: ActuatorIdx) -> Option<PassageIdx> {
    (0..system.passages.len()).map(PassageIdx).find(|p| match &system.passages[p.idx()].kind {
        PassageKind::Pumped { pump: by, .. } | PassageKind::Line { pump: by, .. } => *by == pump,
        _ => false,
    })
}

fn actuator_flaw(system: &System, a: ActuatorIdx, effect: Effect) -> Option<Injection> {
    let actuator = &system.actuators[a.idx()];
    let flaw = match effect {
        // A load without an output has no contact that could weld or stay open.
        Effect::AlwaysOn if actuator.always => return None,
        Effect::AlwaysOn => Flaw::Welded(a),
        Effect::NeverOn if actuator.always => return None,
        Effect::NeverOn | Effect::LeftOff => Flaw::Unplugged(a),
        Effect::Stopped => Flaw::LoadDead(a),
        Effect::Factor(share) => Flaw::Weak(a, share),
        Effect::NoRestart => Flaw::WontRestart(a),
        Effect::HoseOff => Flaw::HoseOff(driven_by(system, a)?),
        Effect::LineSlipped => Flaw::LineOut(driven_by(system, a)?),
        Effect::LineSubmerged => {
            let passage = driven_by(system, a)?;
            let to = system.passages[passage.idx()].to;
            Flaw::LineSunk(passage, 0.5 * system.vessels[to.idx()].start_level)
        }
        Effect::ThermostatWelded => {
            actuator.own_thermostat_c?;
            Flaw::ThermostatWelded(a)
        }
        Effect::TripsRcd => Flaw::SupplyDead(circuit_of(system, actuator.supply?)?),
        Effect::Removes(flow) => {
            actuator.vessel?;
            Flaw::SkimmerOverflow(a, flow, false)
        }
        Effect::CollectorFull => {
            actuator.vessel?;
            Flaw::SkimmerOverflow(a, actuator.removes.max(LEAST_OVERFLOW), true)
        }
        _ => return None,
    };
    Some(Injection::Flaw(flaw))
}

/// The mains circuit at the root of a supply. None: fed by a battery or rail without mains.
fn circuit_of(system: &System, from: SupplyIdx) -> Option<SupplyIdx> {
    let mut at = Some(from);
    let mut found = None;
    for _ in 0..=system.supplies.len() {
        let s = at?;
        if matches!(system.supplies[s.idx()].kind, SupplyKind::Circuit { .. }) {
            found = Some(s);
        } else if matches!(
            system.supplies[s.idx()].kind,
            SupplyKind::Battery { .. } | SupplyKind::Rail { .. }
        ) {
            // Low voltage: a wet connector blows a fuse, it does not trip an RCD.
            return None;
        }
        at = system.supplies[s.idx()].fed_by;
        if at.is_none() {
            return found;
        }
    }
    found
}

fn passage_flaw(system: &System, p: PassageIdx, effect: Effect) -> Option<Injection> {
    let passage = &system.passages[p.idx()];
    let flaw = match effect {
        Effect::Blocked(share) => Flaw::Blocked(p, 1.0 - share),
        Effect::BreakHoleShut => match passage.kind {
            PassageKind::Pumped { break_hole: Some(_), .. } => Flaw::BreakHoleShut(p),
            _ => return None,
        },
        Effect::CheckValveLeaks => match passage.kind {
            PassageKind::Pumped { check_valve: true, .. } => Flaw::CheckValveLeaks(p),
            _ => return None,
        },
        Effect::HoseOff => Flaw::HoseOff(p),
        Effect::LineSlipped => Flaw::LineOut(p),
        Effect::LineSubmerged => Flaw::LineSunk(p, 0.5 * system.vessels[passage.to.idx()].start_level),
        _ => return None,
    };
    Some(Injection::Flaw(flaw))
}

fn vessel_flaw(system: &System, v: VesselIdx, effect: Effect) -> Option<Injection> {
    let vessel = &system.vessels[v.idx()];
    let tank = &system.water;
    let flaw = match effect {
        Effect::Leak(flow) if vessel.inside_of.is_none() => {
            let head = (vessel.start_level - LEAK_HEIGHT).max(0.01);
            let speed = physics_free_fall(head);
            Flaw::Leak(v, LEAK_HEIGHT, flow / (0.61 * speed))
        }
        Effect::SeamFails if vessel.inside_of.is_none() => Flaw::Leak(v, LEAK_HEIGHT, SEAM_AREA),
        Effect::Emptied => Flaw::Empty(v),
        Effect::FilledWithSaltWater => Flaw::WrongWater(v, tank.salinity, tank.alkalinity_meq_l),
        Effect::Slurry(factor) => match vessel.holds {
            system::model::Contents::Limewater(meq_l) => Flaw::WrongWater(v, 0.0, meq_l * factor),
            _ => return None,
        },
        _ => return None,
    };
    Some(Injection::Flaw(flaw))
}

/// Speed of water under a head, m/s.
fn physics_free_fall(head: f64) -> f64 {
    (2.0 * 9.806_65 * head).sqrt()
}

fn board_flaw(effect: Effect) -> Option<Injection> {
    Some(match effect {
        Effect::Dead => Injection::Flaw(Flaw::BoardDead),
        Effect::Hang => Injection::Flaw(Flaw::BoardHung),
        Effect::OutputsFrozen => Injection::Flaw(Flaw::OutputsFrozen),
        Effect::ClockLost => Injection::Flaw(Flaw::ClockLost),
        Effect::BrownOut => Injection::BrownOut,
        _ => return None,
    })
}

fn place_flaw(system: &System, effect: Effect) -> Option<Injection> {
    let nominal = system.climates.first();
    let flaw = match effect {
        Effect::MainsOut => Flaw::HouseOut,
        Effect::MainsBlink => return Some(Injection::Blink),
        Effect::HeatingOff => {
            let (to, time) = nominal?.without_mains?;
            Flaw::RoomFalls(to, time)
        }
        Effect::CoolingDead => {
            let hottest = |i: &usize| (system.climates[*i].day_c * 1000.0) as i64;
            let climate = (0..system.climates.len()).max_by_key(hottest)?;
            if climate == 0 {
                return None;
            }
            Flaw::Climate(ClimateIdx(climate))
        }
        Effect::RoomCo2(ppm) => {
            nominal?;
            Flaw::RoomCo2(ppm)
        }
        Effect::TellingDead => Flaw::PathDead,
        _ => return None,
    };
    Some(Injection::Flaw(flaw))
}

fn class_of_sensor(kind: &SensorKind) -> SensorClass {
    match kind {
        SensorKind::Ds18b20 => SensorClass::Ds18b20,
        SensorKind::Tmp36 { .. } => SensorClass::Tmp36,
        SensorKind::Ntc { .. } => SensorClass::Ntc,
        SensorKind::Ph { .. } => SensorClass::Ph,
        SensorKind::Conductivity => SensorClass::Conductivity,
        SensorKind::Level { .. } => SensorClass::Level,
        SensorKind::Float { .. } => SensorClass::Float,
        SensorKind::Leak => SensorClass::Leak,
        SensorKind::Flow { .. } => SensorClass::Flow,
        SensorKind::Presence { .. } => SensorClass::Presence,
        SensorKind::Charge { .. } => SensorClass::Charge,
        SensorKind::RoomTemperature => SensorClass::RoomTemperature,
        SensorKind::Button => SensorClass::Button,
    }
}

fn class_of_passage(kind: &PassageKind) -> PassageClass {
    match kind {
        PassageKind::Weir { .. } => PassageClass::Weir,
        PassageKind::Baffle { .. } => PassageClass::Baffle,
        PassageKind::Opening { .. } => PassageClass::Opening,
        PassageKind::Drain { .. } => PassageClass::Drain,
        PassageKind::Sock { .. } => PassageClass::Sock,
        PassageKind::Pumped { .. } => PassageClass::Pumped,
        PassageKind::Line { .. } => PassageClass::Line,
        PassageKind::Siphon { .. } => PassageClass::Siphon,
    }
}

fn class_of_supply(kind: &SupplyKind) -> SupplyClass {
    match kind {
        SupplyKind::Circuit { .. } => SupplyClass::Circuit,
        SupplyKind::Rail { .. } => SupplyClass::Rail,
        SupplyKind::Battery { .. } => SupplyClass::Battery,
        SupplyKind::Card => SupplyClass::Card,
        SupplyKind::Bus => SupplyClass::Bus,
    }
}
