//! Faults of a system, derived from its topology and the failure modes of the parts library. Nothing here simulates.

use system::System;
use system::model::{
    ActuatorIdx, ClimateIdx, PassageIdx, PassageKind, SensorIdx, SensorKind, SupplyIdx, SupplyKind,
    VesselIdx, VesselRole,
};
use system::parts::{Effect, PartOf};
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

/// All single faults of a system: its failure modes by the parts library, each with what is injected for it.
pub fn derive(system: &System) -> Vec<Fault> {
    (system::parts::faults(system).into_iter())
        .filter_map(|fault| {
            Some(Fault {
                part: fault.part.to_owned(),
                mode: fault.mode.id.clone(),
                description: fault.mode.description.clone(),
                injection: injection(system, fault.part, fault.of, fault.mode.effect)?,
                rate_per_year: fault.mode.rate_per_year,
                source: fault.mode.source.clone(),
            })
        })
        .collect()
}

/// What the simulator does for a failure mode of a named part. None: this system gives it nothing to act on.
fn injection(system: &System, part: &str, of: PartOf, effect: Effect) -> Option<Injection> {
    match of {
        PartOf::Sensor(_) => {
            let s = system.sensors.iter().position(|x| x.name == part)?;
            sensor_flaw(system, SensorIdx(s), effect)
        }
        PartOf::Actuator(_) => {
            let a = system.actuators.iter().position(|x| x.name == part)?;
            actuator_flaw(system, ActuatorIdx(a), effect)
        }
        PartOf::Passage(_) => {
            let p = system.passages.iter().position(|x| x.name == part)?;
            passage_flaw(system, PassageIdx(p), effect)
        }
        PartOf::Vessel(_) => {
            let v = system.vessels.iter().position(|x| x.name == part)?;
            vessel_flaw(system, VesselIdx(v), effect)
        }
        PartOf::Supply(_) => {
            let s = system.supplies.iter().position(|x| x.name == part)?;
            (effect == Effect::Dead).then_some(Injection::Flaw(Flaw::SupplyDead(SupplyIdx(s))))
        }
        // The first board runs the rules; the twin has no other.
        PartOf::Board if system.boards.first().is_some_and(|b| b.name == part) => board_flaw(effect),
        PartOf::Board => None,
        PartOf::Place => place_flaw(system, effect),
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

/// The passage that a pump drives.
fn driven_by(system: &System, pump: ActuatorIdx) -> Option<PassageIdx> {
    system.passages.iter().position(|passage| passage.kind.pump() == Some(pump)).map(PassageIdx)
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
    let mut found = None;
    for s in system.supply_chain(Some(from)) {
        match system.supplies[s.idx()].kind {
            SupplyKind::Circuit { .. } => found = Some(s),
            // Low voltage: a wet connector blows a fuse, it does not trip an RCD.
            SupplyKind::Battery { .. } | SupplyKind::Rail { .. } => return None,
            SupplyKind::Card | SupplyKind::Bus => {}
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
            let speed = physics::orifice::flow(physics::orifice::SHARP_EDGED, 1.0, head);
            Flaw::Leak(v, LEAK_HEIGHT, flow / speed)
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
