//! Least squares by blocks of time, and how far its result can be believed where residuals hang together.
//!
//! Neighbouring hours of a tank see the same weather and the same people, so their residuals are not independent and the textbook's
//! interval would be far too narrow. Instead each block (a day) is left out in turn and everything is worked out again: the delete-a-group
//! jackknife (Efron & Tibshirani, An Introduction to the Bootstrap, 1993, ch. 11; of regressions equal to the CR3 form of a
//! cluster-robust variance but for a factor: Cameron & Miller, J. Human Resources 50, 2015, sec. VI; both from memory). Where blocks
//! themselves follow each other, the variance grows by (1 + r)/(1 - r), that of the mean of a first-order autoregression. Held to
//! statsmodels by tests/reference/fit.

/// Sums of one block: `X'X`, `X'y`, number of rows.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Sums {
    k: usize,
    xx: Vec<f64>,
    xy: Vec<f64>,
    pub n: usize,
}

impl Sums {
    pub fn new(k: usize) -> Self {
        Sums { k, xx: vec![0.0; k * k], xy: vec![0.0; k], n: 0 }
    }

    /// Adds a row. One that is not finite is left out.
    pub fn add(&mut self, x: &[f64], y: f64) {
        if !y.is_finite() || x.iter().any(|x| !x.is_finite()) {
            return;
        }
        for i in 0..self.k {
            for j in 0..self.k {
                self.xx[i * self.k + j] += x[i] * x[j];
            }
            self.xy[i] += x[i] * y;
        }
        self.n += 1;
    }

    fn combine(&mut self, other: &Sums, sign: f64) {
        for (a, b) in self.xx.iter_mut().zip(&other.xx) {
            *a += sign * b;
        }
        for (a, b) in self.xy.iter_mut().zip(&other.xy) {
            *a += sign * b;
        }
        self.n = if sign > 0.0 { self.n + other.n } else { self.n.saturating_sub(other.n) };
    }

    /// Sum of all blocks.
    pub fn total(blocks: &[Sums], k: usize) -> Sums {
        let mut all = Sums::new(k);
        for block in blocks {
            all.combine(block, 1.0);
        }
        all
    }

    fn less(&self, other: &Sums) -> Sums {
        let mut rest = self.clone();
        rest.combine(other, -1.0);
        rest
    }

    /// Share of each column that the others do not explain, 0 to 1 (the tolerance of regression diagnostics, one over the variance
    /// inflation factor), all columns taken about nought.
    pub fn own_shares(&self) -> Vec<f64> {
        let scaled = |skip: usize| {
            let keep: Vec<usize> = (0..self.k).filter(|i| *i != skip && self.at(*i, *i) > 0.0).collect();
            let a: Vec<f64> = keep
                .iter()
                .flat_map(|i| keep.iter().map(move |j| (*i, *j)))
                .map(|(i, j)| self.at(i, j) / (self.at(i, i) * self.at(j, j)).sqrt())
                .collect();
            let b: Vec<f64> = keep
                .iter()
                .map(|i| self.at(*i, skip) / (self.at(*i, *i) * self.at(skip, skip)).sqrt())
                .collect();
            (a, b)
        };
        (0..self.k)
            .map(|j| {
                if self.at(j, j) <= 0.0 {
                    return 0.0;
                }
                let (a, b) = scaled(j);
                // Others that cannot be told apart among themselves are the others' matter.
                let solution = solve(&a, &b, 1e-10);
                let explained: f64 = solution.iter().zip(&b).map(|(s, b)| s * b).sum();
                (1.0 - explained).clamp(0.0, 1.0)
            })
            .collect()
    }

    fn at(&self, i: usize, j: usize) -> f64 {
        self.xx[i * self.k + j]
    }

    /// Coefficients. None: there are fewer rows than columns, or columns that cannot be told apart.
    pub fn solve(&self) -> Option<Vec<f64>> {
        let scale: Vec<f64> = (0..self.k).map(|i| self.at(i, i).sqrt()).collect();
        if self.n < self.k || scale.iter().any(|s| s.is_nan() || *s <= 0.0) {
            return None;
        }
        let mut a = self.xx.clone();
        for i in 0..self.k {
            for j in 0..self.k {
                a[i * self.k + j] /= scale[i] * scale[j];
            }
        }
        let b: Vec<f64> = self.xy.iter().zip(&scale).map(|(x, s)| x / s).collect();
        let root = cholesky(&a, self.k, 1e-11)?;
        let solution = back(&root, &b, self.k);
        let all: Vec<f64> = solution.iter().zip(&scale).map(|(x, s)| x / s).collect();
        all.iter().all(|x| x.is_finite()).then_some(all)
    }
}

/// Lower root of a matrix with ones on its diagonal. None: a pivot below `least`.
fn cholesky(a: &[f64], k: usize, least: f64) -> Option<Vec<f64>> {
    let mut l = vec![0.0; k * k];
    for i in 0..k {
        for j in 0..=i {
            let sum: f64 = (0..j).map(|m| l[i * k + m] * l[j * k + m]).sum();
            let rest = a[i * k + j] - sum;
            if i == j {
                if rest.is_nan() || rest <= least {
                    return None;
                }
                l[i * k + i] = rest.sqrt();
            } else {
                l[i * k + j] = rest / l[j * k + j];
            }
        }
    }
    Some(l)
}

fn back(l: &[f64], b: &[f64], k: usize) -> Vec<f64> {
    let mut y = b.to_vec();
    for i in 0..k {
        let sum: f64 = (0..i).map(|m| l[i * k + m] * y[m]).sum();
        y[i] = (y[i] - sum) / l[i * k + i];
    }
    for i in (0..k).rev() {
        let sum: f64 = (i + 1..k).map(|m| l[m * k + i] * y[m]).sum();
        y[i] = (y[i] - sum) / l[i * k + i];
    }
    y
}

/// Solves with a ridge where the columns cannot be told apart.
fn solve(a: &[f64], b: &[f64], ridge: f64) -> Vec<f64> {
    let k = b.len();
    let mut a = a.to_vec();
    for i in 0..k {
        a[i * k + i] += ridge;
    }
    cholesky(&a, k, 0.0).map_or_else(|| vec![0.0; k], |l| back(&l, b, k))
}

/// An estimate of several values with the standard uncertainty of their scatter.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Estimated {
    pub values: Vec<f64>,
    pub standard: Vec<f64>,
    /// Degrees of freedom of each.
    pub dof: Vec<f64>,
}

/// Correlation of neighbours from which on blocks are taken as hanging together; more is held here, or a few blocks would say nothing.
const MOST_CORRELATION: f64 = 0.6;

/// Leaves each of `n` blocks out in turn. `of(None)` is the estimate from all. None: it cannot be worked out without some block, so the
/// log hangs on that one.
pub(crate) fn jackknife(n: usize, of: impl Fn(Option<usize>) -> Option<Vec<f64>>) -> Option<Estimated> {
    if n < 3 {
        return None;
    }
    let values = of(None)?;
    let without: Vec<Vec<f64>> = (0..n).map(|g| of(Some(g))).collect::<Option<_>>()?;
    let count = n as f64;
    let (mut standard, mut dof) = (vec![], vec![]);
    for j in 0..values.len() {
        let mean = without.iter().map(|w| w[j]).sum::<f64>() / count;
        let off: Vec<f64> = without.iter().map(|w| w[j] - mean).collect();
        let square: f64 = off.iter().map(|o| o * o).sum();
        let next: f64 = off.windows(2).map(|w| w[0] * w[1]).sum();
        // A white series of n has a lag-one correlation of -1/n on average.
        let r = if square > 0.0 { next / square + 1.0 / count } else { 0.0 };
        let inflated = if r > 1.0 / count.sqrt() { r.min(MOST_CORRELATION) } else { 0.0 };
        let factor = (1.0 + inflated) / (1.0 - inflated);
        standard.push(((count - 1.0) / count * square * factor).sqrt());
        dof.push(((count - 1.0) / factor).max(1.0));
    }
    Some(Estimated { values, standard, dof })
}

/// Least squares over blocks with the jackknife of its blocks.
pub(crate) fn by_blocks(blocks: &[Sums], k: usize) -> Option<Estimated> {
    let used: Vec<Sums> = blocks.iter().filter(|b| b.n > 0).cloned().collect();
    let total = Sums::total(&used, k);
    jackknife(used.len(), |without| match without {
        None => total.solve(),
        Some(g) => total.less(&used[g]).solve(),
    })
}

/// Half of the 95 % interval of a value with the scatter `standard` of so many degrees of freedom and further standard uncertainties that
/// are known beforehand: Welch-Satterthwaite (JCGM 100:2008, G.4).
pub(crate) fn half95(standard: f64, dof: f64, known: &[f64]) -> f64 {
    let square = standard * standard + known.iter().map(|u| u * u).sum::<f64>();
    if square <= 0.0 {
        return 0.0;
    }
    let share = standard * standard / square;
    let effective = if share > 0.0 { dof / (share * share) } else { 1e6 };
    care::stats::student_t(care::stats::CONFIDENCE, effective.clamp(1.0, 1e6) as usize) * square.sqrt()
}
