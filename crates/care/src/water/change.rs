//! Water changes and new water: mixing, how many changes reach a goal, and how much salt a vessel of new water takes.

use seawater::ABSOLUTE_PER_PRACTICAL;
use seawater::density::density_kg_per_m3;

/// How water is changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Manner {
    /// Out first, then in.
    AtOnce,
    /// In and out at the same rate, mixed meanwhile: some of the new water leaves again.
    Steadily,
}

/// What a value is after a change of `share` of the water (0 to 1; steadily also more), from `now` with new water of `new`.
pub fn mixed(now: f64, new: f64, share: f64, manner: Manner) -> f64 {
    let share = if share.is_finite() { share.max(0.0) } else { 0.0 };
    let kept = match manner {
        Manner::AtOnce => (1.0 - share).max(0.0),
        Manner::Steadily => libm::exp(-share),
    };
    new + (now - new) * kept
}

/// Share of the water that one change must have to bring `now` to `target`; `None` where new water does not lead there.
pub fn share_for(now: f64, target: f64, new: f64, manner: Manner) -> Option<f64> {
    let kept = (target - new) / (now - new);
    if !(kept > 0.0 && kept <= 1.0) {
        return (target == new && manner == Manner::AtOnce && now != new).then_some(1.0);
    }
    Some(match manner {
        Manner::AtOnce => 1.0 - kept,
        Manner::Steadily => -libm::log(kept),
    })
}

/// Where a value ends with a change of `share` each `every_days` while it rises by `rise_per_day`: highest, right before a change.
///
/// From `C = (C + r T)(1 - f) + n f` at its fixed point.
pub fn settles_at(new: f64, rise_per_day: f64, share: f64, every_days: f64) -> Option<f64> {
    let sound = (1e-6..=1.0).contains(&share) && every_days > 0.0 && rise_per_day.is_finite();
    sound.then(|| new + rise_per_day * every_days / share)
}

/// What new water takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NewWater {
    /// Salt as weighed, kg.
    pub salt_kg: f64,
    /// Fresh water, kg: to a few grams its litres.
    pub fresh_kg: f64,
    /// Mass of a litre of the finished water, kg.
    pub density_kg_l: f64,
}

/// Salt and fresh water for `litres` of this salinity at this temperature. `moisture` is the share of water that the salt holds
/// (0 for dry salt; mixes hold 0.05 to 0.15, from memory).
///
/// Reference Composition: 35.165 04 g of dry salt in a kilogram of water of salinity 35. Real mixes differ by some percent: measure the finished
/// water at its temperature and correct ([`correction`]).
pub fn new_water(litres: f64, salinity: f64, temperature_c: f64, moisture: f64) -> Option<NewWater> {
    let is_possible = (0.01..=1e6).contains(&litres)
        && (0.0..=50.0).contains(&salinity)
        && (0.0..=40.0).contains(&temperature_c)
        && (0.0..0.6).contains(&moisture);
    if !is_possible {
        return None;
    }
    let density_kg_l = density_kg_per_m3(salinity, temperature_c) / 1000.0;
    let mass = litres * density_kg_l;
    let salt_kg = mass * salinity * ABSOLUTE_PER_PRACTICAL / 1000.0 / (1.0 - moisture);
    Some(NewWater { salt_kg, fresh_kg: mass - salt_kg, density_kg_l })
}

/// What brings finished water from one salinity to another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Correction {
    /// Add this much salt, kg.
    Salt(f64),
    /// Add this much fresh water, kg.
    Fresh(f64),
    /// Take this many litres out and put as much fresh water in: of a full vessel.
    Exchange(f64),
}

/// Corrects `litres` of water that came out as `measured` instead of `wanted`. A full vessel (`may_grow` false) is thinned by exchange.
pub fn correction(
    litres: f64,
    measured: f64,
    wanted: f64,
    temperature_c: f64,
    moisture: f64,
    may_grow: bool,
) -> Option<Correction> {
    let now = new_water(litres, measured, temperature_c, moisture)?;
    new_water(litres, wanted, temperature_c, moisture)?;
    let mass = litres * now.density_kg_l;
    let share = |s: f64| s * ABSOLUTE_PER_PRACTICAL / 1000.0;
    if wanted > measured {
        // (S1 m + d)/(m + d/(1 - w)) = S2 for the dry salt d that comes with its own water
        let dry = mass * (share(wanted) - share(measured)) / (1.0 - share(wanted) / (1.0 - moisture));
        return Some(Correction::Salt(dry / (1.0 - moisture)));
    }
    if wanted <= 0.0 {
        return None;
    }
    let keep = wanted / measured;
    Some(if may_grow {
        Correction::Fresh(mass * (1.0 / keep - 1.0))
    } else {
        Correction::Exchange(litres * (1.0 - keep))
    })
}
