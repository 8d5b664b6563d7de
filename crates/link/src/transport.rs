//! What carries bytes to a board: a serial line, a TCP connection, or whatever a test puts in their place.

use std::boxed::Box;
use std::io::{self, Read, Write};
use std::net::{TcpStream, ToSocketAddrs};
use std::string::String;
use std::time::Duration;
use std::vec::Vec;

/// Baud rate of the cable.
pub const BAUD: u32 = 115_200;
/// TCP port of a board.
pub const TCP_PORT: u16 = 7436;

/// A way to a board.
pub trait Transport {
    /// Sends all of it.
    fn send(&mut self, bytes: &[u8]) -> io::Result<()>;
    /// Waits for bytes that long at most; how many came, 0 when none did. A line that ended is an error.
    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> io::Result<usize>;
}

impl<T: Transport + ?Sized> Transport for Box<T> {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        (**self).send(bytes)
    }
    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> io::Result<usize> {
        (**self).receive(buffer, wait)
    }
}

/// The cable.
pub struct Serial(Box<dyn serialport::SerialPort>);

impl core::fmt::Debug for Serial {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        write!(f, "serial line {}", self.0.name().unwrap_or_default())
    }
}

impl Serial {
    /// Opens a port, such as `/dev/ttyUSB0` or `COM3`. Many boards restart when their port is opened: allow two seconds.
    pub fn open(port: &str) -> io::Result<Serial> {
        Serial::open_at(port, BAUD)
    }

    /// As [`Serial::open`], at so many bits a second: for what others built.
    pub fn open_at(port: &str, baud: u32) -> io::Result<Serial> {
        let port = serialport::new(port, baud).timeout(Duration::from_millis(100)).open()?;
        Ok(Serial(port))
    }
}

/// A time-out is no error here.
fn came(result: io::Result<usize>) -> io::Result<usize> {
    match result {
        Err(error)
            if matches!(
                error.kind(),
                io::ErrorKind::TimedOut | io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted
            ) =>
        {
            Ok(0)
        }
        other => other,
    }
}

impl Transport for Serial {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.0.write_all(bytes)?;
        self.0.flush()
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> io::Result<usize> {
        self.0.set_timeout(wait.max(Duration::from_millis(1)))?;
        match self.0.read(buffer) {
            Ok(0) => Err(io::Error::new(io::ErrorKind::UnexpectedEof, "the serial port is gone")),
            other => came(other),
        }
    }
}

/// A serial port on USB that is plugged in now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UsbPort {
    /// Where it can be opened; another each time, as the system likes.
    pub path: String,
    /// Vendor and product.
    pub id: (u16, u16),
    /// Serial number, when the part has one.
    pub serial: Option<String>,
}

/// The serial ports on USB that are plugged in now.
pub fn usb_ports() -> io::Result<Vec<UsbPort>> {
    let ports = serialport::available_ports()?;
    Ok(ports
        .into_iter()
        .filter_map(|port| match port.port_type {
            serialport::SerialPortType::UsbPort(usb) => {
                Some(UsbPort { path: port.port_name, id: (usb.vid, usb.pid), serial: usb.serial_number })
            }
            _ => None,
        })
        .collect())
}

/// The network.
#[derive(Debug)]
pub struct Tcp(TcpStream);

impl Tcp {
    /// Connects to a board's address; the port is [`TCP_PORT`] unless said otherwise.
    pub fn connect(address: impl ToSocketAddrs, wait: Duration) -> io::Result<Tcp> {
        let mut last = io::Error::new(io::ErrorKind::AddrNotAvailable, "the name stands for no address");
        for address in address.to_socket_addrs()? {
            match TcpStream::connect_timeout(&address, wait) {
                Ok(stream) => {
                    stream.set_nodelay(true)?;
                    return Ok(Tcp(stream));
                }
                Err(error) => last = error,
            }
        }
        Err(last)
    }
}

impl Transport for Tcp {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.0.write_all(bytes)
    }

    fn receive(&mut self, buffer: &mut [u8], wait: Duration) -> io::Result<usize> {
        self.0.set_read_timeout(Some(wait.max(Duration::from_millis(1))))?;
        match self.0.read(buffer) {
            Ok(0) => Err(io::Error::new(io::ErrorKind::UnexpectedEof, "the board closed the connection")),
            other => came(other),
        }
    }
}
