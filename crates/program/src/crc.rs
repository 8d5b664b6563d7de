//! The two checksums of the formats: CRC-32 (IEEE 802.3) over programs and wiring tables, CRC-16 (CCITT, initial
//! 0xFFFF) over EEPROM records. Bitwise and without tables, because flash is dearer than time on the smallest board.

/// CRC-32 as in IEEE 802.3 (reflected 0x04C11DB7, initial and final complement).
pub fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0, |crc, &byte| {
        (0..8).fold(crc ^ u32::from(byte), |crc, _| (crc >> 1) ^ (0xEDB8_8320 & (crc & 1).wrapping_neg()))
    })
}

/// CRC-16/CCITT-FALSE (polynomial 0x1021, initial 0xFFFF, not reflected).
pub fn crc16(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |crc, &byte| {
        (0..8).fold(
            crc ^ u16::from(byte) << 8,
            |crc, _| {
                if crc & 0x8000 == 0 { crc << 1 } else { crc << 1 ^ 0x1021 }
            },
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    // Check values of the catalogue of parametrised CRC algorithms for "123456789".
    #[test]
    fn catalogue_check_values() {
        assert_eq!(crc32(b"123456789"), 0xCBF4_3926);
        assert_eq!(crc16(b"123456789"), 0x29B1);
    }
}
