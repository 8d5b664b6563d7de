//! The tank against its twin in time: the first sign of a clog, a leak, a dying heater.
//!
//! # Contract
//!
//! [`courses`] takes hours (oldest first) and what people did, and gives for each quantity of each part its samples beside what the twin expects of
//! them, and since when it drifts. Nothing is kept between two calls. The twin's part is the law that a quantity goes by (evaporation, loss of heat to
//! the room, a pump at its head); its size is learned from the tank, anew after each act. What a [`chart`] says is put in words with likely
//! causes, the most likely first ([`Course::verdict`]).
//!
//! How it is tuned and what it was measured to do: docs/drift.md and the example `drift`.

pub mod chart;
mod course;
#[cfg(test)]
mod dice;
mod quantity;
mod warming;
mod words;

use alarms::watch::{Expected, Layout, Span};
use serde::Serialize;
use system::System;

pub use course::{Drift, Learned, Point};
pub use quantity::Quantity;

/// Something that a person did, after which a part is not what it was.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Act {
    /// Cleaned, replaced, mended, or says that it is right as it is: the quantities that this part touches are learned anew. A part is an actuator,
    /// sensor, passage or board by its name, or the id of a quantity.
    Touched {
        /// When, ms since 1970 UTC.
        at_ms: i64,
        /// What.
        part: String,
    },
    /// Water was changed: the day says nothing about water, heat and pH.
    WaterChanged {
        /// When, ms since 1970 UTC.
        at_ms: i64,
    },
}

/// How a quantity of a part stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// It cannot be judged with what is measured.
    NotJudged,
    /// Too few samples yet.
    Learning,
    /// As its twin expects.
    Steady,
    /// It drifts.
    Drifting,
}

/// A quantity of a part over time.
#[derive(Clone, Debug, PartialEq)]
pub struct Course {
    /// What.
    pub quantity: Quantity,
    /// Flow meter, heater, pH probe, or the board for what is of the whole tank.
    pub part: String,
    /// Whether the room is measured: water and heat are then judged against it.
    pub is_room_known: bool,
    /// Why it cannot be judged, as a clause; such a quantity has values only.
    pub unjudged: Option<&'static str>,
    /// Samples with what was expected of them, oldest first.
    pub points: Vec<Point>,
    /// The reference; none: still learning.
    pub learned: Option<Learned>,
    /// Samples so far, and how many are needed before anything is judged.
    pub so_far: (usize, usize),
    /// What drifts.
    pub drift: Option<Drift>,
    /// What drifted and is over.
    pub past: Vec<Drift>,
}

impl Course {
    /// How it stands.
    pub fn state(&self) -> State {
        match (self.drift, self.learned) {
            _ if self.unjudged.is_some() => State::NotJudged,
            (Some(_), _) => State::Drifting,
            (None, Some(_)) => State::Steady,
            (None, None) => State::Learning,
        }
    }
}

/// The course of everything that can be watched of a system, from whole hours, oldest first. `acts` in any order.
pub fn courses(
    system: &System,
    layout: &Layout,
    hours: &[Span],
    acts: &[Act],
    expected: &dyn Expected,
) -> Vec<Course> {
    let mut hours = std::borrow::Cow::Borrowed(hours);
    for act in acts {
        if let Act::WaterChanged { at_ms } = act
            && let Some(at) =
                hours.iter().position(|h| (h.from_ms..h.from_ms + quantity::HOUR_MS).contains(at_ms))
        {
            hours.to_mut()[at].changed_ms += 1;
        }
    }
    (quantity::series(system, layout, &hours, expected).into_iter())
        .map(|series| {
            let touches = |part: &String| {
                series.touched_by.contains(part) || *part == series.part || part == series.quantity.id()
            };
            let mut since: Vec<i64> = (acts.iter())
                .filter_map(|act| match act {
                    Act::Touched { at_ms, part } => touches(part).then_some(*at_ms),
                    Act::WaterChanged { .. } => None,
                })
                .collect();
            since.sort_unstable();
            let rule = series.quantity.rule(series.is_room_known);
            let judged = match series.unjudged {
                None => course::judge(&rule, &series.samples, &since),
                Some(_) => course::unjudged(&series.samples),
            };
            Course {
                quantity: series.quantity,
                part: series.part,
                is_room_known: series.is_room_known,
                unjudged: series.unjudged,
                points: judged.points,
                learned: judged.learned,
                so_far: judged.so_far,
                drift: judged.drift,
                past: judged.past,
            }
        })
        .collect()
}
