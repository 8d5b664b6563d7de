//! What a compiler can tell a person beyond "it compiles": comparisons that never change, deadbands finer than the probe, programs
//! beyond the chip, ranges that are not proven.

use program::Program;
use program::eeprom::Map;
use system::Diagnostic;
use system::expr::Term;
use system::model::{Derived, Scale, SensorKind, SignalIdx, SignalSource};
use system::parts::Library;

use crate::lower::Lowering;
use crate::range::{self, Interval};
use crate::{Input, InputPlace};

impl Lowering<'_> {
    /// Reports a comparison of two signals whose ranges never meet. (Those with a constant are found when the file is read.)
    pub(crate) fn check_signals_meet(&mut self, left: &Term, right: &Term) {
        let (Some(a), Some(b)) = (self.declared(left), self.declared(right)) else { return };
        let less = a.high < b.low;
        let more = a.low > b.high;
        if less || more {
            let way = if more { "above" } else { "below" };
            let key = self.at.clone();
            self.report(
                Diagnostic::warning(
                    "comparison-never-changes",
                    format!("this comparison never changes: the left side always lies {way} the right"),
                )
                .note(format!(
                    "left {} to {}, right {} to {}, in the board's counts",
                    a.low, a.high, b.low, b.high
                ))
                .help("compare other signals, or widen the `range` of one"),
                &key,
                "",
            );
        }
    }

    fn declared(&self, term: &Term) -> Option<Interval> {
        let of = |signal: SignalIdx| {
            let (low, high) = self.system.signals[signal.idx()].range;
            Interval { low: low.into(), high: high.into() }
        };
        match term {
            Term::Constant(_) => None,
            Term::Signal(signal) => Some(of(*signal)),
            Term::Difference(a, b) => {
                let (a, b) = (of(*a), of(*b));
                Some(Interval { low: a.low - b.high, high: a.high - b.low })
            }
            Term::Apart(a, b) => {
                let (a, b) = (of(*a), of(*b));
                Some(Interval { low: 0, high: (a.high - b.low).max(b.high - a.low) })
            }
        }
    }

    /// Reports a deadband that may hold no reading at all, so that one step of the converter switches on and the next one off.
    pub(crate) fn check_deadband(&mut self, term: &Term, width: i32, key: &str) {
        let step = match term {
            Term::Constant(_) => None,
            Term::Signal(signal) => self.resolution(*signal),
            Term::Difference(a, b) | Term::Apart(a, b) => self.coarser(*a, *b),
        };
        let Some(step) = step.filter(|step| f64::from(width) < *step) else { return };
        self.report(
            Diagnostic::warning(
                "deadband-below-resolution",
                format!("the deadband of {width} counts is finer than the probe, which steps by {step:.0}"),
            )
            .note("counts are thousandths of a degree or of a pH unit, and micrometres of level")
            .help("set start and stop further apart, or take a finer probe"),
            key,
            "",
        );
    }

    /// Step of the readings of a signal, in its counts; `None` when it is not known or does not matter.
    fn resolution(&self, signal: SignalIdx) -> Option<f64> {
        let it = &self.system.signals[signal.idx()];
        match &it.source {
            SignalSource::Sensor(sensor) => {
                let sensor = &self.system.sensors[sensor.idx()];
                let counts = match it.scale {
                    Scale::MilliCelsius | Scale::MilliPh => 1e3,
                    Scale::Micrometre => 1e6,
                    _ => return None,
                };
                let of_part = || Library::builtin().value(&sensor.part, "resolution");
                step_of(&sensor.kind).or_else(of_part).map(|step| step * counts)
            }
            // A lag or a mean only averages steps that are there; what it shows in between comes late.
            SignalSource::Derived(Derived::Substitute { of, with }) => self.coarser(*of, *with),
            SignalSource::Derived(Derived::Difference { left, right }) => self.coarser(*left, *right),
            _ => None,
        }
    }

    fn coarser(&self, a: SignalIdx, b: SignalIdx) -> Option<f64> {
        [self.resolution(a), self.resolution(b)].into_iter().flatten().reduce(f64::max)
    }

    /// Reports a program that a board could never take as a trial.
    pub(crate) fn check_slot(&mut self, n_bytes: usize) {
        let Some(board) = self.system.boards.first() else { return };
        let Some(chip) = Library::builtin().chip(&board.chip) else { return };
        let slot = Map::for_size(chip.eeprom as usize).map_or(0, |map| map.slot);
        // A program with every signal is for rehearsal; it is never loaded.
        if n_bytes <= slot || self.options.keep_all_signals {
            return;
        }
        let (name, chip) = (board.name.clone(), chip.name.clone());
        self.report(
            Diagnostic::warning(
                "program-exceeds-slot",
                format!("the program takes {n_bytes} bytes; a program slot of the {chip} holds {slot}"),
            )
            .note(
                "it can be rehearsed, but not be loaded as a trial that falls back to the last confirmed one",
            )
            .help("leave alarms to the station, share conditions as `[[signal]]`, or take a larger chip")
            .subject(name.clone()),
            &format!("board.{name}.chip"),
            "",
        );
    }

    /// Reports a program whose scans are not known to leave the board enough of each period for its buses, display and link.
    pub(crate) fn check_time(&mut self, program: &Program<'_>) {
        /// Part of a period that a scan may take. (Own choice: a scan that took more would delay the link by as much.)
        const SHARE: u64 = 4;
        let scan_us = program::cost::scan_microseconds(program);
        let period_ms = u64::from(program.period_ms().unsigned_abs());
        // A program with every signal is for rehearsal; it is never loaded.
        if scan_us <= period_ms * 1_000 / SHARE || self.options.keep_all_signals {
            return;
        }
        self.findings.push(
            Diagnostic::warning(
                "scan-time-not-proven",
                format!("a scan could take {} ms of its period of {period_ms} ms", scan_us.div_ceil(1_000)),
            )
            .note("on an 8-bit board at 16 MHz; sum of the longest time of each operation, whatever the inputs are")
            .help("take a longer scan period, or leave alarms to the station"),
        );
    }

    /// Reports every operation of which it is not proven that it stays within what it can hold.
    pub(crate) fn check_ranges(&mut self, program: &Program<'_>, inputs: &[Input], listing: &str) {
        let declared: Vec<(i32, i32)> = inputs
            .iter()
            .filter(|input| matches!(input.place, InputPlace::Number(_)))
            .map(|input| self.system.signals[self.system.sensors[input.sensor.idx()].signal.idx()].range)
            .collect();
        for unproven in range::analyse(program, &declared).unproven {
            let line = listing.lines().filter(|line| line.contains(" = ") && !line.contains(" = input "));
            let line = line.map(str::trim).nth(unproven.op).unwrap_or_default().to_owned();
            let (reach, limit) = (unproven.reach, unproven.limit);
            self.findings.push(
                Diagnostic::warning(
                    "range-not-proven",
                    "an operation could saturate for signals within their ranges",
                )
                .note(line)
                .note(format!(
                    "it could come to {}..{}, of which it holds {}..{}",
                    reach.low, reach.high, limit.low, limit.high
                ))
                .help("declare a narrower `range` of its signals"),
            );
        }
    }
}

/// Smallest step of the readings of a kind of probe, in its SI unit, where the kind alone decides it.
fn step_of(kind: &SensorKind) -> Option<f64> {
    /// Steps of a ten-bit converter. Summing conversions makes finer steps only where noise spreads them, so it is not counted.
    const CONVERTER: f64 = 1024.0;
    /// Analog Devices TMP35/36/37 data sheet.
    const TMP36_V_PER_K: f64 = 0.010;
    const KELVIN_25: f64 = 298.15;
    match kind {
        SensorKind::Tmp36 { reference_v, .. } => Some(reference_v / CONVERTER / TMP36_V_PER_K),
        // Divider ratio x = R / (R + S) by the beta equation: dx/dT = -x (1 - x) beta / T^2, taken at 25 degC.
        SensorKind::Ntc { beta, r25, series } => {
            let ratio = r25 / (r25 + series);
            Some(KELVIN_25 * KELVIN_25 / (beta * ratio * (1.0 - ratio) * CONVERTER))
        }
        SensorKind::Level { resolution } => Some(*resolution),
        _ => None,
    }
}
