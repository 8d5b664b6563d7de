//! Who is told, when, and whether that is in time; what nobody is told of.

use trial::{Fmea, Options, Row};

use crate::small::{HOUR_S, LITRE, SPARE, TEXT, TOPOFF, fmea, quick, read, requirement, row, text};

/// Only that the tank must not cook, and a key holder who takes so long.
fn cooks(weekend: &str) -> String {
    text(&[
        ("defaults = true", "defaults = false"),
        ("weekend = \"1 h\"", &format!("weekend = \"{weekend}\"")),
    ]) + "[[requirement]]\nname = \"hot\"\ntext = \"always display.temperature <= 31 degC\"\nharm = \"cook\"\n\
           severity = \"catastrophic\"\n"
}

fn one(text: &str, fault: &str) -> Fmea {
    fmea(&read(text), &Options { only: Some(fault.to_owned()), ..quick() })
}

/// 27 °C and five minutes, then on to 31 °C: at about 3.4 K/h a lead of a little over an hour.
#[test]
fn the_lead_of_an_alarm_is_from_its_message_to_the_breach() {
    for (weekend, in_time) in [("30 min", true), ("2 h", false)] {
        let fmea = one(&cooks(weekend), "heater:welded");
        let row = row(&fmea, "heater", "welded");
        let (told, name) = row.told.clone().expect("somebody is told");
        assert_eq!(name, "warm");
        let breach = row.process_safety_time_s.expect("it cooks");
        assert_eq!(row.alarm_lead_s, Some(breach - told));
        assert!((0.9 * HOUR_S..1.5 * HOUR_S).contains(&(breach - told)), "{told} and {breach}");
        assert_eq!(row.person_in_time, in_time, "{weekend}");
        assert!(!row.hidden);
    }
}

/// A message that never leaves is noticed by its absence after the heartbeat's 30 min.
#[test]
fn silence_tells_after_the_heartbeat() {
    let fmea = fmea(&read(TEXT), &quick());
    for (part, mode) in [("telling", "dead"), ("mains", "out"), ("controller", "dead")] {
        let row = row(&fmea, part, mode);
        let silence = row.outcomes[0].silence_at_s.unwrap_or_else(|| panic!("{part}:{mode} is silent"));
        assert!((1800.0..=1860.0).contains(&silence), "{part}:{mode} {silence}");
        assert_eq!(
            row.told.as_ref().map(|(t, n)| (*t, n.as_str())),
            Some((silence, "silence")),
            "{part}:{mode}"
        );
    }
    // The watchdog has the hung board back before anybody misses it.
    assert_eq!(row(&fmea, "controller", "hung").outcomes[0].silence_at_s, None);
}

#[test]
fn without_a_heartbeat_nobody_notices_silence() {
    let mute = text(&[(
        "telling = { heartbeat = \"30 min\", from = \"medium\" }",
        "telling = { from = \"medium\" }",
    )]);
    let fmea = one(&mute, "telling:dead");
    let row = row(&fmea, "telling", "dead");
    assert!(row.told.is_none() && row.broken.is_none());
    assert!(row.hidden, "a dead path waits for a second fault");
}

#[test]
fn low_priorities_are_not_told() {
    let fmea = fmea(&read(TEXT), &quick());
    let calls = read(TEXT).alarms.iter().position(|a| a.name == "calls").expect("it is in the file");
    let row = row(&fmea, "float_low", "stuck-down");
    assert_eq!(row.told.as_ref().map(|(_, name)| name.as_str()), Some("too_high"));
    assert!(fmea.rows.iter().all(|r| r.outcomes[0].told_at_s[calls].is_none()));
}

#[test]
fn guards_that_are_never_asked_fail_hidden() {
    let fmea = fmea(&read(TEXT), &quick());
    let hidden = |part: &str, mode: &str| row(&fmea, part, mode).hidden;
    assert!(hidden("second_temp", "frozen"), "the trip's probe");
    assert!(hidden("float_high", "stuck-down"), "the float in the pump's wire");
    assert!(
        !hidden("heater", "welded") && !hidden("controller", "dead") && !hidden("float_low", "stuck-down")
    );
    for row in fmea.rows.iter().filter(|r| r.hidden) {
        assert!(
            row.told.is_none() && row.broken.is_none() && row.breaches.is_empty(),
            "{}:{}",
            row.part,
            row.mode
        );
    }
}

fn pair<'f>(fmea: &'f Fmea, part: &str, mode: &str) -> Option<&'f Row> {
    fmea.pairs.iter().find(|r| r.part == part && r.mode == mode)
}

/// The high float hangs and the pump's relay welds: water over the rim after what fits below it, which neither does alone.
#[test]
fn pairs_find_the_latent_float_under_a_welded_pump() {
    let system = read(TEXT);
    let singles = fmea(&system, &quick());
    assert!(singles.pairs.is_empty(), "pairs only when asked for");
    let fmea = fmea(&system, &Options { pairs: true, ..quick() });
    let floor = requirement(&fmea, "floor");
    for (part, mode) in [
        ("float_high + topoff_pump", "stuck-down + welded"),
        ("float_high + float_low", "stuck-down + stuck-down"),
    ] {
        let row = pair(&fmea, part, mode).unwrap_or_else(|| panic!("{part} is not found"));
        let at = row.cells[floor].broken_at_s.expect("it floods");
        let exact = (SPARE + 0.5 * LITRE) / TOPOFF;
        // The level stands within the float's 3 mm when the pump begins: 0.7 L of 7.7.
        assert!((at / exact - 1.0).abs() < 0.1, "{at} s, by hand {exact} s");
        assert_eq!(row.rate_per_year, None);
    }
    assert!(
        pair(&fmea, "float_high + circulation", "stuck-down + stopped").is_none(),
        "broken by the one alone"
    );
    // A pair stands once, whichever of its parts is named first.
    let mut seen = std::collections::BTreeSet::new();
    for row in &fmea.pairs {
        let mut ids: Vec<String> = (row.part.split(" + ").zip(row.mode.split(" + ")))
            .map(|(part, mode)| format!("{part}:{mode}"))
            .collect();
        ids.sort();
        assert!(seen.insert(ids), "{} {} stands twice", row.part, row.mode);
    }
}
