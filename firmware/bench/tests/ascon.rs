//! Ascon-AEAD128 on the simulated ATmega328P: the known answers of its designers, and how long a frame of the network takes.

use std::path::Path;

use firmware_bench::chip::{Chip, Result, simulator};

fn image() -> Result<&'static Path> {
    option_env!("ASCON_ELF")
        .map(Path::new)
        .ok_or_else(|| option_env!("ASCON_ELF_MISSING").unwrap_or("not built").to_owned())
}

/// Seals or opens on the chip: what came out, whether it was sound, and the cycles it took.
fn crypt(chip: &mut Chip, is_open: bool, n: usize, bytes: &[u8]) -> Result<(Vec<u8>, bool, u64)> {
    let mut request = vec![u8::from(is_open), n as u8];
    request.extend(0..16_u8);
    request.extend(0x10..0x20_u8);
    request.extend(bytes);
    chip.give(&request)?;
    chip.run(2_000_000)?;
    let mut answer = chip.take()?;
    let [_, cycles, _] = chip.marks()?;
    let is_sound = answer.pop() == Some(1);
    Ok((answer, is_sound, cycles))
}

fn compare() -> Result<()> {
    let mut chip = Chip::start("atmega328p", image()?)?;
    chip.open_debug_port()?;
    chip.power(1)?;
    let table = include_str!("../../../tests/reference/ascon_aead128_kat.csv");
    for row in table.lines().skip(2).filter(|row| row.split(',').nth(2) == Some("0")) {
        let cells: Vec<&str> = row.split(',').collect();
        let n: u8 = cells[1].parse().map_err(|error| format!("{row}: {error}"))?;
        let message: Vec<u8> = (0..n).map(|at| 0x20 + at).collect();
        let (sealed, _, _) = crypt(&mut chip, false, n.into(), &message)?;
        let hex: String = sealed.iter().map(|byte| format!("{byte:02X}")).collect();
        assert_eq!(hex, cells[3], "row {}", cells[0]);
        let (opened, is_sound, _) = crypt(&mut chip, true, n.into(), &sealed)?;
        assert!(is_sound && opened[..message.len()] == message, "row {}", cells[0]);
        let mut altered = sealed;
        altered[usize::from(n) / 2] ^= 4;
        assert!(!crypt(&mut chip, true, n.into(), &altered)?.1, "row {}", cells[0]);
    }
    // The shortest message, an upload's chunk, the longest: in milliseconds at 16 MHz.
    for n in [3, 28, 56] {
        let (_, _, cycles) = crypt(&mut chip, false, n, &vec![7; n])?;
        println!("sealing {n} bytes: {cycles} cycles, {:.1} ms at 16 MHz", cycles as f64 / 16_000.0);
        assert!(cycles < 8_500 * 16, "docs/link.md and ascon.h say 8.4 ms at most");
    }
    Ok(())
}

#[test]
fn known_answers_and_time() {
    if simulator().is_err() || image().is_err() {
        println!("skipped: {:?} {:?}", simulator().err(), image().err());
        return;
    }
    compare().expect("the simulated chip works");
}
