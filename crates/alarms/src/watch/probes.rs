//! Probes against each other, against what is expected of them, and against themselves.

use super::expected::{Expected, middle};
use super::finding::{Check, Finding, Outcome, Sure, Verdict};
use super::history::{DAY_MS, HOUR_MS, Span};
use super::layout::Kind;
use super::{Watch, water};
use crate::words::{decimal, plain, sentence, span};

/// Days of a difference that are learned as its usual one, after a calibration.
const LEARNED_DAYS: usize = 5;
/// Days from which the usual move of a day is taken.
const FULL_DAYS: usize = 14;
/// pH that moves by less than this in a usual day tells nothing by standing still.
const LEAST_MOVE: f64 = 0.08;

impl Watch {
    /// All verdicts about probes.
    pub(super) fn probes(&self, expected: &dyn Expected) -> Vec<Verdict> {
        let mut all = vec![];
        for s in 0..self.layout.signals.len() {
            let kind = self.layout.signals[s].kind;
            if matches!(kind, Kind::Temperature | Kind::Ph | Kind::Conductivity | Kind::Level | Kind::Room) {
                all.push(self.verdict(Check::ProbeFrozen, s, self.frozen(s)));
            }
            if matches!(kind, Kind::Temperature | Kind::Ph) {
                all.push(self.verdict(Check::ProbeDrifts, s, self.drifts(s, expected)));
            }
            if kind == Kind::Ph {
                all.push(self.verdict(Check::PhLow, s, self.ph_low(s)));
            }
            for other in (s + 1)..self.layout.signals.len() {
                if self.same_water(s, other) {
                    let part = format!("{}+{}", self.name(s), self.name(other));
                    let outcome = self.apart(s, other);
                    all.push(Verdict::new(Check::ProbesApart, part, outcome));
                }
            }
        }
        all.extend(water::chamber(&self.layout, &self.settings, &self.history));
        all
    }

    fn name(&self, s: usize) -> &str {
        &self.layout.signals[s].name
    }

    fn verdict(&self, check: Check, s: usize, outcome: Outcome) -> Verdict {
        Verdict::new(check, self.name(s), outcome)
    }

    /// Two probes of the same kind in the same vessel.
    fn same_water(&self, a: usize, b: usize) -> bool {
        let (a, b) = (&self.layout.signals[a], &self.layout.signals[b]);
        a.kind == b.kind
            && matches!(a.kind, Kind::Temperature | Kind::Ph)
            && a.vessel.is_some()
            && a.vessel == b.vessel
    }

    fn peers(&self, s: usize) -> impl Iterator<Item = usize> + '_ {
        (0..self.layout.signals.len()).filter(move |o| *o != s && self.same_water(s, *o))
    }

    /// Other probes of the same kind in other water of the same tank.
    fn cousins(&self, s: usize) -> impl Iterator<Item = usize> + '_ {
        let kind = self.layout.signals[s].kind;
        (0..self.layout.signals.len())
            .filter(move |o| *o != s && self.layout.signals[*o].kind == kind && !self.same_water(s, *o))
    }

    fn frozen(&self, s: usize) -> Outcome {
        let (still, last_ms) = (&self.stills[s], self.history.last_ms().unwrap_or(0));
        let signal = &self.layout.signals[s];
        if !still.is_known {
            return Outcome::Unknown("no sound reading yet".to_owned());
        }
        if self.history.current.mean(s).is_none()
            && self.history.hours.back().and_then(|h| h.mean(s)).is_none()
        {
            return Outcome::Unknown("its readings are bad".to_owned());
        }
        let still_ms = last_ms - still.since_ms;
        let hours = still_ms as f64 / HOUR_MS as f64;
        if hours < self.settings.frozen_h {
            return self
                .hardly_moves(s)
                .unwrap_or_else(|| Outcome::Fine(format!("last change {} ago", span(still_ms))));
        }
        let value = decimal(f64::from(still.raw) * signal.per_count, 2, &signal.unit);
        let wrong = format!("{} has said {value} for {}.", sentence(&plain(&signal.name)), span(still_ms));
        let act = format!(
            "Warm the tip of {} in your hand: it must follow. Replace it if it does not.",
            plain(&signal.name)
        );
        let moved = |o: usize| {
            let (low, high) = self.range(o, still.since_ms, last_ms)?;
            Some((high - low, o))
        };
        let others: Vec<(f64, usize)> = self.peers(s).chain(self.cousins(s)).filter_map(moved).collect();
        let most = others.iter().copied().max_by(|a, b| a.0.total_cmp(&b.0));
        let is_temperature = signal.kind == Kind::Temperature;
        match most.filter(|_| is_temperature) {
            Some((by, o)) if by >= self.settings.frozen_moved_k => Outcome::Wrong(Finding {
                wrong,
                sure: Sure::Likely,
                because: format!(
                    "{} has moved by {} in that time",
                    plain(self.name(o)),
                    decimal(by, 2, &signal.unit)
                ),
                act,
                caution: None,
            }),
            _ if hours >= self.settings.frozen_alone_h && !(is_temperature && most.is_some()) => {
                Outcome::Wrong(Finding {
                    wrong,
                    sure: Sure::Possible,
                    because: "its noise alone should move it; no other probe tells more".to_owned(),
                    act: format!(
                        "Take {} out of the water for a minute: it must change.",
                        plain(&signal.name)
                    ),
                    caution: None,
                })
            }
            _ => Outcome::Fine(format!("still for {}, as the others are", span(still_ms))),
        }
    }

    /// A probe whose code stands still may go on changing a little: pH is compensated by a temperature that moves. Its day is then held
    /// against its usual days.
    fn hardly_moves(&self, s: usize) -> Option<Outcome> {
        let signal = &self.layout.signals[s];
        if signal.kind != Kind::Ph {
            return None;
        }
        let range = self.history.window(12)?.signals.get(s)?.range()?;
        let days = self.history.days.iter().rev().skip(1).take(FULL_DAYS);
        let usual = middle(days.filter_map(|d| d.signals.get(s)?.range()).collect())?;
        let is_known = self.history.days.len() > LEARNED_DAYS && usual > LEAST_MOVE;
        (is_known && range < self.settings.frozen_share * usual).then(|| {
            Outcome::Wrong(Finding {
                wrong: format!(
                    "{} has moved by only {} in 12 h; {} a day is usual.",
                    sentence(&plain(&signal.name)),
                    decimal(range, 3, &signal.unit),
                    decimal(usual, 2, &signal.unit)
                ),
                sure: Sure::Likely,
                because: "light and dark move it every day".to_owned(),
                act: format!("Take {} out of the water for a minute: it must change.", plain(&signal.name)),
                caution: None,
            })
        })
    }

    fn apart(&self, a: usize, b: usize) -> Outcome {
        let Some(hour) = self.history.hours.back() else {
            return Outcome::Unknown("no whole hour yet".to_owned());
        };
        let (Some(first), Some(second)) = (hour.mean(a), hour.mean(b)) else {
            return Outcome::Unknown("one of them is bad".to_owned());
        };
        let signal = &self.layout.signals[a];
        let (limit, unit) = match signal.kind {
            Kind::Temperature => (self.settings.apart_k, "K"),
            _ => (self.settings.apart_ph, ""),
        };
        let by = first - second;
        if by.abs() <= limit {
            return Outcome::Fine(format!("{} apart", decimal(by.abs(), 2, unit)));
        }
        let (names, shown) = ((plain(self.name(a)), plain(self.name(b))), |v| decimal(v, 2, &signal.unit));
        let third = self.believable(a, b);
        let (sure, because) = match third {
            Some((good, by)) => {
                (Sure::Likely, format!("{} moves as {by} does; believe it", plain(self.name(good))))
            }
            None => (Sure::Certain, "which of the two is right is not known".to_owned()),
        };
        Outcome::Wrong(Finding {
            wrong: format!(
                "{} says {}, {} says {}, in the same water.",
                sentence(&names.0),
                shown(first),
                names.1,
                shown(second)
            ),
            sure,
            because,
            act: "Compare both with a thermometer or kit that you trust, beside them in the water."
                .to_owned(),
            caution: None,
        })
    }

    /// Of two probes the one whose change over a day is that of a third, and the third's name. None: nobody can tell.
    fn believable(&self, a: usize, b: usize) -> Option<(usize, String)> {
        let last = self.history.hours.back()?;
        let before = self.history.hour_at(last.from_ms - DAY_MS)?;
        let change = |s: usize| Some(last.mean(s)? - before.mean(s)?);
        let third = self.peers(a).filter(|o| *o != b).chain(self.cousins(a)).next()?;
        let (first, second, right) = (change(a)?, change(b)?, change(third)?);
        let (off_a, off_b) = ((first - right).abs(), (second - right).abs());
        let (good, worse, better) = if off_a < off_b { (a, off_b, off_a) } else { (b, off_a, off_b) };
        (worse > 2.0 * better + 0.2).then(|| (good, plain(self.name(third))))
    }

    fn drifts(&self, s: usize, expected: &dyn Expected) -> Outcome {
        let signal = &self.layout.signals[s];
        let Some(day) = self.history.window(24) else {
            return Outcome::Unknown("less than a day of records".to_owned());
        };
        let is_temperature = signal.kind == Kind::Temperature;
        let unit = if is_temperature { "K" } else { "" };
        let limit = if is_temperature { self.settings.drift_k } else { self.settings.drift_ph };
        // What somebody else says that it should be, then a probe beside it, then one elsewhere in the tank.
        let given = |span: &Span| Some(span.mean(s)? - expected.mean(s, span)?.usual);
        let (difference, against, limit) = if given(&day).is_some() {
            (self.moved(s, s, &day, &given), "what is expected of it".to_owned(), limit)
        } else if let Some(peer) = self.peers(s).next() {
            let by = |span: &Span| Some(span.mean(s)? - span.mean(peer)?);
            (self.moved(s, peer, &day, &by), plain(self.name(peer)), limit)
        } else if let Some(cousin) = self.cousins(s).next() {
            if !self.water_moves(&day) {
                return Outcome::Unknown("the water does not go round as usual".to_owned());
            }
            let by = |span: &Span| Some(span.mean(s)? - span.mean(cousin)?);
            (self.moved(s, cousin, &day, &by), plain(self.name(cousin)), 2.0 * limit)
        } else {
            return self.drifts_alone(s);
        };
        let Some(difference) = difference else {
            return Outcome::Unknown("not yet learned".to_owned());
        };
        if difference.abs() <= limit {
            return Outcome::Fine(format!("{difference:+.2} {unit} since it was learned").replace("  ", " "));
        }
        // A third probe tells which of the two moved.
        let third = self.cousins(s).next().filter(|_| self.water_moves(&day));
        let told = self.peers(s).next().zip(third).and_then(|(peer, third)| {
            let mine = self.moved(s, third, &day, &|span: &Span| Some(span.mean(s)? - span.mean(third)?))?;
            let others =
                self.moved(peer, third, &day, &|span: &Span| Some(span.mean(peer)? - span.mean(third)?))?;
            Some((mine.abs() < others.abs(), plain(self.name(third))))
        });
        let because = match told {
            Some((true, third)) => {
                return Outcome::Fine(format!("{against} moved, this one stays with {third}"));
            }
            Some((false, third)) => format!("{third} stays with {against}"),
            None => format!("the one or the other moved: {} or {against}", plain(&signal.name)),
        };
        Outcome::Wrong(Finding {
            wrong: format!(
                "{} has moved by {} against {against}.",
                sentence(&plain(&signal.name)),
                decimal(difference, 2, unit)
            ),
            sure: Sure::Likely,
            because,
            act: format!(
                "Check {} against a thermometer or kit that you trust; calibrate it.",
                plain(&signal.name)
            ),
            caution: None,
        })
    }

    /// Every flow is about what it was in the days before, so that waters of one tank can be compared.
    fn water_moves(&self, day: &Span) -> bool {
        self.layout.of_kind(Kind::Flow).all(|s| {
            let before = self.history.days.iter().rev().skip(1).take(FULL_DAYS).filter_map(|d| d.mean(s));
            let (now, usual) = (day.mean(s).unwrap_or(0.0), middle(before.collect()).unwrap_or(0.0));
            now >= 0.8 * usual
        })
    }

    /// How far a difference has moved from what was learned in the first days since both were calibrated.
    fn moved(&self, s: usize, o: usize, day: &Span, by: &dyn Fn(&Span) -> Option<f64>) -> Option<f64> {
        let fresh_ms = self.stills[s].fresh_ms.max(self.stills[o].fresh_ms);
        let first: Vec<f64> = (self.history.days.iter())
            .filter(|d| d.from_ms >= fresh_ms)
            .filter_map(by)
            .take(LEARNED_DAYS)
            .collect();
        if first.len() < LEARNED_DAYS {
            return None;
        }
        Some(by(day)? - middle(first)?)
    }

    /// A probe with nothing to compare with: a week against the week three weeks before.
    fn drifts_alone(&self, s: usize) -> Outcome {
        let signal = &self.layout.signals[s];
        let days: Vec<&Span> =
            self.history.days.iter().filter(|d| d.from_ms >= self.stills[s].fresh_ms).collect();
        let n = days.len();
        if n < 21 {
            return Outcome::Unknown(format!("{n} of 21 days since its calibration"));
        }
        let week = |days: &[&Span]| middle(days.iter().filter_map(|d| d.mean(s)).collect());
        let early = n.saturating_sub(28);
        let (Some(now), Some(then)) = (week(&days[n - 7..]), week(&days[early..early + 7])) else {
            return Outcome::Unknown("its readings are bad".to_owned());
        };
        let by = now - then;
        let limit =
            if signal.kind == Kind::Ph { self.settings.drift_ph } else { 2.0 * self.settings.drift_k };
        if by.abs() <= limit {
            return Outcome::Fine(format!("{by:+.2} in three weeks"));
        }
        Outcome::Wrong(Finding {
            wrong: format!(
                "{} is {} {} than three weeks ago.",
                sentence(&plain(&signal.name)),
                decimal(by.abs(), 2, &signal.unit),
                if by > 0.0 { "higher" } else { "lower" }
            ),
            sure: Sure::Possible,
            because: "the water may have changed as well as the probe".to_owned(),
            act: format!(
                "Put {} into fresh buffer; calibrate it if it is off, else test the water.",
                plain(&signal.name)
            ),
            caution: None,
        })
    }

    /// Two hours in a row lower than at the same hours yesterday, and than a week ago: a room that is stale each Monday is no news.
    fn ph_low(&self, s: usize) -> Outcome {
        let mut hours = self.history.hours.iter().rev();
        let (Some(last), Some(before)) = (hours.next(), hours.next()) else {
            return Outcome::Unknown("less than a day of records".to_owned());
        };
        let ago = |hour: &Span, days: i64| self.history.hour_at(hour.from_ms - days * DAY_MS)?.mean(s);
        let fall = |hour: &Span, days: i64| Some(ago(hour, days)? - hour.mean(s)?);
        let (Some(yesterday), Some(today)) = (ago(last, 1), last.mean(s)) else {
            return Outcome::Unknown("no reading at this hour yesterday".to_owned());
        };
        let least = |days: i64| Some(fall(last, days)?.min(fall(before, days)?));
        let (Some(day), Some(week)) = (least(1), least(7)) else {
            return Outcome::Unknown("less than a week of records".to_owned());
        };
        let is_low = day > self.settings.ph_fall && week > self.settings.ph_fall;
        if !is_low {
            return Outcome::Fine(format!("{today:.2}, yesterday {yesterday:.2}"));
        }
        Outcome::Wrong(Finding {
            wrong: format!(
                "{} is {today:.2}; at this hour yesterday it was {yesterday:.2}.",
                sentence(&plain(self.name(s)))
            ),
            sure: Sure::Possible,
            because: "stale air in the room, a skimmer or air pump that stands, or the probe itself"
                .to_owned(),
            act: "See that skimmer, air and circulation run; let fresh air in; then check the probe."
                .to_owned(),
            caution: None,
        })
    }
}
