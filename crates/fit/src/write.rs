//! What was fitted, as edits of the system file, comments kept: so that rehearsal and FMEA run on the tank that is there.
//!
//! A factor goes into `[fitted]`, a part's own value to the part. Only what the log tells better than the file is written: the interval must
//! be narrower than the reach of the file's corners (for a part: than what is usual). Of such a factor the corners are drawn in to the ends
//! of the interval where they lie beyond; they are never widened. Corners of speed and of reservoirs are of age and habit, not of what was
//! not known, and stay.

use system::System;
use system::document::{Document, EditError};
use system::model::{Corner, PassageKind};

use crate::doubts::HEATER;
use crate::findings::shown;
use crate::fitted::{Fitted, Parameter, Quantity};

/// Reach of a factor when no corner of the file has it: as the handbook's figures are good to.
const USUAL_REACH: f64 = 0.3;
/// What is usually known of a pump's speed, and of a probe's lag.
const PUMP_REACH: f64 = 0.25;
const LAG_REACH: f64 = 1.0;

/// One edit.
#[derive(Clone, Debug, PartialEq)]
pub struct Edit {
    /// Path of the key: `fitted.evaporation`, `actuator.heater.power`.
    pub path: String,
    /// Its new value as it stands in the file.
    pub value: String,
}

/// A file with what was fitted in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Written {
    /// The new text.
    pub text: String,
    /// What was changed, in order.
    pub edits: Vec<Edit>,
    /// Parameters that stay as they are though the log tells them, and why: a sentence each.
    pub left: Vec<String>,
}

/// Rounded to so many digits that count.
fn rounded(value: f64, digits: i32) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return value;
    }
    let power = libm::pow(10.0, f64::from(digits - 1) - libm::floor(libm::log10(value.abs())));
    (value * power).round() / power
}

/// Key of a factor in `[fitted]` and in a corner, and how to read it from a corner.
type Factor = (&'static str, fn(&Corner) -> f64);

fn factor(what: Quantity) -> Option<Factor> {
    Some(match what {
        Quantity::Evaporation => ("evaporation", |c| c.evaporation),
        Quantity::WallLoss => ("wall_loss", |c| c.wall_loss),
        Quantity::GasExchange => ("gas_exchange", |c| c.gas_exchange),
        Quantity::Respiration => ("respiration", |c| c.respiration),
        _ => return None,
    })
}

/// How far the file allows a parameter to be from what it says, as a share.
fn reach(system: &System, what: Quantity) -> f64 {
    match (what, factor(what)) {
        (_, Some((_, of))) => {
            let most = system.corners.iter().map(|c| (of(c) - 1.0).abs()).fold(0.0, f64::max);
            if most > 0.0 { most } else { USUAL_REACH }
        }
        (Quantity::HeaterPower, _) => HEATER,
        (Quantity::PumpSpeed, _) => PUMP_REACH,
        _ => LAG_REACH,
    }
}

/// A corner's factor, relative to the fitted value, no farther than the interval reaches.
fn drawn_in(corner: f64, p: &Parameter) -> f64 {
    let (low, high) = (p.found.low / p.found.value, p.found.high / p.found.value);
    // Outwards, so that rounding takes nothing away.
    if corner > 1.0 {
        corner.min((high * 1000.0 - 1e-9).ceil() / 1000.0)
    } else {
        corner.max((low * 1000.0 + 1e-9).floor() / 1000.0)
    }
}

/// Writes what was fitted into the text of a system file.
///
/// # Errors
/// The text is not that of the system, or an edit makes it wrong.
pub fn into(text: &str, system: &System, fitted: &Fitted) -> Result<Written, EditError> {
    let mut document = Document::with_library(text, &system.library)?;
    let mut edits = vec![];
    let mut left = vec![];
    for p in fitted.parameters.iter().filter(|p| p.unknown.is_none()) {
        let value = p.found.value;
        let share = p.found.half() / value;
        if !(value > 0.0 && share < reach(system, p.what)) {
            left.push(format!(
                "{} stays as it is: {} to {} is no closer than what the file allows for",
                p.title(),
                shown(p, p.found.low),
                shown(p, p.found.high)
            ));
            continue;
        }
        for edit in of(system, p) {
            match edit.value.parse::<f64>() {
                Ok(number) => document.set_number(&edit.path, number)?,
                Err(_) => document.set(&edit.path, &edit.value)?,
            }
            edits.push(edit);
        }
    }
    Ok(Written { text: document.text().to_owned(), edits, left })
}

fn of(system: &System, p: &Parameter) -> Vec<Edit> {
    let edit = |path: String, value: String| Edit { path, value };
    if let Some((key, read)) = factor(p.what) {
        let mut all = vec![edit(format!("fitted.{key}"), rounded(p.found.value, 3).to_string())];
        for corner in system.corners.iter().filter(|c| read(c) != 1.0) {
            let (old, new) = (read(corner), drawn_in(read(corner), p));
            if new != old {
                all.push(edit(format!("corner.{}.{key}", corner.name), new.to_string()));
            }
        }
        return all;
    }
    let Some(part) = &p.part else { return vec![] };
    match p.what {
        Quantity::HeaterPower => {
            vec![edit(format!("actuator.{part}.power"), format!("{} W", rounded(p.found.value, 3)))]
        }
        Quantity::ProbeLag => {
            vec![edit(format!("sensor.{part}.lag"), format!("{} s", rounded(p.found.value, 2)))]
        }
        // A pump's flow goes with its speed, its head with the square (affinity laws).
        Quantity::PumpSpeed => (system.passages.iter())
            .filter_map(|passage| match passage.kind {
                PassageKind::Pumped { pump, head0, flow0, .. }
                    if system.actuators[pump.idx()].name == *part =>
                {
                    Some((passage, head0 * p.found.value * p.found.value, flow0 * p.found.value))
                }
                _ => None,
            })
            .flat_map(|(passage, head, flow)| {
                [
                    edit(format!("passage.{}.head0", passage.name), format!("{} m", rounded(head, 4))),
                    edit(
                        format!("passage.{}.flow0", passage.name),
                        format!("{} L/h", rounded(flow * 3.6e6, 4)),
                    ),
                ]
            })
            .collect(),
        _ => vec![],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fitted::Interval;

    #[test]
    fn corners_are_drawn_in_and_never_widened() {
        let mut p = Parameter::of(Quantity::WallLoss, None, 1.0);
        p.found = Interval { value: 0.8, low: 0.72, high: 0.88 };
        assert_eq!(drawn_in(1.3, &p), 1.1);
        assert_eq!(drawn_in(1.05, &p), 1.05);
        assert_eq!(drawn_in(0.8, &p), 0.9);
        assert_eq!(drawn_in(0.95, &p), 0.95);
    }

    #[test]
    fn digits_that_count() {
        assert_eq!(rounded(0.123_456, 3), 0.123);
        assert_eq!(rounded(187.3, 3), 187.0);
        assert_eq!(rounded(3_912.4, 4), 3912.0);
        assert_eq!(rounded(0.0, 3), 0.0);
    }
}
