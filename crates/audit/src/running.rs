//! The static design point: where every pump meets its line, and the level each vessel then runs at.

use crate::facts::{PumpFact, VesselFact, WeirFact};
use crate::geometry::rim;
use physics::conditions::kinematic_viscosity;
use physics::fast::Drain;
use physics::pipe::{Friction, SMOOTH_PVC_ROUGHNESS};
use physics::pump::{Condition, Pump};
use physics::standpipe::{DRAIN_SPEED, Standpipe};
use physics::weir::LowHeadWeir;
use system::System;
use system::model::{Branch, PassageKind, Pipe, VesselIdx};

/// Rounds of levels and flows that settle the design point; heads change the flow by per cent, so this is ample.
const ROUNDS: usize = 24;
/// Levels that move less between two rounds are settled, m.
const SETTLED: f64 = 1e-10;
/// Halvings of a level search: below a nanometre.
const HALVINGS: usize = 60;
/// Share of the pump's flow over which less than this counts as none.
const NO_FLOW: f64 = 1e-12;

/// One way of the water at the design point.
#[derive(Clone, Debug, Default)]
pub struct Running {
    /// Level in each vessel over its own floor, m.
    pub levels: Vec<f64>,
    /// Flow in each passage, m³/s; for a pumped tee all legs together.
    pub flows: Vec<f64>,
    /// Flow of each leg of a pumped passage, m³/s.
    pub legs: Vec<Vec<f64>>,
    /// Head over each pump, m.
    pub heads: Vec<f64>,
    /// Static head of each pump (its first leg), m.
    pub statics: Vec<f64>,
    /// Vessels whose ways out cannot carry what comes in below their rim.
    pub overwhelmed: Vec<VesselIdx>,
}

/// A pipe of the file with the roughness of smooth plastic.
pub fn round(pipe: &Pipe) -> physics::pipe::Pipe {
    physics::pipe::Pipe {
        diameter: pipe.bore,
        length: pipe.length,
        roughness: SMOOTH_PVC_ROUGHNESS,
        minor_loss: pipe.fittings_k,
    }
}

/// Viscosity of the system's water, m²/s.
pub fn viscosity(system: &System) -> f64 {
    kinematic_viscosity(system.water.salinity, system.water.temperature_c)
}

/// Legs of a pumped or gravity passage: vessel, height of the outlet in it, and the leg's own pipe (none for the first).
pub fn legs(to: VesselIdx, outlet: f64, branches: &[Branch]) -> Vec<(VesselIdx, f64, Option<Pipe>)> {
    core::iter::once((to, outlet, None))
        .chain(branches.iter().map(|b| (b.to, b.outlet, Some(b.pipe))))
        .collect()
}

/// Computes the design point. Vessels from which a pump draws keep the level of the file: top-off holds it there.
pub fn running(system: &System) -> Running {
    let n = system.vessels.len();
    let n_passages = system.passages.len();
    let mut point = Running {
        levels: system.vessels.iter().map(|v| v.start_level).collect(),
        flows: vec![0.0; n_passages],
        legs: vec![vec![]; n_passages],
        heads: vec![0.0; n_passages],
        statics: vec![0.0; n_passages],
        overwhelmed: vec![],
    };
    let sources: Vec<usize> = system
        .passages
        .iter()
        .filter(|p| matches!(p.kind, PassageKind::Pumped { .. }))
        .map(|p| p.from.idx())
        .collect();
    if sources.is_empty() {
        return point;
    }
    let order = downstream_order(system, &sources);
    let viscosity = viscosity(system);
    for _ in 0..ROUNDS {
        let before = point.levels.clone();
        let mut inflow = vec![0.0; n];
        for p in 0..n_passages {
            pump_flow(system, &mut point, p, viscosity, &mut inflow);
        }
        point.overwhelmed.clear();
        for &v in &order {
            if sources.contains(&v) || inflow[v] <= NO_FLOW {
                continue;
            }
            let outs: Vec<usize> = (0..n_passages)
                .filter(|&p| leaves(system, p, v) && comes_later(&order, &sources, system, p, v))
                .collect();
            if outs.is_empty() {
                continue;
            }
            let levels = point.levels.clone();
            // Fitting a drain costs far more than asking it, and its drop does not change with its own head.
            let drains: Vec<Option<(Drain, f64)>> =
                outs.iter().map(|&p| fitted_drain(system, &levels, p, viscosity)).collect();
            let out_of = |i: usize, level: f64| {
                gravity_flow(system, &levels, (outs[i], v), level, viscosity, drains[i])
            };
            let out_at = |level: f64| -> f64 { (0..outs.len()).map(|i| out_of(i, level)).sum() };
            let top = rim(&system.vessels[v]);
            if out_at(top) < inflow[v] {
                point.levels[v] = top;
                point.overwhelmed.push(VesselIdx(v));
            } else {
                let (mut low, mut high) = (0.0, top);
                for _ in 0..HALVINGS {
                    let middle = 0.5 * (low + high);
                    if out_at(middle) < inflow[v] { low = middle } else { high = middle }
                }
                point.levels[v] = 0.5 * (low + high);
            }
            let flows: Vec<f64> = (0..outs.len()).map(|i| out_of(i, point.levels[v])).collect();
            for (&p, flow) in outs.iter().zip(flows) {
                point.flows[p] = flow;
                let passage = &system.passages[p];
                match &passage.kind {
                    PassageKind::Drain { branches, outlet, inlet, pipe, .. } if !branches.is_empty() => {
                        let shares = drain_shares(system, p, *inlet, pipe, *outlet, branches, viscosity);
                        for ((to, _, _), share) in legs(passage.to, *outlet, branches).iter().zip(shares) {
                            inflow[to.idx()] += flow * share;
                        }
                    }
                    _ => inflow[other(system, p, v)] += flow,
                }
            }
        }
        let moved = before.iter().zip(&point.levels).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        if moved < SETTLED {
            break;
        }
    }
    point
}

/// The vessel at the other end of a passage.
fn other(system: &System, p: usize, v: usize) -> usize {
    let passage = &system.passages[p];
    if passage.from.idx() == v { passage.to.idx() } else { passage.from.idx() }
}

/// Whether water can leave `v` through the passage by gravity.
fn leaves(system: &System, p: usize, v: usize) -> bool {
    let passage = &system.passages[p];
    match passage.kind {
        PassageKind::Weir { .. }
        | PassageKind::Baffle { .. }
        | PassageKind::Drain { .. }
        | PassageKind::Sock { .. } => passage.from.idx() == v,
        PassageKind::Opening { .. } | PassageKind::Siphon { .. } => {
            passage.from.idx() == v || passage.to.idx() == v
        }
        PassageKind::Pumped { .. } | PassageKind::Line { .. } => false,
    }
}

fn comes_later(order: &[usize], sources: &[usize], system: &System, p: usize, v: usize) -> bool {
    let to = other(system, p, v);
    let place = |v: usize| order.iter().position(|&x| x == v).unwrap_or(usize::MAX);
    sources.contains(&to) || place(to) > place(v)
}

/// Vessels in the order in which pumped water comes by.
fn downstream_order(system: &System, sources: &[usize]) -> Vec<usize> {
    let mut order = vec![];
    let mut queue = std::collections::VecDeque::new();
    for passage in &system.passages {
        if let PassageKind::Pumped { outlet, branches, .. } = &passage.kind {
            queue.extend(legs(passage.to, *outlet, branches).iter().map(|(to, _, _)| to.idx()));
        }
    }
    while let Some(v) = queue.pop_front() {
        if order.contains(&v) {
            continue;
        }
        order.push(v);
        if sources.contains(&v) {
            continue;
        }
        for p in 0..system.passages.len() {
            if leaves(system, p, v) {
                queue.push_back(other(system, p, v));
                if let PassageKind::Drain { branches, .. } = &system.passages[p].kind {
                    queue.extend(branches.iter().map(|b| b.to.idx()));
                }
            }
        }
    }
    order
}

/// Flow of one pump (all legs), added to the inflow of where it goes.
fn pump_flow(system: &System, point: &mut Running, p: usize, viscosity: f64, inflow: &mut [f64]) {
    let passage = &system.passages[p];
    let PassageKind::Pumped { head0, flow0, pipe, outlet, branches, .. } = &passage.kind else { return };
    let pump = Pump { shutoff_head: *head0, open_flow: *flow0 };
    let surface = |v: VesselIdx| system.vessels[v.idx()].floor_m + point.levels[v.idx()];
    let source = surface(passage.from);
    let all = legs(passage.to, *outlet, branches);
    let static_of = |(to, outlet, _): &(VesselIdx, f64, Option<Pipe>)| {
        (system.vessels[to.idx()].floor_m + outlet).max(surface(*to)) - source
    };
    point.statics[p] = static_of(&all[0]);
    let trunk = round(pipe);
    let flows = if all.len() == 1 {
        let at =
            pump.operating_point(&trunk, point.statics[p], Condition::NEW, viscosity, Friction::Churchill);
        point.heads[p] = at.head;
        vec![at.flow.max(0.0)]
    } else {
        // One head at the tee: what the trunk leaves of the pump's head drives every leg.
        let at_head = |head: f64| -> Vec<f64> {
            all.iter()
                .map(|leg| {
                    let left = head - static_of(leg);
                    let own = leg.2.as_ref().map_or(
                        // The first leg is the trunk's own end.
                        physics::pipe::Pipe { length: 0.1, minor_loss: 1.0, ..trunk },
                        round,
                    );
                    if left > 0.0 { own.flow_for_head(left, viscosity, Friction::Churchill) } else { 0.0 }
                })
                .collect()
        };
        let (mut low, mut high) = (-*head0, *head0);
        for _ in 0..HALVINGS {
            let middle = 0.5 * (low + high);
            let total: f64 = at_head(middle).iter().sum();
            let share = total / flow0;
            let given =
                head0 * (1.0 - share * share) - trunk.head_loss(total, viscosity, Friction::Churchill);
            if given > middle { low = middle } else { high = middle }
        }
        let flows = at_head(0.5 * (low + high));
        let share = flows.iter().sum::<f64>() / flow0;
        point.heads[p] = head0 * (1.0 - share * share);
        flows
    };
    for ((to, _, _), flow) in all.iter().zip(&flows) {
        inflow[to.idx()] += flow;
    }
    point.flows[p] = flows.iter().sum();
    point.legs[p] = flows;
}

/// Shares in which a gravity tee divides its water: each leg falls from the inlet to its own outlet.
fn drain_shares(
    system: &System,
    p: usize,
    inlet: f64,
    pipe: &Pipe,
    outlet: f64,
    branches: &[Branch],
    viscosity: f64,
) -> Vec<f64> {
    let passage = &system.passages[p];
    let top = system.vessels[passage.from.idx()].floor_m + inlet;
    let flows: Vec<f64> = legs(passage.to, outlet, branches)
        .iter()
        .map(|(to, outlet, own)| {
            let whole = own.map_or(*pipe, |own| Pipe {
                bore: own.bore,
                length: pipe.length + own.length,
                fittings_k: pipe.fittings_k + own.fittings_k,
            });
            let drop = (top - system.vessels[to.idx()].floor_m - outlet).max(0.01);
            round(&whole).flow_for_head(drop, viscosity, Friction::Churchill)
        })
        .collect();
    let sum: f64 = flows.iter().sum();
    flows.iter().map(|q| if sum > 0.0 { q / sum } else { 1.0 / flows.len() as f64 }).collect()
}

/// A drain's coefficients and its drop with the water below where it is.
fn fitted_drain(system: &System, levels: &[f64], p: usize, viscosity: f64) -> Option<(Drain, f64)> {
    let passage = &system.passages[p];
    let PassageKind::Drain { inlet, pipe, outlet, strainer, .. } = &passage.kind else { return None };
    let stand = Standpipe { open_share: *strainer, ..Standpipe::new(round(pipe)) };
    let (from, to) = (passage.from.idx(), passage.to.idx());
    let lower = system.vessels[to].floor_m + outlet.max(levels[to]);
    let drop = (system.vessels[from].floor_m + inlet - lower).max(1e-3);
    Some((stand.drain(drop, viscosity), drop))
}

/// Flow out of `v` through passage `p` by gravity at a level of `v`, m³/s.
fn gravity_flow(
    system: &System,
    levels: &[f64],
    (p, v): (usize, usize),
    level: f64,
    viscosity: f64,
    drain: Option<(Drain, f64)>,
) -> f64 {
    let passage = &system.passages[p];
    let here = &system.vessels[v];
    let there = other(system, p, v);
    let (upper, lower) = (here.floor_m + level, system.vessels[there].floor_m + levels[there]);
    match &passage.kind {
        PassageKind::Weir { crest, width, .. } | PassageKind::Baffle { top: crest, width, .. } => {
            let head = level - crest;
            let back = lower - here.floor_m - crest;
            LowHeadWeir::francis(*width).flow(head).flow * physics::weir::submergence_factor(head, back)
        }
        PassageKind::Opening { height, area } => {
            let centre = system.vessels[passage.from.idx()].floor_m + height;
            physics::orifice::flow(physics::orifice::SHARP_EDGED, *area, (upper - lower.max(centre)).max(0.0))
        }
        PassageKind::Drain { inlet, .. } => {
            drain.map_or(0.0, |(drain, drop)| drain.flow(level - inlet, drop).flow)
        }
        PassageKind::Sock { rim, clean_m2_s, .. } => {
            let edge = LowHeadWeir::francis(here.inside[0].min(here.inside[1]));
            clean_m2_s * (upper - lower).max(0.0) + edge.flow(level - rim).flow
        }
        PassageKind::Siphon { inlet, outlet, pipe } => {
            let (own, far) = if passage.from.idx() == v { (*inlet, *outlet) } else { (*outlet, *inlet) };
            let end = lower.max(system.vessels[there].floor_m + far);
            if level > own && upper > end {
                round(pipe).flow_for_head(upper - end, viscosity, Friction::Churchill)
            } else {
                0.0
            }
        }
        PassageKind::Pumped { .. } | PassageKind::Line { .. } => 0.0,
    }
}

/// Water that the pipes hold while the pumps run and that runs out when they stop, m³ by vessel that receives it, and the
/// water that stays in shut pipes.
pub fn pipe_contents(system: &System, point: &Running) -> (Vec<f64>, f64) {
    let mut into = vec![0.0; system.vessels.len()];
    let mut kept = 0.0;
    for (p, passage) in system.passages.iter().enumerate() {
        match &passage.kind {
            PassageKind::Pumped { pipe, branches, check_valve, .. } if point.flows[p] > NO_FLOW => {
                let volume = pipe.volume() + branches.iter().map(|b| b.pipe.volume()).sum::<f64>();
                if *check_valve { kept += volume } else { into[passage.from.idx()] += volume }
            }
            PassageKind::Drain { pipe, branches, .. } => {
                let held = |pipe: &Pipe, flow: f64| (flow * pipe.length / DRAIN_SPEED).min(pipe.volume());
                into[passage.to.idx()] += held(pipe, point.flows[p]);
                for branch in branches {
                    into[branch.to.idx()] += held(&branch.pipe, point.flows[p] / (branches.len() + 1) as f64);
                }
            }
            _ => {}
        }
    }
    (into, kept)
}

/// Volume of the system's water at the design point, pipes included, m³.
pub fn system_volume(system: &System, point: &Running) -> f64 {
    let (pipes, kept) = pipe_contents(system, point);
    let vessels: f64 = system
        .vessels
        .iter()
        .zip(&point.levels)
        .filter(|(vessel, _)| crate::geometry::holds_tank_water(vessel))
        .map(|(vessel, level)| vessel.volume_below(*level))
        .sum();
    vessels + pipes.iter().sum::<f64>() + kept
}

/// The design point as facts.
pub fn facts(system: &System, point: &Running) -> (Vec<VesselFact>, Vec<PumpFact>, Vec<WeirFact>) {
    let vessels = system
        .vessels
        .iter()
        .zip(&point.levels)
        .map(|(vessel, level)| VesselFact {
            name: vessel.name.clone(),
            start_mm: vessel.start_level * 1e3,
            running_mm: level * 1e3,
            running_l: vessel.volume_below(*level) * 1e3,
            rim_mm: rim(vessel) * 1e3,
            free_l: crate::geometry::free_above(vessel, *level) * 1e3,
            ..VesselFact::default()
        })
        .collect();
    let volume = system_volume(system, point);
    let viscosity = viscosity(system);
    let mut pumps = vec![];
    let mut weirs = vec![];
    for (p, passage) in system.passages.iter().enumerate() {
        let flow = point.flows[p];
        match &passage.kind {
            PassageKind::Pumped { pump, pipe, intake, .. } => pumps.push(PumpFact {
                passage: passage.name.clone(),
                pump: system.actuators[pump.idx()].name.clone(),
                static_head_m: point.statics[p],
                flow_l_h: flow * 3.6e6,
                head_m: point.heads[p],
                speed_m_s: flow / physics::circle_area(pipe.bore),
                turnovers_per_h: if volume > 0.0 { flow * 3600.0 / volume } else { 0.0 },
                cover_over_intake_mm: (point.levels[passage.from.idx()] - intake) * 1e3,
            }),
            PassageKind::Weir { crest: top, width, .. } | PassageKind::Baffle { top, width, .. } => weirs
                .push(WeirFact {
                    passage: passage.name.clone(),
                    flow_l_h: flow * 3.6e6,
                    head_mm: (point.levels[passage.from.idx()] - top).max(0.0) * 1e3,
                    head_if_half_blocked_mm: LowHeadWeir::francis(0.5 * width).head(flow) * 1e3,
                    capacity_l_h: None,
                }),
            PassageKind::Drain { inlet, pipe, outlet, .. } => {
                let from = &system.vessels[passage.from.idx()];
                let bottom = system.vessels[passage.to.idx()].floor_m + outlet;
                let full = round(pipe).flow_for_head(
                    (from.floor_m + rim(from) - bottom).max(0.0),
                    viscosity,
                    Friction::Churchill,
                );
                weirs.push(WeirFact {
                    passage: passage.name.clone(),
                    flow_l_h: flow * 3.6e6,
                    head_mm: (point.levels[passage.from.idx()] - inlet).max(0.0) * 1e3,
                    head_if_half_blocked_mm: 0.0,
                    capacity_l_h: Some(full * 3.6e6),
                });
            }
            _ => {}
        }
    }
    (vessels, pumps, weirs)
}
