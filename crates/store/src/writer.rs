//! The one thread that writes. It takes what waits, puts it into one transaction, commits, and only then answers; meanwhile the next
//! ones gather. Samples go to the tail first (one row a commit, whatever the number of series) and to blocks when there are enough.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc::{Receiver, SyncSender};
use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

use rusqlite::Connection;

use crate::Shared;
use crate::block::Place;
use crate::error::{Doing, Error, Result};
use crate::memory::{self, Columns, Memory, Open};
use crate::series::{Appended, LARGEST_VALUE, LATEST_TIME, Point, Sample, Series, SeriesId, SeriesSpec};

/// Samples that don't wait for others.
const ENOUGH: usize = 10_000;
/// Jobs of one commit at most.
const JOBS: usize = 256;
/// Between tries to write blocks on a disk that fails or is full.
const RETRY: Duration = Duration::from_secs(1);
/// Samples of one commit, after which no more jobs are taken in.
const SAMPLES: usize = 200_000;

pub(crate) type Finish = Box<dyn FnOnce(Result<()>) + Send>;
/// Gives the error that undoes its statements, if any, and what answers the caller after the commit.
pub(crate) type Rows = Box<dyn FnOnce(&Connection) -> (Option<Error>, Finish) + Send>;

pub(crate) enum Job {
    Samples(Vec<Sample>, SyncSender<Result<Appended>>),
    Rows(Rows),
    Alone(Box<dyn FnOnce(&mut Writer) + Send>),
}

pub(crate) struct Writer {
    pub connection: Connection,
    pub shared: Arc<Shared>,
    /// Bytes of the tail, and of its first frame when it was last written anew.
    pub tail_bytes: usize,
    pub tail_rewritten: usize,
    /// The block that was looked at last for late samples.
    pub looked_at: Option<(Place, Columns)>,
    /// After a failure to write blocks: not before this.
    retry: Option<Instant>,
}

/// What one commit stores of samples.
#[derive(Default)]
struct Pending {
    runs: BTreeMap<SeriesId, Columns>,
    conflicts: Vec<Sample>,
}

impl Writer {
    pub fn new(connection: Connection, shared: Arc<Shared>) -> Self {
        Writer { connection, shared, tail_bytes: 0, tail_rewritten: 0, looked_at: None, retry: None }
    }

    /// Reads series and tail; gives the number of samples that were in no block yet, and what was damaged and put aside.
    pub fn load(&mut self) -> Result<(usize, Vec<String>)> {
        let mut memory = Memory::default();
        let doing = "reading the series";
        let mut statement = self
            .connection
            .prepare(
                "select s.id, sources.name, s.name, unit, scale, interval, is_switch, raw_from, minutes_from,
                 (select max(last) from blocks where series = s.id)
                 from series as s join sources on sources.id = s.source",
            )
            .doing(doing)?;
        let rows = statement
            .query_map([], |row| {
                let series = Series {
                    id: SeriesId(row.get(0)?),
                    spec: SeriesSpec {
                        source: row.get(1)?,
                        name: row.get(2)?,
                        unit: row.get(3)?,
                        scale: row.get(4)?,
                        interval: row.get(5)?,
                        is_switch: row.get(6)?,
                    },
                    raw_from: row.get(7)?,
                    minutes_from: row.get(8)?,
                };
                Ok((series, row.get(9)?))
            })
            .doing(doing)?;
        for row in rows {
            let (series, sealed_last) = row.doing(doing)?;
            memory.series.insert(series.id, Open { sealed_last, ..Open::new(series) });
        }
        drop(statement);
        let frames: Vec<i64> = self
            .connection
            .prepare("select id from tail order by id")
            .and_then(|mut s| s.query_map([], |row| row.get(0))?.collect())
            .doing("reading the tail")?;
        let mut damaged = Vec::new();
        for frame in frames {
            match self.load_frame(frame, &mut memory) {
                Err(Error::Damaged { what }) => {
                    self.put_frame_aside(frame)?;
                    damaged.push(what);
                }
                other => other?,
            }
        }
        let n = memory.n_points();
        *self.shared.memory.write().unwrap_or_else(PoisonError::into_inner) = memory;
        Ok((n, damaged))
    }

    fn put_frame_aside(&mut self, frame: i64) -> Result<()> {
        let doing = "putting a damaged frame aside";
        let transaction = self.connection.transaction().doing(doing)?;
        transaction
            .execute(
                "insert into damaged (series, first, last, n, data, found)
                 select 0, 0, 0, 0, data, datetime('now') from tail where id = ?",
                [frame],
            )
            .and_then(|_| transaction.execute("delete from tail where id = ?", [frame]))
            .doing(doing)?;
        transaction.commit().doing(doing)
    }

    /// Puts the samples of a frame of the tail that are in no block into memory.
    fn load_frame(&mut self, frame: i64, memory: &mut Memory) -> Result<()> {
        let data: Vec<u8> = self
            .connection
            .prepare_cached("select data from tail where id = ?")
            .and_then(|mut s| s.query_row([frame], |row| row.get(0)))
            .doing("reading the tail")?;
        self.tail_bytes += data.len();
        let mut runs: BTreeMap<SeriesId, Vec<Point>> = BTreeMap::new();
        memory::unframe(&data, |s| {
            runs.entry(s.series).or_default().push(Point {
                time: s.time,
                value: s.value,
                quality: s.quality,
            });
        })?;
        for (id, points) in runs {
            let Some(open) = memory.series.get_mut(&id) else { continue };
            let mut new = Columns::default();
            for point in points {
                let is_sealed = open.sealed_last.is_some_and(|last| point.time <= last)
                    && self.sealed(id, point.time)?.is_some();
                if !is_sealed && point.time >= open.series.raw_from && open.points.find(point.time).is_none()
                {
                    new.push(point);
                }
            }
            if !new.is_empty() {
                open.points.merge(&new);
                open.oldest_frame = open.oldest_frame.min(frame);
            }
        }
        Ok(())
    }

    /// Works until the last handle of the store is dropped.
    pub fn run(&mut self, queue: &Receiver<Job>) {
        while let Ok(first) = queue.recv() {
            let mut jobs = Vec::new();
            let mut alone = None;
            let mut n_samples = 0;
            let mut is_urgent = false;
            let until = Instant::now() + self.shared.options.gather;
            let mut next = Some(first);
            loop {
                match next {
                    Some(Job::Alone(work)) => {
                        alone = Some(work);
                        break;
                    }
                    Some(Job::Samples(samples, answer)) => {
                        n_samples += samples.len();
                        jobs.push(Job::Samples(samples, answer));
                    }
                    Some(rows) => {
                        is_urgent = true;
                        jobs.push(rows);
                    }
                    None => break,
                }
                if jobs.len() >= JOBS || n_samples >= SAMPLES {
                    break;
                }
                let wait = if is_urgent || n_samples >= ENOUGH {
                    Duration::ZERO
                } else {
                    until.saturating_duration_since(Instant::now())
                };
                next = queue.recv_timeout(wait).ok();
            }
            if !jobs.is_empty() {
                self.commit(jobs);
                self.tend();
            }
            if let Some(work) = alone {
                let _ = catch_unwind(AssertUnwindSafe(|| work(self)));
            }
        }
    }

    /// Writes blocks where they are due. A failure is no loss: the samples stay in the tail, and it is tried again a while later.
    fn tend(&mut self) {
        if self.retry.is_some_and(|retry| Instant::now() < retry) {
            return;
        }
        self.retry = self.seal_due().err().map(|_| Instant::now() + RETRY);
    }

    /// One transaction for all jobs, then the answers.
    fn commit(&mut self, jobs: Vec<Job>) {
        let mut pending = Pending::default();
        let mut answers: Vec<Finish> = Vec::new();
        let mut rows = Vec::new();
        for job in jobs {
            match job {
                Job::Samples(samples, answer) => match self.sort_in(samples, &mut pending) {
                    Ok(appended) => answers.push(Box::new(move |committed| {
                        let _ = answer.send(committed.map(|()| appended));
                    })),
                    Err(refused) => {
                        let _ = answer.send(Err(refused));
                    }
                },
                Job::Rows(run) => rows.push(run),
                Job::Alone(_) => {}
            }
        }
        let result = self.transact(&pending, rows, &mut answers);
        if let Ok(frame) = result {
            let mut memory = self.shared.memory.write().unwrap_or_else(PoisonError::into_inner);
            for (id, run) in &pending.runs {
                if let Some(open) = memory.series.get_mut(id) {
                    open.points.merge(run);
                    open.oldest_frame = open.oldest_frame.min(frame);
                }
            }
        }
        for finish in answers {
            finish(result.clone().map(|_| ()));
        }
    }

    /// Writes everything of one commit; gives the number of the tail's frame.
    fn transact(&mut self, pending: &Pending, rows: Vec<Rows>, answers: &mut Vec<Finish>) -> Result<i64> {
        let doing = "storing";
        let transaction = self
            .connection
            .transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)
            .doing(doing)?;
        let mut failed = None;
        for run in rows {
            if failed.is_none() {
                failed = transaction.execute_batch("savepoint one").doing(doing).err();
            }
            // Even when the transaction is lost each must be answered: they run on, and the commit's failure is what they get.
            let ran = catch_unwind(AssertUnwindSafe(|| run(&transaction)));
            let Ok((error, finish)) = ran else {
                if transaction.execute_batch("rollback to one; release one").is_err() {
                    failed = Some(Error::refused("a write broke off; this is a mistake in the program"));
                }
                continue;
            };
            if transaction.is_autocommit() {
                // A full or failing disk has already undone everything.
                failed =
                    failed.or(error).or(Some(Error::Io { doing, said: "the transaction was undone".into() }));
                answers.push(finish);
                continue;
            }
            match error {
                None => {
                    answers.push(finish);
                    if failed.is_none() {
                        failed = transaction.execute_batch("release one").doing(doing).err();
                    }
                }
                Some(_) => {
                    finish(Ok(()));
                    if failed.is_none() {
                        failed = transaction.execute_batch("rollback to one; release one").doing(doing).err();
                    }
                }
            }
        }
        if let Some(error) = failed {
            return Err(error);
        }
        let mut frame = i64::MAX;
        let mut n_bytes = 0;
        if !pending.runs.is_empty() {
            let data = memory::frame(&pending.runs);
            n_bytes = data.len();
            frame = transaction
                .prepare_cached("insert into tail (data) values (?)")
                .and_then(|mut s| s.insert([data]))
                .doing(doing)?;
        }
        for s in &pending.conflicts {
            transaction
                .prepare_cached(
                    "insert or ignore into conflicts (series, time, value, quality) values (?, ?, ?, ?)",
                )
                .and_then(|mut i| i.execute((s.series.0, s.time, s.value, s.quality as u8)))
                .doing(doing)?;
        }
        transaction.commit().doing(doing)?;
        self.tail_bytes += n_bytes;
        Ok(frame)
    }

    /// Tells new samples from those that are there and puts them to what the commit stores; all or none of them.
    fn sort_in(&mut self, samples: Vec<Sample>, pending: &mut Pending) -> Result<Appended> {
        let shared = self.shared.clone();
        let memory = shared.memory.read().unwrap_or_else(PoisonError::into_inner);
        let mut by_series: BTreeMap<SeriesId, Vec<Point>> = BTreeMap::new();
        for s in &samples {
            if !memory.series.contains_key(&s.series) {
                return Err(Error::refused(format!("there is no series {}; make it first", s.series.0)));
            }
            if s.value.unsigned_abs() > LARGEST_VALUE as u64 {
                return Err(Error::refused(format!(
                    "series {}: the value {} is beyond 2^40 counts; choose a larger scale",
                    s.series.0, s.value
                )));
            }
            if !(0..LATEST_TIME).contains(&s.time) {
                return Err(Error::refused(format!(
                    "series {}: the time {} ms is not between 1970 and 2109; set the clock",
                    s.series.0, s.time
                )));
            }
            by_series.entry(s.series).or_default().push(Point {
                time: s.time,
                value: s.value,
                quality: s.quality,
            });
        }
        let mut appended = Appended::default();
        let mut runs = Vec::with_capacity(by_series.len());
        let mut conflicts = Vec::new();
        for (id, mut points) in by_series {
            if !points.is_sorted_by_key(|p| p.time) {
                points.sort_by_key(|p| p.time);
            }
            let open = &memory.series[&id];
            let mut new = Columns::default();
            for point in points {
                if point.time < open.series.raw_from {
                    appended.too_old += 1;
                    continue;
                }
                let mut there = if new.times.last() == Some(&point.time) {
                    Some(new.get(new.len() - 1))
                } else {
                    pending
                        .runs
                        .get(&id)
                        .and_then(|run| run.find(point.time))
                        .or_else(|| open.points.find(point.time))
                };
                if there.is_none() && open.sealed_last.is_some_and(|last| point.time <= last) {
                    there = self.sealed(id, point.time)?;
                }
                match there {
                    None => new.push(point),
                    Some(there) if there == point => appended.duplicates += 1,
                    Some(_) => {
                        let Point { time, value, quality } = point;
                        conflicts.push(Sample { series: id, time, value, quality });
                    }
                }
            }
            appended.new += new.len() as u64;
            if !new.is_empty() {
                runs.push((id, new));
            }
        }
        appended.conflicts = conflicts.len() as u64;
        pending.conflicts.append(&mut conflicts);
        for (id, run) in runs {
            pending.runs.entry(id).or_default().merge(&run);
        }
        Ok(appended)
    }

    /// Makes a series, or changes what may change of one.
    pub fn add_series(&mut self, spec: SeriesSpec) -> Result<SeriesId> {
        if !(spec.scale.is_finite() && spec.scale > 0.0) {
            return Err(Error::refused(format!(
                "{}: a scale of {} is no positive number",
                spec.name, spec.scale
            )));
        }
        if spec.interval < 0 || spec.name.is_empty() || spec.source.is_empty() {
            return Err(Error::refused("a series needs a source, a name and an interval of 0 or more ms"));
        }
        let shared = self.shared.clone();
        let known = {
            let memory = shared.memory.read().unwrap_or_else(PoisonError::into_inner);
            memory
                .series
                .values()
                .find(|o| o.series.spec.source == spec.source && o.series.spec.name == spec.name)
                .cloned()
        };
        let doing = "making a series";
        if let Some(mut open) = known {
            let has_samples = open.sealed_last.is_some() || !open.points.is_empty();
            if has_samples && (spec.scale != open.series.spec.scale || spec.unit != open.series.spec.unit) {
                return Err(Error::refused(format!(
                    "{} of {} is kept in {} {}; give the series with another scale or unit another name",
                    spec.name, spec.source, open.series.spec.scale, open.series.spec.unit
                )));
            }
            self.connection
                .execute(
                    "update series set unit = ?, scale = ?, interval = ?, is_switch = ? where id = ?",
                    (&spec.unit, spec.scale, spec.interval, spec.is_switch, open.series.id.0),
                )
                .doing(doing)?;
            open.series.spec = spec;
            let id = open.series.id;
            shared.memory.write().unwrap_or_else(PoisonError::into_inner).series.insert(id, open);
            return Ok(id);
        }
        let transaction = self.connection.transaction().doing(doing)?;
        transaction
            .execute("insert or ignore into sources (name) values (?)", [&spec.source])
            .doing(doing)?;
        transaction
            .execute(
                "insert into series (source, name, unit, scale, interval, is_switch)
                 select id, ?2, ?3, ?4, ?5, ?6 from sources where name = ?1",
                (&spec.source, &spec.name, &spec.unit, spec.scale, spec.interval, spec.is_switch),
            )
            .doing(doing)?;
        let id = SeriesId(
            u32::try_from(transaction.last_insert_rowid()).map_err(|_| Error::refused("too many series"))?,
        );
        transaction.commit().doing(doing)?;
        let series = Series { id, spec, raw_from: i64::MIN, minutes_from: i64::MIN };
        shared.memory.write().unwrap_or_else(PoisonError::into_inner).series.insert(id, Open::new(series));
        Ok(id)
    }
}
