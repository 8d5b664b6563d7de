//! The station's checks on the library's reef: sixty days without a fault at nominal and at each corner bring no alarm, and faults are found
//! within their time. Figures with and without a room thermometer: `cargo run --release -p alarms --example watch`.

mod tank;

use alarms::watch::Check;
use tank::{DAY_H, Tank};

/// A corner's own truth: its battery holds 80 % of new.
const TRUE_AT_CORNER: (&str, &str) = ("cold_and_dry", "station/controller/battery-ageing/battery");

#[test]
fn sixty_days_without_a_fault_bring_no_alarm() {
    let system = tank::system("harbour-lane/system.toml");
    let model = tank::model(&system);
    let mut tank = Tank::<5>::new(&model, &[None, Some(0), Some(1), Some(2), Some(3)]);
    tank.run_hours(60 * DAY_H);
    for (l, place) in tank::places(&system).into_iter().enumerate() {
        for watched in [&tank.blind[l], &tank.warm[l]] {
            let mut counts = watched.counts(i64::MIN);
            if place == TRUE_AT_CORNER.0 {
                assert_eq!(counts.remove(TRUE_AT_CORNER.1), Some(1), "the aged battery is found, once");
            }
            assert!(counts.is_empty(), "{place}: {counts:?}");
        }
    }
    // The charge is told in parts of a new battery, so an outage tells the same capacity in all of them.
    tank.outage(6);
    for (l, place) in tank::places(&system).into_iter().enumerate() {
        let says = tank.warm[l].says(Check::BatteryAgeing);
        let percent = says.split(' ').nth(1).and_then(|word| word.parse::<f64>().ok());
        assert!(percent.is_some_and(|p| (90.0..=110.0).contains(&p)), "{place}: {says}");
    }
}

#[test]
fn faults_are_found_within_their_time() {
    let system = tank::system("harbour-lane/system.toml");
    let model = tank::model(&system);
    let faults = tank::faults(&system);
    let mut tank = Tank::<16>::new(&model, &[None; 16]);
    tank.run_hours(22 * DAY_H + 10);
    let at_ms = tank.now_ms();
    tank.strike(&faults);
    tank.run_hours(22 * DAY_H);
    // A restart in between: what is remembered comes back.
    for l in 0..faults.len() {
        let text = serde_json::to_string(&tank.warm[l].watch).expect("serialises");
        let mut again: alarms::Watch = serde_json::from_str(&text).expect("reads back");
        let now = alarms::watch::Now { now_ms: tank.now_ms(), ..Default::default() };
        let expected = alarms::watch::Balance::new(again.layout());
        let ids = |verdicts: Vec<alarms::watch::Verdict>| {
            verdicts.iter().map(|v| (v.id(), v.condition())).collect::<Vec<_>>()
        };
        assert_eq!(ids(again.look(&now, &expected)), ids(tank.warm[l].watch.look(&now, &expected)));
        // The same board with its parts in another order knows as much.
        let mut turned = again.layout().clone();
        turned.signals.reverse();
        let relaid = again.relaid(turned, Default::default());
        let (first, last) = (relaid.history().hours.front(), again.history().hours.front());
        let n = again.layout().signals.len();
        assert_eq!(first.and_then(|h| h.mean(n - 1)), last.and_then(|h| h.mean(0)));
    }
    let mut late = vec![];
    for (l, fault) in faults.iter().enumerate() {
        for (watched, within_h) in [&tank.blind[l], &tank.warm[l]].into_iter().zip(fault.within_h) {
            let announced = watched.announced(at_ms);
            let found = fault.found(&announced);
            let is_right = if fault.wanted.is_empty() {
                announced.is_empty()
            } else {
                found.is_some_and(|h| h <= within_h)
            };
            if !is_right {
                late.push(format!("{}: {found:?}, wanted within {within_h} h; {announced:?}", fault.name));
            }
        }
    }
    assert!(late.is_empty(), "{}", late.join("\n"));
}
