//! Standpipes and overflow drains: the rim as a weir, the mouth as an orifice, the pipe running full.
//!
//! A round overflow passes the least of three flows: over the rim (low heads), through the mouth (rim drowned), and through
//! the pipe when it has filled and its whole drop pulls. Between them real drains gurgle, which no steady law shows; the
//! smooth minimum of [`Drain`] lies below all three, so the level it predicts is on the high side.

use crate::fast::{Drain, Exchange};
use crate::orifice;
use crate::pipe::{Friction, Pipe};
use crate::weir::LowHeadWeir;
use core::f64::consts::PI;

/// Speed at which a drain pipe that does not run full carries its water, m/s (common practice, no source): it holds
/// `flow x length / speed`.
pub const DRAIN_SPEED: f64 = 1.5;

/// An overflow into a pipe. Defaults of the coefficients: [`Standpipe::new`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Standpipe {
    /// Diameter of the rim and mouth, m (the bore, or wider with a funnel).
    pub mouth_diameter: f64,
    /// Discharge coefficient of the rim in `Q = Cd (2/3) sqrt(2g) (pi D) h^1.5`.
    pub rim_coefficient: f64,
    /// Discharge coefficient of the mouth as an orifice.
    pub mouth_coefficient: f64,
    /// Share of rim and mouth that a strainer leaves open, 0 to 1.
    pub open_share: f64,
    /// The pipe below, exit loss included.
    pub pipe: Pipe,
}

impl Standpipe {
    /// With Francis' coefficient on the rim, a sharp-edged mouth of the pipe's own bore, and no strainer.
    ///
    /// Straight-weir coefficients on a circular rim hold while the head is small against the radius (USBR, Design of Small
    /// Dams, the chapter on shaft spillways; recalled, not checked against print).
    pub fn new(pipe: Pipe) -> Self {
        Self {
            mouth_diameter: pipe.diameter,
            rim_coefficient: LowHeadWeir::francis(1.0).coefficient,
            mouth_coefficient: orifice::SHARP_EDGED,
            open_share: 1.0,
            pipe,
        }
    }

    /// The rim as a weir of width `pi D`.
    pub fn rim(&self) -> LowHeadWeir {
        LowHeadWeir {
            width: PI * self.mouth_diameter * self.open_share.clamp(0.0, 1.0),
            coefficient: self.rim_coefficient,
        }
    }

    /// Flow when the pipe runs full over a total head (water level to outlet or to the water that covers it), m³/s.
    pub fn full_bore(&self, total_head: f64, kinematic_viscosity: f64) -> f64 {
        self.pipe.flow_for_head(total_head.max(0.0), kinematic_viscosity, Friction::Churchill)
    }

    /// The coefficients for [`Drain::flow`], with the pipe's resistance fitted between a quarter of the full-bore flow at
    /// this drop (m) and all of it, and exact there.
    pub fn drain(&self, drop: f64, kinematic_viscosity: f64) -> Drain {
        let full = self.full_bore(drop.max(1e-3), kinematic_viscosity);
        let fit = self.pipe.fit(0.25 * full, full, kinematic_viscosity);
        let weir = self.rim().conductance();
        let area = crate::circle_area(self.mouth_diameter) * self.open_share.clamp(0.0, 1.0);
        // A shut mouth has a shut rim too: the rim alone then gives zero.
        let through = orifice::conductance(self.mouth_coefficient, area);
        let ratio = if through > 0.0 { weir / through } else { 0.0 };
        let ratio_4 = ratio * ratio * ratio * ratio;
        Drain {
            weir,
            mouth: ratio_4 * ratio_4,
            pipe: fit.passing_through(&self.pipe, full, kinematic_viscosity),
        }
    }

    /// Head over the rim at a flow (m³/s) and a drop (m), m; `None` if the drain cannot pass it with less than `most` m.
    pub fn head(&self, flow: f64, drop: f64, most: f64, kinematic_viscosity: f64) -> Option<f64> {
        let drain = self.drain(drop, kinematic_viscosity);
        if flow <= 0.0 {
            return Some(0.0);
        }
        let excess = |head: f64| -> f64 {
            let Exchange { flow: passed, .. } = drain.flow(head, drop);
            passed - flow
        };
        (excess(most) >= 0.0).then(|| crate::solve::root(0.0, most, excess))
    }
}
