//! Which program runs: trials, resets in a row, damaged bytes, another golden program, and Harbour Lane's complete program beside
//! everything else in 1024 bytes.

use firmware_host::Runtime;
use firmware_host::store::{Answer, CHUNK, Running};
use program::calibration::Correction;
use program::eeprom::{Fallback, Image, Map, Placed, Slot};

use crate::board::{Act, Board, RETAINED, entry, golden, harbour_lane, kept, variant};

fn fell(board: &Board<'_>) -> Fallback {
    Fallback::from_number(board.store.fell_back()).unwrap()
}

#[test]
fn harbour_lane_fits_both_slots_beside_everything_else() {
    assert!(harbour_lane().len() <= Map::SMALL.slot, "{} bytes", harbour_lane().len());
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    // The complete program, byte for byte as compiled, then another of the same size beside it.
    let period = harbour_lane()[10];
    assert!(board.act(&Act::Upload(period, 60)));
    board.act(&Act::Reset);
    assert!(board.act(&Act::Confirm));
    for input in 0..6 {
        assert!(board.act(&Act::Calibrate(entry(input, 0, i32::from(input)))));
    }
    assert!(board.act(&Act::Learn(0, 0x0010_00FF)));
    assert!(board.act(&Act::Learn(6, 0x0011_00FF)));
    assert!(board.act(&Act::NetworkKey([0xA5; 16])));
    for n in 0..12 {
        assert!(board.act(&Act::Event(4, n)));
    }
    assert!(board.act(&Act::Keep(kept(1))));
    assert!(board.act(&Act::Upload(8, 60)));
    board.act(&Act::Reset);
    assert!(board.act(&Act::Keep(kept(2))));

    assert_eq!(board.store.running(), Running::Trial);
    assert_eq!(board.store.program(Running::Trial), variant(8));
    assert_eq!(board.store.program(Running::Confirmed), harbour_lane());
    // The same from outside, by the mirror of the map.
    let bytes = board.store.bytes();
    let image = Image::new(&bytes).unwrap();
    assert_eq!(image.confirmed(), Some(harbour_lane()));
    assert_eq!(image.trial(), Some(&variant(8)[..]));
    let crc = |program: &[u8]| u32::from_le_bytes(program[program.len() - 4..].try_into().unwrap());
    assert_eq!(image.retained(Slot::B, crc(harbour_lane()), RETAINED), Some(&kept(1)[..]));
    assert_eq!(image.retained(Slot::A, crc(&variant(8)), RETAINED), Some(&kept(2)[..]));
    assert_eq!(image.events().count(), 12);
    assert!(image.has_network_key());
    assert_eq!(image.entries().count(), 8);
    for input in 0..6 {
        assert_eq!(image.calibration(input), Some(entry(input, 0, i32::from(input))));
    }
    assert!(image.entries().any(|placed| matches!(
        placed,
        Placed::Keys(keys) if keys.group == 1 && keys.address == 0xFF && keys.commands[0] == Some(0x11)
    )));
}

#[test]
fn a_program_that_was_not_confirmed_in_time_gives_way() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    board.act(&Act::Upload(4, 25));
    board.act(&Act::Reset);
    assert_eq!(board.store.running(), Running::Trial);
    for minute in 1..25 {
        assert!(!board.store.minute(), "minute {minute}");
        board.store.flush();
    }
    assert!(board.store.minute());
    assert_eq!(board.store.revert(1), Answer::Done);
    board.act(&Act::Reset);
    assert_eq!((board.store.running(), fell(&board)), (Running::Golden, Fallback::Unconfirmed));
}

#[test]
fn resets_give_a_trial_no_more_than_ten_minutes_each() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    board.act(&Act::Upload(4, 30));
    let mut minutes = 0;
    // A reset after each 15 minutes: never three in a row.
    'trial: for _ in 0..100 {
        board.act(&Act::Reset);
        assert_eq!(board.store.running(), Running::Trial);
        for _ in 0..15 {
            minutes += 1;
            let is_over = board.store.minute();
            board.store.flush();
            if is_over {
                break 'trial;
            }
        }
    }
    assert_eq!(minutes, 40, "30, and 5 lost at each of two resets");
}

#[test]
fn three_resets_in_a_row_end_a_trial_and_ten_good_minutes_end_the_row() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    board.act(&Act::Upload(4, 200));
    board.act(&Act::Reset);
    board.act(&Act::Confirm);
    board.act(&Act::Upload(5, 200));
    board.act(&Act::Reset);
    for _ in 0..5 {
        for _ in 0..2 {
            board.act(&Act::Reset);
            assert_eq!(board.store.running(), Running::Trial);
        }
        for _ in 0..10 {
            assert!(!board.store.minute());
            board.store.flush();
        }
    }
    for _ in 0..2 {
        board.act(&Act::Reset);
        assert_eq!(board.store.running(), Running::Trial);
    }
    board.act(&Act::Reset);
    assert_eq!((board.store.running(), fell(&board)), (Running::Confirmed, Fallback::Resets));
    assert_eq!(board.store.program(Running::Confirmed), variant(4));
    // A confirmed program stays, however often it resets.
    for _ in 0..20 {
        board.act(&Act::Reset);
        assert_eq!(board.store.running(), Running::Confirmed);
    }
}

#[test]
fn a_damaged_trial_gives_way_to_the_confirmed_and_that_to_golden() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    board.act(&Act::Upload(4, 60));
    board.act(&Act::Reset);
    board.act(&Act::Confirm);
    board.act(&Act::Upload(5, 60));
    board.act(&Act::Reset);
    let mut bytes = board.store.bytes();
    let map = Map::SMALL;
    bytes[map.at_slot(Slot::A) + 100] ^= 1;
    board.store.set_bytes(&bytes);
    board.act(&Act::Reset);
    assert_eq!((board.store.running(), fell(&board)), (Running::Confirmed, Fallback::Damaged));
    board.act(&Act::Reset);
    assert_eq!(board.store.running(), Running::Confirmed, "the trial is given up for good");
    bytes = board.store.bytes();
    bytes[map.at_slot(Slot::B) + 317] ^= 0x80;
    board.store.set_bytes(&bytes);
    board.act(&Act::Reset);
    assert_eq!((board.store.running(), fell(&board)), (Running::Golden, Fallback::Damaged));
    // An upload from here is as good as any.
    board.act(&Act::Upload(6, 60));
    board.act(&Act::Reset);
    board.act(&Act::Confirm);
    board.act(&Act::Reset);
    assert_eq!(
        (board.store.running(), board.store.program(Running::Confirmed)),
        (Running::Confirmed, variant(6))
    );
}

#[test]
fn another_golden_program_ends_what_belonged_to_the_one_before() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    board.act(&Act::Upload(4, 60));
    board.act(&Act::Reset);
    board.act(&Act::Confirm);
    board.act(&Act::Minute);
    let counter = board.store.boot_counter();
    board.store.power_up(false);
    assert_eq!(board.store.open(0), Running::Confirmed, "flash that is not sound names no golden program");
    board.store.power_up(false);
    assert_eq!(board.store.open(0x1234), Running::Golden);
    assert_eq!(fell(&board), Fallback::Flashed);
    assert_eq!(board.store.boot_counter(), counter + 1, "nonces never come again");
    board.store.minute();
    board.store.flush();
    // Flashing the old one again brings nothing back: that state is over.
    board.act(&Act::Reset);
    assert_eq!(board.store.running(), Running::Golden);
}

#[test]
fn a_table_that_is_not_the_programs_makes_golden_run_until_it_is_back() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    board.act(&Act::Upload(4, 60));
    board.act(&Act::Reset);
    board.act(&Act::Confirm);
    assert_eq!(board.store.refused(18), Running::Golden); // VM_WIRING
    assert_eq!(fell(&board), Fallback::Refused);
    board.act(&Act::Reset);
    assert_eq!(board.store.running(), Running::Confirmed);
}

#[test]
fn what_is_no_upload_is_refused_and_changes_nothing() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    let program = variant(4);
    let length = program.len() as u16;
    assert_eq!(board.store.upload_chunk(0, &program[..CHUNK]), Answer::NoUpload);
    assert_eq!(board.store.upload_end(10).0, Answer::NoUpload);
    assert_eq!(board.store.upload_begin(0), Answer::TooLong);
    assert_eq!(board.store.upload_begin(321), Answer::TooLong);
    assert_eq!(board.store.upload_begin(length), Answer::Done);
    board.store.flush();
    assert_eq!(board.store.upload_chunk(1, &program[1..CHUNK]), Answer::Offset);
    assert_eq!(board.store.upload_chunk(0, &[]), Answer::Offset);
    assert_eq!(board.store.upload_chunk(0, &program[..=CHUNK]), Answer::Offset);
    assert_eq!(board.store.upload_chunk(0, &program[..CHUNK]), Answer::Done);
    assert_eq!(board.store.upload_chunk(0, &program[..CHUNK]), Answer::Done, "its answer was lost");
    board.store.flush();
    assert_eq!(board.store.upload_end(10).0, Answer::Offset, "not whole");
    for at in (CHUNK..312).step_by(CHUNK) {
        assert_eq!(board.store.upload_chunk(at as u16, &program[at..at + CHUNK]), Answer::Done);
        board.store.flush();
    }
    assert_eq!(board.store.upload_chunk(312, &[0; CHUNK]), Answer::Offset);
    let rest = [0; 8];
    assert_eq!(board.store.upload_chunk(312, &rest[..program.len() - 312]), Answer::Done);
    board.store.flush();
    assert_eq!(board.store.upload_end(10), (Answer::Program, 6), "VM_CHECKSUM");
    board.act(&Act::Reset);
    assert_eq!(board.store.running(), Running::Golden);
    // A trial is not written over while it runs in place.
    board.act(&Act::Upload(4, 10));
    board.act(&Act::Reset);
    assert_eq!(board.store.upload_begin(length), Answer::Trial);
    board.act(&Act::Confirm);
    assert_eq!(board.store.confirm(), Answer::Trial);
    assert_eq!(board.store.upload_begin(length), Answer::Done);
}

#[test]
fn a_trial_leaves_the_confirmed_programs_retained_state_alone_and_begins_without() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    board.act(&Act::Upload(4, 60));
    board.act(&Act::Reset);
    board.act(&Act::Confirm);
    board.act(&Act::Keep(kept(7)));
    for trial in [5, 6, 5] {
        board.act(&Act::Upload(trial, 60));
        board.store.power_up(false);
        assert!(!board.boot(), "trial {trial} finds the state of an earlier one");
        for mark in 0..20 {
            board.act(&Act::Keep(kept(mark)));
        }
        board.act(&Act::Revert);
        board.store.power_up(false);
        assert!(board.boot());
        assert_eq!(board.store.retained(RETAINED), kept(7));
    }
}

#[test]
fn worn_cells_are_passed_over() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    board.act(&Act::Upload(4, 60));
    let map = Map::SMALL;
    // A cell of a boot record, of the trial's ring and of the journal takes nothing any more.
    for cell in
        [map.at_boot() + 13, map.at_kept(Slot::B) + 20, map.at_kept(Slot::A) + 20, map.at_events() + 9]
    {
        board.store.wear_out(cell);
    }
    board.act(&Act::Reset);
    board.act(&Act::Confirm);
    for n in 0..40_u8 {
        board.act(&Act::Keep(kept(n)));
        board.act(&Act::Event(4, n.into()));
        board.act(&Act::Reset);
        assert_eq!(board.store.retained(RETAINED), kept(n));
        let newest = board.store.newest_event();
        assert_eq!(board.store.event_after(newest).unwrap().argument, u16::from(n));
        board.act(&Act::Acknowledge);
        board.act(&Act::Minute);
        assert_eq!(board.store.running(), Running::Confirmed);
        assert_eq!(board.store.boot_counter(), u32::from(n) + 3);
    }
}

#[test]
fn a_part_that_takes_nothing_any_more_still_boots_and_says_so() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    board.act(&Act::Upload(4, 60));
    board.act(&Act::Reset);
    for cell in 0..1024 {
        board.store.wear_out(cell);
    }
    assert_eq!(board.store.confirm(), Answer::Worn);
    board.store.event(4, 1, 1);
    board.store.keep();
    board.store.minute();
    board.store.flush();
    for _ in 0..5 {
        board.act(&Act::Reset);
        assert_eq!(board.store.running(), Running::Trial, "nothing can be written down any more");
    }
    assert_eq!(golden().len(), harbour_lane().len());
    assert!(matches!(entry(0, 0, 0).correction, Correction::Linear(_)));
}

#[test]
fn a_trial_that_was_given_up_runs_on_until_the_reset_and_nothing_is_written_over_it() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    board.act(&Act::Upload(4, 25));
    board.act(&Act::Reset);
    assert_eq!(board.store.running(), Running::Trial);
    assert_eq!(board.store.revert(6), Answer::Done);
    assert_eq!(board.store.upload_begin(100), Answer::Trial, "its slot is read in each scan yet");
    board.act(&Act::Reset);
    assert_eq!(board.store.running(), Running::Golden);
    assert_eq!(board.store.upload_begin(100), Answer::Done);
}
