//! Lines to other processes: TCP connections and pseudo-terminals, each with two threads between it and a line in memory.

use std::io::{self, Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use link::transport::Transport;

use crate::pipe::Wire;
#[cfg(unix)]
use crate::pipe::WireSender;

/// What an error of a stream means.
#[derive(Clone, Copy)]
enum Ending {
    /// The connection is over.
    Ends,
    /// Nobody has the other end of a pseudo-terminal open; somebody may again.
    HangsInTheAir,
}

impl Ending {
    /// Whether the line goes on in spite of this error; waits a little then.
    fn goes_on(self, error: &io::Error) -> bool {
        match self {
            _ if error.kind() == io::ErrorKind::TimedOut => true,
            Ending::Ends => error.kind() == io::ErrorKind::Interrupted,
            Ending::HangsInTheAir => {
                std::thread::sleep(Duration::from_millis(20));
                true
            }
        }
    }
}

/// Bytes between a pipe and a stream, until either ends.
fn carry(
    mut wire: Wire,
    ending: Ending,
    mut read: impl Read + Send + 'static,
    mut write: impl Write + Send + 'static,
    end: impl Fn() + Send + 'static,
) -> io::Result<()> {
    let sender = wire.sender();
    std::thread::Builder::new().name("virtual-board-in".into()).spawn(move || {
        let mut buffer = [0; 1024];
        loop {
            match read.read(&mut buffer) {
                Ok(0) => break,
                Ok(n) if sender.send(&buffer[..n]).is_ok() => {}
                Err(error) if ending.goes_on(&error) && !sender.is_closed() => {}
                _ => break,
            }
        }
        sender.close();
    })?;
    std::thread::Builder::new().name("virtual-board-out".into()).spawn(move || {
        let mut buffer = [0; 4096];
        while let Ok(n) = wire.receive(&mut buffer, Duration::from_secs(1)) {
            // What nobody takes is lost, as on a cable that hangs in the air.
            if n > 0 && write.write_all(&buffer[..n]).is_err_and(|error| !ending.goes_on(&error)) {
                break;
            }
        }
        end();
    })?;
    Ok(())
}

/// A TCP connection, until either side ends it.
pub(crate) fn carry_tcp(stream: TcpStream, wire: Wire) {
    let _ = stream.set_nodelay(true);
    let (Ok(read), Ok(write)) = (stream.try_clone(), stream.try_clone()) else { return };
    // Without threads there is no connection: the stream closes when it is dropped.
    let _ = carry(wire, Ending::Ends, read, write, move || {
        let _ = stream.shutdown(std::net::Shutdown::Both);
    });
}

/// A pseudo-terminal with a virtual board at its other end.
#[cfg(unix)]
#[derive(Debug)]
pub struct Terminal {
    path: String,
    closer: WireSender,
}

#[cfg(unix)]
impl Terminal {
    pub(crate) fn open(wire: Wire) -> io::Result<Terminal> {
        use serialport::SerialPort;
        let (mut board, other) = serialport::TTYPort::pair()?;
        let path = other.name().ok_or_else(|| io::Error::other("a pseudo-terminal without a name"))?;
        board.set_timeout(Duration::from_millis(200))?;
        let write = board.try_clone_native()?;
        let closer = wire.sender();
        carry(wire, Ending::HangsInTheAir, board, write, || {})?;
        drop(other);
        Ok(Terminal { path, closer })
    }

    /// Where it can be opened.
    pub fn path(&self) -> &str {
        &self.path
    }
}

#[cfg(unix)]
impl Drop for Terminal {
    fn drop(&mut self) {
        self.closer.close();
    }
}
