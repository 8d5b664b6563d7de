//! The simulated bootloaders against an independent client, avrdude, over a pseudo-terminal: what it writes and verifies shows that the
//! simulation speaks the protocols as others do. Passed over, and said so, where avrdude is not installed.
#![cfg(unix)]
#![allow(clippy::unwrap_used)]

mod simulated;

use std::process::Command;

use image::hex::Memory;
use simulated::pty::Plugged;
use simulated::{Avr109, Board, Erasing, Protocol, Stk500v1, Stk500v2};
use system::parts::Library;

fn flashed(name: &str, protocol: Box<dyn Protocol>, chip: &str, part: &str, programmer: &str) {
    if Command::new("avrdude").arg("-?").output().is_err() {
        eprintln!("avrdude is not installed: the simulated {name} is not held against it");
        return;
    }
    let chip = Library::builtin().chip(chip).unwrap();
    let (page, end) = (chip.page as usize, chip.flash as usize);
    let mut board = Board::new(protocol, chip.signature.unwrap(), page, end, Erasing::Written);
    board.reset();
    let image: Vec<u8> = (0..5 * page).map(|at| (at * 7 + at / 256) as u8).collect();
    let mut memory = Memory::default();
    memory.put(0, &image).unwrap();
    let file = std::env::temp_dir().join(format!("image-client-{name}-{}.hex", std::process::id()));
    std::fs::write(&file, memory.write()).unwrap();
    let plugged = Plugged::new(board);
    let flash = format!("flash:w:{}:i", file.display());
    let output = Command::new("avrdude")
        .args(["-p", part, "-c", programmer, "-P", &plugged.port, "-b", "115200", "-D", "-U", &flash])
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{name}: {said}");
    let board = plugged.unplug();
    assert!(board.flash[..image.len()] == image[..], "{name}: {said}");
    let _ = std::fs::remove_file(&file);
}

#[test]
fn stk500v1_speaks_with_others() {
    flashed("stk500v1", Box::new(Stk500v1), "ATmega328P", "m328p", "arduino");
}

#[test]
fn stk500v2_speaks_with_others() {
    flashed("stk500v2", Box::new(Stk500v2), "ATmega2560", "m2560", "wiring");
}

#[test]
fn avr109_speaks_with_others() {
    flashed("avr109", Box::new(Avr109), "ATmega32U4", "m32u4", "avr109");
}
