//! What follows from the resolved model alone and several later stages ask.

use crate::model::{ActuatorIdx, PassageKind, SupplyIdx, System, Vessel};

impl System {
    /// A supply and all that feed it, the nearest first. Ends also where supplies feed each other in a ring, so findings about a
    /// file that is not sound yet may use it.
    pub fn supply_chain(&self, from: Option<SupplyIdx>) -> impl Iterator<Item = SupplyIdx> + '_ {
        let known = move |s: &SupplyIdx| s.idx() < self.supplies.len();
        std::iter::successors(from.filter(known), move |s| self.supplies[s.idx()].fed_by.filter(known))
            .take(self.supplies.len())
    }

    /// Whether an actuator drives a passage.
    pub fn moves_water(&self, actuator: ActuatorIdx) -> bool {
        self.passages.iter().any(|passage| passage.kind.pump() == Some(actuator))
    }
}

impl PassageKind {
    /// The actuator that drives it. None: it flows by itself.
    pub fn pump(&self) -> Option<ActuatorIdx> {
        match self {
            PassageKind::Pumped { pump, .. } | PassageKind::Line { pump, .. } => Some(*pump),
            _ => None,
        }
    }
}

impl Vessel {
    /// Water below a level over its own floor, m³. Above the last step the last area counts.
    pub fn volume_below(&self, level: f64) -> f64 {
        let mut volume = 0.0;
        for (i, (from, area)) in self.areas.iter().enumerate() {
            let to = self.areas.get(i + 1).map_or(f64::INFINITY, |(next, _)| *next).min(level);
            if to > *from {
                volume += area * (to - from);
            }
        }
        volume
    }

    /// Level of a reservoir that is filled to this share of what it can give, m; None: to its start level.
    pub fn filled_level(&self, share: Option<f64>) -> f64 {
        let Some(share) = share else { return self.start_level };
        self.dead_level + share * (self.full_level.unwrap_or(self.start_level) - self.dead_level)
    }
}
