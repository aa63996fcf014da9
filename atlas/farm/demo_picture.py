"""A drawn stand-in for a photograph, so that a marking with a picture can be looked at on the demo."""

from __future__ import annotations

import io

from PIL import Image, ImageDraw

INK, PAPER, GRASS, MUD = 0, 1, 2, 3
COLOURS = (40, 40, 40, 236, 240, 242, 148, 160, 120, 112, 92, 70)


def sketch(mud_share: float) -> bytes:
    """PNG of a slope with a dark patch on it, 160 × 120; stored, not squeezed, so that the bytes never differ."""
    image = Image.new("P", (160, 120), PAPER)
    image.putpalette(COLOURS)
    draw = ImageDraw.Draw(image)
    draw.polygon([(0, 48), (160, 14), (160, 120), (0, 120)], fill=GRASS, outline=INK)
    half = round(60 * mud_share)
    draw.ellipse([(80 - half, 78 - half // 3), (80 + half, 78 + half // 3)], fill=MUD, outline=INK)
    for x in range(10, 160, 14):
        top = 44 - round(x * 34 / 160)
        draw.line([(x, top + 60), (x + 3, top + 52)], fill=INK)
    out = io.BytesIO()
    image.save(out, "PNG", compress_level=0, bits=2)
    return out.getvalue()
