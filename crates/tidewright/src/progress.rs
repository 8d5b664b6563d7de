//! A bar on the standard error that says how far long work is and how long it will still take.

use std::io::{IsTerminal, Write};
use std::sync::Mutex;
use std::time::{Duration, Instant};

use crate::arguments::ProgressChoice;

/// Columns of the bar itself.
const BAR: usize = 30;
/// The bar is drawn at most so often; more would only flicker.
const EVERY: Duration = Duration::from_millis(100);
/// Before so much work is done, what is left cannot be told.
const TELLS_FROM: f64 = 0.05;

/// The bar. Drops its line when dropped.
pub struct Progress {
    label: &'static str,
    is_on: bool,
    started: Instant,
    last: Mutex<Option<Instant>>,
}

impl Progress {
    /// A bar for `label`, drawn on a terminal or when told to.
    pub fn new(choice: ProgressChoice, label: &'static str) -> Self {
        let is_on = match choice {
            ProgressChoice::Auto => std::io::stderr().is_terminal(),
            ProgressChoice::Always => true,
            ProgressChoice::Never => false,
        };
        Progress { label, is_on, started: Instant::now(), last: Mutex::new(None) }
    }

    /// Says that `done` of `total` are done; may be called from any thread.
    pub fn tell(&self, done: usize, total: usize) {
        if !self.is_on {
            return;
        }
        let now = Instant::now();
        let Ok(mut last) = self.last.lock() else { return };
        if last.is_some_and(|last| now - last < EVERY) && done < total {
            return;
        }
        *last = Some(now);
        let line = line(self.label, done, total, now - self.started);
        let _ = write!(std::io::stderr().lock(), "\r{line}\u{1b}[K");
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if self.is_on {
            let _ = write!(std::io::stderr().lock(), "\r\u{1b}[K");
        }
    }
}

fn line(label: &str, done: usize, total: usize, spent: Duration) -> String {
    let share = if total == 0 { 1.0 } else { done as f64 / total as f64 };
    let n_full = ((share * BAR as f64) as usize).min(BAR);
    let bar = "#".repeat(n_full) + &".".repeat(BAR - n_full);
    let left = if share >= TELLS_FROM && done < total {
        format!(", {:.0} s left", (spent.as_secs_f64() * (1.0 - share) / share).ceil())
    } else {
        String::new()
    };
    format!("{label} [{bar}] {:.0} %{left}", share * 100.0)
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::line;

    #[test]
    fn tells_what_is_left_once_it_can_be_known() {
        assert_eq!(line("runs", 0, 10, Duration::ZERO), "runs [..............................] 0 %");
        assert_eq!(
            line("runs", 5, 10, Duration::from_secs(8)),
            "runs [###############...............] 50 %, 8 s left"
        );
        assert_eq!(
            line("runs", 10, 10, Duration::from_secs(9)),
            "runs [##############################] 100 %"
        );
        assert_eq!(line("runs", 0, 0, Duration::ZERO), "runs [##############################] 100 %");
    }
}
