//! What the simulator's inner loop calls: flows with their derivatives, square roots only.
//!
//! # How to use it
//!
//! Reduce each described part to its coefficients once, outside the loop ([`crate::weir::LowHeadWeir::conductance`],
//! [`crate::orifice::conductance`], [`crate::pipe::Pipe::fit`], [`crate::standpipe::Standpipe::drain`],
//! [`crate::pump::Pump::line`]). Then call these functions on plain `f64`. They hold no data-dependent branch (each
//! choice is a select), call no library function but `sqrt`, and are `#[inline]`, so a loop over lanes such as
//!
//! ```
//! # use physics::fast;
//! let conductance = 0.46;
//! let heads = [0.0, 0.002, 0.005, 0.01, 0.0128, 0.02, 0.05, -0.01];
//! let (mut flow, mut slope) = ([0.0; 8], [0.0; 8]);
//! for lane in 0..8 {
//!     let answer = fast::weir(conductance, heads[lane]);
//!     (flow[lane], slope[lane]) = (answer.flow, answer.slope);
//! }
//! assert_eq!(flow[7], 0.0);
//! ```
//!
//! is turned into vector code by the compiler, and a lane's bits equal those of a single call. Keep lanes in arrays
//! (structure of arrays), not in a `Vec` of structs.
//!
//! Derivatives are those of the very expression evaluated (not of the law it approximates), so a Newton step on them
//! converges quadratically. All are continuous except where a level falls past a hole ([`hole`]).
//!
//! Finite heads up to 1000 m either way and non-negative coefficients never give NaN.

/// A flow and its derivative with respect to the driving head.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Flow {
    /// Flow, m³/s.
    pub flow: f64,
    /// Derivative of the flow with respect to the head, m²/s.
    pub slope: f64,
}

/// A flow between two levels and its derivatives with respect to both.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Exchange {
    /// Flow from the first to the second level, m³/s; negative when it runs back.
    pub flow: f64,
    /// Derivative with respect to the first level, m²/s (never negative).
    pub by_first: f64,
    /// Derivative with respect to the second level, m²/s (never positive).
    pub by_second: f64,
}

/// Head below which [`orifice`] departs from the square-root law, m.
///
/// With this value the flow is 0.25 % low at 10 mm, 1 % low at 5 mm and 16 % low at 1 mm; the slope at zero is finite.
pub const ORIFICE_SMOOTHING: f64 = 1e-3;

/// Width of the zone in which [`submerged_weir`] departs from Villemonte's power law as both levels meet.
pub const SUBMERGENCE_SMOOTHING: f64 = 1e-3;

/// Largest head that [`Drain`] distinguishes, m; it only keeps eighth powers finite.
const MOST_HEAD: f64 = 1e3;

/// Smallest head over an outlet that [`Drain`] divides by, m; it only guards a drowned outlet against 0/0.
const LEAST_HEAD: f64 = 1e-6;

/// `x` where positive, else zero: one `max` instruction, NaN becomes zero.
#[inline(always)]
fn positive(x: f64) -> f64 {
    if x > 0.0 { x } else { 0.0 }
}

/// 1 where `x` is positive, else 0: as a factor it vectorises on the oldest x86-64, where a select of a computed value does not.
#[inline(always)]
fn step(x: f64) -> f64 {
    if x > 0.0 { 1.0 } else { 0.0 }
}

/// Free weir `Q = k h^1.5`, with `k` in m^1.5/s and the head over the crest in m; no flow below the crest.
#[inline]
pub fn weir(conductance: f64, head: f64) -> Flow {
    let head = positive(head);
    let root = head.sqrt();
    Flow { flow: conductance * head * root, slope: 1.5 * conductance * root }
}

/// Weir with water on both sides: heads over the same crest, m, either of which may be negative or the higher.
///
/// Villemonte (Engineering News-Record 139, 866-869, 1947): `Q = k h1^1.5 (1 - (h2/h1)^1.5)^0.385`. The power is
/// replaced by `x (x+e)^-0.615` (e = [`SUBMERGENCE_SMOOTHING`], scaled to 1 at x = 1), itself by square roots and one
/// rational correction, so that the slope stays finite when both levels meet and the flow changes sign smoothly there.
/// Against [`crate::weir::submergence_factor`]: 0.15 % low at h2/h1 = 0.8, 0.35 % at 0.9, 0.75 % at 0.95, 4 % at 0.99.
/// Villemonte claimed 5 %.
#[inline]
pub fn submerged_weir(conductance: f64, first: f64, second: f64) -> Exchange {
    let forward = first >= second;
    let high = positive(if forward { first } else { second });
    let low = positive(if forward { second } else { first });
    // The floor only guards 0/0: at 1e-12 m every term is far below any flow of interest.
    let ratio = low / if high > 1e-12 { high } else { 1e-12 };
    let root_ratio = ratio.sqrt();
    let drowned = ratio * root_ratio;
    let (factor, factor_slope) = smooth_submergence(positive(1.0 - drowned));
    let root = high.sqrt();
    let flow = conductance * high * root * factor;
    let by_high = 1.5 * conductance * root * (factor + factor_slope * drowned);
    let by_low = -1.5 * conductance * root * factor_slope * root_ratio;
    if forward {
        Exchange { flow, by_first: by_high, by_second: by_low }
    } else {
        Exchange { flow: -flow, by_first: -by_low, by_second: -by_high }
    }
}

/// `x^0.385` made linear near zero, and its derivative, for x in 0..=1.
#[inline(always)]
fn smooth_submergence(x: f64) -> (f64, f64) {
    // y^-0.615 = y^-0.625 y^0.01 = y^-1/2 r^-1 r^0.08 with r = y^1/8; r^0.08 by its [1/1] Pade approximant about 1.
    const POWER: f64 = 0.08;
    const UP: f64 = 0.5 * (1.0 + POWER);
    const DOWN: f64 = 0.5 * (1.0 - POWER);
    // (1 + e)^0.615, so that the factor is 1 for a free weir.
    const SCALE: f64 = 1.000_614_881_667_123_4;
    let y = x + SUBMERGENCE_SMOOTHING;
    let root = y.sqrt();
    let eighth = root.sqrt().sqrt();
    let below = 1.0 + DOWN * (eighth - 1.0);
    let pade = (1.0 + UP * (eighth - 1.0)) / below;
    let body = SCALE * pade / (root * eighth);
    let pade_log_slope = POWER * eighth / (8.0 * y * below * below * pade);
    (x * body, body * (1.0 + x * (pade_log_slope - 0.625 / y)))
}

/// Orifice between two levels whose difference is `head` (m, either sign): `Q = k d / (d² + e²)^¼`.
///
/// `conductance` is `Cd A sqrt(2 g)`, m^2.5/s. Smooth and odd; the slope at zero is `k / sqrt(e)`. The relative error
/// against `k sqrt(d)` is `e²/4d²` for d well above the smoothing; pass [`ORIFICE_SMOOTHING`] unless there is a reason.
#[inline]
pub fn orifice(conductance: f64, head: f64, smoothing: f64) -> Flow {
    let square = head * head;
    let sum = square + smoothing * smoothing;
    let body = conductance / sum.sqrt().sqrt();
    Flow { flow: body * head, slope: body * (1.0 - 0.5 * square / sum) }
}

/// Hole between two waters, each given by its height over the hole's centre (m): free, drowned, or dry on either side.
///
/// A side whose water stands below the centre drives with zero head. The hole is treated as a point: right when the water
/// stands a diameter above it, and the derivative jumps by `k / sqrt(e)` where a level passes the centre.
#[inline]
pub fn hole(conductance: f64, first: f64, second: f64, smoothing: f64) -> Exchange {
    let answer = orifice(conductance, positive(first) - positive(second), smoothing);
    Exchange {
        flow: answer.flow,
        by_first: answer.slope * step(first),
        by_second: -answer.slope * step(second),
    }
}

/// Head loss of a line as `h = a Q + b Q |Q|`, fitted by [`crate::pipe::Pipe::fit`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Resistance {
    /// `a`, s/m²; must be positive or the slope at rest is infinite.
    pub linear: f64,
    /// `b`, s²/m⁵.
    pub quadratic: f64,
}

impl Resistance {
    /// Head lost at a flow, m; odd in the flow.
    #[inline]
    pub fn head_loss(self, flow: f64) -> f64 {
        flow * (self.linear + self.quadratic * flow.abs())
    }

    /// Flow that loses exactly `head`, with its derivative; odd in the head.
    ///
    /// The root of the quadratic in the form without cancellation: `Q = 2 h / (a + sqrt(a² + 4 b |h|))`.
    #[inline]
    pub fn flow(self, head: f64) -> Flow {
        let root = (self.linear * self.linear + 4.0 * self.quadratic * head.abs()).sqrt();
        Flow { flow: 2.0 * head / (self.linear + root), slope: 1.0 / root }
    }

    /// Both lines one after the other.
    #[inline]
    pub fn and(self, other: Self) -> Self {
        Self { linear: self.linear + other.linear, quadratic: self.quadratic + other.quadratic }
    }
}

/// A pump with its line: the head it gives at no flow, and everything that resists, the pump's own passages included.
///
/// `n² H0 - static = a Q + (b + H0/Q0²) Q |Q|`; with n = 0 the same line lets water back. See [`crate::pump`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PumpLine {
    /// Head at no flow, m; zero when stopped.
    pub boost: f64,
    /// Line and pump together.
    pub resistance: Resistance,
}

impl PumpLine {
    /// Flow against a static head (outlet level minus inlet level, m), and its derivative *with respect to the static
    /// head* (never positive).
    ///
    /// Negative when the static head exceeds the boost: the siphon back through the pump. Whoever knows that the outlet
    /// is out of the water, or that a check valve shuts, takes the positive part.
    #[inline]
    pub fn flow(self, static_head: f64) -> Flow {
        let answer = self.resistance.flow(self.boost - static_head);
        Flow { flow: answer.flow, slope: -answer.slope }
    }
}

/// An overflow pipe reduced to its three limits; made by [`crate::standpipe::Standpipe::drain`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drain {
    /// `k` of the rim as a weir, m^1.5/s.
    pub weir: f64,
    /// `(weir / orifice conductance)^8`, m^-8: where the mouth takes over from the rim.
    pub mouth: f64,
    /// The pipe running full.
    pub pipe: Resistance,
}

impl Drain {
    /// Flow into the pipe for a head over the rim and the drop from the rim to the outlet or to the water that covers it
    /// (both m), with derivatives: `by_first` to the head, `by_second` to minus the drop (that is, to the lower level).
    ///
    /// Smooth minimum of the three limits, `(q1^-8 + q2^-8 + q3^-8)^(-1/8)`: 8 % below the lower one where two limits
    /// cross, 0.5 % where one is 1.5 times the other. Never negative: water rising in the pipe from below is not this law.
    #[inline]
    pub fn flow(self, head: f64, drop: f64) -> Exchange {
        let head = positive(head);
        let head = if head < MOST_HEAD { head } else { MOST_HEAD };
        let root = head.sqrt();
        let rim = self.weir * head * root;
        let rim_slope = 1.5 * self.weir * root;
        let spare = head + drop - LEAST_HEAD;
        let full = self.pipe.flow(LEAST_HEAD + positive(spare));
        let full_slope = full.slope * step(spare);
        // The rim passes h^1.5 and the mouth h^0.5, so their ratio is linear in h.
        let head_2 = head * head;
        let head_4 = head_2 * head_2;
        let mouth = self.mouth * head_4 * head_4;
        let mouth_slope = 8.0 * self.mouth * head_4 * head_2 * head;
        let share = rim / full.flow;
        let share_2 = share * share;
        let share_4 = share_2 * share_2;
        let pipe = share_4 * share_4;
        let sum = 1.0 + mouth + pipe;
        let scale = 1.0 / sum.sqrt().sqrt().sqrt();
        let pipe_by_share = 8.0 * share_4 * share_2 * share;
        let share_by_head = (rim_slope - share * full_slope) / full.flow;
        let share_by_drop = -share * full_slope / full.flow;
        let common = 0.125 * rim * scale / sum;
        Exchange {
            flow: rim * scale,
            by_first: rim_slope * scale - common * (mouth_slope + pipe_by_share * share_by_head),
            by_second: common * pipe_by_share * share_by_drop,
        }
    }
}
