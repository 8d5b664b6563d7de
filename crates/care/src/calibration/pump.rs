//! A metered pump: what it gives a minute, from volumes caught in a measured time.
//!
//! Catch at least two volumes, each as large as the vessel allows: the step of a measuring cylinder is an error once a catch. A tube of a
//! peristaltic pump loses flow as it wears; a fall of more than a tenth since the first calibration is told (assumed).

use system::{Diagnostic, Level};

use crate::Estimate;
use crate::stats::{NORMAL_95, mean95, sd};

/// One catch.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Catch {
    /// How long the pump ran, s.
    pub seconds: f64,
    /// What was caught, mL.
    pub millilitres: f64,
}

/// What came of it.
#[derive(Clone, Debug, PartialEq)]
pub struct PumpCalibration {
    /// Flow, mL/min.
    pub flow_ml_min: Estimate,
    /// What the board is sent: µL/min.
    pub parameter_ul_min: i32,
    /// Scatter of a catch, % of the mean.
    pub scatter_percent: f64,
    /// Whether it may be sent.
    pub is_accepted: bool,
    /// What is to be said of it.
    pub findings: Vec<Diagnostic>,
}

/// Why there is nothing to judge.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PumpError {
    /// No catch at all.
    None,
    /// A time or volume that is not above zero; by its place.
    Impossible(usize),
    /// More than a board can hold: 2147 L/min.
    TooLarge,
}

impl std::fmt::Display for PumpError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            PumpError::None => f.write_str("no volume was caught; run the pump into a measuring cylinder"),
            PumpError::Impossible(k) => {
                write!(f, "catch {}: time and volume must be above zero; is the tube primed?", k + 1)
            }
            PumpError::TooLarge => {
                f.write_str("more than 2000 L/min; look at the units: seconds and millilitres")
            }
        }
    }
}

impl std::error::Error for PumpError {}

/// Scatter of catches that is let through, % (assumed; common dosing pumps repeat within 1 to 2 %).
const SCATTER: f64 = 3.0;
/// Fall since the first calibration that is told, % (assumed).
const WORN: f64 = 10.0;
/// Difference from the nominal flow beyond which the entry is doubted, % (assumed).
const FAR_OFF: f64 = 50.0;

/// Flow by catches. `step_ml` is the step of the measuring vessel, `nominal_ml_min` the system file's flow, `first_ml_min` that of the first
/// calibration with this tube.
///
/// # Errors
/// [`PumpError`]: there is nothing to judge.
pub fn calibrate(
    catches: &[Catch],
    step_ml: f64,
    nominal_ml_min: Option<f64>,
    first_ml_min: Option<f64>,
) -> Result<PumpCalibration, PumpError> {
    let is_possible = |c: &Catch| {
        c.seconds > 0.0 && c.millilitres > 0.0 && c.seconds.is_finite() && c.millilitres.is_finite()
    };
    if let Some(bad) = catches.iter().position(|c| !is_possible(c)) {
        return Err(PumpError::Impossible(bad));
    }
    let flows: Vec<f64> = catches.iter().map(|c| c.millilitres / c.seconds * 60.0).collect();
    let mean = mean95(&flows).ok_or(PumpError::None)?;
    let parameter = (mean.value * 1e3).round();
    if parameter > f64::from(i32::MAX) {
        return Err(PumpError::TooLarge);
    }
    // A volume read to half a step either way, evenly: standard deviation step/sqrt(12), once a catch.
    let by_step = |c: &Catch| step_ml.max(0.0) / 12.0_f64.sqrt() / c.seconds * 60.0;
    let reading = catches.iter().map(|c| by_step(c) * by_step(c)).sum::<f64>().sqrt() / catches.len() as f64;
    let from_step = NORMAL_95 * reading;
    let half95 = if catches.len() == 1 { from_step } else { mean.half95.max(from_step) };
    let scatter_percent = sd(&flows) / mean.value * 100.0;
    let flow_ml_min = Estimate { value: mean.value, half95 };
    let findings = findings(flow_ml_min, scatter_percent, catches.len(), nominal_ml_min, first_ml_min);
    Ok(PumpCalibration {
        flow_ml_min,
        parameter_ul_min: parameter as i32,
        scatter_percent,
        is_accepted: findings.iter().all(|f| f.level != Level::Error),
        findings,
    })
}

fn findings(
    flow: Estimate,
    scatter: f64,
    n: usize,
    nominal: Option<f64>,
    first: Option<f64>,
) -> Vec<Diagnostic> {
    let mut out = Vec::new();
    let against = |other: f64| (flow.value / other - 1.0) * 100.0;
    if n == 1 {
        out.push(
            Diagnostic::note_level(
                "pump-one-catch",
                "a single catch says nothing of how well the pump repeats",
            )
            .help("catch the same time again, twice"),
        );
    }
    if scatter > SCATTER {
        out.push(
            Diagnostic::warning("pump-scatters", format!("catches scatter by {scatter:.1} % about their mean"))
                .help("prime the tube, keep its end at one height, catch for longer; a pump that goes on so doses as unevenly"),
        );
    }
    if let Some(nominal) = nominal.filter(|n| *n > 0.0 && against(*n).abs() > FAR_OFF) {
        out.push(
            Diagnostic::warning(
                "pump-far-from-file",
                format!("{:.2} mL/min is {:+.0} % off the {nominal:.2} mL/min of the system file", flow.value, against(nominal)),
            )
            .help("look at seconds and millilitres; if they are right, correct the flow in the system file, for audit and FMEA rest on it"),
        );
    }
    if let Some(first) = first.filter(|f| *f > 0.0 && against(*f) < -WORN) {
        out.push(
            Diagnostic::warning(
                "pump-worn",
                format!(
                    "the flow fell by {:.0} % since the first calibration ({first:.2} mL/min)",
                    -against(first)
                ),
            )
            .help("replace the tube or its head, then calibrate anew"),
        );
    }
    out
}
