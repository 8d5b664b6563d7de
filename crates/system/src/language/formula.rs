//! Requirements in signal temporal logic:
//!
//! ```text
//! formula   = or [ "implies" formula ]
//! or        = and { "or" and }
//! and       = until { "and" until }
//! until     = unary [ "until" [interval] unary ]
//! unary     = "not" unary | ( "always" | "eventually" ) [interval] unary | "(" formula ")" | predicate
//! interval  = "[" time "," time "]"
//! predicate = term ( "<" | "<=" | ">" | ">=" ) quantity | truth
//! term      = truth | ( "range" | "rise" | "fall" ) "(" truth "," time ")"
//!           | "time" "(" truth comparison quantity "," time ")"
//! truth     = name "." quantity-name
//! ```

use super::lex::{Cursor, Token, tokens};
use super::{TextError, Word};
use crate::expr::Comparison;

/// A formula whose names are words.
#[derive(Clone, PartialEq, Debug)]
pub(crate) enum Formula {
    Truth(Word),
    Compare { term: FormulaTerm, op: Comparison, constant: Word },
    Not(Box<Formula>),
    And(Vec<Formula>),
    Or(Vec<Formula>),
    Always(Option<(Word, Word)>, Box<Formula>),
    Eventually(Option<(Word, Word)>, Box<Formula>),
    Until(Option<(Word, Word)>, Box<Formula>, Box<Formula>),
}

/// Left side of a predicate.
#[derive(Clone, PartialEq, Debug)]
pub(crate) enum FormulaTerm {
    Truth(Word),
    Window { how: Window, truth: Word, window: Word },
    Time { truth: Word, op: Comparison, constant: Word, window: Word },
}

/// Sliding-window functions.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Window {
    Range,
    Rise,
    Fall,
}

const EXAMPLE: &str = "always display.temperature <= 31 degC";

/// Reads a whole requirement.
pub(crate) fn parse(text: &str) -> Result<Formula, TextError> {
    let all = tokens(text)?;
    if all.is_empty() {
        return Err(TextError::new(
            0..text.len(),
            "the requirement is empty",
            format!("write it like `{EXAMPLE}`"),
        ));
    }
    let mut cursor = Cursor::new(&all, text);
    let formula = implies(&mut cursor)?;
    if cursor.peek().is_some() {
        return Err(TextError::new(
            cursor.place(),
            "the requirement should end here",
            "join formulas with `and`, `or`, `implies` or `until`",
        ));
    }
    Ok(formula)
}

fn implies(cursor: &mut Cursor<'_>) -> Result<Formula, TextError> {
    cursor.enter()?;
    let left = or(cursor)?;
    let formula = if cursor.word("implies") {
        Formula::Or(vec![Formula::Not(Box::new(left)), implies(cursor)?])
    } else {
        left
    };
    cursor.depth -= 1;
    Ok(formula)
}

fn or(cursor: &mut Cursor<'_>) -> Result<Formula, TextError> {
    let mut parts = vec![and(cursor)?];
    while cursor.word("or") {
        parts.push(and(cursor)?);
    }
    Ok(if parts.len() == 1 { parts.remove(0) } else { Formula::Or(parts) })
}

fn and(cursor: &mut Cursor<'_>) -> Result<Formula, TextError> {
    let mut parts = vec![until(cursor)?];
    while cursor.word("and") {
        parts.push(until(cursor)?);
    }
    Ok(if parts.len() == 1 { parts.remove(0) } else { Formula::And(parts) })
}

fn until(cursor: &mut Cursor<'_>) -> Result<Formula, TextError> {
    let left = unary(cursor)?;
    if !cursor.word("until") {
        return Ok(left);
    }
    let interval = interval(cursor)?;
    Ok(Formula::Until(interval, Box::new(left), Box::new(unary(cursor)?)))
}

fn unary(cursor: &mut Cursor<'_>) -> Result<Formula, TextError> {
    cursor.enter()?;
    let formula = if cursor.word("not") {
        Formula::Not(Box::new(unary(cursor)?))
    } else if cursor.word("always") {
        Formula::Always(interval(cursor)?, Box::new(unary(cursor)?))
    } else if cursor.word("eventually") {
        Formula::Eventually(interval(cursor)?, Box::new(unary(cursor)?))
    } else if cursor.mark('(') {
        let inner = implies(cursor)?;
        cursor.need_mark(')', "always (a or b)")?;
        inner
    } else {
        predicate(cursor)?
    };
    cursor.depth -= 1;
    Ok(formula)
}

fn interval(cursor: &mut Cursor<'_>) -> Result<Option<(Word, Word)>, TextError> {
    const INTERVAL: &str = "[0 h, 2 h]";
    if !cursor.mark('[') {
        return Ok(None);
    }
    let from = cursor.need_quantity(INTERVAL)?;
    cursor.need_mark(',', INTERVAL)?;
    let to = cursor.need_quantity(INTERVAL)?;
    cursor.need_mark(']', INTERVAL)?;
    Ok(Some((from, to)))
}

fn predicate(cursor: &mut Cursor<'_>) -> Result<Formula, TextError> {
    let term = term(cursor)?;
    if let Some(op) = comparison(cursor) {
        return Ok(Formula::Compare { term, op, constant: cursor.need_quantity(EXAMPLE)? });
    }
    match term {
        FormulaTerm::Truth(word) => Ok(Formula::Truth(word)),
        _ => Err(TextError::new(
            cursor.place(),
            "a comparison must follow here",
            "write it like `range(display.temperature, 1 h) <= 1.5 K`",
        )),
    }
}

fn comparison(cursor: &mut Cursor<'_>) -> Option<Comparison> {
    match cursor.peek() {
        Some(Token::Compare(op)) => {
            cursor.next();
            Some(*op)
        }
        _ => None,
    }
}

fn term(cursor: &mut Cursor<'_>) -> Result<FormulaTerm, TextError> {
    const WINDOW: &str = "range(display.temperature, 1 h) <= 1.5 K";
    const TIME: &str = "time(display.light < 0.05, 24 h) >= 8 h";
    for (word, how) in [("range", Window::Range), ("rise", Window::Rise), ("fall", Window::Fall)] {
        if cursor.word(word) {
            cursor.need_mark('(', WINDOW)?;
            let truth = cursor.need_name(WINDOW)?;
            cursor.need_mark(',', WINDOW)?;
            let window = cursor.need_quantity(WINDOW)?;
            cursor.need_mark(')', WINDOW)?;
            return Ok(FormulaTerm::Window { how, truth, window });
        }
    }
    if cursor.word("time") {
        cursor.need_mark('(', TIME)?;
        let truth = cursor.need_name(TIME)?;
        let place = cursor.place();
        let op = comparison(cursor).ok_or_else(|| {
            TextError::new(place, "a comparison must stand here", format!("write it like `{TIME}`"))
        })?;
        let constant = cursor.need_quantity(TIME)?;
        cursor.need_mark(',', TIME)?;
        let window = cursor.need_quantity(TIME)?;
        cursor.need_mark(')', TIME)?;
        return Ok(FormulaTerm::Time { truth, op, constant, window });
    }
    let place = cursor.place();
    match cursor.peek() {
        Some(Token::Quantity(_)) => Err(TextError::new(
            place,
            "the quantity stands on the right of a comparison",
            format!("turn it round: `{EXAMPLE}`"),
        )),
        _ => cursor.need_name(EXAMPLE).map(FormulaTerm::Truth),
    }
}
