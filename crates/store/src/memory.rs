//! Samples that are in no block yet, sorted by time, a column for each of time, value and quality; and the frames in which a commit
//! writes its samples to the table `tail`, from which this memory is filled again at a start.

use std::collections::BTreeMap;

use crate::bytes::{Bytes, put, put_signed};
use crate::error::{Error, Result};
use crate::series::{Point, Quality, Sample, Series, SeriesId};

/// Columns of samples of one series, sorted by time, no time twice.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Columns {
    pub times: Vec<i64>,
    pub values: Vec<i64>,
    pub qualities: Vec<Quality>,
}

impl Columns {
    pub fn len(&self) -> usize {
        self.times.len()
    }

    pub fn is_empty(&self) -> bool {
        self.times.is_empty()
    }

    pub fn push(&mut self, point: Point) {
        self.times.push(point.time);
        self.values.push(point.value);
        self.qualities.push(point.quality);
    }

    pub fn get(&self, idx: usize) -> Point {
        Point { time: self.times[idx], value: self.values[idx], quality: self.qualities[idx] }
    }

    pub fn points(&self) -> impl Iterator<Item = Point> + '_ {
        (0..self.len()).map(|idx| self.get(idx))
    }

    /// The sample at a time; quick for a time behind all.
    pub fn find(&self, time: i64) -> Option<Point> {
        if self.times.last().is_none_or(|&last| last < time) {
            return None;
        }
        self.times.binary_search(&time).ok().map(|idx| self.get(idx))
    }

    /// Part with `from <= time < before`.
    pub fn slice(&self, from: i64, before: i64) -> Columns {
        let a = self.times.partition_point(|&t| t < from);
        let b = self.times.partition_point(|&t| t < before).max(a);
        self.part(a, b)
    }

    /// Samples number `from` to before number `before`.
    pub fn part(&self, from: usize, before: usize) -> Columns {
        Columns {
            times: self.times[from..before].to_vec(),
            values: self.values[from..before].to_vec(),
            qualities: self.qualities[from..before].to_vec(),
        }
    }

    /// Drops samples whose time is in the other.
    pub fn drop_those_in(&mut self, other: &Columns) {
        if self.times.iter().any(|time| other.times.binary_search(time).is_ok()) {
            let mut kept = Columns::default();
            self.points().filter(|p| other.times.binary_search(&p.time).is_err()).for_each(|p| kept.push(p));
            *self = kept;
        }
    }

    /// Takes in other points, none of whose times are here; sorted as well.
    pub fn merge(&mut self, other: &Columns) {
        if other.is_empty() {
            return;
        }
        if self.times.last().is_none_or(|&last| last < other.times[0]) {
            self.times.extend_from_slice(&other.times);
            self.values.extend_from_slice(&other.values);
            self.qualities.extend_from_slice(&other.qualities);
            return;
        }
        let mut merged = Columns::default();
        let (mut a, mut b) = (0, 0);
        while a < self.len() || b < other.len() {
            let take_own = b == other.len() || (a < self.len() && self.times[a] < other.times[b]);
            if take_own {
                merged.push(self.get(a));
                a += 1;
            } else {
                merged.push(other.get(b));
                b += 1;
            }
        }
        *self = merged;
    }
}

/// What is known of one series while the store is open.
#[derive(Clone, Debug)]
pub(crate) struct Open {
    pub series: Series,
    /// Newest time that is in a block.
    pub sealed_last: Option<i64>,
    /// In no block yet.
    pub points: Columns,
    /// The oldest frame of the tail that holds one of these points.
    pub oldest_frame: i64,
}

/// All series.
#[derive(Clone, Debug, Default)]
pub(crate) struct Memory {
    pub series: BTreeMap<SeriesId, Open>,
}

impl Memory {
    pub fn n_points(&self) -> usize {
        self.series.values().map(|open| open.points.len()).sum()
    }
}

/// One commit's samples as bytes: CRC-32 of what follows; the earliest time; then for each series its number (as the step from the one
/// before), twice the number of samples and whether one is not good; then steps of time and value; then qualities if told so.
pub(crate) fn frame(runs: &BTreeMap<SeriesId, Columns>) -> Vec<u8> {
    let mut out = vec![0; 4];
    let base = runs.values().filter_map(|c| c.times.first()).min().copied().unwrap_or(0);
    put_signed(&mut out, base);
    let mut before = 0;
    for (id, columns) in runs {
        put(&mut out, u64::from(id.0 - before));
        before = id.0;
        let all_good = columns.qualities.iter().all(|&q| q == Quality::Good);
        put(&mut out, (columns.len() as u64) << 1 | u64::from(!all_good));
        let (mut time, mut step, mut value) = (base, 0i64, 0i64);
        for point in columns.points() {
            // Steps of the step: nothing but zeros for a regular series.
            put_signed(&mut out, (point.time - time) - step);
            step = point.time - time;
            time = point.time;
            put_signed(&mut out, point.value - value);
            value = point.value;
        }
        if !all_good {
            out.extend(columns.qualities.iter().map(|&q| q as u8));
        }
    }
    let crc = crc32fast::hash(&out[4..]);
    out[..4].copy_from_slice(&crc.to_le_bytes());
    out
}

/// The samples of a frame.
///
/// # Errors
///
/// `Damaged` when the CRC or the length is wrong.
pub(crate) fn unframe(data: &[u8], mut each: impl FnMut(Sample)) -> Result<()> {
    let damaged =
        || Error::Damaged { what: "a commit's samples in the tail don't have their checksum".into() };
    let (crc, rest) = data.split_at_checked(4).ok_or_else(damaged)?;
    if crc != crc32fast::hash(rest).to_le_bytes() {
        return Err(damaged());
    }
    let mut bytes = Bytes(rest);
    let mut read = || {
        let base = bytes.take_signed()?;
        let mut id = 0u32;
        while !bytes.0.is_empty() {
            id = id.checked_add(u32::try_from(bytes.take()?).ok()?)?;
            let head = bytes.take()?;
            let n = usize::try_from(head >> 1).ok()?;
            let (mut time, mut step, mut value) = (base, 0i64, 0i64);
            let mut samples = Vec::with_capacity(n.min(bytes.0.len()));
            for _ in 0..n {
                step = step.checked_add(bytes.take_signed()?)?;
                time = time.checked_add(step)?;
                value = value.checked_add(bytes.take_signed()?)?;
                samples.push(Sample { series: SeriesId(id), time, value, quality: Quality::Good });
            }
            if head & 1 == 1 {
                let qualities = bytes.slice(n)?;
                for (sample, &code) in samples.iter_mut().zip(qualities) {
                    sample.quality = Quality::from_code(code);
                }
            }
            samples.into_iter().for_each(&mut each);
        }
        Some(())
    };
    read().ok_or_else(damaged)
}
