//! What the checks remember: each hour of a board in a few numbers a signal, eight days of hours and two months of days. A record costs a
//! few additions, so a year of records can be given as fast as they are read.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::Record;

/// ms.
pub const HOUR_MS: i64 = 3_600_000;
/// ms.
pub const DAY_MS: i64 = 24 * HOUR_MS;
const HOURS_KEPT: usize = 8 * 24;
const DAYS_KEPT: usize = 60;

/// One signal over a stretch of time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Stretch {
    sum: f64,
    n: u32,
    n_bad: u32,
    /// Lowest; infinite without a sound reading.
    pub low: f32,
    /// Highest; negative infinite without a sound reading.
    pub high: f32,
}

impl Default for Stretch {
    fn default() -> Self {
        Stretch { sum: 0.0, n: 0, n_bad: 0, low: f32::MAX, high: f32::MIN }
    }
}

impl Stretch {
    fn add(&mut self, value: f64) {
        if value.is_nan() {
            self.n_bad += 1;
        } else {
            self.sum += value;
            self.n += 1;
            self.low = self.low.min(value as f32);
            self.high = self.high.max(value as f32);
        }
    }

    fn join(&mut self, other: &Stretch) {
        self.sum += other.sum;
        self.n += other.n;
        self.n_bad += other.n_bad;
        self.low = self.low.min(other.low);
        self.high = self.high.max(other.high);
    }

    /// Of so many sound readings with this mean, lowest and highest, and so many bad ones.
    pub fn of(mean: f64, n: u32, n_bad: u32, low: f64, high: f64) -> Self {
        match n {
            0 => Stretch { n_bad, ..Stretch::default() },
            _ => Stretch { sum: mean * f64::from(n), n, n_bad, low: low as f32, high: high as f32 },
        }
    }

    /// Mean of the sound readings. None: there was none.
    pub fn mean(&self) -> Option<f64> {
        (self.n > 0).then(|| self.sum / f64::from(self.n))
    }

    /// Highest less lowest. None: no sound reading.
    pub fn range(&self) -> Option<f64> {
        (self.n > 0).then(|| f64::from(self.high) - f64::from(self.low))
    }
}

/// One drive over a stretch of time.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Run {
    /// Time on, weighed with its duty, ms.
    pub on_ms: f64,
    /// Times it went on.
    pub starts: u32,
}

/// A stretch of time of one board.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Span {
    /// Beginning, ms since 1970 UTC.
    pub from_ms: i64,
    /// Time that records speak for, ms.
    pub covered_ms: i64,
    /// Time in which a procedure ran, ms.
    pub procedure_ms: i64,
    /// Of it time in which water was changed, ms.
    pub changed_ms: i64,
    /// By signal.
    pub signals: Vec<Stretch>,
    /// By drive.
    pub drives: Vec<Run>,
}

impl Span {
    /// With nothing in it.
    pub fn new(from_ms: i64, n_signals: usize, n_drives: usize) -> Self {
        Span {
            from_ms,
            covered_ms: 0,
            procedure_ms: 0,
            changed_ms: 0,
            signals: vec![Stretch::default(); n_signals],
            drives: vec![Run::default(); n_drives],
        }
    }

    fn join(&mut self, other: &Span) {
        self.covered_ms += other.covered_ms;
        self.procedure_ms += other.procedure_ms;
        self.changed_ms += other.changed_ms;
        self.signals.iter_mut().zip(&other.signals).for_each(|(a, b)| a.join(b));
        for (a, b) in self.drives.iter_mut().zip(&other.drives) {
            a.on_ms += b.on_ms;
            a.starts += b.starts;
        }
    }

    /// All of these together. None: there is none.
    pub fn of<'s>(mut spans: impl Iterator<Item = &'s Span>) -> Option<Span> {
        let mut whole = spans.next()?.clone();
        spans.for_each(|s| whole.join(s));
        Some(whole)
    }

    /// Share of the time in which a drive was on, of the time that records speak for.
    pub fn duty(&self, drive: usize) -> f64 {
        let on = self.drives.get(drive).map_or(0.0, |r| r.on_ms);
        if self.covered_ms > 0 { on / self.covered_ms as f64 } else { 0.0 }
    }

    /// Mean of a signal.
    pub fn mean(&self, signal: usize) -> Option<f64> {
        self.signals.get(signal)?.mean()
    }
}

/// The memory of the checks.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct History {
    /// The hour that runs.
    pub current: Span,
    /// Whole hours, oldest first.
    pub hours: VecDeque<Span>,
    /// Whole days, oldest first: from midnight to midnight UTC.
    pub days: VecDeque<Span>,
    day: Span,
    last_ms: Option<i64>,
    was_on: Vec<bool>,
}

impl History {
    pub(crate) fn new(n_signals: usize, n_drives: usize) -> Self {
        History {
            current: Span::new(i64::MIN, n_signals, n_drives),
            day: Span::new(i64::MIN, n_signals, n_drives),
            was_on: vec![false; n_drives],
            ..History::default()
        }
    }

    /// Adds a record; true when an hour ended. `values` have NaN where bad. A record is taken to speak for the time since the one before,
    /// but for no longer than three expected intervals.
    pub(crate) fn add(
        &mut self,
        record: &Record<'_>,
        interval_ms: i64,
        values: impl Iterator<Item = f64>,
    ) -> bool {
        let at_ms = record.at_ms;
        if self.last_ms.is_some_and(|last| at_ms <= last) {
            return false;
        }
        let hour_ms = at_ms.div_euclid(HOUR_MS) * HOUR_MS;
        let ended = hour_ms > self.current.from_ms && self.current.covered_ms > 0;
        if hour_ms > self.current.from_ms {
            self.end_hour(hour_ms);
        }
        let since = self.last_ms.map_or(interval_ms, |last| (at_ms - last).min(3 * interval_ms));
        self.last_ms = Some(at_ms);
        let hour = &mut self.current;
        hour.covered_ms += since;
        hour.procedure_ms += if record.in_procedure { since } else { 0 };
        hour.changed_ms += if record.is_water_changed { since } else { 0 };
        hour.signals.iter_mut().zip(values).for_each(|(stretch, value)| stretch.add(value));
        for ((run, was), duty) in hour.drives.iter_mut().zip(&mut self.was_on).zip(record.duties) {
            run.on_ms += f64::from(*duty) * since as f64;
            let is_on = *duty > 0.0;
            run.starts += u32::from(is_on && !*was);
            *was = is_on;
        }
        ended
    }

    fn end_hour(&mut self, next_ms: i64) {
        let (n_signals, n_drives) = (self.current.signals.len(), self.current.drives.len());
        let hour = std::mem::replace(&mut self.current, Span::new(next_ms, n_signals, n_drives));
        if hour.covered_ms > 0 {
            let day_ms = hour.from_ms.div_euclid(DAY_MS) * DAY_MS;
            if day_ms > self.day.from_ms {
                let day = std::mem::replace(&mut self.day, Span::new(day_ms, n_signals, n_drives));
                if day.covered_ms > 0 {
                    self.days.push_back(day);
                    while self.days.len() > DAYS_KEPT {
                        self.days.pop_front();
                    }
                }
            }
            self.day.join(&hour);
            self.hours.push_back(hour);
            while self.hours.len() > HOURS_KEPT {
                self.hours.pop_front();
            }
        }
    }

    /// Time of the last record, ms since 1970 UTC.
    pub fn last_ms(&self) -> Option<i64> {
        self.last_ms
    }

    /// Whole hours that began at or after a time.
    pub fn since(&self, from_ms: i64) -> impl DoubleEndedIterator<Item = &Span> {
        self.hours.iter().filter(move |h| h.from_ms >= from_ms)
    }

    /// The last so many hours as one, when records speak for nine tenths of them. None: they do not.
    pub fn window(&self, hours: i64) -> Option<Span> {
        let from_ms = self.hours.back()?.from_ms - (hours - 1) * HOUR_MS;
        let whole = Span::of(self.since(from_ms))?;
        (whole.covered_ms * 10 >= hours * HOUR_MS * 9).then_some(whole)
    }

    /// The whole hour that began at this time.
    pub fn hour_at(&self, from_ms: i64) -> Option<&Span> {
        self.hours.iter().rev().find(|h| h.from_ms == from_ms)
    }

    /// The same memory with signals and drives in another order: the new place of each old one, None where it is gone.
    pub(crate) fn moved(
        &self,
        signals: &[Option<usize>],
        drives: &[Option<usize>],
        n_signals: usize,
        n_drives: usize,
    ) -> Self {
        let span = |old: &Span| {
            let mut new = Span::new(old.from_ms, n_signals, n_drives);
            new.covered_ms = old.covered_ms;
            (new.procedure_ms, new.changed_ms) = (old.procedure_ms, old.changed_ms);
            for (stretch, to) in old.signals.iter().zip(signals) {
                if let Some(place) = to.and_then(|to| new.signals.get_mut(to)) {
                    *place = *stretch;
                }
            }
            for (run, to) in old.drives.iter().zip(drives) {
                if let Some(place) = to.and_then(|to| new.drives.get_mut(to)) {
                    *place = *run;
                }
            }
            new
        };
        let mut was_on = vec![false; n_drives];
        for (was, to) in self.was_on.iter().zip(drives) {
            if let Some(place) = to.and_then(|to| was_on.get_mut(to)) {
                *place = *was;
            }
        }
        History {
            current: span(&self.current),
            hours: self.hours.iter().map(span).collect(),
            days: self.days.iter().map(span).collect(),
            day: span(&self.day),
            last_ms: self.last_ms,
            was_on,
        }
    }
}
