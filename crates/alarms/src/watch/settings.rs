//! Figures of the checks. Each may be set; each default has its reason beside it. Where nothing else is said a figure is our own, held
//! by the runs on the twin of `cargo run -p alarms --example watch`.

use serde::{Deserialize, Serialize};

/// Figures of the checks.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Settings {
    /// A record is expected so often, s. Scan and link are one second.
    pub interval_s: f64,
    /// A board is silent after so long, s: three times the 20 s at which a link says hello at the latest.
    pub silent_s: f64,
    /// A clock may be off by so much, s. A crystal of 20 ppm is off by 53 s in a month (handbook section 8), and schedules count minutes.
    pub clock_off_s: f64,
    /// A probe that says the same for so long is looked at, h: a heater's cycle takes less.
    pub frozen_h: f64,
    /// A probe without another to compare with may stand still for so long, h.
    pub frozen_alone_h: f64,
    /// pH that moves in half a day by less than this share of its usual day stands still.
    pub frozen_share: f64,
    /// A temperature probe must have missed a move of so much, K: several steps of 1/16 K.
    pub frozen_moved_k: f64,
    /// Two probes in the same water may differ by so much over an hour, K: one of 0.5 K either way each, with a margin below the usual
    /// alarm of a board.
    pub apart_k: f64,
    /// The same for pH.
    pub apart_ph: f64,
    /// A difference of two probes may have moved by so much since it was learned, K.
    pub drift_k: f64,
    /// A pH probe with nothing to compare with may have moved by so much from the week three weeks ago. The room's carbon dioxide moves
    /// it by half of that.
    pub drift_ph: f64,
    /// Water added in six hours may exceed what evaporates by so much besides the band of the float, L: a night of lime that lags.
    pub lag_l: f64,
    /// Once learned, water added may differ from the usual share of what is expected by this part. Below 40 %, which is how well
    /// evaporation is known at all.
    pub learned_spread: f64,
    /// Days from which the share is learned.
    pub learned_days: usize,
    /// Heat may exceed what the room explains by this part.
    pub heat_spread: f64,
    /// And by so many standard deviations of the days before.
    pub heat_deviations: f64,
    /// Days from which heat is learned, at least.
    pub heat_days: usize,
    /// Operations that a relay's contact lives under load: 100 000 in common data sheets (from memory).
    pub relay_operations: f64,
    /// Hours that a dosing pump's tube lives: 1000 (common practice, from memory).
    pub tube_hours: f64,
    /// From this share of its life on a part is reported.
    pub worn_share: f64,
    /// So many starts a day are looked at for short cycling, at least.
    pub cycling_a_day: f64,
    /// When they are so many times the usual.
    pub cycling_factor: f64,
    /// A disk is reported when it is full in so many days.
    pub disk_days: f64,
    /// Or when less than this share is free.
    pub disk_share: f64,
    /// A battery that holds less than this share of new is reported: IEEE 1188 replaces at 80 % (from memory); a margin above it.
    pub battery_share: f64,
    /// A battery with mains should be charged to this, %.
    pub battery_charged: f64,
    /// pH may be lower than at the same hour yesterday and a week ago by so much. Two hours in a row count. The stale air of a room that
    /// fills with people moves it by 0.16.
    pub ph_fall: f64,
    /// A reservoir of fresh water is reported when it lasts for less than this, d.
    pub reservoir_days: f64,
    /// One of limewater when it has been empty for so long, d: without it alkalinity falls by half a degree a day, no more.
    pub lime_empty_days: f64,
    /// The return chamber may call for water for so long, h: a night in which lime covers the call slowly.
    pub chamber_call_h: f64,
}

impl Default for Settings {
    fn default() -> Self {
        Settings {
            interval_s: 1.0,
            silent_s: 60.0,
            clock_off_s: 60.0,
            frozen_h: 3.0,
            frozen_alone_h: 12.0,
            frozen_share: 0.2,
            frozen_moved_k: 0.25,
            apart_k: 0.8,
            apart_ph: 0.2,
            drift_k: 0.35,
            drift_ph: 0.2,
            lag_l: 1.5,
            learned_spread: 0.3,
            learned_days: 7,
            heat_spread: 0.15,
            heat_deviations: 4.0,
            heat_days: 10,
            relay_operations: 100_000.0,
            tube_hours: 1000.0,
            worn_share: 0.8,
            cycling_a_day: 100.0,
            cycling_factor: 4.0,
            disk_days: 30.0,
            disk_share: 0.05,
            battery_share: 0.85,
            battery_charged: 90.0,
            ph_fall: 0.12,
            reservoir_days: 1.0,
            lime_empty_days: 0.5,
            chamber_call_h: 16.0,
        }
    }
}
