//! The tables, and how a file of an older version becomes one of this version: numbered steps, each module for itself, all in one
//! transaction. A file of a newer version is refused and not touched.

use std::path::{Path, PathBuf};

use rusqlite::Connection;

use crate::error::{Doing, Error, Result};
use crate::{care, drafts, outbox, people, photos};

/// "TWST": marks a file as a store ("application id" in SQLite's header).
const APPLICATION_ID: i32 = 0x5457_5354;

/// The modules and their steps. A step that was released is never changed; what is new is a new step.
const MODULES: &[(&str, &[&str])] = &[
    ("store", MIGRATIONS),
    ("people", people::MIGRATIONS),
    ("outbox", outbox::MIGRATIONS),
    ("drafts", drafts::MIGRATIONS),
    ("care", care::MIGRATIONS),
    ("photos", photos::MIGRATIONS),
];

/// All times are ms since 1970 UTC. Every table has a rowid, so that a damaged one can be read around its holes.
const MIGRATIONS: &[&str] = &["
create table sources (
    id integer primary key,
    name text not null unique
) strict;

-- One signal of one source; a value is `value * scale` of `unit`.
create table series (
    id integer primary key,
    source integer not null references sources (id),
    name text not null,
    unit text not null,
    scale real not null,
    interval integer not null,
    is_switch integer not null,
    raw_from integer not null default -9223372036854775808,
    minutes_from integer not null default -9223372036854775808,
    unique (source, name)
) strict;

-- Samples that are in no block yet, in the order they came: one frame a commit.
create table tail (
    id integer primary key,
    data blob not null
) strict;

-- Samples of one series, sorted, compressed; blocks of a series don't overlap.
create table blocks (
    id integer primary key,
    series integer not null,
    first integer not null,
    last integer not null,
    n integer not null,
    data blob not null
) strict;
create unique index blocks_by_time on blocks (series, last, first, n);

-- 1440 buckets of a minute (level 0) or an hour (level 1).
create table rollups (
    id integer primary key,
    series integer not null,
    level integer not null,
    start integer not null,
    data blob not null,
    unique (series, level, start)
) strict;

-- Where samples are missing for more than three expected intervals: times of the last sample before and the first after.
create table gaps (
    id integer primary key,
    series integer not null,
    first integer not null,
    last integer not null,
    unique (series, last)
) strict;

-- Samples whose time was taken by another value.
create table conflicts (
    id integer primary key,
    series integer not null,
    time integer not null,
    value integer not null,
    quality integer not null,
    unique (series, time, value, quality)
) strict;

-- Blocks that were found damaged: put aside, never deleted.
create table damaged (
    id integer primary key,
    series integer not null,
    first integer not null,
    last integer not null,
    n integer not null,
    data blob not null,
    found text not null
) strict;

create table events (
    id integer primary key,
    at integer not null,
    source text not null,
    sequence integer,
    code integer,
    argument integer,
    minute integer,
    kind text not null,
    text text not null
) strict;
create index events_by_time on events (at);
create index events_by_source on events (source, sequence);

create table alarm_log (
    id integer primary key,
    at integer not null,
    source text not null,
    alarm text not null,
    priority text not null,
    was text not null,
    becomes text not null,
    who text,
    why text,
    until integer,
    detail text
) strict;
create index alarm_log_by_time on alarm_log (at);
create index alarm_log_by_alarm on alarm_log (source, alarm, at);

-- What people ordered; never changed, never deleted.
create table commands (
    id integer primary key,
    at integer not null,
    source text not null,
    who text not null,
    why text not null,
    what text not null
) strict;
create index commands_by_time on commands (at);
create table outcomes (
    id integer primary key,
    command integer not null references commands (id),
    at integer not null,
    outcome text not null,
    detail text not null,
    scan integer,
    output integer
) strict;
create index outcomes_by_command on outcomes (command);
create trigger commands_stand before update on commands begin select raise(abort, 'the audit trail is only added to'); end;
create trigger commands_stay before delete on commands begin select raise(abort, 'the audit trail is only added to'); end;
create trigger outcomes_stand before update on outcomes begin select raise(abort, 'the audit trail is only added to'); end;
create trigger outcomes_stay before delete on outcomes begin select raise(abort, 'the audit trail is only added to'); end;

create table notes (
    id integer primary key,
    written integer not null,
    first integer not null,
    last integer not null,
    who text not null,
    text text not null,
    replaces integer references notes (id)
) strict;
create index notes_by_time on notes (first);

create table calibrations (
    id integer primary key,
    at integer not null,
    source text not null,
    input text not null,
    who text not null,
    entry blob not null,
    note text not null
) strict;
create index calibrations_by_input on calibrations (source, input, at);

create table revisions (
    id integer primary key,
    at integer not null,
    source text not null,
    who text not null,
    why text not null,
    crc integer not null,
    program blob not null,
    system text not null
) strict;

-- Small values that survive a restart: positions, states of station-side checks.
create table settings (
    id integer primary key,
    key text not null unique,
    value text not null
) strict;
", "
-- What a revision does to rows of the FMEA beside the one that ran (0: none that is known) when it was sent.
create table weighings (
    id integer primary key,
    at integer not null,
    source text not null,
    revision integer not null references revisions (id),
    against integer not null,
    who text not null,
    how text not null,
    weighed integer,
    detail text not null,
    rows text not null,
    unique (source, revision, against)
) strict;

-- Why a row may get worse: added to, never changed.
create table reasons (
    id integer primary key,
    at integer not null,
    weighing integer not null references weighings (id),
    fault text not null,
    who text not null,
    text text not null
) strict;
create index reasons_by_weighing on reasons (weighing);
"];

fn version(connection: &Connection, module: &str) -> rusqlite::Result<u32> {
    connection.query_row("select coalesce(max(version), 0) from versions where module = ?", [module], |row| {
        row.get(0)
    })
}

/// What brought a file to this version.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Migrated {
    /// The copy of the file as it was; None if there was nothing to copy.
    pub backup: Option<PathBuf>,
    /// Modules with the version they had and the version they have.
    pub steps: Vec<(String, u32, u32)>,
}

/// Brings the file to this version.
///
/// # Errors
///
/// A newer file, a file that is no store, or what SQLite says; then nothing was changed.
pub(crate) fn migrate(connection: &mut Connection, path: &Path) -> Result<Migrated> {
    migrate_to(connection, path, MODULES)
}

fn migrate_to(connection: &mut Connection, path: &Path, modules: &[(&str, &[&str])]) -> Result<Migrated> {
    let doing = "reading the schema's version";
    let application: i32 =
        connection.pragma_query_value(None, "application_id", |row| row.get(0)).doing(doing)?;
    let tables: i64 = connection
        .query_row("select count(*) from sqlite_master where type = 'table'", [], |row| row.get(0))
        .doing(doing)?;
    if application != APPLICATION_ID && tables > 0 {
        return Err(Error::refused(format!(
            "{}: an SQLite file, but no store; give another path",
            path.display()
        )));
    }
    let mut steps = Vec::new();
    let mut had_any = false;
    for &(module, migrations) in modules {
        let found = if tables == 0 { 0 } else { version(connection, module).doing(doing)? };
        let known = u32::try_from(migrations.len()).unwrap_or(u32::MAX);
        if found > known {
            return Err(Error::Newer { module: module.into(), found, known });
        }
        had_any |= found > 0;
        if found < known {
            steps.push((module.to_owned(), found, known));
        }
    }
    if steps.is_empty() {
        return Ok(Migrated::default());
    }
    let backup = if had_any { Some(copy_before(connection, path, &steps)?) } else { None };
    let doing = "migrating";
    let transaction =
        connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate).doing(doing)?;
    if tables == 0 {
        transaction.pragma_update(None, "application_id", APPLICATION_ID).doing(doing)?;
        transaction
            .execute_batch(
                "create table versions (id integer primary key, module text not null, version integer not null,
                 at text not null) strict",
            )
            .doing(doing)?;
    }
    for (module, found, _) in &steps {
        let Some((_, migrations)) = modules.iter().find(|(name, _)| name == module) else { continue };
        for (version, sql) in (1u32..).zip(*migrations).skip(*found as usize) {
            transaction.execute_batch(sql).doing(doing)?;
            transaction
                .execute(
                    "insert into versions (module, version, at) values (?, ?, datetime('now'))",
                    (module, version),
                )
                .doing(doing)?;
        }
    }
    transaction.commit().doing(doing)?;
    Ok(Migrated { backup, steps })
}

/// A copy beside the file, named by the versions it has; one that stands there already is of a migration that failed and is replaced.
fn copy_before(connection: &Connection, path: &Path, steps: &[(String, u32, u32)]) -> Result<PathBuf> {
    let versions: Vec<String> = steps.iter().map(|(module, found, _)| format!("{module}{found}")).collect();
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(format!(".before-{}", versions.join("-")));
    let backup = path.with_file_name(name);
    if backup.exists() {
        std::fs::remove_file(&backup)
            .map_err(|e| Error::of_io("replacing the copy of an earlier migration", &e))?;
    }
    connection
        .execute("vacuum into ?", [backup.to_string_lossy()])
        .doing("copying the file before migrating")?;
    Ok(backup)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn open(path: &Path) -> Connection {
        Connection::open(path).expect("opens")
    }

    fn count(connection: &Connection, sql: &str) -> rusqlite::Result<i64> {
        connection.query_row(sql, [], |row| row.get(0))
    }

    #[test]
    fn an_older_file_is_copied_and_gets_the_new_steps() {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("store.sqlite");
        let first = "create table a (id integer primary key); insert into a values (1), (2)";
        let second = "create table b (id integer primary key); insert into b select id from a";
        migrate_to(&mut open(&path), &path, &[("one", &[first])]).expect("makes");
        let now: &[(&str, &[&str])] = &[("one", &[first, second]), ("two", &["create table c (id integer)"])];
        let migrated = migrate_to(&mut open(&path), &path, now).expect("migrates");
        assert_eq!(migrated.steps, [("one".to_owned(), 1, 2), ("two".to_owned(), 0, 1)]);
        assert_eq!(count(&open(&path), "select count(*) from b"), Ok(2));
        let backup = migrated.backup.expect("a copy");
        assert_eq!(backup, folder.path().join("store.sqlite.before-one1-two0"));
        assert_eq!(count(&open(&backup), "select count(*) from a"), Ok(2));
        assert!(count(&open(&backup), "select count(*) from b").is_err());
        assert_eq!(migrate_to(&mut open(&path), &path, now).expect("is there"), Migrated::default());
        // A step that fails leaves the file as it was.
        let failing: &[(&str, &[&str])] = &[
            ("one", &[first, second, "create table d (id integer)", "create table a (id integer)"]),
            now[1],
        ];
        assert!(migrate_to(&mut open(&path), &path, failing).is_err());
        assert!(count(&open(&path), "select count(*) from d").is_err());
        assert_eq!(count(&open(&path), "select max(version) from versions where module = 'one'"), Ok(2));
    }
}
