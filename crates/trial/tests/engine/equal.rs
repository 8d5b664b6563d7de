//! The same results to the bit, however the work is cut up, and runs that are said to be equal without being simulated.

use trial::{Fmea, Options, Row, Wanted};

use crate::small::{TEXT, fmea, quick, read, row};

/// All of a row: `f64`'s debug form reads back to the same bits.
fn written(row: &Row) -> String {
    format!("{row:?}")
}

fn all(fmea: &Fmea) -> Vec<String> {
    fmea.rows.iter().chain(&fmea.without_fault).chain(&fmea.pairs).map(written).collect()
}

/// Every instant and a corner, so that groups of several sizes come about.
fn wide() -> Options {
    Options { wanted: Wanted { one_instant: false, nominal_only: false }, ..quick() }
}

fn with_corner() -> String {
    format!("{TEXT}\n[[corner]]\nname = \"dry\"\nevaporation = 1.4\n")
}

#[test]
fn threads_change_nothing() {
    let system = read(&with_corner());
    let one = fmea(&system, &wide());
    let two = fmea(&system, &Options { n_threads: 2, ..wide() });
    assert!(one.places.len() == 6, "three instants at two corners: {:?}", one.places);
    assert_eq!(all(&one), all(&two));
    assert_eq!(one.baseline, two.baseline);
    assert_eq!(one.effort, two.effort);
}

#[test]
fn a_row_does_not_depend_on_its_neighbours() {
    let system = read(&with_corner());
    let together = fmea(&system, &wide());
    let mut compared = 0;
    for only in ["heater:", "float_low:stuck", "circulation", "mains:out", "controller:hung"] {
        let few = fmea(&system, &Options { only: Some(only.to_owned()), ..wide() });
        assert!(!few.rows.is_empty() && few.rows.len() < together.rows.len(), "{only}");
        for one in &few.rows {
            assert_eq!(written(one), written(row(&together, &one.part, &one.mode)), "{only}");
            compared += 1;
        }
    }
    assert!(compared > 10, "{compared} rows compared");
}

/// Where every requirement is broken for good early on, an alarm that comes later is told whoever runs beside it.
#[test]
fn a_lost_run_goes_on_to_its_later_alarms() {
    let mut text = crate::small::text(&[("defaults = true", "defaults = false")]);
    text += "[[requirement]]\nname = \"mild\"\ntext = \"always display.temperature <= 26 degC\"\n";
    let system = read(&text);
    let alone = fmea(&system, &Options { only: Some("heater:welded".into()), ..quick() });
    let together = fmea(&system, &quick());
    let hot = row(&alone, "heater", "welded");
    assert_eq!(written(hot), written(row(&together, "heater", "welded")));
    assert!(hot.alarm_lead_s.is_some_and(|lead| lead < 0.0), "breaks at 26, told at 27 degC: {hot:?}");
}

#[test]
fn the_seed_decides() {
    let system = read(TEXT);
    let options = |seed| Options { seed, only: Some("display_temp".into()), ..quick() };
    let first = all(&fmea(&system, &options(1)));
    assert_eq!(first, all(&fmea(&system, &options(1))));
    assert_ne!(first, all(&fmea(&system, &options(2))), "noise of the probes is of the seed");
}

/// Every run that [`trial`] takes over from the healthy one, simulated all the same.
#[test]
fn runs_that_are_called_equal_are_equal() {
    let system = read(&with_corner());
    let short = fmea(&system, &wide());
    let full = fmea(&system, &Options { skip_equal: false, ..wide() });
    assert!(short.effort.n_equal >= 20, "{:?}", short.effort);
    assert_eq!(full.effort.n_equal, 0);
    assert_eq!(short.effort.n_runs + short.effort.n_equal, full.effort.n_runs);
    for one in &full.rows {
        assert_eq!(written(one), written(row(&short, &one.part, &one.mode)), "{}:{}", one.part, one.mode);
    }
}

/// The same of the main example, whose parts are of every kind; an hour and a half each.
#[test]
fn runs_of_harbour_lane_that_are_called_equal_are_equal() {
    let system = read(include_str!("../../../../examples/harbour-lane/system.toml"));
    for only in ["stuck", "welded", "dead", "wire-open", "end-submerged"] {
        let options = Options { only: Some(only.into()), window_s: Some(1800.0), n_threads: 0, ..quick() };
        let short = fmea(&system, &options);
        let full = fmea(&system, &Options { skip_equal: false, ..options });
        assert!(only == "end-submerged" || short.effort.n_equal > 0, "{only}: {:?}", short.effort);
        for one in &full.rows {
            assert_eq!(written(one), written(row(&short, &one.part, &one.mode)), "{}:{}", one.part, one.mode);
        }
    }
}
