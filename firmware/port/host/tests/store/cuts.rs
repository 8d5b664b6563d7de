//! Power lost at every single byte of a board's life, and again while it recovers.
//!
//! A cell whose write was cut holds anything: what was there, what was meant, blank, or something else; and it may read differently
//! each time. Whatever it is, the next boot finds each fact as it was before the act or as the act makes it, and as the act makes it
//! once the act has said that it is done.

use std::collections::BTreeMap;

use firmware_host::Runtime;
use firmware_host::store::Running;
use program::eeprom::Event;

use crate::board::{Act, Board, Facts, assert_sound, entry, kept};

/// A life in parts that each begin with a boot.
fn life() -> Vec<Vec<Act>> {
    use Act::*;
    let mut full = vec![Reset];
    full.extend((0..14).map(|n| Event(4, n)));
    full.extend([Acknowledge, Event(5, 1), Event(5, 2), Minute]);
    let mut again = vec![Reset];
    again.extend((0..15).map(|n| Event(6, n)));
    again.extend([Reset, Event(7, 1), Acknowledge, Event(7, 2), Acknowledge, Minute, Event(7, 3)]);
    let mut trial_minutes = vec![Reset];
    trial_minutes.extend([Minute; 12]);
    trial_minutes.extend([Keep(kept(0x22)), Confirm, Keep(kept(0x23)), Event(3, 1)]);
    vec![
        // Golden only.
        vec![Reset, Event(2, 1), Keep(kept(1)), Keep(kept(2)), Minute],
        // The first program, confirmed.
        vec![Reset, Upload(4, 60)],
        vec![Reset, Keep(kept(3)), Confirm, Keep(kept(4)), Keep(kept(5)), Keep(kept(6)), Keep(kept(7))],
        // Calibration: new, again, of others, forgotten, and as many as there is room for.
        vec![
            Reset,
            Calibrate(entry(0, 0, 10)),
            Calibrate(entry(0, 1, 20)),
            Calibrate(entry(1, 15, 30)),
            Calibrate(entry(1, 0, 40)),
            Calibrate(entry(2, 3, 50)),
            Forget(1),
            Calibrate(entry(3, 3, 60)),
        ],
        vec![
            Reset,
            Learn(0, 0x0012_00FF),
            Learn(1, 0x0034_00FF),
            Learn(7, 0x0001_1234),
            Learn(1, 0x0035_ABCD),
            Calibrate(entry(4, 0, 1)),
            Calibrate(entry(5, 0, 1)),
            Calibrate(entry(6, 0, 1)),
            Calibrate(entry(6, 1, 2)),
            Calibrate(entry(0, 2, 2)),
        ],
        vec![Reset, NetworkKey([7; 16]), NetworkKey([9; 16]), NetworkKey([0; 16]), NetworkKey([9; 16])],
        full,
        again,
        // A trial given up by a person, one confirmed.
        vec![Reset, Upload(5, 30)],
        vec![Reset, Keep(kept(0x11)), Event(3, 2), Revert],
        vec![Reset, Keep(kept(0x12)), Upload(5, 30)],
        trial_minutes,
        // A trial that resets again and again.
        vec![Reset, Upload(4, 30)],
        vec![Reset, Reset, Reset, Reset, Keep(kept(0x33))],
        // The same program again, and as a trial beside itself.
        vec![Reset, Upload(5, 10)],
        vec![Reset, Keep(kept(0x34)), Confirm],
    ]
}

/// What the acts up to each one leave, seen by a boot on a copy.
fn facts_of_each(board: &mut Board<'_>, start: &[u8; 1024], part: &[Act]) -> Vec<Facts> {
    (0..=part.len())
        .map(|n| {
            replay(board, start, &part[..n]);
            board.store.power_up(false);
            board.facts()
        })
        .collect()
}

fn replay(board: &mut Board<'_>, start: &[u8; 1024], acts: &[Act]) {
    board.store.set_bytes(start);
    board.store.power_up(false);
    for act in acts {
        assert!(board.act(act), "{act:?} without any cut");
    }
}

/// Each fact is one of the two.
fn assert_between(facts: &Facts, before: &Facts, after: &Facts, act: &Act, at: &str) {
    assert_sound(facts);
    let is_one = (facts.running, &facts.program) == (before.running, &before.program)
        || (facts.running, &facts.program) == (after.running, &after.program);
    assert!(is_one, "{at}: runs {:?}, neither {:?} nor {:?}", facts.running, before.running, after.running);
    // A program that is not the one from before begins with nothing or with its own.
    if facts.running == before.running && facts.program == before.program && facts.retained != before.retained
    {
        assert_eq!(facts.retained, after.retained, "{at}: retained state");
    }
    if facts.running == after.running && facts.program == after.program && facts.retained != after.retained {
        assert_eq!(facts.retained, before.retained, "{at}: retained state");
    }
    let inputs: BTreeMap<u8, ()> = before
        .entries
        .keys()
        .chain(after.entries.keys())
        .chain(facts.entries.keys())
        .map(|&input| (input, ()))
        .collect();
    for input in inputs.into_keys() {
        let (this, old, new) =
            (facts.entries.get(&input), before.entries.get(&input), after.entries.get(&input));
        assert!(
            this == old || this == new,
            "{at}: entry of input {input}: {this:?}, neither {old:?} nor {new:?}"
        );
    }
    let is_key_kept = facts.network_key == before.network_key || facts.network_key == after.network_key;
    assert!(
        is_key_kept || matches!(act, Act::NetworkKey(_)) && facts.network_key.is_none(),
        "{at}: network key"
    );
    assert_events(&facts.events, before, after, at);
}

/// No event that stood in the cells is lost unless it was acknowledged, and none is invented.
fn assert_events(events: &[Event], before: &Facts, after: &Facts, at: &str) {
    for event in events {
        let is_known = before.events.contains(event) || after.events.contains(event);
        assert!(is_known, "{at}: {event:?} never happened; {:?} then {:?}", before.events, after.events);
    }
    for event in before.events.iter().filter(|event| after.events.contains(event)) {
        assert!(events.contains(event), "{at}: {event:?} is lost");
    }
}

/// What a cut cell may be left with, and whether it then flickers: what was there, what was meant, blanks, and others.
fn leavings(old: u8, new: u8, n: u32) -> [(u8, bool); 9] {
    let odd = (n.wrapping_mul(2_654_435_761) >> 13) as u8;
    [
        (0xFF, false),
        (old, false),
        (old, true),
        (new, false),
        (new, true),
        (odd, false),
        (odd, true),
        (odd & old, true),
        (0x00, false),
    ]
}

#[test]
fn at_every_byte_of_a_life_each_fact_is_the_old_or_the_new_one() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    let mut start = board.store.bytes();
    let (mut n_cuts, mut n_acts) = (0, 0);
    for part in life() {
        let facts = facts_of_each(&mut board, &start, &part);
        for (n, act) in part.iter().enumerate() {
            n_acts += 1;
            replay(&mut board, &start, &part[..n]);
            let before = board.store.bytes();
            board.store.cut_at(u32::MAX, 0);
            assert!(board.act(act));
            let done = board.store.bytes();
            let n_bytes = board.store.n_written();
            for cut in 0..n_bytes {
                // An upload is long; its middle is like its beginning.
                if matches!(act, Act::Upload(..)) && cut > 80 && cut + 40 < n_bytes && cut % 7 != 0 {
                    continue;
                }
                // The cell is the one in which two cuts differ.
                cut_once(&mut board, &start, &part[..n], act, cut, 0x00);
                let zero = board.store.bytes();
                cut_once(&mut board, &start, &part[..n], act, cut, 0xFF);
                let ones = board.store.bytes();
                let cell = (0..ones.len()).find(|&cell| ones[cell] != zero[cell]).unwrap();
                for (left, flickers) in leavings(before[cell], done[cell], cut) {
                    let at = format!("{act:?}, byte {cut} of {n_bytes} left as {left:#04x}");
                    cut_once(&mut board, &start, &part[..n], act, cut, left);
                    board.store.power_up(flickers);
                    let found = board.facts();
                    assert_between(&found, &facts[n], &facts[n + 1], act, &at);
                    n_cuts += 1;
                }
            }
        }
        replay(&mut board, &start, &part);
        start = board.store.bytes();
    }
    println!("{n_cuts} cuts in {n_acts} acts");
    assert!(n_cuts > 5_000, "{n_cuts}");
}

/// Acts, then one in which power fails.
fn cut_once(board: &mut Board<'_>, start: &[u8; 1024], before: &[Act], act: &Act, cut: u32, left: u8) {
    replay(board, start, before);
    if *act == Act::Reset {
        board.store.power_up(false);
        board.store.cut_at(cut, left);
        board.boot();
    } else {
        board.store.cut_at(cut, left);
        let is_done = board.act(act);
        assert!(!is_done || !board.store.is_off(), "{act:?} says it is done and was cut");
    }
    assert!(board.store.is_off(), "{act:?} wrote fewer bytes than before");
}

#[test]
fn a_second_cut_while_the_board_recovers_changes_nothing() {
    let mut runtime = Runtime::lock();
    let mut board = Board::new(&mut runtime);
    let mut start = board.store.bytes();
    let mut n_cuts = 0;
    for part in life() {
        let facts = facts_of_each(&mut board, &start, &part);
        for (n, act) in part.iter().enumerate() {
            replay(&mut board, &start, &part[..n]);
            board.store.cut_at(u32::MAX, 0);
            assert!(board.act(act));
            let n_bytes = board.store.n_written();
            for cut in (0..n_bytes).step_by(if matches!(act, Act::Upload(..)) { 23 } else { 1 }) {
                for second in 0..12 {
                    let left = (cut.wrapping_add(second).wrapping_mul(2_654_435_761) >> 11) as u8;
                    let at =
                        format!("{act:?}, byte {cut} of {n_bytes} left as {left:#04x}, then byte {second}");
                    cut_once(&mut board, &start, &part[..n], act, cut, left);
                    // The boot, and the record of its first minute.
                    board.store.power_up(second % 2 == 0);
                    board.store.cut_at(second, left.rotate_left(3));
                    board.boot();
                    board.store.minute();
                    board.store.flush();
                    board.store.power_up(second % 3 == 0);
                    let found = board.facts();
                    // Resets of a trial add up, and may end it here.
                    let mut after = facts[n + 1].clone();
                    if found.running == Running::Confirmed && board.store.fell_back() == 2 {
                        (after.running, after.program) = (found.running, found.program.clone());
                        after.retained.clone_from(&found.retained);
                    }
                    assert_between(&found, &facts[n], &after, act, &at);
                    n_cuts += 1;
                }
            }
        }
        replay(&mut board, &start, &part);
        start = board.store.bytes();
    }
    println!("{n_cuts} double cuts");
    assert!(n_cuts > 5_000, "{n_cuts}");
}
