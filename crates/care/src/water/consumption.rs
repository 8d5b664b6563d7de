//! What a tank uses up in a day: a line through tests, with what was dosed taken off, broken at water changes.
//!
//! Between two water changes `test = level - use * days + doses so far`. Doses are known, so they are taken off each test first; the rest is a
//! straight line whose fall is the use in a day. A water change begins a new level of unknown height; the fall is the same before and after
//! (least squares with one slope and a level a stretch). Its interval is Student's; where tests lie closer to the line than the steps of a home
//! test allow, the steps count.

use system::Diagnostic;

use super::quantity::Tested;
use crate::Estimate;
use crate::stats::{FitError, Line, Outlier, outlier};

/// A test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Test {
    /// When, in days on any count.
    pub day: f64,
    /// What it showed, in the quantity's unit.
    pub value: f64,
}

/// What a person or a pump did meanwhile.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Event {
    /// A dose at once that raises the whole tank by this much.
    Dose {
        /// When.
        day: f64,
        /// By how much, in the quantity's unit.
        raise: f64,
    },
    /// A steady dose, such as a pump's or limewater's.
    Steady {
        /// From this day.
        from_day: f64,
        /// To that day.
        to_day: f64,
        /// Raise in a day.
        per_day: f64,
    },
    /// A water change, whatever its size.
    Change {
        /// When.
        day: f64,
    },
}

/// What the log says.
#[derive(Clone, Debug, PartialEq)]
pub struct Consumption {
    /// Used up in a day, in the quantity's unit; negative where it rises by itself.
    pub per_day: Estimate,
    /// Where the tank stands on the last test's day, by the line of its stretch.
    pub now: Estimate,
    /// Scatter of a test about the line.
    pub test_sd: f64,
    /// How many tests it rests on.
    pub n_tests: usize,
    /// Day and value of the line, doses put back, at each test since the last water change; empty where fewer than two are.
    pub fitted: Vec<(f64, f64)>,
    /// The test, by its place in time, that does not fit.
    pub outlier: Option<Outlier>,
    /// What is to be said of it.
    pub findings: Vec<Diagnostic>,
}

/// Use in a day.
///
/// # Errors
/// No stretch between water changes has two tests at different times, or a number is none.
pub fn consumption(tested: Tested, tests: &[Test], events: &[Event]) -> Result<Consumption, FitError> {
    let Fitted { row, stretches, line, mean } = Fitted::of(tested, tests, events)?;
    let slope = line.slope95();
    let per_day = Estimate { value: -slope.value, half95: slope.half95 };
    let now = now(&line, &stretches, &row, tested, events);
    let longest = stretches.iter().max_by_key(|s| s.len()).map_or(&[][..], Vec::as_slice);
    let before: usize = stretches.iter().take_while(|s| s.as_slice() != longest).map(Vec::len).sum();
    let outlier = outlier(longest)
        .filter(|o| o.residual.abs() > 2.0 * tested.home_test_sd(mean))
        .map(|o| Outlier { index: o.index + before, ..o });
    let findings = findings(tested, &row, per_day, outlier, changed(longest));
    let last = stretches.last().filter(|s| s.len() >= 2).map_or(&[][..], Vec::as_slice);
    let at = |(day, _): &(f64, f64)| (*day, line.at(*day).value + dosed(events, row[0].day, *day));
    let fitted = last.iter().map(at).collect();
    Ok(Consumption { per_day, now, test_sd: line.residual_sd, n_tests: line.n, fitted, outlier, findings })
}

/// Tests in the order of time, what was dosed taken off, broken at water changes, with their line.
struct Fitted {
    row: Vec<Test>,
    stretches: Vec<Vec<(f64, f64)>>,
    line: Line,
    mean: f64,
}

impl Fitted {
    fn of(tested: Tested, tests: &[Test], events: &[Event]) -> Result<Fitted, FitError> {
        let mut row = tests.to_vec();
        if row.iter().any(|t| !t.day.is_finite() || !t.value.is_finite()) {
            return Err(FitError::NotFinite);
        }
        row.sort_by(|a, b| a.day.total_cmp(&b.day));
        let undosed: Vec<(f64, f64)> =
            row.iter().map(|t| (t.day, t.value - dosed(events, row[0].day, t.day))).collect();
        let stretches = broken(&undosed, events);
        let mean = row.iter().map(|t| t.value).sum::<f64>() / row.len().max(1) as f64;
        let parts: Vec<&[(f64, f64)]> = stretches.iter().map(Vec::as_slice).collect();
        let line = Line::fit_stretches(&parts, tested.home_test_sd(mean))?;
        Ok(Fitted { row, stretches, line, mean })
    }
}

/// What the tank should have on a day by earlier tests, the use that they show, and the doses since. `None` where nothing tells: the earlier tests give
/// no line with an interval, the newest of them stands alone since the last water change, or water was changed after it.
pub fn reckoned(tested: Tested, earlier: &[Test], events: &[Event], day: f64) -> Option<Estimate> {
    let Fitted { row, stretches, line, .. } = Fitted::of(tested, earlier, events).ok()?;
    let last = row.last().filter(|last| last.day <= day)?;
    let is_changed =
        events.iter().any(|e| matches!(e, Event::Change { day: at } if (last.day..day).contains(at)));
    if is_changed || stretches.last().is_none_or(|s| s.len() < 2) {
        return None;
    }
    let at = line.at(day);
    let value = at.value + dosed(events, row[0].day, day);
    (value.is_finite() && at.half95.is_finite()).then_some(Estimate { value, half95: at.half95 })
}

/// Where the tank stands: by the line when the last stretch has one, else the last test alone.
fn now(
    line: &Line,
    stretches: &[Vec<(f64, f64)>],
    row: &[Test],
    tested: Tested,
    events: &[Event],
) -> Estimate {
    let Some(last) = row.last() else {
        return Estimate { value: f64::NAN, half95: f64::INFINITY };
    };
    if stretches.last().is_some_and(|s| s.len() >= 2) {
        let at = line.at(last.day);
        return Estimate { value: at.value + dosed(events, row[0].day, last.day), half95: at.half95 };
    }
    Estimate { value: last.value, half95: crate::stats::NORMAL_95 * tested.home_test_sd(last.value) }
}

/// What was dosed between two days.
fn dosed(events: &[Event], from: f64, to: f64) -> f64 {
    let of = |event: &Event| match *event {
        Event::Dose { day, raise } if (from..to).contains(&day) => raise,
        Event::Steady { from_day, to_day, per_day } => {
            per_day * (to.min(to_day) - from.max(from_day)).max(0.0)
        }
        _ => 0.0,
    };
    events.iter().map(of).sum()
}

/// Tests between water changes.
fn broken(points: &[(f64, f64)], events: &[Event]) -> Vec<Vec<(f64, f64)>> {
    let mut changes: Vec<f64> =
        events.iter().filter_map(|e| if let Event::Change { day } = e { Some(*day) } else { None }).collect();
    changes.sort_by(f64::total_cmp);
    let stretch_of = |day: f64| changes.iter().filter(|c| **c < day).count();
    let mut out: Vec<Vec<(f64, f64)>> = vec![];
    let mut current = None;
    for point in points {
        let stretch = stretch_of(point.0);
        if current != Some(stretch) {
            out.push(vec![]);
            current = Some(stretch);
        }
        if let Some(last) = out.last_mut() {
            last.push(*point);
        }
    }
    out
}

/// How the use of the later half of a stretch differs from the earlier one's, where that is more than chance.
fn changed(points: &[(f64, f64)]) -> Option<(f64, f64)> {
    if points.len() < 8 {
        return None;
    }
    let (early, late) = points.split_at(points.len() / 2);
    let (early, late) = (Line::fit(early, 0.0).ok()?.slope95(), Line::fit(late, 0.0).ok()?.slope95());
    let apart = (early.value - late.value).abs();
    (apart > libm::hypot(early.half95, late.half95)).then_some((-early.value, -late.value))
}

fn findings(
    tested: Tested,
    row: &[Test],
    per_day: Estimate,
    outlier: Option<Outlier>,
    changed: Option<(f64, f64)>,
) -> Vec<Diagnostic> {
    let (name, unit, places) = (tested.name(), tested.unit(), tested.decimals());
    // A use in a day is told a digit finer than a test.
    let finer = places + 1;
    let mut out = Vec::new();
    if let Some((test, o)) = outlier.and_then(|o| Some((row.get(o.index)?, o))) {
        out.push(
            Diagnostic::warning(
                "test-off-its-line",
                format!(
                    "the {name} of {:.places$} {unit} on day {:.1} lies {:+.places$} off the line of the others",
                    test.value, test.day, o.residual
                ),
            )
            .note(format!("externally studentised residual {:.1}; Bonferroni's correction, 95 %", o.studentised))
            .help("test again; if it was a mistake, take it out of the log and reckon anew"),
        );
    }
    if per_day.high() < 0.0 {
        out.push(
            Diagnostic::warning(
                "consumption-negative",
                format!("{name} rises by {:.finer$} {unit} a day of itself", -per_day.value),
            )
            .help("more is dosed than the log says, or top-off water holds it; look at pumps, at the top-off, and at the kit"),
        );
    } else if !per_day.excludes(0.0) {
        // No minus before a nought.
        let scale = libm::exp10(finer as f64);
        let shown = (per_day.value * scale).round() / scale + 0.0;
        let half = if per_day.half95.is_finite() {
            format!("{:.finer$}", per_day.half95)
        } else {
            "any amount".to_owned()
        };
        out.push(
            Diagnostic::note_level(
                "consumption-uncertain",
                format!("a use of {shown:.finer$} {unit} a day is not sure: it may be off by {half}"),
            )
            .help("test every second day at the same hour for a fortnight without changing the dose"),
        );
    }
    if let Some((early, late)) = changed {
        out.push(
            Diagnostic::note_level(
                "consumption-changed",
                format!("the use of {name} changed from {early:.finer$} to {late:.finer$} {unit} a day within the log"),
            )
            .help("reckon with the later tests alone"),
        );
    }
    out
}
