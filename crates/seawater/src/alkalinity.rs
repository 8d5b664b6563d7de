//! Alkalinity between the units of test kits and of chemists.
//!
//! dKH and mg/L CaCO3 count per litre, µmol/kg per kilogram: between them stands the density. Molar masses: CaO
//! 56.0774, CaCO3 100.0869, Ca 40.078 g/mol.

use crate::density::density_kg_per_m3;

/// Degrees of carbonate hardness in one meq/L: a degree is 10 mg CaO per litre, two equivalents a mole.
pub const DKH_PER_MEQ_PER_L: f64 = 56.0774 / 20.0;
/// mg/L CaCO3 in one meq/L.
pub const MG_CACO3_PER_MEQ: f64 = 100.0869 / 2.0;
/// Molar mass of calcium, g/mol.
pub const CALCIUM_G_PER_MOL: f64 = 40.078;

/// meq/L as dKH.
pub fn dkh_from_meq_per_l(meq_per_l: f64) -> f64 {
    meq_per_l * DKH_PER_MEQ_PER_L
}

/// dKH as meq/L.
pub fn meq_per_l_from_dkh(dkh: f64) -> f64 {
    dkh / DKH_PER_MEQ_PER_L
}

/// µmol/kg as meq/L (or mmol/L) in water of this salinity and temperature.
pub fn meq_per_l_from_umol_per_kg(umol_per_kg: f64, salinity: f64, temperature_c: f64) -> f64 {
    umol_per_kg * density_kg_per_m3(salinity, temperature_c) * 1e-6
}

/// meq/L (or mmol/L) as µmol/kg in water of this salinity and temperature.
pub fn umol_per_kg_from_meq_per_l(meq_per_l: f64, salinity: f64, temperature_c: f64) -> f64 {
    meq_per_l * 1e6 / density_kg_per_m3(salinity, temperature_c)
}

/// µmol/kg as dKH in water of this salinity and temperature.
pub fn dkh_from_umol_per_kg(umol_per_kg: f64, salinity: f64, temperature_c: f64) -> f64 {
    dkh_from_meq_per_l(meq_per_l_from_umol_per_kg(umol_per_kg, salinity, temperature_c))
}

/// dKH as µmol/kg in water of this salinity and temperature.
pub fn umol_per_kg_from_dkh(dkh: f64, salinity: f64, temperature_c: f64) -> f64 {
    umol_per_kg_from_meq_per_l(meq_per_l_from_dkh(dkh), salinity, temperature_c)
}

/// Calcium in mg/L, as test kits give it, as µmol/kg in water of this salinity and temperature.
pub fn calcium_umol_per_kg_from_mg_per_l(mg_per_l: f64, salinity: f64, temperature_c: f64) -> f64 {
    umol_per_kg_from_meq_per_l(mg_per_l / CALCIUM_G_PER_MOL, salinity, temperature_c)
}

/// Calcium in µmol/kg as mg/L.
pub fn calcium_mg_per_l_from_umol_per_kg(umol_per_kg: f64, salinity: f64, temperature_c: f64) -> f64 {
    meq_per_l_from_umol_per_kg(umol_per_kg, salinity, temperature_c) * CALCIUM_G_PER_MOL
}
