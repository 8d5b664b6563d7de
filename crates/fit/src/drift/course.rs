//! One quantity over time: what is learned as its reference, how far it stands from it, and since when it drifts.
//!
//! A pass over all samples, oldest first, with nothing kept from one pass to the next: an act that is written down late counts from the day on
//! which it was done, and what is drawn is what was judged.

use alarms::watch::middle;
use serde::Serialize;

use super::chart::{Chart, Design, Way};

/// One value of a quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// End of the time it speaks for, ms since 1970 UTC.
    pub at_ms: i64,
    /// As it was measured, in the unit of its quantity.
    pub value: f64,
    /// What the twin's law says it goes by; 1 where it goes by nothing.
    pub by: f64,
}

/// How a value follows from what it goes by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Law {
    /// A factor.
    Proportional,
    /// A line that does not fall.
    Line,
}

/// How a quantity is judged.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rule {
    pub law: Law,
    /// Samples before anything is judged.
    pub learn: usize,
    /// Most samples of the reference.
    pub keep: usize,
    /// The newest samples are judged, not learned from.
    pub lag: usize,
    /// The reference goes with the season: its samples are the newest. Else they are the first since the last act.
    pub is_moving: bool,
    /// Standard deviation is never taken to be less, share of the value.
    pub floor: f64,
    /// A difference below this share is not worth a word.
    pub least: f64,
    /// More than expected is no harm, and is not told.
    pub only_less: bool,
    /// What is expected below this share of the usual level is taken as that: shares of next to nothing are no shares.
    pub least_level: f64,
    /// From sample to sample, ms.
    pub step_ms: i64,
    pub design: Design,
}

/// One residual counts no more than this, standard deviations: less than what makes a chart speak, so that a single odd sample never does.
pub(super) const MOST_Z: f64 = 4.0;
/// So many samples together say that it is over.
const OVER: usize = 4;
/// Slowest correlation of neighbours that is reckoned with.
const MOST_RHO: f64 = 0.8;

/// A value with what was expected of it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Point {
    /// ms since 1970 UTC.
    pub at_ms: i64,
    /// In the unit of the quantity.
    pub value: f64,
    /// The same by the twin as it was learned; none while it is learned.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expected: Option<f64>,
}

/// It drifts.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Drift {
    /// When it began, by the chart, ms since 1970 UTC.
    pub since_ms: i64,
    /// When it was noticed, ms since 1970 UTC.
    pub found_ms: i64,
    /// Mean difference since it began, as a share of what is expected: -0.2 is a fifth less.
    pub share: f64,
    /// Mean of the newest samples, in the unit of the quantity.
    pub value: f64,
    /// What the twin expects of them.
    pub expected: f64,
}

/// What was learned.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Learned {
    /// First sample, ms since 1970 UTC.
    pub from_ms: i64,
    /// Last sample, ms since 1970 UTC.
    pub to_ms: i64,
    /// How many.
    pub n: usize,
    /// Standard deviation about the reference, share of the value.
    pub spread: f64,
    /// Correlation of neighbours.
    pub rho: f64,
}

/// How it stands at the end.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Judged {
    /// All samples.
    pub points: Vec<Point>,
    /// The reference of the last sample; none: not yet learned.
    pub learned: Option<Learned>,
    /// How many samples there are since the last act, of how many that are needed.
    pub so_far: (usize, usize),
    /// What drifts now.
    pub drift: Option<Drift>,
    /// What drifted and is over, oldest first.
    pub past: Vec<Drift>,
}

/// What a reference says.
#[derive(Clone, Copy, Debug)]
struct Reference {
    a: f64,
    b: f64,
    /// Least by which a difference is divided.
    least: f64,
    spread: f64,
    rho: f64,
    n: usize,
}

impl Reference {
    fn expected(&self, by: f64) -> f64 {
        self.a + self.b * by
    }

    /// Share by which a value differs.
    fn residual(&self, sample: &Sample) -> f64 {
        let expected = self.expected(sample.by);
        (sample.value - expected) / expected.max(self.least)
    }

    /// None: the samples say nothing.
    fn learn(rule: &Rule, all: &[Sample], used: &[usize]) -> Option<Reference> {
        let of: Vec<&Sample> = used.iter().filter_map(|i| all.get(*i)).collect();
        let (a, b) = match rule.law {
            Law::Proportional => (0.0, middle(of.iter().map(|s| s.value / s.by).collect())?),
            Law::Line => line(&of)?,
        };
        let level = middle(of.iter().map(|s| a + b * s.by).collect())?;
        let least = rule.least_level * level;
        let mut reference = Reference { a, b, least, spread: rule.floor, rho: 0.0, n: of.len() };
        if level <= 0.0 {
            return None;
        }
        let residuals: Vec<f64> = of.iter().map(|s| reference.residual(s)).collect();
        // The median deviation of few samples is too small; the factor is that of a normal deviate (NIST e-Handbook 1.3.5.6, from memory).
        let few = 1.0 + 2.0 / residuals.len() as f64;
        let spread = 1.4826 * few * middle(residuals.iter().map(|r| r.abs()).collect())?;
        reference.spread = spread.max(rule.floor);
        reference.rho = neighbours(rule, &of, &residuals, reference.spread);
        Some(reference)
    }
}

/// Correlation of neighbours, 0 to [`MOST_RHO`], corrected for the bias of short series (Kendall 1954, from memory).
fn neighbours(rule: &Rule, of: &[&Sample], residuals: &[f64], spread: f64) -> f64 {
    let held: Vec<f64> = residuals.iter().map(|r| (r / spread).clamp(-MOST_Z, MOST_Z)).collect();
    let pairs = of.windows(2).zip(held.windows(2)).filter(|(s, _)| is_next(rule, s[0].at_ms, s[1].at_ms));
    let (mut products, mut squares, mut n) = (0.0, 0.0, 0.0);
    for (_, pair) in pairs {
        products += pair[0] * pair[1];
        squares += 0.5 * (pair[0] * pair[0] + pair[1] * pair[1]);
        n += 1.0;
    }
    if n < 4.0 || squares <= 0.0 {
        return 0.0;
    }
    let rho = products / squares;
    (rho + (1.0 + 4.0 * rho) / n).clamp(0.0, MOST_RHO)
}

fn is_next(rule: &Rule, before_ms: i64, at_ms: i64) -> bool {
    at_ms - before_ms <= rule.step_ms * 3 / 2
}

/// A line that does not fall through the middle of the samples.
fn line(of: &[&Sample]) -> Option<(f64, f64)> {
    let n = of.len() as f64;
    let mean_x = of.iter().map(|s| s.by).sum::<f64>() / n;
    let mean_y = of.iter().map(|s| s.value).sum::<f64>() / n;
    let xx: f64 = of.iter().map(|s| (s.by - mean_x) * (s.by - mean_x)).sum();
    let xy: f64 = of.iter().map(|s| (s.by - mean_x) * (s.value - mean_y)).sum();
    let slope = if xx > 1e-9 * n { (xy / xx).max(0.0) } else { 0.0 };
    let off = middle(of.iter().map(|s| s.value - slope * s.by).collect())?;
    Some((off, slope))
}

/// What is carried along the samples.
struct Pass<'s> {
    rule: Rule,
    all: &'s [Sample],
    /// Samples that may be learned from, of this stretch.
    sound: Vec<usize>,
    chart: Chart,
    reference: Option<Reference>,
    /// Residuals of this stretch by sample, as shares.
    residuals: Vec<(usize, f64)>,
    drift: Option<Drift>,
}

impl Pass<'_> {
    /// Samples of the reference as it is now.
    fn used(&self) -> &[usize] {
        let settled = self.sound.len().saturating_sub(self.rule.lag);
        let n = settled.min(self.rule.keep);
        let from = if self.rule.is_moving { settled - n } else { 0 };
        self.sound.get(from..from + n).unwrap_or_default()
    }

    fn take(&mut self, i: usize) -> Option<f64> {
        let sample = self.all[i];
        if self.drift.is_none() {
            let used = self.used();
            if used.len() >= self.rule.learn {
                self.reference = Reference::learn(&self.rule, self.all, used);
            }
        }
        let Some(reference) = self.reference else {
            self.sound.push(i);
            return None;
        };
        let residual = reference.residual(&sample);
        let before = self.residuals.last().copied();
        self.residuals.push((i, residual));
        // A neighbour that is near carries some of its residual over; what is new is what counts.
        let is_near = |b: &(usize, f64)| is_next(&self.rule, self.all[b.0].at_ms, sample.at_ms);
        let (carried, rho) =
            before.filter(is_near).map_or((0.0, 0.0), |b| (reference.rho * b.1, reference.rho));
        let own = reference.spread * (1.0 - rho * rho).sqrt() * (1.0 + 1.0 / reference.n as f64).sqrt();
        let z = ((residual - carried) / own).clamp(-MOST_Z, MOST_Z);
        let spoken = self.chart.add(z);
        match self.drift {
            None => {
                self.begin(spoken, &reference);
                if self.drift.is_none() {
                    self.sound.push(i);
                }
            }
            Some(_) => self.go_on(&reference),
        }
        Some(reference.expected(sample.by))
    }

    fn begin(&mut self, spoken: Option<(Way, usize)>, reference: &Reference) {
        let Some((way, ago)) = spoken else { return };
        let of = self.residuals.len().saturating_sub(ago);
        let since = &self.residuals[of..];
        let share = since.iter().map(|r| r.1).sum::<f64>() / since.len().max(1) as f64;
        let is_worth = match way {
            Way::Above => share >= self.rule.least && !self.rule.only_less,
            Way::Below => share <= -self.rule.least,
        };
        let (Some(first), Some(last)) = (since.first(), since.last()) else { return };
        if !is_worth {
            return;
        }
        let (first, last) = (first.0, last.0);
        self.sound.retain(|i| *i < first);
        let begun_ms = self.all[first].at_ms - self.rule.step_ms;
        self.drift = Some(self.of_newest(begun_ms, self.all[last].at_ms, share, reference));
    }

    fn go_on(&mut self, reference: &Reference) {
        let Some(drift) = self.drift else { return };
        let since: Vec<f64> =
            (self.residuals.iter()).filter(|r| self.all[r.0].at_ms > drift.since_ms).map(|r| r.1).collect();
        let share = since.iter().sum::<f64>() / since.len().max(1) as f64;
        self.drift = Some(self.of_newest(drift.since_ms, drift.found_ms, share, reference));
    }

    fn of_newest(&self, since_ms: i64, found_ms: i64, share: f64, reference: &Reference) -> Drift {
        let since = self.residuals.iter().rev().filter(|r| self.all[r.0].at_ms > since_ms).take(OVER);
        let newest: Vec<&Sample> = since.map(|r| &self.all[r.0]).collect();
        let mean = |f: &dyn Fn(&Sample) -> f64| {
            newest.iter().map(|s| f(s)).sum::<f64>() / newest.len().max(1) as f64
        };
        Drift {
            since_ms,
            found_ms,
            share,
            value: mean(&|s| s.value),
            expected: mean(&|s| reference.expected(s.by)),
        }
    }

    /// Whether what drifted is over: the newest samples stand within half of what is worth a word.
    fn is_over(&self) -> bool {
        let newest: Vec<f64> = self.residuals.iter().rev().take(OVER).map(|r| r.1).collect();
        let mean = newest.iter().sum::<f64>() / newest.len().max(1) as f64;
        newest.len() == OVER && mean.abs() < 0.5 * self.rule.least
    }
}

/// The values alone.
pub(super) fn unjudged(all: &[Sample]) -> Judged {
    let point = |s: &Sample| Point { at_ms: s.at_ms, value: s.value, expected: None };
    Judged { points: all.iter().map(point).collect(), ..Judged::default() }
}

/// Judges samples, oldest first. `acts` are the times from which on the reference is learned anew, ms since 1970 UTC, in order.
pub(super) fn judge(rule: &Rule, all: &[Sample], acts: &[i64]) -> Judged {
    let fresh = || Pass {
        rule: *rule,
        all,
        sound: vec![],
        chart: Chart::new(rule.design),
        reference: None,
        residuals: vec![],
        drift: None,
    };
    let mut judged = Judged::default();
    let mut pass = fresh();
    let mut acts = acts.iter().peekable();
    for (i, sample) in all.iter().enumerate() {
        // A sample during which something was done belongs to neither side.
        let begins_ms = sample.at_ms - rule.step_ms;
        let mut is_mixed = false;
        while let Some(act) = acts.next_if(|act| **act < sample.at_ms) {
            is_mixed |= *act > begins_ms;
            judged.past.extend(pass.drift.take());
            pass = fresh();
        }
        let expected = if is_mixed { None } else { pass.take(i) };
        judged.points.push(Point { at_ms: sample.at_ms, value: sample.value, expected });
        if pass.drift.is_some() && pass.is_over() {
            judged.past.extend(pass.drift.take());
            pass.chart = Chart::new(rule.design);
        }
    }
    if acts.next().is_some() {
        judged.past.extend(pass.drift.take());
        pass = fresh();
    }
    if pass.reference.is_none() && pass.used().len() >= rule.learn {
        pass.reference = Reference::learn(rule, all, pass.used());
    }
    judged.learned = pass.reference.and_then(|r| {
        let used = pass.used();
        let at = |i: Option<&usize>| i.and_then(|i| all.get(*i)).map(|s| s.at_ms);
        Some(Learned {
            from_ms: at(used.first())? - rule.step_ms,
            to_ms: at(used.last())?,
            n: r.n,
            spread: r.spread,
            rho: r.rho,
        })
    });
    judged.so_far = (pass.sound.len(), rule.learn + rule.lag);
    judged.drift = pass.drift;
    judged
}

#[cfg(test)]
mod tests {
    use super::super::dice::Dice;
    use super::*;

    const STEP: i64 = 6 * 3_600_000;

    fn rule() -> Rule {
        Rule {
            law: Law::Proportional,
            learn: 8,
            keep: 40,
            lag: 4,
            is_moving: false,
            floor: 0.02,
            least: 0.08,
            only_less: false,
            least_level: 0.3,
            step_ms: STEP,
            design: Design { k: 1.0, h: 5.0 },
        }
    }

    fn samples(n: usize, seed: u64, share: impl Fn(usize) -> f64) -> Vec<Sample> {
        let mut dice = Dice::new(seed);
        (0..n)
            .map(|i| Sample {
                at_ms: (i as i64 + 1) * STEP,
                value: 2400.0 * share(i) * (1.0 + 0.02 * dice.normal()),
                by: 1.0,
            })
            .collect()
    }

    #[test]
    fn a_fall_is_found_in_a_day_and_put_where_it_was() {
        for seed in 0..50 {
            let judged = judge(&rule(), &samples(80, seed, |i| if i < 60 { 1.0 } else { 0.8 }), &[]);
            let drift = judged.drift.expect("a fifth is much");
            assert!((drift.found_ms - 60 * STEP) <= 3 * STEP, "{drift:?}");
            assert!((drift.since_ms - 60 * STEP).abs() <= 2 * STEP, "{drift:?}");
            assert!((drift.share + 0.2).abs() < 0.02, "{drift:?}");
            assert!((drift.value / drift.expected - 0.8).abs() < 0.03, "{drift:?}");
        }
    }

    #[test]
    fn what_was_done_is_learned_anew_and_what_is_over_is_past() {
        // It fell, was cleaned, and gives more than before.
        let all = samples(140, 3, |i| match i {
            0..60 => 1.0,
            60..80 => 0.8,
            _ => 1.1,
        });
        let cleaned = judge(&rule(), &all, &[80 * STEP]);
        assert_eq!((cleaned.drift, cleaned.past.len()), (None, 1));
        let silent = judge(&rule(), &all, &[]);
        assert!(
            silent.drift.is_some_and(|d| d.share > 0.08),
            "nobody said why it gives more: {:?}",
            silent.drift
        );
        let back = judge(&rule(), &samples(140, 3, |i| if (60..80).contains(&i) { 0.8 } else { 1.0 }), &[]);
        assert_eq!((back.drift, back.past.len()), (None, 1), "it came back by itself");
        // The sample in which it was done belongs to neither side.
        let mid = judge(&rule(), &all, &[80 * STEP + STEP / 2]);
        assert!(mid.points[80].expected.is_none() && mid.drift.is_none());
    }

    #[test]
    fn odd_samples_gaps_and_steps_do_not_speak() {
        let mut all = samples(200, 5, |i| if i % 37 == 36 { 0.3 } else { 1.0 });
        all.retain(|s| !(100..120).contains(&(s.at_ms / STEP)));
        let judged = judge(&rule(), &all, &[]);
        assert_eq!((judged.drift, judged.past.len()), (None, 0));
        // A meter that knows only steps of 5 %.
        let mut coarse = samples(200, 6, |_| 1.0);
        coarse.iter_mut().for_each(|s| s.value = (s.value / 120.0).round() * 120.0);
        let judged = judge(&rule(), &coarse, &[]);
        assert_eq!((judged.drift, judged.past.len()), (None, 0));
    }

    #[test]
    fn a_hundred_and_fifty_years_of_noise_speak_seldom() {
        // Independent and correlated noise, two and a half years of samples each: fewer than one false word in five years.
        let (mut n, mut years) = (0, 0.0);
        for seed in 0..60 {
            let rho = if seed % 2 == 0 { 0.0 } else { 0.7 };
            let (mut carried, mut dice) = (0.0, Dice::new(seed));
            let all: Vec<Sample> = (0..3650)
                .map(|i| {
                    carried = rho * carried + (1.0f64 - rho * rho).sqrt() * dice.normal();
                    Sample { at_ms: (i + 1) * STEP, value: 100.0 * (1.0 + 0.03 * carried), by: 1.0 }
                })
                .collect();
            n += judge(&rule(), &all, &[]).past.len();
            years += 2.5;
        }
        assert!(f64::from(n as u32) < 0.2 * years, "{n} in {years} years");
    }

    #[test]
    fn nothing_to_learn_from_says_nothing() {
        let empty = judge(&rule(), &[], &[5]);
        assert_eq!((empty.learned, empty.drift, empty.points.len()), (None, None, 0));
        let still = vec![Sample { at_ms: STEP, value: 0.0, by: 1.0 }; 50];
        assert_eq!(judge(&rule(), &still, &[]).learned, None, "a pump that never gave anything");
        let odd = vec![Sample { at_ms: STEP, value: f64::NAN, by: 0.0 }; 50];
        assert_eq!(judge(&rule(), &odd, &[]).drift, None);
    }
}
