//! The twin: the physics of a system in time. Vessels, passages, gear, air and room are stepped scan by scan; probes give the raw
//! codes of the real parts; flaws are injected lane by lane.
//!
//! # Contract of a scan
//!
//! [`Twin::sense`] gives the raw codes of scan k; the control program runs once on them; [`Twin::advance`] applies its outputs and
//! takes the world to scan k + 1. Nothing here knows a rule, and no rule sees anything but the codes.
//!
//! # Steps
//!
//! | step | how often | what |
//! |---|---|---|
//! | scan | each scan (1 s) | contacts, pumps, levels: linearly implicit over the whole network |
//! | slow | each 10 s | contents carried with the water, heat, evaporation, oxygen, carbon, alkalinity, probe lags, batteries |
//! | rate | each 60 s | vapour pressures, gas saturation, carbonate equilibrium, room |
//!
//! Rates divide the scan count, the order is fixed, all functions are `libm`'s or exact, noise is by counter: the same bits on any
//! machine, and for any number of lanes.
//!
//! # What is not modelled
//!
//! Stratification inside a vessel, waves, calcium carbonate precipitation, nutrients, growth, temperature dependence of respiration,
//! heat of the pipes, condensation. Volumes add when waters mix; a cubic metre evaporated is a cubic metre of fresh water.

#![allow(
    clippy::needless_range_loop,
    reason = "lanes are walked by index so that all arrays of a loop move together"
)]

mod flaw;
mod gear;
pub mod lanes;
mod laws;
mod noise;
mod plan;
mod rates;
mod sense;
mod solver;
mod state;
mod transport;
mod twin;
mod water;

pub use flaw::Flaw;
pub use gear::Commands;
pub use plan::Plan;
pub use rates::climate_c;
pub use sense::{NO_ANSWER, SAMPLES};
pub use state::Snapshot;
pub use twin::{Books, Start, Twin};
