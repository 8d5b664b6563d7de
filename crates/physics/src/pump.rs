//! Centrifugal pumps in a line: curve, operating point, wear, and the flow back through a stopped pump.
//!
//! The head of a running pump is `H = n² H0 - H0 (Q / (p Q0))²`, with n the share of full speed and p the share of the
//! passages left open. The affinity laws (head with n², flow with n) are contained in it exactly, a clogged rotor is p < 1,
//! and n = 0 is the stopped pump: only the loss in its passages is left, for flow in either direction (odd in Q). The
//! reverse loss of a real rotor differs somewhat; makers do not state it. Cavitation is not modelled.

use crate::GRAVITY;
use crate::fast::{PumpLine, Resistance};
use crate::pipe::{Friction, Pipe};
use crate::solve::{increasing_root, root};

/// Least share of open passage: a rotor clogged further is as good as shut and would only strain the arithmetic.
const LEAST_PASSAGE: f64 = 1e-3;

/// Least open flow, m³/s: a pump described with none resists as good as a wall.
const LEAST_OPEN_FLOW: f64 = 1e-12;

/// A pump as its maker describes it: shut-off head and open flow.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pump {
    /// Head at no flow `H0`, m.
    pub shutoff_head: f64,
    /// Flow at no head `Q0`, m³/s.
    pub open_flow: f64,
}

/// Condition of a pump; [`Condition::NEW`] is the maker's curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Condition {
    /// Speed as a share of full speed; 0 is stopped.
    pub speed: f64,
    /// Passage left open, 1 clean to 0 clogged: multiplies the open flow and leaves the shut-off head.
    pub passage: f64,
}

impl Condition {
    /// Full speed, clean.
    pub const NEW: Self = Self { speed: 1.0, passage: 1.0 };
    /// Not turning, clean.
    pub const STOPPED: Self = Self { speed: 0.0, passage: 1.0 };

    /// Wear by affinity: the open flow falls to `share` and the shut-off head to its square.
    pub fn slowed(share: f64) -> Self {
        Self { speed: share, passage: 1.0 }
    }

    /// Clogging: the open flow falls to `share`, the shut-off head stays.
    pub fn clogged(share: f64) -> Self {
        Self { speed: 1.0, passage: share }
    }
}

/// Where a pump and its line meet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OperatingPoint {
    /// Flow, m³/s.
    pub flow: f64,
    /// Head over the pump, m.
    pub head: f64,
}

impl OperatingPoint {
    /// Power given to the water, W, for its density in kg/m³.
    pub fn hydraulic_power(&self, density: f64) -> f64 {
        density * GRAVITY * self.head * self.flow
    }
}

impl Pump {
    /// Head at no flow, m.
    fn boost(&self, condition: Condition) -> f64 {
        let speed = condition.speed.max(0.0);
        speed * speed * self.shutoff_head
    }

    /// The pump's own passages as a resistance (purely quadratic).
    fn passages(&self, condition: Condition) -> f64 {
        let open = condition.passage.clamp(LEAST_PASSAGE, 1.0) * self.open_flow.max(LEAST_OPEN_FLOW);
        self.shutoff_head / (open * open)
    }

    /// Head at a flow (m³/s, negative when water is forced back), m.
    pub fn head(&self, flow: f64, condition: Condition) -> f64 {
        self.boost(condition) - self.passages(condition) * flow * flow.abs()
    }

    /// Pump and fitted line in one, for the simulator. The closed form of the operating point is [`PumpLine::flow`].
    pub fn line(&self, resistance: Resistance, condition: Condition) -> PumpLine {
        let own = Resistance { linear: 0.0, quadratic: self.passages(condition) };
        PumpLine { boost: self.boost(condition), resistance: resistance.and(own) }
    }

    /// Operating point against a static head (m) and a pipe, solved to rounding with the given friction law.
    ///
    /// No flow when the boost does not exceed the static head (see [`Pump::flow_back`] for what runs back then).
    pub fn operating_point(
        &self,
        pipe: &Pipe,
        static_head: f64,
        condition: Condition,
        kinematic_viscosity: f64,
        law: Friction,
    ) -> OperatingPoint {
        let boost = self.boost(condition);
        if boost.is_nan() || boost <= static_head {
            // Without flow the pump carries the column, as far as its boost goes or the static head asks.
            return OperatingPoint { flow: 0.0, head: static_head.max(0.0) };
        }
        let shortage = |flow: f64| {
            static_head + pipe.head_loss(flow, kinematic_viscosity, law) - self.head(flow, condition)
        };
        // Falling water (negative static head) can drive more than the open flow, so the bracket doubles from there.
        let flow = increasing_root(self.open_flow.max(LEAST_OPEN_FLOW), shortage);
        OperatingPoint { flow, head: self.head(flow, condition) }
    }

    /// Flow back through the pump when the static head (outlet level minus inlet level, m) exceeds its boost, m³/s (>= 0).
    ///
    /// The siphon-back after a stop: it lasts until the outlet, or a break hole, meets air.
    pub fn flow_back(
        &self,
        pipe: &Pipe,
        static_head: f64,
        condition: Condition,
        kinematic_viscosity: f64,
        law: Friction,
    ) -> f64 {
        let excess = static_head - self.boost(condition);
        if excess.is_nan() || excess <= 0.0 {
            return 0.0;
        }
        let passages = self.passages(condition);
        if passages <= 0.0 {
            return pipe.flow_for_head(excess, kinematic_viscosity, law);
        }
        // The pump alone bounds the flow from above.
        let most = (excess / passages).sqrt();
        root(0.0, most, |flow| {
            pipe.head_loss(flow, kinematic_viscosity, law) + passages * flow * flow - excess
        })
    }
}

/// Electrical power of a pump, W, from its hydraulic power (W) and overall efficiency (0 to 1). Small wet-rotor pumps reach
/// 0.1 to 0.3 (common practice, no source). Zero for an efficiency of zero.
pub fn electrical_power(hydraulic: f64, efficiency: f64) -> f64 {
    if efficiency > 0.0 { hydraulic / efficiency } else { 0.0 }
}
