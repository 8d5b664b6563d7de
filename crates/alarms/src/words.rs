//! Numbers and times as they are written in sentences: exact enough to act on, and no more digits than that.

const SECOND_MS: i64 = 1000;
const MINUTE_MS: i64 = 60 * SECOND_MS;
const HOUR_MS: i64 = 60 * MINUTE_MS;
const DAY_MS: i64 = 24 * HOUR_MS;

/// How long: `40 s`, `25 min`, `5 h`, `5.5 h`, `3 d`.
pub fn span(ms: i64) -> String {
    let ms = ms.max(0);
    if ms < 2 * MINUTE_MS {
        format!("{} s", (ms + SECOND_MS / 2) / SECOND_MS)
    } else if ms < 2 * HOUR_MS {
        format!("{} min", (ms + MINUTE_MS / 2) / MINUTE_MS)
    } else if ms < 2 * DAY_MS {
        decimal(ms as f64 / HOUR_MS as f64, 1, "h")
    } else {
        decimal(ms as f64 / DAY_MS as f64, 1, "d")
    }
}

/// The same for hours as a number.
pub fn hours(hours: f64) -> String {
    if hours.is_finite() { span((hours * HOUR_MS as f64) as i64) } else { "no limit in sight".to_owned() }
}

/// A number with at most so many digits behind the point, none that are only zeros, and its unit.
pub fn decimal(value: f64, digits: usize, unit: &str) -> String {
    let mut text = format!("{value:.digits$}");
    if text.contains('.') {
        text.truncate(text.trim_end_matches('0').trim_end_matches('.').len());
    }
    if text == "-0" {
        text = "0".to_owned();
    }
    if unit.is_empty() { text } else { format!("{text} {unit}") }
}

/// Litres.
pub fn litres(litres: f64) -> String {
    decimal(litres, 1, "L")
}

/// Time of day in the local time that the offset gives, `02:14`.
pub fn clock(ms: i64, local_offset_ms: i64) -> String {
    let minute = ms.saturating_add(local_offset_ms).rem_euclid(DAY_MS) / MINUTE_MS;
    format!("{:02}:{:02}", minute / 60, minute % 60)
}

/// `one`, `two` ... `nine`, then digits.
pub fn count(n: usize) -> String {
    let words = ["no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"];
    words.get(n).map_or_else(|| n.to_string(), |w| (*w).to_owned())
}

/// `1 alarm`, `3 alarms`, in words below ten.
pub fn counted(n: usize, what: &str) -> String {
    format!("{} {what}{}", count(n), if n == 1 { "" } else { "s" })
}

/// Names joined as in a sentence: `a`, `a and b`, `a, b and c`.
pub fn list<S: AsRef<str>>(names: &[S]) -> String {
    match names {
        [] => String::new(),
        [one] => one.as_ref().to_owned(),
        [first @ .., last] => {
            let first: Vec<&str> = first.iter().map(AsRef::as_ref).collect();
            format!("{} and {}", first.join(", "), last.as_ref())
        }
    }
}

/// A name of the system file as it reads in a sentence: `float_c_low` is `float c low`.
pub fn plain(name: &str) -> String {
    name.replace('_', " ")
}

/// With a capital first letter.
pub fn sentence(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_are_exact_enough_to_act_on() {
        let all = [0, 40_000, 119_600, 25 * MINUTE_MS, 5 * HOUR_MS, 19_800_000, 3 * DAY_MS, 95 * HOUR_MS];
        let words: Vec<String> = all.iter().map(|ms| span(*ms)).collect();
        assert_eq!(words, ["0 s", "40 s", "120 s", "25 min", "5 h", "5.5 h", "3 d", "4 d"]);
        assert_eq!(span(-5), "0 s");
        assert_eq!(hours(f64::INFINITY), "no limit in sight");
    }

    #[test]
    fn numbers_carry_no_idle_zeros() {
        assert_eq!(decimal(5.0, 2, "L"), "5 L");
        assert_eq!(decimal(-0.001, 1, "K"), "0 K");
        assert_eq!(decimal(8.125, 2, ""), "8.12");
        assert_eq!(decimal(100.0, 0, "%"), "100 %");
    }

    #[test]
    fn clocks_are_local() {
        assert_eq!(clock(2 * HOUR_MS + 14 * MINUTE_MS, HOUR_MS), "03:14");
        assert_eq!(clock(0, -HOUR_MS), "23:00");
    }

    #[test]
    fn lists_and_counts_read_as_sentences() {
        assert_eq!(list(&["a", "b", "c"]), "a, b and c");
        assert_eq!(counted(1, "alarm"), "one alarm");
        assert_eq!(counted(12, "alarm"), "12 alarms");
        assert_eq!(sentence("the board"), "The board");
    }
}
