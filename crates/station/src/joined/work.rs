//! The thread of one joined controller: from what its line brings to samples in the store, the shadow, the alarm of silence and what is
//! told of it.

use std::collections::BTreeMap;
use std::sync::atomic::Ordering;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

use alarms::{Act, Condition, Definition, Origin, Peril, Priority};
use shadow::map::{How, Meaning, unit_of};
use shadow::run::Kept;
use shadow::{Printed, Reader, Shadow, Value, words};
use store::{Quality, Sample, SeriesId, SeriesSpec};
use system::model::Scale;

use super::Joined;
use super::line::Heard;
use super::now::JoinedNow;
use crate::app::{App, now_ms};
use crate::ingest::write_down;
use crate::site::SiteJoined;

/// How long to wait for more.
const WAIT: Duration = Duration::from_millis(250);
/// Between two tellings of what is now.
const TELL: Duration = Duration::from_secs(1);
/// Samples are handed over so often.
const STORE: Duration = Duration::from_secs(1);
/// What the shadow knows is kept so often: a flash card is not worn out by it.
const KEEP: Duration = Duration::from_secs(300);
/// Between two looks whether it is silent.
const LOOK: Duration = Duration::from_secs(5);
/// Samples that wait while the disk cannot take them.
const MOST_SAMPLES: usize = 50_000;
/// Names that the map does not have and that are logged all the same.
const MOST_UNMAPPED: usize = 64;
/// Decimals that are kept of them.
const UNMAPPED_SCALE: f64 = 1e-3;
/// Differences that are written into the log of events in a day; more are only summed up.
const EVENTS_A_DAY: u64 = 200;
const DAY_MS: i64 = 86_400_000;
/// Scans wait so long for values that are under way, ms.
const UNDER_WAY_MS: i64 = 1_000;

/// A series of the log.
#[derive(Debug)]
struct Logged {
    id: SeriesId,
    /// Time of its last sample.
    last: i64,
}

/// The thread's own.
pub(super) struct Worker {
    app: Arc<App>,
    joined: Arc<Joined>,
    shadow: Shadow,
    reader: Reader,
    /// By the series' name; None: the store refuses it.
    series: BTreeMap<String, Option<Logged>>,
    n_unmapped: usize,
    samples: Vec<Sample>,
    now: JoinedNow,
    silent_ms: i64,
    started_ms: i64,
    is_alarmed: bool,
    /// Differences that were told as events.
    n_told: u64,
    /// The day of the log's quota, and how many events it has.
    quota: (i64, u64),
}

fn key(name: &str) -> String {
    format!("joined/{name}")
}

impl Worker {
    pub fn new(app: Arc<App>, site: &SiteJoined, joined: Arc<Joined>) -> Result<Worker, String> {
        let name = &site.settings.name;
        let mut shadow = Shadow::new(site.system.clone(), site.map.clone()).map_err(|findings| {
            let first = findings.first().map_or("", |finding| finding.message.as_str());
            format!("the rules beside {name} do not compile: {first}")
        })?;
        let kept = app.store.setting(&key(name)).ok().flatten();
        let kept: Option<Kept> = kept.and_then(|text| serde_json::from_str(&text).ok());
        if let Some(kept) = kept
            && !shadow.resume(kept)
        {
            let what = "the rules, the map or the program have changed: the shadow begins anew";
            let _ = app.store.add_event(now_ms(), name, "shadow", what);
        }
        let now = JoinedNow {
            name: name.clone(),
            system: site.system.name.clone(),
            line: site.settings.line.to_string(),
            line_since_ms: app.started_ms,
            why: Some("not connected yet".to_owned()),
            ..JoinedNow::default()
        };
        let reader = Reader::joined(&site.map.form);
        let mut worker = Worker {
            n_told: total(&shadow),
            silent_ms: site.settings.silent.as_millis() as i64,
            started_ms: app.started_ms,
            app,
            joined,
            shadow,
            reader,
            series: BTreeMap::new(),
            n_unmapped: 0,
            samples: vec![],
            now,
            is_alarmed: false,
            quota: (0, 0),
        };
        worker.is_alarmed = worker.stands();
        worker.tell();
        Ok(worker)
    }

    pub fn run(mut self, inbox: &Receiver<Heard>) {
        let begun = Instant::now();
        let (mut told, mut stored, mut kept, mut looked) = (begun, begun, begun, begun);
        while !self.joined.is_over() {
            match inbox.recv_timeout(WAIT) {
                Ok(heard) => {
                    self.take(heard);
                    while let Ok(heard) = inbox.try_recv() {
                        self.take(heard);
                        if self.samples.len() >= MOST_SAMPLES / 2 {
                            break;
                        }
                    }
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break,
            }
            self.shadow.advance(now_ms() - UNDER_WAY_MS);
            if stored.elapsed() >= STORE {
                stored = Instant::now();
                self.store();
                self.log_differences();
            }
            if looked.elapsed() >= LOOK {
                looked = Instant::now();
                self.look();
            }
            if told.elapsed() >= TELL {
                told = Instant::now();
                self.tell();
            }
            if kept.elapsed() >= KEEP {
                kept = Instant::now();
                self.keep();
            }
        }
        self.store();
        self.log_differences();
        self.keep();
    }

    fn take(&mut self, heard: Heard) {
        let mut all = vec![];
        let at = match heard {
            Heard::Bytes(bytes, at) => {
                self.reader.push(&bytes, Some(at), &mut |printed| all.push(printed));
                at
            }
            Heard::Message(topic, payload, at) => {
                self.reader.message(&topic, &payload, Some(at), &mut |printed| all.push(printed));
                at
            }
            Heard::Up => return self.line(true, None),
            Heard::Down(why) => {
                let at = now_ms();
                self.reader.broke(Some(at), &mut |printed| all.push(printed));
                self.line(false, Some(why));
                at
            }
            Heard::Lost(n) => {
                self.now.n_lost += n;
                return;
            }
            Heard::ResetTrips => return self.shadow.reset_trips(),
        };
        // Of several values of one name that came together the newest counts.
        for (n, printed) in all.iter().enumerate() {
            if all[n + 1..].iter().all(|later| later.name != printed.name) {
                self.value(printed, at);
            }
        }
    }

    fn line(&mut self, is_up: bool, why: Option<String>) {
        if self.now.is_up == is_up && self.now.why == why {
            return;
        }
        let at = now_ms();
        let words = why.as_ref().map_or("heard".to_owned(), |why| format!("not heard: {why}"));
        if self.now.is_up != is_up || self.now.line_since_ms == self.started_ms {
            let _ = self.app.store.add_event(at, &self.joined.name, "link", &words);
            self.now.line_since_ms = at;
        }
        (self.now.is_up, self.now.why) = (is_up, why);
        self.tell();
    }

    fn value(&mut self, printed: &Printed, at: i64) {
        if !self.shadow.take(printed, at) {
            self.unmapped(printed, at);
            return;
        }
        self.now.newest_ms = Some(at);
        let system = self.shadow.system().clone();
        let map = self.shadow.map();
        let readings = map.readings.iter().filter(|reading| reading.printed == printed.name).map(|reading| {
            let sensor = &system.sensors[reading.sensor.idx()];
            let scale = system.signals[sensor.signal.idx()].scale;
            (sensor.name.clone(), scale, reading.how.meaning(printed, scale))
        });
        let outputs = map.outputs.iter().filter(|output| output.printed == printed.name).map(|output| {
            let name = system.actuators[output.actuator.idx()].name.clone();
            let scale = if matches!(output.how, How::Switch { .. }) { Scale::Bool } else { Scale::Permille };
            (name, scale, output.how.meaning(printed, Scale::Permille))
        });
        let all: Vec<(String, Scale, Meaning)> = readings.chain(outputs).collect();
        for (name, scale, meaning) in all {
            let (value, quality) = match meaning {
                Meaning::Value(value) => (value, Quality::Good),
                Meaning::NoReading | Meaning::Unclear => (0, Quality::Bad),
            };
            let (unit, per_unit) = unit_of(scale);
            self.sample(&name, unit, 1.0 / per_unit, scale == Scale::Bool, at, value.into(), quality);
        }
    }

    /// A name that the map does not have is logged as it is printed, if it is a number.
    fn unmapped(&mut self, printed: &Printed, at: i64) {
        let Value::Number(number) = printed.value else { return };
        let name = format!("printed {}", printed.name);
        if !self.series.contains_key(&name) {
            if self.n_unmapped == MOST_UNMAPPED {
                return;
            }
            self.n_unmapped += 1;
        }
        let counts = (number / UNMAPPED_SCALE).round();
        if counts.abs() < store::LARGEST_VALUE as f64 {
            let unit = printed.unit.clone().unwrap_or_default();
            self.sample(&name, &unit, UNMAPPED_SCALE, false, at, counts as i64, Quality::Good);
        }
    }

    #[allow(clippy::too_many_arguments)]
    fn sample(
        &mut self,
        name: &str,
        unit: &str,
        scale: f64,
        is_switch: bool,
        at: i64,
        value: i64,
        quality: Quality,
    ) {
        if !self.series.contains_key(name) {
            let spec = SeriesSpec {
                source: self.joined.name.clone(),
                name: name.to_owned(),
                unit: unit.to_owned(),
                scale,
                interval: self.shadow.map().every_ms,
                is_switch,
            };
            let made = self.app.store.series(&spec).map(|id| Logged { id, last: i64::MIN });
            if let Err(error) = &made {
                let what = format!("{name} is not logged: {error}");
                let _ = self.app.store.add_event(at, &self.joined.name, "log", &what);
            }
            self.series.insert(name.to_owned(), made.ok());
        }
        let Some(Some(logged)) = self.series.get_mut(name) else { return };
        // Lines that came in one piece have one time; a time has one value.
        let time = at.max(logged.last.saturating_add(1));
        if time > at + 1_000 {
            return;
        }
        logged.last = time;
        self.samples.push(Sample { series: logged.id, time, value, quality });
    }

    /// Hands the samples over; what the disk cannot take waits, in bounded number.
    fn store(&mut self) {
        self.log_ours();
        if self.samples.is_empty() {
            return;
        }
        let samples = std::mem::take(&mut self.samples);
        match self.app.store.append(samples.clone()) {
            Ok(appended) => {
                self.app.intake.n_samples.fetch_add(appended.new, Ordering::Relaxed);
            }
            Err(error) if error.may_pass() => {
                let n_over = samples.len().saturating_sub(MOST_SAMPLES);
                self.app.intake.n_dropped.fetch_add(n_over as u64, Ordering::Relaxed);
                self.samples = samples.into_iter().skip(n_over).collect();
            }
            Err(error) => eprintln!("samples of {} are not taken: {error}", self.joined.name),
        }
    }

    /// What the rules would have set stands beside what the controller did, once for each time that something came.
    fn log_ours(&mut self) {
        let Some(at) = self.now.newest_ms else { return };
        if !self.shadow.is_running() {
            return;
        }
        let system = self.shadow.system().clone();
        let names: Vec<(String, bool)> = (self.shadow.map().outputs.iter())
            .map(|output| {
                let it = &system.actuators[output.actuator.idx()];
                (format!("rules {}", it.name), it.modulated)
            })
            .collect();
        for ((name, is_modulated), now) in names.into_iter().zip(self.shadow.now()) {
            let Some(ours) = now.ours else { continue };
            if self
                .series
                .get(&name)
                .is_some_and(|known| known.as_ref().is_some_and(|known| known.last >= at))
            {
                continue;
            }
            let (unit, scale, value) =
                if is_modulated { ("%", 0.1, ours) } else { ("", 1.0, i32::from(ours > 0)) };
            self.sample(&name, unit, scale, !is_modulated, at, value.into(), Quality::Good);
        }
    }

    /// Differences that have ended become events, a bounded number a day.
    fn log_differences(&mut self) {
        let n = total(&self.shadow);
        let n_new = (n - self.n_told.min(n)) as usize;
        if n_new == 0 {
            return;
        }
        self.n_told = n;
        let sums = self.shadow.sums();
        let at = now_ms();
        let day = at.div_euclid(DAY_MS);
        if self.quota.0 != day {
            self.quota = (day, 0);
        }
        let from = sums.differences.len().saturating_sub(n_new);
        for difference in &sums.differences[from..] {
            self.quota.1 += 1;
            let text = match self.quota.1 {
                ..EVENTS_A_DAY => words::difference(self.shadow.system(), difference),
                EVENTS_A_DAY => "more differences came today; the sums have them all".to_owned(),
                _ => break,
            };
            let when = difference.to_ms.unwrap_or(at);
            if self.app.store.add_event(when, &self.joined.name, "difference", &text).is_err() {
                break;
            }
        }
    }

    fn alarm(&self) -> String {
        format!("station/{}/silent", self.joined.name)
    }

    fn stands(&self) -> bool {
        let book = self.app.book();
        book.alarm(&self.alarm()).is_some_and(|view| view.state.needs_attention())
    }

    /// Whether it is silent, and the alarm of that.
    fn look(&mut self) {
        let at = now_ms();
        let since = self.now.newest_ms.unwrap_or(self.started_ms);
        self.now.is_silent = at - since > self.silent_ms;
        if self.now.is_silent == self.is_alarmed {
            return;
        }
        self.is_alarmed = self.now.is_silent;
        let definition = Definition {
            id: self.alarm(),
            text: format!(
                "The joined controller {} is silent: nothing of its map comes any more",
                self.joined.name
            ),
            priority: Priority::Medium,
            peril: Peril::Blind,
            origin: Origin::Station,
            on_delay_ms: 0,
            off_delay_ms: 0,
            is_latching: false,
            group: None,
            suppressed_during: vec![],
        };
        let now = if self.is_alarmed { Condition::Holds } else { Condition::Gone };
        let changes = {
            let mut book = self.app.book.lock().unwrap_or_else(PoisonError::into_inner);
            let mut changes = book.define_one(definition, at);
            changes.extend(book.apply(at, Act::Condition { alarm: self.alarm(), now }).unwrap_or_default());
            changes
        };
        if let Err(error) = write_down(&self.app, &changes) {
            eprintln!("an alarm of {} could not be written down: {error}", self.joined.name);
        }
    }

    fn tell(&mut self) {
        self.now.take(&self.shadow, self.reader.tally());
        self.joined.tell(self.now.clone());
    }

    fn keep(&mut self) {
        let Ok(text) = serde_json::to_string(&self.shadow.keep()) else { return };
        if let Err(error) = self.app.store.set_setting(&key(&self.joined.name), &text) {
            eprintln!("what is known of {} could not be kept: {error}", self.joined.name);
        }
    }
}

/// Differences that have ended so far.
fn total(shadow: &Shadow) -> u64 {
    let sums = shadow.sums();
    sums.n_dropped + sums.differences.len() as u64
}
