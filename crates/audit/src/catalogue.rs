//! All findings of the audit by id: what each is about and which formula stands behind it. docs/findings.md says more.

/// One kind of finding.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Entry {
    /// Stable id.
    pub id: &'static str,
    /// What it says, in a line.
    pub says: &'static str,
}

/// All kinds, sorted by id.
pub const ALL: &[Entry] = &[];
