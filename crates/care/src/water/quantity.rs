//! What is tested: units, what a home test is good for, what goes with the salt in the sea, what is aimed at.

/// What a test measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Tested {
    /// Total alkalinity, dKH.
    Alkalinity,
    /// Calcium, mg/L.
    Calcium,
    /// Magnesium, mg/L.
    Magnesium,
    /// Nitrate as NO3, mg/L.
    Nitrate,
    /// Phosphate as PO4, mg/L.
    Phosphate,
    /// Practical salinity.
    Salinity,
}

/// A band of values.
pub type Band = (f64, f64);

/// dKH, mg/L or salinity as [`Tested::unit`] says: what is aimed at, beyond what somebody should act.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Aim {
    /// Aim.
    pub target: Band,
    /// Act outside of it.
    pub act: Band,
}

/// Where a value stands to what is aimed at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// So low that somebody should act.
    FarBelow,
    /// Below the aim.
    Below,
    /// Within it.
    Within,
    /// Above it.
    Above,
    /// So high that somebody should act.
    FarAbove,
}

impl Aim {
    /// Where a value stands.
    pub fn standing(&self, value: f64) -> Standing {
        if value < self.act.0 {
            Standing::FarBelow
        } else if value < self.target.0 {
            Standing::Below
        } else if value <= self.target.1 {
            Standing::Within
        } else if value <= self.act.1 {
            Standing::Above
        } else {
            Standing::FarAbove
        }
    }
}

/// Of the Reference Composition (Millero, Feistel, Wright & McDougall 2008) at salinity 35, µmol/kg.
const MAGNESIUM_UMOL_KG: f64 = 52_817.061;
const ALKALINITY_UMOL_KG: f64 = 2_304.0;
/// g/mol (IUPAC).
pub const MAGNESIUM_G_MOL: f64 = 24.305;

impl Tested {
    /// All, in the order in which they are shown.
    pub const ALL: [Tested; 6] = [
        Tested::Alkalinity,
        Tested::Calcium,
        Tested::Magnesium,
        Tested::Nitrate,
        Tested::Phosphate,
        Tested::Salinity,
    ];

    /// Its name in text and in files.
    pub fn name(self) -> &'static str {
        match self {
            Tested::Alkalinity => "alkalinity",
            Tested::Calcium => "calcium",
            Tested::Magnesium => "magnesium",
            Tested::Nitrate => "nitrate",
            Tested::Phosphate => "phosphate",
            Tested::Salinity => "salinity",
        }
    }

    /// The quantity of this name.
    pub fn of_name(name: &str) -> Option<Tested> {
        let name = name.trim();
        Tested::ALL.into_iter().find(|t| t.name().eq_ignore_ascii_case(name))
    }

    /// Unit of every number of it in this crate.
    pub fn unit(self) -> &'static str {
        match self {
            Tested::Alkalinity => "dKH",
            Tested::Salinity => "PSU",
            _ => "mg/L",
        }
    }

    /// Decimals worth showing.
    pub fn decimals(self) -> usize {
        match self {
            Tested::Alkalinity | Tested::Salinity => 2,
            Tested::Phosphate => 3,
            Tested::Nitrate => 1,
            Tested::Calcium | Tested::Magnesium => 0,
        }
    }

    /// Standard deviation of a home test about this value, by its steps (assumed): 0.15 dKH; 8 mg/L of calcium; 25 mg/L of magnesium; a tenth
    /// of nitrate, 0.5 at least; a tenth of phosphate, 0.01 at least; 0.25 of salinity.
    pub fn home_test_sd(self, value: f64) -> f64 {
        match self {
            Tested::Alkalinity => 0.15,
            Tested::Calcium => 8.0,
            Tested::Magnesium => 25.0,
            Tested::Nitrate => (0.1 * value.abs()).max(0.5),
            Tested::Phosphate => (0.1 * value.abs()).max(0.01),
            Tested::Salinity => 0.25,
        }
    }

    /// Values that a test can show at all.
    pub fn possible(self) -> std::ops::RangeInclusive<f64> {
        match self {
            Tested::Alkalinity => 0.0..=40.0,
            Tested::Calcium => 0.0..=2_000.0,
            Tested::Magnesium => 0.0..=5_000.0,
            Tested::Nitrate => 0.0..=1_000.0,
            Tested::Phosphate => 0.0..=50.0,
            Tested::Salinity => 0.0..=60.0,
        }
    }

    /// What is aimed at in a reef tank (common practice, no source; the same numbers as tests/reference/comfort_envelope.csv).
    pub fn aim(self) -> Aim {
        let (target, act) = match self {
            Tested::Alkalinity => ((7.0, 10.0), (6.0, 12.0)),
            Tested::Calcium => ((400.0, 450.0), (360.0, 500.0)),
            Tested::Magnesium => ((1250.0, 1400.0), (1150.0, 1500.0)),
            Tested::Nitrate => ((1.0, 10.0), (0.0, 25.0)),
            Tested::Phosphate => ((0.02, 0.1), (0.0, 0.25)),
            Tested::Salinity => ((33.0, 36.0), (31.0, 38.0)),
        };
        Aim { target, act }
    }

    /// Change in a day that animals bear (common practice, no source): 1 dKH, 20 mg/L of calcium, 50 mg/L of magnesium, 1 of salinity. None
    /// of what is not dosed.
    pub fn daily_limit(self) -> Option<f64> {
        match self {
            Tested::Alkalinity | Tested::Salinity => Some(1.0),
            Tested::Calcium => Some(20.0),
            Tested::Magnesium => Some(50.0),
            Tested::Nitrate | Tested::Phosphate => None,
        }
    }

    /// What the sea has at this salinity and temperature (Reference Composition; calcium Riley & Tongudai 1967); nothing of nutrients.
    pub fn natural(self, salinity: f64, temperature_c: f64) -> Option<f64> {
        use seawater::alkalinity::{
            calcium_mg_per_l_from_umol_per_kg, dkh_from_umol_per_kg, meq_per_l_from_umol_per_kg,
        };
        let share = salinity / 35.0;
        match self {
            Tested::Alkalinity => {
                Some(dkh_from_umol_per_kg(ALKALINITY_UMOL_KG * share, salinity, temperature_c))
            }
            Tested::Calcium => {
                let natural = seawater::carbonate::natural_calcium_umol_per_kg(salinity);
                Some(calcium_mg_per_l_from_umol_per_kg(natural, salinity, temperature_c))
            }
            Tested::Magnesium => Some(
                meq_per_l_from_umol_per_kg(MAGNESIUM_UMOL_KG * share, salinity, temperature_c)
                    * MAGNESIUM_G_MOL,
            ),
            Tested::Salinity => Some(salinity),
            Tested::Nitrate | Tested::Phosphate => None,
        }
    }
}
