//! AVR109, over native USB (Atmel application note AVR109).
//!
//! Bootloaders of boards with native USB are entered by a touch of 1200 baud or two presses of the reset button, and stay in charge while
//! the reset vector is erased. Some erase a page before they write it; those that follow the application note to the letter erase only all
//! at once. Both are served by one order: all is erased, then all pages but the first are written and read back, then the first.

use std::time::Duration;

use super::{BootError, Bootloader, Line, check, discard, exactly, time_for};

const CR: u8 = b'\r';
const GREETINGS: usize = 6;
/// 256 pages of 4.5 ms each (data sheet of the ATmega32U4), and half as much again.
const ERASE_TIME: Duration = Duration::from_millis(1800);

pub(super) struct Avr109;

fn ask(line: &mut dyn Line, command: &[u8], answer: &mut [u8]) -> Result<(), BootError> {
    line.send(command)?;
    let within = time_for(line, command.len() + answer.len());
    exactly(line, answer, within)
}

/// A command that is answered by a carriage return.
fn tell(line: &mut dyn Line, command: &[u8]) -> Result<(), BootError> {
    let mut answer = [0];
    ask(line, command, &mut answer)?;
    if answer[0] == CR { Ok(()) } else { Err(BootError::Garbled) }
}

fn set_address(line: &mut dyn Line, address: usize) -> Result<(), BootError> {
    let [high, low] = ((address / 2) as u16).to_be_bytes();
    tell(line, &[b'A', high, low])
}

fn of_block(command: u8, n: usize) -> [u8; 4] {
    let [high, low] = (n as u16).to_be_bytes();
    [command, high, low, b'F']
}

impl Bootloader for Avr109 {
    fn enter(&mut self, line: &mut dyn Line) -> Result<(), BootError> {
        line.reset()?;
        discard(line)?;
        for _ in 0..GREETINGS {
            let mut name = [0; 7];
            match ask(line, b"S", &mut name) {
                Ok(()) if name.iter().all(|byte| byte.is_ascii_graphic() || *byte == b' ') => {
                    let mut blocks = [0; 3];
                    ask(line, b"b", &mut blocks)?;
                    if blocks[0] != b'Y' {
                        return Err(BootError::Garbled);
                    }
                    return tell(line, b"P");
                }
                Ok(()) | Err(BootError::Silent) => discard(line)?,
                Err(error) => return Err(error),
            }
        }
        Err(BootError::Silent)
    }

    fn signature(&mut self, line: &mut dyn Line) -> Result<[u8; 3], BootError> {
        let mut found = [0; 3];
        ask(line, b"s", &mut found)?;
        found.reverse();
        Ok(found)
    }

    fn write(&mut self, line: &mut dyn Line, address: usize, page: &[u8]) -> Result<(), BootError> {
        set_address(line, address)?;
        let mut answer = [0];
        ask(line, &[&of_block(b'B', page.len())[..], page].concat(), &mut answer)?;
        match answer[0] {
            CR => Ok(()),
            b'?' => Err(BootError::Refused { address }),
            _ => Err(BootError::Garbled),
        }
    }

    fn read(&mut self, line: &mut dyn Line, address: usize, page: &mut [u8]) -> Result<(), BootError> {
        set_address(line, address)?;
        ask(line, &of_block(b'g', page.len()), page)
    }

    /// All of the flash is erased: an erased reset vector holds these bootloaders in charge, and those that erase nothing else can
    /// be written at all.
    fn hold_still(&mut self, line: &mut dyn Line, page: usize) -> Result<(), BootError> {
        let within = time_for(line, 0) + ERASE_TIME;
        line.send(b"e")?;
        let mut answer = [0];
        exactly(line, &mut answer, within)?;
        if answer[0] != CR {
            return Err(BootError::Garbled);
        }
        check(line, self, 0, &vec![0xFF; page])
    }

    fn leave(&mut self, line: &mut dyn Line) -> Result<(), BootError> {
        tell(line, b"L")?;
        tell(line, b"E")
    }
}
