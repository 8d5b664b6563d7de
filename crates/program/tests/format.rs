//! What a loader refuses, one program for each check; round trips; the size of the main example's program.
#![allow(clippy::unwrap_used)]

mod common;

use program::assembler::{AssembleError, Assembler, Header, StepPlan};
use program::convert::{AdcScale, NtcTable, PhAmplifier};
use program::op::*;
use program::wiring::*;
use program::zone::Zone;
use program::{LoadError, Program};
use proptest::prelude::*;

/// A sealed narrow program with two number inputs, two bit inputs and the given operations.
fn sealed(ops: &[u8]) -> Vec<u8> {
    let mut bytes = b"Tw\x01\x00\x00\x00\x01\x02\x03\x04\x04\x02\x02\x05".to_vec();
    bytes.extend(ops);
    bytes.extend([0; 4]);
    seal(&mut bytes);
    bytes
}

fn seal(bytes: &mut [u8]) {
    let body = bytes.len() - 4;
    let length = bytes.len() as u16;
    bytes[4..6].copy_from_slice(&length.to_le_bytes());
    let crc = program::crc::crc32(&bytes[..body]);
    bytes[body..].copy_from_slice(&crc.to_le_bytes());
}

fn refusal(bytes: &[u8]) -> LoadError {
    Program::validate(bytes).unwrap_err()
}

#[test]
fn each_check_refuses_what_it_is_for() {
    let sound = sealed(&[0x20, 0x04]);
    assert!(Program::validate(&sound).is_ok());
    assert_eq!(refusal(&sound[..10]), LoadError::Size);
    let changed = |at: usize, byte: u8| {
        let mut bytes = sound.clone();
        bytes[at] = byte;
        refusal(&bytes)
    };
    let resealed = |at: usize, byte: u8| {
        let mut bytes = sound.clone();
        bytes[at] = byte;
        seal(&mut bytes);
        refusal(&bytes)
    };
    assert_eq!(changed(0, b'X'), LoadError::Magic);
    assert_eq!(changed(2, 2), LoadError::Format);
    assert_eq!(changed(3, 8), LoadError::Flags);
    assert_eq!(changed(3, 4), LoadError::Flags);
    assert_eq!(changed(4, 99), LoadError::Length);
    assert_eq!(changed(6, 99), LoadError::Checksum);
    assert_eq!(resealed(10, 0), LoadError::Period);
    assert_eq!(resealed(10, 41), LoadError::Period);
    for (ops, error) in [
        (&[0x3F][..], LoadError::UnknownOperation { at: 14, code: 0x3F }),
        (&[0x00], LoadError::UnknownOperation { at: 14, code: 0 }),
        (&[0x01, 0x00], LoadError::Truncated { at: 16 }),
        (&[0xC1, 0x00, 0x04], LoadError::Variant { at: 14 }),
        (&[0x60, 0x04], LoadError::Variant { at: 14 }),
        (&[0x20, 0x84, 0x00], LoadError::Number { at: 15 }),
        (&[0x20, 0xFF, 0xFF, 0xFF, 0xFF, 0x1F], LoadError::Number { at: 15 }),
        (&[0x20, 0xFF, 0xFF, 0xFF, 0xFF, 0x0F], LoadError::Number { at: 15 }),
        (&[0x03, 0x00, 0x04, 0x0C], LoadError::Range { at: 17 }),
        (&[0x08, 0x02, 0xFF, 0xFF, 0x03], LoadError::Range { at: 16 }),
        (&[0x01, 0x02, 0x04], LoadError::Operand { at: 14 }),
        (&[0x04, 0x02, 0x85], LoadError::Operand { at: 14 }),
        (&[0x10, 0x30, 0x00], LoadError::Variant { at: 14 }),
        (&[0x10, 0x00, 0x00, 0x30, 0x01, 0x00, 0x04], LoadError::Procedure { at: 17 }),
        (&[0x30, 0x01, 0x01, 0x04, 0x00], LoadError::Procedure { at: 14 }),
        (&[0x30, 0x01, 0x80, 0x04, 0x7F], LoadError::Operand { at: 14 }),
        (&[0x2B, 0x00, 0x02, 0x08, 0x00, 0x08, 0x00], LoadError::Range { at: 19 }),
    ] {
        assert_eq!(refusal(&sealed(ops)), error, "{ops:02x?}");
    }
    let many: Vec<u8> = [0x0B, 0x00].repeat(125);
    assert!(matches!(refusal(&sealed(&many)), LoadError::TooMany { .. }));
}

#[test]
fn zone_sections_are_checked() {
    let mut bytes = b"Tw\x01\x06\x00\x00\x00\x00\x00\x00\x04\x00\x00\x05".to_vec();
    bytes.extend([4, 8, 0x35, 0x80, 0x78, 0xDF, 0x00, 0x00, 0, 0, 0, 0]);
    seal(&mut bytes);
    assert_eq!(refusal(&bytes), LoadError::Zone { at: 14 });
}

#[test]
fn the_assembler_says_what_has_no_form() {
    let header = Header {
        wiring_crc: 0,
        period_ms: 1_000,
        n_number_inputs: 1,
        n_bit_inputs: 1,
        longest_hand_ms: 0,
        zone: Zone::UTC,
        wide: false,
    };
    let mut program = Assembler::new(header);
    program.number(Op::Constant(2_000_000_001));
    assert_eq!(program.finish(), Err(AssembleError::NoForm { op: 0 }));
    let mut program = Assembler::new(header);
    let label = program.forward();
    program.bit(Op::Delay { input: label, on_ms: 0, off_ms: 0 });
    assert_eq!(program.finish(), Err(AssembleError::Unbound { label: 0 }));
    let program = Assembler::new(Header { period_ms: 1_100, ..header });
    assert_eq!(program.finish(), Err(AssembleError::Header));
    // What needs more than 128 bits goes into a wide program.
    for wide in [false, true] {
        let mut program = Assembler::new(Header { wide, ..header });
        for _ in 0..200 {
            program.bit(Op::Delay { input: BitRef(2), on_ms: 0, off_ms: 0 });
        }
        assert_eq!(program.finish().is_ok(), wide);
    }
    let plan = StepPlan { end: StepEnd::Timed, longest_ms: 0, forces: vec![Force { drive: 3, is_on: true }] };
    let mut program = Assembler::new(header);
    program.procedure(BitRef::FALSE, &[plan]);
    assert!(matches!(program.finish(), Err(AssembleError::Load(LoadError::Procedure { .. }))));
}

/// The figure of the design: the main example's whole program in a slot of about 320 bytes, operations of about 4.
#[test]
fn the_main_example_fits_its_slot() {
    let bytes = common::harbour();
    let program = Program::validate(&bytes).unwrap();
    let sizes = program.sizes();
    assert!(bytes.len() <= 320, "{} bytes", bytes.len());
    let per_op = (bytes.len() - program.ops_at() - 4) as f64 / f64::from(sizes.n_ops);
    assert!(per_op < 4.5, "{per_op} bytes an operation");
    // Five bytes a number, one a bit, four a cell, six a hand: within what 2 KB of SRAM leave beside the runtime.
    let sram = sizes.n_numbers * 5 + sizes.n_bits + sizes.n_cells * 4 + sizes.n_drives * 6;
    assert!(sram < 450, "{sram} bytes of SRAM");
}

#[test]
fn the_main_example_reads_as_text() {
    let bytes = common::harbour();
    let text = program::text::disassemble(&Program::validate(&bytes).unwrap());
    let first: Vec<&str> = text.lines().take(3).collect();
    assert_eq!(
        first,
        [
            "300 bytes, wiring 12345678, period 1000 ms, 6 number and 7 bit inputs, 65 operations, 40 cells",
            "  n6 = procedure",
            "      step 1 for 10min: drive0 off drive1 off",
        ]
    );
    let heater = "  b36 = drive b35 permissive b17 trip b16 start_delay 1min when_blind off shortest_rest 3min (drive4)";
    assert!(text.lines().any(|line| line == heater), "{text}");
}

fn wiring() -> Wiring {
    let input = |driver| NumberInput { driver, age_limit_ms: 5_000 };
    let bit = |driver| BitInput { driver, is_normally_closed: true, n_debounce: 10 };
    let amplifier = PhAmplifier { midpoint_mv: 2_500, gain_permille: -5_130 };
    Wiring {
        board: 1,
        adc: AdcScale { reference_mv: 5_000, full_scale: 1_024 },
        numbers: vec![
            input(NumberDriver::Ds18b20 { pin: 2, rom: [0x28, 1, 2, 3, 4, 5, 6, 7] }),
            input(NumberDriver::Tmp36 { channel: 0, n_samples: 16 }),
            input(NumberDriver::Ntc {
                channel: 1,
                n_samples: 16,
                table: NtcTable::beta(3_950.0, 10_000.0, 10_000.0, true),
            }),
            input(NumberDriver::Ph { channel: 2, n_samples: 16, amplifier, temperature: Some(0) }),
            input(NumberDriver::Conductivity {
                channel: 3,
                n_samples: 8,
                zero_uv: 0,
                per_volt: 20_000,
                ppm_per_k: 20_000,
                temperature: None,
            }),
            input(NumberDriver::Level { channel: 4, n_samples: 4, zero_uv: 500_000, per_volt: 125_000 }),
            input(NumberDriver::Ultrasonic {
                trigger_pin: 5,
                echo_pin: 6,
                mounted_um: 400_000,
                temperature: None,
            }),
            input(NumberDriver::PulseFlow { pin: 3, pulses_per_litre: 450 }),
            input(NumberDriver::Parameter { default: 3_000 }),
        ],
        bits: vec![
            bit(BitDriver::Pin { pin: 7 }),
            bit(BitDriver::Expander { device: 0, line: 15 }),
            bit(BitDriver::Button { pin: 8 }),
            bit(BitDriver::RemoteKey { code: 0x00FF_30CF }),
        ],
        outputs: vec![
            Output { driver: OutputDriver::Pin { pin: 9 }, is_active_low: true, is_on_when_safe: false },
            Output { driver: OutputDriver::Pwm { pin: 10 }, is_active_low: false, is_on_when_safe: true },
            Output {
                driver: OutputDriver::Expander { device: 0, line: 3 },
                is_active_low: true,
                is_on_when_safe: true,
            },
            Output { driver: OutputDriver::Buzzer { pin: 11 }, is_active_low: false, is_on_when_safe: false },
        ],
        devices: vec![
            Device { kind: DeviceKind::Mcp23017, address: 0x20, shape: 0 },
            Device { kind: DeviceKind::TextDisplay, address: 0x27, shape: 0x54 },
        ],
    }
}

#[test]
fn wiring_reads_back_and_refuses_what_is_not_there() {
    let table = wiring();
    let bytes = table.encode().unwrap();
    assert_eq!(Wiring::decode(&bytes).unwrap(), table);
    assert_eq!(Wiring::crc(&bytes), program::crc::crc32(&bytes[..bytes.len() - 4]));
    let mut wrong = wiring();
    wrong.bits[1].driver = BitDriver::Expander { device: 1, line: 0 };
    assert_eq!(wrong.encode(), Err(WiringError::Reference { entry: 10 }));
    let mut wrong = wiring();
    wrong.numbers[3].driver = NumberDriver::Tmp36 { channel: 0, n_samples: 17 };
    assert_eq!(wrong.encode(), Err(WiringError::Reference { entry: 3 }));
    let mut damaged = bytes.clone();
    damaged[20] ^= 1;
    assert_eq!(Wiring::decode(&damaged), Err(WiringError::Checksum));
    assert_eq!(Wiring::decode(&bytes[..bytes.len() - 1]), Err(WiringError::Container));
}

proptest! {
    #[test]
    fn mutated_wiring_never_panics(changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..5)) {
        let mut bytes = wiring().encode().unwrap();
        for (at, byte) in changes {
            let at = at.index(bytes.len());
            bytes[at] = byte;
        }
        let body = bytes.len() - 4;
        let crc = program::crc::crc32(&bytes[..body]);
        bytes[body..].copy_from_slice(&crc.to_le_bytes());
        if let Ok(table) = Wiring::decode(&bytes) {
            prop_assert_eq!(Wiring::decode(&table.encode().unwrap()).unwrap(), table);
        }
    }
}
