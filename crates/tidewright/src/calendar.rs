//! Days since 1970 as ISO dates.

/// Days from 1970-01-01 to 2000-01-01, where the board counts from.
const DAYS_TO_2000: i64 = 10_957;

/// The date of that day, proleptic Gregorian. Days that no board could count stand for the last one it could.
pub fn iso(days: i64) -> String {
    const MOST: i64 = i32::MAX as i64 / 2;
    let (year, month, day) = program::zone::civil((days - DAYS_TO_2000).clamp(-MOST, MOST) as i32);
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
