//! Whether a reading has come to rest, so that a calibration may take it.
//!
//! A line is laid through the newest readings of a window. It stands still when the change that is left, with 95 % confidence and the
//! step of the converter counted, is below the limit for each minute. For a probe that settles exponentially with a time constant of
//! up to a minute, what is still to come is then less than that limit: `remaining = rate * time constant`.

use crate::stats::{Line, sd};

/// What counts as still.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Criterion {
    /// How much of the newest time is looked at, s.
    pub window_s: f64,
    /// Change for each minute that is still let through, in the reading's unit.
    pub per_minute: f64,
    /// Step of the reading: a change below it is not seen.
    pub step: f64,
    /// Standard deviation beyond which readings are too noisy for a calibration.
    pub noise: f64,
}

impl Criterion {
    /// pH electrode, mV: 0.3 mV (0.005 pH) a minute over a minute (common practice is 0.01 pH a minute); noise up to 1 mV (assumed).
    pub fn electrode(step_mv: f64) -> Criterion {
        Criterion { window_s: 60.0, per_minute: 0.3, step: step_mv, noise: 1.0 }
    }

    /// Thermometer, K: 0.05 K a minute over a minute and a half; noise up to 0.2 K (assumed).
    pub fn thermometer(step_k: f64) -> Criterion {
        Criterion { window_s: 90.0, per_minute: 0.05, step: step_k, noise: 0.2 }
    }

    /// Conductivity, mS/cm: 0.05 a minute (0.1 % of seawater's) over a minute; noise up to 0.3 (assumed).
    pub fn conductivity(step_ms_cm: f64) -> Criterion {
        Criterion { window_s: 60.0, per_minute: 0.05, step: step_ms_cm, noise: 0.3 }
    }
}

/// What a window says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Stillness {
    /// Not enough readings yet: fewer than eight, or less than the window's time.
    TooShort {
        /// Time that is missing, s.
        left_s: f64,
    },
    /// Still on its way.
    Settling {
        /// Change for each minute.
        per_minute: f64,
        /// When it should stand, by how its rate falls, s; nothing when the rate does not fall.
        left_s: Option<f64>,
    },
    /// Too noisy to be used.
    Noisy {
        /// Standard deviation about the line.
        sd: f64,
    },
    /// It stands: the mean of the window may be taken.
    Still {
        /// Mean.
        mean: f64,
        /// Standard deviation of a reading.
        sd: f64,
        /// Number of readings.
        n: usize,
    },
}

const FEWEST: usize = 8;

/// Judges readings (time in s, value), oldest first. Readings that are no number are passed over.
pub fn judge(readings: &[(f64, f64)], criterion: &Criterion) -> Stillness {
    let sound: Vec<(f64, f64)> =
        readings.iter().copied().filter(|(t, v)| t.is_finite() && v.is_finite()).collect();
    let Some(newest) = sound.last().map(|r| r.0) else {
        return Stillness::TooShort { left_s: criterion.window_s };
    };
    let oldest = sound[0].0;
    let window = within(&sound, newest - criterion.window_s, newest);
    // A tenth is let go, or readings that come a little irregularly would never fill the window.
    let long_enough = newest - oldest >= criterion.window_s * 0.9;
    let (true, true, Ok(line)) = (long_enough, window.len() >= FEWEST, Line::fit(&window, 0.0)) else {
        return Stillness::TooShort { left_s: (criterion.window_s - (newest - oldest)).max(1.0) };
    };
    if line.residual_sd > criterion.noise {
        return Stillness::Noisy { sd: line.residual_sd };
    }
    // A step that is never crossed hides as much change as it is wide.
    let unseen = criterion.step / criterion.window_s;
    let slope = line.slope95();
    let most_per_minute = 60.0 * (slope.value.abs() + slope.half95).max(unseen);
    if most_per_minute > criterion.per_minute.max(60.0 * unseen) {
        let left_s = left(&sound, newest, criterion);
        return Stillness::Settling { per_minute: slope.value * 60.0, left_s };
    }
    let values: Vec<f64> = window.iter().map(|w| w.1).collect();
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    Stillness::Still { mean, sd: sd(&values), n: values.len() }
}

fn within(readings: &[(f64, f64)], from: f64, to: f64) -> Vec<(f64, f64)> {
    readings.iter().copied().filter(|(t, _)| (from..=to).contains(t)).collect()
}

/// By the rates of the two halves of twice the window: an exponential's rate falls by the same factor each time.
fn left(readings: &[(f64, f64)], newest: f64, criterion: &Criterion) -> Option<f64> {
    let width = criterion.window_s;
    let rate = |to: f64| Line::fit(&within(readings, to - width, to), 0.0).ok().map(|l| l.slope.abs() * 60.0);
    let (now, before) = (rate(newest)?, rate(newest - width)?);
    let fall = libm::log(before / now) / width;
    let to_go = libm::log(now / criterion.per_minute) / fall;
    (fall > 0.0 && to_go.is_finite() && to_go > 0.0 && to_go < 3600.0).then_some(to_go)
}
