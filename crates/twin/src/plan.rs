//! The plan: a resolved system reduced once to what the inner loop needs. Heights become elevations over the cabinet floor.

use physics::fast::{Drain, Resistance};
use physics::heat::{InnerFilm, Wall};
use physics::pipe::{Pipe as RoundPipe, SMOOTH_PVC_ROUGHNESS};
use physics::pump::{Condition, Pump};
use physics::standpipe::{DRAIN_SPEED, Standpipe};
use physics::weir::LowHeadWeir;
use system::System;
use system::model::{ActuatorIdx, ActuatorKind, PassageIdx, PassageKind, Pipe, SupplyIdx, VesselIdx};

use crate::sense::Probe;
use crate::solver::Solver;

/// Depth over an intake in which a pump's flow falls to nothing, m (assumed: air is drawn in by a vortex).
pub(crate) const INTAKE_RAMP: f64 = 0.005;
/// Kinematic viscosity of seawater at 25 °C and salinity 35, m²/s (handbook section 1).
pub(crate) const VISCOSITY: f64 = 0.9592e-3 / 1023.34;
/// Water moved by a slow step and a rate step, s; both are rounded to whole scans.
const SLOW_S: f64 = 10.0;
/// Rate steps for each slow step.
const SLOW_PER_RATE: u64 = 6;

/// Receiver of a flow that leaves the system.
pub(crate) const FLOOR: usize = usize::MAX;

/// A vessel as the water step sees it.
#[derive(Clone, Debug)]
pub(crate) struct Node {
    /// Elevation of the inside floor, m.
    pub floor: f64,
    /// Elevation of the rim, m.
    pub rim: f64,
    /// `(volume below the segment, volume of the segment, area, 1/area)`; the last segment is unbounded.
    pub segments: Vec<Segment>,
    /// Open surface for evaporation, factor on the undisturbed law (0: sealed).
    pub evaporation: f64,
    pub air_speed: f64,
    pub air: Option<usize>,
    pub still_exchange: f64,
    /// Heat through the walls for each metre of water, W/K/m, and through the bottom, W/K.
    pub wall_per_m: f64,
    pub bottom: f64,
    /// Takes part in gas exchange and carbonate chemistry.
    pub alive: bool,
}

#[derive(Clone, Copy, Debug)]
pub(crate) struct Segment {
    pub below: f64,
    pub volume: f64,
    pub area: f64,
}

/// Law of one pass. Elevations in m.
#[derive(Clone, Debug)]
pub(crate) enum Law {
    /// Crest.
    Weir {
        conductance: f64,
        crest: f64,
    },
    /// Over the rim; `into` a vessel or the floor.
    Rim {
        conductance: f64,
        crest: f64,
    },
    /// Hole at a flaw's place in the vessel.
    Leak,
    Hole {
        conductance: f64,
        centre: f64,
    },
    Drain {
        drain: Drain,
        inlet: f64,
        outlet: f64,
        hold: usize,
        residence: f64,
    },
    Sock {
        clean: f64,
        rim: f64,
        edge: f64,
        half_life: f64,
    },
    Pumped {
        pump: usize,
        boost: f64,
        with_pump: Resistance,
        intake: f64,
        outlet: f64,
        break_at: f64,
        check_valve: bool,
        hold: usize,
        hold_volume: f64,
        primed: usize,
    },
    Line {
        pump: usize,
        flow: f64,
        intake: f64,
        outlet: f64,
        occludes: bool,
        resistance: Resistance,
        primed: usize,
    },
    Siphon {
        resistance: Resistance,
        inlet: f64,
        outlet: f64,
        primed: usize,
    },
}

/// One way of the water.
#[derive(Clone, Debug)]
pub(crate) struct Pass {
    pub from: usize,
    pub to: usize,
    pub law: Law,
    pub aeration: f64,
    /// Entries of the level matrix: (from,from), (from,to), (to,from), (to,to).
    pub entries: [usize; 4],
}

/// A place where content moves from one store to another in the slow step.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Edge {
    pub from: usize,
    pub to: usize,
    pub pass: usize,
    /// False: the volume taken from `from`; true: the volume given to `to` (they differ by what the pipe holds).
    pub given: bool,
}

/// Everything the inner loop reads and never writes.
#[derive(Clone, Debug)]
pub struct Plan {
    /// The system this was made from.
    pub system: System,
    pub(crate) dt: f64,
    pub(crate) substeps: u32,
    pub(crate) slow_every: u64,
    pub(crate) rate_every: u64,
    pub(crate) nodes: Vec<Node>,
    pub(crate) passes: Vec<Pass>,
    pub(crate) edges: Vec<Edge>,
    pub(crate) n_holds: usize,
    pub(crate) n_primed: usize,
    pub(crate) solver: Solver,
    /// Supplies so that what feeds comes before what is fed.
    pub(crate) supply_order: Vec<usize>,
    /// By sensor.
    pub(crate) probes: Vec<Probe>,
    /// Floats that are wired in series with a load.
    pub(crate) series: Vec<usize>,
    /// By actuator: it drives a passage.
    pub(crate) moves_water: Vec<bool>,
    /// Passes of each passage.
    pub(crate) passes_of: Vec<Vec<usize>>,
    /// Flow of the return at its design point for each passage, m³/s (nominal; 0 when not pumped).
    pub(crate) nominal_flow: Vec<f64>,
    /// Largest pumped flow, m³/s: what drains and weirs see in normal running.
    pub(crate) design_flow: f64,
    /// Total tank water at the start, m³.
    pub(crate) tank_volume: f64,
}

fn round(pipe: &Pipe) -> RoundPipe {
    RoundPipe {
        diameter: pipe.bore,
        length: pipe.length,
        roughness: SMOOTH_PVC_ROUGHNESS,
        minor_loss: pipe.fittings_k,
    }
}

/// Resistance of a pipe over the flows it will see, exact at `at`.
fn resistance(pipe: &Pipe, at: f64) -> Resistance {
    let pipe = round(pipe);
    pipe.fit(0.05 * at, 1.5 * at, VISCOSITY).passing_through(&pipe, at, VISCOSITY)
}

fn segments(areas: &[(f64, f64)]) -> Vec<Segment> {
    let mut below = 0.0;
    areas
        .iter()
        .enumerate()
        .map(|(i, &(from, area))| {
            let volume = areas.get(i + 1).map_or(f64::INFINITY, |&(to, _)| (to - from) * area);
            let segment = Segment { below, volume, area };
            below += volume;
            segment
        })
        .collect()
}

impl Plan {
    /// Reduces a system. Works for any resolved system, also one without vessels.
    pub fn new(system: &System) -> Self {
        let dt_scan = f64::from(system.scan_ms) / 1000.0;
        let substeps = libm::ceil(dt_scan).max(1.0) as u32;
        let slow_every = libm::round(SLOW_S / dt_scan).max(1.0) as u64;
        let nodes: Vec<Node> = (0..system.vessels.len()).map(|v| node(system, v)).collect();
        let mut plan = Plan {
            system: system.clone(),
            dt: dt_scan / f64::from(substeps),
            substeps,
            slow_every,
            rate_every: slow_every * SLOW_PER_RATE,
            nodes,
            passes: vec![],
            edges: vec![],
            n_holds: 0,
            n_primed: 0,
            solver: Solver::new(0, &[]),
            supply_order: supply_order(system),
            probes: system.sensors.iter().map(|s| Probe::new(system, s)).collect(),
            series: {
                let mut all: Vec<usize> =
                    system.actuators.iter().flat_map(|a| a.series.iter().map(|s| s.idx())).collect();
                all.sort_unstable();
                all.dedup();
                all
            },
            moves_water: (0..system.actuators.len()).map(|a| system.moves_water(ActuatorIdx(a))).collect(),
            passes_of: vec![vec![]; system.passages.len()],
            nominal_flow: vec![0.0; system.passages.len()],
            design_flow: 0.0,
            tank_volume: 0.0,
        };
        for vessel in &system.vessels {
            if vessel.holds == system::model::Contents::Tank {
                plan.tank_volume += vessel.volume_below(vessel.start_level);
            }
        }
        for p in 0..system.passages.len() {
            plan.add_passage(p);
        }
        for (v, vessel) in system.vessels.iter().enumerate() {
            let [length, depth, _] = vessel.inside;
            let crest = plan.nodes[v].rim;
            let conductance = LowHeadWeir::francis(2.0 * (length + depth)).conductance();
            let to = vessel.inside_of.map_or(FLOOR, VesselIdx::idx);
            plan.push(v, to, Law::Rim { conductance, crest }, None, 0.0);
            plan.push(v, FLOOR, Law::Leak, None, 0.0);
        }
        plan.design_flow = plan.nominal_flow.iter().copied().fold(0.0, f64::max);
        plan.connect();
        plan
    }

    /// Scan period, s.
    pub fn scan_s(&self) -> f64 {
        self.dt * f64::from(self.substeps)
    }

    /// What walls and bottom of a vessel lose when it is filled to `level` (m over its floor), W for each kelvin above the room.
    pub fn wall_w_per_k(&self, vessel: VesselIdx, level: f64) -> f64 {
        let node = &self.nodes[vessel.idx()];
        node.wall_per_m * level.max(0.0) + node.bottom
    }

    /// Flow of a pumped passage at its design point, m³/s; 0 for any other.
    pub fn design_flow_m3_s(&self, passage: PassageIdx) -> f64 {
        self.nominal_flow[passage.idx()]
    }

    fn push(&mut self, from: usize, to: usize, law: Law, passage: Option<usize>, aeration: f64) {
        if let Some(p) = passage {
            self.passes_of[p].push(self.passes.len());
        }
        self.passes.push(Pass { from, to, law, aeration, entries: [0; 4] });
    }

    fn elevation(&self, vessel: VesselIdx, height: f64) -> f64 {
        self.nodes[vessel.idx()].floor + height
    }

    fn add_passage(&mut self, p: usize) {
        let passage = self.system.passages[p].clone();
        let (from, to) = (passage.from, passage.to);
        let (u, d) = (from.idx(), to.idx());
        let aeration = passage.aeration;
        match &passage.kind {
            // Francis' coefficient on the clear width is the customary law at heads far below the validity of the ISO ones.
            PassageKind::Weir { crest: top, width, .. } | PassageKind::Baffle { top, width, .. } => {
                let conductance = LowHeadWeir::francis(*width).conductance();
                let law = Law::Weir { conductance, crest: self.elevation(from, *top) };
                self.push(u, d, law, Some(p), aeration);
            }
            PassageKind::Opening { height, area } => {
                let conductance = physics::orifice::conductance(physics::orifice::SHARP_EDGED, *area);
                let law = Law::Hole { conductance, centre: self.elevation(from, *height) };
                self.push(u, d, law, Some(p), aeration);
            }
            PassageKind::Drain { inlet, pipe, outlet, strainer, branches } => {
                let legs = legs(pipe, to, *outlet, branches);
                let shares = self.drain_shares(self.elevation(from, *inlet), &legs);
                for (leg, share) in legs.iter().zip(shares) {
                    let stand = Standpipe { open_share: *strainer, ..Standpipe::new(round(&leg.whole)) };
                    let (inlet, outlet) = (self.elevation(from, *inlet), self.elevation(leg.to, leg.outlet));
                    let mut drain = stand.drain((inlet - outlet).max(0.01), VISCOSITY);
                    // A tee shares rim and mouth between its legs; the ratio of mouth to rim stays.
                    drain.weir *= share;
                    drain.pipe.linear /= share;
                    drain.pipe.quadratic /= share * share;
                    let hold = self.n_holds;
                    self.n_holds += 1;
                    let residence = leg.whole.length / DRAIN_SPEED;
                    self.push(
                        u,
                        leg.to.idx(),
                        Law::Drain { drain, inlet, outlet, hold, residence },
                        Some(p),
                        aeration,
                    );
                }
            }
            PassageKind::Sock { rim, clean_m2_s, half_life_s } => {
                let [length, depth, _] = self.system.vessels[u].inside;
                let law = Law::Sock {
                    clean: *clean_m2_s,
                    rim: self.elevation(from, *rim),
                    edge: LowHeadWeir::francis(length.min(depth)).conductance(),
                    half_life: *half_life_s,
                };
                self.push(u, d, law, Some(p), aeration);
            }
            PassageKind::Pumped {
                pump,
                head0,
                flow0,
                intake,
                pipe,
                outlet,
                break_hole,
                check_valve,
                branches,
            } => {
                let legs = legs(pipe, to, *outlet, branches);
                let source = self.elevation(from, self.system.vessels[u].start_level);
                let shares = self.pumped_shares(source, *head0, *flow0, &legs);
                for (i, (leg, share)) in legs.iter().zip(shares).enumerate() {
                    let curve = Pump { shutoff_head: *head0, open_flow: flow0 * share };
                    let own = round(&leg.whole);
                    // The trunk carries all legs' water: seen by one leg its resistance grows with the share.
                    let rough_at = 0.5 * flow0 * share;
                    let static_head = self.static_head(source, leg);
                    let fit = |at: f64| {
                        let mut r = resistance(&leg.whole, at);
                        if !branches.is_empty() {
                            let trunk = resistance(pipe, at / share);
                            let leg_only = resistance(&leg.own, at);
                            r = leg_only.and(Resistance {
                                linear: trunk.linear / share,
                                quadratic: trunk.quadratic / (share * share),
                            });
                        }
                        r
                    };
                    let first = curve.line(fit(rough_at), Condition::NEW).flow(static_head).flow;
                    let at = if first > 1e-9 { first } else { rough_at };
                    let line = curve.line(fit(at), Condition::NEW);
                    let flow = line.flow(static_head).flow.max(0.0);
                    self.nominal_flow[p] += flow;
                    let outlet_z = self.elevation(leg.to, leg.outlet);
                    let break_at = match break_hole {
                        Some(h) if i == 0 => self.elevation(leg.to, *h),
                        _ => outlet_z,
                    };
                    let law = Law::Pumped {
                        pump: pump.idx(),
                        boost: line.boost,
                        with_pump: line.resistance,
                        intake: self.elevation(from, *intake),
                        outlet: outlet_z,
                        break_at,
                        check_valve: *check_valve,
                        hold: self.n_holds,
                        hold_volume: own.volume(),
                        primed: self.n_primed,
                    };
                    self.n_holds += 1;
                    self.n_primed += 1;
                    self.push(u, leg.to.idx(), law, Some(p), aeration);
                }
            }
            PassageKind::Line { pump, flow, intake, outlet, occludes, bore, length } => {
                let pipe = Pipe { bore: *bore, length: *length, fittings_k: 1.5 };
                let most = physics::circle_area(*bore);
                let law = Law::Line {
                    pump: pump.idx(),
                    flow: *flow,
                    intake: self.elevation(from, *intake),
                    outlet: self.elevation(to, *outlet),
                    occludes: *occludes,
                    resistance: resistance(&pipe, most),
                    primed: self.n_primed,
                };
                self.n_primed += 1;
                self.push(u, d, law, Some(p), aeration);
            }
            PassageKind::Siphon { inlet, outlet, pipe } => {
                let law = Law::Siphon {
                    resistance: resistance(pipe, physics::circle_area(pipe.bore)),
                    inlet: self.elevation(from, *inlet),
                    outlet: self.elevation(to, *outlet),
                    primed: self.n_primed,
                };
                self.n_primed += 1;
                self.push(u, d, law, Some(p), aeration);
            }
        }
    }

    fn static_head(&self, source: f64, leg: &Leg) -> f64 {
        let outlet = self.elevation(leg.to, leg.outlet);
        let surface = self.elevation(leg.to, self.system.vessels[leg.to.idx()].start_level);
        outlet.max(surface) - source
    }

    /// Shares of a gravity tee: each leg falls from the inlet to its own outlet.
    fn drain_shares(&self, inlet: f64, legs: &[Leg]) -> Vec<f64> {
        let flows: Vec<f64> = legs
            .iter()
            .map(|leg| {
                let drop = (inlet - self.elevation(leg.to, leg.outlet)).max(0.01);
                round(&leg.whole).flow_for_head(drop, VISCOSITY, physics::pipe::Friction::Churchill)
            })
            .collect();
        let sum: f64 = flows.iter().sum();
        flows.iter().map(|q| q / sum).collect()
    }

    /// Shares of a pumped tee at the design levels: one head at the tee, found by bisection.
    fn pumped_shares(&self, source: f64, head0: f64, flow0: f64, legs: &[Leg]) -> Vec<f64> {
        if legs.len() == 1 {
            return vec![1.0];
        }
        let friction = physics::pipe::Friction::Churchill;
        let flows_at = |head: f64| -> Vec<f64> {
            (legs.iter())
                .map(|leg| {
                    let left = head - self.static_head(source, leg);
                    if left > 0.0 { round(&leg.own).flow_for_head(left, VISCOSITY, friction) } else { 0.0 }
                })
                .collect()
        };
        let (mut low, mut high) = (0.0, head0);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            let total: f64 = flows_at(middle).iter().sum();
            let x = total / flow0;
            let given = head0 * (1.0 - x * x) - round(&legs[0].trunk).head_loss(total, VISCOSITY, friction);
            if given > middle { low = middle } else { high = middle }
        }
        let flows = flows_at(0.5 * (low + high));
        let sum: f64 = flows.iter().sum();
        // A leg too high to get anything still exists: a hundredth of the flow keeps its law defined.
        let floor = if sum > 0.0 { 0.01 * sum } else { 1.0 };
        let flows: Vec<f64> = flows.iter().map(|q| q.max(floor)).collect();
        let sum: f64 = flows.iter().sum();
        flows.iter().map(|q| q / sum).collect()
    }

    fn connect(&mut self) {
        let pairs: Vec<(usize, usize)> =
            self.passes.iter().filter(|p| p.to != FLOOR).map(|p| (p.from, p.to)).collect();
        self.solver = Solver::new(self.nodes.len(), &pairs);
        for pass in &mut self.passes {
            let entry = |i: usize, j: usize| self.solver.entry(i, j).unwrap_or(0);
            let to = if pass.to == FLOOR { pass.from } else { pass.to };
            pass.entries =
                [entry(pass.from, pass.from), entry(pass.from, to), entry(to, pass.from), entry(to, to)];
        }
        // Content moves in the order of the water, starting at the largest vessel, so that inflow precedes outflow.
        let n = self.nodes.len();
        let volume = |v: usize| self.system.vessels[v].volume_below(self.system.vessels[v].start_level);
        let mut order: Vec<usize> = (0..n).collect();
        order.sort_by(|&a, &b| volume(b).total_cmp(&volume(a)).then(a.cmp(&b)));
        let mut seen = vec![false; n];
        let mut walk = vec![];
        for start in order {
            let mut stack = vec![start];
            while let Some(v) = stack.pop() {
                if std::mem::replace(&mut seen[v], true) {
                    continue;
                }
                walk.push(v);
                for pass in self.passes.iter().filter(|p| p.from == v && p.to != FLOOR && !seen[p.to]) {
                    stack.push(pass.to);
                }
            }
        }
        for v in walk {
            for (i, pass) in self.passes.iter().enumerate().filter(|(_, p)| p.from == v) {
                match pass.law {
                    Law::Drain { hold, .. } | Law::Pumped { hold, .. } => {
                        self.edges.push(Edge { from: v, to: n + hold, pass: i, given: false });
                        self.edges.push(Edge { from: n + hold, to: pass.to, pass: i, given: true });
                    }
                    _ => self.edges.push(Edge { from: v, to: pass.to, pass: i, given: false }),
                }
            }
        }
    }
}

/// One leg of a tee (or the only one).
struct Leg {
    to: VesselIdx,
    outlet: f64,
    /// Trunk.
    trunk: Pipe,
    /// This leg without the trunk.
    own: Pipe,
    /// Trunk and leg as one pipe of the leg's bore (the trunk alone where there is no tee).
    whole: Pipe,
}

fn legs(trunk: &Pipe, to: VesselIdx, outlet: f64, branches: &[system::model::Branch]) -> Vec<Leg> {
    // The first leg ends where the passage says; with a tee it is a stub of the trunk's own bore.
    let stub = Pipe { bore: trunk.bore, length: 0.1, fittings_k: 1.0 };
    let first = Leg { to, outlet, trunk: *trunk, own: stub, whole: *trunk };
    let others = branches.iter().map(|b| Leg {
        to: b.to,
        outlet: b.outlet,
        trunk: *trunk,
        own: b.pipe,
        whole: Pipe {
            bore: b.pipe.bore,
            length: trunk.length + b.pipe.length,
            fittings_k: trunk.fittings_k + b.pipe.fittings_k,
        },
    });
    std::iter::once(first).chain(others).collect()
}

/// Temperature difference at which the wall's films are taken, K (they change by 5 % for a factor of two).
const WALL_DIFFERENCE: f64 = 5.0;

fn node(system: &System, v: usize) -> Node {
    let vessel = &system.vessels[v];
    let [length, depth, height] = vessel.inside;
    let wall = Wall {
        height: height.max(0.05),
        thickness: vessel.wall_m.max(1e-4),
        conductivity: vessel.wall_k,
        emissivity: physics::heat::WALL_EMISSIVITY,
    };
    let u = wall.loss(25.0, 25.0 - WALL_DIFFERENCE, InnerFilm::Stirred(500.0)).overall;
    let outer = if vessel.inside_of.is_some() { 0.0 } else { 1.0 };
    Node {
        floor: vessel.floor_m,
        rim: vessel.floor_m + height,
        segments: segments(&vessel.areas),
        evaporation: vessel.evaporation,
        air_speed: vessel.air_speed,
        air: vessel.air.map(|a| a.idx()),
        still_exchange: vessel.still_exchange,
        wall_per_m: outer * u * vessel.wall_share * 2.0 * (length + depth),
        bottom: if vessel.bottom_insulated { 0.0 } else { outer * u * length * depth },
        alive: vessel.holds == system::model::Contents::Tank,
    }
}

fn supply_order(system: &System) -> Vec<usize> {
    let depth = |s: usize| system.supply_chain(Some(SupplyIdx(s))).count();
    let mut order: Vec<usize> = (0..system.supplies.len()).collect();
    order.sort_by_key(|&s| (depth(s), s));
    order
}

/// Whether an actuator is a contactor: its state says whether a circuit is closed, not whether a load runs.
pub(crate) fn is_contactor(kind: ActuatorKind) -> bool {
    kind == ActuatorKind::Contactor
}
