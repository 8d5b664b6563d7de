//! What the station keeps, for years, in one SQLite file: samples of every signal in compressed blocks with roll-ups by minute and
//! hour, gaps, and beside them events, alarms, commands, notes with photos, calibrations, revisions. `docs/store.md` has the schema, the format of
//! blocks and what is guaranteed.
//!
//! The contract: when a call that writes returns `Ok`, what it wrote is on the disk (group commit, `fsync`). When it returns an error,
//! nothing of it counts and it may be asked again: samples are idempotent by series and time, board events by their number. One thread
//! writes; readers don't wait for it.

mod block;
mod bytes;
pub mod care;
mod check;
pub mod drafts;
mod error;
mod export;
mod import;
mod memory;
mod outbox;
pub mod people;
pub mod photos;
mod query;
mod records;
mod retention;
mod rollup;
mod salvage;
mod schema;
mod seal;
mod series;
mod writer;

use std::fs::{File, TryLockError};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, PoisonError, RwLock};
use std::thread::JoinHandle;
use std::time::Duration;

pub use check::{Checked, Copied};
pub use error::{Doing, Error, Result};
pub use export::{Format, Pack, Wanted, senml_unit};
pub use import::{Choices, Finding, Findings, ImportColumn, ImportRow, Imported, Preview, preview_csv};
pub use query::{Column, Conflict, Trend};
pub use records::{
    AlarmChange, BoardEvent, Calibration, Command, Event, EventsStored, Note, Outcome, OutcomeKind, Page,
    Reason, Revision, Weighing,
};
pub use retention::{Dropped, Retention};
pub use rusqlite;
use rusqlite::Connection;
pub use salvage::Salvaged;
pub use schema::Migrated;
pub use series::{
    Appended, GAP_INTERVALS, Gap, LARGEST_VALUE, LATEST_TIME, Point, Quality, Sample, Series, SeriesId,
    SeriesSpec,
};

use memory::{Memory, Open};
use writer::{Job, Writer};

/// Jobs that may wait for the writer; who comes later waits for a place.
const QUEUE: usize = 64;
/// Connections kept for readers.
const READERS: usize = 4;

/// How the store works.
#[derive(Clone, Debug)]
pub struct Options {
    /// How long samples may wait for more to share a commit. Spares the disk; rows (events, commands) never wait.
    pub gather: Duration,
    /// Samples of a block.
    pub block: usize,
    /// Samples in memory, of all series together, before the fullest series are written to blocks.
    pub in_memory: usize,
    /// Bytes of the tail before it is written anew.
    pub tail: usize,
    /// How long the check at the start may take. What it did not reach is for [`Store::check`].
    pub check: Duration,
}

impl Default for Options {
    fn default() -> Self {
        Options {
            gather: Duration::from_millis(250),
            block: 4096,
            in_memory: 500_000,
            tail: 4 << 20,
            check: Duration::from_secs(1),
        }
    }
}

/// What was found when the file was opened.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Opened {
    /// What brought it to this version.
    pub migrated: Migrated,
    /// Samples that were in no block yet and were read from the tail.
    pub in_tail: usize,
    /// What the check found, as far as it came.
    pub checked: Checked,
    /// What became of the file if it was damaged.
    pub salvaged: Option<Salvaged>,
}

/// What all who use a store share.
pub(crate) struct Shared {
    path: PathBuf,
    options: Options,
    memory: RwLock<Memory>,
    readers: Mutex<Vec<Connection>>,
}

struct Inner {
    shared: Arc<Shared>,
    jobs: Option<SyncSender<Job>>,
    thread: Mutex<Option<JoinHandle<()>>>,
    opened: Opened,
    /// Held while the store is open.
    _lock: File,
}

impl Drop for Inner {
    fn drop(&mut self) {
        drop(self.jobs.take());
        let thread = self.thread.lock().unwrap_or_else(PoisonError::into_inner).take();
        if let Some(thread) = thread
            && thread.thread().id() != std::thread::current().id()
        {
            // The writer catches panics of what it runs; there is nothing to pass on.
            let _ = thread.join();
        }
    }
}

/// An open store. Clones are the same store; the last one closes it.
#[derive(Clone)]
pub struct Store {
    inner: Arc<Inner>,
}

impl std::fmt::Debug for Store {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Store").field("path", &self.inner.shared.path).finish_non_exhaustive()
    }
}

/// An answer that comes when the writer has committed.
#[derive(Debug)]
pub struct Ticket(Receiver<Result<Appended>>);

impl Ticket {
    /// Waits until the samples are durable.
    ///
    /// # Errors
    ///
    /// Why none of them was stored.
    pub fn wait(self) -> Result<Appended> {
        self.0.recv().unwrap_or(Err(Error::Closed))
    }
}

/// Opens the file with the settings that the store needs.
fn connect(path: &Path) -> rusqlite::Result<Connection> {
    let connection = Connection::open(path)?;
    connection.busy_timeout(Duration::from_secs(5))?;
    connection.execute_batch(
        "pragma journal_mode = wal; pragma synchronous = full; pragma foreign_keys = on; pragma cache_size = -2000;
         pragma temp_store = memory; pragma journal_size_limit = 16777216; pragma trusted_schema = off;",
    )?;
    connection.set_prepared_statement_cache_capacity(64);
    Ok(connection)
}

/// A file that is there and does not begin as SQLite's do. Where a store was it is a damaged one; elsewhere it is somebody's.
fn is_something_else(path: &Path) -> Result<bool> {
    const BEGIN: &[u8] = b"SQLite format 3\0";
    let mut begin = Vec::new();
    match File::open(path).and_then(|file| file.take(BEGIN.len() as u64).read_to_end(&mut begin)) {
        Ok(_) => Ok(!begin.is_empty() && begin != BEGIN),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(false),
        Err(error) => Err(Error::of_io("opening the store", &error)),
    }
}

/// Takes the store for this process; gives also whether it was ever taken before.
fn lock(path: &Path) -> Result<(File, bool)> {
    let mut name = path.as_os_str().to_owned();
    name.push(".lock");
    let was_open_before = Path::new(&name).exists();
    let doing = "locking the store";
    let file = File::options()
        .create(true)
        .truncate(false)
        .write(true)
        .open(name)
        .map_err(|e| Error::of_io(doing, &e))?;
    match file.try_lock() {
        Ok(()) => Ok((file, was_open_before)),
        Err(TryLockError::WouldBlock) => Err(Error::InUse { path: path.into() }),
        Err(TryLockError::Error(e)) => Err(Error::of_io(doing, &e)),
    }
}

/// Opens, checks, migrates and reads the file. `Damaged`: it has to be put aside.
fn open_writer(shared: &Arc<Shared>) -> Result<(Writer, Opened)> {
    let path = &shared.path;
    let mut connection = connect(path).doing("opening the store")?;
    let structure = check::structure(&mut connection, &check::Budget::of(shared.options.check))?;
    if let Some(what) = structure.as_deref().unwrap_or_default().first() {
        return Err(Error::Damaged { what: what.clone() });
    }
    let migrated = schema::migrate(&mut connection, path)?;
    let mut writer = Writer::new(connection, shared.clone());
    let (in_tail, parts) = writer.load()?;
    let checked = Checked { is_complete: structure.is_some(), structure: Vec::new(), parts };
    Ok((writer, Opened { migrated, in_tail, checked, salvaged: None }))
}

impl Store {
    /// Opens a store, or makes one where there is no file. A damaged one is put aside and what can be read of it is saved;
    /// [`Store::opened`] says so.
    ///
    /// # Errors
    ///
    /// `InUse`, `Newer`, `Refused` for a file that is no store, or what the disk says.
    pub fn open(path: impl AsRef<Path>) -> Result<Store> {
        Store::open_with(path, Options::default())
    }

    /// Opens a store that works otherwise than usual.
    ///
    /// # Errors
    ///
    /// As [`Store::open`].
    pub fn open_with(path: impl AsRef<Path>, options: Options) -> Result<Store> {
        let path = path.as_ref();
        let (lock, was_open_before) = lock(path)?;
        if !was_open_before && is_something_else(path)? {
            return Err(Error::refused(format!(
                "{}: this file is no store; give another path",
                path.display()
            )));
        }
        let shared = Arc::new(Shared {
            path: path.into(),
            options,
            memory: RwLock::new(Memory::default()),
            readers: Mutex::new(Vec::new()),
        });
        let (mut writer, opened) = match open_writer(&shared) {
            Err(Error::Damaged { what }) => {
                let salvaged = salvage::salvage(path, what)?;
                let (writer, opened) = open_writer(&shared)?;
                (writer, Opened { salvaged: Some(salvaged), ..opened })
            }
            opened => opened?,
        };
        let (jobs, queue) = sync_channel(QUEUE);
        let thread = std::thread::Builder::new()
            .name("store".into())
            .spawn(move || writer.run(&queue))
            .map_err(|e| Error::of_io("starting the store's thread", &e))?;
        let thread = Mutex::new(Some(thread));
        Ok(Store { inner: Arc::new(Inner { shared, jobs: Some(jobs), thread, opened, _lock: lock }) })
    }

    /// What was found when it was opened.
    pub fn opened(&self) -> &Opened {
        &self.inner.opened
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.inner.shared.path
    }

    /// Bytes that it takes on the disk, its log included.
    pub fn bytes(&self) -> u64 {
        let path = &self.inner.shared.path;
        let with = |end: &str| {
            let mut name = path.as_os_str().to_owned();
            name.push(end);
            std::fs::metadata(name).map_or(0, |m| m.len())
        };
        with("") + with("-wal") + with("-shm")
    }

    fn send(&self, job: Job) -> Result<()> {
        self.inner.jobs.as_ref().ok_or(Error::Closed)?.send(job).map_err(|_| Error::Closed)
    }

    /// Runs statements within the next commit, after what waits already; returns when they are durable. Several calls share a commit;
    /// if one fails only its own statements are undone. The closure must not call the store.
    ///
    /// # Errors
    ///
    /// What the closure gives, or why the commit failed; then nothing of it counts.
    pub fn write<T: Send + 'static>(
        &self,
        run: impl FnOnce(&Connection) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        let (answer, answered) = sync_channel(1);
        self.send(Job::Rows(Box::new(move |connection| {
            let result = run(connection);
            let error = result.as_ref().err().cloned();
            let finish = Box::new(move |committed: Result<()>| {
                // Nobody may be waiting any more.
                let _ = answer.send(committed.and(result));
            });
            (error, finish)
        })))?;
        answered.recv().unwrap_or(Err(Error::Closed))
    }

    /// Runs work that needs the writer for itself, outside of group commits.
    pub(crate) fn alone<T: Send + 'static>(
        &self,
        run: impl FnOnce(&mut Writer) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        let (answer, answered) = sync_channel(1);
        self.send(Job::Alone(Box::new(move |writer| {
            let _ = answer.send(run(writer));
        })))?;
        answered.recv().unwrap_or(Err(Error::Closed))
    }

    /// Runs queries on one state of the file; writers go on meanwhile. Samples of the last minutes are not in its tables, use the
    /// store's own queries for them.
    ///
    /// # Errors
    ///
    /// What the closure gives, or why the file can't be read.
    pub fn read<T>(&self, run: impl FnOnce(&Connection) -> Result<T>) -> Result<T> {
        let connection = self.reader()?;
        let result = run(&connection);
        self.give_back(connection);
        result
    }

    fn reader(&self) -> Result<Connection> {
        let kept = self.inner.shared.readers.lock().unwrap_or_else(PoisonError::into_inner).pop();
        match kept {
            Some(connection) => Ok(connection),
            None => {
                let connect = || {
                    let connection = connect(&self.inner.shared.path)?;
                    connection.execute_batch("pragma query_only = on; pragma cache_size = -1000")?;
                    Ok(connection)
                };
                connect().doing("opening the store for reading")
            }
        }
    }

    fn give_back(&self, connection: Connection) {
        let mut readers = self.inner.shared.readers.lock().unwrap_or_else(PoisonError::into_inner);
        if readers.len() < READERS && connection.is_autocommit() {
            readers.push(connection);
        }
    }

    /// Finds a series by source and name or makes it; one that is there gets the new unit, scale and interval.
    ///
    /// # Errors
    ///
    /// `Refused` when the scale is no positive number, or when samples are there in another scale or unit; what the disk says.
    pub fn series(&self, spec: &SeriesSpec) -> Result<SeriesId> {
        let known = self.find_series(&spec.source, &spec.name);
        if let Some(known) = known
            && known.spec == *spec
        {
            return Ok(known.id);
        }
        let spec = spec.clone();
        self.alone(move |writer| writer.add_series(spec))
    }

    /// The series of a source and name.
    pub fn find_series(&self, source: &str, name: &str) -> Option<Series> {
        let memory = self.inner.shared.memory.read().unwrap_or_else(PoisonError::into_inner);
        memory
            .series
            .values()
            .map(|open| &open.series)
            .find(|s| s.spec.source == source && s.spec.name == name)
            .cloned()
    }

    /// All series, in the order in which they came.
    pub fn all_series(&self) -> Vec<Series> {
        let memory = self.inner.shared.memory.read().unwrap_or_else(PoisonError::into_inner);
        memory.series.values().map(|open| open.series.clone()).collect()
    }

    /// Stores samples, in any order; returns when they are durable. Many at once cost least (thousands). All or none are stored.
    ///
    /// # Errors
    ///
    /// `Refused` for an unknown series, a value beyond [`LARGEST_VALUE`], a time before 1970 or beyond [`LATEST_TIME`]; what the disk says.
    pub fn append(&self, samples: Vec<Sample>) -> Result<Appended> {
        self.append_later(samples)?.wait()
    }

    /// Hands samples over; the ticket tells when they are durable. Waits only while the queue is full.
    ///
    /// # Errors
    ///
    /// `Closed`.
    pub fn append_later(&self, samples: Vec<Sample>) -> Result<Ticket> {
        let (answer, answered) = sync_channel(1);
        self.send(Job::Samples(samples, answer))?;
        Ok(Ticket(answered))
    }

    /// Writes all that is in memory to blocks, small ones too: after an import, before a copy goes elsewhere. Not needed for durability.
    ///
    /// # Errors
    ///
    /// What the disk says; then everything is as safe as before.
    pub fn settle(&self) -> Result<()> {
        self.alone(|writer| writer.seal_all())
    }
}

impl Open {
    fn new(series: Series) -> Self {
        Open { series, sealed_last: None, points: memory::Columns::default(), oldest_frame: i64::MAX }
    }
}
