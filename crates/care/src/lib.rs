//! The small regular acts that keep a tank alive: calibrating probes and pumps, testing and dosing water, proof tests, maintenance.
//!
//! # Contract
//!
//! Nothing here reads a clock, a disk or a network. Everything takes what was measured, with its time, and gives back numbers with
//! their uncertainty and findings ([`system::Diagnostic`]) whose ids stand in docs/care.md; a test holds both together. An interval
//! named `half95` is half the width of a 95 % confidence interval. No input makes it panic; what cannot be computed is an error that
//! says what is missing.
//!
//! * [`stats`]: Student's t, straight lines with intervals, lines broken by water changes.
//! * [`calibration`]: pH electrodes, thermometers, conductivity, metered pumps; whether a reading stands still; how calibrations drift
//!   and when a probe will be out.
//! * [`water`]: tests, consumption, doses by molar mass, limewater, water changes, the books of the ions.
//! * [`proof`]: which protection has to be tried how often, why, and how.
//! * [`tasks`]: maintenance by calendar, by hours run, by evidence.
//! * [`calendar`]: dates, and what is due as iCalendar.

pub mod calendar;
pub mod calibration;
mod catalogue;
pub mod proof;
pub mod stats;
pub mod tasks;
pub mod water;

pub use catalogue::{FINDINGS, page};

/// A value and half of its 95 % confidence interval, in the same unit; infinite where nothing is known of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Half the width of its 95 % interval.
    pub half95: f64,
}

impl Estimate {
    /// Lowest value of the interval.
    pub fn low(&self) -> f64 {
        self.value - self.half95
    }

    /// Highest value of the interval.
    pub fn high(&self) -> f64 {
        self.value + self.half95
    }

    /// Whether the interval leaves out `x`: then the value differs from it by more than chance.
    pub fn excludes(&self, x: f64) -> bool {
        (self.value - x).abs() > self.half95
    }
}
