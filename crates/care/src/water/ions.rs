//! What stays behind: the books of the ions when salts are dosed for years, and whether tests agree with what was reckoned.
//!
//! Corals take calcium and alkalinity as CaCO3: one mole for two equivalents, so 1 dKH goes with 7.15 mg/L of calcium. Calcium chloride and bicarbonate
//! bring them back together with sodium and chloride: salinity creeps up, and sulfate and the rest fall behind the salt. Water changes are what
//! sets that right.

use seawater::ABSOLUTE_PER_PRACTICAL;
use seawater::alkalinity::{CALCIUM_G_PER_MOL, DKH_PER_MEQ_PER_L};
use system::Diagnostic;

use super::Tank;
use super::quantity::Tested;
use super::salts::{Adds, Salt};
use crate::Estimate;

/// Calcium that goes with one dKH when aragonite is laid down, mg/L: half a mole for each equivalent.
pub const CALCIUM_PER_DKH: f64 = CALCIUM_G_PER_MOL / 2.0 / DKH_PER_MEQ_PER_L;

/// What a tank's water has gained, mmol of the whole tank; what corals took is negative.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Books {
    /// Sums.
    pub gained: Adds,
}

impl Books {
    /// Adds grams of a salt.
    pub fn dose(&mut self, salt: Salt, grams: f64) {
        let mmol = grams / salt.g_per_mol() * 1000.0;
        let a = salt.adds();
        let g = &mut self.gained;
        g.alkalinity += mmol * a.alkalinity;
        g.carbon += mmol * a.carbon;
        g.calcium += mmol * a.calcium;
        g.magnesium += mmol * a.magnesium;
        g.sodium += mmol * a.sodium;
        g.chloride += mmol * a.chloride;
        g.sulfate += mmol * a.sulfate;
    }

    /// Takes out what corals laid down as CaCO3, meq of alkalinity.
    pub fn calcified(&mut self, meq: f64) {
        self.gained.alkalinity -= meq;
        self.gained.carbon -= meq / 2.0;
        self.gained.calcium -= meq / 2.0;
    }

    /// Charge of the whole, meq: 0 when the books are right, for every salt is neutral.
    pub fn charge_meq(&self) -> f64 {
        let g = self.gained;
        2.0 * g.calcium + 2.0 * g.magnesium + g.sodium - g.chloride - 2.0 * g.sulfate - g.alkalinity
    }

    /// How much the salinity of the tank has risen by what stayed behind: sodium, chloride, magnesium, sulfate, calcium and bicarbonate by their
    /// mass. Water that is replaced to the same level is left out of it.
    pub fn salinity_rise(&self, tank: &Tank) -> f64 {
        let g = self.gained;
        let mg = g.sodium * 22.990
            + g.chloride * 35.45
            + g.magnesium * 24.305
            + g.sulfate * 96.06
            + g.calcium * 40.078
            + g.alkalinity * 61.017;
        let g_per_kg = mg / 1000.0 / (tank.volume_l * tank.kg_per_l());
        g_per_kg / ABSOLUTE_PER_PRACTICAL
    }
}

/// Calcium against alkalinity of what is used up, with what it should be.
pub fn balance(alkalinity: Estimate, calcium: Estimate) -> Vec<Diagnostic> {
    let expected = alkalinity.value * CALCIUM_PER_DKH;
    let half = libm::hypot(alkalinity.half95 * CALCIUM_PER_DKH, calcium.half95);
    let off = calcium.value - expected;
    if !half.is_finite() || off.abs() <= half || off.abs() < 0.15 * expected.abs() {
        return vec![];
    }
    vec![
        Diagnostic::warning(
            "use-unbalanced",
            format!(
                "{:.2} mg/L of calcium and {:.2} dKH are used up in a day; corals take {expected:.2} mg/L with that alkalinity",
                calcium.value, alkalinity.value
            ),
        )
        .note(format!("aragonite: {CALCIUM_PER_DKH:.2} mg/L of calcium for each dKH; the difference has an interval of ±{half:.2} mg/L"))
        .help(if off > 0.0 {
            "alkalinity is dosed that the log does not know, or a kit is off"
        } else {
            "alkalinity goes elsewhere: nitrate that builds up, a carbonate that falls out in pump and heater; or a kit is off"
        }),
    ]
}

/// Whether a test agrees with what was reckoned for that time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Agreement {
    /// Test less reckoned.
    pub off: f64,
    /// Half of the 95 % interval of that difference.
    pub half95: f64,
}

impl Agreement {
    /// Whether they differ by more than chance.
    pub fn is_apart(&self) -> bool {
        self.off.abs() > self.half95
    }
}

/// A test of standard deviation `test_sd` against a reckoned value.
pub fn agreement(reckoned: Estimate, tested: f64, test_sd: f64) -> Agreement {
    let half95 = libm::hypot(reckoned.half95, crate::stats::NORMAL_95 * test_sd.abs());
    Agreement { off: tested - reckoned.value, half95 }
}

/// What is to be said of a test that does not agree with what doses and use should have made of the tank.
pub fn agreement_findings(tested: Tested, reckoned: Estimate, test: f64) -> Vec<Diagnostic> {
    let agreement = agreement(reckoned, test, tested.home_test_sd(test));
    if !agreement.is_apart() {
        return vec![];
    }
    let (name, unit, places) = (tested.name(), tested.unit(), tested.decimals());
    vec![
        Diagnostic::warning(
            "test-disagrees",
            format!("{name} tests as {test:.places$} {unit}, reckoned were {:.places$}", reckoned.value),
        )
        .note(format!("they differ by {:+.places$} where ±{:.places$} is chance (95 %)", agreement.off, agreement.half95))
        .help("test again; then look at the pump (calibrate it), at the strength of the stock, at the volume of the tank in the file"),
    ]
}
