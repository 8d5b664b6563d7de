//! What is dropped after how long, in small steps between other work. Hours, gaps and all that people did or that was logged stay for ever.

use std::sync::PoisonError;

use serde::{Deserialize, Serialize};

use crate::Store;
use crate::error::{Doing, Result};
use crate::rollup::Level;
use crate::series::SeriesId;
use crate::writer::Writer;

/// Rows dropped in one step.
const A_STEP: usize = 64;
const DAY_MS: i64 = 86_400_000;

/// How long what is kept. A series too slow for minutes (fewer than three samples to one) keeps its samples as long as others their
/// minutes, one too slow for hours for ever.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Retention {
    /// Days that samples are kept; 0 for ever.
    pub sample_days: u32,
    /// Days that roll-ups by minute are kept; 0 for ever.
    pub minute_days: u32,
}

impl Default for Retention {
    fn default() -> Self {
        Retention { sample_days: 731, minute_days: 3653 }
    }
}

/// What a run of retention dropped.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Dropped {
    /// Blocks of samples.
    pub n_blocks: u64,
    /// Samples in them.
    pub n_samples: u64,
    /// Days of roll-ups by minute.
    pub n_days_of_minutes: u64,
}

fn limit(days: u32, now: i64) -> Option<i64> {
    (days > 0).then(|| now - i64::from(days) * DAY_MS)
}

impl Retention {
    fn raw_before(&self, interval: i64, now: i64) -> Option<i64> {
        if Level::Minute.is_kept(interval) {
            limit(self.sample_days, now)
        } else if Level::Hour.is_kept(interval) {
            // Never sooner than the faster ones.
            limit(self.minute_days, now).min(limit(self.sample_days, now))
        } else {
            None
        }
    }
}

impl Store {
    /// Drops what the rule no longer wants. The room is used again for what comes; the file does not shrink.
    ///
    /// # Errors
    ///
    /// What the disk says; what was dropped until then stays dropped, the rest is for the next run.
    pub fn retain(&self, rule: Retention, now: i64) -> Result<Dropped> {
        let mut dropped = Dropped::default();
        for series in self.all_series() {
            let id = series.id;
            if let Some(before) = rule.raw_before(series.spec.interval, now) {
                loop {
                    let (n_blocks, n_samples) = self.alone(move |writer| writer.drop_samples(id, before))?;
                    dropped.n_blocks += n_blocks;
                    dropped.n_samples += n_samples;
                    if n_blocks < A_STEP as u64 {
                        break;
                    }
                }
            }
            if let Some(before) = limit(rule.minute_days, now) {
                loop {
                    let n = self.alone(move |writer| writer.drop_minutes(id, before))?;
                    dropped.n_days_of_minutes += n;
                    if n < A_STEP as u64 {
                        break;
                    }
                }
            }
        }
        Ok(dropped)
    }
}

impl Writer {
    /// Drops some of the blocks that end before a time; gives the number of blocks and samples.
    fn drop_samples(&mut self, series: SeriesId, before: i64) -> Result<(u64, u64)> {
        let doing = "dropping old samples";
        self.looked_at = None;
        let transaction = self.connection.transaction().doing(doing)?;
        let (n_blocks, n_samples, last): (i64, i64, Option<i64>) = transaction
            .query_row(
                "select count(*), coalesce(sum(n), 0), max(last) from
                 (select n, last from blocks where series = ? and last < ? order by last limit ?)",
                (series.0, before, A_STEP as i64),
                |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
            )
            .doing(doing)?;
        let Some(last) = last else { return Ok((0, 0)) };
        let from = last + 1;
        let statements = || {
            transaction.execute("delete from blocks where series = ? and last < ?", (series.0, from))?;
            transaction.execute("delete from conflicts where series = ? and time < ?", (series.0, from))?;
            transaction.execute("update series set raw_from = ? where id = ?", (from, series.0))
        };
        statements().doing(doing)?;
        let mut memory = self.shared.memory.write().unwrap_or_else(PoisonError::into_inner);
        transaction.commit().doing(doing)?;
        if let Some(open) = memory.series.get_mut(&series) {
            open.series.raw_from = from;
        }
        Ok((n_blocks as u64, n_samples as u64))
    }

    /// Drops some of the days of minutes that end before a time; gives their number.
    fn drop_minutes(&mut self, series: SeriesId, before: i64) -> Result<u64> {
        let doing = "dropping old minutes";
        let level = Level::Minute;
        let transaction = self.connection.transaction().doing(doing)?;
        let (n, last): (i64, Option<i64>) = transaction
            .query_row(
                "select count(*), max(start) from
                 (select start from rollups where series = ? and level = ? and start <= ? order by start limit ?)",
                (series.0, level.code(), before - level.window(), A_STEP as i64),
                |row| Ok((row.get(0)?, row.get(1)?)),
            )
            .doing(doing)?;
        let Some(last) = last else { return Ok(0) };
        let from = last + level.window();
        let statements = || {
            transaction.execute(
                "delete from rollups where series = ? and level = ? and start <= ?",
                (series.0, level.code(), last),
            )?;
            transaction.execute("update series set minutes_from = ? where id = ?", (from, series.0))
        };
        statements().doing(doing)?;
        let mut memory = self.shared.memory.write().unwrap_or_else(PoisonError::into_inner);
        transaction.commit().doing(doing)?;
        if let Some(open) = memory.series.get_mut(&series) {
            open.series.minutes_from = from;
        }
        Ok(n as u64)
    }
}
