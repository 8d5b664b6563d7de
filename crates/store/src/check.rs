//! Is everything as it was written? SQLite's structure, then the checksum of each block, roll-up, frame of the tail and photo; as far as the
//! time allows. And a copy while the store is in use, checked before it counts.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use rusqlite::Connection;
use rusqlite::backup::{Backup, StepResult};
use serde::Serialize;

use crate::Store;
use crate::block::{self, Place};
use crate::error::{Doing, Error, Result};
use crate::memory;
use crate::photos;
use crate::rollup::{self, Level};
use crate::series::SeriesId;

/// SQLite's virtual machine looks at the clock after so many steps.
const LOOK: i32 = 1000;
/// Pages copied in one step.
const PAGES: i32 = 512;

/// What a check found.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Checked {
    /// All of it was looked at; else the time ran out.
    pub is_complete: bool,
    /// What is wrong with SQLite's structure. Open the store anew: the file is put aside and what can be read is saved.
    pub structure: Vec<String>,
    /// What is wrong with single blocks, roll-ups and frames; all else is sound.
    pub parts: Vec<String>,
}

impl Checked {
    /// Nothing is wrong as far as was looked.
    pub fn is_sound(&self) -> bool {
        self.structure.is_empty() && self.parts.is_empty()
    }
}

/// How long a check goes on: to a time, and while nobody ends it.
#[derive(Clone, Debug)]
pub(crate) struct Budget {
    until: Instant,
    stop: Option<Arc<AtomicBool>>,
}

impl Budget {
    pub fn of(longest: Duration) -> Budget {
        Budget { until: Instant::now() + longest, stop: None }
    }

    fn is_over(&self) -> bool {
        Instant::now() >= self.until || self.stop.as_ref().is_some_and(|stop| stop.load(Ordering::Relaxed))
    }
}

/// SQLite's own check of its structure; None when the time ran out.
pub(crate) fn structure(connection: &mut Connection, budget: &Budget) -> Result<Option<Vec<String>>> {
    let doing = "checking the file";
    let of_handler = budget.clone();
    connection.progress_handler(LOOK, Some(move || of_handler.is_over())).doing(doing)?;
    let found: rusqlite::Result<Vec<String>> = connection
        .prepare("pragma quick_check(20)")
        .and_then(|mut s| s.query_map([], |row| row.get(0))?.collect());
    connection.progress_handler(0, None::<fn() -> bool>).doing(doing)?;
    match found {
        Ok(lines) => Ok(Some(lines.into_iter().filter(|line| line != "ok").collect())),
        Err(error) if error.sqlite_error_code() == Some(rusqlite::ErrorCode::OperationInterrupted) => {
            Ok(None)
        }
        Err(error) => match Error::of(doing, &error) {
            Error::Damaged { what } => Ok(Some(vec![what])),
            other => Err(other),
        },
    }
}

/// The checksums of all parts, newest first; gives whether all were looked at.
fn parts(connection: &Connection, budget: &Budget, found: &mut Vec<String>) -> Result<bool> {
    let doing = "checking blocks";
    let mut note = |result: Result<()>| match result {
        Err(Error::Damaged { what }) => {
            found.push(what);
            Ok(())
        }
        other => other,
    };
    let mut statement = connection.prepare("select data from tail").doing(doing)?;
    let mut rows = statement.query([]).doing(doing)?;
    while let Some(row) = rows.next().doing(doing)? {
        let data: Vec<u8> = row.get(0).doing(doing)?;
        note(memory::unframe(&data, |_| {}))?;
    }
    let mut statement = connection
        .prepare("select series, first, last, n, data from blocks order by id desc")
        .doing(doing)?;
    let mut rows = statement.query([]).doing(doing)?;
    while let Some(row) = rows.next().doing(doing)? {
        let read = || {
            let place = Place {
                series: SeriesId(row.get(0)?),
                first: row.get(1)?,
                last: row.get(2)?,
                n: row.get::<_, i64>(3)? as usize,
            };
            Ok((place, row.get::<_, Vec<u8>>(4)?))
        };
        let (place, data) = read().doing(doing)?;
        note(block::decode(&place, &data).map(|_| ()))?;
        if budget.is_over() {
            return Ok(false);
        }
    }
    let mut statement =
        connection.prepare("select series, level, start, data from rollups order by id desc").doing(doing)?;
    let mut rows = statement.query([]).doing(doing)?;
    while let Some(row) = rows.next().doing(doing)? {
        let read = || {
            let level = if row.get::<_, i64>(1)? == 0 { Level::Minute } else { Level::Hour };
            Ok((SeriesId(row.get(0)?), level, row.get::<_, i64>(2)?, row.get::<_, Vec<u8>>(3)?))
        };
        let (series, level, start, data) = read().doing(doing)?;
        note(rollup::decode(series, level, start, &data).map(|_| ()))?;
        if budget.is_over() {
            return Ok(false);
        }
    }
    photos::check(connection, found, || !budget.is_over()).doing("checking photos")
}

pub(crate) fn check(connection: &mut Connection, budget: &Budget) -> Result<Checked> {
    let mut checked = Checked::default();
    let Some(structure) = structure(connection, budget)? else { return Ok(checked) };
    checked.structure = structure;
    if checked.structure.is_empty() {
        checked.is_complete = parts(connection, budget, &mut checked.parts)?;
    }
    Ok(checked)
}

/// A copy that was made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Copied {
    /// Bytes of the copy.
    pub bytes: u64,
    /// Pages of the copy.
    pub pages: u32,
}

impl Store {
    /// Looks whether everything is as it was written; others go on meanwhile.
    ///
    /// # Errors
    ///
    /// What the disk says. What is wrong is in the answer.
    pub fn check(&self, budget: Duration) -> Result<Checked> {
        self.check_within(&Budget::of(budget))
    }

    /// The same, and whoever sets `stop` ends it within a moment; what was found so far is in the answer.
    ///
    /// # Errors
    ///
    /// What the disk says.
    pub fn check_until(&self, longest: Duration, stop: &Arc<AtomicBool>) -> Result<Checked> {
        self.check_within(&Budget { stop: Some(stop.clone()), ..Budget::of(longest) })
    }

    fn check_within(&self, budget: &Budget) -> Result<Checked> {
        let mut connection = self.reader()?;
        let checked = check(&mut connection, budget);
        self.give_back(connection);
        checked
    }

    /// Copies the store as it is at one moment, while it is in use, and checks the copy; only a sound one gets its name. A file of
    /// that name is replaced then.
    ///
    /// # Errors
    ///
    /// `Refused` for the store's own name, `Damaged` when the copy is not sound, what the disks say.
    pub fn backup(&self, to: &Path) -> Result<Copied> {
        if to.canonicalize().is_ok_and(|to| self.path().canonicalize().is_ok_and(|own| own == to)) {
            return Err(Error::refused("a copy needs another name than the store itself"));
        }
        let mut partial = to.as_os_str().to_owned();
        partial.push(".partial");
        let partial = Path::new(&partial);
        let result = self.read(|source| copy(source, partial)).and_then(|copied| {
            let doing = "naming the copy";
            std::fs::File::open(partial).and_then(|f| f.sync_all()).map_err(|e| Error::of_io(doing, &e))?;
            std::fs::rename(partial, to).map_err(|e| Error::of_io(doing, &e))?;
            let folder = to.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
            std::fs::File::open(folder).and_then(|f| f.sync_all()).map_err(|e| Error::of_io(doing, &e))?;
            Ok(copied)
        });
        if result.is_err() {
            // A copy that does not count is no loss.
            let _ = std::fs::remove_file(partial);
        }
        result
    }
}

fn copy(source: &Connection, partial: &Path) -> Result<Copied> {
    let doing = "copying the store";
    if partial.exists() {
        std::fs::remove_file(partial).map_err(|e| Error::of_io(doing, &e))?;
    }
    let mut target = Connection::open(partial).doing(doing)?;
    // One state of the source; without it each commit of the writer would make the copy begin again.
    source
        .execute_batch("begin")
        .and_then(|()| source.query_row("select count(*) from sqlite_master", [], |_| Ok(())))
        .doing(doing)?;
    let mut run = || -> Result<Copied> {
        let backup = Backup::new(source, &mut target).doing(doing)?;
        loop {
            match backup.step(PAGES).doing(doing)? {
                StepResult::Done => break,
                StepResult::More => std::thread::yield_now(),
                _ => std::thread::sleep(Duration::from_millis(20)),
            }
        }
        let pages = backup.progress().pagecount as u32;
        drop(backup);
        target.pragma_update(None, "journal_mode", "delete").doing(doing)?;
        let checked = check(&mut target, &Budget::of(Duration::from_secs(3600)))?;
        if let Some(what) = checked.structure.iter().chain(&checked.parts).next() {
            return Err(Error::Damaged { what: format!("the copy: {what}") });
        }
        let bytes = std::fs::metadata(partial).map_err(|e| Error::of_io(doing, &e))?.len();
        Ok(Copied { bytes, pages })
    };
    let result = run();
    source.execute_batch("commit").doing(doing)?;
    result
}
