"""Pictures of the pages made ready for paper: every style written on its element, line widths true in millimetres.

A browser keeps a line's width whatever the scale (`vector-effect: non-scaling-stroke`); a typesetter does not, so
widths are worked out here from the scale each element is drawn at.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from copy import deepcopy
from functools import cached_property, lru_cache
from xml.etree import ElementTree

from atlas.paper.backing import backing
from atlas.paper.style_rules import NOWHERE, Styled, within

SVG = "http://www.w3.org/2000/svg"
PX_MM = 25.4 / 96
SMALL = 1000  # letters: pictures of that size are kept, for the next field has them too
# presentation properties an SVG reader knows; others (cursor, width of the picture on a page) are the browser's
KEPT = (
    "fill", "fill-opacity", "fill-rule", "stroke", "stroke-width", "stroke-dasharray", "stroke-linecap",
    "stroke-linejoin", "font-size", "font-weight", "font-style", "text-anchor", "paint-order", "opacity",
    "display",
)  # fmt: skip
SCALED = ("stroke-width", "stroke-dasharray")
FACE = "Liberation Sans"
_SCALE = re.compile(r"scale\(([-\d.]+)(?:[ ,]+([-\d.]+))?\)")
_USED = re.compile(r"""(?:url\(#|href="#)([^)"]+)""")
_NUMBER = re.compile(r"[-\d.]+")
# What no XML may hold, and what turns round all that follows: a name must not turn the map number.
_UNFIT = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]"
)
Attributes = dict[str, str]

ElementTree.register_namespace("", SVG)


def fit(text: str) -> str:
    """Text without the characters that no document may hold."""
    return _UNFIT.sub("", text)


def paper_picture(markup: str, definitions: Sequence[str] = ()) -> str:
    """An SVG of a page as one that stands by itself, in its own size.

    `definitions` are SVGs whose fills and clips it may use. Raises ElementTree.ParseError where the markup is not
    XML.
    """
    wanted = set(_USED.findall(markup))
    fills = tuple(part for one in definitions for name, part in _defined(one).items() if name in wanted)
    return (_small if len(markup) < SMALL else _made)(markup, fills)


class _Fill:
    """A fill or clip that pictures may use. Two that are written alike are the same."""

    def __init__(self, element: ElementTree.Element) -> None:
        self.element = element

    @cached_property
    def written(self) -> str:
        return ElementTree.tostring(self.element, encoding="unicode")

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Fill) and (self is other or self.written == other.written)

    def __hash__(self) -> int:
        return hash(self.written)


def _made(markup: str, fills: tuple[_Fill, ...]) -> str:
    root = ElementTree.fromstring(_with_namespace(fit(markup)))
    root[0:0] = [deepcopy(fill.element) for fill in fills]
    width_mm = millimetres(root.get("width", ""))
    box = [float(v) for v in _NUMBER.findall(root.get("viewBox", ""))]
    per_unit = width_mm / box[2] if width_mm and len(box) == 4 else 1.0
    for name in ("title", "desc"):
        for named in list(root.iter(f"{{{SVG}}}{name}")):
            named.text = None  # said by the words that stand for the picture
    _dress(root, NOWHERE, per_unit)
    _back(root)
    root.set("font-family", FACE)
    return ElementTree.tostring(root, encoding="unicode")


_small = lru_cache(maxsize=128)(_made)  # signs of the legend, which stand on every sheet


@lru_cache(maxsize=8)
def _defined(markup: str) -> dict[str, _Fill]:
    """What an SVG defines for others, by identifier."""
    root = ElementTree.fromstring(_with_namespace(fit(markup)))
    return {name: _Fill(part) for part in root.iter() if (name := part.get("id")) is not None}


def millimetres(length: str) -> float:
    """A length as our pictures state it ("151.2mm"); 0 where it is none."""
    return float(length[:-2]) if length.endswith("mm") else 0.0


def _with_namespace(markup: str) -> str:
    return markup.replace("<svg", f'<svg xmlns="{SVG}"', 1) if "xmlns=" not in markup[:300] else markup


def _back(root: ElementTree.Element) -> None:
    """Put a white ground behind words that have a white rim on the page: here each letter's rim would eat into the
    letter before it."""
    for parent in list(root.iter()):
        for place, child in reversed(list(enumerate(parent))):
            if child.tag != f"{{{SVG}}}text" or child.get("paint-order") != "stroke":
                continue
            if child.get("display") == "none":
                parent.remove(child)
                continue
            for ground in backing(child):
                parent.insert(place, ground)
            for one in child.iter():
                for name in ("paint-order", "stroke", "stroke-width", "stroke-linejoin"):
                    one.attrib.pop(name, None)


def _dress(element: ElementTree.Element, above: Styled, mm_per_unit: float) -> None:
    """Write the styles that hold for an element and all within it as attributes."""
    tag = element.tag.removeprefix(f"{{{SVG}}}")
    here = within(above, tag, element.get("class", ""))
    mm_per_unit *= _scale(element.get("transform", ""))
    for name, value in _attributes(here.style, mm_per_unit).items():
        element.set(name, value)
    if tag == "a":  # a link is the page's; on paper a group
        element.tag = f"{{{SVG}}}g"
    for name in [a for a in element.attrib if _of_the_page(a) or (tag == "a" and a == "href")]:
        del element.attrib[name]
    for child in element:
        _dress(child, here, mm_per_unit)


def _of_the_page(attribute: str) -> bool:
    return attribute == "class" or attribute == "role" or attribute.startswith(("data-", "aria-"))


def _attributes(style: Mapping[str, str], mm_per_unit: float) -> Attributes:
    keeps_width = style.get("vector-effect") == "non-scaling-stroke"
    out = {}
    for name in KEPT:
        if name not in style:
            continue
        value = style[name]
        if name in SCALED and keeps_width:
            value = _NUMBER.sub(lambda m: f"{float(m[0]) * PX_MM / mm_per_unit:.4g}", value.replace("px", ""))
        out[name] = value.replace("px", "")
    return out


def _scale(transform: str) -> float:
    """How much larger a transform draws, as the geometric mean of across and down."""
    out = 1.0
    for across, down in _SCALE.findall(transform):
        out *= abs(float(across) * float(down or across)) ** 0.5
    return out
