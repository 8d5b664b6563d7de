//! Looks after the station's own threads, and tells systemd that all is well (sd_notify; without systemd it does nothing).

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread::JoinHandle;
use std::time::Duration;

use tokio::sync::watch;

use crate::app::{App, now_ms};

/// The thread that takes in goes round at least this often, ms; a disk that is slow to sync may take seconds.
pub const LONGEST_ROUND_MS: i64 = 60_000;
const EVERY: Duration = Duration::from_secs(5);

/// Watches until the station ends, or until a thread has died; then says which.
pub async fn watch(
    app: Arc<App>,
    threads: &[(&'static str, JoinHandle<()>)],
    mut end: watch::Receiver<bool>,
) -> Result<(), String> {
    let mut was_stuck = false;
    loop {
        tokio::select! {
            _ = end.wait_for(|end| *end) => return Ok(()),
            () = tokio::time::sleep(EVERY) => {}
        }
        if let Some((name, _)) = threads.iter().find(|(_, thread)| thread.is_finished()) {
            return Err(format!(
                "the part `{name}` of the station has died; the station ends, so that whoever started it starts it again"
            ));
        }
        let silent_ms = now_ms() - app.intake.alive_ms.load(Ordering::Relaxed);
        let is_stuck = silent_ms > LONGEST_ROUND_MS;
        if is_stuck != was_stuck {
            if is_stuck {
                eprintln!(
                    "nothing was taken in for {} s: the disk hangs, or the station does",
                    silent_ms / 1000
                );
            } else {
                eprintln!("it is taken in again");
            }
            was_stuck = is_stuck;
        }
        if !is_stuck {
            tell_systemd("WATCHDOG=1");
        }
    }
}

/// Tells systemd something (sd_notify(3)); nothing happens where nobody listens.
pub fn tell_systemd(what: &str) {
    #[cfg(unix)]
    if let Some(path) = std::env::var_os("NOTIFY_SOCKET")
        && let Ok(socket) = std::os::unix::net::UnixDatagram::unbound()
    {
        // A service manager that does not listen is no reason to stop.
        let _ = socket.send_to(what.as_bytes(), path);
    }
    #[cfg(not(unix))]
    let _ = what;
}
