//! Samples of any range to others' formats: CSV, SenML, Parquet. A block of each series is in memory at a time, whatever the range.

pub(crate) mod csv;
mod parquet;
mod senml;

use std::collections::VecDeque;
use std::io::Write;

use serde::{Deserialize, Serialize};

use crate::Store;
use crate::error::{Error, Result};
use crate::series::{Point, Series, SeriesId};

pub use senml::{Pack, senml_unit};

/// A form of export.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Format {
    /// A line for each sample: everything there is to know of it. It can be imported again.
    Csv,
    /// A line for each time, a column for each series, for spreadsheets. Bad samples are empty cells.
    CsvTable,
    /// RFC 8428 in JSON. Bad samples are left out: SenML has no quality.
    Senml,
    /// Apache Parquet: time, source, series, counts, value, unit, quality.
    Parquet,
}

impl Format {
    /// Its media type.
    pub fn media_type(self) -> &'static str {
        match self {
            Format::Csv | Format::CsvTable => "text/csv; charset=utf-8; header=present",
            Format::Senml => "application/senml+json",
            Format::Parquet => "application/vnd.apache.parquet",
        }
    }
}

/// What is exported.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Wanted {
    /// Which series, in this order.
    pub series: Vec<SeriesId>,
    /// From this time, ms.
    pub from: i64,
    /// To before this time, ms.
    pub before: i64,
}

/// One series, read a block at a time.
struct Cursor<'a> {
    store: &'a Store,
    series: Series,
    waiting: VecDeque<Point>,
    from: i64,
    before: i64,
}

impl Cursor<'_> {
    /// The next sample, without taking it.
    fn peek(&mut self) -> Result<Option<Point>> {
        if self.waiting.is_empty() && self.from < self.before {
            self.waiting = self.store.next_points(self.series.id, self.from, self.before)?.into();
            self.from = self.waiting.back().map_or(self.before, |last| last.time + 1);
        }
        Ok(self.waiting.front().copied())
    }

    fn next(&mut self) -> Result<Option<Point>> {
        self.peek()?;
        Ok(self.waiting.pop_front())
    }
}

fn cursors<'a>(store: &'a Store, wanted: &Wanted) -> Result<Vec<Cursor<'a>>> {
    let all = store.all_series();
    wanted
        .series
        .iter()
        .map(|id| {
            let series = all.iter().find(|s| s.id == *id).cloned();
            let series = series.ok_or_else(|| Error::refused(format!("there is no series {}", id.0)))?;
            Ok(Cursor { store, series, waiting: VecDeque::new(), from: wanted.from, before: wanted.before })
        })
        .collect()
}

/// An error of who takes what is written.
fn of_io(error: &std::io::Error) -> Error {
    Error::of_io("writing the export", error)
}

impl Store {
    /// Writes samples to `out`; gives how many.
    ///
    /// # Errors
    ///
    /// `Refused` for an unknown series; what reading says, and what `out` says when it takes no more.
    pub fn export(&self, wanted: &Wanted, format: Format, out: &mut (dyn Write + Send)) -> Result<u64> {
        let cursors = cursors(self, wanted)?;
        match format {
            Format::Csv => csv::lines(cursors, out),
            Format::CsvTable => csv::table(cursors, out),
            Format::Senml => senml::write(cursors, out),
            Format::Parquet => parquet::write(cursors, out),
        }
    }
}
