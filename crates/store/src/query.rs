//! Reading samples: any range a block at a time, and trends with a smallest, largest and mean value for each column of a screen.

use std::ops::ControlFlow;
use std::sync::PoisonError;

use rusqlite::Connection;
use serde::Serialize;

use crate::Store;
use crate::error::{Doing, Error, Result};
use crate::memory::Columns;
use crate::rollup::{self, Bucket, Level};
use crate::seal;
use crate::series::{Gap, LATEST_TIME, Point, Quality, Series, SeriesId, in_units, is_gap};

/// Most columns of a trend.
const WIDEST: u32 = 20_000;
/// A column holds at least so many buckets of a roll-up, if there is a finer one; so its ends are true to a quarter of a column.
const FINE_ENOUGH: i64 = 4;

/// One column of a trend; values in units.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Column {
    /// Begin, ms; it ends where `Trend::step` says.
    pub from: i64,
    /// Samples, good and uncertain, that the values are of.
    pub n: i64,
    /// How many of these are uncertain.
    pub n_uncertain: i64,
    /// Bad ones, which the values leave out.
    pub n_bad: i64,
    /// Smallest value; None when all are bad.
    pub min: Option<f64>,
    /// Largest value.
    pub max: Option<f64>,
    /// Mean of the samples.
    pub mean: Option<f64>,
}

/// A range of a series at the width of a screen.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Trend {
    /// Begin of the first column, ms: at or before the time that was asked for.
    pub from: i64,
    /// Length of a column, ms.
    pub step: i64,
    /// Columns with samples, in order; there is none where there are no samples.
    pub columns: Vec<Column>,
    /// Where samples are missing.
    pub gaps: Vec<Gap>,
}

/// Samples whose time was taken by another value.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Conflict {
    /// The sample that came later.
    pub came: Point,
    /// The sample that stands; None when retention has dropped it.
    pub stands: Option<Point>,
}

/// A reading transaction and what memory held at its begin.
struct View<'a> {
    store: &'a Store,
    connection: Option<Connection>,
    points: Columns,
    series: Series,
}

impl View<'_> {
    fn connection(&self) -> Result<&Connection> {
        self.connection.as_ref().ok_or(Error::Closed)
    }
}

impl Drop for View<'_> {
    fn drop(&mut self) {
        if let Some(connection) = self.connection.take()
            && connection.execute_batch("commit").is_ok()
        {
            self.store.give_back(connection);
        }
    }
}

impl Store {
    /// Blocks and memory at one moment: a sample is in one of them.
    fn view(&self, id: SeriesId, from: i64, before: i64) -> Result<View<'_>> {
        let connection = self.reader()?;
        let memory = self.inner.shared.memory.read().unwrap_or_else(PoisonError::into_inner);
        let open =
            memory.series.get(&id).ok_or_else(|| Error::refused(format!("there is no series {}", id.0)))?;
        let points = open.points.slice(from, before);
        connection
            .execute_batch("begin")
            .and_then(|()| connection.query_row("select 1 from blocks limit 1", [], |_| Ok(())).or(Ok(())))
            .doing("reading samples")?;
        Ok(View { store: self, series: open.series.clone(), connection: Some(connection), points })
    }

    /// The next samples of a series from a time on, up to the end of one block; empty when there are none before `before`.
    fn next_samples(&self, id: SeriesId, from: i64, before: i64) -> Result<Columns> {
        let view = self.view(id, from, before)?;
        let connection = view.connection()?;
        let mut from = from;
        while let Some(row) = seal::block_at(connection, id, from)? {
            if row.place.first >= before {
                break;
            }
            let mut columns = match seal::load(connection, &row) {
                Ok(columns) => columns.slice(from, before),
                // Known as damaged by whoever writes next or checks; around it all is sound.
                Err(Error::Damaged { .. }) => Columns::default(),
                Err(error) => return Err(error),
            };
            columns.merge(&view.points.slice(from, before.min(row.place.last + 1)));
            if !columns.is_empty() {
                return Ok(columns);
            }
            from = row.place.last + 1;
        }
        Ok(view.points.slice(from, before))
    }

    /// Gives all samples with `from <= time < before` in order, at most a block at a time; memory stays bounded.
    ///
    /// # Errors
    ///
    /// `Refused` for an unknown series; what the disk says. Damaged blocks are left out ([`Store::check`] names them).
    pub fn scan(
        &self,
        id: SeriesId,
        from: i64,
        before: i64,
        mut each: impl FnMut(&[Point]) -> ControlFlow<()>,
    ) -> Result<()> {
        let mut from = from;
        loop {
            let columns = self.next_samples(id, from, before)?;
            let Some(&last) = columns.times.last() else { return Ok(()) };
            let points: Vec<Point> = columns.points().collect();
            if each(&points).is_break() {
                return Ok(());
            }
            from = last + 1;
        }
    }

    /// The next samples of a series, at most a block of them.
    pub(crate) fn next_points(&self, id: SeriesId, from: i64, before: i64) -> Result<Vec<Point>> {
        Ok(self.next_samples(id, from, before)?.points().collect())
    }

    /// The first `limit` samples with `from <= time < before`.
    ///
    /// # Errors
    ///
    /// As [`Store::scan`].
    pub fn points(&self, id: SeriesId, from: i64, before: i64, limit: usize) -> Result<Vec<Point>> {
        let mut points = Vec::new();
        self.scan(id, from, before, |part| {
            points.extend(part.iter().take(limit - points.len()));
            if points.len() < limit { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
        })?;
        Ok(points)
    }

    /// The newest sample of a series.
    ///
    /// # Errors
    ///
    /// As [`Store::scan`].
    pub fn newest(&self, id: SeriesId) -> Result<Option<Point>> {
        let view = self.view(id, i64::MIN, i64::MAX)?;
        let in_memory = view.points.points().last();
        let connection = view.connection()?;
        let row = seal::last_block(connection, id)?;
        match (in_memory, row) {
            (Some(point), Some(row)) if point.time > row.place.last => Ok(Some(point)),
            (Some(point), None) => Ok(Some(point)),
            (_, Some(row)) => Ok(seal::load(connection, &row)?.points().last()),
            (None, None) => Ok(None),
        }
    }

    /// Times without samples within `from..before`. The time since the newest sample is the caller's to judge.
    ///
    /// # Errors
    ///
    /// As [`Store::scan`].
    pub fn gaps(&self, id: SeriesId, from: i64, before: i64) -> Result<Vec<Gap>> {
        let view = self.view(id, i64::MIN, i64::MAX)?;
        gaps(&view, from, before)
    }

    /// A range at the width of a screen: at most `width` columns of the same length, from samples or roll-ups, whichever is enough.
    ///
    /// # Errors
    ///
    /// `Refused` for an unknown series, an empty range or a width that is none; what the disk says.
    pub fn trend(&self, id: SeriesId, from: i64, before: i64, width: u32) -> Result<Trend> {
        // Nothing is beyond these; so differences of times stay within 64 bits.
        let (from, before) = (from.max(-LATEST_TIME), before.min(2 * LATEST_TIME));
        if from >= before || width == 0 || width > WIDEST {
            return Err(Error::refused(format!(
                "a trend needs an end behind its begin and a width of 1 to {WIDEST} columns"
            )));
        }
        let view = self.view(id, i64::MIN, i64::MAX)?;
        let interval = view.series.spec.interval;
        let exact = ceil_div(before - from, i64::from(width));
        let series = &view.series;
        let level = [Level::Hour, Level::Minute]
            .into_iter()
            .find(|level| level.is_kept(interval) && exact >= level.ms() * FINE_ENOUGH)
            // Where samples or minutes are no more kept, the next coarser must do.
            .or_else(|| (Level::Minute.is_kept(interval) && from < series.raw_from).then_some(Level::Minute))
            .map(|level| if from < series.minutes_from { Level::Hour } else { level });
        let unit = level.map_or(1, Level::ms);
        let from = from.div_euclid(unit) * unit;
        let step = ceil_div(ceil_div(before - from, i64::from(width)), unit) * unit;
        let n_columns = ceil_div(before - from, step);
        let columns = columns(&view, level, from, step, n_columns)?;
        Ok(Trend { from, step, columns, gaps: gaps(&view, from, from + n_columns * step)? })
    }

    /// The whole hours that touch `from..before`, those without a sample left out; from the hours' own roll-ups where there are such, so a year of
    /// them costs little.
    ///
    /// # Errors
    ///
    /// As [`Store::trend`].
    pub fn hours(&self, id: SeriesId, from: i64, before: i64) -> Result<Vec<Column>> {
        let (from, before) = (from.max(-LATEST_TIME), before.min(2 * LATEST_TIME));
        let hour = Level::Hour.ms();
        let from = from.div_euclid(hour) * hour;
        if from >= before {
            return Ok(vec![]);
        }
        let n_columns = ceil_div(before - from, hour);
        if n_columns > i64::from(WIDEST) {
            return Err(Error::refused(format!("at most {WIDEST} hours at once")));
        }
        let view = self.view(id, i64::MIN, i64::MAX)?;
        let level = Some(Level::Hour).filter(|level| level.is_kept(view.series.spec.interval));
        columns(&view, level, from, hour, n_columns)
    }

    /// Samples that came for a time that another value had taken (a clock that stepped back), oldest first.
    ///
    /// # Errors
    ///
    /// As [`Store::scan`].
    pub fn conflicts(&self, id: SeriesId, from: i64, before: i64, limit: u32) -> Result<Vec<Conflict>> {
        let came: Vec<Point> = self.read(|c| {
            c.prepare_cached(
                "select time, value, quality from conflicts where series = ? and time >= ? and time < ? order by time limit ?",
            )
            .and_then(|mut s| {
                s.query_map((id.0, from, before, limit), |row| {
                    let quality = Quality::from_code(row.get(2)?);
                    Ok(Point { time: row.get(0)?, value: row.get(1)?, quality })
                })?
                .collect()
            })
            .doing("reading conflicts")
        })?;
        came.into_iter()
            .map(|came| {
                let stands = self.next_samples(id, came.time, came.time + 1)?.find(came.time);
                Ok(Conflict { came, stands })
            })
            .collect()
    }
}

/// So many columns of one length, those without samples left out: from roll-ups of a level, or from samples.
fn columns(
    view: &View<'_>,
    level: Option<Level>,
    from: i64,
    step: i64,
    n_columns: i64,
) -> Result<Vec<Column>> {
    let before = from + n_columns * step;
    let mut columns = vec![Bucket::default(); n_columns as usize];
    let mut add = |time: i64, bucket: &Bucket| columns[((time - from) / step) as usize].merge(bucket);
    match level {
        Some(level) => each_bucket(view, level, from, before, &mut add)?,
        None => {
            let connection = view.connection()?;
            let mut at = from;
            while let Some(row) = seal::block_at(connection, view.series.id, at)?
                && row.place.first < before
            {
                if let Ok(block) = seal::load(connection, &row) {
                    block.slice(from, before).points().for_each(|p| add(p.time, &one(p)));
                }
                at = row.place.last + 1;
            }
        }
    }
    view.points.slice(from, before).points().for_each(|p| add(p.time, &one(p)));
    let scale = view.series.spec.scale;
    let all = (0..).zip(&columns).filter(|(_, bucket)| bucket.n + bucket.n_bad > 0);
    let column = |(i, bucket): (i64, &Bucket)| {
        let value = |counts: f64| (bucket.n > 0).then(|| in_units(counts, scale));
        Column {
            from: from + i * step,
            n: bucket.n,
            n_uncertain: bucket.n_uncertain,
            n_bad: bucket.n_bad,
            min: value(bucket.min as f64),
            max: value(bucket.max as f64),
            mean: value(bucket.sum as f64 / bucket.n as f64),
        }
    };
    Ok(all.map(column).collect())
}

/// Rounds up; both are positive.
fn ceil_div(a: i64, b: i64) -> i64 {
    (a - 1) / b + 1
}

fn one(point: Point) -> Bucket {
    let mut bucket = Bucket::default();
    bucket.add(point);
    bucket
}

fn each_bucket(
    view: &View<'_>,
    level: Level,
    from: i64,
    before: i64,
    each: &mut impl FnMut(i64, &Bucket),
) -> Result<()> {
    let doing = "reading roll-ups";
    let id = view.series.id;
    let connection = view.connection()?;
    let mut statement = connection
        .prepare_cached(
            "select start, data from rollups where series = ? and level = ? and start > ? and start < ? order by start",
        )
        .doing(doing)?;
    let mut rows = statement.query((id.0, level.code(), from - level.window(), before)).doing(doing)?;
    while let Some(row) = rows.next().doing(doing)? {
        let start: i64 = row.get(0).doing(doing)?;
        let data = row.get_ref(1).doing(doing)?;
        let data = data.as_blob().map_err(|e| Error::Damaged { what: e.to_string() })?;
        // A damaged roll-up is left out; `Store::check` names it.
        let Ok(window) = rollup::decode(id, level, start, data) else { continue };
        for (idx, bucket) in &window {
            let time = start + i64::from(*idx) * level.ms();
            if (from..before).contains(&time) {
                each(time, bucket);
            }
        }
    }
    Ok(())
}

/// The gaps of the table, cut by the samples in memory, and those among the latter.
fn gaps(view: &View<'_>, from: i64, before: i64) -> Result<Vec<Gap>> {
    let id = view.series.id;
    let interval = view.series.spec.interval;
    let connection = view.connection()?;
    let mut known: Vec<Gap> = connection
        .prepare_cached(
            "select first, last from gaps where series = ? and last > ? and first < ? order by last",
        )
        .and_then(|mut s| {
            s.query_map((id.0, from, before), |row| Ok(Gap { first: row.get(0)?, last: row.get(1)? }))?
                .collect()
        })
        .doing("reading gaps")?;
    let Some((&first, &last)) = view.points.times.first().zip(view.points.times.last()) else {
        return Ok(known);
    };
    // Neighbours in blocks of what is in memory are known where memory goes on behind all blocks; late samples lie within gaps or blocks.
    let newest = seal::last_block(connection, id)?.map(|row| row.place.last);
    let oldest = seal::block_at(connection, id, i64::MIN)?.map(|row| row.place.first);
    let mut cut = Vec::new();
    for gap in known.drain(..) {
        let inside = view.points.slice(gap.first + 1, gap.last);
        let times = [gap.first].into_iter().chain(inside.times).chain([gap.last]);
        push_gaps(&mut cut, times, interval);
    }
    if let Some(oldest) = oldest {
        let earlier = view.points.slice(i64::MIN, oldest);
        if first < oldest {
            push_gaps(&mut cut, earlier.times.iter().copied().chain([oldest]), interval);
        }
    }
    if newest.is_none_or(|newest| last > newest) {
        let later = view.points.slice(newest.map_or(i64::MIN, |t| t + 1), i64::MAX);
        push_gaps(&mut cut, newest.into_iter().chain(later.times), interval);
    }
    cut.retain(|gap| gap.last > from && gap.first < before);
    cut.sort_unstable_by_key(|gap| gap.last);
    Ok(cut)
}

fn push_gaps(out: &mut Vec<Gap>, times: impl Iterator<Item = i64>, interval: i64) {
    let mut from = None;
    for last in times {
        if let Some(first) = from
            && is_gap(first, last, interval)
        {
            out.push(Gap { first, last });
        }
        from = Some(last);
    }
}
