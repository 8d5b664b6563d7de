//! One value as it is written: number, number with its unit, word, or a word for none.

use super::Value;

/// Longest word that is taken for a value, characters.
const LONGEST_WORD: usize = 32;

/// Reads one token. None: it is none; `Err`: a comma that may be a decimal's.
pub(super) fn value(text: &str, decimal_comma: bool) -> Result<Option<(Value, Option<String>)>, ()> {
    let text = text.trim();
    if text.is_empty() {
        return Ok(Some((Value::Nothing, None)));
    }
    let unquoted =
        text.strip_prefix(['"', '\'']).and_then(|rest| rest.strip_suffix(['"', '\''])).unwrap_or(text);
    let text = unquoted.trim();
    let none = [
        "", "-", "--", "---", "nan", "n/a", "na", "null", "none", "err", "error", "fault", "inf", "-inf",
        "+inf",
    ];
    if none.contains(&text.to_ascii_lowercase().as_str()) {
        return Ok(Some((Value::Nothing, None)));
    }
    let end = number_end(text, decimal_comma);
    let (number, rest) = text.split_at(end);
    if end > 0 {
        if !decimal_comma
            && rest.strip_prefix(',').is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_digit()))
        {
            return Err(());
        }
        let number = if decimal_comma { number.replace(',', ".") } else { number.to_owned() };
        let rest = rest.trim();
        let parsed = number.parse::<f64>().ok().filter(|number| number.is_finite());
        if let (Some(number), true) = (parsed, rest.is_empty() || may_be_unit(rest)) {
            return Ok(Some((Value::Number(number), Some(rest.to_owned()).filter(|rest| !rest.is_empty()))));
        }
    }
    let is_word = text.chars().count() <= LONGEST_WORD && text.chars().any(char::is_alphanumeric);
    Ok(is_word.then(|| (Value::Word(text.to_owned()), None)))
}

/// Where the number at the beginning of a text ends; 0: there is none.
fn number_end(text: &str, decimal_comma: bool) -> usize {
    let bytes = text.as_bytes();
    let digits = |from: usize| bytes[from..].iter().take_while(|b| b.is_ascii_digit()).count();
    let mut at = usize::from(text.starts_with(['-', '+']));
    let n_whole = digits(at);
    at += n_whole;
    let mark = if decimal_comma { b',' } else { b'.' };
    let mut n_fraction = 0;
    if bytes.get(at) == Some(&mark) || bytes.get(at) == Some(&b'.') {
        n_fraction = digits(at + 1);
        if n_whole + n_fraction > 0 {
            at += 1 + n_fraction;
        }
    }
    if n_whole + n_fraction == 0 {
        return 0;
    }
    if matches!(bytes.get(at), Some(b'e' | b'E')) {
        let sign = usize::from(matches!(bytes.get(at + 1), Some(b'-' | b'+')));
        let n = digits((at + 1 + sign).min(bytes.len()));
        if n > 0 {
            at += 1 + sign + n;
        }
    }
    at
}

/// Whether a text looks like a unit: short, no digit in front.
pub(super) fn may_be_unit(text: &str) -> bool {
    const LONGEST: usize = 8;
    let is_of_units = |c: char| c.is_alphabetic() || "°%/µ‰Ω23".contains(c);
    text.chars().count() <= LONGEST
        && text.starts_with(|c: char| c.is_alphabetic() || "°%µ‰Ω".contains(c))
        && text.chars().all(is_of_units)
}

/// The unit layer's spelling of a unit as controllers print it; None: it knows none.
pub fn unit(printed: &str) -> Option<&'static str> {
    let printed = printed.trim();
    let usual = match printed {
        "C" | "c" | "ºC" | "℃" | "Cel" | "degc" | "DegC" | "deg" | "°" => "degC",
        "F" | "f" | "ºF" | "℉" | "degf" | "DegF" => "degF",
        "/" => return None,
        other => other,
    };
    units::unit(usual).map(|unit| unit.symbol)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn forms_of_values() {
        let number = |x: f64, unit: Option<&str>| Ok(Some((Value::Number(x), unit.map(str::to_owned))));
        assert_eq!(value("25.3", false), number(25.3, None));
        assert_eq!(value("-.5", false), number(-0.5, None));
        assert_eq!(value("1.2e-3V", false), number(1.2e-3, Some("V")));
        assert_eq!(value("25.3°C", false), number(25.3, Some("°C")));
        assert_eq!(value("45%", false), number(45.0, Some("%")));
        assert_eq!(value("25,3", true), number(25.3, None));
        assert_eq!(value("25,3", false), Err(()));
        assert_eq!(value("ON", false), Ok(Some((Value::Word("ON".into()), None))));
        assert_eq!(value("nan", false), Ok(Some((Value::Nothing, None))));
        assert_eq!(value("1e999", false), Ok(Some((Value::Word("1e999".into()), None))));
        assert_eq!(value("***", false), Ok(None));
        assert_eq!((unit("C"), unit("mS/cm"), unit("furlong")), (Some("degC"), Some("mS/cm"), None));
    }
}
