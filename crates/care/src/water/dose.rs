//! A dose: how much of which salt takes a tank from what it is to what it should be, in how many days, and what that does to pH.

use seawater::alkalinity::{
    CALCIUM_G_PER_MOL, DKH_PER_MEQ_PER_L, umol_per_kg_from_dkh, umol_per_kg_from_meq_per_l,
};
use seawater::carbonate::{
    BoronRatio, Constants, Known, PRECIPITATING_OMEGA_ARAGONITE, natural_calcium_umol_per_kg,
};
use system::Diagnostic;

use super::Tank;
use super::quantity::{MAGNESIUM_G_MOL, Tested};
use super::salts::Salt;

/// What salts are dosed for.
pub const DOSED: [Tested; 3] = [Tested::Alkalinity, Tested::Calcium, Tested::Magnesium];

/// What is wanted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wanted {
    /// Of what: alkalinity, calcium or magnesium.
    pub tested: Tested,
    /// What it is, in the quantity's unit.
    pub now: f64,
    /// What it should be.
    pub target: f64,
    /// Used up in a day; 0 when unknown.
    pub use_per_day: f64,
    /// Net rise in a day, in the quantity's unit; [`Tested::daily_limit`] unless a person knows better.
    pub limit_per_day: Option<f64>,
}

/// A stock solution that a pump gives.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stock {
    /// Grams of the salt in a litre of solution.
    pub g_per_l: f64,
}

/// What to do.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// Salt.
    pub salt: Salt,
    /// Days that the rise takes; 0 when nothing is to be raised.
    pub days: u32,
    /// Net rise of one of these days, in the quantity's unit.
    pub rise_per_day: f64,
    /// Salt for the rise alone, g.
    pub rise_g: f64,
    /// Salt of each of these days, use included, g.
    pub g_per_day: f64,
    /// Salt that holds the level afterwards, a day, g.
    pub hold_g_per_day: f64,
    /// Of a stock solution: mL of each of the days of the rise, and of each day after.
    pub ml_per_day: Option<(f64, f64)>,
    /// pH (NBS) before, and right after a day's salt were given at once; only where the salt moves it and a pH is known.
    pub ph: Option<(f64, f64)>,
    /// Portions a day that keep each portion's step of pH below 0.05 (assumed); 1 where it does not matter.
    pub portions: u32,
    /// What is to be said of it.
    pub findings: Vec<Diagnostic>,
}

/// Why there is no plan.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum DoseError {
    /// Not dosed with salts: nitrate, phosphate, salinity.
    NotDosed(Tested),
    /// This salt does not add it.
    WrongSalt(Salt, Tested),
    /// Lime is dosed as limewater, within what evaporates.
    LimeIsTopOff,
    /// A value that cannot be.
    Impossible(&'static str, f64),
}

impl std::fmt::Display for DoseError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            DoseError::NotDosed(Tested::Salinity) => {
                f.write_str("salinity is not dosed but mixed: change water for saltier or fresher")
            }
            DoseError::NotDosed(tested) => write!(
                f,
                "{} is not raised with these salts; alkalinity, calcium and magnesium are. Water changes lower it",
                tested.name()
            ),
            DoseError::WrongSalt(salt, tested) => write!(
                f,
                "{} ({}) adds no {}; {}",
                salt.name(),
                salt.formula(),
                tested.name(),
                match tested {
                    Tested::Alkalinity => "sodium bicarbonate or carbonate does",
                    Tested::Calcium => "calcium chloride does",
                    _ => "magnesium chloride or sulfate does",
                }
            ),
            DoseError::LimeIsTopOff => f.write_str(
                "lime is not put in as a powder: it is dosed as limewater with the top-off, within what evaporates",
            ),
            DoseError::Impossible(what, value) => {
                write!(f, "{value} is no possible {what}; look at the number and its unit")
            }
        }
    }
}

impl std::error::Error for DoseError {}

/// Step of pH that a portion may make (assumed).
const PH_STEP: f64 = 0.05;
const MOST_PORTIONS: u32 = 48;

/// Grams of a salt that raise a tank by `rise` (dKH or mg/L).
///
/// # Errors
/// The salt does not add it, or it is not dosed.
pub fn grams(tank: &Tank, tested: Tested, rise: f64, salt: Salt) -> Result<f64, DoseError> {
    if salt == Salt::CalciumHydroxide {
        return Err(DoseError::LimeIsTopOff);
    }
    let adds = salt.adds();
    // mmol (of alkalinity meq) a litre, and what a mole of salt gives of it
    let (mmol_l, share) = match tested {
        Tested::Alkalinity => (rise / DKH_PER_MEQ_PER_L, adds.alkalinity),
        Tested::Calcium => (rise / CALCIUM_G_PER_MOL, adds.calcium),
        Tested::Magnesium => (rise / MAGNESIUM_G_MOL, adds.magnesium),
        other => return Err(DoseError::NotDosed(other)),
    };
    if share == 0.0 {
        return Err(DoseError::WrongSalt(salt, tested));
    }
    Ok(mmol_l * tank.volume_l / share * salt.g_per_mol() / 1000.0)
}

/// A plan of doses. `ph_nbs` is what a probe shows before; with it the step of pH is reckoned.
///
/// # Errors
/// [`DoseError`].
pub fn plan(
    tank: &Tank,
    wanted: &Wanted,
    salt: Salt,
    stock: Option<Stock>,
    ph_nbs: Option<f64>,
) -> Result<Plan, DoseError> {
    let limit = check(tank, wanted, stock)?;
    let rise = (wanted.target - wanted.now).max(0.0);
    let days = (rise / limit - 1e-9).ceil().max(0.0) as u32;
    let rise_per_day = if days == 0 { 0.0 } else { rise / f64::from(days) };
    let use_per_day = wanted.use_per_day.max(0.0);
    let g_per_day = grams(tank, wanted.tested, rise_per_day + use_per_day, salt)?;
    let hold_g_per_day = grams(tank, wanted.tested, use_per_day, salt)?;
    let rise_g = grams(tank, wanted.tested, rise, salt)?;
    let most_a_day = if days == 0 { hold_g_per_day } else { g_per_day };
    let jump = ph_nbs.and_then(|ph| ph_after(tank, wanted, salt, most_a_day, ph));
    let portions =
        jump.map_or(1, |j| (((j.ph.1 - j.ph.0).abs() / PH_STEP).ceil() as u32).clamp(1, MOST_PORTIONS));
    let findings = findings(wanted, limit, salt, stock, jump.as_ref());
    let ml = |g: f64, stock: Stock| g / stock.g_per_l * 1000.0;
    Ok(Plan {
        salt,
        days,
        rise_per_day,
        rise_g,
        g_per_day: most_a_day,
        hold_g_per_day,
        ml_per_day: stock.map(|s| (ml(most_a_day, s), ml(hold_g_per_day, s))),
        ph: jump.map(|j| j.ph),
        portions,
        findings,
    })
}

/// The limit of a day, when everything else is possible.
fn check(tank: &Tank, wanted: &Wanted, stock: Option<Stock>) -> Result<f64, DoseError> {
    if !tank.is_possible() {
        return Err(DoseError::Impossible(
            "volume, salinity or temperature of a tank, such as its volume in litres",
            tank.volume_l,
        ));
    }
    let usual = wanted.tested.daily_limit().filter(|_| wanted.tested != Tested::Salinity);
    let usual = usual.ok_or(DoseError::NotDosed(wanted.tested))?;
    for (what, value) in [("value now", wanted.now), ("target", wanted.target)] {
        if !wanted.tested.possible().contains(&value) {
            return Err(DoseError::Impossible(what, value));
        }
    }
    let most = *wanted.tested.possible().end();
    if !(-most..=most).contains(&wanted.use_per_day) {
        return Err(DoseError::Impossible("use in a day", wanted.use_per_day));
    }
    let limit = wanted.limit_per_day.unwrap_or(usual);
    if !(limit > usual * 1e-3 && limit.is_finite()) {
        return Err(DoseError::Impossible("limit a day", limit));
    }
    match stock {
        Some(stock) if !(stock.g_per_l > 0.0 && stock.g_per_l <= 2000.0) => {
            Err(DoseError::Impossible("strength of a solution in g/L", stock.g_per_l))
        }
        _ => Ok(limit),
    }
}

/// What a day's salt given at once would do.
#[derive(Clone, Copy)]
struct Jump {
    ph: (f64, f64),
    omega: f64,
}

fn ph_after(tank: &Tank, wanted: &Wanted, salt: Salt, grams: f64, ph_nbs: f64) -> Option<Jump> {
    let adds = salt.adds();
    if wanted.tested != Tested::Alkalinity || adds.alkalinity == 0.0 {
        return None;
    }
    let Tank { salinity, temperature_c, volume_l } = *tank;
    let constants = Constants::at(salinity, temperature_c, BoronRatio::Uppstrom1974);
    let calcium = natural_calcium_umol_per_kg(salinity);
    let alkalinity = umol_per_kg_from_dkh(wanted.now, salinity, temperature_c);
    let before = constants.solve(Known::Alkalinity(alkalinity), Known::PhNbs(ph_nbs), calcium).ok()?;
    let mmol_l = grams / salt.g_per_mol() * 1000.0 / volume_l;
    let by_mass = |mmol_l: f64| umol_per_kg_from_meq_per_l(mmol_l, salinity, temperature_c);
    let after = constants
        .solve(
            Known::Alkalinity(alkalinity + by_mass(mmol_l * adds.alkalinity)),
            Known::Dic(before.dic_umol_per_kg + by_mass(mmol_l * adds.carbon)),
            calcium,
        )
        .ok()?;
    Some(Jump { ph: (before.ph_nbs, after.ph_nbs), omega: after.omega_aragonite })
}

fn findings(
    wanted: &Wanted,
    limit: f64,
    salt: Salt,
    stock: Option<Stock>,
    jump: Option<&Jump>,
) -> Vec<Diagnostic> {
    let (name, unit, places) = (wanted.tested.name(), wanted.tested.unit(), wanted.tested.decimals());
    let aim = wanted.tested.aim();
    let mut out = Vec::new();
    if wanted.target < wanted.now {
        let wait = if wanted.use_per_day > 0.0 {
            format!("leave off dosing for {:.1} days", (wanted.now - wanted.target) / wanted.use_per_day)
        } else {
            "change water".to_owned()
        };
        out.push(
            Diagnostic::warning(
                "dose-above-target",
                format!(
                    "{name} is {:.places$} {unit} already, above the target of {:.places$}",
                    wanted.now, wanted.target
                ),
            )
            .help(wait),
        );
    }
    if !(aim.act.0..=aim.act.1).contains(&wanted.target) {
        out.push(
            Diagnostic::warning(
                "dose-target-unusual",
                format!(
                    "a target of {:.places$} {unit} lies outside {:.places$} to {:.places$}",
                    wanted.target, aim.act.0, aim.act.1
                ),
            )
            .note("common practice, no source")
            .help(format!(
                "{:.places$} to {:.places$} {unit} is what is usually aimed at",
                aim.target.0, aim.target.1
            )),
        );
    }
    if let Some(usual) = wanted.tested.daily_limit().filter(|usual| limit > *usual) {
        out.push(
            Diagnostic::warning(
                "dose-fast",
                format!("{limit:.places$} {unit} a day is faster than the usual {usual:.places$}"),
            )
            .help("animals bear slow changes; without need leave the limit as it is"),
        );
    }
    if let Some(stock) = stock.filter(|s| s.g_per_l > salt.dissolves_g_l()) {
        out.push(
            Diagnostic::warning(
                "stock-too-strong",
                format!(
                    "{:.0} g/L of {} do not dissolve: {:.0} g/L at 20 °C do",
                    stock.g_per_l,
                    salt.name(),
                    salt.dissolves_g_l()
                ),
            )
            .help("make it weaker, or it falls out and the dose is less than reckoned"),
        );
    }
    if let Some(jump) = jump.filter(|j| j.omega > PRECIPITATING_OMEGA_ARAGONITE) {
        out.push(
            Diagnostic::warning(
                "dose-precipitates",
                format!("a day's dose at once would take aragonite saturation to {:.0}: carbonate falls out of the water", jump.omega),
            )
            .help("many small portions into strong flow, or take more days"),
        );
    }
    if let Some(caution) = salt.caution() {
        out.push(Diagnostic::note_level("caution-salt", caution));
    }
    out
}
