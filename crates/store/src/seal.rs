//! From memory to blocks: a series with enough samples is written as a block, with its roll-ups and gaps; then its frames of the tail
//! are no longer needed. Late samples go into the blocks they belong to. All of it is one transaction; when that fails, the samples
//! stay in memory and in the tail, and it is tried again.

use std::collections::BTreeMap;
use std::sync::PoisonError;

use rusqlite::{Connection, OptionalExtension};

use crate::block::{self, Place};
use crate::error::{Doing, Error, Result};
use crate::memory::{self, Columns};
use crate::rollup::{self, Level, Window};
use crate::series::{GAP_INTERVALS, Point, Series, SeriesId, is_gap};
use crate::writer::Writer;

/// Series written in one step; other work comes between steps.
const A_STEP: usize = 32;

/// A block's row without its bytes.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Row {
    pub id: i64,
    pub place: Place,
}

fn rows(
    connection: &Connection,
    series: SeriesId,
    clause: &str,
    time: i64,
    before: Option<i64>,
) -> Result<Vec<Row>> {
    let sql = format!("select id, first, last, n from blocks where series = ?1 and {clause}");
    let read = || {
        let mut statement = connection.prepare_cached(&sql)?;
        let mut found = statement.query((series.0, time))?;
        let mut rows = Vec::new();
        while let Some(row) = found.next()? {
            let place =
                Place { series, first: row.get(1)?, last: row.get(2)?, n: row.get::<_, i64>(3)? as usize };
            rows.push(Row { id: row.get(0)?, place });
            if before.is_some_and(|before| place.first > before) {
                break;
            }
        }
        Ok(rows)
    };
    read().doing("looking up blocks")
}

/// The last block that ends before a time.
fn block_before(connection: &Connection, series: SeriesId, time: i64) -> Result<Option<Row>> {
    Ok(rows(connection, series, "last < ?2 order by last desc limit 1", time, None)?.pop())
}

/// The first block that ends at a time or later.
pub(crate) fn block_at(connection: &Connection, series: SeriesId, time: i64) -> Result<Option<Row>> {
    Ok(rows(connection, series, "last >= ?2 order by last limit 1", time, None)?.pop())
}

/// The samples of a block.
pub(crate) fn load(connection: &Connection, row: &Row) -> Result<Columns> {
    let data: Vec<u8> = connection
        .prepare_cached("select data from blocks where id = ?")
        .and_then(|mut s| s.query_row([row.id], |r| r.get(0)))
        .doing("reading a block")?;
    block::decode(&row.place, &data)
}

/// Puts a damaged block aside.
fn put_aside(connection: &Connection, row: &Row) -> Result<()> {
    connection
        .execute(
            "insert into damaged (series, first, last, n, data, found)
             select series, first, last, n, data, datetime('now') from blocks where id = ?",
            [row.id],
        )
        .and_then(|_| connection.execute("delete from blocks where id = ?", [row.id]))
        .doing("putting a damaged block aside")?;
    find_lost_gaps(connection)
}

/// Where blocks are missing, a gap is known: adds those that the table does not have.
pub(crate) fn find_lost_gaps(connection: &Connection) -> Result<()> {
    connection
        .execute(
            "insert or ignore into gaps (series, first, last)
             select series, before, first from (
                 select b.series, b.first, s.interval,
                 lag(b.last) over (partition by b.series order by b.last) as before
                 from blocks as b join series as s on s.id = b.series
             ) where before is not null and interval > 0 and first - before > ? * interval",
            [GAP_INTERVALS],
        )
        .doing("looking for gaps")?;
    Ok(())
}

/// As `load`; a damaged block is put aside and is as if it were not.
fn load_or_put_aside(connection: &Connection, row: &Row) -> Result<Option<Columns>> {
    match load(connection, row) {
        Ok(columns) => Ok(Some(columns)),
        Err(Error::Damaged { .. }) => put_aside(connection, row).map(|()| None),
        Err(error) => Err(error),
    }
}

/// New samples and the block that they go into, if any.
struct Piece {
    old: Option<Row>,
    new: Columns,
}

/// Distributes new samples over the blocks around them; what lies between blocks joins a neighbour that is less than half full.
fn pieces(connection: &Connection, series: SeriesId, new: &Columns, block: usize) -> Result<Vec<Piece>> {
    let (first, last) = (new.times[0], new.times[new.len() - 1]);
    let mut old = Vec::from_iter(block_before(connection, series, first)?);
    old.extend(rows(connection, series, "last >= ?2 order by last", first, Some(last))?);
    let mut pieces = Vec::new();
    let mut from = first;
    for row in old {
        pieces.push(Piece { old: None, new: new.slice(from, row.place.first) });
        pieces.push(Piece { old: Some(row), new: new.slice(row.place.first.max(from), row.place.last + 1) });
        from = from.max(row.place.last + 1);
    }
    pieces.push(Piece { old: None, new: new.slice(from, last + 1) });
    let is_small = |piece: &Piece| piece.old.is_some_and(|row| row.place.n < block / 2);
    for i in (0..pieces.len()).step_by(2) {
        if pieces[i].new.is_empty() {
            continue;
        }
        let free = if i > 0 && is_small(&pieces[i - 1]) {
            i - 1
        } else if i + 1 < pieces.len() && is_small(&pieces[i + 1]) {
            i + 1
        } else {
            continue;
        };
        let columns = std::mem::take(&mut pieces[i].new);
        pieces[free].new.merge(&columns);
    }
    pieces.retain(|piece| !piece.new.is_empty());
    Ok(pieces)
}

fn write_blocks(connection: &Connection, series: SeriesId, columns: &Columns, block: usize) -> Result<()> {
    let n_blocks = if columns.len() * 2 > block * 3 { columns.len().div_ceil(block) } else { 1 };
    let size = columns.len().div_ceil(n_blocks);
    for start in (0..columns.len()).step_by(size) {
        let part = columns.part(start, (start + size).min(columns.len()));
        let (place, data) = block::encode(series, &part);
        connection
            .prepare_cached("insert into blocks (series, first, last, n, data) values (?, ?, ?, ?, ?)")
            .and_then(|mut s| s.execute((series.0, place.first, place.last, place.n as i64, data)))
            .doing("writing a block")?;
    }
    Ok(())
}

/// Finds the gaps anew from the sample before a piece to the one after it.
fn write_gaps(connection: &Connection, series: &Series, columns: &Columns) -> Result<()> {
    let (first, last) = (columns.times[0], columns.times[columns.len() - 1]);
    let before = block_before(connection, series.id, first)?.map(|row| row.place.last);
    let after = block_at(connection, series.id, last + 1)?.map(|row| row.place.first);
    let doing = "writing gaps";
    connection
        .prepare_cached("delete from gaps where series = ? and last > ? and last <= ?")
        .and_then(|mut s| s.execute((series.id.0, before.unwrap_or(first), after.unwrap_or(last))))
        .doing(doing)?;
    let times = before.into_iter().chain(columns.times.iter().copied()).chain(after);
    let mut from = None;
    for time in times {
        if let Some(from) = from
            && is_gap(from, time, series.spec.interval)
        {
            connection
                .prepare_cached("insert or replace into gaps (series, first, last) values (?, ?, ?)")
                .and_then(|mut s| s.execute((series.id.0, from, time)))
                .doing(doing)?;
        }
        from = Some(time);
    }
    Ok(())
}

/// Buckets of a row; a damaged row counts as empty.
fn read_window(connection: &Connection, series: SeriesId, level: Level, start: i64) -> Result<Window> {
    let data: Option<Vec<u8>> = connection
        .prepare_cached("select data from rollups where series = ? and level = ? and start = ?")
        .and_then(|mut s| s.query_row((series.0, level.code(), start), |r| r.get(0)).optional())
        .doing("reading a roll-up")?;
    Ok(data.and_then(|data| rollup::decode(series, level, start, &data).ok()).unwrap_or_default())
}

fn write_rollups(connection: &Connection, series: &Series, new: &Columns) -> Result<()> {
    for level in Level::ALL.into_iter().filter(|level| level.is_kept(series.spec.interval)) {
        let mut windows: BTreeMap<i64, Window> = BTreeMap::new();
        for point in new.points() {
            let start = point.time / level.window() * level.window();
            let idx = ((point.time - start) / level.ms()) as u16;
            windows.entry(start).or_default().entry(idx).or_default().add(point);
        }
        for (start, added) in windows {
            let mut window = read_window(connection, series.id, level, start)?;
            for (idx, bucket) in &added {
                window.entry(*idx).or_default().merge(bucket);
            }
            let data = rollup::encode(series.id, level, start, &window);
            connection
                .prepare_cached(
                    "insert into rollups (series, level, start, data) values (?, ?, ?, ?)
                     on conflict (series, level, start) do update set data = excluded.data",
                )
                .and_then(|mut s| s.execute((series.id.0, level.code(), start, data)))
                .doing("writing a roll-up")?;
        }
    }
    Ok(())
}

fn seal_one(connection: &Connection, series: &Series, new: &Columns, block: usize) -> Result<()> {
    let mut fresh = Columns::default();
    for mut piece in pieces(connection, series.id, new, block)? {
        let mut columns = Columns::default();
        if let Some(row) = &piece.old
            && let Some(old) = load_or_put_aside(connection, row)?
        {
            piece.new.drop_those_in(&old);
            if piece.new.is_empty() {
                continue;
            }
            connection
                .prepare_cached("delete from blocks where id = ?")
                .and_then(|mut s| s.execute([row.id]))
                .doing("writing a block anew")?;
            columns = old;
        }
        fresh.merge(&piece.new);
        columns.merge(&piece.new);
        write_blocks(connection, series.id, &columns, block)?;
        write_gaps(connection, series, &columns)?;
    }
    write_rollups(connection, series, &fresh)
}

impl Writer {
    /// The sample of a series at a time, if it is in a block.
    pub fn sealed(&mut self, series: SeriesId, time: i64) -> Result<Option<Point>> {
        if let Some((place, columns)) = &self.looked_at
            && place.series == series
            && (place.first..=place.last).contains(&time)
        {
            return Ok(columns.find(time));
        }
        let Some(row) = block_at(&self.connection, series, time)? else { return Ok(None) };
        if time < row.place.first {
            return Ok(None);
        }
        let Some(columns) = load_or_put_aside(&self.connection, &row)? else { return Ok(None) };
        let point = columns.find(time);
        self.looked_at = Some((row.place, columns));
        Ok(point)
    }

    /// Series that have enough samples for a block, or the fullest when memory is full.
    fn due(&self) -> Vec<SeriesId> {
        let memory = self.shared.memory.read().unwrap_or_else(PoisonError::into_inner);
        let options = &self.shared.options;
        let mut due: Vec<SeriesId> = memory
            .series
            .values()
            .filter(|open| open.points.len() >= options.block)
            .map(|open| open.series.id)
            .collect();
        if due.is_empty() && memory.n_points() > options.in_memory {
            let mut all: Vec<(usize, SeriesId)> =
                memory.series.values().map(|open| (open.points.len(), open.series.id)).collect();
            all.sort_unstable_by(|a, b| b.cmp(a));
            due = all.into_iter().map(|(_, id)| id).collect();
        }
        due.truncate(A_STEP);
        due
    }

    /// One step of writing blocks, if there is something to write. Gives whether there may be more.
    pub fn seal_due(&mut self) -> Result<bool> {
        let due = self.due();
        if due.is_empty() {
            return self.shorten_tail().map(|()| false);
        }
        self.seal(&due)?;
        Ok(due.len() == A_STEP)
    }

    /// Writes all that is in memory to blocks.
    pub fn seal_all(&mut self) -> Result<()> {
        let all: Vec<SeriesId> = {
            let memory = self.shared.memory.read().unwrap_or_else(PoisonError::into_inner);
            memory.series.values().filter(|open| !open.points.is_empty()).map(|open| open.series.id).collect()
        };
        all.chunks(A_STEP).try_for_each(|some| self.seal(some))
    }

    /// Writes what is in memory of these series to blocks.
    pub fn seal(&mut self, due: &[SeriesId]) -> Result<()> {
        let shared = self.shared.clone();
        let block = shared.options.block;
        let doing = "writing blocks";
        self.looked_at = None;
        let transaction = self
            .connection
            .transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)
            .doing(doing)?;
        let mut keep = i64::MAX;
        {
            let memory = shared.memory.read().unwrap_or_else(PoisonError::into_inner);
            for open in memory.series.values().filter(|open| !open.points.is_empty()) {
                if due.contains(&open.series.id) {
                    seal_one(&transaction, &open.series, &open.points, block)?;
                } else {
                    keep = keep.min(open.oldest_frame);
                }
            }
        }
        transaction.execute("delete from tail where id < ?", [keep]).doing(doing)?;
        let tail: i64 = transaction
            .query_row("select coalesce(sum(length(data)), 0) from tail", [], |row| row.get(0))
            .doing(doing)?;
        // Readers see blocks and memory change together.
        let mut memory = shared.memory.write().unwrap_or_else(PoisonError::into_inner);
        transaction.commit().doing(doing)?;
        for id in due {
            if let Some(open) = memory.series.get_mut(id) {
                open.sealed_last = open.sealed_last.max(open.points.times.last().copied());
                open.points = Columns::default();
                open.oldest_frame = i64::MAX;
            }
        }
        self.tail_bytes = tail as usize;
        Ok(())
    }

    /// Writes the tail anew when a slow series holds on to many old frames.
    fn shorten_tail(&mut self) -> Result<()> {
        if self.tail_bytes <= self.shared.options.tail.max(2 * self.tail_rewritten) {
            return Ok(());
        }
        let shared = self.shared.clone();
        let doing = "shortening the tail";
        let mut memory = shared.memory.write().unwrap_or_else(PoisonError::into_inner);
        let runs: BTreeMap<SeriesId, Columns> = memory
            .series
            .iter()
            .filter(|(_, open)| !open.points.is_empty())
            .map(|(&id, open)| (id, open.points.clone()))
            .collect();
        let data = memory::frame(&runs);
        let n_bytes = data.len();
        let transaction = self
            .connection
            .transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)
            .doing(doing)?;
        let frame = transaction
            .prepare_cached("insert into tail (data) values (?)")
            .and_then(|mut s| s.insert([data]))
            .doing(doing)?;
        transaction.execute("delete from tail where id < ?", [frame]).doing(doing)?;
        transaction.commit().doing(doing)?;
        for open in memory.series.values_mut().filter(|open| !open.points.is_empty()) {
            open.oldest_frame = frame;
        }
        self.tail_bytes = n_bytes;
        self.tail_rewritten = n_bytes;
        Ok(())
    }
}

/// The newest block.
pub(crate) fn last_block(connection: &Connection, series: SeriesId) -> Result<Option<Row>> {
    block_before(connection, series, i64::MAX)
}
