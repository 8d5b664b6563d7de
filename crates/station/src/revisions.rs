//! Revisions: every program that a board was given, with the text of the system file that it came from. The board decides which one runs:
//! whatever it says it runs, by the program's checksum, is looked up here, and the station begins anew with that file where it is another
//! than the one it reads by. So a trial that is not confirmed takes the station back with it.

use std::sync::Arc;

use link::message::Hello;
use serde::{Deserialize, Serialize};
use store::{Revision, Store};
use utoipa::ToSchema;

use crate::app::{App, now_ms};
use crate::boards::{Act, LinkState};
use crate::http::problem::Problem;
use crate::orders::{Order, Status, carry_out};
use crate::site::{Site, SiteBoard, Unfit};
use crate::weighing::{self, Compare, Compared, How, Judged, Outcome, Reasons};

/// Longest text of a system file that is taken, bytes.
pub const LONGEST_TEXT: usize = 256 * 1024;

/// What the program in HELLO is.
const TRIAL: u8 = 2;

/// Key of the number of the revision that a board runs, among the store's settings; empty: what it was flashed with.
fn runs_key(board: &str) -> String {
    format!("runs/{board}")
}

/// Key of when a board first kept a revision: had it in flash or confirmed.
fn kept_key(board: &str, revision: i64) -> String {
    format!("kept/{board}/{revision}")
}

/// Key of the trial that was begun last.
fn trial_key(board: &str) -> String {
    format!("trial/{board}")
}

/// A trial under way.
#[derive(Serialize, Deserialize, ToSchema, Clone, Debug, PartialEq, Eq)]
pub struct Trial {
    /// Number of the revision that is tried.
    pub revision: i64,
    /// When the board goes back unless it is confirmed, ms since 1970; by the station's clock, from when the program was sent.
    pub ends_ms: i64,
    /// Who began it.
    pub who: String,
}

/// The site as the boards ran when the station last heard of them.
#[must_use]
pub fn as_run(mut site: Site, store: &Store) -> Site {
    for board in &mut site.boards {
        let name = board.settings.name.clone();
        let number = store.setting(&runs_key(&name)).ok().flatten().and_then(|number| number.parse().ok());
        let Some(revision) = number.and_then(|number| store.revision(&name, number).ok().flatten()) else {
            continue;
        };
        if let Some(revised) = board_of(board, &revision) {
            *board = revised;
        }
    }
    site
}

/// The board as a revision's file describes it, if this version of the compiler makes the same program of it.
fn board_of(board: &SiteBoard, revision: &Revision) -> Option<SiteBoard> {
    let mut revised = board.revised(&revision.system).ok()?;
    revised.revision = (revision.crc != board.flashed.program_crc).then_some(revision.id);
    (revised.made.program_crc == revision.crc && revised.made.wiring_crc == board.made.wiring_crc)
        .then_some(revised)
}

/// A board has said what it runs. Notes it, and lets the station begin anew when that is not what it reads the board by.
///
/// # Errors
/// The store cannot take it.
pub fn met(app: &App, board: &SiteBoard, hello: &Hello, at_ms: i64) -> store::Result<()> {
    let name = &board.settings.name;
    if hello.wiring_crc != board.made.wiring_crc || hello.running_crc == 0 {
        return Ok(());
    }
    let known = app.store.revision_of_program(name, hello.running_crc)?;
    if hello.running_crc == board.made.program_crc {
        let revision = match known {
            Some(revision) => revision.id,
            None => app.store.add_revision(&Revision {
                id: 0,
                at: at_ms,
                source: name.clone(),
                who: "station".to_owned(),
                why: "what the board ran when the station first met it".to_owned(),
                crc: board.made.program_crc,
                program: board.made.compiled.bytes.clone(),
                system: board.text.clone(),
            })?,
        };
        return runs(app, board, revision, hello, at_ms);
    }
    let Some(revision) = known else { return Ok(()) };
    if board_of(board, &revision).is_none() {
        let words = format!(
            "the board runs revision {}, but this version of the program makes other bytes of that file; only its inputs are shown \
             until a revision is deployed by this version",
            revision.id
        );
        return app.store.add_event(at_ms, name, "revision", &words).map(drop);
    }
    runs(app, board, revision.id, hello, at_ms)?;
    app.begin_anew.notify_one();
    Ok(())
}

/// Keeps which revision runs, and says so where it is another than before.
fn runs(app: &App, board: &SiteBoard, revision: i64, hello: &Hello, at_ms: i64) -> store::Result<()> {
    let name = &board.settings.name;
    let is_trial = hello.program == TRIAL;
    if !is_trial && app.store.setting(&kept_key(name, revision))?.is_none() {
        app.store.set_setting(&kept_key(name, revision), &at_ms.to_string())?;
    }
    let (key, now) = (runs_key(name), format!("{revision}"));
    let before = app.store.setting(&key)?;
    if before.as_deref() != Some(&now) {
        app.store.set_setting(&key, &now)?;
        let how = if is_trial { ", on trial" } else { "" };
        let why = match hello.fallback {
            1 => "; the trial before was not confirmed in time",
            2 => "; the program before was given up after three resets in a row",
            3 => "; the program before was damaged",
            4 => "; the program before was refused by the board's loader",
            6 => "; the trial before was given up by a person",
            _ => "",
        };
        app.store.add_event(at_ms, name, "revision", &format!("runs revision {revision}{how}{why}"))?;
    }
    if !is_trial && trial(&app.store, name)?.is_some_and(|trial| trial.revision != revision) {
        app.store.set_setting(&trial_key(name), "")?;
    }
    Ok(())
}

/// The trial of a board, if one was begun and not ended.
///
/// # Errors
/// The store cannot be read.
pub fn trial(store: &Store, board: &str) -> store::Result<Option<Trial>> {
    Ok(store.setting(&trial_key(board))?.and_then(|text| serde_json::from_str(&text).ok()))
}

/// What a board runs, as it says.
#[derive(Serialize, ToSchema, Clone, Debug, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// What it was flashed with.
    Flashed,
    /// What was confirmed last.
    Confirmed,
    /// What is tried.
    Trial,
}

/// What a board runs.
#[derive(Serialize, ToSchema, Clone, Debug)]
pub struct Running {
    /// Number of the revision; not there: none that the station knows.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub revision: Option<i64>,
    /// Checksum of the program, eight hexadecimal digits.
    pub crc: String,
    /// What it is.
    pub kind: Kind,
}

/// A revision as it stands in the list.
#[derive(Serialize, ToSchema, Clone, Debug)]
pub struct Head {
    /// Its number.
    pub id: i64,
    /// When it was made, ms since 1970.
    pub at_ms: i64,
    /// Who made it.
    pub who: String,
    /// Why.
    pub why: String,
    /// Checksum of its program, eight hexadecimal digits.
    pub crc: String,
    /// Length of its program, bytes.
    pub bytes: usize,
    /// The board runs it, as far as is known.
    pub is_running: bool,
    /// The board kept it once: going back to it takes one request.
    pub was_kept: bool,
    /// What it does to rows of the FMEA, beside the one that ran when it was sent last; not there: it was not sent from here.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rows: Option<Outcome>,
}

/// The revisions of a board.
#[derive(Serialize, ToSchema, Clone, Debug)]
pub struct Revisions {
    /// What the board runs; not there: it is not reached.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub running: Option<Running>,
    /// The trial under way.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trial: Option<Trial>,
    /// The newest first.
    pub revisions: Vec<Head>,
}

/// All that is known of a board's revisions; the newest hundred.
///
/// # Errors
/// The store cannot be read.
pub fn list(app: &App, board: &SiteBoard) -> Result<Revisions, Problem> {
    let name = &board.settings.name;
    let page =
        store::Page { source: Some(name.clone()), limit: 100, newest_first: true, ..store::Page::default() };
    let all = app.store.revision_heads(&page).map_err(Problem::store)?;
    let hello = match app.live().link(board.id.0) {
        Some((LinkState::Up { hello, .. }, _)) => Some(hello.clone()),
        _ => None,
    };
    let running = hello.filter(|hello| hello.running_crc != 0).map(|hello| Running {
        revision: all.iter().find(|(one, _)| one.crc == hello.running_crc).map(|(one, _)| one.id),
        crc: format!("{:08x}", hello.running_crc),
        kind: match hello.program {
            0 => Kind::Flashed,
            TRIAL => Kind::Trial,
            _ => Kind::Confirmed,
        },
    });
    let trial = trial(&app.store, name).map_err(Problem::store)?.filter(|trial| trial.ends_ms > now_ms());
    let weighings = app.store.weighings(name).map_err(Problem::store)?;
    let head = |(revision, bytes): (Revision, usize)| {
        let weighed = weighings.iter().find(|(one, _)| one.revision == revision.id);
        let was_kept = app.store.setting(&kept_key(name, revision.id)).map_err(Problem::store)?.is_some();
        Ok(Head {
            is_running: running.as_ref().is_some_and(|running| running.revision == Some(revision.id)),
            id: revision.id,
            at_ms: revision.at,
            who: revision.who,
            why: revision.why,
            crc: format!("{:08x}", revision.crc),
            bytes,
            was_kept,
            rows: weighed.map(|(weighing, reasons)| Outcome::of(weighing, reasons)),
        })
    };
    let revisions = all.into_iter().map(head).collect::<Result<_, Problem>>()?;
    Ok(Revisions { running, trial, revisions })
}

/// What is wrong with a text, as one problem with the line of each finding.
fn unfit(unfit: &Unfit) -> Problem {
    let line = |finding: &system::Diagnostic| {
        let at = finding.annotations.first().map(|place| {
            let before = unfit.source.get(..place.span.start).unwrap_or("");
            format!("line {}: ", before.matches('\n').count() + 1)
        });
        let cure = finding.help.as_ref().map_or(String::new(), |help| format!("; {help}"));
        format!("{}{} ({}){cure}", at.unwrap_or_default(), finding.message, finding.id)
    };
    let errors = unfit.findings.iter().filter(|finding| finding.level == system::Level::Error);
    let lines: Vec<String> = errors.map(line).collect();
    Problem::not_possible(format!("Nothing was sent; the file does not give a program. {}", lines.join("\n")))
}

/// What became of a revision that was sent.
#[derive(Serialize, ToSchema, Clone, Debug)]
pub struct Sent {
    /// Its number.
    pub revision: i64,
    /// The command with its outcome.
    pub order: Order,
    /// When the board goes back unless it is confirmed, ms since 1970; not there: it was not taken.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ends_ms: Option<i64>,
}

/// How a revision is to be sent.
#[derive(Debug)]
pub struct Wish<'a> {
    /// Who sends it.
    pub who: &'a str,
    /// Why.
    pub why: &'a str,
    /// Unless it is confirmed within so many minutes the board goes back.
    pub minutes: u8,
    /// Why each row that gets worse may do so.
    pub reasons: &'a Reasons,
    /// When it is compared with what runs; none: first, or, where the board kept it before, later.
    pub compare: Option<Compare>,
}

/// The board with another text, and the number of the revision that has this very text.
fn revised(app: &App, board: &SiteBoard, text: &str) -> Result<(SiteBoard, Option<i64>), Problem> {
    if text.len() > LONGEST_TEXT {
        return Err(Problem::too_large(LONGEST_TEXT));
    }
    let revised = board.revised(text).map_err(|findings| unfit(&findings))?;
    if revised.made.wiring_crc != board.made.wiring_crc {
        return Err(Problem::not_possible(
            "Nothing was sent: the file wires the board otherwise, and a program is for one wiring. Wire it, then `tidewright flash` at the board.",
        ));
    }
    if revised.made.program_crc == board.made.program_crc {
        return Err(Problem::conflict(
            "Nothing was sent: the file gives the very program that the board runs. Nothing in its behaviour has changed.",
        ));
    }
    let name = &board.settings.name;
    let same = app.store.revision_of_program(name, revised.made.program_crc).map_err(Problem::store)?;
    let same = same.filter(|same| same.system == text).map(|same| same.id);
    Ok((revised, same))
}

/// Makes a program of a text and sends it to be tried. The revision stays in the list whatever becomes of it.
///
/// # Errors
/// The text gives no program for this board, a row gets worse without a reason, or the store cannot take it; nothing was sent.
pub fn deploy(app: &App, board: &SiteBoard, text: &str, wish: &Wish<'_>) -> Result<Sent, Problem> {
    let (revised, same) = revised(app, board, text)?;
    let how = if wish.compare == Some(Compare::Later) { How::First } else { How::Compared };
    let judged = weighing::judge(app, board, (text, same), wish.reasons, how, wish.who)?;
    let id = match same {
        Some(same) => same,
        None => app
            .store
            .add_revision(&Revision {
                id: 0,
                at: now_ms(),
                source: board.settings.name.clone(),
                who: wish.who.to_owned(),
                why: wish.why.to_owned(),
                crc: revised.made.program_crc,
                program: revised.made.compiled.bytes.clone(),
                system: text.to_owned(),
            })
            .map_err(Problem::store)?,
    };
    send(app, board, id, revised.made.compiled.bytes.into(), judged, wish)
}

fn kept(app: &App, board: &SiteBoard, id: i64) -> Result<Revision, Problem> {
    let kept = app.store.revision(&board.settings.name, id).map_err(Problem::store)?;
    let Some(kept) = kept else {
        return Err(Problem::not_found(format!("Board {} has no revision {id}.", board.settings.name)));
    };
    if kept.crc == board.made.program_crc {
        return Err(Problem::conflict(format!(
            "Nothing was sent: the board runs the program of revision {id}."
        )));
    }
    Ok(kept)
}

/// Sends a revision that is kept, to be tried: the way back. One that the board kept before goes at once and is compared afterwards, unless it is
/// wished otherwise.
///
/// # Errors
/// There is none of that number, it does not fit the board any more, a row gets worse without a reason, or the store fails; nothing was sent.
pub fn deploy_kept(app: &App, board: &SiteBoard, id: i64, wish: &Wish<'_>) -> Result<Sent, Problem> {
    let kept = kept(app, board, id)?;
    let was_kept = app.store.setting(&kept_key(&board.settings.name, id)).map_err(Problem::store)?.is_some();
    let how = match wish.compare {
        Some(Compare::First) => How::Compared,
        Some(Compare::Later) => How::First,
        None if was_kept => How::Back,
        None => How::Compared,
    };
    let judged = weighing::judge(app, board, (&kept.system, Some(id)), wish.reasons, how, wish.who)?;
    send(app, board, id, kept.program.into(), judged, wish)
}

/// What is to be compared with what a board runs: a text, or a revision that is kept.
///
/// # Errors
/// It gives no program for this board, or the very one that runs; there is no such revision.
pub fn to_compare(app: &App, board: &SiteBoard, what: Result<String, i64>) -> Result<Compared, Problem> {
    match what {
        Ok(text) => {
            let (_, same) = revised(app, board, &text)?;
            Compared::new(app, board, text, same)
        }
        Err(id) => Compared::new(app, board, kept(app, board, id)?.system, Some(id)),
    }
}

fn send(
    app: &App,
    board: &SiteBoard,
    id: i64,
    program: Arc<[u8]>,
    judged: Judged,
    wish: &Wish<'_>,
) -> Result<Sent, Problem> {
    let Wish { who, why, minutes, .. } = *wish;
    if minutes == 0 {
        return Err(Problem::not_possible("A trial takes 1 to 255 minutes."));
    }
    let name = &board.settings.name;
    let ends_ms = now_ms() + i64::from(minutes) * 60_000;
    // Written down first: the board may be back before the answer is.
    let beside = judged.sent.beside();
    judged.keep(&app.store, id).map_err(Problem::store)?;
    let begun = Trial { revision: id, ends_ms, who: who.to_owned() };
    let before = trial(&app.store, name).map_err(Problem::store)?;
    let write = |trial: Option<&Trial>| {
        let text = trial.and_then(|trial| serde_json::to_string(trial).ok()).unwrap_or_default();
        app.store.set_setting(&trial_key(name), &text)
    };
    write(Some(&begun)).map_err(Problem::store)?;
    let what = format!("revision {id} on trial for {minutes} min{beside}");
    let order = carry_out(app, board.id.0, who, why, what, Act::Try { program, minutes })?;
    let is_taken = order.status == Status::Done;
    if order.status == Status::Refused {
        write(before.as_ref()).map_err(Problem::store)?;
    }
    Ok(Sent { revision: id, order, ends_ms: is_taken.then_some(ends_ms) })
}

/// Keeps the revision that is tried, or gives it up.
///
/// # Errors
/// The store cannot take the command; nothing was sent.
pub fn end_trial(app: &App, board: &SiteBoard, by: (&str, &str), is_kept: bool) -> Result<Order, Problem> {
    let (act, what) = if is_kept {
        (Act::Confirm, "the revision on trial is kept")
    } else {
        (Act::Revert, "the revision on trial is given up")
    };
    let order = carry_out(app, board.id.0, by.0, by.1, what.to_owned(), act)?;
    if order.status == Status::Done {
        app.store.set_setting(&trial_key(&board.settings.name), "").map_err(Problem::store)?;
    }
    Ok(order)
}
