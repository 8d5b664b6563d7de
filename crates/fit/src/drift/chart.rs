//! The cumulative sum of a standardised residual, both ways, and how often it speaks without a cause.
//!
//! Page, E. S. (1954) Continuous inspection schemes, Biometrika 41; in the tabular form of Montgomery, Introduction to Statistical
//! Quality Control, ch. 9 (both from memory): the sums `C+ = max(0, C+ + z - k)` and `C- = max(0, C- - z - k)` speak above `h`.

/// Reference value and decision interval of a chart, in standard deviations.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Design {
    /// Half of the shift that is looked for.
    pub k: f64,
    /// A sum above this speaks.
    pub h: f64,
}

/// Which way something drifts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// It is more than it should be.
    Above,
    /// It is less.
    Below,
}

/// A sum that has spoken is held to so many times `h`, so that it comes down soon after its cause has gone.
const HELD_TO: f64 = 1.5;

/// One of the two sums.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Sum {
    value: f64,
    /// Samples since it left zero.
    n: usize,
}

impl Sum {
    fn add(&mut self, excess: f64, most: f64) {
        self.value = (self.value + excess).clamp(0.0, most);
        self.n = if self.value > 0.0 { self.n + 1 } else { 0 };
    }
}

/// A chart with both sums.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Chart {
    design: Design,
    above: Sum,
    below: Sum,
}

impl Chart {
    /// With both sums at zero.
    pub fn new(design: Design) -> Chart {
        Chart { design, above: Sum::default(), below: Sum::default() }
    }

    /// Takes a standardised residual; what is no number changes nothing. While a sum stands above `h`: which way, and how many samples ago
    /// it left zero, this one counted, which is where the change is put.
    pub fn add(&mut self, z: f64) -> Option<(Way, usize)> {
        if z.is_finite() {
            let Design { k, h } = self.design;
            self.above.add(z - k, h * HELD_TO);
            self.below.add(-z - k, h * HELD_TO);
        }
        let speaks = |sum: Sum, way| (sum.value > self.design.h).then_some((way, sum.n));
        speaks(self.above, Way::Above).or_else(|| speaks(self.below, Way::Below))
    }
}

/// Corrects the decision interval for the overshoot of a sum of normal steps: 2 · 0.583, Siegmund's constant.
const OVERSHOOT: f64 = 1.166;

/// Average number of samples until a sum speaks one way, while the mean stands `shift` standard deviations off that way: Siegmund's
/// approximation, `(exp(-2Δb) + 2Δb - 1) / 2Δ²` with `Δ = shift - k` and `b = h + 1.166` (Siegmund 1985, Sequential Analysis; as Montgomery
/// gives it, from memory). Good to some percent for independent normal residuals.
pub fn run_length_one_way(shift: f64, design: Design) -> f64 {
    let (delta, b) = (shift - design.k, design.h + OVERSHOOT);
    if delta.abs() < 1e-6 {
        return b * b;
    }
    (libm::exp(-2.0 * delta * b) + 2.0 * delta * b - 1.0) / (2.0 * delta * delta)
}

/// The same for a chart with both sums: `1/ARL = 1/ARL+ + 1/ARL-`.
pub fn run_length(shift: f64, design: Design) -> f64 {
    let one = |shift| 1.0 / run_length_one_way(shift, design);
    1.0 / (one(shift) + one(-shift))
}
