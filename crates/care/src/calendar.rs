//! Days as dates, and what is due as an iCalendar feed (RFC 5545).
//!
//! Events are whole days and transparent (they block nothing). A feed is the same bytes for the same input, so that a program that fetches it
//! sees no change where there is none: `stamp_ms` is when the list last changed, not when it was asked.

use program::zone::{civil, day_number};

/// Days from 1970-01-01 to 2000-01-01.
const DAYS_TO_2000: i64 = 10_957;
/// Days that dates are written for: the years 1 to 9999.
const POSSIBLE: std::ops::RangeInclusive<i64> = -719_162..=2_932_896;

/// The date of a day since 1970 as ISO 8601; held within the years 1 to 9999.
pub fn iso_date(day: i64) -> String {
    let (year, month, day) = date(day);
    format!("{year:04}-{month:02}-{day:02}")
}

fn date(day: i64) -> (i32, u8, u8) {
    let day = day.clamp(*POSSIBLE.start(), *POSSIBLE.end());
    civil((day - DAYS_TO_2000) as i32)
}

/// Days since 1970 of an ISO date; `None` when it is none.
pub fn day_of(iso: &str) -> Option<i64> {
    let mut parts = iso
        .trim()
        .split('-')
        .map(|p| p.parse::<u16>().ok().filter(|_| p.bytes().all(|b| b.is_ascii_digit())));
    let (year, month, day) = (parts.next()??, parts.next()??, parts.next()??);
    if parts.next().is_some()
        || !(1..=9999).contains(&year)
        || !(1..=12).contains(&month)
        || !(1..=31).contains(&day)
    {
        return None;
    }
    let days = i64::from(day_number(i32::from(year), month as u8, day as u8)) + DAYS_TO_2000;
    // A 31st of a shorter month comes back as another date.
    (date(days) == (i32::from(year), month as u8, day as u8)).then_some(days)
}

/// One thing that is due.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Event {
    /// Stable: the same thing keeps its place in a calendar when its day moves.
    pub uid: String,
    /// Day, since 1970.
    pub day: i64,
    /// Days until it comes round again; `None`: once.
    pub every_days: Option<u32>,
    /// A line.
    pub title: String,
    /// How and why; may have several lines.
    pub text: String,
    /// Words to sort by, such as `proof test`.
    pub category: String,
}

/// A whole calendar. `stamp_ms` (ms since 1970 UTC) is when its content last changed.
pub fn icalendar(name: &str, events: &[Event], stamp_ms: i64) -> String {
    let mut out = String::new();
    for (key, value) in [
        ("BEGIN", "VCALENDAR"),
        ("VERSION", "2.0"),
        ("PRODID", "-//Tidewright//care//EN"),
        ("CALSCALE", "GREGORIAN"),
        ("METHOD", "PUBLISH"),
    ] {
        line(&mut out, key, value);
    }
    // NAME and REFRESH-INTERVAL are of RFC 7986; older readers know the X- property.
    line(&mut out, "NAME", &escaped(name));
    line(&mut out, "X-WR-CALNAME", &escaped(name));
    line(&mut out, "REFRESH-INTERVAL;VALUE=DURATION", "PT6H");
    for event in events {
        write(&mut out, event, stamp_ms);
    }
    line(&mut out, "END", "VCALENDAR");
    out
}

fn write(out: &mut String, event: &Event, stamp_ms: i64) {
    line(out, "BEGIN", "VEVENT");
    line(out, "UID", &escaped(&event.uid));
    line(out, "DTSTAMP", &stamp(stamp_ms));
    line(out, "DTSTART;VALUE=DATE", &basic(event.day));
    // The end of a day is the next one, not counted (RFC 5545, 3.6.1).
    line(out, "DTEND;VALUE=DATE", &basic(event.day.saturating_add(1)));
    if let Some(days) = event.every_days {
        line(out, "RRULE", &format!("FREQ=DAILY;INTERVAL={}", days.max(1)));
    }
    line(out, "SUMMARY", &escaped(&event.title));
    if !event.text.is_empty() {
        line(out, "DESCRIPTION", &escaped(&event.text));
    }
    line(out, "CATEGORIES", &escaped(&event.category));
    line(out, "TRANSP", "TRANSPARENT");
    for (key, value) in [
        ("BEGIN", "VALARM"),
        ("ACTION", "DISPLAY"),
        ("TRIGGER", "PT9H"),
        ("DESCRIPTION", &escaped(&event.title)),
        ("END", "VALARM"),
    ] {
        line(out, key, value);
    }
    line(out, "END", "VEVENT");
}

fn basic(day: i64) -> String {
    let (year, month, day) = date(day);
    format!("{year:04}{month:02}{day:02}")
}

fn stamp(ms: i64) -> String {
    let seconds = ms.div_euclid(1000).rem_euclid(86_400);
    let day = basic(ms.div_euclid(86_400_000));
    format!("{day}T{:02}{:02}{:02}Z", seconds / 3600, seconds / 60 % 60, seconds % 60)
}

/// RFC 5545, 3.3.11: backslash, semicolon, comma and line ends; other control characters cannot stand there.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.replace("\r\n", "\n").chars() {
        match c {
            '\\' | ';' | ',' => {
                out.push('\\');
                out.push(c);
            }
            '\n' | '\r' => out.push_str("\\n"),
            c if c.is_control() && c != '\t' => {}
            c => out.push(c),
        }
    }
    out
}

/// RFC 5545, 3.1: lines of at most 75 octets, cut between characters, continued by a blank, ended by CR LF.
fn line(out: &mut String, key: &str, value: &str) {
    const MOST: usize = 75;
    let mut width = 0;
    for c in key.chars().chain(std::iter::once(':')).chain(value.chars()) {
        if width + c.len_utf8() > MOST {
            out.push_str("\r\n ");
            width = 1;
        }
        out.push(c);
        width += c.len_utf8();
    }
    out.push_str("\r\n");
}
