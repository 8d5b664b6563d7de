//! When the file is damaged: it is put aside, never deleted, and every row that can be read goes to a new file. Rows around a hole are
//! found by trying later row numbers, so one bad page costs the rows on it and no others.

use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

use rusqlite::types::Value;
use rusqlite::{Connection, OpenFlags, params_from_iter};
use serde::Serialize;

use crate::error::{Doing, Error, Result};
use crate::{schema, seal};

/// What became of a damaged file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Salvaged {
    /// Where the damaged file is now.
    pub aside: PathBuf,
    /// Why it was put aside.
    pub why: String,
    /// Rows that were saved.
    pub n_rows: u64,
    /// Tables with rows that could not be read.
    pub holes: Vec<String>,
}

/// Renames a file with its log out of the way.
fn put_aside(path: &Path) -> Result<PathBuf> {
    let doing = "putting the damaged file aside";
    let seconds = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default().as_secs();
    let with = |end: &str| {
        let mut name = path.as_os_str().to_owned();
        name.push(end);
        PathBuf::from(name)
    };
    let mut aside = with(&format!(".damaged-{seconds}"));
    let mut n = 1;
    while aside.exists() {
        n += 1;
        aside = with(&format!(".damaged-{seconds}-{n}"));
    }
    std::fs::rename(path, &aside).map_err(|e| Error::of_io(doing, &e))?;
    for end in ["-wal", "-shm"] {
        let from = with(end);
        if from.exists() {
            let mut to = aside.as_os_str().to_owned();
            to.push(end);
            std::fs::rename(&from, to).map_err(|e| Error::of_io(doing, &e))?;
        }
    }
    Ok(aside)
}

/// Copies rows with numbers above `from` in rising order until the end (`Ok`) or a hole; gives the last number copied.
fn forward(
    from: &Connection,
    to: &Connection,
    table: &Table,
    after: i64,
    n: &mut u64,
) -> (i64, rusqlite::Result<()>) {
    let mut last = after;
    let result = (|| {
        let mut rows = from.prepare(&table.rising)?;
        let mut rows = rows.query([after])?;
        while let Some(row) = rows.next()? {
            let number = table.copy(to, row)?;
            *n += 1;
            last = number;
        }
        Ok(())
    })();
    (last, result)
}

struct Table {
    rising: String,
    insert: String,
    n_columns: usize,
}

impl Table {
    fn of(to: &Connection, name: &str) -> rusqlite::Result<Self> {
        let columns: Vec<String> = to
            .prepare("select name from pragma_table_info(?)")?
            .query_map([name], |row| row.get(0))?
            .collect::<rusqlite::Result<_>>()?;
        let list = columns.join(", ");
        let marks = vec!["?"; columns.len()].join(", ");
        Ok(Table {
            rising: format!("select rowid, {list} from {name} not indexed where rowid > ? order by rowid"),
            insert: format!("insert or ignore into {name} ({list}) values ({marks})"),
            n_columns: columns.len(),
        })
    }

    fn copy(&self, to: &Connection, row: &rusqlite::Row<'_>) -> rusqlite::Result<i64> {
        let values: Vec<Value> = (1..=self.n_columns).map(|i| row.get(i)).collect::<rusqlite::Result<_>>()?;
        to.prepare_cached(&self.insert)?.execute(params_from_iter(values))?;
        row.get(0)
    }
}

/// Copies what can be read of a table; gives whether all of it could be.
fn copy_table(from: &Connection, to: &Connection, name: &str, n: &mut u64) -> rusqlite::Result<bool> {
    let table = Table::of(to, name)?;
    let mut is_whole = true;
    let mut after = -1;
    loop {
        let (last, result) = forward(from, to, &table, after, n);
        if result.is_ok() {
            return Ok(is_whole);
        }
        is_whole = false;
        // Behind the hole: the nearest row number from which something can be read, found by doubling and then halving the distance.
        let readable = |number: i64| {
            let first: rusqlite::Result<i64> =
                from.prepare(&table.rising).and_then(|mut s| s.query_row([number], |row| row.get(0)));
            match first {
                Ok(_) | Err(rusqlite::Error::QueryReturnedNoRows) => true,
                Err(_) => false,
            }
        };
        let mut far = 1i64;
        while far < 1 << 50 && !readable(last + far) {
            far *= 2;
        }
        if far >= 1 << 50 {
            return Ok(false);
        }
        let mut near = far / 2;
        while far - near > 1 {
            let middle = near + (far - near) / 2;
            if readable(last + middle) { far = middle } else { near = middle }
        }
        after = last + far;
    }
}

/// Puts a damaged file aside and saves what can be read of it to a new one in its place.
pub(crate) fn salvage(path: &Path, why: String) -> Result<Salvaged> {
    let aside = put_aside(path)?;
    let doing = "saving what can be read";
    let mut to = crate::connect(path).doing(doing)?;
    schema::migrate(&mut to, path)?;
    let mut salvaged = Salvaged { aside, why, n_rows: 0, holes: Vec::new() };
    let tables: Vec<String> = to
        .prepare("select name from sqlite_master where type = 'table' and name not like 'sqlite_%' and name <> 'versions'")
        .and_then(|mut s| s.query_map([], |row| row.get(0))?.collect())
        .doing(doing)?;
    // Read and write: a log beside it must be applied.
    let from = Connection::open_with_flags(
        &salvaged.aside,
        OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX,
    );
    let Ok(from) = from else {
        salvaged.holes = tables;
        return Ok(salvaged);
    };
    let run = |salvaged: &mut Salvaged| -> rusqlite::Result<()> {
        to.execute_batch("pragma foreign_keys = off; begin immediate")?;
        for table in &tables {
            if !copy_table(&from, &to, table, &mut salvaged.n_rows)? {
                salvaged.holes.push(table.clone());
            }
        }
        to.execute_batch("commit; pragma foreign_keys = on")
    };
    run(&mut salvaged).doing(doing)?;
    seal::find_lost_gaps(&to)?;
    Ok(salvaged)
}
