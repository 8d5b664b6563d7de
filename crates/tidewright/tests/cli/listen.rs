//! `tidewright listen`: what a home-made controller prints, from a file, the standard input and a connection.

use std::io::Write;
use std::net::TcpListener;

use crate::harness::Bench;

const LOG: &str = "Reef v3 booting\n\
    2026-03-01 12:00:00 Display temp: 25.3 C, Sump temp: 25.1 C, Heater display: ON, ATO: 0, RSSI: -70\n\
    2026-03-01 12:00:10 Display temp: 25.4 C, Sump temp: nan, Heater display: OFF, ATO: 1, RSSI: -71\n\
    2026-03-01 12:00:20 Display temp: 25,4 C\n";

#[test]
fn a_recorded_file() {
    let bench = Bench::new("listen-file");
    bench.example("harbour-lane/system.toml", "system.toml").file("monday.log", LOG);
    bench.run(&["listen", "system.toml", "--file", "monday.log"]).ends_with(1).matches("listen-file");
    let run = bench.run(&[
        "listen",
        "system.toml",
        "--file",
        "monday.log",
        "--suggest",
        "map.toml",
        "--format",
        "json",
    ]);
    let answer = run.ends_with(1).json("tidewright.listen");
    assert_eq!((answer["lines"].as_u64(), answer["understood"].as_u64()), (Some(4), Some(2)));
    assert_eq!(answer["names"][0]["sensor"], "display_temp");
    assert_eq!(answer["names"][0]["every_s"], 10.0);
    // The suggestion reads back.
    bench.run(&["listen", "system.toml", "--file", "monday.log", "--map", "map.toml"]).ends_with(1);
    bench.run(&["listen", "system.toml", "--file", "monday.log", "--suggest", "map.toml"]).ends_with(2);
}

#[test]
fn mistakes() {
    let bench = Bench::new("listen-wrong");
    bench
        .example("harbour-lane/system.toml", "system.toml")
        .file("bad.toml", "[[reading]]\nprinted = \"a\"\nsensor = \"temp\"\n");
    bench.run(&["listen", "system.toml"]).ends_with(2);
    bench.run(&["listen", "system.toml", "--file", "gone.log"]).ends_with(2);
    bench.run(&["listen", "system.toml", "--serial", "no-port"]).ends_with(2);
    bench
        .run_with(&["listen", "system.toml", "--file", "-", "--map", "bad.toml"], "a=1\n")
        .ends_with(2)
        .matches("listen-bad-map");
    bench.run_with(&["listen", "system.toml", "--file", "-"], "garbage\n").ends_with(1);
    bench.run_with(&["listen", "system.toml", "--file", "-"], "ph=8.1\n").ends_with(0);
}

#[test]
fn a_connection() {
    let bench = Bench::new("listen-tcp");
    bench.example("harbour-lane/system.toml", "system.toml");
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = listener.local_addr().expect("an address").to_string();
    let controller = std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().expect("the program");
        // It is joined within a line.
        stream.write_all(b"p=25.3\nph=8.12 temp=25.3\nph=8.13 temp=25.4\nph=8").expect("the program listens");
    });
    let run = bench.run(&[
        "listen",
        "system.toml",
        "--tcp",
        &address,
        "--for",
        "20 s",
        "--record",
        "tcp.log",
        "--format",
        "json",
    ]);
    let answer = run.ends_with(0).json("tidewright.listen");
    controller.join().expect("the controller");
    assert_eq!((answer["values"].as_u64(), answer["lines"].as_u64()), (Some(4), Some(4)));
    assert_eq!(answer["refused"][0]["reason"], "partial");
    assert_eq!(answer["refused"][0]["n"], 2);
    let record = bench.read("tcp.log");
    assert_eq!(record.lines().count(), 2);
    assert!(record.lines().all(|line| line.contains("Z ph=8.1")), "{record}");
}
