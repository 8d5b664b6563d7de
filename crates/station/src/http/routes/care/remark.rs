//! What is to be said of a measurement or a plan, as it goes out.

use serde::Serialize;
use system::{Diagnostic, Level};
use utoipa::ToSchema;

/// Something to be said, with what to do about it.
#[derive(Serialize, ToSchema, Debug, Clone)]
pub(super) struct RemarkBody {
    /// Which, in kebab case: docs/care-findings.md lists all of them.
    id: &'static str,
    /// `error`, `warning` or `note`.
    level: &'static str,
    /// What, one sentence.
    text: String,
    /// Numbers and sources behind it.
    facts: Vec<String>,
    /// What to do about it.
    #[serde(skip_serializing_if = "Option::is_none")]
    help: Option<String>,
}

impl From<Diagnostic> for RemarkBody {
    fn from(found: Diagnostic) -> Self {
        let level = match found.level {
            Level::Error => "error",
            Level::Warning => "warning",
            Level::Note => "note",
        };
        RemarkBody { id: found.id, level, text: found.message, facts: found.notes, help: found.help }
    }
}

impl RemarkBody {
    /// That something is not known, and why.
    pub(super) fn unknown(why: impl std::fmt::Display) -> Self {
        RemarkBody { id: "not-known", level: "note", text: why.to_string(), facts: vec![], help: None }
    }
}

/// Findings as they go out.
pub(super) fn remarks(found: impl IntoIterator<Item = Diagnostic>) -> Vec<RemarkBody> {
    found.into_iter().map(RemarkBody::from).collect()
}
