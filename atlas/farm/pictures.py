"""Pictures from strangers' files: decoded and written anew, so that only pixels come through, and few of them.

What a picture carries beside its pixels (place, camera, hidden parts) is gone afterwards, and a picture made to
burst the memory is refused by its own header before it is unpacked.
"""

from __future__ import annotations

import base64
import binascii
import io
import warnings
from dataclasses import dataclass

from PIL import Image, ImageOps

from atlas.errors import RowError

SIDE_PX = 1600
MOST_BYTES = 400_000
ENCODED_CHARACTERS = 8_000_000
KINDS = ("JPEG", "PNG", "WEBP")
JPEG_PIXELS = 60_000_000  # a JPEG is unpacked at a fraction of its size
OTHER_PIXELS = 12_000_000
_QUALITIES = (85, 75, 65, 50, 35)


@dataclass
class Budget:
    """How many pixels may still be unpacked for one marks file; those of a PNG or WebP cost twice."""

    pixels: int = 48_000_000


def from_text(text: object, budget: Budget) -> bytes:
    """A JPEG of at most 1600 px and 400 KB from base64 text (a data address or the bare text).

    Raises RowError where the text is no picture of a known kind, or one too large to unpack.
    """
    if not isinstance(text, str):
        raise RowError("its picture is not text; store it in base64")
    if len(text) > ENCODED_CHARACTERS:
        raise RowError(f"its picture has {len(text)} characters; at most {ENCODED_CHARACTERS} are read")
    body = text.partition(",")[2] if text[:5].lower() == "data:" else text
    try:
        data = base64.b64decode(body.strip(), validate=True)
    except (binascii.Error, ValueError) as e:
        raise RowError("its picture is not base64") from e
    return written_anew(data, budget)


def written_anew(data: bytes, budget: Budget) -> bytes:
    """The same picture as a bounded JPEG without anything beside its pixels. Raises RowError."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            return _bounded(_unpacked(data, budget))
    except RowError:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as e:
        raise RowError(f"its picture has more than {JPEG_PIXELS} pixels; at most so many are read") from e
    except Exception as e:  # a broken picture can fail anywhere in its decoder
        raise RowError(
            f"its picture cannot be read ({type(e).__name__}); it must be a whole JPEG, PNG or WebP"
        ) from e


def _unpacked(data: bytes, budget: Budget) -> Image.Image:
    """Pixels the right way up, RGB, no side over 1600 px."""
    with Image.open(io.BytesIO(data), formats=KINDS) as file:
        wide, high = file.size
        most = JPEG_PIXELS if file.format == "JPEG" else OTHER_PIXELS
        if wide * high > most:
            raise RowError(f"its picture has {wide} × {high} pixels; at most {most} are read")
        file.draft("RGB", (SIDE_PX, SIDE_PX))
        budget.pixels -= file.size[0] * file.size[1] * (1 if file.format == "JPEG" else 2)
        if budget.pixels < 0:
            raise RowError("the pictures of this file are too large together; split the file")
        file.load()
        picture: Image.Image = file
        if file.mode not in ("RGB", "L"):
            picture = file.convert("RGBA" if "A" in file.getbands() or "transparency" in file.info else "RGB")
        picture.thumbnail((SIDE_PX, SIDE_PX))
        upright = ImageOps.exif_transpose(picture)
        if upright.mode == "RGBA":
            paper = Image.new("RGB", upright.size, "white")
            paper.paste(upright, mask=upright.getchannel("A"))
            return paper
        return upright.convert("RGB")


def _bounded(picture: Image.Image) -> bytes:
    """As good a JPEG as fits; a noisy picture loses quality first, then size."""
    while True:
        for quality in _QUALITIES:
            sink = io.BytesIO()
            picture.info.clear()
            picture.save(sink, "JPEG", quality=quality, optimize=True)
            if sink.tell() <= MOST_BYTES:
                return sink.getvalue()
        picture = picture.resize((max(1, picture.width * 2 // 3), max(1, picture.height * 2 // 3)))
