//! Limewater (kalkwasser): how strong saturated calcium hydroxide is, its pH, and what a dose does to a tank.
//!
//! Ca(OH)2 adds one mole of calcium and two equivalents of alkalinity a mole, and no inorganic carbon, so pH rises
//! until CO2 from the air follows. Sources for the solubility differ by 8 %; old or air-stirred limewater is weaker,
//! because carbonate falls out of it.

use crate::density::density_kg_per_m3;
use crate::held_temperature;

/// Ca(OH)2 in saturated limewater at 25 degC, mol/L (Lange's Handbook, NBS reference buffers).
pub const SATURATED_AT_25C_MOL_PER_L: f64 = 0.0203;
/// Equivalents of alkalinity in a mole of Ca(OH)2.
pub const EQUIVALENTS_PER_MOL: f64 = 2.0;

/// Solubility table, g per 100 g of water at 0, 10 .. 50 degC (general solubility table, second-hand); only its shape is
/// used, anchored at [`SATURATED_AT_25C_MOL_PER_L`].
const SOLUBILITY_SHAPE: [f64; 6] = [0.185, 0.176, 0.165, 0.153, 0.141, 0.138];
const SOLUBILITY_STEP_C: f64 = 10.0;

/// pH of saturated limewater at 0, 5 .. 40 degC (HJ 1147-2020, annex; saturated at 25 degC).
const SATURATED_PH: [f64; 9] = [13.416, 13.21, 13.011, 12.82, 12.637, 12.46, 12.292, 12.13, 11.975];
const PH_STEP_C: f64 = 5.0;

/// Ca(OH)2 in limewater saturated at this temperature, mol/L; warm water holds less. Table from 0 to 50 degC, held at
/// its ends.
pub fn saturated_mol_per_l(temperature_c: f64) -> f64 {
    let at_25c = interpolated(&SOLUBILITY_SHAPE, 25.0 / SOLUBILITY_STEP_C);
    SATURATED_AT_25C_MOL_PER_L * interpolated(&SOLUBILITY_SHAPE, temperature_c / SOLUBILITY_STEP_C) / at_25c
}

/// Alkalinity of limewater saturated at this temperature, meq/L: 40.6 at 25 degC.
pub fn saturated_meq_per_l(temperature_c: f64) -> f64 {
    saturated_mol_per_l(temperature_c) * EQUIVALENTS_PER_MOL * 1000.0
}

/// pH of saturated limewater at this temperature. Table from 0 to 40 degC, held at its ends.
pub fn saturated_ph(temperature_c: f64) -> f64 {
    interpolated(&SATURATED_PH, temperature_c / PH_STEP_C)
}

/// What mixing conserves: the mass of the water and what is dissolved in a kilogram of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TankWater {
    /// Mass of the water, kg.
    pub mass_kg: f64,
    /// Practical salinity.
    pub salinity: f64,
    /// Total alkalinity, µmol/kg.
    pub alkalinity_umol_per_kg: f64,
    /// Dissolved inorganic carbon, µmol/kg.
    pub dic_umol_per_kg: f64,
    /// Calcium, µmol/kg.
    pub calcium_umol_per_kg: f64,
}

/// What the dose does to the amount of water in the tank.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Dosing {
    /// It makes up for water that has evaporated: mass and salinity end as given.
    ReplacesEvaporation,
    /// It comes on top: mass rises and everything else thins.
    Overfills,
}

/// The water after a dose of limewater at the tank's temperature, well mixed, before air or precipitation act.
/// `strength_mol_per_l` counts Ca(OH)2; see [`saturated_mol_per_l`].
pub fn dosed(
    tank: TankWater,
    litres: f64,
    strength_mol_per_l: f64,
    temperature_c: f64,
    dosing: Dosing,
) -> TankWater {
    let added_kg = match dosing {
        Dosing::ReplacesEvaporation => 0.0,
        Dosing::Overfills => litres * density_kg_per_m3(0.0, held_temperature(temperature_c)) / 1000.0,
    };
    let mass_kg = tank.mass_kg + added_kg;
    let calcium_umol = litres * strength_mol_per_l * 1e6;
    let kept = tank.mass_kg / mass_kg;
    TankWater {
        mass_kg,
        salinity: tank.salinity * kept,
        alkalinity_umol_per_kg: tank.alkalinity_umol_per_kg * kept
            + EQUIVALENTS_PER_MOL * calcium_umol / mass_kg,
        dic_umol_per_kg: tank.dic_umol_per_kg * kept,
        calcium_umol_per_kg: tank.calcium_umol_per_kg * kept + calcium_umol / mass_kg,
    }
}

/// Straight lines between table values one apart, held at both ends.
fn interpolated(table: &[f64], at: f64) -> f64 {
    let last = (table.len() - 1) as f64;
    let at = at.clamp(0.0, last);
    let below = at as usize;
    let above = (below + 1).min(table.len() - 1);
    table[below] + (table[above] - table[below]) * (at - below as f64)
}
