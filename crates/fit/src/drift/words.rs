//! A drift in words: what, by how much, since when; where to look, the most likely cause first. Causes are common practice, no source.

use alarms::MAINS;
use alarms::watch::{Check, Finding, Outcome, Sure, Verdict};
use alarms::words::{decimal, plain, sentence};
use care::calendar::iso_date;

use super::quantity::DAY_MS;
use super::{Course, Drift, Quantity};

/// Day of the week and date, in the local time that the offset gives: `Tue 2026-03-10`.
fn day(ms: i64, local_offset_ms: i64) -> String {
    let days = ms.saturating_add(local_offset_ms).div_euclid(DAY_MS);
    // 1970-01-01 was a Thursday.
    let weekday = ["Thu", "Fri", "Sat", "Sun", "Mon", "Tue", "Wed"][days.rem_euclid(7) as usize];
    format!("{weekday} {}", iso_date(days))
}

/// A newest value so many spreads away is said to stand apart.
const ODD: f64 = 3.0;

fn shown(quantity: Quantity, value: f64) -> String {
    let digits = match quantity {
        Quantity::Flow | Quantity::HeatNeed => 0,
        Quantity::WaterUse => 1,
        Quantity::HeaterPower | Quantity::PhSwing => 2,
    };
    let unit = if quantity == Quantity::PhSwing { "" } else { quantity.unit() };
    decimal(value, digits, unit)
}

/// What a quantity is called in a sentence.
fn named(course: &Course) -> String {
    let part = plain(&course.part);
    match course.quantity {
        Quantity::Flow => sentence(&part),
        Quantity::HeaterPower => format!("What {part} gives"),
        Quantity::HeatNeed => "The heat that the heaters give".to_owned(),
        Quantity::WaterUse => "The water added in a day".to_owned(),
        Quantity::PhSwing => format!("The daily swing of {part}"),
    }
}

/// Where to look, the most likely first, and whether somebody reaches for mains there.
fn causes(quantity: Quantity, is_less: bool) -> (&'static str, bool) {
    match (quantity, is_less) {
        (Quantity::Flow, true) => (
            "Look at the pump's intake and rotor, then at what it pumps through (sock, valve, hose, reactor), then at the meter's own wheel.",
            true,
        ),
        (Quantity::Flow, false) => (
            "Look for a hose that has slipped off or a valve that was opened; if pump, hose or meter is new, say so here.",
            true,
        ),
        (Quantity::HeaterPower, true) => (
            "See whether its own dial is set lower; then unplug it, let it cool in the water, and look for scale, cracks, water inside, a corroded \
             plug: replace it rather than mend it. If more water is in the tank or a probe was moved, say so here.",
            true,
        ),
        // More than it gave is not told; were it, less water would be the reason.
        (Quantity::HeaterPower, false) => ("Look at the flow and the level round the heater.", true),
        (Quantity::HeatNeed, true) => (
            "A warmer room is the usual reason. Then look whether something else heats: a pump that runs hot, a heater that no longer switches off.",
            true,
        ),
        (Quantity::HeatNeed, false) => (
            "Feel whether each heater warms as before; look for a colder room, an open window, a lid left off, a fan that runs.",
            true,
        ),
        (Quantity::WaterUse, true) => (
            "Look at the top-off's float, pump and line: less arrives than is counted as needed; then for a lid put on, a damper room.",
            true,
        ),
        (Quantity::WaterUse, false) => (
            "Look for water under the stand, wet foam in the skimmer's cup, a slipped line; then for a worn top-off pump, a drier room, a lid left off.",
            true,
        ),
        (Quantity::PhSwing, true) => (
            "Look at the light (dimmer, shorter) and at the probe, which grows slow when it is dirty; then calibrate it.",
            false,
        ),
        (Quantity::PhSwing, false) => (
            "Look at what brings air in: the skimmer's air line, the air pump, the surface's movement; then at the room's air and at growing algae.",
            false,
        ),
    }
}

impl Course {
    /// How it stands in one sentence.
    pub fn sentence(&self, local_offset_ms: i64) -> String {
        let name = named(self);
        if let Some(why) = self.unjudged {
            return format!("{name} cannot be judged: {why}.");
        }
        match (&self.drift, &self.learned) {
            (Some(drift), _) => format!("{}.", self.drifts(drift, local_offset_ms)),
            (None, Some(learned)) => {
                let spread = decimal(learned.spread * 100.0, 0, "%");
                match self.points.last().and_then(|p| Some((p.value, p.expected?))) {
                    Some((value, expected)) => {
                        let is_apart = (value - expected).abs() > ODD * learned.spread * expected;
                        let (value, expected) = (shown(self.quantity, value), shown(self.quantity, expected));
                        if is_apart {
                            format!(
                                "{name} stood apart from its twin just now: {value}, expected {expected} and {spread} either way; one value \
                                 alone is no drift."
                            )
                        } else {
                            format!(
                                "{name} is as its twin expects: {value}, expected {expected} and {spread} either way."
                            )
                        }
                    }
                    None => format!("{name} is as its twin expects."),
                }
            }
            (None, None) => {
                let (so_far, needed) = self.so_far;
                format!("{name} is being learned: {so_far} of {needed} samples so far.")
            }
        }
    }

    /// How it drifts, without a full stop.
    fn drifts(&self, drift: &Drift, local_offset_ms: i64) -> String {
        format!(
            "{} is {} {} its twin since {}: {} instead of {}",
            named(self),
            decimal(drift.share.abs() * 100.0, 0, "%"),
            if drift.share < 0.0 { "below" } else { "above" },
            day(drift.since_ms, local_offset_ms),
            shown(self.quantity, drift.value),
            shown(self.quantity, drift.expected)
        )
    }

    /// What to do about its drift: where to look, the most likely cause first.
    pub fn act(&self) -> Option<&'static str> {
        self.drift.map(|drift| causes(self.quantity, drift.share < 0.0).0)
    }

    /// A caution where the act can hurt.
    pub fn caution(&self) -> Option<&'static str> {
        let drift = self.drift?;
        causes(self.quantity, drift.share < 0.0).1.then_some(MAINS)
    }

    /// As a verdict of a board's checks.
    pub fn verdict(&self, board: &str, local_offset_ms: i64) -> Verdict {
        let part = match self.quantity {
            Quantity::Flow => self.part.clone(),
            Quantity::HeaterPower | Quantity::PhSwing => format!("{}-{}", self.part, self.quantity.id()),
            Quantity::HeatNeed | Quantity::WaterUse => self.quantity.id().to_owned(),
        };
        let outcome = match (&self.drift, &self.learned) {
            (Some(drift), _) => {
                let is_weather = !self.is_room_known && self.quantity == Quantity::WaterUse;
                Outcome::Wrong(Finding {
                    wrong: format!("{}.", self.drifts(drift, local_offset_ms)),
                    sure: if is_weather || self.quantity == Quantity::PhSwing {
                        Sure::Possible
                    } else {
                        Sure::Likely
                    },
                    because: if is_weather {
                        "the room is not measured; its weather may explain it".to_owned()
                    } else {
                        format!(
                            "its own usual spread is {}",
                            decimal(self.learned.map_or(0.0, |l| l.spread) * 100.0, 0, "%")
                        )
                    },
                    act: self.act().unwrap_or_default().to_owned(),
                    caution: self.caution().map(str::to_owned),
                })
            }
            (None, Some(_)) => Outcome::Fine(self.sentence(local_offset_ms)),
            (None, None) => Outcome::Unknown(self.sentence(local_offset_ms)),
        };
        Verdict { check: Check::TwinDrifts, board: board.to_owned(), part, outcome }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_are_those_of_the_calendar() {
        // 2026-11-29 was a Sunday; 2024-02-29 a Thursday (any calendar).
        assert_eq!(day(1_795_910_400_000, 0), "Sun 2026-11-29");
        assert_eq!(day(1_709_164_800_000, 0), "Thu 2024-02-29");
        assert_eq!(day(1_709_164_800_000, -3_600_000), "Wed 2024-02-28");
    }
}
