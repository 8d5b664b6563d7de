//! STK500, first version, as small bootloaders speak it (Atmel application note AVR061).
//!
//! The bootloaders of these boards are entered by every reset from outside, whatever stands in the flash behind them, and erase each
//! page before they write it. A page is written only when all of its bytes have come, so a pulled cable never leaves half a page.

use std::time::Duration;

use super::{BootError, Bootloader, Line, discard, exactly, time_for};

const OK: u8 = 0x10;
const FAILED: u8 = 0x11;
const IN_SYNC: u8 = 0x14;
const END: u8 = 0x20;
const GET_SYNC: u8 = 0x30;
const ENTER: u8 = 0x50;
const LEAVE: u8 = 0x51;
const LOAD_ADDRESS: u8 = 0x55;
const PROGRAM_PAGE: u8 = 0x64;
const READ_PAGE: u8 = 0x74;
const READ_SIGNATURE: u8 = 0x75;
/// Asked so often for a sign of life after a reset: a bootloader blinks before it listens.
const GREETINGS: usize = 12;

pub(super) struct Stk500v1;

/// Sends a command, which its end mark closes, and reads the answer between its two marks.
fn ask(line: &mut dyn Line, command: &[u8], answer: &mut [u8]) -> Result<(), BootError> {
    line.send(&[command, &[END]].concat())?;
    let within = time_for(line, command.len() + answer.len());
    let mut mark = [0];
    exactly(line, &mut mark, within)?;
    if mark[0] != IN_SYNC {
        return Err(BootError::Garbled);
    }
    exactly(line, answer, within)?;
    exactly(line, &mut mark, within)?;
    if mark[0] == OK { Ok(()) } else { Err(BootError::Garbled) }
}

fn load_address(line: &mut dyn Line, address: usize) -> Result<(), BootError> {
    let [low, high] = ((address / 2) as u16).to_le_bytes();
    ask(line, &[LOAD_ADDRESS, low, high], &mut [])
}

fn of_page(command: u8, n: usize) -> [u8; 4] {
    let [high, low] = (n as u16).to_be_bytes();
    [command, high, low, b'F']
}

impl Bootloader for Stk500v1 {
    fn enter(&mut self, line: &mut dyn Line) -> Result<(), BootError> {
        line.reset()?;
        discard(line)?;
        let within = line.patience().min(Duration::from_millis(150));
        for _ in 0..GREETINGS {
            line.send(&[GET_SYNC, END])?;
            let mut answer = [0; 2];
            match exactly(line, &mut answer, within) {
                Ok(()) if answer == [IN_SYNC, OK] => {
                    // Earlier greetings may be answered late.
                    let mut rest = [0; 16];
                    while line.receive(&mut rest, within.min(Duration::from_millis(30)))? > 0 {}
                    return ask(line, &[ENTER], &mut []);
                }
                Ok(()) => discard(line)?,
                Err(BootError::Silent) => {}
                Err(error) => return Err(error),
            }
        }
        Err(BootError::Silent)
    }

    fn signature(&mut self, line: &mut dyn Line) -> Result<[u8; 3], BootError> {
        let mut found = [0; 3];
        ask(line, &[READ_SIGNATURE], &mut found)?;
        Ok(found)
    }

    fn write(&mut self, line: &mut dyn Line, address: usize, page: &[u8]) -> Result<(), BootError> {
        load_address(line, address)?;
        line.send(&[&of_page(PROGRAM_PAGE, page.len())[..], page, &[END]].concat())?;
        let mut answer = [0; 2];
        let within = time_for(line, page.len());
        exactly(line, &mut answer, within)?;
        match answer {
            [IN_SYNC, OK] => Ok(()),
            [IN_SYNC, FAILED] => Err(BootError::Refused { address }),
            _ => Err(BootError::Garbled),
        }
    }

    fn read(&mut self, line: &mut dyn Line, address: usize, page: &mut [u8]) -> Result<(), BootError> {
        load_address(line, address)?;
        ask(line, &of_page(READ_PAGE, page.len()), page)
    }

    fn leave(&mut self, line: &mut dyn Line) -> Result<(), BootError> {
        ask(line, &[LEAVE], &mut [])
    }
}
