//! Controllers that somebody built, joined before they are replaced: what they print is logged, and the rules of the system file run in
//! shadow beside them (docs/joining.md).
//!
//! ```text
//! serial, TCP ──thread of the line──┐
//! topic ──connection to the broker──┴──► thread of the joined ──► store, shadow, alarm of silence, what is told
//! ```
//!
//! * Nothing is ever sent to a joined controller.
//! * Values have the time at which they came, by the station's clock: what a controller says of its own time is not believed.
//! * What the shadow knows is kept every few minutes and at the end; after a restart it goes on, and says that it did not run meanwhile.

mod line;
mod now;
mod work;

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;

use alarms::{Act, Condition};
use tell::mqtt::Listener;

pub use now::{JoinedDifference, JoinedNow, JoinedOutput, RefusedLines};

use crate::app::{App, now_ms};
use crate::ingest::write_down;
use crate::settings::JoinedLine;
use crate::site::Site;
use line::Heard;

/// Chunks and messages of one joined controller that wait at most.
const MOST_WAITING: usize = 256;

/// One joined controller, as all parts see it.
#[derive(Debug)]
pub struct Joined {
    /// Its name.
    pub name: String,
    inbox: SyncSender<Heard>,
    now: Mutex<Arc<JoinedNow>>,
    is_over: AtomicBool,
}

impl Joined {
    /// What is known of it now.
    pub fn now(&self) -> Arc<JoinedNow> {
        self.now.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn tell(&self, now: JoinedNow) {
        *self.now.lock().unwrap_or_else(PoisonError::into_inner) = Arc::new(now);
    }

    fn is_over(&self) -> bool {
        self.is_over.load(Ordering::Relaxed)
    }

    /// Resets the trips of the rules in shadow, at their next scan. `false`: too much waits; try again.
    pub fn reset_trips(&self) -> bool {
        !matches!(self.inbox.try_send(Heard::ResetTrips), Err(TrySendError::Full(_)))
    }
}

/// What must be there before anything runs: the joined ones, and their inboxes for [`start`].
#[derive(Debug)]
pub struct Prepared {
    /// In the order of the station file.
    pub all: Vec<Arc<Joined>>,
    /// Topics to listen to.
    pub listeners: Vec<Listener>,
    inboxes: Vec<Receiver<Heard>>,
}

/// Makes room for what the joined controllers of the site will say.
pub fn prepare(site: &Site) -> Prepared {
    let mut prepared = Prepared { all: vec![], listeners: vec![], inboxes: vec![] };
    for joined in &site.joined {
        let (inbox, waiting) = sync_channel(MOST_WAITING);
        if let JoinedLine::Mqtt(filter) = &joined.settings.line {
            prepared.listeners.push(line::listener(filter, inbox.clone()));
        }
        prepared.all.push(Arc::new(Joined {
            name: joined.settings.name.clone(),
            inbox,
            now: Mutex::default(),
            is_over: AtomicBool::new(false),
        }));
        prepared.inboxes.push(waiting);
    }
    prepared
}

/// The inboxes, until [`start`] takes them.
#[derive(Debug)]
pub struct Inboxes(Vec<Receiver<Heard>>);

impl Prepared {
    /// Parts it: who is joined, topics to listen to, inboxes.
    pub fn into_parts(self) -> (Vec<Arc<Joined>>, Vec<Listener>, Inboxes) {
        (self.all, self.listeners, Inboxes(self.inboxes))
    }
}

/// Ends the threads of the joined controllers when it is dropped.
#[derive(Debug)]
pub struct Running(Vec<Arc<Joined>>);

impl Drop for Running {
    fn drop(&mut self) {
        for joined in &self.0 {
            joined.is_over.store(true, Ordering::Relaxed);
        }
    }
}

/// Threads with what they do.
pub type Threads = Vec<(&'static str, JoinHandle<()>)>;

/// Ends the alarms of controllers that the station file joins no more.
fn end_orphans(app: &App) {
    let at = now_ms();
    let changes = {
        let mut book = app.book();
        let is_orphan = |id: &str| {
            let name = id.strip_prefix("station/").and_then(|rest| rest.strip_suffix("/silent"));
            name.is_some_and(|name| app.joined.iter().all(|joined| joined.name != name))
        };
        let orphans = book.alarms().map(|view| view.definition.id.clone()).filter(|id| is_orphan(id));
        let orphans: Vec<String> = orphans.collect();
        let mut changes = vec![];
        for alarm in orphans {
            changes
                .extend(book.apply(at, Act::Condition { alarm, now: Condition::Gone }).unwrap_or_default());
        }
        changes
    };
    if let Err(error) = write_down(app, &changes) {
        eprintln!("alarms of controllers that are joined no more could not be ended: {error}");
    }
}

/// Starts a thread for each joined controller, and one for each line that is not a topic.
///
/// # Errors
/// There is no thread to be had, or the rules do not compile.
pub fn start(app: &Arc<App>, inboxes: Inboxes) -> Result<(Running, Threads), String> {
    end_orphans(app);
    let running = Running(app.joined.clone());
    let mut threads = vec![];
    let mut spawn = |name: &'static str, of: &str, work: Box<dyn FnOnce() + Send>| {
        let thread = std::thread::Builder::new()
            .name(format!("{name}-{of}"))
            .spawn(work)
            .map_err(|error| format!("no thread for the joined controller {of}: {error}"))?;
        threads.push((name, thread));
        Ok::<(), String>(())
    };
    for ((site, joined), inbox) in app.site.joined.iter().zip(&app.joined).zip(inboxes.0) {
        let worker = work::Worker::new(app.clone(), site, joined.clone())?;
        spawn("joined", &joined.name, Box::new(move || worker.run(&inbox)))?;
        if !matches!(site.settings.line, JoinedLine::Mqtt(_)) {
            let (joined, line) = (joined.clone(), site.settings.line.clone());
            let name = joined.name.clone();
            spawn("joined-line", &name, Box::new(move || line::listen(&joined, &line, &joined.inbox)))?;
        }
    }
    Ok((running, threads))
}
