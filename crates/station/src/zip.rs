//! A ZIP file that is written as it goes out: members as they are, not compressed, for photos are compressed already.
//!
//! APPNOTE 6.3.10 of the format: local headers, central directory, end record. No member and no archive reaches 4 GiB: a photo has some MB, and all
//! together are bounded by what the store keeps.

use std::io::{Error, ErrorKind, Result, Write};

use care::calendar::iso_date;

use crate::care::DAY_MS;

/// Version 2.0 needed to read; names are UTF-8 (bit 11 of the flags).
const NEEDS: u16 = 20;
const FLAGS: u16 = 1 << 11;

/// An archive under way.
#[derive(Debug)]
pub struct Zip<W> {
    out: W,
    at: u32,
    directory: Vec<u8>,
    n: u16,
}

impl<W: Write> Zip<W> {
    /// Begins one.
    pub fn new(out: W) -> Self {
        Zip { out, at: 0, directory: vec![], n: 0 }
    }

    /// Writes a member. `at_ms` is its time, UTC.
    ///
    /// # Errors
    /// What the writer says; `InvalidInput` for what the format cannot hold.
    pub fn add(&mut self, name: &str, at_ms: i64, data: &[u8]) -> Result<()> {
        let too_large =
            || Error::new(ErrorKind::InvalidInput, "an archive holds less than 4 GiB and 65,535 files");
        let size = u32::try_from(data.len()).map_err(|_| too_large())?;
        let length = u16::try_from(name.len()).map_err(|_| too_large())?;
        let (date, time) = dos(at_ms);
        let mut common = vec![];
        for word in [NEEDS, FLAGS, 0, time, date] {
            common.extend(word.to_le_bytes());
        }
        for word in [crc32fast::hash(data), size, size] {
            common.extend(word.to_le_bytes());
        }
        common.extend(length.to_le_bytes());
        common.extend([0, 0]);
        let mut head = b"PK\x03\x04".to_vec();
        head.extend(&common);
        head.extend(name.as_bytes());
        self.out.write_all(&head)?;
        self.out.write_all(data)?;
        self.directory.extend(b"PK\x01\x02");
        self.directory.extend(NEEDS.to_le_bytes());
        self.directory.extend(&common);
        // No comment, first disk, no attributes.
        self.directory.extend([0; 10]);
        self.directory.extend(self.at.to_le_bytes());
        self.directory.extend(name.as_bytes());
        let length = u32::try_from(head.len()).map_err(|_| too_large())?;
        self.at = self.at.checked_add(length).and_then(|at| at.checked_add(size)).ok_or_else(too_large)?;
        self.n = self.n.checked_add(1).ok_or_else(too_large)?;
        Ok(())
    }

    /// Writes the directory; without it the archive is none.
    ///
    /// # Errors
    /// What the writer says.
    pub fn end(mut self) -> Result<()> {
        let length = u32::try_from(self.directory.len()).map_err(Error::other)?;
        self.out.write_all(&self.directory)?;
        let mut end = b"PK\x05\x06\0\0\0\0".to_vec();
        end.extend(self.n.to_le_bytes());
        end.extend(self.n.to_le_bytes());
        end.extend(length.to_le_bytes());
        end.extend(self.at.to_le_bytes());
        end.extend([0, 0]);
        self.out.write_all(&end)
    }
}

/// Date and time as the format has them: from 1980, in steps of two seconds.
fn dos(at_ms: i64) -> (u16, u16) {
    let date = iso_date(at_ms.div_euclid(DAY_MS));
    let mut parts = date.split('-').map(|part| part.parse::<u16>().unwrap_or(0));
    let mut next = || parts.next().unwrap_or(0);
    let (year, month, day) = (next(), next(), next());
    if !(1980..=2107).contains(&year) {
        return (1 << 5 | 1, 0);
    }
    let seconds = (at_ms.rem_euclid(DAY_MS) / 1000) as u32;
    let time = (seconds / 3600) << 11 | (seconds / 60 % 60) << 5 | (seconds % 60 / 2);
    ((year - 1980) << 9 | month << 5 | day, time as u16)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The check value of the catalogue of CRCs for "123456789" (CRC-32/ISO-HDLC).
    #[test]
    fn the_checksum_is_that_of_the_standard() {
        assert_eq!(crc32fast::hash(b"123456789"), 0xCBF4_3926);
    }

    /// Bytes as Info-ZIP writes a stored member with these values; by hand from APPNOTE 4.3.
    #[test]
    fn an_archive_has_the_parts_of_the_format() {
        let mut out = vec![];
        let mut zip = Zip::new(&mut out);
        // 2026-11-29 12:34:56
        zip.add("a.txt", 1_795_955_696_000, b"123456789").expect("writes");
        zip.end().expect("writes");
        let date = (2026_u16 - 1980) << 9 | 11 << 5 | 29;
        let time = 12_u16 << 11 | 34 << 5 | 28;
        let mut head = b"PK\x03\x04\x14\0\0\x08\0\0".to_vec();
        head.extend(time.to_le_bytes());
        head.extend(date.to_le_bytes());
        head.extend(b"\x26\x39\xF4\xCB\x09\0\0\0\x09\0\0\0\x05\0\0\0a.txt123456789PK\x01\x02\x14\0");
        assert_eq!(out[..head.len()], head);
        assert!(
            out.ends_with(b"PK\x05\x06\0\0\0\0\x01\0\x01\0\x33\0\0\0\x2C\0\0\0\0\0"),
            "{:x?}",
            &out[out.len() - 22..]
        );
    }
}
