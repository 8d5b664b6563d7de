//! Everything about one water at once, from what an aquarist has at hand.

use crate::carbonate::{
    BoronRatio, Carbonate, CarbonateError, Constants, Known, PRECIPITATING_OMEGA_ARAGONITE,
    natural_calcium_umol_per_kg,
};
use crate::density::{self, GravityScale};
use crate::{alkalinity, heat, oxygen, salinity, validity, vapour};

/// Salinities that a person may mean; beyond them a reading or its unit is wrong.
pub const POSSIBLE_SALINITY: std::ops::RangeInclusive<f64> = 0.0..=60.0;
/// Temperatures that a person may mean, degC.
pub const POSSIBLE_TEMPERATURE_C: std::ops::RangeInclusive<f64> = -2.0..=50.0;

/// How the salinity is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SalinityBy {
    /// Practical salinity itself.
    Practical(f64),
    /// Conductivity at the water's temperature, not compensated, mS/cm.
    Conductivity(f64),
    /// Specific gravity at the scale's own temperatures (a compensated instrument).
    SpecificGravity(f64, GravityScale),
    /// What a floating hydrometer of that scale reads in this water as it is.
    Hydrometer(f64, GravityScale),
}

/// What is known of a water.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WaterInput {
    /// Temperature, degC.
    pub temperature_c: f64,
    /// The salinity, in whichever form.
    pub salinity: SalinityBy,
    /// Two values that fix the carbonate system, if known.
    pub carbonate: Option<(Known, Known)>,
    /// Calcium, µmol/kg; without it, what goes with the salt.
    pub calcium_umol_per_kg: Option<f64>,
    /// How much boron goes with the salt.
    pub boron: BoronRatio,
}

impl WaterInput {
    /// Practical salinity as the given reading says, without judging whether it is possible. Conversions of kit
    /// units (dKH, mg/L) need it before the rest is known.
    pub fn practical_salinity(&self) -> f64 {
        match self.salinity {
            SalinityBy::Practical(practical) => practical,
            SalinityBy::Conductivity(ms_per_cm) => {
                salinity::salinity_from_conductivity(ms_per_cm, self.temperature_c)
            }
            SalinityBy::SpecificGravity(gravity, scale) => {
                density::salinity_from_specific_gravity(gravity, scale)
            }
            SalinityBy::Hydrometer(reading, scale) => {
                density::salinity_from_hydrometer(reading, scale, self.temperature_c)
            }
        }
    }
}

/// The properties of one water.
#[derive(Debug, Clone, PartialEq)]
pub struct WaterSummary {
    /// Temperature, degC.
    pub temperature_c: f64,
    /// Practical salinity.
    pub salinity: f64,
    /// Density, kg/m³.
    pub density_kg_per_m3: f64,
    /// Conductivity at this temperature, mS/cm.
    pub conductivity_ms_per_cm: f64,
    /// Specific gravity 25 degC over 25 degC.
    pub specific_gravity_25_25: f64,
    /// Specific heat capacity, J/(kg K).
    pub heat_capacity_j_per_kg_k: f64,
    /// Oxygen at air saturation and one atmosphere, µmol/kg.
    pub oxygen_saturation_umol_per_kg: f64,
    /// Oxygen at air saturation and one atmosphere, mg/L.
    pub oxygen_saturation_mg_per_l: f64,
    /// Vapour pressure over this water, Pa.
    pub vapour_pressure_pa: f64,
    /// Latent heat of evaporation, J/kg.
    pub latent_heat_j_per_kg: f64,
    /// Calcium, µmol/kg, as given or as it goes with the salt.
    pub calcium_umol_per_kg: f64,
    /// Calcium, mg/L.
    pub calcium_mg_per_l: f64,
    /// The carbonate system, if a pair was given.
    pub carbonate: Option<Carbonate>,
    /// The alkalinity as test kits give it, dKH, if a pair was given.
    pub alkalinity_dkh: Option<f64>,
    /// What to keep in mind about these numbers, a sentence each without a final period.
    pub warnings: Vec<String>,
}

/// Why there is no summary.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum WaterError {
    /// The temperature (degC) is none that water in a tank can have.
    Temperature(f64),
    /// The salinity, or what the reading amounts to, is none that a tank can have. Holds it.
    Salinity(f64),
    /// Conductivity or specific gravity is not a number above nought. Holds it.
    Reading(f64),
    /// Calcium (µmol/kg) is negative or not a number.
    Calcium(f64),
    /// The carbonate pair contradicts itself.
    Carbonate(CarbonateError),
}

impl std::fmt::Display for WaterError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Temperature(t) => write!(f, "{t} degC is no temperature of a tank; give -2 to 50 degC"),
            Self::Salinity(s) => write!(
                f,
                "a salinity of {s:.2} is none of a tank; give 0 to 60, and check the unit of the reading"
            ),
            Self::Reading(x) => write!(
                f,
                "{x} is no reading; give a conductivity above 0 mS/cm or a specific gravity of 0.98 to 1.06"
            ),
            Self::Calcium(x) => write!(f, "a calcium of {x} umol/kg is impossible; give it above nought"),
            Self::Carbonate(error) => error.fmt(f),
        }
    }
}

impl std::error::Error for WaterError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Carbonate(error) => Some(error),
            _ => None,
        }
    }
}

impl From<CarbonateError> for WaterError {
    fn from(error: CarbonateError) -> Self {
        Self::Carbonate(error)
    }
}

/// Specific gravities that a hydrometer can read; below them water is lighter than fresh.
const POSSIBLE_GRAVITY: std::ops::RangeInclusive<f64> = 0.98..=1.06;

impl WaterSummary {
    /// Computes everything that the input fixes.
    ///
    /// # Errors
    ///
    /// If a value is none that a tank can have, or the carbonate pair contradicts itself.
    pub fn of(input: &WaterInput) -> Result<Self, WaterError> {
        let t = input.temperature_c;
        if !POSSIBLE_TEMPERATURE_C.contains(&t) {
            return Err(WaterError::Temperature(t));
        }
        match input.salinity {
            SalinityBy::Conductivity(reading) if !(reading >= 0.0 && reading.is_finite()) => {
                return Err(WaterError::Reading(reading));
            }
            SalinityBy::SpecificGravity(reading, _) | SalinityBy::Hydrometer(reading, _)
                if !POSSIBLE_GRAVITY.contains(&reading) =>
            {
                return Err(WaterError::Reading(reading));
            }
            _ => {}
        }
        let s = input.practical_salinity();
        if !POSSIBLE_SALINITY.contains(&s) {
            return Err(WaterError::Salinity(s));
        }
        let calcium = input.calcium_umol_per_kg.unwrap_or_else(|| natural_calcium_umol_per_kg(s));
        if !(calcium >= 0.0 && calcium.is_finite()) {
            return Err(WaterError::Calcium(calcium));
        }
        let carbonate = match input.carbonate {
            Some((first, second)) => Some(Constants::at(s, t, input.boron).solve(first, second, calcium)?),
            None => None,
        };
        Ok(Self {
            temperature_c: t,
            salinity: s,
            density_kg_per_m3: density::density_kg_per_m3(s, t),
            conductivity_ms_per_cm: salinity::conductivity_ms_per_cm(s, t),
            specific_gravity_25_25: density::specific_gravity(s, GravityScale::AT_25_25),
            heat_capacity_j_per_kg_k: heat::heat_capacity_j_per_kg_k(s, t),
            oxygen_saturation_umol_per_kg: oxygen::saturation_umol_per_kg(s, t),
            oxygen_saturation_mg_per_l: oxygen::saturation_mg_per_l(s, t),
            vapour_pressure_pa: vapour::vapour_pressure_pa(s, t),
            latent_heat_j_per_kg: vapour::latent_heat_j_per_kg(t),
            calcium_umol_per_kg: calcium,
            calcium_mg_per_l: alkalinity::calcium_mg_per_l_from_umol_per_kg(calcium, s, t),
            carbonate,
            alkalinity_dkh: carbonate
                .map(|found| alkalinity::dkh_from_umol_per_kg(found.alkalinity_umol_per_kg, s, t)),
            warnings: warnings(s, t, carbonate.as_ref()),
        })
    }
}

fn warnings(s: f64, t: f64, carbonate: Option<&Carbonate>) -> Vec<String> {
    /// Equations that only matter once a carbonate pair is given.
    const CARBONATE_ONLY: [&str; 3] =
        ["carbonate equilibrium", "aragonite saturation", "pH on the NBS scale"];
    let mut found: Vec<String> = validity::ranges_left(s, t)
        .filter(|range| carbonate.is_some() || !CARBONATE_ONLY.contains(&range.quantity))
        .map(|range| format!("outside the fitted range: {range}"))
        .collect();
    if let Some(carbonate) = carbonate {
        if carbonate.omega_aragonite > PRECIPITATING_OMEGA_ARAGONITE {
            found.push(format!(
                "aragonite saturation is {:.0}: above {PRECIPITATING_OMEGA_ARAGONITE} carbonate precipitates; \
                 outside the model",
                carbonate.omega_aragonite
            ));
        } else if carbonate.omega_aragonite < 1.0 {
            found.push(format!(
                "aragonite saturation is {:.2}: below 1 coral skeletons dissolve",
                carbonate.omega_aragonite
            ));
        }
    }
    found
}
