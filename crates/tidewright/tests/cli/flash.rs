//! `tidewright flash` over a pseudo-terminal with a simulated bootloader behind it.
#![cfg(unix)]

use image::hex::Memory;
use system::parts::Library;

use crate::build::{SYSTEM, own_runtime};
use crate::harness::Bench;
use crate::simulated::pty::Plugged;
use crate::simulated::{Avr109, Board, Erasing, Protocol, Stk500v1, Stk500v2};

fn board(chip: &str, protocol: Box<dyn Protocol>) -> Board {
    let chip = Library::builtin().chip(chip).expect("known");
    let signature = chip.signature.expect("known");
    Board::new(protocol, signature, chip.page as usize, chip.flash as usize, Erasing::Written)
}

fn bench(name: &str, chip: &str) -> Bench {
    let bench = Bench::new(name);
    own_runtime(&bench, chip);
    let pins = if chip == "ATmega2560" { ["PA0", "PA1", "PA2"] } else { ["PD4", "PD6", "PB0"] };
    let text = SYSTEM
        .replace("ATmega328P", chip)
        .replace("PD4", pins[0])
        .replace("PD5", pins[1])
        .replace("PB0", pins[2]);
    bench.file("system.toml", text);
    bench.run(&["build", "system.toml", "--runtime", "own.json"]).ends_with(0);
    bench
}

fn image(bench: &Bench) -> Vec<u8> {
    Memory::read(&bench.read("system.hex")).expect("Intel HEX").flat()
}

#[test]
fn every_protocol_from_system_file_or_image() {
    let all: [(&str, Box<dyn Protocol>); 3] = [
        ("ATmega328P", Box::new(Stk500v1)),
        ("ATmega2560", Box::new(Stk500v2)),
        ("ATmega32U4", Box::new(Avr109)),
    ];
    for (chip, protocol) in all {
        let bench = bench(&format!("flash-{chip}"), chip);
        let plugged = Plugged::new(board(chip, protocol));
        // The 32U4's board is in its bootloader already, as after two presses of its button: no port comes or goes.
        let port = plugged.port.clone();
        let run = bench.run(&["flash", "system.hex", "--port", &port, "--yes", "--format", "json"]);
        let answer = run.ends_with(0).json("tidewright.flash");
        assert!(answer["before_wiring_crc"].is_null(), "what was there is not ours");
        // The same again needs no leave, for the wiring is the same, and tells what was there.
        let run = bench.run(&[
            "flash",
            "system.toml",
            "--runtime",
            "own.json",
            "--port",
            &port,
            "--format",
            "json",
        ]);
        let again = run.ends_with(0).json("tidewright.flash");
        assert_eq!(again["before_program_crc"], answer["program_crc"], "{chip}");
        let board = plugged.unplug();
        let image = image(&bench);
        assert!(board.flash[..image.len()] == image[..], "{chip}");
    }
}

#[test]
fn another_wiring_is_not_replaced_without_leave() {
    let bench = bench("flash-other", "ATmega328P");
    let plugged = Plugged::new(board("ATmega328P", Box::new(Stk500v1)));
    let port = plugged.port.clone();
    let foreign = bench.run(&["flash", "system.hex", "--port", &port]);
    assert!(foreign.ends_with(2).err.contains("not tidewright's"), "{}", foreign.err);
    bench.run(&["flash", "system.hex", "--port", &port, "--yes"]).ends_with(0);
    bench.file("other.toml", SYSTEM.replace("PB0", "PB1"));
    bench.run(&["build", "other.toml", "--runtime", "own.json", "-o", "other.hex"]).ends_with(0);
    let other = bench.run(&["flash", "other.hex", "--port", &port]);
    assert!(
        other.ends_with(2).err.contains("wired otherwise") && other.err.contains("--yes"),
        "{}",
        other.err
    );
    let board = plugged.unplug();
    let image = image(&bench);
    assert!(board.flash[..image.len()] == image[..], "nothing was written");
}

#[test]
fn a_board_that_is_not_there_or_another_is_told() {
    let bench = bench("flash-wrong", "ATmega328P");
    let run = bench.run(&["flash", "system.hex", "--port", "no-such-port"]);
    assert!(run.ends_with(2).err.contains("nothing was written"), "{}", run.err);
    let mut other = board("ATmega328P", Box::new(Stk500v1));
    other.signature = [0x1E, 0x94, 0x06];
    let plugged = Plugged::new(other);
    let run = bench.run(&["flash", "system.hex", "--port", &plugged.port.clone(), "--yes"]);
    assert!(run.ends_with(2).err.contains("1e 94 06"), "{}", run.err);
    plugged.unplug();
}

#[test]
fn only_images_of_ours_are_flashed() {
    let bench = Bench::new("flash-foreign");
    bench.file("blink.hex", ":0400000001020304F2\n:00000001FF\n").file("broken.hex", ":0400000001020304F3\n");
    bench.run(&["flash", "blink.hex", "--port", "none"]).ends_with(2).matches("flash-foreign");
    bench.run(&["flash", "broken.hex", "--port", "none"]).ends_with(2).matches("flash-broken");
}
