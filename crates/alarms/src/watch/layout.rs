//! What one board measures and drives, as the checks need it: taken from the system file once, in the order of its sensors and
//! actuators.

use serde::{Deserialize, Serialize};
use system::System;
use system::model::{
    ActuatorIdx, ActuatorKind, Contents, PassageKind, Scale, SensorKind, SupplyIdx, SupplyKind, VesselIdx,
    VesselRole,
};

/// What a signal is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Kind {
    /// Water temperature, °C.
    Temperature,
    /// Air of the room, °C.
    Room,
    /// pH.
    Ph,
    /// mS/cm.
    Conductivity,
    /// mm.
    Level,
    /// L/h.
    Flow,
    /// Charge of a battery, %.
    Charge,
    /// A supply is there: 1.
    Presence,
    /// A level contact: 1 while the water is above.
    Float,
    /// Any other contact.
    Contact,
}

/// A sensor's signal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Signal {
    /// Name in the system file.
    pub name: String,
    /// What it is.
    pub kind: Kind,
    /// Unit of a count times `per_count`.
    pub unit: String,
    /// Value of one count of the program's integer.
    pub per_count: f64,
    /// The integer 1 is the contact's 0 (a float whose signal is true below).
    pub is_inverted: bool,
    /// Vessel, by its index in the system.
    pub vessel: Option<usize>,
    /// For a float: heights between which it switches, mm.
    pub switches_mm: Option<(f64, f64)>,
}

/// A driven part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Drive {
    /// Name in the system file.
    pub name: String,
    /// W while on.
    pub watts: f64,
    /// It heats water.
    pub is_heater: bool,
    /// Switched by a relay or contactor, which has only so many operations in it.
    pub is_switched: bool,
    /// A dosing pump with a tube that wears.
    pub is_dosing: bool,
    /// Water that it adds to the tank while on, L/h, and the reservoir it comes from, by its place in [`Layout::reservoirs`].
    pub adds: Option<(f64, usize)>,
    /// Blows over this vessel, by its index in the system, with this speed, m/s.
    pub blows: Option<(usize, f64)>,
    /// A contactor that draws while it is off: its contact rests closed.
    pub draws_off: bool,
    /// Drawn from this battery while the mains are out, by its place in [`Layout::batteries`].
    pub battery: Option<usize>,
}

/// A reservoir that pumps draw from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reservoir {
    /// Name in the system file.
    pub name: String,
    /// From full to where nothing can be drawn, L.
    pub usable_l: f64,
    /// Limewater rather than fresh water.
    pub is_lime: bool,
    /// Contact that says that it is low, by its place in [`Layout::signals`], and what can be drawn from there on, L.
    pub low: Option<(usize, f64)>,
}

/// A battery.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Battery {
    /// Name in the system file.
    pub name: String,
    /// Usable when new, Wh.
    pub usable_wh: f64,
    /// Signal of its charge.
    pub charge: usize,
    /// Signal of the mains that charge it.
    pub mains: Option<usize>,
    /// What draws from it whatever is driven (boards, loads without a rule), W.
    pub always_w: f64,
}

/// A free water surface.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Surface {
    /// Vessel, by its index in the system.
    pub vessel: usize,
    /// m².
    pub area_m2: f64,
    /// Factor on the evaporation of an open pool.
    pub factor: f64,
    /// Air over the water without fans, m/s.
    pub air_speed: f64,
}

/// A state of the room that the system file expects.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Climate {
    /// Mean of a day, °C.
    pub mean_c: f64,
    /// Relative humidity, 0..1.
    pub humidity: f64,
}

/// The return chamber: where evaporation shows.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Chamber {
    /// Name of the vessel.
    pub name: String,
    /// Floats about the running level: they call for top-off.
    pub call: Vec<usize>,
    /// Floats above it.
    pub high: Vec<usize>,
    /// Floats far below it.
    pub empty: Vec<usize>,
    /// Level signals.
    pub level: Vec<usize>,
}

/// What one board measures and drives.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Layout {
    /// Name of the board.
    pub board: String,
    /// Sensors, in the order of the system's.
    pub signals: Vec<Signal>,
    /// Actuators, in the order of the system's.
    pub drives: Vec<Drive>,
    /// Reservoirs.
    pub reservoirs: Vec<Reservoir>,
    /// Batteries whose charge is measured.
    pub batteries: Vec<Battery>,
    /// Free surfaces of the tank's water.
    pub surfaces: Vec<Surface>,
    /// States of the room, the usual one first.
    pub climates: Vec<Climate>,
    /// Practical salinity.
    pub salinity: f64,
    /// The return chamber.
    pub chamber: Option<Chamber>,
    /// How long nobody is there, h.
    pub unattended_h: f64,
    /// Hysteresis of the level that calls for top-off, L: so much may come early or late.
    pub call_band_l: f64,
}

impl Layout {
    /// Of a system's first board.
    pub fn of(system: &System) -> Self {
        let mut reservoirs = vec![];
        let mut drives: Vec<Drive> = vec![];
        for (a, actuator) in system.actuators.iter().enumerate() {
            let index = ActuatorIdx(a);
            let line = system.passages.iter().find_map(|p| match p.kind {
                PassageKind::Line { pump, flow, .. } if pump == index => Some((p.from, p.to, flow)),
                _ => None,
            });
            let adds = line.and_then(|(from, to, flow)| {
                let source = &system.vessels[from.idx()];
                let is_source = matches!(source.role, VesselRole::Reservoir | VesselRole::Lime)
                    && system.vessels[to.idx()].holds == Contents::Tank;
                is_source.then(|| (flow * 3.6e6, reservoir(system, from, &mut reservoirs)))
            });
            drives.push(Drive {
                name: actuator.name.clone(),
                watts: actuator.watts,
                is_heater: actuator.kind == ActuatorKind::Heater && actuator.heats.is_some(),
                is_switched: actuator.switched_by.is_some() && !actuator.modulated && !actuator.always,
                is_dosing: actuator.kind == ActuatorKind::DosingPump,
                adds,
                blows: actuator.blows.map(|b| (b.over.idx(), b.speed)),
                draws_off: actuator.kind == ActuatorKind::Contactor && actuator.on_when_dead,
                battery: None,
            });
        }
        let signals = system.sensors.iter().map(|s| signal(system, s)).collect();
        let mut layout = Layout {
            board: system.boards.first().map_or_else(|| "board".to_owned(), |b| b.name.clone()),
            signals,
            drives,
            reservoirs,
            batteries: vec![],
            surfaces: surfaces(system),
            climates: (system.climates.iter())
                .map(|c| Climate { mean_c: 0.5 * (c.day_c + c.night_c), humidity: c.humidity })
                .collect(),
            salinity: system.water.salinity,
            chamber: None,
            unattended_h: system.unattended_s / 3600.0,
            call_band_l: 0.0,
        };
        layout.find_low_marks(system);
        layout.find_batteries(system);
        layout.find_chamber(system);
        layout
    }

    /// Place of a signal.
    pub fn signal(&self, name: &str) -> Option<usize> {
        self.signals.iter().position(|s| s.name == name)
    }

    /// Place of a drive.
    pub fn drive(&self, name: &str) -> Option<usize> {
        self.drives.iter().position(|d| d.name == name)
    }

    /// Places of signals of a kind.
    pub fn of_kind(&self, kind: Kind) -> impl Iterator<Item = usize> + '_ {
        (0..self.signals.len()).filter(move |s| self.signals[*s].kind == kind)
    }

    /// Whether a procedure of the system stops what adds water, as a water change does and a feeding does not.
    pub fn changes_water(&self, procedure: &system::model::Procedure) -> bool {
        let held = procedure.steps.iter().flat_map(|s| &s.holds);
        held.into_iter()
            .any(|(a, is_on)| !is_on && self.drives.get(a.idx()).is_some_and(|d| d.adds.is_some()))
    }

    fn find_low_marks(&mut self, system: &System) {
        for (s, sensor) in system.sensors.iter().enumerate() {
            let (SensorKind::Float { low, .. }, Some(v)) = (&sensor.kind, sensor.vessel) else { continue };
            let vessel = &system.vessels[v.idx()];
            let left = (vessel.volume_below(*low) - vessel.volume_below(vessel.dead_level)) * 1e3;
            if let Some(reservoir) = self.reservoirs.iter_mut().find(|r| r.name == vessel.name) {
                reservoir.low = Some((s, left.max(0.0)));
            }
        }
    }

    fn find_batteries(&mut self, system: &System) {
        let fed = |supply: Option<SupplyIdx>, by: SupplyIdx| {
            // What hangs on the mains side of a battery does not draw from it.
            system.supply_chain(supply).any(|s| s == by)
        };
        for (s, sensor) in system.sensors.iter().enumerate() {
            let SensorKind::Charge { of } = sensor.kind else { continue };
            let supply = &system.supplies[of.idx()];
            let SupplyKind::Battery { usable_j, .. } = supply.kind else { continue };
            let mains = system.sensors.iter().position(|x| match x.kind {
                SensorKind::Presence { of: present } => Some(present) == supply.fed_by,
                _ => false,
            });
            let boards: f64 = system.boards.iter().filter(|b| fed(b.supply, of)).map(|b| b.watts).sum();
            let always: f64 =
                system.actuators.iter().filter(|a| a.always && fed(a.supply, of)).map(|a| a.watts).sum();
            for (a, actuator) in system.actuators.iter().enumerate() {
                if !actuator.always && fed(actuator.supply, of) {
                    self.drives[a].battery = Some(self.batteries.len());
                }
            }
            self.batteries.push(Battery {
                name: supply.name.clone(),
                usable_wh: usable_j / 3600.0,
                charge: s,
                mains,
                always_w: boards + always,
            });
        }
    }

    fn find_chamber(&mut self, system: &System) {
        let found = system.passages.iter().find(|p| {
            matches!(p.kind, PassageKind::Pumped { .. })
                && system.vessels[p.to.idx()].role == VesselRole::Display
        });
        let Some(v) = found.map(|p| p.from) else { return };
        let vessel = &system.vessels[v.idx()];
        let mut chamber = Chamber { name: vessel.name.clone(), ..Chamber::default() };
        for (s, sensor) in system.sensors.iter().enumerate().filter(|(_, s)| s.vessel == Some(v)) {
            match sensor.kind {
                SensorKind::Level { .. } => chamber.level.push(s),
                SensorKind::Float { low, .. } if low > vessel.start_level => chamber.high.push(s),
                SensorKind::Float { low, high, .. } if high >= vessel.start_level => {
                    chamber.call.push(s);
                    self.call_band_l = (vessel.volume_below(high) - vessel.volume_below(low)) * 1e3;
                }
                SensorKind::Float { .. } => chamber.empty.push(s),
                _ => {}
            }
        }
        self.chamber = Some(chamber);
    }
}

fn reservoir(system: &System, vessel: VesselIdx, all: &mut Vec<Reservoir>) -> usize {
    let v = &system.vessels[vessel.idx()];
    if let Some(at) = all.iter().position(|r| r.name == v.name) {
        return at;
    }
    let full = v.volume_below(v.full_level.unwrap_or(v.start_level));
    all.push(Reservoir {
        name: v.name.clone(),
        usable_l: ((full - v.volume_below(v.dead_level)) * 1e3).max(0.0),
        is_lime: matches!(v.holds, Contents::Limewater(_)),
        low: None,
    });
    all.len() - 1
}

fn signal(system: &System, sensor: &system::model::Sensor) -> Signal {
    let kind = match sensor.kind {
        SensorKind::Ds18b20 | SensorKind::Tmp36 { .. } | SensorKind::Ntc { .. } => Kind::Temperature,
        SensorKind::RoomTemperature => Kind::Room,
        SensorKind::Ph { .. } => Kind::Ph,
        SensorKind::Conductivity => Kind::Conductivity,
        SensorKind::Level { .. } => Kind::Level,
        SensorKind::Flow { .. } => Kind::Flow,
        SensorKind::Charge { .. } => Kind::Charge,
        SensorKind::Presence { .. } => Kind::Presence,
        SensorKind::Float { .. } => Kind::Float,
        SensorKind::Leak | SensorKind::Button => Kind::Contact,
    };
    let (unit, per_count) = shown(system.signals[sensor.signal.idx()].scale);
    Signal {
        name: sensor.name.clone(),
        kind,
        unit: unit.to_owned(),
        per_count,
        is_inverted: matches!(sensor.kind, SensorKind::Float { true_above: false, .. }),
        vessel: sensor.vessel.map(VesselIdx::idx),
        switches_mm: match sensor.kind {
            SensorKind::Float { low, high, .. } => Some((low * 1e3, high * 1e3)),
            _ => None,
        },
    }
}

/// Unit in which a signal is written in sentences, and what one count of the program's integer is in it.
pub fn shown(scale: Scale) -> (&'static str, f64) {
    match scale {
        Scale::Bool | Scale::Count => ("", 1.0),
        Scale::MilliCelsius => ("degC", 1e-3),
        Scale::MilliKelvin => ("K", 1e-3),
        Scale::MilliPh => ("", 1e-3),
        Scale::Micrometre => ("mm", 1e-3),
        Scale::Millilitre => ("L", 1e-3),
        Scale::MillilitrePerMinute => ("L/h", 0.06),
        Scale::Millisecond => ("s", 1e-3),
        Scale::MicrosiemensPerCm => ("mS/cm", 1e-3),
        Scale::Permille => ("%", 0.1),
        Scale::MilliKelvinPerHour => ("K/h", 1e-3),
        Scale::MilliPhPerHour => ("/h", 1e-3),
        Scale::MicrometrePerHour => ("mm/h", 1e-3),
    }
}

fn surfaces(system: &System) -> Vec<Surface> {
    (system.vessels.iter().enumerate())
        .filter(|(_, v)| v.holds == Contents::Tank && v.evaporation > 0.0)
        .map(|(i, v)| Surface {
            vessel: i,
            area_m2: v.areas.iter().rev().find(|(from, _)| *from <= v.start_level).map_or(0.0, |(_, a)| *a),
            factor: v.evaporation,
            air_speed: v.air_speed,
        })
        .collect()
}
