//! The numbers: a budget for each supply, currents of each load, what it costs.

use serde::Serialize;
use system::model::{ActuatorIdx, ActuatorKind, BoardIdx, SupplyIdx, SupplyKind};

use super::Check;
use crate::laws::{battery, fuse};
use crate::loads::{self, Class};

/// All numbers.
#[derive(Clone, PartialEq, Debug, Default, Serialize)]
pub struct Facts {
    /// Each load.
    pub loads: Vec<LoadFact>,
    /// Each circuit, rail and battery.
    pub supplies: Vec<SupplyFact>,
    /// Air in the enclosure at its warmest, °C.
    pub inside_c: Option<f64>,
    /// Heat in the enclosure, W.
    pub heat_w: f64,
    /// I2C: capacitance, pF; rise time, ns; least and most pull-up, ohm.
    pub i2c: Option<[f64; 4]>,
    /// Places on the board and its expanders that are still free, and channels of cards.
    pub free: [usize; 2],
    /// What groups of pins, the whole chip and expanders carry.
    pub carried: Vec<CarriedFact>,
}

/// What pins or lines carry together, with every command on.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct CarriedFact {
    /// Which.
    pub name: String,
    /// A out of them.
    pub gives_a: f64,
    /// Most of it.
    pub gives_most_a: f64,
    /// A into them.
    pub takes_a: f64,
    /// Most of it.
    pub takes_most_a: f64,
}

/// One load.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct LoadFact {
    /// Name.
    pub name: String,
    /// V; None: not said.
    pub volts: Option<f64>,
    /// A.
    pub amps: f64,
    /// A at switching on.
    pub inrush_a: f64,
    /// Its fuse by the file, or the one that fits, A.
    pub fuse_a: Option<f64>,
    /// Cross-section of its cable by the file, or the least that does, mm².
    pub mm2: f64,
    /// Voltage lost on its cable, V.
    pub drop_v: f64,
    /// House circuit that it draws from.
    pub circuit: Option<String>,
}

/// One circuit, rail or battery.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct SupplyFact {
    /// Name.
    pub name: String,
    /// V.
    pub volts: f64,
    /// Everything on, W.
    pub watts: f64,
    /// Everything on, A.
    pub amps: f64,
    /// What it can, A. None: not said.
    pub limit_a: Option<f64>,
    /// Peak when the mains return: all that rests closed at once, A.
    pub start_a: f64,
    /// Standing leakage to earth behind its RCD, mA; only circuits of the house.
    pub leakage_ma: Option<f64>,
    /// Hours that a battery lasts with everything on: by energy, by Peukert where that is less.
    pub hours: Option<f64>,
    /// The same when its block is due for replacement. None: its block is not said.
    pub hours_aged: Option<f64>,
    /// Loads behind its RCD or fuse.
    pub loads: Vec<String>,
}

pub(super) fn gather(check: &mut Check<'_>) {
    let system = check.system;
    for load in &check.loads {
        let actuator = &system.actuators[load.actuator.idx()];
        let fitting = system.electrics.actuator(load.actuator);
        let fuse_a = fitting.fuse_a.or_else(|| fuse::choose(load.amps, load.inrush.0, load.inrush.1));
        let mm2 = cable_mm2(system, load, fuse_a);
        let drop_v = fitting
            .length_m
            .map_or(0.0, |length| crate::laws::copper::drop_volts(mm2, length, load.amps, 20.0));
        check.facts.loads.push(LoadFact {
            name: actuator.name.clone(),
            volts: load.volts,
            amps: load.amps,
            inrush_a: load.inrush.0,
            fuse_a: (load.amps > 0.0).then_some(fuse_a).flatten(),
            mm2,
            drop_v,
            circuit: check.circuit_of(load).map(|s| system.supplies[s.idx()].name.clone()),
        });
    }
    for s in 0..system.supplies.len() {
        let fact = supply(check, SupplyIdx(s));
        check.facts.supplies.extend(fact);
    }
}

/// Cross-section of a load's cable: the file's, or the least that its fuse and a loss of 3 % ask for.
pub(crate) fn cable_mm2(system: &system::System, load: &loads::Load<'_>, fuse_a: Option<f64>) -> f64 {
    let fitting = system.electrics.actuator(load.actuator);
    if let Some(mm2) = fitting.area_mm2 {
        return mm2;
    }
    let mains = load.class == Class::Mains;
    let by_fuse = fuse_a.map_or(if mains { 0.75 } else { 0.34 }, |fuse_a| fuse::least_mm2(fuse_a, mains));
    let by_drop = match (fitting.length_m, load.volts) {
        (Some(length), Some(volts)) => {
            crate::laws::copper::section_for(load.amps, length, 0.03 * volts).unwrap_or(6.0)
        }
        _ => 0.0,
    };
    // Below three quarters nobody should strip a mains cord.
    by_fuse.max(by_drop).max(if mains { 0.75 } else { 0.25 })
}

fn supply(check: &Check<'_>, supply: SupplyIdx) -> Option<SupplyFact> {
    let system = check.system;
    let this = &system.supplies[supply.idx()];
    let volts = match this.kind {
        SupplyKind::Circuit { .. } => system.mains_volts.unwrap_or(230.0),
        SupplyKind::Rail { volts, .. } | SupplyKind::Battery { volts, .. } => volts,
        _ => return None,
    };
    let behind = |from: Option<SupplyIdx>| system.supply_chain(from).any(|s| s == supply);
    let is_circuit = matches!(this.kind, SupplyKind::Circuit { .. });
    let mut fact = SupplyFact {
        name: this.name.clone(),
        volts,
        watts: 0.0,
        amps: 0.0,
        limit_a: match this.kind {
            SupplyKind::Circuit { fuse_a, .. } => fuse_a,
            SupplyKind::Rail { watts, volts } => watts.map(|watts| watts / volts),
            _ => system.electrics.supply(supply).fuse_a,
        },
        start_a: 0.0,
        leakage_ma: None,
        hours: None,
        hours_aged: None,
        loads: vec![],
    };
    let mut leakage = 0.0;
    for load in &check.loads {
        let actuator = &system.actuators[load.actuator.idx()];
        if !behind(actuator.supply) {
            continue;
        }
        // Behind a converter the power counts, with its loss; on the same voltage the current.
        let same = load.volts == Some(volts);
        let current = if same { load.amps } else { actuator.watts / volts / 0.85 };
        fact.watts += actuator.watts;
        fact.amps += current;
        let closed_at_start = actuator.always || actuator.on_when_dead;
        if same {
            fact.start_a += if closed_at_start { felt(load.inrush.0, load.inrush.1) } else { 0.0 };
        }
        if on_this_circuit(system, supply, actuator.supply) {
            leakage += load.leakage;
        }
        fact.loads.push(actuator.name.clone());
    }
    for (b, board) in system.boards.iter().enumerate() {
        if behind(board.supply) {
            fact.watts += board.watts;
            fact.amps += board.watts / volts;
            fact.loads.push(system.boards[BoardIdx(b).idx()].name.clone());
        }
    }
    for (s, other) in system.supplies.iter().enumerate() {
        let other_idx = SupplyIdx(s);
        if other_idx == supply || !behind(Some(other_idx)) {
            continue;
        }
        if matches!(other.kind, SupplyKind::Card) {
            let coil =
                loads::card(system, other_idx).and_then(|card| card.value("coil_current")).unwrap_or(0.0);
            let n = system.actuators.iter().filter(|a| a.switched_by == Some(other_idx)).count() as f64;
            let coil_volts =
                loads::card(system, other_idx).and_then(|card| card.value("coil_voltage")).unwrap_or(12.0);
            fact.watts += n * coil * coil_volts;
            fact.amps += n * coil * coil_volts / volts;
        }
        // Power supplies and chargers leak and start by themselves.
        if matches!(other.kind, SupplyKind::Rail { .. } | SupplyKind::Battery { .. }) && is_circuit {
            let part = part_of_supply(system, other_idx);
            if on_this_circuit(system, supply, other.fed_by) {
                leakage += system
                    .electrics
                    .supply(other_idx)
                    .leakage_a
                    .unwrap_or_else(|| part.and_then(|part| part.value("earth_leakage")).unwrap_or(0.0));
                let peak = part.and_then(|part| part.value("inrush_current")).unwrap_or(0.0);
                fact.start_a += felt(peak, SHORT);
            }
        }
    }
    if is_circuit && loads::circuit(system, Some(supply)) == Some(supply) {
        leakage += system.electrics.supply(supply).leakage_a.unwrap_or(0.0);
        fact.leakage_ma = Some(leakage * 1e3);
    }
    if let SupplyKind::Battery { rated_j, usable_j, .. } = this.kind
        && fact.watts > 0.0
    {
        let (amp_hours, share) = (rated_j / 3600.0 / volts, usable_j / rated_j);
        let energy = battery::hours_by_energy(amp_hours, volts, 1.0, share, fact.watts);
        let block =
            system.electrics.supply(supply).block.as_deref().and_then(|id| system.library.component(id));
        let of_block = |key: &str| block.and_then(|block| block.value(key));
        // The usable share holds the losses behind the battery, which its own current does not know.
        let passed = of_block("efficiency").unwrap_or(1.0);
        let peukert = of_block("peukert").zip(of_block("rated_time")).map(|(exponent, rated)| {
            let amps = fact.watts / volts / passed;
            battery::hours_by_peukert(amp_hours, rated / 3600.0, exponent, share / passed, amps)
        });
        // A slow discharge gives no more than is rated.
        let hours = peukert.map_or(energy, |hours| hours.min(energy));
        fact.hours = Some(hours);
        fact.hours_aged = of_block("aged").map(|aged| aged * hours);
    }
    Some(fact)
}

/// A peak that a breaker's magnet hardly has the time to see, s.
const SHORT: f64 = 0.001;

/// What a breaker feels of a peak: of one shorter than a millisecond a third (assumed; makers print some three to ten times the
/// instant current for such pulses).
fn felt(peak: f64, time: f64) -> f64 {
    if time <= SHORT { peak / 3.0 } else { peak }
}

/// Whether a supply draws from this circuit with nothing in between that isolates.
fn on_this_circuit(system: &system::System, circuit: SupplyIdx, from: Option<SupplyIdx>) -> bool {
    let mut chain = system.supply_chain(from);
    chain.any(|s| {
        if s == circuit {
            return true;
        }
        false
    }) && !system.supply_chain(from).take_while(|s| *s != circuit).any(|s| {
        matches!(system.supplies[s.idx()].kind, SupplyKind::Rail { .. } | SupplyKind::Battery { .. })
    })
}

/// The component that feeds a rail, or charges a battery.
pub(crate) fn part_of_supply(
    system: &system::System,
    supply: SupplyIdx,
) -> Option<&system::parts::Component> {
    let fitting = system.electrics.supply(supply);
    let said = fitting.charger.as_deref().or(fitting.part.as_deref());
    if let Some(part) = said.and_then(|id| system.library.component(id)) {
        return Some(part);
    }
    let word = match system.supplies[supply.idx()].kind {
        SupplyKind::Rail { .. } => "rail",
        SupplyKind::Battery { .. } => "battery",
        _ => return None,
    };
    system.library.usual_component(system::parts::ComponentKind::Supply, word)
}

/// Whether an actuator is a heater.
pub(super) fn is_heater(check: &Check<'_>, actuator: ActuatorIdx) -> bool {
    check.kind(actuator) == ActuatorKind::Heater
}
