//! Reading a quantity from text: `380 L`, `25degC`, `1 1/2 in`, `1 h 30 min`, `8.0 dKH`.

use std::ops::Range;

use crate::error::nearest_unit;
use crate::table::{UNITS, Unit};
use crate::{Kind, Problem, Quantity, UnitError};

/// The longest text that is read; anything longer is not a quantity.
const LONGEST: usize = 80;

pub(crate) fn parse(text: &str, expected: Option<Kind>) -> Result<Quantity, UnitError> {
    let trimmed = text.trim();
    if trimmed.is_empty() {
        return Err(UnitError::new(0..text.len(), Problem::Empty));
    }
    if trimmed.len() > LONGEST {
        return Err(UnitError::new(0..text.len(), Problem::TooLong(LONGEST)));
    }
    let end = text.trim_end().len();
    let mut reader = Reader { text: &text[..end], at: text.len() - text.trim_start().len() };

    let mut sum = reader.part(expected)?;
    while reader.at < end {
        let start = reader.at;
        let next = reader.part(expected.or(Some(sum.kind)).filter(|kind| adds_up(*kind)))?;
        if next.kind != sum.kind || !adds_up(sum.kind) {
            return Err(UnitError::new(start..end, Problem::CannotAdd(sum.kind, next.kind)));
        }
        // `-1 h 30 min` is minus ninety minutes.
        sum.value += if sum.value.is_sign_negative() { -next.value } else { next.value };
    }
    if !sum.value.is_finite() {
        return Err(UnitError::new(0..end, Problem::TooLarge));
    }
    Ok(sum)
}

/// The kinds that people write in parts: hours and minutes, feet and inches, pounds and ounces.
fn adds_up(kind: Kind) -> bool {
    matches!(kind, Kind::Time | Kind::Length | Kind::Mass)
}

struct Reader<'a> {
    text: &'a str,
    at: usize,
}

impl Reader<'_> {
    fn rest(&self) -> &str {
        &self.text[self.at..]
    }

    fn skip_space(&mut self) {
        self.at = self.text.len() - self.rest().trim_start().len();
    }

    /// One number with its unit.
    fn part(&mut self, expected: Option<Kind>) -> Result<Quantity, UnitError> {
        let number_start = self.at;
        let number = self.number()?;
        let number_span = number_start..self.at;
        self.skip_space();
        let unit_span = self.unit_span();
        self.at = unit_span.end;
        self.skip_space();

        let written = &self.text[unit_span.clone()];
        if written.is_empty() {
            return match expected {
                Some(kind) if kind.may_be_plain() => Ok(Quantity { value: number, kind }),
                _ => Err(UnitError::new(number_span, Problem::MissingUnit(expected))),
            };
        }
        let unit = known_unit(written, unit_span.clone(), expected)?;
        let value = unit.to_base(number);
        if !value.is_finite() {
            return Err(UnitError::new(number_span, Problem::TooLarge));
        }
        Ok(Quantity { value, kind: unit.kind })
    }

    /// A decimal number, a fraction, or a whole number with a fraction.
    fn number(&mut self) -> Result<f64, UnitError> {
        let start = self.at;
        let negative = match self.rest().chars().next() {
            Some('-' | '−') => true,
            Some('+') => false,
            _ => {
                return self.unsigned(start);
            }
        };
        self.at += self.rest().chars().next().map_or(0, char::len_utf8);
        let magnitude = self.unsigned(start)?;
        Ok(if negative { -magnitude } else { magnitude })
    }

    fn unsigned(&mut self, start: usize) -> Result<f64, UnitError> {
        let first = self.decimal(start)?;
        if let Some(value) = self.over(first)? {
            return Ok(value);
        }
        // `1 1/2`: a whole number, a space, and digits that a slash and digits follow.
        let after_first = self.at;
        self.skip_space();
        let fraction_start = self.at;
        let digits = self.rest().bytes().take_while(u8::is_ascii_digit).count();
        if fraction_start > after_first && digits > 0 && first.fract() == 0.0 {
            let numerator = self.decimal(fraction_start)?;
            if self.at == fraction_start + digits
                && let Some(fraction) = self.over(numerator)?
            {
                return Ok(first + fraction);
            }
        }
        self.at = after_first;
        Ok(first)
    }

    /// The rest of a fraction, if a slash and a digit follow at once.
    fn over(&mut self, numerator: f64) -> Result<Option<f64>, UnitError> {
        let mut bytes = self.rest().bytes();
        if bytes.next() != Some(b'/') || !bytes.next().is_some_and(|b| b.is_ascii_digit()) {
            return Ok(None);
        }
        self.at += 1;
        let start = self.at;
        let denominator = self.decimal(start)?;
        if denominator == 0.0 {
            return Err(UnitError::new(start..self.at, Problem::ZeroDenominator));
        }
        Ok(Some(numerator / denominator))
    }

    /// Digits with an optional point and exponent. `from` is where an error about a missing number points.
    fn decimal(&mut self, from: usize) -> Result<f64, UnitError> {
        let start = self.at;
        let bytes = self.text.as_bytes();
        let digits = |mut at: usize| {
            while bytes.get(at).is_some_and(u8::is_ascii_digit) {
                at += 1;
            }
            at
        };
        let whole_end = digits(start);
        let mut end = whole_end;
        let mut n_digits = whole_end - start;
        if bytes.get(end) == Some(&b'.') {
            let fraction_end = digits(end + 1);
            n_digits += fraction_end - end - 1;
            end = fraction_end;
        }
        if n_digits == 0 {
            let word = self.text[from..].split_whitespace().next().map_or(0, str::len);
            return Err(UnitError::new(from..from + word, Problem::NoNumber));
        }
        if bytes.get(end) == Some(&b',') {
            return Err(UnitError::new(end..end + 1, Problem::CommaInNumber));
        }
        if matches!(bytes.get(end), Some(b'e' | b'E')) {
            let signed = end + 1 + usize::from(matches!(bytes.get(end + 1), Some(b'+' | b'-')));
            let exponent_end = digits(signed);
            if exponent_end > signed {
                end = exponent_end;
            }
        }
        self.at = end;
        match self.text[start..end].parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(value),
            _ => Err(UnitError::new(start..end, Problem::TooLarge)),
        }
    }

    /// From here to the end, or to the white space before the next number of a sum.
    fn unit_span(&self) -> Range<usize> {
        let rest = self.rest();
        // `0.5 1/h`: the digit belongs to the unit.
        let own = if rest.starts_with("1/") { 2 } else { 0 };
        let mut after_space = false;
        for (offset, c) in rest.char_indices().skip(own) {
            let begins_number = c.is_ascii_digit() || matches!(c, '-' | '+' | '−' | '.');
            if after_space && begins_number {
                return self.at..self.at + rest[..offset].trim_end().len();
            }
            after_space = c.is_whitespace();
        }
        self.at..self.text.len()
    }
}

fn known_unit(written: &str, span: Range<usize>, expected: Option<Kind>) -> Result<&'static Unit, UnitError> {
    let key = normalised(written);
    let found = UNITS.iter().find(|unit| unit.spellings().any(|spelling| spelling == key));
    match (found, expected) {
        (Some(unit), Some(kind)) if unit.kind != kind => Err(UnitError::new(
            span,
            Problem::WrongKind { unit: unit.symbol, found: unit.kind, expected: kind },
        )),
        (Some(unit), _) => Ok(unit),
        (None, _) => {
            let nearest = nearest_unit(&key, expected);
            Err(UnitError::new(span, Problem::UnknownUnit { unit: written.to_owned(), nearest, expected }))
        }
    }
}

/// Brings the many ways of typing one unit together: micro signs, superscripts, dots, brackets and spaces.
fn normalised(written: &str) -> String {
    let mut plain = String::with_capacity(written.len());
    for c in written.chars() {
        match c {
            'µ' | 'μ' => plain.push('u'),
            '²' => plain.push('2'),
            '³' => plain.push('3'),
            '℃' => plain.push_str("degC"),
            '℉' => plain.push_str("degF"),
            // The ohm sign, which looks like the Greek letter and is another character.
            '\u{2126}' => plain.push('Ω'),
            '·' | '*' | '⋅' => plain.push(' '),
            '(' | ')' | '^' => {}
            c if c.is_whitespace() => plain.push(' '),
            c => plain.push(c),
        }
    }
    let words: Vec<&str> = plain.split(' ').filter(|word| !word.is_empty()).collect();
    let joined = words.join(" ");
    let joined = joined.strip_prefix("per ").map_or_else(|| joined.clone(), |rest| format!("/{rest}"));
    joined.replace(" per ", "/").replace(" / ", "/").replace(" /", "/").replace("/ ", "/")
}

/// The unit with this spelling, if there is one.
pub(crate) fn find_unit(spelling: &str) -> Option<&'static Unit> {
    let key = normalised(spelling);
    UNITS.iter().find(|unit| unit.spellings().any(|known| known == key))
}
