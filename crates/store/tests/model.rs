//! Any sequence of appends, settling, reopening and queries gives what a plain sorted map gives.

use std::collections::BTreeMap;
use std::time::Duration;

use proptest::prelude::*;
use store::{Appended, Gap, Options, Point, Quality, Sample, SeriesId, SeriesSpec, Store};

const BASE: i64 = 1_700_000_000_000;

#[derive(Clone, Debug)]
enum Act {
    /// Samples of one of the series, from a time on, so far apart.
    Append {
        series: usize,
        from: i64,
        step: i64,
        values: Vec<(i64, u8)>,
    },
    /// The same samples of an earlier append again, some changed.
    Again {
        which: usize,
        change: i64,
    },
    Settle,
    Reopen,
    Look {
        series: usize,
        from: i64,
        length: i64,
        width: u32,
    },
}

fn act() -> impl Strategy<Value = Act> {
    let append = (
        0usize..3,
        0i64..4000,
        prop_oneof![Just(1i64), Just(7), 1i64..40],
        prop::collection::vec((-50i64..50, 0u8..12), 1..60),
    )
        .prop_map(|(series, from, step, values)| Act::Append {
            series,
            from: from * 1000,
            step: step * 500,
            values,
        });
    prop_oneof![
        6 => append,
        2 => (0usize..20, 0i64..2).prop_map(|(which, change)| Act::Again { which, change }),
        1 => Just(Act::Settle),
        1 => Just(Act::Reopen),
        4 => (0usize..3, -10i64..4000, 1i64..20_000_000, 1u32..50)
            .prop_map(|(series, from, length, width)| Act::Look { series, from: from * 1000, length, width }),
    ]
}

fn specs() -> [SeriesSpec; 3] {
    // One with minutes and hours, one with hours only, one that expects nothing.
    [("fast", 1_000), ("slow", 60_000), ("now-and-then", 0)].map(|(name, interval)| SeriesSpec {
        source: "board".into(),
        name: name.into(),
        unit: String::new(),
        scale: 0.001,
        interval,
        is_switch: false,
    })
}

fn open(path: &std::path::Path) -> (Store, Vec<SeriesId>) {
    let options =
        Options { gather: Duration::ZERO, block: 16, in_memory: 60, tail: 300, ..Options::default() };
    let store = Store::open_with(path, options).expect("opens");
    let ids = specs().iter().map(|spec| store.series(spec).expect("series")).collect();
    (store, ids)
}

type Model = [BTreeMap<i64, (i64, Quality)>; 3];

fn expect_append(model: &mut Model, series: usize, samples: &[Sample]) -> Appended {
    let mut expected = Appended::default();
    let mut sorted = samples.to_vec();
    sorted.sort_by_key(|s| s.time);
    for s in sorted {
        match model[series].get(&s.time) {
            None => {
                model[series].insert(s.time, (s.value, s.quality));
                expected.new += 1;
            }
            Some(&there) if there == (s.value, s.quality) => expected.duplicates += 1,
            Some(_) => expected.conflicts += 1,
        }
    }
    expected
}

fn expected_gaps(model: &BTreeMap<i64, (i64, Quality)>, interval: i64, from: i64, before: i64) -> Vec<Gap> {
    let times: Vec<i64> = model.keys().copied().collect();
    times
        .windows(2)
        .filter(|w| interval > 0 && w[1] - w[0] > 3 * interval && w[1] > from && w[0] < before)
        .map(|w| Gap { first: w[0], last: w[1] })
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, ..ProptestConfig::default() })]
    #[test]
    fn equals_a_sorted_map(acts in prop::collection::vec(act(), 1..40)) {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("store.sqlite");
        let (mut store, ids) = open(&path);
        let mut model: Model = Default::default();
        let mut appended: Vec<(usize, Vec<Sample>)> = vec![];
        for act in acts {
            match act {
                Act::Append { series, from, step, values } => {
                    let samples: Vec<Sample> = (0..).zip(values).map(|(i, (value, quality))| Sample {
                        series: ids[series],
                        time: BASE + from + i * step,
                        value,
                        quality: Quality::from_code(if quality < 3 { quality } else { 0 }),
                    }).collect();
                    let expected = expect_append(&mut model, series, &samples);
                    prop_assert_eq!(store.append(samples.clone()).expect("appends"), expected);
                    appended.push((series, samples));
                }
                Act::Again { which, change } => {
                    if let Some((series, samples)) = appended.get(which) {
                        let mut samples = samples.clone();
                        samples.iter_mut().step_by(3).for_each(|s| s.value += change);
                        samples.reverse();
                        let expected = expect_append(&mut model, *series, &samples);
                        prop_assert_eq!(store.append(samples).expect("appends"), expected);
                    }
                }
                Act::Settle => store.settle().expect("settles"),
                Act::Reopen => {
                    drop(store);
                    store = open(&path).0;
                }
                Act::Look { series, from, length, width } => {
                    let (from, before) = (BASE + from, BASE + from + length);
                    let points = store.points(ids[series], from, before, usize::MAX).expect("points");
                    let expected: Vec<Point> = model[series].range(from..before)
                        .map(|(&time, &(value, quality))| Point { time, value, quality }).collect();
                    prop_assert_eq!(points, expected);
                    let newest = model[series].last_key_value()
                        .map(|(&time, &(value, quality))| Point { time, value, quality });
                    prop_assert_eq!(store.newest(ids[series]).expect("newest"), newest);
                    let interval = specs()[series].interval;
                    let gaps = store.gaps(ids[series], from, before).expect("gaps");
                    prop_assert_eq!(gaps, expected_gaps(&model[series], interval, from, before));
                    let trend = store.trend(ids[series], from, before, width).expect("trend");
                    prop_assert!(trend.from <= from && trend.from + trend.step * i64::from(width) >= before);
                    prop_assert!(trend.columns.len() <= width as usize);
                    let n = (before - trend.from - 1) / trend.step + 1;
                    let mut columns = trend.columns.iter();
                    for i in 0..n {
                        let begin = trend.from + i * trend.step;
                        let inside: Vec<(i64, Quality)> =
                            model[series].range(begin..begin + trend.step).map(|(_, &p)| p).collect();
                        if inside.is_empty() {
                            continue;
                        }
                        let column = columns.next().expect("a column for each span with samples");
                        let good: Vec<i64> = inside.iter().filter(|p| p.1 != Quality::Bad).map(|p| p.0).collect();
                        prop_assert_eq!(column.from, begin);
                        prop_assert_eq!(column.n, good.len() as i64);
                        prop_assert_eq!(column.n_bad, (inside.len() - good.len()) as i64);
                        let uncertain = inside.iter().filter(|p| p.1 == Quality::Uncertain).count();
                        prop_assert_eq!(column.n_uncertain, uncertain as i64);
                        prop_assert_eq!(column.min, good.iter().min().map(|&v| v as f64 / 1000.0));
                        prop_assert_eq!(column.max, good.iter().max().map(|&v| v as f64 / 1000.0));
                        let mean = (!good.is_empty()).then(|| good.iter().sum::<i64>() as f64 / good.len() as f64 / 1000.0);
                        prop_assert!(column.mean.zip(mean).is_none_or(|(a, b)| (a - b).abs() < 1e-9));
                        prop_assert_eq!(column.mean.is_some(), mean.is_some());
                    }
                    prop_assert!(columns.next().is_none());
                }
            }
        }
    }
}
