//! Quiet hours: when a person is not to be woken by what can wait. In local time of the system's zone, daylight saving included.

use program::zone::{DAY_S, Zone};
use serde::Deserialize;

use crate::Priority;

/// Milliseconds from 1970 to 2000, where a zone counts from.
const EPOCH_2000_MS: i64 = 946_684_800_000;

/// From one minute of the local day to another; over midnight when the end is before the start.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub struct Span {
    from_min: u32,
    to_min: u32,
}

impl TryFrom<String> for Span {
    type Error = String;

    fn try_from(text: String) -> Result<Span, String> {
        let wrong = || format!("`{text}` is not a time span; write it as `22:00-07:00`");
        let (from, to) = text.split_once('-').ok_or_else(wrong)?;
        let minute = |text: &str| -> Option<u32> {
            let (hour, minute) = text.trim().split_once(':')?;
            let digits = |text: &str| {
                (text.len() == 2 && text.bytes().all(|byte| byte.is_ascii_digit()))
                    .then(|| text.parse::<u32>().ok())
                    .flatten()
            };
            let (hour, minute) = (digits(hour)?, digits(minute)?);
            (hour < 24 && minute < 60).then_some(hour * 60 + minute)
        };
        let span = Span { from_min: minute(from).ok_or_else(wrong)?, to_min: minute(to).ok_or_else(wrong)? };
        if span.from_min == span.to_min {
            return Err(format!(
                "the time span `{text}` is empty; a whole day is not quiet: leave messages of that priority out instead"
            ));
        }
        Ok(span)
    }
}

impl Span {
    fn holds(self, minute: u32) -> bool {
        if self.from_min < self.to_min {
            (self.from_min..self.to_min).contains(&minute)
        } else {
            minute >= self.from_min || minute < self.to_min
        }
    }
}

/// Quiet hours of each priority; high has none unless it is given.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct QuietHours {
    /// Low priority.
    pub low: Option<Span>,
    /// Medium priority.
    pub medium: Option<Span>,
    /// High priority.
    pub high: Option<Span>,
}

impl QuietHours {
    /// When something of this priority may be told: `at_ms` itself, or the end of the quiet hours that it falls into.
    pub fn next_allowed_ms(&self, priority: Priority, zone: &Zone, at_ms: i64) -> i64 {
        let span = match priority {
            Priority::Low => self.low,
            Priority::Medium => self.medium,
            Priority::High => self.high,
        };
        let Some(span) = span else { return at_ms };
        if !span.holds(local_minute(zone, at_ms)) {
            return at_ms;
        }
        // Minute by minute, so that a change of the clock within the night is met as it comes.
        const MINUTE_MS: i64 = 60_000;
        let mut next = at_ms - at_ms.rem_euclid(MINUTE_MS);
        for _ in 0..2 * DAY_S / 60 {
            next += MINUTE_MS;
            if !span.holds(local_minute(zone, next)) {
                return next;
            }
        }
        at_ms
    }
}

fn local_minute(zone: &Zone, at_ms: i64) -> u32 {
    let utc = (at_ms - EPOCH_2000_MS).div_euclid(1000).clamp(0, i64::from(u32::MAX));
    zone.local(utc as u32).second_of_day / 60
}

#[cfg(test)]
mod tests {
    use super::*;

    fn span(text: &str) -> Span {
        Span::try_from(text.to_owned()).expect("a span")
    }

    fn ms(text: &str) -> i64 {
        text.parse::<jiff::Timestamp>().expect("a time").as_millisecond()
    }

    #[test]
    fn over_midnight() {
        let quiet = QuietHours { medium: Some(span("22:00-07:00")), ..QuietHours::default() };
        let utc = Zone::default();
        for (at, told) in [
            ("2026-01-10T21:59:59Z", "2026-01-10T21:59:59Z"),
            ("2026-01-10T22:00:00Z", "2026-01-11T07:00:00Z"),
            ("2026-01-11T03:30:10Z", "2026-01-11T07:00:00Z"),
            ("2026-01-11T07:00:00Z", "2026-01-11T07:00:00Z"),
        ] {
            assert_eq!(quiet.next_allowed_ms(Priority::Medium, &utc, ms(at)), ms(told), "{at}");
            assert_eq!(
                quiet.next_allowed_ms(Priority::High, &utc, ms(at)),
                ms(at),
                "high has no quiet hours"
            );
        }
    }

    /// Against `jiff` with the IANA zone: the night in which the clock is put back has ten hours from 22 to 7, the other eight.
    #[test]
    fn nights_of_changing_clocks() {
        let quiet = QuietHours { low: Some(span("22:00-07:00")), ..QuietHours::default() };
        let zone = Zone::parse("GMT0BST,M3.5.0/1,M10.5.0").expect("a zone");
        for date in ["2026-03-28", "2026-10-24", "2026-07-01", "2026-12-01"] {
            let at = |text: String| text.parse::<jiff::Zoned>().expect("a time").timestamp().as_millisecond();
            let evening = at(format!("{date}T22:30:00[Europe/London]"));
            let next = date.parse::<jiff::civil::Date>().expect("a date").tomorrow().expect("a day");
            let morning = at(format!("{next}T07:00:00[Europe/London]"));
            assert_eq!(quiet.next_allowed_ms(Priority::Low, &zone, evening), morning, "{date}");
        }
    }

    #[test]
    fn what_is_no_span_is_refused() {
        for text in
            ["", "22-7", "22:00", "24:00-07:00", "22:00-07:60", "07:00-07:00", "+2:00-07:00", "022:00-07:00"]
        {
            assert!(Span::try_from(text.to_owned()).is_err(), "{text}");
        }
    }
}
