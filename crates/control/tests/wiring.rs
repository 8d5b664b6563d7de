//! The wiring table of whole systems: what stands where, in which sense, and what is said when something has no place.

#![allow(clippy::unwrap_used)]

use std::path::Path;

use control::{Compiled, Options, compile, compile_with, wiring};
use program::Program;
use program::wiring::{BitDriver, NumberDriver, Output, OutputDriver, Wiring};
use system::System;

fn example(name: &str) -> System {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples").join(name);
    system::load_file(&path).loaded.system.unwrap()
}

fn made(system: &System) -> (Wiring, Compiled) {
    let compiled = compile(system).unwrap();
    let wiring = wiring::table(system, &compiled).unwrap_or_else(|findings| panic!("{findings:#?}"));
    (wiring, compiled)
}

fn system(text: &str) -> System {
    let loaded = system::load(text);
    loaded.system.unwrap_or_else(|| panic!("{:#?}", loaded.diagnostics))
}

#[test]
fn every_example_is_wired_whole_and_its_program_names_the_table() {
    for name in ["harbour-lane/system.toml", "desk-60l/system.toml", "raceway/system.toml"] {
        let system = example(name);
        let (wiring, compiled) = made(&system);
        let bytes = wiring.encode().unwrap();
        assert_eq!(Wiring::decode(&bytes).unwrap(), wiring, "{name}");
        let options = Options { wiring_crc: Wiring::crc(&bytes), ..Options::default() };
        let named = compile_with(&system, &options).unwrap();
        let program = Program::validate(&named.bytes).unwrap();
        assert_eq!(program.wiring_crc(), Wiring::crc(&bytes));
        assert_eq!(named.bytes.len(), compiled.bytes.len(), "the checksum takes no room");
        assert_eq!(wiring.numbers.len(), program.n_number_inputs());
        assert_eq!(wiring.bits.len(), program.n_bit_inputs());
        assert_eq!(wiring.outputs.len(), usize::from(compiled.sizes.n_drives));
    }
}

/// Harbour Lane: NC contacts rest in "on", so their safe state is on and a low level, which energises the card's input, is off.
#[test]
fn the_safe_state_is_that_of_a_dead_board() {
    let system = example("harbour-lane/system.toml");
    let (wiring, compiled) = made(&system);
    let output = |name: &str| -> Output {
        let actuator = system.actuators.iter().position(|actuator| actuator.name == name).unwrap();
        wiring.outputs[usize::from(compiled.drives[actuator].unwrap())]
    };
    let of = |name: &str| (output(name).is_active_low, output(name).is_on_when_safe);
    for nc in ["return_pump", "circulation_2", "heater_display", "heat_master", "air_pump", "router"] {
        assert_eq!(of(nc), (false, true), "{nc}");
    }
    for no in ["skimmer", "heater_sump", "light", "topoff_pump", "lime_pump"] {
        assert_eq!(of(no), (true, false), "{no}");
    }
    // PD6 is 3 * 8 + 6 (docs/firmware.md).
    assert_eq!(output("return_pump").driver, OutputDriver::Pin { pin: 30 });
    assert_eq!(output("heat_master").driver, OutputDriver::Expander { device: 0, line: 2 });
}

#[test]
fn inputs_stand_in_the_order_of_the_program() {
    let system = example("harbour-lane/system.toml");
    let (wiring, compiled) = made(&system);
    let order = |name: &str| {
        let input = compiled.inputs.iter().find(|i| system.sensors[i.sensor.idx()].name == name).unwrap();
        match input.place {
            control::InputPlace::Number(order) => usize::from(order),
            control::InputPlace::Bit { input, .. } => usize::from(input),
        }
    };
    let number = |name: &str| wiring.numbers[order(name)];
    let NumberDriver::Ds18b20 { pin: 28, rom } = number("display_temp").driver else {
        panic!("{:?}", number("display_temp"))
    };
    // 28-0316a2794bff, the lowest byte of the serial number first.
    assert_eq!(rom[..7], [0x28, 0xFF, 0x4B, 0x79, 0xA2, 0x16, 0x03]);
    let NumberDriver::Ph { channel: 0, n_samples: 16, amplifier, temperature } = number("ph").driver else {
        panic!("{:?}", number("ph"))
    };
    assert_eq!((amplifier.midpoint_mv, amplifier.gain_permille), (2500, 5000));
    // Nothing else stands in the electrode's chamber: the first thermometer in water.
    assert!(matches!(wiring.numbers[usize::from(temperature.unwrap())].driver, NumberDriver::Ds18b20 { .. }));
    // 0.5 V empty, 4.5 V full: 250 permille a volt.
    assert_eq!(
        number("battery_charge").driver,
        NumberDriver::Level { channel: 1, n_samples: 16, zero_uv: 500_000, per_volt: 250 }
    );
    assert_eq!(number("return_flow").driver, NumberDriver::PulseFlow { pin: 27, pulses_per_litre: 450 });
    let high = wiring.bits[order("float_c_high")];
    assert_eq!(high.driver, BitDriver::Expander { device: 1, line: 1 });
    assert!(high.is_normally_closed, "true above, closed below");
    assert_eq!((high.n_debounce, wiring.bits[order("mains_1")].n_debounce), (5, 10));
    assert!(!wiring.bits[order("leak_1")].is_normally_closed);
}

const HEAD: &str = "[[board]]\nname = \"board\"\nchip = \"ATmega328P\"\n\
    [[sensor]]\nname = \"temp\"\nkind = \"ds18b20\"\n\
    [[sensor]]\nname = \"unread\"\nkind = \"ds18b20\"\n\
    [[sensor]]\nname = \"ph\"\nkind = \"ph\"\n\
    [[actuator]]\nname = \"heater\"\nkind = \"heater\"\n\
    [[rule]]\ndrives = \"heater\"\nwhen = \"temp < 25 degC\"\nwhen_blind = \"off\"\n";

fn findings(text: &str) -> Vec<system::Diagnostic> {
    let system = system(text);
    wiring::table(&system, &compile(&system).unwrap()).err().unwrap_or_default()
}

#[test]
fn what_has_no_place_is_told_in_lines_to_fill_in() {
    let all = findings(HEAD);
    assert_eq!(all.len(), 1, "{all:#?}");
    assert_eq!(all[0].id, "not-placed");
    assert_eq!(all[0].message, "1 sensor and 1 actuator have no place on the board");
    // What the program does not read needs no place.
    assert_eq!(all[0].notes, ["temp = { pin = \"...\", rom = \"28-...\" }", "heater = { pin = \"...\" }"]);
    let half = format!("{HEAD}[wiring]\ntemp = {{ pin = \"PD4\" }}\n");
    assert_eq!(findings(&half)[0].message, "1 actuator has no place on the board");
    let whole = format!("{half}heater = {{ pin = \"PB0\" }}\n");
    assert_eq!(findings(&whole), []);
}

#[test]
fn one_board_has_one_reference() {
    let text = format!(
        "{HEAD}[[sensor]]\nname = \"air\"\nkind = \"tmp36\"\nreference = \"3.3 V\"\n\
         [[alarm]]\nname = \"a\"\nwhen = \"ph > 8.5 or air > 30 degC\"\n\
         [wiring]\ntemp = {{ pin = \"PD4\" }}\nph = {{ channel = \"ADC0\" }}\nair = {{ channel = \"ADC1\" }}\nheater = {{ pin = \"PB0\" }}\n"
    );
    let all = findings(&text);
    assert_eq!(all.iter().map(|finding| finding.id).collect::<Vec<_>>(), ["references-differ"]);
    assert!(text[all[0].annotations[0].span.clone()].contains("3.3 V"));
    assert_eq!(findings(&text.replace("3.3 V", "5 V")), []);
}

#[test]
fn what_compensates_must_be_measured() {
    let text = HEAD.replace("kind = \"ph\"\n", "kind = \"ph\"\ntemperature = \"unread\"\n")
        + "[[alarm]]\nname = \"a\"\nwhen = \"ph > 8.5\"\n\
           [wiring]\ntemp = { pin = \"PD4\" }\nph = { channel = \"ADC0\" }\nheater = { pin = \"PB0\" }\n";
    let all = findings(&text);
    assert_eq!(all.iter().map(|finding| finding.id).collect::<Vec<_>>(), ["compensation-not-read"]);
}

#[test]
fn a_board_without_a_runtime_cannot_be_built_for() {
    let text = HEAD.replace("[[board]]\nname = \"board\"\nchip = \"ATmega328P\"\n", "");
    assert!(findings(&text).iter().any(|finding| finding.id == "no-board-to-build"));
}
