//! The carbonate system: from any two of alkalinity, DIC, pH and pCO2 to all the rest.
//!
//! Alkalinity here is carbonate, borate, water, bisulphate and hydrogen fluoride; nutrients and organic acids are left
//! out (in a tank they are worth some µmol/kg). Hydration of CO2 takes about a minute and counts as instant.
//!
//! A simulator keeps [`Constants`] while salinity and temperature stand, and asks
//! [`Constants::hydrogen_from`] with the last answer as guess: two or three steps without a transcendental function.

mod constants;
mod solve;

pub use constants::{BoronRatio, Constants, natural_calcium_umol_per_kg};

/// Above this aragonite saturation carbonate falls out of tank water in minutes to hours (from memory, no
/// source), and a model without precipitation no longer describes the tank.
pub const PRECIPITATING_OMEGA_ARAGONITE: f64 = 20.0;

/// One measured half of the pair that fixes the carbonate system.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Known {
    /// Total alkalinity, µmol/kg.
    Alkalinity(f64),
    /// Dissolved inorganic carbon, µmol/kg.
    Dic(f64),
    /// pH on the total scale.
    PhTotal(f64),
    /// pH as an electrode set in NBS buffers (4.01, 7.00, 10.01) shows it.
    PhNbs(f64),
    /// Partial pressure of CO2 at the temperature of the water, wet, µatm.
    Pco2(f64),
}

/// The carbonate system of one water, complete.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Carbonate {
    /// Total alkalinity, µmol/kg.
    pub alkalinity_umol_per_kg: f64,
    /// Dissolved inorganic carbon, µmol/kg.
    pub dic_umol_per_kg: f64,
    /// Calcium, µmol/kg.
    pub calcium_umol_per_kg: f64,
    /// pH on the total scale.
    pub ph_total: f64,
    /// pH as an electrode set in NBS buffers shows it.
    pub ph_nbs: f64,
    /// pH on the free scale.
    pub ph_free: f64,
    /// Partial pressure of CO2, µatm.
    pub pco2_uatm: f64,
    /// Fugacity of CO2, µatm.
    pub fco2_uatm: f64,
    /// Dissolved CO2 with carbonic acid, µmol/kg.
    pub co2_umol_per_kg: f64,
    /// Bicarbonate, µmol/kg.
    pub bicarbonate_umol_per_kg: f64,
    /// Carbonate, µmol/kg.
    pub carbonate_umol_per_kg: f64,
    /// Borate, µmol/kg.
    pub borate_umol_per_kg: f64,
    /// Hydroxide, µmol/kg.
    pub hydroxide_umol_per_kg: f64,
    /// Saturation with respect to aragonite; below 1 it dissolves.
    pub omega_aragonite: f64,
    /// Saturation with respect to calcite.
    pub omega_calcite: f64,
}

/// Why a pair does not fix a carbonate system.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CarbonateError {
    /// Both values say the same thing; give two different ones of alkalinity, DIC, pH and pCO2.
    SameTwice,
    /// A value that is not a number, or negative where none can be; holds which.
    Impossible(Known),
    /// At this pH, borate and hydroxide alone exceed the alkalinity: one of the two readings is wrong.
    /// Holds the least alkalinity at this pH, µmol/kg.
    PhTooHighForAlkalinity(f64),
    /// This pCO2 dissolves more CO2 than the DIC holds: one of the two readings is wrong. Holds the dissolved CO2,
    /// µmol/kg.
    Pco2TooHighForDic(f64),
}

impl std::fmt::Display for CarbonateError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::SameTwice => f.write_str(
                "both values say the same; give two different ones of alkalinity, DIC, pH and pCO2",
            ),
            Self::Impossible(known) => match known {
                Known::Alkalinity(x) => write!(f, "an alkalinity of {x} umol/kg is impossible"),
                Known::Dic(x) => write!(f, "a DIC of {x} umol/kg is impossible; it must be above nought"),
                Known::PhTotal(x) | Known::PhNbs(x) => {
                    write!(f, "a pH of {x} is impossible in a tank; it must be between 3 and 13")
                }
                Known::Pco2(x) => write!(f, "a pCO2 of {x} uatm is impossible; it must be above nought"),
            },
            Self::PhTooHighForAlkalinity(least) => write!(
                f,
                "at this pH borate and hydroxide alone make an alkalinity of {least:.0} umol/kg; \
                 the pH or the alkalinity is misread"
            ),
            Self::Pco2TooHighForDic(co2) => write!(
                f,
                "this pCO2 alone dissolves {co2:.0} umol/kg of CO2, more than the DIC; one of the two is misread"
            ),
        }
    }
}

impl std::error::Error for CarbonateError {}
