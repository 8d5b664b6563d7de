//! What the twin expects of a signal: a day without a fault, after settling, at nominal conditions and at the corners of the file, laid
//! beside a measured series by the local time of day. The room is the file's first climate, not today's weather.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use program::zone::{DAY_S, Zone};
use serde::Serialize;
use trial::replay::{self, Wish as ReplayWish};
use trial::{Instant, Place};

use crate::Beside;
use crate::study::{Kept, NoStudy, Wish};

/// A day is kept in so many points.
const POINTS_A_DAY: usize = 289;
/// An answer has at most so many.
const MOST_POINTS: i64 = 600;
/// Seconds from 1970 to 2000, where the zone's clock begins.
const UTC_AT_2000: i64 = 946_684_800;

/// One day of every signal, by place.
#[derive(Clone, PartialEq, Debug)]
pub struct Day {
    zone: Zone,
    /// Local second of the day at which it begins.
    begins_s: f64,
    step_s: f64,
    /// Names with their units.
    columns: Vec<(String, &'static str)>,
    /// By place, nominal first, by column.
    values: Vec<Vec<Vec<f64>>>,
}

/// What is expected of one signal.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Expected {
    /// The signal.
    pub signal: String,
    /// Its unit.
    pub unit: &'static str,
    /// Times, ms since 1970 UTC.
    pub t: Vec<i64>,
    /// At nominal conditions.
    pub values: Vec<Option<f64>>,
    /// Least of all corners.
    pub low: Vec<Option<f64>>,
    /// Most of all corners.
    pub high: Vec<Option<f64>>,
}

impl Kept {
    /// What is expected of a signal in a span of time, ms since 1970.
    ///
    /// # Errors
    ///
    /// Why the text cannot be simulated; no such signal.
    #[allow(clippy::too_many_arguments)]
    pub fn expected(
        &self,
        text: &str,
        beside: &Beside,
        wish: Wish,
        signal: &str,
        from_ms: i64,
        to_ms: i64,
        stop: &AtomicBool,
    ) -> Result<Expected, NoStudy> {
        let day = self.day(text, beside, wish, stop)?;
        let column = day.columns.iter().position(|(name, _)| name == signal).ok_or_else(|| {
            let names: Vec<&str> = day.columns.iter().map(|(name, _)| name.as_str()).collect();
            NoStudy::Unfit(format!("the twin gives no signal `{signal}`; there are {}", names.join(", ")))
        })?;
        let span_ms = to_ms.saturating_sub(from_ms).max(1);
        let step_ms = (span_ms / MOST_POINTS).max((day.step_s * 1000.0) as i64).max(1);
        let n = (span_ms / step_ms).clamp(0, MOST_POINTS);
        let t: Vec<i64> = (0..=n).map(|k| from_ms.saturating_add(k * step_ms)).collect();
        let mut answer = Expected {
            signal: signal.to_owned(),
            unit: day.columns[column].1,
            values: vec![],
            low: vec![],
            high: vec![],
            t,
        };
        for at_ms in &answer.t {
            let all: Vec<Option<f64>> = day.at(column, at_ms.div_euclid(1000));
            let known = || all.iter().flatten().copied();
            answer.values.push(all.first().copied().flatten());
            answer.low.push(known().reduce(f64::min));
            answer.high.push(known().reduce(f64::max));
        }
        Ok(answer)
    }

    /// The day, simulated once for a text.
    fn day(&self, text: &str, beside: &Beside, wish: Wish, stop: &AtomicBool) -> Result<Arc<Day>, NoStudy> {
        if let Some(known) = self.known_day(text, beside, wish.corners) {
            return Ok(known);
        }
        let settled = self.settled(text, beside, wish.corners, stop)?;
        let system = settled.model().system();
        let unfit = |what: &str| NoStudy::Unfit(what.to_owned());
        let zone = Zone::parse(&system.timezone).map_err(|_| unfit("the file's time zone cannot be read"))?;
        let places: Vec<Place> =
            settled.places().into_iter().filter(|place| place.instant == Instant::LampsOff).collect();
        let first = places.first().ok_or_else(|| unfit("the system does not settle"))?;
        let begins = settled.begins_utc_s(*first).unwrap_or(0);
        let wish_of = ReplayWish { window_s: f64::from(DAY_S), n_points: POINTS_A_DAY, only_truths: false };
        let mut day = Day {
            begins_s: f64::from(local_second(&zone, begins)),
            zone,
            step_s: 1.0,
            columns: vec![],
            values: vec![],
        };
        for place in places {
            let replay = replay::run(&settled, None, place, wish_of, stop)?;
            day.step_s = replay.step_s;
            day.columns = replay.series.iter().map(|(c, _)| (c.name.clone(), c.unit)).collect();
            day.values.push(replay.series.into_iter().map(|(_, values)| values).collect());
        }
        let day = Arc::new(day);
        self.keep_day(text, beside, wish.corners, &day);
        Ok(day)
    }
}

fn local_second(zone: &Zone, utc_s: i64) -> u32 {
    zone.local(u32::try_from(utc_s - UTC_AT_2000).unwrap_or(0)).second_of_day
}

impl Day {
    /// The value at a time, by place; between points a line.
    fn at(&self, column: usize, utc_s: i64) -> Vec<Option<f64>> {
        let day_s = f64::from(DAY_S);
        let since =
            (f64::from(local_second(&self.zone, utc_s)) - self.begins_s).rem_euclid(day_s) / self.step_s;
        let (before, share) = (since.floor() as usize, since.fract());
        let one = |values: &Vec<Vec<f64>>| {
            let values = values.get(column)?;
            let a = values.get(before).copied().filter(|x| x.is_finite())?;
            let b = values.get(before + 1).copied().filter(|x| x.is_finite()).unwrap_or(a);
            Some(a + (b - a) * share)
        };
        self.values.iter().map(one).collect()
    }
}
