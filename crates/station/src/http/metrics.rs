//! OpenMetrics text (the OpenMetrics specification 1.0): values of the boards, their links, and the station itself.

use std::fmt::Write as _;
use std::sync::atomic::Ordering;

use crate::app::App;
use crate::live::{LinkWord, QualityWord};
use crate::state::alarms;

/// The media type.
pub const KIND: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// A label's value, escaped.
fn escaped(text: &str) -> String {
    text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}

struct Text(String);

impl Text {
    fn family(&mut self, name: &str, kind: &str, help: &str) {
        let _ = write!(self.0, "# TYPE {name} {kind}\n# HELP {name} {help}\n");
    }

    fn sample(&mut self, name: &str, labels: &[(&str, &str)], value: f64) {
        self.0.push_str(name);
        if !labels.is_empty() {
            let labels: Vec<String> =
                labels.iter().map(|(key, value)| format!("{key}=\"{}\"", escaped(value))).collect();
            let _ = write!(self.0, "{{{}}}", labels.join(","));
        }
        let _ = writeln!(self.0, " {value}");
    }
}

/// Everything, as it is now.
pub fn text(app: &App, now_ms: i64) -> String {
    let boards = app.live().now(&app.site);
    let mut text = Text(String::new());
    text.family("tidewright_signal", "gauge", "Value of a signal in its unit; not there while it is bad.");
    for board in &boards {
        for signal in &board.signals {
            if let Some(value) = signal.value {
                text.sample(
                    "tidewright_signal",
                    &[("board", &board.name), ("signal", &signal.name), ("unit", signal.unit)],
                    value,
                );
            }
        }
    }
    text.family("tidewright_signal_quality", "gauge", "0 good, 1 uncertain, 2 bad.");
    for board in &boards {
        for signal in &board.signals {
            let quality = match signal.quality {
                QualityWord::Good => 0.0,
                QualityWord::Uncertain => 1.0,
                QualityWord::Bad => 2.0,
            };
            text.sample(
                "tidewright_signal_quality",
                &[("board", &board.name), ("signal", &signal.name)],
                quality,
            );
        }
    }
    text.family("tidewright_output", "gauge", "Output of a drive, 0 to 1.");
    for board in &boards {
        for drive in &board.drives {
            if let Some(output) = drive.output {
                let output = if drive.is_modulated { output / 100.0 } else { output };
                text.sample("tidewright_output", &[("board", &board.name), ("drive", &drive.name)], output);
            }
        }
    }
    text.family("tidewright_hand_left_seconds", "gauge", "Time left of a hand command.");
    for board in &boards {
        for drive in &board.drives {
            let left = f64::from(drive.hand_left_ms) / 1000.0;
            text.sample(
                "tidewright_hand_left_seconds",
                &[("board", &board.name), ("drive", &drive.name)],
                left,
            );
        }
    }
    text.family("tidewright_tripped", "gauge", "1 while a trip stands.");
    for board in &boards {
        for trip in &board.trips {
            let is_latched = f64::from(u8::from(trip.is_latched));
            text.sample("tidewright_tripped", &[("board", &board.name), ("trip", &trip.id)], is_latched);
        }
    }
    text.family("tidewright_board_up", "gauge", "1 while a board answers.");
    for board in &boards {
        let is_up = f64::from(u8::from(board.link.state == LinkWord::Up));
        text.sample("tidewright_board_up", &[("board", &board.name)], is_up);
    }
    text.family("tidewright_newest_age_seconds", "gauge", "Age of the newest data of a board.");
    for board in &boards {
        if let Some(newest) = board.newest_ms {
            let age = (now_ms - newest).max(0) as f64 / 1000.0;
            text.sample("tidewright_newest_age_seconds", &[("board", &board.name)], age);
        }
    }
    text.family(
        "tidewright_alarm_standing",
        "gauge",
        "Alarms that are not normal, by state of IEC 62682 and priority.",
    );
    let mut counts = std::collections::BTreeMap::<(&str, &str), u32>::new();
    for alarm in alarms(&app.book(), false) {
        *counts.entry((alarm.state, alarm.priority)).or_default() += 1;
    }
    for ((state, priority), n) in counts {
        text.sample("tidewright_alarm_standing", &[("state", state), ("priority", priority)], n.into());
    }
    let count = |of: &std::sync::atomic::AtomicU64| of.load(Ordering::Relaxed) as f64;
    for (name, help, of) in [
        ("tidewright_scans", "Scans taken in.", &app.intake.n_scans),
        ("tidewright_samples", "Samples stored durably.", &app.intake.n_samples),
        (
            "tidewright_samples_dropped",
            "Samples lost because the disk could not take them for too long.",
            &app.intake.n_dropped,
        ),
        ("tidewright_journal_entries", "Entries of boards' journals stored durably.", &app.intake.n_entries),
    ] {
        text.family(name, "counter", help);
        text.sample(&format!("{name}_total"), &[], count(of));
    }
    text.family("tidewright_store_failing", "gauge", "1 while the store cannot take what comes.");
    text.sample("tidewright_store_failing", &[], app.intake.failing.load(Ordering::Relaxed) as f64);
    text.family("tidewright_start_time_seconds", "gauge", "When the process began, s since 1970.");
    text.sample("tidewright_start_time_seconds", &[], app.started_ms as f64 / 1000.0);
    text.family("tidewright_build", "info", "Version of the program.");
    text.sample("tidewright_build_info", &[("version", env!("CARGO_PKG_VERSION"))], 1.0);
    text.0.push_str("# EOF\n");
    text.0
}

#[cfg(test)]
mod tests {
    use super::escaped;

    #[test]
    fn labels_are_escaped_as_the_specification_says() {
        assert_eq!(escaped("a\"b\\c\nd"), "a\\\"b\\\\c\\nd");
    }
}
