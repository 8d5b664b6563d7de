//! Where along a vessel's length each thing in it stands. The file gives heights only, so things are spread evenly, pipe ends
//! towards the side that their pipe comes from.

use std::collections::HashMap;

use system::model::{ActuatorKind, Branch, PassageKind, SensorKind, System};

use crate::bodies::Bodies;

/// A thing in a vessel, by index into the system.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub(crate) enum Item {
    /// Inlet of a passage (pump, drain inlet, suction end).
    Inlet(usize),
    /// Outlet of a passage; legs of a tee count from 1.
    Outlet(usize, usize),
    Actuator(usize),
    Sensor(usize),
}

/// Legs of a tee behind the first.
pub(crate) fn branches(kind: &PassageKind) -> &[Branch] {
    match kind {
        PassageKind::Drain { branches, .. } | PassageKind::Pumped { branches, .. } => branches,
        _ => &[],
    }
}

/// The vessel that an actuator is drawn in.
pub(crate) fn vessel_of(actuator: &system::model::Actuator) -> Option<usize> {
    actuator
        .vessel
        .or(actuator.heats.map(|h| h.0).filter(|_| actuator.kind != ActuatorKind::Light))
        .or(actuator.moves)
        .map(|v| v.idx())
}

/// Over whose rim of `to` a pipe from `from` comes: true for the left one. Boxes inside `to` claim their side.
pub(crate) fn enters_left(bodies: &Bodies, from: usize, to: usize) -> bool {
    let (a, b) = (&bodies.list[from], &bodies.list[to]);
    let boxes = bodies.list.iter().filter(|c| c.inside_of == Some(to));
    let lean: f64 = boxes.map(|c| c.middle() - b.middle()).sum();
    // A box within a tenth of the length of the middle claims neither side.
    if lean.abs() > 0.1 * b.length() { lean > 0.0 } else { a.middle() < b.middle() }
}

/// Weight (width on the paper, mm) and rank from the left, 0..100.
fn claims(system: &System, bodies: &Bodies) -> Vec<(usize, Item, f64, f64)> {
    let mut out = vec![];
    let n = system.vessels.len();
    for (p, passage) in system.passages.iter().enumerate() {
        let (from, to) = (passage.from.idx(), passage.to.idx());
        if from >= n || to >= n {
            continue;
        }
        let towards_left = bodies.list[to].middle() < bodies.list[from].middle();
        let higher = bodies.list[from].rim.max(bodies.list[to].rim).clamp(0.0, 10.0) / 2.0;
        match passage.kind {
            PassageKind::Pumped { .. } => {
                let left = enters_left(bodies, from, to);
                out.push((from, Item::Inlet(p), 7.0, if left { 8.0 } else { 92.0 }));
                out.push((to, Item::Outlet(p, 0), 5.0, if left { 1.0 } else { 99.0 }));
            }
            PassageKind::Drain { .. } => {
                out.push((from, Item::Inlet(p), 5.0, if towards_left { 30.0 } else { 70.0 }));
                out.push((to, Item::Outlet(p, 0), 5.0, if towards_left { 97.0 } else { 3.0 }));
            }
            PassageKind::Line { .. } | PassageKind::Siphon { .. } => {
                out.push((from, Item::Inlet(p), 3.0, if towards_left { 10.0 } else { 90.0 }));
                let rank = if towards_left { 93.0 - higher } else { 7.0 + higher };
                out.push((to, Item::Outlet(p, 0), 3.5, rank));
            }
            _ => {}
        }
        for (leg, branch) in branches(&passage.kind).iter().enumerate() {
            let vessel = branch.to.idx();
            if vessel < n {
                let left = enters_left(bodies, from, vessel);
                out.push((vessel, Item::Outlet(p, leg + 1), 5.0, if left { 1.5 } else { 98.5 }));
            }
        }
    }
    let piped: Vec<usize> = system.passages.iter().filter_map(|p| p.kind.pump()).map(|a| a.idx()).collect();
    let mut side = false;
    for (a, actuator) in system.actuators.iter().enumerate() {
        let Some(vessel) = vessel_of(actuator).filter(|&v| v < n && !piped.contains(&a)) else { continue };
        let (weight, rank) = match actuator.kind {
            ActuatorKind::Circulation => {
                side = !side;
                (7.0, if side { 5.0 } else { 95.0 })
            }
            ActuatorKind::Skimmer => (10.0, 25.0),
            ActuatorKind::Heater => (5.0, 40.0),
            ActuatorKind::AirPump => (6.0, 75.0),
            ActuatorKind::Stirrer => (5.0, 50.0),
            ActuatorKind::Light | ActuatorKind::Fan | ActuatorKind::Contactor | ActuatorKind::Buzzer => {
                continue;
            }
            _ => (6.0, 60.0),
        };
        out.push((vessel, Item::Actuator(a), weight, rank));
    }
    for (s, sensor) in system.sensors.iter().enumerate() {
        let Some(vessel) = sensor.vessel.map(|v| v.idx()).filter(|&v| v < n) else { continue };
        let rank = match sensor.kind {
            SensorKind::Float { .. } => 70.0,
            SensorKind::Leak | SensorKind::Flow { .. } => continue,
            _ => 55.0,
        };
        out.push((vessel, Item::Sensor(s), 5.0, rank));
    }
    out
}

/// World x of each thing, m.
pub(crate) fn spread(system: &System, bodies: &Bodies) -> HashMap<Item, f64> {
    let claims = claims(system, bodies);
    let mut places = HashMap::new();
    for v in 0..system.vessels.len() {
        let mut mine: Vec<_> = claims.iter().filter(|c| c.0 == v).collect();
        mine.sort_by(|a, b| a.3.total_cmp(&b.3));
        let (x0, x1) = free_length(bodies, v);
        let total: f64 = mine.iter().map(|c| c.2).sum();
        let mut before = 0.0;
        for &&(_, item, weight, _) in &mine {
            places.insert(item, x0 + (x1 - x0) * (before + weight / 2.0) / total.max(1.0));
            before += weight;
        }
    }
    places
}

/// The longest stretch of a vessel that no box standing in it covers.
fn free_length(bodies: &Bodies, vessel: usize) -> (f64, f64) {
    let body = &bodies.list[vessel];
    let mut boxes: Vec<(f64, f64)> =
        bodies.list.iter().filter(|b| b.inside_of == Some(vessel)).map(|b| (b.x0, b.x1)).collect();
    boxes.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut best = (body.x0, body.x0);
    let mut start = body.x0;
    for (b0, b1) in boxes.into_iter().chain([(body.x1, body.x1)]) {
        if b0 - start > best.1 - best.0 {
            best = (start, b0);
        }
        start = start.max(b1);
    }
    if best.1 - best.0 < 0.1 * body.length() { (body.x0, body.x1) } else { best }
}
