//! What a board is wired to: the tank of its system, or whatever a test puts in its place.

use program::calibration::Correction;
use program::machine::Machine;
use trial::{Injection, Model, Rig};
use twin::Start;

/// Bits of the cause of a reset (docs/link.md, event RESET).
pub mod cause {
    /// Power.
    pub const POWER: u8 = 1;
    /// Brown-out.
    pub const BROWN_OUT: u8 = 4;
    /// Watchdog.
    pub const WATCHDOG: u8 = 8;
    /// Asked for, which a chip does by way of its watchdog.
    pub const WANTED: u8 = 0x10 | WATCHDOG;
}

/// Whether a board runs in a scan.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Power {
    /// Without power, dead or hung: nothing answers.
    Off,
    /// It starts with this scan, by this cause.
    Starts(u8),
    /// It goes on.
    Runs,
}

/// Inputs to a board's program and what becomes of its outputs, scan by scan: [`World::begin`], then [`World::scan`].
pub trait World {
    /// The machine that the board's program runs in.
    fn machine(&self) -> &Machine<1>;
    /// The same, for commands.
    fn machine_mut(&mut self) -> &mut Machine<1>;
    /// Another program, or a fresh start of the same.
    fn set_machine(&mut self, machine: Machine<1>);
    /// The next scan begins.
    fn begin(&mut self) -> Power;
    /// Sets the inputs, runs the program once and acts; `clock_s` is the board's clock, `None` while it is lost. The world goes on by
    /// one period.
    fn scan(&mut self, clock_s: Option<u32>);
    /// Time of the scan that comes next, UTC ms since 2000.
    fn utc_ms(&self) -> i64;
    /// Calibration of a number input.
    fn correct(&mut self, input: u8, correction: Option<Correction>);
    /// Raw code of a number input at the last scan.
    fn raw(&self, input: u8) -> i32;
    /// Something has made the board's clock lose the time.
    fn is_clock_lost(&self) -> bool {
        false
    }
    /// Somebody has set the board's clock.
    fn clock_was_set(&mut self) {}
}

/// UTC seconds from 1970 to 2000.
const S_AT_2000: i64 = 946_684_800;

/// The tank of a system.
#[derive(Clone, Debug)]
pub struct Tank<'m> {
    rig: Rig<'m, 1>,
    scan_ms: i64,
    start_utc_s: i64,
    had_power: bool,
}

impl<'m> Tank<'m> {
    /// At the start levels.
    pub fn new(model: &'m Model, start: Start) -> Tank<'m> {
        Tank {
            rig: Rig::new(model, start, &[None]),
            scan_ms: model.system().scan_ms.into(),
            start_utc_s: start.utc_s,
            had_power: false,
        }
    }

    /// Scans since the start.
    pub fn n_scans(&self) -> u64 {
        self.rig.twin().scan()
    }

    /// The twin and its board.
    pub fn rig(&self) -> &Rig<'m, 1> {
        &self.rig
    }

    /// A fault strikes.
    pub fn strike(&mut self, injection: Injection) {
        self.rig.inject(0, injection);
    }

    /// A fault is mended; what it did to the water stays.
    pub fn mend(&mut self, injection: Injection) {
        self.rig.mend(0, injection);
    }

    /// Fills reservoirs as a person does.
    pub fn fill_reservoirs(&mut self) {
        self.rig.twin_mut().fill_reservoirs(0);
    }

    /// The state of the water, for the state file.
    pub(crate) fn snapshot(&self) -> twin::Snapshot {
        self.rig.twin().lane(0)
    }

    /// Continues from a state of the water; false when it is another system's.
    pub(crate) fn resume(&mut self, from: &twin::Snapshot) -> bool {
        let fits = self.rig.twin().lane(0).is_like(from);
        if fits {
            self.rig.twin_mut().set_lane(0, from);
        }
        fits
    }
}

impl World for Tank<'_> {
    fn machine(&self) -> &Machine<1> {
        self.rig.machine()
    }

    fn machine_mut(&mut self) -> &mut Machine<1> {
        self.rig.machine_mut()
    }

    fn set_machine(&mut self, machine: Machine<1>) {
        self.rig.set_machine(machine);
    }

    fn begin(&mut self) -> Power {
        let was_hung = self.rig.twin().board_hung() != 0;
        let had_power = std::mem::replace(&mut self.had_power, self.rig.twin().board_alive() != 0);
        let starts = self.rig.begin_scan() != 0;
        match (starts, self.rig.alive() != 0) {
            (true, _) if was_hung => Power::Starts(cause::WATCHDOG),
            (true, _) if had_power => Power::Starts(cause::BROWN_OUT),
            (true, _) => Power::Starts(cause::POWER),
            (_, true) => Power::Runs,
            _ => Power::Off,
        }
    }

    fn scan(&mut self, clock_s: Option<u32>) {
        self.rig.finish_scan([clock_s]);
    }

    fn utc_ms(&self) -> i64 {
        (self.start_utc_s - S_AT_2000) * 1000 + self.rig.twin().scan() as i64 * self.scan_ms
    }

    fn correct(&mut self, input: u8, correction: Option<Correction>) {
        self.rig.correct(input, correction);
    }

    fn raw(&self, input: u8) -> i32 {
        match self.rig.raw(input, 0) {
            twin::NO_ANSWER => 0,
            raw => raw,
        }
    }

    fn is_clock_lost(&self) -> bool {
        self.rig.twin().clock_lost() != 0
    }

    fn clock_was_set(&mut self) {
        self.rig.mend(0, Injection::Flaw(twin::Flaw::ClockLost));
    }
}
