//! One board for the driver tests: every driver on an ATmega328P, and a program that lets each input decide something.
#![allow(dead_code, reason = "each test file uses its own part of this")]

use firmware_bench::{Board, Fault, Level, Load};
use link::message::sections;
use program::assembler::{Assembler, Header};
use program::convert::{AdcScale, PhAmplifier};
use program::op::{Op, Priority, Stage};
use program::panel::{self, Form, Panel, Pattern, Piece, Source, Texts, What};
use program::wiring::*;
use program::{BitRef, NumRef};

/// Where parts are wired; both chips have the same interrupts on these pins.
pub struct Pins {
    pub image: &'static str,
    pub one_wire: &'static str,
    pub buzzer: &'static str,
    pub infrared: &'static str,
    pub contact: &'static str,
    pub button: &'static str,
    pub trigger: &'static str,
    pub echo: &'static str,
    pub meter: &'static str,
    /// Outputs: two plain ones and one with pulse-width modulation.
    pub first: &'static str,
    pub second: &'static str,
    pub fan: &'static str,
}

const ATMEGA328P: Pins = Pins {
    image: "atmega328p",
    one_wire: "PD2",
    buzzer: "PD3",
    infrared: "PC3",
    contact: "PB0",
    button: "PD7",
    trigger: "PD4",
    echo: "PD5",
    meter: "PD6",
    first: "PB4",
    second: "PB5",
    fan: "PB1",
};

const ATMEGA2560: Pins = Pins {
    image: "atmega2560",
    one_wire: "PA0",
    buzzer: "PH6",
    infrared: "PB2",
    contact: "PC0",
    button: "PC7",
    trigger: "PA4",
    echo: "PB1",
    meter: "PB3",
    first: "PL4",
    second: "PL5",
    fan: "PB5",
};

/// Bytes of all tables with a panel among them, and without.
const TABLES: usize = 800;
const TABLES_WITHOUT_PANEL: usize = 420;

static CHOSEN: std::sync::OnceLock<(&'static Pins, bool)> = std::sync::OnceLock::new();

fn choose(with_panel: bool) -> &'static (&'static Pins, bool) {
    CHOSEN.get_or_init(|| {
        let n_tables = if with_panel { TABLES } else { TABLES_WITHOUT_PANEL };
        let usual = || {
            firmware_bench::board::smallest(&["atmega328p", "atmega2560"], n_tables).unwrap_or("atmega328p")
        };
        match std::env::var("BENCH_CHIP").as_deref().unwrap_or_else(|_| usual()) {
            "atmega2560" => (&ATMEGA2560, with_panel),
            _ => (&ATMEGA328P, with_panel),
        }
    })
}

/// The chip under test: `BENCH_CHIP`, else the smallest that has room.
pub fn pins() -> &'static Pins {
    choose(false).0
}

/// As [`running`], with a panel table; all tests of a file begin with the same of the two.
pub fn running_with_panel() -> Option<Board> {
    choose(true);
    running()
}

/// "PB5" as docs/firmware.md numbers pins.
pub fn pin(name: &str) -> u8 {
    let bytes = name.as_bytes();
    (bytes[1] - b'A') * 8 + bytes[2] - b'0'
}

pub const SCALE: AdcScale = AdcScale { reference_mv: 5_000, full_scale: 1_024 };
pub const EXPANDER: u8 = 0x20;
pub const SECOND_EXPANDER: u8 = 0x38;
pub const DISPLAY: u8 = 0x27;
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
        NumberDriver::Ds18b20 { pin: pin(pins().one_wire), rom: rom(ROMS[0]) },
        NumberDriver::Ds18b20 { pin: pin(pins().one_wire), rom: rom(ROMS[1]) },
        NumberDriver::Tmp36 { channel: 0, n_samples: 16 },
        NumberDriver::Ph {
            channel: 1,
            n_samples: 16,
            amplifier: PhAmplifier { midpoint_mv: 2_500, gain_permille: 3_000 },
            temperature: Some(0),
        },
        NumberDriver::Ultrasonic {
            trigger_pin: pin(pins().trigger),
            echo_pin: pin(pins().echo),
            mounted_um: 400_000,
            temperature: None,
        },
        NumberDriver::PulseFlow { pin: pin(pins().meter), pulses_per_litre: 450 },
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
            contact(BitDriver::Pin { pin: pin(pins().contact) }, false),
            contact(BitDriver::Expander { device: 0, line: 3 }, true),
            contact(BitDriver::Button { pin: pin(pins().button) }, false),
            contact(BitDriver::RemoteKey { code: KEY }, false),
            contact(BitDriver::Expander { device: 1, line: 0 }, false),
        ],
        outputs: vec![
            output(OutputDriver::Pin { pin: pin(pins().first) }, false),
            output(OutputDriver::Pwm { pin: pin(pins().fan) }, false),
            output(OutputDriver::Expander { device: 0, line: 8 }, true),
            output(OutputDriver::Buzzer { pin: pin(pins().buzzer) }, false),
            output(OutputDriver::Pin { pin: pin(pins().second) }, false),
            output(OutputDriver::Expander { device: 1, line: 7 }, false),
        ],
        devices: vec![
            Device { kind: DeviceKind::Mcp23017, address: EXPANDER, shape: 0 },
            Device { kind: DeviceKind::Pcf8574, address: SECOND_EXPANDER, shape: 0 },
            Device { kind: DeviceKind::TextDisplay, address: DISPLAY, shape: 3 << 6 | 20 },
            Device { kind: DeviceKind::Ds3231, address: 0x68, shape: 0 },
            Device { kind: DeviceKind::InfraredReceiver, address: pin(pins().infrared), shape: 0 },
        ],
    }
}

/// Contact drives PB4 and PB5, the parameter is the duty of PB1, the expander's contact its output, the other's contact its own, which is
/// an alarm too, for the buzzer.
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
    let loud = program.bit(Op::Alarm {
        priority: Priority::High,
        input: input(bit::SECOND_EXPANDER),
        on_ms: 0,
        off_ms: 0,
    });
    let mut switched = |auto| {
        program.bit(Op::Drive { auto, stage: Stage::PLAIN, shortest_run_ms: 0, shortest_rest_ms: 0 });
    };
    switched(input(bit::CONTACT));
    program.number(Op::DriveDuty { auto: NumRef(number::PARAMETER as u16), stage: Stage::PLAIN });
    let mut switched = |auto| {
        program.bit(Op::Drive { auto, stage: Stage::PLAIN, shortest_run_ms: 0, shortest_rest_ms: 0 });
    };
    switched(input(bit::EXPANDER));
    switched(loud);
    switched(input(bit::CONTACT));
    switched(input(bit::SECOND_EXPANDER));
    program.finish().expect("a program that fits its format")
}

/// One page: a temperature, a contact, what needs attention, the last key.
pub fn panel_table(bytes: &[u8]) -> Vec<u8> {
    let program = program::Program::validate(bytes).expect("a program");
    let chars = |text: &str| text.bytes().map(Piece::Char).collect::<Vec<Piece>>();
    let text = |text: &str| text.as_bytes().to_vec();
    let place = |width, what| vec![Piece::Place { width, what }];
    let form = Form { decimals: 1, multiplier: 1, divisor: 100, offset: 0 };
    let number = What::Number { source: Source::Slot(0), form };
    let contact = What::State {
        source: Source::Slot((BitRef::N_BUILT_IN + bit::CONTACT) as u16),
        is_negated: false,
        when_true: text("closed"),
        when_false: text("open  "),
    };
    let panel = Panel {
        counts: panel::counts_of(&program),
        columns: 20,
        rows: 4,
        page_s: 0,
        attention_page: 0,
        pages: vec![vec![
            [chars("Water "), place(6, number)].concat(),
            [chars("Contact "), place(7, contact)].concat(),
            place(20, What::Attention),
            place(20, What::Key),
        ]],
        keys: Vec::new(),
        buzzer: Some(drive::BUZZER as u8),
        patterns: Pattern::USUAL,
        texts: Texts {
            well: text("all is well"),
            doubts: ["output", "self test", "device", "program"].map(text),
            foreign_alarm: text("other program"),
            refused: text("refused"),
            alarms: vec![text("second expander")],
            steps: Vec::new(),
        },
    };
    panel.encode().expect("a panel table")
}

/// The board with all its parts, without power; none without simulator or image, and says why.
pub fn rig() -> Option<Board> {
    let reason =
        firmware_bench::chip::simulator().err().or_else(|| firmware_bench::board::image(pins().image).err());
    if let Some(reason) = reason {
        eprintln!("left out: {reason}");
        return None;
    }
    let mut load = Load::new(&wiring(), program).expect("a wiring table");
    if choose(false).1 {
        load.panel = panel_table(&load.program);
    }
    let mut board = Board::new(pins().image, &load).expect("a board");
    let chip = &mut board.chip;
    let wire = |chip: &mut firmware_bench::Chip| -> firmware_bench::chip::Result<()> {
        for rom in ROMS {
            chip.add_thermometer(pins().one_wire, rom)?;
        }
        chip.set_thermometer(0, 25 * 16 + 8, Fault::None, 0)?;
        chip.set_thermometer(1, 20 * 16, Fault::None, 0)?;
        chip.set_analog(0, 2_457, 16)?;
        chip.set_analog(1, 8_192, 16)?;
        chip.add_sonar(pins().trigger, pins().echo)?;
        chip.set_echo(pins().echo, 1_500)?;
        chip.drive(pins().meter, Level::High)?;
        chip.drive(pins().contact, Level::High)?;
        chip.drive(pins().button, Level::High)?;
        chip.drive(pins().infrared, Level::High)?;
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
