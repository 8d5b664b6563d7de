//! Which runtime a file gets: the smallest of its chip that serves what its tables use. The embedded ones are asked; where this build has
//! none, that is said.

#![allow(clippy::unwrap_used)]

use image::build::{Made, build, make};
use image::runtime::{Features, Runtime};
use system::System;

const CHIPS: [&str; 3] = ["ATmega328P", "ATmega32U4", "ATmega2560"];

fn every_wish() -> impl Iterator<Item = Features> {
    (0..4).map(|bits| Features { panel: bits & 1 != 0, network: bits & 2 != 0 })
}

/// A heater and a thermometer, with more beside them.
fn system(chip: &str, devices: &str) -> System {
    let text = format!(
        r#"[system]
name = "Bucket"

[[board]]
name = "controller"
chip = "{chip}"

[[actuator]]
name = "heater"
kind = "heater"
contact = "NC"

[[sensor]]
name = "water_temp"
kind = "ds18b20"

[[rule]]
drives = "heater"
start = "water_temp < 25 degC"
stop = "water_temp > 25.5 degC"
when_blind = "off"

[wiring]
water_temp = {{ pin = "PD4" }}
heater = {{ pin = "PB0", active_low = true }}
{devices}"#
    );
    system::load(&text).system.unwrap_or_else(|| panic!("{text}"))
}

fn made(system: &System) -> Made {
    make(system).unwrap_or_else(|findings| panic!("{findings:#?}"))
}

const NETWORK: &str = "[[device]]\nname = \"net\"\nkind = \"w5500\"\npin = \"PB2\"\n";
const DISPLAY: &str = "[[device]]\nname = \"panel\"\nkind = \"text_display\"\nsize = \"20x4\"\n";

fn embedded(chip: &str, wanted: Features) -> Option<Runtime> {
    Runtime::for_chip(chip, wanted).map_err(|error| eprintln!("left out: {error}; {}", error.help())).ok()
}

#[test]
fn what_a_table_needs_is_read_from_it() {
    let needed = |devices: &str| Features::of(&made(&system("ATmega328P", devices)).wiring);
    assert_eq!(needed(""), Features::default());
    assert_eq!(needed(NETWORK), Features { panel: false, network: true });
    assert_eq!(needed(DISPLAY), Features { panel: true, network: false });
    assert_eq!(needed(&[NETWORK, DISPLAY].concat()), Features { panel: true, network: true });
    let remote = "[[device]]\nname = \"remote\"\nkind = \"infrared_receiver\"\npin = \"PC3\"\n";
    assert_eq!(needed(remote), Features { panel: true, network: false });
}

#[test]
fn the_runtime_that_is_taken_serves_everything_and_no_smaller_one_does() {
    for chip in CHIPS {
        for wanted in every_wish() {
            let Some(runtime) = embedded(chip, wanted) else { continue };
            let manifest = &runtime.manifest;
            assert_eq!((manifest.chip.as_str(), manifest.flash as usize), (chip, runtime.bytes.len()));
            assert!(manifest.sram >= manifest.pool && !manifest.modules.is_empty(), "{manifest:?}");
            assert!(runtime.manifest.features.include(wanted), "{chip} {wanted}");
            for other in every_wish().filter(|other| other.include(wanted)) {
                let other = embedded(chip, other).unwrap();
                assert!(runtime.manifest.flash <= other.manifest.flash, "{chip} {wanted}");
            }
        }
    }
}

/// The smallest board with Ethernet and no display: the runtime with both would leave its tables no room.
#[test]
fn a_small_board_on_the_network_without_a_display_fits() {
    let system = system("ATmega328P", NETWORK);
    let made = made(&system);
    let Some(runtime) = embedded("ATmega328P", Features::of(&made.wiring)) else { return };
    assert_eq!(runtime.manifest.features, Features { panel: false, network: true });
    let built = build(&system, &made, &runtime).unwrap_or_else(|findings| panic!("{findings:#?}"));
    assert!(built.budget.flash.used <= built.budget.flash.total, "{:?}", built.budget.flash);
}

#[test]
fn the_board_with_native_usb_has_a_runtime_that_fits() {
    let system = system("ATmega32U4", "");
    let made = made(&system);
    let Some(runtime) = embedded("ATmega32U4", Features::of(&made.wiring)) else { return };
    build(&system, &made, &runtime).unwrap_or_else(|findings| panic!("{findings:#?}"));
}

#[test]
fn what_a_runtime_lacks_and_what_would_make_room_is_told() {
    let wired = system("ATmega328P", &[NETWORK, DISPLAY].concat());
    let made = made(&wired);
    let Some(mut runtime) = embedded("ATmega328P", Features::default()) else { return };
    let findings = build(&wired, &made, &runtime).unwrap_err();
    let lacks = findings.iter().find(|finding| finding.id == "runtime-lacks").unwrap();
    assert!(lacks.message.contains("display, remote and network"), "{lacks:?}");

    runtime = embedded("ATmega328P", Features::of(&made.wiring)).unwrap();
    runtime.bytes.resize(32_300, 0);
    let findings = build(&wired, &made, &runtime).unwrap_err();
    let overfull = findings.iter().find(|finding| finding.id == "flash-overfull").unwrap();
    let help = format!("{:?}", overfull.help);
    assert!(help.contains("take out the W5500 (") && help.contains("text display and remote ("), "{help}");
}
