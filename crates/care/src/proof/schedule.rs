//! What is due when: from an interval and the last time it was done. Days count from 1970-01-01.

/// How a thing stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Time is left.
    Later,
    /// Within a week, or a quarter of its interval where that is less.
    Soon,
    /// Today, or not done in time.
    Due,
    /// Late by more than a quarter of its interval, at least three days: an alarm of its own.
    Overdue,
}

/// When something is due.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Due {
    /// Day on which it is due.
    pub day: i64,
    /// How it stands today.
    pub state: State,
}

/// When a thing with this interval is due, last done on a day, or never since the system was begun.
pub fn due(interval_days: u32, last_done_day: Option<i64>, begun_day: i64, today: i64) -> Due {
    let interval = i64::from(interval_days.max(1));
    // What was never done is due a week after the beginning: a new system is tried before it is left alone.
    let day = match last_done_day {
        Some(last) => last.saturating_add(interval),
        None => begun_day.saturating_add(interval.min(7)),
    };
    let grace = (interval / 4).max(3);
    let ahead = (interval / 4).min(7);
    let state = match today.saturating_sub(day) {
        late if late > grace => State::Overdue,
        late if late >= 0 => State::Due,
        late if late >= -ahead => State::Soon,
        _ => State::Later,
    };
    Due { day, state }
}

/// Due by running time: hours run since it was done against what it bears.
pub fn due_by_hours(bears_h: f64, run_h: f64) -> State {
    let share = if bears_h > 0.0 { run_h / bears_h } else { f64::INFINITY };
    match share {
        s if s > 1.25 => State::Overdue,
        s if s >= 1.0 => State::Due,
        s if s >= 0.9 => State::Soon,
        _ => State::Later,
    }
}
