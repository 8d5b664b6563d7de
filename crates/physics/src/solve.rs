//! One bracketing root finder for the laws that have no closed inverse.

/// Enough for bisection alone to shrink any bracket of practical size to one unit in the last place.
const MAX_EVALUATIONS: usize = 120;

/// Root of `f` between `low` and `high`, where `f` changes sign, to about two units in the last place.
///
/// Chandrupatla's hybrid of bisection and inverse quadratic interpolation (Adv. Eng. Software 28, 145-149, 1997). If
/// `f` does not change sign the end with the smaller residual comes back. A jump across zero is located like a root.
pub(crate) fn root(low: f64, high: f64, f: impl Fn(f64) -> f64) -> f64 {
    let (mut a, mut b) = (low, high);
    let (mut f_a, mut f_b) = (f(a), f(b));
    if f_a == 0.0 {
        return a;
    }
    if f_b == 0.0 {
        return b;
    }
    if (f_a > 0.0) == (f_b > 0.0) {
        return if f_a.abs() <= f_b.abs() { a } else { b };
    }
    let mut t = 0.5;
    for _ in 0..MAX_EVALUATIONS {
        let x = a + t * (b - a);
        let f_x = f(x);
        let (c, f_c);
        if (f_x > 0.0) == (f_a > 0.0) {
            (c, f_c) = (a, f_a);
        } else {
            (c, f_c) = (b, f_b);
            (b, f_b) = (a, f_a);
        }
        (a, f_a) = (x, f_x);
        let (best, f_best) = if f_a.abs() < f_b.abs() { (a, f_a) } else { (b, f_b) };
        let smallest_step = 2.0 * f64::EPSILON * best.abs() / (b - a).abs();
        if smallest_step > 0.5 || f_best == 0.0 || a == b {
            return best;
        }
        let xi = (a - b) / (c - b);
        let phi = (f_a - f_b) / (f_c - f_b);
        t = if phi * phi < xi && (1.0 - phi) * (1.0 - phi) < 1.0 - xi {
            f_a / (f_b - f_a) * (f_c / (f_b - f_c))
                + (c - a) / (b - a) * (f_a / (f_c - f_a)) * (f_b / (f_c - f_b))
        } else {
            0.5
        };
        t = t.clamp(smallest_step, 1.0 - smallest_step);
    }
    if f_a.abs() < f_b.abs() { a } else { b }
}

/// Root of an increasing `f` on `[0, inf)`: doubles from `guess` until `f` is positive, then calls [`root`].
///
/// Zero when `f(0) >= 0`; infinite when `f` never turns positive.
pub(crate) fn increasing_root(guess: f64, f: impl Fn(f64) -> f64) -> f64 {
    if f(0.0) >= 0.0 {
        return 0.0;
    }
    let (mut low, mut high) = (0.0, guess);
    for _ in 0..200 {
        if f(high) >= 0.0 {
            return root(low, high, f);
        }
        low = high;
        high *= 2.0;
    }
    f64::INFINITY
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_smooth_flat_and_jumping_roots() {
        assert!((root(0.0, 2.0, |x| x * x - 2.0) - core::f64::consts::SQRT_2).abs() < 1e-15);
        assert!((root(-1.0, 3.0, |x| (x - 1.0) * (x - 1.0) * (x - 1.0)) - 1.0).abs() < 1e-5);
        assert!((root(0.0, 1.0, |x| if x < 0.3 { -1.0 } else { 1.0 }) - 0.3).abs() < 1e-15);
        assert_eq!(root(1.0, 2.0, |x| x), 1.0);
        assert_eq!(increasing_root(1.0, |_| -1.0), f64::INFINITY);
        assert!((increasing_root(1e-3, |x| x - 1e4) - 1e4).abs() < 1e-11);
    }
}
