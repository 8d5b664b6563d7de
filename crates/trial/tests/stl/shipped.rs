//! The requirements that ship as defaults, with breaches worked out by hand. The limits are common practice, no source.

use crate::{
    HOUR_S, MINUTE_S, SAMPLE_S, always, always_within, at_least, at_most, eventually, eventually_within,
    judge, monitor, not, predicate, truth, until,
};
use system::expr::{Comparison, Stl, StlTerm};
use system::model::TruthIdx;
use trial::stl::{Monitor, MonitorError};

const X: TruthIdx = TruthIdx(0);

/// `before` for `n_before` samples, `during` for `n_during`, `before` again for `n_after`.
fn pulse(before: f64, n_before: usize, during: f64, n_during: usize, n_after: usize) -> Vec<f64> {
    let mut values = vec![before; n_before];
    values.extend(std::iter::repeat_n(during, n_during));
    values.extend(std::iter::repeat_n(before, n_after));
    values
}

fn at_sample(n: u32) -> Option<f64> {
    Some(f64::from(n) * SAMPLE_S)
}

fn hot() -> Stl {
    Stl::And(vec![always(eventually_within(0.0, 2.0 * HOUR_S, at_most(29.5))), always(at_most(31.0))])
}

#[test]
fn hot_for_two_hours() {
    // Over from sample 60 on; 2 h later is sample 180.
    let status = judge(&hot(), pulse(26.0, 60, 30.0, 121, 60));
    assert_eq!((status.margin, status.broken_at_s), (-0.5, at_sample(180)));
    // A minute less, and there is a good sample within 2 h of each bad one; then the nearest limit is 31.
    let status = judge(&hot(), pulse(26.0, 60, 30.0, 120, 60));
    assert_eq!((status.margin, status.broken_at_s), (1.0, None));
}

#[test]
fn hot_ever() {
    let status = judge(&hot(), pulse(26.0, 60, 31.25, 1, 60));
    assert_eq!((status.margin, status.broken_at_s), (-0.25, at_sample(60)));
}

#[test]
fn hot_when_the_run_ends() {
    let status = judge(&hot(), pulse(26.0, 60, 30.0, 50, 0));
    assert_eq!((status.margin, status.open_margin, status.broken_at_s), (1.0, -0.5, None));
    // Nothing has been decided about the 2 h, but 31 degC has been kept.
    let status = judge(&hot(), pulse(26.0, 60, 30.0, 0, 0));
    assert_eq!((status.margin, status.open_margin), (5.0, 3.5));
}

#[test]
fn cold_for_six_hours() {
    let cold = always(eventually_within(0.0, 6.0 * HOUR_S, at_least(22.0)));
    let status = judge(&cold, pulse(25.0, 10, 21.75, 361, 10));
    assert_eq!((status.margin, status.broken_at_s), (-0.25, at_sample(370)));
    assert_eq!(judge(&cold, pulse(25.0, 10, 21.75, 360, 400)).broken_at_s, None);
}

#[test]
fn swing_within_an_hour() {
    let swing = always(predicate(StlTerm::Range(X, HOUR_S), Comparison::LessEqual, 1.5));
    // 26 at sample 9, 27.75 at sample 10.
    let status = judge(&swing, pulse(26.0, 10, 27.75, 100, 0));
    assert_eq!((status.margin, status.broken_at_s), (-0.25, at_sample(10)));
    // 1/64 K a minute: 60/64 K within an hour, both ends of the hour counted.
    let status = judge(&swing, (0..600).map(|minute| 25.0 + f64::from(minute) / 64.0));
    assert_eq!((status.margin, status.broken_at_s), (1.5 - 60.0 / 64.0, None));
}

#[test]
fn rise_and_fall_within_a_day() {
    // meq/L, of which 1.4 dKH are 0.5.
    let day = 24.0 * HOUR_S;
    let rise = always(predicate(StlTerm::Rise(X, day), Comparison::LessEqual, 0.5));
    let fall = always(predicate(StlTerm::Fall(X, day), Comparison::LessEqual, 0.5));
    // Down by 0.75, and 100 minutes later up by 0.75.
    let values = pulse(3.0, 50, 2.25, 100, 100);
    assert_eq!(judge(&rise, values.clone()).broken_at_s, at_sample(150));
    assert_eq!(judge(&fall, values).broken_at_s, at_sample(50));
    // The lowest value has left the window by the time of the rise.
    assert_eq!(
        judge(&rise, pulse(3.0, 1, 2.25, 1, 0).into_iter().chain(vec![2.5; 1441]).chain([3.0])).margin,
        0.0
    );
}

#[test]
fn oxygen_below_four_for_an_hour() {
    let oxygen = always(eventually_within(0.0, HOUR_S, at_least(4.0)));
    // 1/64 mg/L a minute from 6.5: 4.0 at sample 160, below from 161 on.
    let mut monitor = monitor(&oxygen);
    for minute in 0..=220_u32 {
        monitor.push(&[6.5 - f64::from(minute) / 64.0]);
    }
    assert_eq!((monitor.status().margin, monitor.status().broken_at_s), (0.0, None));
    monitor.push(&[6.5 - 221.0 / 64.0]);
    assert_eq!((monitor.status().margin, monitor.status().broken_at_s), (-1.0 / 64.0, at_sample(221)));
}

#[test]
fn darkness_in_any_day() {
    let term = StlTerm::Time { truth: X, op: Comparison::Less, constant: 0.5, window: 24.0 * HOUR_S };
    let darkness = always(predicate(term, Comparison::GreaterEqual, 8.0 * HOUR_S));
    // Lit 10:00 to 19:30: 14.5 h of darkness a day. What lies before the run counts as dark.
    let lit = |minute: u32| f64::from(u8::from((600..1170).contains(&(minute % 1440))));
    let status = judge(&darkness, (0..4 * 1440).map(lit));
    assert_eq!((status.margin, status.broken_at_s), (6.5 * HOUR_S, None));
    // Never dark again after 12:00 on the second day: at 02:00 the last 24 h hold a minute less than
    // 8 h of darkness.
    let stuck = (0..4 * 1440).map(|minute| if minute >= 1440 + 720 { 1.0 } else { lit(minute) });
    assert_eq!(judge(&darkness, stuck).broken_at_s, at_sample(2 * 1440 + 120));
}

#[test]
fn no_water_movement_for_half_an_hour() {
    let movement = always(eventually_within(0.0, 30.0 * MINUTE_S, truth(0, Comparison::Greater, 0.5)));
    let status = judge(&movement, pulse(1.0, 100, 0.0, 31, 60));
    assert_eq!((status.margin, status.broken_at_s), (-0.5, at_sample(130)));
    assert_eq!(judge(&movement, pulse(1.0, 100, 0.0, 30, 60)).margin, 0.5);
}

#[test]
fn heater_bare_for_a_minute() {
    let bare = always(eventually_within(0.0, 60.0, truth(0, Comparison::Less, 0.5)));
    assert_eq!(judge(&bare, pulse(0.0, 10, 1.0, 1, 10)).broken_at_s, None);
    assert_eq!(judge(&bare, pulse(0.0, 10, 1.0, 2, 10)).broken_at_s, at_sample(11));
}

#[test]
fn until_the_heater_runs() {
    // Not below 22 degC until the heater runs, which it does within 6 minutes.
    let running = || truth(1, Comparison::Greater, 0.5);
    let heater = until(0.0, Some(6.0 * MINUTE_S), at_least(22.0), running());
    let run = |rows: &[[f64; 2]]| {
        let mut monitor = monitor(&heater);
        rows.iter().for_each(|row| monitor.push(row));
        monitor.finish()
    };
    let mut rows =
        vec![[23.0, 0.0], [22.25, 0.0], [22.125, 0.0], [21.0, 1.0], [21.0, 1.0], [24.0, 1.0], [24.0, 1.0]];
    // It runs at sample 3; before that the lowest is 22.125. That it is 21 by then does not matter.
    assert_eq!(run(&rows).margin, 0.125);
    rows[2][0] = 21.75;
    assert_eq!((run(&rows).margin, run(&rows).broken_at_s), (-0.25, at_sample(6)));

    // To the end of the run the breach shows as soon as the left side gives way.
    let open = until(0.0, None, at_least(22.0), running());
    let mut open = monitor(&open);
    open.push(&[23.0, 0.0]);
    assert_eq!(open.status().margin, 1.0);
    open.push(&[21.75, 0.0]);
    // The right side could still come at this very sample's successor, but 21.75 lies before it.
    assert_eq!((open.status().margin, open.status().broken_at_s), (-0.25, at_sample(1)));
    assert!(!open.status().is_final);
}

#[test]
fn once_by_the_end_of_the_run() {
    let warm_once = eventually(at_least(25.0));
    let mut monitor = monitor(&warm_once);
    (0..10).for_each(|_| monitor.push(&[24.0]));
    assert_eq!((monitor.status().margin, monitor.status().broken_at_s), (f64::INFINITY, None));
    assert_eq!(monitor.horizon_s(), f64::INFINITY);
    let status = monitor.finish();
    assert_eq!((status.margin, status.broken_at_s, status.is_final), (-1.0, at_sample(9), true));
}

#[test]
fn a_zero_margin_holds_and_a_missing_value_breaks() {
    assert_eq!(judge(&always(truth(0, Comparison::Less, 1.0)), [1.0]).broken_at_s, None);
    for formula in [always(at_most(1.0)), always(not(at_most(1.0)))] {
        let mut monitor = monitor(&formula);
        monitor.push(&[]);
        assert_eq!((monitor.status().margin, monitor.status().broken_at_s), (f64::NEG_INFINITY, Some(0.0)));
        assert_eq!(judge(&formula, [f64::NAN]).broken_at_s, Some(0.0));
    }
}

#[test]
fn a_fork_counts_from_the_fork() {
    let swing = always(predicate(StlTerm::Fall(X, HOUR_S), Comparison::LessEqual, 1.5));
    let mut past = monitor(&Stl::And(vec![hot(), swing]));
    // The breach before the fork is forgotten, the values are not.
    [40.0, 40.0].iter().chain(&[26.0; 70]).for_each(|&value| past.push(&[value]));
    assert_eq!(past.status().broken_at_s, at_sample(0));
    let mut fork = past.warmed();
    assert_eq!((fork.status().margin, fork.status().broken_at_s), (f64::INFINITY, None));
    fork.push(&[26.0]);
    assert_eq!(fork.status().broken_at_s, None);
    fork.push(&[24.25]);
    // The second sample after the fork, against 26 before it.
    assert_eq!((fork.status().margin, fork.status().broken_at_s), (-0.25, at_sample(2)));
}

#[test]
fn how_far_ahead_and_back() {
    let day = 24.0 * HOUR_S;
    let swing = predicate(StlTerm::Range(X, day), Comparison::LessEqual, 3.0);
    let both = monitor(&Stl::And(vec![hot(), always(swing.clone()), eventually_within(0.0, HOUR_S, swing)]));
    assert_eq!((both.horizon_s(), both.history_s()), (2.0 * HOUR_S, day));
    let never = Monitor::new(&Stl::And(vec![]), SAMPLE_S).map(Monitor::finish);
    assert!(never.is_ok_and(|status| status.margin == f64::INFINITY && status.broken_at_s.is_none()));
}

#[test]
fn what_cannot_be_monitored() {
    let error = |formula: &Stl, sample_s: f64| match Monitor::new(formula, sample_s) {
        Ok(_) => panic!("{formula:?} was accepted"),
        Err(error) => error,
    };
    let ok = || at_most(1.0);
    for (formula, part) in [
        (always(Stl::Or(vec![ok(), eventually(ok())])), "`eventually` without an end"),
        (always_within(0.0, HOUR_S, Stl::Or(vec![ok(), always(ok())])), "`always` without an end"),
        (always(until(0.0, None, ok(), ok())), "`until` without an end"),
        (always(eventually(ok())), "`always eventually` to the end of the run both times is never decided"),
        (eventually(always(ok())), "`eventually always` to the end of the run both times is never decided"),
        (always_within(10.0, 50.0, ok()), "no sample falls within"),
        (always_within(100.0, 50.0, ok()), "must begin now or later"),
        (always_within(-1.0, 50.0, ok()), "must begin now or later"),
        (always_within(f64::NAN, 50.0, ok()), "must begin now or later"),
        (always_within(0.0, f64::INFINITY, ok()), "must begin now or later"),
        (always_within(0.0, 1e12, ok()), "too long"),
        (predicate(StlTerm::Rise(X, 59.0), Comparison::Less, 1.0), "shorter than the sample period"),
        (predicate(StlTerm::Rise(X, 0.0), Comparison::Less, 1.0), "must be above 0"),
        (at_most(f64::NAN), "not a number"),
    ] {
        let text = error(&formula, SAMPLE_S).to_string();
        assert!(text.contains(part), "{text}");
    }
    for sample_s in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert!(matches!(error(&ok(), sample_s), MonitorError::SamplePeriod { .. }));
    }
    // Within reach: an end that the outer operator gives.
    for formula in
        [always_within(0.0, HOUR_S, eventually(ok())), always(always(ok())), not(always(not(ok())))]
    {
        assert!(Monitor::new(&formula, SAMPLE_S).is_ok(), "{formula:?}");
    }
    // A period that is no binary fraction: 0.3 s are three samples of 0.1 s.
    let tenth = Monitor::new(&eventually_within(0.3, 0.3, ok()), 0.1);
    assert!(tenth.is_ok_and(|monitor| (monitor.horizon_s() - 0.3).abs() < 1e-12));
}
