//! What became of every line: counts, and for each reason why one was not understood the first example. Nothing is lost silently.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// Longest example that is kept, characters.
const SHOWN: usize = 120;

/// Why a line, or a value in it, was not taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reason {
    /// Longer than [`crate::lines::LONGEST_LINE`].
    TooLong,
    /// Its beginning or end was not heard.
    Partial,
    /// Bytes that are no text: another speed, or a loose wire.
    NotText,
    /// A remark, `#` before it.
    Remark,
    /// No value with a name in it.
    NothingNamed,
    /// Begins like JSON and is none.
    BrokenJson,
    /// JSON in a list that is no SenML.
    BrokenSenml,
    /// Another number of columns than the header or the map has.
    OtherColumns,
    /// `25,3` may be a decimal or two values.
    UnclearComma,
    /// More values in one line than a controller prints.
    TooManyValues,
    /// More names than are kept.
    TooManyNames,
}

impl Reason {
    /// The word of it in JSON.
    pub fn word(self) -> &'static str {
        match self {
            Reason::TooLong => "too-long",
            Reason::Partial => "partial",
            Reason::NotText => "not-text",
            Reason::Remark => "remark",
            Reason::NothingNamed => "nothing-named",
            Reason::BrokenJson => "broken-json",
            Reason::BrokenSenml => "broken-senml",
            Reason::OtherColumns => "other-columns",
            Reason::UnclearComma => "unclear-comma",
            Reason::TooManyValues => "too-many-values",
            Reason::TooManyNames => "too-many-names",
        }
    }

    /// What happened and what to do, a sentence without a final period.
    pub fn sentence(self) -> &'static str {
        match self {
            Reason::TooLong => "longer than 16 KiB; print shorter lines",
            Reason::Partial => "a piece of a line, where the connection began or broke; nothing to do",
            Reason::NotText => "no text; check the speed of the serial line and its ground wire",
            Reason::Remark => "remarks, left out",
            Reason::NothingNamed => {
                "no value with a name; print `name=value`, or name the columns in the map (`columns`)"
            }
            Reason::BrokenJson => "begins like JSON and is none, or is longer than 256 lines or 32 KiB",
            Reason::BrokenSenml => "a list in JSON that is no SenML (RFC 8428)",
            Reason::OtherColumns => "another number of columns than the header or the map has",
            Reason::UnclearComma => {
                "a comma between digits; write `decimal_comma = true` into the map if it is that of a decimal"
            }
            Reason::TooManyValues => "more than 256 values in one line",
            Reason::TooManyNames => "more than 256 names; is the name a number that changes?",
        }
    }

    /// Whether somebody should look at it: remarks and pieces are as they should be.
    pub fn is_trouble(self) -> bool {
        !matches!(self, Reason::Remark | Reason::Partial)
    }
}

/// One reason, counted.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Rejected {
    /// How often.
    pub n: u64,
    /// Number of the first such line, from 1.
    pub line: u64,
    /// What stood there, shortened.
    pub example: String,
    /// What exactly is wrong with that one, where more can be said.
    pub detail: Option<String>,
}

/// What became of all lines.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tally {
    /// Lines heard; empty ones do not count.
    pub n_lines: u64,
    /// Lines that gave a value, or that belong to one that did, or that are a header.
    pub n_understood: u64,
    /// Values taken.
    pub n_values: u64,
    /// The others, by reason.
    pub rejected: BTreeMap<Reason, Rejected>,
}

impl Tally {
    /// Counts what was not taken.
    pub fn reject(&mut self, reason: Reason, line: u64, text: &str, detail: Option<String>) {
        let place = self.rejected.entry(reason);
        place.and_modify(|known| known.n += 1).or_insert_with(|| Rejected {
            n: 1,
            line,
            example: shortened(text),
            detail: detail.as_deref().map(shortened),
        });
    }

    /// Lines and values that somebody should look at.
    pub fn n_trouble(&self) -> u64 {
        self.rejected.iter().filter(|(reason, _)| reason.is_trouble()).map(|(_, rejected)| rejected.n).sum()
    }
}

fn shortened(text: &str) -> String {
    if text.chars().count() <= SHOWN {
        return text.to_owned();
    }
    text.chars().take(SHOWN - 1).chain(['…']).collect()
}
