//! The board in the loop: hangs, resets and what they keep.

use program::machine::Command;
use system::System;
use trial::{Injection, Model, Rig};
use twin::Flaw;

use crate::small::{START, actuator, alarm, model, read, sensor, text};

/// The small tank at a scan of a second.
fn ticking(watchdog: bool) -> System {
    read(&text(&[
        ("scan = \"5 s\"", "scan = \"1 s\""),
        ("watchdog = true", if watchdog { "watchdog = true" } else { "watchdog = false" }),
    ]))
}

/// One run, a minute old.
fn running(model: &Model) -> Rig<'_, 1> {
    let mut rig = Rig::new(model, START, &[None]);
    rig.run_to(60);
    rig
}

fn seconds(rig: &mut Rig<'_, 1>, n: u64) {
    let until = rig.twin().scan() + n;
    rig.run_to(until);
}

fn reads(rig: &mut Rig<'_, 1>, name: &str, celsius: f64) {
    let flaw = Flaw::Reads(sensor(&rig.twin().plan().system, name), celsius);
    rig.twin_mut().set_flaw(0, flaw);
}

fn heats(rig: &Rig<'_, 1>) -> bool {
    rig.duty(actuator(&rig.twin().plan().system, "heater"))[0] > 0
}

fn tripped(model: &Model, rig: &Rig<'_, 1>) -> bool {
    let trips = &model.compiled.trips[actuator(model.system(), "heater").idx()];
    trips.iter().any(|t| rig.machine().is_tripped(usize::from(t.order), 0))
}

#[test]
fn a_hung_board_without_a_watchdog_holds_its_outputs() {
    let system = ticking(false);
    let model = model(&system);
    let mut rig = running(&model);
    reads(&mut rig, "display_temp", 24.0);
    seconds(&mut rig, 30);
    assert!(heats(&rig), "cold water is heated");
    rig.inject(0, Injection::Flaw(Flaw::BoardHung));
    reads(&mut rig, "display_temp", 30.0);
    reads(&mut rig, "second_temp", 30.0);
    seconds(&mut rig, 3600);
    assert!(heats(&rig) && rig.twin().running(actuator(&system, "heater").idx()) != 0, "as it was");
    assert_eq!(rig.board_answers(), 0);
    assert_eq!(rig.alarm(alarm(&system, "warm")), 0, "a board that hangs raises nothing");
    assert!(!rig.command(0, Command::ResetTrip { trip: 0 }) || rig.board_answers() == 0);
}

/// The AVR's watchdog fires after 2 s at its longest: two scans of a second are lost, then the rules are back.
#[test]
fn a_watchdog_brings_a_hung_board_back() {
    let system = ticking(true);
    let model = model(&system);
    let mut rig = running(&model);
    reads(&mut rig, "display_temp", 24.0);
    seconds(&mut rig, 30);
    rig.inject(0, Injection::Flaw(Flaw::BoardHung));
    reads(&mut rig, "display_temp", 30.0);
    let mut silent = 0;
    for _ in 0..60 {
        rig.scan();
        silent += u32::from(rig.board_answers() == 0);
    }
    assert!((1..=3).contains(&silent), "{silent} s without an answer");
    assert!(!heats(&rig), "the rules run again");
    seconds(&mut rig, 600);
    assert_eq!(rig.alarm(alarm(&system, "warm")), 1);
}

/// A reset every five seconds for ten minutes, and none after.
#[test]
fn a_brown_out_resets_again_and_again() {
    let system = ticking(true);
    let model = model(&system);
    let mut rig = running(&model);
    rig.inject(0, Injection::BrownOut);
    let down = |rig: &mut Rig<'_, 1>, n: u64| {
        (0..n)
            .filter(|_| {
                rig.scan();
                rig.board_answers() == 0
            })
            .count()
    };
    let resets = down(&mut rig, 620);
    assert!((119..=122).contains(&resets), "{resets} resets in ten minutes");
    assert_eq!(down(&mut rig, 600), 0);
    // No alarm with a delay of five minutes can stand on a board that begins anew every five seconds.
    reads(&mut rig, "display_temp", 30.0);
    rig.inject(0, Injection::BrownOut);
    seconds(&mut rig, 590);
    assert_eq!(rig.alarm(alarm(&system, "warm")), 0);
    seconds(&mut rig, 330);
    assert_eq!(rig.alarm(alarm(&system, "warm")), 1);
}

#[test]
fn a_blink_of_the_mains_stops_all_for_two_seconds() {
    let system = ticking(true);
    let model = model(&system);
    let pump = actuator(&system, "circulation").idx();
    let mut rig = running(&model);
    assert_eq!(rig.twin().running(pump), 1);
    rig.inject(0, Injection::Blink);
    let (mut still, mut silent) = (0, 0);
    for _ in 0..60 {
        rig.scan();
        still += u32::from(rig.twin().running(pump) == 0);
        silent += u32::from(rig.board_answers() == 0);
    }
    assert!((2..=5).contains(&still) && (1..=3).contains(&silent), "still {still} s, silent {silent} s");
    assert_eq!(rig.twin().running(pump), 1);
}

#[test]
fn a_pump_that_will_not_restart_stays_seized_after_a_blink() {
    let system = ticking(true);
    let model = model(&system);
    let pump = actuator(&system, "circulation");
    let mut rig = running(&model);
    rig.inject(0, Injection::Flaw(Flaw::WontRestart(pump)));
    seconds(&mut rig, 60);
    assert_eq!(rig.twin().running(pump.idx()), 1, "it runs until the mains blink");
    rig.inject(0, Injection::Blink);
    seconds(&mut rig, 60);
    assert_eq!(rig.twin().running(pump.idx()), 0);
}

#[test]
fn a_trip_survives_a_reset_until_a_person_lifts_it() {
    let system = ticking(true);
    let model = model(&system);
    let mut rig = running(&model);
    reads(&mut rig, "display_temp", 24.0);
    reads(&mut rig, "second_temp", 28.0);
    seconds(&mut rig, 30);
    assert!(tripped(&model, &rig) && !heats(&rig));
    reads(&mut rig, "second_temp", 24.0);
    for injection in [Injection::Blink, Injection::Flaw(Flaw::BoardHung), Injection::BrownOut] {
        rig.inject(0, injection);
        seconds(&mut rig, 700);
        assert!(tripped(&model, &rig) && !heats(&rig), "after {injection:?}");
    }
    let trip = model.compiled.trips[actuator(&system, "heater").idx()][0].order;
    assert!(rig.command(0, Command::ResetTrip { trip }));
    seconds(&mut rig, 30);
    assert!(!tripped(&model, &rig) && heats(&rig));
}

/// What a board without power would have seen is not seen.
#[test]
fn a_dead_board_keeps_no_ghost_trip() {
    let system = ticking(true);
    let model = model(&system);
    let mut rig = running(&model);
    reads(&mut rig, "display_temp", 25.0);
    rig.twin_mut().set_flaw(0, Flaw::HouseOut);
    seconds(&mut rig, 10);
    assert_eq!(rig.board_answers(), 0);
    assert!(!rig.command(0, Command::ResetTrip { trip: 0 }), "nobody is there to take a command");
    reads(&mut rig, "second_temp", 35.0);
    seconds(&mut rig, 60);
    reads(&mut rig, "second_temp", 25.0);
    seconds(&mut rig, 60);
    rig.twin_mut().clear_house_out(0);
    seconds(&mut rig, 60);
    assert_eq!(rig.board_answers(), 1);
    assert!(!tripped(&model, &rig), "it was off while that was to be read");
}
