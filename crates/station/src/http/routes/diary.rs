//! The tank's diary: notes about a time, with photos, and all of it as one file to keep elsewhere.
//!
//! A photo is cleaned before it is kept ([`crate::picture`]) and goes out as nothing but a picture: its kind is what its first bytes said, it may not run
//! or load anything, and opened by itself it is saved. Whoever sent a photo, or an owner, takes it away.

use std::fmt::Write as _;
use std::io;
use std::sync::Arc;

use axum::Json;
use axum::extract::{DefaultBodyLimit, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use store::people::Role;
use store::photos::{self, Added, Most, Photo, Size};
use store::{Doing as _, Note};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::{Told, of_store, said};
use crate::app::{App, now_ms};
use crate::auth::door::Who;
use crate::http::guard::{Ask, Body, Place, Raw};
use crate::http::pieces::in_pieces;
use crate::http::problem::{Problem, ProblemBody};
use crate::picture::{self, Kind, Picture};
use crate::zip::Zip;

/// Longest photo that is taken, bytes. The page sends some 0.5 MB.
const LONGEST_PHOTO: usize = 4 * 1024 * 1024;
/// Longest small picture, bytes.
const LONGEST_SMALL: usize = 96 * 1024;
/// Longest side of a small picture, pixels.
const SMALL_SIDE: u32 = 512;
/// Photos of a note; bytes of all together: some four thousand as the page sends them.
const MOST: Most = Most { of_note: 12, bytes: 2 << 30 };
/// Characters of a caption.
const LONGEST_CAPTION: usize = 200;

/// The routes; those of photos take longer bodies.
pub(super) fn routes() -> OpenApiRouter<Arc<App>> {
    let photos = OpenApiRouter::new()
        .routes(routes!(add_photo))
        .routes(routes!(small, set_small))
        .layer(DefaultBodyLimit::max(LONGEST_PHOTO));
    OpenApiRouter::new()
        .routes(routes!(notes, add_note))
        .routes(routes!(photo, remove_photo))
        .routes(routes!(diary))
        .merge(photos)
}

/// A note to a time.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct NoteBody {
    /// Its number.
    id: i64,
    /// When it was written, ms since 1970.
    written_ms: i64,
    /// Begin of the time that it is about, ms since 1970.
    from_ms: i64,
    /// End of that time, ms since 1970.
    to_ms: i64,
    /// Who wrote it.
    who: String,
    /// What.
    text: String,
    /// Photos, in the order in which they came.
    photos: Vec<PhotoBody>,
}

/// A photo to a note, without its picture.
#[derive(Serialize, ToSchema, Debug)]
pub(super) struct PhotoBody {
    /// Its number.
    id: i64,
    /// When it came in, ms since 1970.
    at_ms: i64,
    /// Who sent it.
    who: String,
    /// What it shows; may be empty.
    caption: String,
    /// `jpeg`, `png` or `webp`.
    kind: String,
    /// Pixels, before a JPEG is turned the right way up.
    width: u32,
    /// Pixels.
    height: u32,
    /// Length of the whole photo.
    bytes: i64,
}

impl From<Photo> for PhotoBody {
    fn from(p: Photo) -> Self {
        PhotoBody {
            id: p.id,
            at_ms: p.at,
            who: p.who,
            caption: p.caption,
            kind: p.kind,
            width: p.width,
            height: p.height,
            bytes: p.bytes,
        }
    }
}

impl NoteBody {
    fn new(note: Note, photos: Vec<Photo>) -> Self {
        NoteBody {
            id: note.id,
            written_ms: note.written,
            from_ms: note.first,
            to_ms: note.last,
            who: note.who,
            text: note.text,
            photos: photos.into_iter().map(PhotoBody::from).collect(),
        }
    }
}

/// Of which time.
#[derive(Deserialize, IntoParams, Debug)]
#[into_params(parameter_in = Query)]
pub(super) struct OfTime {
    /// From, ms since 1970; a year back without it.
    from: Option<i64>,
    /// To, ms since 1970; now without it.
    to: Option<i64>,
}

/// Notes of a time, each with its photos.
fn with_photos(app: &App, from: i64, to: i64) -> Result<Vec<(Note, Vec<Photo>)>, Problem> {
    let notes = app.store.notes(from, to).map_err(of_store)?;
    let all =
        app.store.read(|db| photos::of_notes(db, from, to).doing("reading photos")).map_err(of_store)?;
    let of = |note: i64| all.iter().filter(|photo| photo.note == note).cloned().collect();
    Ok(notes.into_iter().map(|note| (note.clone(), of(note.id))).collect())
}

/// Notes about a time, with their photos.
#[utoipa::path(get, path = "/api/v1/notes", tag = "history", params(OfTime), security(("session" = []), ("token" = [])),
    responses((status = 200, body = Vec<NoteBody>), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn notes(
    State(app): State<Arc<App>>,
    Ask(of): Ask<OfTime>,
) -> Result<Json<Vec<NoteBody>>, Problem> {
    const YEAR_MS: i64 = 366 * 86_400_000;
    let to = of.to.unwrap_or_else(now_ms);
    let from = of.from.unwrap_or_else(|| to.saturating_sub(YEAR_MS));
    app.blocking(move |app| {
        let all = with_photos(app, from, to)?.into_iter();
        Ok(Json(all.map(|(note, photos)| NoteBody::new(note, photos)).collect()))
    })
    .await
}

/// A note as it is written.
#[derive(Deserialize, ToSchema, Debug)]
#[serde(deny_unknown_fields)]
pub(super) struct NewNote {
    /// What, 1 to 2000 characters.
    text: String,
    /// Begin of the time that it is about, ms since 1970; now without it.
    from_ms: Option<i64>,
    /// End of that time; its begin without it.
    to_ms: Option<i64>,
    /// The note in whose place it stands; it takes that one's photos over.
    replaces: Option<i64>,
}

/// Writes a note.
#[utoipa::path(post, path = "/api/v1/notes", tag = "history", request_body = NewNote, security(("session" = []), ("token" = [])),
    responses((status = 200, body = NoteBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn add_note(
    State(app): State<Arc<App>>,
    who: Who,
    Body(new): Body<NewNote>,
) -> Result<Json<NoteBody>, Problem> {
    let text = said(&new.text, "text", 2000)?;
    let now = now_ms();
    let first = new.from_ms.unwrap_or(now);
    let last = new.to_ms.unwrap_or(first);
    if last < first || !(0..store::LATEST_TIME).contains(&first) || last >= store::LATEST_TIME {
        return Err(Problem::not_possible(
            "The note's time must begin before it ends, both in ms since 1970.",
        ));
    }
    app.blocking(move |app| {
        if let Some(replaced) = new.replaces {
            let known =
                app.store.notes(i64::MIN, i64::MAX).map_err(of_store)?.iter().any(|note| note.id == replaced);
            if !known {
                return Err(Problem::not_found("There is no such note to replace."));
            }
        }
        let mut note =
            Note { id: 0, written: now, first, last, who: who.signature(), text, replaces: new.replaces };
        note.id = app.store.add_note(&note).map_err(of_store)?;
        let id = note.id;
        let photos =
            app.store.read(|db| photos::of_note(db, id).doing("reading photos")).map_err(of_store)?;
        Ok(Json(NoteBody::new(note, photos)))
    })
    .await
}

/// What a photo shows.
#[derive(Deserialize, IntoParams, Debug)]
#[into_params(parameter_in = Query)]
pub(super) struct OfPhoto {
    /// What it shows, at most 200 characters.
    caption: Option<String>,
}

/// A file as a picture, cleaned.
fn picture(file: &[u8], longest: usize) -> Result<Picture, Problem> {
    if file.len() > longest {
        return Err(Problem::too_large(longest));
    }
    picture::cleaned(file).map_err(|why| Problem::not_possible(format!("The photo is not taken: {why}.")))
}

/// Adds a photo to a note: a JPEG, PNG or WebP file of at most 4 MiB as it is. Place, time, maker and whatever else a camera wrote into it are taken out
/// before it is kept; only the way up and the colour profile stay.
#[utoipa::path(post, path = "/api/v1/notes/{id}/photos", tag = "history", params(("id" = i64, Path, description = "Number of the note"), OfPhoto),
    request_body(content = Vec<u8>, content_type = "application/octet-stream", description = "The file"), security(("session" = []), ("token" = [])),
    responses((status = 200, body = PhotoBody), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn add_photo(
    State(app): State<Arc<App>>,
    who: Who,
    Place(note): Place<i64>,
    Ask(of): Ask<OfPhoto>,
    Raw(file): Raw,
) -> Result<Json<PhotoBody>, Problem> {
    let caption = match of.caption.as_deref().map(str::trim) {
        None | Some("") => String::new(),
        Some(text) => said(text, "caption", LONGEST_CAPTION)?,
    };
    app.blocking(move |app| {
        let picture = picture(&file, LONGEST_PHOTO)?;
        let mut photo = Photo {
            id: 0,
            note,
            at: now_ms(),
            who: who.signature(),
            caption,
            kind: picture.kind.word().to_owned(),
            width: picture.width,
            height: picture.height,
            bytes: picture.bytes.len() as i64,
        };
        let row = photo.clone();
        let added = app
            .store
            .write(move |db| photos::add(db, &row, &picture.bytes, MOST).doing("storing a photo"))
            .map_err(of_store)?;
        match added {
            Added::Done(id) => photo.id = id,
            Added::NoNote => {
                return Err(Problem::not_found(
                    "There is no such note, or another stands in its place. GET /api/v1/notes lists them.",
                ));
            }
            Added::NoteFull => {
                return Err(Problem::conflict(format!(
                    "The note has {} photos already: write another note, or take one of them away.",
                    MOST.of_note
                )));
            }
            Added::Full => {
                return Err(Problem::conflict(format!(
                    "All photos together would take more than {} GiB. Save the diary elsewhere (GET /api/v1/diary), then take old ones away.",
                    MOST.bytes >> 30
                )));
            }
        }
        Ok(Json(photo.into()))
    })
    .await
}

/// A picture on its way out: nothing that a browser would run, and a file when it is opened by itself.
fn sent(id: i64, (kind, bytes): (String, Vec<u8>)) -> Result<Response, Problem> {
    let kind = Kind::of_word(&kind).ok_or_else(|| {
        Problem::internal(format!("Photo {id} is of a kind that this program does not know."))
    })?;
    let head = [
        (header::CONTENT_TYPE, kind.media_type().to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"photo-{id}.{}\"", kind.word())),
        (header::CONTENT_SECURITY_POLICY, "default-src 'none'; sandbox; frame-ancestors 'none'".to_owned()),
    ];
    Ok((head, bytes).into_response())
}

fn no_photo() -> Problem {
    Problem::not_found("There is no such photo, or it was taken away. GET /api/v1/notes lists them.")
}

async fn out(app: &Arc<App>, id: i64, size: Size) -> Result<Response, Problem> {
    app.blocking(move |app| {
        let found = app.store.read(|db| photos::picture(db, id, size)).map_err(of_store)?;
        sent(id, found.ok_or_else(no_photo)?)
    })
    .await
}

/// A photo as it was kept.
#[utoipa::path(get, path = "/api/v1/photos/{id}", tag = "history", params(("id" = i64, Path, description = "Its number")),
    security(("session" = []), ("token" = [])),
    responses((status = 200, content((Vec<u8> = "image/jpeg"), (Vec<u8> = "image/png"), (Vec<u8> = "image/webp"))),
        (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn photo(State(app): State<Arc<App>>, Place(id): Place<i64>) -> Result<Response, Problem> {
    out(&app, id, Size::Whole).await
}

/// A photo small, for lists; the whole where it has no small picture.
#[utoipa::path(get, path = "/api/v1/photos/{id}/small", tag = "history", params(("id" = i64, Path, description = "Its number")),
    security(("session" = []), ("token" = [])),
    responses((status = 200, content((Vec<u8> = "image/jpeg"), (Vec<u8> = "image/png"), (Vec<u8> = "image/webp"))),
        (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn small(State(app): State<Arc<App>>, Place(id): Place<i64>) -> Result<Response, Problem> {
    out(&app, id, Size::Small).await
}

/// A photo that this person may change or take away: their own, or any for an owner.
fn own(app: &App, who: &Who, id: i64) -> Result<Photo, Problem> {
    let found = app.store.read(|db| photos::photo(db, id).doing("reading a photo")).map_err(of_store)?;
    let photo = found.ok_or_else(no_photo)?;
    if photo.who == who.signature() || who.role == Role::Owner {
        return Ok(photo);
    }
    Err(Problem::not_allowed(format!("{} sent this photo; they, or an owner, may change it.", photo.who)))
}

/// Gives a photo a small picture, at most 512 pixels long and 96 KiB.
#[utoipa::path(put, path = "/api/v1/photos/{id}/small", tag = "history", params(("id" = i64, Path, description = "Its number")),
    request_body(content = Vec<u8>, content_type = "application/octet-stream", description = "The file"), security(("session" = []), ("token" = [])),
    responses((status = 200, body = Told), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn set_small(
    State(app): State<Arc<App>>,
    who: Who,
    Place(id): Place<i64>,
    Raw(file): Raw,
) -> Result<Json<Told>, Problem> {
    app.blocking(move |app| {
        own(app, &who, id)?;
        let picture = picture(&file, LONGEST_SMALL)?;
        if picture.width.max(picture.height) > SMALL_SIDE {
            return Err(Problem::not_possible(format!(
                "A small picture is at most {SMALL_SIDE} pixels long."
            )));
        }
        let written = app.store.write(move |db| {
            photos::set_small(db, id, picture.kind.word(), &picture.bytes).doing("storing a small picture")
        });
        if written.map_err(of_store)? { Ok(Told::new("It is shown in lists.")) } else { Err(no_photo()) }
    })
    .await
}

/// Takes a photo away for good: whoever sent it may, and an owner.
#[utoipa::path(delete, path = "/api/v1/photos/{id}", tag = "history", params(("id" = i64, Path, description = "Its number")),
    security(("session" = []), ("token" = [])),
    responses((status = 200, body = Told), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn remove_photo(
    State(app): State<Arc<App>>,
    who: Who,
    Place(id): Place<i64>,
) -> Result<Json<Told>, Problem> {
    app.blocking(move |app| {
        let photo = own(app, &who, id)?;
        let removed = app.store.write(move |db| photos::remove(db, id).doing("taking a photo away"));
        if !removed.map_err(of_store)? {
            return Err(no_photo());
        }
        // Gone is gone, whether or not this can be written down.
        let what =
            format!("{} took photo {id} of {} away from note {}", who.signature(), photo.who, photo.note);
        if let Err(error) = app.store.add_event(now_ms(), "station", "photo", &what) {
            eprintln!("{what}; this could not be written down: {error}");
        }
        Ok(Told::new("The photo is gone."))
    })
    .await
}

/// Which part of the diary.
#[derive(Deserialize, IntoParams, Debug)]
#[into_params(parameter_in = Query)]
pub(super) struct OfDiary {
    /// From, ms since 1970; all without it.
    from: Option<i64>,
    /// To, ms since 1970; all without it.
    to: Option<i64>,
    /// With photos; true without it.
    photos: Option<bool>,
}

/// Notes as a table (`notes.csv`) and photos as files, in one ZIP file.
#[utoipa::path(get, path = "/api/v1/diary", tag = "history", params(OfDiary), security(("session" = []), ("token" = [])),
    responses((status = 200, body = Vec<u8>, content_type = "application/zip"), (status = "default", body = ProblemBody, content_type = "application/problem+json")))]
pub(super) async fn diary(State(app): State<Arc<App>>, Ask(of): Ask<OfDiary>) -> Result<Response, Problem> {
    let (from, to) = (of.from.unwrap_or(i64::MIN), of.to.unwrap_or(i64::MAX));
    let has_photos = of.photos.unwrap_or(true);
    let now = now_ms();
    let all = app.blocking(move |app| with_photos(app, from, to)).await?;
    let store = app.store.clone();
    let body = in_pieces(move |out| {
        let mut zip = Zip::new(out);
        zip.add("notes.csv", now, table(&all, has_photos).as_bytes())?;
        for photo in all.iter().flat_map(|(_, photos)| photos).filter(|_| has_photos) {
            // One that was taken away meanwhile is not there.
            if let Some((_, bytes)) =
                store.read(|db| photos::picture(db, photo.id, Size::Whole)).map_err(io::Error::other)?
            {
                zip.add(&file_name(photo), photo.at, &bytes)?;
            }
        }
        zip.end()
    });
    let head = [
        (header::CONTENT_TYPE, "application/zip"),
        (header::CONTENT_DISPOSITION, "attachment; filename=\"diary.zip\""),
    ];
    Ok((head, body).into_response())
}

fn file_name(photo: &Photo) -> String {
    format!("photos/{}.{}", photo.id, photo.kind)
}

/// RFC 4180, a line a note; photos by their files with their captions.
fn table(all: &[(Note, Vec<Photo>)], has_photos: bool) -> String {
    let quoted = |text: &str| format!("\"{}\"", text.replace('"', "\"\""));
    let mut out = "from_ms,to_ms,who,note,photos\r\n".to_owned();
    for (note, photos) in all {
        let files: Vec<String> = (photos.iter().filter(|_| has_photos))
            .map(|p| {
                if p.caption.is_empty() { file_name(p) } else { format!("{} ({})", file_name(p), p.caption) }
            })
            .collect();
        let _ = write!(
            out,
            "{},{},{},{},{}\r\n",
            note.first,
            note.last,
            quoted(&note.who),
            quoted(&note.text),
            quoted(&files.join("; "))
        );
    }
    out
}
