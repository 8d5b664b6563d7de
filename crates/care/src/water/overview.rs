//! All that a log of water says of a tank: of each quantity its tests, its line, its use, whether the newest test agrees with what was reckoned; and the
//! books of the ions.

use system::Diagnostic;

use super::Tank;
use super::consumption::{Consumption, Test, consumption, reckoned};
use super::ions::{Books, agreement_findings, balance};
use super::log::Log;
use super::quantity::Tested;
use crate::Estimate;
use crate::stats::FitError;

/// What is known of a quantity.
#[derive(Clone, Debug)]
pub struct Known {
    /// Which.
    pub tested: Tested,
    /// Its tests, in the order of time.
    pub tests: Vec<Test>,
    /// Its use; or why there is none.
    pub used: Result<Consumption, FitError>,
    /// What earlier tests, use and doses gave for the day of the newest test; nothing where they tell nothing.
    pub reckoned: Option<Estimate>,
    /// What is to be said of the newest test against that.
    pub disagrees: Vec<Diagnostic>,
}

/// What a log says.
#[derive(Clone, Debug)]
pub struct Overview {
    /// Of each quantity that was tested at all.
    pub quantities: Vec<Known>,
    /// Calcium against alkalinity.
    pub balance: Vec<Diagnostic>,
    /// How much the salts that stay behind would raise salinity in a year without water changes, at the doses of the log; only where it has doses of salts
    /// over a week at least.
    pub salinity_rise_year: Option<f64>,
}

/// Days of doses that tell a rate.
const FEWEST_DAYS: f64 = 7.0;
const YEAR_DAYS: f64 = 365.25;

/// Looks at a log; `now_day` is the day, on the log's own count (days since 1970), to which doses a day are reckoned.
pub fn overview(log: &Log, tank: &Tank, now_day: f64) -> Overview {
    let quantities: Vec<Known> = log.tested().into_iter().map(|tested| known(log, tank, tested)).collect();
    let used = |wanted: Tested| {
        let found = quantities.iter().find(|known| known.tested == wanted)?;
        found.used.as_ref().ok().map(|used| used.per_day)
    };
    let (alkalinity, calcium) = (used(Tested::Alkalinity), used(Tested::Calcium));
    let balance = alkalinity.zip(calcium).map_or_else(Vec::new, |(a, c)| balance(a, c));
    let salinity_rise_year = salinity_rise_year(log, tank, now_day, alkalinity);
    Overview { quantities, balance, salinity_rise_year }
}

fn known(log: &Log, tank: &Tank, tested: Tested) -> Known {
    let mut tests = log.tests(tested);
    tests.sort_by(|a, b| a.day.total_cmp(&b.day));
    let events = log.events(tested, tank);
    let used = consumption(tested, &tests, &events);
    let reckoned = tests.split_last().and_then(|(newest, earlier)| {
        let earlier: Vec<Test> = earlier.iter().copied().filter(|t| t.day < newest.day).collect();
        reckoned(tested, &earlier, &events, newest.day)
    });
    let newest = tests.last().map(|test| test.value);
    let disagrees =
        reckoned.zip(newest).map_or_else(Vec::new, |(by, test)| agreement_findings(tested, by, test));
    Known { tested, tests, used, reckoned, disagrees }
}

/// Books over the time of the log: what was dosed, less what corals took by the use of alkalinity.
fn salinity_rise_year(log: &Log, tank: &Tank, now_day: f64, alkalinity: Option<Estimate>) -> Option<f64> {
    let from = log.first_dose()?;
    let days = now_day - from;
    if days < FEWEST_DAYS || !tank.is_possible() {
        return None;
    }
    let mut books = Books::default();
    let salts = log.salts(from, now_day);
    if salts.iter().all(|(_, grams)| *grams <= 0.0) {
        return None;
    }
    for (salt, grams) in salts {
        books.dose(salt, grams);
    }
    // What corals lay down is no more than what was dosed of it.
    let use_meq_l =
        alkalinity.map_or(0.0, |a| a.value.max(0.0)) / seawater::alkalinity::DKH_PER_MEQ_PER_L * days;
    books.calcified(
        (use_meq_l * tank.volume_l).min(books.gained.alkalinity.min(2.0 * books.gained.calcium).max(0.0)),
    );
    let rise = books.salinity_rise(tank) / days * YEAR_DAYS;
    rise.is_finite().then_some(rise)
}
