//! Local time by a POSIX TZ string (IEEE Std 1003.1, "Other Environment Variables"), such as `CET-1CEST,M3.5.0,M10.5.0/3`; the same form
//! that the system file takes.

use crate::dates::{DAY_MS, date_from_days, days_from_date};

const HOUR_MS: i64 = 3_600_000;

/// The day and time on which summer time begins or ends, local.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Change {
    month: i64,
    week: i64,
    day: i64,
    time: i64,
}

/// A time zone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Zone {
    /// East of Greenwich, ms.
    standard: i64,
    summer: Option<(i64, Change, Change)>,
}

/// What local time gives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Utc {
    /// One time, ms since 1970.
    One(i64),
    /// The hour that comes twice: in summer time and after it.
    Two(i64, i64),
    /// The hour that does not exist; as if the clock had not been put forward.
    None(i64),
}

fn name(text: &str) -> Option<&str> {
    if let Some(quoted) = text.strip_prefix('<') {
        return quoted.split_once('>').map(|(_, rest)| rest);
    }
    let end = text.find(|c: char| !c.is_ascii_alphabetic()).unwrap_or(text.len());
    (end >= 3).then(|| &text[end..])
}

/// `[+-]h[h][:mm[:ss]]`, ms, and the rest.
fn clock(text: &str) -> Option<(i64, &str)> {
    let sign = if text.starts_with('-') { -1 } else { 1 };
    let text = text.strip_prefix(['+', '-']).unwrap_or(text);
    let end = text.find(|c: char| !(c.is_ascii_digit() || c == ':')).unwrap_or(text.len());
    let (digits, rest) = text.split_at(end);
    let mut ms = 0;
    let mut unit = HOUR_MS;
    for part in digits.split(':') {
        ms += part.parse::<u16>().map(i64::from).ok()? * unit;
        unit /= 60;
    }
    (ms <= 167 * HOUR_MS).then_some((sign * ms, rest))
}

fn change(text: &str) -> Option<Change> {
    let (date, time) = match text.split_once('/') {
        Some((date, time)) => (date, clock(time)?.0),
        None => (text, 2 * HOUR_MS),
    };
    let parts: Vec<i64> =
        date.strip_prefix('M')?.split('.').map(|p| p.parse().ok()).collect::<Option<_>>()?;
    let [month, week, day] = parts[..] else { return None };
    ((1..=12).contains(&month) && (1..=5).contains(&week) && (0..=6).contains(&day)).then_some(Change {
        month,
        week,
        day,
        time,
    })
}

impl Change {
    /// As local time of that year, ms since 1970.
    fn in_year(&self, year: i64) -> i64 {
        let first = days_from_date(year, self.month, 1);
        // 1970-01-01 was a Thursday, day 4.
        let weekday = (first + 4).rem_euclid(7);
        let mut days = first + (self.day - weekday).rem_euclid(7) + (self.week - 1) * 7;
        while date_from_days(days).1 != self.month {
            days -= 7;
        }
        days * DAY_MS + self.time
    }
}

impl Zone {
    /// Coordinated universal time.
    pub const UTC: Zone = Zone { standard: 0, summer: None };

    /// Empty is UTC. None: not of that form.
    pub fn parse(text: &str) -> Option<Zone> {
        if text.is_empty() || text == "UTC" {
            return Some(Zone::UTC);
        }
        let (west, rest) = clock(name(text)?)?;
        let standard = -west;
        if rest.is_empty() {
            return Some(Zone { standard, summer: None });
        }
        let rest = name(rest)?;
        let (summer, rest) = if rest.starts_with(',') {
            (standard + HOUR_MS, rest)
        } else {
            let (west, rest) = clock(rest)?;
            (-west, rest)
        };
        let (begin, end) = rest.strip_prefix(',')?.split_once(',')?;
        Some(Zone { standard, summer: Some((summer, change(begin)?, change(end)?)) })
    }

    /// Offset at a time, ms.
    pub fn offset(&self, utc: i64) -> i64 {
        let Some((summer, begin, end)) = self.summer else { return self.standard };
        let year = date_from_days((utc + self.standard).div_euclid(DAY_MS)).0;
        let begin = begin.in_year(year) - self.standard;
        let end = end.in_year(year) - summer;
        let is_summer = if begin < end { (begin..end).contains(&utc) } else { !(end..begin).contains(&utc) };
        if is_summer { summer } else { self.standard }
    }

    /// The time or times that a local time means.
    pub fn utc(&self, local: i64) -> Utc {
        let standard = local - self.standard;
        let Some((summer, ..)) = self.summer else { return Utc::One(standard) };
        let summer_time = local - summer;
        match (self.offset(summer_time) == summer, self.offset(standard) == self.standard) {
            (true, true) => Utc::Two(summer_time, standard),
            (true, false) => Utc::One(summer_time),
            (false, true) => Utc::One(standard),
            (false, false) => Utc::None(standard),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn local(month: i64, day: i64, h: i64, m: i64) -> i64 {
        days_from_date(2024, month, day) * DAY_MS + (h * 60 + m) * 60_000
    }

    #[test]
    fn central_europe() {
        // Summer time of the European Union: from 01:00 UTC of the last Sunday of March to 01:00 UTC of that of October
        // (Directive 2000/84/EC); in 2024 on March 31 and October 27.
        let zone = Zone::parse("CET-1CEST,M3.5.0,M10.5.0/3").expect("a zone");
        assert_eq!(zone.utc(local(1, 15, 12, 0)), Utc::One(local(1, 15, 11, 0)));
        assert_eq!(zone.utc(local(7, 15, 12, 0)), Utc::One(local(7, 15, 10, 0)));
        assert_eq!(zone.utc(local(3, 31, 1, 59)), Utc::One(local(3, 31, 0, 59)));
        assert_eq!(zone.utc(local(3, 31, 2, 30)), Utc::None(local(3, 31, 1, 30)));
        assert_eq!(zone.utc(local(3, 31, 3, 0)), Utc::One(local(3, 31, 1, 0)));
        assert_eq!(zone.utc(local(10, 27, 2, 30)), Utc::Two(local(10, 27, 0, 30), local(10, 27, 1, 30)));
        assert_eq!(zone.utc(local(10, 27, 3, 0)), Utc::One(local(10, 27, 2, 0)));
    }

    #[test]
    fn south_and_fixed() {
        // New Zealand: summer from the last Sunday of September to the first of April (Time Act, from memory).
        let zone = Zone::parse("NZST-12NZDT,M9.5.0,M4.1.0/3").expect("a zone");
        assert_eq!(zone.utc(local(1, 15, 13, 0)), Utc::One(local(1, 15, 0, 0)));
        assert_eq!(zone.utc(local(7, 15, 12, 0)), Utc::One(local(7, 15, 0, 0)));
        let zone = Zone::parse("<-03>3").expect("a zone");
        assert_eq!(zone.utc(local(7, 15, 9, 0)), Utc::One(local(7, 15, 12, 0)));
        for text in [
            "Berlin",
            "CET",
            "CET-1CEST",
            "CET-1CEST,M3.5.0",
            "CET-1CEST,J60,J300",
            "CET-1CEST,M3.5.7,M10.5.0",
        ] {
            assert_eq!(Zone::parse(text), None, "{text}");
        }
    }
}
