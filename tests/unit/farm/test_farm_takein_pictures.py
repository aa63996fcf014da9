"""Pictures come through as pixels alone, upright, at most 1600 px and 400 KB; what is none is refused."""

from __future__ import annotations

import base64
import io

import numpy as np
import pytest
from PIL import Image

from atlas.errors import RowError
from atlas.farm import pictures

ORIENTATION, GPS, MAKER = 0x0112, 0x8825, 0x010F


def encoded(picture: Image.Image, kind: str, **told: object) -> bytes:
    sink = io.BytesIO()
    picture.save(sink, kind, **told)
    return sink.getvalue()


def noise(wide: int, high: int) -> Image.Image:
    """The hardest picture to make small."""
    cells = np.random.default_rng(5).integers(0, 256, (high, wide, 3), dtype=np.uint8)
    return Image.fromarray(cells)


def halves(wide: int, high: int) -> Image.Image:
    """Left red, right blue."""
    picture = Image.new("RGB", (wide, high), "red")
    picture.paste("blue", (wide // 2, 0, wide, high))
    return picture


def read(data: bytes) -> Image.Image:
    picture = Image.open(io.BytesIO(data))
    picture.load()
    assert picture.format == "JPEG"
    return picture


def test_a_large_noisy_picture_is_made_to_fit() -> None:
    data = pictures.written_anew(encoded(noise(4000, 3000), "JPEG", quality=90), pictures.Budget())
    assert len(data) <= 400_000
    assert max(read(data).size) <= 1600
    assert read(data).size[0] / read(data).size[1] == pytest.approx(4 / 3, rel=0.01)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_each_known_kind_comes_through(kind: str) -> None:
    data = encoded(halves(300, 200), kind)
    text = f"data:image/{kind.lower()};base64,{base64.b64encode(data).decode()}"
    picture = read(pictures.from_text(text, pictures.Budget())).convert("RGB")
    assert picture.size == (300, 200)
    assert np.allclose(np.array(picture)[100, [40, 260]], [(255, 0, 0), (0, 0, 255)], atol=12)


def test_place_camera_and_comment_are_dropped_and_the_picture_stands_upright() -> None:
    told = Image.Exif()
    told[ORIENTATION] = 6  # to be turned a quarter clockwise
    told[MAKER] = "Somebody's camera"
    told.get_ifd(GPS)[2] = (47.0, 1.0, 2.0)
    data = encoded(halves(300, 200), "JPEG", exif=told, comment=b"<script>")
    assert b"Somebody" in data
    anew = pictures.written_anew(data, pictures.Budget())
    picture = read(anew)
    assert picture.size == (200, 300)
    assert np.allclose(np.array(picture)[[40, 260], 100], [(255, 0, 0), (0, 0, 255)], atol=12)
    assert not picture.getexif()
    assert "comment" not in picture.info
    assert b"Somebody" not in anew
    assert b"<script>" not in anew


def test_what_hides_behind_a_picture_does_not_come_through() -> None:
    data = encoded(halves(30, 20), "JPEG") + b"PK\x03\x04 an archive"
    assert b"archive" not in pictures.written_anew(data, pictures.Budget())


def test_see_through_parts_become_paper() -> None:
    data = encoded(Image.new("RGBA", (20, 20), (0, 0, 0, 0)), "PNG")
    assert np.array(read(pictures.written_anew(data, pictures.Budget()))).min() > 250


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "cannot be read"),
        (b"hello", "cannot be read"),
        (b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>", "cannot be read"),
        (encoded(halves(300, 200), "JPEG")[:900], "cannot be read"),
        (encoded(halves(300, 200), "GIF"), "cannot be read"),
        (encoded(halves(300, 200), "TIFF"), "cannot be read"),
    ],
    ids=["nothing", "text", "drawing", "cut off", "gif", "tiff"],
)
def test_what_is_no_whole_picture_of_a_known_kind_is_refused(data: bytes, why: str) -> None:
    with pytest.raises(RowError, match=why):
        pictures.written_anew(data, pictures.Budget())
