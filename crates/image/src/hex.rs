//! Intel HEX, the form in which images go to programmers (Intel Hexadecimal Object File Format Specification, revision A, 1988).
//!
//! Read: records 00 to 05; start addresses are passed over. Written: data in lines of 16 bytes, record 04 where the upper half of the
//! address changes.

use std::collections::BTreeMap;

/// Bytes a line that is written.
const LINE: usize = 16;
/// No chip of ours has more; a file beyond it is for something else, and its gaps would only take memory.
pub const HIGHEST: u32 = 1 << 20;

/// Bytes with their addresses, as a file gives them.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Memory {
    /// Pieces by their first address; none touches the next.
    pieces: BTreeMap<u32, Vec<u8>>,
}

/// Why a text is not read.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct HexError {
    /// Line of the file, from 1.
    pub line: usize,
    /// What is wrong there.
    pub problem: HexProblem,
}

/// What can be wrong with a line.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum HexProblem {
    /// It does not begin with a colon, or has other characters than hex digits.
    NotARecord,
    /// It is longer or shorter than it says.
    Length,
    /// Its checksum does not fit: the file is damaged.
    Checksum,
    /// A record that the format does not have.
    UnknownRecord(u8),
    /// An address that was given before, or beyond any chip.
    Address(u32),
    /// Something stands behind the end record.
    BehindEnd,
    /// The file has no end record: it is cut off.
    NoEnd,
}

impl std::fmt::Display for HexError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "line {}: ", self.line)?;
        match self.problem {
            HexProblem::NotARecord => f.write_str("this is no record of Intel HEX"),
            HexProblem::Length => f.write_str("the record is longer or shorter than it says"),
            HexProblem::Checksum => f.write_str("the checksum is wrong; the file is damaged"),
            HexProblem::UnknownRecord(kind) => write!(f, "there is no record of type {kind:02X}"),
            HexProblem::Address(at) => write!(f, "address {at:#x} is given twice, or lies beyond any chip"),
            HexProblem::BehindEnd => f.write_str("something stands behind the end of the file"),
            HexProblem::NoEnd => f.write_str("the file has no end; it is cut off"),
        }
    }
}

impl std::error::Error for HexError {}

impl Memory {
    /// Puts bytes at an address.
    ///
    /// # Errors
    /// The first address that has a byte already, or that lies at or beyond [`HIGHEST`].
    pub fn put(&mut self, at: u32, bytes: &[u8]) -> Result<(), u32> {
        if bytes.is_empty() {
            return Ok(());
        }
        let end = u32::try_from(bytes.len()).ok().and_then(|n| at.checked_add(n));
        let Some(end) = end.filter(|end| *end <= HIGHEST) else { return Err(at.max(HIGHEST)) };
        if let Some((start, piece)) = self.pieces.range(..end).next_back()
            && start + piece.len() as u32 > at
        {
            return Err(at.max(*start));
        }
        // Most files go on where they were: lengthen the piece before.
        if let Some((start, piece)) = self.pieces.range_mut(..=at).next_back()
            && start + piece.len() as u32 == at
        {
            piece.extend_from_slice(bytes);
        } else {
            self.pieces.insert(at, bytes.to_vec());
        }
        let Some((&start, piece)) = self.pieces.range(..=at).next_back() else { return Ok(()) };
        if start + piece.len() as u32 == end
            && let Some(next) = self.pieces.remove(&end)
            && let Some(piece) = self.pieces.get_mut(&start)
        {
            piece.extend_from_slice(&next);
        }
        Ok(())
    }

    /// First address behind the last byte; 0 when there is none.
    pub fn end(&self) -> u32 {
        self.pieces.last_key_value().map_or(0, |(start, piece)| start + piece.len() as u32)
    }

    /// All bytes from address 0 to the end, gaps as erased flash.
    pub fn flat(&self) -> Vec<u8> {
        let mut all = vec![0xFF; self.end() as usize];
        for (start, piece) in &self.pieces {
            all[*start as usize..*start as usize + piece.len()].copy_from_slice(piece);
        }
        all
    }

    /// Reads a file.
    ///
    /// # Errors
    /// The first line that is wrong.
    pub fn read(text: &str) -> Result<Memory, HexError> {
        let mut memory = Memory::default();
        let (mut base, mut is_ended, mut n_lines) = (0_u32, false, 0);
        for (index, line) in text.lines().enumerate() {
            let line = line.trim_end();
            n_lines = index + 1;
            if line.is_empty() {
                continue;
            }
            let wrong = |problem| HexError { line: n_lines, problem };
            if is_ended {
                return Err(wrong(HexProblem::BehindEnd));
            }
            let record = record(line).map_err(wrong)?;
            let [_, high, low, kind, ref data @ .., _] = record[..] else {
                return Err(wrong(HexProblem::Length));
            };
            let word = || match data {
                [high, low] => Ok(u32::from(u16::from_be_bytes([*high, *low]))),
                _ => Err(wrong(HexProblem::Length)),
            };
            match kind {
                0 => {
                    let at = base + u32::from(u16::from_be_bytes([high, low]));
                    memory.put(at, data).map_err(|at| wrong(HexProblem::Address(at)))?;
                }
                1 => is_ended = true,
                2 => base = word()? << 4,
                4 => base = word()? << 16,
                3 | 5 => {}
                kind => return Err(wrong(HexProblem::UnknownRecord(kind))),
            }
        }
        if is_ended { Ok(memory) } else { Err(HexError { line: n_lines, problem: HexProblem::NoEnd }) }
    }

    /// Writes a file.
    pub fn write(&self) -> String {
        let mut out = String::new();
        let mut upper = 0;
        for (start, piece) in &self.pieces {
            let mut at = *start;
            let mut rest = &piece[..];
            while !rest.is_empty() {
                if at >> 16 != upper {
                    upper = at >> 16;
                    put_record(&mut out, 0, 4, &(upper as u16).to_be_bytes());
                }
                // No line crosses a multiple of its length, so none crosses 64 KB.
                let room = LINE - at as usize % LINE;
                let (line, more) = rest.split_at(room.min(rest.len()));
                put_record(&mut out, at as u16, 0, line);
                at += line.len() as u32;
                rest = more;
            }
        }
        put_record(&mut out, 0, 1, &[]);
        out
    }
}

/// The bytes of a line, its length and checksum held.
fn record(line: &str) -> Result<Vec<u8>, HexProblem> {
    let digits = line.strip_prefix(':').ok_or(HexProblem::NotARecord)?.as_bytes();
    let digit = |c: u8| char::from(c).to_digit(16).map(|d| d as u8);
    let mut bytes = vec![];
    for pair in digits.chunks(2) {
        match pair {
            [high, low] => {
                let high = digit(*high).ok_or(HexProblem::NotARecord)?;
                bytes.push(high << 4 | digit(*low).ok_or(HexProblem::NotARecord)?);
            }
            _ => return Err(HexProblem::Length),
        }
    }
    if bytes.len() < 5 || usize::from(bytes[0]) + 5 != bytes.len() {
        return Err(HexProblem::Length);
    }
    let sum = bytes.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
    if sum == 0 { Ok(bytes) } else { Err(HexProblem::Checksum) }
}

fn put_record(out: &mut String, at: u16, kind: u8, data: &[u8]) {
    use std::fmt::Write;
    let [high, low] = at.to_be_bytes();
    let head = [data.len() as u8, high, low, kind];
    let mut sum = 0_u8;
    out.push(':');
    for byte in head.iter().chain(data) {
        sum = sum.wrapping_add(*byte);
        // Writing to a String never fails.
        let _ = write!(out, "{byte:02X}");
    }
    let _ = writeln!(out, "{:02X}", sum.wrapping_neg());
}

#[cfg(test)]
mod tests {
    use super::{HexProblem, Memory};

    /// Records of the examples in the specification's general description of each type, checksums worked out by its rule: the
    /// bytes of a record, checksum included, add to 0 modulo 256.
    const TEXT: &str = ":10010000214601360121470136007EFE09D2190140\n\
                        :0B0010006164647265737320676170A7\n\
                        :020000021200EA\n\
                        :0400000300003800C1\n\
                        :02000000AABB99\n\
                        :00000001FF\n";

    #[test]
    fn reads_what_others_write() {
        let memory = Memory::read(TEXT).expect("a sound file");
        let flat = memory.flat();
        assert_eq!(&flat[0x10..0x1B], b"address gap");
        assert_eq!(flat[0x0F], 0xFF, "a gap is erased flash");
        assert_eq!(&flat[0x100..0x104], [0x21, 0x46, 0x01, 0x36]);
        assert_eq!(&flat[0x12000..], [0xAA, 0xBB], "segment 0x1200");
    }

    #[test]
    fn writes_what_it_reads() {
        let mut memory = Memory::default();
        let bytes: Vec<u8> = (0..100_000_u32).map(|i| (i * 7 / 3) as u8).collect();
        assert_eq!(memory.put(5, &bytes), Ok(()));
        assert_eq!(memory.put(200_000, b"far"), Ok(()));
        let text = memory.write();
        assert!(text.lines().all(|line| line.len() <= 43));
        assert_eq!(Memory::read(&text), Ok(memory));
    }

    #[test]
    fn pieces_that_touch_become_one() {
        let mut memory = Memory::default();
        for at in [4, 0, 8] {
            assert_eq!(memory.put(at, &[1; 4]), Ok(()));
        }
        assert_eq!(memory.pieces.len(), 1);
        assert_eq!(memory.put(11, &[2; 2]), Err(11));
        assert_eq!(memory.put(0, &[2; 1]), Err(0));
        assert_eq!(memory.flat(), [1; 12]);
    }

    #[test]
    fn says_what_is_wrong_where() {
        let wrong = |text: &str| Memory::read(text).map_err(|error| (error.line, error.problem)).err();
        assert_eq!(wrong(""), Some((0, HexProblem::NoEnd)));
        assert_eq!(wrong("hello"), Some((1, HexProblem::NotARecord)));
        assert_eq!(wrong(":00000001FE"), Some((1, HexProblem::Checksum)));
        assert_eq!(wrong(":02000001FF"), Some((1, HexProblem::Length)));
        assert_eq!(wrong(":0"), Some((1, HexProblem::Length)));
        assert_eq!(wrong(":0000000AF6"), Some((1, HexProblem::UnknownRecord(0x0A))));
        assert_eq!(wrong(":00000001FF\n:00000001FF"), Some((2, HexProblem::BehindEnd)));
        assert_eq!(wrong(":0100000000FF\n:0100000000FF\n:00000001FF"), Some((2, HexProblem::Address(0))));
        assert_eq!(wrong(":02000004FFFFFC\n:0100000000FF\n"), Some((2, HexProblem::Address(0xFFFF_0000))));
    }
}
