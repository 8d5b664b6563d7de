//! Harbour Lane's whole program: its size, its listing as a snapshot, and that it is the same whatever else is computed.
//!
//! `UPDATE_SNAPSHOTS=1 cargo test -p control` writes the snapshot anew.

#![allow(clippy::unwrap_used)]

use std::path::Path;

use control::{InputPlace, Options, Slot, TripCause, compile, compile_with};
use program::machine::Decoded;
use program::quality::{Quality, Sample};
use program::{Machine, Program};
use system::System;

fn harbour_lane() -> System {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples/harbour-lane/system.toml");
    system::load_file(&path).loaded.system.unwrap()
}

/// A program slot in the EEPROM of the smallest board (docs/control-program.md, section 9).
const SLOT: usize = 320;

#[test]
fn the_listing_is_as_reviewed() {
    let compiled = compile(&harbour_lane()).unwrap();
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/snapshots/harbour-lane.txt");
    if std::env::var_os("UPDATE_SNAPSHOTS").is_some() {
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, &compiled.listing).unwrap();
    }
    let reviewed = std::fs::read_to_string(&path).unwrap();
    assert_eq!(compiled.listing, reviewed, "the program changed; look at it, then write the snapshot anew");
    assert!(compiled.bytes.len() <= SLOT, "{} bytes", compiled.bytes.len());
}

#[test]
fn the_same_file_gives_the_same_bytes() {
    let bytes = compile(&harbour_lane()).unwrap().bytes;
    for _ in 0..3 {
        assert_eq!(compile(&harbour_lane()).unwrap().bytes, bytes);
    }
}

#[test]
fn everything_of_the_file_is_found_in_the_program() {
    let system = harbour_lane();
    let compiled = compile(&system).unwrap();
    let by_name = |name: &str| system.actuators.iter().position(|actuator| actuator.name == name).unwrap();
    assert!(compiled.drives[by_name("router")].is_some(), "the board sheds the router");
    let mut orders: Vec<u16> = compiled.drives.iter().copied().flatten().collect();
    orders.sort_unstable();
    assert_eq!(orders, (0..compiled.sizes.n_drives).collect::<Vec<_>>());
    let causes: Vec<TripCause> =
        compiled.trips[by_name("topoff_pump")].iter().map(|trip| trip.cause).collect();
    assert_eq!(causes, [TripCause::LongestRun, TripCause::DailyVolume]);
    assert_eq!(compiled.inputs.len(), system.sensors.len(), "every sensor of Harbour Lane is used");
    for input in &compiled.inputs {
        let name = system.sensors[input.sensor.idx()].name.as_str();
        let wanted = match name {
            // true below, closed below; true above, closed below; true below, closed above
            "float_c_low" => Some(true),
            "float_c_high" | "float_a_high" | "float_display_high" => Some(false),
            "float_c_empty" | "reservoir_low" => Some(false),
            "leak_1" | "leak_2" | "mains_1" | "mains_2" => Some(true),
            _ => None,
        };
        let closed = match input.place {
            InputPlace::Bit { true_when_closed, .. } => Some(true_when_closed),
            InputPlace::Number(_) => None,
        };
        assert_eq!(closed, wanted, "{name}");
    }
    let all = compile_with(&system, &Options { keep_all_signals: true, ..Options::default() }).unwrap();
    assert!(all.signals.iter().all(Option::is_some));
}

/// A load that runs whenever its supply lives is no output of the program.
#[test]
fn what_always_runs_has_no_output() {
    let text = "[[actuator]]\nname = \"router\"\nkind = \"other\"\npower = \"6 W\"\nalways = true\n\
                [[actuator]]\nname = \"lamp\"\nkind = \"light\"\npower = \"6 W\"\n\
                [[rule]]\ndrives = \"lamp\"\nalways = true\nwhen_blind = \"on\"\n";
    let drives = compile(&system::load(text).system.unwrap()).unwrap().drives;
    assert_eq!(drives, [None, Some(0)]);
}

/// A day in which everything happens, seen by the program of the board and by the one with all signals: the same outputs.
#[test]
fn keeping_all_signals_changes_no_decision() {
    let system = harbour_lane();
    let lean = compile(&system).unwrap();
    let full = compile_with(&system, &Options { keep_all_signals: true, ..Options::default() }).unwrap();
    let machine = |compiled: &control::Compiled| -> Machine<1> {
        Machine::new(Decoded::new(&Program::validate(&compiled.bytes).unwrap()))
    };
    let (mut a, mut b) = (machine(&lean), machine(&full));
    let mut seed = 0x2545_F491_4F6C_DD1D_u64;
    let mut random = || {
        seed ^= seed << 13;
        seed ^= seed >> 7;
        seed ^= seed << 17;
        (seed >> 33) as u32
    };
    let mut values: Vec<(i32, Quality)> = vec![(25_000, Quality::Good); system.sensors.len()];
    let mut n_on = 0;
    for scan in 0..86_400_u32 {
        if scan % 7 == 0 {
            let sensor = random() as usize % values.len();
            let (low, high) = system.signals[system.sensors[sensor].signal.idx()].range;
            let quality = if random() % 20 == 0 { Quality::Bad } else { Quality::Good };
            let (low, high) = if high - low > 40_000 { (23_500, 28_500) } else { (low, high) };
            values[sensor] = (low + (random() % (high - low + 1) as u32) as i32, quality);
        }
        for (machine, compiled) in [(&mut a, &lean), (&mut b, &full)] {
            for input in &compiled.inputs {
                let (value, quality) = values[input.sensor.idx()];
                match input.place {
                    InputPlace::Number(order) => {
                        machine.set_number(order.into(), 0, Sample { value, quality })
                    }
                    InputPlace::Bit { input, .. } => machine.set_bit(input.into(), 0, value > 0, quality),
                }
            }
            machine.set_clock(0, Some(830_000_000 + scan));
            machine.scan();
        }
        for (actuator, drive) in lean.drives.iter().enumerate() {
            let (Some(drive), Some(other)) = (drive, full.drives[actuator]) else { continue };
            let duty = a.output((*drive).into(), 0);
            n_on += u32::from(duty > 0);
            assert_eq!(duty, b.output(other.into(), 0), "{} in scan {scan}", system.actuators[actuator].name);
        }
        for alarm in 0..system.alarms.len() {
            assert_eq!(a.alarm(alarm, 0), b.alarm(alarm, 0), "{} in scan {scan}", system.alarms[alarm].name);
        }
        for (signal, slot) in lean.signals.iter().enumerate() {
            let (Some(slot), Some(other)) = (slot, full.signals[signal]) else { continue };
            match (*slot, other) {
                (Slot::Bit(x), Slot::Bit(y)) => {
                    assert_eq!(a.bit(x, 0), b.bit(y, 0), "{}", system.signals[signal].name)
                }
                (Slot::Number(x), Slot::Number(y)) => {
                    assert_eq!(a.number(x, 0), b.number(y, 0), "{}", system.signals[signal].name);
                }
                other => panic!("{other:?}"),
            }
        }
    }
    assert!(n_on > 86_400, "the day must exercise the outputs");
}
