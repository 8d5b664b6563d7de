//! Least squares by blocks of time, and how far its result can be believed where residuals hang together.
//!
//! Neighbouring hours of a tank see the same weather and the same people, so their residuals are not independent and the textbook's
//! interval would be far too narrow. Instead each block (a day) is left out in turn and everything is worked out again: the delete-a-group
//! jackknife (Efron & Tibshirani, An Introduction to the Bootstrap, 1993, ch. 11; of regressions equal to the CR3 form of a
//! cluster-robust variance but for a factor: Cameron & Miller, J. Human Resources 50, 2015, sec. VI; both from memory). Where blocks
//! themselves follow each other, the variance grows by (1 + r)/(1 - r), that of the mean of a first-order autoregression. Held to
//! statsmodels by tests/reference/fit.

/// Sums of one block: `Z'X`, `Z'y`, number of rows. With instruments `Z` equal to the columns `X` it is least squares; with others each
/// column is told by what moves its instrument alone.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Sums {
    k: usize,
    zx: Vec<f64>,
    zy: Vec<f64>,
    pub n: usize,
}

impl Sums {
    pub fn new(k: usize) -> Self {
        Sums { k, zx: vec![0.0; k * k], zy: vec![0.0; k], n: 0 }
    }

    /// Adds a row of least squares. One that is not finite is left out.
    pub fn add(&mut self, x: &[f64], y: f64) {
        self.add_by(x, x, y);
    }

    /// Adds a row with instruments `z`.
    pub fn add_by(&mut self, z: &[f64], x: &[f64], y: f64) {
        if !y.is_finite() || x.iter().chain(z).any(|x| !x.is_finite()) {
            return;
        }
        let products = z.iter().flat_map(|z| x.iter().map(move |x| z * x));
        self.zx.iter_mut().zip(products).for_each(|(sum, product)| *sum += product);
        self.zy.iter_mut().zip(z).for_each(|(sum, z)| *sum += z * y);
        self.n += 1;
    }

    fn combine(&mut self, other: &Sums, sign: f64) {
        for (a, b) in self.zx.iter_mut().zip(&other.zx) {
            *a += sign * b;
        }
        for (a, b) in self.zy.iter_mut().zip(&other.zy) {
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

    fn at(&self, i: usize, j: usize) -> f64 {
        self.zx[i * self.k + j]
    }

    /// Of least squares: share of each column that the others do not explain, 0 to 1 (the tolerance of regression diagnostics, one over the
    /// variance inflation factor), all columns taken about nought.
    pub fn own_shares(&self) -> Vec<f64> {
        let of = |j: usize| {
            let keep: Vec<usize> = (0..self.k).filter(|i| *i != j && self.at(*i, *i) > 0.0).collect();
            if self.at(j, j) <= 0.0 {
                return 0.0;
            }
            let scaled = |a: usize, b: usize| self.at(a, b) / (self.at(a, a) * self.at(b, b)).sqrt();
            let others: Vec<f64> = keep.iter().flat_map(|a| keep.iter().map(|b| scaled(*a, *b))).collect();
            let own: Vec<f64> = keep.iter().map(|a| scaled(*a, j)).collect();
            // Others that cannot be told apart among themselves are their own matter.
            let explained: f64 = match gauss(others, own.clone()) {
                Some(solution) => solution.iter().zip(&own).map(|(s, b)| s * b).sum(),
                None => own.iter().map(|b| b * b).fold(0.0, f64::max),
            };
            (1.0 - explained).clamp(0.0, 1.0)
        };
        (0..self.k).map(of).collect()
    }

    /// Coefficients. None: there are fewer rows than columns, or columns that cannot be told apart.
    pub fn solve(&self) -> Option<Vec<f64>> {
        if self.n < self.k {
            return None;
        }
        let size = |of: &dyn Fn(usize) -> f64| (0..self.k).map(|i| of(i).abs()).fold(0.0, f64::max);
        let rows: Vec<f64> = (0..self.k).map(|i| size(&|j| self.at(i, j))).collect();
        let columns: Vec<f64> = (0..self.k).map(|j| size(&|i| self.at(i, j) / rows[i])).collect();
        let a = (0..self.k * self.k).map(|at| self.zx[at] / rows[at / self.k] / columns[at % self.k]);
        let b = self.zy.iter().zip(&rows).map(|(y, r)| y / r);
        let solution = gauss(a.collect(), b.collect())?;
        let all: Vec<f64> = solution.iter().zip(&columns).map(|(x, c)| x / c).collect();
        all.iter().all(|x| x.is_finite()).then_some(all)
    }
}

/// Smallest pivot of a system whose entries are at most one.
const LEAST_PIVOT: f64 = 1e-10;

/// Gauss' elimination with partial pivoting. None: singular, or not finite.
fn gauss(mut a: Vec<f64>, mut b: Vec<f64>) -> Option<Vec<f64>> {
    let k = b.len();
    for i in 0..k {
        let pivot = (i..k).max_by(|p, q| a[p * k + i].abs().total_cmp(&a[q * k + i].abs()))?;
        let size = a[pivot * k + i].abs();
        if !size.is_finite() || size < LEAST_PIVOT {
            return None;
        }
        if pivot != i {
            (0..k).for_each(|j| a.swap(i * k + j, pivot * k + j));
            b.swap(i, pivot);
        }
        for row in i + 1..k {
            let factor = a[row * k + i] / a[i * k + i];
            (i..k).for_each(|j| a[row * k + j] -= factor * a[i * k + j]);
            b[row] -= factor * b[i];
        }
    }
    for i in (0..k).rev() {
        let known: f64 = (i + 1..k).map(|j| a[i * k + j] * b[j]).sum();
        b[i] = (b[i] - known) / a[i * k + i];
    }
    Some(b)
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

/// Least squares over blocks with the jackknife of its blocks; `made` makes what is sought of the coefficients.
pub(crate) fn by_blocks(blocks: &[Sums], k: usize, made: impl Fn(Vec<f64>) -> Vec<f64>) -> Option<Estimated> {
    let used: Vec<Sums> = blocks.iter().filter(|b| b.n > 0).cloned().collect();
    let total = Sums::total(&used, k);
    jackknife(used.len(), |without| match without {
        None => total.solve().map(&made),
        Some(g) => total.less(&used[g]).solve().map(&made),
    })
}

/// Half of the 95 % interval of a value with the scatter `standard` of so many degrees of freedom and further standard uncertainties that
/// are known beforehand, each normal or (true) even within bounds.
///
/// Degrees of freedom by Welch-Satterthwaite (JCGM 100:2008, G.4). The largest that is even stays what it is, for where it is most of the
/// whole a normal one would claim more than its bounds (G.2.2); all others together are taken as normal, which sums of several are.
pub(crate) fn half95(standard: f64, dof: f64, known: &[(f64, bool)]) -> f64 {
    let square = standard * standard + known.iter().map(|u| u.0 * u.0).sum::<f64>();
    if !square.is_finite() {
        return f64::INFINITY;
    }
    if square <= 0.0 {
        return 0.0;
    }
    let share = standard * standard / square;
    let effective = if share > 0.0 { dof / (share * share) } else { 1e6 };
    let quantile = care::stats::student_t(care::stats::CONFIDENCE, effective.clamp(1.0, 1e6) as usize);
    let even = known.iter().filter(|u| u.1).map(|u| u.0).fold(0.0, f64::max);
    let normal = (square - even * even).max(0.0).sqrt() * quantile / care::stats::NORMAL_95;
    joined95(normal, even * 3.0_f64.sqrt())
}

/// Half width that holds 95 % of a normal value of standard deviation `sd` plus one that is even within `bound`.
fn joined95(sd: f64, bound: f64) -> f64 {
    const PIECES: usize = 256;
    if bound <= 1e-3 * sd {
        return care::stats::NORMAL_95 * sd;
    }
    if sd <= 1e-3 * bound {
        return care::stats::CONFIDENCE * bound;
    }
    let below = |x: f64| 0.5 * libm::erfc(-x / sd / core::f64::consts::SQRT_2);
    let inside = |half: f64| -> f64 {
        let at = |k: usize| bound * ((k as f64 + 0.5) / PIECES as f64 * 2.0 - 1.0);
        (0..PIECES).map(|k| below(half - at(k)) - below(-half - at(k))).sum::<f64>() / PIECES as f64
    };
    let (mut low, mut high) = (0.0, bound + 5.0 * sd);
    for _ in 0..50 {
        let middle = f64::midpoint(low, high);
        if inside(middle) < care::stats::CONFIDENCE { low = middle } else { high = middle }
    }
    high
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tolerance_alone_reaches_to_its_bounds_and_a_normal_one_beyond() {
        // JCGM 100:2008, G.2.2 note 1: 0.95 of the half width of a rectangular distribution.
        assert!((half95(0.0, 1.0, &[(1.0 / 3.0_f64.sqrt(), true)]) - 0.95).abs() < 1e-6);
        assert!((half95(0.0, 1.0, &[(1.0, false)]) - 1.959_964).abs() < 1e-3);
        // Student's t of 4 degrees of freedom (tables): 2.776.
        assert!((half95(1.0, 4.0, &[]) - 2.776).abs() < 1e-3);
        // A normal and an even one of the same size are nearly normal together: 1.96 sqrt 2 = 2.77, a little less for the bounds.
        let both = half95(0.0, 1.0, &[(1.0, false), (1.0, true)]);
        assert!((both - 2.72).abs() < 0.06, "{both}");
    }

    #[test]
    fn instruments_do_not_take_what_moves_with_the_error() {
        // y = 2 x + 3 w - e, where x moves with e from day to day and without it within the day.
        let mut least = Sums::new(2);
        let mut by = Sums::new(2);
        for day in 0..20 {
            let e = f64::from(day % 5) - 2.0;
            for hour in 0..24 {
                let step = if hour % 2 == 0 { 1.0 } else { -1.0 };
                let (x, w) = (10.0 + e + step, 4.0);
                let y = 2.0 * x + 3.0 * w - e;
                least.add(&[x, w], y);
                by.add_by(&[step, w], &[x, w], y);
            }
        }
        let (least, by) = (least.solve().expect("solves"), by.solve().expect("solves"));
        assert!((least[0] - 2.0).abs() > 0.3, "{least:?}");
        assert!((by[0] - 2.0).abs() < 1e-9 && (by[1] - 3.0).abs() < 1e-9, "{by:?}");
    }

    /// tests/reference/fit: statsmodels' OLS and IV2SLS, and the jackknife as a loop over them.
    #[test]
    fn coefficients_and_jackknife_are_those_of_statsmodels() {
        let blocks = |by: bool| {
            let mut days: Vec<Sums> = vec![];
            for row in checks::Table::load("fit/blocks").rows() {
                let day = row.f64("day") as usize;
                days.resize_with(days.len().max(day + 1), || Sums::new(2));
                let x = [row.f64("x1"), row.f64("x2")];
                let z = if by { [row.f64("z1"), x[1]] } else { x };
                days[day].add_by(&z, &x, row.f64("y"));
            }
            days
        };
        for row in checks::Table::load("fit/fits").rows() {
            let got = by_blocks(&blocks(row.f64("kind") > 0.5), 2, |b| b).expect("solves");
            let j = row.f64("column") as usize;
            checks::assert_rel(got.values[j], row.f64("value"), 1e-9, &row.place());
            // What neighbours have in common widens it: by our own rule, on their correlation.
            let r = row.f64("neighbours") + 1.0 / 12.0;
            let held = if r > 12.0_f64.sqrt().recip() { r.min(MOST_CORRELATION) } else { 0.0 };
            let wide = ((1.0 + held) / (1.0 - held)).sqrt();
            checks::assert_rel(got.standard[j], row.f64("jackknife") * wide, 1e-9, &row.place());
        }
    }

    /// tests/reference/fit/joined.csv, by scipy's quadrature.
    #[test]
    fn a_normal_and_an_even_deviation_together() {
        for row in checks::Table::load("fit/joined").rows() {
            checks::assert_rel(
                joined95(row.f64("sd"), row.f64("bound")),
                row.f64("half95"),
                2e-4,
                &row.place(),
            );
        }
    }

    #[test]
    fn what_cannot_be_told_apart_is_not_solved() {
        let mut sums = Sums::new(2);
        for k in 0..10 {
            let x = f64::from(k);
            sums.add(&[x, 2.0 * x], 5.0 * x);
        }
        assert_eq!(sums.solve(), None);
        assert!(sums.own_shares().iter().all(|s| *s < 1e-9));
        assert_eq!(Sums::new(1).solve(), None);
        assert!(jackknife(2, |_| Some(vec![1.0])).is_none());
    }
}
