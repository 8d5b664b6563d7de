//! The rules in shadow: the same rules give no difference, a changed threshold exactly the interval that it must give, and what is not
//! known is said.

use std::sync::Arc;

use control::Slot;
use program::quality::Quality;
use proptest::prelude::*;
use shadow::because::Rank;
use shadow::run::{Kept, Sums, Why};
use shadow::{Form, Map, Reader, Shadow, words};
use system::System;
use system::model::{ActuatorIdx, Scale};
use trial::{Model, Rig};

/// 2026-03-01 12:00:00 UTC (date -u -d '2026-03-01 12:00' +%s).
const NOON: i64 = 1_772_366_400_000;

fn small(rules: &str) -> Arc<System> {
    let text = format!(
        r#"
[system]
name = "small"
timezone = "UTC0"
[[board]]
name = "board"
chip = "ATmega328P"
[[sensor]]
name = "temp"
kind = "ds18b20"
[[sensor]]
name = "second"
kind = "ds18b20"
[[sensor]]
name = "leak"
kind = "leak"
[[actuator]]
name = "heater"
kind = "heater"
power = "100 W"
[[actuator]]
name = "pump"
kind = "pump"
power = "10 W"
{rules}
"#
    );
    let loaded = system::load(&text);
    Arc::new(loaded.system.unwrap_or_else(|| panic!("{:?}", loaded.diagnostics)))
}

const MAP: &str = r#"
every = "1 s"
tolerance = "5 s"
[[reading]]
printed = "t"
sensor = "temp"
[[reading]]
printed = "t2"
sensor = "second"
[[reading]]
printed = "wet"
sensor = "leak"
[[output]]
printed = "h"
actuator = "heater"
[[output]]
printed = "p"
actuator = "pump"
"#;

const HEATER: &str = r#"
[[rule]]
drives = "heater"
start = "temp < 25.2 degC"
stop = "temp > 25.4 degC"
when_blind = "off"
[[rule]]
drives = "pump"
always = true
permissive = "not leak"
at_power_up = "on"
when_blind = "on"
"#;

fn shadow(system: &Arc<System>, map: &str) -> Shadow {
    let (map, findings) = Map::load(map, system);
    let map = map.unwrap_or_else(|| panic!("{findings:?}"));
    Shadow::new(Arc::clone(system), map).expect("the rules compile")
}

/// Feeds a line at a time.
fn feed(shadow: &mut Shadow, time: i64, line: &str) {
    let mut reader = Reader::from_the_beginning(&Form::default());
    let mut all = vec![];
    reader.push(format!("{line}\n").as_bytes(), Some(time), &mut |printed| all.push(printed));
    assert_eq!(reader.tally().n_trouble(), 0, "{line}");
    for printed in &all {
        shadow.take(printed, time);
    }
}

/// A tank that warms by a thousandth of a degree a second, from 25.000 °C; the old controller's heater goes off above 25.6.
fn warming(shadow: &mut Shadow, scans: std::ops::Range<i64>) {
    for k in scans {
        let line = format!("t={:.3} t2=25 wet=0 h={} p=1", 25.0 + k as f64 / 1e3, u8::from(k <= 600));
        feed(shadow, NOON + k * 1_000, &line);
    }
}

#[test]
fn a_changed_threshold_gives_exactly_its_interval() {
    let system = small(HEATER);
    let mut shadow = shadow(&system, MAP);
    warming(&mut shadow, 0..1_000);
    shadow.advance(NOON + 999_000);
    let sums = shadow.sums();
    // By hand: 25.401 is first above 25.4 at scan 401, and the old one goes off at scan 601.
    let [only] = sums.differences.as_slice() else { panic!("{:?}", sums.differences) };
    assert_eq!(
        (only.output.as_str(), only.from_ms, only.to_ms),
        ("heater", NOON + 401_000, Some(NOON + 601_000))
    );
    assert_eq!((only.theirs, only.ours, only.because.rank), (1_000, 0, Rank::Rule));
    assert_eq!((sums.outputs[0].less.ms, sums.outputs[0].less.n, sums.outputs[0].more.n), (200_000, 1, 0));
    assert_eq!((sums.outputs[0].compared_ms, sums.outputs[1].compared_ms), (1_000_000, 1_000_000));
    let told = words::told(&shadow);
    assert_eq!(
        told.outputs,
        [
            "heater: the rules would have been off 3 min 20 s longer (once, at 2026-03-01 12:06:41, because its \
             `temp > 25.4 degC` holds (temp 25.401 degC)).",
            "pump: as the rules would have it, for 16 min 40 s."
        ]
    );
    assert!(told.inputs.is_empty() && told.notes.is_empty(), "{told:?}");
    assert_eq!(
        words::difference(&system, only),
        "2026-03-01 12:06:41 for 3 min 20 s: heater was on, the rules would have had it off, because its `temp > 25.4 degC` holds \
         (temp 25.401 degC)."
    );
}

#[test]
fn a_few_seconds_do_not_count() {
    let system = small(HEATER);
    let mut shadow = shadow(&system, MAP);
    for k in 0..100 {
        // The pump is reported off for exactly the tolerance, later for a second more.
        let is_off = (20..25).contains(&k) || (50..56).contains(&k);
        feed(&mut shadow, NOON + k * 1_000, &format!("t=25 t2=25 wet=0 h=1 p={}", u8::from(!is_off)));
    }
    shadow.advance(NOON + 99_000);
    let sums = shadow.sums();
    assert_eq!((sums.outputs[1].n_short, sums.outputs[1].more.n, sums.outputs[1].more.ms), (1, 1, 6_000));
}

#[test]
fn what_is_not_seen_is_a_failed_probe_and_said() {
    let system = small(HEATER);
    let mut shadow = shadow(&system, MAP);
    let mut at = |k: i64, line: &str| feed(&mut shadow, NOON + k * 1_000, line);
    for k in 0..60 {
        at(k, "t=25 t2=25 wet=0 h=1 p=1");
    }
    // The probe says nothing sound, then nothing at all; its last value is too old 30 s later.
    for k in 60..70 {
        at(k, "t=nan t2=25 wet=0 h=1 p=1");
    }
    for k in 70..80 {
        at(k, "t=25 t2=25 wet=0 h=1 p=1");
    }
    for k in 80..140 {
        at(k, "t2=25 wet=0 h=1 p=1");
    }
    shadow.advance(NOON + 139_000);
    let sums = shadow.sums();
    // 60..70 without a reading; the value of 79 holds until 109 and is too old from 110 on.
    assert_eq!(sums.sensors[0].bad_ms, 10_000 + 30_000);
    let of_heater: Vec<(i64, i64)> = sums
        .differences
        .iter()
        .map(|d| ((d.from_ms - NOON) / 1_000, (d.to_ms.unwrap_or(0) - NOON) / 1_000))
        .collect();
    assert_eq!(of_heater, [(60, 70)]);
    assert_eq!(shadow.lasting()[0].from_ms, NOON + 110_000);
    assert_eq!(sums.outputs[0].less.ms, 40_000);
    assert_eq!(sums.differences[0].because.rank, Rank::Blind);
    assert_eq!(sums.differences[0].because.text, "temp has no value, and `when_blind` is off");
    assert_eq!(
        words::told(&shadow).inputs,
        [
            "temp had no value for 40 s in all, first at 2026-03-01 12:01:00: the rules took it for a failed probe."
        ]
    );
}

#[test]
fn permissives_and_trips_are_the_reason() {
    let rules = HEATER.replace(
        "stop = \"temp > 25.4 degC\"",
        "stop = \"temp > 25.4 degC\"\ntrip = \"second > 26 degC\"\ntrip_reset = \"by hand\"\nstart_delay = \"10 s\"",
    );
    let system = small(&rules);
    let mut shadow = shadow(&system, MAP);
    for k in 0..200 {
        let (wet, second) = (u8::from((50..80).contains(&k)), if k == 100 { 26.5 } else { 25.0 });
        feed(&mut shadow, NOON + k * 1_000, &format!("t=25 t2={second} wet={wet} h=1 p=1"));
    }
    shadow.advance(NOON + 199_000);
    let sums = shadow.sums();
    assert_eq!(sums.differences[0].because.rank, Rank::Permissive);
    assert_eq!(sums.differences[0].because.text, "its permissive `not leak` does not hold");
    assert_eq!(
        (sums.differences[0].from_ms, sums.differences[0].to_ms),
        (NOON + 50_000, Some(NOON + 80_000))
    );
    // Ten seconds of start delay are not compared.
    assert_eq!((sums.outputs[0].settling_ms, sums.outputs[0].compared_ms), (10_000, 190_000));
    let lasting = shadow.lasting();
    assert_eq!((lasting[0].from_ms, lasting[0].because.rank), (NOON + 100_000, Rank::Trip));
    assert_eq!(lasting[0].because.text, "it has tripped: `second > 26 degC` (second 26.5 degC now)");
    assert!(words::told(&shadow).notes[0].starts_with("Latched in the rules now: heater."));
    shadow.reset_trips();
    feed(&mut shadow, NOON + 200_000, "t=25 t2=25 wet=0 h=1 p=1");
    shadow.advance(NOON + 201_000);
    assert!(shadow.tripped().is_empty() && shadow.lasting().is_empty());
}

#[test]
fn a_break_begins_again_as_after_a_power_cut() {
    let system = small(HEATER);
    let mut shadow = shadow(&system, MAP);
    warming(&mut shadow, 0..500);
    // Nothing for an hour, then between the thresholds: the rules have no decision of their own until the first is crossed.
    for k in 4_000..4_100 {
        feed(&mut shadow, NOON + k * 1_000, "t=25.3 t2=25 wet=0 h=1 p=1");
    }
    feed(&mut shadow, NOON + 4_100_000, "t=25.5 t2=25 wet=0 h=0 p=1");
    shadow.advance(NOON + 4_100_000);
    let sums = shadow.sums();
    assert_eq!(sums.breaks.len(), 1);
    assert_eq!((sums.breaks[0].from_ms, sums.breaks[0].to_ms), (NOON + 529_000, NOON + 4_000_000));
    assert_eq!(sums.breaks[0].why, Why::Silent);
    assert_eq!(sums.outputs[0].settling_ms, 100_000);
    // The difference from 401 on ends with the break.
    assert_eq!((sums.outputs[0].less.n, sums.outputs[0].less.ms), (1, 129_000));
    // Times that step back by more than a minute begin again too.
    feed(&mut shadow, NOON, "t=25 t2=25 wet=0 h=1 p=1");
    assert_eq!(shadow.sums().breaks[1].why, Why::SteppedBack);
}

#[test]
fn what_is_kept_goes_on() {
    let system = small(HEATER);
    let mut whole = shadow(&system, MAP);
    warming(&mut whole, 0..500);
    let text = serde_json::to_string(&whole.keep()).expect("JSON");
    let kept: Kept = serde_json::from_str(&text).expect("what was written");
    let mut again = shadow(&system, MAP);
    assert!(again.resume(kept.clone()));
    warming(&mut again, 700..800);
    again.advance(NOON + 799_000);
    let sums = again.sums();
    assert_eq!(sums.since_ms, Some(NOON));
    assert_eq!((sums.outputs[0].less.ms, sums.outputs[0].compared_ms), (98_000, 599_000));
    assert_eq!(sums.breaks[0].why, Why::NotRunning);
    assert!(
        words::told(&again).notes[0]
            .starts_with("The shadow did not run from 2026-03-01 12:08:18 to 2026-03-01 12:11:40")
    );
    // Other rules begin anew.
    let other = small(&HEATER.replace("25.4", "25.5"));
    assert!(!shadow(&other, MAP).resume(kept));
}

/// A value as a controller would print it.
fn value_text(rig: &Rig<'_, 1>, slot: Slot, scale: Scale) -> String {
    let (_, per_unit) = shadow::map::unit_of(scale);
    match slot {
        Slot::Number(slot) => {
            let sample = rig.machine().number(slot, 0);
            if sample.quality == Quality::Bad {
                "nan".to_owned()
            } else {
                format!("{}", f64::from(sample.value) / per_unit)
            }
        }
        Slot::Bit(slot) => {
            let (value, quality) = rig.machine().bit(slot, 0);
            if quality == Quality::Bad { "nan".to_owned() } else { u8::from(value).to_string() }
        }
    }
}

/// The line that a controller with the rules of the model prints after each scan: every sensor and every output.
fn line_of(model: &Model, rig: &Rig<'_, 1>) -> String {
    let system = model.system();
    let mut line = String::new();
    for sensor in &system.sensors {
        if let Some(slot) = model.compiled.signals[sensor.signal.idx()] {
            let scale = system.signals[sensor.signal.idx()].scale;
            line += &format!("s.{}={} ", sensor.name, value_text(rig, slot, scale));
        }
    }
    for (at, actuator) in system.actuators.iter().enumerate() {
        if model.compiled.drives[at].is_some() {
            line += &format!("a.{}={} ", actuator.name, rig.duty(ActuatorIdx(at))[0] / 1_000);
        }
    }
    line
}

/// A map that knows every sensor and output by the names of [`line_of`].
fn whole_map(system: &System, more: &str) -> String {
    let mut map = format!("every = \"1 s\"\n{more}\n");
    for sensor in &system.sensors {
        map += &format!("[[reading]]\nprinted = \"s.{0}\"\nsensor = \"{0}\"\n", sensor.name);
    }
    for actuator in system.actuators.iter().filter(|actuator| !actuator.always) {
        map += &format!("[[output]]\nprinted = \"a.{0}\"\nactuator = \"{0}\"\n", actuator.name);
    }
    map
}

fn example(name: &str) -> System {
    let path =
        std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples/harbour-lane").join(name);
    system::load(&std::fs::read_to_string(path).expect("the example")).system.expect("a system")
}

/// Runs a twin under its own rules and prints a line after each scan from `from_h` to `to_h`.
fn print_lines(model: &Model, from_h: f64, to_h: f64, each: &mut dyn FnMut(i64, &str)) {
    let mut rig: Rig<'_, 1> = Rig::new(model, trial::start(model, 7), &[None]);
    for k in 0..(to_h * 3600.0) as i64 {
        let time = rig.twin().utc_s() * 1_000;
        rig.scan();
        if k >= (from_h * 3600.0) as i64 {
            each(time, &line_of(model, &rig));
        }
    }
}

fn beside(model: &Model, system: &Arc<System>, map: &str, from_h: f64, to_h: f64) -> Shadow {
    let mut shadow = shadow(system, map);
    let mut reader = Reader::from_the_beginning(&Form::default());
    print_lines(model, from_h, to_h, &mut |time, line| {
        let mut all = vec![];
        reader.push(line.as_bytes(), Some(time), &mut |printed| all.push(printed));
        reader.push(b"\n", Some(time), &mut |printed| all.push(printed));
        all.iter().for_each(|printed| assert!(shadow.take(printed, time), "{}", printed.name));
        shadow.advance(time);
    });
    assert_eq!(reader.tally().n_trouble(), 0);
    shadow
}

fn n_different(sums: &Sums) -> u64 {
    sums.outputs.iter().map(|sum| sum.less.n + sum.more.n + sum.n_short).sum()
}

/// The mended design under its own rules: from power-up, and joined at midnight in the middle of heating and lime.
#[test]
fn the_same_rules_never_differ() {
    let system = Arc::new(example("system.toml"));
    let model = trial::rehearse::model(&system).expect("the example compiles");
    for (from_h, to_h) in [(0.0, 24.0), (24.0, 42.0)] {
        let shadow = beside(&model, &system, &whole_map(&system, "tolerance = \"0 s\""), from_h, to_h);
        let sums = shadow.sums();
        assert_eq!(n_different(&sums), 0, "{:?}", sums.differences);
        for (mapped, sum) in shadow.map().outputs.iter().zip(&sums.outputs) {
            let name = &system.actuators[mapped.actuator.idx()].name;
            let scans = ((to_h - from_h) * 3.6e6) as i64;
            assert_eq!(sum.compared_ms + sum.settling_ms, scans, "{name}");
            assert!(sum.compared_ms > 3_600_000, "{name}: {sum:?}");
        }
        assert!(shadow.missing().is_empty() && sums.breaks.is_empty());
    }
}

/// Joined in the afternoon, when the day's lime is given already: the sums of the day begin at zero, and that is said.
#[test]
fn sums_of_the_day_begin_at_zero() {
    let system = Arc::new(example("system.toml"));
    let model = trial::rehearse::model(&system).expect("the example compiles");
    let shadow = beside(&model, &system, &whole_map(&system, ""), 15.0, 24.0);
    let sums = shadow.sums();
    assert!(!sums.differences.is_empty());
    let has_lime = |name: &str| name == "lime_pump" || name == "topoff_pump";
    assert!(sums.differences.iter().all(|difference| has_lime(&difference.output)), "{:?}", sums.differences);
    let notes = words::told(&shadow).notes;
    assert_eq!(
        notes,
        [
            "Sums of the day began at zero on 2026-01-14 15:00:00: until midnight UTC topoff_pump, lime_pump may run longer in the rules \
          than their limits of the day allow."
        ]
    );
}

/// The beginner's draft runs the tank; the display heater of the mended design beside it, against a switch written here by hand.
#[test]
fn the_draft_against_the_mended_design() {
    let draft = example("first-draft.toml");
    let model = trial::rehearse::model(&draft).expect("the example compiles");
    let mended = Arc::new(example("system.toml"));
    let map = "every = \"1 s\"\ntolerance = \"0 s\"\n[[reading]]\nprinted = \"s.display_temp\"\nsensor = \"display_temp\"\n\
               [[output]]\nprinted = \"a.heater\"\nactuator = \"heater_display\"\n";
    // The example of docs/joining.md: the same with the usual tolerance.
    let mut of_page = shadow(&mended, &map.replace("tolerance = \"0 s\"\n", ""));
    let mut shadow = shadow(&mended, map);
    let (mut by_hand, mut is_on, mut rested, mut k, mut is_settled) = ((0, 0), false, i64::MAX, 0, false);
    let mut first = None;
    print_lines(&model, 0.0, 20.0, &mut |time, line| {
        for shadow in [&mut shadow, &mut of_page] {
            feed(shadow, time, line);
            shadow.advance(time);
        }
        let of = |name: &str| {
            let value =
                line.split(' ').find_map(|pair| pair.strip_prefix(name)).expect("the name is printed");
            value.parse::<f64>().expect("a number")
        };
        let (temperature, theirs) = (of("s.display_temp="), of("a.heater=") != 0.0);
        // From below 24.9 to above 25.3; 60 s after the start at the soonest; off for 3 min at least.
        let wants = if temperature > 25.3 {
            false
        } else if temperature < 24.9 {
            true
        } else {
            is_on
        };
        let was_on = is_on;
        rested = if was_on { 0 } else { rested.saturating_add(1_000) };
        is_on = wants && k >= 60 && (was_on || rested >= 180_000);
        // Compared from the end of the shortest rest on, once a threshold is crossed or both agree.
        is_settled |= k >= 180 && (is_on == theirs || !(24.9..=25.3).contains(&temperature));
        k += 1;
        if is_settled && is_on != theirs {
            first.get_or_insert(time);
            if theirs { by_hand.0 += 1_000 } else { by_hand.1 += 1_000 }
        }
    });
    let sums = shadow.sums();
    let sum = &sums.outputs[0];
    assert!(
        by_hand.0 > 3_600_000,
        "the draft heats to 25.6 where the mended display heater stops at 25.3: {by_hand:?}"
    );
    // What was not compared, because the rules lay between their thresholds, is in neither.
    assert!(sum.settling_ms < 3_600_000, "{sum:?}");
    assert_eq!((sum.less.ms, sum.more.ms), by_hand, "{first:?} {:?} {sum:?}", sums.differences.first());
    let page = include_str!("../../../docs/joining.md").replace("\n> ", " ");
    let sentence = &words::told(&of_page).outputs[0];
    assert!(page.contains(sentence.as_str()), "docs/joining.md lacks: {sentence}");
    let told = words::told(&shadow);
    assert!(told.outputs[0].starts_with("heater_display: the rules would have been off "), "{told:?}");
    assert!(
        told.inputs.iter().any(|line| line.starts_with("Not in the map") && line.contains(" ph,")),
        "{told:?}"
    );
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..Default::default() })]

    /// Whatever comes and whenever it says it did: no panic, and the times add up.
    #[test]
    fn any_values(steps in prop::collection::vec((0usize..6, -200.0..200.0f64, prop_oneof![-5_000i64..40_000, Just(i64::MAX), Just(i64::MIN), Just(-4_000_000)]), 0..200)) {
        let system = small(HEATER);
        let mut shadow = shadow(&system, MAP);
        let mut time = NOON;
        for (name, value, step) in steps {
            let printed = shadow::Printed {
                name: ["t", "t2", "wet", "h", "p", "other"][name].to_owned(),
                value: if value > 150.0 { shadow::Value::Nothing } else if name < 2 { shadow::Value::Number(value) } else { shadow::Value::Number(f64::from(u8::from(value > 0.0))) },
                unit: None,
                time: None,
            };
            let at = if step.unsigned_abs() > 1 << 50 { step } else { time += step; time };
            shadow.take(&printed, at);
            shadow.advance(time);
        }
        let sums = shadow.sums();
        prop_assert!(serde_json::to_string(&shadow.keep()).is_ok());
        let all = |sum: &shadow::run::OutputSum| sum.compared_ms + sum.unknown_ms + sum.settling_ms;
        prop_assert_eq!(all(&sums.outputs[0]), all(&sums.outputs[1]));
        for sum in &sums.outputs {
            prop_assert!(sum.less.ms + sum.more.ms <= sum.compared_ms);
        }
        words::told(&shadow);
        shadow.now();
    }
}
