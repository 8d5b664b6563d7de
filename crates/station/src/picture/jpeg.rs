//! JPEG: tables, frame and scans stay, with JFIF, Adobe's colour transform and an ICC profile; every other segment goes, and what stands behind the end.

use super::{Broken, Kind, Picture, part};

const SOI: u8 = 0xD8;
const EOI: u8 = 0xD9;
const SOS: u8 = 0xDA;
const APP0: u8 = 0xE0;
const APP1: u8 = 0xE1;
const APP2: u8 = 0xE2;
const APP14: u8 = 0xEE;

pub(super) fn cleaned(file: &[u8]) -> Result<Picture, Broken> {
    // Orientation is written behind JFIF, which must be the first segment where there is one.
    let mut head: Vec<u8> = vec![0xFF, SOI];
    let mut rest: Vec<u8> = Vec::with_capacity(file.len());
    let mut turned = None;
    let mut size = None;
    let mut has_scan = false;
    let mut at = 2;
    loop {
        let (marker, body) = marker_at(file, at)?;
        at = body;
        if marker == EOI {
            rest.extend([0xFF, EOI]);
            break;
        }
        // Restarts and the temporary marker have no length; between segments they mean nothing.
        if marker == 0x01 || (0xD0..=0xD7).contains(&marker) {
            continue;
        }
        if marker == SOI {
            return Err(Broken);
        }
        let length = usize::from(u16::from_be_bytes(part(file, at, 2)?.try_into().map_err(|_| Broken)?));
        let segment = part(file, at, length.max(2))?;
        at += segment.len();
        let data = segment.get(2..).unwrap_or_default();
        match marker {
            APP0 if data.starts_with(b"JFIF\0") && head.len() == 2 => head.extend(without_thumbnail(data)?),
            APP1 if data.starts_with(b"Exif\0\0") && turned.is_none() => {
                turned = orientation(data.get(6..).unwrap_or_default());
            }
            APP2 if data.starts_with(b"ICC_PROFILE\0") => keep(&mut rest, marker, segment),
            APP14 if data.starts_with(b"Adobe") => keep(&mut rest, marker, segment),
            0xC0..=0xCF if !matches!(marker, 0xC4 | 0xC8 | 0xCC) => {
                if size.is_some() {
                    return Err(Broken);
                }
                let of = |from: usize| {
                    data.get(from..from + 2).map(|b| u32::from(b[0]) << 8 | u32::from(b[1])).ok_or(Broken)
                };
                size = Some((of(3)?, of(1)?));
                keep(&mut rest, marker, segment);
            }
            0xC4 | 0xCC | 0xDB | 0xDD => keep(&mut rest, marker, segment),
            SOS => {
                if size.is_none() {
                    return Err(Broken);
                }
                has_scan = true;
                keep(&mut rest, marker, segment);
                let end = scan_end(file, at)?;
                rest.extend_from_slice(part(file, at, end - at)?);
                at = end;
            }
            _ => {}
        }
    }
    let (Some((width, height)), true) = (size, has_scan) else { return Err(Broken) };
    if let Some(turned) = turned {
        head.extend(exif_of(turned));
    }
    head.extend(rest);
    Ok(Picture { kind: Kind::Jpeg, width, height, bytes: head })
}

fn keep(out: &mut Vec<u8>, marker: u8, segment: &[u8]) {
    out.extend([0xFF, marker]);
    out.extend_from_slice(segment);
}

/// The marker at a place, after any fill bytes, and where what follows it begins.
fn marker_at(file: &[u8], at: usize) -> Result<(u8, usize), Broken> {
    if part(file, at, 1)? != [0xFF] {
        return Err(Broken);
    }
    let rest = file.get(at..).ok_or(Broken)?;
    let n_fill = rest.iter().take_while(|b| **b == 0xFF).count();
    match rest.get(n_fill) {
        Some(0) | None => Err(Broken),
        Some(marker) => Ok((*marker, at + n_fill + 1)),
    }
}

/// Where a scan's coded data end: at the next marker that is no restart.
fn scan_end(file: &[u8], from: usize) -> Result<usize, Broken> {
    let mut at = from;
    loop {
        let rest = file.get(at..).ok_or(Broken)?;
        at += rest.iter().position(|b| *b == 0xFF).ok_or(Broken)?;
        match file.get(at + 1).ok_or(Broken)? {
            0x00 | 0xD0..=0xD7 => at += 2,
            0xFF => at += 1,
            _ => return Ok(at),
        }
    }
}

/// JFIF without the small picture that may stand in it: that shows what was cut away.
fn without_thumbnail(data: &[u8]) -> Result<Vec<u8>, Broken> {
    let fixed = data.get(..12).ok_or(Broken)?;
    let mut out = vec![0xFF, APP0, 0, 16];
    out.extend_from_slice(fixed);
    out.extend([0, 0]);
    Ok(out)
}

/// The way up of a TIFF structure as Exif has it: 2 to 8 where the picture must be turned or mirrored.
fn orientation(tiff: &[u8]) -> Option<u8> {
    let is_big = match tiff.get(..4)? {
        [b'M', b'M', 0, 42] => true,
        [b'I', b'I', 42, 0] => false,
        _ => return None,
    };
    let u16_at = |at: usize| {
        let bytes: [u8; 2] = tiff.get(at..at.checked_add(2)?)?.try_into().ok()?;
        Some(if is_big { u16::from_be_bytes(bytes) } else { u16::from_le_bytes(bytes) })
    };
    let first: [u8; 4] = tiff.get(4..8)?.try_into().ok()?;
    let first = if is_big { u32::from_be_bytes(first) } else { u32::from_le_bytes(first) };
    let first = usize::try_from(first).ok()?;
    let n = usize::from(u16_at(first)?);
    let entry = (0..n).map(|k| first.saturating_add(2 + 12 * k)).find(|at| u16_at(*at) == Some(0x0112))?;
    u16_at(entry + 8).and_then(|v| u8::try_from(v).ok()).filter(|v| (2..=8).contains(v))
}

/// Exif that says the way up and nothing else.
fn exif_of(turned: u8) -> Vec<u8> {
    let mut out = vec![0xFF, APP1, 0, 34];
    out.extend(b"Exif\0\0MM\0\x2A\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0");
    out.extend([turned, 0, 0, 0, 0, 0, 0]);
    out
}
