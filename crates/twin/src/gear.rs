//! Electrics of one scan as masks: which supply lives, which contact is closed, what runs.

use crate::flaw::Flaws;
use crate::lanes::{Mask, all, has, put, spread, unpack};
use crate::plan::{Plan, is_contactor};
use crate::state::{Snapshot, State};
use crate::twin::Params;
use system::model::{SensorKind, SupplyKind};

/// What the board asks for: permille for each actuator, and the lanes in which it runs at all.
#[derive(Clone, Copy, Debug)]
pub struct Commands<'a, const L: usize> {
    /// Duty by actuator, permille; ignored for parts that always run.
    pub duty: &'a [[i32; L]],
    /// Lanes in which the program ran this scan.
    pub board: Mask,
    /// The duties are those of the last call: saves comparing them. False is always right.
    pub same: bool,
}

/// Which supplies live, given what contactors did last.
pub(crate) fn supplies<const L: usize>(plan: &Plan, flaws: &Flaws<L>, state: &mut State<L>) {
    for &s in &plan.supply_order {
        let supply = &plan.system.supplies[s];
        // What names no feeder hangs at the wall.
        let mut fed = supply.fed_by.map_or(!flaws.house_out, |up| state.alive[up.idx()]);
        if matches!(supply.kind, SupplyKind::Battery { .. }) {
            for l in 0..L {
                if state.energy[s][l] > 0.0 {
                    put(&mut fed, l, true);
                }
            }
        }
        if let Some(contactor) = supply.through {
            fed &= state.running[contactor.idx()];
        }
        state.alive[s] = fed & !flaws.supply_dead[s] & all::<L>();
    }
}

/// Lanes in which the first board has power and is not dead.
pub(crate) fn board_alive<const L: usize>(plan: &Plan, flaws: &Flaws<L>, state: &State<L>) -> Mask {
    let Some(board) = plan.system.boards.first() else { return 0 };
    board.supply.map_or(!flaws.house_out & all::<L>(), |s| state.alive[s.idx()]) & !flaws.board_dead
}

/// Lanes in which a float wired in series lets current through.
fn lets_through<const L: usize>(plan: &Plan, flaws: &Flaws<L>, state: &State<L>, sensor: usize) -> Mask {
    let SensorKind::Float { closed_above, .. } = plan.system.sensors[sensor].kind else { return all::<L>() };
    let flawed = flaws.flawed[sensor];
    let mut above = state.above[sensor];
    let mut open = 0;
    if flawed != 0 {
        for l in (0..L).filter(|&l| has(flawed, l)) {
            match flaws.reading[sensor][l].0 {
                crate::flaw::Reading::Stuck(up) => put(&mut above, l, up),
                crate::flaw::Reading::WireOpen | crate::flaw::Reading::Silent => put(&mut open, l, true),
                // The board and the series wire see the same contact.
                crate::flaw::Reading::Held | crate::flaw::Reading::Chatter => {
                    put(&mut above, l, (state.code[sensor][l] != 0) == closed_above);
                }
                _ => {}
            }
        }
    }
    (if closed_above { above } else { !above }) & !open & all::<L>()
}

/// What the last evaluation was made from: while none of it changes, neither do contacts and loads.
#[derive(Clone, Debug)]
pub(crate) struct Last<const L: usize> {
    duty: Vec<[i32; L]>,
    board: Mask,
    /// Floats, own thermostats and supplies that loads depend on.
    inputs: Vec<Mask>,
    known: bool,
    /// Some drive is still on its way to its target.
    moving: bool,
    /// Scans since the run times were last added up.
    n_scans: u32,
}

impl<const L: usize> Last<L> {
    pub(crate) fn new(plan: &Plan) -> Self {
        Last {
            duty: vec![[0; L]; plan.system.actuators.len()],
            board: 0,
            inputs: vec![],
            known: false,
            moving: false,
            n_scans: 0,
        }
    }

    /// Something outside commands and levels has changed: evaluate anew.
    pub(crate) fn forget(&mut self) {
        self.known = false;
    }

    /// Adds the scans since the last time to the run times.
    pub(crate) fn flush(&mut self, plan: &Plan, state: &mut State<L>) {
        self.add_up(state);
        let scan_s = plan.scan_s() * 1e-3;
        for (time, permille) in state.run_time.iter_mut().zip(&mut state.run_permille) {
            for l in 0..L {
                time[l] += permille[l] * scan_s;
                permille[l] = 0.0;
            }
        }
        // Batteries, thermostats and marks are followed in the slow step.
        self.known = false;
    }

    /// Puts the scans that are not yet added up into a snapshot of a lane.
    pub(crate) fn add_pending(&self, state: &State<L>, l: usize, snapshot: &mut Snapshot) {
        let n = f64::from(self.n_scans);
        for (sum, drive) in snapshot.run_permille.iter_mut().zip(&state.drive) {
            *sum += libm::rint(drive[l] * 1000.0) * n;
        }
    }

    /// Adds the scans at the present drive to the sums.
    pub(crate) fn add_up(&mut self, state: &mut State<L>) {
        let n = f64::from(self.n_scans);
        self.n_scans = 0;
        for (sum, drive) in state.run_permille.iter_mut().zip(&state.drive) {
            for l in 0..L {
                sum[l] += whole(drive[l] * 1000.0) * n;
            }
        }
    }

    fn is_same(
        &mut self,
        plan: &Plan,
        flaws: &Flaws<L>,
        state: &State<L>,
        commands: &Commands<'_, L>,
    ) -> bool {
        let series = plan.series.iter().map(|&s| lets_through(plan, flaws, state, s));
        let same = self.known
            && !self.moving
            && self.board == commands.board
            && (commands.same || self.duty == commands.duty)
            && series.clone().eq(self.inputs.iter().copied());
        if !same {
            self.board = commands.board;
            self.duty.clone_from_slice(commands.duty);
            self.inputs.clear();
            self.inputs.extend(series);
            self.known = true;
        }
        same
    }
}

/// Nearest whole number of a small positive one: adding and taking 1.5 * 2^52 leaves no fraction.
#[inline(always)]
fn whole(x: f64) -> f64 {
    (x + 6_755_399_441_055_744.0) - 6_755_399_441_055_744.0
}

/// Contacts, loads and their drive for the coming scan; whether they were evaluated anew.
pub(crate) fn step<const L: usize>(
    plan: &Plan,
    flaws: &Flaws<L>,
    state: &mut State<L>,
    last: &mut Last<L>,
    commands: Commands<'_, L>,
) -> bool {
    let again = !last.is_same(plan, flaws, state, &commands);
    if again {
        last.add_up(state);
        last.moving = evaluate(plan, flaws, state, commands);
    }
    last.n_scans += 1;
    again
}

/// Evaluates everything; true while a drive has not reached its target.
fn evaluate<const L: usize>(
    plan: &Plan,
    flaws: &Flaws<L>,
    state: &mut State<L>,
    commands: Commands<'_, L>,
) -> bool {
    let mut moving = false;
    let was_contactor = contactors(plan, state);
    supplies(plan, flaws, state);
    let boards = &plan.system.boards;
    let board = commands.board & board_alive(plan, flaws, state);
    let freezes =
        spread::<L>(boards.first().is_some_and(|b| b.freezes)) | flaws.board_hung | flaws.outputs_frozen;
    for (a, actuator) in plan.system.actuators.iter().enumerate() {
        let rest = spread::<L>(actuator.on_when_dead);
        let contact = if actuator.always {
            all::<L>()
        } else {
            let duty = &commands.duty[a];
            let mut asked = 0;
            for (l, d) in duty.iter().enumerate() {
                asked |= ((*d > 0) as Mask) << l;
            }
            let driver = match actuator.switched_by {
                None => all::<L>(),
                Some(s) => state.alive[s.idx()],
            };
            // A dead bus holds its outputs; a dead card drops its coils.
            let holds = match actuator.switched_by {
                Some(s) if plan.system.supplies[s.idx()].kind == SupplyKind::Bus => !driver,
                _ => 0,
            };
            let fresh = board & !holds & !flaws.outputs_frozen;
            let kept = !fresh & (freezes | holds);
            for l in 0..L {
                if has(fresh, l) {
                    state.duty[a][l] = duty[l];
                }
            }
            let commanded = asked & fresh | state.commanded[a] & kept | rest & !fresh & !kept;
            state.commanded[a] = commanded;
            let energised = (driver | holds) & !flaws.coil_dead[a];
            (commanded & energised | rest & !energised | flaws.welded[a]) & all::<L>()
        };
        let mut on = contact;
        for sensor in &actuator.series {
            on &= lets_through(plan, flaws, state, sensor.idx());
        }
        on &= !flaws.unplugged[a];
        if !is_contactor(actuator.kind) {
            // What names no supply hangs at the wall.
            on &= actuator.supply.map_or(!flaws.house_out, |s| state.alive[s.idx()]);
            let seized = flaws.wont_restart[a] & (state.seized[a] | !on);
            state.seized[a] = seized;
            on &= !seized & !flaws.load_dead[a];
            if actuator.own_thermostat_c.is_some() {
                on &= !(state.dial_open[a] & !flaws.thermostat_welded[a]);
            }
        }
        let was = state.running[a];
        if on != was || actuator.modulated || actuator.delay_s > 0.0 {
            for l in 0..L {
                if has(on & !was, l) {
                    state.starts[a][l] += 1;
                }
            }
            let mut target = unpack::<L>(on);
            if actuator.modulated {
                for l in 0..L {
                    // A welded or resting contact gives full duty.
                    let duty =
                        if has(state.commanded[a] & !flaws.welded[a], l) { state.duty[a][l] } else { 1000 };
                    target[l] *= f64::from(duty.clamp(0, 1000)) * 1e-3;
                }
            }
            let most = if actuator.delay_s > 0.0 { plan.scan_s() / actuator.delay_s } else { f64::INFINITY };
            for l in 0..L {
                let drive = &mut state.drive[a][l];
                let before = *drive;
                *drive += (target[l] - *drive).clamp(-most, most);
                moving |= *drive != target[l];
                if *drive != before && plan.moves_water[a] {
                    put(&mut state.calm[0], l, false);
                    put(&mut state.resting[0], l, false);
                }
            }
            state.running[a] = on;
        }
    }
    // What hangs behind a contactor sees it in the next scan.
    moving | (contactors(plan, state) != was_contactor)
}

/// States of all contactors.
fn contactors<const L: usize>(plan: &Plan, state: &State<L>) -> Vec<Mask> {
    (plan.system.actuators.iter().zip(&state.running))
        .filter(|(actuator, _)| is_contactor(actuator.kind))
        .map(|(_, &running)| running)
        .collect()
}

/// Heat from gear, marks, own thermostats and batteries over one slow step.
pub(crate) fn slow<const L: usize>(
    plan: &Plan,
    params: &Params<L>,
    flaws: &Flaws<L>,
    state: &mut State<L>,
    time: f64,
) {
    // The room's heating stops when the whole house is out, not when one circuit is.
    state.cold_house[0] = flaws.house_out;
    for (a, actuator) in plan.system.actuators.iter().enumerate() {
        let mut bare = 0;
        if let (Some(v), Some(mark)) = (actuator.vessel, actuator.mark) {
            let mark = plan.nodes[v.idx()].floor + mark;
            for l in 0..L {
                bare |= ((state.surface[v.idx()][l] < mark) as Mask) << l;
            }
        }
        state.bare[a] = bare & state.running[a];
        if let Some((v, share)) = actuator.heats {
            let watts = actuator.watts * share;
            for l in 0..L {
                let wet = if has(bare, l) { 0.0 } else { 1.0 };
                state.gear_heat[v.idx()][l] += watts * wet * flaws.strength[a][l] * state.run_time[a][l];
            }
        }
        if let (Some(dial), Some(v)) = (actuator.own_thermostat_c, actuator.vessel) {
            for l in 0..L {
                let t = state.temperature[v.idx()][l];
                // A bimetal opens at the dial and closes half a kelvin below (assumed); in air it opens at once.
                if t > dial || has(bare & state.running[a], l) {
                    put(&mut state.dial_open[a], l, true);
                } else if t < dial - 0.5 && !has(bare, l) {
                    put(&mut state.dial_open[a], l, false);
                }
            }
        }
    }
    for (s, supply) in plan.system.supplies.iter().enumerate() {
        let SupplyKind::Battery { usable_j, .. } = supply.kind else { continue };
        let hangs_behind = |from| plan.system.supply_chain(from).any(|x| x.idx() == s);
        let charging = supply.fed_by.map_or(0, |up| state.alive[up.idx()]) & !flaws.supply_dead[s];
        for l in 0..L {
            let full = usable_j * params.battery[l];
            let energy = &mut state.energy[s][l];
            if has(charging, l) {
                *energy = (*energy + full * time / CHARGE_S).min(full);
                continue;
            }
            let mut watts = 0.0;
            for (a, actuator) in plan.system.actuators.iter().enumerate() {
                if hangs_behind(actuator.supply) {
                    // A normally closed contactor draws while it holds its contact open.
                    let resting = is_contactor(actuator.kind) && actuator.on_when_dead;
                    let drive = state.drive[a][l];
                    watts += actuator.watts * if resting { 1.0 - drive } else { drive };
                }
            }
            for board in &plan.system.boards {
                if hangs_behind(board.supply) {
                    watts += board.watts;
                }
            }
            *energy = (*energy - watts * time).max(0.0);
        }
    }
}

/// An empty battery is full again after so long, s (assumed).
const CHARGE_S: f64 = 12.0 * 3600.0;
