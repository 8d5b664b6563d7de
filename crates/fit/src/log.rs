//! The log that a fit reads: named series of values in time, with what lies between them.
//!
//! Contract: between two values a straight line, unless they are farther apart than the series' gap: then nothing is known. A time may
//! stand twice, for a step. Times rise; a value that is not finite is a bad reading, and nothing is known beside it. Means, sums and
//! values are asked in logarithmic time.

use std::collections::BTreeMap;

use alarms::watch::middle;

/// Values farther apart than so many usual steps have a gap between them.
const GAP_STEPS: f64 = 5.0;
/// A gap is at least so long, s: a reading lost here and there is none.
const LEAST_GAP_S: f64 = 300.0;
/// Share of a stretch that must be known for its mean to count.
const KNOWN_SHARE: f64 = 0.8;

/// One series.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    unit: String,
    times: Vec<f64>,
    values: Vec<f64>,
    gap_s: f64,
    /// Integral and known time from the first value to each.
    sums: Vec<(f64, f64)>,
}

impl Series {
    /// Values of instants: a reading each minute, a mean that stands in the middle of what it is the mean of. Points with times that are
    /// not finite are left out; the rest is sorted. NaN is a bad reading.
    pub fn readings(unit: &str, mut points: Vec<(f64, f64)>) -> Self {
        points.retain(|p| p.0.is_finite());
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        let steps = points.windows(2).map(|w| w[1].0 - w[0].0).filter(|s| *s > 0.0).collect();
        let gap_s = (GAP_STEPS * middle(steps).unwrap_or(0.0)).max(LEAST_GAP_S);
        Series::with_gap(unit, points, gap_s)
    }

    /// Values that hold until the next: a contact that is written down when it changes. The last holds until `until_s`.
    pub fn changes(unit: &str, mut points: Vec<(f64, f64)>, until_s: f64) -> Self {
        points.retain(|p| p.0.is_finite());
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut all = Vec::with_capacity(2 * points.len() + 1);
        for (at, value) in points {
            if let Some((_, before)) = all.last().copied() {
                all.push((at, before));
            }
            all.push((at, value));
        }
        if let Some((at, value)) = all.last().copied()
            && until_s > at
        {
            all.push((until_s, value));
        }
        Series::with_gap(unit, all, f64::INFINITY)
    }

    fn with_gap(unit: &str, points: Vec<(f64, f64)>, gap_s: f64) -> Self {
        let (times, values): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
        let mut sums = Vec::with_capacity(times.len());
        let mut sum = (0.0, 0.0);
        for i in 0..times.len() {
            if i > 0 {
                let time = times[i] - times[i - 1];
                let part = 0.5 * (values[i] + values[i - 1]) * time;
                if part.is_finite() && time <= gap_s {
                    sum = (sum.0 + part, sum.1 + time);
                }
            }
            sums.push(sum);
        }
        Series { unit: unit.to_owned(), times, values, gap_s, sums }
    }

    /// Unit of the values; empty for numbers, 0 and 1.
    pub fn unit(&self) -> &str {
        &self.unit
    }

    /// Times, s since 1970 UTC, and values.
    pub fn points(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.times.iter().copied().zip(self.values.iter().copied())
    }

    /// How many values it has.
    pub fn len(&self) -> usize {
        self.times.len()
    }

    /// Whether it has no value at all.
    pub fn is_empty(&self) -> bool {
        self.times.is_empty()
    }

    /// First and last time, s.
    pub fn reach(&self) -> Option<(f64, f64)> {
        Some((*self.times.first()?, *self.times.last()?))
    }

    /// Integral from the first value to `at`, the known time until there.
    fn until(&self, at: f64) -> (f64, f64) {
        let i = self.times.partition_point(|t| *t <= at);
        let Some(last) = i.checked_sub(1) else { return (0.0, 0.0) };
        let sum = self.sums[last];
        match self.between(last, at) {
            Some(value) if at > self.times[last] => {
                let time = at - self.times[last];
                (sum.0 + 0.5 * (self.values[last] + value) * time, sum.1 + time)
            }
            _ => sum,
        }
    }

    /// The value at a time that lies behind value `i` and not behind the next.
    fn between(&self, i: usize, at: f64) -> Option<f64> {
        let (t0, v0) = (self.times[i], self.values[i]);
        if at == t0 {
            return Some(v0).filter(|v| v.is_finite());
        }
        let (t1, v1) = (*self.times.get(i + 1)?, *self.values.get(i + 1)?);
        let known = t1 - t0 <= self.gap_s && v0.is_finite() && v1.is_finite();
        known.then(|| v0 + (v1 - v0) * (at - t0) / (t1 - t0))
    }

    /// Value at a time; at a step the later one. None: in a gap, or outside of the log.
    pub fn at(&self, time_s: f64) -> Option<f64> {
        let i = self.times.partition_point(|t| *t <= time_s).checked_sub(1)?;
        self.between(i, time_s)
    }

    /// Integral over a stretch (value times s), with what is not known of it taken as the mean of the rest. None: less than four fifths
    /// of it are known.
    pub fn integral(&self, from_s: f64, to_s: f64) -> Option<f64> {
        Some(self.mean(from_s, to_s)? * (to_s - from_s))
    }

    /// Mean over a stretch. None: less than four fifths of it are known.
    pub fn mean(&self, from_s: f64, to_s: f64) -> Option<f64> {
        let (before, after) = (self.until(from_s), self.until(to_s));
        let known = after.1 - before.1;
        (to_s > from_s && known >= KNOWN_SHARE * (to_s - from_s)).then(|| (after.0 - before.0) / known)
    }
}

/// All series of a board, by the names of the system file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Log {
    series: BTreeMap<String, Series>,
}

impl Log {
    /// An empty log.
    pub fn new() -> Self {
        Log::default()
    }

    /// Puts a series in; one of the same name is replaced.
    pub fn put(&mut self, name: &str, series: Series) {
        self.series.insert(name.to_owned(), series);
    }

    /// A series by its name.
    pub fn get(&self, name: &str) -> Option<&Series> {
        self.series.get(name)
    }

    /// Names of all series, in order.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.series.keys().map(String::as_str)
    }

    /// First and last time of all series, s since 1970 UTC. None: no series has a value.
    pub fn reach(&self) -> Option<(f64, f64)> {
        let reaches = self.series.values().filter_map(Series::reach);
        reaches.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn readings_have_straight_lines_between_them() {
        let series = Series::readings("degC", vec![(0.0, 20.0), (60.0, 22.0), (120.0, 22.0)]);
        assert_eq!(series.at(30.0), Some(21.0));
        assert_eq!(series.at(121.0), None);
        assert_eq!(series.mean(0.0, 120.0), Some(21.5));
        assert_eq!(series.mean(0.0, 30.0), Some(20.5));
        assert_eq!(series.integral(60.0, 120.0), Some(22.0 * 60.0));
    }

    #[test]
    fn changes_hold_until_the_next() {
        let series = Series::changes("", vec![(0.0, 0.0), (100.0, 1.0), (150.0, 0.0)], 86_400.0);
        assert_eq!(series.at(99.0), Some(0.0));
        assert_eq!(series.at(100.0), Some(1.0));
        assert_eq!(series.integral(0.0, 1000.0), Some(50.0));
        assert_eq!(series.at(80_000.0), Some(0.0));
    }

    #[test]
    fn gaps_and_bad_readings_are_not_guessed() {
        let mut points: Vec<(f64, f64)> = (0..10).map(|k| (60.0 * f64::from(k), 1.0)).collect();
        points.push((10_000.0, 3.0));
        points[5].1 = f64::NAN;
        let series = Series::readings("", points);
        assert_eq!(series.at(5_000.0), None);
        assert_eq!(series.at(290.0), None);
        assert_eq!(series.mean(540.0, 10_000.0), None);
        // Two minutes of nine are not known.
        assert_eq!(series.mean(0.0, 540.0), None);
        assert_eq!(series.mean(0.0, 240.0), Some(1.0));
    }
}
