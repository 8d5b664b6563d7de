//! What a row of calibrations says of a probe: when it will be out, how far it was off each time it was looked at, and whether it holds.
//!
//! Two questions, two answers. *When will it be out?* A line through slope and through offset against time meets its limit: expected, and the
//! times between which with 95 % confidence. *Does it hold between calibrations?* Each calibration finds the error that the one before had
//! grown to ([`AsFound`]); their mean rate and their scatter give for how many days a reading stays within a tolerance. A probe whose
//! calibrations all look good but each found it far off does not hold, and is told so.

use program::calibration::{Linear, PhElectrode};
use system::Diagnostic;

use super::electrode::{OFFSET_LARGEST_MV, SLOPE_LOWEST, shown_ph, voltage_mv};
use super::linear::{COUNTS, uncorrected};
use crate::Estimate;
use crate::stats::{CONFIDENCE, Crossing, FitError, Line, student_t};

/// A pH calibration that was made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Made {
    /// When, in days on any count.
    pub day: f64,
    /// What the board was sent.
    pub electrode: PhElectrode,
}

/// How far a probe was off when a calibration looked at it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AsFound {
    /// Days since the calibration before.
    pub days: f64,
    /// Reading less truth where the probe is used, in its unit.
    pub error: f64,
}

/// How long a probe may be trusted after a calibration.
#[derive(Clone, Debug, PartialEq)]
pub struct Holding {
    /// Mean drift for a week, in the probe's unit.
    pub per_week: Estimate,
    /// Standard deviation about that drift, a calibration.
    pub scatter: f64,
    /// The largest error found, with the days it took.
    pub worst: AsFound,
    /// Days for which the next reading stays within the tolerance with 95 % confidence, at most a year; 0 when even a fresh calibration
    /// does not give it; `None` with fewer than three errors found.
    pub days: Option<f64>,
}

/// How exact the probe is wanted and how often a person is ready to calibrate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wanted {
    /// Tolerance in the probe's unit.
    pub tolerance: f64,
    /// Days between calibrations that are still bearable.
    pub days: f64,
    /// Unit in texts.
    pub unit: &'static str,
}

impl Wanted {
    /// pH: 0.1 for a fortnight (common practice, no source).
    pub const PH: Wanted = Wanted { tolerance: 0.1, days: 14.0, unit: "pH" };
    /// Temperature: 0.3 K for half a year (assumed).
    pub const TEMPERATURE: Wanted = Wanted { tolerance: 0.3, days: 182.0, unit: "K" };
    /// Conductivity: 1 mS/cm, some 0.75 of salinity, for a month (assumed).
    pub const CONDUCTIVITY: Wanted = Wanted { tolerance: 1.0, days: 30.0, unit: "mS/cm" };
}

const YEAR_DAYS: f64 = 365.0;
/// Errors found that say how long a probe holds.
const FEWEST_FOUND: usize = 3;

/// How long a probe holds, by what calibrations found; nothing without one.
///
/// Model: error = rate * days + scatter. The rate by least squares through the origin; a further reading lies within
/// `|rate| d + t s sqrt(1 + d²/Σd²)`.
pub fn holding(found: &[AsFound], tolerance: f64) -> Option<Holding> {
    let sound: Vec<AsFound> =
        found.iter().copied().filter(|f| f.days > 0.0 && f.days.is_finite() && f.error.is_finite()).collect();
    let worst = sound.iter().copied().max_by(|a, b| a.error.abs().total_cmp(&b.error.abs()))?;
    let sum_squares: f64 = sound.iter().map(|f| f.days * f.days).sum();
    let rate = sound.iter().map(|f| f.days * f.error).sum::<f64>() / sum_squares;
    let dof = sound.len() - 1;
    let rest: f64 = sound.iter().map(|f| f.error - rate * f.days).map(|r| r * r).sum();
    let scatter = if dof > 0 { (rest / dof as f64).sqrt() } else { 0.0 };
    let t = student_t(CONFIDENCE, dof);
    let half95 = if dof > 0 { 7.0 * t * scatter / sum_squares.sqrt() } else { f64::INFINITY };
    let reach = |d: f64| rate.abs() * d + t * scatter * (1.0 + d * d / sum_squares).sqrt();
    let days = (sound.len() >= FEWEST_FOUND).then(|| last_within(reach, tolerance));
    Some(Holding { per_week: Estimate { value: 7.0 * rate, half95 }, scatter, worst, days })
}

/// The last day, up to a year, at which a growing reach is within the tolerance.
fn last_within(reach: impl Fn(f64) -> f64, tolerance: f64) -> f64 {
    if reach(YEAR_DAYS) <= tolerance {
        return YEAR_DAYS;
    }
    let (mut low, mut high) = (0.0, YEAR_DAYS);
    if reach(low) > tolerance {
        return 0.0;
    }
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if reach(middle) <= tolerance {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

/// What is to be said of how a probe holds.
pub fn holding_findings(found: &[AsFound], wanted: &Wanted) -> Vec<Diagnostic> {
    let Some(holding) = holding(found, wanted.tolerance) else {
        return vec![];
    };
    let Wanted { tolerance, days: bearable, unit } = *wanted;
    let worst = holding.worst;
    let facts = |d: Diagnostic| {
        d.note(format!(
            "{} calibrations found it off; the most was {:+.2} {unit} after {:.0} days; mean drift {:+.3} {unit} a week, scatter {:.3} {unit}",
            found.len(),
            worst.error,
            worst.days,
            holding.per_week.value,
            holding.scatter
        ))
    };
    match holding.days {
        Some(days) if days < bearable => vec![facts(
            Diagnostic::warning(
                "probe-does-not-hold",
                if days < 1.0 {
                    format!("the probe does not hold its calibration: not even for a day within {tolerance} {unit}")
                } else {
                    format!("the probe does not hold its calibration: within {tolerance} {unit} for {days:.0} days, not {bearable:.0}")
                },
            )
            .help("replace it, or take its readings for a trend only and let nothing but a test decide"),
        )],
        None if worst.error.abs() > tolerance && worst.days <= bearable => vec![facts(
            Diagnostic::warning(
                "probe-found-off",
                format!("the calibration before had gone off by {:+.2} {unit} in {:.0} days", worst.error, worst.days),
            )
            .help("calibrate again in a week; three such finds tell whether the probe holds"),
        )],
        _ => vec![],
    }
}

/// How a pH electrode ages.
#[derive(Clone, Debug, PartialEq)]
pub struct Ageing {
    /// Lower slope against time, %; nothing with fewer than three calibrations.
    pub slope: Option<Line>,
    /// Offset against time, mV.
    pub offset: Option<Line>,
    /// When slope or offset will be beyond what is accepted at all (85 %, 60 mV), the sooner one: days on the count of the calibrations.
    /// Within ten years.
    pub out: Option<Crossing>,
    /// Errors that each calibration found, at pH 8.2 and 25 °C.
    pub found: Vec<AsFound>,
}

const HORIZON_DAYS: f64 = 3653.0;

/// Slope of an electrode in % of Nernst's, the lower of both sides.
fn slope_percent(electrode: &PhElectrode) -> f64 {
    f64::from(electrode.acid_slope_uv.min(electrode.base_slope_uv))
        / f64::from(program::calibration::IDEAL_SLOPE_UV)
        * 100.0
}

/// How an electrode ages, by its calibrations since it was put in (oldest first; others are sorted).
pub fn ageing(calibrations: &[Made]) -> Ageing {
    let mut row = calibrations.to_vec();
    row.retain(|m| m.day.is_finite());
    row.sort_by(|a, b| a.day.total_cmp(&b.day));
    let line = |of: fn(&PhElectrode) -> f64| -> Option<Line> {
        let points: Vec<(f64, f64)> = row.iter().map(|m| (m.day, of(&m.electrode))).collect();
        let fit: Result<Line, FitError> = Line::fit(&points, 0.0);
        fit.ok().filter(|line| line.dof >= 1)
    };
    let slope = line(slope_percent);
    let offset = line(|e| f64::from(e.offset_uv) / 1e3);
    let now = row.last().map_or(0.0, |m| m.day);
    let meets = |line: &Line, limit: f64| line.reaches(limit, now, now + HORIZON_DAYS);
    let by_slope = slope.as_ref().map(|l| meets(l, SLOPE_LOWEST));
    let by_offset =
        offset.as_ref().map(|l| meets(l, if l.slope < 0.0 { -OFFSET_LARGEST_MV } else { OFFSET_LARGEST_MV }));
    Ageing { slope, offset, out: sooner(by_slope, by_offset), found: found(&row) }
}

fn sooner(a: Option<Crossing>, b: Option<Crossing>) -> Option<Crossing> {
    let least = |x: Option<f64>, y: Option<f64>| match (x, y) {
        (Some(x), Some(y)) => Some(x.min(y)),
        (x, y) => x.or(y),
    };
    match (a, b) {
        (Some(a), Some(b)) => Some(Crossing {
            earliest: least(a.earliest, b.earliest),
            expected: least(a.expected, b.expected),
            latest: least(a.latest, b.latest),
        }),
        (a, b) => a.or(b),
    }
}

/// pH at which errors are looked at, and the temperature.
const USED_AT: (f64, f64) = (8.2, 25.0);

fn found(row: &[Made]) -> Vec<AsFound> {
    let (ph, celsius) = USED_AT;
    let pair = |pair: &[Made]| {
        let shown = shown_ph(voltage_mv(ph, celsius, &pair[1].electrode), celsius, &pair[0].electrode);
        AsFound { days: pair[1].day - pair[0].day, error: shown - ph }
    };
    // Two on one day are one calibration that was done again: it found nothing.
    row.windows(2).map(pair).filter(|f| f.days >= 0.5).collect()
}

/// A calibration of a thermometer or conductivity cell that was made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MadeLinear {
    /// When, in days on any count.
    pub day: f64,
    /// What the board was sent.
    pub linear: Linear,
}

/// Errors that each calibration found where the probe is used (25 °C, 53 mS/cm): what the one before would have shown there.
pub fn found_linear(made: &[MadeLinear], used_at: f64) -> Vec<AsFound> {
    let mut row: Vec<MadeLinear> = made.iter().copied().filter(|m| m.day.is_finite()).collect();
    row.sort_by(|a, b| a.day.total_cmp(&b.day));
    let shown = |own: f64, linear: &Linear| {
        own * f64::from(linear.gain_ppm) / 1e6 + f64::from(linear.offset) / COUNTS
    };
    let pair = |pair: &[MadeLinear]| {
        let own = uncorrected(used_at, &pair[1].linear);
        AsFound { days: pair[1].day - pair[0].day, error: shown(own, &pair[0].linear) - used_at }
    };
    row.windows(2).map(pair).filter(|f| f.days >= 0.5).collect()
}

/// What is to be said of an electrode's row of calibrations; `now_day` on their count.
pub fn ageing_findings(ageing: &Ageing, now_day: f64) -> Vec<Diagnostic> {
    let mut out = holding_findings(&ageing.found, &Wanted::PH);
    if let Some(Crossing { earliest: Some(earliest), expected, latest }) = ageing.out {
        let within = earliest - now_day;
        // A band that is wide because the calibrations are few says nothing; told when it is near and also expected.
        if within < SOON_DAYS && expected.is_some_and(|e| e - now_day < 4.0 * SOON_DAYS) {
            let shown = |day: Option<f64>| {
                day.map_or("later than ten years".to_owned(), |d| {
                    format!("{:.0} days", (d - now_day).max(0.0))
                })
            };
            out.push(
                Diagnostic::warning(
                    "probe-soon-out",
                    format!("the electrode will be out in {} (between {:.0} days and {})", shown(expected), within.max(0.0), shown(latest)),
                )
                .note(format!(
                    "lines through its calibrations meet {SLOPE_LOWEST} % slope or {OFFSET_LARGEST_MV} mV offset; interval of 95 %"
                ))
                .help("order the next electrode"),
            );
        }
    }
    out
}

/// How long ahead a failing electrode is told, days: time to order one (assumed).
const SOON_DAYS: f64 = 42.0;
