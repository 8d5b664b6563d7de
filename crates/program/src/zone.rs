//! Local civil time from UTC by a POSIX TZ rule, in integers only.
//!
//! The board's clock counts seconds of UTC since 2000-01-01T00:00:00Z (a Saturday) in a `u32`, which lasts until 2136.
//! Calendar arithmetic: the proleptic Gregorian calendar counted in years that begin on 1 March (common knowledge of
//! calendrical arithmetic; tested day by day against an independent crate).

use crate::codec::Reader;
use crate::format::LoadError;

/// Seconds in a day.
pub const DAY_S: u32 = 86_400;

/// Weekday of 2000-01-01, counted from Sunday = 0 as POSIX does.
const EPOCH_WEEKDAY: u32 = 6;
/// Days from 0000-03-01 to 2000-01-01.
const EPOCH_FROM_MARCH_0: i32 = 730_425;
const DAYS_PER_400_YEARS: i32 = 146_097;

/// A date rule `Mm.w.d/time`: the `week`-th (5 = last) `weekday` (0 = Sunday) of `month`, at `minute` of that day in
/// the local time then in force (may be negative or beyond a day).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Change {
    /// 1 to 12.
    pub month: u8,
    /// 1 to 5; 5 is the last.
    pub week: u8,
    /// 0 (Sunday) to 6.
    pub weekday: u8,
    /// Minutes from local midnight, -8192 to 8191.
    pub minute: i16,
}

/// A zone: an offset, and perhaps a second one between two changes a year.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Zone {
    /// Standard offset east of Greenwich, in quarter hours.
    pub standard_quarters: i8,
    /// Daylight-saving time, if the zone has it.
    pub daylight: Option<Daylight>,
}

/// The second offset of a zone and when it holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Daylight {
    /// Offset east of Greenwich while it holds, in quarter hours.
    pub quarters: i8,
    /// When it begins, in standard time.
    pub start: Change,
    /// When it ends, in daylight-saving time.
    pub end: Change,
}

/// Local civil time at one instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LocalTime {
    /// Seconds since local midnight, 0 to 86 399.
    pub second_of_day: u32,
    /// 0 (Sunday) to 6.
    pub weekday: u8,
    /// 0 (1 January) to 365.
    pub day_of_year: u16,
    /// How many seconds after this instant all of weekday, day of year and offset still hold (at least 1).
    pub steady_for_s: u32,
}

/// Year, month (1-12) and day (1-31) of a day counted from 2000-01-01.
pub fn civil(day: i32) -> (i32, u8, u8) {
    let day = day + EPOCH_FROM_MARCH_0;
    let era = day.div_euclid(DAYS_PER_400_YEARS);
    let of_era = day.rem_euclid(DAYS_PER_400_YEARS);
    let year_of_era = (of_era - of_era / 1_460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let march_month = (5 * of_year + 2) / 153;
    let day = of_year - (153 * march_month + 2) / 5 + 1;
    let month = if march_month < 10 { march_month + 3 } else { march_month - 9 };
    (era * 400 + year_of_era + i32::from(month <= 2), month as u8, day as u8)
}

/// Day counted from 2000-01-01 of a civil date.
pub fn day_number(year: i32, month: u8, day: u8) -> i32 {
    let year = year - i32::from(month <= 2);
    let era = year.div_euclid(400);
    let year_of_era = year.rem_euclid(400);
    let march_month = (i32::from(month) + 9) % 12;
    let of_year = (153 * march_month + 2) / 5 + i32::from(day) - 1;
    era * DAYS_PER_400_YEARS + year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + of_year
        - EPOCH_FROM_MARCH_0
}

/// Weekday of a day counted from 2000-01-01, Sunday = 0.
fn weekday(day: i32) -> u8 {
    (day + EPOCH_WEEKDAY as i32).rem_euclid(7) as u8
}

impl Change {
    /// Local seconds since 2000-01-01T00:00 local of this change in `year`.
    fn local_second(&self, year: i32) -> i64 {
        let first = day_number(year, self.month, 1);
        let to_weekday = (i32::from(self.weekday) - i32::from(weekday(first))).rem_euclid(7);
        let mut day = first + to_weekday + 7 * (i32::from(self.week) - 1);
        let (next_year, next_month) = if self.month == 12 { (year + 1, 1) } else { (year, self.month + 1) };
        if day >= day_number(next_year, next_month, 1) {
            day -= 7;
        }
        i64::from(day) * i64::from(DAY_S) + i64::from(self.minute) * 60
    }

    fn is_valid(&self) -> bool {
        (1..=12).contains(&self.month)
            && (1..=5).contains(&self.week)
            && self.weekday <= 6
            && (-8192..=8191).contains(&self.minute)
    }

    fn to_bytes(self) -> [u8; 3] {
        let packed = u32::from(self.month) << 20
            | u32::from(self.week) << 17
            | u32::from(self.weekday) << 14
            | (i32::from(self.minute) as u32 & 0x3FFF);
        let [_, a, b, c] = packed.to_be_bytes();
        [a, b, c]
    }

    fn from_bytes([a, b, c]: [u8; 3]) -> Option<Change> {
        let packed = u32::from_be_bytes([0, a, b, c]);
        let minute = ((packed & 0x3FFF) as i16) << 2 >> 2;
        let change = Change {
            month: (packed >> 20) as u8 & 15,
            week: (packed >> 17) as u8 & 7,
            weekday: (packed >> 14) as u8 & 7,
            minute,
        };
        change.is_valid().then_some(change)
    }
}

fn quarters_s(quarters: i8) -> i64 {
    i64::from(quarters) * 900
}

impl Zone {
    /// Coordinated universal time itself.
    pub const UTC: Zone = Zone { standard_quarters: 0, daylight: None };

    /// Offset in seconds at UTC second `utc`, and the next UTC second at which it could change.
    fn offset(&self, utc: i64) -> (i64, i64) {
        let standard = quarters_s(self.standard_quarters);
        let Some(daylight) = self.daylight else { return (standard, i64::MAX) };
        let offset = quarters_s(daylight.quarters);
        let year = civil((utc + standard).div_euclid(i64::from(DAY_S)) as i32).0;
        let mut result = standard;
        let mut latest = i64::MIN;
        let mut next = i64::MAX;
        for year in year - 1..=year + 1 {
            let start = daylight.start.local_second(year) - standard;
            let end = daylight.end.local_second(year) - offset;
            for (instant, then) in [(start, offset), (end, standard)] {
                if instant > utc {
                    next = next.min(instant);
                } else if instant >= latest {
                    latest = instant;
                    result = then;
                }
            }
        }
        (result, next)
    }

    /// Local time less UTC at UTC second `utc` since 2000-01-01T00:00:00Z, s.
    pub fn offset_s(&self, utc: u32) -> i64 {
        self.offset(i64::from(utc)).0
    }

    /// Local civil time at UTC second `utc` since 2000-01-01T00:00:00Z.
    pub fn local(&self, utc: u32) -> LocalTime {
        let (offset, next) = self.offset(i64::from(utc));
        let local = i64::from(utc) + offset;
        let day = local.div_euclid(i64::from(DAY_S)) as i32;
        let second_of_day = local.rem_euclid(i64::from(DAY_S)) as u32;
        let until_change = (next - i64::from(utc)).min(i64::from(DAY_S)) as u32;
        LocalTime {
            second_of_day,
            weekday: weekday(day),
            day_of_year: (day - day_number(civil(day).0, 1, 1)) as u16,
            steady_for_s: (DAY_S - second_of_day).min(until_change),
        }
    }

    /// Reads the zone section of a program: one byte, or eight with daylight-saving time.
    pub(crate) fn read(reader: &mut Reader<'_>, has_daylight: bool) -> Result<Zone, LoadError> {
        let at = reader.position();
        let wrong = LoadError::Zone { at };
        let offset = |reader: &mut Reader<'_>| {
            let quarters = reader.byte()? as i8;
            if (-60..=60).contains(&quarters) { Ok(quarters) } else { Err(wrong) }
        };
        let change = |reader: &mut Reader<'_>| Change::from_bytes(reader.array()?).ok_or(wrong);
        let standard_quarters = offset(reader)?;
        let daylight = if has_daylight {
            Some(Daylight { quarters: offset(reader)?, start: change(reader)?, end: change(reader)? })
        } else {
            None
        };
        Ok(Zone { standard_quarters, daylight })
    }

    /// The zone section as bytes; the second value is how many of them count.
    pub fn to_bytes(&self) -> ([u8; 8], usize) {
        let mut out = [0; 8];
        out[0] = self.standard_quarters as u8;
        let Some(daylight) = self.daylight else { return (out, 1) };
        out[1] = daylight.quarters as u8;
        out[2..5].copy_from_slice(&daylight.start.to_bytes());
        out[5..8].copy_from_slice(&daylight.end.to_bytes());
        (out, 8)
    }

    /// Reads a POSIX TZ string such as `CET-1CEST,M3.5.0,M10.5.0/3`; date rules of the form `Mm.w.d[/time]` only,
    /// offsets in whole quarter hours. The rule is required where a second name stands.
    pub fn parse(text: &str) -> Result<Zone, ZoneError> {
        let mut cursor = Cursor { rest: text };
        cursor.name()?;
        let standard = cursor.time()?;
        if cursor.rest.is_empty() {
            return Ok(Zone { standard_quarters: quarters(-standard)?, daylight: None });
        }
        cursor.name()?;
        let saved = if cursor.rest.starts_with(',') { standard - 60 } else { cursor.time()? };
        cursor.expect(',')?;
        let start = cursor.change()?;
        cursor.expect(',')?;
        let end = cursor.change()?;
        if !cursor.rest.is_empty() {
            return Err(ZoneError::Form);
        }
        let daylight = Some(Daylight { quarters: quarters(-saved)?, start, end });
        Ok(Zone { standard_quarters: quarters(-standard)?, daylight })
    }
}

/// Why a POSIX TZ string is refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ZoneError {
    /// Not of the form `NAMEoffset[NAME[offset],Mm.w.d[/time],Mm.w.d[/time]]`.
    Form,
    /// A date rule counts days of the year (`Jn` or `n`); write it as `Mm.w.d`.
    DayOfYear,
    /// An offset is not a whole number of quarter hours, or is beyond 15 hours.
    Offset,
}

impl core::fmt::Display for ZoneError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            ZoneError::Form => "not a POSIX TZ rule; it looks like CET-1CEST,M3.5.0,M10.5.0/3",
            ZoneError::DayOfYear => {
                "date rules that count days of the year are not supported; write them as Mm.w.d"
            }
            ZoneError::Offset => "offsets are whole quarter hours within 15 hours of Greenwich",
        })
    }
}

impl core::error::Error for ZoneError {}

fn quarters(minutes: i32) -> Result<i8, ZoneError> {
    if minutes % 15 != 0 || minutes.abs() > 900 {
        return Err(ZoneError::Offset);
    }
    Ok((minutes / 15) as i8)
}

struct Cursor<'a> {
    rest: &'a str,
}

impl Cursor<'_> {
    fn expect(&mut self, wanted: char) -> Result<(), ZoneError> {
        self.rest = self.rest.strip_prefix(wanted).ok_or(ZoneError::Form)?;
        Ok(())
    }

    fn name(&mut self) -> Result<(), ZoneError> {
        if let Some(quoted) = self.rest.strip_prefix('<') {
            let (name, rest) = quoted.split_once('>').ok_or(ZoneError::Form)?;
            self.rest = rest;
            return if name.len() >= 3 { Ok(()) } else { Err(ZoneError::Form) };
        }
        let n_letters = self.rest.bytes().take_while(u8::is_ascii_alphabetic).count();
        if n_letters < 3 {
            return Err(ZoneError::Form);
        }
        self.rest = &self.rest[n_letters..];
        Ok(())
    }

    fn integer(&mut self) -> Result<i32, ZoneError> {
        let n_digits = self.rest.bytes().take_while(u8::is_ascii_digit).count();
        let value = self.rest[..n_digits].parse().map_err(|_| ZoneError::Form)?;
        self.rest = &self.rest[n_digits..];
        if (0..=999).contains(&value) { Ok(value) } else { Err(ZoneError::Form) }
    }

    /// `[+-]hh[:mm]` in minutes; seconds are refused unless zero.
    fn time(&mut self) -> Result<i32, ZoneError> {
        let is_negative = self.rest.starts_with('-');
        self.rest = self.rest.strip_prefix(['+', '-']).unwrap_or(self.rest);
        let mut minutes = self.integer()? * 60;
        if self.rest.starts_with(':') {
            self.expect(':')?;
            minutes += self.integer()?;
            if self.rest.starts_with(':') {
                self.expect(':')?;
                if self.integer()? != 0 {
                    return Err(ZoneError::Offset);
                }
            }
        }
        Ok(if is_negative { -minutes } else { minutes })
    }

    fn change(&mut self) -> Result<Change, ZoneError> {
        if self.rest.starts_with(|first: char| first == 'J' || first.is_ascii_digit()) {
            return Err(ZoneError::DayOfYear);
        }
        self.expect('M')?;
        let month = self.integer()?;
        self.expect('.')?;
        let week = self.integer()?;
        self.expect('.')?;
        let weekday = self.integer()?;
        let minute = if self.rest.starts_with('/') {
            self.expect('/')?;
            self.time()?
        } else {
            120
        };
        let (Ok(month), Ok(week), Ok(weekday), Ok(minute)) =
            (u8::try_from(month), u8::try_from(week), u8::try_from(weekday), i16::try_from(minute))
        else {
            return Err(ZoneError::Form);
        };
        let change = Change { month, week, weekday, minute };
        if change.is_valid() { Ok(change) } else { Err(ZoneError::Form) }
    }
}
