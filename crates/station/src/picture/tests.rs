//! Photos that Pillow wrote, with a place in each corner (tests/reference/photos/make_photos.py), before and after.

use std::path::{Path, PathBuf};
use std::process::Command;

use proptest::prelude::*;

use super::*;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/reference/photos")
}

fn photo(name: &str) -> Vec<u8> {
    std::fs::read(folder().join(name)).expect("a reference photo")
}

fn holds(bytes: &[u8], part: &[u8]) -> bool {
    bytes.windows(part.len()).any(|w| w == part)
}

const SOUND: [(&str, Kind); 10] = [
    ("phone.jpg", Kind::Jpeg),
    ("progressive.jpg", Kind::Jpeg),
    ("cmyk.jpg", Kind::Jpeg),
    ("restarts.jpg", Kind::Jpeg),
    ("screen.png", Kind::Png),
    ("palette.png", Kind::Png),
    ("lossy.webp", Kind::Webp),
    ("alpha.webp", Kind::Webp),
    ("lossless.webp", Kind::Webp),
    ("plain.webp", Kind::Webp),
];

#[test]
fn nothing_stays_of_where_and_by_whom() {
    for (name, kind) in SOUND {
        let before = photo(name);
        let kept = cleaned(&before).unwrap_or_else(|why| panic!("{name}: {why}"));
        assert_eq!((kept.kind, kept.width, kept.height), (kind, 48, 32), "{name}");
        assert!(kept.bytes.len() <= before.len(), "{name}");
        for part in [&b"PLACE"[..], b"2026:11:01", b"xmp", b"ftypmp42"] {
            assert!(!holds(&kept.bytes, part), "{name}: {} is still there", String::from_utf8_lossy(part));
        }
        // What was cleaned once is clean.
        assert_eq!(cleaned(&kept.bytes).expect("is sound"), kept, "{name}");
    }
    assert!(
        holds(&photo("phone.jpg"), b"PLACE") && holds(&photo("lossy.webp"), b"PLACE"),
        "there was something to clean"
    );
}

#[test]
fn the_way_up_and_the_colours_stay() {
    let kept = cleaned(&photo("phone.jpg")).expect("is sound").bytes;
    // APP1 with Exif's head, big-endian TIFF, one entry: 0x0112, SHORT, 1, 6 (Exif 2.32, 4.6.4).
    let exif = b"\xFF\xE1\x00\x22Exif\0\0MM\0\x2A\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0\x06\0\0\0\0\0\0";
    assert!(holds(&kept, exif));
    assert!(holds(&kept, b"ICC_PROFILE\0"));
    let upright = cleaned(&photo("progressive.jpg")).expect("is sound").bytes;
    assert!(!holds(&upright, b"Exif"), "one that stands upright needs none");
    assert!(holds(&cleaned(&photo("cmyk.jpg")).expect("is sound").bytes, b"Adobe"));
    assert!(holds(&cleaned(&photo("screen.png")).expect("is sound").bytes, b"iCCP"));
    assert!(holds(&cleaned(&photo("lossy.webp")).expect("is sound").bytes, b"ICCP"));
}

#[test]
fn what_is_no_photo_is_told_what_it_is() {
    for (bytes, refused) in [
        (photo("small.gif"), Refused::Other("GIF")),
        (b"\0\0\0\x18ftypheic\0\0\0\0".to_vec(), Refused::Other("HEIC")),
        (b"\0\0\0\x18ftypmif1\0\0\0\0".to_vec(), Refused::Other("HEIC")),
        (b"\0\0\0\x18ftypavif\0\0\0\0".to_vec(), Refused::Other("AVIF")),
        (b"II*\0rest".to_vec(), Refused::Other("TIFF or a raw photo")),
        (b"<!doctype html><script>".to_vec(), Refused::Unknown),
        (b"<svg xmlns=".to_vec(), Refused::Unknown),
        (vec![], Refused::Unknown),
        (photo("moving.png"), Refused::Moves(Kind::Png)),
        (photo("moving.webp"), Refused::Moves(Kind::Webp)),
        (photo("vast.png"), Refused::Size(30_000, 30_000)),
    ] {
        assert_eq!(cleaned(&bytes), Err(refused));
    }
    // A page behind the head of a picture is no picture.
    assert_eq!(cleaned(b"\xFF\xD8\xFF<html><script>alert(1)</script>"), Err(Refused::Broken(Kind::Jpeg)));
    let mut png = photo("screen.png");
    let at = png.windows(4).position(|w| w == b"IDAT").expect("is there") + 10;
    png[at] ^= 1;
    assert_eq!(cleaned(&png), Err(Refused::Broken(Kind::Png)), "its checksum is wrong");
}

#[test]
fn what_ends_early_is_broken() {
    for (name, kind) in SOUND {
        let whole = photo(name);
        let kept = cleaned(&whole).expect("is sound").bytes;
        for end in (16..kept.len().saturating_sub(2)).step_by(7) {
            assert_eq!(cleaned(&kept[..end]), Err(Refused::Broken(kind)), "{name} cut at {end}");
        }
    }
}

proptest! {
    /// Whatever is wrong in a file, it is taken or refused, and what is taken is taken again as it is.
    #[test]
    fn no_file_makes_it_fail(name in 0..SOUND.len(), changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..20)) {
        let mut bytes = photo(SOUND[name].0);
        for (at, value) in changes {
            let at = at.index(bytes.len());
            bytes[at] = value;
        }
        if let Ok(kept) = cleaned(&bytes) {
            prop_assert_eq!(cleaned(&kept.bytes), Ok(kept));
        }
    }

    #[test]
    fn no_bytes_make_it_fail(head in 0..4_usize, rest in prop::collection::vec(any::<u8>(), 0..400)) {
        let heads: [&[u8]; 4] = [b"\xFF\xD8\xFF", b"\x89PNG\r\n\x1a\n", b"RIFF\x40\0\0\0WEBP", b""];
        let bytes = [heads[head], &rest].concat();
        let _ = cleaned(&bytes);
    }
}

/// With `PILLOW_PYTHON=python3` Pillow looks at each photo before and after: the same pixels, and nothing else in it.
#[test]
fn another_program_sees_the_same_picture_and_nothing_else() {
    let Ok(python) = std::env::var("PILLOW_PYTHON") else { return };
    let out = tempfile::tempdir().expect("a folder");
    for (name, _) in SOUND {
        let after = out.path().join(name);
        std::fs::write(&after, cleaned(&photo(name)).expect("is sound").bytes).expect("writes");
        let checked = Command::new(&python)
            .arg(folder().join("make_photos.py"))
            .arg("check")
            .args([&folder().join(name), &after])
            .output()
            .expect("Python runs");
        assert!(checked.status.success(), "{name}: {}", String::from_utf8_lossy(&checked.stderr));
    }
}
