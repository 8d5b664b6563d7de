//! The slow step: contents follow the water; heat, oxygen, carbon and alkalinity are added and taken; surfaces evaporate.
//!
//! Contents move edge by edge in the order of the water, each edge with the share of its source's content that the moved volume
//! is of the source's volume at that moment, then what runs back in the opposite order: conservative and positive for any volume, also through a vessel smaller than what
//! flows through it in a step.

use seawater::oxygen::O2_G_PER_MOL;

use crate::flaw::Flaws;
use crate::lanes::{Lane, Mask, has};
use crate::plan::{FLOOR, Law, Plan};
use crate::state::{ALKALINITY, CALCIUM, CARBON, HEAT, N_CONTENTS, OXYGEN, SALT, State, ledger};
use crate::twin::Params;

/// Volumetric heat capacity of fresh water, J/m³/K at 25 °C (handbook section 5 and CoolProp: 997.05 * 4181.6).
pub(crate) const FRESH_HEAT: f64 = 4.1693e6;
/// What a kilogram of salt changes it by, J/kg/K, so that water of salinity 35 at 25 °C has 1023.34 * 3998.98 J/m³/K.
pub(crate) const SALT_HEAT: f64 = (1023.34 * 3998.98 - FRESH_HEAT) / (0.035 * 1023.34);

/// Temperature of a store from what it holds, °C.
#[inline(always)]
pub(crate) fn temperature(volume: f64, salt: f64, heat: f64) -> f64 {
    let capacity = FRESH_HEAT * volume + SALT_HEAT * salt;
    if capacity > 1e-3 { heat / capacity } else { 0.0 }
}

/// Moves contents along all edges and clears the sums.
#[inline(always)]
pub(crate) fn carry<const L: usize>(
    plan: &Plan,
    flaws: &Flaws<L>,
    state: &mut State<L>,
    running: &mut Vec<Lane<L>>,
) {
    let n = plan.nodes.len();
    // Volumes at the last slow step: undo the sums.
    running.clear();
    running.extend(state.volume.iter().copied());
    running.extend(state.held.iter().copied());
    for edge in &plan.edges {
        let moved = if edge.given { &state.given[edge.pass] } else { &state.taken[edge.pass] };
        let back = &state.run_off[edge.pass];
        // Most edges (rims, leaks) carry nothing in any lane.
        if *moved == [0.0; L] && *back == [0.0; L] {
            continue;
        }
        let from = &mut running[edge.from];
        for l in 0..L {
            from[l] += if edge.given { moved[l] + back[l] } else { moved[l] };
        }
        if edge.to == FLOOR {
            continue;
        }
        let floor = if is_end(plan, edge) { flaws.to_floor[edge.pass] } else { 0 };
        let to = &mut running[edge.to];
        for l in 0..L {
            to[l] -= if has(floor, l) { moved[l].min(0.0) } else { moved[l] };
        }
    }
    for edge in &plan.edges {
        let moved = if edge.given { state.given[edge.pass] } else { state.taken[edge.pass] };
        if moved == [0.0; L] && state.run_off[edge.pass] == [0.0; L] {
            continue;
        }
        let floor = if edge.to == FLOOR {
            Mask::MAX
        } else if is_end(plan, edge) {
            flaws.to_floor[edge.pass]
        } else {
            0
        };
        let forward = (0..L).any(|l| moved[l] > 0.0);
        if forward {
            let mut volume = [0.0; L];
            for l in 0..L {
                volume[l] = moved[l].max(0.0);
            }
            shift(state, running, edge.from, edge.to, &volume, floor);
        }
        if edge.given && (0..L).any(|l| state.run_off[edge.pass][l] > 0.0) {
            let volume = state.run_off[edge.pass];
            shift(state, running, edge.from, FLOOR, &volume, Mask::MAX);
        }
    }
    // Water that runs back meets the edges in the opposite order: a pipe must be fed before it gives, or it holds back the
    // salt and the heat of a whole step.
    for edge in plan.edges.iter().rev().filter(|edge| edge.to != FLOOR) {
        let moved = if edge.given { &state.given[edge.pass] } else { &state.taken[edge.pass] };
        if moved.iter().all(|m| *m >= 0.0) {
            continue;
        }
        let mut volume = [0.0; L];
        for l in 0..L {
            volume[l] = (-moved[l]).max(0.0);
        }
        shift(state, running, edge.to, edge.from, &volume, 0);
    }
    debug_assert!(running.len() == n + plan.n_holds);
    state.taken.fill([0.0; L]);
    state.given.fill([0.0; L]);
    state.run_off.fill([0.0; L]);
}

/// Whether an edge is the last of its pass (the one that ends where the hose ends).
fn is_end(plan: &Plan, edge: &crate::plan::Edge) -> bool {
    edge.given || !matches!(plan.passes[edge.pass].law, Law::Drain { .. } | Law::Pumped { .. })
}

#[inline(always)]
fn shift<const L: usize>(
    state: &mut State<L>,
    running: &mut [Lane<L>],
    from: usize,
    to: usize,
    volume: &Lane<L>,
    floor: Mask,
) {
    let mut share = [0.0; L];
    for l in 0..L {
        let there = running[from][l];
        let s = volume[l] / if there > 1e-15 { there } else { 1e-15 };
        share[l] = if s < 1.0 { s } else { 1.0 };
        running[from][l] = there - volume[l];
    }
    if to != FLOOR {
        for l in 0..L {
            running[to][l] += if has(floor, l) { 0.0 } else { volume[l] };
        }
    }
    for c in 0..N_CONTENTS {
        let source = &mut state.content[from * N_CONTENTS + c];
        let mut part = [0.0; L];
        for l in 0..L {
            part[l] = source[l] * share[l];
            source[l] -= part[l];
        }
        if to == FLOOR || floor != 0 {
            for l in 0..L {
                if to == FLOOR || has(floor, l) {
                    match c {
                        SALT => state.ledger[ledger::SALT_LOST][l] += part[l],
                        HEAT => state.ledger[ledger::HEAT_LOST][l] += part[l],
                        _ => {}
                    }
                } else {
                    state.content[to * N_CONTENTS + c][l] += part[l];
                }
            }
        } else {
            let sink = &mut state.content[to * N_CONTENTS + c];
            for l in 0..L {
                sink[l] += part[l];
            }
        }
    }
}

/// Heat, evaporation, gases, livestock over one slow step of `time` seconds; then temperatures.
#[inline(always)]
pub(crate) fn react<const L: usize>(
    plan: &Plan,
    params: &Params<L>,
    flaws: &Flaws<L>,
    state: &mut State<L>,
    scratch: &mut Exchanges<L>,
    time: f64,
) {
    exchanges(plan, flaws, state, scratch, time);
    for (v, node) in plan.nodes.iter().enumerate() {
        let speed = &scratch.speed[v];
        for l in 0..L {
            let volume = state.volume[v][l];
            if volume < 1e-6 {
                // A film: nothing to heat or evaporate.
                state.gear_heat[v][l] = 0.0;
                continue;
            }
            let t = state.temperature[v][l];
            let depth = state.surface[v][l] - node.floor;
            let room = state.room_temperature[0][l];
            let to_room = (node.wall_per_m * depth + node.bottom) * params.wall_loss[l];
            // ASHRAE's coefficient is linear in the air speed; handbook section 4.
            let k = node.evaporation * params.evaporation[l] * (89.0 + 78.2 * speed[l]);
            let area = state.area[v][l];
            let water = (k * state.vapour_gap[v][l] * area / state.latent[v][l] * time)
                .clamp(-1e-3 * volume, 1e-3 * volume);
            let to_air = k * state.gamma[v][l] * area;
            // Share of the loss at the start's temperature that a decay of x time constants has, (1 - exp(-x))/x, by its Padé form
            // 1/(1 + x/2 + x²/12): right to x³/720, and a film of water on a large floor does not swing about the room's temperature.
            let capacity = FRESH_HEAT * volume + SALT_HEAT * state.content[v * N_CONTENTS + SALT][l];
            let x = (to_room + to_air) * time / capacity;
            let share = 1.0 / (1.0 + x * (0.5 + x * (1.0 / 12.0)));
            let dry = (to_room * (t - room) + to_air * (t - state.air_temperature[v][l])) * share;
            let heat = &mut state.content[v * N_CONTENTS + HEAT][l];
            let with_vapour = water * (FRESH_HEAT * t + state.latent[v][l]);
            // What gear gives in the step decays in the step as well.
            let gain = state.gear_heat[v][l];
            let lost = dry * time + gain * (1.0 - share) + with_vapour;
            *heat += gain - lost;
            state.ledger[ledger::HEAT_FROM_GEAR][l] += gain;
            state.ledger[ledger::HEAT_LOST][l] += lost;
            state.ledger[ledger::EVAPORATED][l] += water;
            state.volume[v][l] -= water;
            state.gear_heat[v][l] = 0.0;
        }
    }
    for (hours, run) in state.run_total.iter_mut().zip(&mut state.run_time) {
        for l in 0..L {
            hours[l] += run[l];
            run[l] = 0.0;
        }
    }
    gases(plan, params, flaws, state, scratch, time);
    let n = plan.nodes.len();
    for v in 0..n {
        let at = v * N_CONTENTS;
        for l in 0..L {
            state.temperature[v][l] =
                temperature(state.volume[v][l], state.content[at + SALT][l], state.content[at + HEAT][l]);
        }
    }
}

/// Exchange flows and air speeds of one slow step.
#[derive(Clone, Debug)]
pub(crate) struct Exchanges<const L: usize> {
    /// m³/s of water brought to equilibrium, by vessel.
    exchange: Vec<Lane<L>>,
    /// m/s over the water, by vessel.
    speed: Vec<Lane<L>>,
    /// Volume moved by falling passes since the last slow step, m³, by vessel.
    pub(crate) fallen: Vec<Lane<L>>,
}

impl<const L: usize> Exchanges<L> {
    pub(crate) fn new(plan: &Plan) -> Self {
        let zeros = vec![[0.0; L]; plan.nodes.len()];
        Exchanges { exchange: zeros.clone(), speed: zeros.clone(), fallen: zeros }
    }

    /// Notes what falls through air before the sums are cleared.
    pub(crate) fn note_falls(&mut self, plan: &Plan, state: &State<L>) {
        self.fallen.fill([0.0; L]);
        for (i, pass) in plan.passes.iter().enumerate() {
            if pass.aeration > 0.0 && pass.to != FLOOR {
                for l in 0..L {
                    self.fallen[pass.to][l] += pass.aeration * state.given[i][l].max(0.0);
                }
            }
        }
    }
}

fn exchanges<const L: usize>(
    plan: &Plan,
    flaws: &Flaws<L>,
    state: &mut State<L>,
    scratch: &mut Exchanges<L>,
    time: f64,
) {
    for (v, node) in plan.nodes.iter().enumerate() {
        for l in 0..L {
            scratch.exchange[v][l] = node.still_exchange + scratch.fallen[v][l] / time;
        }
        scratch.speed[v] = [node.air_speed; L];
    }
    for (a, actuator) in plan.system.actuators.iter().enumerate() {
        let (run, strength) = (&state.run_time[a], &flaws.strength[a]);
        if let Some(v) = actuator.vessel.filter(|_| actuator.exchange > 0.0) {
            let level = actuator.mark.map(|m| plan.nodes[v.idx()].floor + m);
            for l in 0..L {
                let wet = level.is_none_or(|m| state.surface[v.idx()][l] > m);
                scratch.exchange[v.idx()][l] +=
                    if wet { actuator.exchange * strength[l] * run[l] / time } else { 0.0 };
            }
        }
        if let Some(blow) = actuator.blows {
            for l in 0..L {
                scratch.speed[blow.over.idx()][l] += blow.speed * strength[l] * run[l] / time;
            }
        }
        if (0..L).any(|l| flaws.carries[a][l] > 0.0) || actuator.removes > 0.0 {
            carry_off(plan, flaws, state, a, actuator.removes);
        }
    }
}

/// Water that a skimmer carries off with its foam.
fn carry_off<const L: usize>(plan: &Plan, flaws: &Flaws<L>, state: &mut State<L>, a: usize, removes: f64) {
    let Some(v) = plan.system.actuators[a].vessel.map(|v| v.idx()) else { return };
    for l in 0..L {
        let volume = state.volume[v][l];
        let wanted = (removes + flaws.carries[a][l]) * state.run_time[a][l];
        let moved = wanted.min(0.1 * volume);
        if moved <= 0.0 {
            continue;
        }
        let share = moved / volume;
        for c in 0..N_CONTENTS {
            let part = state.content[v * N_CONTENTS + c][l] * share;
            state.content[v * N_CONTENTS + c][l] -= part;
            match c {
                SALT => state.ledger[ledger::SALT_LOST][l] += part,
                HEAT => state.ledger[ledger::HEAT_LOST][l] += part,
                _ => {}
            }
        }
        state.volume[v][l] -= moved;
        if has(flaws.carries_to_floor[a], l) {
            state.spilled[0][l] += moved;
        } else {
            state.ledger[ledger::CARRIED][l] += moved;
        }
    }
}

fn gases<const L: usize>(
    plan: &Plan,
    params: &Params<L>,
    flaws: &Flaws<L>,
    state: &mut State<L>,
    scratch: &Exchanges<L>,
    time: f64,
) {
    let water = &plan.system.water;
    for (v, node) in plan.nodes.iter().enumerate() {
        if !node.alive {
            continue;
        }
        let at = v * N_CONTENTS;
        for l in 0..L {
            let volume = state.volume[v][l];
            if volume < 1e-6 {
                continue;
            }
            let e = scratch.exchange[v][l] * params.gas_exchange[l] * state.exchange_factor[v][l];
            // Implicit in the concentration: stable for any exchange.
            let oxygen = &mut state.content[at + OXYGEN][l];
            let rate = e * time;
            *oxygen = (*oxygen + rate * state.oxygen_saturation[v][l]) / (1.0 + rate / volume);
            state.content[at + CARBON][l] += physics::gas::CO2_AGITATED * rate * state.carbon_gap[v][l];
        }
    }
    if let Some(live) = &plan.system.livestock {
        let v = live.vessel.idx();
        let at = v * N_CONTENTS;
        let coral = live.coral_cm2 * live.coral_umol_cm2_h * 1e-6 / 3600.0;
        let other = (live.fish_kg * live.fish_mg_kg_h + live.other_mg_h) * 1e-3 / O2_G_PER_MOL / 3600.0;
        let critical = (live.critical_mg_l / O2_G_PER_MOL).max(1e-6);
        for l in 0..L {
            let volume = state.volume[v][l];
            if volume < 1e-6 {
                continue;
            }
            let made = coral * live.light_ratio * state.light(plan, flaws, v, l) * time;
            let oxygen = &mut state.content[at + OXYGEN][l];
            // Below the critical level the demand falls in proportion; implicit there, so oxygen stays positive.
            let demand = (coral + other) * params.respiration[l];
            let concentration = *oxygen / volume;
            let before = *oxygen;
            if concentration >= critical {
                *oxygen -= demand * time;
            } else {
                *oxygen /= 1.0 + demand * time / (critical * volume);
            }
            *oxygen += made;
            // One carbon dioxide for one oxygen, either way (respiratory quotient 1).
            state.content[at + CARBON][l] += before - state.content[at + OXYGEN][l];
        }
    }
    if water.consumption_meq_l_day > 0.0 {
        let v = plan.system.livestock.as_ref().map(|x| x.vessel.idx());
        let v = v.or_else(|| {
            plan.system.vessels.iter().position(|x| x.role == system::model::VesselRole::Display)
        });
        if let Some(v) = v {
            // Calcification takes two alkalinity, one carbon and one calcium.
            let wanted = water.consumption_meq_l_day * plan.tank_volume / 86_400.0 * time;
            let at = v * N_CONTENTS;
            for l in 0..L {
                let taken = wanted.min(0.01 * state.content[at + ALKALINITY][l].max(0.0));
                state.content[at + ALKALINITY][l] -= taken;
                state.content[at + CARBON][l] -= 0.5 * taken;
                state.content[at + CALCIUM][l] -= 0.5 * taken;
            }
        }
    }
}

impl<const L: usize> State<L> {
    /// Light on a vessel, 0..1.
    pub(crate) fn light(&self, plan: &Plan, flaws: &Flaws<L>, v: usize, l: usize) -> f64 {
        let mut light: f64 = 0.0;
        for (a, actuator) in plan.system.actuators.iter().enumerate() {
            if actuator.lights.is_some_and(|x| x.idx() == v) {
                light += self.drive[a][l] * flaws.strength[a][l];
            }
        }
        light.min(1.0)
    }
}
