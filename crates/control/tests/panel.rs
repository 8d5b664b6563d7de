//! The panel of a file: what its pages look like, what its keys do, and what is told when something does not fit.

#![allow(clippy::unwrap_used)]

use std::path::Path;

use control::{Compiled, Slot, compile, panel};
use program::panel::show::{Act, Display, Seen};
use program::panel::{Action, Panel, Pattern, charset};
use program::{Quality, Sample};
use system::System;

const HEAD: &str = r#"
[system]
name = "panel"
timezone = "UTC0"
[[board]]
name = "board"
chip = "ATmega328P"
[[device]]
name = "display"
kind = "text_display"
address = 0x27
size = "16x2"
[[sensor]]
name = "temp"
kind = "ds18b20"
[[sensor]]
name = "room"
kind = "room_temperature"
[[sensor]]
name = "leak"
kind = "leak"
[[actuator]]
name = "heater"
kind = "heater"
[[actuator]]
name = "fan"
kind = "fan"
modulated = true
[[rule]]
drives = "heater"
start = "temp < 25 degC"
stop = "temp > 25.5 degC"
when_blind = "off"
[[rule]]
drives = "fan"
modulate = { measure = "temp", setpoint = "26 degC", band = "1 K", cools = true }
when_blind = "off"
[[alarm]]
name = "wet"
when = "leak"
priority = "high"
text = "Water on the floor"
"#;

fn made(rest: &str) -> (System, Compiled, Panel) {
    let text = format!("{HEAD}{rest}");
    let loaded = system::load(&text);
    let system = loaded.system.unwrap_or_else(|| panic!("{:#?}", loaded.diagnostics));
    let compiled = compile(&system).unwrap();
    let panel = panel::table(&system, &compiled).unwrap().panel;
    assert_eq!(Panel::decode(&panel::bytes(&system, &compiled).unwrap()).as_ref(), Ok(&panel));
    (system, compiled, panel)
}

/// Ids with what stands at their first place.
fn findings(rest: &str) -> Vec<(&'static str, String)> {
    let text = format!("{HEAD}{rest}");
    let loaded = system::load(&text);
    let system = loaded.system.unwrap_or_else(|| panic!("{:#?}", loaded.diagnostics));
    let all = match compile(&system) {
        Ok(compiled) => compiled.warnings,
        Err(findings) => findings,
    };
    let place = |finding: &system::Diagnostic| {
        finding.annotations.first().map_or(String::new(), |at| text[at.span.clone()].to_owned())
    };
    all.iter().map(|finding| (finding.id, place(finding))).collect()
}

/// A board on which everything is good and off.
fn seen(compiled: &Compiled, panel: &Panel) -> Seen {
    let sizes = compiled.sizes;
    Seen {
        counts: panel.counts,
        n_number_inputs: usize::from(panel.counts[8]),
        n_bit_inputs: usize::from(panel.counts[9]),
        numbers: vec![Sample::good(0); usize::from(sizes.n_numbers)],
        bits: vec![(false, Quality::Good); usize::from(sizes.n_bits)],
        outputs: vec![0; usize::from(sizes.n_drives)],
        hand_left_ms: vec![0; usize::from(sizes.n_drives)],
        alarms: vec![(false, 2); usize::from(sizes.n_alarms)],
        steps: vec![0; usize::from(sizes.n_procedures)],
        ..Seen::default()
    }
}

fn set(system: &System, compiled: &Compiled, seen: &mut Seen, name: &str, sample: Sample) {
    let signal = system.signals.iter().position(|signal| signal.name == name).unwrap();
    let Some(Slot::Number(slot)) = compiled.signals[signal] else { panic!("`{name}` is no number") };
    seen.numbers[usize::from(slot.0)] = sample;
}

fn rows(display: &Display, seen: &Seen) -> Vec<String> {
    display.rows(seen).iter().map(|row| charset::decode(row)).collect()
}

#[test]
fn a_page_looks_as_it_is_written() {
    let (system, compiled, panel) = made(
        r#"
[[page]]
lines = ["Tank {temp:1}°C", "{heater?heats|rests} {fan}%"]
[[page]]
lines = ["{attention}", "{clock} {hand heater}"]
"#,
    );
    let mut seen = seen(&compiled, &panel);
    let mut display = Display::new(panel);
    set(&system, &compiled, &mut seen, "temp", Sample::good(25_449));
    assert_eq!(rows(&display, &seen), ["Tank 25.4°C     ", " rests   0%     "]);
    set(&system, &compiled, &mut seen, "temp", Sample::uncertain(9_951));
    seen.outputs = vec![1, 705];
    assert_eq!(rows(&display, &seen), ["Tank?10.0°C     ", " heats  71%     "]);
    set(&system, &compiled, &mut seen, "temp", Sample::BAD);
    assert_eq!(rows(&display, &seen), ["Tank ----°C     ", " heats  71%     "]);
    // The alarm brings its page up, and its sentence, longer than the line, walks there.
    seen.alarms[0].0 = true;
    seen.hand_left_ms[0] = 90_000;
    let clock = compiled.local_time.unwrap();
    seen.numbers[usize::from(clock.0)] = Sample::good((9 * 60 + 5) * 60_000);
    display.scan(&seen);
    assert_eq!(rows(&display, &seen), ["Water on the flo", "  9:05  1:30    "]);
    for _ in 0..9 * 4 {
        display.tick();
    }
    assert_eq!(rows(&display, &seen)[0], "ter on the floor");
}

#[test]
fn us_units_are_shown_where_the_file_says_so() {
    let page = "[panel]\nunits = \"us\"\n[[page]]\nlines = [\"{temp} {attention}\"]\n";
    let (system, compiled, panel) = made(page);
    let mut seen = seen(&compiled, &panel);
    set(&system, &compiled, &mut seen, "temp", Sample::good(25_400));
    assert_eq!(rows(&Display::new(panel), &seen)[0], "  77.7 All is we");
}

#[test]
fn without_a_page_there_is_a_usual_set() {
    let (system, compiled, panel) = made("");
    let mut seen = seen(&compiled, &panel);
    set(&system, &compiled, &mut seen, "temp", Sample::good(25_000));
    seen.outputs[1] = 300;
    let mut display = Display::new(panel);
    assert_eq!(rows(&display, &seen), ["All is well     ", "temp        25.0"]);
    for _ in 0..6 * 20 {
        display.tick();
    }
    assert_eq!(rows(&display, &seen), ["All is well     ", "heat offfan  on "]);
}

#[test]
fn keys_ask_for_what_they_say() {
    let (_, compiled, panel) = made(
        r#"
[[device]]
name = "receiver"
kind = "infrared_receiver"
pin = "PD2"
[[remote_key]]
name = "Fan half"
code = 0x45ff00
does = "fan 50 % for 1 h"
[[remote_key]]
name = "Heater"
does = "heater over for 10 min"
[[remote_key]]
name = "Quiet"
code = 0x46ff00
does = "silence for 10 min"
"#,
    );
    assert_eq!(panel.keys[1].action, Action::Toggle { drive: 0, value: 1, time_s: 600 });
    let mut seen = seen(&compiled, &panel);
    seen.learned[1] = Some(0x01_0001);
    seen.outputs[0] = 1;
    let mut display = Display::new(panel);
    let mut acts = vec![];
    for code in [0x45_FF00, 0x01_0001, 0x46_FF00, 0x47_FF00] {
        display.key(code, &seen, &mut |act| {
            acts.push(act);
            true
        });
    }
    let hour = Act::Hand { drive: 1, value: 500, time_ms: 3_600_000 };
    assert_eq!(acts, [hour, Act::Hand { drive: 0, value: 0, time_ms: 600_000 }]);
}

#[test]
fn a_buzzer_without_a_rule_is_the_output_behind_the_drives() {
    let buzzer = "[[actuator]]\nname = \"horn\"\nkind = \"buzzer\"\n";
    let (_, compiled, panel) =
        made(&format!("{buzzer}[buzzer]\nhigh = {{ beeps = 2, length = \"100 ms\", every = \"3 s\" }}\n"));
    assert_eq!(panel.buzzer, Some(2));
    assert_eq!(panel.patterns[2], Pattern { hz: 2700, period_s: 3, beeps: 0b110_0011 });
    assert_eq!(panel.patterns[0], Pattern::USUAL[0]);
    // High alarm: sounds by itself; silenced, it stays so until a new alarm begins.
    let mut seen = seen(&compiled, &panel);
    let mut display = Display::new(panel);
    display.scan(&seen);
    assert_eq!(display.tone(&seen), 0);
    seen.alarms[0].0 = true;
    display.scan(&seen);
    assert_eq!(display.tone(&seen), 2700);
    display.silence(600);
    assert_eq!(display.tone(&seen), 0);
    display.doubt(1);
    display.scan(&seen);
    assert_eq!(display.tone(&seen), Pattern::USUAL[3].hz);
    let ruled = format!("{buzzer}[[rule]]\ndrives = \"horn\"\nwhen = \"leak\"\nwhen_blind = \"on\"\n");
    assert_eq!(made(&ruled).2.buzzer, Some(2), "its drive is the third");
}

#[test]
fn what_does_not_fit_is_told() {
    let page = |lines: &str| findings(&format!("[[page]]\nlines = [{lines}]\n"));
    assert_eq!(
        page(r#""{attention}", "{temp:3} {room:3}°C""#),
        [("line-too-long", "\"{temp:3} {room:3}°C\"".into())]
    );
    assert_eq!(page(r#""ten chars {attention}""#), [("line-too-long", "\"ten chars {attention}\"".into())]);
    assert_eq!(page(r#""a", "b", "c""#), [("too-many-lines", "\"c\"".into())]);
    assert_eq!(page(r#""{attention} {step}""#), [("places-compete", "\"{attention} {step}\"".into())]);
    assert_eq!(page(r#""水 {temp}""#), [("letter-not-shown", "水 ".into())]);
    let key = |does: &str| {
        let receiver = "[[device]]\nname = \"r\"\nkind = \"infrared_receiver\"\npin = \"PD2\"\n";
        let idle = "[[actuator]]\nname = \"idle\"\nkind = \"buzzer\"\n";
        let key = format!("[[remote_key]]\nname = \"k\"\ndoes = \"{does}\"\n");
        findings(&format!("{receiver}{idle}{key}")).into_iter().map(|(id, _)| id).collect::<Vec<_>>()
    };
    assert_eq!(key("reset heater"), ["nothing-to-reset"]);
    assert_eq!(key("heater on for 13 h"), ["hand-cut"]);
    assert_eq!(key("idle on for 1 h"), ["not-driven"]);
    assert_eq!(key("next page"), [""; 0]);
    let lonely = "[[remote_key]]\nname = \"k\"\ndoes = \"next page\"\n";
    assert_eq!(findings(lonely), [("panel-part-missing", "[[remote_key]]".into())]);
    let long = format!("[[alarm]]\nname = \"long\"\nwhen = \"leak\"\ntext = \"{}\"\n", "x".repeat(201));
    assert_eq!(findings(&long), [("text-cut", format!("\"{}\"", "x".repeat(201)))]);
}

#[test]
fn harbour_lane_has_its_pages_and_pays_no_byte_of_its_program_for_them() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples/harbour-lane/system.toml");
    let system = system::load_file(&path).loaded.system.unwrap();
    let compiled = compile(&system).unwrap();
    let mut bare = system.clone();
    bare.panel = system::panel::Panel::default();
    assert_eq!(compile(&bare).unwrap().bytes, compiled.bytes);
    let panel = panel::table(&system, &compiled).unwrap();
    assert!(panel.warnings.is_empty(), "{:#?}", panel.warnings);
    let mut seen = seen(&compiled, &panel.panel);
    for (name, value) in
        [("tank_temp", 25_412), ("ph", 8_214), ("sump_temp", 25_380), ("return_flow", 41_700)]
    {
        set(&system, &compiled, &mut seen, name, Sample::good(value));
    }
    let mut display = Display::new(panel.panel);
    assert_eq!(
        rows(&display, &seen),
        ["All is well         ", "Tank 25.4°C pH  8.21", "Sump 25.4°C  0:00   ", "Return off 2502 L/h "]
    );
    let mut pages = vec![];
    for _ in 0..3 {
        pages.push(rows(&display, &seen)[1].clone());
        for _ in 0..6 * 20 {
            display.tick();
        }
    }
    assert_eq!(pages[1..], ["Heat off off CUT    ", "Light off fans off  "]);
}
