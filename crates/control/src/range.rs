//! Range analysis: which numbers every slot of a program can hold, and that no operation can leave 32 bits, for inputs within their
//! declared ranges.
//!
//! A program is straight-line, so one pass over it in wide integers is exact bookkeeping, not an approximation of loops. What it rests
//! on besides: a bad input has the value 0 and slots begin at 0 (docs/control-program.md, sections 2 and 5), so 0 belongs to every
//! range. The states inside operations are bounded by the format itself; the tests of this module hold those bounds:
//!
//! * timers add a period and stop at their preset; the longest preset and the longest period together are below 2^31 ms, and no
//!   operation reads a free-running counter, so nothing wraps, also not after 49.7 days;
//! * integrals of flow, lag and modulation add at most one scan's worth of a kept-down rate to a remainder that is below one unit;
//! * time and memory are those of [`program::Sizes`]: each operation runs once a scan, none loops over anything but its own
//!   operands, points or steps, and nothing recurses.

use program::op::{Arithmetic, DAY_MS, Source, TimeKind};
use program::{NumRef, Op, Program};

/// Lowest and highest value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Interval {
    /// Lowest.
    pub low: i64,
    /// Highest.
    pub high: i64,
}

/// An operation whose result cannot be proven to stay within what it can hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Unproven {
    /// Which operation of the program, counted from 0.
    pub op: usize,
    /// What it could come to before it saturates.
    pub reach: Interval,
    /// What it can hold.
    pub limit: Interval,
}

/// What is known about a program.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ranges {
    /// By number slot.
    pub numbers: Vec<Interval>,
    /// Operations that could saturate. Empty: none can.
    pub unproven: Vec<Unproven>,
}

/// Full duty, permille.
const FULL_DUTY: i64 = 1_000;
/// A day lasts at most so long on a board, with the clock lost (docs/control-program.md, section 3).
const LONGEST_DAY_S: i64 = 25 * 3_600;
/// Flow that a total counts at most, µL/min.
const HIGHEST_FLOW: i64 = 50_000_000;
/// A lag follows at most so large a difference in proportion.
const LAG_REACH: i64 = (1 << 24) - 1;
const I32: Interval = Interval { low: i32::MIN as i64, high: i32::MAX as i64 };

impl Interval {
    /// The interval with 0 in it.
    fn with_zero(self) -> Interval {
        Interval { low: self.low.min(0), high: self.high.max(0) }
    }

    fn point(value: i32) -> Interval {
        Interval { low: value.into(), high: value.into() }
    }

    fn hull(self, other: Interval) -> Interval {
        Interval { low: self.low.min(other.low), high: self.high.max(other.high) }
    }

    fn is_within(self, limit: Interval) -> bool {
        self.low >= limit.low && self.high <= limit.high
    }

    fn clamped(self, limit: Interval) -> Interval {
        Interval { low: self.low.clamp(limit.low, limit.high), high: self.high.clamp(limit.low, limit.high) }
    }

    fn minus(self, other: Interval) -> Interval {
        Interval { low: self.low - other.high, high: self.high - other.low }
    }
}

/// Looks through a program. `inputs` are the declared ranges of its number inputs, in their order; an input without one can be
/// anything.
pub fn analyse(program: &Program<'_>, inputs: &[(i32, i32)]) -> Ranges {
    let n_numbers = usize::from(program.sizes().n_numbers);
    // Nothing is known of what has not been looked at, so a reader that stands before its source is not taken in.
    let mut numbers = vec![I32; n_numbers];
    for (slot, interval) in numbers.iter_mut().enumerate().take(program.n_number_inputs()) {
        *interval = inputs
            .get(slot)
            .map_or(I32, |(low, high)| Interval { low: i64::from(*low), high: i64::from(*high) }.with_zero());
    }
    // States that later operations keep are read before them; their bounds do not depend on anything.
    for placed in program.ops() {
        if let Some(bound) = fixed_bound(&placed.op) {
            numbers[usize::from(placed.result)] = bound;
        }
    }
    let mut ranges = Ranges { numbers, unproven: vec![] };
    for (index, placed) in program.ops().enumerate() {
        let (reach, limit) = ranges.reach(&placed.op);
        if !reach.is_within(limit) {
            ranges.unproven.push(Unproven { op: index, reach, limit });
        }
        if !placed.op.gives_bit() {
            ranges.numbers[usize::from(placed.result)] = reach.clamped(I32).with_zero();
        }
    }
    ranges
}

/// Results that hold whatever the operands are.
fn fixed_bound(op: &Op) -> Option<Interval> {
    let upto = |high: i64| Some(Interval { low: 0, high });
    match op {
        Op::DriveDuty { .. } => upto(FULL_DUTY),
        Op::Procedure { n_steps, .. } => upto(i64::from(*n_steps)),
        Op::Modulate(pi) => upto(pi.highest.into()),
        Op::Ramp { highest, .. } => upto(i64::from(*highest)),
        Op::Time(TimeKind::LocalTimeOfDay | TimeKind::UtcTimeOfDay) => upto(i64::from(DAY_MS) - 1),
        Op::Time(TimeKind::Weekday) => upto(6),
        Op::Time(TimeKind::DayOfYear) => upto(365),
        Op::TotalRun { is_daily: true, .. } => upto(LONGEST_DAY_S),
        Op::TotalRun { is_daily: false, .. } | Op::TotalVolume { is_daily: false, .. } => upto(I32.high),
        _ => None,
    }
}

impl Ranges {
    fn of(&self, slot: NumRef) -> Interval {
        self.numbers[slot.index()]
    }

    fn source(&self, source: Source) -> Interval {
        match source {
            Source::Slot(slot) => self.of(slot),
            Source::Constant(value) => Interval::point(value),
        }
    }

    /// What an operation works out before it saturates, and what that may come to.
    fn reach(&self, op: &Op) -> (Interval, Interval) {
        if let Some(bound) = fixed_bound(op) {
            return (bound, bound);
        }
        let within = |reach| (reach, I32);
        match op {
            Op::Constant(value) => within(Interval::point(*value)),
            Op::Arithmetic { kind, a, b } => {
                let (a, b) = (self.of(*a), self.of(*b));
                within(match kind {
                    Arithmetic::Sum => Interval { low: a.low + b.low, high: a.high + b.high },
                    Arithmetic::Difference => a.minus(b),
                    Arithmetic::Minimum => Interval { low: a.low.min(b.low), high: a.high.min(b.high) },
                    Arithmetic::Maximum => Interval { low: a.low.max(b.low), high: a.high.max(b.high) },
                })
            }
            Op::Scale { input, multiplier, divisor, offset } => {
                let x = self.of(*input);
                // The product is within 62 bits; one more covers the rounding of the quotient.
                let end = |value: i64| {
                    value * i64::from(*multiplier) / i64::from((*divisor).max(1)) + i64::from(*offset)
                };
                let (a, b) = (end(x.low), end(x.high));
                within(Interval { low: a.min(b) - 1, high: a.max(b) + 1 })
            }
            Op::Clamp { input, lowest, highest } => {
                let limit = Interval { low: i64::from(*lowest), high: i64::from(*highest) };
                within(self.of(*input).clamped(limit))
            }
            // A lag stays between what it has seen; a step beyond its reach would make it slower than it says.
            Op::Lag { input, .. } => {
                let x = self.of(*input);
                let steps = x.minus(x);
                if steps.high > LAG_REACH {
                    return (steps, Interval { low: -LAG_REACH, high: LAG_REACH });
                }
                within(x)
            }
            Op::Rate { input, .. } => {
                let x = self.of(*input);
                within(x.minus(x))
            }
            Op::Probes { inputs, .. } => {
                let all = inputs.as_slice().iter().map(|slot| self.of(*slot));
                within(all.reduce(Interval::hull).unwrap_or(Interval::point(0)))
            }
            Op::Substitute { input, fallback } => within(self.of(*input).hull(self.source(*fallback))),
            Op::Select { yes, no, .. } => within(self.source(*yes).hull(self.source(*no))),
            Op::Curve { .. } => {
                // Points lie within 10^9 and results between points, so no reading of them is needed.
                const CURVE_REACH: i64 = 1_000_000_000;
                within(Interval { low: -CURVE_REACH, high: CURVE_REACH })
            }
            Op::TotalVolume { rate, .. } => {
                let flow = self.of(*rate);
                let limit = Interval { low: 0, high: HIGHEST_FLOW };
                if !flow.is_within(limit) {
                    return (flow, limit);
                }
                // µL/min over a day, in mL.
                within(Interval { low: 0, high: flow.high * LONGEST_DAY_S / 60 / 1_000 + 1 })
            }
            Op::Dose(dose) => (self.of(dose.rate), Interval { low: 0, high: HIGHEST_FLOW }),
            Op::Stall { input, .. } => {
                let x = self.of(*input);
                within(x.minus(x))
            }
            Op::Switch { rising, start, width, .. } => {
                let sign = if *rising { -1 } else { 1 };
                let stop = i64::from(*start) + sign * i64::from(*width);
                within(Interval { low: stop, high: stop })
            }
            _ => {
                debug_assert!(op.gives_bit(), "every number has its bound above");
                (Interval::point(0), I32)
            }
        }
    }
}
