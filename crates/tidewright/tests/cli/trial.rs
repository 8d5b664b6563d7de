//! `tidewright trial` against the whole C runtime, compiled for this machine, behind a pseudo-terminal.
#![cfg(unix)]

use std::io::{Read, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use firmware_host::Runtime;
use firmware_host::link::Cabled;
use image::build::make;
use link::transport::Transport;
use serialport::{SerialPort, TTYPort};

use crate::build::SYSTEM;
use crate::harness::Bench;

/// Serves a board that was flashed with the file until the end of `during`.
pub fn with_board(text: &str, during: impl FnOnce(&str)) {
    let system = system::load(text).system.expect("a sound file");
    let made = make(&system).expect("it builds");
    let (mut master, mut slave) = TTYPort::pair().expect("a pseudo-terminal");
    slave.set_exclusive(false).expect("others may open it");
    let port = slave.name().expect("it has a name");
    let held = std::fs::OpenOptions::new().read(true).write(true).open(&port).expect("it opens");
    drop(slave);
    master.set_timeout(Duration::from_millis(1)).expect("a time-out");
    let stop = Arc::new(AtomicBool::new(false));
    let seen = Arc::clone(&stop);
    let server = std::thread::spawn(move || {
        let mut runtime = Runtime::lock();
        let mut board = Cabled::boot(&mut runtime, &made.tables.wiring, &made.tables.program);
        let mut buffer = [0; 256];
        while !seen.load(Ordering::Relaxed) {
            let n = master.read(&mut buffer).unwrap_or(0);
            let mut cable = &mut board;
            let _ = cable.send(&buffer[..n]);
            // Each look lets the board run for 5 ms of its own time.
            let n = cable.receive(&mut buffer, Duration::ZERO).unwrap_or(0);
            let _ = master.write_all(&buffer[..n]);
        }
    });
    during(&port);
    stop.store(true, Ordering::Relaxed);
    server.join().expect("the board did not panic");
    drop(held);
}

#[test]
fn a_program_is_tried_kept_and_given_up() {
    let bench = Bench::new("trial");
    bench.file("system.toml", SYSTEM).file("warmer.toml", SYSTEM.replace("< 25 degC", "< 25.1 degC"));
    bench.file("warmest.toml", SYSTEM.replace("< 25 degC", "< 25.2 degC"));
    bench.file("moved.toml", SYSTEM.replace("PB0", "PB1"));
    bench.run(&["build", "warmer.toml", "--program-only", "-o", "warmer.tw"]).ends_with(0);
    with_board(SYSTEM, |port| {
        let json = |words: &[&str]| {
            let all = [&["trial"], words, &["--port", port, "--format", "json"]].concat();
            bench.run(&all).ends_with(0).json("tidewright.trial")
        };
        let refused = |words: &[&str]| {
            bench.run(&[&["trial"], words, &["--port", port]].concat()).ends_with(2).err.clone()
        };
        // What the board runs already, and what is wired otherwise, is not tried.
        assert!(refused(&["system.toml"]).contains("already"));
        assert!(refused(&["moved.toml"]).contains("wired otherwise"));
        assert!(refused(&["--confirm"]).contains("trial"));

        let trial = json(&["warmer.tw", "--time", "30 min"]);
        assert_eq!((&trial["program"], &trial["minutes"]), (&"trial".into(), &30.into()));
        assert!(refused(&["warmest.toml"]).contains("--confirm"), "one trial at a time");
        let confirmed = json(&["--confirm"]);
        assert_eq!(confirmed["running_crc"], trial["running_crc"]);

        let second = json(&["warmest.toml"]);
        assert_ne!(second["running_crc"], trial["running_crc"]);
        let back = json(&["--revert"]);
        assert_eq!((&back["running_crc"], &back["program"]), (&trial["running_crc"], &"confirmed".into()));
    });
}

#[test]
fn options_that_make_no_trial() {
    let bench = Bench::new("trial-options");
    bench.file("system.toml", SYSTEM);
    bench.run(&["trial", "--port", "none"]).ends_with(2);
    bench.run(&["trial", "system.toml", "--confirm", "--port", "none"]).ends_with(2);
    bench
        .run(&["trial", "system.toml", "--time", "5 h", "--port", "none"])
        .ends_with(2)
        .matches("trial-too-long");
    let run = bench.run(&["trial", "system.toml", "--port", "no-such-port"]);
    assert!(run.ends_with(2).err.contains("cannot open"), "{}", run.err);
}
