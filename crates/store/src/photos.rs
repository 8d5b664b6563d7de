//! Photos to notes: rows in the same file as all else, so that one commit, one copy and one rescue take notes and photos together.
//!
//! Contract: a photo belongs to a note that stands; a note that is written in place of another takes its photos over. What is taken away is gone:
//! its bytes are written over. Functions take the connection that the caller has: writing ones the writer's, so they are part of its transaction.
//! Whoever gives bytes has looked at them; here they are only bytes with a checksum.

use rusqlite::{Connection, OptionalExtension as _, Result, Row, params};

use crate::error::Error;

/// Steps of these tables, oldest first. Bytes have a table of their own, so that lists read none.
pub(crate) const MIGRATIONS: &[&str] = &["
create table photos (
    id integer primary key,
    note integer not null,
    at integer not null,
    who text not null,
    caption text not null,
    kind text not null,
    width integer not null,
    height integer not null,
    bytes integer not null
) strict;
create index photos_by_note on photos (note);

create table photo_bytes (
    id integer primary key,
    photo integer not null,
    size text not null check (size in ('whole', 'small')),
    crc integer not null,
    kind text not null,
    data blob not null,
    unique (photo, size)
) strict;
"];

/// A photo without its bytes.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Photo {
    /// Row number, rising; 0 for one to be stored.
    pub id: i64,
    /// The note that it belongs to.
    pub note: i64,
    /// When it came in, ms since 1970 UTC.
    pub at: i64,
    /// Who sent it.
    pub who: String,
    /// What it shows; may be empty.
    pub caption: String,
    /// `jpeg`, `png` or `webp`.
    pub kind: String,
    /// Pixels.
    pub width: u32,
    /// Pixels.
    pub height: u32,
    /// Length of the whole photo, bytes.
    pub bytes: i64,
}

/// Which of the two pictures of a photo.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Size {
    /// As it was kept.
    Whole,
    /// For lists.
    Small,
}

impl Size {
    fn word(self) -> &'static str {
        match self {
            Size::Whole => "whole",
            Size::Small => "small",
        }
    }
}

/// How much is kept.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Most {
    /// Photos of one note.
    pub of_note: i64,
    /// Bytes of all photos together.
    pub bytes: i64,
}

/// What became of a photo that was to be stored.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Added {
    /// It stands, under this number.
    Done(i64),
    /// There is no such note, or another stands in its place.
    NoNote,
    /// The note has as many as it may.
    NoteFull,
    /// All together have as many bytes as they may.
    Full,
}

const COLUMNS: &str = "id, note, at, who, caption, kind, width, height, bytes";

fn photo_of(row: &Row<'_>) -> Result<Photo> {
    Ok(Photo {
        id: row.get(0)?,
        note: row.get(1)?,
        at: row.get(2)?,
        who: row.get(3)?,
        caption: row.get(4)?,
        kind: row.get(5)?,
        width: row.get(6)?,
        height: row.get(7)?,
        bytes: row.get(8)?,
    })
}

/// The checksum of a picture's bytes and their place.
fn checksum(photo: i64, size: &str, data: &[u8]) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(&photo.to_le_bytes());
    hasher.update(size.as_bytes());
    hasher.update(data);
    hasher.finalize()
}

fn put(db: &Connection, photo: i64, size: Size, kind: &str, data: &[u8]) -> Result<()> {
    let crc = checksum(photo, size.word(), data);
    db.execute(
        "insert into photo_bytes (photo, size, crc, kind, data) values (?1, ?2, ?3, ?4, ?5)
         on conflict (photo, size) do update set crc = ?3, kind = ?4, data = ?5",
        params![photo, size.word(), crc, kind, data],
    )?;
    Ok(())
}

/// Stores a photo to a note.
pub fn add(db: &Connection, photo: &Photo, data: &[u8], most: Most) -> Result<Added> {
    let stands = "select exists (select 1 from notes as n where id = ?1
        and not exists (select 1 from notes as later where later.replaces = n.id))";
    if !db.query_row(stands, [photo.note], |row| row.get::<_, bool>(0))? {
        return Ok(Added::NoNote);
    }
    let of_note: i64 =
        db.query_row("select count(*) from photos where note = ?1", [photo.note], |row| row.get(0))?;
    if of_note >= most.of_note {
        return Ok(Added::NoteFull);
    }
    let bytes = data.len() as i64;
    if total_bytes(db)? + bytes > most.bytes {
        return Ok(Added::Full);
    }
    db.execute(
        "insert into photos (note, at, who, caption, kind, width, height, bytes) values (?, ?, ?, ?, ?, ?, ?, ?)",
        params![photo.note, photo.at, photo.who, photo.caption, photo.kind, photo.width, photo.height, bytes],
    )?;
    let id = db.last_insert_rowid();
    put(db, id, Size::Whole, &photo.kind, data)?;
    Ok(Added::Done(id))
}

/// Bytes of all photos together; small pictures are not counted.
pub fn total_bytes(db: &Connection) -> Result<i64> {
    db.query_row("select coalesce(sum(bytes), 0) from photos", [], |row| row.get(0))
}

/// Gives a photo a small picture, in place of one that it has; false when there is no such photo.
pub fn set_small(db: &Connection, photo: i64, kind: &str, data: &[u8]) -> Result<bool> {
    if self::photo(db, photo)?.is_none() {
        return Ok(false);
    }
    put(db, photo, Size::Small, kind, data)?;
    Ok(true)
}

/// One photo.
pub fn photo(db: &Connection, id: i64) -> Result<Option<Photo>> {
    db.prepare_cached(&format!("select {COLUMNS} from photos where id = ?1"))?
        .query_row([id], photo_of)
        .optional()
}

/// Photos of notes about a time, in the order in which they came.
pub fn of_notes(db: &Connection, from: i64, to: i64) -> Result<Vec<Photo>> {
    db.prepare_cached(&format!(
        "select {COLUMNS} from photos where note in (select id from notes where first <= ?2 and last >= ?1) order by id"
    ))?
    .query_map([from, to], photo_of)?
    .collect()
}

/// Photos of one note.
pub fn of_note(db: &Connection, note: i64) -> Result<Vec<Photo>> {
    db.prepare_cached(&format!("select {COLUMNS} from photos where note = ?1 order by id"))?
        .query_map([note], photo_of)?
        .collect()
}

/// The picture of a photo with its kind; where there is no small one the whole.
///
/// # Errors
/// `Damaged` where the bytes are not those that were stored; what SQLite says.
pub fn picture(db: &Connection, id: i64, size: Size) -> crate::Result<Option<(String, Vec<u8>)>> {
    use crate::Doing as _;
    let doing = "reading a photo";
    let found = db
        .prepare_cached(
            // Of the two words the small one comes first.
            "select size, crc, kind, data from photo_bytes where photo = ?1 and size in ('whole', ?2) order by size limit 1",
        )
        .and_then(|mut s| {
            let row = |row: &Row<'_>| {
                Ok((row.get::<_, String>(0)?, row.get::<_, u32>(1)?, row.get(2)?, row.get::<_, Vec<u8>>(3)?))
            };
            s.query_row(params![id, size.word()], row).optional()
        })
        .doing(doing)?;
    let Some((size, crc, kind, data)) = found else { return Ok(None) };
    if checksum(id, &size, &data) != crc {
        return Err(Error::Damaged { what: format!("photo {id}: it is not as it was stored") });
    }
    Ok(Some((kind, data)))
}

/// Takes a photo away for good; false when there is none. Its bytes are written over with zeros in the file.
pub fn remove(db: &Connection, id: i64) -> Result<bool> {
    let was: i64 = db.pragma_query_value(None, "secure_delete", |row| row.get(0))?;
    let secure = |is_on: i64| db.query_row(&format!("pragma secure_delete = {is_on}"), [], |_| Ok(()));
    secure(1)?;
    let removed = db
        .execute("delete from photo_bytes where photo = ?1", [id])
        .and_then(|_| db.execute("delete from photos where id = ?1", [id]));
    secure(was)?;
    Ok(removed? == 1)
}

/// A note stands in the place of another: its photos are that one's now.
pub(crate) fn take_over(db: &Connection, from: i64, to: i64) -> Result<()> {
    db.execute("update photos set note = ?2 where note = ?1", params![from, to])?;
    Ok(())
}

/// Looks at the bytes of each photo, newest first, as long as `go_on` says so; gives whether all were looked at.
pub(crate) fn check(
    db: &Connection,
    found: &mut Vec<String>,
    mut go_on: impl FnMut() -> bool,
) -> Result<bool> {
    let mut statement = db.prepare("select photo, size, crc, data from photo_bytes order by id desc")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let (photo, size): (i64, String) = (row.get(0)?, row.get(1)?);
        let data = row.get_ref(3)?.as_blob().unwrap_or(&[]);
        if checksum(photo, &size, data) != row.get::<_, u32>(2)? {
            found.push(format!("photo {photo} ({size}): it is not as it was stored"));
        }
        if !go_on() {
            return Ok(false);
        }
    }
    Ok(true)
}
