//! Rehearsal: columns, lines and log of a record; readings set by hand where nothing has a geometry.

use system::model::AlarmIdx;
use trial::Injection;
use trial::rehearse::{Event, Happening, Scenario, columns, model, run};
use twin::Flaw;

use crate::small::{TEXT, actuator, read, sensor};

#[test]
fn a_record_has_a_column_for_everything_and_a_line_for_each_step() {
    let system = read(TEXT);
    let model = model(&system).expect("it compiles");
    let columns = columns(&model);
    let find = |name: &str| {
        columns.iter().position(|c| c.name == name).unwrap_or_else(|| panic!("no column {name}: {columns:?}"))
    };
    for (name, unit, is_truth) in [
        ("display_temp", "degC", false),
        ("float_low", "", false),
        ("heater", "", false),
        ("alarm.warm", "", false),
        ("display.temperature", "degC", true),
        ("reservoir.level", "mm", true),
        ("floor.outside", "L", true),
        ("room.temperature", "degC", true),
    ] {
        let column = &columns[find(name)];
        assert_eq!((column.unit, column.is_truth), (unit, is_truth), "{name}");
    }
    let mut names: Vec<&str> = columns.iter().map(|c| c.name.as_str()).collect();
    names.sort_unstable();
    assert!(names.windows(2).all(|two| two[0] != two[1]), "a column stands once: {names:?}");
    let welded = Injection::Flaw(Flaw::Welded(actuator(&system, "heater")));
    let scenario = Scenario {
        duration_s: 7200.0,
        corner: None,
        seed: 1,
        every_s: 60.0,
        events: vec![(600.0, Event::Fault(welded))],
    };
    let mut lines: Vec<(f64, Vec<f64>)> = vec![];
    let rehearsal =
        run(&model, &scenario, &mut |time, values| lines.push((time, values.to_vec()))).expect("it runs");
    assert_eq!(lines.len(), 120);
    assert!(lines.windows(2).all(|two| two[1].0 - two[0].0 == 60.0));
    assert!(lines.iter().all(|(_, values)| values.len() == columns.len()));
    let at = |minute: usize, name: &str| lines[minute].1[find(name)];
    // The probe's tolerance is not drawn: it follows the water by its resolution, noise and lag.
    assert!((at(110, "display_temp") - at(110, "display.temperature")).abs() < 0.3);
    assert!(at(110, "display.temperature") > at(10, "display.temperature") + 4.0);
    assert_eq!((at(9, "alarm.warm"), at(110, "alarm.warm")), (0.0, 1.0));
    assert_eq!(at(110, "heater"), 0.0, "the rule lets go, the contact does not");
    assert!((at(0, "room.temperature") - 20.0).abs() < 1e-9);
    let said = |what: &dyn Fn(&Happening) -> bool| {
        let first = rehearsal.log.iter().find(|(_, happening)| what(happening));
        first.map(|(t, _)| *t).unwrap_or_else(|| panic!("it is not in the log: {:?}", rehearsal.log))
    };
    assert_eq!(said(&|h| *h == Happening::Struck(welded)), 600.0);
    let warm = system.alarms.iter().position(|alarm| alarm.name == "warm").expect("of the file");
    let heater = actuator(&system, "heater");
    let trip = said(&|h| *h == Happening::Trip { actuator: heater, is_tripped: true });
    let warm = said(&|h| *h == Happening::Alarm { alarm: AlarmIdx(warm), stands: true });
    assert!(600.0 < trip && 600.0 < warm);
    assert!(rehearsal.log.windows(2).all(|two| two[0].0 <= two[1].0), "in order");
    let judged = rehearsal.outcome.tripped_at_s[heater.idx()].expect("judged as well");
    assert!((judged - trip).abs() <= 60.0);
}

/// Rules alone: no vessel, no climate, what a probe reads is said by hand.
#[test]
fn readings_are_set_by_hand_without_geometry() {
    let system = read(
        "[system]\nname = \"bench\"\nscan = \"1 s\"\n[[board]]\nname = \"board\"\nchip = \"ATmega328P\"\n\
         [[actuator]]\nname = \"heater\"\nkind = \"heater\"\npower = \"100 W\"\n\
         [[sensor]]\nname = \"temp\"\nkind = \"ds18b20\"\n\
         [[rule]]\ndrives = \"heater\"\nstart = \"temp < 25 degC\"\nstop = \"temp > 26 degC\"\nwhen_blind = \"off\"\n\
         [requirements]\ndefaults = false\n",
    );
    let model = model(&system).expect("it compiles");
    let temp = sensor(&system, "temp");
    let reads = |celsius: f64| Event::Fault(Injection::Flaw(Flaw::Reads(temp, celsius)));
    let scenario = Scenario {
        duration_s: 300.0,
        corner: None,
        seed: 1,
        every_s: 1.0,
        events: vec![(0.0, reads(25.5)), (100.0, reads(24.0)), (200.0, reads(27.0))],
    };
    let names: Vec<String> = columns(&model).into_iter().map(|c| c.name).collect();
    let find =
        |name: &str| names.iter().position(|n| n == name).unwrap_or_else(|| panic!("{name}: {names:?}"));
    let (temp, heater) = (find("temp"), find("heater"));
    let mut lines: Vec<Vec<f64>> = vec![];
    run(&model, &scenario, &mut |_, values| lines.push(values.to_vec())).expect("it runs");
    for (second, celsius, on) in [(90, 25.5, 0.0), (190, 24.0, 1.0), (290, 27.0, 0.0)] {
        assert!((lines[second][temp] - celsius).abs() <= 0.1, "{} at {second} s", lines[second][temp]);
        assert_eq!(lines[second][heater], on, "at {second} s");
    }
}

#[test]
fn the_same_scenario_gives_the_same_record() {
    let system = read(TEXT);
    let model = model(&system).expect("it compiles");
    let record = |seed: u64| {
        let scenario = Scenario { duration_s: 3600.0, corner: None, seed, every_s: 300.0, events: vec![] };
        let mut lines = String::new();
        let end = run(&model, &scenario, &mut |t, v| lines += &format!("{t} {v:?}\n")).expect("it runs");
        (lines, end.outcome)
    };
    assert_eq!(record(1), record(1));
    assert_ne!(record(1).0, record(2).0);
}
