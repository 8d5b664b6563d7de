//! The runtime and its drivers over made-up hardware: boot, staggered start, debounce, ages, read-back, lost devices, doubt. Times and
//! behaviour are those of docs/firmware.md and docs/control-program.md, section 1; registers and codes of parts are from their data
//! sheets.

use std::collections::{HashMap, VecDeque};

use firmware_host::Runtime;
use firmware_host::board::{Board, Hardware, cause};
use firmware_host::store::Store;
use program::assembler::{Assembler, Header};
use program::convert::AdcScale;
use program::op::{Op, Stage};
use program::wiring::*;
use program::zone::Zone;
use program::{BitRef, NumRef};

const GOOD: u8 = 0;
const BAD: u8 = 2;
const ANSWER_DONE: u8 = 0;
/// Events (firmware/core/events.h).
const RESET: u8 = 2;
const INPUT_BAD: u8 = 8;
const INPUT_GOOD: u8 = 9;
const HAND: u8 = 11;
const CLOCK_LOST: u8 = 14;
const DEVICE_LOST: u8 = 15;
const DEVICE_BACK: u8 = 16;
const SELF_TEST: u8 = 17;
const OVERRUN: u8 = 18;

const ONE_WIRE: u8 = 26;
const EXPANDER: u8 = 0x20;
const CLOCK: u8 = 0x68;

/// Pins that hold what drives them, unless they are shorted; and whatever parts a test adds.
#[derive(Default)]
struct Bench {
    driven: HashMap<u8, bool>,
    outside: HashMap<u8, bool>,
    shorted: HashMap<u8, bool>,
    /// Each level a pin was driven to that it did not have.
    changes: Vec<(u32, u8, bool)>,
    ms: u32,
    adc: HashMap<u8, u16>,
    pwm: Vec<(u8, u16)>,
    /// The scratchpad of a thermometer, and how often it is spoilt yet.
    scratchpad: Option<[u8; 9]>,
    n_spoilt: u32,
    sent: VecDeque<u8>,
    n_reads: u32,
    n_conversions: u32,
    /// Registers of an MCP23017 and of a clock; none is there without.
    expander: Option<[u8; 22]>,
    clock: Option<[u8; 16]>,
}

impl Hardware for Bench {
    fn pin_output(&mut self, pin: u8, is_high: bool) {
        if self.driven.insert(pin, is_high) != Some(is_high) {
            self.changes.push((self.ms, pin, is_high));
        }
    }
    fn pin_is_high(&mut self, pin: u8) -> bool {
        let free = self.outside.get(&pin).copied().unwrap_or(true);
        *self.shorted.get(&pin).or(self.driven.get(&pin)).unwrap_or(&free)
    }
    fn adc(&mut self, channel: u8) -> u16 {
        self.adc.get(&channel).copied().unwrap_or(0)
    }
    fn pwm(&mut self, pin: u8, permille_high: u16) -> bool {
        self.pwm.push((pin, permille_high));
        true
    }
    fn i2c(&mut self, address: u8, written: &[u8], read: &mut [u8]) -> bool {
        let registers: &mut [u8] = match (address, &mut self.expander, &mut self.clock) {
            (EXPANDER, Some(registers), _) => registers,
            (CLOCK, _, Some(registers)) => registers,
            _ => return false,
        };
        let at = usize::from(written[0]);
        for (place, byte) in registers.iter_mut().skip(at).zip(&written[1..]) {
            *place = *byte;
        }
        if address == EXPANDER {
            // GPIO: outputs show their latch, inputs what is outside (here: high).
            for port in 0..2 {
                registers[0x12 + port] = (registers[0x14 + port] & !registers[port]) | registers[port];
            }
        }
        let n = read.len();
        read.copy_from_slice(&registers[at..at + n]);
        true
    }
    fn onewire_reset(&mut self, _: u8) -> bool {
        self.sent.clear();
        self.scratchpad.is_some()
    }
    fn onewire_byte(&mut self, _: u8, byte: u8) -> u8 {
        match (self.sent.pop_front(), byte) {
            (Some(byte), _) => byte,
            (None, 0xBE) => {
                self.n_reads += 1;
                let mut bytes = self.scratchpad.unwrap_or([0xFF; 9]);
                if self.n_spoilt > 0 {
                    self.n_spoilt -= 1;
                    bytes[0] ^= 1;
                }
                self.sent.extend(bytes);
                0xBE
            }
            (None, 0x44) => {
                self.n_conversions += 1;
                0x44
            }
            (None, byte) => byte,
        }
    }
}

/// CRC-8 of one-wire parts (x^8 + x^5 + x^4 + 1, reflected).
fn scratchpad(code: i16) -> [u8; 9] {
    let [low, high] = code.to_le_bytes();
    let mut bytes = [low, high, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10, 0];
    bytes[8] = bytes[..8].iter().fold(0, |crc, byte| {
        (0..8).fold(crc ^ byte, |crc, _| if crc & 1 == 0 { crc >> 1 } else { crc >> 1 ^ 0x8C })
    });
    bytes
}

fn output(driver: OutputDriver, is_active_low: bool, is_on_when_safe: bool) -> Output {
    Output { driver, is_active_low, is_on_when_safe }
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

fn contact(driver: BitDriver, n_debounce: u8) -> BitInput {
    BitInput { driver, is_normally_closed: false, n_debounce }
}

/// Every drive is on while the first bit input is (always, without one).
fn follow(wiring: &[u8], n_numbers: u8, n_bits: u8, n_drives: usize) -> Vec<u8> {
    let mut assembler = Assembler::new(Header {
        wiring_crc: Wiring::crc(wiring),
        period_ms: 1_000,
        n_number_inputs: n_numbers,
        n_bit_inputs: n_bits,
        longest_hand_ms: 3_600_000,
        zone: Zone::UTC,
        wide: false,
    });
    let auto = if n_bits > 0 { assembler.bit_input(0) } else { BitRef::TRUE };
    for _ in 0..n_drives {
        assembler.bit(Op::Drive { auto, stage: Stage::PLAIN, shortest_run_ms: 0, shortest_rest_ms: 0 });
    }
    assembler.finish().expect("a program")
}

fn run(board: &mut Board<'_, Bench>, ms: u32) {
    for _ in 0..ms {
        board.hardware().ms += 1;
        board.round().expect("no reset");
    }
}

fn blank(runtime: &mut Runtime) {
    Store::blank(runtime);
}

const CONTACT: u8 = 16;

#[test]
fn safe_levels_stand_from_the_first_moment_and_outputs_go_on_one_by_one_but_off_together() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let outputs = vec![
        output(OutputDriver::Pin { pin: 20 }, false, false),
        output(OutputDriver::Pin { pin: 21 }, true, false),
        output(OutputDriver::Pin { pin: 22 }, true, true),
        output(OutputDriver::Pin { pin: 23 }, false, false),
    ];
    let wiring = table(vec![], vec![contact(BitDriver::Pin { pin: CONTACT }, 2)], outputs, vec![]);
    let golden = follow(&wiring, 0, 1, 4);
    let mut bench = Bench::default();
    bench.outside.insert(CONTACT, false);
    let mut board = Board::power(&mut runtime, bench, &wiring, &golden);
    let safe = [(20, false), (21, true), (22, false), (23, false)];
    assert_eq!(board.hardware().changes.iter().map(|c| (c.1, c.2)).collect::<Vec<_>>(), safe);
    board.hardware().changes.clear();
    run(&mut board, 3_000);
    let on = board.hardware().changes.clone();
    assert_eq!(on.iter().map(|c| (c.1, c.2)).collect::<Vec<_>>(), [(20, true), (21, false), (23, true)]);
    assert_eq!((on[1].0 - on[0].0, on[2].0 - on[1].0), (20, 20));
    board.hardware().changes.clear();
    board.hardware().outside.insert(CONTACT, true);
    run(&mut board, 1_500);
    let off = board.hardware().changes.clone();
    assert_eq!(off.len(), 4);
    assert!(off.iter().all(|change| change.0 == off[0].0), "off at once: {off:?}");
    assert!(board.events().contains(&(RESET, u16::from(cause::POWER))));
}

#[test]
fn a_board_without_sound_flash_drives_no_pin_and_one_whose_flash_changes_gives_up() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let wiring = table(vec![], vec![], vec![output(OutputDriver::Pin { pin: 20 }, false, false)], vec![]);
    let golden = follow(&wiring, 0, 0, 1);
    let mut spoilt = wiring.clone();
    spoilt[6] ^= 1;
    let mut board = Board::power(&mut runtime, Bench::default(), &spoilt, &golden);
    run(&mut board, 2_000);
    assert_eq!(board.hardware().changes, []);
    assert!(board.events().contains(&(SELF_TEST, 5)), "{:?}", board.events());
    drop(board);

    let mut board = Board::power(&mut runtime, Bench::default(), &wiring, &golden);
    run(&mut board, 3_000);
    assert!(board.hardware().driven[&20]);
    board.set_flash(0x1234, 0);
    // 2 bytes each millisecond.
    let reset = board.run_ms(20_000);
    assert_eq!(reset.expect_err("a reset") & cause::SELF_TEST, cause::SELF_TEST);
    assert!(!board.hardware().driven[&20], "safe before the reset");
}

#[test]
fn a_broken_stack_guard_and_a_wish_reset_the_board_with_safe_outputs() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let wiring = table(vec![], vec![], vec![output(OutputDriver::Pin { pin: 20 }, true, false)], vec![]);
    let golden = follow(&wiring, 0, 0, 1);
    let mut board = Board::power(&mut runtime, Bench::default(), &wiring, &golden);
    run(&mut board, 3_000);
    assert!(!board.hardware().driven[&20]);
    board.break_stack();
    assert!(board.run_ms(1_001).is_err());
    assert!(board.hardware().driven[&20]);
    drop(board);
    let mut board = Board::power(&mut runtime, Bench::default(), &wiring, &golden);
    run(&mut board, 3_000);
    assert_eq!(board.restart(), ANSWER_DONE);
    let reset = board.run_ms(250).expect_err("a reset within 200 ms");
    assert_eq!(reset & cause::WANTED, cause::WANTED);
    assert!(board.hardware().driven[&20]);
}

#[test]
fn contacts_are_debounced_and_a_press_is_latched_for_one_scan() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let bits =
        vec![contact(BitDriver::Pin { pin: CONTACT }, 4), contact(BitDriver::Button { pin: CONTACT + 1 }, 4)];
    let wiring = table(vec![], bits, vec![], vec![]);
    let golden = follow(&wiring, 0, 2, 0);
    let mut bench = Bench::default();
    bench.outside.insert(CONTACT, true);
    let mut board = Board::power(&mut runtime, bench, &wiring, &golden);
    run(&mut board, 2_100);
    for pin in [CONTACT, CONTACT + 1] {
        board.hardware().outside.insert(pin, false);
    }
    run(&mut board, 14);
    for pin in [CONTACT, CONTACT + 1] {
        board.hardware().outside.insert(pin, true);
    }
    run(&mut board, 1_000);
    assert_eq!(
        (board.bit_input(0), board.bit_input(1)),
        ((false, GOOD), (false, GOOD)),
        "three samples are none"
    );
    for pin in [CONTACT, CONTACT + 1] {
        board.hardware().outside.insert(pin, false);
    }
    run(&mut board, 30);
    for pin in [CONTACT, CONTACT + 1] {
        board.hardware().outside.insert(pin, true);
    }
    let scans = board.scans().0;
    while board.scans().0 == scans {
        run(&mut board, 1);
    }
    assert_eq!((board.bit_input(0), board.bit_input(1)), ((false, GOOD), (true, GOOD)));
    run(&mut board, 1_000);
    assert_eq!(board.bit_input(1), (false, GOOD), "one press, one scan");
}

#[test]
fn a_thermometer_is_read_a_scan_after_its_conversion_retried_once_and_bad_when_too_old() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let driver = NumberDriver::Ds18b20 { pin: ONE_WIRE, rom: [0; 8] };
    let wiring = table(vec![NumberInput { driver, age_limit_ms: 3_000 }], vec![], vec![], vec![]);
    let golden = follow(&wiring, 1, 0, 0);
    let bench = Bench { scratchpad: Some(scratchpad(0x0191)), ..Bench::default() };
    let mut board = Board::power(&mut runtime, bench, &wiring, &golden);
    run(&mut board, 1_000);
    // Data sheet, table 1: 0x0191 is +25.0625 °C.
    assert_eq!(board.number(0), (25_062, GOOD), "the first scan has it");
    let reads = board.hardware().n_reads;
    board.hardware().n_spoilt = 1;
    board.hardware().scratchpad = Some(scratchpad(0x0190));
    run(&mut board, 2_000);
    assert_eq!(board.number(0), (25_000, GOOD), "the second attempt counts");
    assert!(board.hardware().n_reads - reads >= 3);
    board.hardware().scratchpad = None;
    let scans = board.scans().0;
    while board.scans().0 < scans + 3 {
        run(&mut board, 1);
    }
    assert_eq!(board.number(0).1, GOOD);
    run(&mut board, 2_000);
    assert_eq!(board.number(0), (0, BAD), "older than its limit");
    assert!(board.events().contains(&(INPUT_BAD, 0)), "{:?}", board.events());
    // Data sheet: the power-up value is +85 °C; it is no temperature, and bad at once.
    board.hardware().scratchpad = Some(scratchpad(0x0550));
    run(&mut board, 3_000);
    assert_eq!(board.number(0).1, BAD);
    board.hardware().scratchpad = Some(scratchpad(0x0190));
    run(&mut board, 3_000);
    assert_eq!(board.number(0), (25_000, GOOD));
    assert!(board.events().contains(&(INPUT_GOOD, 0)), "{:?}", board.events());
}

#[test]
fn a_bus_that_fell_low_is_no_temperature_of_zero() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let driver = NumberDriver::Ds18b20 { pin: ONE_WIRE, rom: [0; 8] };
    let wiring = table(vec![NumberInput { driver, age_limit_ms: 3_000 }], vec![], vec![], vec![]);
    let golden = follow(&wiring, 1, 0, 0);
    // Its checksum is right.
    let bench = Bench { scratchpad: Some([0; 9]), ..Bench::default() };
    let mut board = Board::power(&mut runtime, bench, &wiring, &golden);
    run(&mut board, 3_000);
    assert_eq!(board.number(0), (0, BAD));
}

#[test]
fn analogue_sums_hold_all_their_conversions() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let driver = NumberDriver::Tmp36 { channel: 3, n_samples: 16 };
    let wiring = table(vec![NumberInput { driver, age_limit_ms: 3_000 }], vec![], vec![], vec![]);
    let golden = follow(&wiring, 1, 0, 0);
    let mut bench = Bench::default();
    bench.adc.insert(3, 154);
    let mut board = Board::power(&mut runtime, bench, &wiring, &golden);
    run(&mut board, 1_000);
    // 154 / 1024 of 5 V is 751.953 mV; 10 mV/K with 500 mV at 0 °C (data sheet of the TMP36).
    assert_eq!(board.number(0), (25_195, GOOD));
}

#[test]
fn a_pin_that_does_not_follow_is_told_once_kept_safe_and_heals() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let wiring = table(vec![], vec![], vec![output(OutputDriver::Pin { pin: 20 }, false, false)], vec![]);
    let golden = follow(&wiring, 0, 0, 1);
    let mut board = Board::power(&mut runtime, Bench::default(), &wiring, &golden);
    run(&mut board, 3_000);
    board.hardware().shorted.insert(20, false);
    run(&mut board, 2_000);
    assert!(board.hardware().driven[&20], "two scans are not three");
    run(&mut board, 10_000);
    assert!(!board.hardware().driven[&20]);
    let told = board.events().iter().filter(|event| **event == (SELF_TEST, 3)).count();
    assert_eq!(told, 1, "{:?}", board.events());
    board.hardware().shorted.clear();
    run(&mut board, 1_000);
    assert!(board.hardware().driven[&20]);
}

#[test]
fn an_expander_that_is_silent_is_lost_and_its_contacts_bad_until_it_is_back() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let bits = vec![contact(BitDriver::Expander { device: 0, line: 3 }, 4)];
    let outputs = vec![output(OutputDriver::Expander { device: 0, line: 8 }, true, false)];
    let devices = vec![Device { kind: DeviceKind::Mcp23017, address: EXPANDER, shape: 0 }];
    let wiring = table(vec![], bits, outputs, devices);
    let golden = follow(&wiring, 0, 1, 1);
    let mut power_on = [0; 22];
    power_on[..2].fill(0xFF); // data sheet: all lines are inputs after power-up
    let bench = Bench { expander: Some(power_on), ..Bench::default() };
    let mut board = Board::power(&mut runtime, bench, &wiring, &golden);
    let registers = |board: &mut Board<'_, Bench>| board.hardware().expander.expect("an expander");
    assert_eq!(registers(&mut board)[1] & 1, 0, "an output before the first scan");
    assert_eq!(registers(&mut board)[0x15] & 1, 1, "off is high");
    run(&mut board, 2_000);
    assert_eq!(board.bit_input(0), (false, GOOD), "open");
    board.hardware().expander = None;
    run(&mut board, 1_100);
    assert_eq!(board.bit_input(0), (false, BAD));
    assert!(board.events().contains(&(DEVICE_LOST, 0)), "{:?}", board.events());
    board.hardware().expander = Some(power_on);
    run(&mut board, 2_100);
    assert_eq!(board.bit_input(0), (false, GOOD));
    assert_eq!(registers(&mut board)[1] & 1, 0, "set up again");
    assert!(board.events().contains(&(DEVICE_BACK, 0)));
}

#[test]
fn the_clock_is_read_each_scan_bad_when_it_had_stopped_and_set_in_its_registers() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let devices = vec![Device { kind: DeviceKind::Ds3231, address: CLOCK, shape: 0 }];
    let wiring = table(vec![], vec![], vec![], devices);
    let golden = follow(&wiring, 0, 0, 0);
    let mut registers = [0; 16];
    // 2024-02-29 23:59:58 UTC, packed decimals (data sheet, figure 1).
    registers[..7].copy_from_slice(&[0x58, 0x59, 0x23, 5, 0x29, 0x02, 0x24]);
    let bench = Bench { clock: Some(registers), ..Bench::default() };
    let mut board = Board::power(&mut runtime, bench, &wiring, &golden);
    run(&mut board, 1_000);
    // `date -u -d 2024-02-29T23:59:58 +%s` less that of 2000-01-01: 1 709 251 198 - 946 684 800.
    assert_eq!(board.clock(), (762_566_398, GOOD));
    for (register, wrong) in [(4, 0x31), (0, 0x5A), (15, 0x80), (5, 0x13)] {
        let mut odd = registers;
        odd[register] = wrong;
        board.hardware().clock = Some(odd);
        run(&mut board, 1_000);
        assert_eq!(board.clock().1, BAD, "register {register} = {wrong:#04x}");
        board.hardware().clock = Some(registers);
        run(&mut board, 1_000);
        assert_eq!(board.clock(), (762_566_398, GOOD));
    }
    assert!(board.events().contains(&(CLOCK_LOST, 0)));
    assert_eq!(board.set_clock(762_566_400), ANSWER_DONE);
    let written = board.hardware().clock.expect("a clock");
    assert_eq!(
        [written[0], written[1], written[2], written[4], written[5], written[6], written[15] & 0x80],
        [0, 0, 0, 0x01, 0x03, 0x24, 0],
        "1 March"
    );
    assert_ne!(board.set_clock(u32::MAX), ANSWER_DONE, "the part ends with 2099");
}

#[test]
fn without_a_clock_time_is_bad_until_set_and_then_kept_by_the_tick() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let wiring = table(vec![], vec![], vec![], vec![]);
    let golden = follow(&wiring, 0, 0, 0);
    let mut board = Board::power(&mut runtime, Bench::default(), &wiring, &golden);
    run(&mut board, 2_000);
    assert_eq!(board.clock().1, BAD);
    assert_eq!(board.set_clock(800_000_000), ANSWER_DONE);
    run(&mut board, 10_900); // the last scan is 10.76 s later
    assert_eq!(board.clock(), (800_000_010, GOOD));
}

#[test]
fn hand_is_timed_told_and_over_by_itself() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let wiring = table(
        vec![],
        vec![contact(BitDriver::Pin { pin: CONTACT }, 2)],
        vec![output(OutputDriver::Pin { pin: 20 }, false, false)],
        vec![],
    );
    let golden = follow(&wiring, 0, 1, 1);
    let mut board = Board::power(&mut runtime, Bench::default(), &wiring, &golden);
    run(&mut board, 2_000);
    assert_eq!(board.hand(0, 1, 5_000), ANSWER_DONE);
    run(&mut board, 1_100);
    assert!(board.hardware().driven[&20]);
    run(&mut board, 6_000);
    assert!(!board.hardware().driven[&20]);
    let hands: Vec<_> = board.events().into_iter().filter(|event| event.0 == HAND).collect();
    assert_eq!(hands, [(HAND, 0x0100), (HAND, 0)]);
    assert_ne!(board.hand(7, 1, 5_000), ANSWER_DONE);
    assert_ne!(board.hand(0, 1_001, 5_000), ANSWER_DONE);
}

#[test]
fn a_scan_that_comes_late_is_skipped_and_counted_never_made_up() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let wiring = table(vec![], vec![], vec![], vec![]);
    let golden = follow(&wiring, 0, 0, 0);
    let mut board = Board::power(&mut runtime, Bench::default(), &wiring, &golden);
    run(&mut board, 2_000);
    let (before, skipped) = board.scans();
    assert_eq!(skipped, 0);
    board.pass_us(3_500_000);
    run(&mut board, 1);
    let (after, skipped) = board.scans();
    // Due at 0.76 s and each second: at 5.5 s the scan of 2.76 s is run, those of 3.76 and 4.76 s are left out.
    assert_eq!((after - before, skipped), (1, 2));
    run(&mut board, 1_000);
    assert_eq!(board.scans(), (after + 1, 2));
    assert!(board.events().iter().any(|event| event.0 == OVERRUN));
    assert!(board.kicks() > 3_000);
}

/// NEC: 9 ms mark, 4.5 ms space; bits of 0.56 ms mark with 0.56 or 1.69 ms space, lowest first; the receiver's output is low in a mark.
fn infrared(board: &mut Board<'_, Bench>, pin: u8, frame: u32) {
    let level = |board: &mut Board<'_, Bench>, is_high: bool, us: u32| {
        board.hardware().outside.insert(pin, is_high);
        board.edge();
        board.pass_us(us);
    };
    level(board, false, 9_000);
    level(board, true, 4_500);
    for bit in 0..32 {
        level(board, false, 560);
        level(board, true, if frame >> bit & 1 == 1 { 1_690 } else { 560 });
    }
    level(board, false, 560);
    level(board, true, 40_000);
}

#[test]
fn a_key_of_the_remote_is_an_input_for_one_scan_and_a_damaged_frame_none() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let bits = vec![contact(BitDriver::RemoteKey { code: 0x45_EF10 }, 1)];
    let devices = vec![Device { kind: DeviceKind::InfraredReceiver, address: 19, shape: 0 }];
    let wiring = table(vec![], bits, vec![], devices);
    let golden = follow(&wiring, 0, 1, 0);
    let mut board = Board::power(&mut runtime, Bench::default(), &wiring, &golden);
    run(&mut board, 2_000);
    for (frame, is_key) in [(0xBA45_EF10u32, true), (0xBB45_EF10, false), (0xB946_EF10, false)] {
        infrared(&mut board, 19, frame);
        let scans = board.scans().0;
        while board.scans().0 == scans {
            run(&mut board, 1);
        }
        assert_eq!(board.bit_input(0), (is_key, GOOD), "{frame:#x}");
        run(&mut board, 1_000);
        assert_eq!(board.bit_input(0), (false, GOOD));
    }
}

#[test]
fn duty_reaches_the_timer_and_its_ends_are_plain_levels() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let driver = NumberDriver::Parameter { default: 400 };
    let wiring = table(
        vec![NumberInput { driver, age_limit_ms: 1_000 }],
        vec![],
        vec![output(OutputDriver::Pwm { pin: 9 }, true, false)],
        vec![],
    );
    let mut assembler = Assembler::new(Header {
        wiring_crc: Wiring::crc(&wiring),
        period_ms: 1_000,
        n_number_inputs: 1,
        n_bit_inputs: 0,
        longest_hand_ms: 3_600_000,
        zone: Zone::UTC,
        wide: false,
    });
    assembler.number(Op::DriveDuty { auto: NumRef(0), stage: Stage::PLAIN });
    let golden = assembler.finish().expect("a program");
    let mut board = Board::power(&mut runtime, Bench::default(), &wiring, &golden);
    run(&mut board, 2_000);
    assert_eq!(board.hardware().pwm.last(), Some(&(9, 600)), "active low");
    board.hardware().pwm.clear();
    assert_eq!(board.hand(0, 1_000, 60_000), ANSWER_DONE);
    run(&mut board, 1_100);
    assert!(!board.hardware().driven[&9]);
    assert_eq!(board.hand(0, 0, 60_000), ANSWER_DONE);
    run(&mut board, 1_100);
    assert!(board.hardware().driven[&9]);
    assert_eq!(board.hardware().pwm, []);
}

#[test]
fn a_boot_with_everything_in_order_tells_only_that_it_booted() {
    let mut runtime = Runtime::lock();
    blank(&mut runtime);
    let numbers = vec![
        NumberInput { driver: NumberDriver::Ds18b20 { pin: ONE_WIRE, rom: [0; 8] }, age_limit_ms: 3_000 },
        NumberInput { driver: NumberDriver::Tmp36 { channel: 3, n_samples: 16 }, age_limit_ms: 3_000 },
        NumberInput { driver: NumberDriver::Parameter { default: 400 }, age_limit_ms: 1_000 },
    ];
    let bits = vec![contact(BitDriver::Expander { device: 0, line: 3 }, 4)];
    let devices = vec![Device { kind: DeviceKind::Mcp23017, address: EXPANDER, shape: 0 }];
    let wiring = table(numbers, bits, vec![], devices);
    let golden = follow(&wiring, 3, 1, 0);
    let mut bench = Bench { scratchpad: Some(scratchpad(0x0191)), ..Bench::default() };
    bench.adc.insert(3, 154);
    let mut power_on = [0; 22];
    power_on[..2].fill(0xFF);
    bench.expander = Some(power_on);
    let mut board = Board::power(&mut runtime, bench, &wiring, &golden);
    run(&mut board, 5_000);
    let codes: Vec<u8> = board.events().iter().map(|event| event.0).collect();
    assert_eq!(codes, [RESET, 3], "{:?}", board.events());
}
