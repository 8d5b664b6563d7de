//! What must not happen to a tank: a wrong answer of a part that is believed, an output that follows another's bits, a program whose bytes
//! have changed and that goes on. Beside tests/board.rs, which shows how the runtime works when nothing is wrong.

use std::collections::{HashMap, VecDeque};

use firmware_host::Runtime;
use firmware_host::board::{Board, Hardware, cause};
use firmware_host::store::{Answer, CHUNK, Running, Store};
use program::assembler::{Assembler, Header};
use program::convert::AdcScale;
use program::op::{Op, Relation, Resets, Stage};
use program::wiring::*;
use program::zone::Zone;
use program::{BitRef, NumRef};

const GOOD: u8 = 0;
const BAD: u8 = 2;
/// Events (firmware/core/events.h).
const DEVICE_LOST: u8 = 15;
const DEVICE_BACK: u8 = 16;
const INPUT_BAD: u8 = 8;
const INPUT_GOOD: u8 = 9;
const TRIP: u8 = 4;
const SELF_TEST: u8 = 17;
const TRIPS_LOST: u8 = 20;

const CLOCK: u8 = 0x68;
const EXPANDERS: [u8; 2] = [0x20, 0x21];
const ONE_WIRE: u8 = 26;

/// Two MCP23017, a DS3231, and thermometers that all read the same; each transaction with an expander is looked at.
#[derive(Default)]
struct Bench {
    driven: HashMap<u8, bool>,
    expanders: [Option<[u8; 22]>; 2],
    /// Lines of an expander that are shorted to ground.
    grounded: [u16; 2],
    /// The first expander's directions stay as they are whatever it is told.
    is_deaf: bool,
    /// Everything that was written to addresses of expanders, whether somebody is there or not.
    written: Vec<(u8, Vec<u8>)>,
    /// Latches and directions that were ever written to the second expander.
    second: Vec<[u8; 4]>,
    clock: Option<[u8; 16]>,
    scratchpad: Option<[u8; 9]>,
    sent: VecDeque<u8>,
}

impl Hardware for Bench {
    fn pin_output(&mut self, pin: u8, is_high: bool) {
        self.driven.insert(pin, is_high);
    }
    fn pin_is_high(&mut self, pin: u8) -> bool {
        self.driven.get(&pin).copied().unwrap_or(true)
    }
    fn i2c(&mut self, address: u8, written: &[u8], read: &mut [u8]) -> bool {
        let at = usize::from(written[0]);
        if (0x20..0x28).contains(&address) && read.is_empty() {
            self.written.push((address, written.to_vec()));
        }
        if let Some(which) = EXPANDERS.iter().position(|expander| *expander == address) {
            let Some(registers) = &mut self.expanders[which] else { return false };
            let kept = [registers[0], registers[1]];
            registers[at..at + written.len() - 1].copy_from_slice(&written[1..]);
            if self.is_deaf && which == 0 {
                registers[..2].copy_from_slice(&kept);
            }
            for port in 0..2 {
                // GPIO: outputs show their latch, inputs what is outside (here: high), inverted where IPOL says so.
                let level = ((registers[0x14 + port] & !registers[port])
                    | (registers[port] & !registers[2 + port]))
                    & !self.grounded[which].to_le_bytes()[port];
                registers[0x12 + port] = level;
            }
            read.copy_from_slice(&registers[at..at + read.len()]);
            if which == 1 && written.len() > 1 {
                self.second.push([registers[0x14], registers[0x15], registers[0], registers[1]]);
            }
            return true;
        }
        let Some(registers) = self.clock.filter(|_| address == CLOCK) else { return false };
        read.copy_from_slice(&registers[at..at + read.len()]);
        true
    }
    fn onewire_reset(&mut self, _: u8) -> bool {
        self.sent.clear();
        true
    }
    fn onewire_byte(&mut self, _: u8, byte: u8) -> u8 {
        if let Some(byte) = self.sent.pop_front() {
            return byte;
        }
        if byte == 0xBE {
            self.sent.extend(self.scratchpad.unwrap_or([0xFF; 9]));
        }
        byte
    }
}

fn table(
    numbers: Vec<NumberInput>,
    bits: Vec<BitInput>,
    outputs: Vec<Output>,
    devices: Vec<Device>,
) -> Vec<u8> {
    let adc = AdcScale { reference_mv: 5_000, full_scale: 1_024 };
    Wiring { board: 1, adc, numbers, bits, outputs, devices }.encode().expect("a table")
}

fn header(wiring: &[u8], n_numbers: u8, n_bits: u8) -> Header {
    Header {
        wiring_crc: Wiring::crc(wiring),
        period_ms: 1_000,
        n_number_inputs: n_numbers,
        n_bit_inputs: n_bits,
        longest_hand_ms: 3_600_000,
        zone: Zone::UTC,
        wide: false,
    }
}

/// Every drive is always on.
fn always_on(wiring: &[u8], n_numbers: u8, n_bits: u8, n_drives: usize) -> Vec<u8> {
    let mut assembler = Assembler::new(header(wiring, n_numbers, n_bits));
    for _ in 0..n_drives {
        let auto = BitRef::TRUE;
        assembler.bit(Op::Drive { auto, stage: Stage::PLAIN, shortest_run_ms: 0, shortest_rest_ms: 0 });
    }
    assembler.finish().expect("a program")
}

fn run(board: &mut Board<'_, Bench>, ms: u32) {
    board.run_ms(ms).expect("no reset");
}

fn blank(runtime: &mut Runtime) {
    let _ = Store::blank(runtime);
}

/// 2024-02-`day` 12:00:`second` UTC, packed decimals (data sheet of the DS3231, figure 1), and its second since 2000: that of
/// `date -u -d 2024-02-01T12:00 +%s`, 1 706 788 800, less that of 2000-01-01, 946 684 800.
fn noon(day: u8, second: u8) -> ([u8; 16], u32) {
    let packed = |n: u8| n / 10 * 16 + n % 10;
    let mut registers = [0; 16];
    registers[..7].copy_from_slice(&[packed(second), 0, 0x12, 1, packed(day), 0x02, 0x24]);
    (registers, 760_104_000 + 86_400 * u32::from(day - 1) + u32::from(second))
}

#[test]
fn one_wrong_answer_of_the_clock_is_not_believed_and_a_lasting_one_in_the_end() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let devices = vec![Device { kind: DeviceKind::Ds3231, address: CLOCK, shape: 0 }];
    let wiring = table(vec![], vec![], vec![], devices);
    let golden = always_on(&wiring, 0, 0, 0);
    let bench = Bench { clock: Some(noon(3, 0).0), ..Bench::default() };
    let mut board = Board::power(&mut runtime, bench, &wiring, &golden);
    run(&mut board, 1_000);
    assert_eq!(board.clock(), (noon(3, 0).1, GOOD));
    // A line of the bus was disturbed: the 23rd instead of the 3rd, and the day's limits would begin anew.
    for wrong in [noon(23, 1).0, noon(2, 1).0] {
        board.hardware().clock = Some(wrong);
        run(&mut board, 1_000);
        let (utc, quality) = board.clock();
        assert_eq!((utc / 60, quality), (noon(3, 0).1 / 60, GOOD), "by the board's own tick");
        board.hardware().clock = Some(noon(3, 2).0);
        run(&mut board, 1_000);
        assert_eq!(board.clock(), (noon(3, 2).1, GOOD));
    }
    board.hardware().clock = Some(noon(23, 0).0);
    run(&mut board, 2_000);
    assert_eq!(board.clock().0 / 60, noon(3, 0).1 / 60);
    run(&mut board, 1_000);
    assert_eq!(board.clock().1, BAD, "three times: lost");
    assert!(board.events().contains(&(DEVICE_LOST, 0)), "{:?}", board.events());
    run(&mut board, 1_000);
    assert_eq!(board.clock(), (noon(23, 0).1, GOOD));
}

#[test]
fn a_clock_that_never_answered_is_bad_from_the_first_scan() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let devices = vec![Device { kind: DeviceKind::Ds3231, address: CLOCK, shape: 0 }];
    let wiring = table(vec![], vec![], vec![], devices);
    let golden = always_on(&wiring, 0, 0, 0);
    let mut board = Board::power(&mut runtime, Bench::default(), &wiring, &golden);
    while board.scans().0 == 0 {
        run(&mut board, 1);
    }
    assert_eq!(board.clock().1, BAD, "docs/control-program.md, section 4: never set is bad");
}

#[test]
fn an_expander_that_is_back_disturbs_no_other_one() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let expander = |which: usize| Device { kind: DeviceKind::Mcp23017, address: EXPANDERS[which], shape: 0 };
    let out = |device: u8, line: u8| Output {
        driver: OutputDriver::Expander { device, line },
        is_active_low: false,
        is_on_when_safe: false,
    };
    // The second one stands first in the table: it has been written when the other comes back.
    let devices = vec![expander(1), expander(0)];
    let contact = |device: u8| BitInput {
        driver: BitDriver::Expander { device, line: 3 },
        is_normally_closed: false,
        n_debounce: 4,
    };
    let wiring = table(vec![], vec![contact(1), contact(0)], vec![out(0, 8), out(1, 0)], devices);
    let golden = always_on(&wiring, 0, 2, 2);
    let mut power_on = [0; 22];
    power_on[..2].fill(0xFF); // data sheet: all lines are inputs after power-up
    let bench = Bench { expanders: [Some(power_on); 2], ..Bench::default() };
    let mut board = Board::power(&mut runtime, bench, &wiring, &golden);
    run(&mut board, 3_000);
    board.hardware().grounded[0] = 1;
    run(&mut board, 5_000); // in doubt: kept in its safe state
    board.hardware().expanders[0] = None;
    run(&mut board, 3_000);
    assert!(board.events().contains(&(DEVICE_LOST, 1)), "{:?}", board.events());
    board.hardware().second.clear();
    board.hardware().expanders[0] = Some(power_on);
    run(&mut board, 3_000);
    assert!(board.events().contains(&(DEVICE_BACK, 1)), "{:?}", board.events());
    let written = &board.hardware().second;
    assert!(!written.is_empty() && written.iter().all(|bytes| *bytes == [0, 1, 0xFF, 0xFE]), "{written:x?}");
}

#[test]
fn forty_thermometers_are_all_read_before_the_first_scan() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let driver = |n: u8| NumberDriver::Ds18b20 { pin: ONE_WIRE, rom: [0x28, n, 0, 0, 0, 0, 0, 0] };
    let numbers = (0..40).map(|n| NumberInput { driver: driver(n), age_limit_ms: 5_000 }).collect();
    let wiring = table(numbers, vec![], vec![], vec![]);
    let golden = always_on(&wiring, 40, 0, 0);
    // +25.0 °C (data sheet, table 1), the rest as after power-up; its checksum: that of x^8 + x^5 + x^4 + 1, reflected.
    let mut scratchpad = [0x90, 0x01, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10, 0];
    scratchpad[8] = scratchpad[..8].iter().fold(0, |crc, byte| {
        (0..8).fold(crc ^ byte, |crc, _| if crc & 1 == 0 { crc >> 1 } else { crc >> 1 ^ 0x8C })
    });
    let bench = Bench { scratchpad: Some(scratchpad), ..Bench::default() };
    let mut board = Board::power(&mut runtime, bench, &wiring, &golden);
    while board.scans().0 == 0 {
        run(&mut board, 1);
    }
    for input in 0..40 {
        assert_eq!(board.number(input), (25_000, GOOD), "thermometer {input}");
    }
}

#[test]
fn a_buzzer_whose_rule_is_true_gets_tones_and_no_direct_current() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let buzzer =
        Output { driver: OutputDriver::Buzzer { pin: 9 }, is_active_low: false, is_on_when_safe: false };
    let wiring = table(vec![], vec![], vec![buzzer], vec![]);
    let golden = always_on(&wiring, 0, 0, 1);
    let mut board = Board::power(&mut runtime, Bench::default(), &wiring, &golden);
    run(&mut board, 3_000);
    assert!(!board.hardware().driven[&9]);
}

#[test]
fn a_limit_that_has_become_another_number_in_the_cells_ends_the_program_within_a_minute() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let numbers =
        vec![NumberInput { driver: NumberDriver::Parameter { default: 25_000 }, age_limit_ms: 1_000 }];
    let output =
        Output { driver: OutputDriver::Pin { pin: 20 }, is_active_low: false, is_on_when_safe: false };
    let wiring = table(numbers, vec![], vec![output], vec![]);
    let golden = always_on(&wiring, 1, 0, 1);
    // A heater: on below 26.5 °C.
    let mut assembler = Assembler::new(header(&wiring, 1, 0));
    let is_warm = assembler.bit(Op::Compare { relation: Relation::Above, input: NumRef(0), limit: 26_500 });
    let stage = Stage::PLAIN;
    assembler.bit(Op::Drive { auto: !is_warm, stage, shortest_run_ms: 0, shortest_rest_ms: 0 });
    let trial = assembler.finish().expect("a program");
    let mut board = Board::power(&mut runtime, Bench::default(), &wiring, &golden);
    let mut store = board.store();
    assert_eq!(store.upload_begin(trial.len() as u16), Answer::Done);
    for (n, chunk) in trial.chunks(CHUNK).enumerate() {
        store.flush();
        assert_eq!(store.upload_chunk((n * CHUNK) as u16, chunk), Answer::Done);
    }
    store.flush();
    assert_eq!(store.upload_end(60), (Answer::Done, 0));
    store.power_up(false);
    board.boot(cause::WANTED);
    run(&mut board, 3_000);
    assert_eq!(board.store().running(), Running::Trial);
    assert!(board.hardware().driven[&20]);
    // One bit of the limit: 265 * 10^2 becomes 297 * 10^2 (section 5: zigzag above two bits of exponent). Every scan takes it.
    let mut cells = board.store().bytes();
    let constant = [0xCA, 0x10]; // (2 * 265) << 2 | 2 = 0x84A, LEB128
    let at = cells.windows(2).position(|bytes| bytes == constant).expect("the limit");
    cells[at + 1] ^= 0x02;
    board.store().set_bytes(&cells);
    let reset = board.run_ms(61_000).expect_err("a reset");
    assert_eq!(reset & cause::SELF_TEST, cause::SELF_TEST);
    assert!(!board.hardware().driven[&20], "safe before the reset");
}

/// One expander with an output on line 0 and a contact on line 9, powered up.
fn one_expander() -> (Vec<u8>, Vec<u8>, Bench) {
    let wiring = table(
        vec![],
        vec![BitInput {
            driver: BitDriver::Expander { device: 0, line: 9 },
            is_normally_closed: false,
            n_debounce: 4,
        }],
        vec![Output {
            driver: OutputDriver::Expander { device: 0, line: 0 },
            is_active_low: false,
            is_on_when_safe: false,
        }],
        vec![Device { kind: DeviceKind::Mcp23017, address: EXPANDERS[0], shape: 0 }],
    );
    let golden = always_on(&wiring, 0, 1, 1);
    let mut power_on = [0; 22];
    power_on[..2].fill(0xFF);
    (wiring, golden, Bench { expanders: [Some(power_on), None], ..Bench::default() })
}

#[test]
fn an_expander_that_inverts_or_counts_otherwise_is_put_right_in_the_next_scan() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let (wiring, golden, bench) = one_expander();
    let mut board = Board::power(&mut runtime, bench, &wiring, &golden);
    run(&mut board, 3_000);
    // Data sheet of the MCP23017: IPOL is 0x02 and 0x03, IOCON 0x0A and 0x0B; bit 5 of it ends the counting of addresses.
    for (register, value) in [(0x02, 0xFF), (0x03, 0xFF), (0x0A, 0x20), (0x0B, 0x20)] {
        let registers = board.hardware().expanders[0].as_mut().expect("an expander");
        registers[register] = value;
        run(&mut board, 1_100);
        let registers = board.hardware().expanders[0].expect("an expander");
        assert_eq!(registers[register], 0, "register {register:#x}");
    }
    // The second eight lines too: their directions were lost, and are what they were.
    board.hardware().expanders[0].as_mut().expect("an expander")[1] = 0;
    run(&mut board, 1_100);
    assert_eq!(board.hardware().expanders[0].expect("an expander")[1], 0xFF);
    assert!(board.events().contains(&(DEVICE_BACK, 0)), "{:?}", board.events());
}

#[test]
fn an_expander_that_does_not_keep_its_directions_is_lost_once() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let (wiring, golden, mut bench) = one_expander();
    bench.is_deaf = true;
    let mut board = Board::power(&mut runtime, bench, &wiring, &golden);
    run(&mut board, 10_000);
    let events = board.events();
    let told: Vec<_> = events.iter().filter(|event| [DEVICE_LOST, DEVICE_BACK].contains(&event.0)).collect();
    assert_eq!(told, [&(DEVICE_LOST, 0)], "{events:?}");
    assert_eq!(board.bit_input(0).1, BAD);
    board.hardware().is_deaf = false;
    run(&mut board, 2_000);
    assert!(board.events().contains(&(DEVICE_BACK, 0)), "{:?}", board.events());
}

#[test]
fn a_board_that_does_not_know_its_expanders_makes_inputs_of_all_lines() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let (mut wiring, golden, bench) = one_expander();
    wiring[6] ^= 1;
    let mut board = Board::power(&mut runtime, bench, &wiring, &golden);
    run(&mut board, 2_000);
    assert!(board.events().contains(&(SELF_TEST, 5)), "{:?}", board.events());
    // IODIR of an MCP23008 is register 0, those of an MCP23017 are 0 and 1 (data sheets); ones are inputs.
    let wanted: Vec<(u8, Vec<u8>)> = (0x20..0x28).map(|address| (address, vec![0, 0xFF, 0xFF])).collect();
    assert_eq!(board.hardware().written, wanted);
}

/// A contact on pin 20 trips; the drive heeds it.
fn tripping(wiring: &[u8], n_drives: usize) -> Vec<u8> {
    let mut assembler = Assembler::new(header(wiring, 0, 1));
    let cause = BitRef(BitRef::N_BUILT_IN as u16);
    let trip = assembler.bit(Op::Trip { cause, resets: Resets::Manual });
    for _ in 0..n_drives {
        let stage = Stage { trip, ..Stage::PLAIN };
        assembler.bit(Op::Drive { auto: BitRef::TRUE, stage, shortest_run_ms: 0, shortest_rest_ms: 0 });
    }
    assembler.finish().expect("a program")
}

#[test]
fn trips_that_another_program_left_are_told_as_lost() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let contact = BitInput { driver: BitDriver::Pin { pin: 20 }, is_normally_closed: false, n_debounce: 4 };
    let out =
        |pin| Output { driver: OutputDriver::Pin { pin }, is_active_low: false, is_on_when_safe: false };
    let wiring = table(vec![], vec![contact], vec![out(21), out(22)], vec![]);
    let [first, second] = [1, 2].map(|n_drives| tripping(&wiring, n_drives));
    let mut bench = Bench::default();
    bench.driven.insert(20, false);
    let mut board = Board::power(&mut runtime, bench, &wiring, &first);
    run(&mut board, 3_000);
    assert!(board.events().contains(&(TRIP, 0)), "{:?}", board.events());
    assert!(!board.events().iter().any(|event| event.0 == TRIPS_LOST), "{:?}", board.events());
    board.store().flush();
    drop(board);
    let mut board = Board::power(&mut runtime, Bench::default(), &wiring, &second);
    run(&mut board, 1_000);
    let crc = program::Program::validate(&first).expect("a program").crc();
    assert!(board.events().contains(&(TRIPS_LOST, crc as u16)), "{:?}", board.events());
}

#[test]
fn a_clock_that_does_not_take_a_time_is_not_said_to_be_set() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let devices = vec![Device { kind: DeviceKind::Ds3231, address: CLOCK, shape: 0 }];
    let wiring = table(vec![], vec![], vec![], devices);
    let golden = always_on(&wiring, 0, 0, 0);
    // It answers, and keeps nothing of what is written to it.
    let bench = Bench { clock: Some(noon(3, 0).0), ..Bench::default() };
    let mut board = Board::power(&mut runtime, bench, &wiring, &golden);
    run(&mut board, 1_000);
    const REFUSED: u8 = 4;
    assert_eq!(board.set_clock(noon(20, 0).1), REFUSED);
    board.hardware().clock = None;
    assert_eq!(board.set_clock(noon(20, 0).1), REFUSED);
    assert_eq!(board.clock(), (noon(3, 0).1, GOOD));
}

#[test]
fn a_flow_has_no_reading_before_a_whole_period_was_counted() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let driver = NumberDriver::PulseFlow { pin: 20, pulses_per_litre: 450 };
    let wiring = table(vec![NumberInput { driver, age_limit_ms: 2_000 }], vec![], vec![], vec![]);
    let golden = always_on(&wiring, 1, 0, 0);
    let mut board = Board::power(&mut runtime, Bench::default(), &wiring, &golden);
    while board.scans().0 == 0 {
        run(&mut board, 1);
    }
    assert_eq!(board.number(0).1, BAD);
    run(&mut board, 1_000);
    assert_eq!(board.number(0), (0, GOOD));
    let events = board.events();
    assert!(!events.iter().any(|event| [INPUT_BAD, INPUT_GOOD].contains(&event.0)), "{events:?}");
}

#[test]
fn a_part_that_flaps_is_told_so_often_an_hour() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let (wiring, golden, bench) = one_expander();
    let power_on = bench.expanders[0];
    let mut board = Board::power(&mut runtime, bench, &wiring, &golden);
    run(&mut board, 3_000);
    let flap = |board: &mut Board<'_, Bench>, n: usize| {
        let mut told = Vec::new();
        for _ in 0..n {
            board.hardware().expanders[0] = None;
            run(board, 4_000);
            board.hardware().expanders[0] = power_on;
            run(board, 4_000);
            // A station takes them: the journal has room for twelve.
            let mut store = board.store();
            store.flush();
            while let Some(event) = store.event_after(store.confirmed_event().wrapping_add(1)) {
                told.push(event.code);
                store.events_confirmed(event.sequence);
            }
        }
        let n_told = |of: [u8; 2]| told.iter().filter(|code| of.contains(code)).count();
        (n_told([DEVICE_LOST, DEVICE_BACK]), n_told([INPUT_BAD, INPUT_GOOD]))
    };
    // Lost and back of the part, bad and good of its contact, in turn: of each source twelve.
    assert_eq!(flap(&mut board, 3), (6, 6));
    assert_eq!(flap(&mut board, 20), (6, 6));
    assert_eq!(flap(&mut board, 5), (0, 0));
    run(&mut board, 3_600_000);
    assert_eq!(flap(&mut board, 1), (2, 2), "another hour");
}
