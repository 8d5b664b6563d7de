//! Opening a system file for a command: what is wrong with it is told, and the command goes on only with a whole system.

use std::path::Path;

use serde_json::Value;
use system::{Diagnostic, Level, System, render};

use crate::console::Console;
use crate::{json, wrap};

/// A file that was read.
pub struct Opened {
    /// The system.
    pub system: System,
    /// Its text, for findings of later stages.
    pub source: String,
    /// The name by which it was asked for.
    pub name: String,
    /// Warnings and notes of reading.
    pub findings: Vec<Diagnostic>,
}

/// Reads the file. None: something is wrong with it, and was told in the form that `command` answers in.
pub fn open(path: &Path, command: &str, console: &mut Console) -> Option<Opened> {
    let name = path.display().to_string();
    let file = system::load_file(path);
    match file.loaded.system {
        Some(system) => Some(Opened { system, source: file.source, name, findings: file.loaded.diagnostics }),
        None => {
            refuse(command, &file.loaded.diagnostics, &name, &file.source, console);
            None
        }
    }
}

/// Tells findings that end a command: as its answer in JSON, else on the standard error.
pub fn refuse(command: &str, findings: &[Diagnostic], name: &str, source: &str, console: &mut Console) {
    if console.is_json() {
        let value = render::diagnostics_json(findings, name, source);
        console.print_json(&json::answer(command, value));
    } else {
        let text = render::plain(findings, name, source, console.has_error_color());
        console.print_error(&wrap::folded(&text, console.width));
    }
}

/// Errors first, then warnings, then notes; else in the given order.
pub fn worst_first(mut findings: Vec<Diagnostic>) -> Vec<Diagnostic> {
    findings.sort_by_key(|finding| std::cmp::Reverse(finding.level));
    findings
}

/// Whether anything is more than a note.
pub fn has_findings(findings: &[Diagnostic]) -> bool {
    findings.iter().any(|finding| finding.level > Level::Note)
}

impl Opened {
    /// Findings as text for the standard output.
    pub fn plain(&self, findings: &[Diagnostic], console: &Console) -> String {
        let text = render::plain(findings, &self.name, &self.source, console.has_color());
        wrap::folded(&text, console.width)
    }

    /// Findings as JSON fields: `file`, `errors`, `warnings`, `notes`, `findings`.
    pub fn json(&self, findings: &[Diagnostic]) -> Value {
        render::diagnostics_json(findings, &self.name, &self.source)
    }
}
