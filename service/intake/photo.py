"""Photos as they come in: limited in size, really decoded, and made anew without anything but the picture.

A phone's file carries where and when it was taken, and may be anything at all behind its name. What is kept is a JPEG
that we wrote from the decoded picture: no EXIF, no position, no profile, no comment.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from io import BytesIO

from PIL import Image, ImageOps, UnidentifiedImageError

from service.intake.problems import Refused

LARGEST_BYTES = 12 * 1024 * 1024
LARGEST_PIXELS = 40_000_000
LONGEST_SIDE = 1600
QUALITY = 82
FORMATS = ("JPEG", "PNG", "WEBP")
"""What browsers send of what phones take; each decoder that may run is one more that must be safe."""

FIELD = "photo"


@dataclass(frozen=True)
class PhotoIn:
    """A photo as it is kept."""

    jpeg: bytes
    width: int
    height: int


def read_photo(data: bytes) -> PhotoIn:
    """Return the picture without anything else; Refused if it is too large or cannot be read."""
    if len(data) > LARGEST_BYTES:
        raise Refused.one(
            FIELD, f"is larger than {LARGEST_BYTES // 1024**2} MB; choose a smaller size in the camera"
        )
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(BytesIO(data), formats=FORMATS) as image:
                return _anew(image)
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise _too_many_pixels() from None
    except UnidentifiedImageError:
        raise Refused.one(
            FIELD, "is none that can be read; send it as JPEG, PNG or WebP (not HEIC)"
        ) from None
    except (OSError, ValueError, SyntaxError, EOFError):  # how the decoders say that a file is broken
        raise Refused.one(FIELD, "is damaged or incomplete; take or send it again") from None


def _anew(image: Image.Image) -> PhotoIn:
    # The header alone has been read so far: a picture that would fill the memory is refused before it is decoded.
    if image.width * image.height > LARGEST_PIXELS:
        raise _too_many_pixels()
    image.draft("RGB", (LONGEST_SIDE, LONGEST_SIDE))  # a large JPEG is decoded at the size that is needed
    upright = _upright(image)
    upright.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    picture = Image.new("RGB", upright.size, "white")  # a new picture, so that nothing hangs on to it
    solid = upright.convert("RGBA")
    picture.paste(solid, mask=solid)
    out = BytesIO()
    picture.save(out, "JPEG", quality=QUALITY, optimize=True)
    return PhotoIn(out.getvalue(), picture.width, picture.height)


def _upright(image: Image.Image) -> Image.Image:
    """Return the picture as it was held, where the file says so in a way that can be read."""
    image.load()
    try:
        return ImageOps.exif_transpose(image)
    except Exception:  # a broken note on the picture, in whatever way, is no broken picture
        return image


def _too_many_pixels() -> Refused:
    return Refused.one(
        FIELD, f"has more than {LARGEST_PIXELS // 10**6} megapixels; choose a smaller size in the camera"
    )
