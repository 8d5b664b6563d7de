//! A serial port as the line to a bootloader, and how each kind of board is reset into it.

use std::io::{self, Read, Write};
use std::thread::sleep;
use std::time::{Duration, Instant};

use serialport::{ClearBuffer, SerialPort};
use system::parts::{BootProtocol, Bootloader};

use super::Line;

/// Boards reset on this edge of the modem lines, through a capacitor; the pulse must be longer than the chip's 2.5 µs.
const RESET_PULSE: Duration = Duration::from_millis(120);
/// From reset until a bootloader listens.
const BOOT_TIME: Duration = Duration::from_millis(60);
/// A touch of this speed asks a board with native USB for its bootloader.
const TOUCH_BAUD: u32 = 1200;
/// Its port goes and another comes within this; a person who must find the reset button needs most of it.
const COMES_WITHIN: Duration = Duration::from_secs(20);

/// A port.
pub struct SerialLine {
    name: String,
    boot: Bootloader,
    port: Option<Box<dyn SerialPort>>,
    /// The name under which the bootloader of a board with native USB came, when it is another.
    boot_name: Option<String>,
    /// Told when a person must press the reset button.
    ask_for_reset: Box<dyn FnMut() + Send>,
}

impl SerialLine {
    /// A line over the port of that name, such as `/dev/ttyUSB0`. It is opened by the first reset.
    pub fn new(name: &str, boot: Bootloader, ask_for_reset: Box<dyn FnMut() + Send>) -> Self {
        SerialLine { name: name.to_owned(), boot, port: None, boot_name: None, ask_for_reset }
    }

    fn open(name: &str, baud: u32) -> io::Result<Box<dyn SerialPort>> {
        Ok(serialport::new(name, baud).timeout(Duration::from_millis(100)).open()?)
    }

    fn port(&mut self) -> io::Result<&mut Box<dyn SerialPort>> {
        self.port.as_mut().ok_or_else(|| io::Error::new(io::ErrorKind::NotConnected, "the port is not open"))
    }

    /// Pulses the modem lines of a board whose reset hangs on them.
    fn pulse(&mut self) -> io::Result<()> {
        if self.port.is_none() {
            self.port = Some(Self::open(&self.name, self.boot.baud)?);
        }
        let port = self.port()?;
        // A pseudo-terminal has no modem lines; what stands behind it is reset by whoever made it.
        let _ = port.write_data_terminal_ready(false).and_then(|()| port.write_request_to_send(false));
        sleep(RESET_PULSE);
        let _ = port.write_data_terminal_ready(true).and_then(|()| port.write_request_to_send(true));
        sleep(BOOT_TIME);
        port.clear(ClearBuffer::Input)?;
        Ok(())
    }

    /// The port, when a bootloader already listens there, as after two presses of the reset button.
    fn listening(&self) -> Option<Box<dyn SerialPort>> {
        const NAME: usize = 7;
        let mut port = Self::open(self.boot_name.as_deref().unwrap_or(&self.name), self.boot.baud).ok()?;
        port.clear(ClearBuffer::Input).ok()?;
        port.write_all(b"S").ok()?;
        let mut name = [0; NAME];
        let mut n = 0;
        while n < NAME {
            n += port.read(&mut name[n..]).ok().filter(|more| *more > 0)?;
        }
        name.iter().all(|byte| (b' '..=b'~').contains(byte)).then_some(port)
    }

    /// Touches a board with native USB and waits for the port of its bootloader.
    fn touch(&mut self) -> io::Result<()> {
        self.port = None;
        if let Some(port) = self.listening() {
            self.port = Some(port);
            return Ok(());
        }
        let before = names();
        if let Ok(mut port) = Self::open(self.boot_name.as_deref().unwrap_or(&self.name), TOUCH_BAUD) {
            let _ = port.write_data_terminal_ready(false);
        }
        let until = Instant::now() + COMES_WITHIN;
        let mut has_gone = false;
        let mut asked = false;
        let began = Instant::now();
        while Instant::now() < until {
            sleep(Duration::from_millis(100));
            let now = names();
            has_gone |= !now.contains(&self.name);
            let new = now.iter().find(|name| !before.contains(name));
            let back = (has_gone && now.contains(&self.name)).then_some(&self.name);
            if let Some(name) = new.or(back) {
                // The system sets the port's rights a moment after it comes.
                sleep(Duration::from_millis(300));
                if let Ok(port) = Self::open(name, self.boot.baud) {
                    self.boot_name = Some(name.clone());
                    self.port = Some(port);
                    return Ok(());
                }
            }
            if !asked && began.elapsed() > Duration::from_secs(3) {
                asked = true;
                (self.ask_for_reset)();
            }
        }
        // The bootloader may have come under a name that was there all along.
        self.port = Some(Self::open(&self.name, self.boot.baud)?);
        Ok(())
    }
}

fn names() -> Vec<String> {
    let ports = serialport::available_ports().unwrap_or_default();
    ports.into_iter().map(|port| port.port_name).collect()
}

/// Names of the ports of this machine, for a message.
pub fn ports() -> Vec<String> {
    let mut all = names();
    all.sort();
    all
}

impl Line for SerialLine {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.port()?.write_all(bytes)
    }

    fn receive(&mut self, buffer: &mut [u8], within: Duration) -> io::Result<usize> {
        let port = self.port()?;
        // A port takes no time-out of zero.
        port.set_timeout(within.max(Duration::from_millis(1)))?;
        match port.read(buffer) {
            // The other end of a port that is gone reads as the end of a file.
            Ok(0) => Err(io::Error::new(io::ErrorKind::BrokenPipe, "the port has gone")),
            Err(error) if error.kind() == io::ErrorKind::TimedOut => Ok(0),
            Err(error) if error.kind() == io::ErrorKind::Interrupted => Ok(0),
            result => result,
        }
    }

    fn reset(&mut self) -> io::Result<()> {
        match self.boot.protocol {
            BootProtocol::Stk500v1 | BootProtocol::Stk500v2 => self.pulse(),
            // A bootloader that gave up waiting has taken its port away.
            BootProtocol::Avr109 if self.port.as_ref().is_some_and(|port| port.bytes_to_read().is_ok()) => {
                Ok(())
            }
            BootProtocol::Avr109 => self.touch(),
        }
    }
}
