//! Free lines with names and values: `Temp: 25.3 C, pH=8.12 heater=ON`.
//!
//! A name ends with `=` or `:`. Before `=` it is one word unless a comma, semicolon, bar or tab stands before it; before `:` it is all
//! words since the value before. A value is one word, a number may have its unit behind it. Times, `[INFO]` and the like at the
//! beginning of a line are no values.

use super::{Clock, Form, LONGEST_NAME, MOST_VALUES, Outcome, Printed, Reason, Refusal, Value, name, token};

/// What ends a name or a value for sure.
const HARD: [char; 4] = [',', ';', '|', '\t'];

pub(super) fn line(text: &str, form: &Form, clock: &mut Clock) -> Outcome {
    let (mut time, text) = prefix(text, clock);
    let (mut values, mut troubles) = (vec![], vec![]);
    let mut rest = text;
    while let Some(separator) = separator(rest) {
        let (before, after) = (&rest[..separator.start], &rest[separator.end..]);
        let (cell, behind) = cut_value(after, form.decimal_comma);
        rest = behind;
        let Some((name, unit_of_name)) = name(name_text(before, separator.is_colon)) else { continue };
        if values.len() == MOST_VALUES {
            troubles.push(Refusal::from(Reason::TooManyValues));
            break;
        }
        match token::value(cell, form.decimal_comma) {
            Err(()) => troubles.push(Refusal { reason: Reason::UnclearComma, detail: Some(name) }),
            Ok(None) => {}
            Ok(Some((value, mut unit))) => {
                if form.is_time(&name) {
                    time = clock.read_any(cell).or(time);
                    continue;
                }
                if unit.is_none() && matches!(value, Value::Number(_)) {
                    let (behind, found) = unit_behind(rest);
                    if found.is_some() {
                        rest = behind;
                    }
                    unit = found.or(unit_of_name);
                }
                values.push(Printed { name, value, unit, time: None });
            }
        }
    }
    if values.is_empty() && troubles.is_empty() {
        return Outcome::Refused(Reason::NothingNamed.into());
    }
    for value in &mut values {
        value.time = time;
    }
    Outcome::Values(values, troubles)
}

/// Takes times and `[INFO]` off the beginning.
pub(super) fn prefix<'a>(text: &'a str, clock: &mut Clock) -> (Option<i64>, &'a str) {
    let mut rest = text.trim_start();
    let mut time = None;
    for _ in 0..4 {
        if let Some((inside, behind)) = rest.strip_prefix('[').and_then(|rest| rest.split_once(']')) {
            if inside.contains(['=', '{', '[']) || inside.chars().count() > 40 {
                break;
            }
            time = time.or_else(|| clock.read(inside));
            rest = behind.trim_start_matches([' ', '\t', ':', '-', ',', ';']);
            continue;
        }
        let Some((found, behind)) = leading_time(rest, clock) else { break };
        time = time.or(found);
        rest = behind;
    }
    (time, rest)
}

/// A time at the beginning, in up to three words, and what is behind it.
fn leading_time<'a>(text: &'a str, clock: &mut Clock) -> Option<(Option<i64>, &'a str)> {
    if !text.starts_with(|c: char| c.is_ascii_digit()) {
        return None;
    }
    let is_end = |c: char| c.is_whitespace() || ",;|".contains(c);
    let ends: Vec<usize> =
        text.char_indices().filter(|(_, c)| is_end(*c)).map(|(at, _)| at).take(4).collect();
    let behind = |at: usize| text[at..].trim_start_matches([' ', '\t', ',', ';', '|', '-']);
    for at in ends.iter().rev() {
        if let Some(time) = clock.read(text[..*at].trim_end_matches(':')) {
            return Some((Some(time), behind(*at)));
        }
    }
    // A time of day or a date alone tells nothing to reckon with, and is no value either.
    let first = *ends.first()?;
    let word = text[..first].trim_end_matches(':');
    let is_time_like =
        word.contains([':', '-', '/']) && word.chars().all(|c| c.is_ascii_digit() || ":-/.".contains(c));
    is_time_like.then(|| (None, behind(first)))
}

struct Separator {
    start: usize,
    end: usize,
    is_colon: bool,
}

/// The first `=` or `:` that ends a name; a colon between digits is of a time, one before `//` of an address.
fn separator(text: &str) -> Option<Separator> {
    let bytes = text.as_bytes();
    let digit = |at: usize| bytes.get(at).is_some_and(u8::is_ascii_digit);
    let mut at = 0;
    while at < bytes.len() {
        match bytes[at] {
            b'=' => {
                let end = at + 1 + bytes[at + 1..].iter().take_while(|b| matches!(b, b'=' | b'>')).count();
                return Some(Separator { start: at, end, is_colon: false });
            }
            b':' if bytes.get(at + 1) == Some(&b'=') => {
                return Some(Separator { start: at, end: at + 2, is_colon: false });
            }
            b':' if bytes.get(at + 1) == Some(&b'/') => {}
            b':' if at > 0 && digit(at - 1) && digit(at + 1) && !is_name_before(&text[..at]) => {}
            b':' => return Some(Separator { start: at, end: at + 1, is_colon: true }),
            _ => {}
        }
        at += 1;
    }
    None
}

/// `t1:25` is a name and a value, `12:25` a time.
fn is_name_before(text: &str) -> bool {
    let word = text.rsplit(|c: char| c.is_whitespace() || HARD.contains(&c)).next().unwrap_or_default();
    word.starts_with(|c: char| c.is_alphabetic() || c == '_') && !word.contains(':')
}

/// The part before a separator that is the name.
fn name_text(before: &str, is_colon: bool) -> &str {
    let after_hard = before.rfind(HARD).map_or(before, |at| &before[at + 1..]);
    let is_hard = after_hard.len() != before.len();
    // A bracket that closes before the name closes something else.
    let text = after_hard.trim().trim_start_matches([')', ']', '}', '-', '*', '>', '.']).trim_start();
    let is_long = text.chars().count() > LONGEST_NAME;
    if !is_long && (is_colon || is_hard) {
        return text;
    }
    text.rsplit(char::is_whitespace).next().unwrap_or(text)
}

/// A value at the beginning, and what is behind it.
fn cut_value(text: &str, decimal_comma: bool) -> (&str, &str) {
    let text = text.trim_start_matches([' ', '\t']);
    if let Some(quote) = text.chars().next().filter(|c| *c == '"' || *c == '\'')
        && let Some(end) = text[1..].find(quote)
    {
        return text.split_at(end + 2);
    }
    let bytes = text.as_bytes();
    let digit = |at: usize| bytes.get(at).is_some_and(u8::is_ascii_digit);
    let end = text.char_indices().find_map(|(at, c)| {
        // The comma of `25,3` stays: whether it is a decimal's is asked later.
        let is_in_number = c == ',' && at > 0 && digit(at - 1) && digit(at + 1) && {
            let next = text[at + 1..].find(|c: char| !c.is_ascii_digit()).map(|n| bytes[at + 1 + n]);
            decimal_comma || !matches!(next, Some(b'=' | b':'))
        };
        let ends = c.is_whitespace() || ";|)]}=".contains(c) || c == ',' && !is_in_number;
        ends.then_some(at)
    });
    text.split_at(end.unwrap_or(text.len()))
}

/// A unit behind a number: a word that is one, and that is no name.
fn unit_behind(text: &str) -> (&str, Option<String>) {
    let trimmed = text.trim_start_matches(' ');
    let end = trimmed.find(|c: char| c.is_whitespace() || ",;|)]}=:".contains(c)).unwrap_or(trimmed.len());
    let (word, behind) = trimmed.split_at(end);
    let is_name = behind.trim_start_matches(' ').starts_with(['=', ':']);
    if word.is_empty() || is_name || !token::may_be_unit(word) || token::unit(word).is_none() {
        return (text, None);
    }
    (behind, Some(word.to_owned()))
}
