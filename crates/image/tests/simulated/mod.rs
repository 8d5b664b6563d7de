//! Boards with serial bootloaders, written from the protocols' public documents (Atmel application notes AVR061, AVR068, AVR109), and a
//! line to them that loses bytes, garbles them, answers late, or is cut.
#![allow(dead_code)]

#[cfg(unix)]
pub mod pty;

use std::collections::VecDeque;
use std::io;
use std::time::Duration;

use image::boot::Line;

/// Erased flash.
pub const ERASED: u8 = 0xFF;

/// Flash of a board and what its bootloader does with it.
pub struct Board {
    pub flash: Vec<u8>,
    pub page: usize,
    /// First address of the bootloader, which refuses to write itself.
    pub boot_at: usize,
    pub signature: [u8; 3],
    /// How pages are erased.
    pub erasing: Erasing,
    /// Pages that were erased or written since power came, in order.
    pub written: Vec<usize>,
    is_listening: bool,
    ascending: usize,
    protocol: Box<dyn Protocol>,
    input: Vec<u8>,
    address: usize,
}

/// How a bootloader erases.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Erasing {
    /// The page that is written.
    Written,
    /// The next page in ascending order since reset, whatever is written.
    Ascending,
    /// Only all at once, on command.
    AllAtOnce,
}

/// A protocol: takes what has come, and answers when a command is whole. True: the command was taken out of the input.
pub trait Protocol: Send {
    fn take(&mut self, board: &mut Core<'_>, input: &mut Vec<u8>, out: &mut Vec<u8>) -> bool;
}

/// The board without its protocol.
pub struct Core<'b> {
    pub flash: &'b mut Vec<u8>,
    pub page: usize,
    pub boot_at: usize,
    pub signature: [u8; 3],
    pub erasing: Erasing,
    pub address: &'b mut usize,
    pub is_listening: &'b mut bool,
    ascending: &'b mut usize,
    written: &'b mut Vec<usize>,
}

impl Core<'_> {
    /// Writes at the address that was loaded; false when that would touch the bootloader.
    pub fn write(&mut self, bytes: &[u8]) -> bool {
        let at = *self.address;
        if at + bytes.len() > self.boot_at {
            return false;
        }
        let erased = match self.erasing {
            Erasing::Written => Some(at / self.page * self.page),
            Erasing::Ascending => {
                *self.ascending += self.page;
                Some(*self.ascending - self.page)
            }
            Erasing::AllAtOnce => None,
        };
        if let Some(erased) = erased.filter(|erased| erased + self.page <= self.boot_at) {
            self.flash[erased..erased + self.page].fill(ERASED);
        }
        // Programming only clears bits.
        for (cell, byte) in self.flash[at..].iter_mut().zip(bytes) {
            *cell &= byte;
        }
        self.written.push(at / self.page);
        *self.address += bytes.len();
        true
    }

    pub fn erase(&mut self) {
        let end = self.boot_at;
        self.flash[..end].fill(ERASED);
    }

    pub fn read(&mut self, n: usize) -> Vec<u8> {
        let at = *self.address;
        *self.address += n;
        (at..at + n).map(|at| self.flash.get(at).copied().unwrap_or(ERASED)).collect()
    }
}

impl Board {
    pub fn new(
        protocol: Box<dyn Protocol>,
        signature: [u8; 3],
        page: usize,
        boot_at: usize,
        erasing: Erasing,
    ) -> Self {
        // What a board ran before: something that is neither erased nor the new image.
        let flash = (0..boot_at + 512).map(|at| (at * 31 + at / 256) as u8).collect();
        Board {
            flash,
            page,
            boot_at,
            signature,
            erasing,
            written: vec![],
            is_listening: false,
            ascending: 0,
            protocol,
            input: vec![],
            address: 0,
        }
    }

    /// A reset from outside: the bootloader listens.
    pub fn reset(&mut self) {
        self.is_listening = true;
        self.ascending = 0;
        self.input.clear();
        self.address = 0;
    }

    /// Whether the bootloader listens.
    pub fn is_listening(&self) -> bool {
        self.is_listening
    }

    /// A byte comes in; what goes out.
    pub fn byte(&mut self, byte: u8) -> Vec<u8> {
        let mut out = vec![];
        if !self.is_listening {
            return out;
        }
        self.input.push(byte);
        let mut core = Core {
            flash: &mut self.flash,
            page: self.page,
            boot_at: self.boot_at,
            signature: self.signature,
            erasing: self.erasing,
            address: &mut self.address,
            is_listening: &mut self.is_listening,
            ascending: &mut self.ascending,
            written: &mut self.written,
        };
        while !self.input.is_empty() && self.protocol.take(&mut core, &mut self.input, &mut out) {}
        out
    }
}

/// STK500, first version (AVR061).
pub struct Stk500v1;

impl Protocol for Stk500v1 {
    fn take(&mut self, board: &mut Core<'_>, input: &mut Vec<u8>, out: &mut Vec<u8>) -> bool {
        const END: u8 = 0x20;
        let length = match input[0] {
            0x41 => 2,
            0x42 => 21,
            0x45 => 6,
            0x55 => 3,
            0x56 => 5,
            0x64 if input.len() < 3 => return false,
            0x64 => 4 + usize::from(u16::from_be_bytes([input[1], input[2]])),
            0x74 => 4,
            _ => 1,
        };
        if input.len() <= length {
            return false;
        }
        let command: Vec<u8> = input.drain(..=length).collect();
        if command[length] != END {
            // Small bootloaders give up: a watchdog reset starts what stands at 0.
            out.push(0x15);
            *board.is_listening = false;
            return true;
        }
        out.push(0x14);
        match command[0] {
            0x30 | 0x42 | 0x45 | 0x50 => out.push(0x10),
            0x41 => out.extend([3, 0x10]),
            0x51 => {
                out.push(0x10);
                *board.is_listening = false;
            }
            0x55 => {
                *board.address = usize::from(u16::from_le_bytes([command[1], command[2]])) * 2;
                out.push(0x10);
            }
            0x56 => {
                // The serial instruction "read signature byte"; all others read 0.
                let byte = if command[1] == 0x30 { board.signature[usize::from(command[3]) % 3] } else { 0 };
                out.extend([byte, 0x10]);
            }
            0x64 if command[3] == b'F' => {
                let done = board.write(&command[4..length]);
                out.push(if done { 0x10 } else { 0x11 });
            }
            0x74 if command[3] == b'F' => {
                let n = usize::from(u16::from_be_bytes([command[1], command[2]]));
                out.extend(board.read(n));
                out.push(0x10);
            }
            0x75 => {
                out.extend(board.signature);
                out.push(0x10);
            }
            _ => {
                out.pop();
                out.push(0x12);
            }
        }
        true
    }
}

/// STK500, second version (AVR068).
pub struct Stk500v2;

impl Stk500v2 {
    fn answer(board: &mut Core<'_>, body: &[u8]) -> Vec<u8> {
        let command = body.first().copied().unwrap_or(0);
        let at = |i: usize| body.get(i).copied().unwrap_or(0);
        let size = usize::from(u16::from_be_bytes([at(1), at(2)]));
        match command {
            0x01 => [&[0x01, 0, 8][..], b"AVRISP_2"].concat(),
            0x02 => vec![command, 0],
            0x03 => vec![command, 0, if at(1) == 0x90 { 1 } else { 2 }],
            0x06 => {
                let word = u32::from_be_bytes([at(1), at(2), at(3), at(4)]) & 0x7FFF_FFFF;
                *board.address = word as usize * 2;
                vec![command, 0]
            }
            0x10 => vec![command, 0],
            0x11 => {
                *board.is_listening = false;
                vec![command, 0]
            }
            0x12 => vec![command, 0xC0],
            0x13 => {
                let done = body.len() >= 10 + size && board.write(&body[10..10 + size]);
                vec![command, if done { 0 } else { 0xC0 }]
            }
            0x14 => [vec![command, 0], board.read(size), vec![0]].concat(),
            0x1B => vec![command, 0, board.signature[usize::from(at(4)) % 3], 0],
            0x1D => {
                let byte = if at(4) == 0x30 { board.signature[usize::from(at(6)) % 3] } else { 0 };
                vec![command, 0, 0, at(4), 0, byte, 0]
            }
            _ => vec![command, 0xC9],
        }
    }
}

impl Protocol for Stk500v2 {
    fn take(&mut self, board: &mut Core<'_>, input: &mut Vec<u8>, out: &mut Vec<u8>) -> bool {
        if input[0] != 0x1B {
            input.remove(0);
            return true;
        }
        if input.len() < 5 {
            return false;
        }
        let n = usize::from(u16::from_be_bytes([input[2], input[3]]));
        if input[4] != 0x0E || n > 300 {
            input.remove(0);
            return true;
        }
        if input.len() < n + 6 {
            return false;
        }
        let message: Vec<u8> = input.drain(..n + 6).collect();
        if message.iter().fold(0, |sum, byte| sum ^ byte) != 0 {
            return true;
        }
        let body = Self::answer(board, &message[5..5 + n]);
        let [high, low] = (body.len() as u16).to_be_bytes();
        let mut answer = [&[0x1B, message[1], high, low, 0x0E][..], &body].concat();
        answer.push(answer.iter().fold(0, |sum, byte| sum ^ byte));
        out.extend(answer);
        true
    }
}

/// AVR109.
pub struct Avr109;

impl Protocol for Avr109 {
    fn take(&mut self, board: &mut Core<'_>, input: &mut Vec<u8>, out: &mut Vec<u8>) -> bool {
        let size = |input: &[u8]| usize::from(u16::from_be_bytes([input[1], input[2]]));
        let length = match input[0] {
            b'A' => 3,
            b'T' => 2,
            b'B' if input.len() < 4 => return false,
            b'B' => 4 + size(input),
            b'g' => 4,
            _ => 1,
        };
        if input.len() < length {
            return false;
        }
        let command: Vec<u8> = input.drain(..length).collect();
        match command[0] {
            b'S' => out.extend(b"SIMBOOT"),
            b'V' => out.extend(b"10"),
            b'p' => out.push(b'S'),
            b'a' => out.push(b'Y'),
            b'b' => {
                out.push(b'Y');
                out.extend((board.page as u16).to_be_bytes());
            }
            b't' => out.extend([0x44, 0]),
            b's' => out.extend(board.signature.iter().rev()),
            b'e' => {
                board.erase();
                out.push(b'\r');
            }
            b'A' => {
                *board.address = size(&command) * 2;
                out.push(b'\r');
            }
            b'B' if command[3] == b'F' => {
                let done = board.write(&command[4..]);
                out.push(if done { b'\r' } else { b'?' });
            }
            b'g' if command[3] == b'F' => out.extend(board.read(size(&command))),
            b'T' | b'P' | b'L' => out.push(b'\r'),
            b'E' => {
                out.push(b'\r');
                *board.is_listening = false;
            }
            0x1B => {}
            _ => out.push(b'?'),
        }
        true
    }
}

/// What goes wrong on the line. Bytes are counted over both directions.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Fault {
    #[default]
    None,
    /// This byte is lost.
    Lost(usize),
    /// These bits of this byte are turned over.
    Garbled(usize, u8),
    /// The cable is pulled before this byte.
    Cut(usize),
    /// The cable is pulled while this page is written, counted over all pages written: it is left half written.
    CutWriting(usize),
    /// Answers come in pieces, and after each reset the first ones come late.
    Slow,
}

/// A line to a simulated board.
pub struct Simulated {
    pub board: Board,
    pub fault: Fault,
    /// Bytes that went over the line.
    pub n_bytes: usize,
    to_host: VecDeque<u8>,
    is_cut: bool,
    held_back: usize,
}

impl Simulated {
    pub fn new(board: Board) -> Self {
        Simulated {
            board,
            fault: Fault::None,
            n_bytes: 0,
            to_host: VecDeque::new(),
            is_cut: false,
            held_back: 0,
        }
    }

    /// Plugs the cable in again: the board starts anew.
    pub fn plug_in(&mut self) {
        self.is_cut = false;
        self.fault = Fault::None;
        self.board.is_listening = false;
        self.to_host.clear();
    }

    fn carry(&mut self, byte: u8) -> io::Result<Option<u8>> {
        let at = self.n_bytes;
        self.n_bytes += 1;
        match self.fault {
            Fault::Cut(cut) if at >= cut => {
                self.is_cut = true;
                Err(io::ErrorKind::BrokenPipe.into())
            }
            Fault::Lost(lost) if at == lost => Ok(None),
            Fault::Garbled(garbled, bits) if at == garbled => Ok(Some(byte ^ bits)),
            _ => Ok(Some(byte)),
        }
    }
}

impl Line for Simulated {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        if self.is_cut {
            return Err(io::ErrorKind::BrokenPipe.into());
        }
        for byte in bytes {
            let Some(byte) = self.carry(*byte)? else { continue };
            let cuts = matches!(self.fault, Fault::CutWriting(_));
            let before = (self.board.written.len(), if cuts { self.board.flash.clone() } else { vec![] });
            let answer = self.board.byte(byte);
            if let Fault::CutWriting(page) = self.fault
                && before.0 == page
                && self.board.written.len() > page
            {
                // Some cells hold the old byte, some are erased, some hold the new one.
                for (at, cell) in self.board.flash.iter_mut().enumerate() {
                    if *cell != before.1[at] {
                        *cell = [before.1[at], ERASED, *cell][(at * 7 + page) % 3];
                    }
                }
                self.is_cut = true;
                return Err(io::ErrorKind::BrokenPipe.into());
            }
            self.to_host.extend(answer);
        }
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8], _within: Duration) -> io::Result<usize> {
        if self.is_cut {
            return Err(io::ErrorKind::BrokenPipe.into());
        }
        if self.fault == Fault::Slow && self.held_back > 0 {
            self.held_back -= 1;
            return Ok(0);
        }
        let room = if self.fault == Fault::Slow { buffer.len().min(3) } else { buffer.len() };
        let mut n = 0;
        while n < room {
            let Some(byte) = self.to_host.pop_front() else { break };
            if let Some(byte) = self.carry(byte)? {
                buffer[n] = byte;
                n += 1;
            }
        }
        Ok(n)
    }

    fn reset(&mut self) -> io::Result<()> {
        if self.is_cut {
            return Err(io::ErrorKind::NotFound.into());
        }
        self.to_host.clear();
        self.held_back = 2;
        self.board.reset();
        Ok(())
    }

    fn patience(&self) -> Duration {
        Duration::from_millis(20)
    }
}
