//! From the boards into the store, into what is now and into the book of alarms: one thread, in the order in which things came.
//!
//! Contract: a journal is acknowledged to its board when it is durable, not before. Samples wait in memory while the disk cannot take them,
//! in bounded number; what had to be dropped is said.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::PoisonError;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use alarms::watch::{Damage, Disk, Now};
use alarms::{Act, Condition, Definition, Transition};
use link::client::Told;
use program::quality::Quality;
use store::{AlarmChange, Sample, SeriesId, SeriesSpec, Store, Ticket};

use crate::app::{App, now_ms};
use crate::boards::{BoardEvent, BoardId, Journal, LinkState, Scan, Trust, Value};
use crate::care;
use crate::later::Row;
use crate::site::{Site, SiteBoard};
use crate::telling;

/// Key of the book of alarms among the store's settings.
const BOOK: &str = "alarms";
/// Events that are taken at once.
const AT_ONCE: usize = 2048;
/// Samples that are handed over at once.
const BATCH: usize = 20_000;
/// Samples wait so long for others.
const GATHER: Duration = Duration::from_millis(250);
/// Batches that wait for their commit.
const MOST_WAITING: usize = 4;
/// Samples that wait while the disk cannot take them, of all series: some 20 MB.
const MOST_KEPT: usize = 600_000;
/// Between two tries of a disk that cannot.
const RETRY: Duration = Duration::from_secs(2);
/// The station's own checks look so often, ms of the board's time.
const LOOK_MS: i64 = 60_000;
/// A board of software that is further behind, ms, and sends without such a pause, is catching up.
const BEHIND_MS: i64 = 300_000;
const CATCHES_UP: Duration = Duration::from_secs(5);
/// The book is kept so often while only time passes.
const KEEP_BOOK: Duration = Duration::from_secs(60);

/// What the checks remember is kept so often.
const KEEP_CHECKS: Duration = Duration::from_secs(3600);

/// Key of what the checks of a board remember, among the store's settings.
pub fn checks_key(board: &str) -> String {
    format!("checks/{board}")
}

/// Counts of what came in, for metrics and the watchdog.
#[derive(Debug, Default)]
pub struct Intake {
    /// Scans taken.
    pub n_scans: AtomicU64,
    /// Samples durable.
    pub n_samples: AtomicU64,
    /// Samples dropped because the disk could not take them for too long.
    pub n_dropped: AtomicU64,
    /// Journal entries durable.
    pub n_entries: AtomicU64,
    /// When the thread last went round, ms since 1970.
    pub alive_ms: AtomicI64,
    /// The store could not take something at the last try.
    pub failing: AtomicI64,
}

/// The series of every board, in the order of its names.
///
/// # Errors
/// The store refuses one.
pub fn series(site: &Site, store: &Store) -> store::Result<Vec<Vec<SeriesId>>> {
    let of = |board: &SiteBoard| {
        let interval = i64::from(board.system.scan_ms) * i64::from(board.settings.every);
        let all = board.names.series.iter().map(|series| {
            store.series(&SeriesSpec {
                source: board.settings.name.clone(),
                name: series.name.clone(),
                unit: series.unit.to_owned(),
                scale: series.scale,
                interval,
                is_switch: series.is_bit,
            })
        });
        all.collect::<store::Result<Vec<SeriesId>>>()
    };
    site.boards.iter().map(of).collect()
}

/// The book of alarms as it stood, with the alarms of the boards' programs.
pub fn book(site: &Site, store: &Store, settings: alarms::book::Settings, at_ms: i64) -> alarms::Book {
    let kept = store.setting(BOOK).ok().flatten();
    let mut book: alarms::Book =
        kept.and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_else(|| alarms::Book::new(settings));
    let mut definitions: Vec<Definition> = vec![];
    for board in &site.boards {
        for alarm in &board.system.alarms {
            definitions.push(Definition::of_board(&board.settings.name, &board.system, alarm));
        }
    }
    // The station's own come back when their check looks; until then they stay as they were.
    let own = book.alarms().filter(|view| view.definition.origin == alarms::Origin::Station);
    definitions.extend(own.map(|view| view.definition.clone()).collect::<Vec<_>>());
    book.define(definitions, at_ms);
    book
}

/// The id of a board's alarm in the book.
fn alarm_id(board: &SiteBoard, order: usize) -> Option<String> {
    let alarm = board.names.alarms.get(order)?;
    Some(format!("{}/{}", board.settings.name, board.system.alarms.get(alarm.idx())?.name))
}

struct Board {
    series: Vec<SeriesId>,
    looked_ms: i64,
    /// When its last scan came.
    came: Instant,
    alarms: Vec<Condition>,
    steps: Vec<u8>,
    /// Sequence of the last entry of its journal that is durable.
    stored: Option<u8>,
    /// Newest time of the board; one of software can be behind the station, while it lives its history, or ahead.
    at_ms: i64,
    is_software: bool,
}

impl Board {
    /// It lives its history: what it says is long past, and more comes at once.
    fn is_catching_up(&self, now_ms: i64) -> bool {
        self.is_software && self.at_ms < now_ms - BEHIND_MS && self.came.elapsed() < CATCHES_UP
    }
}

/// The thread that takes in.
pub struct Ingest {
    app: Arc<App>,
    boards: Vec<Board>,
    batch: Vec<Sample>,
    batch_since: Option<Instant>,
    waiting: VecDeque<(Ticket, Vec<Sample>)>,
    /// Samples that the disk did not take, oldest first.
    kept: VecDeque<Vec<Sample>>,
    retry_at: Option<Instant>,
    values: Vec<Option<Value>>,
    book_kept: Instant,
    checks_kept: Instant,
    care_looked: Option<Instant>,
    book_changed: bool,
}

impl Ingest {
    /// Takes in for these boards.
    pub fn new(app: Arc<App>, series: Vec<Vec<SeriesId>>) -> Ingest {
        let boards = (app.site.boards.iter().zip(series))
            .map(|(board, series)| Board {
                series,
                looked_ms: i64::MIN,
                came: Instant::now(),
                alarms: vec![Condition::Unknown; board.names.alarms.len()],
                steps: vec![0; board.names.procedures.len()],
                stored: app.store.event_position(&board.settings.name).ok().flatten(),
                at_ms: 0,
                is_software: board.settings.line.is_software(),
            })
            .collect();
        Ingest {
            app,
            boards,
            batch: vec![],
            batch_since: None,
            waiting: VecDeque::new(),
            kept: VecDeque::new(),
            retry_at: None,
            values: vec![],
            book_kept: Instant::now(),
            checks_kept: Instant::now(),
            care_looked: None,
            book_changed: false,
        }
    }

    /// Takes until the boards have ended, then stores what is left. `take` appends at most so many events to a list and waits so long for
    /// the first; false when nothing will come any more.
    pub fn run(mut self, mut take: impl FnMut(&mut Vec<BoardEvent>, usize, Duration) -> bool) {
        let mut taken = vec![];
        loop {
            self.app.intake.alive_ms.store(now_ms(), Ordering::Relaxed);
            let goes_on = take(&mut taken, AT_ONCE, GATHER);
            self.take(std::mem::take(&mut taken));
            self.pass();
            if !goes_on {
                break;
            }
        }
        self.hand_over();
        while let Some((ticket, samples)) = self.waiting.pop_front() {
            self.settle(ticket, samples);
        }
        self.retry();
        self.keep_book();
        self.keep_checks();
    }

    fn take(&mut self, events: Vec<BoardEvent>) {
        let app = self.app.clone();
        let mut changes = vec![];
        for event in &events {
            let id = event.board().0;
            let Some(board) = app.site.boards.get(id) else { continue };
            match event {
                BoardEvent::Scan(scan) => self.scan(board, scan, &mut changes),
                BoardEvent::Link { at_ms, state, .. } => self.link(board, *at_ms, state, &mut changes),
                BoardEvent::Journal(_) => {}
            }
        }
        {
            let mut live = app.live.write().unwrap_or_else(PoisonError::into_inner);
            for event in &events {
                live.take(&app.site, event);
            }
        }
        self.tell(&changes);
        for event in events {
            if let BoardEvent::Journal(journal) = event {
                self.journal(journal);
            }
        }
        if self.batch.len() >= BATCH {
            self.hand_over();
        }
    }

    fn scan(&mut self, board: &SiteBoard, scan: &Scan, changes: &mut Vec<Transition>) {
        self.app.intake.n_scans.fetch_add(1, Ordering::Relaxed);
        let id = board.id.0;
        self.values.clear();
        self.values.extend(board.names.values(&scan.record, scan.trust));
        let here = &mut self.boards[id];
        here.at_ms = here.at_ms.max(scan.at_ms);
        here.came = Instant::now();
        if self.batch.is_empty() {
            self.batch_since = Some(Instant::now());
        }
        if !(0..store::LATEST_TIME).contains(&scan.at_ms) {
            // The store takes no such time, and would refuse all that came with it.
            self.app.intake.n_dropped.fetch_add(here.series.len() as u64, Ordering::Relaxed);
            return;
        }
        for (series, value) in here.series.iter().zip(&self.values) {
            let Some(value) = value else { continue };
            self.batch.push(Sample {
                series: *series,
                time: scan.at_ms,
                value: value.raw.into(),
                quality: match value.quality {
                    Quality::Good => store::Quality::Good,
                    Quality::Uncertain => store::Quality::Uncertain,
                    Quality::Bad => store::Quality::Bad,
                },
            });
        }
        if scan.trust != Trust::All {
            return;
        }
        let mut checks = self.app.checks[id].lock().unwrap_or_else(PoisonError::into_inner);
        checks.take(scan, &self.values);
        // Most scans change nothing here, and the book is locked only where one does.
        let now = |on: bool, quality: Quality| match (on, quality) {
            (_, Quality::Bad) => Condition::Unknown,
            (true, _) => Condition::Holds,
            (false, _) => Condition::Gone,
        };
        let n_alarms = here.alarms.len();
        let changed: Vec<(usize, Condition)> = (scan.record.alarms.iter().take(n_alarms).enumerate())
            .map(|(n, (on, quality, _))| (n, now(*on, *quality)))
            .filter(|(n, condition)| here.alarms[*n] != *condition)
            .collect();
        let n_procedures = here.steps.len();
        let stepped: Vec<(usize, u8)> = (scan.record.steps.iter().copied().take(n_procedures).enumerate())
            .filter(|(n, step)| (here.steps[*n] > 0) != (*step > 0))
            .collect();
        let is_due = scan.at_ms.saturating_sub(here.looked_ms) >= LOOK_MS;
        if changed.is_empty() && stepped.is_empty() && !is_due {
            return;
        }
        let mut book = self.app.book.lock().unwrap_or_else(PoisonError::into_inner);
        let mut apply = |act: Act| changes.extend(book.apply(scan.at_ms, act).unwrap_or_default());
        for (n, condition) in changed {
            here.alarms[n] = condition;
            if let Some(alarm) = alarm_id(board, n) {
                apply(Act::Condition { alarm, now: condition });
            }
        }
        for (n, step) in stepped {
            here.steps[n] = step;
            let Some(procedure) = board.names.procedures.get(n) else { continue };
            let procedure =
                format!("{}/{}", board.settings.name, board.system.procedures[procedure.idx()].name);
            apply(if step > 0 {
                Act::ProcedureBegan { procedure }
            } else {
                Act::ProcedureEnded { procedure }
            });
        }
        if is_due {
            here.looked_ms = scan.at_ms;
            let verdicts = checks.look(&knows(&self.app, board.id, scan.at_ms, !scan.record.is_clock_good));
            changes.extend(alarms::watch::tell(&mut book, verdicts, scan.at_ms));
        }
    }

    fn link(&mut self, board: &SiteBoard, at_ms: i64, state: &LinkState, changes: &mut Vec<Transition>) {
        let words = match state {
            LinkState::Down { why: Some(why) } => format!("not reached: {why}"),
            LinkState::Down { why: None } => "not reached".to_owned(),
            LinkState::Up { differs: Some(differs), .. } => format!("reached; {differs}"),
            LinkState::Up { .. } => "reached".to_owned(),
            LinkState::Silent => "silent: the line stands and nothing comes".to_owned(),
            LinkState::Refused { why } => format!("refused: {why}"),
        };
        let name = &board.settings.name;
        if let Err(error) = self.app.store.add_event(at_ms, name, "link", &words) {
            self.failed(&error);
            self.keep_row(Row::Event(at_ms, name.clone(), "link", words));
        }
        if let LinkState::Up { hello, .. } = state
            && let Err(error) = crate::revisions::met(&self.app, board, hello, at_ms)
        {
            self.failed(&error);
        }
        if !state.is_up() {
            let here = &mut self.boards[board.id.0];
            let mut book = self.app.book.lock().unwrap_or_else(PoisonError::into_inner);
            for n in 0..here.alarms.len() {
                here.alarms[n] = Condition::Unknown;
                if let Some(alarm) = alarm_id(board, n) {
                    changes.extend(
                        book.apply(at_ms, Act::Condition { alarm, now: Condition::Unknown })
                            .unwrap_or_default(),
                    );
                }
            }
        }
    }

    fn journal(&mut self, journal: Journal) {
        let id = journal.board.0;
        let Some(board) = self.app.site.boards.get(id) else { return };
        // What follows a journal that could not be kept would leave a hole; all of it is offered again.
        let stored = self.boards[id].stored;
        let has = |sequence| matches!(sequence, Told::Event(event) if Some(event.sequence) == stored);
        let follows = journal.after.is_none()
            || journal.after == stored
            || journal.entries.iter().any(|entry| has(entry.told));
        if !follows {
            return journal.stored.failed();
        }
        let events = journal.entries.iter().map(|entry| {
            let (sequence, code, argument, minute, kind) = match entry.told {
                Told::Event(event) => {
                    (event.sequence, event.code, event.argument, event.minute, event_word(event.code))
                }
                Told::Lost(n) => (journal.stored.sequence(), 1, n.unwrap_or(0), u16::MAX, "gap"),
            };
            store::BoardEvent {
                sequence,
                code,
                argument,
                minute,
                at: entry.at_ms.unwrap_or(journal.at_ms),
                kind: kind.to_owned(),
                text: entry.words.clone(),
            }
        });
        match self.app.store.add_board_events(&board.settings.name, events.collect()) {
            Ok(kept) => {
                self.app.intake.n_entries.fetch_add(kept.stored.into(), Ordering::Relaxed);
                self.boards[id].stored = Some(journal.stored.sequence());
                journal.stored.done();
            }
            Err(error) => {
                self.failed(&error);
                journal.stored.failed();
            }
        }
    }

    /// Writes transitions down and tells who watches.
    fn tell(&mut self, changes: &[Transition]) {
        if changes.is_empty() {
            return;
        }
        self.book_changed = true;
        let rows = announce(&self.app, changes);
        if let Err(error) = self.app.store.add_alarm_changes(rows.clone()) {
            self.failed(&error);
            rows.into_iter().for_each(|row| self.keep_row(Row::Alarm(row)));
        }
    }

    /// What is done as time passes.
    fn pass(&mut self) {
        if self.batch_since.is_some_and(|since| since.elapsed() >= GATHER) {
            self.hand_over();
        }
        while self.waiting.len() > MOST_WAITING {
            if let Some((ticket, samples)) = self.waiting.pop_front() {
                self.settle(ticket, samples);
            }
        }
        if self.batch.is_empty()
            && let Some((ticket, samples)) = self.waiting.pop_front()
        {
            self.settle(ticket, samples);
        }
        let has_kept = !self.kept.is_empty() || !self.app.later.is_empty();
        if has_kept && self.retry_at.is_none_or(|at| Instant::now() >= at) {
            self.retry();
        }
        // Boards that are faster than life have taken the book's time with them; while one lives its history, the book lives it too.
        let now_ms = now_ms();
        let at_ms = self.boards.iter().map(|board| board.at_ms).max().unwrap_or(0);
        let is_history = self.boards.iter().any(|board| board.is_catching_up(now_ms));
        let at_ms = if is_history { at_ms } else { at_ms.max(now_ms) };
        let changes = {
            let mut book = self.app.book.lock().unwrap_or_else(PoisonError::into_inner);
            if book.next_due_ms().is_some_and(|due| due <= at_ms) { book.tick(at_ms) } else { vec![] }
        };
        self.tell(&changes);
        self.look_at_care();
        self.look_at_silent();
        if self.checks_kept.elapsed() > KEEP_CHECKS {
            self.keep_checks();
        }
        if self.book_changed || self.book_kept.elapsed() > KEEP_BOOK {
            self.keep_book();
        }
    }

    /// What proof tests and tasks are due, once an hour.
    fn look_at_care(&mut self) {
        let is_due =
            self.care_looked.is_none_or(|at| at.elapsed().as_millis() >= care::LOOK_MS.unsigned_abs().into());
        if !is_due {
            return;
        }
        self.care_looked = Some(Instant::now());
        let app = self.app.clone();
        for board in &app.site.boards {
            if let Err(error) = care::refresh(&app, board, now_ms()) {
                self.failed(&error);
            }
        }
    }

    /// A board that says nothing is looked at all the same: that is what the check of silence is for.
    fn look_at_silent(&mut self) {
        let now_ms = now_ms();
        let mut changes = vec![];
        for (n, here) in self.boards.iter_mut().enumerate() {
            // A board that lives ahead of time has no silence that the station's clock could measure.
            if here.came.elapsed().as_millis() < LOOK_MS.unsigned_abs().into()
                || here.at_ms > now_ms + LOOK_MS
            {
                continue;
            }
            here.came = Instant::now();
            let Some(mut checks) = self.app.checks(n) else { continue };
            let verdicts = checks.look(&knows(&self.app, BoardId(n), now_ms, false));
            let mut book = self.app.book.lock().unwrap_or_else(PoisonError::into_inner);
            changes.extend(alarms::watch::tell(&mut book, verdicts, now_ms));
        }
        self.tell(&changes);
    }

    fn hand_over(&mut self) {
        self.batch_since = None;
        if self.batch.is_empty() {
            return;
        }
        let samples = std::mem::take(&mut self.batch);
        match self.app.store.append_later(samples.clone()) {
            Ok(ticket) => self.waiting.push_back((ticket, samples)),
            Err(error) => {
                self.failed(&error);
                self.keep(samples);
            }
        }
    }

    fn settle(&mut self, ticket: Ticket, samples: Vec<Sample>) {
        match ticket.wait() {
            Ok(appended) => {
                self.app.intake.n_samples.fetch_add(appended.new, Ordering::Relaxed);
                self.app.intake.failing.store(0, Ordering::Relaxed);
            }
            Err(error) => {
                self.failed(&error);
                if error.may_pass() {
                    self.keep(samples);
                } else {
                    self.app.intake.n_dropped.fetch_add(samples.len() as u64, Ordering::Relaxed);
                }
            }
        }
    }

    /// Keeps a row until the disk can take it.
    fn keep_row(&mut self, row: Row) {
        self.retry_at = Some(Instant::now() + RETRY);
        self.app.later.keep(row);
    }

    fn keep(&mut self, samples: Vec<Sample>) {
        self.retry_at = Some(Instant::now() + RETRY);
        self.kept.push_back(samples);
        while self.kept.iter().map(Vec::len).sum::<usize>() > MOST_KEPT {
            if let Some(dropped) = self.kept.pop_front() {
                self.app.intake.n_dropped.fetch_add(dropped.len() as u64, Ordering::Relaxed);
            }
        }
    }

    /// What the disk could not take, again: samples first, for they are most.
    fn retry(&mut self) {
        self.retry_at = Some(Instant::now() + RETRY);
        while let Some(samples) = self.kept.pop_front() {
            match self.app.store.append(samples.clone()) {
                Ok(appended) => {
                    self.app.intake.n_samples.fetch_add(appended.new, Ordering::Relaxed);
                    self.app.intake.failing.store(0, Ordering::Relaxed);
                }
                Err(error) => {
                    self.failed(&error);
                    if error.may_pass() {
                        self.kept.push_front(samples);
                        return;
                    }
                    self.app.intake.n_dropped.fetch_add(samples.len() as u64, Ordering::Relaxed);
                }
            }
        }
        if let Err(error) = self.app.later.write(&self.app.store) {
            self.failed(&error);
        }
    }

    /// Says once that the store fails, until it works again.
    fn failed(&self, error: &store::Error) {
        if self.app.intake.failing.swap(1, Ordering::Relaxed) == 0 {
            eprintln!("the store fails: {error}");
        }
    }

    /// Keeps what the checks remember.
    fn keep_checks(&mut self) {
        self.checks_kept = Instant::now();
        for (n, board) in self.app.site.boards.iter().enumerate() {
            let Some(text) = self.app.checks(n).map(|checks| checks.to_keep()) else { continue };
            if let Err(error) = self.app.store.set_setting(&checks_key(&board.settings.name), &text) {
                self.failed(&error);
            }
        }
    }

    fn keep_book(&mut self) {
        self.book_kept = Instant::now();
        self.book_changed = false;
        match keep_book(&self.app) {
            // Where no samples come this is what tells that the disk can again.
            Ok(()) => self.app.intake.failing.store(0, Ordering::Relaxed),
            Err(error) => self.failed(&error),
        }
    }
}

/// What the station knows besides a board's records. The disk is the station's own and told once, with the first board.
fn knows(app: &App, board: BoardId, now_ms: i64, is_clock_lost: bool) -> Now {
    let disk = (board.0 == 0).then(|| rustix::fs::statvfs(app.store.path()).ok()).flatten();
    Now {
        now_ms,
        clock_off_s: app.hands.clock_off_ms(board).map(|ms| ms as f64 / 1000.0),
        is_clock_lost,
        disk: disk.map(|disk| Disk {
            free: disk.f_bavail.saturating_mul(disk.f_frsize),
            size: disk.f_blocks.saturating_mul(disk.f_frsize),
        }),
        store: app
            .last_check()
            .filter(|_| board.0 == 0)
            .map(|last| Damage { n_structure: last.n_structure, n_parts: last.n_parts }),
    }
}

/// Writes changes of alarms into their log and sends them to who watches.
///
/// # Errors
/// The store's.
pub fn write_down(app: &App, changes: &[Transition]) -> store::Result<()> {
    app.store.add_alarm_changes(announce(app, changes))
}

/// Sends changes of alarms to who watches and who must know; gives them as their log has them.
fn announce(app: &App, changes: &[Transition]) -> Vec<AlarmChange> {
    for change in changes {
        if let Ok(data) = serde_json::to_string(change) {
            app.feed.send("alarm", data);
        }
    }
    telling::tell(app, changes);
    let rows = changes.iter().map(|change| {
        let source = change.alarm.split('/').next().unwrap_or("station");
        let mut detail = vec![];
        if change.is_first_out {
            detail.push("first-out");
        }
        if change.in_flood {
            detail.push("in-flood");
        }
        AlarmChange {
            id: 0,
            at: change.at_ms,
            source: source.to_owned(),
            alarm: change.alarm.clone(),
            priority: change.priority.word().to_owned(),
            was: state_word(change.from).to_owned(),
            becomes: state_word(change.to).to_owned(),
            who: change.by.clone(),
            why: change.why.clone(),
            until: change.until_ms,
            detail: (!detail.is_empty()).then(|| detail.join(" ")),
        }
    });
    rows.collect()
}

/// Keeps the book as it stands, so that a restart goes on with it.
///
/// # Errors
/// The store's.
pub fn keep_book(app: &App) -> store::Result<()> {
    let text = serde_json::to_string(&*app.book()).unwrap_or_default();
    app.store.set_setting(BOOK, &text)
}

/// The stable word of a state.
pub fn state_word(state: alarms::State) -> &'static str {
    use alarms::State;
    match state {
        State::Normal => "normal",
        State::Unacknowledged => "unacknowledged",
        State::Acknowledged => "acknowledged",
        State::ReturnedUnacknowledged => "returned-unacknowledged",
        State::LatchedUnacknowledged => "latched-unacknowledged",
        State::LatchedAcknowledged => "latched-acknowledged",
        State::Shelved => "shelved",
        State::SuppressedByDesign => "suppressed-by-design",
        State::OutOfService => "out-of-service",
    }
}

/// The word of an event's code (docs/link.md, section 5).
fn event_word(code: u8) -> &'static str {
    match code {
        1 => "gap",
        2 => "reset",
        3 => "program",
        4 => "trip",
        5 => "trip-reset",
        6 => "alarm",
        7 => "alarm-over",
        8 => "input-bad",
        9 => "input-good",
        10 => "step",
        11 => "hand",
        12 => "calibrated",
        13 => "clock-set",
        14 => "clock-lost",
        15 => "device-lost",
        16 => "device-back",
        17 => "self-test",
        18 => "overrun",
        19 => "key-learned",
        20 => "trips-lost",
        _ => "other",
    }
}
