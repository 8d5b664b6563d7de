//! The boards of a station against virtual boards: acts with their outcomes, journals that are kept, lines that come and go, and many
//! boards of which some misbehave, each in its way. The long run of the last, with one of twenty, is
//!
//! ```text
//! MINUTES=60 SPEED=100 BAD=1 cargo test -p station --test boards twenty -- --nocapture
//! ```

use std::io;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use link::message::{Answer, AnswerCode, Hello, Request};
use link::transport::Transport;
use station::boards::{
    Act, AnyTransport, BoardEvent, BoardId, BoardSetup, Boards, Events, Journal, Line, LinkState, Outcome,
    Scan, Trust, What,
};
use system::System;
use system::model::ActuatorIdx;
use trial::Injection;
use twin::Flaw;
use virtual_board::{Pace, Setup, Virtual};

const KEY: [u8; 16] = [7; 16];
const PATIENCE: Duration = Duration::from_secs(5);
/// 2026-01-14 00:00 UTC.
const START_UTC_S: i64 = 1_768_348_800;

fn system(name: &str) -> Arc<System> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("../../examples/{name}/system.toml"));
    let text = std::fs::read_to_string(path).expect("the example is there");
    Arc::new(system::load(&text).system.expect("the example is sound"))
}

fn at_speed(times: f64) -> Setup {
    Setup { start_utc_s: Some(START_UTC_S), pace: Pace::Times(times), key: Some(KEY), ..Setup::default() }
}

/// A board that lives in a time of its own.
fn setup(name: &str, system: &Arc<System>, line: Line) -> BoardSetup {
    BoardSetup { keeps_clock: false, keeps_time: false, ..BoardSetup::new(name, system.clone(), line) }
}

fn actuator(system: &System, name: &str) -> ActuatorIdx {
    ActuatorIdx(system.actuators.iter().position(|actuator| actuator.name == name).expect("it has this part"))
}

/// Takes events until one is what is wanted.
fn until<T>(events: &Events, mut wanted: impl FnMut(BoardEvent) -> Option<T>) -> T {
    let end = Instant::now() + Duration::from_secs(60);
    let mut states = vec![];
    while Instant::now() < end {
        let Some(event) = events.next(Duration::from_millis(100)) else { continue };
        states.extend(state(event.clone()));
        if let Some(found) = wanted(event) {
            return found;
        }
    }
    panic!("it did not come within a minute; the link was {states:?}");
}

fn scan(event: BoardEvent) -> Option<Scan> {
    if let BoardEvent::Scan(scan) = event { Some(scan) } else { None }
}

fn journal(event: BoardEvent) -> Option<Journal> {
    if let BoardEvent::Journal(journal) = event { Some(journal) } else { None }
}

fn state(event: BoardEvent) -> Option<LinkState> {
    if let BoardEvent::Link { state, .. } = event { Some(state) } else { None }
}

/// Keeps taking events in the background, as a station does, and gives back every scan.
fn keeper(events: Events) -> std::thread::JoinHandle<Vec<Scan>> {
    std::thread::spawn(move || {
        let mut scans = vec![];
        let mut batch = vec![];
        while events.take(&mut batch, 256, Duration::from_millis(100)) {
            for event in batch.drain(..) {
                match event {
                    BoardEvent::Scan(scan) => scans.push(scan),
                    BoardEvent::Journal(journal) => journal.stored.done(),
                    BoardEvent::Link { .. } => {}
                }
            }
        }
        scans
    })
}

#[test]
fn an_act_is_done_refused_or_not_done() {
    let system = system("harbour-lane");
    let tank = Arc::new(Virtual::start(&system, at_speed(20.0)).expect("it starts"));
    let nowhere = Line::Other(Arc::new(|| Err(io::Error::other("nothing is there"))));
    let setups = vec![setup("tank", &system, Line::Virtual(tank.clone())), setup("away", &system, nowhere)];
    let (boards, events) = Boards::start(setups).expect("they start");
    let (tank_id, away) = (BoardId(0), BoardId(1));
    let is_up = |event| state(event).filter(LinkState::is_up);
    let LinkState::Up { trust, differs, .. } = until(&events, is_up) else { panic!("it is up") };
    assert_eq!((trust, differs), (Trust::All, None));
    let keeper = keeper(events);

    // Done: with the output and the scan in whose record it stands.
    let circulation = actuator(&system, "circulation_1");
    let off = Act::Hand { actuator: circulation, value: 0, time_ms: 600_000 };
    let Outcome::Done(done) = boards.act_and_wait(tank_id, off.clone(), PATIENCE) else {
        panic!("it is done")
    };
    assert_eq!((done.output, done.remark), (Some(0), None));
    assert!(
        done.hand_left_ms.is_some_and(|left| (500_000..600_000).contains(&left)),
        "{:?}",
        done.hand_left_ms
    );
    let done_in = done.scan.expect("a scan took it");

    // Refused: in words of the file.
    let unplugged = tank.faults().iter().find(|fault| {
        fault.part == "return_pump" && matches!(fault.injection, Injection::Flaw(Flaw::Unplugged(_)))
    });
    assert!(tank.strike(&unplugged.expect("a pump can be unplugged").id()));
    let heater = Act::Hand { actuator: actuator(&system, "heater_sump"), value: 1, time_ms: 600_000 };
    let end = Instant::now() + Duration::from_secs(60);
    let why = loop {
        match boards.act_and_wait(tank_id, heater.clone(), PATIENCE) {
            Outcome::Refused { why } => break why,
            other => assert!(Instant::now() < end, "it stays permitted: {other:?}"),
        }
        std::thread::sleep(Duration::from_millis(100));
    };
    assert!(why.contains("heater_sump") && why.contains("return_proven"), "{why}");
    let reset = boards.act_and_wait(tank_id, Act::ResetTrip { trip: 0 }, PATIENCE);
    assert!(matches!(reset, Outcome::Refused { .. }), "nothing has tripped: {reset:?}");

    // Not done: there is no board.
    let outcome = boards.act_and_wait(away, off.clone(), PATIENCE);
    assert!(matches!(outcome, Outcome::NotDone { .. }), "{outcome:?}");
    // Or no time.
    let outcome = boards.act_and_wait(tank_id, off, Duration::ZERO);
    assert!(matches!(outcome, Outcome::NotDone { .. }), "{outcome:?}");

    // Make safe: what adds stops, what moves runs, heat keeps to its thermostats.
    let steps = boards.make_safe(tank_id);
    let of = |name: &str| {
        steps.iter().find(|step| step.actuator == actuator(&system, name)).map(|step| step.act.clone())
    };
    let value = |act: Option<Act>| match act {
        Some(Act::Hand { value, .. }) => Some(value),
        _ => None,
    };
    assert_eq!([value(of("topoff_pump")), value(of("lime_pump"))], [Some(0); 2]);
    assert_eq!([value(of("circulation_1")), value(of("circulation_2")), value(of("air_pump"))], [Some(1); 3]);
    assert_eq!(value(of("heater_display")), Some(1), "its own dial holds it");
    assert_eq!((of("light"), of("router")), (None, None), "left alone");
    for step in &steps {
        let outcome = boards.act_and_wait(tank_id, step.act.clone(), PATIENCE);
        let is_heater = step.words.contains("heater_sump");
        match outcome {
            Outcome::Done(_) => {}
            Outcome::Refused { .. } if is_heater => {}
            Outcome::Refused { .. } if step.words.contains("return_pump") => {}
            other => panic!("{}: {other:?}", step.words),
        }
    }
    let series = boards.known(tank_id).expect("it is known").names.clone();
    drop(boards);
    let scans = keeper.join().expect("it kept");

    // The record of that very scan shows it.
    let record = scans.iter().find(|scan| scan.record.scan == done_in).expect("it was recorded");
    let at = series.series_of(What::Output(circulation)).expect("it is a series");
    assert_eq!(series.value_of(at, &record.record, record.trust).map(|value| value.raw), Some(0));
    assert!(record.record.commands.iter().any(|command| command.kind == 1 && command.value == 0));
    // Every scan came once, at its time.
    for pair in scans.windows(2) {
        assert_eq!((pair[1].record.scan, pair[1].n_missing), (pair[0].record.scan + 1, 0));
        assert_eq!(pair[1].at_ms - pair[0].at_ms, i64::from(system.scan_ms));
    }
    let temperature = series.series.iter().position(|series| series.name == "sump_temp").expect("a series");
    let value = series.value_of(temperature, &scans[0].record, Trust::All).expect("a value");
    let celsius = f64::from(value.raw) * series.series[temperature].scale;
    assert!((23.0..28.0).contains(&celsius), "{celsius} {}", series.series[temperature].unit);
}

#[test]
fn a_journal_comes_again_until_it_is_kept() {
    let system = system("desk-60l");
    let tank = Arc::new(Virtual::start(&system, at_speed(20.0)).expect("it starts"));
    let start = |last_event| {
        let setup = BoardSetup { last_event, ..setup("desk", &system, Line::Virtual(tank.clone())) };
        Boards::start(vec![setup]).expect("it starts")
    };
    let (boards, events) = start(None);
    let first = until(&events, journal);
    assert!(first.entries[0].words.contains("the board started (power)"), "{:?}", first.entries);
    assert_eq!(first.entries[0].at_ms, None, "a board that starts has not read its clock yet");
    drop((boards, events));

    let (boards, events) = start(None);
    let again = until(&events, journal);
    assert_eq!(again.entries[0], first.entries[0], "nobody kept it");
    let sequence = again.stored.sequence();
    again.stored.done();
    until(&events, |event| scan(event).filter(|scan| scan.record.scan > 100));
    drop((boards, events));

    let (boards, events) = start(Some(sequence));
    let hand = Act::Hand { actuator: actuator(&system, "hood_fan"), value: 1, time_ms: 60_000 };
    assert!(matches!(boards.act_and_wait(BoardId(0), hand, PATIENCE), Outcome::Done(_)));
    let next = until(&events, journal);
    assert!(next.entries.iter().all(|entry| !entry.words.contains("started")), "{:?}", next.entries);
    let hand = next.entries.iter().find(|entry| entry.words.contains("hood_fan is in hand"));
    let at_ms = hand.and_then(|entry| entry.at_ms).expect("its clock is good by now");
    assert!((0..600).contains(&(at_ms / 1000 - START_UTC_S + 60)), "{at_ms}");
}

#[test]
fn another_file_is_not_taken_for_this_one() {
    let (harbour, desk) = (system("harbour-lane"), system("desk-60l"));
    let tank = Arc::new(Virtual::start(&desk, at_speed(20.0)).expect("it starts"));
    let (boards, events) =
        Boards::start(vec![setup("wrong", &harbour, Line::Virtual(tank))]).expect("it starts");
    let LinkState::Up { trust, differs, .. } = until(&events, |event| state(event).filter(LinkState::is_up))
    else {
        panic!("it is up")
    };
    assert_eq!(trust, Trust::Nothing);
    assert!(differs.is_some_and(|words| words.contains("wired by another file")));
    let scan = until(&events, scan);
    let names = &boards.known(BoardId(0)).expect("it is known").names;
    assert!(names.values(&scan.record, scan.trust).all(|value| value.is_none()), "nothing has a name");
    let act = Act::Hand { actuator: actuator(&harbour, "lime_pump"), value: 1, time_ms: 1000 };
    assert!(matches!(boards.act_and_wait(BoardId(0), act, PATIENCE), Outcome::Refused { .. }));
}

#[test]
fn another_program_on_the_board_is_noticed() {
    let system = system("desk-60l");
    let tank = Arc::new(Virtual::start(&system, at_speed(20.0)).expect("it starts"));
    let (boards, events) =
        Boards::start(vec![setup("desk", &system, Line::Virtual(tank.clone()))]).expect("it starts");
    let trust = |wanted: Trust| {
        move |event| {
            let is_it = |state: &LinkState| matches!(state, LinkState::Up { trust, .. } if *trust == wanted);
            state(event).filter(is_it)
        }
    };
    until(&events, trust(Trust::All));
    let known = boards.known(BoardId(0)).expect("it is known").clone();
    let options = control::Options {
        wiring_crc: known.made.wiring_crc,
        longest_hand_ms: 3_600_000,
        ..Default::default()
    };
    let other = control::compile_with(&system, &options).expect("it compiles");
    let mut cable = link::Client::over_cable(tank.cable()).expect("a board");
    cable.upload(&other.bytes, 10, |_| {}).expect("it is taken");

    let LinkState::Up { differs, .. } = until(&events, trust(Trust::Inputs)) else { panic!("it is up") };
    assert!(differs.is_some_and(|words| words.contains("runs another program")));
    let scan = until(&events, |event| scan(event).filter(|scan| scan.trust == Trust::Inputs));
    let names = &known.names;
    let values: Vec<_> = names.values(&scan.record, scan.trust).collect();
    for (series, value) in names.series.iter().zip(&values) {
        let is_input = matches!(series.what, What::Signal(signal)
            if matches!(system.signals[signal.idx()].source, system::model::SignalSource::Sensor(_)));
        assert_eq!(value.is_some(), is_input, "{}", series.name);
    }
    let act = Act::Hand { actuator: actuator(&system, "hood_fan"), value: 1, time_ms: 1000 };
    assert!(matches!(boards.act_and_wait(BoardId(0), act, PATIENCE), Outcome::Refused { .. }));
    cable.revert().expect("it is given up");
    until(&events, trust(Trust::All));
}

#[test]
fn a_clock_that_is_off_is_set_and_then_believed() {
    let system = system("desk-60l");
    let tank = Arc::new(Virtual::start(&system, at_speed(1.0)).expect("it starts"));
    let of_desk = BoardSetup { keeps_clock: true, ..setup("desk", &system, Line::Virtual(tank)) };
    let (boards, events) = Boards::start(vec![of_desk]).expect("it starts");
    let scan = until(&events, |event| scan(event).filter(|scan| scan.is_board_time));
    let now_ms = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).expect("after 1970");
    assert!((scan.at_ms - now_ms.as_millis() as i64).abs() < 3_000, "{scan:?}");
    let status = boards.status(BoardId(0)).expect("it is there");
    assert_eq!(status.counters.n_clock_sets, 1);
    assert!(status.clock_off_ms.is_some_and(|off_ms| off_ms.abs() < 3_000), "{:?}", status.clock_off_ms);
}

#[cfg(unix)]
#[test]
fn a_plug_that_is_pulled_comes_back_under_another_name() {
    let system = system("desk-60l");
    let tank = Virtual::start(&system, at_speed(10.0)).expect("it starts");
    let folder = std::env::temp_dir().join(format!("tidewright-boards-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a folder");
    let by_id = folder.join("usb-desk");
    let plug = |path: &str| {
        let _ = std::fs::remove_file(&by_id);
        std::os::unix::fs::symlink(path, &by_id).expect("a link");
    };
    let first = tank.terminal().expect("a terminal");
    plug(first.path());
    let line = Line::Serial(by_id.to_string_lossy().into_owned());
    let (boards, events) = Boards::start(vec![setup("desk", &system, line)]).expect("it starts");
    let before = until(&events, scan);
    drop(first);
    until(&events, |event| state(event).filter(|state| !state.is_up()));
    let hand = Act::Hand { actuator: actuator(&system, "hood_fan"), value: 1, time_ms: 60_000 };
    assert!(matches!(boards.act_and_wait(BoardId(0), hand, PATIENCE), Outcome::NotDone { .. }));
    let second = tank.terminal().expect("another terminal");
    plug(second.path());
    let after = until(&events, scan);
    assert!(after.record.scan > before.record.scan);
    assert!(after.n_missing > 0, "the gap is told");
    assert!(after.record.hands_left_ms.iter().all(|left| *left == 0), "what was not done is not done later");
    drop((boards, events, second));
    let _ = std::fs::remove_dir_all(folder);
}

/// A virtual board of this process must live fast enough that weeks are there in minutes (10,000 scans a second are the aim, reached in a
/// release build; the bound here only notices when something is wrong).
#[test]
fn a_virtual_board_in_the_process_keeps_its_pace() {
    let system = system("harbour-lane");
    let setup_of_tank = Setup { waits_for_reader: true, ..at_speed(1e9) };
    let tank = Arc::new(Virtual::start(&system, setup_of_tank).expect("it starts"));
    let (boards, events) =
        Boards::start(vec![setup("fast", &system, Line::Virtual(tank))]).expect("it starts");
    let mut last = until(&events, scan).record.scan;
    let (began, first) = (Instant::now(), last);
    let mut batch = vec![];
    let mut n_values = 0;
    let names = &boards.known(BoardId(0)).expect("it is known").names;
    while began.elapsed() < Duration::from_secs_f64(number("SECONDS", 1.5)) {
        events.take(&mut batch, 256, Duration::from_millis(100));
        for event in batch.drain(..) {
            match event {
                BoardEvent::Scan(scan) => {
                    assert_eq!((scan.record.scan, scan.n_missing), (last + 1, 0));
                    n_values += names.values(&scan.record, scan.trust).flatten().count();
                    last = scan.record.scan;
                }
                BoardEvent::Journal(journal) => journal.stored.done(),
                BoardEvent::Link { .. } => {}
            }
        }
    }
    let passed_s = began.elapsed().as_secs_f64();
    let a_second = f64::from(last - first) / passed_s;
    println!("{a_second:.0} scans a second, {:.0} values a second, none missing", n_values as f64 / passed_s);
    assert!(a_second > 500.0, "{a_second}");
}

/// A line over which everything goes wrong, another thing at each connection.
struct Misbehaving {
    how: usize,
    inner: Box<dyn Transport + Send>,
    n: usize,
}

const N_WAYS: usize = 9;

impl Transport for Misbehaving {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.inner.send(bytes)
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> io::Result<usize> {
        self.n += 1;
        // Each begins well, so that it is met.
        if self.n < 20 {
            return self.inner.receive(buffer, wait);
        }
        match self.how {
            // Garbage, as fast as it is read.
            0 => {
                for (at, place) in buffer.iter_mut().enumerate() {
                    *place = (at * 37 + self.n * 101) as u8;
                }
                Ok(buffer.len())
            }
            // Silence.
            1 => {
                std::thread::sleep(wait);
                Ok(0)
            }
            // Half of each piece.
            2 => self.inner.receive(buffer, wait).map(|n| n / 2),
            // One byte at a time, slowly.
            3 => {
                std::thread::sleep(Duration::from_millis(5));
                self.inner.receive(&mut buffer[..1], wait)
            }
            // A protocol of another time.
            4 => {
                let hello = Hello { protocol: 9, ..Hello::default() }.encode();
                let answer =
                    Answer { request_type: 1, id: 3, code: AnswerCode::Done, fields: hello.as_slice() };
                let stuffed = answer.encode().and_then(|message| link::frame::to_cable(&message));
                let stuffed = stuffed.expect("a frame");
                let n = stuffed.as_slice().len().min(buffer.len());
                buffer[..n].copy_from_slice(&stuffed.as_slice()[..n]);
                Ok(n)
            }
            // A bit turned here and there.
            5 => {
                let n = self.inner.receive(buffer, wait)?;
                if let Some(byte) = buffer[..n].get_mut(self.n % 7) {
                    *byte ^= 1 << (self.n % 8);
                }
                Ok(n)
            }
            // Gone.
            6 => Err(io::Error::new(io::ErrorKind::UnexpectedEof, "gone")),
            // Zeros.
            7 => {
                buffer.fill(0);
                Ok(buffer.len())
            }
            // What it says it says twice.
            _ => {
                let half = buffer.len() / 2;
                let n = self.inner.receive(&mut buffer[..half], wait)?;
                buffer.copy_within(..n, n);
                Ok(2 * n)
            }
        }
    }
}

fn number(name: &str, otherwise: f64) -> f64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}

#[test]
fn twenty_boards_of_which_some_misbehave() {
    let (minutes, speed, n_bad) =
        (number("MINUTES", 4.0), number("SPEED", 30.0), number("BAD", 9.0) as usize);
    const N: usize = 20;
    let n_good = N - n_bad;
    let system = system("desk-60l");
    let n_scans = (minutes * 60_000.0 / f64::from(system.scan_ms)) as u32;
    let good: Vec<Virtual> = (0..n_good as u64)
        .map(|seed| {
            let setup = Setup { seed, waits_for_reader: true, ..at_speed(speed) };
            Virtual::start(&system, setup).expect("it starts")
        })
        .collect();
    let mut setups: Vec<BoardSetup> = (good.iter().enumerate())
        .map(|(n, board)| {
            let address = board.listen("127.0.0.1:0").expect("a port").to_string();
            setup(&format!("board {n}"), &system, Line::Tcp { address, key: KEY })
        })
        .collect();
    let n_connects = Arc::new(AtomicUsize::new(0));
    for n in 0..n_bad {
        let bad = Arc::new(Virtual::start(&system, at_speed(speed)).expect("it starts"));
        let (n_connects, n_tries) = (n_connects.clone(), AtomicUsize::new(n));
        let line = move || {
            n_connects.fetch_add(1, Ordering::Relaxed);
            let how = n_tries.fetch_add(1, Ordering::Relaxed) % N_WAYS;
            // Somebody else turns its clock meanwhile.
            let mut other = bad.cable();
            let clock = Request::SetClock { utc_s: (how as u32 + 1) * 50_000_000 }.encode(0);
            let clock = clock.and_then(|message| link::frame::to_cable(&message)).expect("a frame");
            other.send(clock.as_slice())?;
            Ok(Box::new(Misbehaving { how, inner: Box::new(bad.cable()), n: 0 }) as AnyTransport)
        };
        setups.push(BoardSetup {
            keeps_clock: true,
            ..setup(&format!("misbehaving {n}"), &system, Line::Other(Arc::new(line)))
        });
    }
    let began = Instant::now();
    let (boards, events) = Boards::start(setups).expect("they start");
    let mut last = [0_u32; N];
    let mut n = [0_u64; N];
    let mut longest = [Duration::ZERO; N];
    let mut seen = [began; N];
    let mut batch = vec![];
    let end = began + Duration::from_secs_f64(minutes * 60.0 / speed * 4.0 + 90.0);
    while last[..n_good].iter().any(|scan| *scan < n_scans) && Instant::now() < end {
        events.take(&mut batch, 256, Duration::from_millis(100));
        for event in batch.drain(..) {
            let BoardId(board) = event.board();
            match event {
                BoardEvent::Scan(scan) => {
                    if board < n_good {
                        let is_next = last[board] == 0 || scan.record.scan == last[board] + 1;
                        assert!(is_next, "board {board}: scan {} after {}", scan.record.scan, last[board]);
                        assert_eq!(scan.trust, Trust::All);
                    }
                    last[board] = scan.record.scan;
                    n[board] += 1;
                    longest[board] = longest[board].max(seen[board].elapsed());
                    seen[board] = Instant::now();
                }
                BoardEvent::Journal(journal) => journal.stored.done(),
                BoardEvent::Link { state, .. } => {
                    assert!(board >= n_good || state.is_up(), "board {board}: {state:?}");
                }
            }
        }
    }
    let elapsed = began.elapsed();
    for (board, &last) in last[..n_good].iter().enumerate() {
        let status = boards.status(BoardId(board)).expect("it is there");
        assert!(last >= n_scans, "board {board} came to scan {last} of {n_scans}");
        assert_eq!((status.counters.n_connects, status.counters.n_missing), (1, 0), "board {board}");
        assert_eq!(status.counters.n_broken + status.counters.n_unsound, 0, "board {board}");
    }
    let total: u64 = n[..n_good].iter().sum();
    println!(
        "{minutes} min of {n_good} boards over TCP at {speed} times in {:.1} s: {total} records, none missing; longest wait for one {:?}",
        elapsed.as_secs_f64(),
        longest[..n_good].iter().max(),
    );
    for bad in n_good..N {
        let status = boards.status(BoardId(bad)).expect("it is there");
        println!("board {bad} misbehaves: {:?}", status.counters);
    }
    assert!(n_connects.load(Ordering::Relaxed) > n_bad, "they were tried again");
}
