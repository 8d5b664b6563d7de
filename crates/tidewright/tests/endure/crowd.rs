//! Many boards over TCP of which one does everything wrong, another thing at each connection; the others must not notice. And what a station
//! takes of the machine when nothing happens.

use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use virtual_board::{Pace, Setup, Virtual};

use crate::client::Client;
use crate::kept;
use crate::process::Launch;
use crate::tanks::{self, KEY, Tanks, system_file};
use crate::{mix, number};

/// The most that the station may ever have had in memory, kB; in a development build nothing is promised.
const MOST_MEMORY_KB: u64 = if cfg!(debug_assertions) { 200_000 } else { 60_000 };
/// The longest wait for the state of all boards, and for a command to a board that is well.
const LONGEST_WAIT: Duration = Duration::from_secs(if cfg!(debug_assertions) { 5 } else { 1 });

/// Ways to misbehave.
const N_WAYS: usize = 10;

/// Bytes from a board to the station, bent by `bend`; and back as they are. Until either side ends, or `bend` gives nothing more.
fn between(
    station: TcpStream,
    board: SocketAddr,
    mut bend: impl FnMut(&mut Vec<u8>, Duration) -> bool,
) -> io::Result<()> {
    let mut board = TcpStream::connect(board)?;
    let (mut from_station, mut to_board) = (station.try_clone()?, board.try_clone()?);
    let back = std::thread::spawn(move || {
        let _ = io::copy(&mut from_station, &mut to_board);
        let _ = to_board.shutdown(std::net::Shutdown::Both);
    });
    let began = Instant::now();
    let mut to_station = station;
    let mut buffer = [0; 4096];
    loop {
        let n = board.read(&mut buffer)?;
        let mut bytes = buffer[..n].to_vec();
        if n == 0 || !bend(&mut bytes, began.elapsed()) || to_station.write_all(&bytes).is_err() {
            break;
        }
    }
    let _ = to_station.shutdown(std::net::Shutdown::Both);
    let _ = board.shutdown(std::net::Shutdown::Both);
    let _ = back.join();
    Ok(())
}

/// One connection with a board that misbehaves.
fn misbehave(how: usize, mut station: TcpStream, board: SocketAddr) -> io::Result<()> {
    const WELL: Duration = Duration::from_millis(700);
    match how % N_WAYS {
        // It hangs up at once.
        0 => Ok(()),
        // It says nothing.
        1 => {
            std::thread::sleep(Duration::from_secs(8));
            Ok(())
        }
        // Nonsense as fast as it is taken.
        2 => {
            let nonsense: Vec<u8> = (0..65_536).map(|at| mix(at) as u8).collect();
            let end = Instant::now() + Duration::from_secs(10);
            while Instant::now() < end {
                station.write_all(&nonsense)?;
            }
            Ok(())
        }
        // Zeros without end.
        3 => {
            let end = Instant::now() + Duration::from_secs(10);
            while Instant::now() < end {
                station.write_all(&[0; 65_536])?;
            }
            Ok(())
        }
        // It begins well, then half of each piece.
        4 => between(station, board, |bytes, passed| {
            if passed > WELL {
                bytes.truncate(bytes.len() / 2);
            }
            true
        }),
        // It begins well, then a bit is turned now and then.
        5 => between(station, board, |bytes, passed| {
            if passed > WELL
                && let Some(byte) = bytes.get_mut(3)
            {
                *byte ^= 4;
            }
            true
        }),
        // It begins well, then everything comes twice.
        6 => between(station, board, |bytes, passed| {
            if passed > WELL {
                bytes.extend_from_within(..);
            }
            true
        }),
        // It begins well, then it stalls with the line open.
        7 => between(station, board, |_, passed| {
            if passed > WELL {
                std::thread::sleep(Duration::from_secs(8));
            }
            passed <= WELL
        }),
        // It is slow: a byte at a time.
        8 => {
            let mut drip = station.try_clone()?;
            between(station, board, move |bytes, passed| {
                for byte in bytes.drain(..) {
                    std::thread::sleep(Duration::from_millis(3));
                    if drip.write_all(&[byte]).is_err() {
                        return false;
                    }
                }
                passed < Duration::from_secs(8)
            })
        }
        // All is sound, but it brings a thousand records a second, in a time far from ours.
        _ => between(station, board, |_, passed| passed < Duration::from_secs(8)),
    }
}

/// A board that misbehaves: its address, and how often it was met.
fn misbehaving() -> (SocketAddr, Arc<AtomicUsize>) {
    let text = fs::read_to_string(system_file()).expect("the example is there");
    let system = system::load(&text).system.expect("the example is sound");
    let setup = Setup { pace: Pace::Times(1000.0), key: Some(KEY), ..Setup::default() };
    let board = Virtual::start(&system, setup).expect("it starts");
    let address = board.listen("127.0.0.1:0").expect("a port");
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a port");
    let front = listener.local_addr().expect("an address");
    let n_met = Arc::<AtomicUsize>::default();
    let count = n_met.clone();
    std::thread::spawn(move || {
        let _board = board;
        for station in listener.incoming().map_while(Result::ok) {
            let how = count.fetch_add(1, Ordering::Relaxed);
            // However it ends, it was wrong.
            std::thread::spawn(move || drop(misbehave(how, station, address)));
        }
    });
    (front, n_met)
}

fn state(client: &Client) -> (Value, Duration) {
    let began = Instant::now();
    let answer = client.get("/api/v1/state").expect("an answer");
    assert_eq!(answer.status, 200, "{}", answer.text());
    (answer.json(), began.elapsed())
}

/// The scans of all boards but the last `n_other`, once all of them are up.
fn scans(state: &Value, n: usize) -> Vec<u64> {
    let boards = state["boards"].as_array().expect("boards");
    boards[..n].iter().map(|board| board["scan"].as_u64().unwrap_or(0)).collect()
}

#[test]
fn one_of_twenty_misbehaves_and_the_others_do_not_notice() {
    let (minutes, speed) = (number("CROWD_MINUTES", 2.0), number("CROWD_SPEED", 30.0));
    let n_good = number("CROWD_BOARDS", 20.0) as usize - 1;
    let folder = tempfile::tempdir().expect("a folder");
    let tanks = Tanks::start(n_good, speed, folder.path());
    let (bad, n_met) = misbehaving();
    let mut file = File::options().append(true).open(&tanks.file).expect("a file");
    file.write_all(tanks::lines("misbehaves", bad.port(), None).as_bytes()).expect("it is written");
    let launch = Launch::new(&tanks.file, &folder.path().join("data"));
    let (station, start) = launch.start();
    let client = launch.first_owner();
    let up = Instant::now() + Duration::from_secs(60);
    let first = loop {
        let first = scans(&state(&client).0, n_good);
        if first.iter().all(|scan| *scan > 0) {
            break first;
        }
        assert!(Instant::now() < up, "they come up: {first:?}: {}", launch.log());
        std::thread::sleep(Duration::from_millis(100));
    };
    let n_scans = (minutes * 60.0) as u64;
    let (began, used) = (Instant::now(), station.processor_time());
    let end = began + Duration::from_secs_f64(minutes * 60.0 / speed * 3.0 + 30.0);
    let (mut longest_state, mut longest_hand) = (Duration::ZERO, Duration::ZERO);
    let mut n_hands = 0;
    loop {
        std::thread::sleep(Duration::from_millis(300));
        let (now, took) = state(&client);
        longest_state = longest_state.max(took);
        let now = scans(&now, n_good);
        if now.iter().zip(&first).all(|(now, first)| *now >= first + n_scans) {
            break;
        }
        assert!(Instant::now() < end, "they go on at their pace: {now:?} from {first:?}");
        let board = tanks::name(mix(n_hands) as usize % n_good);
        let order = json!({ "drive": "hood_fan", "value": n_hands % 2, "minutes": 5, "why": "crowd" });
        let asked = Instant::now();
        let answer = client.post(&format!("/api/v1/boards/{board}/hand"), &order).expect("an answer");
        assert_eq!(answer.json()["status"], "done", "{board}: {}", answer.text());
        longest_hand = longest_hand.max(asked.elapsed());
        n_hands += 1;
    }
    let (passed, used) = (began.elapsed(), station.processor_time().saturating_sub(used));
    let memory_kb = station.most_memory_kb();
    let end = station.end();
    let store = kept::copy(&folder.path().join("data"), &folder.path().join("copy"));
    let kept = kept::of_boards(&store, "with one that misbehaves");
    assert_eq!(kept.lost_by_boards, 0, "{kept:?}");
    assert_eq!(kept.holes, 0, "no board of those that are well misses a sample");
    let page = store::Page { limit: u32::MAX, ..store::Page::default() };
    let mut of_bad = 0;
    for event in store.events(&page).expect("it is read").iter().filter(|event| event.kind == "link") {
        let is_bad = event.source == "misbehaves";
        of_bad += usize::from(is_bad);
        assert!(is_bad || event.text == "reached", "{}: {}", event.source, event.text);
    }
    let checked = store.check(Duration::from_secs(120)).expect("it is checked");
    assert!(checked.is_complete && checked.is_sound(), "{checked:?}");
    let mut told = String::new();
    let _ = write!(
        told,
        "{n_good} boards over TCP at {speed} times life for {minutes} min of their time, one more that misbehaves (met {} times, {of_bad} changes \
         of its link told): {} samples, none missing; {:.1} s; state of all boards within {longest_state:.0?}, {n_hands} commands each done within \
         {longest_hand:.0?}; most memory {:.1} MB; {:.0} % of a processor; start {start:.0?}, end {end:.0?}",
        n_met.load(Ordering::Relaxed),
        kept.samples,
        passed.as_secs_f64(),
        memory_kb as f64 / 1000.0,
        100.0 * used.as_secs_f64() / passed.as_secs_f64(),
    );
    println!("{told}");
    assert!(n_hands > 0 && n_met.load(Ordering::Relaxed) >= 2);
    assert!(longest_state <= LONGEST_WAIT && longest_hand <= 2 * LONGEST_WAIT, "{told}");
    assert!(memory_kb <= MOST_MEMORY_KB, "{memory_kb} kB");
    assert!(!launch.log().contains("panicked"), "{}", launch.log());
}

#[test]
fn a_station_at_rest_takes_little() {
    let seconds = number("IDLE_SECONDS", 2.0);
    for n in [1, number("IDLE_BOARDS", 4.0) as usize] {
        let folder = tempfile::tempdir().expect("a folder");
        let tanks = Tanks::start(n, 1.0, folder.path());
        let launch = Launch::new(&tanks.file, &folder.path().join("data"));
        let (station, _) = launch.start();
        let client = launch.first_owner();
        let up = Instant::now() + Duration::from_secs(60);
        while scans(&state(&client).0, n).contains(&0) {
            assert!(Instant::now() < up, "they come up: {}", launch.log());
            std::thread::sleep(Duration::from_millis(100));
        }
        std::thread::sleep(Duration::from_secs(1));
        let (began, used) = (Instant::now(), station.processor_time());
        std::thread::sleep(Duration::from_secs_f64(seconds));
        let used = station.processor_time().saturating_sub(used);
        let share = 100.0 * used.as_secs_f64() / began.elapsed().as_secs_f64();
        let end = station.end();
        println!(
            "{n} boards in step with life, nobody looks: {share:.2} % of a processor; ended in {end:.0?}"
        );
        assert!(share < 50.0, "{share} %");
    }
}
