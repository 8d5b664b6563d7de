"""Small photos as phones and programs write them, with a place in every corner that has room for one: for the tests of what a station keeps of
a photo. Written by Pillow, which shares no code with the station.

Run: python3 -m venv venv && venv/bin/pip install -r requirements.txt && venv/bin/python make_photos.py
Check of cleaned ones, as the tests call it: make_photos.py check BEFORE AFTER, which ends with 0 when the pixels are the same bytes (after the
decoder) and Pillow finds nothing but a way up and a colour profile. The tests never need Python otherwise.
"""

import struct
import sys
import zlib
from pathlib import Path

from PIL import Image, ImageCms, PngImagePlugin

HERE = Path(__file__).parent
# Stands in everything that must go.
PLACE = "PLACE 54.0000 N 10.0000 E"


def picture(mode="RGB"):
    image = Image.new("RGB", (48, 32))
    image.putdata([((x * 5) % 256, (y * 7) % 256, (x * y) % 256) for y in range(32) for x in range(48)])
    if mode == "RGBA":
        image = image.convert("RGBA")
        image.putalpha(Image.linear_gradient("L").resize((48, 32)))
    return image


def exif(orientation=1):
    made = Image.Exif()
    made[0x0112] = orientation
    made[0x010E] = made[0x013B] = made[0x010F] = PLACE
    made.get_ifd(0x8825).update({1: "N", 2: (54.0, 0.0, 0.0), 3: "E", 4: (10.0, 0.0, 0.0), 27: PLACE.encode()})
    made.get_ifd(0x8769).update({0x9003: "2026:11:01 18:30:00", 0x9286: PLACE.encode()})
    return made.tobytes()


def main():
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    xmp = f"<x:xmpmeta xmlns:x='adobe:ns:meta/'>{PLACE}</x:xmpmeta>".encode()
    jpeg = {"exif": exif(6), "xmp": xmp, "comment": PLACE, "icc_profile": profile, "quality": 60}
    picture().save(HERE / "phone.jpg", **jpeg)
    # Behind the end some phones put a moving picture, with a place of its own.
    with open(HERE / "phone.jpg", "ab") as file:
        file.write(b"\0\0\0\x18ftypmp42" + PLACE.encode() * 3)
    picture().save(HERE / "progressive.jpg", progressive=True, exif=exif(), quality=60)
    picture().convert("CMYK").save(HERE / "cmyk.jpg", quality=60, exif=exif())
    picture().save(HERE / "restarts.jpg", restart_marker_rows=1, quality=60, comment=PLACE)
    texts = PngImagePlugin.PngInfo()
    texts.add_text("Comment", PLACE)
    texts.add_itxt("XML:com.adobe.xmp", xmp.decode(), zip=True)
    picture("RGBA").save(HERE / "screen.png", pnginfo=texts, exif=exif(), icc_profile=profile)
    picture().convert("P").save(HERE / "palette.png", pnginfo=texts, transparency=3)
    picture().save(HERE / "moving.png", save_all=True, append_images=[picture().rotate(180)])
    picture().save(HERE / "lossy.webp", exif=exif(), xmp=xmp, icc_profile=profile, quality=60)
    picture("RGBA").save(HERE / "alpha.webp", exif=exif(), xmp=xmp, quality=60)
    picture().save(HERE / "lossless.webp", lossless=True, exif=exif())
    picture().save(HERE / "plain.webp", quality=60)
    picture().save(HERE / "moving.webp", save_all=True, append_images=[picture().rotate(180)])
    picture().convert("P").save(HERE / "small.gif")
    # Too large to be shown, in a few bytes: a PNG that says so in its header.
    head = struct.pack(">IIBBBBB", 30_000, 30_000, 8, 2, 0, 0, 0)
    chunk = lambda name, data: struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
    vast = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0" * 64)) + chunk(b"IEND", b"")
    (HERE / "vast.png").write_bytes(vast)


def check(before, after):
    old, new = Image.open(before), Image.open(after)
    old.load(), new.load()
    assert (old.format, old.size, old.mode) == (new.format, new.size, new.mode), (old, new)
    assert old.tobytes() == new.tobytes(), "other pixels"
    ways = {k for k in (old.getexif().get(0x0112), 1) if k}
    left = dict(new.getexif())
    assert set(left) <= {0x0112} and left.get(0x0112, 1) in ways, left
    assert old.format != "JPEG" or left.get(0x0112, 1) == old.getexif().get(0x0112, 1), "it lies on its side"
    assert old.info.get("icc_profile") == new.info.get("icc_profile"), "another colour profile"
    allowed = {"jfif", "jfif_version", "jfif_unit", "jfif_density", "dpi", "icc_profile", "exif", "adobe", "adobe_transform", "progressive",
               "progression", "transparency", "loop", "background", "timestamp", "duration", "gamma", "srgb", "chromaticity"}
    assert set(new.info) <= allowed, set(new.info) - allowed
    assert b"PLACE" not in Path(after).read_bytes()


if __name__ == "__main__":
    check(*sys.argv[2:]) if sys.argv[1:2] == ["check"] else main()
