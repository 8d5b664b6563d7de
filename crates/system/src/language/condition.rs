//! Conditions of rules, alarms and derived signals:
//!
//! ```text
//! or      = and { "or" and }
//! and     = not { "and" not }
//! not     = "not" not | "(" or ")" | "true" | "false" | call | compare | name
//! call    = ( "bad" | "tripped" | "running" ) "(" name ")"
//! compare = side ( "<" | "<=" | ">" | ">=" ) side
//! side    = quantity | name | name "-" name | "apart" "(" name "," name ")"
//! ```

use super::lex::{Cursor, Token, tokens};
use super::{TextError, Word};
use crate::expr::Comparison;

/// A condition whose names are words.
#[derive(Clone, PartialEq, Debug)]
pub(crate) enum Cond {
    Constant(bool),
    Name(Word),
    Not(Box<Cond>),
    All(Vec<Cond>),
    Any(Vec<Cond>),
    Compare { left: Side, op: Comparison, right: Side },
    Bad(Word),
    Tripped(Word),
    Running(Word),
}

/// One side of a comparison.
#[derive(Clone, PartialEq, Debug)]
pub(crate) enum Side {
    Quantity(Word),
    Name(Word),
    Difference(Word, Word),
    Apart(Word, Word),
}

impl Side {
    /// Bytes in the string.
    pub(crate) fn span(&self) -> std::ops::Range<usize> {
        match self {
            Side::Quantity(word) | Side::Name(word) => word.span.clone(),
            Side::Difference(a, b) | Side::Apart(a, b) => a.span.start..b.span.end,
        }
    }
}

/// Reads a whole condition.
pub(crate) fn parse(text: &str) -> Result<Cond, TextError> {
    let all = tokens(text)?;
    if all.is_empty() {
        return Err(TextError::new(
            0..text.len(),
            "the condition is empty",
            "write a condition such as `display_temp < 25.2 degC`",
        ));
    }
    let mut cursor = Cursor::new(&all, text);
    let condition = any(&mut cursor)?;
    if let Some(token) = cursor.peek() {
        let help = match token {
            Token::Mark(')') => "this parenthesis was never opened",
            Token::Compare(_) => "compare two sides at a time and join with `and`: `a < b and b < c`",
            _ => "join conditions with `and` or `or`",
        };
        return Err(TextError::new(cursor.place(), "the condition should end here", help));
    }
    Ok(condition)
}

/// Reads a lone comparison `below 26 degC` or `above 140 mm`: which way, and the quantity.
pub(crate) fn parse_threshold(text: &str, offset: usize) -> Option<(Comparison, Word)> {
    let trimmed = text.trim_start();
    let lead = text.len() - trimmed.len();
    let (op, rest) = match trimmed.split_once(char::is_whitespace)? {
        ("below", rest) => (Comparison::Less, rest),
        ("above", rest) => (Comparison::Greater, rest),
        _ => return None,
    };
    let start = offset + lead + trimmed.len() - rest.len();
    Some((op, Word { text: rest.to_owned(), span: start..start + rest.len() }))
}

fn any(cursor: &mut Cursor<'_>) -> Result<Cond, TextError> {
    cursor.enter()?;
    let mut parts = vec![all(cursor)?];
    while cursor.word("or") {
        parts.push(all(cursor)?);
    }
    cursor.depth -= 1;
    Ok(joined(parts, Cond::Any))
}

fn all(cursor: &mut Cursor<'_>) -> Result<Cond, TextError> {
    let mut parts = vec![not(cursor)?];
    while cursor.word("and") {
        parts.push(not(cursor)?);
    }
    Ok(joined(parts, Cond::All))
}

fn joined(mut parts: Vec<Cond>, join: fn(Vec<Cond>) -> Cond) -> Cond {
    if parts.len() == 1 { parts.remove(0) } else { join(parts) }
}

fn not(cursor: &mut Cursor<'_>) -> Result<Cond, TextError> {
    if cursor.word("not") {
        cursor.enter()?;
        let inner = not(cursor)?;
        cursor.depth -= 1;
        return Ok(Cond::Not(Box::new(inner)));
    }
    if cursor.mark('(') {
        let inner = any(cursor)?;
        cursor.need_mark(')', "(a or b) and c")?;
        return Ok(inner);
    }
    let place = cursor.place();
    match cursor.peek() {
        Some(Token::Word(word)) => match word.as_str() {
            "true" | "always" => constant(cursor, true),
            "false" | "never" => constant(cursor, false),
            "bad" => call(cursor).map(Cond::Bad),
            "tripped" => call(cursor).map(Cond::Tripped),
            "running" => call(cursor).map(Cond::Running),
            "and" | "or" => Err(TextError::new(
                place,
                format!("a condition is missing before `{word}`"),
                "write one on each side: `a and b`",
            )),
            _ => comparison(cursor),
        },
        Some(Token::Quantity(_)) => comparison(cursor),
        Some(Token::Compare(_)) => Err(TextError::new(
            place,
            "the left side of the comparison is missing",
            "write it like `display_temp < 25.2 degC`",
        )),
        Some(Token::Mark(mark)) => Err(TextError::new(
            place,
            format!("`{mark}` cannot stand here"),
            "write a name, a comparison, or a condition in parentheses",
        )),
        None => Err(TextError::new(
            place,
            "the condition ends too early",
            "write a name or a comparison here, such as `display_temp < 25.2 degC`",
        )),
    }
}

fn constant(cursor: &mut Cursor<'_>, value: bool) -> Result<Cond, TextError> {
    cursor.next();
    Ok(Cond::Constant(value))
}

fn call(cursor: &mut Cursor<'_>) -> Result<Word, TextError> {
    const EXAMPLE: &str = "bad(display_temp)";
    cursor.next();
    cursor.need_mark('(', EXAMPLE)?;
    let name = cursor.need_name(EXAMPLE)?;
    cursor.need_mark(')', EXAMPLE)?;
    Ok(name)
}

fn comparison(cursor: &mut Cursor<'_>) -> Result<Cond, TextError> {
    let left = side(cursor)?;
    let Some(Token::Compare(op)) = cursor.peek().cloned() else {
        return match left {
            Side::Name(word) => Ok(Cond::Name(word)),
            other => Err(TextError::new(
                other.span(),
                "this is a number, not a condition",
                "compare it with something: `apart(a, b) > 1 K`",
            )),
        };
    };
    cursor.next();
    Ok(Cond::Compare { left, op, right: side(cursor)? })
}

fn side(cursor: &mut Cursor<'_>) -> Result<Side, TextError> {
    const EXAMPLE: &str = "apart(first_probe, second_probe) > 1 K";
    if let Some(Token::Quantity(text)) = cursor.peek() {
        let span = cursor.place();
        cursor.next();
        return Ok(Side::Quantity(Word { text: text.clone(), span }));
    }
    if cursor.word("apart") {
        cursor.need_mark('(', EXAMPLE)?;
        let left = cursor.need_name(EXAMPLE)?;
        cursor.need_mark(',', EXAMPLE)?;
        let right = cursor.need_name(EXAMPLE)?;
        cursor.need_mark(')', EXAMPLE)?;
        return Ok(Side::Apart(left, right));
    }
    let left = cursor.need_name("display_temp < 25.2 degC")?;
    if cursor.mark('-') {
        let right = cursor.need_name("display_temp - room_temp > 2 K")?;
        return Ok(Side::Difference(left, right));
    }
    Ok(Side::Name(left))
}
