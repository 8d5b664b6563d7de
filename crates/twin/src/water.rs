//! The water of one scan: flows from levels, an implicit level step, volumes moved.
//!
//! Method: linearly implicit Euler over all levels at once. Each pass gives its flow and the derivatives to both levels; the
//! sparse system `(A/dt + J) dz = net inflow` is solved; volumes then move by the linearised flows. So water is conserved to
//! rounding, a steady state is exact (flow in equals the law's flow at the level shown), and a small vessel between two big ones
//! neither rings nor limits the time step.
//!
//! Calm lanes: when a solve finds that no level moves faster than [`CALM_M_S`], the flows of that lane are kept for the
//! following scans, until a pump changes, a flaw strikes, or the next slow step. Which lanes are calm is decided lane by lane, and a
//! calm lane's volumes are summed in the same order whether or not its neighbours are awake.

use crate::flaw::Flaws;
use crate::lanes::{Lane, Mask, all, has, put};
use crate::laws::{AIR_GETS_IN, DRAIN_BACK_S, PassFlow, evaluate};
use crate::plan::{FLOOR, Law, Node, Plan};
use crate::state::State;
use crate::twin::Params;

/// Fastest movement of any level in a calm lane, m/s.
pub(crate) const CALM_M_S: f64 = 8e-6;
/// Largest error of a kept flow that a vessel's own movement makes until the next slow step, m³/s. Without it a vessel whose outflow
/// answers fast (a chamber behind a baffle) would drift away while calm and need several steps to come back.
const CALM_FLOW_M3_S: f64 = 2.5e-6;
/// Fastest change of what a pipe holds in a calm lane, m³/s.
const CALM_HELD_M3_S: f64 = 1e-7;

/// Numbers reused from scan to scan; nothing in here outlives a step but what can be made again from the state.
#[derive(Clone, Debug)]
pub(crate) struct Scratch<const L: usize> {
    matrix: Vec<Lane<L>>,
    right: Vec<Lane<L>>,
    flows: Vec<PassFlow<L>>,
    /// Passes that carry anything this step.
    active: Vec<usize>,
    /// Passes with a kept flow in any lane.
    moving: Vec<usize>,
    /// Those of them that end on the floor in any lane.
    spilling: Vec<usize>,
    /// Change of each vessel's volume in a step by the kept flows, m³.
    net: Vec<Lane<L>>,
    /// Change of all flows of a vessel with its own level, m²/s.
    slope: Vec<Lane<L>>,
    /// What is left in each vessel while its passes are settled, m³.
    left: Vec<Lane<L>>,
    /// Step of each lane, s, and its inverse.
    dt: Lane<L>,
    per_dt: Lane<L>,
    /// By pass: a kept flow may be other than zero in some lane.
    may_flow: Vec<bool>,
    /// `moving` and `net` do not fit the state.
    stale: bool,
}

impl<const L: usize> Scratch<L> {
    pub(crate) fn new(plan: &Plan) -> Self {
        let still = PassFlow { taken: [0.0; L], given: [0.0; L], by_from: [0.0; L], by_to: [0.0; L] };
        Scratch {
            matrix: vec![[0.0; L]; plan.solver.n_entries()],
            right: vec![[0.0; L]; plan.nodes.len()],
            flows: vec![still; plan.passes.len()],
            active: Vec::with_capacity(plan.passes.len()),
            moving: Vec::with_capacity(plan.passes.len()),
            spilling: Vec::with_capacity(plan.passes.len()),
            net: vec![[0.0; L]; plan.nodes.len()],
            slope: vec![[0.0; L]; plan.nodes.len()],
            left: vec![[0.0; L]; plan.nodes.len()],
            dt: [plan.dt; L],
            per_dt: [1.0 / plan.dt; L],
            may_flow: vec![true; plan.passes.len()],
            stale: true,
        }
    }

    /// A lane of the state came from elsewhere: makes again what hangs on its flows.
    pub(crate) fn renew(&mut self, plan: &Plan, flaws: &Flaws<L>, state: &State<L>) {
        self.may_flow.fill(true);
        sum_up(plan, flaws, state, self);
    }
}

/// Surface elevation and open area of a vessel from its volume.
#[inline(always)]
pub(crate) fn level<const L: usize>(
    node: &Node,
    volume: &Lane<L>,
    surface: &mut Lane<L>,
    area: &mut Lane<L>,
) {
    if let [only] = node.segments.as_slice() {
        let inverse = 1.0 / only.area;
        for l in 0..L {
            surface[l] = node.floor + volume[l].max(0.0) * inverse;
            area[l] = only.area;
        }
        return;
    }
    *surface = [node.floor; L];
    *area = [node.segments[0].area; L];
    for s in &node.segments {
        let inverse = 1.0 / s.area;
        for l in 0..L {
            let here = (volume[l] - s.below).max(0.0).min(s.volume);
            surface[l] += here * inverse;
            if volume[l] > s.below {
                area[l] = s.area;
            }
        }
    }
}

/// One scan of water. With `levels` false the surfaces may be left as they are while all lanes are calm: nobody looks at them.
#[inline(always)]
pub(crate) fn step<const L: usize>(
    plan: &Plan,
    params: &Params<L>,
    flaws: &Flaws<L>,
    state: &mut State<L>,
    scratch: &mut Scratch<L>,
    levels: bool,
) {
    for _ in 0..plan.substeps {
        substep(plan, params, flaws, state, scratch, levels);
    }
}

#[inline(always)]
fn substep<const L: usize>(
    plan: &Plan,
    params: &Params<L>,
    flaws: &Flaws<L>,
    state: &mut State<L>,
    scratch: &mut Scratch<L>,
    levels: bool,
) {
    let awake = !state.calm[0] & all::<L>();
    if awake != 0 {
        // Who has just woken still owes the steps that it slept through.
        if settle_up(plan, flaws, state, scratch, awake) {
            surfaces(plan, state, scratch);
        }
        solve(plan, params, flaws, state, scratch, awake);
        scratch.stale = true;
    }
    if scratch.stale {
        sum_up(plan, flaws, state, scratch);
        if awake != 0 {
            rest(plan, state, scratch, awake);
        }
    }
    for owed in &mut state.owed[0] {
        *owed += 1.0;
    }
    for &i in &scratch.spilling {
        spill(plan, flaws, state, i);
    }
    if awake != 0 {
        settle_up(plan, flaws, state, scratch, awake);
    }
    if awake != 0 || levels {
        surfaces(plan, state, scratch);
    }
}

/// Surfaces and areas of all vessels from their volumes as they are now.
#[inline(always)]
pub(crate) fn surfaces<const L: usize>(plan: &Plan, state: &mut State<L>, scratch: &Scratch<L>) {
    for (v, node) in plan.nodes.iter().enumerate() {
        let now = volume_now(state, scratch, v);
        level(node, &now, &mut state.surface[v], &mut state.area[v]);
    }
}

/// Volume of a vessel with the steps that calm lanes owe, m³.
#[inline(always)]
pub(crate) fn volume_now<const L: usize>(state: &State<L>, scratch: &Scratch<L>, v: usize) -> Lane<L> {
    let (volume, net, owed) = (&state.volume[v], &scratch.net[v], &state.owed[0]);
    let mut now = [0.0; L];
    for l in 0..L {
        now[l] = volume[l] + net[l] * owed[l];
    }
    now
}

/// Water in a pipe with the steps that calm lanes owe, m³.
pub(crate) fn held_now<const L: usize>(plan: &Plan, state: &State<L>, hold: usize, l: usize) -> f64 {
    let flow = plan.passes.iter().position(|pass| match pass.law {
        Law::Drain { hold: h, .. } | Law::Pumped { hold: h, .. } => h == hold,
        _ => false,
    });
    let net = flow.map_or(0.0, |i| state.flow_taken[i][l] - state.flow_given[i][l]);
    state.held[hold][l] + net * state.owed[0][l]
}

/// Adds the steps that some lanes owe to volumes and sums; whether there were any.
#[inline(always)]
pub(crate) fn settle_up<const L: usize>(
    plan: &Plan,
    flaws: &Flaws<L>,
    state: &mut State<L>,
    scratch: &mut Scratch<L>,
    lanes: Mask,
) -> bool {
    let mut steps = state.owed[0];
    let mut any = false;
    for l in 0..L {
        steps[l] = if has(lanes, l) { steps[l] } else { 0.0 };
        any |= steps[l] != 0.0;
    }
    if !any {
        return false;
    }
    if scratch.stale {
        sum_up(plan, flaws, state, scratch);
    }
    for (volume, net) in state.volume.iter_mut().zip(&scratch.net) {
        for l in 0..L {
            volume[l] += net[l] * steps[l];
        }
    }
    for &i in &scratch.moving {
        let (taken, given) = (&state.flow_taken[i], &state.flow_given[i]);
        let (sum_taken, sum_given) = (&mut state.taken[i], &mut state.given[i]);
        for l in 0..L {
            sum_taken[l] += taken[l] * steps[l];
            sum_given[l] += given[l] * steps[l];
        }
        if let Law::Drain { hold, .. } | Law::Pumped { hold, .. } = plan.passes[i].law {
            let held = &mut state.held[hold];
            for l in 0..L {
                held[l] += (taken[l] - given[l]) * steps[l];
            }
        }
        if plan.passes[i].to != FLOOR && flaws.to_floor[i] != 0 {
            for l in (0..L).filter(|&l| has(flaws.to_floor[i], l)) {
                // Water that runs back through a hose that is off its pump goes to the floor, not into the pump's vessel.
                let back = (-state.flow_taken[i][l]).max(0.0) * steps[l];
                state.run_off[i][l] += back;
                state.taken[i][l] += back;
            }
        }
    }
    let owed = &mut state.owed[0];
    for l in 0..L {
        owed[l] = if has(lanes, l) { 0.0 } else { owed[l] };
    }
    true
}

/// What one pass puts on bund and floor in a step.
fn spill<const L: usize>(plan: &Plan, flaws: &Flaws<L>, state: &mut State<L>, i: usize) {
    let to_floor = plan.passes[i].to == FLOOR;
    let floor = if to_floor { all::<L>() } else { flaws.to_floor[i] };
    for l in (0..L).filter(|&l| has(floor, l)) {
        let back = if to_floor { 0.0 } else { (-state.flow_taken[i][l]).max(0.0) };
        state.spilled[0][l] += state.flow_given[i][l].max(0.0) + back;
    }
}

/// Flows of all lanes by an implicit step; kept for the lanes that are awake.
#[inline(always)]
fn solve<const L: usize>(
    plan: &Plan,
    params: &Params<L>,
    flaws: &Flaws<L>,
    state: &mut State<L>,
    scratch: &mut Scratch<L>,
    awake: Mask,
) {
    let dt = plan.dt;
    // A lane that was calm until this slow step is solved for the whole time until the next: backward Euler has no limit of step, and
    // the flows then fit the levels that they lead to.
    let resting = state.resting[0];
    let longest = plan.slow_every as f64 * f64::from(plan.substeps) * dt;
    for l in 0..L {
        scratch.dt[l] = if has(resting, l) { longest } else { dt };
        scratch.per_dt[l] = 1.0 / scratch.dt[l];
    }
    state.resting[0] = 0;
    scratch.active.clear();
    for i in 0..plan.passes.len() {
        if evaluate(plan, params, flaws, state, i, &scratch.dt, &mut scratch.flows[i]) {
            scratch.active.push(i);
            scratch.may_flow[i] = true;
        } else {
            let (taken, given) = (&mut state.flow_taken[i], &mut state.flow_given[i]);
            for l in 0..L {
                if has(awake, l) {
                    (taken[l], given[l]) = (0.0, 0.0);
                }
            }
        }
    }
    scratch.matrix.fill([0.0; L]);
    scratch.right.fill([0.0; L]);
    for &i in &scratch.active {
        let pass = &plan.passes[i];
        let flow = &scratch.flows[i];
        let right = &mut scratch.right[pass.from];
        let entry = &mut scratch.matrix[pass.entries[0]];
        for l in 0..L {
            right[l] -= flow.taken[l];
            entry[l] += flow.by_from[l];
        }
        if pass.to == FLOOR {
            continue;
        }
        let right = &mut scratch.right[pass.to];
        for l in 0..L {
            right[l] += flow.given[l];
        }
        let entry = &mut scratch.matrix[pass.entries[1]];
        for l in 0..L {
            entry[l] += flow.by_to[l];
        }
        let entry = &mut scratch.matrix[pass.entries[2]];
        for l in 0..L {
            entry[l] -= flow.by_from[l];
        }
        let entry = &mut scratch.matrix[pass.entries[3]];
        for l in 0..L {
            entry[l] -= flow.by_to[l];
        }
    }
    for v in 0..plan.nodes.len() {
        let Some(at) = plan.solver.entry(v, v) else { continue };
        let (entry, area) = (&mut scratch.matrix[at], &state.area[v]);
        scratch.slope[v] = *entry;
        for l in 0..L {
            entry[l] += area[l] * scratch.per_dt[l];
        }
    }
    plan.solver.solve(&mut scratch.matrix, &mut scratch.right);
    scratch.left.clone_from(&state.volume);
    for at in 0..scratch.active.len() {
        let i = scratch.active[at];
        let (taken, given) = settle(plan, flaws, state, scratch, i, awake);
        // Several ways out of one vessel share what is in it, in the order of the passes.
        let (left, floor) = (&mut scratch.left[plan.passes[i].from], flaws.to_floor[i]);
        for l in 0..L {
            left[l] -= if has(floor, l) { taken[l].max(0.0) } else { taken[l] } * scratch.dt[l];
        }
        if plan.passes[i].to != FLOOR {
            let left = &mut scratch.left[plan.passes[i].to];
            for l in 0..L {
                left[l] += if has(floor, l) { given[l].min(0.0) } else { given[l] } * scratch.dt[l];
            }
        }
        let (kept_taken, kept_given) = (&mut state.flow_taken[i], &mut state.flow_given[i]);
        for l in 0..L {
            if has(awake, l) {
                (kept_taken[l], kept_given[l]) = (taken[l] * dt, given[l] * dt);
            }
        }
    }
}

/// What the kept flows do to each vessel, in the order of the passes.
fn sum_up<const L: usize>(plan: &Plan, flaws: &Flaws<L>, state: &State<L>, scratch: &mut Scratch<L>) {
    scratch.stale = false;
    scratch.moving.clear();
    scratch.spilling.clear();
    scratch.net.fill([0.0; L]);
    for (i, pass) in plan.passes.iter().enumerate() {
        // Most passes of a system (rims, leaks) never carry a drop.
        if !scratch.may_flow[i] {
            continue;
        }
        let (taken, given) = (&state.flow_taken[i], &state.flow_given[i]);
        scratch.may_flow[i] = *taken != [0.0; L] || *given != [0.0; L];
        if !scratch.may_flow[i] {
            continue;
        }
        scratch.moving.push(i);
        let floor = if pass.to == FLOOR { all::<L>() } else { flaws.to_floor[i] };
        if floor != 0 {
            scratch.spilling.push(i);
        }
        let net = &mut scratch.net[pass.from];
        for l in 0..L {
            net[l] -= if has(floor, l) && pass.to != FLOOR { taken[l].max(0.0) } else { taken[l] };
        }
        if pass.to != FLOOR {
            let net = &mut scratch.net[pass.to];
            for l in 0..L {
                net[l] += if has(floor, l) { given[l].min(0.0) } else { given[l] };
            }
        }
    }
}

/// Decides which lanes are calm.
#[inline(always)]
fn rest<const L: usize>(plan: &Plan, state: &mut State<L>, scratch: &Scratch<L>, awake: Mask) {
    let mut restless: Mask = 0;
    // A lane stays calm until the next slow step at the latest; nothing may run dry in that time.
    let most_steps = plan.slow_every as f64 * f64::from(plan.substeps);
    let (calm_m, calm_held) = (CALM_M_S * plan.dt, CALM_HELD_M3_S * plan.dt);
    for v in 0..plan.nodes.len() {
        let (net, area, volume) = (&scratch.net[v], &state.area[v], &state.volume[v]);
        let slope = &scratch.slope[v];
        for l in 0..L {
            let moved = net[l].abs();
            let dry = volume[l] + most_steps * net[l] < 0.0;
            let drifts = moved * most_steps * slope[l] > CALM_FLOW_M3_S * area[l];
            restless |= ((dry || drifts || moved > calm_m * area[l]) as Mask) << l;
        }
    }
    for &i in &scratch.moving {
        let pass = &plan.passes[i];
        if let Law::Drain { hold, .. } | Law::Pumped { hold, .. } = pass.law {
            let held = &state.held[hold];
            let (taken, given) = (&state.flow_taken[i], &state.flow_given[i]);
            for l in 0..L {
                let net = taken[l] - given[l];
                let dry = held[l] + most_steps * net < 0.0;
                restless |= ((dry || net.abs() > calm_held) as Mask) << l;
            }
        }
    }
    // Only who was awake is asked: a calm lane stays so however often its neighbours are looked at.
    state.calm[0] |= !restless & awake;
}

/// Flows of one pass after the levels' step, m³/s, within what can flow; priming of its pipe for the lanes that are awake.
#[inline(always)]
fn settle<const L: usize>(
    plan: &Plan,
    flaws: &Flaws<L>,
    state: &mut State<L>,
    scratch: &Scratch<L>,
    i: usize,
    awake: Mask,
) -> (Lane<L>, Lane<L>) {
    let dt = &scratch.dt;
    let pass = &plan.passes[i];
    let flow = &scratch.flows[i];
    let rise_from = &scratch.right[pass.from];
    let (mut taken, mut given) = (flow.taken, flow.given);
    let mut change = [0.0; L];
    if pass.to == FLOOR {
        for l in 0..L {
            change[l] = flow.by_from[l] * rise_from[l];
        }
    } else {
        let rise_to = &scratch.right[pass.to];
        for l in 0..L {
            change[l] = flow.by_from[l] * rise_from[l] + flow.by_to[l] * rise_to[l];
        }
    }
    let most_taken = &scratch.left[pass.from];
    let most_given = if pass.to == FLOOR { &[0.0; L] } else { &scratch.left[pass.to] };
    match &pass.law {
        Law::Drain { hold, residence, .. } => {
            let held = &state.held[*hold];
            for l in 0..L {
                taken[l] = (taken[l] + change[l]).max(0.0).min(most_taken[l].max(0.0) / dt[l]);
                given[l] = (held[l] + taken[l] * dt[l]) / (dt[l] + residence);
            }
        }
        Law::Pumped { pump, hold, hold_volume, primed, break_at, outlet, .. } => {
            let held = &state.held[*hold];
            let is_primed: &mut Mask = &mut state.primed[*primed];
            for l in 0..L {
                if state.drive[*pump][l] > 0.0 {
                    taken[l] = (taken[l] + change[l]).max(0.0).min(most_taken[l].max(0.0) / dt[l]);
                    given[l] = (taken[l] - (hold_volume - held[l]) / dt[l]).max(0.0);
                    if given[l] > 0.0 && has(awake, l) {
                        put(is_primed, l, true);
                    }
                    continue;
                }
                // Back flow is negative; it ends when the water has come down to where air gets in.
                let limit = if has(flaws.hole_shut[i], l) { *outlet } else { break_at.max(*outlet) };
                let over = (state.surface[pass.to][l] - limit).max(0.0) * state.area[pass.to][l];
                let most = over.min(most_given[l].max(0.0)) / dt[l];
                given[l] = (given[l] + if given[l] < 0.0 { change[l] } else { 0.0 }).clamp(-most, 0.0);
                let drains = flow.taken[l] < flow.given[l];
                taken[l] = given[l] - if drains { (held[l] / (dt[l] + DRAIN_BACK_S)).max(0.0) } else { 0.0 };
                if state.surface[pass.to][l] <= limit + AIR_GETS_IN && has(awake, l) {
                    put(is_primed, l, false);
                }
            }
        }
        Law::Line { pump, occludes, primed, outlet, intake, .. } => {
            let is_primed = &mut state.primed[*primed];
            for l in 0..L {
                taken[l] += change[l];
                if state.drive[*pump][l] > 0.0 {
                    taken[l] = taken[l].max(0.0).min(most_taken[l].max(0.0) / dt[l]);
                    if has(awake, l) {
                        put(is_primed, l, !*occludes && taken[l] > 0.0);
                    }
                } else if has(*is_primed, l) {
                    let moved = if has(flaws.moved_outlet[i], l) { flaws.outlet[i][l] } else { None };
                    let end = moved.unwrap_or(*outlet);
                    let on_floor = has(flaws.to_floor[i], l);
                    let (source, sink) = (state.surface[pass.from][l], state.surface[pass.to][l]);
                    let forward = source > *intake && (on_floor || source > sink.max(end));
                    let backward = !on_floor && sink > end && sink > source.max(*intake);
                    if has(awake, l) {
                        put(is_primed, l, forward || backward);
                    }
                    let most = most_taken[l].max(0.0) / dt[l];
                    let least = -most_given[l].max(0.0) / dt[l];
                    taken[l] = taken[l].min(most).max(least);
                } else {
                    taken[l] = 0.0;
                }
            }
            given = taken;
        }
        Law::Siphon { primed, inlet, outlet, .. } => {
            for l in 0..L {
                let least = -most_given[l].max(0.0) / dt[l];
                taken[l] = (taken[l] + change[l]).min(most_taken[l].max(0.0) / dt[l]).max(least);
                let (up, down) = (state.surface[pass.from][l], state.surface[pass.to][l]);
                // It stays full while one end is under water and the other no higher than that water.
                let reach = inlet.max(*outlet);
                let full = up > reach || down > reach || (up > *inlet && down > *outlet);
                if !full && has(awake, l) {
                    put(&mut state.primed[*primed], l, false);
                }
            }
            given = taken;
        }
        Law::Weir { .. } | Law::Rim { .. } | Law::Leak => {
            for l in 0..L {
                let x = taken[l] + change[l];
                // The linearised flow must not turn round: over a crest water runs from the higher side.
                taken[l] = if taken[l] >= 0.0 {
                    x.max(0.0).min(most_taken[l].max(0.0) / dt[l])
                } else {
                    x.min(0.0).max(-most_given[l].max(0.0) / dt[l])
                };
            }
            given = taken;
        }
        Law::Hole { .. } | Law::Sock { .. } => {
            for l in 0..L {
                let least = -most_given[l].max(0.0) / dt[l];
                taken[l] = (taken[l] + change[l]).min(most_taken[l].max(0.0) / dt[l]).max(least);
            }
            given = taken;
        }
    }
    (taken, given)
}
