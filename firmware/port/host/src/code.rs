//! Bytes of programs and tables, and the checksums (`firmware/core/code.h`).

use std::marker::PhantomData;

/// `struct code` of C: bytes somewhere. Made only by [`Code::in_memory`], so what it points at lives.
#[repr(C)]
#[derive(Clone, Copy, Debug)]
pub struct Code<'a> {
    place: u8,
    length: u16,
    base: usize,
    bytes: PhantomData<&'a [u8]>,
}

const CODE_MEMORY: u8 = 2;

mod c {
    unsafe extern "C" {
        pub safe fn crc32_add(crc: u32, byte: u8) -> u32;
        pub safe fn crc16_add(crc: u16, byte: u8) -> u16;
        pub fn code_byte(code: *const super::Code<'_>, offset: u16) -> u8;
    }
}

impl<'a> Code<'a> {
    /// Bytes of this process; at most 65 535 of them count.
    pub fn in_memory(bytes: &'a [u8]) -> Code<'a> {
        let length = bytes.len().min(usize::from(u16::MAX)) as u16;
        Code { place: CODE_MEMORY, length, base: bytes.as_ptr() as usize, bytes: PhantomData }
    }

    /// How many bytes.
    pub fn length(&self) -> u16 {
        self.length
    }

    /// The byte at this offset, 0 beyond the end.
    pub fn byte(&self, offset: u16) -> u8 {
        // SAFETY: `self` has the layout of `struct code` and its bytes outlive it; C reads none beyond `length`.
        unsafe { c::code_byte(self, offset) }
    }
}

/// CRC-32 of the C code, whole.
pub fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(0xFFFF_FFFF, |crc, byte| c::crc32_add(crc, *byte))
}

/// CRC-16 of the C code, whole.
pub fn crc16(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |crc, byte| c::crc16_add(crc, *byte))
}

#[cfg(test)]
mod tests {
    use super::*;

    // Check values of the catalogue of parametrised CRC algorithms for "123456789".
    #[test]
    fn checksums_have_the_catalogue_values() {
        assert_eq!(crc32(b"123456789"), 0xCBF4_3926);
        assert_eq!(crc16(b"123456789"), 0x29B1);
    }

    #[test]
    fn bytes_end_where_they_end() {
        let code = Code::in_memory(&[1, 2]);
        assert_eq!((code.byte(0), code.byte(1), code.byte(2)), (1, 2, 0));
    }
}
