//! A board behind a pseudo-terminal: the real image on a simulated chip, its parts and the tank behind them, spoken to by whoever opens the line, as by a
//! station with a cable. Nothing of the machine is asked of the board but bytes.

use std::io::{ErrorKind, Read, Write};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use serialport::{SerialPort, TTYPort};

use crate::board::{Board, smallest};
use crate::chip::Result;
use crate::closed_loop::Loop;

/// Images that are tried, the smallest chip first.
const IMAGES: [&str; 3] = ["atmega328p", "atmega328p-no-panel", "atmega2560"];
/// Between two looks at the line, ms of the chip's time: some 60 bytes at its rate.
const LOOK_MS: u64 = 5;
/// A reader that does not come for what was sent holds the board up no longer.
const PATIENCE: Duration = Duration::from_millis(500);

/// The name of an image that has room for the tables of a system file; why there is none.
///
/// # Errors
/// No simulator, no compiler, or tables that fit nowhere.
pub fn image_for(text: &str) -> Result<&'static str> {
    crate::chip::simulator()?;
    let system = system::load(text).system.ok_or("the system file has mistakes")?;
    let made = image::build::make(&system).map_err(|findings| format!("{findings:?}"))?;
    smallest(&IMAGES, made.tables.wiring.len() + made.tables.program.len() + made.tables.panel.len() + 64)
}

/// Serves a board that was flashed with a system file, so many times as fast as life and no faster, as long as `during` lasts; that is told the name of
/// the line.
///
/// # Errors
/// There is no such board, or the simulator failed.
pub fn behind_pty<T>(text: &str, speed: f64, during: impl FnOnce(&str) -> T) -> Result<T> {
    let system = system::load(text).system.ok_or("the system file has mistakes")?;
    let model = trial::Model::new(&system).map_err(|findings| format!("{findings:?}"))?;
    let mut board = Loop::new(image_for(text)?, &system, &model, 1)?;
    let io = |error: serialport::Error| format!("no pseudo-terminal: {error}");
    let (mut master, mut slave) = TTYPort::pair().map_err(io)?;
    slave.set_exclusive(false).map_err(io)?;
    let port = slave.name().ok_or("the pseudo-terminal has no name")?;
    // Somebody always holds the other end, or the line would end between two stations.
    let held = std::fs::OpenOptions::new().read(true).write(true).open(&port);
    let held = held.map_err(|error| format!("{port}: {error}"))?;
    drop(slave);
    master.set_timeout(Duration::from_millis(1)).map_err(io)?;
    board.begin()?;
    let stop = AtomicBool::new(false);
    let outcome = std::thread::scope(|scope| {
        let serving = std::thread::Builder::new().name("board".to_owned());
        let stop = &stop;
        // The chip's process is driven over pipes by one thread alone.
        let serving = serving.spawn_scoped(scope, move || serve(&mut board, &mut master, speed, stop));
        let outcome = during(&port);
        stop.store(true, Ordering::Relaxed);
        match serving.map(|thread| thread.join()) {
            Ok(Ok(served)) => served.map(|()| outcome),
            Ok(Err(_)) => Err("the board's thread panicked".to_owned()),
            Err(error) => Err(format!("no thread for the board: {error}")),
        }
    });
    drop(held);
    outcome
}

fn serve(board: &mut Loop<'_>, line: &mut TTYPort, speed: f64, stop: &AtomicBool) -> Result<()> {
    let begun = Instant::now();
    let mut lived_ms = 0_u64;
    let mut scanned_ms = 0_u64;
    let scan_ms = board.scan_ms();
    let mut buffer = [0; 256];
    while !stop.load(Ordering::Relaxed) {
        let n = line.read(&mut buffer).unwrap_or(0);
        board.board().chip.send(&buffer[..n])?;
        run(board.board(), LOOK_MS)?;
        lived_ms += LOOK_MS;
        let said = board.board().chip.received()?;
        send(line, &said)?;
        if lived_ms - scanned_ms >= scan_ms {
            scanned_ms += scan_ms;
            board.pass_scan()?;
        }
        let due = Duration::from_secs_f64(lived_ms as f64 / 1000.0 / speed);
        if let Some(ahead) = due.checked_sub(begun.elapsed()) {
            std::thread::sleep(ahead);
        }
    }
    Ok(())
}

fn run(board: &mut Board, ms: u64) -> Result<()> {
    let state = board.chip.run_ms(ms)?;
    if state.is_alive { Ok(()) } else { Err(format!("the chip stands still: {state:?}")) }
}

/// Sends what the chip sent; what nobody reads is lost, as on a cable.
fn send(line: &mut TTYPort, mut bytes: &[u8]) -> Result<()> {
    let until = Instant::now() + PATIENCE;
    while !bytes.is_empty() && Instant::now() < until {
        match line.write(bytes) {
            Ok(n) => bytes = &bytes[n..],
            Err(error)
                if matches!(
                    error.kind(),
                    ErrorKind::TimedOut | ErrorKind::WouldBlock | ErrorKind::Interrupted
                ) => {}
            Err(error) => return Err(format!("the line: {error}")),
        }
    }
    Ok(())
}
