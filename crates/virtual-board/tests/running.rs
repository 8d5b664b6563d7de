//! A running virtual board over its lines: sealed and not, its faults, its state file.

use std::io;
use std::path::Path;
use std::time::{Duration, Instant};

use link::Client;
use link::client::{ClientError, Told};
use link::message::sections;
use link::record::Record;
use link::transport::{Tcp, Transport};
use system::System;
use trial::Injection;
use twin::Flaw;
use virtual_board::{Pace, Setup, StartError, Virtual};

const KEY: [u8; 16] = [3; 16];
const WAIT: Duration = Duration::from_secs(5);
const ALL: u8 = sections::INPUTS | sections::OUTPUTS | sections::STATES | sections::RESULTS | sections::CELLS;

fn system(name: &str) -> System {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("../../examples/{name}/system.toml"));
    let text = std::fs::read_to_string(path).expect("the example is there");
    system::load(&text).system.expect("the example is sound")
}

fn at_speed(times: f64) -> Setup {
    Setup { start_utc_s: Some(1_768_348_800), pace: Pace::Times(times), ..Setup::default() }
}

fn next<T: Transport>(client: &mut Client<T>) -> Record {
    client.next_record(WAIT).expect("a line").expect("a record")
}

#[test]
fn the_network_is_sealed_and_has_one_connection() {
    let setup = Setup { key: Some(KEY), ..at_speed(20.0) };
    let board = Virtual::start(&system("desk-60l"), setup).expect("it starts");
    let address = board.listen("127.0.0.1:0").expect("a port");
    let connect = || Tcp::connect(address, WAIT).expect("a connection");
    // Without power there is no network: the first scan starts the board.
    Client::over_cable(board.cable()).expect("a board");

    let wrong = Client::over_network(connect(), &[4; 16], None);
    assert!(matches!(wrong, Err(ClientError::Key)), "{wrong:?}");
    std::thread::sleep(Duration::from_millis(300));
    let (mut client, challenge) = Client::over_network(connect(), &KEY, None).expect("let in");
    client.subscribe(ALL, 1).expect("subscribed");
    let first = next(&mut client);
    assert_eq!(next(&mut client).scan, first.scan + 1);
    let second = Client::over_network(connect(), &KEY, None);
    assert!(second.is_err(), "one at a time");
    assert!(matches!(client.set_key(&[9; 16]), Err(ClientError::Refused(..))), "over the cable only");
    drop(client);
    std::thread::sleep(Duration::from_millis(300));
    let above = Some((challenge.boots, challenge.session));
    let (mut client, later) = Client::over_network(connect(), &KEY, above).expect("let in again");
    assert!((later.boots, later.session) > (challenge.boots, challenge.session));

    // Another key over the cable ends the connection, and the next one needs it.
    let mut cable = Client::over_cable(board.cable()).expect("a board");
    cable.set_key(&[9; 16]).expect("set");
    let gone = client.next_record(WAIT);
    assert!(matches!(gone, Err(ClientError::Line(error)) if error.kind() == io::ErrorKind::UnexpectedEof));
    let old = Client::over_network(connect(), &KEY, None);
    assert!(matches!(old, Err(ClientError::Key)), "{old:?}");
}

#[test]
fn without_a_key_nobody_gets_in() {
    let board = Virtual::start(&system("desk-60l"), at_speed(20.0)).expect("it starts");
    Client::over_cable(board.cable()).expect("a board");
    let refused = Client::over_network(board.network(), &KEY, None);
    assert!(matches!(refused, Err(ClientError::NoKey)), "{refused:?}");
}

#[cfg(unix)]
#[test]
fn a_terminal_is_a_cable() {
    let board = Virtual::start(&system("desk-60l"), at_speed(20.0)).expect("it starts");
    let terminal = board.terminal().expect("a terminal");
    let serial = link::transport::Serial::open(terminal.path()).expect("it opens");
    let mut client = Client::over_cable(serial).expect("a board");
    client.subscribe(ALL, 1).expect("subscribed");
    let first = next(&mut client);
    assert_eq!(next(&mut client).scan, first.scan + 1);
    drop(terminal);
    let end = Instant::now() + WAIT;
    while client.next_record(Duration::from_millis(100)).is_ok() {
        assert!(Instant::now() < end, "the plug is pulled");
    }
}

#[test]
fn faults_strike_and_are_mended() {
    let board = Virtual::start(&system("desk-60l"), at_speed(100.0)).expect("it starts");
    let mut client = Client::over_cable(board.cable()).expect("a board");
    client.subscribe(ALL, 1).expect("subscribed");
    assert!(!board.strike("nothing:at all"));
    let silent =
        board.faults().iter().find(|fault| matches!(fault.injection, Injection::Flaw(Flaw::Silent(_))));
    let id = silent.expect("a thermometer can fall silent").id();
    let n_bad = |record: &Record| {
        let is_bad = |sample: &&program::Sample| sample.quality == program::Quality::Bad;
        record.number_inputs.iter().filter(is_bad).count()
    };
    let mut until = |n: usize| {
        let end = Instant::now() + Duration::from_secs(30);
        while n_bad(&next(&mut client)) != n {
            assert!(Instant::now() < end, "{id} has shown for {n} inputs by now");
        }
    };
    until(0);
    assert!(board.strike(&id));
    until(1);
    assert!(board.mend(&id));
    until(0);
    let told = client.events_after(None).expect("a journal");
    let code = |told: &Told| if let Told::Event(event) = told { event.code } else { 0 };
    let codes: Vec<u8> = told.iter().map(code).collect();
    assert!(codes.starts_with(&[2, 3]), "it started: {codes:?}");
    assert!(codes.contains(&8) && codes.contains(&9), "an input was bad, then good: {codes:?}");
}

#[test]
fn tank_and_board_outlive_the_process() {
    let folder = std::env::temp_dir().join(format!("tidewright-state-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a folder");
    let state = folder.join("tank.state");
    let desk = system("desk-60l");
    let setup = || Setup { state: Some(state.clone()), key: None, ..at_speed(100.0) };
    let (before, told) = {
        let board = Virtual::start(&desk, setup()).expect("it starts");
        let mut client = Client::over_cable(board.cable()).expect("a board");
        client.set_key(&KEY).expect("set");
        client.subscribe(ALL, 1).expect("subscribed");
        while next(&mut client).scan < 300 {}
        let told = client.events_after(None).expect("a journal");
        (next(&mut client), told)
    };
    let board = Virtual::start(&desk, setup()).expect("it goes on");
    let mut client = Client::over_cable(board.cable()).expect("a board");
    client.subscribe(ALL, 1).expect("subscribed");
    let after = next(&mut client);
    assert!(after.clock_s > before.clock_s, "time has not gone back");
    assert!(after.clock_s - before.clock_s < 600);
    for (was, is) in before.number_inputs.iter().zip(&after.number_inputs) {
        assert!((was.value - is.value).abs() < 2_000, "the water is what it was: {was:?} {is:?}");
    }
    assert!(client.board().boots >= 1 && client.board().scan < before.scan, "the board has started anew");
    let now = client.events_after(None).expect("a journal");
    assert_eq!(now[..told.len()], told[..], "nobody acknowledged them");
    drop((client, board));

    let other = Virtual::start(&system("harbour-lane"), setup());
    assert!(matches!(other, Err(StartError::State(..))), "{other:?}");
    std::fs::write(&state, b"nonsense").expect("written");
    assert!(matches!(Virtual::start(&desk, setup()), Err(StartError::State(..))));
    let _ = std::fs::remove_dir_all(folder);
}

#[test]
fn a_start_in_the_past_catches_up_with_the_present() {
    let now_s = || {
        let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
        since.map_or(0, |since| since.as_secs() as i64)
    };
    let start = now_s() - 7200;
    let setup = Setup { start_utc_s: Some(start), waits_for_reader: true, ..Setup::default() };
    let board = Virtual::start(&system("desk-60l"), setup).expect("it starts");
    std::thread::sleep(Duration::from_millis(300));
    assert!(board.now().n_scans <= 1, "it waits for its reader");
    let mut client = Client::over_cable(board.cable()).expect("a board");
    client.subscribe(ALL, 1).expect("subscribed");
    let mut last = next(&mut client);
    let end = Instant::now() + Duration::from_secs(60);
    while i64::from(last.clock_s) + 946_684_800 < now_s() - 1 {
        // The reader is slower than the board, whose queue is full when it comes to the last seconds.
        std::thread::sleep(Duration::from_micros(100));
        let record = next(&mut client);
        assert_eq!(record.scan, last.scan + 1, "none is missing");
        assert!(Instant::now() < end, "it has caught up");
        last = record;
    }
    let scan = last.scan;
    std::thread::sleep(Duration::from_millis(1500));
    while let Some(record) = client.next_record(Duration::ZERO).expect("a line") {
        last = record;
    }
    assert!(last.scan - scan <= 16, "then it lives by the clock");
}
