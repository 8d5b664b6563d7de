//! STK500, second version (Atmel application note AVR068).
//!
//! Bootloaders of this protocol are entered by every reset from outside. Some erase the page that is written; others erase the
//! pages in ascending order from 0, one with each write, whatever address was loaded. Both are served by one order: pages ascend without a
//! gap from 0, and before the first page is written a second time the board is reset, so that erasing begins at 0 again.

use super::{BootError, Bootloader, Line, discard, exactly, time_for};

const START: u8 = 0x1B;
const TOKEN: u8 = 0x0E;
const SIGN_ON: u8 = 0x01;
const LOAD_ADDRESS: u8 = 0x06;
const ENTER: u8 = 0x10;
const LEAVE: u8 = 0x11;
const PROGRAM_FLASH: u8 = 0x13;
const READ_FLASH: u8 = 0x14;
const SPI_MULTI: u8 = 0x1D;
const STATUS_OK: u8 = 0x00;
const GREETINGS: usize = 12;
/// Words of a chip whose upper half the address must name (bit 31, AVR068).
const EXTENDED_FROM: usize = 1 << 17;

pub(super) struct Stk500v2 {
    sequence: u8,
    is_extended: bool,
}

impl Stk500v2 {
    pub(super) fn new(end: usize) -> Self {
        Stk500v2 { sequence: 0, is_extended: end > EXTENDED_FROM }
    }

    /// Sends a message and reads the one that answers it: its body.
    fn ask(&mut self, line: &mut dyn Line, body: &[u8]) -> Result<Vec<u8>, BootError> {
        self.sequence = self.sequence.wrapping_add(1);
        let [high, low] = (body.len() as u16).to_be_bytes();
        let mut message = vec![START, self.sequence, high, low, TOKEN];
        message.extend(body);
        message.push(message.iter().fold(0, |sum, byte| sum ^ byte));
        line.send(&message)?;
        let within = time_for(line, body.len() + 300);
        let mut head = [0; 5];
        // Noise before a message is passed over.
        loop {
            exactly(line, &mut head[..1], within)?;
            if head[0] == START {
                break;
            }
        }
        exactly(line, &mut head[1..], within)?;
        let n = usize::from(u16::from_be_bytes([head[2], head[3]]));
        if head[4] != TOKEN || n == 0 || n > 600 {
            return Err(BootError::Garbled);
        }
        let mut answer = vec![0; n + 1];
        exactly(line, &mut answer, within)?;
        let sum = head.iter().chain(&answer).fold(0, |sum, byte| sum ^ byte);
        answer.pop();
        if sum != 0 || head[1] != self.sequence || answer[0] != body[0] {
            return Err(BootError::Garbled);
        }
        Ok(answer)
    }

    fn load_address(&mut self, line: &mut dyn Line, address: usize) -> Result<(), BootError> {
        let mut word = (address / 2) as u32;
        if self.is_extended {
            word |= 1 << 31;
        }
        let [a, b, c, d] = word.to_be_bytes();
        done(&self.ask(line, &[LOAD_ADDRESS, a, b, c, d])?)
    }
}

fn done(answer: &[u8]) -> Result<(), BootError> {
    if answer.get(1) == Some(&STATUS_OK) { Ok(()) } else { Err(BootError::Garbled) }
}

impl Bootloader for Stk500v2 {
    fn enter(&mut self, line: &mut dyn Line) -> Result<(), BootError> {
        line.reset()?;
        discard(line)?;
        for _ in 0..GREETINGS {
            match self.ask(line, &[SIGN_ON]) {
                Ok(answer) if answer.get(1) == Some(&STATUS_OK) => {
                    // Time-outs and the instruction that enters programming, as AVR068 has them; a bootloader passes over them.
                    let enter = [ENTER, 200, 100, 25, 32, 0, 0x53, 3, 0xAC, 0x53, 0, 0];
                    return done(&self.ask(line, &enter)?);
                }
                Ok(_) | Err(BootError::Garbled | BootError::Silent) => discard(line)?,
                Err(error) => return Err(error),
            }
        }
        Err(BootError::Silent)
    }

    fn signature(&mut self, line: &mut dyn Line) -> Result<[u8; 3], BootError> {
        let mut found = [0; 3];
        for (index, byte) in found.iter_mut().enumerate() {
            // The serial instruction "read signature byte", four bytes out and four back, the last of which is it.
            let answer = self.ask(line, &[SPI_MULTI, 4, 4, 0, 0x30, 0, index as u8, 0])?;
            done(&answer)?;
            *byte = *answer.get(5).ok_or(BootError::Garbled)?;
        }
        Ok(found)
    }

    fn write(&mut self, line: &mut dyn Line, address: usize, page: &[u8]) -> Result<(), BootError> {
        self.load_address(line, address)?;
        let [high, low] = (page.len() as u16).to_be_bytes();
        // Mode: a page, written at once, polled; then delay, the three instructions and the two poll values.
        let mut body = vec![PROGRAM_FLASH, high, low, 0xC1, 10, 0x40, 0x4C, 0x20, 0xFF, 0xFF];
        body.extend(page);
        match self.ask(line, &body)?.get(1) {
            Some(&STATUS_OK) => Ok(()),
            _ => Err(BootError::Refused { address }),
        }
    }

    fn read(&mut self, line: &mut dyn Line, address: usize, page: &mut [u8]) -> Result<(), BootError> {
        self.load_address(line, address)?;
        let [high, low] = (page.len() as u16).to_be_bytes();
        let answer = self.ask(line, &[READ_FLASH, high, low, 0x20])?;
        done(&answer)?;
        let bytes = answer.get(2..2 + page.len()).ok_or(BootError::Garbled)?;
        page.copy_from_slice(bytes);
        Ok(())
    }

    fn turn_back(&mut self, line: &mut dyn Line) -> Result<(), BootError> {
        self.enter(line)
    }

    fn leave(&mut self, line: &mut dyn Line) -> Result<(), BootError> {
        done(&self.ask(line, &[LEAVE, 1, 1])?)
    }
}
