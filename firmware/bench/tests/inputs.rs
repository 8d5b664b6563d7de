//! What the runtime on the chip reads: each driver of a number or bit input against its simulated part, faults included.
//! Values are held against the conversions of docs/control-program.md, section 8, by the reference in `program`.

mod common;

use common::*;
use firmware_bench::{Board, Fault, Level};
use link::message::{Event, Request};
use link::record::Record;
use program::calibration::Correction;
use program::{Quality, Sample};

const INPUT_BAD: u8 = 8;
const INPUT_GOOD: u8 = 9;
const DEVICE_LOST: u8 = 15;
const DEVICE_BACK: u8 = 16;
const CLOCK_SET: u8 = 13;
const CLOCK_LOST: u8 = 14;

/// What the reference makes of a raw code.
fn converted(input: usize, raw: i32, temperature: Sample) -> Sample {
    drivers()[input].convert(raw, SCALE, None::<&Correction>, temperature, 1_000)
}

fn is_told(events: &[Event], code: u8, argument: u16) -> bool {
    events.iter().any(|event| event.code == code && event.argument == argument)
}

/// Records of so many scans from now on.
fn records(board: &mut Board, n: usize) -> Vec<Record> {
    (0..n)
        .map(|at| if at == 0 { board.fresh_record() } else { board.next_record(12_000) })
        .map(|record| record.expect("a record"))
        .collect()
}

#[test]
fn thermometers_on_one_bus_give_their_own_temperatures() {
    let Some(mut board) = running() else { return };
    let mut codes = [25 * 16 + 8, 20 * 16];
    for (first, second) in [(-55 * 16, 125 * 16), (-1, 1), (0, 16), (404, 405)] {
        board.fresh_record().expect("a record");
        // Set while the conversion runs: it is read at the next scan.
        board.chip.set_thermometer(0, first, Fault::None, 0).expect("a thermometer");
        board.chip.set_thermometer(1, second, Fault::None, 0).expect("a thermometer");
        let record = board.fresh_record().expect("a record");
        codes = [first, second];
        for (input, code) in codes.into_iter().enumerate() {
            assert_eq!(
                record.number_inputs[input],
                converted(input, code.into(), Sample::BAD),
                "input {input}"
            );
        }
    }
    let _ = codes;
    let (n_violations, n_conversions, last) = board.chip.one_wire(0).expect("a bus");
    assert_eq!(n_violations, 0, "outside of the data sheet's times: {last}");
    assert!(n_conversions >= 8, "{n_conversions}");
}

#[test]
fn a_thermometer_that_fails_for_a_moment_keeps_its_value_and_one_that_is_gone_turns_bad() {
    let Some(mut board) = running() else { return };
    let before = board.fresh_record().expect("a record").number_inputs;
    // One damaged answer: read again within the same scan.
    board.chip.set_thermometer(0, 26 * 16, Fault::Damaged, 1).expect("a thermometer");
    for record in records(&mut board, 2) {
        assert_eq!(record.number_inputs[0].quality, Quality::Good);
    }
    assert_eq!(board.fresh_record().expect("a record").number_inputs[0].value, 26_000);
    // Damaged for good: the last value until it is older than 5 s, then bad.
    board.chip.set_thermometer(0, 27 * 16, Fault::Damaged, 0).expect("a thermometer");
    let qualities: Vec<Quality> =
        records(&mut board, 9).iter().map(|record| record.number_inputs[0].quality).collect();
    assert_eq!(qualities[..4], [Quality::Good; 4], "{qualities:?}");
    assert_eq!(qualities[7..], [Quality::Bad; 2], "{qualities:?}");
    // Off the bus: the other one is not disturbed.
    board.chip.set_thermometer(0, 28 * 16, Fault::Absent, 0).expect("a thermometer");
    for record in records(&mut board, 8) {
        assert_eq!(record.number_inputs[0], Sample::BAD);
        assert_eq!(record.number_inputs[1], before[1]);
    }
    board.chip.set_thermometer(0, 28 * 16, Fault::None, 0).expect("a thermometer");
    let back = records(&mut board, 3);
    assert_eq!(back[2].number_inputs[0], Sample::good(28_000));
    let events = board.events(0).expect("events");
    assert!(is_told(&events, INPUT_BAD, 0), "{events:?}");
    assert!(is_told(&events, INPUT_GOOD, 0), "{events:?}");
}

#[test]
fn power_up_value_of_a_thermometer_is_no_temperature() {
    let Some(mut board) = running() else { return };
    board.chip.set_thermometer(1, 20 * 16, Fault::Resets, 0).expect("a thermometer");
    let last = records(&mut board, 3).pop().expect("records");
    assert_eq!(last.number_inputs[1], Sample::BAD, "85.0 °C is what it shows at power-up");
    assert_eq!(last.number_inputs[0].quality, Quality::Good);
}

#[test]
fn a_slow_thermometer_is_read_when_it_has_ended() {
    let Some(mut board) = running() else { return };
    board.chip.set_thermometer(0, 30 * 16, Fault::Slow, 0).expect("a thermometer");
    let records = records(&mut board, 6);
    assert!(records.iter().all(|record| record.number_inputs[0].quality != Quality::Bad));
    assert_eq!(records[5].number_inputs[0].value, 30_000);
}

#[test]
fn analogue_sums_come_out_to_the_count() {
    let Some(mut board) = running() else { return };
    for (first, second) in [(2_457, 8_192), (1, 16_351), (0, 16_352), (4_000, 7_777), (3_333, 9_001)] {
        board.fresh_record().expect("a record");
        board.chip.set_analog(0, first, 16).expect("a channel");
        board.chip.set_analog(1, second, 16).expect("a channel");
        records(&mut board, 1);
        let record = board.fresh_record().expect("a record");
        let water = record.number_inputs[number::FIRST_PROBE];
        assert_eq!(
            record.number_inputs[number::TMP36],
            converted(number::TMP36, first.into(), Sample::BAD),
            "{first}"
        );
        assert_eq!(record.number_inputs[number::PH], converted(number::PH, second.into(), water), "{second}");
    }
}

#[test]
fn an_echo_is_timed_and_its_absence_is_bad() {
    let Some(mut board) = running() else { return };
    for us in [200, 1_500, 2_330, 20_000] {
        board.chip.set_echo(pins().echo, us).expect("a sonar");
        records(&mut board, 2);
        let record = board.fresh_record().expect("a record");
        let expected = converted(number::SONAR, us as i32, Sample::BAD).value;
        let got = record.number_inputs[number::SONAR];
        // The stamp counts 4 µs and the interrupt may wait for a one-wire slot of 75 µs: 14 mm of the way there and back.
        assert!((got.value - expected).abs() <= 14_000, "{us} µs: {got:?} instead of {expected}");
        assert_eq!(got.quality, Quality::Uncertain, "without a temperature of the air");
    }
    board.chip.set_echo(pins().echo, 0).expect("a sonar");
    records(&mut board, 2);
    assert_eq!(board.fresh_record().expect("a record").number_inputs[number::SONAR], Sample::BAD);
    // A dead module gives no echo at all.
    board.chip.set_echo(pins().echo, u32::MAX).expect("a sonar");
    records(&mut board, 8);
    assert_eq!(board.fresh_record().expect("a record").number_inputs[number::SONAR], Sample::BAD);
}

#[test]
fn pulses_of_a_flow_meter_are_counted_scan_by_scan() {
    let Some(mut board) = running() else { return };
    for n in [0, 1, 30, 200] {
        board.fresh_record().expect("a record");
        board.chip.send_pulses(pins().meter, n, 4_000).expect("a meter");
        let record = board.fresh_record().expect("a record");
        let expected = converted(number::FLOW, n as i32, Sample::BAD);
        assert_eq!(record.number_inputs[number::FLOW], expected, "{n} pulses");
    }
}

#[test]
fn contacts_are_debounced_and_buttons_are_latched() {
    let Some(mut board) = running() else { return };
    let record = board.fresh_record().expect("a record");
    assert_eq!(record.bit_inputs[bit::CONTACT], (false, Quality::Good), "open to the pull-up");
    // A glitch of 10 ms is shorter than four samples of 5 ms.
    board.chip.press(pins().contact, Level::Low, 10_000, Level::High).expect("a contact");
    assert!(!board.fresh_record().expect("a record").bit_inputs[bit::CONTACT].0);
    board.chip.drive(pins().contact, Level::Low).expect("a contact");
    board.run_ms(40).expect("time");
    let record = board.fresh_record().expect("a record");
    assert!(record.bit_inputs[bit::CONTACT].0, "closed to ground");
    assert_eq!(record.outputs[drive::PIN], 1);
    // A press of 60 ms between two scans counts for one scan.
    board.chip.press(pins().button, Level::Low, 60_000, Level::High).expect("a button");
    let pressed: Vec<bool> =
        records(&mut board, 3).iter().map(|record| record.bit_inputs[bit::BUTTON].0).collect();
    assert_eq!(pressed, [true, false, false]);
}

#[test]
fn keys_of_a_remote_arrive_while_thermometers_are_read() {
    let Some(mut board) = running() else { return };
    let (mut n_sent, mut n_heard) = (0, 0);
    // At eleven places within a scan, conversions and readings included.
    for offset in 0..11 {
        board.fresh_record().expect("a record");
        board.run_ms(offset * 90).expect("time");
        board.chip.send_infrared(pins().infrared, KEY_FRAME, 0).expect("a remote");
        n_sent += 1;
        n_heard += records(&mut board, 2).iter().filter(|record| record.bit_inputs[bit::KEY].0).count();
    }
    assert_eq!(n_heard, n_sent, "each press once");
    let (n_violations, _, last) = board.chip.one_wire(0).expect("a bus");
    assert_eq!(n_violations, 0, "{last}");
    let temperatures = board.fresh_record().expect("a record").number_inputs;
    assert!(temperatures[..2].iter().all(|sample| sample.quality == Quality::Good));
    // A frame of another remote, and one whose inverse is wrong, are no key of ours.
    for frame in [0xBA45_EE11, 0xBB45_EF10] {
        board.chip.send_infrared(pins().infrared, frame, 1).expect("a remote");
        assert!(records(&mut board, 2).iter().all(|record| !record.bit_inputs[bit::KEY].0), "{frame:08x}");
    }
}

#[test]
fn lines_of_expanders_are_read_and_a_lost_expander_is_bad_until_it_is_back() {
    let Some(mut board) = running() else { return };
    let record = board.fresh_record().expect("a record");
    // Line 3 is a normally closed contact: pulled up means open, which is 1.
    assert_eq!(record.bit_inputs[bit::EXPANDER], (true, Quality::Good));
    board.chip.set_expander(EXPANDER, !(1 << 3)).expect("an expander");
    board.chip.set_expander(SECOND_EXPANDER, !1).expect("an expander");
    board.run_ms(60).expect("time");
    let record = board.fresh_record().expect("a record");
    assert_eq!(record.bit_inputs[bit::EXPANDER], (false, Quality::Good));
    assert_eq!(record.bit_inputs[bit::SECOND_EXPANDER], (true, Quality::Good));
    board.chip.power_part(EXPANDER, false).expect("an expander");
    records(&mut board, 8);
    let record = board.fresh_record().expect("a record");
    assert_eq!(record.bit_inputs[bit::EXPANDER].1, Quality::Bad);
    assert_eq!(record.bit_inputs[bit::SECOND_EXPANDER], (true, Quality::Good), "the other one goes on");
    board.chip.power_part(EXPANDER, true).expect("an expander");
    records(&mut board, 4);
    let record = board.fresh_record().expect("a record");
    assert_eq!(record.bit_inputs[bit::EXPANDER], (false, Quality::Good));
    let events = board.events(0).expect("events");
    assert!(is_told(&events, DEVICE_LOST, 0), "{events:?}");
    assert!(is_told(&events, DEVICE_BACK, 0), "{events:?}");
}

#[test]
fn a_bus_that_hangs_is_freed() {
    let Some(mut board) = running() else { return };
    for n_clocks in [1, 5, 9] {
        board.chip.hang_bus(n_clocks).expect("a bus");
        records(&mut board, 2);
        let [is_hung, n_freed, ..] = board.chip.bus().expect("a bus");
        assert_eq!(is_hung, 0, "{n_clocks} clocks");
        assert!(n_freed >= 1);
        let record = board.fresh_record().expect("a record");
        assert_eq!(record.bit_inputs[bit::EXPANDER].1, Quality::Good);
    }
    // One that never lets go: scans go on, the parts on it turn bad.
    board.chip.hang_bus(100_000).expect("a bus");
    let records = records(&mut board, 10);
    assert!(records.windows(2).all(|pair| pair[1].scan == pair[0].scan + 1), "no scan is skipped");
    assert_eq!(records[9].bit_inputs[bit::EXPANDER].1, Quality::Bad);
    assert_eq!(records[9].number_inputs[0].quality, Quality::Good, "one-wire goes on");
}

#[test]
fn the_clock_is_read_once_a_scan_and_a_stopped_one_is_bad() {
    let Some(mut board) = running() else { return };
    let before = board.fresh_record().expect("a record");
    let shown = board.chip.clock().expect("a clock").expect("it runs");
    assert!(before.is_clock_good);
    assert!(u64::from(before.clock_s).abs_diff(shown) <= 1, "{} and {shown}", before.clock_s);
    // Over the end of a leap year's February and of a year.
    for utc_s in [762_479_998u64, 788_918_398] {
        // Another time than the board's is believed after the part was lost by it: the fifth record has it at the latest.
        board.chip.set_clock(utc_s - 6).expect("a clock");
        let seconds: Vec<u32> = records(&mut board, 12).iter().map(|record| record.clock_s).skip(5).collect();
        assert!(seconds.windows(2).all(|pair| pair[1] == pair[0] + 1), "{seconds:?}");
        assert!(u64::from(seconds[0]) < utc_s + 2 && utc_s + 2 < u64::from(seconds[6]), "{seconds:?}");
    }
    board.chip.stop_clock().expect("a clock");
    let lost = records(&mut board, 6).pop().expect("records");
    assert!(!lost.is_clock_good);
    board.demand(&Request::SetClock { utc_s: 900_000_000 }).expect("a clock that can be set");
    let set = records(&mut board, 3).pop().expect("records");
    assert!(set.is_clock_good);
    assert!((900_000_000..900_000_005).contains(&set.clock_s), "{}", set.clock_s);
    let shown = board.chip.clock().expect("a clock").expect("it runs again");
    assert!(shown.abs_diff(set.clock_s.into()) <= 1, "{shown}");
    let events = board.events(0).expect("events");
    assert!(events.iter().any(|event| event.code == CLOCK_LOST), "{events:?}");
    assert!(events.iter().any(|event| event.code == CLOCK_SET), "{events:?}");
}
