//! Told to end (SIGTERM) it ends within a second, whatever hangs: a board that says nothing, a peer that takes a message and does not answer, a
//! page that watches, a download that nobody reads.

use std::fs::File;
use std::io::{Read, Write};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::process::Launch;
use crate::tanks::{self, Tanks};

/// From the signal to the end of the process; beside other tests a development build may take a little longer.
const LONGEST: Duration = Duration::from_millis(if cfg!(debug_assertions) { 3000 } else { 1000 });

/// Takes connections and never says a word.
fn mute() -> u16 {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a port");
    let port = listener.local_addr().expect("an address").port();
    std::thread::spawn(move || {
        let kept: Vec<TcpStream> = listener.incoming().map_while(Result::ok).collect();
        drop(kept);
    });
    port
}

#[test]
fn it_ends_at_once_whatever_hangs() {
    let folder = tempfile::tempdir().expect("a folder");
    let tanks = Tanks::start(1, 20.0, folder.path());
    let mut file = File::options().append(true).open(&tanks.file).expect("a file");
    let mut lines = tanks::lines("silent", mute(), None);
    lines.push_str(&format!(
        "[[tell.webhook]]\nname = \"mute\"\nurl = \"http://127.0.0.1:{}/\"\nsecret = {{ file = \"board.key\" }}\n",
        mute()
    ));
    lines.push_str(&format!(
        "[tell.mqtt]\nsite = \"reef\"\nserver = \"127.0.0.1\"\nport = {}\ntls = false\n",
        mute()
    ));
    lines.push_str(&format!("[tell.heartbeat]\nurl = \"http://127.0.0.1:{}/\"\nevery_s = 60\n", mute()));
    file.write_all(lines.as_bytes()).expect("it is written");
    let launch = Launch::new(&tanks.file, &folder.path().join("data"));
    let (station, _) = launch.start();
    let client = launch.first_owner();
    let up = Instant::now() + Duration::from_secs(30);
    while client.patient("GET", "/api/v1/state", &Value::Null).json()["boards"][0]["scan"].as_u64().is_none()
    {
        assert!(Instant::now() < up, "the board comes up: {}", launch.log());
        std::thread::sleep(Duration::from_millis(50));
    }
    // A message to a peer that does not answer is under way.
    let test = client.patient("POST", "/api/v1/tell/test", &json!({ "way": "mute" }));
    assert_eq!(test.status, 200, "{}", test.text());
    // A page watches, and somebody began a download and reads no further.
    let open = |path: &str| {
        let mut stream = TcpStream::connect((Ipv4Addr::LOCALHOST, launch.port)).expect("it listens");
        let head = format!("GET {path} HTTP/1.1\r\nHost: localhost\r\nCookie: {}\r\n\r\n", client.cookie);
        stream.write_all(head.as_bytes()).expect("it takes the request");
        let mut begin = [0; 12];
        stream.read_exact(&mut begin).expect("it answers");
        assert_eq!(&begin, b"HTTP/1.1 200", "{path}");
        stream
    };
    let watching = open("/api/v1/events-stream");
    let reading = open("/api/v1/export?from=0&to=4000000000000&format=csv");
    std::thread::sleep(Duration::from_millis(300));
    let took = station.end();
    drop((watching, reading));
    println!(
        "ended in {took:.0?} with a mute board, broker, webhook and heartbeat, a page that watched and a download that stood"
    );
    assert!(took <= LONGEST, "{took:?}: {}", launch.log());
    assert!(!launch.log().contains("panicked"), "{}", launch.log());
}
