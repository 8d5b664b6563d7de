//! Catalogues of findings: a crate that finds something lists each kind by id, and its page in `docs/` is written from the list.

use std::fmt::Write as _;

/// One kind of finding.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Entry {
    /// Stable id.
    pub id: &'static str,
    /// What it says, in a line.
    pub says: &'static str,
    /// Formula and source; "-" where it is a plain look at the file.
    pub basis: &'static str,
    /// What mends it.
    pub cure: &'static str,
}

/// An entry of a list.
pub const fn entry(id: &'static str, says: &'static str, basis: &'static str, cure: &'static str) -> Entry {
    Entry { id, says, basis, cure }
}

/// A page of Markdown: what it is about, then each kind under its id.
pub fn page(heading: &str, about: &str, all: &[Entry]) -> String {
    let mut page = format!("# {heading}\n\n{about}\n");
    for entry in all {
        let _ = write!(
            page,
            "\n### `{}`\n\n{}\n\n- Basis: {}\n- Cure: {}\n",
            entry.id, entry.says, entry.basis, entry.cure
        );
    }
    page
}
