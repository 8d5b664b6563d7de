//! The transports over a real socket and, on Unix, a pair of pseudo terminals: bytes whole, no waiting too long, an end that is an error.

use std::io::{ErrorKind, Read, Write};
use std::net::TcpListener;
use std::time::{Duration, Instant};

use link::transport::{Tcp, Transport};

const SHORT: Duration = Duration::from_millis(30);

#[test]
fn tcp_carries_bytes_and_tells_its_end() {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = listener.local_addr().expect("an address");
    let board = std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().expect("a connection");
        let mut bytes = [0; 5];
        stream.read_exact(&mut bytes).expect("five bytes");
        std::thread::sleep(3 * SHORT);
        stream.write_all(&bytes).expect("sent");
    });
    let mut tcp = Tcp::connect(address, Duration::from_secs(5)).expect("connected");
    tcp.send(&[1, 0, 2, 0, 3]).expect("sent");
    let mut buffer = [0; 16];
    let began = Instant::now();
    assert_eq!(tcp.receive(&mut buffer, SHORT).expect("no error"), 0, "nothing came in time");
    assert!(began.elapsed() < Duration::from_secs(5));
    board.join().expect("the other side ended well");
    let mut came = Vec::new();
    let error = loop {
        match tcp.receive(&mut buffer, Duration::from_secs(5)) {
            Ok(n) => came.extend_from_slice(&buffer[..n]),
            Err(error) => break error,
        }
    };
    assert_eq!(came, [1, 0, 2, 0, 3]);
    assert_eq!(error.kind(), ErrorKind::UnexpectedEof);
}

#[test]
fn nobody_at_the_address_is_an_error() {
    let free =
        TcpListener::bind("127.0.0.1:0").and_then(|listener| listener.local_addr()).expect("a free port");
    assert!(Tcp::connect(free, Duration::from_secs(5)).is_err());
    assert!(Tcp::connect("no such host.invalid:1", Duration::from_secs(5)).is_err());
}

#[cfg(unix)]
#[test]
fn a_serial_line_carries_every_byte() {
    use link::transport::Serial;
    use serialport::{SerialPort, TTYPort};

    let (mut board, station) = TTYPort::pair().expect("pseudo terminals");
    let name = station.name().expect("a name");
    drop(station);
    let mut serial = Serial::open(&name).expect("opens");
    let all: Vec<u8> = (0..=255).collect();
    serial.send(&all).expect("sent");
    board.set_timeout(Duration::from_secs(5)).expect("set");
    let mut came = [0; 256];
    board.read_exact(&mut came).expect("all of it");
    assert_eq!(came.as_slice(), all, "raw: no byte means anything to the line");
    let mut buffer = [0; 300];
    assert_eq!(serial.receive(&mut buffer, SHORT).expect("no error"), 0);
    board.write_all(&all).expect("sent");
    let mut back = Vec::new();
    while back.len() < all.len() {
        let n = serial.receive(&mut buffer, Duration::from_secs(5)).expect("no error");
        assert!(n > 0, "in time");
        back.extend_from_slice(&buffer[..n]);
    }
    assert_eq!(back, all);
    assert!(Serial::open("/dev/no such port").is_err());
}
