//! Days since 1970 as ISO dates.

/// The date of that day, proleptic Gregorian. Civil-from-days by counting eras of 400 years (from memory; the test goes
/// back and forth with `trial::days`).
pub fn iso(days: i64) -> String {
    const DAYS_TO_0000_03_01: i64 = 719_468;
    const DAYS_OF_ERA: i64 = 146_097;
    let shifted = days + DAYS_TO_0000_03_01;
    let era = shifted.div_euclid(DAYS_OF_ERA);
    let day_of_era = shifted.rem_euclid(DAYS_OF_ERA);
    let year_of_era = (day_of_era - day_of_era / 1_460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_from_march = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * month_from_march + 2) / 5 + 1;
    let month = if month_from_march < 10 { month_from_march + 3 } else { month_from_march - 9 };
    let year = era * 400 + year_of_era + i64::from(month <= 2);
    format!("{year:04}-{month:02}-{day:02}")
}

#[cfg(test)]
mod tests {
    #[test]
    fn goes_back_and_forth() {
        assert_eq!(super::iso(0), "1970-01-01");
        assert_eq!(super::iso(11_016), "2000-02-29");
        for day in (-200_000..200_000).step_by(97) {
            assert_eq!(trial::days(&super::iso(day)), Some(day));
        }
    }
}
