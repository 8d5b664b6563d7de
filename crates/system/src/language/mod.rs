//! The two small languages inside strings of the file, from text to syntax trees with places. Names and units are looked at
//! later, by `resolve`: here a name is only a word.
//!
//! Contract: no input panics or recurses deeper than [`DEEPEST`]; every error has a place inside the text and a cure.

pub(crate) mod condition;
pub(crate) mod formula;
pub(crate) mod lex;

use std::ops::Range;

/// Deepest nesting of parentheses, negations and temporal operators.
pub(crate) const DEEPEST: usize = 40;

/// A word of the text.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Word {
    /// As written.
    pub text: String,
    /// Bytes in the string.
    pub span: Range<usize>,
}

/// What is wrong with a text.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct TextError {
    /// Bytes in the string.
    pub span: Range<usize>,
    /// What is wrong.
    pub message: String,
    /// What would be right.
    pub help: String,
}

impl TextError {
    pub(crate) fn new(span: Range<usize>, message: impl Into<String>, help: impl Into<String>) -> Self {
        TextError { span, message: message.into(), help: help.into() }
    }
}
