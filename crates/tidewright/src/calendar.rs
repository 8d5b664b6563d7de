//! Days since 1970 as ISO dates, and today's.

use std::time::{SystemTime, UNIX_EPOCH};

pub use care::calendar::iso_date as iso;

/// Today in UTC, days since 1970; `None` on a machine whose clock stands before that.
pub fn today() -> Option<i64> {
    const DAY_S: u64 = 86_400;
    SystemTime::now().duration_since(UNIX_EPOCH).ok().map(|t| (t.as_secs() / DAY_S) as i64)
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
