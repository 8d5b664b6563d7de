//! Roll-ups: for each minute and each hour the number of samples, their smallest, largest and sum. They are sums over samples and grow
//! by adding, so late samples need no look at the raw ones. 1440 buckets stand together in a row: a day of minutes, sixty of hours.

use std::collections::BTreeMap;

use crate::bytes::{Bytes, put_column, take_column};
use crate::error::{Error, Result};
use crate::series::{Point, Quality, SeriesId};

/// Form of the bytes.
const VERSION: u8 = 1;
/// Buckets of a row.
pub(crate) const BUCKETS: i64 = 1440;

/// Length of a bucket.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Level {
    Minute,
    Hour,
}

impl Level {
    pub const ALL: [Level; 2] = [Level::Minute, Level::Hour];

    /// Number in the table.
    pub fn code(self) -> i64 {
        match self {
            Level::Minute => 0,
            Level::Hour => 1,
        }
    }

    pub fn ms(self) -> i64 {
        match self {
            Level::Minute => 60_000,
            Level::Hour => 3_600_000,
        }
    }

    /// Length of a row, ms.
    pub fn window(self) -> i64 {
        self.ms() * BUCKETS
    }

    /// Whether it is kept for samples expected every so many ms: with fewer than three to a bucket the samples themselves are no more.
    pub fn is_kept(self, interval: i64) -> bool {
        interval * 3 <= self.ms()
    }
}

/// What is known of the samples of a span.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Bucket {
    /// Good or uncertain; the others say of these.
    pub n: i64,
    pub n_uncertain: i64,
    /// Bad; their values are nowhere in here.
    pub n_bad: i64,
    pub min: i64,
    pub max: i64,
    pub sum: i64,
}

impl Bucket {
    pub fn add(&mut self, point: Point) {
        let one = match point.quality {
            Quality::Bad => Bucket { n_bad: 1, ..Bucket::default() },
            quality => Bucket {
                n: 1,
                n_uncertain: i64::from(quality == Quality::Uncertain),
                n_bad: 0,
                min: point.value,
                max: point.value,
                sum: point.value,
            },
        };
        self.merge(&one);
    }

    pub fn merge(&mut self, other: &Bucket) {
        if other.n > 0 {
            (self.min, self.max) = if self.n > 0 {
                (self.min.min(other.min), self.max.max(other.max))
            } else {
                (other.min, other.max)
            };
        }
        self.n += other.n;
        self.n_uncertain += other.n_uncertain;
        self.n_bad += other.n_bad;
        self.sum = self.sum.saturating_add(other.sum);
    }
}

/// A row's buckets by their number within it.
pub(crate) type Window = BTreeMap<u16, Bucket>;

fn checksum(series: SeriesId, level: Level, start: i64, data: &[u8]) -> [u8; 4] {
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(&series.0.to_le_bytes());
    hasher.update(&level.code().to_le_bytes());
    hasher.update(&start.to_le_bytes());
    hasher.update(data);
    hasher.finalize().to_le_bytes()
}

pub(crate) fn encode(series: SeriesId, level: Level, start: i64, window: &Window) -> Vec<u8> {
    let n = window.len() as u16;
    let mut out = vec![VERSION];
    out.extend(n.to_le_bytes());
    let mut column = |of: &dyn Fn(u16, &Bucket) -> i64| {
        let numbers: Vec<i64> = window.iter().map(|(&idx, bucket)| of(idx, bucket)).collect();
        put_column(&mut out, &numbers);
    };
    let mut steps = Vec::with_capacity(window.len());
    let mut before = 0;
    for &idx in window.keys() {
        steps.push(i64::from(idx - before));
        before = idx;
    }
    let step_of: BTreeMap<u16, i64> = window.keys().copied().zip(steps).collect();
    column(&|idx, _| step_of[&idx]);
    column(&|_, b| b.n);
    column(&|_, b| b.n_uncertain);
    column(&|_, b| b.n_bad);
    column(&|_, b| b.min);
    column(&|_, b| b.max - b.min);
    // Above the smallest: small numbers, nought where nothing moved.
    column(&|_, b| b.sum - b.n * b.min);
    let crc = checksum(series, level, start, &out);
    out.extend(crc);
    out
}

/// # Errors
///
/// `Damaged` when it is not as it was written, or not in its place.
pub(crate) fn decode(series: SeriesId, level: Level, start: i64, data: &[u8]) -> Result<Window> {
    let read = || {
        let (data, crc) = data.split_at_checked(data.len().checked_sub(4)?)?;
        if checksum(series, level, start, data) != crc {
            return None;
        }
        let mut bytes = Bytes(data);
        if bytes.byte()? != VERSION {
            return None;
        }
        let n = usize::from(u16::from_le_bytes(bytes.slice(2)?.try_into().ok()?));
        let mut column = || take_column(&mut bytes, n);
        let columns = [column()?, column()?, column()?, column()?, column()?, column()?, column()?];
        let [steps, n_used, n_uncertain, n_bad, mins, spans, above] = &columns;
        let mut window = Window::new();
        let mut idx = 0i64;
        for (i, step) in steps.iter().enumerate() {
            idx += step;
            let (n, min) = (n_used[i], mins[i]);
            window.insert(
                u16::try_from(idx).ok()?,
                Bucket {
                    n,
                    n_uncertain: n_uncertain[i],
                    n_bad: n_bad[i],
                    min,
                    max: min + spans[i],
                    sum: above[i] + n * min,
                },
            );
        }
        Some(window)
    };
    read().ok_or_else(|| Error::Damaged {
        what: format!("the roll-up of series {} from {start} ms is not as it was written", series.0),
    })
}
