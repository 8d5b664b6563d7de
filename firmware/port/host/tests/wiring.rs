//! Wiring tables and conversions in C give what the reference gives: for drawn tables, for damaged ones, and for raw codes up to the
//! ends of what an integer holds.
#![allow(clippy::unwrap_used)]

use firmware_host::Runtime;
use firmware_host::wiring::{BitEntry, DeviceEntry, OutputEntry};
use program::calibration::{Correction, Linear, PhElectrode};
use program::convert::{AdcScale, NtcTable, PhAmplifier};
use program::generate::Draw;
use program::quality::{Quality, Sample};
use program::wiring::{
    BitDriver, BitInput, Device, DeviceKind, NumberDriver, NumberInput, Output, OutputDriver, Wiring,
    WiringError,
};

fn of<T: Copy>(draw: &mut Draw, items: &[T]) -> T {
    items[draw.below(items.len() as u32) as usize]
}

fn byte(draw: &mut Draw) -> u8 {
    draw.next_word() as u8
}

/// Numbers as they are in tables, and some that only a mistake puts there; all have a form.
fn constant(draw: &mut Draw) -> i32 {
    match draw.below(8) {
        0 => of(draw, &[0, 1, -1, 536_870_911, -536_870_911, 2_000_000_000, -2_147_483_640, 2_147_483_640]),
        1 => draw.below(1_000_000_000) as i32 / 2 - 250_000_000,
        2 => -(draw.below(3_000) as i32),
        _ => draw.below(3_000_000) as i32,
    }
}

fn number(draw: &mut Draw, n_numbers: u32) -> NumberInput {
    let channel = byte(draw);
    let n_samples = 1 + draw.below(16) as u8;
    let temperature = (draw.below(3) != 0).then(|| draw.below(n_numbers) as u8);
    let driver = match draw.below(9) {
        0 => NumberDriver::Ds18b20 { pin: channel, rom: draw.next_word().to_le_bytes() },
        1 => NumberDriver::Tmp36 { channel, n_samples },
        2 => {
            let mut points = [0; 33];
            for point in &mut points {
                *point = if draw.below(12) == 0 { i16::MIN } else { draw.next_word() as i16 };
            }
            let table = if draw.below(2) == 0 {
                NtcTable(points)
            } else {
                NtcTable::beta(3_950.0, 10_000.0, 10_000.0, draw.below(2) == 0)
            };
            NumberDriver::Ntc { channel, n_samples, table }
        }
        3 => NumberDriver::Ph {
            channel,
            n_samples,
            amplifier: PhAmplifier {
                midpoint_mv: draw.below(3_000) as u16,
                gain_permille: if draw.below(2) == 0 { -3_000 } else { constant(draw) },
            },
            temperature,
        },
        4 => NumberDriver::Conductivity {
            channel,
            n_samples,
            zero_uv: constant(draw),
            per_volt: constant(draw),
            ppm_per_k: if draw.below(2) == 0 { 20_000 } else { constant(draw) },
            temperature,
        },
        5 => NumberDriver::Level { channel, n_samples, zero_uv: constant(draw), per_volt: constant(draw) },
        6 => NumberDriver::Ultrasonic {
            trigger_pin: channel,
            echo_pin: byte(draw),
            mounted_um: constant(draw),
            temperature,
        },
        7 => NumberDriver::PulseFlow { pin: channel, pulses_per_litre: constant(draw) },
        _ => NumberDriver::Parameter { default: constant(draw) },
    };
    NumberInput { driver, age_limit_ms: draw.below(600) as i32 * 1_000 }
}

fn table(seed: u64) -> Wiring {
    let mut draw = Draw::new(seed);
    let kinds = [
        DeviceKind::Mcp23008,
        DeviceKind::Mcp23017,
        DeviceKind::Pcf8574,
        DeviceKind::TextDisplay,
        DeviceKind::Ds1307,
        DeviceKind::Ds3231,
        DeviceKind::InfraredReceiver,
        DeviceKind::Ethernet,
    ];
    // The first device is an expander, so that every line below 8 exists.
    let mut devices = vec![Device { kind: DeviceKind::Mcp23017, address: 0x20, shape: 0 }];
    devices.extend((0..draw.below(4)).map(|_| Device {
        kind: of(&mut draw, &kinds),
        address: byte(&mut draw),
        shape: byte(&mut draw),
    }));
    let n_numbers = 1 + draw.below(12);
    Wiring {
        board: byte(&mut draw),
        adc: AdcScale {
            reference_mv: of(&mut draw, &[1, 1_100, 3_300, 5_000, 6_000]),
            full_scale: of(&mut draw, &[2, 1_024, 1_024, 4_096]),
        },
        numbers: (0..n_numbers).map(|_| number(&mut draw, n_numbers)).collect(),
        bits: (0..draw.below(12))
            .map(|_| BitInput {
                driver: match draw.below(4) {
                    0 => BitDriver::Pin { pin: byte(&mut draw) },
                    1 => BitDriver::Expander { device: 0, line: draw.below(16) as u8 },
                    2 => BitDriver::Button { pin: byte(&mut draw) },
                    _ => BitDriver::RemoteKey { code: draw.next_word() as u32 },
                },
                is_normally_closed: draw.below(2) == 0,
                n_debounce: 1 + draw.below(127) as u8,
            })
            .collect(),
        outputs: (0..draw.below(12))
            .map(|_| Output {
                driver: match draw.below(4) {
                    0 => OutputDriver::Pin { pin: byte(&mut draw) },
                    1 => OutputDriver::Pwm { pin: byte(&mut draw) },
                    2 => OutputDriver::Expander { device: 0, line: draw.below(16) as u8 },
                    _ => OutputDriver::Buzzer { pin: byte(&mut draw) },
                },
                is_active_low: draw.below(2) == 0,
                is_on_when_safe: draw.below(2) == 0,
            })
            .collect(),
        devices,
    }
}

#[test]
fn entries_are_read_in_any_order() {
    let mut runtime = Runtime::lock();
    for seed in 0..3_000 {
        let table = table(seed);
        let bytes = table.encode().unwrap();
        let mut opened = runtime.open_wiring(&bytes).unwrap_or_else(|| panic!("seed {seed} is refused"));
        let header = opened.table();
        assert_eq!(header.crc, Wiring::crc(&bytes));
        assert_eq!(
            (header.board, header.reference_mv, header.full_scale),
            (table.board, table.adc.reference_mv, table.adc.full_scale)
        );
        let mut draw = Draw::new(seed);
        for _ in 0..20 {
            let at = draw.below(table.bits.len() as u32 + 1) as usize;
            if let Some(bit) = table.bits.get(at) {
                let (driver, pin, line, key) = match bit.driver {
                    BitDriver::Pin { pin } => (1, pin, 0, 0),
                    BitDriver::Expander { device, line } => (2, device, line, 0),
                    BitDriver::Button { pin } => (3, pin, 0, 0),
                    BitDriver::RemoteKey { code } => (4, 0xFF, 0, code),
                };
                let (n_debounce, normally_closed) = (bit.n_debounce, bit.is_normally_closed);
                let wanted = BitEntry { driver, pin, line, n_debounce, normally_closed, key };
                assert_eq!(opened.bit(at as u8), Some(wanted), "seed {seed}");
            }
            let at = draw.below(table.outputs.len() as u32 + 1) as usize;
            if let Some(output) = table.outputs.get(at) {
                let (driver, pin, line) = match output.driver {
                    OutputDriver::Pin { pin } => (1, pin, 0),
                    OutputDriver::Pwm { pin } => (2, pin, 0),
                    OutputDriver::Expander { device, line } => (3, device, line),
                    OutputDriver::Buzzer { pin } => (4, pin, 0),
                };
                let (active_low, on_when_safe) = (output.is_active_low, output.is_on_when_safe);
                let wanted = OutputEntry { driver, pin, line, active_low, on_when_safe };
                assert_eq!(opened.output(at as u8), Some(wanted), "seed {seed}");
            }
            let at = draw.below(table.devices.len() as u32) as usize;
            let device = table.devices[at];
            let wanted =
                DeviceEntry { kind: device.kind as u8, address: device.address, shape: device.shape };
            assert_eq!(opened.device(at as u8), Some(wanted), "seed {seed}");
            let at = draw.below(table.numbers.len() as u32) as usize;
            let (entry, number) = (opened.number(at as u8).unwrap(), table.numbers[at]);
            assert_eq!(entry.age_limit_ms, number.age_limit_ms, "seed {seed}");
            assert_eq!(entry.temperature, number.driver.temperature_input().unwrap_or(0xFF), "seed {seed}");
        }
    }
}

#[test]
fn damaged_tables_are_refused_alike() {
    let mut runtime = Runtime::lock();
    let mut n_sound = 0;
    let mut n_left_to_maker = 0;
    for seed in 0..30_000 {
        let mut draw = Draw::new(!seed);
        let mut bytes = table(seed % 500).encode().unwrap();
        for _ in 0..=draw.below(2) {
            let at = draw.below(bytes.len() as u32) as usize;
            match draw.below(5) {
                0 => bytes.truncate(at.max(1)),
                1 => bytes[at] = byte(&mut draw),
                2 => bytes[at % 14] = byte(&mut draw),
                3 if bytes.len() > 1 => {
                    bytes.remove(at);
                }
                _ => bytes[at] ^= 1 << draw.below(8),
            }
        }
        if draw.below(8) != 0 && bytes.len() >= 18 {
            let length = bytes.len();
            bytes[3..5].copy_from_slice(&(length as u16).to_le_bytes());
            let crc = program::crc::crc32(&bytes[..length - 4]);
            bytes[length - 4..].copy_from_slice(&crc.to_le_bytes());
        }
        let reference = Wiring::decode(&bytes);
        let opened = runtime.open_wiring(&bytes).is_some();
        // Which devices have lines is checked where the table is made; on the chip only that no memory beyond them is named.
        if matches!(reference, Err(WiringError::Reference { .. })) && opened {
            n_left_to_maker += 1;
            continue;
        }
        assert_eq!(opened, reference.is_ok(), "seed {seed}: {:?}", reference.err());
        n_sound += u32::from(reference.is_ok());
    }
    assert!((1_000..29_000).contains(&n_sound), "{n_sound} of 30000 are sound");
    assert!((1..1_000).contains(&n_left_to_maker), "{n_left_to_maker} of 30000 name lines that do not exist");
}

fn raw(draw: &mut Draw, scale: AdcScale) -> i32 {
    match draw.below(10) {
        0 => of(draw, &[i32::MIN, i32::MAX, -1, 0, 1, 1_360, -880, 2_000, -2_032, 23_200, 23_201]),
        1 => draw.next_word() as i32,
        2..=4 => draw.below(30_000) as i32 - 2_000,
        _ => draw.below(u32::from(scale.full_scale) * 16) as i32,
    }
}

fn correction(draw: &mut Draw) -> Option<Correction> {
    let wild = |draw: &mut Draw| match draw.below(3) {
        0 => of(draw, &[i32::MIN, i32::MAX, 0]),
        1 => draw.next_word() as i32,
        _ => draw.below(2_000_000) as i32,
    };
    match draw.below(5) {
        0 => None,
        1 => {
            Some(Correction::Linear(Linear { offset: draw.below(2_000) as i32 - 1_000, gain_ppm: 1_000_000 }))
        }
        2 => Some(Correction::Linear(Linear { offset: wild(draw), gain_ppm: wild(draw) })),
        3 => Some(Correction::Ph(PhElectrode {
            // Entries keep steps of 10 uV.
            offset_uv: i32::from(draw.next_word() as i16) * 10,
            acid_slope_uv: if draw.below(4) == 0 { draw.next_word() as u16 } else { 58_000 },
            base_slope_uv: if draw.below(4) == 0 { 0 } else { 60_000 },
        })),
        _ => Some(Correction::Parameter(wild(draw))),
    }
}

/// Every driver with raw codes, temperatures and calibrations up to the extremes.
#[test]
fn conversions_give_the_same_values() {
    let mut runtime = Runtime::lock();
    let mut n_good = [0_u32; 10];
    for seed in 0..6_000 {
        let table = table(seed);
        let bytes = table.encode().unwrap();
        let mut opened = runtime.open_wiring(&bytes).unwrap();
        let mut draw = Draw::new(seed ^ 0x5555);
        for (input, number) in (0..).zip(&table.numbers) {
            let entry = opened.number(input).unwrap();
            for _ in 0..12 {
                let raw = raw(&mut draw, table.adc);
                let correction = correction(&mut draw);
                let temperature = match draw.below(6) {
                    0 => Sample::BAD,
                    1 => Sample { value: draw.next_word() as i32, quality: Quality::Good },
                    2 => Sample::uncertain(draw.below(40_000) as i32),
                    _ => Sample::good(draw.below(200_000) as i32 - 60_000),
                };
                let period_ms = of(&mut draw, &[250_u16, 1_000, 10_000]);
                let wanted =
                    number.driver.convert(raw, table.adc, correction.as_ref(), temperature, period_ms.into());
                let got = opened.convert(&entry, raw, correction.as_ref(), temperature, period_ms);
                assert_eq!(
                    got, wanted,
                    "seed {seed}: {:?}, raw {raw}, {correction:?}, {temperature:?}, {period_ms} ms, {:?}",
                    number.driver, table.adc
                );
                n_good[usize::from(entry.driver)] += u32::from(wanted.quality != Quality::Bad);
            }
        }
    }
    assert!(n_good[1..].iter().all(|n| *n > 500), "usable results by driver: {n_good:?}");
}
