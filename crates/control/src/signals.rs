//! Signals to bits and numbers, each made once and only when something reads it.

use program::codec::MAX_DURATION_MS;
use program::op::{Arithmetic, BitList, Combine, NumList, Relation, Source, TimeKind, Vote};
use program::{BitRef, NumRef, Op};
use system::Diagnostic;
use system::expr::{Condition, Term};
use system::model::{ActuatorIdx, Derived, Scale, SignalIdx, SignalSource};

use crate::graph::{BitDef, NumberDef};
use crate::lower::Lowering;

/// Most probes that one operation combines.
const MOST_PROBES: usize = 4;
const MINUTE_MS: i32 = 60_000;
const HOUR_MS: i64 = 3_600_000;
const MS_PER_S: i32 = 1_000;
/// µL/min in a m³/s.
const UL_PER_MIN: f64 = 6e10;
/// Highest flow that the board counts (docs/control-program.md), µL/min.
const HIGHEST_UL_PER_MIN: f64 = 5e7;

/// Marks all signals that a condition names.
pub(crate) fn mark(condition: &Condition, needed: &mut [bool]) {
    match condition {
        Condition::Constant(_) => {}
        Condition::Signal(signal) | Condition::Bad(signal) => needed[signal.idx()] = true,
        Condition::Not(inner) => mark(inner, needed),
        Condition::All(parts) | Condition::Any(parts) => parts.iter().for_each(|part| mark(part, needed)),
        Condition::Compare { left, right, .. } => {
            for term in [left, right] {
                match term {
                    Term::Constant(_) => {}
                    Term::Signal(a) => needed[a.idx()] = true,
                    Term::Difference(a, b) | Term::Apart(a, b) => {
                        needed[a.idx()] = true;
                        needed[b.idx()] = true;
                    }
                }
            }
        }
    }
}

/// Marks what a derived signal reads.
pub(crate) fn mark_operands(derived: &Derived, needed: &mut [bool]) {
    match derived {
        Derived::Lag { of, .. } | Derived::Rate { of, .. } => needed[of.idx()] = true,
        Derived::Difference { left: a, right: b } | Derived::Substitute { of: a, with: b } => {
            needed[a.idx()] = true;
            needed[b.idx()] = true;
        }
        Derived::Vote { of, .. } | Derived::Middle { of } => {
            of.iter().for_each(|signal| needed[signal.idx()] = true);
        }
        Derived::OnDelay { condition, .. }
        | Derived::OffDelay { condition, .. }
        | Derived::Condition(condition) => mark(condition, needed),
        Derived::Totaliser { .. } | Derived::Schedule { .. } => {}
    }
}

impl<'s> Lowering<'s> {
    /// The bit of a two-state signal.
    pub(crate) fn bit_signal(&mut self, signal: SignalIdx) -> BitRef {
        if let Some(known) = self.bit_of[signal.idx()] {
            return known;
        }
        let system = self.system;
        let it = &system.signals[signal.idx()];
        let bit = match &it.source {
            SignalSource::Sensor(sensor) => self.graph.bit(BitDef::Input(*sensor)),
            SignalSource::Actuator(actuator) => self.running(*actuator),
            SignalSource::Tripped(actuator) if self.can_trip(*actuator) => {
                self.graph.bit(BitDef::Tripped(*actuator))
            }
            SignalSource::Tripped(_) => BitRef::FALSE,
            SignalSource::Running(procedure) => {
                let input = self.graph.number(NumberDef::Step(*procedure));
                self.graph.op(Op::Compare { relation: Relation::Above, input, limit: 0 })
            }
            SignalSource::FirstScan => BitRef::FIRST_SCAN,
            SignalSource::Derived(derived) => self.derived_bit(derived, &format!("signal.{}", it.name)),
        };
        self.bit_of[signal.idx()] = Some(bit);
        bit
    }

    /// Whether an actuator was on in the last scan.
    pub(crate) fn running(&mut self, actuator: ActuatorIdx) -> BitRef {
        let it = &self.system.actuators[actuator.idx()];
        if it.always {
            return BitRef::TRUE;
        }
        if it.modulated {
            let input = self.graph.number(NumberDef::Duty(actuator));
            return self.graph.op(Op::Compare { relation: Relation::Above, input, limit: 0 });
        }
        self.graph.bit(BitDef::Drive(actuator))
    }

    fn derived_bit(&mut self, derived: &'s Derived, key: &str) -> BitRef {
        match derived {
            Derived::Condition(condition) => self.condition_of(condition, &format!("{key}.condition")),
            Derived::OnDelay { condition, time_s } => {
                let input = self.condition_of(condition, &format!("{key}.of"));
                let on_ms = self.ms(*time_s, &format!("{key}.on_delay"));
                self.delay(input, on_ms, 0)
            }
            Derived::OffDelay { condition, time_s } => {
                let input = self.condition_of(condition, &format!("{key}.of"));
                let off_ms = self.ms(*time_s, &format!("{key}.off_delay"));
                self.delay(input, 0, off_ms)
            }
            Derived::Vote { of, need } => self.vote(of, *need, key),
            Derived::Schedule { from_min, to_min } => self.window(*from_min, *to_min),
            Derived::Substitute { of, with } => {
                let (input, fallback) = (self.bit_signal(*of), self.bit_signal(*with));
                self.graph.op(Op::SubstituteBit { input, fallback })
            }
            _ => {
                debug_assert!(false, "a numeric signal was read as a condition");
                BitRef::FALSE
            }
        }
    }

    /// Follows `input` after its delays.
    pub(crate) fn delay(&mut self, input: BitRef, on_ms: i32, off_ms: i32) -> BitRef {
        self.graph.op(Op::Delay { input, on_ms, off_ms })
    }

    /// Inside a daily window of local time, minutes of the day.
    pub(crate) fn window(&mut self, from_min: u16, to_min: u16) -> BitRef {
        let time = self.graph.number_op(Op::Time(TimeKind::LocalTimeOfDay));
        let (from_ms, to_ms) = (i32::from(from_min) * MINUTE_MS, i32::from(to_min) * MINUTE_MS);
        self.graph.op(Op::Window { time, from_ms, to_ms })
    }

    /// One of n and n of n are built from votes of two, which degrade in the same way.
    fn vote(&mut self, of: &[SignalIdx], need: u8, key: &str) -> BitRef {
        let bits: Vec<BitRef> = of.iter().map(|signal| self.bit_signal(*signal)).collect();
        let vote = match (usize::from(need), bits.len()) {
            (_, 1) => return bits[0],
            (1, _) => Vote::OneOfTwo,
            (2, 3) => {
                let inputs = BitList::new(&bits, BitRef::TRUE);
                return self.graph.op(Op::VoteBits { vote: Vote::TwoOfThree, inputs });
            }
            (need, n) if need == n => Vote::TwoOfTwo,
            (need, n) => {
                self.report(
                    Diagnostic::error("vote-not-on-board", format!("the board has no vote {need}oo{n}"))
                        .help("vote 1 of n, n of n, or 2oo3"),
                    &format!("{key}.vote"),
                    "",
                );
                return BitRef::FALSE;
            }
        };
        let (first, rest) = bits.split_at(1);
        rest.iter().fold(first[0], |so_far, next| {
            let inputs = BitList::new(&[so_far, *next], BitRef::TRUE);
            self.graph.op(Op::VoteBits { vote, inputs })
        })
    }

    /// The number of a numeric signal.
    pub(crate) fn number_signal(&mut self, signal: SignalIdx) -> NumRef {
        if let Some(known) = self.number_of[signal.idx()] {
            return known;
        }
        let system = self.system;
        let it = &system.signals[signal.idx()];
        let number = match &it.source {
            SignalSource::Sensor(sensor) => self.graph.number(NumberDef::Input(*sensor)),
            SignalSource::Derived(derived) => self.derived_number(derived, &format!("signal.{}", it.name)),
            _ => {
                debug_assert!(false, "a two-state signal was read as a number");
                self.graph.number_op(Op::Constant(0))
            }
        };
        self.number_of[signal.idx()] = Some(number);
        number
    }

    fn derived_number(&mut self, derived: &Derived, key: &str) -> NumRef {
        match derived {
            Derived::Lag { of, time_s } => {
                let input = self.number_signal(*of);
                let time_ms = self.ms(*time_s, &format!("{key}.lag"));
                self.graph.number_op(Op::Lag { input, time_ms })
            }
            Derived::Difference { left, right } => {
                let (a, b) = (self.number_signal(*left), self.number_signal(*right));
                self.graph.number_op(Op::Arithmetic { kind: Arithmetic::Difference, a, b })
            }
            Derived::Rate { of, over_s } => self.rate(*of, *over_s, key),
            Derived::Middle { of } => self.middle(of, key),
            Derived::Totaliser { actuator, flow } => self.totaliser(*actuator, *flow, key),
            Derived::Substitute { of, with } => {
                let (input, fallback) = (self.number_signal(*of), self.number_signal(*with));
                self.graph.number_op(Op::Substitute { input, fallback: Source::Slot(fallback) })
            }
            _ => {
                debug_assert!(false, "a condition was read as a number");
                self.graph.number_op(Op::Constant(0))
            }
        }
    }

    /// Change over a window of four equal parts, each a whole number of scans, brought to an hour.
    fn rate(&mut self, of: SignalIdx, over_s: f64, key: &str) -> NumRef {
        const PARTS: i32 = 4;
        /// Windows that differ by more than this are worth a word.
        const CLOSE: f64 = 0.1;
        let key = format!("{key}.rate");
        let wanted_ms = self.ms(over_s, &key);
        let scan_ms = self.scan_ms;
        let n_scans = (f64::from(wanted_ms) / f64::from(PARTS * scan_ms)).round().max(1.0);
        let most = MAX_DURATION_MS / (PARTS * scan_ms);
        let window_ms = (n_scans as i32).min(most) * PARTS * scan_ms;
        if (f64::from(window_ms) / f64::from(wanted_ms.max(1)) - 1.0).abs() > CLOSE {
            let seconds = f64::from(window_ms) / f64::from(MS_PER_S);
            self.report(
                Diagnostic::warning("window-rounded", format!("the rate is taken over {seconds} s"))
                    .note("the board keeps four values, each a whole number of scans apart")
                    .help(format!("write {seconds} s, or a longer window")),
                &key,
                "",
            );
        }
        let input = self.number_signal(of);
        let change = self.graph.number_op(Op::Rate { input, window_ms });
        let common = greatest_common_divisor(HOUR_MS, window_ms.into());
        let (multiplier, divisor) = ((HOUR_MS / common) as i32, (i64::from(window_ms) / common) as i32);
        if (multiplier, divisor) == (1, 1) {
            return change;
        }
        self.graph.number_op(Op::Scale { input: change, multiplier, divisor, offset: 0 })
    }

    fn middle(&mut self, of: &[SignalIdx], key: &str) -> NumRef {
        if of.len() > MOST_PROBES {
            self.report(
                Diagnostic::error(
                    "too-many-probes",
                    format!(
                        "the board takes the middle of at most {MOST_PROBES} probes, not of {}",
                        of.len()
                    ),
                )
                .help("leave some out"),
                &format!("{key}.middle"),
                "",
            );
        }
        let numbers: Vec<NumRef> =
            of.iter().take(MOST_PROBES).map(|signal| self.number_signal(*signal)).collect();
        match numbers.as_slice() {
            [only] => *only,
            _ => {
                let inputs = NumList::new(&numbers, NumRef(0));
                self.graph.number_op(Op::Probes { combine: Combine::MidValue, inputs })
            }
        }
    }

    fn totaliser(&mut self, actuator: ActuatorIdx, flow: Option<f64>, key: &str) -> NumRef {
        let running = self.running(actuator);
        let Some(flow) = flow else {
            let input = self.graph.number_op(Op::TotalRun { running, is_daily: true });
            return self.graph.number_op(Op::Scale { input, multiplier: MS_PER_S, divisor: 1, offset: 0 });
        };
        let rate = self.flow(flow, 1.0, &format!("{key}.total"));
        self.graph.number_op(Op::TotalVolume { rate, running, is_daily: true })
    }

    /// A calibrated flow as a number of the program, µL/min times `factor`.
    pub(crate) fn flow(&mut self, flow_m3_s: f64, factor: f64, key: &str) -> NumRef {
        let exact = flow_m3_s * UL_PER_MIN * factor;
        if exact > HIGHEST_UL_PER_MIN {
            self.report(
                Diagnostic::error("flow-too-high", "the board counts volumes of pumps up to 3000 L/h")
                    .help("limit a larger pump by its time, with `daily_run`"),
                key,
                "",
            );
        }
        self.graph.number_op(Op::Constant(exact.round().clamp(1.0, HIGHEST_UL_PER_MIN) as i32))
    }

    /// Whether a signal has two states.
    pub(crate) fn is_two_state(&self, signal: SignalIdx) -> bool {
        self.system.signals[signal.idx()].scale == Scale::Bool
    }
}

fn greatest_common_divisor(a: i64, b: i64) -> i64 {
    if b == 0 { a } else { greatest_common_divisor(b, a % b) }
}
