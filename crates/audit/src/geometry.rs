//! Volumes by level, and water poured between vessels until it rests: closed-form geometry, no time.

use system::model::{Contents, System, Vessel, VesselIdx};

/// Level changes below this are rounding, m.
const REST: f64 = 1e-7;
/// Rounds of pouring; each round moves water over every sill once, and a chain of chambers needs a few.
const MOST_ROUNDS: usize = 400;
/// Water at rest when a round moves less than this, m³.
const LEAST_MOVED: f64 = 1e-9;

/// Water between two levels, m³; negative when `to` is the lower.
pub fn volume_between(vessel: &Vessel, from: f64, to: f64) -> f64 {
    vessel.volume_below(to) - vessel.volume_below(from)
}

/// Level over the vessel's floor at which it holds a volume, m: the inverse of [`Vessel::volume_below`].
pub fn level_for(vessel: &Vessel, volume: f64) -> f64 {
    let areas = &vessel.areas;
    let mut left = volume.max(0.0);
    for (i, (from, area)) in areas.iter().enumerate() {
        let top = areas.get(i + 1).map_or(f64::INFINITY, |(next, _)| *next);
        let here = area * (top - from);
        if left <= here {
            return from + left / area;
        }
        left -= here;
    }
    areas.last().map_or(0.0, |(from, _)| *from)
}

/// Area of the water surface at a level, m².
pub fn area_at(vessel: &Vessel, level: f64) -> f64 {
    vessel
        .areas
        .iter()
        .rev()
        .find(|(from, _)| *from <= level)
        .or(vessel.areas.first())
        .map_or(0.0, |(_, a)| *a)
}

/// Inside height, m.
pub fn rim(vessel: &Vessel) -> f64 {
    vessel.inside[2]
}

/// Whether the system's own water is in it.
pub fn holds_tank_water(vessel: &Vessel) -> bool {
    vessel.holds == Contents::Tank
}

/// A way over which resting water can still pass.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sill {
    /// From which vessel.
    pub from: VesselIdx,
    /// To which; None: away, never back.
    pub to: Option<VesselIdx>,
    /// Over the cabinet floor, m.
    pub height: f64,
    /// Water passes back over it as well.
    pub both_ways: bool,
}

/// Water at rest.
#[derive(Clone, Debug, PartialEq)]
pub struct Rest {
    /// Level in each vessel over its own floor, m.
    pub levels: Vec<f64>,
    /// Ran over an outer rim, m³.
    pub spilled: f64,
}

/// Pours water from the given levels until no sill has higher water behind it than both the sill and the other side.
///
/// `added` m³ go into each vessel first (the contents of pipes that run empty). Rims are sills too: to the vessel around, or
/// to the floor. Volume is conserved to rounding: what leaves one vessel is what the other gains.
pub fn pour(system: &System, levels: &[f64], added: &[f64], sills: &[Sill]) -> Rest {
    let vessels = &system.vessels;
    let mut volumes: Vec<f64> = vessels
        .iter()
        .enumerate()
        .map(|(v, vessel)| vessel.volume_below(levels[v]) + added.get(v).copied().unwrap_or(0.0))
        .collect();
    let mut all: Vec<Sill> = sills.to_vec();
    for (v, vessel) in vessels.iter().enumerate() {
        let height = vessel.floor_m + rim(vessel);
        if vessel.inside_of.is_some() {
            all.push(Sill { from: VesselIdx(v), to: vessel.inside_of, height, both_ways: true });
        }
    }
    // Upper vessels first: then most systems rest after one round.
    all.sort_by(|a, b| b.height.total_cmp(&a.height));
    let mut spilled = 0.0;
    for _ in 0..MOST_ROUNDS {
        let mut most = 0.0f64;
        for sill in &all {
            let (from, Some(to)) = (sill.from.idx(), sill.to.map(VesselIdx::idx)) else { continue };
            if from == to {
                continue;
            }
            most = most.max(pass(vessels, &mut volumes, from, to, sill.height));
            if sill.both_ways {
                most = most.max(pass(vessels, &mut volumes, to, from, sill.height));
            }
        }
        if most >= LEAST_MOVED {
            continue;
        }
        // Only what stays above a rim once the chambers have shared it is lost.
        for (v, vessel) in vessels.iter().enumerate().filter(|(_, vessel)| vessel.inside_of.is_none()) {
            let over = volumes[v] - vessel.volume_below(rim(vessel));
            if over > 0.0 {
                volumes[v] -= over;
                spilled += over;
                most = most.max(over);
            }
        }
        if most < LEAST_MOVED {
            break;
        }
    }
    let levels = vessels.iter().zip(&volumes).map(|(vessel, volume)| level_for(vessel, *volume)).collect();
    Rest { levels, spilled }
}

/// Moves water from one vessel to another until it stands at the sill or level with the other side. Returns how much, m³.
fn pass(vessels: &[Vessel], volumes: &mut [f64], from: usize, to: usize, sill: f64) -> f64 {
    let surface = |v: usize, volume: f64| vessels[v].floor_m + level_for(&vessels[v], volume);
    let (upper, lower) = (surface(from, volumes[from]), surface(to, volumes[to]));
    if upper <= sill.max(lower) + REST {
        return 0.0;
    }
    let down_to_sill = volumes[from] - vessels[from].volume_below(sill - vessels[from].floor_m);
    let most = down_to_sill.clamp(0.0, volumes[from]);
    let above = |moved: f64| surface(from, volumes[from] - moved) - surface(to, volumes[to] + moved);
    let moved = if above(most) >= 0.0 {
        most
    } else {
        let (mut low, mut high) = (0.0, most);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if above(middle) > 0.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    };
    volumes[from] -= moved;
    volumes[to] += moved;
    moved
}

/// Free space of a vessel above a level, up to its rim, m³.
pub fn free_above(vessel: &Vessel, level: f64) -> f64 {
    volume_between(vessel, level, rim(vessel)).max(0.0)
}
