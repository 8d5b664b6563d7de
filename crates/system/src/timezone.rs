//! The form of a POSIX TZ string (IEEE Std 1003.1, "Other Environment Variables", TZ in its third form without a colon):
//! `std offset [dst [offset] [,start[/time],end[/time]]]`. Only the `M` form of dates is taken: it is what the board computes.

/// Whether the text is a time zone that the board can compute; else what is wrong.
pub(crate) fn check(text: &str) -> Result<(), &'static str> {
    let rest = name(text).ok_or("it begins with a name of three letters or more")?;
    let rest = offset(rest).ok_or("hours west of Greenwich must follow the name")?;
    if rest.is_empty() {
        return Ok(());
    }
    let rest = name(rest).ok_or("the name of summer time must follow")?;
    let rest = offset(rest).unwrap_or(rest);
    let rest = rest.strip_prefix(',').ok_or("the dates of summer time must follow, each after a comma")?;
    let rest = date(rest).ok_or("the start of summer time is written Mmonth.week.day, such as `M3.5.0`")?;
    let rest = rest.strip_prefix(',').ok_or("the end of summer time must follow after a comma")?;
    let rest = date(rest).ok_or("the end of summer time is written Mmonth.week.day, such as `M10.5.0`")?;
    if rest.is_empty() { Ok(()) } else { Err("something follows the end of summer time") }
}

fn name(text: &str) -> Option<&str> {
    const SHORTEST: usize = 3;
    if let Some(quoted) = text.strip_prefix('<') {
        let (name, rest) = quoted.split_once('>')?;
        let good = name.chars().all(|c| c.is_ascii_alphanumeric() || c == '+' || c == '-');
        return (good && name.len() >= SHORTEST).then_some(rest);
    }
    let end = text.find(|c: char| !c.is_ascii_alphabetic()).unwrap_or(text.len());
    (end >= SHORTEST).then(|| &text[end..])
}

/// `[+-]hh[:mm[:ss]]`.
fn offset(text: &str) -> Option<&str> {
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
    clock(unsigned, 24)
}

fn clock(text: &str, most_hours: u32) -> Option<&str> {
    let mut rest = number(text, 0, most_hours)?;
    for _ in 0..2 {
        match rest.strip_prefix(':') {
            Some(after) => rest = number(after, 0, 59)?,
            None => break,
        }
    }
    Some(rest)
}

fn date(text: &str) -> Option<&str> {
    let rest = number(text.strip_prefix('M')?, 1, 12)?;
    let rest = number(rest.strip_prefix('.')?, 1, 5)?;
    let rest = number(rest.strip_prefix('.')?, 0, 6)?;
    match rest.strip_prefix('/') {
        Some(time) => clock(time, 24),
        None => Some(rest),
    }
}

fn number(text: &str, from: u32, to: u32) -> Option<&str> {
    let end = text.find(|c: char| !c.is_ascii_digit()).unwrap_or(text.len());
    let value: u32 = text[..end].parse().ok()?;
    (value >= from && value <= to).then(|| &text[end..])
}

#[cfg(test)]
mod tests {
    use super::check;

    #[test]
    fn zones_of_the_world() {
        for zone in [
            "UTC0",
            "GMT0BST,M3.5.0/1,M10.5.0",
            "CET-1CEST,M3.5.0,M10.5.0/3",
            "<+0330>-3:30",
            "PST8PDT,M3.2.0,M11.1.0",
        ] {
            assert_eq!(check(zone), Ok(()), "{zone}");
        }
        for wrong in
            ["", "Europe/London", "GMT", "GMT0BST", "GMT0BST,M3.5.0", "GMT0BST,M13.5.0,M10.5.0", "UTC0 "]
        {
            assert!(check(wrong).is_err(), "{wrong}");
        }
    }
}
