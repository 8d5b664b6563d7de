//! Drafts: texts of system files that people keep while they think, each under a name.
//!
//! Contract: whoever writes says which text it replaces, so nobody overwrites what somebody else saved meanwhile. Functions take the
//! connection that the caller has: writing ones the writer's, so they are part of its transaction.

use rusqlite::{Connection, OptionalExtension as _, Result, params};

/// Steps of these tables, oldest first.
pub(crate) const MIGRATIONS: &[&str] = &["
create table drafts (
    id integer primary key,
    name text not null unique collate nocase,
    hash text not null,
    saved integer not null,
    who text not null,
    text text not null
) strict;
"];

/// A draft without its text.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Draft {
    /// Its name; capitals do not matter in comparing.
    pub name: String,
    /// Names the text by its content.
    pub hash: String,
    /// When it was saved last, ms since 1970.
    pub saved_ms: i64,
    /// Who saved it.
    pub who: String,
}

/// What became of a draft that was to be saved.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Saved {
    /// It stands.
    Done,
    /// Another text stands under that name, or none although one was to be replaced.
    Changed(Option<Draft>),
    /// There are as many drafts as there may be.
    Full,
}

fn draft_of(row: &rusqlite::Row<'_>) -> Result<Draft> {
    Ok(Draft { name: row.get(0)?, hash: row.get(1)?, saved_ms: row.get(2)?, who: row.get(3)? })
}

/// All drafts, those saved last first.
pub fn drafts(db: &Connection) -> Result<Vec<Draft>> {
    db.prepare_cached("select name, hash, saved, who from drafts order by saved desc, id desc")?
        .query_map([], draft_of)?
        .collect()
}

/// A draft with its text.
pub fn draft(db: &Connection, name: &str) -> Result<Option<(Draft, String)>> {
    db.prepare_cached("select name, hash, saved, who, text from drafts where name = ?1")?
        .query_row([name], |row| Ok((draft_of(row)?, row.get(4)?)))
        .optional()
}

/// Saves a text in place of the one that has the hash `base`; `None`: there must be none yet. At most `most` drafts stand.
pub fn save(db: &Connection, draft: &Draft, text: &str, base: Option<&str>, most: i64) -> Result<Saved> {
    let stands = self::draft(db, &draft.name)?.map(|(stands, _)| stands);
    if stands.as_ref().map(|stands| stands.hash.as_str()) != base {
        return Ok(Saved::Changed(stands));
    }
    if stands.is_none()
        && db.query_row("select count(*) from drafts", [], |row| row.get::<_, i64>(0))? >= most
    {
        return Ok(Saved::Full);
    }
    db.execute(
        "insert into drafts (name, hash, saved, who, text) values (?1, ?2, ?3, ?4, ?5)
         on conflict (name) do update set hash = ?2, saved = ?3, who = ?4, text = ?5",
        params![draft.name, draft.hash, draft.saved_ms, draft.who, text],
    )?;
    Ok(Saved::Done)
}

/// Takes a draft away; false when there is none.
pub fn remove(db: &Connection, name: &str) -> Result<bool> {
    Ok(db.execute("delete from drafts where name = ?1", [name])? == 1)
}
