//! Findings of the compiler: places, and values that a program cannot hold.

use program::codec::MAX_DURATION_MS;
use system::{Diagnostic, Level};

use crate::lower::Lowering;

const MS: f64 = 1e3;

impl Lowering<'_> {
    /// Notes a finding about a key of a named thing; `key` is `kind.name.key` as [`system::places::Places`] has it.
    pub(crate) fn report(&mut self, finding: Diagnostic, key: &str, label: &str) {
        let subject = key.split('.').nth(1).map(str::to_owned);
        let finding = finding.at(self.system.places.find(key), label);
        let finding = match subject {
            Some(subject) if finding.subject.is_none() => finding.subject(subject),
            _ => finding,
        };
        if !self.findings.contains(&finding) {
            self.findings.push(finding);
        }
    }

    /// Seconds to ms as a program holds them.
    pub(crate) fn ms(&mut self, seconds: f64, key: &str) -> i32 {
        let ms = (seconds * MS).round();
        if ms > f64::from(MAX_DURATION_MS) {
            const DAYS: i32 = MAX_DURATION_MS / 86_400_000;
            self.report(
                Diagnostic::error("time-too-long", format!("the board cannot time more than {DAYS} days"))
                    .help(format!("write a time of at most {DAYS} d")),
                key,
                "",
            );
            return MAX_DURATION_MS;
        }
        ms.max(0.0) as i32
    }

    /// Whether anything found keeps the program from being made.
    pub(crate) fn has_errors(&self) -> bool {
        self.findings.iter().any(|finding| finding.level == Level::Error)
    }
}
