//! The operations of a control program: their operands, and how they stand in bytes.
//!
//! `docs/control-program.md` gives each one's exact result; the kernels in [`crate::vm`] carry it out. An operation's
//! result goes to the next free slot of its bank, so no destination is written down: operations below 0x20 give a bit,
//! those from 0x20 a number. Tables that change together: [`Op::read`] (in
//! `op/read.rs`), `Op::write` (in `op/write.rs`), [`Op::n_cells`], [`Op::for_each_operand_mut`] and the document.

mod read;
#[cfg(feature = "alloc")]
mod write;

/// A number slot.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct NumRef(pub u16);

impl NumRef {
    /// Index into the number bank.
    #[inline(always)]
    pub fn index(self) -> usize {
        self.0 as usize
    }
}

/// A bit slot; the top bit negates what is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct BitRef(pub u16);

impl BitRef {
    /// The slot that is always true.
    pub const TRUE: BitRef = BitRef(0);
    /// The slot that is always true, negated.
    pub const FALSE: BitRef = BitRef(0x8000);
    /// The slot that is true in the first scan after a reset.
    pub const FIRST_SCAN: BitRef = BitRef(1);
    /// How many bit slots stand before the bit inputs.
    pub const N_BUILT_IN: usize = 2;

    /// Index into the bit bank.
    #[inline(always)]
    pub fn index(self) -> usize {
        (self.0 & 0x7FFF) as usize
    }

    /// Whether what is read is negated.
    #[inline(always)]
    pub fn is_negated(self) -> bool {
        self.0 & 0x8000 != 0
    }
}

impl core::ops::Not for BitRef {
    type Output = BitRef;

    fn not(self) -> BitRef {
        BitRef(self.0 ^ 0x8000)
    }
}

/// Up to `N` operands, kept in place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct List<T, const N: usize> {
    n_items: u8,
    items: [T; N],
}

impl<T: Copy, const N: usize> List<T, N> {
    /// The first `N` of `items`; `filler` stands in the unused places.
    pub fn new(items: &[T], filler: T) -> Self {
        let mut list = List { n_items: items.len().min(N) as u8, items: [filler; N] };
        for (place, item) in list.items.iter_mut().zip(items) {
            *place = *item;
        }
        list
    }

    /// The operands in order.
    #[inline(always)]
    pub fn as_slice(&self) -> &[T] {
        &self.items[..(self.n_items as usize).min(N)]
    }

    pub(crate) fn as_mut_slice(&mut self) -> &mut [T] {
        &mut self.items[..(self.n_items as usize).min(N)]
    }
}

/// Operands of the boolean operations.
pub type BitList = List<BitRef, 8>;
/// Operands of the probe combinations.
pub type NumList = List<NumRef, 4>;

/// How two numbers are compared. The other relations come from negating the result or swapping operands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Relation {
    /// `a > b`
    Above,
    /// `a >= b`
    AtLeast,
    /// `a == b`
    Equal,
}

/// Voting of redundant contacts (IEC 61511 names).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Vote {
    /// One of two.
    OneOfTwo,
    /// Two of two.
    TwoOfTwo,
    /// Two of three.
    TwoOfThree,
}

impl Vote {
    /// How many operands the vote has.
    pub fn n_operands(self) -> usize {
        if self == Vote::TwoOfThree { 3 } else { 2 }
    }

    /// How many of the `n_usable` operands must be true; `u8::MAX` when none is usable.
    pub fn needed(self, n_usable: u8) -> u8 {
        match (self, n_usable) {
            (_, 0) => u8::MAX,
            (Vote::TwoOfTwo, 2) | (Vote::TwoOfThree, 3) => 2,
            _ => 1,
        }
    }
}

/// How a tripped latch may reset by itself; an operator's reset always works once the cause is gone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Resets {
    /// Only by an operator.
    Manual,
    /// By itself when the bit is true, at most this many times a UTC day.
    Counted {
        /// When it may reset.
        when: BitRef,
        /// 1 to 255.
        per_day: u8,
    },
    /// By itself whenever the bit is true.
    Unlimited {
        /// When it may reset.
        when: BitRef,
    },
}

/// Which quality question [`Op::QualityTest`] asks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Doubt {
    /// True when the number is bad.
    NumberBad(NumRef),
    /// True when the number is uncertain or bad.
    NumberNotGood(NumRef),
    /// True when the bit is bad.
    BitBad(BitRef),
    /// True when the bit is uncertain or bad.
    BitNotGood(BitRef),
}

/// Alarm priority (IEC 62682).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Priority {
    /// Answer the same day.
    Low,
    /// Answer soon.
    Medium,
    /// Answer at once.
    High,
}

/// What an actuator does while its automatic demand is bad.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WhenBlind {
    /// Off (duty 0).
    Off,
    /// On (duty 1000).
    On,
    /// What it did before.
    Hold,
}

/// Two-operand arithmetic, saturating.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Arithmetic {
    /// `a + b`
    Sum,
    /// `a - b`
    Difference,
    /// The smaller.
    Minimum,
    /// The larger.
    Maximum,
}

/// How several probes of one quantity become one value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Combine {
    /// Arithmetic mean of the usable ones.
    Mean,
    /// Middle value of the usable ones (mean of the middle two when their number is even).
    MidValue,
    /// Smallest of the usable ones.
    Lowest,
    /// Largest of the usable ones.
    Highest,
}

/// A number operand that is a slot or a constant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Source {
    /// The value and quality of a slot.
    Slot(NumRef),
    /// A constant, good.
    Constant(i32),
}

/// What [`Op::Time`] tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeKind {
    /// Local civil time of day, ms.
    LocalTimeOfDay,
    /// Local weekday, Sunday = 0.
    Weekday,
    /// Local day of the year, 1 January = 0.
    DayOfYear,
    /// UTC time of day, ms.
    UtcTimeOfDay,
}

/// What every actuator's final stage has beside its demand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stage {
    /// Off at once unless true and not bad.
    pub permissive: BitRef,
    /// To the tripped state at once when true or bad.
    pub trip: BitRef,
    /// What it does while the demand is bad.
    pub when_blind: WhenBlind,
    /// State from reset until `start_delay_ms` has passed.
    pub on_at_power_up: bool,
    /// State while tripped.
    pub on_when_tripped: bool,
    /// How long after reset the demand is not yet followed (staggered restart), ms.
    pub start_delay_ms: i32,
}

impl Stage {
    /// No permissive, no trip, everything off.
    pub const PLAIN: Stage = Stage {
        permissive: BitRef::TRUE,
        trip: BitRef::FALSE,
        when_blind: WhenBlind::Off,
        on_at_power_up: false,
        on_when_tripped: false,
        start_delay_ms: 0,
    };
}

/// PI control to a duty in permille.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Modulate {
    /// Measured value.
    pub input: NumRef,
    /// Wanted value.
    pub setpoint: i32,
    /// True when more duty lowers the input (a fan), false when it raises it (a heater).
    pub is_cooling: bool,
    /// Permille of duty for 1000 units of deviation (per kelvin, per pH, per mm), 0 to 1 000 000.
    pub gain: i32,
    /// Integral time, ms; at least one scan period is used.
    pub integral_ms: i32,
    /// Smallest duty, permille.
    pub lowest: i16,
    /// Largest duty, permille.
    pub highest: i16,
}

/// A volume a day in equal portions within a window of the day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Dose {
    /// Time of day in ms that places the portions.
    pub time: NumRef,
    /// Flow of the pump, µL/min (from its calibration).
    pub rate: NumRef,
    /// Whether the pump ran since the last scan: the drive's own result.
    pub running: BitRef,
    /// Volume a day, mL; at most 8000 mL a portion.
    pub volume_ml: i32,
    /// 1 to 96.
    pub n_portions: u8,
    /// Start of the window, ms of the day.
    pub from_ms: i32,
    /// End of the window, ms of the day; equal to the start means the whole day.
    pub to_ms: i32,
}

/// One operation. See `docs/control-program.md` for the exact results.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "each field is named as in docs/control-program.md, beside the operation")]
pub enum Op {
    /// 0x01: input against a constant.
    Compare { relation: Relation, input: NumRef, limit: i32 },
    /// 0x02: two inputs.
    CompareSlots { relation: Relation, a: NumRef, b: NumRef },
    /// 0x03: two-threshold switch; rising: on above `start`, off below `stop`; else on below, off above.
    Switch { rising: bool, input: NumRef, start: i32, width: i32 },
    /// 0x04: on by `set`, off by `reset`, which wins.
    SetReset { set: BitRef, reset: BitRef },
    /// 0x05: all true.
    All(BitList),
    /// 0x06: any true.
    Any(BitList),
    /// 0x07: vote of contacts, degrading.
    VoteBits { vote: Vote, inputs: BitList },
    /// 0x08: follows the input when it has differed for long enough.
    Delay { input: BitRef, on_ms: i32, off_ms: i32 },
    /// 0x09: tripped latch.
    Trip { cause: BitRef, resets: Resets },
    /// 0x0A: on for `time_ms` without a change of `gain`.
    Stall { falling: bool, running: BitRef, input: NumRef, time_ms: i32, gain: i32 },
    /// 0x0B: asks for a quality.
    QualityTest(Doubt),
    /// 0x0C: whether two inputs differ by more than `limit`.
    Disagree { a: NumRef, b: NumRef, limit: i32 },
    /// 0x0D: whether the time of day lies in a window.
    Window { time: NumRef, from_ms: i32, to_ms: i32 },
    /// 0x0E: `fallback` while `input` is bad.
    SubstituteBit { input: BitRef, fallback: BitRef },
    /// 0x0F: alarm condition with delays; 0x12: without a delay of its return.
    Alarm { priority: Priority, input: BitRef, on_ms: i32, off_ms: i32 },
    /// 0x10: final stage of a switched actuator.
    Drive { auto: BitRef, stage: Stage, shortest_run_ms: i32, shortest_rest_ms: i32 },
    /// 0x11: metered dose.
    Dose(Dose),
    /// 0x20: a constant.
    Constant(i32),
    /// 0x21: two-operand arithmetic.
    Arithmetic { kind: Arithmetic, a: NumRef, b: NumRef },
    /// 0x22: `input * multiplier / divisor + offset`.
    Scale { input: NumRef, multiplier: i32, divisor: i32, offset: i32 },
    /// 0x23: kept within limits.
    Clamp { input: NumRef, lowest: i32, highest: i32 },
    /// 0x24: first-order lag.
    Lag { input: NumRef, time_ms: i32 },
    /// 0x25: change over a window.
    Rate { input: NumRef, window_ms: i32 },
    /// 0x26: several probes to one value, degrading.
    Probes { combine: Combine, inputs: NumList },
    /// 0x27: `fallback` while `input` is bad.
    Substitute { input: NumRef, fallback: Source },
    /// 0x28: one of two.
    Select { condition: BitRef, yes: Source, no: Source },
    /// 0x29: the clock.
    Time(TimeKind),
    /// 0x2A: schedule with ramps, permille.
    Ramp { time: NumRef, from_ms: i32, to_ms: i32, ramp_ms: i32, highest: i16 },
    /// 0x2B: piecewise linear curve; `at` is the offset of its points in the program.
    Curve { input: NumRef, n_points: u8, at: u16 },
    /// 0x2C: volume run through, mL.
    TotalVolume { rate: NumRef, running: BitRef, is_daily: bool },
    /// 0x2D: time run, s.
    TotalRun { running: BitRef, is_daily: bool },
    /// 0x2E: PI control.
    Modulate(Modulate),
    /// 0x2F: final stage of a modulated actuator.
    DriveDuty { auto: NumRef, stage: Stage },
    /// 0x30: operator's procedure; `at` is the offset of its steps in the program.
    Procedure { abort: BitRef, n_steps: u8, at: u16 },
}

/// How a procedure's step ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StepEnd {
    /// After its time the next step follows.
    Timed,
    /// On the operator's confirmation the next step follows; after its time the procedure ends.
    Confirmed,
    /// When the bit is true and not bad the next step follows; after its time the procedure ends.
    When(BitRef),
}

/// One step of a procedure as read from the program; its forces follow in the reader.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Step {
    /// How it ends.
    pub end: StepEnd,
    /// Its longest time, ms.
    pub longest_ms: i32,
    /// How many force bytes follow.
    pub n_forces: u8,
}

/// A force byte: the actuator (by order of its drive) and what it is made to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Force {
    /// Actuator, 0 to 127, by order of drives in the program.
    pub drive: u8,
    /// On or off.
    pub is_on: bool,
}

impl Force {
    pub(crate) fn from_byte(byte: u8) -> Force {
        Force { drive: byte & 0x7F, is_on: byte & 0x80 != 0 }
    }
}

/// Either kind of operand, to be changed in place.
#[derive(Debug)]
pub enum OperandMut<'a> {
    /// A number slot.
    Number(&'a mut NumRef),
    /// A bit slot.
    Bit(&'a mut BitRef),
}

/// Either kind of operand, as [`Op::for_each_operand`] lists them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Operand {
    /// A number slot.
    Number(NumRef),
    /// A bit slot.
    Bit(BitRef),
}

impl Op {
    /// Whether the result is a bit (else a number).
    #[inline(always)]
    pub fn gives_bit(&self) -> bool {
        !matches!(
            self,
            Op::Constant(_)
                | Op::Arithmetic { .. }
                | Op::Scale { .. }
                | Op::Clamp { .. }
                | Op::Lag { .. }
                | Op::Rate { .. }
                | Op::Probes { .. }
                | Op::Substitute { .. }
                | Op::Select { .. }
                | Op::Time(_)
                | Op::Ramp { .. }
                | Op::Curve { .. }
                | Op::TotalVolume { .. }
                | Op::TotalRun { .. }
                | Op::Modulate(_)
                | Op::DriveDuty { .. }
                | Op::Procedure { .. }
        )
    }

    /// Whether it is a final stage, that is, an output.
    pub fn is_drive(&self) -> bool {
        matches!(self, Op::Drive { .. } | Op::DriveDuty { .. })
    }

    /// How many state cells (32 bits each) it has beside its result slot.
    #[inline(always)]
    pub fn n_cells(&self) -> usize {
        match self {
            Op::Rate { .. } => 5,
            Op::Stall { .. } | Op::Dose(_) | Op::Modulate(_) => 2,
            Op::Delay { .. }
            | Op::Trip { .. }
            | Op::Alarm { .. }
            | Op::Drive { .. }
            | Op::Lag { .. }
            | Op::TotalVolume { .. }
            | Op::TotalRun { .. }
            | Op::Procedure { .. } => 1,
            _ => 0,
        }
    }

    /// Whether the result survives a reset of the board, and so belongs to a UTC day or to an operator.
    pub fn is_persistent(&self) -> bool {
        matches!(self, Op::Trip { .. } | Op::TotalVolume { .. } | Op::TotalRun { .. })
    }

    /// Lists every slot operand, except those inside a procedure's steps.
    pub fn for_each_operand(&self, mut visit: impl FnMut(Operand)) {
        let mut op = *self;
        op.for_each_operand_mut(|operand| {
            visit(match operand {
                OperandMut::Number(slot) => Operand::Number(*slot),
                OperandMut::Bit(slot) => Operand::Bit(*slot),
            });
        });
    }

    /// Lists every slot operand, to be changed, except those inside a procedure's steps.
    pub fn for_each_operand_mut(&mut self, mut visit: impl FnMut(OperandMut<'_>)) {
        use OperandMut::{Bit, Number};
        match self {
            Op::Compare { input, .. }
            | Op::Switch { input, .. }
            | Op::Window { time: input, .. }
            | Op::Scale { input, .. }
            | Op::Clamp { input, .. }
            | Op::Lag { input, .. }
            | Op::Rate { input, .. }
            | Op::Ramp { time: input, .. }
            | Op::Curve { input, .. }
            | Op::Modulate(Modulate { input, .. })
            | Op::QualityTest(Doubt::NumberBad(input) | Doubt::NumberNotGood(input)) => visit(Number(input)),
            Op::CompareSlots { a, b, .. } | Op::Disagree { a, b, .. } | Op::Arithmetic { a, b, .. } => {
                visit(Number(a));
                visit(Number(b));
            }
            Op::Probes { inputs, .. } => {
                inputs.as_mut_slice().iter_mut().for_each(|slot| visit(Number(slot)))
            }
            Op::Substitute { input, fallback } => {
                visit(Number(input));
                if let Source::Slot(slot) = fallback {
                    visit(Number(slot));
                }
            }
            Op::Select { condition, yes, no } => {
                for source in [yes, no] {
                    if let Source::Slot(slot) = source {
                        visit(Number(slot));
                    }
                }
                visit(Bit(condition));
            }
            Op::Stall { running, input, .. } | Op::TotalVolume { running, rate: input, .. } => {
                visit(Number(input));
                visit(Bit(running));
            }
            Op::Dose(dose) => {
                visit(Number(&mut dose.time));
                visit(Number(&mut dose.rate));
                visit(Bit(&mut dose.running));
            }
            Op::DriveDuty { auto, stage } => {
                visit(Number(auto));
                visit(Bit(&mut stage.permissive));
                visit(Bit(&mut stage.trip));
            }
            Op::Constant(_) | Op::Time(_) => {}
            Op::All(list) | Op::Any(list) | Op::VoteBits { inputs: list, .. } => {
                list.as_mut_slice().iter_mut().for_each(|slot| visit(Bit(slot)));
            }
            Op::SetReset { set: a, reset: b } | Op::SubstituteBit { input: a, fallback: b } => {
                visit(Bit(a));
                visit(Bit(b));
            }
            Op::Delay { input, .. }
            | Op::Alarm { input, .. }
            | Op::TotalRun { running: input, .. }
            | Op::Procedure { abort: input, .. }
            | Op::QualityTest(Doubt::BitBad(input) | Doubt::BitNotGood(input)) => visit(Bit(input)),
            Op::Trip { cause, resets } => {
                visit(Bit(cause));
                if let Resets::Counted { when, .. } | Resets::Unlimited { when } = resets {
                    visit(Bit(when));
                }
            }
            Op::Drive { auto, stage, .. } => {
                for slot in [auto, &mut stage.permissive, &mut stage.trip] {
                    visit(Bit(slot));
                }
            }
        }
    }
}

/// Largest volume of one portion, mL, so that its integral stays within `i32`.
pub const MAX_PORTION_ML: i32 = 8_000;

/// Bits of the byte that says what a final stage has.
pub(crate) mod stage_bits {
    pub const PERMISSIVE: u8 = 1;
    pub const TRIP: u8 = 2;
    pub const START_DELAY: u8 = 4;
    pub const ON_AT_POWER_UP: u8 = 8;
    pub const BLIND_SHIFT: u8 = 4;
    pub const SHORTEST_RUN: u8 = 0x40;
    pub const SHORTEST_REST: u8 = 0x80;
}

/// A day in ms.
pub const DAY_MS: i32 = 86_400_000;
