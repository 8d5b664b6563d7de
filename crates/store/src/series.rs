//! Sources, series and samples: the words of what is kept.

use serde::Serialize;

/// Largest magnitude of a value, counts. Sums over an hour of samples a millisecond apart still fit in 63 bits.
pub const LARGEST_VALUE: i64 = 1 << 40;
pub use logs::LATEST_TIME;

/// Number of a series in its store.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(transparent)]
pub struct SeriesId(pub u32);

/// How far a sample can be believed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "lowercase")]
#[repr(u8)]
pub enum Quality {
    /// Sound.
    #[default]
    Good = 0,
    /// Held, estimated or out of its usual range.
    Uncertain = 1,
    /// Not to be used; its value stays as it came.
    Bad = 2,
}

impl Quality {
    /// From the board's code; anything unknown is bad.
    pub fn from_code(code: u8) -> Self {
        match code {
            0 => Quality::Good,
            1 => Quality::Uncertain,
            _ => Quality::Bad,
        }
    }
}

/// What a series is, as its source tells.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SeriesSpec {
    /// Board, or "import" and the like.
    pub source: String,
    /// Name as in the system file.
    pub name: String,
    /// Unit of a value times the scale; empty for plain numbers.
    pub unit: String,
    /// Units per count.
    pub scale: f64,
    /// Expected time from sample to sample, ms; 0 if there is none (then gaps are not known).
    pub interval: i64,
    /// Values are 0 or 1.
    pub is_switch: bool,
}

/// A series that is in the store.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Series {
    /// Its number.
    pub id: SeriesId,
    /// What it is.
    #[serde(flatten)]
    pub spec: SeriesSpec,
    /// Samples before this were dropped by retention, ms; i64::MIN when none were.
    pub raw_from: i64,
    /// Roll-ups by minute before this were dropped by retention, ms; i64::MIN when none were.
    pub minutes_from: i64,
}

impl SeriesSpec {
    /// A count in units. A scale of one over a whole number gives the nearest number to the decimal that a person would write.
    pub fn in_units(&self, value: i64) -> f64 {
        in_units(value as f64, self.scale)
    }
}

/// Counts (or a mean of counts) in units.
pub(crate) fn in_units(counts: f64, scale: f64) -> f64 {
    let per_unit = (1.0 / scale).round();
    if per_unit >= 1.0 && (per_unit * scale - 1.0).abs() < 1e-12 { counts / per_unit } else { counts * scale }
}

/// One value at one time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Sample {
    /// Of which series.
    pub series: SeriesId,
    /// ms since 1970 UTC.
    pub time: i64,
    /// Counts.
    pub value: i64,
    /// How far it can be believed.
    pub quality: Quality,
}

/// One value at one time of a series that is known from elsewhere.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Point {
    /// ms since 1970 UTC.
    pub time: i64,
    /// Counts.
    pub value: i64,
    /// How far it can be believed.
    pub quality: Quality,
}

/// What became of appended samples. All of them are accounted for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Appended {
    /// Stored.
    pub new: u64,
    /// There already, equal.
    pub duplicates: u64,
    /// Their time was taken by another value, which stands; these are kept apart (`Store::conflicts`).
    pub conflicts: u64,
    /// Older than what retention has dropped; not stored.
    pub too_old: u64,
}

impl std::ops::AddAssign for Appended {
    fn add_assign(&mut self, other: Self) {
        self.new += other.new;
        self.duplicates += other.duplicates;
        self.conflicts += other.conflicts;
        self.too_old += other.too_old;
    }
}

/// A time without samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Gap {
    /// Time of the last sample before it.
    pub first: i64,
    /// Time of the first sample after it.
    pub last: i64,
}

/// Intervals that may pass before it is a gap.
pub const GAP_INTERVALS: i64 = 3;

/// Whether from one time to the next is a gap, for samples expected every `interval`.
pub(crate) fn is_gap(from: i64, to: i64, interval: i64) -> bool {
    interval > 0 && to - from > GAP_INTERVALS * interval
}
