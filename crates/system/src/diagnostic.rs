//! The one finding type of the whole tool: stable id, severity, terse message, places, notes, help. Rendering is separate.

use std::ops::Range;

/// How bad a finding is.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Level {
    /// For information.
    Note,
    /// Should be looked at; the command still succeeds with exit 1.
    Warning,
    /// Something is wrong.
    Error,
}

/// A place in the file with what is there.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Annotation {
    /// Byte range in the source text.
    pub span: Range<usize>,
    /// What is there; may be empty.
    pub label: String,
}

/// One finding.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Diagnostic {
    /// Stable kebab-case id, e.g. `unknown-key`, `sump-overflows-on-stop`.
    pub id: &'static str,
    /// How bad.
    pub level: Level,
    /// One sentence without a final period.
    pub message: String,
    /// Places; the first is the primary one.
    pub annotations: Vec<Annotation>,
    /// Further facts: the calculation, its source.
    pub notes: Vec<String>,
    /// What would be right.
    pub help: Option<String>,
    /// Named part it is about (`display`, `heater`), for grouping and acceptance.
    pub subject: Option<String>,
}

impl Diagnostic {
    /// A finding without places yet.
    pub fn new(id: &'static str, level: Level, message: impl Into<String>) -> Self {
        Diagnostic {
            id,
            level,
            message: message.into(),
            annotations: vec![],
            notes: vec![],
            help: None,
            subject: None,
        }
    }
    /// An error.
    pub fn error(id: &'static str, message: impl Into<String>) -> Self {
        Self::new(id, Level::Error, message)
    }
    /// A warning.
    pub fn warning(id: &'static str, message: impl Into<String>) -> Self {
        Self::new(id, Level::Warning, message)
    }
    /// A note.
    pub fn note_level(id: &'static str, message: impl Into<String>) -> Self {
        Self::new(id, Level::Note, message)
    }
    /// Adds a place; ignored when there is none.
    #[must_use]
    pub fn at(mut self, span: Option<Range<usize>>, label: impl Into<String>) -> Self {
        if let Some(span) = span {
            self.annotations.push(Annotation { span, label: label.into() });
        }
        self
    }
    /// Adds a fact.
    #[must_use]
    pub fn note(mut self, note: impl Into<String>) -> Self {
        self.notes.push(note.into());
        self
    }
    /// Says what would be right.
    #[must_use]
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }
    /// Names the part.
    #[must_use]
    pub fn subject(mut self, subject: impl Into<String>) -> Self {
        self.subject = Some(subject.into());
        self
    }
}
