//! The starter file reads back without a finding, for every combination of answers.
#![allow(clippy::expect_used)]

use proptest::prelude::*;
use system::starter::{Answers, write};

fn side() -> impl Strategy<Value = f64> {
    prop_oneof![0.1..5.0f64, Just(f64::NAN), Just(-1.0), Just(0.25)]
}

fn sides() -> impl Strategy<Value = [f64; 3]> {
    [side(), side(), side()]
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_answers_give_a_sound_file(
        display in sides(),
        sump in proptest::option::of(sides()),
        top_off in any::<bool>(),
        heater_watts in prop_oneof![-10.0..10_000.0f64, Just(f64::INFINITY)],
        light_watts in proptest::option::of(0.0..1000.0f64),
        name in ".*",
        chip in prop_oneof![Just("ATmega2560".to_owned()), Just("abacus".to_owned())],
        timezone in prop_oneof![Just("CET-1CEST,M3.5.0,M10.5.0/3".to_owned()), Just("Mars".to_owned())],
        unattended_hours in -5.0..5000.0f64,
    ) {
        let answers = Answers {
            name, display, sump, top_off, heater_watts, light_watts, chip, timezone, unattended_hours,
            ..Answers::default()
        };
        let text = write(&answers);
        let loaded = system::load(&text);
        prop_assert!(loaded.diagnostics.is_empty(), "{:#?}\n{}", loaded.diagnostics, text);
        prop_assert!(loaded.system.is_some());
    }
}

#[test]
fn the_file_is_commented() {
    let text = write(&Answers::default());
    assert!(text.matches('#').count() > 20);
    assert_eq!(system::load(&text).diagnostics, []);
}
