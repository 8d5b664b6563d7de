//! Thermometers and conductivity cells against one or two references.
//!
//! One reference moves a thermometer (an offset) and stretches a conductivity cell (its cell constant); two do both. What the board is sent is
//! [`program::calibration::Linear`] in its own integers: m°C, µS/cm. References of temperature: crushed ice with distilled water, stirred, 0.0 °C
//! (common practice, good to 0.1 K), or a second thermometer that is known better. Of conductivity: what the bottle says at the temperature at
//! hand, or seawater of a known salinity by PSS-78.

use program::calibration::Linear;
use seawater::salinity::{compensated_to_25c, conductivity_ms_per_cm};
use system::{Diagnostic, Level};

use crate::stats::EVEN_95;

/// Counts of the board in a unit: m°C in a °C, µS/cm in a mS/cm.
pub const COUNTS: f64 = 1000.0;

/// What is calibrated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Measured {
    /// °C.
    Temperature,
    /// mS/cm.
    Conductivity,
}

/// Limits for one kind of probe. Assumed unless a source stands beside the number.
struct Limits {
    unit: &'static str,
    /// Offset without a word: DS18B20 data sheet ±0.5 K, doubled for a probe beside a reference that is off as much.
    offset: f64,
    offset_largest: f64,
    gain: f64,
    gain_largest: f64,
    /// Least distance of two references.
    apart: f64,
    possible: std::ops::RangeInclusive<f64>,
}

impl Measured {
    fn limits(self) -> Limits {
        match self {
            Measured::Temperature => Limits {
                unit: "K",
                offset: 1.0,
                offset_largest: 5.0,
                gain: 0.02,
                gain_largest: 0.1,
                apart: 10.0,
                possible: -20.0..=110.0,
            },
            Measured::Conductivity => Limits {
                unit: "mS/cm",
                offset: 1.0,
                offset_largest: 10.0,
                gain: 0.1,
                gain_largest: 0.4,
                apart: 10.0,
                possible: -5.0..=200.0,
            },
        }
    }
}

/// A reading beside what it should have been.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LinearPoint {
    /// What the probe gave, without any earlier calibration (see [`uncorrected`]).
    pub shown: f64,
    /// What is true.
    pub truth: f64,
    /// Half the width of what the truth may be off.
    #[serde(default)]
    pub half_width: f64,
}

/// What came of it.
#[derive(Clone, Debug, PartialEq)]
pub struct LinearCalibration {
    /// What the board is sent.
    pub linear: Linear,
    /// Truth less reading at the first reference, in the unit.
    pub offset: f64,
    /// Stretch of the reading; 1 changes nothing.
    pub gain: f64,
    /// How far a value at `used_at` may be off by the references, half of 95 %.
    pub half95_in_use: f64,
    /// Whether it may be sent.
    pub is_accepted: bool,
    /// What is to be said of it.
    pub findings: Vec<Diagnostic>,
}

/// Why there is nothing to judge.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LinearError {
    /// Not one or two readings.
    Count(usize),
    /// A value that cannot be; by its place.
    Impossible(usize),
    /// The references are closer together than this.
    TooClose(f64, &'static str),
    /// Both readings are the same, or of conductivity the only one is zero: the probe does not follow.
    Dead,
}

impl std::fmt::Display for LinearError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            LinearError::Count(n) => write!(f, "{n} references; take one or two"),
            LinearError::Impossible(k) => {
                write!(f, "reference {}: no probe reads or needs such a value; look at the unit", k + 1)
            }
            LinearError::TooClose(apart, unit) => write!(
                f,
                "the references are less than {apart} {unit} apart; take one alone, or more distant ones"
            ),
            LinearError::Dead => f.write_str(
                "the reading does not follow the reference; look at the plug and the cable of the probe",
            ),
        }
    }
}

impl std::error::Error for LinearError {}

/// Calibrates from one or two references; `used_at` is where the probe will work (25 °C, 53 mS/cm).
///
/// # Errors
/// [`LinearError`]: there is nothing to judge. A probe that is far off is a calibration that is not accepted.
pub fn calibrate(
    measured: Measured,
    points: &[LinearPoint],
    used_at: f64,
) -> Result<LinearCalibration, LinearError> {
    let limits = measured.limits();
    let is_possible = |p: &LinearPoint| {
        limits.possible.contains(&p.truth) && (-300.0..=300.0).contains(&p.shown) && p.half_width >= 0.0
    };
    if let Some(bad) = points.iter().position(|p| !is_possible(p)) {
        return Err(LinearError::Impossible(bad));
    }
    let (gain, zero, half95_in_use) = match points {
        [only] if measured == Measured::Temperature => {
            (1.0, only.truth - only.shown, EVEN_95 * only.half_width)
        }
        [only] if only.shown.abs() < 1e-6 || only.truth <= 0.0 => return Err(LinearError::Dead),
        [only] => (only.truth / only.shown, 0.0, EVEN_95 * only.half_width * (used_at / only.truth).abs()),
        [a, b] => two(a, b, used_at, &limits)?,
        _ => return Err(LinearError::Count(points.len())),
    };
    let findings = findings(measured, points, gain, &limits);
    let is_accepted = findings.iter().all(|f| f.level != Level::Error);
    let linear = if is_accepted { on_the_board(gain, zero) } else { Linear::NONE };
    let offset = points.first().map_or(0.0, |p| p.truth - p.shown);
    Ok(LinearCalibration { linear, offset, gain, half95_in_use, is_accepted, findings })
}

fn two(
    a: &LinearPoint,
    b: &LinearPoint,
    used_at: f64,
    limits: &Limits,
) -> Result<(f64, f64, f64), LinearError> {
    let run = b.truth - a.truth;
    if run.abs() < limits.apart {
        return Err(LinearError::TooClose(limits.apart, limits.unit));
    }
    if (b.shown - a.shown).abs() < 1e-6 {
        return Err(LinearError::Dead);
    }
    let gain = run / (b.shown - a.shown);
    let share = (used_at - a.truth) / run;
    let half = EVEN_95 * libm::hypot((1.0 - share) * a.half_width, share * b.half_width);
    Ok((gain, a.truth - a.shown * gain, half))
}

fn on_the_board(gain: f64, zero: f64) -> Linear {
    Linear { offset: (zero * COUNTS).round() as i32, gain_ppm: (gain * 1e6).round() as i32 }
}

fn findings(measured: Measured, points: &[LinearPoint], gain: f64, limits: &Limits) -> Vec<Diagnostic> {
    let mut out = Vec::new();
    // With a single reference of conductivity the gain says it all.
    let offsets = if measured == Measured::Conductivity && points.len() == 1 { &[] } else { points };
    let off = offsets.iter().map(|p| p.truth - p.shown).max_by(|a, b| a.abs().total_cmp(&b.abs()));
    if let Some(off) = off.filter(|o| o.abs() > limits.offset && measured == Measured::Temperature) {
        let shown = format!("the probe is off by {off:+.2} {}", limits.unit);
        out.push(if off.abs() > limits.offset_largest {
            Diagnostic::error("probe-far-off", format!("{shown}, more than {} {}", limits.offset_largest, limits.unit))
                .help("the reference or the probe is wrong: stir, wait, look with a second thermometer; replace the probe if it stays so")
        } else {
            Diagnostic::warning("probe-off", format!("{shown}, more than the {} {} of a sound one with its reference", limits.offset, limits.unit))
                .help("make sure of the reference before you send this")
        });
    }
    let stretch = (gain - 1.0).abs();
    if stretch > limits.gain {
        let shown = format!("readings must be stretched by {:.1} %", (gain - 1.0) * 100.0);
        out.push(if stretch > limits.gain_largest || !gain.is_finite() {
            Diagnostic::error("probe-gain-far-off", format!("{shown}, more than {:.0} %", limits.gain_largest * 100.0))
                .help("the reference, its unit or the span of the probe in the system file is wrong; clean the probe and begin again")
        } else {
            Diagnostic::warning("probe-gain-off", format!("{shown}, more than {:.0} %", limits.gain * 100.0))
                .help("clean the probe and look at the span in the system file; the calibration makes up for it")
        });
    }
    out
}

/// What a probe gives of itself, from what a calibrated board shows.
pub fn uncorrected(shown: f64, linear: &Linear) -> f64 {
    let gain = f64::from(linear.gain_ppm) / 1e6;
    if gain == 0.0 { shown } else { (shown - f64::from(linear.offset) / COUNTS) / gain }
}

/// What a conductivity probe should show in seawater of this salinity and temperature, mS/cm: PSS-78, then as the board refers it to 25 °C
/// with `ppm_per_k` (0: it does not).
pub fn seawater_standard_ms_cm(salinity: f64, temperature_c: f64, ppm_per_k: f64) -> f64 {
    let own = conductivity_ms_per_cm(salinity, temperature_c);
    if ppm_per_k == 0.0 { own } else { compensated_to_25c(own, temperature_c, ppm_per_k / 1e6) }
}
