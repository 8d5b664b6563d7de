//! How a board is reached, and the first meeting with it.

use std::fmt;
use std::io;
use std::sync::Arc;
use std::time::Duration;

use link::client::{Client, ClientError};
use link::transport::{Serial, TCP_PORT, Tcp, Transport, usb_ports};
use virtual_board::Virtual;

/// How long a TCP connection may take to come about.
const CONNECT_WAIT: Duration = Duration::from_secs(5);

/// A transport that a thread can own.
pub type AnyTransport = Box<dyn Transport + Send>;

/// The way to a board.
#[derive(Clone)]
pub enum Line {
    /// A serial port by its path, such as `/dev/ttyUSB0`; one under `/dev/serial/by-id` finds its board again wherever it is plugged in.
    Serial(String),
    /// A serial port by what is plugged in: vendor, product, and the serial number where there are several.
    Usb {
        /// Vendor and product.
        id: (u16, u16),
        /// Serial number.
        serial: Option<String>,
    },
    /// A board on the network.
    Tcp {
        /// `host` or `host:port`.
        address: String,
        /// The key that was set over the cable.
        key: [u8; 16],
    },
    /// A virtual board of this process.
    Virtual(Arc<Virtual>),
    /// Whatever else carries bytes to a board as a cable does.
    Other(Arc<dyn Fn() -> io::Result<AnyTransport> + Send + Sync>),
}

impl fmt::Debug for Line {
    /// Without the key.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl fmt::Display for Line {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Line::Serial(path) => write!(f, "serial port {path}"),
            Line::Usb { id: (vendor, product), serial } => {
                write!(f, "USB part {vendor:04x}:{product:04x}")?;
                serial.iter().try_for_each(|serial| write!(f, " {serial}"))
            }
            Line::Tcp { address, .. } => write!(f, "network address {address}"),
            Line::Virtual(_) => f.write_str("virtual board"),
            Line::Other(_) => f.write_str("line"),
        }
    }
}

/// Why a board was not met.
#[derive(Debug)]
pub(super) enum NotMet {
    /// There is no line: it is tried again.
    NoLine(String),
    /// The board does not let the station in, or the station not it.
    Refused(String),
    /// The line stands and nothing answers.
    Silent,
}

impl Line {
    /// Meets the board. `above`: the last session known of it; a later one is noted there.
    pub(super) fn meet(&self, above: &mut Option<(u32, u32)>) -> Result<Client<AnyTransport>, NotMet> {
        let no_line = |error: io::Error| NotMet::NoLine(format!("{self}: {error}"));
        if let Line::Tcp { address, key } = self {
            let with_port =
                if address.contains(':') { address.clone() } else { format!("{address}:{TCP_PORT}") };
            let tcp = Tcp::connect(with_port.as_str(), CONNECT_WAIT).map_err(no_line)?;
            let (client, challenge) =
                Client::over_network(Box::new(tcp) as AnyTransport, key, *above).map_err(not_met)?;
            *above = Some((challenge.boots, challenge.session));
            return Ok(client);
        }
        let transport: AnyTransport = match self {
            Line::Serial(path) => Box::new(Serial::open(path).map_err(no_line)?),
            Line::Usb { id, serial } => {
                let ports = usb_ports().map_err(no_line)?;
                let is_it = |port: &&link::transport::UsbPort| {
                    port.id == *id && (serial.is_none() || port.serial == *serial)
                };
                let port = ports.iter().find(is_it);
                let port = port.ok_or_else(|| NotMet::NoLine(format!("{self} is not plugged in")))?;
                Box::new(Serial::open(&port.path).map_err(no_line)?)
            }
            Line::Virtual(board) => Box::new(board.cable()),
            Line::Other(open) => open().map_err(no_line)?,
            Line::Tcp { .. } => return Err(NotMet::Silent),
        };
        Client::over_cable(transport).map_err(not_met)
    }
}

fn not_met(error: ClientError) -> NotMet {
    match error {
        ClientError::NoAnswer => NotMet::Silent,
        ClientError::Line(error) => NotMet::NoLine(format!("the line to the board failed: {error}")),
        error => NotMet::Refused(error.to_string()),
    }
}
