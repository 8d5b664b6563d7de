//! Limewater as part of the top-off: what it gives of alkalinity and calcium, and the limit that evaporation sets.
//!
//! A litre of saturated limewater of 25 °C carries 20.3 mmol of Ca(OH)2: 40.6 meq of alkalinity and 814 mg of calcium (sources differ by 8 %). Only
//! what has evaporated can be replaced, so use above `evaporation * strength` must come from elsewhere; and where evaporation is more
//! than the need, full strength raises alkalinity day by day. Evaporation is known to 40 % unless it was measured.

use seawater::alkalinity::{
    CALCIUM_G_PER_MOL, DKH_PER_MEQ_PER_L, calcium_umol_per_kg_from_mg_per_l, umol_per_kg_from_dkh,
};
use seawater::carbonate::{BoronRatio, Constants, Known};
use seawater::limewater::{Dosing, TankWater, dosed, saturated_mol_per_l};
use system::Diagnostic;

use super::Tank;
use crate::Estimate;

/// What is known of top-off and limewater.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LimeDosing {
    /// What evaporates in a day, L, with its interval.
    pub evaporation_l_day: Estimate,
    /// Share of saturation, 0 to 1.
    pub saturation: f64,
    /// Temperature of the limewater, °C.
    pub temperature_c: f64,
    /// Alkalinity used up in a day, dKH.
    pub use_dkh_day: f64,
    /// Largest portion, L.
    pub portion_l: f64,
    /// Alkalinity now, dKH.
    pub alkalinity_dkh: f64,
    /// Calcium now, mg/L.
    pub calcium_mg_l: f64,
    /// pH (NBS) now.
    pub ph_nbs: f64,
}

/// What limewater can do here.
#[derive(Clone, Debug, PartialEq)]
pub struct LimePlan {
    /// Alkalinity of a litre of it, meq.
    pub meq_per_l: f64,
    /// Alkalinity that replacing all evaporation with it gives in a day, dKH, with evaporation's interval.
    pub most_dkh_day: Estimate,
    /// Calcium that goes with it, mg/L a day.
    pub most_calcium_mg_l_day: f64,
    /// Litres in a day that cover the use; not more than evaporates.
    pub litres_day: f64,
    /// Share of the top-off that is limewater then, 0 to 1.
    pub share_of_top_off: f64,
    /// Alkalinity in a day that must come from elsewhere, dKH.
    pub rest_dkh_day: f64,
    /// pH (NBS) before and right after a portion, mixed with the whole tank, before the air's carbon dioxide follows.
    pub ph: Option<(f64, f64)>,
    /// What is to be said of it.
    pub findings: Vec<Diagnostic>,
}

/// Spread of evaporation that was not measured (handbook: ±40 %).
pub const EVAPORATION_SPREAD: f64 = 0.4;

/// What limewater can do, or `None` where a number cannot be.
pub fn plan(tank: &Tank, lime: &LimeDosing) -> Option<LimePlan> {
    let is_possible = tank.is_possible()
        && (0.0..=1.0).contains(&lime.saturation)
        && lime.evaporation_l_day.value >= 0.0
        && lime.evaporation_l_day.value < tank.volume_l
        && (0.0..=10.0).contains(&lime.use_dkh_day);
    if !is_possible {
        return None;
    }
    let mol_per_l = lime.saturation * saturated_mol_per_l(lime.temperature_c);
    let meq_per_l = 2000.0 * mol_per_l;
    let dkh_per_litre = meq_per_l / tank.volume_l * DKH_PER_MEQ_PER_L;
    let evaporation = lime.evaporation_l_day;
    let most =
        Estimate { value: evaporation.value * dkh_per_litre, half95: evaporation.half95 * dkh_per_litre };
    let wanted_l = if dkh_per_litre > 0.0 { lime.use_dkh_day / dkh_per_litre } else { 0.0 };
    let litres_day = wanted_l.min(evaporation.value);
    let rest_dkh_day = (lime.use_dkh_day - litres_day * dkh_per_litre).max(0.0);
    let share_of_top_off = if evaporation.value > 0.0 { litres_day / evaporation.value } else { 0.0 };
    let jump = jump(tank, lime, mol_per_l);
    Some(LimePlan {
        meq_per_l,
        most_dkh_day: most,
        most_calcium_mg_l_day: evaporation.value * mol_per_l * 1000.0 * CALCIUM_G_PER_MOL / tank.volume_l,
        litres_day,
        share_of_top_off,
        rest_dkh_day,
        ph: jump.map(|j| (j.0, j.1)),
        findings: findings(lime, most, share_of_top_off, rest_dkh_day, jump),
    })
}

/// pH before and after a portion, and aragonite saturation after.
fn jump(tank: &Tank, lime: &LimeDosing, mol_per_l: f64) -> Option<(f64, f64, f64)> {
    let Tank { salinity, temperature_c, volume_l } = *tank;
    let constants = Constants::at(salinity, temperature_c, BoronRatio::Uppstrom1974);
    let calcium = calcium_umol_per_kg_from_mg_per_l(lime.calcium_mg_l, salinity, temperature_c);
    let alkalinity = umol_per_kg_from_dkh(lime.alkalinity_dkh, salinity, temperature_c);
    let before = constants.solve(Known::Alkalinity(alkalinity), Known::PhNbs(lime.ph_nbs), calcium).ok()?;
    let water = TankWater {
        mass_kg: volume_l * tank.kg_per_l(),
        salinity,
        alkalinity_umol_per_kg: alkalinity,
        dic_umol_per_kg: before.dic_umol_per_kg,
        calcium_umol_per_kg: calcium,
    };
    let mixed = dosed(water, lime.portion_l, mol_per_l, temperature_c, Dosing::ReplacesEvaporation);
    let known = (Known::Alkalinity(mixed.alkalinity_umol_per_kg), Known::Dic(mixed.dic_umol_per_kg));
    let after = constants.solve(known.0, known.1, mixed.calcium_umol_per_kg).ok()?;
    Some((before.ph_nbs, after.ph_nbs, after.omega_aragonite))
}

/// pH (NBS) above which animals suffer within hours (requirement of the default set).
const PH_HIGH: f64 = 8.6;

fn findings(
    lime: &LimeDosing,
    most: Estimate,
    share: f64,
    rest: f64,
    jump: Option<(f64, f64, f64)>,
) -> Vec<Diagnostic> {
    let mut out = vec![Diagnostic::note_level(
        "caution-lime",
        "limewater burns eyes and skin: goggles, gloves, a label on its vessel; out of reach of children and animals",
    )];
    if rest > 0.0 {
        out.push(
            Diagnostic::note_level(
                "lime-not-enough",
                format!("limewater in place of all that evaporates gives {:.2} dKH a day; {rest:.2} of the {:.2} used must come from elsewhere", most.value, lime.use_dkh_day),
            )
            .help("dose bicarbonate and calcium chloride for the rest; a fan over the sump would raise evaporation, and cool"),
        );
    }
    let surplus = most.high() - lime.use_dkh_day;
    if share < 1.0 && surplus > 0.1 {
        out.push(
            Diagnostic::warning(
                "lime-too-much",
                format!("limewater as the whole top-off may raise alkalinity by up to {surplus:.2} dKH a day"),
            )
            .note(format!("evaporation {:.1} to {:.1} L a day", lime.evaporation_l_day.low().max(0.0), lime.evaporation_l_day.high()))
            .help(format!("a pump of its own with a limit a day, or a mixture with {:.0} % limewater; test alkalinity twice a week at first", share * 100.0)),
        );
    }
    if let Some((_, after, omega)) = jump {
        if after > PH_HIGH {
            out.push(
                Diagnostic::warning(
                    "lime-portion-large",
                    format!(
                        "a portion of {:.2} L takes pH to {after:.2} at once, above {PH_HIGH}",
                        lime.portion_l
                    ),
                )
                .help("smaller portions, at night, when pH is lowest; drip into strong flow"),
            );
        }
        if omega > seawater::carbonate::PRECIPITATING_OMEGA_ARAGONITE {
            out.push(
                Diagnostic::warning(
                    "lime-precipitates",
                    format!("a portion takes aragonite saturation to {omega:.0}: carbonate falls out"),
                )
                .help("smaller portions"),
            );
        }
    }
    out
}
