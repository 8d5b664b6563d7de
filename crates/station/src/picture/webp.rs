//! WebP: picture, alpha and ICC profile stay; Exif, XMP and unknown chunks go, and the header says so.

use super::{Broken, Kind, Picture, Refused, part};

/// Flags of `VP8X` (RFC 9649, 2.7.1): animation, and those of Exif and XMP, which are cleared.
const ANIMATION: u8 = 0x02;
const EXIF_AND_XMP: u8 = 0x0C;

pub(super) fn cleaned(file: &[u8]) -> Result<Picture, Refused> {
    let (size, moves, chunks) = walk(file).map_err(|Broken| Refused::Broken(Kind::Webp))?;
    if moves {
        return Err(Refused::Moves(Kind::Webp));
    }
    let (width, height) = size.ok_or(Refused::Broken(Kind::Webp))?;
    let length = u32::try_from(chunks.len() + 4).map_err(|_| Refused::Broken(Kind::Webp))?;
    let mut bytes = Vec::with_capacity(chunks.len() + 12);
    bytes.extend(b"RIFF");
    bytes.extend(length.to_le_bytes());
    bytes.extend(b"WEBP");
    bytes.extend(chunks);
    Ok(Picture { kind: Kind::Webp, width, height, bytes })
}

type Walked = (Option<(u32, u32)>, bool, Vec<u8>);

/// The size, whether it moves, and the chunks that stay.
fn walk(file: &[u8]) -> Result<Walked, Broken> {
    let end = le(part(file, 4, 4)?).checked_add(8).ok_or(Broken)?;
    let file = part(file, 0, end)?;
    let mut out = Vec::with_capacity(file.len());
    let (mut size, mut canvas, mut moves) = (None, None, false);
    let mut at = 12;
    while at < file.len() {
        let head = part(file, at, 8)?;
        let (name, length) = (&head[..4], le(&head[4..]));
        let padded = length.checked_add(length & 1).ok_or(Broken)?;
        let body = part(file, at + 8, length)?;
        // Some writers leave the last pad byte out.
        let end = (at + 8 + padded).min(file.len());
        match name {
            b"VP8X" => {
                let mut whole = part(file, at, 18)?.to_vec();
                moves |= whole[8] & ANIMATION != 0;
                canvas = Some((le24(&whole[12..]) + 1, le24(&whole[15..]) + 1));
                whole[8] &= !EXIF_AND_XMP;
                whole[4..8].copy_from_slice(&10_u32.to_le_bytes());
                out.extend(whole);
            }
            b"VP8 " | b"VP8L" if size.is_none() => {
                size = Some(if name == b"VP8 " { lossy(body)? } else { lossless(body)? });
                keep(&mut out, &file[at..end]);
            }
            b"ALPH" | b"ICCP" => keep(&mut out, &file[at..end]),
            b"ANIM" | b"ANMF" => moves = true,
            _ => {}
        }
        at = end;
    }
    // A canvas without a picture on it is none.
    Ok((size.map(|s| canvas.unwrap_or(s)), moves, out))
}

fn keep(out: &mut Vec<u8>, chunk: &[u8]) {
    out.extend_from_slice(chunk);
    if chunk.len() % 2 == 1 {
        out.push(0);
    }
}

/// Size of a VP8 key frame (RFC 6386, 9.1).
fn lossy(body: &[u8]) -> Result<(u32, u32), Broken> {
    match body.get(..10) {
        Some([tag, _, _, 0x9D, 0x01, 0x2A, w0, w1, h0, h1]) if tag & 1 == 0 => {
            let of = |low: u8, high: u8| u32::from(u16::from_le_bytes([low, high]) & 0x3FFF);
            Ok((of(*w0, *w1), of(*h0, *h1)))
        }
        _ => Err(Broken),
    }
}

/// Size of a lossless picture (RFC 9649, 3.4): 14 bits each, less one.
fn lossless(body: &[u8]) -> Result<(u32, u32), Broken> {
    match body.get(..5) {
        Some([0x2F, a, b, c, d]) => {
            let bits = u32::from_le_bytes([*a, *b, *c, *d]);
            Ok(((bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1))
        }
        _ => Err(Broken),
    }
}

fn le(bytes: &[u8]) -> usize {
    bytes.iter().take(4).rev().fold(0, |n, b| n << 8 | usize::from(*b))
}

fn le24(bytes: &[u8]) -> u32 {
    bytes.iter().take(3).rev().fold(0, |n, b| n << 8 | u32::from(*b))
}
