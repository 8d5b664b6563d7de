//! Days and dates of the proleptic Gregorian calendar, and times as RFC 3339 writes them.

/// ms in a day.
pub const DAY_MS: i64 = 86_400_000;

/// Days from 1970-01-01 to a date (the algorithm of Howard Hinnant's "chrono-Compatible Low-Level Date Algorithms", from memory; tests
/// hold it against known dates).
pub fn days_from_date(year: i64, month: i64, day: i64) -> i64 {
    // Years from March, so that the leap day is the last.
    let year = if month <= 2 { year - 1 } else { year };
    let era = year.div_euclid(400);
    let year_of_era = year.rem_euclid(400);
    let day_of_year = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
    era * 146_097 + year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year - 719_468
}

/// The date of a day: year, month, day.
pub fn date_from_days(days: i64) -> (i64, i64, i64) {
    let days = days + 719_468;
    let era = days.div_euclid(146_097);
    let day_of_era = days.rem_euclid(146_097);
    let year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_from_march = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * month_from_march + 2) / 5 + 1;
    let month = (month_from_march + 2) % 12 + 1;
    (era * 400 + year_of_era + i64::from(month <= 2), month, day)
}

/// A time as RFC 3339 writes it, UTC with milliseconds.
pub fn rfc3339(time: i64) -> String {
    let (year, month, day) = date_from_days(time.div_euclid(DAY_MS));
    let ms = time.rem_euclid(DAY_MS);
    let (h, m, s, ms) = (ms / 3_600_000, ms / 60_000 % 60, ms / 1000 % 60, ms % 1000);
    format!("{year:04}-{month:02}-{day:02}T{h:02}:{m:02}:{s:02}.{ms:03}Z")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn known_days() {
        // RFC 3339, section 5.8, and the last day before a leap year's March.
        assert_eq!(rfc3339(482_196_050_520), "1985-04-12T23:20:50.520Z");
        assert_eq!(days_from_date(1970, 1, 1), 0);
        assert_eq!(days_from_date(2000, 1, 1), 10_957);
        assert_eq!(date_from_days(days_from_date(2000, 2, 29)), (2000, 2, 29));
        for day in (-100_000..100_000).step_by(37) {
            let (year, month, date) = date_from_days(day);
            assert_eq!(days_from_date(year, month, date), day);
        }
    }
}
