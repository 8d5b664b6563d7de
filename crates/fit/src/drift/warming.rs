//! How fast each heater warms the water: the change of temperature from hour to hour by least squares on what was on. It asks for no weather,
//! for within a day the room moves slowly and what it takes is in the constant.

use alarms::watch::{Layout, Span};

use super::course::Sample;
use super::quantity::{HOUR_MS, Quantity, Series, water_c};
use crate::regress::Sums;

/// A part that moved by less than this (standard deviation of its share of an hour) says nothing that day.
const LEAST_MOVED: f64 = 0.08;
/// A day counts when the standard error is below this share of the slope.
const MOST_ERROR: f64 = 0.2;
/// Hours with a neighbour that a day needs.
const LEAST_HOURS: usize = 16;
/// Most parts that are told apart.
const MOST_PARTS: usize = 6;

/// A series of each heater.
pub(super) fn series<'d>(layout: &Layout, days: impl Iterator<Item = (i64, &'d [Span])>) -> Vec<Series> {
    let heaters: Vec<usize> = (0..layout.drives.len()).filter(|d| layout.drives[*d].is_heater).collect();
    if heaters.is_empty() {
        return vec![];
    }
    let mut samples: Vec<Vec<Sample>> = vec![vec![]; heaters.len()];
    for (end_ms, hours) in days {
        for (d, rate) in rates(layout, hours) {
            if let Some(at) = heaters.iter().position(|h| *h == d) {
                samples[at].push(Sample { at_ms: end_ms, value: rate, by: 1.0 });
            }
        }
    }
    heaters
        .iter()
        .zip(samples)
        .map(|(d, samples)| {
            let part = layout.drives[*d].name.clone();
            let touched_by = vec![part.clone()];
            Series {
                quantity: Quantity::HeaterPower,
                part,
                touched_by,
                samples,
                is_room_known: false,
                unjudged: None,
            }
        })
        .collect()
}

/// K/h at full power, by drive, of one day.
fn rates(layout: &Layout, hours: &[Span]) -> Vec<(usize, f64)> {
    if hours.iter().any(|h| h.changed_ms > 0) {
        return vec![];
    }
    let pairs: Vec<(&Span, &Span, f64)> = hours
        .windows(2)
        .filter(|pair| pair[1].from_ms - pair[0].from_ms == HOUR_MS)
        .filter_map(|pair| {
            Some((&pair[0], &pair[1], water_c(layout, &pair[1])? - water_c(layout, &pair[0])?))
        })
        .collect();
    if pairs.len() < LEAST_HOURS {
        return vec![];
    }
    // From the middle of one hour to the middle of the next: half of what was on in each.
    let on = |d: usize, pair: &(&Span, &Span, f64)| 0.5 * (pair.0.duty(d) + pair.1.duty(d));
    let moved = |d: usize| {
        let n = pairs.len() as f64;
        let mean = pairs.iter().map(|p| on(d, p)).sum::<f64>() / n;
        (pairs.iter().map(|p| (on(d, p) - mean) * (on(d, p) - mean)).sum::<f64>() / n).sqrt()
    };
    let warms = |d: &usize| {
        let drive = &layout.drives[*d];
        drive.is_heater || drive.blows.is_some() || drive.watts >= 20.0
    };
    let mut parts: Vec<usize> =
        (0..layout.drives.len()).filter(warms).filter(|d| moved(*d) >= LEAST_MOVED).collect();
    parts.sort_by_key(|d| !layout.drives[*d].is_heater);
    parts.truncate(MOST_PARTS);
    let rows: Vec<Vec<f64>> = pairs
        .iter()
        .map(|pair| std::iter::once(1.0).chain(parts.iter().map(|d| on(*d, pair))).collect())
        .collect();
    let changes: Vec<f64> = pairs.iter().map(|p| p.2).collect();
    let Some(fitted) = least_squares(&rows, &changes) else { return vec![] };
    (parts.iter().zip(fitted.iter().skip(1)))
        .filter(|(d, (rate, error))| {
            layout.drives[**d].is_heater && *rate > 0.0 && *error < MOST_ERROR * *rate
        })
        .map(|(d, (rate, _))| (*d, *rate))
        .collect()
}

/// Coefficients with their standard errors by the textbook, which is enough to leave a poor day out. None: the columns cannot be told apart, or there
/// are too few rows.
fn least_squares(rows: &[Vec<f64>], y: &[f64]) -> Option<Vec<(f64, f64)>> {
    let (m, n) = (rows.first()?.len(), rows.len());
    let mut sums = Sums::new(m);
    rows.iter().zip(y).for_each(|(row, y)| sums.add(row, *y));
    let fitted = sums.solve().filter(|_| n > m)?;
    let squares: f64 = (rows.iter().zip(y))
        .map(|(row, value)| value - row.iter().zip(&fitted).map(|(x, b)| x * b).sum::<f64>())
        .map(|r| r * r)
        .sum();
    let variance = squares / (n - m) as f64;
    let error = |(j, share): (usize, f64)| {
        let own: f64 = rows.iter().map(|row| row[j] * row[j]).sum::<f64>() * share;
        (variance / own).sqrt()
    };
    let errors = sums.own_shares().into_iter().enumerate().map(error);
    Some(fitted.into_iter().zip(errors).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// y = 3 + 2 x1 - x2 without noise, and with a residual of known size: four points on a plane, one lifted.
    #[test]
    fn least_squares_gives_back_a_plane_and_its_errors() {
        let rows: Vec<Vec<f64>> =
            [[1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [1.0, 0.0, 1.0], [1.0, 1.0, 1.0], [1.0, 2.0, 1.0]]
                .iter()
                .map(|r| r.to_vec())
                .collect();
        let y: Vec<f64> = rows.iter().map(|r| 3.0 + 2.0 * r[1] - r[2]).collect();
        let fitted = least_squares(&rows, &y).expect("can be solved");
        for ((value, error), wanted) in fitted.iter().zip([3.0, 2.0, -1.0]) {
            assert!((value - wanted).abs() < 1e-12 && *error < 1e-9, "{value} {error}");
        }
        // The mean of 0 and 1: standard deviation sqrt(1/2), standard error that over sqrt(2).
        let two = vec![vec![1.0]; 2];
        let fitted = least_squares(&two, &[0.0, 1.0]).expect("can be solved");
        assert!((fitted[0].0 - 0.5).abs() < 1e-12 && (fitted[0].1 - 0.5).abs() < 1e-12, "{fitted:?}");
        let same: Vec<Vec<f64>> = rows.iter().map(|r| vec![1.0, r[1], r[1]]).collect();
        assert!(least_squares(&same, &y).is_none(), "two equal columns");
    }
}
