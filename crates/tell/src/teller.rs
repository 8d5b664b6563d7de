//! The threads that carry messages out: one for each way, so that a dead peer holds up nobody else, and one for the heartbeat.

use std::path::Path;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use program::zone::Zone;

use crate::mail::MailWay;
use crate::mqtt::{Broker, Listener, OnCommand};
use crate::notice::{AlarmChange, Kind, Notice, Priority};
use crate::queue::{Queue, Route, RouteState};
use crate::settings::Settings;
use crate::web::{Beat, WebWay};

/// How often a way looks at the queue when nobody wakes it, and how often time moves on in the queue.
const LOOK: Duration = Duration::from_secs(5);
/// Messages that are under way at the end may take so long; what had not arrived by then is sent again at the next start, maybe twice.
const LAST_WAIT: Duration = Duration::from_millis(150);
/// Failed heartbeats in a row that are told.
const FAILED_BEATS: u32 = 6;

/// A line for the station's log.
pub type Log = Arc<dyn Fn(&str) + Send + Sync>;
/// Whether the station is well: while it is not, its heartbeat is silent.
pub type IsWell = Arc<dyn Fn() -> bool + Send + Sync>;

/// What the station lends to telling.
#[derive(Clone)]
pub struct Surroundings {
    /// Lines for the log; no secret is ever in them.
    pub log: Log,
    /// Whether the station is well.
    pub is_well: IsWell,
    /// Carries out commands that come by MQTT.
    pub on_command: Option<OnCommand>,
    /// Who listens to topics of the broker.
    pub listeners: Vec<Listener>,
}

/// Tells people. Ends its threads when it is dropped.
pub struct Teller {
    shared: Arc<Shared>,
    broker: Option<Arc<Broker>>,
    threads: Vec<JoinHandle<()>>,
    test_number: Mutex<u64>,
}

struct Shared {
    desk: Mutex<Desk>,
    wake: Condvar,
}

struct Desk {
    queue: Queue,
    is_ending: bool,
}

enum Way {
    Mail(Box<MailWay>),
    Web(WebWay),
    Broker(Arc<Broker>),
}

impl Way {
    fn send(&self, notice: &Notice) -> Result<String, String> {
        match self {
            Way::Mail(way) => way.send(notice),
            Way::Web(way) => way.send(notice),
            Way::Broker(way) => way.send(notice),
        }
    }
}

impl Settings {
    /// The ways that messages take: one for each receiver of a mail, so that one dead mailbox does not hold up the others.
    pub fn routes(&self) -> Vec<Route> {
        let mut routes = Vec::new();
        for mail in &self.mail {
            for receiver in &mail.to {
                routes.push(Route { name: mail_route(mail, receiver), share: mail.share.clone() });
            }
        }
        routes.extend(
            self.webhook.iter().map(|hook| Route { name: hook.name.clone(), share: hook.share.clone() }),
        );
        routes.extend(
            self.mqtt.iter().map(|mqtt| Route { name: mqtt.name.clone(), share: mqtt.share.clone() }),
        );
        routes
    }
}

fn mail_route(mail: &crate::settings::Mail, receiver: &str) -> String {
    if mail.to.len() == 1 { mail.name.clone() } else { format!("{} to {receiver}", mail.name) }
}

impl Teller {
    /// Starts telling from the queue in that database. Relative paths in the settings count from `folder`. All that is wrong with the settings comes back at
    /// once, each with what to do.
    pub fn start(
        settings: &Settings,
        folder: &Path,
        db: rusqlite::Connection,
        zone: Zone,
        surroundings: &Surroundings,
    ) -> Result<Teller, Vec<String>> {
        let mut findings = settings.findings();
        let mut ways: Vec<(String, Way)> = Vec::new();
        let address = settings.address.as_deref();
        for mail in &settings.mail {
            for receiver in &mail.to {
                match MailWay::new(mail, receiver, address, folder) {
                    Ok(way) => ways.push((mail_route(mail, receiver), Way::Mail(Box::new(way)))),
                    Err(finding) => findings.push(format!("`{}`: {finding}", mail.name)),
                }
            }
        }
        for hook in &settings.webhook {
            match WebWay::new(hook, folder) {
                Ok(way) => ways.push((hook.name.clone(), Way::Web(way))),
                Err(finding) => findings.push(format!("`{}`: {finding}", hook.name)),
            }
        }
        let beat =
            settings.heartbeat.as_ref().map(|heartbeat| (Beat::new(heartbeat, folder), heartbeat.every_s));
        if let Some((Err(finding), _)) = &beat {
            findings.push(format!("`heartbeat`: {finding}"));
        }
        if !findings.is_empty() {
            findings.dedup();
            return Err(findings);
        }
        let broker = match &settings.mqtt {
            None => None,
            Some(mqtt) => {
                let broker = Broker::start(
                    mqtt,
                    folder,
                    surroundings.on_command.clone(),
                    surroundings.listeners.clone(),
                )
                .map_err(|finding| vec![format!("`{}`: {finding}", mqtt.name)])?;
                let broker = Arc::new(broker);
                ways.push((mqtt.name.clone(), Way::Broker(Arc::clone(&broker))));
                Some(broker)
            }
        };
        let queue = Queue::open(db, settings, zone, now_ms())
            .map_err(|error| vec![format!("the queue of messages can't be opened: {error}")])?;
        let shared =
            Arc::new(Shared { desk: Mutex::new(Desk { queue, is_ending: false }), wake: Condvar::new() });
        let mut teller = Teller { shared, broker, threads: Vec::new(), test_number: Mutex::new(0) };
        let log = &surroundings.log;
        for (name, way) in ways {
            let (shared, log) = (Arc::clone(&teller.shared), Arc::clone(log));
            teller.spawn(format!("tell {name}"), move || carry(&shared, &name, &way, &log))?;
        }
        if let Some((Ok(beat), every_s)) = beat {
            let (shared, log, is_well) =
                (Arc::clone(&teller.shared), Arc::clone(log), Arc::clone(&surroundings.is_well));
            teller.spawn("heartbeat".to_owned(), move || {
                beat_on(&shared, &beat, Duration::from_secs(every_s), &log, &is_well)
            })?;
        }
        let (shared, log) = (Arc::clone(&teller.shared), Arc::clone(log));
        teller.spawn("tell".to_owned(), move || advance(&shared, &log))?;
        Ok(teller)
    }

    fn spawn(&mut self, name: String, work: impl FnOnce() + Send + 'static) -> Result<(), Vec<String>> {
        let thread = std::thread::Builder::new()
            .name(name.clone())
            .spawn(work)
            .map_err(|error| vec![format!("no thread for `{name}`: {error}")])?;
        self.threads.push(thread);
        Ok(())
    }

    /// Takes a change of an alarm; when this returns it stands on the disk and will be told.
    pub fn tell(&self, change: &AlarmChange) -> rusqlite::Result<()> {
        let told = lock(&self.shared.desk).queue.tell(change, now_ms());
        self.shared.wake.notify_all();
        told
    }

    /// Sends a test by one way now; returns at once. What its peer answered shows in [`Teller::states`].
    pub fn test(&self, route: &str, who: &str) -> Result<(), String> {
        let mut desk = lock(&self.shared.desk);
        let states =
            desk.queue.states().map_err(|error| format!("the queue of messages can't be read: {error}"))?;
        if !states.iter().any(|state| state.name == route) {
            let names: Vec<&str> = states.iter().map(|state| state.name.as_str()).collect();
            return Err(format!(
                "there is no way of telling named `{route}`; there are: {}",
                names.join(", ")
            ));
        }
        let number = {
            let mut number = lock(&self.test_number);
            *number += 1;
            *number
        };
        let now = now_ms();
        let notice = Notice {
            key: format!("test/{now}/{number}"),
            kind: Kind::Test,
            priority: Priority::Low,
            at_ms: now,
            subject: "Test: this way of telling works".to_owned(),
            body: format!("{who} asked for this message. Nothing is wrong.\n"),
        };
        desk.queue
            .say(&notice, Some(route), now)
            .map_err(|error| format!("the queue of messages can't be written: {error}"))?;
        drop(desk);
        self.shared.wake.notify_all();
        Ok(())
    }

    /// What stands with each way.
    pub fn states(&self) -> rusqlite::Result<Vec<RouteState>> {
        lock(&self.shared.desk).queue.states()
    }

    /// Who was told of an alarm since a time: way and when.
    pub fn told(&self, alarm: &str, since_ms: i64) -> rusqlite::Result<Vec<(String, i64)>> {
        lock(&self.shared.desk).queue.told(alarm, since_ms)
    }

    /// The broker, for values.
    pub fn broker(&self) -> Option<&Broker> {
        self.broker.as_deref()
    }
}

impl Drop for Teller {
    fn drop(&mut self) {
        lock(&self.shared.desk).is_ending = true;
        self.shared.wake.notify_all();
        let until = Instant::now() + LAST_WAIT;
        for thread in self.threads.drain(..) {
            while !thread.is_finished() && Instant::now() < until {
                std::thread::sleep(Duration::from_millis(5));
            }
            if thread.is_finished() {
                let _ = thread.join();
            }
        }
    }
}

impl std::fmt::Debug for Teller {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Teller").field("broker", &self.broker).finish_non_exhaustive()
    }
}

/// Carries what is due by one way, until the end.
fn carry(shared: &Shared, name: &str, way: &Way, log: &Log) {
    let mut was_failing = false;
    let mut desk = lock(&shared.desk);
    while !desk.is_ending {
        let batch = match desk.queue.due(name, now_ms()) {
            Ok(Some(batch)) => batch,
            Ok(None) => {
                let wait = next_look(&desk.queue, name);
                desk = shared.wake.wait_timeout(desk, wait).unwrap_or_else(PoisonError::into_inner).0;
                continue;
            }
            Err(error) => {
                log(&format!("messages by `{name}` wait: the queue can't be read: {error}"));
                desk = shared.wake.wait_timeout(desk, LOOK).unwrap_or_else(PoisonError::into_inner).0;
                continue;
            }
        };
        drop(desk);
        let outcome = way.send(&batch.notice);
        desk = lock(&shared.desk);
        let noted = match &outcome {
            Ok(answer) => desk.queue.sent(name, &batch, answer, now_ms()),
            Err(why) => desk.queue.failed(name, why, now_ms()),
        };
        match &outcome {
            Ok(answer) if was_failing => log(&format!("messages by `{name}` go out again: {answer}")),
            Err(why) if !was_failing => {
                log(&format!("a message by `{name}` did not go out, it is tried again: {why}"))
            }
            _ => {}
        }
        was_failing = outcome.is_err();
        if let Err(error) = noted {
            log(&format!(
                "what became of a message by `{name}` can't be written, so it may come twice: {error}"
            ));
            desk = shared.wake.wait_timeout(desk, LOOK).unwrap_or_else(PoisonError::into_inner).0;
        }
    }
}

fn next_look(queue: &Queue, name: &str) -> Duration {
    match queue.next_due_ms(name) {
        Ok(Some(due)) => Duration::from_millis((due - now_ms()).clamp(1, LOOK.as_millis() as i64) as u64),
        _ => LOOK,
    }
}

/// Moves time on in the queue, until the end.
fn advance(shared: &Shared, log: &Log) {
    let mut desk = lock(&shared.desk);
    let mut trouble = None;
    while !desk.is_ending {
        let outcome = desk.queue.advance(now_ms()).err().map(|error| error.to_string());
        if outcome.is_some() && outcome != trouble {
            log(&format!(
                "repetitions of messages wait: the queue can't be written: {}",
                outcome.as_deref().unwrap_or_default()
            ));
        }
        trouble = outcome;
        let (next, waited) = shared.wake.wait_timeout(desk, LOOK).unwrap_or_else(PoisonError::into_inner);
        desk = next;
        // A wake is for the ways; time goes on in steps of its own.
        let mut left = LOOK.saturating_sub(if waited.timed_out() { LOOK } else { Duration::ZERO });
        while !desk.is_ending && !left.is_zero() {
            let begun = Instant::now();
            let (next, _) = shared.wake.wait_timeout(desk, left).unwrap_or_else(PoisonError::into_inner);
            desk = next;
            left = left.saturating_sub(begun.elapsed());
        }
    }
}

/// Asks the heartbeat's address while the station is well, until the end.
fn beat_on(shared: &Shared, beat: &Beat, every: Duration, log: &Log, is_well: &IsWell) {
    let mut n_failed = 0;
    let mut next = Instant::now();
    let mut desk = lock(&shared.desk);
    while !desk.is_ending {
        let wait = next.saturating_duration_since(Instant::now());
        if !wait.is_zero() {
            desk = shared.wake.wait_timeout(desk, wait).unwrap_or_else(PoisonError::into_inner).0;
            continue;
        }
        next = Instant::now() + every;
        drop(desk);
        let outcome = if is_well() { Some(beat.ask()) } else { None };
        desk = lock(&shared.desk);
        match outcome {
            None => {}
            Some(Ok(answer)) => {
                if n_failed >= FAILED_BEATS {
                    log(&format!("the heartbeat goes out again: {answer}"));
                }
                n_failed = 0;
            }
            Some(Err(why)) => {
                n_failed += 1;
                if n_failed == FAILED_BEATS {
                    log(&format!("the heartbeat failed {n_failed} times: {why}"));
                    let now = now_ms();
                    let notice = Notice {
                        key: format!("telling/heartbeat/{now}"),
                        kind: Kind::Telling,
                        priority: Priority::Medium,
                        at_ms: now,
                        subject: "The heartbeat does not reach its address".to_owned(),
                        body: format!(
                            "It failed {n_failed} times in a row. The last answer: {why}\nWhoever watches there will think that the station is dead.\n"
                        ),
                    };
                    if let Err(error) = desk.queue.say(&notice, None, now) {
                        log(&format!(
                            "that the heartbeat fails can't be told: the queue can't be written: {error}"
                        ));
                    }
                }
            }
        }
    }
}

fn now_ms() -> i64 {
    SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |since| i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
