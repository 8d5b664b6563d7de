//! Calibration, learned keys, network key and journal by themselves.

use firmware_host::Runtime;
use firmware_host::store::Answer;
use program::calibration::{Correction, Entry};
use program::eeprom::{Image, KEYS_INPUT, Map};

use crate::board::{Act, Board, entry};

#[test]
fn an_entry_is_done_when_it_stands_in_the_cells() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    let bytes = entry(3, 0, 250).to_bytes();
    let mut n_asked = 0;
    while board.store.calibrate(&bytes) == Answer::Busy {
        assert!(n_asked == 14 || board.store.calibration(0).is_none());
        board.store.idle();
        n_asked += 1;
    }
    assert_eq!(n_asked, 15, "one byte in each idle slot, and a look at them");
    assert_eq!(board.store.calibration(0), Some(bytes));
    let (kind, payload) = board.store.correction(3);
    assert_eq!((kind, &payload[..4]), (1, &250_i32.to_le_bytes()[..]));
    assert_eq!(board.store.correction(4).0, 0);
}

#[test]
fn an_entry_that_is_not_the_next_of_its_input_is_refused() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    board.act(&Act::Calibrate(entry(0, 14, 1)));
    for sequence in [6, 7, 10, 13, 14] {
        assert_eq!(
            board.store.calibrate(&entry(0, sequence, 2).to_bytes()),
            Answer::Program,
            "{sequence} after 14"
        );
    }
    // Also across the end of four bits.
    board.act(&Act::Calibrate(entry(0, 15, 3)));
    board.act(&Act::Calibrate(entry(0, 0, 4)));
    board.act(&Act::Calibrate(entry(0, 7, 5)));
    assert_eq!(board.store.correction(0).1[0], 5);
    let mut torn = entry(0, 8, 6).to_bytes();
    torn[5] ^= 1;
    assert_eq!(board.store.calibrate(&torn), Answer::Program);
    board.act(&Act::Reset);
    assert_eq!(board.store.correction(0).1[0], 5);
}

#[test]
fn one_place_is_kept_free_and_forgetting_frees_one() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    let n = Map::SMALL.n_entries as u8 - 1;
    for input in 0..n {
        board.act(&Act::Calibrate(entry(input, 0, i32::from(input))));
    }
    assert_eq!(board.store.calibrate(&entry(n, 0, 1).to_bytes()), Answer::Full);
    assert_eq!(board.store.learn(0, 0x0001_0000), Answer::Full);
    for sequence in 1..40 {
        for input in 0..n {
            board.act(&Act::Calibrate(entry(input, sequence & 15, i32::from(sequence))));
        }
    }
    board.act(&Act::Forget(2));
    board.act(&Act::Forget(2));
    assert_eq!(board.store.correction(2).0, 0);
    board.act(&Act::Calibrate(entry(n, 0, 1)));
    board.act(&Act::Reset);
    for input in (0..=n).filter(|&input| input != 2) {
        let wanted = if input == n { 1 } else { 39 };
        assert_eq!(board.store.correction(input).1[0], wanted, "input {input}");
    }
}

#[test]
fn learned_keys_stand_by_six_with_one_address() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    assert_eq!(board.store.key_code(0), None);
    for key in 0..8 {
        board.act(&Act::Learn(key, u32::from(key) << 16 | 0xFF00));
    }
    for key in 0..8 {
        assert_eq!(board.store.key_code(key), Some(u32::from(key) << 16 | 0xFF00));
    }
    assert_eq!(board.store.key_code(8), None);
    // Another remote: its address is the group's from now on.
    board.act(&Act::Learn(2, 0x0044_1234));
    board.act(&Act::Reset);
    assert_eq!(board.store.key_code(2), Some(0x0044_1234));
    assert_eq!(board.store.key_code(0), None);
    assert_eq!(board.store.key_code(7), Some(0x0007_FF00));
    assert_eq!(board.store.learn(0, 0x00FF_1234), Answer::Program);
    assert_eq!(board.store.learn(0, 0x0100_1234), Answer::Program);
    let bytes = board.store.bytes();
    assert_eq!(Image::new(&bytes).unwrap().entries().count(), 2);
    assert_eq!(board.store.correction(KEYS_INPUT).0, 4);
}

#[test]
fn a_ph_electrode_is_kept_as_the_page_says() {
    use program::calibration::PhElectrode;
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    let electrode = PhElectrode { offset_uv: -12_340, acid_slope_uv: 58_000, base_slope_uv: 57_500 };
    let made = Entry { input: 3, sequence: 2, day: 9_500, correction: Correction::Ph(electrode) };
    board.act(&Act::Calibrate(made));
    board.act(&Act::Reset);
    let bytes = board.store.bytes();
    assert_eq!(Image::new(&bytes).unwrap().calibration(3), Some(made));
    assert_eq!(board.store.correction(3).0, 2);
}

#[test]
fn no_network_key_before_the_boot_stands_in_the_cells() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    assert_eq!(board.store.key(), None);
    board.act(&Act::NetworkKey([3; 16]));
    board.store.flush();
    assert_eq!(board.store.key(), Some([3; 16]));
    // Sessions of two boots never have the same number, however soon power goes.
    let mut last = board.store.boot_counter();
    for cut in 0..40 {
        board.store.power_up(false);
        board.boot();
        board.store.cut_at(cut % 12, 0x5A);
        while !board.store.is_off() {
            if board.store.key().is_some() {
                assert!(board.store.boot_counter() > last, "boot {} again", board.store.boot_counter());
                last = board.store.boot_counter();
                break;
            }
            board.store.idle();
        }
    }
    assert!(last > 3);
    // Without any boot record the counter begins anew, and the key is forgotten with it.
    let whole = board.store.bytes();
    let mut bytes = whole;
    let at = Map::SMALL.at_boot();
    bytes[at..at + 30].fill(0xFF);
    board.store.set_bytes(&bytes);
    board.store.power_up(false);
    board.boot();
    board.act(&Act::Minute);
    assert_eq!((board.store.boot_counter(), board.store.key()), (1, None));
    board.store.set_bytes(&whole);
    board.store.power_up(false);
    board.boot();
    board.act(&Act::NetworkKey([0; 16]));
    board.store.flush();
    assert_eq!(board.store.key(), None, "sixteen zeros are no key");
}

#[test]
fn a_boot_that_ends_within_a_minute_wears_nothing() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    board.act(&Act::Upload(4, 60));
    board.act(&Act::Reset);
    board.act(&Act::Confirm);
    let before = board.store.wear();
    for _ in 0..10_000 {
        board.act(&Act::Reset);
        board.store.flush();
    }
    assert_eq!(board.store.wear(), before);
}

#[test]
fn a_full_journal_ends_in_a_gap_that_counts() {
    const GAP: u8 = 1;
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    for n in 0..17 {
        board.act(&Act::Event(4, n));
    }
    assert_eq!(board.store.newest_event(), 12);
    board.act(&Act::Reset);
    // The station comes, sees the twelve that were kept, and then how many were not.
    let mut seen = Vec::new();
    let mut from = board.store.confirmed_event().wrapping_add(1);
    while let Some(event) = board.store.event_after(from) {
        from = event.sequence.wrapping_add(1);
        seen.push(event.argument);
    }
    assert_eq!(seen, (0..12).collect::<Vec<_>>());
    board.store.events_confirmed(4);
    board.store.flush();
    let gap = board.store.event_after(13).unwrap();
    assert_eq!((gap.code, gap.argument), (GAP, 5));
    board.act(&Act::Event(4, 99));
    assert_eq!(board.store.event_after(14).unwrap().argument, 99);
    board.act(&Act::Reset);
    board.store.flush();
    assert_eq!(board.store.newest_event(), 14, "the gap is told once");
}

#[test]
fn more_than_255_lost_events_are_255() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    for n in 0..12 + 300 {
        board.act(&Act::Event(4, n));
    }
    let wear = board.store.wear();
    board.act(&Act::Event(4, 1));
    assert_eq!(board.store.wear(), wear, "beyond that nothing is worn");
    board.act(&Act::Acknowledge);
    assert_eq!(board.store.event_after(13).unwrap().argument, 255);
}

#[test]
fn more_events_at_once_than_memory_holds_end_in_a_gap() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    for n in 0..9 {
        board.store.event(4, n, 100);
    }
    board.store.flush();
    let seen: Vec<(u8, u16)> = (1..=6)
        .filter_map(|sequence| board.store.event_after(sequence))
        .map(|event| (event.code, event.argument))
        .collect();
    assert_eq!(
        seen,
        [(1, 3), (4, 0), (4, 1), (4, 2), (4, 3), (4, 4)],
        "three of the same second are told before the others"
    );
}

#[test]
fn only_events_that_exist_can_be_confirmed() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    for n in 0..5 {
        board.act(&Act::Event(4, n));
    }
    board.store.events_confirmed(6);
    board.store.events_confirmed(200);
    board.store.events_confirmed(0);
    assert!(board.store.event_after(0).is_some_and(|event| event.sequence == 1));
    board.store.events_confirmed(3);
    assert_eq!(board.store.event_after(0).unwrap().sequence, 4);
}
