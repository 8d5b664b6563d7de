//! Logs that nobody would write: whatever stands in them, a fit answers and never with a number that is none.

use fit::{Log, NoFit, Series};
use proptest::prelude::*;

fn system(file: &str) -> system::System {
    let path = format!("{}/../../examples/{file}/system.toml", env!("CARGO_MANIFEST_DIR"));
    system::load(&std::fs::read_to_string(path).expect("the example is there"))
        .system
        .expect("the example loads")
}

/// A value that a broken logger might write.
fn value() -> impl Strategy<Value = f64> {
    prop_oneof![
        6 => -5.0..40.0_f64,
        1 => Just(f64::NAN),
        1 => Just(f64::INFINITY),
        1 => Just(0.0),
        1 => Just(-1e300),
        1 => Just(1e-300),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn a_fit_of_anything_answers(
        values in prop::collection::vec(prop::collection::vec(value(), 1..40), 12),
        hours in 40.0..200.0_f64,
        harbour in any::<bool>(),
        unit in prop_oneof![Just("degC"), Just("mL/min"), Just("%"), Just("")],
    ) {
        let system = system(if harbour { "harbour-lane" } else { "desk-60l" });
        let names: Vec<&str> = (system.sensors.iter().map(|s| s.name.as_str()))
            .chain(system.actuators.iter().map(|a| a.name.as_str()))
            .collect();
        let mut log = Log::new();
        for (i, name) in names.iter().enumerate() {
            let values = &values[i % values.len()];
            let n = (hours * 60.0) as usize;
            let points = (0..n).map(|k| (k as f64 * 60.0, values[k / 7 % values.len()])).collect();
            log.put(name, Series::readings(unit, points));
        }
        match fit::fit(&system, &log, &fit::Options::default()) {
            Ok(fitted) => {
                for p in &fitted.parameters {
                    prop_assert!(!p.found.low.is_nan() && !p.found.high.is_nan() && p.found.value.is_finite(), "{p:?}");
                    prop_assert!(p.unknown.is_some() || p.found.is_bounded(), "{p:?}");
                }
                let _ = fit::findings(&system, &fitted);
            }
            Err(NoFit::Short(_)) => prop_assert!(hours < 48.5),
            Err(other) => prop_assert!(false, "{other}"),
        }
    }
}

#[test]
fn a_wrong_date_is_told() {
    let system = system("desk-60l");
    let mut log = Log::new();
    log.put("temp_1", Series::readings("degC", vec![(0.0, 25.0), (60.0, 25.0), (1.7e9, 25.0)]));
    assert!(matches!(fit::fit(&system, &log, &fit::Options::default()), Err(NoFit::Long(_))));
    assert!(matches!(fit::fit(&system, &Log::new(), &fit::Options::default()), Err(NoFit::Foreign(_))));
}
