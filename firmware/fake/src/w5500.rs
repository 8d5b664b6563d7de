//! A W5500 Ethernet chip at the level of its registers, and a network around it: what the driver is tested against. Written from
//! the data sheet (W5500 version 1.1.0: SPI frame, register maps of sections 4.1 and 4.2), as far as TCP servers and UDP need it.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use crate::Bus;

/// Bytes of each socket's buffers, as after a reset.
const BUFFER: usize = 2048;
const VERSION: u8 = 4;

/// Status of a socket.
#[expect(missing_docs, reason = "names of the data sheet")]
pub mod status {
    pub const CLOSED: u8 = 0x00;
    pub const INIT: u8 = 0x13;
    pub const LISTEN: u8 = 0x14;
    pub const ESTABLISHED: u8 = 0x17;
    pub const FIN_WAIT: u8 = 0x18;
    pub const CLOSE_WAIT: u8 = 0x1C;
    pub const UDP: u8 = 0x22;
}

/// A packet on the network.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Datagram {
    /// From whom.
    pub from: ([u8; 4], u16),
    /// To whom.
    pub to: ([u8; 4], u16),
    /// What it carries.
    pub bytes: Vec<u8>,
}

#[derive(Debug)]
struct Socket {
    registers: [u8; 0x30],
    to_send: Box<[u8; BUFFER]>,
    received: Box<[u8; BUFFER]>,
    tx_read: u16,
    tx_write: u16,
    rx_read: u16,
    rx_write: u16,
    /// What RSR tells; a RECV brings it up to date.
    n_received: u16,
    /// The next reading of a size is one of the past, as when a byte arrives between the halves.
    is_unsteady: bool,
}

impl Socket {
    fn new() -> Socket {
        Socket {
            registers: [0; 0x30],
            to_send: Box::new([0; BUFFER]),
            received: Box::new([0; BUFFER]),
            tx_read: 0,
            tx_write: 0,
            rx_read: 0,
            rx_write: 0,
            n_received: 0,
            is_unsteady: false,
        }
    }

    fn room(&self) -> usize {
        BUFFER - usize::from(self.rx_write.wrapping_sub(self.rx_read))
    }

    fn put_received(&mut self, bytes: &[u8]) {
        for &byte in bytes {
            self.received[usize::from(self.rx_write) % BUFFER] = byte;
            self.rx_write = self.rx_write.wrapping_add(1);
        }
        self.n_received = self.rx_write.wrapping_sub(self.rx_read);
        self.is_unsteady = true;
    }
}

/// The chip, and what is on its cable.
#[derive(Debug)]
pub struct Chip {
    common: [u8; 0x40],
    sockets: [Socket; 8],
    /// The SPI frame in progress: address, control byte, bytes so far.
    address: u16,
    control: u8,
    n_frame: usize,
    is_selected: bool,
    /// Cable in.
    pub is_linked: bool,
    /// Powered; without power it reads 0 and forgets everything.
    pub is_powered: bool,
    /// The other side acknowledges what the socket sends; without it a SEND is not done.
    pub acknowledges: bool,
    /// What a connected peer has received.
    pub peer_received: Vec<u8>,
    /// What UDP sockets have sent.
    pub datagrams: Vec<Datagram>,
    /// Commands given, by socket: for tests that count.
    pub n_commands: u64,
    /// So many commands to listen are not taken.
    pub n_deaf_to_listen: u32,
    /// A status that no data sheet allows was met: a driver that sends into a closed socket, say.
    pub faults: Vec<String>,
}

impl Default for Chip {
    fn default() -> Self {
        Chip {
            common: [0; 0x40],
            sockets: std::array::from_fn(|_| Socket::new()),
            address: 0,
            control: 0,
            n_frame: 0,
            is_selected: false,
            is_linked: true,
            is_powered: true,
            acknowledges: true,
            peer_received: Vec::new(),
            datagrams: Vec::new(),
            n_commands: 0,
            n_deaf_to_listen: 0,
            faults: Vec::new(),
        }
    }
}

impl Chip {
    /// Address, mask and router as the driver has set them.
    pub fn address(&self) -> ([u8; 4], [u8; 4], [u8; 4]) {
        let four = |at: usize| std::array::from_fn(|n| self.common[at + n]);
        (four(0x0F), four(0x05), four(0x01))
    }

    /// The hardware address.
    pub fn hardware(&self) -> [u8; 6] {
        std::array::from_fn(|n| self.common[0x09 + n])
    }

    /// All registers are lost, as after a brown-out.
    pub fn forget(&mut self) {
        self.common = [0; 0x40];
        self.sockets = std::array::from_fn(|_| Socket::new());
    }

    /// Port and status of a socket.
    pub fn socket(&self, socket: usize) -> (u16, u8) {
        let registers = &self.sockets[socket].registers;
        (u16::from_be_bytes([registers[4], registers[5]]), registers[3])
    }

    fn listening(&self, port: u16, wanted: u8) -> Option<usize> {
        (0..8).find(|&socket| self.socket(socket) == (port, wanted))
    }

    /// A peer connects; false when nobody listens.
    pub fn connect(&mut self, port: u16) -> bool {
        let Some(socket) = self.listening(port, status::LISTEN).filter(|_| self.is_linked) else {
            return false;
        };
        self.sockets[socket].registers[3] = status::ESTABLISHED;
        self.peer_received.clear();
        true
    }

    /// The peer sends; how many bytes the socket's buffer took.
    pub fn peer_send(&mut self, port: u16, bytes: &[u8]) -> usize {
        let Some(socket) = self.listening(port, status::ESTABLISHED).filter(|_| self.is_linked) else {
            return 0;
        };
        let socket = &mut self.sockets[socket];
        let n = bytes.len().min(socket.room());
        socket.put_received(&bytes[..n]);
        n
    }

    /// The peer closes its side.
    pub fn peer_close(&mut self, port: u16) {
        if let Some(socket) = self.listening(port, status::ESTABLISHED) {
            self.sockets[socket].registers[3] = status::CLOSE_WAIT;
        }
        if let Some(socket) = self.listening(port, status::FIN_WAIT) {
            self.sockets[socket].registers[3] = status::CLOSED;
        }
    }

    /// Whether a connection stands on this port.
    pub fn is_connected(&self, port: u16) -> bool {
        self.listening(port, status::ESTABLISHED).is_some()
    }

    /// A datagram arrives; it is taken when it is for this address or for everybody and its port is open.
    pub fn arrive(&mut self, datagram: &Datagram) {
        let (own, _, _) = self.address();
        let is_for_us = datagram.to.0 == [255; 4] || (datagram.to.0 == own && own != [0; 4]);
        let Some(socket) = self.listening(datagram.to.1, status::UDP) else { return };
        let socket = &mut self.sockets[socket];
        if !self.is_linked || !is_for_us || datagram.bytes.len() + 8 > socket.room() {
            return;
        }
        let mut bytes = datagram.from.0.to_vec();
        bytes.extend(datagram.from.1.to_be_bytes());
        bytes.extend((datagram.bytes.len() as u16).to_be_bytes());
        bytes.extend(&datagram.bytes);
        socket.put_received(&bytes);
    }

    fn command(&mut self, number: usize, command: u8) {
        self.n_commands += 1;
        let (own, _, _) = self.address();
        let (is_linked, acknowledges) = (self.is_linked, self.acknowledges);
        let socket = &mut self.sockets[number];
        let r = &mut socket.registers;
        match (command, r[3]) {
            (0x01, _) => {
                r[3] = match r[0] & 0x0F {
                    1 => status::INIT,
                    2 => status::UDP,
                    _ => status::CLOSED,
                };
                socket.tx_read = socket.tx_write;
                socket.rx_read = socket.rx_write;
                socket.n_received = 0;
            }
            (0x02, status::INIT) if self.n_deaf_to_listen > 0 => self.n_deaf_to_listen -= 1,
            (0x02, status::INIT) => r[3] = status::LISTEN,
            (0x08, status::ESTABLISHED) => r[3] = status::FIN_WAIT,
            (0x08, status::CLOSE_WAIT) => r[3] = status::CLOSED,
            (0x08, _) => {}
            (0x10, _) => r[3] = status::CLOSED,
            (0x20, status::ESTABLISHED | status::CLOSE_WAIT | status::UDP) => {
                let n = socket.tx_write.wrapping_sub(socket.tx_read);
                if usize::from(n) > BUFFER {
                    self.faults.push(format!("socket {number} sends {n} bytes, its buffer has {BUFFER}"));
                    return;
                }
                let bytes: Vec<u8> = (0..n)
                    .map(|at| socket.to_send[usize::from(socket.tx_read.wrapping_add(at)) % BUFFER])
                    .collect();
                if r[3] == status::UDP {
                    let to = ([r[12], r[13], r[14], r[15]], u16::from_be_bytes([r[16], r[17]]));
                    let from = (own, u16::from_be_bytes([r[4], r[5]]));
                    if is_linked {
                        self.datagrams.push(Datagram { from, to, bytes });
                    }
                    socket.tx_read = socket.tx_write;
                    r[2] |= 0x10;
                } else if is_linked && acknowledges {
                    self.peer_received.extend(bytes);
                    socket.tx_read = socket.tx_write;
                    r[2] |= 0x10;
                }
            }
            (0x40, _) => socket.n_received = socket.rx_write.wrapping_sub(socket.rx_read),
            (command, status) => {
                self.faults
                    .push(format!("socket {number} was given command {command:#x} at status {status:#x}"));
            }
        }
    }

    fn read(&mut self, block: u8, address: u16) -> u8 {
        let socket = usize::from(block >> 2);
        match (block & 3, block) {
            (_, 0) => match address {
                0x2E => 0xB8 | u8::from(self.is_linked),
                0x39 => VERSION,
                _ => self.common.get(usize::from(address)).copied().unwrap_or(0),
            },
            (1, _) => {
                let socket = &mut self.sockets[socket];
                let free = (BUFFER - usize::from(socket.tx_write.wrapping_sub(socket.tx_read)) % (BUFFER + 1))
                    as u16;
                let size = |value: u16, at: u16| value.to_be_bytes()[usize::from(at & 1)];
                match address {
                    0x20 | 0x21 => size(free, address),
                    0x22 | 0x23 => size(socket.tx_read, address),
                    0x24 | 0x25 => size(socket.tx_write, address),
                    0x26 | 0x27 => {
                        // Between the halves more may have come: a reader has to see the same twice.
                        let past = socket.n_received / 2;
                        let value = if socket.is_unsteady { past } else { socket.n_received };
                        socket.is_unsteady &= address != 0x27;
                        size(value, address)
                    }
                    0x28 | 0x29 => size(socket.rx_read, address),
                    0x2A | 0x2B => size(socket.rx_write, address),
                    _ => socket.registers.get(usize::from(address)).copied().unwrap_or(0),
                }
            }
            (3, _) => self.sockets[socket].received[usize::from(address) % BUFFER],
            _ => 0,
        }
    }

    fn write(&mut self, block: u8, address: u16, byte: u8) {
        let number = usize::from(block >> 2);
        let half = |value: u16, byte: u8, at: u16| {
            let mut bytes = value.to_be_bytes();
            bytes[usize::from(at & 1)] = byte;
            u16::from_be_bytes(bytes)
        };
        match (block & 3, block) {
            (_, 0) if address == 0 && byte & 0x80 != 0 => self.forget(),
            (_, 0) => {
                if let Some(register) = self.common.get_mut(usize::from(address)) {
                    *register = byte;
                }
            }
            (1, _) => {
                let socket = &mut self.sockets[number];
                match address {
                    0x01 => self.command(number, byte),
                    0x02 => socket.registers[2] &= !byte,
                    0x03 | 0x20..=0x23 | 0x26 | 0x27 | 0x2A | 0x2B => {}
                    0x24 | 0x25 => socket.tx_write = half(socket.tx_write, byte, address),
                    0x28 | 0x29 => socket.rx_read = half(socket.rx_read, byte, address),
                    _ => {
                        if let Some(register) = socket.registers.get_mut(usize::from(address)) {
                            *register = byte;
                        }
                    }
                }
            }
            (2, _) => self.sockets[number].to_send[usize::from(address) % BUFFER] = byte,
            _ => {}
        }
    }
}

/// A chip that a test and the SPI bus share.
#[derive(Clone, Debug, Default)]
pub struct W5500(Arc<Mutex<Chip>>);

impl W5500 {
    /// The chip, for looking and for what happens on the cable.
    pub fn chip(&self) -> MutexGuard<'_, Chip> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Bus for W5500 {
    fn select(&mut self, is_selected: bool) {
        let mut chip = self.chip();
        chip.is_selected = is_selected;
        chip.n_frame = 0;
    }

    fn exchange(&mut self, byte: u8) -> u8 {
        let mut chip = self.chip();
        if !chip.is_selected || !chip.is_powered {
            return 0;
        }
        let n = chip.n_frame;
        chip.n_frame += 1;
        match n {
            0 => chip.address = u16::from(byte) << 8,
            1 => chip.address |= u16::from(byte),
            2 => chip.control = byte,
            _ => {
                let (block, address) = (chip.control >> 3, chip.address);
                chip.address = address.wrapping_add(1);
                if chip.control & 0x04 != 0 {
                    chip.write(block, address, byte);
                } else {
                    return chip.read(block, address);
                }
            }
        }
        0
    }
}

/// A DHCP server (RFC 2131), as a test wants it.
#[derive(Clone, Debug)]
pub struct DhcpServer {
    /// Its own address.
    pub own: [u8; 4],
    /// What it gives.
    pub gives: [u8; 4],
    /// Lease, s.
    pub lease_s: u32,
    /// It answers at all.
    pub is_up: bool,
    /// It says NAK to requests.
    pub refuses: bool,
    /// So many answers get lost.
    pub n_lost: u32,
    /// Types of the messages that it has read, with the address that each came from and whether it came to everybody.
    pub asked: Vec<(u8, [u8; 4], bool)>,
}

impl DhcpServer {
    /// One that gives an address for so long.
    pub fn new(lease_s: u32) -> DhcpServer {
        DhcpServer {
            own: [10, 1, 2, 3],
            gives: [10, 1, 2, 77],
            lease_s,
            is_up: true,
            refuses: false,
            n_lost: 0,
            asked: Vec::new(),
        }
    }

    /// Reads a packet; its answer, if any. A packet that RFC 2131 does not allow is a panic: the client is what is tested.
    pub fn answer(&mut self, datagram: &Datagram) -> Option<Datagram> {
        let bytes = &datagram.bytes;
        if datagram.to.1 != 67 || !self.is_up {
            return None;
        }
        assert!(bytes.len() >= 300, "shorter than BOOTP allows");
        assert_eq!(bytes[..4], [1, 1, 6, 0], "a request from Ethernet");
        assert_eq!(bytes[236..240], [0x63, 0x82, 0x53, 0x63], "magic cookie");
        let to_everybody = datagram.to.0 == [255; 4];
        assert!(to_everybody || datagram.to.0 == self.own);
        let mut options = [const { None::<Vec<u8>> }; 256];
        let mut rest = &bytes[240..];
        loop {
            match rest {
                [255, padding @ ..] => {
                    assert!(padding.iter().all(|&byte| byte == 0));
                    break;
                }
                [0, after @ ..] => rest = after,
                [option, length, after @ ..] => {
                    let (value, after) = after.split_at(usize::from(*length));
                    options[usize::from(*option)] = Some(value.to_vec());
                    rest = after;
                }
                _ => panic!("options without an end"),
            }
        }
        let asked = options[53].as_ref().expect("a message type")[0];
        let from: [u8; 4] = std::array::from_fn(|at| bytes[12 + at]);
        self.asked.push((asked, from, to_everybody));
        let is_request = asked == 3;
        if is_request && from == [0; 4] {
            // Section 4.3.2: generated during SELECTING it names the server and the address.
            assert_eq!(options[54].as_deref(), Some(self.own.as_slice()));
            assert_eq!(options[50].as_deref(), Some(self.gives.as_slice()));
        } else if is_request {
            assert_eq!((&options[54], &options[50]), (&None, &None), "RENEWING and REBINDING name neither");
        }
        if self.n_lost > 0 {
            self.n_lost -= 1;
            return None;
        }
        let is_refused = is_request && (self.refuses || (from != [0; 4] && from != self.gives));
        let answer = if asked == 1 {
            2
        } else if is_refused {
            6
        } else {
            5
        };
        let mut out = bytes[..240].to_vec();
        out[0] = 2;
        if !is_refused {
            out[16..20].copy_from_slice(&self.gives);
        }
        out.extend([53, 1, answer, 54, 4]);
        out.extend(self.own);
        if !is_refused {
            out.extend([51, 4]);
            out.extend(self.lease_s.to_be_bytes());
            // Options that the client has no use for stand between.
            out.extend([0, 0, 1, 4, 255, 255, 0, 0, 15, 9]);
            out.extend(b"reef.home");
            // Two routers: the first counts.
            out.extend([3, 8, 10, 1, 2, 1, 10, 1, 2, 2]);
        }
        out.push(255);
        Some(Datagram { from: (self.own, 67), to: ([255; 4], 68), bytes: out })
    }
}
