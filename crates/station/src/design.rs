//! What the design routes share: how much of the machine they may take, and what is kept of studies. The boards come first.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use std::time::Duration;

use tokio::sync::{OwnedSemaphorePermit, Semaphore, oneshot, watch};
use workbench::study::{Kept, NoStudy, Wish};

use crate::app::{App, now_ms};
use crate::fitted::study_text;
use crate::http::problem::Problem;
use crate::weighing;

/// Looks that are worked out at once.
const MOST_LOOKS: usize = 2;
/// How much studies stand back behind everything else of the machine, as `nice` counts.
const NICE: i32 = 15;
/// From so many processors on one is left alone by studies.
const SPARES_ONE_FROM: usize = 3;

/// Places for design work.
#[derive(Debug)]
pub struct Design {
    /// For what takes a moment.
    pub looks: Semaphore,
    /// For what takes all that is free of the machine: one at a time.
    pub studies: Arc<Semaphore>,
    /// What is kept of studies.
    pub kept: Arc<Kept>,
    /// The station's own study of a board gives way to whoever waits.
    give_way: Arc<AtomicBool>,
}

impl Default for Design {
    fn default() -> Self {
        Design {
            looks: Semaphore::new(MOST_LOOKS),
            studies: Arc::new(Semaphore::new(1)),
            kept: Arc::new(Kept::default()),
            give_way: Arc::default(),
        }
    }
}

/// So long after the start, and so often, the station looks whether the designs of its boards are studied.
const LOOKS_EVERY: Duration = Duration::from_secs(60);
/// So long a study waits for the one before it to end.
const WAITS: Duration = Duration::from_secs(20);
const DAY_MS: i64 = 86_400_000;

impl Design {
    /// Waits until no other study runs; nothing when that takes too long.
    pub async fn turn(&self) -> Option<OwnedSemaphorePermit> {
        self.give_way.store(true, Ordering::Relaxed);
        tokio::time::timeout(WAITS, self.studies.clone().acquire_owned()).await.ok()?.ok()
    }
}

/// How everything is studied now.
pub fn wish(corners: Option<bool>) -> Wish {
    Wish {
        corners: corners.unwrap_or(true),
        today: Some(now_ms().div_euclid(DAY_MS)),
        n_threads: study_threads(),
    }
}

/// Studies what the boards run, when nobody else wants a study, so that the night view and the pages have it.
pub async fn study_boards(app: Arc<App>, mut stopped: watch::Receiver<bool>) {
    let give_way = app.design.give_way.clone();
    let _guard = StopOnDrop(give_way.clone());
    let mut unfit: Vec<usize> = vec![];
    loop {
        tokio::select! {
            () = tokio::time::sleep(LOOKS_EVERY) => {}
            _ = stopped.changed() => return,
        }
        for (n, board) in app.site.boards.iter().enumerate() {
            let (text, beside, wish) = (study_text(&app, board), board.beside(), wish(None));
            if unfit.contains(&n) || app.design.kept.known(&text, &beside, wish).is_some() {
                continue;
            }
            let Ok(place) = app.design.studies.clone().try_acquire_owned() else { break };
            give_way.store(false, Ordering::Relaxed);
            let (kept, stop) = (app.design.kept.clone(), give_way.clone());
            let (done, ended) = oneshot::channel();
            let work = move || kept.study(&text, &beside, wish, &stop, &|_| {}).map(drop);
            let begun = stand_back(place, work, |result| {
                // The station may have ended meanwhile.
                let _ = done.send(result);
            });
            if begun.is_err() {
                break;
            }
            tokio::select! {
                result = ended => match result {
                    Ok(Some(Ok(()) | Err(NoStudy::Stopped))) => {}
                    _ => unfit.push(n),
                },
                _ = stopped.changed() => return,
            }
        }
        tokio::select! {
            () = compare_what_was_sent(&app, &give_way) => {}
            _ = stopped.changed() => return,
        }
    }
}

/// Compares revisions that were sent before they were compared with what ran, as long as nobody else wants a study.
async fn compare_what_was_sent(app: &Arc<App>, give_way: &Arc<AtomicBool>) {
    let waiting = app.blocking(|app| {
        let of = app.site.boards.iter().map(|board| weighing::waiting(app, board));
        Ok(of
            .collect::<store::Result<Vec<_>>>()
            .map_err(Problem::store)?
            .into_iter()
            .flatten()
            .collect::<Vec<_>>())
    });
    for (weighing, of) in waiting.await.unwrap_or_default() {
        let Ok(place) = app.design.studies.clone().try_acquire_owned() else { return };
        give_way.store(false, Ordering::Relaxed);
        let (kept, stop) = (app.design.kept.clone(), give_way.clone());
        let (done, ended) = oneshot::channel();
        let work = move || weighing::catch_up(&kept, weighing, &of, &stop);
        let begun = stand_back(place, work, |result| {
            // The station may have ended meanwhile.
            let _ = done.send(result);
        });
        if begun.is_err() {
            return;
        }
        let Ok(Some(Ok(weighing))) = ended.await else { return };
        // A disk that cannot take it now is asked again in the next round.
        let _ = app.blocking(move |app| weighing::keep(&app.store, &weighing).map_err(Problem::store)).await;
    }
}

/// Threads of a study.
fn study_threads() -> usize {
    match std::thread::available_parallelism().map_or(1, std::num::NonZero::get) {
        n if n >= SPARES_ONE_FROM => n - 1,
        n => n,
    }
}

/// Sets a flag when it is dropped: work ends when nobody waits for it any more.
#[derive(Debug)]
pub struct StopOnDrop(pub Arc<AtomicBool>);

impl Drop for StopOnDrop {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

/// Runs long work on a thread of its own that stands back behind the boards; it holds its place until the work has ended. `ended` gets the
/// result, or nothing when the work broke off.
///
/// # Errors
/// When the machine has no thread left.
pub fn stand_back<T: Send + 'static>(
    place: OwnedSemaphorePermit,
    work: impl FnOnce() -> T + Send + 'static,
    ended: impl FnOnce(Option<T>) + Send + 'static,
) -> std::io::Result<()> {
    std::thread::Builder::new().name("study".to_owned()).spawn(move || {
        lower_priority();
        let result = catch_unwind(AssertUnwindSafe(work)).ok();
        drop(place);
        ended(result);
    })?;
    Ok(())
}

/// On Linux a priority is a thread's own, and threads that it starts have it too.
#[cfg(target_os = "linux")]
pub(crate) fn lower_priority() {
    // Where it is refused, the study runs as everything else does.
    let _ = rustix::process::setpriority_process(None, NICE);
}

#[cfg(not(target_os = "linux"))]
pub(crate) fn lower_priority() {
    let _ = NICE;
}
