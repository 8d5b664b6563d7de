//! Opening a system file for a command: what is wrong with it is told, and the command goes on only with a whole system.

use std::path::Path;

use serde_json::Value;
use system::{Diagnostic, Level, System, render};

use crate::console::Console;
use crate::ending::Failure;
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

/// Reads the file, with the places of the wiring lock beside it. None: something is wrong with it, and was told in the form that
/// `command` answers in.
pub fn open(path: &Path, command: &str, console: &mut Console) -> Option<Opened> {
    let mut opened = open_unlocked(path, command, console)?;
    match lock(path) {
        Ok(Some(lock)) => lock.apply(&mut opened.system),
        Ok(None) => {}
        Err(_) => opened.findings.push(
            Diagnostic::warning("lock-unreadable", format!("`{}` cannot be read", lock_path(path).display()))
                .help("write it anew: `tidewright wire --lock`"),
        ),
    }
    Some(opened)
}

/// The lock file of a system file: `system.wiring.lock` beside `system.toml`.
pub fn lock_path(path: &Path) -> std::path::PathBuf {
    path.with_extension("wiring.lock")
}

/// The wiring lock beside a system file, if there is one.
pub fn lock(path: &Path) -> Result<Option<electrics::assign::Lock>, Failure> {
    let path = lock_path(path);
    let text = match std::fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(error) => {
            return Err(Failure::new(format!("cannot read `{}`: {error}", path.display()))
                .help("check who may read it, or take it away"));
        }
    };
    electrics::assign::Lock::read(&text).map(Some).map_err(|error| {
        Failure::new(format!("`{}`: {error}", path.display()))
            .help("take it away, and plan anew with `tidewright wire --lock`")
    })
}

/// Reads the map of a joined controller for a system, with the warnings. None: something is wrong with it, and was told.
///
/// # Errors
///
/// The file cannot be read.
pub fn map(
    path: &Path,
    system: &System,
    command: &str,
    console: &mut Console,
) -> Result<Option<(shadow::Map, Vec<Diagnostic>)>, Failure> {
    let text = std::fs::read_to_string(path).map_err(|error| {
        Failure::new(format!("cannot read `{}`: {error}", path.display()))
            .help("`tidewright listen FILE --suggest MAP` writes a map to begin with")
    })?;
    let (map, findings) = shadow::Map::load(&text, system);
    if map.is_none() {
        refuse(command, &findings, &path.display().to_string(), &text, console);
    }
    Ok(map.map(|map| (map, findings)))
}

/// Reads the file alone. None as for [`open`].
pub fn open_unlocked(path: &Path, command: &str, console: &mut Console) -> Option<Opened> {
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
