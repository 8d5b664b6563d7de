//! The twin: several runs of one system side by side, advanced scan by scan.

use seawater::carbonate::{BoronRatio, Constants, Known};
use system::model::{Contents, Corner, Factors, SupplyKind, TruthKind};

use crate::flaw::{Flaw, Flaws};
use crate::gear::{self, Commands};
use crate::lanes::{Lane, Mask, all, has, put, spread};
use crate::plan::{Law, Plan};
use crate::rates;
use crate::sense;
use crate::state::{ALKALINITY, CALCIUM, CARBON, HEAT, N_CONTENTS, OXYGEN, SALT, Snapshot, State, ledger};
use crate::transport::{self, Exchanges, FRESH_HEAT, SALT_HEAT};
use crate::water::{self, Scratch};

/// Uncertain parameters of each lane.
#[derive(Clone, Debug)]
pub(crate) struct Params<const L: usize> {
    pub climate: [usize; L],
    pub evaporation: Lane<L>,
    pub weir: Lane<L>,
    pub gas_exchange: Lane<L>,
    pub respiration: Lane<L>,
    pub wall_loss: Lane<L>,
    pub pump: Lane<L>,
    pub battery: Lane<L>,
    pub reservoir: [Option<f64>; L],
}

impl<const L: usize> Params<L> {
    fn of(fitted: &Factors, corners: &[Option<&Corner>; L]) -> Self {
        let from = |nominal: f64, f: fn(&Corner) -> f64| {
            let mut out = [nominal; L];
            for (x, corner) in out.iter_mut().zip(corners) {
                *x *= corner.map_or(1.0, f);
            }
            out
        };
        let each = |f: fn(&Corner) -> f64| from(1.0, f);
        let mut climate = [0; L];
        let mut reservoir = [None; L];
        for l in 0..L {
            climate[l] = corners[l].and_then(|c| c.climate).map_or(0, |c| c.idx());
            reservoir[l] = corners[l].and_then(|c| c.reservoir);
        }
        Params {
            climate,
            evaporation: from(fitted.evaporation, |c| c.evaporation),
            weir: each(|c| c.weir),
            gas_exchange: from(fitted.gas_exchange, |c| c.gas_exchange),
            respiration: from(fitted.respiration, |c| c.respiration),
            wall_loss: from(fitted.wall_loss, |c| c.wall_loss),
            pump: each(|c| c.pump),
            battery: each(|c| c.battery),
            reservoir,
        }
    }
}

/// What is needed to start.
#[derive(Clone, Copy, Debug)]
pub struct Start {
    /// UTC at scan 0, s since 1970.
    pub utc_s: i64,
    /// Local time less UTC, s, for the room's day.
    pub local_offset_s: i32,
    /// Seed of all noise.
    pub seed: u64,
}

/// `L` runs of one system side by side (at most [`crate::lanes::MOST_LANES`]). All lanes share the clock and the noise;
/// corners and flaws differ by lane. A lane's bits do not depend on the others.
#[derive(Clone, Debug)]
pub struct Twin<'p, const L: usize> {
    plan: &'p Plan,
    params: Params<L>,
    start: Start,
    state: State<L>,
    flaws: Flaws<L>,
    constants: Vec<[Constants; L]>,
    scratch: Scratch<L>,
    exchanges: Exchanges<L>,
    gear: gear::Last<L>,
    /// Supplies or flaws may have changed since the probes were read.
    reread: bool,
    quiet: sense::Quiet,
    volumes: Vec<Lane<L>>,
}

impl<'p, const L: usize> Twin<'p, L> {
    /// A system at its start levels, one corner (None: nominal) for each lane.
    pub fn new(plan: &'p Plan, start: Start, corners: &[Option<&Corner>; L]) -> Self {
        const { assert!(L >= 1 && L <= crate::lanes::MOST_LANES) };
        let constants = Constants::at(plan.system.water.salinity, 25.0, BoronRatio::default());
        let mut twin = Twin {
            plan,
            params: Params::of(&plan.system.fitted, corners),
            start,
            state: State::zero(plan),
            flaws: Flaws::none(plan),
            constants: vec![[constants; L]; plan.nodes.len()],
            scratch: Scratch::new(plan),
            exchanges: Exchanges::new(plan),
            gear: gear::Last::new(plan),
            reread: true,
            quiet: sense::Quiet::new(plan),
            volumes: vec![],
        };
        twin.fill();
        twin
    }

    fn fill(&mut self) {
        let plan = self.plan;
        let system = &plan.system;
        let local_s = self.local_s();
        rates::room(plan, &self.params, &self.flaws, &mut self.state, local_s, 0.0);
        let water = &system.water;
        for (v, vessel) in system.vessels.iter().enumerate() {
            for l in 0..L {
                let share = if vessel.holds == Contents::Tank { None } else { self.params.reservoir[l] };
                let volume = vessel.volume_below(vessel.filled_level(share));
                self.state.volume[v][l] = volume;
                let (celsius, salinity, alkalinity) = match vessel.holds {
                    Contents::Tank => (water.temperature_c, water.salinity, water.alkalinity_meq_l),
                    Contents::Fresh => (self.state.room_temperature[0][l], 0.0, 0.0),
                    Contents::Limewater(meq_l) => (self.state.room_temperature[0][l], 0.0, meq_l),
                };
                self.pour(v, l, volume, celsius, salinity, alkalinity);
            }
            water::level(
                &plan.nodes[v],
                &self.state.volume[v],
                &mut self.state.surface[v],
                &mut self.state.area[v],
            );
        }
        // The start levels are those of a running system: pipes are full.
        for pass in &plan.passes {
            let (hold, volume, from) = match pass.law {
                Law::Pumped { hold, hold_volume, primed, .. } => {
                    self.state.primed[primed] = all::<L>();
                    (hold, hold_volume, pass.from)
                }
                Law::Drain { hold, residence, .. } => (hold, plan.design_flow * residence, pass.from),
                Law::Siphon { primed, .. } => {
                    self.state.primed[primed] = all::<L>();
                    continue;
                }
                _ => continue,
            };
            let store = plan.nodes.len() + hold;
            for l in 0..L {
                self.state.held[hold][l] = volume;
                let share = volume / self.state.volume[from][l].max(1e-9);
                for c in 0..N_CONTENTS {
                    // A copy, not a part: the vessel keeps its start level.
                    self.state.content[store * N_CONTENTS + c][l] =
                        share * self.state.content[from * N_CONTENTS + c][l];
                }
            }
        }
        for (s, supply) in system.supplies.iter().enumerate() {
            if let SupplyKind::Battery { usable_j, .. } = supply.kind {
                for l in 0..L {
                    self.state.energy[s][l] = usable_j * self.params.battery[l];
                }
            }
        }
        // Contacts rest until the first commands; contactors must be closed for what hangs behind them to live.
        for (a, actuator) in system.actuators.iter().enumerate() {
            self.state.commanded[a] = spread::<L>(actuator.on_when_dead);
            let closed = spread::<L>(actuator.on_when_dead && crate::plan::is_contactor(actuator.kind));
            self.state.running[a] = closed;
            self.state.drive[a] = crate::lanes::unpack::<L>(closed);
        }
        gear::supplies(plan, &self.flaws, &mut self.state);
        // What `constants` was made with, also for a vessel that is still empty.
        self.state.constants_at_salinity.fill([water.salinity; L]);
        self.state.constants_at_c.fill([25.0; L]);
        self.refresh();
        sense::follow(plan, &self.flaws, &mut self.state, 1.0, true);
        for (i, sensor) in system.sensors.iter().enumerate() {
            if let (system::model::SensorKind::Float { high, .. }, Some(v)) = (&sensor.kind, sensor.vessel) {
                let surface = self.state.surface[v.idx()];
                let edge = plan.nodes[v.idx()].floor + high;
                self.state.above[i] = crate::lanes::pack::<L>(|l| surface[l] >= edge);
            }
        }
    }

    /// Gives a vessel its contents.
    fn pour(&mut self, v: usize, l: usize, volume: f64, celsius: f64, salinity: f64, alkalinity_meq_l: f64) {
        let plan = self.plan;
        let rho = seawater::density::density_kg_per_m3(salinity, celsius);
        let salt = salinity * 1e-3 * rho * volume;
        let content = &mut self.state.content[v * N_CONTENTS..(v + 1) * N_CONTENTS];
        content[SALT][l] = salt;
        content[HEAT][l] = (FRESH_HEAT * volume + SALT_HEAT * salt) * celsius;
        content[ALKALINITY][l] = alkalinity_meq_l * volume;
        let saturation = seawater::oxygen::saturation_mg_per_l(salinity, celsius);
        content[OXYGEN][l] = saturation / seawater::oxygen::O2_G_PER_MOL * volume;
        let tank = plan.nodes[v].alive;
        let water = &plan.system.water;
        // Limewater brings one calcium for two alkalinity; tank water has its own.
        let lime = if alkalinity_meq_l > 0.0 { 0.5 * alkalinity_meq_l * volume } else { 0.0 };
        content[CALCIUM][l] =
            if tank { water.calcium_mg_l / seawater::alkalinity::CALCIUM_G_PER_MOL * volume } else { lime };
        self.state.density[v][l] = rho;
        self.state.salinity[v][l] = salinity;
        self.state.temperature[v][l] = celsius;
        self.state.hydrogen[v][l] = 1e-8;
        if tank {
            let constants = Constants::at(salinity, celsius, BoronRatio::default());
            let ta = alkalinity_meq_l * 1e6 / rho;
            let climate = plan.system.climates.get(self.params.climate[l]);
            let air = seawater::vapour::wet_partial_pressure_uatm(
                climate.map_or(420.0, |c| c.co2_ppm),
                seawater::STANDARD_ATMOSPHERE_PA,
                salinity,
                celsius,
            );
            let other = water.ph_nbs.map_or(Known::Pco2(air), Known::PhNbs);
            let dic =
                (constants.solve(Known::Alkalinity(ta), other, 1.0)).map_or(0.9 * ta, |c| c.dic_umol_per_kg);
            self.state.content[v * N_CONTENTS + CARBON][l] = dic * 1e-6 * rho * volume;
        }
    }

    /// Everything that follows from contents and is kept between rate steps.
    fn refresh(&mut self) {
        for (v, _) in self.plan.nodes.iter().enumerate() {
            for l in 0..L {
                let at = v * N_CONTENTS;
                let (salt, heat) = (self.state.content[at + SALT][l], self.state.content[at + HEAT][l]);
                self.state.temperature[v][l] = transport::temperature(self.state.volume[v][l], salt, heat);
            }
        }
        rates::step(self.plan, &self.params, &self.flaws, &mut self.state, &mut self.constants);
    }

    /// The plan that this runs.
    pub fn plan(&self) -> &'p Plan {
        self.plan
    }

    /// Scans done.
    pub fn scan(&self) -> u64 {
        self.state.scan
    }

    /// Seconds since the start.
    pub fn time_s(&self) -> f64 {
        self.state.scan as f64 * self.plan.scan_s()
    }

    /// UTC now, s since 1970 (whole seconds).
    pub fn utc_s(&self) -> i64 {
        self.start.utc_s + (self.state.scan as i64 * i64::from(self.plan.system.scan_ms)) / 1000
    }

    fn local_s(&self) -> f64 {
        (self.utc_s() + i64::from(self.start.local_offset_s)).rem_euclid(86_400) as f64
    }

    /// Takes a snapshot of one lane.
    pub fn lane(&self, l: usize) -> Snapshot {
        let mut snapshot = self.state.lane(l);
        self.gear.add_pending(&self.state, l, &mut snapshot);
        snapshot
    }

    /// Continues one lane from a snapshot of a run with the same corner. All lanes must come from the same scan.
    pub fn set_lane(&mut self, l: usize, from: &Snapshot) {
        self.gear.add_up(&mut self.state);
        self.state.set_lane(l, from);
        self.scratch.renew(self.plan, &self.flaws, &self.state);
        self.gear.forget();
        self.reread = true;
        self.quiet.disturbed = true;
        for (v, node) in self.plan.nodes.iter().enumerate() {
            if node.alive {
                let (s, t) = (self.state.constants_at_salinity[v][l], self.state.constants_at_c[v][l]);
                self.constants[v][l] = Constants::at(s, t, BoronRatio::default());
            }
        }
    }

    /// Puts a flaw into one lane from now on.
    pub fn set_flaw(&mut self, l: usize, flaw: Flaw) {
        let scan = self.state.scan;
        self.wake(l);
        self.flaws.set(self.plan, l, flaw, scan);
        match flaw {
            Flaw::Empty(v) => {
                let vessel = &self.plan.system.vessels[v.idx()];
                let volume = vessel.volume_below(vessel.dead_level);
                self.refill(v.idx(), l, volume, None);
            }
            Flaw::WrongWater(v, salinity, alkalinity) => {
                let volume = self.state.volume[v.idx()][l];
                self.refill(v.idx(), l, volume, Some((salinity, alkalinity)));
            }
            _ => {}
        }
    }

    /// A person has mended what this flaw did to a part. What it did to the water stays.
    pub fn clear_flaw(&mut self, l: usize, flaw: Flaw) {
        self.wake(l);
        self.flaws.clear(self.plan, l, flaw);
    }

    /// Replaces what a vessel holds: a person's act outside the ledger.
    fn refill(&mut self, v: usize, l: usize, volume: f64, water: Option<(f64, f64)>) {
        self.wake(l);
        let celsius = self.state.temperature[v][l];
        let (salinity, alkalinity) = water.unwrap_or_else(|| {
            let old = self.state.volume[v][l].max(1e-9);
            (self.state.salinity[v][l], self.state.content[v * N_CONTENTS + ALKALINITY][l] / old)
        });
        self.state.volume[v][l] = volume;
        self.pour(v, l, volume, celsius, salinity, alkalinity);
        let node = &self.plan.nodes[v];
        water::level(node, &self.state.volume[v], &mut self.state.surface[v], &mut self.state.area[v]);
    }

    /// Lanes in which the board has power and is not dead.
    pub fn board_alive(&self) -> Mask {
        gear::board_alive(self.plan, &self.flaws, &self.state)
    }

    /// Lanes in which the board's program is hung by a flaw.
    pub fn board_hung(&self) -> Mask {
        self.flaws.board_hung
    }

    /// Something changed in a lane that neither commands nor levels show.
    fn wake(&mut self, l: usize) {
        let (plan, lane) = (self.plan, crate::lanes::bit(l));
        water::settle_up(plan, &self.flaws, &mut self.state, &mut self.scratch, lane);
        water::surfaces(plan, &mut self.state, &self.scratch);
        put(&mut self.state.calm[0], l, false);
        put(&mut self.state.resting[0], l, false);
        self.gear.forget();
        self.reread = true;
        self.quiet.disturbed = true;
    }

    /// Ends a hang: a watchdog or a person has reset the board.
    pub fn clear_hang(&mut self, l: usize) {
        put(&mut self.flaws.board_hung, l, false);
        self.wake(l);
    }

    /// The mains of the house are back.
    pub fn clear_house_out(&mut self, l: usize) {
        put(&mut self.flaws.house_out, l, false);
        self.wake(l);
    }

    /// Fills reservoirs and lime to their start levels, as a person does before leaving.
    pub fn fill_reservoirs(&mut self, l: usize) {
        for (v, vessel) in self.plan.system.vessels.iter().enumerate() {
            if vessel.holds == Contents::Tank {
                continue;
            }
            let alkalinity = if let Contents::Limewater(meq_l) = vessel.holds { meq_l } else { 0.0 };
            let level = vessel.filled_level(self.params.reservoir[l]);
            self.refill(v, l, vessel.volume_below(level), Some((0.0, alkalinity)));
        }
    }

    /// Lanes in which the board's clock is lost.
    pub fn clock_lost(&self) -> Mask {
        self.flaws.clock_lost
    }

    /// Lanes in which a message gets out of the house: the path is fed and whole.
    pub fn path_alive(&self) -> Mask {
        let fed =
            self.plan.system.telling.supply.map_or(!self.flaws.house_out, |s| self.state.alive[s.idx()]);
        let running = self.plan.system.telling.through.map_or(all::<L>(), |a| self.state.running[a.idx()]);
        fed & running & !self.flaws.path_dead & all::<L>()
    }

    /// Raw codes of all sensors at this scan, in the order of the file.
    pub fn sense(&mut self) -> &[[i32; L]] {
        let fresh = std::mem::take(&mut self.reread);
        sense::read(self.plan, self.start.seed, &self.flaws, &mut self.state, fresh, &mut self.quiet);
        &self.state.code
    }

    /// Raw codes of the last [`Twin::sense`].
    pub fn codes(&self) -> &[[i32; L]] {
        &self.state.code
    }

    /// Lanes in which the own thermostat of an actuator is open.
    pub fn dial_open(&self, actuator: usize) -> Mask {
        self.state.dial_open[actuator]
    }

    /// Applies the commands of this scan and lets the world go on to the next.
    #[inline]
    pub fn advance(&mut self, commands: Commands<'_, L>) {
        let plan = self.plan;
        self.reread |= gear::step(plan, &self.flaws, &mut self.state, &mut self.gear, commands);
        let levels = self.quiet.needs_levels(plan);
        water::step(plan, &self.params, &self.flaws, &mut self.state, &mut self.scratch, levels);
        self.quiet.disturbed |= self.state.calm[0] != all::<L>();
        self.state.scan += 1;
        if self.state.scan.is_multiple_of(plan.slow_every) {
            self.slow();
            self.quiet.disturbed = false;
        }
    }

    fn slow(&mut self) {
        let plan = self.plan;
        let time = plan.slow_every as f64 * plan.scan_s();
        water::settle_up(plan, &self.flaws, &mut self.state, &mut self.scratch, all::<L>());
        water::surfaces(plan, &mut self.state, &self.scratch);
        self.gear.flush(plan, &mut self.state);
        self.state.resting[0] = self.state.calm[0];
        self.state.calm[0] = 0;
        for i in 0..plan.system.sensors.len() {
            sense::count_pulses(plan, &mut self.state, i, true);
        }
        self.exchanges.note_falls(plan, &self.state);
        transport::carry(plan, &self.flaws, &mut self.state, &mut self.volumes);
        gear::slow(plan, &self.params, &self.flaws, &mut self.state, time);
        transport::react(plan, &self.params, &self.flaws, &mut self.state, &mut self.exchanges, time);
        for (v, node) in plan.nodes.iter().enumerate() {
            water::level(node, &self.state.volume[v], &mut self.state.surface[v], &mut self.state.area[v]);
        }
        if self.state.scan.is_multiple_of(plan.rate_every) {
            let elapsed = plan.rate_every as f64 * plan.scan_s();
            let local_s = self.local_s();
            rates::room(plan, &self.params, &self.flaws, &mut self.state, local_s, elapsed);
            rates::step(plan, &self.params, &self.flaws, &mut self.state, &mut self.constants);
        }
        sense::follow(plan, &self.flaws, &mut self.state, time, false);
    }

    /// A true quantity, in the unit that [`TruthKind`] states.
    pub fn truth(&self, what: TruthKind) -> Lane<L> {
        let state = &self.state;
        let per_volume = |v: usize, c: usize, factor: f64| {
            let mut out = [0.0; L];
            for (l, x) in out.iter_mut().enumerate() {
                let volume = state.volume[v][l];
                *x = if volume > 1e-6 { state.content[v * N_CONTENTS + c][l] / volume * factor } else { 0.0 };
            }
            out
        };
        let flags = |mask: Mask| crate::lanes::unpack::<L>(mask);
        match what {
            TruthKind::Temperature(v) => state.temperature[v.idx()],
            TruthKind::Oxygen(v) => per_volume(v.idx(), OXYGEN, seawater::oxygen::O2_G_PER_MOL),
            TruthKind::Salinity(v) => state.salinity[v.idx()],
            TruthKind::Ph(v) => state.ph_nbs[v.idx()],
            TruthKind::Alkalinity(v) => per_volume(v.idx(), ALKALINITY, 1.0),
            TruthKind::Level(v) => {
                let node = &self.plan.nodes[v.idx()];
                let (mut surface, mut area) = ([0.0; L], [0.0; L]);
                let now = water::volume_now(state, &self.scratch, v.idx());
                water::level(node, &now, &mut surface, &mut area);
                surface.map(|z| z - node.floor)
            }
            TruthKind::Volume(v) => water::volume_now(state, &self.scratch, v.idx()),
            TruthKind::Floor => {
                let bund = self.plan.system.bund.map_or(0.0, |b| b.volume());
                state.spilled[0].map(|v| (v - bund).max(0.0))
            }
            TruthKind::Bare(a) => flags(state.bare[a.idx()]),
            TruthKind::Running(a) => state.drive[a.idx()],
            TruthKind::Movement(v) => {
                let mut moving = 0;
                for (a, actuator) in self.plan.system.actuators.iter().enumerate() {
                    if actuator.moves == Some(v) {
                        moving |= state.running[a] & !state.bare[a] & self.delivers(a);
                    }
                }
                flags(moving)
            }
            TruthKind::Light(v) => {
                let mut out = [0.0; L];
                for (l, x) in out.iter_mut().enumerate() {
                    *x = state.light(self.plan, &self.flaws, v.idx(), l);
                }
                out
            }
        }
    }

    /// Lanes in which a pump's water gets where it should.
    fn delivers(&self, a: usize) -> Mask {
        let mut out = all::<L>();
        for (i, pass) in self.plan.passes.iter().enumerate() {
            if let Law::Pumped { pump, .. } = pass.law
                && pump == a
            {
                out &= !self.flaws.to_floor[i];
            }
        }
        for l in 0..L {
            if self.flaws.strength[a][l] < 0.1 {
                put(&mut out, l, false);
            }
        }
        out
    }

    /// Water lost to bund and floor, m³.
    pub fn spilled(&self) -> Lane<L> {
        self.state.spilled[0]
    }

    /// Room temperature, °C.
    pub fn room_c(&self) -> Lane<L> {
        self.state.room_temperature[0]
    }

    /// Largest aragonite saturation seen in any tank water since the start; above about 20 the model ends.
    pub fn worst_omega(&self) -> Lane<L> {
        self.state.worst_omega[0]
    }

    /// Seconds an actuator ran since the start, times duty.
    pub fn run_total_s(&self, actuator: usize) -> Lane<L> {
        self.state.run_total[actuator]
    }

    /// Starts of an actuator since the start.
    pub fn starts(&self, actuator: usize) -> [i32; L] {
        self.state.starts[actuator]
    }

    /// Lanes in which an actuator runs (a contactor: is closed).
    pub fn running(&self, actuator: usize) -> Mask {
        self.state.running[actuator]
    }

    /// Lanes in which a supply lives.
    pub fn supply_alive(&self, supply: usize) -> Mask {
        self.state.alive[supply]
    }

    /// Water volume and what it holds, and what crossed the boundary, for one lane: the books of conservation.
    pub fn books(&self, l: usize) -> Books {
        let state = &self.state;
        let n = self.plan.nodes.len() + self.plan.n_holds;
        let sum = |c: usize| (0..n).map(|i| state.content[i * N_CONTENTS + c][l]).sum();
        Books {
            water_m3: (0..self.plan.nodes.len())
                .map(|v| water::volume_now(state, &self.scratch, v)[l])
                .chain((0..self.plan.n_holds).map(|h| water::held_now(self.plan, state, h, l)))
                .sum(),
            salt_kg: sum(SALT),
            heat_j: sum(HEAT),
            evaporated_m3: state.ledger[ledger::EVAPORATED][l],
            spilled_m3: state.spilled[0][l],
            carried_m3: state.ledger[ledger::CARRIED][l],
            salt_lost_kg: state.ledger[ledger::SALT_LOST][l],
            heat_from_gear_j: state.ledger[ledger::HEAT_FROM_GEAR][l],
            heat_lost_j: state.ledger[ledger::HEAT_LOST][l],
        }
    }

    /// Whether a lane's board answers: alive and not hung.
    pub fn board_answers(&self, l: usize) -> bool {
        has(self.board_alive() & !self.board_hung(), l)
    }
}

/// Stored amounts and boundary flows since the start. Stored change plus losses less gains is zero but for rounding.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Books {
    /// In vessels and pipes, m³.
    pub water_m3: f64,
    /// kg.
    pub salt_kg: f64,
    /// Over 0 °C, J.
    pub heat_j: f64,
    /// m³.
    pub evaporated_m3: f64,
    /// Over rims, through leaks, from hoses, m³.
    pub spilled_m3: f64,
    /// By skimmers, m³.
    pub carried_m3: f64,
    /// With spilled and carried water, kg.
    pub salt_lost_kg: f64,
    /// J.
    pub heat_from_gear_j: f64,
    /// Through walls and surfaces, with vapour and lost water, J.
    pub heat_lost_j: f64,
}
