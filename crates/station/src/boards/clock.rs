//! When a scan was: a board says whole seconds and the scan's number; between two seconds the numbers count.

use link::record::Record;

use super::event::MS_AT_2000;

const SECOND_MS: i64 = 1000;

/// Times of one board's scans since its boot.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Scans {
    /// A scan and when it was.
    known: Option<(u32, i64)>,
}

impl Scans {
    /// UTC ms since 1970 of a record's scan by the board's clock; `None`: its clock is lost.
    pub fn at_ms(&mut self, record: &Record, period_ms: u32) -> Option<i64> {
        if !record.is_clock_good {
            self.known = None;
            return None;
        }
        let from = MS_AT_2000 + i64::from(record.clock_s) * SECOND_MS;
        let to = from + SECOND_MS - 1;
        let at_ms = match self.known {
            Some((scan, at_ms)) => {
                let n = i64::from(record.scan) - i64::from(scan);
                // The clock decides the second, the count where in it: no drift between both adds up.
                (at_ms + n * i64::from(period_ms)).clamp(from, to)
            }
            None => from,
        };
        self.known = Some((record.scan, at_ms));
        Some(at_ms)
    }
}

impl Scans {
    /// When the last scan was.
    pub fn last_ms(&self) -> Option<i64> {
        self.known.map(|(_, at_ms)| at_ms)
    }
}

/// The minute of a journal entry, UTC ms since 1970, from its low 16 bits: the latest that is not after `now_ms` by more than a day.
/// `None`: the board's clock was lost.
pub(super) fn minute_ms(minute: u16, now_ms: i64) -> Option<i64> {
    const LOST: u16 = 0xFFFF;
    const MINUTE_MS: i64 = 60_000;
    const DAY_MINUTES: i64 = 1440;
    const ROUND: i64 = 1 << 16;
    if minute == LOST {
        return None;
    }
    let now = (now_ms - MS_AT_2000).div_euclid(MINUTE_MS);
    let latest = now + DAY_MINUTES;
    let minutes = latest - (latest - i64::from(minute)).rem_euclid(ROUND);
    Some(MS_AT_2000 + minutes * MINUTE_MS)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record(scan: u32, clock_s: u32) -> Record {
        Record { scan, clock_s, is_clock_good: true, ..Record::default() }
    }

    #[test]
    fn quarters_of_a_second_are_told_apart_and_never_leave_their_second() {
        let mut scans = Scans::default();
        let at = |scans: &mut Scans, scan, clock_s| {
            scans.at_ms(&record(scan, clock_s), 250).map(|ms| ms - MS_AT_2000)
        };
        assert_eq!(at(&mut scans, 10, 100), Some(100_000));
        assert_eq!(at(&mut scans, 11, 100), Some(100_250));
        assert_eq!(at(&mut scans, 14, 101), Some(101_000));
        // The clock went on more slowly than the scans: the second holds.
        assert_eq!(at(&mut scans, 20, 101), Some(101_999));
        // It was set back.
        assert_eq!(at(&mut scans, 21, 50), Some(50_999));
        let lost = Record { is_clock_good: false, ..record(22, 50) };
        assert_eq!(scans.at_ms(&lost, 250), None);
    }

    #[test]
    fn minutes_find_their_round() {
        let now_ms = MS_AT_2000 + 1_000_000 * 60_000;
        let low = |minutes: i64| (minutes & 0xFFFF) as u16;
        let told = |minutes: i64| minute_ms(low(minutes), now_ms).map(|ms| (ms - MS_AT_2000) / 60_000);
        for minutes in [1_000_000, 999_999, 1_000_000 - 60_000, 1_000_500] {
            assert_eq!(told(minutes), Some(minutes));
        }
        assert_eq!(minute_ms(0xFFFF, now_ms), None);
    }
}
