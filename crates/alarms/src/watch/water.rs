//! The daily account of water: what was added, limewater counted, against what can evaporate. Too much finds leaks, wet foam, slipped
//! lines; none finds stuck floats. And what is left in the reservoirs, and the band of the return chamber.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::expected::{Band, Expected, middle};
use super::finding::{Check, Finding, Outcome, Sure, Verdict};
use super::history::{DAY_MS, HOUR_MS, History, Span};
use super::layout::Layout;
use super::settings::Settings;
use super::{Reading, Record};
use crate::peril::{LIME, MAINS};
use crate::words::{decimal, hours, list, litres, plain, sentence, span};

/// Days of which the share of the expectation is kept.
const SHARES_KEPT: usize = 14;
/// Adds some water in an hour: anything above a few seconds of a pump.
const ADDED_L: f64 = 0.005;

/// Water added against expected, over a time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Account {
    /// Added, L, limewater counted.
    pub added_l: f64,
    /// Of it limewater, L.
    pub lime_l: f64,
    /// What may evaporate, L.
    pub expected_l: Band,
    /// The expectation was narrowed by what was learned.
    pub is_learned: bool,
}

/// One reservoir as it stands.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ReservoirNow {
    /// Name.
    pub name: String,
    /// Limewater.
    pub is_lime: bool,
    /// Left, L. None: it was never said when it was filled.
    pub left_l: Option<f64>,
    /// Called for beyond what was in it, L: so long has it been empty.
    pub overdrawn_l: f64,
    /// Drawn a day, of late, L.
    pub a_day_l: f64,
    /// Lasts for so many days. None: not known, or nothing is drawn.
    pub days: Option<f64>,
}

/// What the account keeps.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Water {
    /// Shares of the expectation of sound days: (beginning of the day, ms, share).
    shares: VecDeque<(i64, f64)>,
    learned_to_ms: i64,
    /// By reservoir: drawn since it was filled, L; None: never filled that we know.
    drawn_l: Vec<Option<f64>>,
    was_low: Vec<Option<bool>>,
}

impl Water {
    pub fn new(layout: &Layout) -> Self {
        let n = layout.reservoirs.len();
        Water { drawn_l: vec![None; n], was_low: vec![None; n], ..Water::default() }
    }

    pub fn take_over(&mut self, old: &Water, from: &Layout, to: &Layout) {
        self.shares.clone_from(&old.shares);
        self.learned_to_ms = old.learned_to_ms;
        for (r, reservoir) in from.reservoirs.iter().enumerate() {
            if let Some(new) = to.reservoirs.iter().position(|x| x.name == reservoir.name) {
                self.drawn_l[new] = old.drawn_l.get(r).copied().flatten();
                self.was_low[new] = old.was_low.get(r).copied().flatten();
            }
        }
    }

    pub fn refilled(&mut self, layout: &Layout, reservoir: &str, _at_ms: i64) {
        if let Some(r) = layout.reservoirs.iter().position(|x| x.name == reservoir) {
            self.drawn_l[r] = Some(0.0);
        }
    }

    pub fn record(&mut self, layout: &Layout, record: &Record<'_>, since_ms: i64) {
        for (drive, duty) in layout.drives.iter().zip(record.duties) {
            if let (Some((l_h, r)), true) = (drive.adds, *duty > 0.0)
                && let Some(Some(drawn)) = self.drawn_l.get_mut(r)
            {
                *drawn += l_h * f64::from(*duty) * since_ms as f64 / HOUR_MS as f64;
            }
        }
        for (r, reservoir) in layout.reservoirs.iter().enumerate() {
            let Some((s, left_l)) = reservoir.low else { continue };
            let Some(Reading { raw, is_bad: false }) = record.readings.get(s).copied() else { continue };
            let is_low = (raw != 0) == layout.signals[s].is_inverted;
            match self.was_low[r].replace(is_low) {
                // The contact itself says how much is left, whatever the pump was taken to have drawn.
                Some(false) if is_low => self.drawn_l[r] = Some(reservoir.usable_l - left_l),
                // It rose above its mark: somebody filled it, and is taken to have filled it up.
                Some(true) if !is_low => self.drawn_l[r] = Some(0.0),
                _ => {}
            }
        }
    }

    fn added(layout: &Layout, over: &Span, only_lime: bool) -> f64 {
        (layout.drives.iter().zip(&over.drives))
            .filter_map(|(drive, run)| {
                let (l_h, r) = drive.adds?;
                (!only_lime || layout.reservoirs[r].is_lime).then(|| l_h * run.on_ms / HOUR_MS as f64)
            })
            .sum()
    }

    /// Learns the share of the expectation from the day that ended, when that day was sound.
    pub fn learn(
        &mut self,
        layout: &Layout,
        settings: &Settings,
        history: &History,
        expected: &dyn Expected,
    ) {
        let Some(day) = history.days.back().filter(|d| d.from_ms > self.learned_to_ms) else { return };
        self.learned_to_ms = day.from_ms;
        if day.changed_ms > 0 || day.covered_ms * 10 < DAY_MS * 9 {
            return;
        }
        let Some(rate) = expected.evaporation_l_h(day).filter(|b| b.usual > 0.0) else { return };
        let hours = day.covered_ms as f64 / HOUR_MS as f64;
        let added = Self::added(layout, day, false);
        let usual = self.share(settings);
        let band = narrowed(rate.times(hours), usual, settings);
        let slack = layout.call_band_l;
        if added > band.low - slack && added < band.high + slack {
            self.shares.push_back((day.from_ms, added / (rate.usual * hours)));
            while self.shares.len() > SHARES_KEPT {
                self.shares.pop_front();
            }
        }
    }

    fn share(&self, settings: &Settings) -> Option<f64> {
        let enough = self.shares.len() >= settings.learned_days.max(1);
        middle(self.shares.iter().map(|s| s.1).collect()).filter(|_| enough)
    }

    pub fn account(
        &self,
        layout: &Layout,
        settings: &Settings,
        history: &History,
        expected: &dyn Expected,
        hours: i64,
    ) -> Option<Account> {
        let window = history.window(hours)?;
        let rate = expected.evaporation_l_h(&window)?;
        let covered_h = window.covered_ms as f64 / HOUR_MS as f64;
        let share = self.share(settings);
        Some(Account {
            added_l: Self::added(layout, &window, false),
            lime_l: Self::added(layout, &window, true),
            expected_l: narrowed(rate.times(covered_h), share, settings),
            is_learned: share.is_some(),
        })
    }

    pub fn reservoirs(&self, layout: &Layout, history: &History) -> Vec<ReservoirNow> {
        let window = history.window(72).or_else(|| history.window(24));
        (layout.reservoirs.iter().enumerate())
            .map(|(r, reservoir)| {
                let drawn = |over: &Span| -> f64 {
                    (layout.drives.iter().zip(&over.drives))
                        .filter_map(|(d, run)| d.adds.filter(|a| a.1 == r).map(|a| a.0 * run.on_ms))
                        .sum::<f64>()
                        / over.covered_ms.max(1) as f64
                        * 24.0
                };
                let a_day_l = window.as_ref().map_or(0.0, drawn);
                let left_l = self.drawn_l[r].map(|d| (reservoir.usable_l - d).max(0.0));
                let days = left_l.filter(|_| a_day_l > 0.01).map(|left| left / a_day_l);
                ReservoirNow {
                    name: reservoir.name.clone(),
                    is_lime: reservoir.is_lime,
                    left_l,
                    overdrawn_l: self.drawn_l[r].map_or(0.0, |d| (d - reservoir.usable_l).max(0.0)),
                    a_day_l,
                    days,
                }
            })
            .collect()
    }

    pub fn verdicts(
        &self,
        layout: &Layout,
        settings: &Settings,
        history: &History,
        expected: &dyn Expected,
    ) -> Vec<Verdict> {
        let mut all = vec![];
        if layout.drives.iter().any(|d| d.adds.is_some()) {
            let part = layout.board.clone();
            let (lost, missing) = self.balance(layout, settings, history, expected);
            all.push(Verdict::new(Check::WaterLost, part.clone(), lost));
            all.push(Verdict::new(Check::WaterNotAdded, part, missing));
        }
        for now in self.reservoirs(layout, history) {
            let outcome = short(&now, settings);
            all.push(Verdict::new(Check::ReservoirShort, now.name, outcome));
        }
        all
    }

    fn balance(
        &self,
        layout: &Layout,
        settings: &Settings,
        history: &History,
        expected: &dyn Expected,
    ) -> (Outcome, Outcome) {
        let unknown = |why: &str| (Outcome::Unknown(why.to_owned()), Outcome::Unknown(why.to_owned()));
        let Some(window) = history.window(24) else { return unknown("less than a day of records") };
        if window.changed_ms > 0 {
            return unknown("water was changed within the last day");
        }
        let Some(day) = self.account(layout, settings, history, expected, 24) else {
            return unknown("nothing is known about evaporation");
        };
        let slack = layout.call_band_l;
        let says = |a: &Account, h: i64| {
            format!(
                "{} added in {h} h; {} to {} can evaporate.",
                litres(a.added_l),
                litres(a.expected_l.low),
                litres(a.expected_l.high)
            )
        };
        let short_term = [6, 12].into_iter().filter_map(|h| {
            let account = self.account(layout, settings, history, expected, h)?;
            let most = account.expected_l.high + 2.0 * slack + settings.lag_l;
            (account.added_l > most).then_some((account, h))
        });
        let whole_day = (day.added_l > day.expected_l.high + slack).then_some((day, 24));
        let lost = match short_term.chain(whole_day).next() {
            None => Outcome::Fine(says(&day, 24)),
            Some((account, h)) => Outcome::Wrong(Finding {
                wrong: says(&account, h),
                sure: if account.added_l > 1.5 * account.expected_l.high {
                    Sure::Likely
                } else {
                    Sure::Possible
                },
                because: if account.is_learned {
                    "compared with what this tank has used before".to_owned()
                } else {
                    "evaporation by calculation, good to 40 %".to_owned()
                },
                act: "Look for water under the stand, wet foam in the skimmer's cup, a slipped line."
                    .to_owned(),
                caution: Some(MAINS.to_owned()),
            }),
        };
        (lost, self.missing(layout, settings, history, &day, &says(&day, 24)))
    }

    /// Too little added: over a day, or nothing for so long that the float must have called.
    fn missing(
        &self,
        layout: &Layout,
        settings: &Settings,
        history: &History,
        day: &Account,
        says: &str,
    ) -> Outcome {
        let slack = layout.call_band_l;
        let newest = history.hours.back().map_or(0, |h| h.from_ms);
        let dry = history.hours.iter().rev().take_while(|h| Self::added(layout, h, false) < ADDED_L).count();
        let since = newest - dry as i64 * HOUR_MS;
        let covered: i64 = history.since(since + HOUR_MS).map(|h| h.covered_ms).sum();
        let dry_h = covered as f64 / HOUR_MS as f64;
        let missed_l = day.expected_l.low / 24.0 * dry_h;
        let is_dry = missed_l > 2.0 * slack + 0.5;
        let is_little = day.added_l < day.expected_l.low - slack;
        if !is_dry && !is_little {
            return Outcome::Fine(says.to_owned());
        }
        let empty: Vec<String> = (self.reservoirs(layout, history).iter())
            .filter(|r| r.left_l.is_some_and(|l| l < 0.5))
            .map(|r| plain(&r.name))
            .collect();
        let wrong = if is_dry {
            format!("No water added for {}; at least {} evaporated.", hours(dry_h), litres(missed_l))
        } else {
            says.to_owned()
        };
        Outcome::Wrong(Finding {
            wrong,
            sure: if is_dry { Sure::Likely } else { Sure::Possible },
            because: if !empty.is_empty() {
                format!("the {} should be empty by now", list(&empty))
            } else if self.share(settings).is_some() {
                "compared with what this tank has used before".to_owned()
            } else {
                "evaporation by calculation, good to 40 %".to_owned()
            },
            act: "Look at the level in the return chamber; free the float; see that the reservoir has water."
                .to_owned(),
            caution: Some(
                "Do not fill fresh water in by the bucket: no more than 1 L in 10 minutes.".to_owned(),
            ),
        })
    }
}

/// The physical band, narrowed to what the tank has used before; it never leaves the physical one.
fn narrowed(physical: Band, share: Option<f64>, settings: &Settings) -> Band {
    let Some(share) = share else { return physical };
    let usual = (physical.usual * share).clamp(physical.low, physical.high);
    Band {
        low: (usual * (1.0 - settings.learned_spread)).max(physical.low),
        usual,
        high: (usual * (1.0 + settings.learned_spread)).min(physical.high),
    }
}

fn short(now: &ReservoirNow, settings: &Settings) -> Outcome {
    let (Some(left_l), Some(days)) = (now.left_l, now.days) else {
        return Outcome::Unknown("say when it is filled, then its days are counted".to_owned());
    };
    let says = format!("{} left, {} a day", litres(left_l), litres(now.a_day_l));
    let is_short = if now.is_lime {
        now.overdrawn_l > settings.lime_empty_days * now.a_day_l
    } else {
        days < settings.reservoir_days
    };
    if !is_short {
        return Outcome::Fine(says);
    }
    let name = sentence(&plain(&now.name));
    let in_days = |litres: f64| span((litres / now.a_day_l * DAY_MS as f64) as i64);
    let (wrong, what) = if now.is_lime {
        (format!("{name} has been empty for {} of dosing.", in_days(now.overdrawn_l)), "limewater")
    } else {
        (format!("{name} lasts {} more: {says}.", in_days(left_l)), "fresh water")
    };
    Outcome::Wrong(Finding {
        wrong,
        sure: Sure::Likely,
        because: "counted from what its pump was run for since it was filled".to_owned(),
        act: format!("Fill it with {what} and say so, so that the count begins anew."),
        caution: now.is_lime.then(|| LIME.to_owned()),
    })
}

/// The band of the return chamber.
pub(super) fn chamber(layout: &Layout, settings: &Settings, history: &History) -> Option<Verdict> {
    let chamber = layout.chamber.as_ref()?;
    let outcome = band(chamber, layout, settings, history);
    Some(Verdict::new(Check::ChamberBand, chamber.name.clone(), outcome))
}

fn band(
    chamber: &super::layout::Chamber,
    layout: &Layout,
    settings: &Settings,
    history: &History,
) -> Outcome {
    let Some(hour) = history.hours.back() else {
        return Outcome::Unknown("no whole hour yet".to_owned());
    };
    let name = sentence(&plain(&chamber.name));
    let share = |s: &usize, over: &Span| over.mean(*s);
    if hour.procedure_ms > 0 {
        return Outcome::Unknown("a procedure ran in the last hour".to_owned());
    }
    // A quarter of an hour: a wave, a blink of the mains and a restart of the pump are shorter.
    let over = chamber.high.iter().find(|s| share(s, hour).is_some_and(|above| above > 0.25));
    let under = chamber.empty.iter().find(|s| share(s, hour).is_some_and(|above| above < 0.75));
    let mark = |s: usize| {
        layout.signals[s]
            .switches_mm
            .map_or(String::new(), |(low, _)| format!(" of {}", decimal(low, 0, "mm")))
    };
    if let Some(s) = over {
        return Outcome::Wrong(Finding {
            wrong: format!("{name} stood above its mark{} in the last hour.", mark(*s)),
            sure: Sure::Likely,
            because: "or its float is stuck above".to_owned(),
            act: "See whether the display drains freely and the top-off pump stands; look at the float."
                .to_owned(),
            caution: Some(MAINS.to_owned()),
        });
    }
    if let Some(s) = under {
        return Outcome::Wrong(Finding {
            wrong: format!("{name} stood below its low mark{} in the last hour.", mark(*s)),
            sure: Sure::Likely,
            because: "or its float is stuck below".to_owned(),
            act: "See whether the display's drain is blocked, or water is lost; then the top-off.".to_owned(),
            caution: Some(MAINS.to_owned()),
        });
    }
    let calls = |h: &&Span| chamber.call.iter().any(|s| share(s, h).is_some_and(|above| above < 0.05));
    let calling = history.hours.iter().rev().take_while(calls).count();
    if calling as f64 > settings.chamber_call_h {
        return Outcome::Wrong(Finding {
            wrong: format!("{name} has called for water for {calling} h."),
            sure: Sure::Likely,
            because: "top-off and limewater did not bring it up in that time".to_owned(),
            act: "Look at the reservoir, the top-off pump and its line; then at the float.".to_owned(),
            caution: None,
        });
    }
    let levels: Vec<f64> = chamber.level.iter().filter_map(|s| hour.mean(*s)).collect();
    match levels.first() {
        Some(level) => Outcome::Fine(format!("level {}", decimal(*level, 0, "mm"))),
        None if chamber.call.is_empty() && chamber.high.is_empty() && chamber.empty.is_empty() => {
            Outcome::Unknown("no float or level stands in it".to_owned())
        }
        None if calling > 0 => Outcome::Fine(format!("calling for water for {calling} h")),
        None => Outcome::Fine("within its marks".to_owned()),
    }
}
