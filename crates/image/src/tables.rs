//! The tables block behind the runtime: wiring table, golden program, panel table (docs/firmware.md, "Flash").

use program::crc::crc32;

/// First bytes of every block.
const MAGIC: [u8; 2] = *b"Tb";
const FORMAT: u8 = 1;
/// Bytes before the wiring table.
pub const HEADER: usize = 18;
/// The block begins at a multiple of this.
pub const ALIGNMENT: usize = 128;

/// What a block holds.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Tables {
    /// Wiring table, `Ti`.
    pub wiring: Vec<u8>,
    /// Golden program, `Tw`.
    pub program: Vec<u8>,
    /// Panel table, `Tp`; empty for none.
    pub panel: Vec<u8>,
}

/// A block that was found in flash.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Found {
    /// Where it begins.
    pub at: usize,
    /// The runtime before it is what it was built with.
    pub is_runtime_sound: bool,
    /// What it holds.
    pub tables: Tables,
}

impl Tables {
    /// The block for a runtime that takes flash from 0 up to the block's place, gaps as erased flash. None when a part is longer
    /// than its length can say.
    pub fn block(&self, runtime: &[u8]) -> Option<Vec<u8>> {
        let mut out = vec![];
        out.extend(MAGIC);
        out.extend([FORMAT, 0]);
        for part in [&self.wiring, &self.program, &self.panel] {
            out.extend(u16::try_from(part.len()).ok()?.to_le_bytes());
        }
        out.extend(crc32(runtime).to_le_bytes());
        out.extend(crc32(&out).to_le_bytes());
        for part in [&self.wiring, &self.program, &self.panel] {
            out.extend(part);
        }
        Some(out)
    }

    /// Looks for a block in flash that begins at address 0. Flash may end anywhere: what is cut off is not found.
    pub fn find(flash: &[u8]) -> Option<Found> {
        (0..flash.len()).step_by(ALIGNMENT).find_map(|at| Self::found_at(flash, at))
    }

    fn found_at(flash: &[u8], at: usize) -> Option<Found> {
        let header = flash.get(at..at + HEADER)?;
        let word = |i: usize| u32::from_le_bytes([header[i], header[i + 1], header[i + 2], header[i + 3]]);
        if header[..2] != MAGIC || header[2] != FORMAT || crc32(&header[..14]) != word(14) {
            return None;
        }
        let mut rest = flash.get(at + HEADER..)?;
        let mut part = |i: usize| {
            let n = usize::from(u16::from_le_bytes([header[i], header[i + 1]]));
            let (part, more) = rest.split_at_checked(n)?;
            rest = more;
            Some(part.to_vec())
        };
        let tables = Tables { wiring: part(4)?, program: part(6)?, panel: part(8)? };
        Some(Found { at, is_runtime_sound: crc32(&flash[..at]) == word(10), tables })
    }

    /// How long a block is whose header stands here; None when this is no header.
    pub fn length(header: &[u8]) -> Option<usize> {
        let header = header.get(..HEADER)?;
        let crc = u32::from_le_bytes([header[14], header[15], header[16], header[17]]);
        if header[..2] != MAGIC || header[2] != FORMAT || crc32(&header[..14]) != crc {
            return None;
        }
        let part = |i: usize| usize::from(u16::from_le_bytes([header[i], header[i + 1]]));
        Some(HEADER + part(4) + part(6) + part(8))
    }
}

#[cfg(test)]
mod tests {
    use super::{ALIGNMENT, HEADER, Tables};

    fn tables() -> Tables {
        Tables { wiring: b"Ti wiring".to_vec(), program: b"Tw program".to_vec(), panel: b"Tp".to_vec() }
    }

    #[test]
    fn is_found_where_it_was_put() {
        let runtime: Vec<u8> = (0..3 * ALIGNMENT).map(|i| i as u8).collect();
        let block = tables().block(&runtime).expect("short parts");
        assert_eq!(block.len(), HEADER + 9 + 10 + 2);
        assert_eq!(Tables::length(&block), Some(block.len()));
        let mut flash = [runtime, block].concat();
        let found = Tables::find(&flash).expect("a block");
        assert_eq!((found.at, found.is_runtime_sound, &found.tables), (3 * ALIGNMENT, true, &tables()));
        flash[7] ^= 1;
        assert_eq!(Tables::find(&flash).map(|found| found.is_runtime_sound), Some(false));
        flash[3 * ALIGNMENT + 4] ^= 1;
        assert_eq!(Tables::find(&flash), None, "a damaged header is none");
    }

    #[test]
    fn is_not_found_cut_off_or_out_of_place() {
        let block = tables().block(&[]).expect("short parts");
        for n in 0..block.len() {
            assert_eq!(Tables::find(&block[..n]), None);
        }
        let shifted = [vec![0], block].concat();
        assert_eq!(Tables::find(&shifted), None);
    }
}
