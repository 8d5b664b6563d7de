//! One heated tank with a reservoir that keeps its level: small enough that a whole FMEA takes a second.

use system::System;
use system::model::{ActuatorIdx, AlarmIdx, SensorIdx};
use trial::{EPOCH_UTC_S, Fmea, Model, Options, Row, Wanted, run};
use twin::Start;

/// Seconds in an hour.
pub const HOUR_S: f64 = 3600.0;
/// Cubic metres in a litre.
pub const LITRE: f64 = 1e-3;
/// Water area of the display, m².
pub const AREA: f64 = 0.6 * 0.4;
/// Water in the display at its start, m³.
pub const TANK: f64 = AREA * 0.4;
/// What fits between that and the rim, m³.
pub const SPARE: f64 = AREA * 0.03;
/// What the reservoir gives until its line draws air, m³: 250 mm down to the intake at 10 mm.
pub const RESERVE: f64 = 0.2 * 0.2 * 0.24;
/// Flow of the top-off pump, m³/s.
pub const TOPOFF: f64 = 12.0 * LITRE / HOUR_S;
/// Heater, W.
pub const HEATER_W: f64 = 400.0;
/// Room, °C.
pub const ROOM_C: f64 = 20.0;

/// The file. Its float pair keeps 400 mm: the low one calls below 398, the high one opens the pump's own wire at 410.
pub const TEXT: &str = r#"
[system]
name = "small tank"
scan = "5 s"
unattended = "6 h"
response = { day = "1 h", night = "1 h", weekend = "1 h" }
telling = { heartbeat = "30 min", from = "medium" }

[water]
temperature = "25.5 degC"
salinity = 35

[[climate]]
name = "room"
day = "20 degC"
humidity = "50 %"

[[vessel]]
name = "display"
role = "display"
inside = ["600 mm", "400 mm", "430 mm"]
glass = "10 mm"
floor = "900 mm"
level = "400 mm"
evaporation = 0.74

[[vessel]]
name = "reservoir"
role = "reservoir"
inside = ["200 mm", "200 mm", "300 mm"]
floor = "50 mm"
level = "250 mm"
full = "250 mm"
dead = "10 mm"
holds = "fresh"
evaporation = 0

[[passage]]
name = "topoff_line"
kind = "line"
from = "reservoir"
to = "display"
pump = "topoff_pump"
flow = "12 L/h"
intake = "10 mm"
outlet = "450 mm"
occludes = true

[[supply]]
name = "circuit"
kind = "circuit"

[[board]]
name = "controller"
chip = "ATmega328P"
supply = "circuit"
watchdog = true

[[actuator]]
name = "heater"
kind = "heater"
power = "400 W"
supply = "circuit"
vessel = "display"
mark = "100 mm"
delay = "0 s"
heats = { vessel = "display", share = "100 %" }

[[actuator]]
name = "circulation"
kind = "circulation"
power = "5 W"
supply = "circuit"
contact = "NC"
vessel = "display"
mark = "100 mm"
moves = "display"

[[actuator]]
name = "topoff_pump"
kind = "dosing_pump"
power = "4 W"
supply = "circuit"
series = ["float_high"]

[[sensor]]
name = "display_temp"
kind = "ds18b20"
vessel = "display"
height = "200 mm"

[[sensor]]
name = "second_temp"
kind = "ds18b20"
vessel = "display"
height = "150 mm"

[[sensor]]
name = "float_low"
kind = "float"
vessel = "display"
low = "398 mm"
high = "401 mm"
true_when = "below"
closed_when = "below"

[[sensor]]
name = "float_high"
kind = "float"
vessel = "display"
low = "407 mm"
high = "410 mm"
true_when = "above"
closed_when = "below"

[[rule]]
drives = "heater"
start = "display_temp < 25.3 degC"
stop = "display_temp > 25.6 degC"
trip = "second_temp > 27.5 degC"
trip_reset = "by hand"
when_blind = "off"

[[rule]]
drives = "circulation"
always = true
when_blind = "on"

[[rule]]
drives = "topoff_pump"
when = "float_low"
permissive = "not float_high"
when_blind = "off"

[[alarm]]
name = "warm"
when = "display_temp > 27 degC"
delay = "5 min"
priority = "high"
text = "The display is getting warm"

[[alarm]]
name = "too_high"
when = "float_high"
delay = "5 min"
priority = "medium"
text = "The display is above its mark"

[[alarm]]
name = "calls"
when = "float_low"
delay = "5 min"
priority = "low"
text = "Top-off is called for"

[requirements]
defaults = true
"#;

/// The file with pieces replaced; every piece must be there.
pub fn text(changes: &[(&str, &str)]) -> String {
    let mut text = TEXT.to_owned();
    for (from, to) in changes {
        assert!(text.contains(from), "no `{from}` in the small tank");
        text = text.replace(from, to);
    }
    text
}

/// A system from text; panics with the findings when it cannot be read.
pub fn read(text: &str) -> System {
    let loaded = system::load(text);
    let findings: Vec<String> =
        loaded.diagnostics.iter().map(|d| format!("{} {}", d.id, d.message)).collect();
    loaded.system.unwrap_or_else(|| panic!("{findings:#?}\n{text}"))
}

/// Made ready to run.
pub fn model(system: &System) -> Model {
    Model::new(system).unwrap_or_else(|findings| panic!("{findings:#?}"))
}

/// One origin, one thread, nominal.
pub fn quick() -> Options {
    Options { wanted: Wanted { one_instant: true, nominal_only: true }, n_threads: 1, ..Options::default() }
}

/// The FMEA of a system.
pub fn fmea(system: &System, options: &Options) -> Fmea {
    run(&model(system), options, &|_, _| {}).expect("requirements that can be judged")
}

/// The row of one fault.
pub fn row<'f>(fmea: &'f Fmea, part: &str, mode: &str) -> &'f Row {
    let ids: Vec<String> = fmea.rows.iter().map(|r| format!("{}:{}", r.part, r.mode)).collect();
    fmea.rows
        .iter()
        .find(|r| r.part == part && r.mode == mode)
        .unwrap_or_else(|| panic!("no {part}:{mode} in {ids:?}"))
}

/// Position of a requirement.
pub fn requirement(fmea: &Fmea, name: &str) -> usize {
    fmea.requirements.iter().position(|(n, ..)| n == name).unwrap_or_else(|| panic!("no `{name}`"))
}

/// Start of the runs that are driven by hand: a Wednesday's midnight.
pub const START: Start = Start { utc_s: EPOCH_UTC_S, local_offset_s: 0, seed: 3 };

fn find<'a>(mut names: impl Iterator<Item = &'a String>, name: &str) -> usize {
    names.position(|x| x == name).unwrap_or_else(|| panic!("no `{name}`"))
}

/// Position of a sensor.
pub fn sensor(system: &System, name: &str) -> SensorIdx {
    SensorIdx(find(system.sensors.iter().map(|x| &x.name), name))
}

/// Position of an actuator.
pub fn actuator(system: &System, name: &str) -> ActuatorIdx {
    ActuatorIdx(find(system.actuators.iter().map(|x| &x.name), name))
}

/// Position of an alarm.
pub fn alarm(system: &System, name: &str) -> AlarmIdx {
    AlarmIdx(find(system.alarms.iter().map(|x| &x.name), name))
}
