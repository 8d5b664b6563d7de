//! Showing findings: plain text in the manner of good compilers, and JSON of a documented, versioned shape.

use std::fmt::Write as _;
use std::ops::Range;

use serde_json::{Value, json};

use crate::diagnostic::{Diagnostic, Level};

/// Version of the JSON shape; it counts up when a field changes its meaning or goes away.
pub const JSON_VERSION: u32 = 1;

/// A place in the text as people count: lines and columns from 1, columns in characters.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Position {
    /// From 1.
    pub line: usize,
    /// From 1, in characters.
    pub column: usize,
}

/// Line and column of a byte of the source; bytes beyond the text count as its end.
pub fn position(source: &str, byte: usize) -> Position {
    let byte = floor_boundary(source, byte);
    let before = &source[..byte];
    let line_start = before.rfind('\n').map_or(0, |at| at + 1);
    Position { line: before.matches('\n').count() + 1, column: source[line_start..byte].chars().count() + 1 }
}

fn floor_boundary(source: &str, byte: usize) -> usize {
    let mut byte = byte.min(source.len());
    while !source.is_char_boundary(byte) {
        byte -= 1;
    }
    byte
}

/// Escape sequences of a terminal, or nothing.
struct Paint {
    on: bool,
}

impl Paint {
    fn put(&self, code: &str, text: &str) -> String {
        if self.on { format!("\u{1b}[{code}m{text}\u{1b}[0m") } else { text.to_owned() }
    }
    fn level(&self, level: Level, text: &str) -> String {
        self.put(
            match level {
                Level::Error => "1;31",
                Level::Warning => "1;33",
                Level::Note => "1;36",
            },
            text,
        )
    }
    fn margin(&self, text: &str) -> String {
        self.put("1;34", text)
    }
    fn strong(&self, text: &str) -> String {
        self.put("1", text)
    }
}

/// The word of a level.
pub fn level_word(level: Level) -> &'static str {
    match level {
        Level::Note => "note",
        Level::Warning => "warning",
        Level::Error => "error",
    }
}

/// All findings as text, each followed by an empty line, and a closing line with their numbers. Empty when there are none.
pub fn plain(findings: &[Diagnostic], file_name: &str, source: &str, color: bool) -> String {
    let paint = Paint { on: color };
    let mut out = String::new();
    for finding in findings {
        one(&mut out, finding, file_name, source, &paint);
        out.push('\n');
    }
    if let Some(counts) = counts(findings) {
        let _ = writeln!(out, "{}", paint.strong(&format!("{file_name}: {counts}")));
    }
    out
}

/// `2 errors, 1 warning`; None when there is nothing.
fn counts(findings: &[Diagnostic]) -> Option<String> {
    let count = |level| findings.iter().filter(|finding| finding.level == level).count();
    let parts: Vec<String> = [Level::Error, Level::Warning, Level::Note]
        .into_iter()
        .filter_map(|level| match count(level) {
            0 => None,
            1 => Some(format!("1 {}", level_word(level))),
            n => Some(format!("{n} {}s", level_word(level))),
        })
        .collect();
    (!parts.is_empty()).then(|| parts.join(", "))
}

/// Lines that a finding touches, each with what is marked in it.
type Marked<'d> = Vec<(usize, Vec<(Range<usize>, &'d str, bool)>)>;

fn one(out: &mut String, finding: &Diagnostic, file_name: &str, source: &str, paint: &Paint) {
    let head = format!("{}[{}]", level_word(finding.level), finding.id);
    let message = one_line(&finding.message);
    let _ = writeln!(out, "{}{}", paint.level(finding.level, &head), paint.strong(&format!(": {message}")));
    let marked = marked_lines(finding, source);
    let width = marked.iter().map(|(line, _)| line.to_string().len()).max().unwrap_or(1);
    let margin = |out: &mut String, number: &str, rest: &str| {
        let bar = paint.margin(&format!("{number:>width$} |"));
        let _ = writeln!(out, "{}", format!("{bar} {rest}").trim_end());
    };
    if let Some(first) = finding.annotations.first() {
        let Position { line, column } = position(source, first.span.start);
        let arrow = paint.margin(&format!("{:>width$}-->", ""));
        let _ = writeln!(out, "{arrow} {file_name}:{line}:{column}");
        margin(out, "", "");
    } else {
        let arrow = paint.margin(&format!("{:>width$}-->", ""));
        let _ = writeln!(out, "{arrow} {file_name}");
    }
    let mut last = None;
    for (line, marks) in &marked {
        if last.is_some_and(|last| last + 1 < *line) {
            let _ = writeln!(out, "{}", paint.margin("..."));
        }
        last = Some(*line);
        let text = source.lines().nth(line - 1).unwrap_or("");
        margin(out, &line.to_string(), &visible(text));
        for (columns, label, primary) in marks {
            let sign = if *primary { "^" } else { "-" };
            let marks = sign.repeat(columns.len().max(1));
            let under = format!("{marks} {}", one_line(label)).trim_end().to_owned();
            let under = if *primary { paint.level(finding.level, &under) } else { paint.margin(&under) };
            margin(out, "", &format!("{}{under}", " ".repeat(columns.start)));
        }
    }
    let notes =
        finding.notes.iter().map(|note| ("note", note)).chain(finding.help.iter().map(|help| ("help", help)));
    for (word, text) in notes {
        let bar = paint.margin(&format!("{:>width$} =", ""));
        let _ = writeln!(out, "{bar} {} {}", paint.strong(&format!("{word}:")), one_line(text));
    }
}

/// Columns to mark by line, lines in order. A place that spans lines is marked in its first.
fn marked_lines<'d>(finding: &'d Diagnostic, source: &str) -> Marked<'d> {
    let mut lines: Marked<'d> = vec![];
    for (i, annotation) in finding.annotations.iter().enumerate() {
        let start = position(source, annotation.span.start);
        let end = position(source, annotation.span.end.max(annotation.span.start));
        let text = source.lines().nth(start.line - 1).unwrap_or("");
        let widths: Vec<usize> = text.chars().map(|c| visible_char(c).chars().count()).collect();
        let column = |chars: usize| widths.iter().take(chars).sum::<usize>();
        let to = if end.line == start.line { end.column - 1 } else { widths.len() };
        let columns = column(start.column - 1)..column(to);
        let mark = (columns, annotation.label.as_str(), i == 0);
        match lines.iter_mut().find(|(line, _)| *line == start.line) {
            Some((_, marks)) => marks.push(mark),
            None => lines.push((start.line, vec![mark])),
        }
    }
    lines.sort_by_key(|(line, _)| *line);
    lines
}

/// Control characters made visible, so that no file can move the cursor of a terminal.
fn visible_char(c: char) -> String {
    match c {
        '\t' => "    ".to_owned(),
        c if c.is_control() || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}') => {
            "\u{fffd}".to_owned()
        }
        c => c.to_string(),
    }
}

fn visible(text: &str) -> String {
    text.chars().map(visible_char).collect()
}

/// A text without line breaks and control characters.
fn one_line(text: &str) -> String {
    visible(&text.replace(['\n', '\r'], " "))
}

/// All findings as JSON:
///
/// ```json
/// { "version": 1, "file": "system.toml", "errors": 1, "warnings": 0, "notes": 0,
///   "findings": [ { "id": "unknown-key", "level": "error", "message": "...", "subject": "display", "help": "...",
///                   "notes": ["..."],
///                   "places": [ { "start": 12, "end": 17, "line": 2, "column": 3, "end_line": 2, "end_column": 8,
///                                 "label": "..." } ] } ] }
/// ```
///
/// `start` and `end` are bytes, lines and columns count from 1; `subject` and `help` may be null.
pub fn diagnostics_json(findings: &[Diagnostic], file_name: &str, source: &str) -> Value {
    let count = |level| findings.iter().filter(|finding| finding.level == level).count();
    json!({
        "version": JSON_VERSION,
        "file": file_name,
        "errors": count(Level::Error),
        "warnings": count(Level::Warning),
        "notes": count(Level::Note),
        "findings": findings.iter().map(|finding| finding_json(finding, source)).collect::<Vec<_>>(),
    })
}

fn finding_json(finding: &Diagnostic, source: &str) -> Value {
    let places: Vec<Value> = finding
        .annotations
        .iter()
        .map(|annotation| {
            let (start, end) =
                (position(source, annotation.span.start), position(source, annotation.span.end));
            json!({
                "start": annotation.span.start, "end": annotation.span.end,
                "line": start.line, "column": start.column, "end_line": end.line, "end_column": end.column,
                "label": annotation.label,
            })
        })
        .collect();
    json!({
        "id": finding.id,
        "level": level_word(finding.level),
        "message": finding.message,
        "subject": finding.subject,
        "help": finding.help,
        "notes": finding.notes,
        "places": places,
    })
}
