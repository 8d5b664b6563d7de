//! The checks that no board can make: of its silence, its clock, its probes against each other and against what a healthy tank would do,
//! of the water that is added against what can evaporate, of heat, wear, reservoirs and the battery.
//!
//! A [`Watch`] belongs to one board. It is fed each record; [`Watch::look`] says of each check and part whether it is fine, not known or
//! wrong. Wrong is a [`Finding`]: what, how sure, what to do. [`tell`] brings the verdicts into the book.

mod care;
mod expected;
mod finding;
mod heat;
mod history;
mod layout;
mod probes;
mod settings;
mod water;

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

pub use care::{Damage, Disk};
pub use expected::{Balance, Band, EVAPORATION_SPREAD, Expected, middle};
pub use finding::{Check, Finding, Outcome, Sure, Verdict};
pub use heat::Heat;
pub use history::{History, Run, Span, Stretch};
pub use layout::{Battery, Chamber, Climate, Drive, Kind, Layout, Reservoir, Signal, Surface, shown};
pub use settings::Settings;
pub use water::{Account, ReservoirNow};

use crate::book::{Act, Book, Condition, Transition};
use crate::words::span;
use history::HOUR_MS;

/// One reading of a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reading {
    /// The program's integer.
    pub raw: i32,
    /// Its quality is bad.
    pub is_bad: bool,
}

/// One record of a board.
#[derive(Clone, Copy, Debug)]
pub struct Record<'r> {
    /// ms since 1970 UTC.
    pub at_ms: i64,
    /// By signal of the layout.
    pub readings: &'r [Reading],
    /// By drive of the layout, 0..1.
    pub duties: &'r [f32],
    /// A procedure runs: levels are not what they are else.
    pub in_procedure: bool,
    /// It is one in which water is changed ([`Layout::changes_water`]): the account of the day does not hold.
    pub is_water_changed: bool,
}

/// What the station knows besides records.
#[derive(Clone, Copy, Debug, Default)]
pub struct Now {
    /// ms since 1970 UTC.
    pub now_ms: i64,
    /// The board's clock less the station's, s.
    pub clock_off_s: Option<f64>,
    /// The board says that its clock is lost.
    pub is_clock_lost: bool,
    /// The disk that the station writes to; given for one board of the station only.
    pub disk: Option<Disk>,
    /// What the last look through the store found; given for the same board only.
    pub store: Option<Damage>,
}

/// What the checks keep about one signal beside its history.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Still {
    raw: i32,
    since_ms: i64,
    is_known: bool,
    /// Days before this say nothing about it: it was calibrated or replaced.
    fresh_ms: i64,
}

/// The checks of one board.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Watch {
    layout: Layout,
    settings: Settings,
    history: History,
    stills: Vec<Still>,
    care: care::Care,
    water: water::Water,
    /// Verdicts of the checks that look at whole hours, as of the last hour.
    hourly: Vec<Verdict>,
    hour_ended: bool,
}

impl Watch {
    /// For a board, with nothing remembered.
    pub fn new(layout: Layout, settings: Settings) -> Self {
        let (n_signals, n_drives) = (layout.signals.len(), layout.drives.len());
        Watch {
            history: History::new(n_signals, n_drives),
            stills: vec![Still::default(); n_signals],
            care: care::Care::new(&layout),
            water: water::Water::new(&layout),
            hourly: vec![],
            hour_ended: false,
            layout,
            settings,
        }
    }

    /// What is remembered, for a board whose system file changed: by the names that stay.
    pub fn relaid(&self, layout: Layout, settings: Settings) -> Self {
        let signals: Vec<Option<usize>> =
            self.layout.signals.iter().map(|s| layout.signal(&s.name)).collect();
        let drives: Vec<Option<usize>> = self.layout.drives.iter().map(|d| layout.drive(&d.name)).collect();
        let mut new = Watch::new(layout, settings);
        new.history =
            self.history.moved(&signals, &drives, new.layout.signals.len(), new.layout.drives.len());
        for (still, to) in self.stills.iter().zip(&signals) {
            if let Some(place) = to.and_then(|to| new.stills.get_mut(to)) {
                *place = *still;
            }
        }
        new.care.take_over(&self.care, &drives);
        new.water.take_over(&self.water, &self.layout, &new.layout);
        new.hour_ended = true;
        new
    }

    /// What the board measures and drives.
    pub fn layout(&self) -> &Layout {
        &self.layout
    }

    /// The hours and days that are remembered.
    pub fn history(&self) -> &History {
        &self.history
    }

    /// Takes a record. Readings and duties that are missing count as bad and off; a record that is not newer than the last is left out.
    pub fn record(&mut self, record: &Record<'_>) {
        if self.history.last_ms().is_some_and(|last| record.at_ms <= last) {
            return;
        }
        let interval_ms = (self.settings.interval_s * 1000.0) as i64;
        let since_ms = (self.history.last_ms()).map_or(0, |last| (record.at_ms - last).min(3 * interval_ms));
        let values = |s: usize, signal: &Signal| match record.readings.get(s) {
            Some(reading) if !reading.is_bad && signal.is_inverted => f64::from(1 - reading.raw.clamp(0, 1)),
            Some(reading) if !reading.is_bad => f64::from(reading.raw) * signal.per_count,
            _ => f64::NAN,
        };
        self.water.record(&self.layout, record, since_ms);
        self.care.record(&self.layout, record, since_ms, |s| {
            self.layout.signals.get(s).map_or(f64::NAN, |signal| values(s, signal))
        });
        for (still, reading) in self.stills.iter_mut().zip(record.readings) {
            if !reading.is_bad && (reading.raw != still.raw || !still.is_known) {
                *still = Still { raw: reading.raw, since_ms: record.at_ms, is_known: true, ..*still };
            }
        }
        let all = self.layout.signals.iter().enumerate().map(|(s, signal)| values(s, signal));
        self.hour_ended |= self.history.add(record, interval_ms, all);
    }

    /// A probe was calibrated or replaced: what was learned about it before counts no more.
    pub fn calibrated(&mut self, signal: &str, at_ms: i64) {
        if let Some(still) = self.layout.signal(signal).and_then(|s| self.stills.get_mut(s)) {
            still.fresh_ms = at_ms;
        }
    }

    /// A reservoir was filled to its mark.
    pub fn refilled(&mut self, reservoir: &str, at_ms: i64) {
        self.water.refilled(&self.layout, reservoir, at_ms);
    }

    /// A part, or the relay before it, was replaced: its life begins anew.
    pub fn replaced(&mut self, drive: &str) {
        if let Some(d) = self.layout.drive(drive) {
            self.care.replaced(d);
        }
    }

    /// All verdicts now. Checks of whole hours are made anew when an hour has ended since the last look.
    pub fn look(&mut self, now: &Now, expected: &dyn Expected) -> Vec<Verdict> {
        if let Some(disk) = now.disk {
            self.care.note_disk(now.now_ms, disk);
        }
        if std::mem::take(&mut self.hour_ended) || self.hourly.is_empty() {
            self.water.learn(&self.layout, &self.settings, &self.history, expected);
            self.hourly = self.whole_hours(expected);
        }
        let mut all = self.link(now);
        if all.first().is_some_and(|v| v.finding().is_some()) {
            // Nothing is known while the board is silent; what stood goes on standing.
            let unknown = |v: &Verdict| Verdict {
                outcome: Outcome::Unknown("the board is silent".to_owned()),
                ..v.clone()
            };
            all.extend(self.hourly.iter().map(unknown));
        } else {
            all.extend(self.hourly.iter().cloned());
        }
        all.extend(self.care.disk(&self.settings));
        all.extend(now.store.map(care::store));
        for verdict in all.iter_mut().filter(|v| v.board.is_empty()) {
            verdict.board.clone_from(&self.layout.board);
        }
        all
    }

    fn whole_hours(&self, expected: &dyn Expected) -> Vec<Verdict> {
        let mut all = self.probes(expected);
        all.extend(self.water.verdicts(&self.layout, &self.settings, &self.history, expected));
        all.extend(heat::demand(&self.layout, &self.settings, &self.history, expected));
        all.extend(self.care.wear(&self.layout, &self.settings, &self.history));
        all.extend(self.care.battery(&self.layout, &self.settings, &self.history));
        all
    }

    /// Silence and clock: the first verdict is that of silence.
    fn link(&self, now: &Now) -> Vec<Verdict> {
        let board = &self.layout.board;
        let last_ms = self.history.last_ms();
        let age_ms = last_ms.map(|last| now.now_ms - last);
        let silent = match age_ms {
            Some(age) if age as f64 <= self.settings.silent_s * 1000.0 => {
                Outcome::Fine(format!("last record {} ago", span(age)))
            }
            _ => Outcome::Wrong(Finding {
                wrong: age_ms.map_or_else(
                    || format!("Nothing has come from {board} yet."),
                    |age| format!("Nothing has come from {board} for {}.", span(age)),
                ),
                sure: Sure::Certain,
                because: "the board may well go on by itself; nobody can see whether it does".to_owned(),
                act: "Look at the board's display and lamp; then at its cable, its supply and the network."
                    .to_owned(),
                caution: Some(crate::peril::MAINS.to_owned()),
            }),
        };
        let clock = match (now.is_clock_lost, now.clock_off_s) {
            (true, _) => {
                Outcome::Wrong(clock_finding(format!("{board} has lost its clock: schedules stand still.")))
            }
            (false, Some(off)) if off.abs() > self.settings.clock_off_s => {
                let way = if off > 0.0 { "fast" } else { "slow" };
                let by = span((off.abs() * 1000.0) as i64);
                Outcome::Wrong(clock_finding(format!("The clock of {board} is {by} {way}.")))
            }
            (false, Some(off)) => Outcome::Fine(format!("{off:+.0} s")),
            (false, None) => Outcome::Unknown("no clock was compared".to_owned()),
        };
        vec![
            Verdict::new(Check::BoardSilent, board.clone(), silent),
            Verdict::new(Check::ClockOff, board.clone(), clock),
        ]
    }

    /// Water accounts, for the morning lines.
    pub fn account(&self, expected: &dyn Expected) -> Option<Account> {
        self.water.account(&self.layout, &self.settings, &self.history, expected, 24)
    }

    /// Reservoirs, for the morning lines.
    pub fn reservoirs(&self) -> Vec<ReservoirNow> {
        self.water.reservoirs(&self.layout, &self.history)
    }

    /// Heater hours of the last day and what the room explains, h at full power of all heaters.
    pub fn heat(&self, expected: &dyn Expected) -> Option<Heat> {
        heat::last_day(&self.layout, &self.settings, &self.history, expected)
    }

    /// Newest sound reading of a signal; None: there is none within this hour and the last.
    pub fn newest(&self, signal: usize) -> Option<f64> {
        let (place, still) = (self.layout.signals.get(signal)?, self.stills.get(signal)?);
        let is_sound = |span: &Span| span.mean(signal).is_some();
        if !still.is_known
            || !(is_sound(&self.history.current) || self.history.hours.back().is_some_and(is_sound))
        {
            return None;
        }
        let value = if place.is_inverted {
            1.0 - f64::from(still.raw.clamp(0, 1))
        } else {
            f64::from(still.raw) * place.per_count
        };
        Some(value)
    }

    /// Hourly means of a signal over the last hours, oldest first: beginning of the hour, ms since 1970 UTC, and value.
    pub fn last_hours(&self, signal: usize, hours: usize) -> Vec<(i64, f64)> {
        let whole = self.history.hours.len().saturating_sub(hours.saturating_sub(1));
        (self.history.hours.iter().skip(whole).chain([&self.history.current]))
            .filter_map(|h| Some((h.from_ms, h.mean(signal)?)))
            .collect()
    }

    /// Lowest and highest of a signal within a time, from the hours that touch it.
    pub fn range(&self, signal: usize, from_ms: i64, to_ms: i64) -> Option<(f64, f64)> {
        let spans = (self.history.hours.iter().chain([&self.history.current]))
            .filter(|h| h.from_ms.saturating_add(HOUR_MS) > from_ms && h.from_ms < to_ms);
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for stretch in spans.filter_map(|h| h.signals.get(signal)).filter(|s| s.mean().is_some()) {
            low = low.min(f64::from(stretch.low));
            high = high.max(f64::from(stretch.high));
        }
        (low <= high).then_some((low, high))
    }
}

fn clock_finding(wrong: String) -> Finding {
    Finding {
        wrong,
        sure: Sure::Certain,
        because: "it was compared with the station's clock".to_owned(),
        act: "Set it from the station. If it comes back, the clock's cell is empty.".to_owned(),
        caution: None,
    }
}

/// Brings all verdicts of one [`Watch::look`] into the book: defines what is new, changes texts with their figures, ends what is about parts that
/// the board has no more; and gives what changed.
pub fn tell(book: &mut Book, verdicts: &[Verdict], now_ms: i64) -> Vec<Transition> {
    let mut all = vec![];
    let mut ids = BTreeSet::new();
    for verdict in verdicts {
        let id = verdict.id();
        let is_new = book.alarm(&id).is_none();
        ids.insert(id.clone());
        // An alarm that never was is not made only to say that nothing is wrong.
        if is_new && verdict.finding().is_none() {
            continue;
        }
        // A text keeps the figures of its finding after it is over.
        if is_new || verdict.finding().is_some() {
            all.extend(book.define_one(verdict.definition(), now_ms));
        }
        // Conditions of defined alarms are never refused.
        all.extend(
            book.apply(now_ms, Act::Condition { alarm: id, now: verdict.condition() }).unwrap_or_default(),
        );
    }
    let Some(board) = verdicts.iter().map(|v| v.board.as_str()).find(|b| *b != finding::STATION) else {
        return all;
    };
    let begins = finding::prefix(board);
    let gone: Vec<String> = (book.alarms())
        .map(|v| v.definition.id.clone())
        .filter(|id| id.starts_with(&begins) && !ids.contains(id))
        .collect();
    for alarm in gone {
        all.extend(book.apply(now_ms, Act::Condition { alarm, now: Condition::Gone }).unwrap_or_default());
    }
    all
}
