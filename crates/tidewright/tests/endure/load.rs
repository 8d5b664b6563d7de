//! People and programs that ask all the time: notes, hand commands, logs, metrics. What is acknowledged is noted.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use serde_json::json;

use crate::client::{Answer, Client};
use crate::mix;
use crate::tanks;

/// First time of the log that is brought in: 2020-01-01T00:00:00Z, ms.
pub const LOG_BASE_MS: i64 = 1_577_836_800_000;
/// Points of one log.
const POINTS: i64 = 20;

/// The value of the log's k-th point, thousandths.
pub fn point(k: i64) -> i64 {
    25_000 + (mix(k as u64) % 500) as i64
}

/// What the station said it has.
#[derive(Clone, Debug, Default)]
pub struct Acknowledged {
    /// Number and text of notes.
    pub notes: Vec<(i64, String)>,
    /// Number and reason of commands, and whether the board did it.
    pub orders: Vec<(i64, String, bool)>,
    /// Commands whose outcome was not written down yet when they were answered.
    pub late: Vec<(i64, String, bool)>,
    /// Points of the log, by number: from, to before.
    pub points: Vec<(i64, i64)>,
    /// Samples of boards and entries of their journals that are durable, since the start of this process.
    pub samples: u64,
    pub entries: u64,
    /// Samples that were dropped.
    pub dropped: u64,
    /// Requests that were refused because the store could not take them.
    pub n_refused: u64,
}

/// The load; dropped, it ends.
pub struct Load {
    told: Arc<Mutex<Acknowledged>>,
    is_over: Arc<AtomicBool>,
    threads: Vec<JoinHandle<()>>,
}

/// What each asker needs.
#[derive(Clone)]
struct Asker {
    client: Client,
    told: Arc<Mutex<Acknowledged>>,
    is_over: Arc<AtomicBool>,
}

impl Asker {
    fn note(&self, change: impl FnOnce(&mut Acknowledged)) {
        change(&mut self.told.lock().unwrap_or_else(PoisonError::into_inner));
    }

    /// Asks until the end. What is no answer is none: the station is dead, or about to be.
    fn run(
        &self,
        mut ask: impl FnMut(&Client, u64) -> std::io::Result<Answer>,
        acknowledged: impl Fn(&Self, u64, &Answer),
    ) {
        let mut k = 0;
        while !self.is_over.load(Ordering::Relaxed) {
            match ask(&self.client, k) {
                Ok(answer) if answer.status == 200 => {
                    acknowledged(self, k, &answer);
                    k += 1;
                }
                Ok(answer) if answer.status == 503 => {
                    self.note(|told| told.n_refused += 1);
                    std::thread::sleep(Duration::from_millis(20));
                }
                Ok(answer) if answer.status == 429 => std::thread::sleep(Duration::from_millis(30)),
                Ok(answer) => panic!("{}: {}", answer.status, answer.text()),
                Err(_) => std::thread::sleep(Duration::from_millis(5)),
            }
        }
    }
}

impl Load {
    /// Begins to ask; `from` tells apart what several loads write.
    pub fn start(client: &Client, from: u64, n_boards: usize) -> Load {
        let told = Arc::<Mutex<Acknowledged>>::default();
        let is_over = Arc::<AtomicBool>::default();
        let asker = Asker { client: client.clone(), told: told.clone(), is_over: is_over.clone() };
        let mut threads = vec![];
        let mut spawn = |run: Box<dyn FnOnce(Asker) + Send>| {
            let asker = asker.clone();
            threads.push(std::thread::spawn(move || run(asker)));
        };
        spawn(Box::new(move |asker| notes(&asker, from)));
        for n in 0..n_boards {
            spawn(Box::new(move |asker| hands(&asker, from, n)));
        }
        spawn(Box::new(move |asker| logs(&asker, from)));
        spawn(Box::new(|asker| metrics(&asker)));
        Load { told, is_over, threads }
    }

    /// What is acknowledged until now.
    pub fn told(&self) -> Acknowledged {
        self.told.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Ends it.
    pub fn end(mut self) -> Acknowledged {
        self.join();
        self.told()
    }

    fn join(&mut self) {
        self.is_over.store(true, Ordering::Relaxed);
        for thread in self.threads.drain(..) {
            let ended = thread.join();
            assert!(ended.is_ok() || std::thread::panicking(), "an asker met an answer that should not be");
        }
    }
}

impl Drop for Load {
    fn drop(&mut self) {
        self.join();
    }
}

fn notes(asker: &Asker, from: u64) {
    let text = |k: u64| format!("note {from}-{k}");
    asker.run(
        |client, k| client.post("/api/v1/notes", &json!({ "text": text(k) })),
        |asker, k, answer| {
            let id = answer.json()["id"].as_i64().expect("a number");
            asker.note(|told| told.notes.push((id, text(k))));
        },
    );
}

fn hands(asker: &Asker, from: u64, board: usize) {
    let path = format!("/api/v1/boards/{}/hand", tanks::name(board));
    let why = |k: u64| format!("hand {from}-{board}-{k}");
    asker.run(
        |client, k| {
            // Into hand and back again, so that the board's journal has something to tell.
            let order = match k % 2 {
                0 => json!({ "drive": "hood_fan", "value": 1, "minutes": 5, "why": why(k) }),
                _ => json!({ "drive": "hood_fan", "why": why(k) }),
            };
            client.post(&path, &order)
        },
        |asker, k, answer| {
            let order = answer.json();
            let id = order["id"].as_i64().expect("a number");
            // A board that is not there yet is told as that, and written down as that.
            let is_done = order["status"] == "done";
            // An outcome that the disk could not take yet is said to be so.
            let is_late =
                order["detail"].as_str().is_some_and(|detail| detail.contains("not written down yet"));
            asker.note(|told| {
                let list = if is_late { &mut told.late } else { &mut told.orders };
                list.push((id, why(k), is_done));
            });
            if order["status"] != "done" {
                std::thread::sleep(Duration::from_millis(20));
            }
        },
    );
}

fn logs(asker: &Asker, from: u64) {
    let first = |k: u64| (from as i64 * 10_000 + k as i64) * POINTS;
    asker.run(
        |client, k| {
            let mut log = "time,source,series,value,unit,quality\r\n".to_owned();
            for k in first(k)..first(k) + POINTS {
                let time = LOG_BASE_MS / 1000 + k;
                let value = point(k) as f64 / 1000.0;
                log.push_str(&format!("{time},log,temperature,{value:.3},degC,good\r\n"));
            }
            client.ask("POST", "/api/v1/import?name=log&zone=UTC0&preview=false", "text/csv", &log)
        },
        |asker, k, answer| {
            assert_eq!(answer.json()["is_stored"], true, "{}", answer.text());
            asker.note(|told| told.points.push((first(k), first(k) + POINTS)));
        },
    );
}

fn metrics(asker: &Asker) {
    asker.run(
        |client, _| {
            std::thread::sleep(Duration::from_millis(60));
            client.get("/metrics")
        },
        |asker, _, answer| {
            let text = answer.text();
            let of = |name: &str| {
                let line = text.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix("_total "));
                line.and_then(|number| number.parse::<f64>().ok()).expect("it is counted") as u64
            };
            asker.note(|told| {
                told.samples = of("tidewright_samples");
                told.entries = of("tidewright_journal_entries");
                told.dropped = of("tidewright_samples_dropped");
            });
        },
    );
}
