//! Where in the file each named thing stands, so that findings of later stages can point at it.

use std::collections::HashMap;
use std::ops::Range;

/// Byte ranges in the source text by `kind.name` (e.g. `actuator.heater`) and by `kind.name.key`.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Places {
    spans: HashMap<String, Range<usize>>,
}

impl Places {
    /// Notes a place. The first note of a key wins.
    pub fn note(&mut self, key: impl Into<String>, span: Range<usize>) {
        self.spans.entry(key.into()).or_insert(span);
    }

    /// The place of `kind.name` or `kind.name.key`; falls back to the shorter key.
    pub fn find(&self, key: &str) -> Option<Range<usize>> {
        self.spans.get(key).cloned().or_else(|| key.rsplit_once('.').and_then(|(head, _)| self.find(head)))
    }
}
