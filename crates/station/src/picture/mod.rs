//! Photos before they are kept: what they are by their first bytes, how large, and nothing in them but the picture.
//!
//! A phone writes into each photo where it was taken, when, by whom and with what. Of a photo only those parts are kept that are needed to show it:
//! the list is of what stays, so what is unknown goes. Pixels are never touched and never decoded here. The way up of a JPEG is kept, as the only
//! thing of its Exif. Nothing makes this panic.
//!
//! Sources: JPEG markers ITU-T T.81 (1992) table B.1, JFIF 1.02, Exif 2.32 (tag 0x0112), ICC.1:2010 annex B.4; PNG third edition (W3C 2025);
//! WebP RFC 9649.

mod jpeg;
mod png;
mod webp;

/// Longest side, pixels: more is no photo of a tank but meant to fill a browser's memory.
pub const LONGEST_SIDE: u32 = 12_000;
/// Most pixels.
pub const MOST_PIXELS: u64 = 50_000_000;

/// Kinds that every browser shows.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Kind {
    /// JPEG.
    Jpeg,
    /// PNG, standing.
    Png,
    /// WebP, standing.
    Webp,
}

impl Kind {
    /// The word in the store and the end of a file's name.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Jpeg => "jpeg",
            Kind::Png => "png",
            Kind::Webp => "webp",
        }
    }

    /// By that word.
    pub fn of_word(word: &str) -> Option<Kind> {
        [Kind::Jpeg, Kind::Png, Kind::Webp].into_iter().find(|kind| kind.word() == word)
    }

    /// For `Content-Type`.
    pub fn media_type(self) -> &'static str {
        match self {
            Kind::Jpeg => "image/jpeg",
            Kind::Png => "image/png",
            Kind::Webp => "image/webp",
        }
    }
}

/// A picture with nothing else in it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Picture {
    /// What it is.
    pub kind: Kind,
    /// Pixels, before it is turned the right way up.
    pub width: u32,
    /// Pixels.
    pub height: u32,
    /// The file, cleaned.
    pub bytes: Vec<u8>,
}

/// Why a file is not taken.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Refused {
    /// It begins like none of the kinds.
    Unknown,
    /// It is a picture of a kind that not every browser shows, by its first bytes.
    Other(&'static str),
    /// It ends in the middle, or a length in it is wrong.
    Broken(Kind),
    /// It moves.
    Moves(Kind),
    /// No pixels, or too many.
    Size(u32, u32),
}

impl std::fmt::Display for Refused {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Refused::Unknown => f.write_str("this is no photo; send a JPEG, PNG or WebP file"),
            Refused::Other(what) => {
                write!(f, "this is {what}, which not every browser shows; save it as JPEG and send that")
            }
            Refused::Broken(kind) => {
                write!(f, "this {} file ends too early or is damaged; send it again", kind.word())
            }
            Refused::Moves(kind) => {
                write!(f, "this {} file is a moving picture; send one that stands", kind.word())
            }
            Refused::Size(width, height) => write!(
                f,
                "a photo of {width} by {height} pixels is not taken: each side goes from 1 to {LONGEST_SIDE}, {} million pixels in all",
                MOST_PIXELS / 1_000_000
            ),
        }
    }
}

impl std::error::Error for Refused {}

/// Looks at a file and keeps nothing but its picture.
///
/// # Errors
/// [`Refused`]: it is no photo, is broken, or too large to be shown.
pub fn cleaned(file: &[u8]) -> Result<Picture, Refused> {
    let picture = match file {
        [0xFF, 0xD8, 0xFF, ..] => jpeg::cleaned(file).map_err(|Broken| Refused::Broken(Kind::Jpeg))?,
        [0x89, b'P', b'N', b'G', 0x0D, 0x0A, 0x1A, 0x0A, ..] => png::cleaned(file)?,
        [b'R', b'I', b'F', b'F', _, _, _, _, b'W', b'E', b'B', b'P', ..] => webp::cleaned(file)?,
        _ => return Err(other(file)),
    };
    let (w, h) = (picture.width, picture.height);
    let is_fit = (1..=LONGEST_SIDE).contains(&w)
        && (1..=LONGEST_SIDE).contains(&h)
        && u64::from(w) * u64::from(h) <= MOST_PIXELS;
    if is_fit { Ok(picture) } else { Err(Refused::Size(w, h)) }
}

/// What else phones and scanners make, so that a person is told what to do.
fn other(file: &[u8]) -> Refused {
    match file {
        [_, _, _, _, b'f', b't', b'y', b'p', b'h' | b'm', ..] => Refused::Other("HEIC"),
        [_, _, _, _, b'f', b't', b'y', b'p', b'a', b'v', b'i', ..] => Refused::Other("AVIF"),
        [b'G', b'I', b'F', b'8', ..] => Refused::Other("GIF"),
        [b'I', b'I', 42, 0, ..] | [b'M', b'M', 0, 42, ..] => Refused::Other("TIFF or a raw photo"),
        _ => Refused::Unknown,
    }
}

/// It ends too early, or a length in it is wrong.
struct Broken;

/// A part of a file, or that it ends before.
fn part(file: &[u8], from: usize, length: usize) -> Result<&[u8], Broken> {
    file.get(from..).and_then(|rest| rest.get(..length)).ok_or(Broken)
}

#[cfg(test)]
mod tests;
