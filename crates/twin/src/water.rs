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

use physics::fast;

use crate::flaw::Flaws;
use crate::lanes::{Lane, Mask, all, has, put};
use crate::plan::{FLOOR, INTAKE_RAMP, Law, Node, Plan};
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
    /// `moving` and `net` do not fit the state.
    stale: bool,
}

/// Flow of a pass and its derivatives to the elevations of both surfaces.
#[derive(Clone, Copy, Debug)]
struct PassFlow<const L: usize> {
    taken: Lane<L>,
    given: Lane<L>,
    by_from: Lane<L>,
    by_to: Lane<L>,
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
            stale: true,
        }
    }

    /// A lane of the state came from elsewhere: makes again what hangs on its flows.
    pub(crate) fn renew(&mut self, plan: &Plan, flaws: &Flaws<L>, state: &State<L>) {
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

#[inline(always)]
fn ramp(depth: f64) -> (f64, f64) {
    let x = depth * (1.0 / INTAKE_RAMP);
    if x >= 1.0 {
        (1.0, 0.0)
    } else if x > 0.0 {
        (x, 1.0 / INTAKE_RAMP)
    } else {
        (0.0, 0.0)
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
        let (taken, given) = (&state.flow_taken[i], &state.flow_given[i]);
        if *taken == [0.0; L] && *given == [0.0; L] {
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

/// Flow and derivatives of one pass; false when nothing moves in any lane.
#[allow(clippy::too_many_arguments)]
#[inline(always)]
fn evaluate<const L: usize>(
    plan: &Plan,
    params: &Params<L>,
    flaws: &Flaws<L>,
    state: &State<L>,
    i: usize,
    dt: &Lane<L>,
    out: &mut PassFlow<L>,
) -> bool {
    let pass = &plan.passes[i];
    let up = &state.surface[pass.from];
    let down = if pass.to == FLOOR { &[f64::NEG_INFINITY; L] } else { &state.surface[pass.to] };
    let open = &flaws.open[i];
    match &pass.law {
        Law::Weir { conductance, crest } => {
            weir(*conductance, *crest, up, down, open, &params.weir, out);
            true
        }
        Law::Rim { conductance, crest } => {
            let over = (0..L).any(|l| up[l] > *crest || down[l] > *crest);
            if over {
                weir(*conductance, *crest, up, down, open, &[1.0; L], out);
            }
            over
        }
        Law::Leak => {
            let leaks = flaws.leaks[pass.from];
            if !flaws.any_leak || leaks == 0 {
                return false;
            }
            for l in 0..L {
                let (height, conductance) = flaws.leak[pass.from][l];
                let depth = if has(leaks, l) { (up[l] - height).max(0.0) } else { 0.0 };
                let answer = fast::orifice(conductance, depth, fast::ORIFICE_SMOOTHING);
                out.taken[l] = answer.flow;
                out.by_from[l] = if depth > 0.0 { answer.slope } else { 0.0 };
            }
            (out.given, out.by_to) = (out.taken, [0.0; L]);
            true
        }
        Law::Hole { conductance, centre } => {
            for l in 0..L {
                let (a, b) = (up[l] - centre, down[l] - centre);
                let e = fast::hole(conductance * open[l], a, b, fast::ORIFICE_SMOOTHING);
                let e = steady(e, a.max(0.0) - b.max(0.0));
                (out.taken[l], out.by_from[l], out.by_to[l]) = (e.flow, e.by_first, e.by_second);
            }
            out.given = out.taken;
            true
        }
        Law::Drain { drain, inlet, outlet, hold, residence } => {
            // Arrays of their own, no call, no branch: this is the dearest law of a running system and must become vector code.
            let (drain, inlet, outlet) = (*drain, *inlet, *outlet);
            let (up, down, open, held) = (*up, *down, *open, state.held[*hold]);
            let (mut taken, mut given) = ([0.0; L], [0.0; L]);
            let (mut by_from, mut by_to) = ([0.0; L], [0.0; L]);
            for l in 0..L {
                let lower = if down[l] > outlet { down[l] } else { outlet };
                let e = drain.flow(up[l] - inlet, inlet - lower);
                taken[l] = e.flow * open[l];
                by_from[l] = e.by_first * open[l];
                let backed = e.by_second * open[l];
                by_to[l] = if down[l] > outlet { backed } else { 0.0 };
                // What the pipe will give follows from what it holds; see `settle`.
                given[l] = (held[l] + taken[l] * dt[l]) / (dt[l] + residence);
            }
            *out = PassFlow { taken, given, by_from, by_to };
            true
        }
        Law::Sock { clean, rim, edge, half_life } => {
            let age = state.scan as f64 * plan.scan_s();
            let clog = if half_life.is_finite() { half_life / (half_life + age) } else { 1.0 };
            for l in 0..L {
                let through = clean * clog * open[l];
                let over = steady(fast::submerged_weir(*edge, up[l] - rim, down[l] - rim), up[l] - down[l]);
                out.taken[l] = through * (up[l] - down[l]) + over.flow;
                out.by_from[l] = through + over.by_first;
                out.by_to[l] = -through + over.by_second;
            }
            out.given = out.taken;
            true
        }
        Law::Pumped { .. } => pumped(plan, params, flaws, state, i, dt, up, down, out),
        Law::Line { .. } => line(plan, flaws, state, i, up, down, out),
        Law::Siphon { resistance, inlet, outlet, primed } => {
            let primed = state.primed[*primed];
            for l in 0..L {
                // An end in the air discharges freely: the head is to the end, not to the water below it.
                let head = up[l].max(*inlet) - down[l].max(*outlet);
                let runs = has(primed, l) && if head > 0.0 { up[l] > *inlet } else { down[l] > *outlet };
                let answer = resistance.flow(if runs { head } else { 0.0 });
                let e = fast::Exchange {
                    flow: answer.flow * open[l],
                    by_first: if runs && up[l] > *inlet { answer.slope * open[l] } else { 0.0 },
                    by_second: if runs && down[l] > *outlet { -answer.slope * open[l] } else { 0.0 },
                };
                (out.taken[l], out.by_from[l], out.by_to[l]) = (e.flow, e.by_first, e.by_second);
            }
            out.given = out.taken;
            primed != 0
        }
    }
}

/// Slopes no flatter than the chord to "no difference, no flow".
///
/// A flow that grows with the root of a difference is concave: a step along its tangent overshoots the levels' meeting point and
/// rings for ever; along the chord it lands there. A steady state is the same with either.
#[inline(always)]
fn steady(e: fast::Exchange, difference: f64) -> fast::Exchange {
    if difference.abs() < 1e-12 {
        return e;
    }
    let chord = e.flow / difference;
    fast::Exchange {
        flow: e.flow,
        by_first: if e.by_first > 0.0 { e.by_first.max(chord) } else { 0.0 },
        by_second: if e.by_second < 0.0 { e.by_second.min(-chord) } else { 0.0 },
    }
}

#[inline(always)]
fn weir<const L: usize>(
    conductance: f64,
    crest: f64,
    up: &Lane<L>,
    down: &Lane<L>,
    open: &Lane<L>,
    factor: &Lane<L>,
    out: &mut PassFlow<L>,
) {
    // The free law is far cheaper, and normal; the choice is made lane by lane so that no lane sees its neighbours.
    let (mut taken, mut by_from) = ([0.0; L], [0.0; L]);
    for l in 0..L {
        let answer = fast::weir(conductance * open[l] * factor[l], up[l] - crest);
        taken[l] = answer.flow;
        by_from[l] = answer.slope;
    }
    *out = PassFlow { taken, given: taken, by_from, by_to: [0.0; L] };
    if down.iter().any(|z| *z > crest) {
        for l in 0..L {
            if down[l] > crest {
                let k = conductance * open[l] * factor[l];
                let e = steady(fast::submerged_weir(k, up[l] - crest, down[l] - crest), up[l] - down[l]);
                (out.taken[l], out.by_from[l], out.by_to[l]) = (e.flow, e.by_first, e.by_second);
            }
        }
        out.given = out.taken;
    }
}

#[allow(clippy::too_many_arguments)]
#[inline(always)]
fn pumped<const L: usize>(
    plan: &Plan,
    params: &Params<L>,
    flaws: &Flaws<L>,
    state: &State<L>,
    i: usize,
    dt: &Lane<L>,
    up: &Lane<L>,
    down: &Lane<L>,
    out: &mut PassFlow<L>,
) -> bool {
    let Law::Pumped {
        pump,
        boost,
        with_pump,
        intake,
        outlet,
        break_at,
        check_valve,
        hold,
        hold_volume,
        primed,
        ..
    } = &plan.passes[i].law
    else {
        return false;
    };
    let drive = &state.drive[*pump];
    let held = &state.held[*hold];
    let (primed, floor) = (state.primed[*primed], flaws.to_floor[i]);
    let mut moves = false;
    for l in 0..L {
        let n = drive[l];
        let off_pump = has(floor, l);
        let submerged = down[l] > *outlet && !off_pump;
        let end = if off_pump { up[l] } else { down[l].max(*outlet) };
        if n > 0.0 {
            let answer = with_pump.flow(boost * n * n - (end - up[l]));
            let share = params.pump[l] * flaws.open[i][l] * flaws.strength[*pump][l];
            let (wet, wet_slope) = ramp(up[l] - intake);
            let full = answer.flow.max(0.0) * share;
            let slope = if answer.flow > 0.0 && !off_pump { answer.slope * share * wet } else { 0.0 };
            out.taken[l] = full * wet;
            out.by_from[l] = slope + full * wet_slope;
            out.by_to[l] = if submerged { -slope } else { 0.0 };
            // The pipe fills before anything comes out.
            let room = hold_volume - held[l];
            out.given[l] = (out.taken[l] - room / dt[l]).max(0.0);
            moves = true;
        } else {
            let shut = *check_valve && !has(flaws.check_leaks[i], l);
            let limit = if has(flaws.hole_shut[i], l) { *outlet } else { break_at.max(*outlet) };
            let back = down[l] - up[l];
            let runs = has(primed, l) && !shut && down[l] > limit && back > 0.0;
            let answer = with_pump.flow(if runs { -back } else { 0.0 });
            let slope = if runs { answer.slope } else { 0.0 };
            // Lane by lane: what one lane leaves standing must not depend on whether another lane's water moves.
            let wet = held[l] > FILM;
            let drains = if !runs && !shut && wet { held[l] / (dt[l] + DRAIN_BACK_S) } else { 0.0 };
            out.given[l] = answer.flow;
            out.taken[l] = answer.flow - drains;
            (out.by_from[l], out.by_to[l]) = if off_pump { (0.0, -slope) } else { (slope, -slope) };
            moves |= runs || drains > 0.0 || has(primed, l);
        }
    }
    moves
}

/// Time in which a pipe empties through its stopped pump once air is in it, s (assumed; it only shapes the last second).
const DRAIN_BACK_S: f64 = 2.0;
/// Water over a hole that no longer keeps the air out, m (assumed: a film).
const AIR_GETS_IN: f64 = 1e-6;
/// Water that stays in a drained pipe, m³: a microlitre.
const FILM: f64 = 1e-9;

#[inline(always)]
fn line<const L: usize>(
    plan: &Plan,
    flaws: &Flaws<L>,
    state: &State<L>,
    i: usize,
    up: &Lane<L>,
    down: &Lane<L>,
    out: &mut PassFlow<L>,
) -> bool {
    let Law::Line { pump, flow, intake, outlet, occludes, resistance, primed } = &plan.passes[i].law else {
        return false;
    };
    let drive = &state.drive[*pump];
    let mut moves = false;
    let sunk = flaws.moved_outlet[i];
    if drive.iter().all(|d| *d <= 0.0) && (*occludes || state.primed[*primed] == 0) {
        return false;
    }
    for l in 0..L {
        let end = if has(sunk, l) { flaws.outlet[i][l].unwrap_or(*outlet) } else { *outlet };
        let (wet, wet_slope) = ramp(up[l] - intake);
        if drive[l] > 0.0 {
            let full = flow * drive[l] * flaws.strength[*pump][l] * flaws.open[i][l];
            out.taken[l] = full * wet;
            out.by_from[l] = full * wet_slope;
            out.by_to[l] = 0.0;
            moves = true;
        } else if *occludes || !has(state.primed[*primed], l) {
            (out.taken[l], out.by_from[l], out.by_to[l]) = (0.0, 0.0, 0.0);
        } else {
            let on_floor = has(flaws.to_floor[i], l);
            let lower = if on_floor { f64::NEG_INFINITY } else { down[l] };
            let drowned = lower > end;
            let fall = up[l] - if on_floor { 0.0 } else { lower.max(end) };
            // Backward it runs out of the intake, which may hang in the air.
            let head = if fall > 0.0 { fall } else { (up[l].max(*intake) - lower).min(0.0) };
            let runs = if head > 0.0 { up[l] > *intake } else { drowned };
            let answer = resistance.flow(if runs { head } else { 0.0 });
            let share = if head > 0.0 { wet } else { 1.0 } * flaws.open[i][l];
            let slope = if runs { answer.slope * share } else { 0.0 };
            out.taken[l] = answer.flow * share;
            out.by_from[l] = if up[l] > *intake { slope } else { 0.0 }
                + if runs && head > 0.0 { answer.flow * wet_slope } else { 0.0 };
            out.by_to[l] = if drowned { -slope } else { 0.0 };
            // A full line is looked at in any case, so that it can lose its water.
            moves = true;
        }
    }
    out.given = out.taken;
    moves
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
