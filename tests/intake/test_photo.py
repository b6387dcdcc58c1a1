"""Photos: limited, really decoded, and kept without where and when they were taken."""

from __future__ import annotations

import struct
import zlib
from io import BytesIO

import pytest
from PIL import Image

from service.intake import photo
from service.intake.photo import LONGEST_SIDE, read_photo
from service.intake.problems import Refused

GPS, ORIENTATION, MADE_WITH, ARTIST = 0x8825, 0x0112, 0x0131, 0x013B
MARKS = (
    b"Exif",
    b"GPS",
    b"http://ns.adobe.com",
    b"xmpmeta",
    b"ICC_PROFILE",
    b"Isko",
    b"53.8",
    b"comment on it",
)


def _picture(width: int = 60, height: int = 40) -> Image.Image:
    """Return a picture whose left half is dark."""
    image = Image.new("RGB", (width, height), "white")
    image.paste((20, 20, 20), (0, 0, width // 2, height))
    return image


def _bytes(image: Image.Image, kind: str = "JPEG", **options: object) -> bytes:
    out = BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


def _with_traces(orientation: int = 1) -> bytes:
    """Return a JPEG with a position, a name, XMP, a profile and a comment, as a phone and a program leave them."""
    exif = Image.Exif()
    exif[ORIENTATION], exif[MADE_WITH], exif[ARTIST] = orientation, "camera of Isko", "Isko"
    exif.get_ifd(GPS).update({1: "N", 2: (53.0, 48.0, 0.0), 3: "W", 4: (1.0, 33.0, 0.0)})
    xmp = b'<x:xmpmeta xmlns:x="adobe:ns:meta/">at 53.8 N</x:xmpmeta>'
    return _bytes(
        _picture(), exif=exif, icc_profile=b"ICC_PROFILE of a phone", xmp=xmp, comment=b"comment on it"
    )


def test_the_planted_traces_are_there_before_and_gone_after() -> None:
    sent = _with_traces()
    with Image.open(BytesIO(sent)) as before:
        assert before.getexif().get_ifd(GPS)[2] == (53.0, 48.0, 0.0)
        assert {"exif", "icc_profile", "xmp", "comment"} <= set(before.info)
    assert sum(mark in sent for mark in MARKS) >= 6
    kept = read_photo(sent).jpeg
    assert not [mark for mark in MARKS if mark in kept]
    with Image.open(BytesIO(kept)) as after:
        assert after.format == "JPEG"
        assert dict(after.getexif()) == {}
        assert set(after.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}


def test_the_segments_of_what_is_kept_are_those_of_a_bare_picture() -> None:
    kept, at, segments = read_photo(_with_traces()).jpeg, 2, set()
    while kept[at + 1] != 0xDA:  # start of scan
        segments.add(kept[at + 1])
        at += 2 + int.from_bytes(kept[at + 2 : at + 4], "big")
    # ISO/IEC 10918-1, table B.1: E0 JFIF, DB tables of quantization, C4 of Huffman codes, C0 or C2 the frame.
    assert segments <= {0xE0, 0xDB, 0xC4, 0xC0, 0xC2}


def test_a_picture_held_sideways_is_turned() -> None:
    found = read_photo(_with_traces(orientation=6))
    assert (found.width, found.height) == (40, 60)
    with Image.open(BytesIO(found.jpeg)) as after:
        assert after.convert("L").getpixel((20, 5)) < 80
        assert after.convert("L").getpixel((20, 55)) > 200


def test_a_large_picture_is_made_smaller_in_proportion() -> None:
    found = read_photo(_bytes(_picture(4000, 3000)))
    assert (found.width, found.height) == (LONGEST_SIDE, LONGEST_SIDE * 3 // 4)


@pytest.mark.parametrize("kind", ["PNG", "WEBP"])
def test_other_forms_become_jpeg(kind: str) -> None:
    found = read_photo(_bytes(_picture().convert("RGBA"), kind))
    assert found.jpeg[:3] == b"\xff\xd8\xff"
    assert (found.width, found.height) == (60, 40)


def test_what_shines_through_becomes_white() -> None:
    found = read_photo(_bytes(Image.new("RGBA", (8, 8), (0, 0, 0, 0)), "PNG"))
    with Image.open(BytesIO(found.jpeg)) as after:
        assert after.getpixel((4, 4)) == (255, 255, 255)


def _png_of(width: int, height: int) -> bytes:
    """Return a few bytes that announce a picture of that size."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(b"\0"))
        + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize("side", [6_400, 12_000, 30_000])
def test_a_picture_that_would_fill_the_memory_is_refused_unread(side: int) -> None:
    with pytest.raises(Refused, match="megapixels") as caught:
        read_photo(_png_of(side, side))
    assert caught.value.errors[0].field == "photo"


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "none that can be read"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "none that can be read"),
        (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", "not HEIC"),
        (b"GIF89a\x01\0\x01\0\0\0\0;", "none that can be read"),
        (_bytes(_picture(600, 400))[:900], "damaged or incomplete"),
    ],
)
def test_what_cannot_be_read_is_said(data: bytes, said: str) -> None:
    with pytest.raises(Refused, match=said) as caught:
        read_photo(data)
    assert caught.value.errors[0].field == "photo"


def test_a_file_that_is_too_large_is_refused_unread(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photo, "LARGEST_BYTES", 1024**2)
    with pytest.raises(Refused, match="larger than 1 MB"):
        read_photo(_bytes(_picture()) + bytes(1024**2))
