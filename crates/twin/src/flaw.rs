//! Flaws: what can be wrong with a part, a place, the house or the people, lane by lane. A flaw changes what a part does or what a
//! probe says; it never touches the water directly (a leak excepted).

use system::model::{ActuatorIdx, ClimateIdx, PassageIdx, SensorIdx, SupplyIdx, VesselIdx};

use crate::lanes::{Lane, Mask, bit, put};
use crate::plan::Plan;

/// One flaw.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Flaw {
    /// A level or moisture contact says the same for ever: true = "water above" (or wet).
    ContactStuck(SensorIdx, bool),
    /// A contact stays where it is.
    ContactHeld(SensorIdx),
    /// The wire to a contact is open, whatever the water does.
    WireOpen(SensorIdx),
    /// A contact opens and closes at random each scan.
    Chatter(SensorIdx),
    /// A probe gives no answer.
    Silent(SensorIdx),
    /// A probe reads the end of its range; true = the high end.
    Railed(SensorIdx, bool),
    /// A probe keeps its last reading.
    Frozen(SensorIdx),
    /// A probe walks away, in its signal's SI unit a second.
    Drift(SensorIdx, f64),
    /// A probe is off by a constant.
    Off(SensorIdx, f64),
    /// A probe hangs in the air.
    FallenOut(SensorIdx),
    /// A reading set by hand, in the signal's SI unit (0 or 1 for a contact's signal): for systems without geometry.
    Reads(SensorIdx, f64),
    /// A probe sits in another vessel.
    Misplaced(SensorIdx, VesselIdx),
    /// The contact of an output cannot open.
    Welded(ActuatorIdx),
    /// The coil or gate of an output does nothing: the contact stays where it rests.
    CoilDead(ActuatorIdx),
    /// The load does nothing.
    LoadDead(ActuatorIdx),
    /// The load gives only a share of its flow, heat, air or light.
    Weak(ActuatorIdx, f64),
    /// The load will not start again once stopped.
    WontRestart(ActuatorIdx),
    /// The heater's own thermostat never opens.
    ThermostatWelded(ActuatorIdx),
    /// Its plug is out.
    Unplugged(ActuatorIdx),
    /// A passage passes only a share of its flow (0: blocked).
    Blocked(PassageIdx, f64),
    /// The hose is off the pump: water goes to the floor.
    HoseOff(PassageIdx),
    /// The line's end lies on the floor.
    LineOut(PassageIdx),
    /// The line's end hangs in the water at this height over the vessel's floor, m.
    LineSunk(PassageIdx, f64),
    /// The hole that breaks the siphon has grown shut.
    BreakHoleShut(PassageIdx),
    /// The check valve leaks.
    CheckValveLeaks(PassageIdx),
    /// Water leaves a vessel through a hole of this area (m²) at this height (m).
    Leak(VesselIdx, f64, f64),
    /// The skimmer carries water away, m³/s: into the drain (false) or onto the floor (true).
    SkimmerOverflow(ActuatorIdx, f64, bool),
    /// A supply group is dead.
    SupplyDead(SupplyIdx),
    /// The whole house is without mains.
    HouseOut,
    /// A board does nothing; its outputs fall or freeze as the file says.
    BoardDead,
    /// The program stands still with its outputs as they are, until a watchdog acts.
    BoardHung,
    /// Outputs keep their last state while the program runs on.
    OutputsFrozen,
    /// The board's clock is lost.
    ClockLost,
    /// The room has another climate.
    Climate(ClimateIdx),
    /// The room's heating is off: it falls to this, °C, within about this time, s.
    RoomFalls(f64, f64),
    /// CO2 in the room, ppm.
    RoomCo2(f64),
    /// A reservoir was filled with this instead: practical salinity and alkalinity, meq/L.
    WrongWater(VesselIdx, f64, f64),
    /// A reservoir is down to its dead level.
    Empty(VesselIdx),
    /// Messages do not leave the house.
    PathDead,
}

/// Where a probe's reading comes from when it is flawed.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub(crate) enum Reading {
    #[default]
    True,
    Stuck(bool),
    Held,
    WireOpen,
    Chatter,
    Silent,
    Railed(bool),
    Frozen,
    Drift(f64),
    Off(f64),
    FallenOut,
    Given(f64),
    In(usize),
}

/// All flaws in force, lane by lane.
#[derive(Clone, Debug)]
pub(crate) struct Flaws<const L: usize> {
    /// Lanes in which a sensor is flawed, and how, since which scan.
    pub flawed: Vec<Mask>,
    pub reading: Vec<[(Reading, u64); L]>,
    pub welded: Vec<Mask>,
    pub coil_dead: Vec<Mask>,
    pub load_dead: Vec<Mask>,
    pub wont_restart: Vec<Mask>,
    pub thermostat_welded: Vec<Mask>,
    pub unplugged: Vec<Mask>,
    pub strength: Vec<Lane<L>>,
    /// By pass.
    pub open: Vec<Lane<L>>,
    pub to_floor: Vec<Mask>,
    pub outlet: Vec<[Option<f64>; L]>,
    pub moved_outlet: Vec<Mask>,
    pub hole_shut: Vec<Mask>,
    pub check_leaks: Vec<Mask>,
    /// By vessel: lanes with a leak, its elevation and conductance.
    pub leaks: Vec<Mask>,
    pub leak: Vec<[(f64, f64); L]>,
    pub any_leak: bool,
    /// By actuator: m³/s carried away while on, and whether onto the floor.
    pub carries: Vec<Lane<L>>,
    pub carries_to_floor: Vec<Mask>,
    pub supply_dead: Vec<Mask>,
    pub house_out: Mask,
    pub board_dead: Mask,
    pub board_hung: Mask,
    pub outputs_frozen: Mask,
    pub clock_lost: Mask,
    pub path_dead: Mask,
    pub climate: [Option<usize>; L],
    pub room_falls: [Option<(f64, f64)>; L],
    pub room_co2: [Option<f64>; L],
}

impl<const L: usize> Flaws<L> {
    pub(crate) fn none(plan: &Plan) -> Self {
        let system = &plan.system;
        let (n_sensors, n_actuators) = (system.sensors.len(), system.actuators.len());
        let (n_passes, n_vessels) = (plan.passes.len(), system.vessels.len());
        Flaws {
            flawed: vec![0; n_sensors],
            reading: vec![[(Reading::True, 0); L]; n_sensors],
            welded: vec![0; n_actuators],
            coil_dead: vec![0; n_actuators],
            load_dead: vec![0; n_actuators],
            wont_restart: vec![0; n_actuators],
            thermostat_welded: vec![0; n_actuators],
            unplugged: vec![0; n_actuators],
            strength: vec![[1.0; L]; n_actuators],
            open: vec![[1.0; L]; n_passes],
            to_floor: vec![0; n_passes],
            outlet: vec![[None; L]; n_passes],
            moved_outlet: vec![0; n_passes],
            hole_shut: vec![0; n_passes],
            check_leaks: vec![0; n_passes],
            leaks: vec![0; n_vessels],
            leak: vec![[(0.0, 0.0); L]; n_vessels],
            any_leak: false,
            carries: vec![[0.0; L]; n_actuators],
            carries_to_floor: vec![0; n_actuators],
            supply_dead: vec![0; system.supplies.len()],
            house_out: 0,
            board_dead: 0,
            board_hung: 0,
            outputs_frozen: 0,
            clock_lost: 0,
            path_dead: 0,
            climate: [None; L],
            room_falls: [None; L],
            room_co2: [None; L],
        }
    }

    fn read(&mut self, sensor: SensorIdx, l: usize, reading: Reading, scan: u64) {
        self.flawed[sensor.idx()] |= bit(l);
        self.reading[sensor.idx()][l] = (reading, scan);
    }

    /// Sets one flaw in one lane from `scan` on. What needs the state (empty or wrongly filled reservoirs) is done by the twin.
    pub(crate) fn set(&mut self, plan: &Plan, l: usize, flaw: Flaw, scan: u64) {
        let passes = |p: PassageIdx| plan.passes_of[p.idx()].iter().copied();
        match flaw {
            Flaw::ContactStuck(s, above) => self.read(s, l, Reading::Stuck(above), scan),
            Flaw::ContactHeld(s) => self.read(s, l, Reading::Held, scan),
            Flaw::WireOpen(s) => self.read(s, l, Reading::WireOpen, scan),
            Flaw::Chatter(s) => self.read(s, l, Reading::Chatter, scan),
            Flaw::Silent(s) => self.read(s, l, Reading::Silent, scan),
            Flaw::Railed(s, high) => self.read(s, l, Reading::Railed(high), scan),
            Flaw::Frozen(s) => self.read(s, l, Reading::Frozen, scan),
            Flaw::Drift(s, rate) => self.read(s, l, Reading::Drift(rate), scan),
            Flaw::Off(s, by) => self.read(s, l, Reading::Off(by), scan),
            Flaw::FallenOut(s) => self.read(s, l, Reading::FallenOut, scan),
            Flaw::Reads(s, value) => self.read(s, l, Reading::Given(value), scan),
            Flaw::Misplaced(s, v) => self.read(s, l, Reading::In(v.idx()), scan),
            Flaw::Welded(a) => put(&mut self.welded[a.idx()], l, true),
            Flaw::CoilDead(a) => put(&mut self.coil_dead[a.idx()], l, true),
            Flaw::LoadDead(a) => put(&mut self.load_dead[a.idx()], l, true),
            Flaw::Weak(a, share) => self.strength[a.idx()][l] *= share,
            Flaw::WontRestart(a) => put(&mut self.wont_restart[a.idx()], l, true),
            Flaw::ThermostatWelded(a) => put(&mut self.thermostat_welded[a.idx()], l, true),
            Flaw::Unplugged(a) => put(&mut self.unplugged[a.idx()], l, true),
            Flaw::Blocked(p, share) => passes(p).for_each(|i| self.open[i][l] *= share),
            Flaw::HoseOff(p) | Flaw::LineOut(p) => {
                passes(p).for_each(|i| put(&mut self.to_floor[i], l, true))
            }
            Flaw::LineSunk(p, height) => passes(p).for_each(|i| {
                self.outlet[i][l] = Some(plan.nodes[plan.passes[i].to].floor + height);
                put(&mut self.moved_outlet[i], l, true);
            }),
            Flaw::BreakHoleShut(p) => passes(p).for_each(|i| put(&mut self.hole_shut[i], l, true)),
            Flaw::CheckValveLeaks(p) => passes(p).for_each(|i| put(&mut self.check_leaks[i], l, true)),
            Flaw::Leak(v, height, area) => {
                let conductance = physics::orifice::conductance(physics::orifice::SHARP_EDGED, area);
                self.leak[v.idx()][l] = (plan.nodes[v.idx()].floor + height, conductance);
                put(&mut self.leaks[v.idx()], l, true);
                self.any_leak = true;
            }
            Flaw::SkimmerOverflow(a, flow, floor) => {
                self.carries[a.idx()][l] = flow;
                put(&mut self.carries_to_floor[a.idx()], l, floor);
            }
            Flaw::SupplyDead(s) => put(&mut self.supply_dead[s.idx()], l, true),
            Flaw::HouseOut => put(&mut self.house_out, l, true),
            Flaw::BoardDead => put(&mut self.board_dead, l, true),
            Flaw::BoardHung => put(&mut self.board_hung, l, true),
            Flaw::OutputsFrozen => put(&mut self.outputs_frozen, l, true),
            Flaw::ClockLost => put(&mut self.clock_lost, l, true),
            Flaw::Climate(c) => self.climate[l] = Some(c.idx()),
            Flaw::RoomFalls(to, time) => self.room_falls[l] = Some((to, time)),
            Flaw::RoomCo2(ppm) => self.room_co2[l] = Some(ppm),
            Flaw::PathDead => put(&mut self.path_dead, l, true),
            Flaw::WrongWater(..) | Flaw::Empty(_) => {}
        }
    }

    /// Makes the part of a flaw whole again in one lane; whatever else was wrong in the same way with the same part goes too. A seized
    /// load, spilt or wrong water stay what they are.
    pub(crate) fn clear(&mut self, plan: &Plan, l: usize, flaw: Flaw) {
        let passes = |p: PassageIdx| plan.passes_of[p.idx()].iter().copied();
        match flaw {
            Flaw::ContactStuck(s, _)
            | Flaw::ContactHeld(s)
            | Flaw::WireOpen(s)
            | Flaw::Chatter(s)
            | Flaw::Silent(s)
            | Flaw::Railed(s, _)
            | Flaw::Frozen(s)
            | Flaw::Drift(s, _)
            | Flaw::Off(s, _)
            | Flaw::FallenOut(s)
            | Flaw::Reads(s, _)
            | Flaw::Misplaced(s, _) => {
                put(&mut self.flawed[s.idx()], l, false);
                self.reading[s.idx()][l] = (Reading::True, 0);
            }
            Flaw::Welded(a) => put(&mut self.welded[a.idx()], l, false),
            Flaw::CoilDead(a) => put(&mut self.coil_dead[a.idx()], l, false),
            Flaw::LoadDead(a) => put(&mut self.load_dead[a.idx()], l, false),
            Flaw::Weak(a, _) => self.strength[a.idx()][l] = 1.0,
            Flaw::WontRestart(a) => put(&mut self.wont_restart[a.idx()], l, false),
            Flaw::ThermostatWelded(a) => put(&mut self.thermostat_welded[a.idx()], l, false),
            Flaw::Unplugged(a) => put(&mut self.unplugged[a.idx()], l, false),
            Flaw::Blocked(p, _) => passes(p).for_each(|i| self.open[i][l] = 1.0),
            Flaw::HoseOff(p) | Flaw::LineOut(p) => {
                passes(p).for_each(|i| put(&mut self.to_floor[i], l, false))
            }
            Flaw::LineSunk(p, _) => passes(p).for_each(|i| {
                self.outlet[i][l] = None;
                put(&mut self.moved_outlet[i], l, false);
            }),
            Flaw::BreakHoleShut(p) => passes(p).for_each(|i| put(&mut self.hole_shut[i], l, false)),
            Flaw::CheckValveLeaks(p) => passes(p).for_each(|i| put(&mut self.check_leaks[i], l, false)),
            Flaw::Leak(v, ..) => put(&mut self.leaks[v.idx()], l, false),
            Flaw::SkimmerOverflow(a, ..) => {
                self.carries[a.idx()][l] = 0.0;
                put(&mut self.carries_to_floor[a.idx()], l, false);
            }
            Flaw::SupplyDead(s) => put(&mut self.supply_dead[s.idx()], l, false),
            Flaw::HouseOut => put(&mut self.house_out, l, false),
            Flaw::BoardDead => put(&mut self.board_dead, l, false),
            Flaw::BoardHung => put(&mut self.board_hung, l, false),
            Flaw::OutputsFrozen => put(&mut self.outputs_frozen, l, false),
            Flaw::ClockLost => put(&mut self.clock_lost, l, false),
            Flaw::Climate(_) => self.climate[l] = None,
            Flaw::RoomFalls(..) => self.room_falls[l] = None,
            Flaw::RoomCo2(_) => self.room_co2[l] = None,
            Flaw::PathDead => put(&mut self.path_dead, l, false),
            Flaw::WrongWater(..) | Flaw::Empty(_) => {}
        }
    }
}
