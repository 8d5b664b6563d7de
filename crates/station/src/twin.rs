//! Each board's twin beside its tank: whether it drifts, looked at once an hour from the hours that the store has. Then, once a night, it is fitted
//! ([`crate::fitted`]).
//!
//! Nothing is carried from look to look but the verdicts: hours are read anew, judged ([`fit::drift`]) and dropped. A look runs on a thread that stands
//! back behind everything else. Drifts are a check of the station (`twin-drifts`); what is told as `heat-demand` or water already is
//! not told twice.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use alarms::watch::{Balance, Kind, Layout, Span, Stretch};
use fit::drift::{Act, Course};
use serde::{Deserialize, Serialize};
use store::{Doing as _, Store};
use tokio::sync::watch;

use crate::app::{App, now_ms};
use crate::design::lower_priority;
use crate::fitted;
use crate::serve::until;
use crate::site::SiteBoard;
use crate::state::local_offset_ms;

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;
/// Hours are read so far back.
const DAYS: i64 = 400;
/// After the start, and then so often, it is looked whether an hour has ended.
const FIRST: Duration = Duration::from_secs(20);
const EVERY: Duration = Duration::from_secs(60);
/// At the end of the station a look that is under way is waited for so long.
const LAST: Duration = Duration::from_millis(700);
/// What people said of quantities that are right as they are: most that is kept.
const MOST_SAID: usize = 500;
/// Rows of a log that are read.
const MOST_ROWS: u32 = 10_000;

/// What was seen of a board at the last look.
#[derive(Clone, Debug)]
pub struct Seen {
    /// End of the last hour that was looked at, ms since 1970.
    pub to_ms: i64,
    /// All that is watched.
    pub courses: Vec<Course>,
}

/// What was seen of all boards.
#[derive(Debug)]
pub struct Twins {
    boards: Vec<Mutex<Option<Arc<Seen>>>>,
    /// Texts with fitted values, of boards that are to be studied with them.
    texts: Vec<Mutex<Option<Arc<str>>>>,
}

fn locked<T>(place: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    place.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Twins {
    /// Of so many boards, nothing seen yet.
    pub fn new(n_boards: usize) -> Twins {
        Twins {
            boards: (0..n_boards).map(|_| Mutex::default()).collect(),
            texts: (0..n_boards).map(|_| Mutex::default()).collect(),
        }
    }

    /// What was seen of a board; `None`: nothing yet.
    pub fn seen(&self, board: usize) -> Option<Arc<Seen>> {
        locked(self.boards.get(board)?).clone()
    }

    /// The text with fitted values by which a board is to be studied; `None`: by its own.
    pub fn text(&self, board: usize) -> Option<Arc<str>> {
        locked(self.texts.get(board)?).clone()
    }

    pub(crate) fn set_text(&self, board: usize, text: Option<Arc<str>>) {
        if let Some(place) = self.texts.get(board) {
            *locked(place) = text;
        }
    }

    fn set(&self, board: usize, seen: Seen) {
        if let Some(place) = self.boards.get(board) {
            *locked(place) = Some(Arc::new(seen));
        }
    }
}

/// That a quantity or a part is right as it is: what belongs to it is learned anew from then on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Said {
    /// When, ms since 1970 by the board's records.
    pub at_ms: i64,
    /// Part, or id of a quantity.
    pub part: String,
    /// Who said it.
    pub who: String,
    /// Why.
    pub why: String,
}

fn said_key(board: &str) -> String {
    format!("twin-said/{board}")
}

/// What people said of a board's quantities, oldest first.
///
/// # Errors
/// The store fails.
pub fn said(store: &Store, board: &str) -> store::Result<Vec<Said>> {
    let kept = store.setting(&said_key(board))?;
    Ok(kept.and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_default())
}

/// Keeps that a person says that a part, or a quantity by its id, is right as it is now, and looks anew.
///
/// # Errors
/// The store fails.
pub fn say(app: &App, board: &SiteBoard, part: &str, who: &str, why: &str) -> store::Result<()> {
    let name = &board.settings.name;
    let words = format!("{who} says that `{part}` is right as it is: {why}");
    let at_ms = newest_ms(&app.store, name)?.unwrap_or_else(now_ms);
    let mut all = said(&app.store, name)?;
    all.push(Said { at_ms, part: part.to_owned(), who: who.to_owned(), why: why.to_owned() });
    let from = all.len().saturating_sub(MOST_SAID);
    app.store.set_setting(&said_key(name), &serde_json::to_string(&all[from..]).unwrap_or_default())?;
    app.store.add_event(at_ms, name, "twin", &words)?;
    look(app, board)
}

/// Acts of the care log that change what a part does; looking at it or measuring it does not.
const CHANGING: [&str; 6] = ["clean", "replace", "descale", "tube", "renew", "calibrate"];

/// What people did since then that makes quantities learn anew.
fn acts(store: &Store, board: &str, from_ms: i64) -> store::Result<Vec<Act>> {
    let done =
        store.read(|db| store::care::done(db, board, None, MOST_ROWS).doing("reading what was done"))?;
    let touched = |d: &store::care::Done| {
        let (what, part) = d.item.split_once(':').filter(|_| d.passed)?;
        CHANGING.contains(&what).then(|| Act::Touched { at_ms: d.at, part: part.to_owned() })
    };
    let mut all: Vec<Act> = done.iter().filter_map(touched).collect();
    let water = store
        .read(|db| store::care::water(db, board, from_ms, MOST_ROWS).doing("reading the log of water"))?;
    let changes = water.iter().filter(|line| line.voided_by.is_none() && line.what.contains("change"));
    all.extend(changes.map(|line| Act::WaterChanged { at_ms: line.at }));
    let page = store::Page {
        from: from_ms,
        to: i64::MAX,
        after: 0,
        limit: MOST_ROWS,
        source: Some(board.to_owned()),
        newest_first: true,
    };
    let calibrated = store.calibrations(&page)?;
    all.extend(calibrated.into_iter().map(|c| Act::Touched { at_ms: c.at, part: c.input }));
    all.extend(said(store, board)?.into_iter().map(|s| Act::Touched { at_ms: s.at_ms, part: s.part }));
    Ok(all)
}

/// Whole hours of a board from then until then, oldest first: signals that are judged, and all drives.
fn hours(store: &Store, board: &str, layout: &Layout, from_ms: i64, to_ms: i64) -> store::Result<Vec<Span>> {
    let all = store.all_series();
    let mut spans: BTreeMap<i64, Span> = BTreeMap::new();
    let (n_signals, n_drives) = (layout.signals.len(), layout.drives.len());
    let find = |name: &str| all.iter().rfind(|s| s.spec.source == board && s.spec.name == name);
    let mut each = |series: &store::Series, put: &mut dyn FnMut(&mut Span, &store::Column)| {
        for column in store.hours(series.id, from_ms, to_ms)? {
            let span =
                spans.entry(column.from).or_insert_with(|| Span::new(column.from, n_signals, n_drives));
            let covered_ms = ((column.n + column.n_bad) * series.spec.interval).min(HOUR_MS);
            span.covered_ms = span.covered_ms.max(covered_ms);
            put(span, &column);
        }
        store::Result::Ok(())
    };
    for (s, signal) in layout.signals.iter().enumerate() {
        let is_judged = matches!(signal.kind, Kind::Temperature | Kind::Room | Kind::Ph | Kind::Flow);
        let Some(series) = find(&signal.name).filter(|_| is_judged) else { continue };
        // The store's unit may be another than that of sentences.
        let scale = signal.per_count / series.spec.scale;
        each(series, &mut |span, column| {
            let value = |v: Option<f64>| v.unwrap_or(0.0) * scale;
            let n = |n: i64| u32::try_from(n).unwrap_or(u32::MAX);
            span.signals[s] = Stretch::of(
                value(column.mean),
                n(column.n),
                n(column.n_bad),
                value(column.min),
                value(column.max),
            );
        })?;
    }
    for (d, drive) in layout.drives.iter().enumerate() {
        let Some(series) = find(&drive.name) else { continue };
        // A switched output is a switch; a modulated one is in percent.
        let full = if series.spec.is_switch { 1.0 } else { 100.0 };
        each(series, &mut |span, column| {
            let duty = (column.mean.unwrap_or(0.0) / full).clamp(0.0, 1.0);
            let covered_ms = ((column.n + column.n_bad) * series.spec.interval).min(HOUR_MS);
            span.drives[d].on_ms = duty * covered_ms as f64;
        })?;
    }
    Ok(spans.into_values().collect())
}

/// The newest sample of a board, ms since 1970: its present, for one of software may live in a time of its own. `None`: there is none.
fn newest_ms(store: &Store, board: &str) -> store::Result<Option<i64>> {
    let mut newest = None;
    for series in store.all_series().iter().filter(|s| s.spec.source == board) {
        newest = newest.max(store.newest(series.id)?.map(|point| point.time));
    }
    Ok(newest)
}

/// End of the last whole hour that a board has told of, ms since 1970; `None`: it has told nothing.
fn told_to_ms(app: &App, board: &SiteBoard) -> store::Result<Option<i64>> {
    let newest_ms = newest_ms(&app.store, &board.settings.name)?;
    Ok(newest_ms.map(|ms| ms.div_euclid(HOUR_MS) * HOUR_MS))
}

/// Looks at a board: reads its hours, judges them, and gives the verdicts to its checks. The book must not be held.
///
/// # Errors
/// The store fails.
pub fn look(app: &App, board: &SiteBoard) -> store::Result<()> {
    let Some(to_ms) = told_to_ms(app, board)? else { return Ok(()) };
    let from_ms = to_ms - DAYS * DAY_MS;
    let name = &board.settings.name;
    let Some((layout, remembered)) = app.checks(board.id.0).map(|checks| {
        let hours = &checks.watch.history().hours;
        let marks: Vec<(i64, i64, i64)> =
            hours.iter().map(|h| (h.from_ms, h.procedure_ms, h.changed_ms)).collect();
        (checks.watch.layout().clone(), marks)
    }) else {
        return Ok(());
    };
    let mut hours = hours(&app.store, name, &layout, from_ms, to_ms)?;
    // What the checks remember of the last days, and the store does not know: procedures.
    for (at_ms, procedure_ms, changed_ms) in remembered {
        if let Ok(at) = hours.binary_search_by_key(&at_ms, |h| h.from_ms) {
            (hours[at].procedure_ms, hours[at].changed_ms) = (procedure_ms, changed_ms);
        }
    }
    let acts = acts(&app.store, name, from_ms)?;
    let courses = fit::drift::courses(&board.system, &layout, &hours, &acts, &Balance::new(&layout));
    let offset_ms = local_offset_ms(&board.system.timezone, to_ms);
    let verdicts = courses.iter().map(|course| course.verdict(name, offset_ms)).collect();
    if let Some(mut checks) = app.checks(board.id.0) {
        checks.drifts = verdicts;
    }
    app.twins.set(board.id.0, Seen { to_ms, courses });
    Ok(())
}

/// The newest time of each board at the look before, for whoever lives its history.
type Newest = Vec<Option<i64>>;

/// Looks at all boards of which an hour has ended since the last look.
fn look_at_all(app: &App, before: &mut Newest, stop: &AtomicBool) {
    before.resize(app.site.boards.len(), None);
    for (board, before) in app.site.boards.iter().zip(before) {
        if stop.load(Ordering::Relaxed) {
            return;
        }
        if let Err(error) = look_if_due(app, board, before, stop) {
            eprintln!("whether {} drifts from its twin could not be looked at: {error}", board.settings.name);
        }
    }
}

fn look_if_due(
    app: &App,
    board: &SiteBoard,
    before: &mut Option<i64>,
    stop: &AtomicBool,
) -> store::Result<()> {
    let Some(newest_ms) = newest_ms(&app.store, &board.settings.name)? else { return Ok(()) };
    let passed_ms = before.replace(newest_ms).map_or(HOUR_MS, |before| newest_ms - before);
    // A board of software that lives its history has soon more to look at.
    let is_past = newest_ms < now_ms() - HOUR_MS;
    if board.settings.line.is_software() && is_past && passed_ms >= HOUR_MS {
        return Ok(());
    }
    let to_ms = newest_ms.div_euclid(HOUR_MS) * HOUR_MS;
    if app.twins.seen(board.id.0).is_some_and(|seen| seen.to_ms == to_ms) {
        return Ok(());
    }
    look(app, board)?;
    fitted::refresh(app, board, to_ms, stop)
}

/// Looks until the station ends.
pub async fn run(app: Arc<App>, mut stopped: watch::Receiver<bool>) {
    let stop = Arc::new(AtomicBool::new(false));
    let before = Arc::new(Mutex::new(Newest::default()));
    let mut wait = FIRST;
    loop {
        tokio::select! {
            () = until(&mut stopped) => return,
            () = tokio::time::sleep(wait) => {}
        }
        wait = EVERY;
        let (of_look, before, stop_look) = (app.clone(), before.clone(), stop.clone());
        let (done, mut ended) = tokio::sync::oneshot::channel();
        let begun = std::thread::Builder::new().name("twin".to_owned()).spawn(move || {
            lower_priority();
            look_at_all(&of_look, &mut locked(&before), &stop_look);
            drop(of_look);
            // The station may have ended meanwhile.
            let _ = done.send(());
        });
        if begun.is_err() {
            continue;
        }
        tokio::select! {
            () = until(&mut stopped) => {
                stop.store(true, Ordering::Relaxed);
                let _ = tokio::time::timeout(LAST, &mut ended).await;
                return;
            }
            _ = &mut ended => {}
        }
    }
}
