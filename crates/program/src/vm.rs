//! The reference VM: one semantic kernel for each operation, over `L` simulations side by side.
//!
//! With `L = 1` it is the board; with more it runs that many boards in step, each in a lane. A lane's bits do not depend on
//! `L` nor on its neighbours. Storage belongs to the caller. [`scan`] decodes as it goes and needs no allocation;
//! [`crate::machine::Machine`] runs the same kernels over operations decoded once.

mod drive;
mod logic;
mod number;
mod procedure;
mod timing;

pub use procedure::ProcedureCommand;
use timing::WhenBad;

use crate::codec::Reader;
use crate::format::{PERIOD_UNIT_MS, Placed, Program};
use crate::op::{BitRef, NumRef, Op, Source};
use crate::quality::{BAD, GOOD};
use crate::zone::{DAY_S, Zone};

/// With the clock lost (or set back) a day ends after this much running time; more than 24 h so that a running clock,
/// however much its rate differs from the scan's, always decides first.
const LONGEST_DAY_MS: i32 = 25 * 3_600_000;

/// What an actuator gets from outside its rule.
#[derive(Clone, Copy, Debug)]
pub struct DriveState<const L: usize> {
    /// Hand demand: 0 or 1 for a switched actuator, permille for a modulated one.
    pub hand_value: [i32; L],
    /// How long hand lasts, ms; 0 when there is none.
    pub hand_left_ms: [i32; L],
    /// 0: not forced, 1: off, 2: on. Set anew by the procedures in each scan.
    pub(crate) force: [u8; L],
    /// 1: in the last scan the permissive or the trip decided.
    pub(crate) blocked: [u8; L],
}

impl<const L: usize> DriveState<L> {
    /// No hand, no procedure.
    pub const IDLE: Self =
        DriveState { hand_value: [0; L], hand_left_ms: [0; L], force: [0; L], blocked: [0; L] };
}

/// What all operations of a lane share.
#[derive(Clone, Copy, Debug)]
pub struct Common<const L: usize> {
    /// Input: UTC seconds since 2000-01-01T00:00:00Z.
    pub clock_s: [u32; L],
    /// Input: quality of the clock.
    pub clock_quality: [u8; L],
    /// Time since reset at this scan, ms, saturating.
    pub uptime_ms: [i32; L],
    /// The UTC day that the daily counts belong to (persistent).
    pub day: [u32; L],
    pub(crate) is_started: [u8; L],
    since_day_ms: [i32; L],
    is_new_day: [u8; L],
    /// Time since the last scan: 0 in the first, else the period.
    elapsed_ms: [i32; L],
    local: [LocalCache; L],
    any_force: bool,
}

/// Local time that holds for all clock readings from `from_s` on, `steady_s` long.
#[derive(Clone, Copy, Debug, Default)]
struct LocalCache {
    from_s: u32,
    steady_s: u32,
    second_of_day: u32,
    weekday: u8,
    day_of_year: u16,
}

impl<const L: usize> Common<L> {
    /// As after the very first start: no day, clock lost.
    pub fn new() -> Self {
        Common {
            clock_s: [0; L],
            clock_quality: [BAD; L],
            uptime_ms: [0; L],
            day: [0; L],
            is_started: [0; L],
            since_day_ms: [0; L],
            is_new_day: [0; L],
            elapsed_ms: [0; L],
            local: [LocalCache::default(); L],
            any_force: false,
        }
    }

    /// What a reset of the board does to one lane: all but the day is lost.
    #[cfg(feature = "alloc")]
    pub(crate) fn restart(&mut self, lane: usize) {
        self.clock_s[lane] = 0;
        self.clock_quality[lane] = BAD;
        self.uptime_ms[lane] = 0;
        self.is_started[lane] = 0;
        self.since_day_ms[lane] = 0;
    }

    /// Copies one lane from another storage of possibly different width.
    #[cfg(feature = "alloc")]
    pub(crate) fn copy_lane<const M: usize>(&mut self, to: usize, other: &Common<M>, from: usize) {
        self.clock_s[to] = other.clock_s[from];
        self.clock_quality[to] = other.clock_quality[from];
        self.uptime_ms[to] = other.uptime_ms[from];
        self.day[to] = other.day[from];
        self.is_started[to] = other.is_started[from];
        self.since_day_ms[to] = other.since_day_ms[from];
        self.is_new_day[to] = other.is_new_day[from];
        self.elapsed_ms[to] = other.elapsed_ms[from];
        self.local[to] = other.local[from];
        self.any_force |= other.any_force;
    }

    #[cfg(feature = "alloc")]
    pub(crate) fn least_uptime_ms(&self) -> i32 {
        self.uptime_ms.iter().copied().min().unwrap_or(0)
    }

    #[cfg(feature = "alloc")]
    pub(crate) fn is_new_day_anywhere(&self) -> bool {
        self.is_new_day != [0; L]
    }

    fn begin(&mut self, period_ms: i32) {
        for l in 0..L {
            let is_started = i32::from(self.is_started[l]);
            let elapsed = period_ms * is_started;
            self.elapsed_ms[l] = elapsed;
            self.uptime_ms[l] = self.uptime_ms[l].saturating_add(elapsed);
            self.since_day_ms[l] += elapsed;
            self.is_started[l] = 1;
            let has_clock = self.clock_quality[l] != BAD;
            let is_over = self.since_day_ms[l] >= LONGEST_DAY_MS;
            let day = &mut self.day[l];
            let is_later = has_clock && self.clock_s[l] >= day.saturating_add(1).saturating_mul(DAY_S);
            self.is_new_day[l] = u8::from(is_later || is_over);
            if is_later || is_over {
                *day = if has_clock {
                    self.clock_s[l] / DAY_S
                } else {
                    day.saturating_add(1).min(u32::MAX / DAY_S)
                };
                self.since_day_ms[l] = 0;
            }
        }
    }

    /// Local time of a lane; recomputed only when the cached stretch does not hold the clock's reading.
    fn local(&mut self, lane: usize, zone: &Zone) -> LocalCache {
        let clock = self.clock_s[lane];
        let cache = &mut self.local[lane];
        let since = clock.wrapping_sub(cache.from_s);
        if since < cache.steady_s {
            return LocalCache { second_of_day: cache.second_of_day + since, ..*cache };
        }
        let local = zone.local(clock);
        *cache = LocalCache {
            from_s: clock,
            steady_s: local.steady_for_s,
            second_of_day: local.second_of_day,
            weekday: local.weekday,
            day_of_year: local.day_of_year,
        };
        *cache
    }
}

impl<const L: usize> Default for Common<L> {
    fn default() -> Self {
        Common::new()
    }
}

/// Where a program's values live. All slices have at least the lengths of [`crate::Sizes`]; all start at zero
/// ([`DriveState::IDLE`], [`Common::new`]).
pub struct Storage<'s, const L: usize> {
    /// Values of number slots.
    pub numbers: &'s mut [[i32; L]],
    /// Qualities of number slots.
    pub qualities: &'s mut [[u8; L]],
    /// Bit slots: value in bit 0, quality above.
    pub bits: &'s mut [[u8; L]],
    /// State cells.
    pub cells: &'s mut [[i32; L]],
    /// One for each drive.
    pub drives: &'s mut [DriveState<L>],
    /// Operator's resets waiting for the next scan, one for each trip.
    pub resets: &'s mut [[u8; L]],
    /// Operator's commands waiting for the next scan, one for each procedure ([`ProcedureCommand`]).
    pub commands: &'s mut [[u8; L]],
    /// Shared by all operations.
    pub common: &'s mut Common<L>,
}

/// What does not change from scan to scan.
pub(crate) struct Frame<'a> {
    /// The program up to its checksum.
    pub code: &'a [u8],
    pub wide: bool,
    pub period_ms: i32,
    pub zone: Zone,
}

impl<'a> Frame<'a> {
    fn reader(&self, at: usize) -> Reader<'a> {
        Reader::new(self.code, at, self.wide)
    }
}

impl<const L: usize> Storage<'_, L> {
    #[inline(always)]
    fn bit(&self, slot: BitRef) -> [u8; L] {
        let mut bits = self.bits[slot.index()];
        let flip = u8::from(slot.is_negated());
        for bit in &mut bits {
            *bit ^= flip;
        }
        bits
    }

    #[inline(always)]
    fn number(&self, slot: NumRef) -> ([i32; L], [u8; L]) {
        (self.numbers[slot.index()], self.qualities[slot.index()])
    }

    #[inline(always)]
    fn source(&self, source: Source) -> ([i32; L], [u8; L]) {
        match source {
            Source::Slot(slot) => self.number(slot),
            Source::Constant(value) => ([value; L], [GOOD; L]),
        }
    }

    pub(crate) fn begin(&mut self, frame: &Frame<'_>) {
        let mut first = [0; L];
        for (first, started) in first.iter_mut().zip(&self.common.is_started) {
            *first = started ^ 1;
        }
        self.bits[0] = [1; L];
        self.bits[1] = first;
        self.common.begin(frame.period_ms);
        if self.common.any_force {
            self.common.any_force = false;
            for drive in self.drives.iter_mut() {
                drive.force = [0; L];
            }
        }
    }

    /// Carries out one operation. The whole meaning of a program is in what this calls.
    #[inline]
    pub(crate) fn run(&mut self, frame: &Frame<'_>, placed: &Placed) {
        let result = usize::from(placed.result);
        let cell = usize::from(placed.cell);
        let ordinal = usize::from(placed.ordinal);
        match placed.op {
            Op::Compare { relation, input, limit } => self.compare(result, relation, input, limit),
            Op::CompareSlots { relation, a, b } => self.compare_slots(result, relation, a, b),
            Op::Switch { rising, input, start, width } => self.switch(result, rising, input, start, width),
            Op::SetReset { set, reset } => self.set_reset(result, set, reset),
            Op::All(ref list) => self.all(result, list.as_slice()),
            Op::Any(ref list) => self.any(result, list.as_slice()),
            Op::VoteBits { vote, ref inputs } => self.vote_bits(result, vote, inputs.as_slice()),
            Op::Delay { input, on_ms, off_ms } => {
                self.delay(frame, result, cell, input, [on_ms, off_ms], WhenBad::StandsStill);
            }
            Op::Trip { cause, ref resets } => self.trip(result, cell, ordinal, cause, resets),
            Op::Stall { falling, running, input, time_ms, gain } => {
                self.stall(result, cell, falling, running, input, time_ms, gain);
            }
            Op::QualityTest(doubt) => self.quality_test(result, doubt),
            Op::Disagree { a, b, limit } => self.disagree(result, a, b, limit),
            Op::Window { time, from_ms, to_ms } => self.window(result, time, from_ms, to_ms),
            Op::SubstituteBit { input, fallback } => self.substitute_bit(result, input, fallback),
            Op::Alarm { input, on_ms, off_ms, .. } => {
                self.delay(frame, result, cell, input, [on_ms, off_ms], WhenBad::CountsAsTrue);
            }
            Op::Drive { auto, ref stage, shortest_run_ms, shortest_rest_ms } => {
                self.drive(frame, result, cell, ordinal, auto, stage, shortest_run_ms, shortest_rest_ms);
            }
            Op::Dose(ref dose) => self.dose(result, cell, dose),
            Op::Constant(value) => self.put(result, [value; L], [GOOD; L]),
            Op::Arithmetic { kind, a, b } => self.arithmetic(result, kind, a, b),
            Op::Scale { input, multiplier, divisor, offset } => {
                self.scale(result, input, multiplier, divisor, offset);
            }
            Op::Clamp { input, lowest, highest } => self.clamp(result, input, lowest, highest),
            Op::Lag { input, time_ms } => self.lag(frame, result, cell, input, time_ms),
            Op::Rate { input, window_ms } => self.rate(frame, result, cell, input, window_ms),
            Op::Probes { combine, ref inputs } => self.probes(result, combine, inputs.as_slice()),
            Op::Substitute { input, fallback } => self.substitute(result, input, fallback),
            Op::Select { condition, yes, no } => self.select(result, condition, yes, no),
            Op::Time(kind) => self.time(frame, result, kind),
            Op::Ramp { time, from_ms, to_ms, ramp_ms, highest } => {
                self.ramp(result, time, from_ms, to_ms, ramp_ms, highest.into());
            }
            Op::Curve { input, n_points, at } => self.curve(frame, result, input, n_points, at.into()),
            Op::TotalVolume { rate, running, is_daily } => {
                self.total_volume(result, cell, rate, running, is_daily);
            }
            Op::TotalRun { running, is_daily } => self.total_run(result, cell, running, is_daily),
            Op::Modulate(ref pi) => self.modulate(frame, result, cell, pi),
            Op::DriveDuty { auto, ref stage } => self.drive_duty(frame, result, ordinal, auto, stage),
            Op::Procedure { abort, n_steps, at } => {
                self.procedure(frame, result, cell, ordinal, abort, n_steps, at.into());
            }
        }
    }

    /// Carries out one operation and tells whether its result or any of its state is now different.
    #[cfg(feature = "alloc")]
    #[inline(always)]
    pub(crate) fn run_and_compare(&mut self, frame: &Frame<'_>, placed: &Placed) -> bool {
        const MOST_CELLS: usize = 5;
        let result = usize::from(placed.result);
        let cells = usize::from(placed.cell)..usize::from(placed.cell) + placed.op.n_cells().min(MOST_CELLS);
        let mut cells_before = [[0; L]; MOST_CELLS];
        for (before, cell) in cells_before.iter_mut().zip(&self.cells[cells.clone()]) {
            *before = *cell;
        }
        let drive = placed.op.is_drive().then_some(usize::from(placed.ordinal));
        let hand_before = drive.map(|drive| self.drives[drive].hand_left_ms);
        let result_differs = if placed.op.gives_bit() {
            let before = self.bits[result];
            self.run(frame, placed);
            before != self.bits[result]
        } else {
            let before = (self.numbers[result], self.qualities[result]);
            self.run(frame, placed);
            before != (self.numbers[result], self.qualities[result])
        };
        result_differs
            || cells_before.iter().zip(&self.cells[cells]).any(|(before, cell)| before != cell)
            || hand_before != drive.map(|drive| self.drives[drive].hand_left_ms)
    }

    #[inline(always)]
    fn put(&mut self, result: usize, values: [i32; L], qualities: [u8; L]) {
        self.numbers[result] = values;
        self.qualities[result] = qualities;
    }
}

/// Runs a program once over storage of at least its [`crate::Sizes`], decoding as it goes. Inputs are in their slots
/// before; outputs are in the drives' result slots after.
pub fn scan<const L: usize>(program: &Program<'_>, storage: &mut Storage<'_, L>) {
    let frame = program.frame();
    storage.begin(&frame);
    for placed in program.ops() {
        storage.run(&frame, &placed);
    }
}

/// A time in units of 250 ms, the finest scan period, in which integrals are kept.
#[inline(always)]
fn units(ms: i32) -> i32 {
    ms / PERIOD_UNIT_MS
}
