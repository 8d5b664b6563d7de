//! Little-endian fields of the state file, to bytes and from bytes. What does not fit is `None`; nothing panics.

use program::crc::crc32;

/// Fields one behind the other.
#[derive(Debug, Default)]
pub(crate) struct Writer(Vec<u8>);

impl Writer {
    pub fn bytes(&mut self, bytes: &[u8]) {
        self.0.extend_from_slice(bytes);
    }
    pub fn u8(&mut self, value: u8) {
        self.0.push(value);
    }
    pub fn u32(&mut self, value: u32) {
        self.bytes(&value.to_le_bytes());
    }
    pub fn u64(&mut self, value: u64) {
        self.bytes(&value.to_le_bytes());
    }
    /// Bytes with their length in front.
    pub fn block(&mut self, bytes: &[u8]) {
        self.u32(bytes.len() as u32);
        self.bytes(bytes);
    }
    /// With a checksum behind.
    pub fn finish(mut self) -> Vec<u8> {
        let crc = crc32(&self.0);
        self.u32(crc);
        self.0
    }
}

/// The same back.
#[derive(Debug)]
pub(crate) struct Reader<'a>(&'a [u8]);

impl<'a> Reader<'a> {
    /// When the checksum is right.
    pub fn new(file: &'a [u8]) -> Option<Reader<'a>> {
        let (fields, crc) = file.split_last_chunk::<4>()?;
        (crc32(fields).to_le_bytes() == *crc).then_some(Reader(fields))
    }
    pub fn array<const N: usize>(&mut self) -> Option<&'a [u8; N]> {
        let (bytes, rest) = self.0.split_first_chunk::<N>()?;
        self.0 = rest;
        Some(bytes)
    }
    pub fn u8(&mut self) -> Option<u8> {
        self.array::<1>().map(|bytes| bytes[0])
    }
    pub fn u32(&mut self) -> Option<u32> {
        self.array().map(|bytes| u32::from_le_bytes(*bytes))
    }
    pub fn u64(&mut self) -> Option<u64> {
        self.array().map(|bytes| u64::from_le_bytes(*bytes))
    }
    pub fn block(&mut self) -> Option<&'a [u8]> {
        let n = self.u32()? as usize;
        let (bytes, rest) = self.0.split_at_checked(n)?;
        self.0 = rest;
        Some(bytes)
    }
}
