//! Times as people's logs write them.

use crate::dates::{DAY_MS, days_from_date};

/// What a cell says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stamp {
    /// A time that is UTC or tells its offset, ms since 1970.
    Utc(i64),
    /// Local time, ms since 1970 as if it were UTC.
    Local(i64),
    /// A date alone.
    Date(i64),
    /// A time of day alone, ms.
    Time(i64),
}

/// In which order day and month stand where the year is last.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Order {
    /// 31.12.2026.
    DayFirst,
    /// 12/31/2026.
    MonthFirst,
}

fn number(text: &str, least: usize, most: usize) -> Option<i64> {
    let is_number = (least..=most).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_digit());
    if is_number { text.parse().ok() } else { None }
}

/// Day and month of a date whose year is last, if they tell the order.
pub fn tells_order(text: &str) -> Option<Order> {
    let date = text.split([' ', 'T', ',']).next()?;
    let parts: Vec<&str> = date.split(['.', '/', '-']).collect();
    let [a, b, _] = parts[..] else { return None };
    let (a, b) = (number(a, 1, 2)?, number(b, 1, 2)?);
    match (a > 12, b > 12) {
        (true, false) => Some(Order::DayFirst),
        (false, true) => Some(Order::MonthFirst),
        _ => None,
    }
}

/// Days since 1970.
fn date(text: &str, order: Order) -> Option<i64> {
    let separator = text.chars().find(|c| !c.is_ascii_digit())?;
    if !['.', '/', '-'].contains(&separator) {
        return None;
    }
    let parts: Vec<&str> = text.trim_end_matches('.').split(separator).collect();
    let [a, b, c] = parts[..] else { return None };
    let (year, month, day) = if a.len() == 4 {
        (number(a, 4, 4)?, number(b, 1, 2)?, number(c, 1, 2)?)
    } else {
        let year = if c.len() == 2 { 2000 + number(c, 2, 2)? } else { number(c, 4, 4)? };
        let (first, second) = (number(a, 1, 2)?, number(b, 1, 2)?);
        match order {
            Order::DayFirst => (year, second, first),
            Order::MonthFirst => (year, first, second),
        }
    };
    let days = days_from_date(year, month, day);
    // A day that the month does not have comes out as another date.
    ((1..=12).contains(&month) && crate::dates::date_from_days(days) == (year, month, day)).then_some(days)
}

/// Time of day, ms, and what follows it.
fn time_of_day(text: &str) -> Option<(i64, &str)> {
    let end = text.find(|c: char| !(c.is_ascii_digit() || ":.,".contains(c))).unwrap_or(text.len());
    let (clock, rest) = text.split_at(end);
    let mut parts = clock.split(':');
    let h = number(parts.next()?, 1, 2)?;
    let m = number(parts.next()?, 2, 2)?;
    let (s, ms) = match parts.next() {
        None => (0, 0),
        Some(seconds) => {
            let (s, fraction) = seconds.split_once(['.', ',']).unwrap_or((seconds, ""));
            let mut digits = fraction.to_owned();
            digits.truncate(3);
            let ms = if digits.is_empty() { 0 } else { number(&format!("{digits:0<3}"), 3, 3)? };
            (number(s, 1, 2)?, ms)
        }
    };
    if parts.next().is_some() || h > 24 || m > 59 || s > 60 {
        return None;
    }
    let rest = rest.trim();
    let half = rest.get(..2).map(str::to_ascii_lowercase);
    let (h, rest) = match half.as_deref() {
        Some("am") if (1..=12).contains(&h) => (h % 12, &rest[2..]),
        Some("pm") if (1..=12).contains(&h) => (h % 12 + 12, &rest[2..]),
        _ => (h, rest),
    };
    Some((((h * 60 + m) * 60 + s) * 1000 + ms, rest.trim()))
}

/// Offset from UTC, minutes.
fn offset(text: &str) -> Option<i64> {
    if text.eq_ignore_ascii_case("z") || text.eq_ignore_ascii_case("utc") || text.eq_ignore_ascii_case("gmt")
    {
        return Some(0);
    }
    let sign = if text.starts_with('-') { -1 } else { 1 };
    let digits = text.strip_prefix(['+', '-'])?.replace(':', "");
    let (h, m) = match digits.len() {
        2 => (number(&digits, 2, 2)?, 0),
        4 => (number(&digits[..2], 2, 2)?, number(&digits[2..], 2, 2)?),
        _ => return None,
    };
    (h <= 14 && m <= 59).then_some(sign * (h * 60 + m))
}

/// Reads a cell as a time; None: it is none.
pub fn stamp(text: &str, order: Order) -> Option<Stamp> {
    let text = text.trim();
    if !text.is_ascii() {
        return None;
    }
    // Seconds or milliseconds since 1970: 2001 to 2109 for both.
    let whole = text.split_once('.').map_or(text, |(whole, _)| whole);
    if let Some(n) = number(whole, 9, 13) {
        let fraction = text.split_once('.').map(|(_, f)| f).unwrap_or_default();
        let mut ms: String = fraction.chars().take(3).collect();
        while ms.len() < 3 {
            ms.push('0');
        }
        return match whole.len() {
            9 | 10 => Some(Stamp::Utc(n * 1000 + number(&ms, 3, 3)?)),
            12 | 13 => Some(Stamp::Utc(n)),
            _ => None,
        };
    }
    if let Some((time, "")) = time_of_day(text) {
        return Some(Stamp::Time(time));
    }
    let split = text.find(['T', ' ', ',']);
    let Some(split) = split else { return date(text, order).map(|days| Stamp::Date(days * DAY_MS)) };
    let days = date(&text[..split], order)?;
    let (time, rest) = time_of_day(text[split + 1..].trim_start())?;
    let local = days * DAY_MS + time;
    if rest.is_empty() { Some(Stamp::Local(local)) } else { Some(Stamp::Utc(local - offset(rest)? * 60_000)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn forms_of_times() {
        let day = days_from_date(2024, 3, 5) * DAY_MS;
        let at = |h: i64, m: i64, s: i64| day + ((h * 60 + m) * 60 + s) * 1000;
        let same = [
            ("2024-03-05 14:07:09", Stamp::Local(at(14, 7, 9))),
            ("2024-03-05T14:07:09Z", Stamp::Utc(at(14, 7, 9))),
            ("2024-03-05T14:07:09.250+01:00", Stamp::Utc(at(13, 7, 9) + 250)),
            ("2024-03-05T14:07:09-0530", Stamp::Utc(at(19, 37, 9))),
            ("2024/03/05 14:07", Stamp::Local(at(14, 7, 0))),
            ("05.03.2024 14:07:09", Stamp::Local(at(14, 7, 9))),
            ("5.3.24 14:07", Stamp::Local(at(14, 7, 0))),
            ("05/03/2024, 2:07:09 PM", Stamp::Local(at(14, 7, 9))),
            ("05-03-2024 12:00 am", Stamp::Local(at(0, 0, 0))),
            ("1709647629", Stamp::Utc(at(14, 7, 9))),
            ("1709647629.5", Stamp::Utc(at(14, 7, 9) + 500)),
            ("1709647629000", Stamp::Utc(at(14, 7, 9))),
            ("05.03.2024", Stamp::Date(day)),
            ("14:07:09", Stamp::Time(at(14, 7, 9) - day)),
        ];
        for (text, expected) in same {
            assert_eq!(stamp(text, Order::DayFirst), Some(expected), "{text}");
        }
        assert_eq!(stamp("03/05/2024 14:07", Order::MonthFirst), Some(Stamp::Local(at(14, 7, 0))));
        for text in
            ["", "25.4", "8,21", "31.02.2024", "2024-13-01", "12345", "on", "25:00", "5.3", "14:07:09 x"]
        {
            assert_eq!(stamp(text, Order::DayFirst), None, "{text}");
        }
    }
}
