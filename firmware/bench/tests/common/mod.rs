//! One board for the driver tests: every driver on an ATmega328P, and a program that lets each input decide something.
#![allow(dead_code, reason = "each test file uses its own part of this")]

use firmware_bench::{Board, Fault, Level, Load};
use link::message::sections;
use program::assembler::{Assembler, Header};
use program::convert::{AdcScale, PhAmplifier};
use program::op::*;
use program::wiring::*;
use program::{BitRef, NumRef};

pub const IMAGE: &str = "atmega328p";

/// "PB5" as docs/firmware.md numbers pins.
pub fn pin(name: &str) -> u8 {
    let bytes = name.as_bytes();
    (bytes[1] - b'A') * 8 + bytes[2] - b'0'
}

pub const SCALE: AdcScale = AdcScale { reference_mv: 5_000, full_scale: 1_024 };
pub const EXPANDER: u8 = 0x20;
pub const SECOND_EXPANDER: u8 = 0x38;
pub const DISPLAY: u8 = 0x27;
pub const ONE_WIRE: &str = "PD2";
pub const BUZZER: &str = "PD3";
pub const INFRARED: &str = "PC3";
/// Family code and serial numbers of the two thermometers.
pub const ROMS: [[u8; 7]; 2] =
    [[0x28, 0x11, 0x22, 0x33, 0x44, 0x55, 0x66], [0x28, 0xFE, 0xDC, 0xBA, 0x98, 0x76, 0x54]];
/// Address 0x10, command 0x45: as the receiver hears it, and as tables name it.
pub const KEY_FRAME: u32 = 0xBA45_EF10;
pub const KEY: u32 = 0x45_EF10;

/// Number inputs by their place.
pub mod number {
    pub const FIRST_PROBE: usize = 0;
    pub const SECOND_PROBE: usize = 1;
    pub const TMP36: usize = 2;
    pub const PH: usize = 3;
    pub const SONAR: usize = 4;
    pub const FLOW: usize = 5;
    pub const PARAMETER: usize = 6;
}

/// Bit inputs by their place.
pub mod bit {
    pub const CONTACT: usize = 0;
    pub const EXPANDER: usize = 1;
    pub const BUTTON: usize = 2;
    pub const KEY: usize = 3;
    pub const SECOND_EXPANDER: usize = 4;
}

/// Drives by their place.
pub mod drive {
    pub const PIN: usize = 0;
    pub const PWM: usize = 1;
    pub const EXPANDER: usize = 2;
    pub const BUZZER: usize = 3;
    pub const SECOND_PIN: usize = 4;
    pub const PCF: usize = 5;
}

/// ROM code with its checksum (x^8 + x^5 + x^4 + 1, reflected; data sheet of the DS18B20).
pub fn rom(serial: [u8; 7]) -> [u8; 8] {
    let crc = serial.iter().fold(0u8, |crc, byte| {
        (0..8).fold(crc ^ byte, |crc, _| if crc & 1 == 0 { crc >> 1 } else { crc >> 1 ^ 0x8C })
    });
    let mut rom = [crc; 8];
    rom[..7].copy_from_slice(&serial);
    rom
}

pub fn drivers() -> Vec<NumberDriver> {
    vec![
        NumberDriver::Ds18b20 { pin: pin(ONE_WIRE), rom: rom(ROMS[0]) },
        NumberDriver::Ds18b20 { pin: pin(ONE_WIRE), rom: rom(ROMS[1]) },
        NumberDriver::Tmp36 { channel: 0, n_samples: 16 },
        NumberDriver::Ph {
            channel: 1,
            n_samples: 16,
            amplifier: PhAmplifier { midpoint_mv: 2_500, gain_permille: 3_000 },
            temperature: Some(0),
        },
        NumberDriver::Ultrasonic {
            trigger_pin: pin("PD4"),
            echo_pin: pin("PD5"),
            mounted_um: 400_000,
            temperature: None,
        },
        NumberDriver::PulseFlow { pin: pin("PD6"), pulses_per_litre: 450 },
        NumberDriver::Parameter { default: 400 },
    ]
}

pub fn wiring() -> Wiring {
    let output = |driver, is_active_low| Output { driver, is_active_low, is_on_when_safe: false };
    let contact = |driver, is_normally_closed| BitInput { driver, is_normally_closed, n_debounce: 4 };
    Wiring {
        board: 1,
        adc: SCALE,
        numbers: drivers().into_iter().map(|driver| NumberInput { driver, age_limit_ms: 5_000 }).collect(),
        bits: vec![
            contact(BitDriver::Pin { pin: pin("PB0") }, false),
            contact(BitDriver::Expander { device: 0, line: 3 }, true),
            contact(BitDriver::Button { pin: pin("PD7") }, false),
            contact(BitDriver::RemoteKey { code: KEY }, false),
            contact(BitDriver::Expander { device: 1, line: 0 }, false),
        ],
        outputs: vec![
            output(OutputDriver::Pin { pin: pin("PB4") }, false),
            output(OutputDriver::Pwm { pin: pin("PB1") }, false),
            output(OutputDriver::Expander { device: 0, line: 8 }, true),
            output(OutputDriver::Buzzer { pin: pin(BUZZER) }, false),
            output(OutputDriver::Pin { pin: pin("PB5") }, false),
            output(OutputDriver::Expander { device: 1, line: 7 }, false),
        ],
        devices: vec![
            Device { kind: DeviceKind::Mcp23017, address: EXPANDER, shape: 0 },
            Device { kind: DeviceKind::Pcf8574, address: SECOND_EXPANDER, shape: 0 },
            Device { kind: DeviceKind::TextDisplay, address: DISPLAY, shape: 3 << 6 | 20 },
            Device { kind: DeviceKind::Ds3231, address: 0x68, shape: 0 },
            Device { kind: DeviceKind::InfraredReceiver, address: pin(INFRARED), shape: 0 },
        ],
    }
}

/// Contact drives PB4 and PB5, the parameter is the duty of PB1, the expander's contact its output, the other's contact its own, the
/// button the buzzer.
pub fn program(wiring_crc: u32) -> Vec<u8> {
    let mut program = Assembler::new(Header {
        wiring_crc,
        period_ms: 1_000,
        n_number_inputs: 7,
        n_bit_inputs: 5,
        longest_hand_ms: 600_000,
        zone: program::zone::Zone { standard_quarters: 0, daylight: None },
        wide: false,
    });
    let input = |at: usize| BitRef((BitRef::N_BUILT_IN + at) as u16);
    let mut switched = |auto| {
        program.bit(Op::Drive { auto, stage: Stage::PLAIN, shortest_run_ms: 0, shortest_rest_ms: 0 });
    };
    switched(input(bit::CONTACT));
    program.number(Op::DriveDuty { auto: NumRef(number::PARAMETER as u16), stage: Stage::PLAIN });
    let mut switched = |auto| {
        program.bit(Op::Drive { auto, stage: Stage::PLAIN, shortest_run_ms: 0, shortest_rest_ms: 0 });
    };
    switched(input(bit::EXPANDER));
    switched(input(bit::BUTTON));
    switched(input(bit::CONTACT));
    switched(input(bit::SECOND_EXPANDER));
    program.finish().expect("a program that fits its format")
}

/// The board with all its parts, without power; none without simulator or image, and says why.
pub fn rig() -> Option<Board> {
    let reason =
        firmware_bench::chip::simulator().err().or_else(|| firmware_bench::board::image(IMAGE).err());
    if let Some(reason) = reason {
        eprintln!("left out: {reason}");
        return None;
    }
    let load = Load::new(&wiring(), program).expect("a wiring table");
    let mut board = Board::new(IMAGE, &load).expect("a board");
    let chip = &mut board.chip;
    let wire = |chip: &mut firmware_bench::Chip| -> firmware_bench::chip::Result<()> {
        for rom in ROMS {
            chip.add_thermometer(ONE_WIRE, rom)?;
        }
        chip.set_thermometer(0, 25 * 16 + 8, Fault::None, 0)?;
        chip.set_thermometer(1, 20 * 16, Fault::None, 0)?;
        chip.set_analog(0, 2_457, 16)?;
        chip.set_analog(1, 8_192, 16)?;
        chip.add_sonar("PD4", "PD5")?;
        chip.set_echo("PD5", 1_500)?;
        chip.drive("PD6", Level::High)?;
        chip.drive("PB0", Level::High)?;
        chip.drive("PD7", Level::High)?;
        chip.drive(INFRARED, Level::High)?;
        chip.add_expander(17, EXPANDER)?;
        chip.add_expander(74, SECOND_EXPANDER)?;
        chip.add_display(DISPLAY, 20, 4)?;
        chip.add_clock(2)?;
        chip.set_clock(800_000_000)
    };
    wire(chip).expect("parts on pins");
    Some(board)
}

/// The board after its boot, with records of every scan.
pub fn running() -> Option<Board> {
    let mut board = rig()?;
    board.power(1).expect("power");
    board.meet().expect("an answer");
    board.subscribe(sections::INPUTS | sections::OUTPUTS | sections::STATES).expect("records");
    Some(board)
}
