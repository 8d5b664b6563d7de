//! Straight lines through measured points, with what is known of them: least squares, Student's t, intervals.
//!
//! Formulas: Draper & Smith, Applied Regression Analysis, ch. 1-3 (from memory); held to scipy and statsmodels and to the NIST
//! reference dataset Norris (tests/reference/care).

use crate::Estimate;

/// Confidence of every interval.
pub const CONFIDENCE: f64 = 0.95;

/// Why no line can be laid.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FitError {
    /// Fewer than two points (in some stretch at least).
    TooFew,
    /// All points at one place: no slope follows.
    NoSpread,
    /// A number that is none.
    NotFinite,
}

impl std::fmt::Display for FitError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            FitError::TooFew => "a line needs two points at least; measure again another day",
            FitError::NoSpread => {
                "all points are of one time; a change a day needs measurements of different days"
            }
            FitError::NotFinite => "a point is not a number; look at what was entered",
        })
    }
}

impl std::error::Error for FitError {}

/// A straight line by least squares, `y = mean_y + slope (x - mean_x)`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// How many points it rests on.
    pub n: usize,
    /// How many of them lie in the last stretch; all of an unbroken line.
    pub n_last: usize,
    /// Degrees of freedom left: points less what was fitted.
    pub dof: usize,
    /// Change of y for each x.
    pub slope: f64,
    /// Mean of x in the last stretch.
    pub mean_x: f64,
    /// Mean of y in the last stretch.
    pub mean_y: f64,
    /// Sum of squared distances of x from the mean of its stretch.
    pub sxx: f64,
    /// Standard deviation of a point about the line; 0 with no degree of freedom.
    pub residual_sd: f64,
    /// Half of the 95 % interval of a single y about the line; infinite when nothing is known of its scatter.
    pub scale95: f64,
}

impl Line {
    /// The line through points (x, y). `known_sd` is the least standard deviation of a y, such as what the steps of a test kit
    /// leave open; it counts where the points lie closer to the line than that.
    ///
    /// # Errors
    /// Fewer than two points, all at one x, or a number that is not finite.
    pub fn fit(points: &[(f64, f64)], known_sd: f64) -> Result<Line, FitError> {
        Line::fit_stretches(&[points], known_sd)
    }

    /// One slope through several stretches of points, each with a level of its own: a fall that is broken by water changes.
    /// A stretch of a single point says nothing about the slope and is left out.
    ///
    /// # Errors
    /// As [`Line::fit`]: no stretch has two points at different x.
    pub fn fit_stretches(stretches: &[&[(f64, f64)]], known_sd: f64) -> Result<Line, FitError> {
        let used: Vec<&[(f64, f64)]> = stretches.iter().copied().filter(|s| s.len() >= 2).collect();
        let n: usize = used.iter().map(|s| s.len()).sum();
        if n < 2 {
            return Err(FitError::TooFew);
        }
        if used.iter().flat_map(|s| s.iter()).any(|(x, y)| !x.is_finite() || !y.is_finite()) {
            return Err(FitError::NotFinite);
        }
        let (mut sxx, mut sxy, mut syy) = (0.0, 0.0, 0.0);
        for stretch in &used {
            let (mean_x, mean_y) = means(stretch);
            for (x, y) in *stretch {
                sxx += (x - mean_x) * (x - mean_x);
                sxy += (x - mean_x) * (y - mean_y);
                syy += (y - mean_y) * (y - mean_y);
            }
        }
        // Times closer than a millionth of their size cannot be told apart.
        let reach = used.iter().flat_map(|s| s.iter()).fold(0.0_f64, |m, (x, _)| m.max(x.abs()));
        if sxx.is_nan() || sxx <= (reach * 1e-9) * (reach * 1e-9) {
            return Err(FitError::NoSpread);
        }
        let slope = sxy / sxx;
        let dof = n - used.len() - 1;
        let rest: f64 = if syy == 0.0 { 0.0 } else { residual_sum(&used, slope) };
        let residual_sd = if dof > 0 { (rest / dof as f64).sqrt() } else { 0.0 };
        let last = used.last().copied().unwrap_or(&[]);
        let (mean_x, mean_y) = means(last);
        let scale95 = scale95(residual_sd, dof, known_sd);
        let line = Line { n, n_last: last.len(), dof, slope, mean_x, mean_y, sxx, residual_sd, scale95 };
        if line.slope.is_finite() { Ok(line) } else { Err(FitError::NotFinite) }
    }

    /// The slope with its interval.
    pub fn slope95(&self) -> Estimate {
        Estimate { value: self.slope, half95: self.scale95 / self.sxx.sqrt() }
    }

    /// Height of the line at `x`, with the interval of the line itself. Of stretches: the last one's line.
    pub fn at(&self, x: f64) -> Estimate {
        self.with_share(x, 0.0)
    }

    /// Where a further measurement at `x` would lie.
    pub fn next_at(&self, x: f64) -> Estimate {
        self.with_share(x, 1.0)
    }

    fn with_share(&self, x: f64, own: f64) -> Estimate {
        let away = x - self.mean_x;
        let share = own + 1.0 / self.n_last as f64 + away * away / self.sxx;
        Estimate { value: self.mean_y + self.slope * away, half95: self.scale95 * share.sqrt() }
    }

    /// When the line meets `limit` at or after `from`: expected, and the first and last time at which its 95 % band does. `None`
    /// where that is never, or later than `horizon`.
    pub fn reaches(&self, limit: f64, from: f64, horizon: f64) -> Crossing {
        let falls = self.at(from).value > limit;
        // The edge of the band that lies towards the limit meets it first.
        let ahead = if falls { -1.0 } else { 1.0 };
        let meets = |edge: f64| {
            let inside = |x: f64| {
                let at = self.at(x);
                let y = if edge == 0.0 { at.value } else { at.value + edge * at.half95 };
                if falls { y <= limit } else { y >= limit }
            };
            first_where(inside, from, horizon)
        };
        Crossing { earliest: meets(ahead), expected: meets(0.0), latest: meets(-ahead) }
    }
}

/// Quantile times standard deviation: of what is known beforehand where the points lie closer to their line than that.
fn scale95(residual_sd: f64, dof: usize, known_sd: f64) -> f64 {
    if known_sd > 0.0 && residual_sd <= known_sd {
        known_sd * NORMAL_95
    } else if dof == 0 {
        f64::INFINITY
    } else {
        residual_sd * student_t(CONFIDENCE, dof)
    }
}

/// When something is expected, between which times with 95 % confidence.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Crossing {
    /// Not before.
    pub earliest: Option<f64>,
    /// Most likely.
    pub expected: Option<f64>,
    /// Not after; `None` also where it may never be.
    pub latest: Option<f64>,
}

/// The first `x` from `from` to `horizon` where `inside` holds, found on a grid of 4096 and halved down.
fn first_where(inside: impl Fn(f64) -> bool, from: f64, horizon: f64) -> Option<f64> {
    const STEPS: u32 = 4096;
    if inside(from) {
        return Some(from);
    }
    let step = (horizon - from) / f64::from(STEPS);
    let high = (1..=STEPS).map(|k| from + step * f64::from(k)).find(|x| inside(*x))?;
    let (mut low, mut high) = (high - step, high);
    for _ in 0..40 {
        let middle = f64::midpoint(low, high);
        if inside(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
    Some(high)
}

/// A point that lies further off the line of the others than chance allows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outlier {
    /// Which point.
    pub index: usize,
    /// Externally studentised residual.
    pub studentised: f64,
    /// How far it is from the line through all points, in the unit of y.
    pub residual: f64,
}

/// The point that fits a line through all others worst, when chance would do that in fewer than one set of points in twenty
/// (externally studentised residual against Student's t, Bonferroni's correction for having chosen the worst). Wants five points.
pub fn outlier(points: &[(f64, f64)]) -> Option<Outlier> {
    let line = Line::fit(points, 0.0).ok()?;
    if points.len() < 5 {
        return None;
    }
    let worst = worst_of(points, &line)?;
    let limit = student_t(1.0 - (1.0 - CONFIDENCE) / points.len() as f64, line.dof - 1);
    (worst.studentised.abs() > limit).then_some(worst)
}

fn worst_of(points: &[(f64, f64)], line: &Line) -> Option<Outlier> {
    let n = line.n as f64;
    let rest = line.residual_sd * line.residual_sd * line.dof as f64;
    (points.iter().enumerate())
        .map(|(index, (x, y))| {
            let residual = y - line.at(*x).value;
            let leverage = 1.0 / n + (x - line.mean_x) * (x - line.mean_x) / line.sxx;
            let free = (1.0 - leverage).max(1e-12);
            let without = (rest - residual * residual / free).max(0.0) / (line.dof as f64 - 1.0);
            let studentised = residual / (without * free).sqrt().max(1e-300);
            Outlier { index, studentised, residual }
        })
        .max_by(|a, b| a.studentised.abs().total_cmp(&b.studentised.abs()))
}

fn means(points: &[(f64, f64)]) -> (f64, f64) {
    let n = points.len().max(1) as f64;
    (points.iter().map(|p| p.0).sum::<f64>() / n, points.iter().map(|p| p.1).sum::<f64>() / n)
}

fn residual_sum(stretches: &[&[(f64, f64)]], slope: f64) -> f64 {
    let of = |stretch: &&[(f64, f64)]| {
        let (mean_x, mean_y) = means(stretch);
        stretch.iter().map(|(x, y)| y - mean_y - slope * (x - mean_x)).map(|r| r * r).sum::<f64>()
    };
    stretches.iter().map(of).sum()
}

/// Mean and 95 % interval of values that scatter by chance; infinite with a single one.
pub fn mean95(values: &[f64]) -> Option<Estimate> {
    let n = values.len();
    if n == 0 || values.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let value = values.iter().sum::<f64>() / n as f64;
    let half95 =
        if n == 1 { f64::INFINITY } else { student_t(CONFIDENCE, n - 1) * sd(values) / (n as f64).sqrt() };
    Some(Estimate { value, half95 })
}

/// Standard deviation of a sample; 0 with fewer than two.
pub fn sd(values: &[f64]) -> f64 {
    let n = values.len();
    if n < 2 {
        return 0.0;
    }
    let mean = values.iter().sum::<f64>() / n as f64;
    (values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (n - 1) as f64).sqrt()
}

/// Quantile of the normal distribution for a two-sided 95 % interval.
pub const NORMAL_95: f64 = 1.959_963_984_540_054;

/// Half of a 95 % interval over the half width of a value that may lie anywhere within it alike: `1.96 / sqrt(3)` (rectangular distribution,
/// JCGM 100:2008, 4.3.7). Sums of several are nearly normal; of a single one it is a little more than all.
pub const EVEN_95: f64 = 1.131_585_7;

/// Two-sided quantile of Student's t: `|t|` is below it with probability `confidence` (0 to 1, both excluded; held inside). With no
/// degree of freedom infinite.
pub fn student_t(confidence: f64, dof: usize) -> f64 {
    if dof == 0 {
        return f64::INFINITY;
    }
    let outside = 1.0 - confidence.clamp(1e-12, 1.0 - 1e-12);
    let (mut low, mut high) = (0.0, 1.0);
    while beyond(high, dof) > outside && high < 1e15 {
        high *= 2.0;
    }
    // Newton's steps from inside of the bracket, halving it where one leads out.
    let mut t = f64::midpoint(low, high);
    for _ in 0..100 {
        let off = beyond(t, dof) - outside;
        if off > 0.0 {
            low = t
        } else {
            high = t
        }
        let step = off / (2.0 * density(t, dof));
        let next = if (low..=high).contains(&(t + step)) { t + step } else { f64::midpoint(low, high) };
        if (next - t).abs() <= 1e-13 * t {
            return next;
        }
        t = next;
    }
    t
}

/// Density of Student's t.
fn density(t: f64, dof: usize) -> f64 {
    let n = dof as f64;
    let front = libm::exp(libm::lgamma((n + 1.0) / 2.0) - libm::lgamma(n / 2.0));
    front / (n * core::f64::consts::PI).sqrt() * libm::pow(1.0 + t * t / n, -(n + 1.0) / 2.0)
}

/// Probability that `|t|` lies beyond `t`: the regularised incomplete beta function at `dof / (dof + t²)`.
fn beyond(t: f64, dof: usize) -> f64 {
    let n = dof as f64;
    incomplete_beta(n / 2.0, 0.5, n / (n + t * t))
}

/// Regularised incomplete beta function by its continued fraction (Abramowitz & Stegun 26.5.8, evaluated as by Lentz).
fn incomplete_beta(a: f64, b: f64, x: f64) -> f64 {
    if x <= 0.0 || x >= 1.0 {
        return x.clamp(0.0, 1.0);
    }
    let front = libm::exp(
        libm::lgamma(a + b) - libm::lgamma(a) - libm::lgamma(b) + a * libm::log(x) + b * libm::log1p(-x),
    );
    if x < (a + 1.0) / (a + b + 2.0) {
        front * fraction(a, b, x) / a
    } else {
        1.0 - front * fraction(b, a, 1.0 - x) / b
    }
}

fn fraction(a: f64, b: f64, x: f64) -> f64 {
    const TINY: f64 = 1e-300;
    let kept = |v: f64| if v.abs() < TINY { TINY } else { v };
    let mut c = 1.0;
    let mut d = 1.0 / kept(1.0 - (a + b) * x / (a + 1.0));
    let mut sum = d;
    for m in 1..500 {
        let m = f64::from(m);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        for part in [even, odd] {
            d = 1.0 / kept(1.0 + part * d);
            c = kept(1.0 + part / c);
            sum *= c * d;
        }
        if (c * d - 1.0).abs() < 1e-15 {
            break;
        }
    }
    sum
}
