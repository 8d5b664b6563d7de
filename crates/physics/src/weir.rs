//! Thin-plate weirs: the standard formulas with exact inverses, the low-head law of an overflow comb, submergence.
//!
//! # Which formula for an overflow comb
//!
//! The standards hold for heads of 30 mm and more; an overflow comb runs at 5 to 20 mm, where surface tension and the
//! teeth count, and the formulas disagree by up to 25 %. For an effective width of 250 mm and 2400 L/h they give
//!
//! | formula | head, mm |
//! |---|---|
//! | Rehbock | 11.8 |
//! | ISO 1438 full width (Kindsvater-Carter), p = 0.45 m | 12.1 |
//! | Kindsvater-Carter contracted | 12.2 |
//! | Francis, no contraction, `1.84 b h^1.5` | **12.8** |
//! | Francis, two contractions | 12.9 |
//!
//! Francis without a head correction is the simplest and the most cautious of them (the highest water for a flow), and a
//! comb's teeth cost head, so it is the default of [`LowHeadWeir`]. [`LowHeadWeir::matching`] instead takes the
//! coefficient from any formula at the operating point. Treat the head as known to 10-30 %; never prove that a floor stays
//! dry with a smaller margin.

use crate::SQRT_TWO_GRAVITY;
use crate::fast::{self, Flow};
use crate::solve::increasing_root;

/// `(2/3) sqrt(2 g)`, m^½/s.
const TWO_THIRDS_ROOT: f64 = SQRT_TWO_GRAVITY * 2.0 / 3.0;

/// Francis' coefficient, m^½/s: 3.33 ft^½/s rounded as the SI form is always printed.
pub const FRANCIS_COEFFICIENT: f64 = 1.84;

/// Least head for which the standards were validated, m.
pub const LEAST_VALID_HEAD: f64 = 0.03;

/// A discharge formula of a rectangular thin-plate weir.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Formula {
    /// Kindsvater and Carter's full-width form as in ISO 1438:
    /// `Q = (0.602 + 0.075 h/p) (2/3) sqrt(2g) (b - 0.001) (h + 0.001)^1.5`.
    FullWidth,
    /// Kindsvater and Carter's contracted form in the limit of a channel much wider than the weir:
    /// `Q = (0.587 - 0.0023 h/p) (2/3) sqrt(2g) (b + 0.0024) (h + 0.001)^1.5`.
    Contracted,
    /// Rehbock 1929: `Q = (0.602 + 0.0832 h/p) (2/3) sqrt(2g) b (h + 0.00125)^1.5`.
    Rehbock,
    /// Francis 1883: `Q = 1.84 (b - 0.1 n h) h^1.5`, n the number of contracted ends.
    Francis {
        /// Ends at which the stream contracts: 0 where walls guide it, 2 for a notch in a wide wall.
        contractions: u8,
    },
}

/// A rectangular thin-plate weir.
///
/// Validated for h >= 0.03 m, b >= 0.15 m, p >= 0.10 m and h/p below 1 to 2.5 by formula (limits from memory, not checked
/// against print). The printed formulas with a head correction do not vanish at h = 0; here the flow is zero at and below
/// the crest and as printed above it. Simulators use the continuous [`LowHeadWeir`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weir {
    /// The formula.
    pub formula: Formula,
    /// Width of the crest `b`, m.
    pub width: f64,
    /// Height of the crest over the floor upstream `p`, m. Zero or less means deep water (h/p = 0).
    pub crest_height: f64,
}

impl Weir {
    /// Flow for a head over the crest (m), m³/s.
    pub fn flow(&self, head: f64) -> f64 {
        self.flow_and_slope(head).flow
    }

    /// Flow and its derivative with respect to the head.
    pub fn flow_and_slope(&self, head: f64) -> Flow {
        if head.is_nan() || head <= 0.0 {
            return Flow { flow: 0.0, slope: 0.0 };
        }
        let (base, rise, narrowing, width_shift, head_shift) = match self.formula {
            Formula::FullWidth => (0.602, 0.075, 0.0, -0.001, 0.001),
            Formula::Contracted => (0.587, -0.0023, 0.0, 0.0024, 0.001),
            Formula::Rehbock => (0.602, 0.0832, 0.0, 0.0, 0.00125),
            Formula::Francis { contractions } => {
                (FRANCIS_COEFFICIENT / TWO_THIRDS_ROOT, 0.0, 0.1 * f64::from(contractions), 0.0, 0.0)
            }
        };
        let per_head = if self.crest_height > 0.0 { rise / self.crest_height } else { 0.0 };
        let coefficient = base + per_head * head;
        let width = self.width + width_shift - narrowing * head;
        // Past these the formula has left any meaning: the contractions meet, or the coefficient is used up.
        if width <= 0.0 || coefficient <= 0.0 {
            return Flow { flow: 0.0, slope: 0.0 };
        }
        let raised = head + head_shift;
        let root = raised.sqrt();
        let body = TWO_THIRDS_ROOT * raised * root;
        Flow {
            flow: coefficient * width * body,
            slope: (per_head * width - narrowing * coefficient) * body
                + coefficient * width * TWO_THIRDS_ROOT * 1.5 * root,
        }
    }

    /// Head over the crest for a flow, m: the inverse of [`Weir::flow`], to rounding.
    ///
    /// Zero for no flow, for a flow below what a head correction alone gives, and for a weir without width; infinite for a
    /// flow that the formula cannot reach (contractions that meet).
    pub fn head(&self, flow: f64) -> f64 {
        if flow.is_nan() || flow <= 0.0 || self.width <= 0.0 {
            return 0.0;
        }
        // The guess of the frictionless law is within a factor of two in all practical cases.
        increasing_root(LowHeadWeir::francis(self.width).head(flow), |head| self.flow(head) - flow)
    }

    /// Whether a head lies where the formulas were validated (see the type).
    pub fn is_valid_at(&self, head: f64) -> bool {
        head >= LEAST_VALID_HEAD
            && self.width >= 0.15
            && self.crest_height >= 0.10
            && head / self.crest_height < 1.0
    }
}

/// The low-head law of overflow combs and baffles used for simulation: `Q = Cd (2/3) sqrt(2g) b h^1.5`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LowHeadWeir {
    /// Effective width, m: the clear gaps of a comb, the length of a baffle.
    pub width: f64,
    /// Discharge coefficient `Cd`.
    pub coefficient: f64,
}

impl LowHeadWeir {
    /// With Francis' coefficient, `Cd = 1.84 / ((2/3) sqrt(2g)) = 0.623`: the default, see the module.
    pub fn francis(width: f64) -> Self {
        Self { width, coefficient: FRANCIS_COEFFICIENT / TWO_THIRDS_ROOT }
    }

    /// With the coefficient that gives `flow` (m³/s) the same head as `weir` does.
    ///
    /// A comb of 250 mm at 2405 L/h gets 0.677 from [`Formula::FullWidth`] and 0.623 from Francis: 5 % of head apart.
    /// Falls back on Francis when the flow is zero.
    pub fn matching(weir: &Weir, flow: f64) -> Self {
        let head = weir.head(flow);
        if head > 0.0 && weir.width > 0.0 {
            let coefficient = flow / (TWO_THIRDS_ROOT * weir.width * head * head.sqrt());
            Self { width: weir.width, coefficient }
        } else {
            Self::francis(weir.width)
        }
    }

    /// The same weir with a share of its width blocked (0 clear, 1 shut).
    pub fn blocked(self, share: f64) -> Self {
        Self { width: self.width * (1.0 - share.clamp(0.0, 1.0)), ..self }
    }

    /// `Cd (2/3) sqrt(2g) b`, m^1.5/s: the coefficient for [`fast::weir`] and [`fast::submerged_weir`].
    pub fn conductance(self) -> f64 {
        self.coefficient * TWO_THIRDS_ROOT * self.width
    }

    /// Flow for a head over the crest (m), and its derivative.
    pub fn flow(self, head: f64) -> Flow {
        fast::weir(self.conductance(), head)
    }

    /// Head over the crest for a flow (m³/s), m; infinite if the weir is shut, zero for no flow.
    pub fn head(self, flow: f64) -> f64 {
        if flow > 0.0 {
            let cube_root = libm::cbrt(flow / self.conductance());
            cube_root * cube_root
        } else {
            0.0
        }
    }
}

/// Villemonte's factor on the free flow of a weir whose tailwater stands above the crest: `(1 - (h2/h1)^1.5)^0.385`.
///
/// Villemonte, Engineering News-Record 139, 866-869, 1947; claimed within 5 %. Heads over the crest in m. 1 for a free
/// weir, 0 when the levels are equal or reversed. [`fast::submerged_weir`] is the smooth form with derivatives.
pub fn submergence_factor(upstream: f64, downstream: f64) -> f64 {
    if upstream.is_nan() || upstream <= 0.0 || downstream >= upstream {
        return 0.0;
    }
    let ratio = downstream.max(0.0) / upstream;
    libm::pow(1.0 - ratio * ratio.sqrt(), 0.385)
}
