//! A simulated board behind a pseudo-terminal, for programs that open a serial port by its name.
//!
//! A pseudo-terminal has no modem lines, so a board that no longer listens is reset by the first byte that comes.

use std::io::{Read, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use serialport::{SerialPort, TTYPort};

use super::Board;

/// The board, until it is unplugged.
pub struct Plugged {
    /// Name of its port.
    pub port: String,
    // Held open, without a lock, so that the line lives on between two programs that open it.
    _slave: std::fs::File,
    stop: Arc<AtomicBool>,
    server: JoinHandle<Board>,
}

impl Plugged {
    pub fn new(mut board: Board) -> Plugged {
        let (mut master, mut slave) = TTYPort::pair().expect("a pseudo-terminal");
        slave.set_exclusive(false).expect("others may open it");
        let port = slave.name().expect("it has a name");
        let held = std::fs::OpenOptions::new().read(true).write(true).open(&port).expect("it opens");
        drop(slave);
        let stop = Arc::new(AtomicBool::new(false));
        let seen = Arc::clone(&stop);
        master.set_timeout(Duration::from_millis(20)).expect("a time-out");
        let server = std::thread::spawn(move || {
            let mut buffer = [0; 256];
            while !seen.load(Ordering::Relaxed) {
                let n = master.read(&mut buffer).unwrap_or(0);
                for byte in &buffer[..n] {
                    if !board.is_listening() {
                        board.reset();
                    }
                    let answer = board.byte(*byte);
                    let _ = master.write_all(&answer);
                }
            }
            board
        });
        Plugged { port, _slave: held, stop, server }
    }

    pub fn unplug(self) -> Board {
        self.stop.store(true, Ordering::Relaxed);
        self.server.join().expect("the board did not panic")
    }
}
