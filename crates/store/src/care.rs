//! What people did for a system, and what they tested: proof tests and tasks that were done, the log of water tests and doses.
//!
//! Contract: rows are only added; a mistake in the log of water is voided by name, never taken away. Functions take the connection that the caller
//! has: writing ones the writer's, so they are part of its transaction.

use rusqlite::{Connection, Result, Row, params};

/// Steps of these tables, oldest first.
pub(crate) const MIGRATIONS: &[&str] = &["
create table care_done (
    id integer primary key,
    at integer not null,
    source text not null,
    item text not null,
    who text not null,
    passed integer not null check (passed in (0, 1)),
    seen text not null,
    note text not null
) strict;
create index care_done_by_item on care_done (source, item, at);

create table water_log (
    id integer primary key,
    at integer not null,
    source text not null,
    what text not null,
    value text not null,
    who text not null,
    note text not null,
    voided_by text
) strict;
create index water_log_by_time on water_log (source, at);
"];

/// A proof test or a task that somebody did.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Done {
    /// Row number, rising; 0 for one to be stored.
    pub id: i64,
    /// When, ms since 1970 UTC.
    pub at: i64,
    /// The board.
    pub source: String,
    /// Id of the test or task.
    pub item: String,
    /// Who did it.
    pub who: String,
    /// Whether it passed.
    pub passed: bool,
    /// What the records of the board showed meanwhile, in words.
    pub seen: String,
    /// What the person says of it.
    pub note: String,
}

/// A line of the log of water: a test, a dose, a water change, in the words of the log's form.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct WaterLine {
    /// Row number, rising; 0 for one to be stored.
    pub id: i64,
    /// When it was, ms since 1970 UTC.
    pub at: i64,
    /// The board.
    pub source: String,
    /// `alkalinity`, `dose sodium bicarbonate`, `water change`.
    pub what: String,
    /// As the log writes it, with its unit; may be empty.
    pub value: String,
    /// Who wrote it.
    pub who: String,
    /// Remark; may be empty.
    pub note: String,
    /// Who declared it a mistake.
    pub voided_by: Option<String>,
}

const DONE: &str = "id, at, source, item, who, passed, seen, note";
const WATER: &str = "id, at, source, what, value, who, note, voided_by";

fn done_of(row: &Row<'_>) -> Result<Done> {
    Ok(Done {
        id: row.get(0)?,
        at: row.get(1)?,
        source: row.get(2)?,
        item: row.get(3)?,
        who: row.get(4)?,
        passed: row.get::<_, i64>(5)? == 1,
        seen: row.get(6)?,
        note: row.get(7)?,
    })
}

fn water_of(row: &Row<'_>) -> Result<WaterLine> {
    Ok(WaterLine {
        id: row.get(0)?,
        at: row.get(1)?,
        source: row.get(2)?,
        what: row.get(3)?,
        value: row.get(4)?,
        who: row.get(5)?,
        note: row.get(6)?,
        voided_by: row.get(7)?,
    })
}

/// Stores that something was done; gives its number.
pub fn add_done(db: &Connection, done: &Done) -> Result<i64> {
    db.prepare_cached(
        "insert into care_done (at, source, item, who, passed, seen, note) values (?, ?, ?, ?, ?, ?, ?)",
    )?
    .insert(params![done.at, done.source, done.item, done.who, done.passed, done.seen, done.note])
}

/// What was done for a board, newest first; `item`: of that one only.
pub fn done(db: &Connection, source: &str, item: Option<&str>, limit: u32) -> Result<Vec<Done>> {
    db.prepare_cached(&format!(
        "select {DONE} from care_done where source = ?1 and (?2 is null or item = ?2) order by at desc, id desc limit ?3"
    ))?
    .query_map(params![source, item, limit], done_of)?
    .collect()
}

/// The last time that each item of a board was done and passed.
pub fn last_passed(db: &Connection, source: &str) -> Result<Vec<Done>> {
    db.prepare_cached(&format!(
        "select {DONE} from care_done as d where source = ?1 and passed = 1 and not exists
         (select 1 from care_done as l where l.source = ?1 and l.item = d.item and l.passed = 1 and (l.at, l.id) > (d.at, d.id))"
    ))?
    .query_map([source], done_of)?
    .collect()
}

/// Stores a line of the log of water; gives its number.
pub fn add_water(db: &Connection, line: &WaterLine) -> Result<i64> {
    db.prepare_cached("insert into water_log (at, source, what, value, who, note) values (?, ?, ?, ?, ?, ?)")?
        .insert(params![line.at, line.source, line.what, line.value, line.who, line.note])
}

/// Lines of a board's log of water from that time on, newest first, voided ones with them.
pub fn water(db: &Connection, source: &str, from: i64, limit: u32) -> Result<Vec<WaterLine>> {
    db.prepare_cached(&format!(
        "select {WATER} from water_log where source = ?1 and at >= ?2 order by at desc, id desc limit ?3"
    ))?
    .query_map(params![source, from, limit], water_of)?
    .collect()
}

/// Declares a line a mistake; false where there is none that stands.
pub fn void_water(db: &Connection, source: &str, id: i64, who: &str) -> Result<bool> {
    let changed = db.execute(
        "update water_log set voided_by = ?3 where id = ?2 and source = ?1 and voided_by is null",
        params![source, id, who],
    )?;
    Ok(changed == 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fresh() -> Connection {
        let db = Connection::open_in_memory().expect("opens");
        db.execute_batch(MIGRATIONS[0]).expect("makes");
        db
    }

    #[test]
    fn the_last_that_passed_counts() {
        let db = fresh();
        let at = |at, item: &str, passed| Done {
            id: 0,
            at,
            source: "reef".into(),
            item: item.into(),
            who: "Helper".into(),
            passed,
            seen: String::new(),
            note: String::new(),
        };
        for row in
            [at(1, "a", true), at(5, "a", true), at(9, "a", false), at(3, "b", false), at(2, "c", true)]
        {
            add_done(&db, &row).expect("stored");
        }
        let mut last: Vec<(String, i64)> =
            last_passed(&db, "reef").expect("read").into_iter().map(|d| (d.item, d.at)).collect();
        last.sort();
        assert_eq!(last, [("a".to_owned(), 5), ("c".to_owned(), 2)]);
        let all = done(&db, "reef", Some("a"), 10).expect("read");
        assert_eq!(
            all.iter().map(|d| (d.at, d.passed)).collect::<Vec<_>>(),
            [(9, false), (5, true), (1, true)]
        );
        assert!(done(&db, "other", None, 10).expect("read").is_empty());
    }

    #[test]
    fn a_line_is_voided_once_and_stays() {
        let db = fresh();
        let line = WaterLine {
            id: 0,
            at: 7,
            source: "reef".into(),
            what: "alkalinity".into(),
            value: "8.2 dKH".into(),
            who: "Helper".into(),
            note: String::new(),
            voided_by: None,
        };
        let id = add_water(&db, &line).expect("stored");
        assert!(!void_water(&db, "other", id, "x").expect("asked"));
        assert!(void_water(&db, "reef", id, "Owner").expect("asked"));
        assert!(!void_water(&db, "reef", id, "Owner").expect("asked"));
        let stands = water(&db, "reef", 0, 10).expect("read");
        assert_eq!(stands, [WaterLine { id, voided_by: Some("Owner".into()), ..line }]);
        assert!(water(&db, "reef", 8, 10).expect("read").is_empty());
    }
}
