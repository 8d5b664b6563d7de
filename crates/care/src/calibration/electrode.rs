//! A pH electrode calibrated in two or three buffers: slope, offset, whether they are those of a sound electrode, and how far a pH may be off.
//!
//! `E = offset - slope k (pH - 7)` with the Nernst slope `k = ln 10 R T / F`, 59.159 mV at 25 °C (SI values of 2019). What a board is sent is
//! [`program::calibration::PhElectrode`], computed by the board's own integers, so that what is judged here is what it will show.
//!
//! Acceptance: slope 90 to 105 % and offset within 30 mV (USP <791>, by a summary); down to 85 % with a warning, as makers of field meters do;
//! beyond 85 to 105 % or 60 mV refused. Common laboratory practice asks for 95 % (from memory): below that it is told that the electrode ages.

use program::calibration::{BufferReading, CalibrationError, PhElectrode};
use system::Diagnostic;

use super::buffers::Reference;

/// Nernst slope at 25 °C, mV/pH.
pub const NERNST_25C_MV: f64 = 59.159_349_7;
const KELVIN: f64 = 273.15;

/// Nernst slope at a temperature, mV/pH: ln 10 R T / F.
pub fn nernst_mv(temperature_c: f64) -> f64 {
    NERNST_25C_MV * (temperature_c + KELVIN) / 298.15
}

/// Slope of a fresh electrode, % (common laboratory practice, from memory).
pub const SLOPE_FRESH: f64 = 95.0;
/// Slope that is accepted without a word from (USP <791>), %.
pub const SLOPE_ACCEPTED: f64 = 90.0;
/// Lowest slope at all (makers of field meters), %.
pub const SLOPE_LOWEST: f64 = 85.0;
/// Highest slope (USP <791>), %: more than the theory gives is a wrong buffer.
pub const SLOPE_HIGHEST: f64 = 105.0;
/// Offset that is accepted without a word (USP <791>), mV.
pub const OFFSET_ACCEPTED_MV: f64 = 30.0;
/// Largest offset at all, mV.
pub const OFFSET_LARGEST_MV: f64 = 60.0;
/// Acid and base slopes further apart than this (%) point at a spoilt buffer (assumed).
const SLOPES_APART: f64 = 4.0;
/// Buffers further apart in temperature than this, K, were not left long enough beside each other (assumed).
const TEMPERATURES_APART_K: f64 = 3.0;

/// A reading in one buffer.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BufferPoint {
    /// What the electrode stood in.
    pub reference: Reference,
    /// Temperature of the buffer, °C.
    pub temperature_c: f64,
    /// Voltage of the electrode, mV.
    pub electrode_mv: f64,
    /// Standard deviation of that voltage, mV; 0 when unknown.
    #[serde(default)]
    pub sd_mv: f64,
}

/// What a calibration came to.
#[derive(Clone, Debug, PartialEq)]
pub struct PhCalibration {
    /// What the board is sent.
    pub electrode: PhElectrode,
    /// Slope below pH 7, % of Nernst's.
    pub acid_slope_percent: f64,
    /// Slope above pH 7, % of Nernst's.
    pub base_slope_percent: f64,
    /// Voltage at pH 7, mV.
    pub offset_mv: f64,
    /// How far the pH of a tank (8.2 at the buffers' temperature) may be off by buffers and noise, half of 95 %.
    pub half95_at_8_2: f64,
    /// Whether it may be sent: no finding is an error.
    pub is_accepted: bool,
    /// What is to be said of it.
    pub findings: Vec<Diagnostic>,
}

impl PhCalibration {
    /// The lower of both slopes, %.
    pub fn slope_percent(&self) -> f64 {
        self.acid_slope_percent.min(self.base_slope_percent)
    }
}

/// Why there is nothing to judge.
#[derive(Clone, Debug, PartialEq)]
pub enum PhError {
    /// Not two or three readings.
    Count(usize),
    /// A buffer whose pH at this temperature is not known; by its place among the readings.
    NoTable(usize),
    /// A voltage or temperature that cannot be; by its place.
    Impossible(usize),
    /// Two of three buffers are less than 0.5 pH apart.
    TooClose,
}

impl std::fmt::Display for PhError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            PhError::Count(n) => write!(f, "{n} readings; a pH calibration takes two or three buffers"),
            PhError::NoTable(k) => write!(
                f,
                "reading {}: the pH of this buffer is known from 0 to 40 °C; bring it there, or give the pH that its bottle states",
                k + 1
            ),
            PhError::Impossible(k) => write!(
                f,
                "reading {}: no electrode gives this voltage at this temperature; voltages are in mV within ±1000, temperatures from 0 to 60 °C",
                k + 1
            ),
            PhError::TooClose => {
                f.write_str("two buffers are less than 0.5 pH apart; take such as 7.00 and 10.01")
            }
        }
    }
}

impl std::error::Error for PhError {}

/// Calibrates an electrode. The buffers may come in any order.
///
/// # Errors
/// [`PhError`]: the readings are no calibration at all. An electrode that is found unsound is no error but a calibration that is not
/// accepted.
pub fn calibrate(points: &[BufferPoint]) -> Result<PhCalibration, PhError> {
    if !(2..=3).contains(&points.len()) {
        return Err(PhError::Count(points.len()));
    }
    let mut known = Vec::new();
    for (k, point) in points.iter().enumerate() {
        if !(-1000.0..=1000.0).contains(&point.electrode_mv) || !(0.0..=60.0).contains(&point.temperature_c) {
            return Err(PhError::Impossible(k));
        }
        known.push((point.reference.ph(point.temperature_c).ok_or(PhError::NoTable(k))?, *point));
    }
    known.sort_by(|a, b| a.0.total_cmp(&b.0));
    if known.windows(2).any(|w| w[1].0 - w[0].0 < 0.5) {
        return Err(PhError::TooClose);
    }
    let fit = Fit::of(&known);
    let mut findings = fit.findings(&known);
    let electrode = match on_the_board(&known) {
        Ok(electrode) => electrode,
        Err(refusal) => {
            if findings.iter().all(|f| f.level != system::Level::Error) {
                findings.push(Diagnostic::error("ph-refused", refusal.to_string()));
            }
            PhElectrode::IDEAL
        }
    };
    findings.sort_by_key(|f| std::cmp::Reverse(f.level));
    Ok(PhCalibration {
        electrode,
        acid_slope_percent: fit.acid,
        base_slope_percent: fit.base,
        offset_mv: fit.offset_mv,
        half95_at_8_2: half95(&known, &fit),
        is_accepted: findings.iter().all(|f| f.level != system::Level::Error),
        findings,
    })
}

/// By the integers that the board computes with.
fn on_the_board(known: &[(f64, BufferPoint)]) -> Result<PhElectrode, CalibrationError> {
    let reading = |(ph, point): &(f64, BufferPoint)| BufferReading {
        milli_ph: (ph * 1e3).round() as i32,
        electrode_uv: (point.electrode_mv * 1e3).round() as i32,
        milli_celsius: (point.temperature_c * 1e3).round() as i32,
    };
    let all: Vec<BufferReading> = known.iter().map(reading).collect();
    match &all[..] {
        [low, high] => PhElectrode::from_two(low, high),
        [acid, neutral, base] => PhElectrode::from_three(acid, neutral, base),
        _ => Err(CalibrationError::PointsTooClose),
    }
}

/// Slopes and offset without limits, so that a refusal can say by how much.
struct Fit {
    acid: f64,
    base: f64,
    offset_mv: f64,
}

impl Fit {
    fn of(known: &[(f64, BufferPoint)]) -> Fit {
        let first_pair = percent(&known[0], &known[1]);
        let last_pair = percent(&known[known.len() - 2], &known[known.len() - 1]);
        // As the board does: the offset from the buffer nearest to 7, by the slope of its side.
        let nearest = if known.len() == 3 {
            known[1]
        } else if (known[0].0 - 7.0).abs() <= (known[1].0 - 7.0).abs() {
            known[0]
        } else {
            known[1]
        };
        let slope = if nearest.0 < 7.0 { first_pair } else { last_pair };
        let (ph, point) = nearest;
        let offset_mv = point.electrode_mv + (ph - 7.0) * slope / 100.0 * nernst_mv(point.temperature_c);
        Fit { acid: first_pair, base: last_pair, offset_mv }
    }

    fn findings(&self, known: &[(f64, BufferPoint)]) -> Vec<Diagnostic> {
        let mut out = Vec::new();
        let slopes: Vec<(&str, f64)> = if known.len() == 3 {
            vec![("acid slope", self.acid), ("base slope", self.base)]
        } else {
            vec![("slope", self.acid)]
        };
        out.extend(slopes.iter().filter_map(|(name, percent)| of_slope(name, *percent)));
        out.extend(of_offset(self.offset_mv));
        if (self.acid - self.base).abs() > SLOPES_APART {
            out.push(
                Diagnostic::warning(
                    "ph-slopes-apart",
                    format!("the slope is {:.1} % below pH 7 and {:.1} % above it", self.acid, self.base),
                )
                .note(format!(
                    "more than {SLOPES_APART} % apart (assumed); a sound electrode has nearly one slope"
                ))
                .help("take fresh buffers, the alkaline one first: it spoils by the air's carbon dioxide"),
            );
        }
        let temperatures = || known.iter().map(|k| k.1.temperature_c);
        let apart = temperatures().fold(f64::MIN, f64::max) - temperatures().fold(f64::MAX, f64::min);
        if apart > TEMPERATURES_APART_K {
            out.push(
                Diagnostic::warning("ph-buffers-apart", format!("the buffers were {apart:.1} K apart"))
                    .help("let the closed bottles float in the tank for half an hour, then calibrate"),
            );
        }
        if known.iter().all(|k| k.0 < 8.0) {
            out.push(
                Diagnostic::note_level(
                    "ph-buffers-below-tank",
                    "no buffer lies above pH 8, so the pH of the tank is a prolongation",
                )
                .help("take 7.00 and 10.01, or 6.86 and 9.18, for a reef tank"),
            );
        }
        out
    }
}

fn percent(low: &(f64, BufferPoint), high: &(f64, BufferPoint)) -> f64 {
    let k = nernst_mv(f64::midpoint(low.1.temperature_c, high.1.temperature_c));
    (low.1.electrode_mv - high.1.electrode_mv) / ((high.0 - low.0) * k) * 100.0
}

fn of_slope(name: &str, percent: f64) -> Option<Diagnostic> {
    let shown = format!("the {name} is {percent:.1} % of the ideal {NERNST_25C_MV:.2} mV/pH");
    if percent < 0.0 {
        return Some(
            Diagnostic::error("ph-reversed", format!("{shown}: the voltage rises with pH"))
                .help("the buffers were swapped, or the amplifier's sign is; look at which reading belongs to which bottle"),
        );
    }
    if percent < SLOPE_LOWEST {
        return Some(Diagnostic::error("ph-slope-low", format!("{shown}, below {SLOPE_LOWEST} %")).help(
            "clean the electrode, take fresh buffers, calibrate again; if it stays so, replace the electrode",
        ));
    }
    if percent > SLOPE_HIGHEST {
        return Some(
            Diagnostic::error(
                "ph-slope-high",
                format!("{shown}, above {SLOPE_HIGHEST} %, more than theory gives"),
            )
            .help("a buffer is not what its label says, or the gain of the amplifier is entered wrong"),
        );
    }
    if percent < SLOPE_ACCEPTED {
        return Some(
            Diagnostic::warning(
                "ph-slope-worn",
                format!("{shown}, below the {SLOPE_ACCEPTED} % of USP <791>"),
            )
            .help("it still measures; order the next electrode"),
        );
    }
    (percent < SLOPE_FRESH).then(|| {
        Diagnostic::note_level(
            "ph-slope-ageing",
            format!("{shown}; fresh ones have {SLOPE_FRESH} % and more (common practice)"),
        )
    })
}

fn of_offset(offset_mv: f64) -> Option<Diagnostic> {
    let size = offset_mv.abs();
    if size > OFFSET_LARGEST_MV {
        Some(
            Diagnostic::error(
                "ph-offset-large",
                format!("the offset is {offset_mv:+.1} mV, beyond {OFFSET_LARGEST_MV} mV"),
            )
            .help("the reference of the electrode is spoilt or a buffer is wrong; take a fresh 7.00, clean or replace the electrode; look at the midpoint of the amplifier"),
        )
    } else if size > OFFSET_ACCEPTED_MV {
        Some(
            Diagnostic::warning(
                "ph-offset-worn",
                format!("the offset is {offset_mv:+.1} mV, beyond the {OFFSET_ACCEPTED_MV} mV of USP <791>"),
            )
            .help("the reference ages, or the midpoint of the amplifier is off; the calibration makes up for it"),
        )
    } else {
        None
    }
}

/// How far pH 8.2 may be off: each buffer's own width and the reading's noise, through the line by the two buffers around 8.2.
fn half95(known: &[(f64, BufferPoint)], fit: &Fit) -> f64 {
    let (low, high) = (&known[known.len() - 2], &known[known.len() - 1]);
    let share = (8.2 - low.0) / (high.0 - low.0);
    let of = |(_, point): &(f64, BufferPoint)| {
        let k = nernst_mv(point.temperature_c) * (fit.base / 100.0).abs().max(0.1);
        let noise = crate::stats::NORMAL_95 * point.sd_mv.abs() / k;
        libm::hypot(crate::stats::EVEN_95 * point.reference.half_width(), noise)
    };
    libm::hypot((1.0 - share) * of(low), share * of(high))
}

/// Voltage of an electrode of which a pH is shown: what turns the reading of a board that corrects already into a point, mV.
pub fn voltage_mv(shown_ph: f64, temperature_c: f64, electrode: &PhElectrode) -> f64 {
    let above = shown_ph - 7.0;
    let slope_uv = if above < 0.0 { electrode.acid_slope_uv } else { electrode.base_slope_uv };
    (f64::from(electrode.offset_uv) - above * f64::from(slope_uv) * (temperature_c + KELVIN) / 298.15) / 1e3
}

/// pH that an electrode of this calibration shows for a voltage.
pub fn shown_ph(electrode_mv: f64, temperature_c: f64, electrode: &PhElectrode) -> f64 {
    let below = f64::from(electrode.offset_uv) / 1e3 - electrode_mv;
    let slope_uv = if below < 0.0 { electrode.acid_slope_uv } else { electrode.base_slope_uv };
    7.0 + below * 1e3 / (f64::from(slope_uv.max(1)) * (temperature_c + KELVIN) / 298.15)
}
