"""Photos as cameras and programs make them, cleaned by the program and read back by Pillow, an independent reader.

Pillow writes photos with a position, maker's notes, a packet of XMP, comments and a hidden tail, in every form that is kept;
`photo_clean` cleans each. Then: no byte of what was hidden is left, the way up and the time stay, every point of the picture is
the same, and what was cleaned once stays as it is. The thumbnail of a large one is what Pillow makes smaller and upright itself,
and holds nothing but the picture. With `--write FOLDER` it only writes the photos there (core/tests/photos).
"""

import io
import os
import random
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import ExifTags, Image, ImageChops, ImageCms, ImageOps, ImageStat, PngImagePlugin

BINARIES = Path(os.environ.get("PINTLE_TEST_BINARIES", "target/debug"))
# Made up: 12° 34' 56.78" north, 98° 7' 6.5" east, in the open sea. As rationals each number stands over 100.
# Every photo has the figures 56789 in its tables: what is looked for is longer.
SECRETS = [b"5678:05:04", b"SECRET-NOTE", b"SECRET-XMP", b"SECRET-COMMENT", b"SECRET-TAIL", b"SECRET-OWNER", b"SECRET-DOC"]
XMP = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><SECRET-XMP exif:GPSLatitude="12,34.9463N"/></x:xmpmeta>'
TAKEN = "2026:05:04 07:12:33"
LARGE = (1500, 1000)
THUMBNAIL_SIDE, THUMBNAIL_BYTES = 320, 32 * 1024
# Steps of 255 by which an average point may differ from Pillow's: another filter, and JPEG twice.
THUMBNAIL_OFF = 6


def picture(size=(96, 64)):
    """Slopes and an edge: turning it, cutting it or coding it anew would show. A large one has the grain of a camera."""
    image = Image.new("RGB", size)
    if size == LARGE:
        grain = random.Random(7)
        image.putdata([
            (x * 255 // size[0], y * 255 // size[1], (200 if x > y else 30) + grain.randrange(50))
            for y in range(size[1]) for x in range(size[0])
        ])
        return image
    image.putdata([(x * 2 % 256, y * 3 % 256, 200 if x > y else 30) for y in range(size[1]) for x in range(size[0])])
    return image


def exif():
    data = Image.Exif()
    data[ExifTags.Base.Orientation] = 6
    data[ExifTags.Base.DateTime] = TAKEN
    data[ExifTags.Base.Make] = "SECRET-OWNER"
    data[ExifTags.Base.ImageDescription] = "SECRET-NOTE"
    inner = data.get_ifd(ExifTags.IFD.Exif)
    inner[ExifTags.Base.DateTimeOriginal] = TAKEN
    inner[ExifTags.Base.OffsetTimeOriginal] = "+02:00"
    inner[ExifTags.Base.MakerNote] = b"SECRET-NOTE"
    inner[ExifTags.Base.UserComment] = b"ASCII\0\0\0SECRET-NOTE"
    gps = data.get_ifd(ExifTags.IFD.GPSInfo)
    gps[ExifTags.GPS.GPSLatitudeRef] = "N"
    gps[ExifTags.GPS.GPSLatitude] = (12.0, 34.0, 56.78)
    gps[ExifTags.GPS.GPSLongitudeRef] = "E"
    gps[ExifTags.GPS.GPSLongitude] = (98.0, 7.0, 6.5)
    gps[ExifTags.GPS.GPSDateStamp] = "5678:05:04"
    return data.tobytes()


def photos(size=(96, 64)):
    """Each by the name of its file."""
    shown = picture(size)
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    notes = PngImagePlugin.PngInfo()
    notes.add_text("Comment", "SECRET-COMMENT")
    notes.add_itxt("XML:com.adobe.xmp", XMP.decode())
    forms = {
        "plain.jpg": dict(format="JPEG", comment=b"SECRET-COMMENT", exif=exif(), xmp=XMP, quality=80),
        "progressive.jpg": dict(format="JPEG", progressive=True, exif=exif(), icc_profile=profile, xmp=XMP),
        "restarts.jpg": dict(format="JPEG", restart_marker_blocks=2, exif=exif(), optimize=True),
        "screen.png": dict(format="PNG", pnginfo=notes, exif=exif(), icc_profile=profile, dpi=(72, 72)),
        "lossy.webp": dict(format="WEBP", exif=exif(), xmp=XMP, icc_profile=profile, quality=70),
        "lossless.webp": dict(format="WEBP", lossless=True, exif=exif(), xmp=XMP),
        "simple.webp": dict(format="WEBP", quality=70),
    }
    made = {}
    for name, form in forms.items():
        out = io.BytesIO()
        if size == LARGE:
            form["quality"] = 97  # or some are small already, and need no thumbnail
        shown.save(out, **form)
        made[name] = out.getvalue()
    # As phones that put a short film or a second picture behind the first.
    made["tail.jpg"] = made["plain.jpg"] + b"SECRET-TAIL" * 100
    # Four colours as printers have them: what programs write beside it is needed to show it.
    out = io.BytesIO()
    shown.convert("CMYK").save(out, format="JPEG", exif=exif())
    made["printer.jpg"] = out.getvalue()
    return made


def has_position(image):
    data = image.getexif()
    return bool(data.get_ifd(ExifTags.IFD.GPSInfo)) or ExifTags.Base.MakerNote in data.get_ifd(ExifTags.IFD.Exif)


def clean(folder, data, *arguments):
    source, target = folder / "in", folder / "out"
    source.write_bytes(data)
    subprocess.run([BINARIES / "photo_clean", *arguments, source, target], check=True, timeout=60)
    return target.read_bytes()


def check(folder, name, data):
    # The check must be able to fail: what is looked for is there before. Pillow reads it too.
    before = Image.open(io.BytesIO(data))
    if name != "simple.webp":
        assert any(secret in data for secret in SECRETS) and has_position(before), name
    cleaned = clean(folder, data)
    for secret in SECRETS:
        assert secret not in cleaned, (name, secret)
    after = Image.open(io.BytesIO(cleaned))
    assert after.format == before.format and after.size == before.size and after.mode == before.mode, name
    assert after.tobytes() == before.tobytes(), f"{name}: a point of the picture changed"
    assert not has_position(after), name
    assert after.info.get("icc_profile") == before.info.get("icc_profile"), name
    assert "xmp" not in after.info and "comment" not in after.info and "XML:com.adobe.xmp" not in after.info, name
    if name != "simple.webp":
        left = after.getexif()
        assert left[ExifTags.Base.Orientation] == 6 and left[ExifTags.Base.DateTime] == TAKEN, name
        inner = left.get_ifd(ExifTags.IFD.Exif)
        assert dict(inner) == {
            ExifTags.Base.DateTimeOriginal: TAKEN,
            ExifTags.Base.OffsetTimeOriginal: "+02:00",
        }, (name, dict(inner))
        assert set(left) <= {ExifTags.Base.Orientation, ExifTags.Base.DateTime, ExifTags.IFD.Exif}, (name, dict(left))
    assert clean(folder, cleaned) == cleaned, f"{name}: cleaned twice is not the same"
    kept = clean(folder, data, "--keep-position")
    if name != "simple.webp":
        image = Image.open(io.BytesIO(kept))
        position = image.getexif().get_ifd(ExifTags.IFD.GPSInfo)
        assert [float(part) for part in position[ExifTags.GPS.GPSLatitude]] == [12.0, 34.0, 56.78], name
        assert image.tobytes() == before.tobytes() and b"SECRET-XMP" not in kept and b"SECRET-TAIL" not in kept, name
    return len(data), len(cleaned)


def check_thumbnail(folder, name, data):
    source, target, small = folder / "in", folder / "out", folder / "small"
    source.write_bytes(data)
    subprocess.run([BINARIES / "photo_clean", source, target, small], check=True, timeout=60)
    made = small.read_bytes()
    assert len(made) <= THUMBNAIL_BYTES and not any(secret in made for secret in SECRETS), name
    image = Image.open(io.BytesIO(made))
    expected = ImageOps.exif_transpose(Image.open(io.BytesIO(data))).convert("RGB")
    expected.thumbnail((THUMBNAIL_SIDE, THUMBNAIL_SIDE))
    assert image.format == "JPEG" and image.mode == "RGB" and max(image.size) == THUMBNAIL_SIDE, (name, image.size)
    assert not image.getexif() and set(image.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}, (name, image.info)
    assert all(abs(a - b) <= 1 for a, b in zip(image.size, expected.size)), (name, image.size, expected.size)
    off = max(ImageStat.Stat(ImageChops.difference(image, expected.resize(image.size))).mean)
    assert off <= THUMBNAIL_OFF, (name, off)
    # The check must be able to fail: upside down it is another picture.
    assert max(ImageStat.Stat(ImageChops.difference(image.rotate(180), expected.resize(image.size))).mean) > 5 * THUMBNAIL_OFF
    return len(made), off


def main():
    made = photos()
    if sys.argv[1:2] == ["--write"]:
        for name, data in made.items():
            Path(sys.argv[2], name).write_bytes(data)
        return
    with tempfile.TemporaryDirectory() as folder:
        for name, data in made.items():
            before, after = check(Path(folder), name, data)
            print(f"{name}: {before} bytes, {after} once cleaned")
        for name, data in photos(LARGE).items():
            small, off = check_thumbnail(Path(folder), name, data)
            print(f"{name}, {LARGE[0]} by {LARGE[1]}: {len(data)} bytes, thumbnail {small}, {off:.1f} steps from Pillow's")
    print(f"{len(made)} photos, checked with Pillow")


if __name__ == "__main__":
    main()
