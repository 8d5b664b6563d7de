//! The rig: twin and control program in one loop, several runs side by side, as a board and its tank would run.
//!
//! Scan k: the twin gives raw codes, the board's own conversion makes values of them, the program runs once, its outputs go to the
//! twin, the world goes on to k + 1. Whatever stops a board (no power, a hang, brown-out) stops it here; what starts again starts
//! as after a reset, with tripped latches and daily sums kept.

use program::calibration::Correction;
use program::convert::Aged;
use program::machine::{Command, Machine};
use system::model::{ActuatorIdx, AlarmIdx, Priority, TruthKind};
use twin::lanes::{Mask, all, bit, has};
use twin::{Commands, Flaw, Snapshot, Start, Twin};

use crate::faults::Injection;
use crate::inputs::{self, Memory};
use crate::model::Model;

/// A watchdog resets a hung program after so long, s (the longest setting of the AVR watchdog is 2 s by its data sheet, from memory).
const WATCHDOG_S: f64 = 2.0;
/// How long the mains are gone in a blink, s (assumed).
const BLINK_S: f64 = 2.0;
/// Brown-out chatter: a reset every so often, for so long, s (assumed).
const CHATTER_EVERY_S: f64 = 5.0;
const CHATTER_FOR_S: f64 = 600.0;

/// `L` runs of one system.
#[derive(Clone, Debug)]
pub struct Rig<'m, const L: usize> {
    model: &'m Model,
    twin: Twin<'m, L>,
    machine: Machine<L>,
    memory: Memory<L>,
    duty: Vec<[i32; L]>,
    /// Lanes whose board runs in the scan that has begun.
    alive: Mask,
    /// Lanes whose board was running at the last scan.
    was_alive: Mask,
    /// Lanes whose outputs were taken over at the last scan; none after lanes came from elsewhere.
    commanded: Mask,
    /// Board as it was when it stopped: what stands still in a dead lane.
    stopped: Vec<Option<Machine<1>>>,
    hung_since: [Option<u64>; L],
    blink_until: [Option<u64>; L],
    chatter_until: [Option<(u64, u64)>; L],
}

/// One run to fork others from.
#[derive(Clone, Debug)]
pub struct Fork {
    world: Snapshot,
    board: Machine<1>,
    aged: Vec<Aged>,
    duty: Vec<i32>,
    alive: bool,
}

impl<'m, const L: usize> Rig<'m, L> {
    /// A rig at the start levels, one corner (None: nominal) for each lane.
    pub fn new(model: &'m Model, start: Start, corners: &[Option<usize>; L]) -> Self {
        let corners = corners.map(|c| c.map(|i| &model.plan.system.corners[i]));
        Rig {
            twin: Twin::new(&model.plan, start, &corners),
            machine: Machine::new(model.decoded.clone()),
            memory: Memory::new(&model.converters),
            duty: vec![[0; L]; model.plan.system.actuators.len()],
            alive: 0,
            was_alive: 0,
            commanded: 0,
            stopped: vec![None; L],
            hung_since: [None; L],
            blink_until: [None; L],
            chatter_until: [None; L],
            model,
        }
    }

    /// The world.
    pub fn twin(&self) -> &Twin<'m, L> {
        &self.twin
    }

    /// The world, to set flaws in.
    pub fn twin_mut(&mut self) -> &mut Twin<'m, L> {
        &mut self.twin
    }

    /// The board's program.
    pub fn machine(&self) -> &Machine<L> {
        &self.machine
    }

    /// The board's program, to set inputs of.
    pub fn machine_mut(&mut self) -> &mut Machine<L> {
        &mut self.machine
    }

    /// Another program, or the same in another state, for the same wiring.
    pub fn set_machine(&mut self, machine: Machine<L>) {
        self.machine = machine;
        self.memory.invalidate();
        self.commanded = 0;
    }

    /// Calibration of a number input from now on, in all lanes; `None` forgets it.
    pub fn correct(&mut self, input: u8, correction: Option<Correction>) {
        if let Some((converter, _)) = self.model.converters.of_number(input) {
            self.memory.correct(converter, correction);
        }
    }

    /// Raw code of a number input at the last scan of a lane; [`twin::NO_ANSWER`] when there was none, or no such input.
    pub fn raw(&self, input: u8, l: usize) -> i32 {
        let converter = self.model.converters.of_number(input);
        converter.map_or(twin::NO_ANSWER, |(_, sensor)| self.twin.codes()[sensor][l])
    }

    /// Commanded duty of an actuator, permille, as the board's last scan left it.
    pub fn duty(&self, actuator: ActuatorIdx) -> &[i32; L] {
        &self.duty[actuator.idx()]
    }

    /// Whether an actuator takes a duty rather than on or off.
    pub fn is_modulated(&self, actuator: ActuatorIdx) -> bool {
        self.model.plan.system.actuators[actuator.idx()].modulated
    }

    /// Copies one lane out.
    pub fn fork(&self, l: usize) -> Fork {
        Fork {
            world: self.twin.lane(l),
            board: Machine::fork(&self.machine, l),
            aged: self.memory.aged.iter().map(|a| a[l]).collect(),
            duty: self.duty.iter().map(|d| d[l]).collect(),
            alive: has(self.was_alive, l),
        }
    }

    /// Continues one lane from a fork of a run with the same corner, without its flaws.
    pub fn set_lane(&mut self, l: usize, from: &Fork) {
        self.twin.set_lane(l, &from.world);
        self.stopped[l] = None;
        self.commanded = 0;
        self.machine.copy_lane(l, &from.board, 0);
        self.memory.invalidate();
        for (a, &x) in self.memory.aged.iter_mut().zip(&from.aged) {
            a[l] = x;
        }
        for (d, &x) in self.duty.iter_mut().zip(&from.duty) {
            d[l] = x;
        }
        self.was_alive = self.was_alive & !bit(l) | if from.alive { bit(l) } else { 0 };
    }

    /// Injects a fault into one lane from now on.
    pub fn inject(&mut self, l: usize, injection: Injection) {
        let scan = self.twin.scan();
        let after = |seconds: f64| scan + libm::ceil(seconds / self.model.plan.scan_s()) as u64;
        match injection {
            Injection::Flaw(flaw) => self.twin.set_flaw(l, flaw),
            Injection::Blink => {
                self.blink_until[l] = Some(after(BLINK_S));
                self.twin.set_flaw(l, Flaw::HouseOut);
            }
            Injection::BrownOut => self.chatter_until[l] = Some((scan, after(CHATTER_FOR_S))),
        }
    }

    /// Ends a fault in one lane. What it did to the water stays.
    pub fn mend(&mut self, l: usize, injection: Injection) {
        match injection {
            Injection::Flaw(flaw) => self.twin.clear_flaw(l, flaw),
            Injection::Blink => {
                self.blink_until[l] = None;
                self.twin.clear_house_out(l);
            }
            Injection::BrownOut => self.chatter_until[l] = None,
        }
    }

    /// A person's command to one lane's board. False when the board does not run or knows no such part.
    pub fn command(&mut self, l: usize, command: Command) -> bool {
        has(self.was_alive, l) && self.machine.command(l, command)
    }

    /// Lanes in which the board runs this scan.
    fn running(&mut self) -> Mask {
        let scan = self.twin.scan();
        let mut alive = self.twin.board_alive();
        let hung = self.twin.board_hung();
        let watchdog = self.model.plan.system.boards.first().is_some_and(|b| b.watchdog);
        for l in 0..L {
            if has(hung, l) {
                let since = *self.hung_since[l].get_or_insert(scan);
                if watchdog && (scan - since) as f64 * self.model.plan.scan_s() >= WATCHDOG_S {
                    self.twin.clear_hang(l);
                    self.hung_since[l] = None;
                    self.was_alive &= !bit(l);
                } else {
                    alive &= !bit(l);
                }
            }
            if self.blink_until[l].is_some_and(|until| scan >= until) {
                self.blink_until[l] = None;
                self.twin.clear_house_out(l);
            }
            if let Some((next, until)) = self.chatter_until[l]
                && scan >= next
            {
                self.was_alive &= !bit(l);
                alive &= !bit(l);
                let step = libm::ceil(CHATTER_EVERY_S / self.model.plan.scan_s()) as u64;
                self.chatter_until[l] = (scan < until).then_some((next + step, until));
            }
        }
        alive
    }

    /// One scan.
    pub fn scan(&mut self) {
        self.begin_scan();
        let clock_s = u32::try_from(self.twin.utc_s() - inputs::UTC_AT_2000).ok();
        let lost = self.twin.clock_lost();
        self.finish_scan(std::array::from_fn(|l| clock_s.filter(|_| !has(lost, l))));
    }

    /// The first half of a scan: boards that have power again start. Gives the lanes that started.
    pub fn begin_scan(&mut self) -> Mask {
        let alive = self.running();
        let fresh = alive & !self.was_alive;
        if fresh != 0 {
            for l in (0..L).filter(|&l| has(fresh, l)) {
                if let Some(before) = self.stopped[l].take() {
                    self.machine.copy_lane(l, &before, 0);
                }
                self.machine.restart(l);
            }
            self.memory.invalidate();
        }
        if alive != all::<L>() {
            for (l, stopped) in self.stopped.iter_mut().enumerate() {
                if !has(alive, l) && stopped.is_none() {
                    *stopped = Some(Machine::fork(&self.machine, l));
                }
            }
        }
        let hung = self.twin.board_hung();
        self.was_alive = alive | self.was_alive & hung;
        self.alive = alive;
        fresh
    }

    /// Lanes whose board runs in the scan that has begun.
    pub fn alive(&self) -> Mask {
        self.alive
    }

    /// The second half, with what each board's clock says, s since 2000; `None`: lost.
    pub fn finish_scan(&mut self, clock_s: [Option<u32>; L]) {
        let alive = self.alive;
        let codes = self.twin.sense();
        inputs::set(&self.model.converters, &mut self.memory, codes, &mut self.machine);
        for (l, clock_s) in clock_s.into_iter().enumerate() {
            self.machine.set_clock(l, clock_s);
        }
        let before = self.machine.n_carried_out();
        self.machine.scan();
        // Nothing carried out, nothing changed, unless a board came or went.
        let unchanged = self.machine.n_carried_out() == before && alive == self.commanded;
        self.commanded = alive;
        let drives: &[Option<u16>] = if unchanged { &[] } else { &self.model.compiled.drives };
        for (a, drive) in drives.iter().enumerate() {
            if let Some(drive) = drive {
                let duties = self.machine.duties(usize::from(*drive));
                if alive == all::<L>() {
                    self.duty[a] = duties;
                } else {
                    for l in (0..L).filter(|&l| has(alive, l)) {
                        self.duty[a][l] = duties[l];
                    }
                }
            }
        }
        self.twin.advance(Commands { duty: &self.duty, board: alive, same: unchanged });
    }

    /// Runs until the given scan.
    pub fn run_to(&mut self, scan: u64) {
        while self.twin.scan() < scan {
            self.scan();
        }
    }

    /// Lanes in which an alarm of the program stands; a board that does not run, or hangs, raises none.
    pub fn alarm(&self, alarm: AlarmIdx) -> Mask {
        let order = usize::from(self.model.compiled.alarms[alarm.idx()]);
        let mut mask = 0;
        for l in 0..L {
            if self.machine.alarm(order, l).0 {
                mask |= bit(l);
            }
        }
        mask & self.board_answers()
    }

    /// Lanes in which the board answers.
    pub fn board_answers(&self) -> Mask {
        self.was_alive & self.twin.board_alive() & !self.twin.board_hung()
    }

    /// Whether alarms of this priority are told to somebody who is away.
    pub fn is_told(&self, priority: Priority) -> bool {
        priority >= self.model.plan.system.telling.from_priority
    }

    /// A true quantity.
    pub fn truth(&self, what: TruthKind) -> [f64; L] {
        self.twin.truth(what)
    }
}
