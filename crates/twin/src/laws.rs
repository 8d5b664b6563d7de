//! The law of each pass: its flow at the surfaces as they are, with the derivatives to both.
//!
//! Lanes that differ in kind (free or drowned, running or stopped) take their own law; no lane sees its neighbours.

use physics::fast;

use crate::flaw::Flaws;
use crate::lanes::{Lane, has};
use crate::plan::{FLOOR, INTAKE_RAMP, Law, Plan};
use crate::state::State;
use crate::twin::Params;

/// Flow of a pass and its derivatives to the elevations of both surfaces.
#[derive(Clone, Copy, Debug)]
pub(crate) struct PassFlow<const L: usize> {
    pub taken: Lane<L>,
    pub given: Lane<L>,
    pub by_from: Lane<L>,
    pub by_to: Lane<L>,
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

/// Flow and derivatives of one pass; false when nothing moves in any lane.
#[allow(clippy::too_many_arguments)]
#[inline(always)]
pub(crate) fn evaluate<const L: usize>(
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
pub(crate) const DRAIN_BACK_S: f64 = 2.0;
/// Water over a hole that no longer keeps the air out, m (assumed: a film).
pub(crate) const AIR_GETS_IN: f64 = 1e-6;
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
