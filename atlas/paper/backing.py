"""The white ground behind words on a map, as wide as the words are in the face they are set in."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from xml.etree import ElementTree

from PIL import ImageFont

from atlas.languages import templates_folder

SVG = "http://www.w3.org/2000/svg"
MEASURED_AT = 200  # pixels a letter's height, so that whole pixels do not matter
ABOVE, BELOW = 0.80, 0.24  # of a letter's size: what capitals and tails take up


@dataclass(frozen=True)
class _Line:
    x: float
    y: float
    wide: float
    size: float


def backing(text: ElementTree.Element) -> list[ElementTree.Element]:
    """A white rectangle for each line of an SVG text, in the text's own units."""
    anchor = text.get("text-anchor", "start")
    rim = float(text.get("stroke-width", "0")) / 2
    out = []
    for line in _lines(text):
        if line.wide <= 0:
            continue
        left = line.x - {"middle": line.wide / 2, "end": line.wide}.get(anchor, 0.0)
        out.append(
            ElementTree.Element(
                f"{{{SVG}}}rect",
                {
                    "x": f"{left - rim:.2f}",
                    "y": f"{line.y - ABOVE * line.size:.2f}",
                    "width": f"{line.wide + 2 * rim:.2f}",
                    "height": f"{(ABOVE + BELOW) * line.size:.2f}",
                    "rx": f"{rim / 2:.2f}",
                    "fill": "#fff",
                    "fill-opacity": "0.85",  # what lies below shows a little
                },
            )
        )
    return out


def _lines(text: ElementTree.Element) -> list[_Line]:
    size = float(text.get("font-size", "3"))
    x, y = float(text.get("x", "0")), float(text.get("y", "0"))
    wide = _width(text.text or "", size, _bold(text))
    out = []
    for part in text:
        part_size = float(part.get("font-size", size))
        if part.get("dy") or part.get("x"):
            out.append(_Line(x, y, wide, size))
            x, y, wide, size = float(part.get("x", x)), y + float(part.get("dy", "0")), 0.0, part_size
        if part.get("display") != "none":
            wide += _width(part.text or "", part_size, _bold(part) or _bold(text))
        wide += _width(part.tail or "", size, _bold(text))
    return [*out, _Line(x, y, wide, size)]


def _bold(element: ElementTree.Element) -> bool:
    return element.get("font-weight") in ("700", "bold")


def _width(words: str, size: float, bold: bool) -> float:
    in_one_line = re.sub(r"\s", " ", words)
    return float(_face(bold).getlength(in_one_line)) * size / MEASURED_AT if words else 0.0


@cache
def _face(bold: bool) -> ImageFont.FreeTypeFont:
    name = f"LiberationSans-{'Bold' if bold else 'Regular'}.ttf"
    # The plain layout: the other one is not in every build of Pillow, and refuses odd characters.
    path = templates_folder() / "print" / "fonts" / name
    return ImageFont.truetype(str(path), MEASURED_AT, layout_engine=ImageFont.Layout.BASIC)
