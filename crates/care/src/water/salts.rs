//! Common salts: what a gram adds, by molar masses of IUPAC (abridged standard atomic weights 2021).
//!
//! A salt is counted as pure; technical ones are weaker, and moist ones too. Calcium chloride draws water: the dihydrate is what is
//! usually sold as flakes, and what stood open is weaker than its label.

/// Standard atomic weights, abridged to five digits (IUPAC 2021), g/mol.
mod weight {
    pub const H: f64 = 1.0080;
    pub const C: f64 = 12.011;
    pub const O: f64 = 15.999;
    pub const NA: f64 = 22.990;
    pub const MG: f64 = 24.305;
    pub const S: f64 = 32.06;
    pub const CL: f64 = 35.45;
    pub const CA: f64 = 40.078;
}

const WATER: f64 = 2.0 * weight::H + weight::O;

/// A salt that is dosed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Salt {
    /// NaHCO3, baking soda.
    SodiumBicarbonate,
    /// Na2CO3, soda, baked.
    SodiumCarbonate,
    /// Na2CO3 · H2O.
    SodiumCarbonateMonohydrate,
    /// Na2CO3 · 10 H2O, washing soda in crystals.
    SodiumCarbonateDecahydrate,
    /// CaCl2.
    CalciumChloride,
    /// CaCl2 · 2 H2O.
    CalciumChlorideDihydrate,
    /// CaCl2 · 6 H2O.
    CalciumChlorideHexahydrate,
    /// MgCl2 · 6 H2O.
    MagnesiumChlorideHexahydrate,
    /// MgSO4.
    MagnesiumSulfate,
    /// MgSO4 · 7 H2O, Epsom salt.
    MagnesiumSulfateHeptahydrate,
    /// Ca(OH)2, slaked lime; dosed as limewater only.
    CalciumHydroxide,
}

/// What a mole of a salt adds to the water, mol.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Adds {
    /// Equivalents of alkalinity.
    pub alkalinity: f64,
    /// Inorganic carbon.
    pub carbon: f64,
    /// Ca2+.
    pub calcium: f64,
    /// Mg2+.
    pub magnesium: f64,
    /// Na+.
    pub sodium: f64,
    /// Cl-.
    pub chloride: f64,
    /// SO4 2-.
    pub sulfate: f64,
}

impl Salt {
    /// All of them.
    pub const ALL: [Salt; 11] = [
        Salt::SodiumBicarbonate,
        Salt::SodiumCarbonate,
        Salt::SodiumCarbonateMonohydrate,
        Salt::SodiumCarbonateDecahydrate,
        Salt::CalciumChloride,
        Salt::CalciumChlorideDihydrate,
        Salt::CalciumChlorideHexahydrate,
        Salt::MagnesiumChlorideHexahydrate,
        Salt::MagnesiumSulfate,
        Salt::MagnesiumSulfateHeptahydrate,
        Salt::CalciumHydroxide,
    ];

    /// Its formula with its water.
    pub fn formula(self) -> &'static str {
        match self {
            Salt::SodiumBicarbonate => "NaHCO3",
            Salt::SodiumCarbonate => "Na2CO3",
            Salt::SodiumCarbonateMonohydrate => "Na2CO3.H2O",
            Salt::SodiumCarbonateDecahydrate => "Na2CO3.10H2O",
            Salt::CalciumChloride => "CaCl2",
            Salt::CalciumChlorideDihydrate => "CaCl2.2H2O",
            Salt::CalciumChlorideHexahydrate => "CaCl2.6H2O",
            Salt::MagnesiumChlorideHexahydrate => "MgCl2.6H2O",
            Salt::MagnesiumSulfate => "MgSO4",
            Salt::MagnesiumSulfateHeptahydrate => "MgSO4.7H2O",
            Salt::CalciumHydroxide => "Ca(OH)2",
        }
    }

    /// Its name in words, with its water.
    pub fn name(self) -> &'static str {
        match self {
            Salt::SodiumBicarbonate => "sodium bicarbonate",
            Salt::SodiumCarbonate => "sodium carbonate",
            Salt::SodiumCarbonateMonohydrate => "sodium carbonate monohydrate",
            Salt::SodiumCarbonateDecahydrate => "sodium carbonate decahydrate",
            Salt::CalciumChloride => "calcium chloride",
            Salt::CalciumChlorideDihydrate => "calcium chloride dihydrate",
            Salt::CalciumChlorideHexahydrate => "calcium chloride hexahydrate",
            Salt::MagnesiumChlorideHexahydrate => "magnesium chloride hexahydrate",
            Salt::MagnesiumSulfate => "magnesium sulfate",
            Salt::MagnesiumSulfateHeptahydrate => "magnesium sulfate heptahydrate",
            Salt::CalciumHydroxide => "calcium hydroxide",
        }
    }

    /// The salt of this name or formula; spaces, hyphens and dots do not count.
    pub fn of_name(text: &str) -> Option<Salt> {
        let plain =
            |s: &str| s.chars().filter(char::is_ascii_alphanumeric).collect::<String>().to_ascii_lowercase();
        let wanted = plain(text);
        Salt::ALL.into_iter().find(|s| plain(s.name()) == wanted || plain(s.formula()) == wanted)
    }

    /// Molar mass with its water, g/mol.
    pub fn g_per_mol(self) -> f64 {
        use weight::{C, CA, CL, H, MG, NA, O, S};
        match self {
            Salt::SodiumBicarbonate => NA + H + C + 3.0 * O,
            Salt::SodiumCarbonate => 2.0 * NA + C + 3.0 * O,
            Salt::SodiumCarbonateMonohydrate => Salt::SodiumCarbonate.g_per_mol() + WATER,
            Salt::SodiumCarbonateDecahydrate => Salt::SodiumCarbonate.g_per_mol() + 10.0 * WATER,
            Salt::CalciumChloride => CA + 2.0 * CL,
            Salt::CalciumChlorideDihydrate => Salt::CalciumChloride.g_per_mol() + 2.0 * WATER,
            Salt::CalciumChlorideHexahydrate => Salt::CalciumChloride.g_per_mol() + 6.0 * WATER,
            Salt::MagnesiumChlorideHexahydrate => MG + 2.0 * CL + 6.0 * WATER,
            Salt::MagnesiumSulfate => MG + S + 4.0 * O,
            Salt::MagnesiumSulfateHeptahydrate => Salt::MagnesiumSulfate.g_per_mol() + 7.0 * WATER,
            Salt::CalciumHydroxide => CA + 2.0 * (O + H),
        }
    }

    /// What a mole adds.
    pub fn adds(self) -> Adds {
        let none = Adds::default();
        match self {
            Salt::SodiumBicarbonate => Adds { alkalinity: 1.0, carbon: 1.0, sodium: 1.0, ..none },
            Salt::SodiumCarbonate | Salt::SodiumCarbonateMonohydrate | Salt::SodiumCarbonateDecahydrate => {
                Adds { alkalinity: 2.0, carbon: 1.0, sodium: 2.0, ..none }
            }
            Salt::CalciumChloride | Salt::CalciumChlorideDihydrate | Salt::CalciumChlorideHexahydrate => {
                Adds { calcium: 1.0, chloride: 2.0, ..none }
            }
            Salt::MagnesiumChlorideHexahydrate => Adds { magnesium: 1.0, chloride: 2.0, ..none },
            Salt::MagnesiumSulfate | Salt::MagnesiumSulfateHeptahydrate => {
                Adds { magnesium: 1.0, sulfate: 1.0, ..none }
            }
            Salt::CalciumHydroxide => Adds { alkalinity: 2.0, calcium: 1.0, ..none },
        }
    }

    /// How many grams dissolve in a litre of fresh water at 20 °C and no more (general tables, from memory, rounded down): what a stock solution
    /// can hold.
    pub fn dissolves_g_l(self) -> f64 {
        match self {
            Salt::SodiumBicarbonate => 90.0,
            Salt::SodiumCarbonate => 200.0,
            Salt::SodiumCarbonateMonohydrate => 230.0,
            Salt::SodiumCarbonateDecahydrate => 500.0,
            Salt::CalciumChloride => 600.0,
            Salt::CalciumChlorideDihydrate => 800.0,
            Salt::CalciumChlorideHexahydrate => 1500.0,
            Salt::MagnesiumChlorideHexahydrate => 1100.0,
            Salt::MagnesiumSulfate => 300.0,
            Salt::MagnesiumSulfateHeptahydrate => 600.0,
            Salt::CalciumHydroxide => 1.5,
        }
    }

    /// What a person must know before touching it; common cautions.
    pub fn caution(self) -> Option<&'static str> {
        match self {
            Salt::SodiumCarbonate | Salt::SodiumCarbonateMonohydrate | Salt::SodiumCarbonateDecahydrate => {
                Some("soda irritates eyes and skin: goggles and gloves")
            }
            Salt::CalciumChloride | Salt::CalciumChlorideDihydrate => Some(
                "calcium chloride makes water hot as it dissolves: salt into cold water, slowly; goggles",
            ),
            Salt::CalciumHydroxide => {
                Some("lime burns eyes and skin, its dust the lungs: goggles, gloves, no dust")
            }
            _ => None,
        }
    }
}
