//! Equilibrium constants and conservative totals of the carbonate system at one salinity and temperature.
//!
//! Sources: K1, K2 Lueker, Dickson & Keeling (2000); K0 Weiss (1974); KB Dickson (1990b); KW Millero (1995) in the form of
//! Dickson, Sabine & Christian (2007), already on the total scale; KS Dickson (1990a), free scale; KF Perez & Fraga
//! (1987), taken as free scale; Ksp Mucci (1983); fH Takahashi et al. (1982); boron Uppstrom (1974) or Lee et al. (2010);
//! sulphate Morris & Riley (1966), fluoride Riley (1965), calcium Riley & Tongudai (1967). One atmosphere.
//!
//! KW: the other usual way, from the seawater scale, gives ln KW lower by 0.008, which moves a tank's pH by less than
//! 0.0005. KF: taken as total scale it would move the NBS pH by 0.003, which is far inside the doubt of fH.

use crate::{KELVIN_AT_ZERO_C, STANDARD_ATMOSPHERE_PA, held};

/// Chlorinity to salinity.
const SALINITY_PER_CHLORINITY: f64 = 1.806_55;
/// Gas constant, cm³ bar/(mol K), for the virial correction of CO2.
const GAS_CM3_BAR_PER_MOL_K: f64 = 83.144_626_18;

/// How much boron goes with the salt.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum BoronRatio {
    /// Uppstrom (1974): 415.7 µmol/kg at S = 35.
    #[default]
    Uppstrom1974,
    /// Lee et al. (2010): 432.6 µmol/kg at S = 35; lowers pH by 0.003 to 0.007.
    Lee2010,
}

impl BoronRatio {
    /// Total borate in µmol/kg at S = 35.
    pub fn umol_per_kg_at_35(self) -> f64 {
        match self {
            Self::Uppstrom1974 => 415.7,
            Self::Lee2010 => 432.6,
        }
    }
}

/// Everything the carbonate system needs that depends on salinity and temperature alone: compute it when they
/// have moved, keep it, and solve as often as you like. Total pH scale, mol/kg of seawater, unless said otherwise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Constants {
    /// Practical salinity for which these hold.
    pub salinity: f64,
    /// Temperature for which these hold, degC.
    pub temperature_c: f64,
    /// Solubility of CO2, mol/(kg atm).
    pub k0: f64,
    /// First dissociation of carbonic acid, mol/kg.
    pub k1: f64,
    /// Second dissociation of carbonic acid, mol/kg.
    pub k2: f64,
    /// Dissociation of boric acid, mol/kg.
    pub kb: f64,
    /// Ion product of water, (mol/kg)².
    pub kw: f64,
    /// Dissociation of bisulphate on the free scale, mol/kg.
    pub ks: f64,
    /// Dissociation of hydrogen fluoride on the free scale, mol/kg.
    pub kf: f64,
    /// Solubility product of aragonite, (mol/kg)².
    pub ksp_aragonite: f64,
    /// Solubility product of calcite, (mol/kg)².
    pub ksp_calcite: f64,
    /// fCO2 over pCO2 at one atmosphere.
    pub fugacity_factor: f64,
    /// Total borate, mol/kg.
    pub total_borate: f64,
    /// Total sulphate, mol/kg.
    pub total_sulphate: f64,
    /// Total fluoride, mol/kg.
    pub total_fluoride: f64,
    /// Activity factor between the seawater scale and what an electrode set in NBS buffers shows.
    pub fh: f64,
    /// Free over total hydrogen ion, below 1.
    pub free_per_total: f64,
    /// pH NBS minus pH total; soft by about 0.02, as fH is.
    pub nbs_minus_total: f64,
    /// pH free minus pH total.
    pub free_minus_total: f64,
}

impl Constants {
    /// The constants at a salinity and temperature. Valid S 19-43, t 2-35 degC (K1 and K2 have the narrowest range).
    pub fn at(salinity: f64, temperature_c: f64, boron: BoronRatio) -> Self {
        let (s, temperature_c) = held(salinity, temperature_c);
        let t = temperature_c + KELVIN_AT_ZERO_C;
        let (ln_t, q) = (libm::log(t), s.sqrt());
        let exp10 = |x: f64| libm::exp(x * std::f64::consts::LN_10);

        let hundredth = t / 100.0;
        let ln_k0 = -60.2409
            + 93.4517 / hundredth
            + 23.3585 * (ln_t - std::f64::consts::LN_10 * 2.0)
            + s * (0.023_517 + hundredth * (-0.023_656 + 0.004_703_6 * hundredth));
        let pk1 = 3633.86 / t - 61.2172 + 9.677_70 * ln_t + s * (-0.011_555 + 0.000_115_2 * s);
        let pk2 = 471.78 / t + 25.9290 - 3.169_67 * ln_t + s * (-0.017_81 + 0.000_112_2 * s);
        let ln_kb = (-8966.90 - 2890.53 * q - 77.942 * s + 1.728 * s * q - 0.0996 * s * s) / t
            + 148.0248
            + 137.1942 * q
            + 1.621_42 * s
            - (24.4344 + 25.085 * q + 0.2474 * s) * ln_t
            + 0.053_105 * q * t;
        let ln_kw = 148.9652 - 13_847.26 / t - 23.6521 * ln_t + (118.67 / t - 5.977 + 1.0495 * ln_t) * q
            - 0.016_15 * s;

        let ionic_strength = 19.924 * s / (1000.0 - 1.005 * s);
        let root_ionic = ionic_strength.sqrt();
        let ln_ks = -4276.1 / t + 141.328 - 23.093 * ln_t
            + (-13_856.0 / t + 324.57 - 47.986 * ln_t) * root_ionic
            + (35_474.0 / t - 771.54 + 114.723 * ln_t) * ionic_strength
            - 2698.0 / t * ionic_strength * root_ionic
            + 1776.0 / t * ionic_strength * ionic_strength
            + libm::log(1.0 - 0.001_005 * s);
        let ln_kf = 874.0 / t - 9.68 + 0.111 * q;

        let log10_t = ln_t / std::f64::consts::LN_10;
        let log10_aragonite = -171.945 - 0.077_993 * t
            + 2903.293 / t
            + 71.595 * log10_t
            + (-0.068_393 + 0.001_727_6 * t + 88.135 / t) * q
            - 0.100_18 * s
            + 0.005_941_5 * s * q;
        let log10_calcite = -171.9065 - 0.077_993 * t
            + 2839.319 / t
            + 71.595 * log10_t
            + (-0.777_12 + 0.002_842_6 * t + 178.34 / t) * q
            - 0.077_11 * s
            + 0.004_124_9 * s * q;

        let second_virial = -1636.75 + t * (12.0408 + t * (-0.032_795_7 + t * 3.165_28e-5));
        let cross_virial = 57.7 - 0.118 * t;
        let pressure_bar = STANDARD_ATMOSPHERE_PA * 1e-5;
        let ln_fugacity = (second_virial + 2.0 * cross_virial) * pressure_bar / (GAS_CM3_BAR_PER_MOL_K * t);

        let (ks, kf) = (libm::exp(ln_ks), libm::exp(ln_kf));
        let total_sulphate = 0.14 / 96.062 * s / SALINITY_PER_CHLORINITY;
        let total_fluoride = 6.7e-5 / 18.998 * s / SALINITY_PER_CHLORINITY;
        let fh = 1.2948 - 0.002_036 * t + (0.000_460_7 - 1.475e-6 * t) * s * s;
        let total_per_free = 1.0 + total_sulphate / ks;
        let seawater_per_free = total_per_free + total_fluoride / kf;

        Self {
            salinity: s,
            temperature_c,
            k0: libm::exp(ln_k0),
            k1: exp10(-pk1),
            k2: exp10(-pk2),
            kb: libm::exp(ln_kb),
            kw: libm::exp(ln_kw),
            ks,
            kf,
            ksp_aragonite: exp10(log10_aragonite),
            ksp_calcite: exp10(log10_calcite),
            fugacity_factor: libm::exp(ln_fugacity),
            total_borate: boron.umol_per_kg_at_35() * 1e-6 * s / 35.0,
            total_sulphate,
            total_fluoride,
            fh,
            free_per_total: 1.0 / total_per_free,
            nbs_minus_total: -libm::log10(fh.max(LEAST_FH) * seawater_per_free / total_per_free),
            free_minus_total: libm::log10(total_per_free),
        }
    }
}

/// fH turns negative near S = 100; far outside any range, it is held where its logarithm exists.
const LEAST_FH: f64 = 0.1;

/// Calcium that goes with the salt, µmol/kg (Riley & Tongudai 1967): 10284.6 at S = 35.
pub fn natural_calcium_umol_per_kg(salinity: f64) -> f64 {
    let (s, _) = held(salinity, 0.0);
    0.021_28 / 40.087 * s / SALINITY_PER_CHLORINITY * 1e6
}
