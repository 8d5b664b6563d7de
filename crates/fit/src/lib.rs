//! The twin fitted to the tank: from the log of a board, parameters that the system file only assumes, each with a 95 % interval, what
//! that is made of, and what the log cannot tell.
//!
//! Every estimator is a balance of the whole tank by the same laws that the twin runs on, linear in what is sought, so that it can be said
//! in a sentence how a number was found. Scatter is taken from leaving out a day at a time (the delete-a-group jackknife); what the log
//! cannot show - probes within their tolerance, a room that nobody measures, figures of the file that a balance stands on - is added by
//! working the estimate out again with each of them shifted. What the log cannot tell has no bounded interval, and a sentence that says
//! why.
//!
//! Pure: series in, numbers out; no clock, no disk, no thread.

mod doubts;
pub mod drift;
mod findings;
mod fitted;
mod flow;
mod gas;
mod heat;
pub mod log;
pub mod read;
mod regress;
mod scene;
mod water;
pub mod write;

pub use doubts::{
    ALKALINITY, CAPACITY, CO2_PPM, EVAPORATION, GEAR, HEATER, HUMIDITY, LINES, LOGGER_K, ROOM_K,
};
pub use findings::{FINDINGS, findings};
pub use fitted::{Fitted, Interval, NoFit, Parameter, Quantity, Residual, Residuals, Share};
pub use log::{Log, Series};

use system::System;
use twin::Plan;

/// Least reach of a log, s.
const LEAST_S: f64 = 2.0 * DAY_S;
/// Longest reach of a log, s.
const MOST_S: f64 = 370.0 * DAY_S;
const DAY_S: f64 = 86_400.0;

/// How to fit.
#[derive(Clone, Copy, Debug, Default)]
pub struct Options<'a> {
    /// Series of the log that is the room's temperature, °C, where the file has no probe of it.
    pub room: Option<&'a str>,
}

/// Fits the twin of a system to a log.
///
/// # Errors
/// The log has nothing of this system, or reaches over less than two days or more than a year.
pub fn fit(system: &System, log: &Log, options: &Options<'_>) -> Result<Fitted, NoFit> {
    let is_known = |name: &str| {
        system.sensors.iter().any(|s| s.name == name) || system.actuators.iter().any(|a| a.name == name)
    };
    if !log.names().any(is_known) {
        return Err(NoFit::Foreign(log.names().map(str::to_owned).collect()));
    }
    let (from_s, to_s) = log.reach().unwrap_or((0.0, 0.0));
    if to_s - from_s < LEAST_S {
        return Err(NoFit::Short(((to_s - from_s) / 3600.0) as u32));
    }
    if to_s - from_s > MOST_S {
        return Err(NoFit::Long(((to_s - from_s) / DAY_S) as u32));
    }
    let plan = Plan::new(system);
    let scene = scene::Scene::new(&plan, log, options.room);
    let mut fitted = Fitted { from_s, to_s, parameters: vec![], residuals: vec![], notes: vec![] };
    if !scene.is_room_measured() {
        fitted.notes.push(format!(
            "the room is not measured: it is taken to be as the file's first climate says, good to {} K; a probe in the air of the room \
             makes every heat figure far narrower",
            ROOM_K
        ));
    }
    let flows = flow::fit(&scene).into_iter().map(|(parameter, residuals)| (vec![parameter], residuals));
    let (evaporation, lost) = water::fit(&scene);
    let balances = [(vec![evaporation], lost), heat::fit(&scene, from_s, to_s)];
    for (parameters, residuals) in balances.into_iter().chain(flows).chain([gas::fit(&scene, from_s, to_s)]) {
        fitted.parameters.extend(parameters);
        fitted.residuals.extend(residuals);
    }
    Ok(fitted)
}
