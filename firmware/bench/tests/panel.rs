//! What people see and hear of the runtime on the chip: text display and buzzer.

mod common;

use common::*;
use firmware_bench::{Board, Level};
use link::message::Request;

fn scans(board: &mut Board, n: usize) {
    for at in 0..n {
        let record = if at == 0 { board.fresh_record() } else { board.next_record(12_000) };
        record.expect("a record");
    }
}

#[test]
fn the_buzzer_sounds_with_an_alarm_until_it_is_silenced() {
    let Some(mut board) = running_with_panel() else { return };
    board.chip.set_expander(SECOND_EXPANDER, !1).expect("an expander");
    scans(&mut board, 2);
    board.chip.watch(pins().buzzer).expect("a pin");
    board.run_ms(2_000).expect("time");
    let edges = board.chip.edges().expect("edges");
    let mut cycles: Vec<u64> = edges.windows(2).map(|pair| pair[1].cycle - pair[0].cycle).collect();
    cycles.sort_unstable();
    let half_period = cycles.get(cycles.len() / 2).copied().unwrap_or(u64::MAX);
    let hz = 8_000_000 / half_period.max(1);
    // The usual pattern of high priority is 2700 Hz.
    assert!(hz.abs_diff(2_700) < 60, "{hz} Hz, {} edges", edges.len());
    // Silencing is a timed hand command.
    let silence = Request::Hand { drive: drive::BUZZER as u8, value: 0, time_ms: 60_000 };
    board.demand(&silence).expect("hand");
    scans(&mut board, 2);
    board.chip.edges().expect("edges");
    board.run_ms(2_000).expect("time");
    assert_eq!(board.chip.edges().expect("edges"), [], "silent");
}

#[test]
fn the_display_is_written_without_haste() {
    let Some(mut board) = running_with_panel() else { return };
    scans(&mut board, 4);
    let (rows, n_too_early) = board.chip.display(DISPLAY).expect("a display");
    assert_eq!(n_too_early, 0, "{rows:?}");
    let shown: Vec<&str> = rows.iter().map(|row| row.trim_end()).collect();
    assert_eq!(shown, ["Water   25.5", "Contact  open", "all is well", ""]);
    board.chip.drive(pins().contact, Level::Low).expect("a contact");
    board.chip.set_expander(SECOND_EXPANDER, !1).expect("an expander");
    scans(&mut board, 5);
    let (rows, n_too_early) = board.chip.display(DISPLAY).expect("a display");
    assert_eq!(n_too_early, 0, "{rows:?}");
    let shown: Vec<&str> = rows.iter().map(|row| row.trim_end()).collect();
    assert_eq!(shown[1..3], ["Contact  closed", "second expander"]);
}
