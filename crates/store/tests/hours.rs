//! Whole hours of a series, from roll-ups and memory together: as the samples themselves say.

use std::time::Duration;

use store::{Options, Quality, Sample, SeriesSpec, Store};

/// A whole hour.
const BASE: i64 = 1_735_689_600_000;
const HOUR: i64 = 3_600_000;

#[test]
fn hours_are_those_of_the_samples() {
    let folder = tempfile::tempdir().expect("folder");
    let options = Options { gather: Duration::ZERO, block: 64, ..Options::default() };
    let store = Store::open_with(folder.path().join("store.sqlite"), options).expect("opens");
    // One often enough for roll-ups of hours, one too seldom for any.
    for (name, interval, n) in [("often", 60_000, 300), ("seldom", 2 * HOUR, 10)] {
        let spec = SeriesSpec {
            source: "lane".into(),
            name: name.into(),
            unit: "L/h".into(),
            scale: 0.1,
            interval,
            is_switch: false,
        };
        let series = store.series(&spec).expect("series");
        let quality = |k: i64| if k % 9 == 4 { Quality::Bad } else { Quality::Good };
        let samples: Vec<Sample> = (0..n)
            .filter(|k| !(60..120).contains(k))
            .map(|k| Sample { series, time: BASE + k * interval, value: 1000 + k, quality: quality(k) })
            .collect();
        store.append(samples.clone()).expect("appends");
        for settled in [false, true] {
            if settled {
                store.settle().expect("settles");
            }
            let found = store.hours(series, BASE + 1, BASE + n * interval).expect("reads");
            let mut wanted: Vec<i64> = samples.iter().map(|s| s.time.div_euclid(HOUR) * HOUR).collect();
            wanted.dedup();
            assert_eq!(
                found.iter().map(|c| c.from).collect::<Vec<_>>(),
                wanted,
                "{name}: hours without a sample are left out"
            );
            for column in &found {
                let of = || samples.iter().filter(|s| (column.from..column.from + HOUR).contains(&s.time));
                let good: Vec<f64> =
                    of().filter(|s| s.quality == Quality::Good).map(|s| s.value as f64 / 10.0).collect();
                let n_bad = of().filter(|s| s.quality == Quality::Bad).count();
                assert_eq!((column.n, column.n_bad), (good.len() as i64, n_bad as i64));
                let mean = (!good.is_empty()).then(|| good.iter().sum::<f64>() / good.len() as f64);
                assert!(
                    column.mean.is_none() == mean.is_none()
                        && (column.mean.unwrap_or(0.0) - mean.unwrap_or(0.0)).abs() < 1e-9
                );
                assert_eq!(column.max, good.iter().copied().reduce(f64::max));
            }
        }
        assert!(store.hours(series, BASE, BASE).expect("nothing").is_empty());
        assert!(store.hours(series, 0, i64::MAX).is_err(), "more hours than anybody wants at once");
    }
}
