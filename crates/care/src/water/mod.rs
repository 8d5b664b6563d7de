//! Water tests and dosing: what a tank uses up in a day, what to add of which salt, what a water change does.
//!
//! * [`quantity`]: what is tested, its unit, what kits are good for, what is aimed at.
//! * [`consumption`]: use in a day from a log of tests, doses and water changes, with its interval.
//! * [`log`]: a log as people keep it.
//! * [`overview`]: all that a log says of a tank, at a glance.
//! * [`salts`]: what a gram of each salt adds, by molar mass.
//! * [`dose`]: from what is to what should be, within a limit a day.
//! * [`lime`]: limewater as part of the top-off, within what evaporates.
//! * [`change`]: mixing, and salt for new water.
//! * [`ions`]: what stays behind when salts are dosed for years; whether tests agree with what was reckoned.

pub mod change;
pub mod consumption;
pub mod dose;
pub mod ions;
pub mod lime;
pub mod log;
pub mod overview;
pub mod quantity;
pub mod salts;

/// A body of water that is dosed.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tank {
    /// Water in it, sump and pipes included, L.
    pub volume_l: f64,
    /// Practical salinity.
    pub salinity: f64,
    /// °C.
    pub temperature_c: f64,
}

impl Tank {
    /// Whether anything can be reckoned with it: 1 L to 1000 m³, salinity 5 to 50, 5 to 40 °C.
    pub fn is_possible(&self) -> bool {
        (1.0..=1e6).contains(&self.volume_l)
            && (5.0..=50.0).contains(&self.salinity)
            && (5.0..=40.0).contains(&self.temperature_c)
    }

    /// Mass of a litre, kg.
    pub(crate) fn kg_per_l(&self) -> f64 {
        seawater::density::density_kg_per_m3(self.salinity, self.temperature_c) / 1000.0
    }
}
