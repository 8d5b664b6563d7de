//! Tokens of conditions and requirements. A number takes its unit along, so that units are read in one place only (`units`).

use std::ops::Range;

use super::TextError;
use crate::expr::Comparison;

/// One token.
#[derive(Clone, PartialEq, Debug)]
pub(crate) enum Token {
    /// A name, a keyword, or names joined by points.
    Word(String),
    /// A number with whatever unit follows it.
    Quantity(String),
    /// A comparison.
    Compare(Comparison),
    /// One of `( ) [ ] , -`.
    Mark(char),
}

/// A token with its bytes.
pub(crate) type Placed = (Token, Range<usize>);

/// Words that no part or signal may be named by.
pub(crate) const RESERVED: &[&str] = &[
    "and",
    "or",
    "not",
    "implies",
    "true",
    "false",
    "always",
    "never",
    "eventually",
    "until",
    "apart",
    "bad",
    "tripped",
    "running",
    "first_scan",
    "range",
    "rise",
    "fall",
    "time",
    "below",
    "above",
    "by",
    "hand",
    "per",
    "day",
    "when",
    "floor",
    "on",
    "off",
];

const ENDS_QUANTITY: &[&str] = &["and", "or", "implies", "until", "not"];

/// Splits a text into tokens.
pub(crate) fn tokens(text: &str) -> Result<Vec<Placed>, TextError> {
    let mut all = vec![];
    let mut at = 0;
    while let Some(c) = text[at..].chars().next() {
        let start = at;
        let next = text[at + c.len_utf8()..].chars().next();
        if c.is_whitespace() {
            at += c.len_utf8();
            continue;
        }
        let token = if c.is_ascii_alphabetic() || c == '_' {
            at += text[at..]
                .find(|c: char| !(c.is_ascii_alphanumeric() || c == '_' || c == '.'))
                .unwrap_or(text.len() - at);
            Token::Word(text[start..at].to_owned())
        } else if c.is_ascii_digit()
            || (matches!(c, '-' | '+' | '.') && next.is_some_and(|n| n.is_ascii_digit()))
        {
            at = quantity_end(text, start);
            Token::Quantity(text[start..at].to_owned())
        } else if c == '<' || c == '>' {
            at += 1;
            let equal = next == Some('=');
            at += usize::from(equal);
            Token::Compare(match (c, equal) {
                ('<', false) => Comparison::Less,
                ('<', true) => Comparison::LessEqual,
                ('>', false) => Comparison::Greater,
                _ => Comparison::GreaterEqual,
            })
        } else if matches!(c, '(' | ')' | '[' | ']' | ',' | '-') {
            at += 1;
            Token::Mark(c)
        } else {
            let end = start + c.len_utf8();
            let (message, help) = match c {
                '=' | '!' | '≠' => (
                    "equality cannot be asked of a measured value".to_owned(),
                    "compare with `<`, `<=`, `>` or `>=`; a two-state signal stands alone: `pump`, `not pump`",
                ),
                '&' | '|' => (format!("`{c}` is not understood"), "write `and`, `or`, `not`"),
                _ => (
                    format!("`{}` is not understood", c.escape_debug()),
                    "a condition has names, comparisons with quantities, `and`, `or`, `not` and parentheses",
                ),
            };
            return Err(TextError::new(start..end, message, help));
        };
        all.push((token, start..at));
    }
    Ok(all)
}

/// A quantity runs to the next mark, comparison or joining word.
fn quantity_end(text: &str, start: usize) -> usize {
    let rest = &text[start..];
    let limit = rest.find(['(', ')', '[', ']', ',', '<', '>', '=', '!', '&', '|']).unwrap_or(rest.len());
    let mut end = limit;
    let mut from = 0;
    for word in rest[..limit].split_whitespace() {
        // `split_whitespace` gives subslices in order, so the search from here finds this very word.
        let at = from + rest[from..].find(word).unwrap_or(0);
        if ENDS_QUANTITY.contains(&word) {
            end = at;
            break;
        }
        from = at + word.len();
    }
    start + rest[..end].trim_end().len()
}

/// Walks over tokens.
pub(crate) struct Cursor<'t> {
    tokens: &'t [Placed],
    at: usize,
    length: usize,
    /// How deep the nesting is.
    pub depth: usize,
}

impl<'t> Cursor<'t> {
    pub(crate) fn new(tokens: &'t [Placed], text: &str) -> Self {
        Cursor { tokens, at: 0, length: text.len(), depth: 0 }
    }

    pub(crate) fn peek(&self) -> Option<&'t Token> {
        self.tokens.get(self.at).map(|(token, _)| token)
    }

    /// Place of the next token; the end of the text when there is none.
    pub(crate) fn place(&self) -> Range<usize> {
        self.tokens.get(self.at).map_or(self.length..self.length, |(_, span)| span.clone())
    }

    pub(crate) fn next(&mut self) -> Option<&'t Placed> {
        let token = self.tokens.get(self.at);
        self.at += usize::from(token.is_some());
        token
    }

    /// Takes the word if it stands next.
    pub(crate) fn word(&mut self, word: &str) -> bool {
        let here = matches!(self.peek(), Some(Token::Word(w)) if w == word);
        self.at += usize::from(here);
        here
    }

    /// Takes the mark if it stands next.
    pub(crate) fn mark(&mut self, mark: char) -> bool {
        let here = self.peek() == Some(&Token::Mark(mark));
        self.at += usize::from(here);
        here
    }

    /// Takes the mark or says that it is missing.
    pub(crate) fn need_mark(&mut self, mark: char, example: &str) -> Result<(), TextError> {
        if self.mark(mark) {
            return Ok(());
        }
        Err(TextError::new(
            self.place(),
            format!("`{mark}` is missing here"),
            format!("write it like `{example}`"),
        ))
    }

    pub(crate) fn need_name(&mut self, example: &str) -> Result<super::Word, TextError> {
        let place = self.place();
        match self.next() {
            Some((Token::Word(text), span)) => Ok(super::Word { text: text.clone(), span: span.clone() }),
            _ => Err(TextError::new(place, "a name must stand here", format!("write it like `{example}`"))),
        }
    }

    pub(crate) fn need_quantity(&mut self, example: &str) -> Result<super::Word, TextError> {
        let place = self.place();
        match self.next() {
            Some((Token::Quantity(text), span)) => Ok(super::Word { text: text.clone(), span: span.clone() }),
            _ => Err(TextError::new(
                place,
                "a quantity must stand here",
                format!("write a number and a unit, like `{example}`"),
            )),
        }
    }

    /// One level deeper, or an error when it is too deep.
    pub(crate) fn enter(&mut self) -> Result<(), TextError> {
        self.depth += 1;
        if self.depth > super::DEEPEST {
            return Err(TextError::new(
                self.place(),
                "this is nested too deep",
                "give a part of it a name as a `[[signal]]` with `condition = \"...\"`",
            ));
        }
        Ok(())
    }
}
