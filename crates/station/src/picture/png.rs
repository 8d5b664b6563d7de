//! PNG: the chunks that are needed to show it stay, each with a right checksum; texts, times, Exif and whatever is unknown go.

use super::{Broken, Kind, Picture, Refused, part};

const SIGNATURE: [u8; 8] = [0x89, b'P', b'N', b'G', 0x0D, 0x0A, 0x1A, 0x0A];
/// Chunks that stay.
const KEPT: [&[u8; 4]; 12] = [
    b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"gAMA", b"cHRM", b"sRGB", b"iCCP", b"sBIT", b"pHYs",
    b"cICP",
];

pub(super) fn cleaned(file: &[u8]) -> Result<Picture, Refused> {
    let broken = |Broken| Refused::Broken(Kind::Png);
    let mut out = Vec::with_capacity(file.len());
    out.extend(SIGNATURE);
    let mut size = None;
    let mut at = SIGNATURE.len();
    loop {
        let head = part(file, at, 8).map_err(broken)?;
        let length = be(head) as usize;
        let name = &head[4..8];
        let whole =
            part(file, at, length.checked_add(12).ok_or(Refused::Broken(Kind::Png))?).map_err(broken)?;
        let (body, crc) = whole.split_at(length + 8);
        at += whole.len();
        if name == b"acTL" {
            return Err(Refused::Moves(Kind::Png));
        }
        if size.is_none() {
            if name != b"IHDR" || length != 13 {
                return Err(Refused::Broken(Kind::Png));
            }
            size = Some((be(&body[8..]), be(&body[12..])));
        }
        if !KEPT.iter().any(|kept| *kept == name) {
            continue;
        }
        if crc32fast::hash(&body[4..]) != be(crc) {
            return Err(Refused::Broken(Kind::Png));
        }
        out.extend_from_slice(whole);
        if name == b"IEND" {
            break;
        }
    }
    let (width, height) = size.ok_or(Refused::Broken(Kind::Png))?;
    Ok(Picture { kind: Kind::Png, width, height, bytes: out })
}

fn be(bytes: &[u8]) -> u32 {
    bytes.iter().take(4).fold(0, |n, b| n << 8 | u32::from(*b))
}
