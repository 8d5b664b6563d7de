//! What the runtime on the chip drives: boot, outputs and their read-back, expanders that forget.

mod common;

use common::*;
use firmware_bench::{Board, Level};
use link::message::Request;
use program::Quality;

const SELF_TEST: u8 = 17;
const RESET: u8 = 2;
const DOES_NOT_FOLLOW: u16 = 3;

fn scans(board: &mut Board, n: usize) {
    for at in 0..n {
        let record = if at == 0 { board.fresh_record() } else { board.next_record(12_000) };
        record.expect("a record");
    }
}

fn level(board: &mut Board, pin: &str) -> bool {
    board.chip.pin(pin).expect("a pin").0
}

#[test]
fn a_board_boots_into_its_golden_program_and_scans_each_second() {
    let Some(mut board) = rig() else { return };
    board.chip.watch(pins().first).expect("a pin");
    board.power(7).expect("power");
    board.run_ms(3_000).expect("time");
    let hello = board.meet().expect("an answer");
    assert_eq!((hello.reset_cause, hello.program, hello.fallback), (1, 0, 0), "{hello:?}");
    assert!(hello.scan >= 1, "the first scan comes within 3 s of power");
    assert_eq!(hello.period_ms, 1_000);
    assert_eq!(hello.n_skipped, 0);
    board.subscribe(1).expect("records");
    let first = board.fresh_record().expect("a record");
    let before = board.chip.state().expect("a chip").cycle;
    for n in 1..=5 {
        assert_eq!(board.next_record(1_500).expect("a record").scan, first.scan + n);
    }
    let period = (board.chip.state().expect("a chip").cycle - before) / 5;
    assert!(period.abs_diff(16_000_000) < 160_000, "{period} cycles");
    let events = board.events(0).expect("events");
    assert!(events.iter().any(|event| event.code == RESET && event.argument & 1 == 1), "{events:?}");
}

#[test]
fn outputs_are_off_until_the_first_scan_also_active_low_ones() {
    let Some(mut board) = rig() else { return };
    board.chip.drive(pins().contact, Level::Low).expect("a contact that wants its output on");
    board.chip.watch(pins().first).expect("a pin");
    board.chip.watch(pins().second).expect("a pin");
    board.power(3).expect("power");
    board.chip.set_expander(EXPANDER, 0xFFFF).expect("an expander");
    for _ in 0..60 {
        board.run_ms(20).expect("time");
        if board.chip.expander(EXPANDER).expect("an expander")[1] & 0x100 == 0 {
            break;
        }
    }
    let [levels, directions, _] = board.chip.expander(EXPANDER).expect("an expander");
    assert_eq!(directions & 0x100, 0, "line 8 is an output by now");
    assert_eq!(levels & 0x100, 0x100, "off is high");
    board.run_ms(3_000).expect("time");
    let rises: Vec<u64> = board
        .chip
        .edges()
        .expect("edges")
        .iter()
        .filter(|edge| edge.is_high)
        .map(|edge| edge.cycle)
        .collect();
    assert_eq!(rises.len(), 2, "both on once: {rises:?}");
    let apart = rises[1] - rises[0];
    // Four go on, 20 ms from one to the next: the first pin, the fan, the expander's line, the second pin.
    assert!((54..=66).contains(&(apart / 16_000)), "staggered by {apart} cycles");
}

#[test]
fn duty_is_pulse_width_at_25_khz() {
    let Some(mut board) = running() else { return };
    scans(&mut board, 1);
    board.run_ms(100).expect("time");
    let (permille, hz) = board.chip.pulse_width(pins().fan).expect("a pin");
    // Intel's specification of four-wire fans wants 21 to 28 kHz.
    assert!((24_900..=25_100).contains(&hz), "{hz} Hz");
    assert!(permille.abs_diff(400) <= 2, "{permille} permille");
    for value in [0i16, 1000, 250] {
        board.demand(&Request::Hand { drive: drive::PWM as u8, value, time_ms: 60_000 }).expect("hand");
        scans(&mut board, 2);
        board.run_ms(100).expect("time");
        let (permille, _) = board.chip.pulse_width(pins().fan).expect("a pin");
        assert!(permille.abs_diff(value as u32) <= 2, "{permille} instead of {value}");
    }
}

#[test]
fn an_output_that_does_not_follow_is_told_and_goes_safe() {
    let Some(mut board) = running() else { return };
    board.chip.drive(pins().contact, Level::Low).expect("a contact");
    scans(&mut board, 2);
    board.run_ms(100).expect("time");
    assert!(level(&mut board, pins().first));
    board.chip.drive(pins().first, Level::ShortLow).expect("a short");
    scans(&mut board, 6);
    let events = board.events(0).expect("events");
    assert!(
        events.iter().any(|event| event.code == SELF_TEST && event.argument & 0xFF == DOES_NOT_FOLLOW),
        "{events:?}"
    );
    board.chip.drive(pins().first, Level::Open).expect("no short");
    scans(&mut board, 8);
    board.run_ms(100).expect("time");
    assert!(level(&mut board, pins().first), "on again when it follows");
    assert!(level(&mut board, pins().second), "the other was never off");
}

#[test]
fn an_expander_that_forgot_is_set_up_again_within_a_scan() {
    let Some(mut board) = running() else { return };
    scans(&mut board, 1);
    board.run_ms(200).expect("time");
    // Line 3 open: its contact is 1, so line 8 (active low) is on.
    let [levels, directions, _] = board.chip.expander(EXPANDER).expect("an expander");
    assert_eq!((levels & 0x100, directions & 0x108), (0, 0x008));
    board.chip.forget_expander(EXPANDER).expect("an expander");
    assert_eq!(board.chip.expander(EXPANDER).expect("an expander")[1], 0xFFFF);
    scans(&mut board, 2);
    board.run_ms(200).expect("time");
    let [levels, directions, _] = board.chip.expander(EXPANDER).expect("an expander");
    assert_eq!((levels & 0x100, directions & 0x108), (0, 0x008));
    let record = board.fresh_record().expect("a record");
    assert_eq!(record.bit_inputs[bit::EXPANDER], (true, Quality::Good));
}

#[test]
fn a_pcf8574_takes_its_outputs() {
    let Some(mut board) = running() else { return };
    scans(&mut board, 1);
    board.run_ms(200).expect("time");
    assert_eq!(
        board.chip.expander(SECOND_EXPANDER).expect("an expander")[2] & 0x81,
        0x01,
        "off is low, the input is let go"
    );
    board.chip.set_expander(SECOND_EXPANDER, !1).expect("an expander");
    scans(&mut board, 2);
    board.run_ms(200).expect("time");
    assert_eq!(board.chip.expander(SECOND_EXPANDER).expect("an expander")[2] & 0x81, 0x81);
}

#[test]
fn a_wanted_restart_says_so() {
    let Some(mut board) = running() else { return };
    // A boot is counted when it has lasted a minute.
    board.run_ms(65_000).expect("time");
    board.demand(&Request::Restart).expect("an answer before the restart");
    board.run_ms(4_000).expect("time");
    let hello = board.meet().expect("an answer");
    assert_ne!(hello.reset_cause & 0x10, 0, "{hello:?}");
    assert_eq!(hello.boots, 2);
}

#[test]
fn the_stack_has_room_with_everything_at_once() {
    let Some(mut board) = rig() else { return };
    board.chip.exact(true).expect("a chip");
    board.power(11).expect("power");
    board.meet().expect("an answer");
    board.subscribe(31).expect("records of everything");
    let program = program(program::wiring::Wiring::crc(&wiring().encode().expect("a wiring table")));
    for round in 0..3 {
        let level = if round % 2 == 0 { Level::Low } else { Level::High };
        board.chip.drive(pins().contact, level).expect("a contact");
        board.chip.send_infrared(pins().infrared, KEY_FRAME, 2).expect("a remote");
        board.chip.send_pulses(pins().meter, 100, 5_000).expect("a meter");
        scans(&mut board, 1);
        board.events(0).expect("events");
    }
    board.chip.hang_bus(9).expect("a bus");
    scans(&mut board, 2);
    // The loader's whole check is the deepest way.
    board.demand(&Request::Upload { length: program.len() as u16 }).expect("an upload");
    for (part, offset) in program.chunks(16).zip((0..).step_by(16)) {
        board.demand(&Request::Chunk { offset, bytes: part }).expect("a chunk");
    }
    board.demand(&Request::UploadEnd { minutes: 5 }).expect("a program that is sound");
    board.run_ms(4_000).expect("time");
    let hello = board.meet().expect("an answer");
    assert_eq!(hello.program, 2, "the trial runs: {hello:?}");
    board.subscribe(31).expect("records, which end with a restart");
    scans(&mut board, 2);
    let hello = board.meet().expect("an answer");
    let [end, lowest] = board.chip.stack().expect("a chip");
    eprintln!(
        "{}: deepest stack {} bytes, {} never touched; longest scan {:.1} ms",
        pins().image,
        end - lowest,
        hello.free_stack,
        f64::from(hello.longest_scan_ticks) * 0.064
    );
    assert!(hello.free_stack >= 64, "{hello:?}");
}

/// The march of the memory takes about 10 ms; a byte that changes meanwhile is found. Expanders that hold their lines then let go.
#[test]
fn a_board_whose_memory_is_bad_makes_inputs_of_its_expanders_lines() {
    let Some(mut board) = rig() else { return };
    board.chip.drive(pins().contact, Level::Low).expect("a pin");
    board.chip.set_expander(EXPANDER, 0).expect("an expander");
    board.power(5).expect("power");
    board.run_ms(6_000).expect("time");
    let is_output = |board: &mut Board| board.chip.expander(EXPANDER).expect("an expander")[1] & 0x100 == 0;
    assert!(is_output(&mut board), "its line 8 is an output");
    board.chip.pull_power().expect("a chip");
    // Its own power stays: only the chip restarts.
    board.power(5).expect("power");
    board.chip.run_us(1_100).expect("time");
    board.chip.poke(0x8F0, &[0xAA]).expect("memory");
    board.chip.run_ms(500).expect("time");
    assert!(!is_output(&mut board));
}
