//! Solving the carbonate system: the alkalinity balance and its root, and each pair of known values.

use super::{Carbonate, CarbonateError, Constants, Known};

/// The search for the hydrogen ion stays inside these, mol/kg.
const LEAST_HYDROGEN: f64 = 1e-15;
const MOST_HYDROGEN: f64 = 10.0;
/// A step in ln h below this is the last: Newton's error after it is of the order of its square.
const LAST_STEP: f64 = 1e-7;
/// Newton may take this many steps before halving takes over for good.
const MOST_NEWTON_STEPS: usize = 40;
const MOST_STEPS: usize = 120;
/// Where a search without a better guess begins.
const USUAL_HYDROGEN: f64 = 1e-8;
/// pH outside these is a misreading, not a tank.
const POSSIBLE_PH: std::ops::RangeInclusive<f64> = 3.0..=13.0;

/// A part of the alkalinity and its slope with ln h, mol/kg.
#[derive(Clone, Copy)]
struct Part {
    value: f64,
    slope: f64,
}

impl Constants {
    /// The hydrogen ion (total scale, mol/kg) of water of this alkalinity and DIC (µmol/kg), searched from `guess`
    /// (mol/kg; anything that is no number above nought counts as no guess).
    ///
    /// Newton in ln h inside a bracket that halving falls back to: the balance falls steadily with h, so the search
    /// always ends at the one root, from any guess. Near the root a step costs a few divisions.
    pub fn hydrogen_from(&self, alkalinity_umol_per_kg: f64, dic_umol_per_kg: f64, guess: f64) -> f64 {
        let dic = (dic_umol_per_kg * 1e-6).max(0.0);
        self.root(alkalinity_umol_per_kg * 1e-6, guess, |h| self.carbonate_from_dic(dic, h))
    }

    /// pH (total scale) of water of this alkalinity and DIC (µmol/kg), searched from `guess`, a pH; see
    /// [`Constants::hydrogen_from`].
    pub fn ph_total_from(&self, alkalinity_umol_per_kg: f64, dic_umol_per_kg: f64, guess: f64) -> f64 {
        let hydrogen = self.hydrogen_from(alkalinity_umol_per_kg, dic_umol_per_kg, hydrogen_from_ph(guess));
        -libm::log10(hydrogen)
    }

    /// Dissolved CO2 (µmol/kg) of this DIC (µmol/kg) at this hydrogen ion (mol/kg).
    pub fn co2_umol_per_kg(&self, dic_umol_per_kg: f64, hydrogen: f64) -> f64 {
        dic_umol_per_kg * hydrogen * hydrogen / self.denominator(hydrogen)
    }

    /// Partial pressure (µatm) over water that holds this much CO2 (µmol/kg).
    pub fn pco2_uatm(&self, co2_umol_per_kg: f64) -> f64 {
        co2_umol_per_kg / (self.k0 * self.fugacity_factor)
    }

    /// CO2 (µmol/kg) in equilibrium with this partial pressure (µatm).
    pub fn co2_at_pco2_umol_per_kg(&self, pco2_uatm: f64) -> f64 {
        pco2_uatm * self.k0 * self.fugacity_factor
    }

    /// Saturation with respect to aragonite.
    pub fn omega_aragonite(&self, calcium_umol_per_kg: f64, dic_umol_per_kg: f64, hydrogen: f64) -> f64 {
        let carbonate = dic_umol_per_kg * self.k1 * self.k2 / self.denominator(hydrogen);
        calcium_umol_per_kg * carbonate * 1e-12 / self.ksp_aragonite
    }

    /// The whole system from two known values and calcium (µmol/kg; see
    /// [`natural_calcium_umol_per_kg`](super::natural_calcium_umol_per_kg)).
    ///
    /// # Errors
    ///
    /// If both values say the same, one is impossible, or they contradict each other.
    pub fn solve(
        &self,
        first: Known,
        second: Known,
        calcium_umol_per_kg: f64,
    ) -> Result<Carbonate, CarbonateError> {
        // Put the pair into one order, so that each combination is written once.
        let (first, second) = if rank(&first) <= rank(&second) { (first, second) } else { (second, first) };
        check(first)?;
        check(second)?;
        let (dic, hydrogen) = match (first, second) {
            (Known::Alkalinity(ta), Known::Dic(dic)) => {
                (dic * 1e-6, self.hydrogen_from(ta, dic, USUAL_HYDROGEN))
            }
            (Known::Alkalinity(ta), Known::Pco2(pco2)) => self.under_pco2(ta * 1e-6, pco2),
            (Known::Alkalinity(ta), ph) => {
                let h = self.hydrogen(ph).ok_or(CarbonateError::SameTwice)?;
                (self.dic_from_alkalinity(ta * 1e-6, h)?, h)
            }
            (Known::Dic(dic), Known::Pco2(pco2)) => {
                (dic * 1e-6, self.hydrogen_from_dic_and_pco2(dic * 1e-6, pco2)?)
            }
            (Known::Dic(dic), ph) => (dic * 1e-6, self.hydrogen(ph).ok_or(CarbonateError::SameTwice)?),
            (ph, Known::Pco2(pco2)) => {
                let h = self.hydrogen(ph).ok_or(CarbonateError::SameTwice)?;
                let co2 = self.co2_at_pco2_umol_per_kg(pco2) * 1e-6;
                (co2 * self.denominator(h) / (h * h), h)
            }
            _ => return Err(CarbonateError::SameTwice),
        };
        Ok(self.complete(dic, hydrogen, calcium_umol_per_kg))
    }

    /// Everything from DIC (mol/kg) and the hydrogen ion.
    fn complete(&self, dic: f64, h: f64, calcium_umol_per_kg: f64) -> Carbonate {
        let denominator = self.denominator(h);
        let co2 = dic * h * h / denominator;
        let bicarbonate = dic * self.k1 * h / denominator;
        let carbonate = dic * self.k1 * self.k2 / denominator;
        let ph_total = -libm::log10(h);
        let fco2_uatm = co2 / self.k0 * 1e6;
        let calcium = calcium_umol_per_kg * 1e-6;
        Carbonate {
            alkalinity_umol_per_kg: (bicarbonate + 2.0 * carbonate + self.without_carbonate(h).value) * 1e6,
            dic_umol_per_kg: dic * 1e6,
            calcium_umol_per_kg,
            ph_total,
            ph_nbs: ph_total + self.nbs_minus_total,
            ph_free: ph_total + self.free_minus_total,
            pco2_uatm: fco2_uatm / self.fugacity_factor,
            fco2_uatm,
            co2_umol_per_kg: co2 * 1e6,
            bicarbonate_umol_per_kg: bicarbonate * 1e6,
            carbonate_umol_per_kg: carbonate * 1e6,
            borate_umol_per_kg: self.total_borate / (1.0 + h / self.kb) * 1e6,
            hydroxide_umol_per_kg: self.kw / h * 1e6,
            omega_aragonite: calcium * carbonate / self.ksp_aragonite,
            omega_calcite: calcium * carbonate / self.ksp_calcite,
        }
    }

    /// h² + K1 h + K1 K2: what shares DIC out.
    fn denominator(&self, h: f64) -> f64 {
        h * (h + self.k1) + self.k1 * self.k2
    }

    fn hydrogen(&self, known: Known) -> Option<f64> {
        match known {
            Known::PhTotal(ph) => Some(hydrogen_from_ph(ph)),
            Known::PhNbs(ph) => Some(hydrogen_from_ph(ph - self.nbs_minus_total)),
            _ => None,
        }
    }

    fn carbonate_from_dic(&self, dic: f64, h: f64) -> Part {
        let share = 1.0 / self.denominator(h);
        let (free, single, double) = (h * h * share, self.k1 * h * share, self.k1 * self.k2 * share);
        Part {
            value: dic * (single + 2.0 * double),
            slope: -dic * (free * single + 4.0 * free * double + single * double),
        }
    }

    /// Borate, hydroxide, hydrogen, bisulphate and hydrogen fluoride.
    fn without_carbonate(&self, h: f64) -> Part {
        let borate_share = self.kb / (self.kb + h);
        let borate = self.total_borate * borate_share;
        let hydroxide = self.kw / h;
        let free = h * self.free_per_total;
        let bisulphate_share = free / (free + self.ks);
        let bisulphate = self.total_sulphate * bisulphate_share;
        let fluoride_share = free / (free + self.kf);
        let fluoride = self.total_fluoride * fluoride_share;
        Part {
            value: borate + hydroxide - free - bisulphate - fluoride,
            slope: -(borate * (1.0 - borate_share)
                + hydroxide
                + free
                + bisulphate * (1.0 - bisulphate_share)
                + fluoride * (1.0 - fluoride_share)),
        }
    }

    /// Where carbonate and the rest together make the alkalinity (mol/kg). Both fall with h.
    fn root(&self, alkalinity: f64, guess: f64, mut carbonate: impl FnMut(f64) -> Part) -> f64 {
        let (mut low, mut high) = (LEAST_HYDROGEN, MOST_HYDROGEN);
        let mut h = if guess > low && guess < high { guess } else { USUAL_HYDROGEN };
        for step_idx in 0..MOST_STEPS {
            let (carbonate, rest) = (carbonate(h), self.without_carbonate(h));
            let excess = carbonate.value + rest.value - alkalinity;
            if excess > 0.0 {
                low = h;
            } else {
                high = h;
            }
            let step = (-excess / (carbonate.slope + rest.slope)).clamp(-1.0, 1.0);
            // exp(step) to third order, and positive: no transcendental function in the simulator's inner loop.
            let newton = h * (2.0 + step) / (2.0 - step);
            if step.abs() < LAST_STEP {
                return newton;
            }
            let trusted = step_idx < MOST_NEWTON_STEPS && newton > low && newton < high;
            h = if trusted { newton } else { (low * high).sqrt() };
        }
        h
    }

    /// DIC and hydrogen ion of water of this alkalinity (mol/kg) in equilibrium with a partial pressure.
    fn under_pco2(&self, alkalinity: f64, pco2_uatm: f64) -> (f64, f64) {
        let co2 = self.co2_at_pco2_umol_per_kg(pco2_uatm) * 1e-6;
        let h = self.root(alkalinity, USUAL_HYDROGEN, |h| {
            let bicarbonate = co2 * self.k1 / h;
            let carbonate = bicarbonate * self.k2 / h;
            Part { value: bicarbonate + 2.0 * carbonate, slope: -bicarbonate - 4.0 * carbonate }
        });
        (co2 * self.denominator(h) / (h * h), h)
    }

    fn dic_from_alkalinity(&self, alkalinity: f64, h: f64) -> Result<f64, CarbonateError> {
        let rest = self.without_carbonate(h).value;
        let carbonate_alkalinity = alkalinity - rest;
        if carbonate_alkalinity <= 0.0 {
            return Err(CarbonateError::PhTooHighForAlkalinity(rest * 1e6));
        }
        Ok(carbonate_alkalinity * self.denominator(h) / (self.k1 * (h + 2.0 * self.k2)))
    }

    fn hydrogen_from_dic_and_pco2(&self, dic: f64, pco2_uatm: f64) -> Result<f64, CarbonateError> {
        let co2 = self.co2_at_pco2_umol_per_kg(pco2_uatm) * 1e-6;
        let share = co2 / dic;
        if share >= 1.0 {
            return Err(CarbonateError::Pco2TooHighForDic(co2 * 1e6));
        }
        // (1 - share) h² - share K1 h - share K1 K2 = 0 has one root above nought.
        let linear = share * self.k1;
        let root = (linear * linear + 4.0 * (1.0 - share) * linear * self.k2).sqrt();
        Ok((linear + root) / (2.0 * (1.0 - share)))
    }
}

fn hydrogen_from_ph(ph: f64) -> f64 {
    libm::exp(-ph * std::f64::consts::LN_10)
}

fn rank(known: &Known) -> u8 {
    match known {
        Known::Alkalinity(_) => 0,
        Known::Dic(_) => 1,
        Known::PhTotal(_) | Known::PhNbs(_) => 2,
        Known::Pco2(_) => 3,
    }
}

/// Rejects values that no water can have, so that the search works on numbers that mean something.
fn check(known: Known) -> Result<(), CarbonateError> {
    let possible = match known {
        // A hundred times seawater, in either direction; water can be acid, with an alkalinity below nought.
        Known::Alkalinity(x) => x.abs() <= 250_000.0,
        Known::Dic(x) => x > 0.0 && x <= 250_000.0,
        Known::PhTotal(ph) | Known::PhNbs(ph) => POSSIBLE_PH.contains(&ph),
        Known::Pco2(x) => x > 0.0 && x <= 1e6,
    };
    if possible { Ok(()) } else { Err(CarbonateError::Impossible(known)) }
}

#[cfg(test)]
mod tests {
    use super::super::{BoronRatio, Constants};

    /// How often the balance is evaluated on the way from `guess` to the root.
    fn n_evaluations(alkalinity: f64, dic: f64, guess: f64) -> usize {
        let constants = Constants::at(35.0, 25.0, BoronRatio::Uppstrom1974);
        let mut n = 0;
        constants.root(alkalinity * 1e-6, guess, |h| {
            n += 1;
            constants.carbonate_from_dic(dic * 1e-6, h)
        });
        n
    }

    #[test]
    fn a_warm_start_costs_two_evaluations_and_no_start_costs_many() {
        let constants = Constants::at(35.0, 25.0, BoronRatio::Uppstrom1974);
        let before = constants.hydrogen_from(2300.0, 2000.0, 1e-8);
        // A minute of a tank: a dose of limewater and some gas exchange.
        assert!(n_evaluations(2300.5, 1999.9, before) <= 3);
        assert!(n_evaluations(2300.0, 2000.0, before) <= 2);
        // Thirty dKH at once.
        assert!(n_evaluations(13_000.0, 2000.0, before) <= 12);
        let worst = [1e-15, 1e-12, 1e-4, 1.0, 9.9]
            .into_iter()
            .flat_map(|guess| {
                [(0.0, 0.0), (2300.0, 2000.0), (2300.0, 0.0), (-5000.0, 9000.0), (1e5, 1e5)]
                    .map(|w| (guess, w))
            })
            .map(|(guess, (alkalinity, dic))| n_evaluations(alkalinity, dic, guess))
            .max();
        assert!(worst <= Some(50), "{worst:?}");
    }
}
