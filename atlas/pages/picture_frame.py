"""Where a map picture lies and how large it prints: its box, its round scale, grid ticks, scale bar, north arrow.

A picture's own unit is the metre, counted from the box's north-west corner (browsers keep coordinates in single
precision, which is too coarse for metres of a national grid). Signs and words are sized in millimetres on paper.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from markupsafe import Markup
from shapely import union_all
from shapely.geometry.base import BaseGeometry

from atlas.grid import Bounds, Grid
from atlas.languages import tr
from atlas.words import N_

SCALES = (250, 500, 750, 1000, 1250, 1500, 2000, 2500, 3000, 4000, 5000, 7500, 10_000, 15_000, 20_000, 50_000)
PAPER_WIDTH_MM, PAPER_HEIGHT_MM = 184.0, 150.0  # A4 upright inside its margins, with room for words above
STRIP_MM = 11.0  # below the map: scale bar, north arrow, terrain source
MARGIN_M, MARGIN_SHARE = 8.0, 0.05
NORTH = N_("N")
BAR_LENGTHS_M = (5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000)


def n(value: float, decimals: int = 1) -> str:
    """A number as short as it goes: "12.5", "3", never "-0"."""
    text = f"{value:.{decimals}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


@dataclass(frozen=True)
class Frame:
    """The box a picture shows, terrain CRS, and the scale it prints at (1 : `scale`)."""

    box: Bounds
    scale: int

    @property
    def mm(self) -> float:
        """Metres on the ground for a millimetre on paper."""
        return self.scale / 1000.0

    @property
    def width(self) -> float:
        return self.box.width

    @property
    def height(self) -> float:
        return self.box.height

    @cached_property
    def height_with_strip(self) -> float:
        return self.height + STRIP_MM * self.mm

    def x(self, east: float) -> float:
        return east - self.box.west

    def y(self, north: float) -> float:
        return self.box.north - north

    def at(self, east: float, north: float) -> str:
        return f"{n(self.x(east))} {n(self.y(north))}"


def frame_for(shape: BaseGeometry, grid: Grid, also: Sequence[BaseGeometry] = ()) -> Frame:
    """The field and its ways in (`also`) with a margin, cut at the terrain's own edge, at the largest round scale
    that fits the paper."""
    field = Bounds(*union_all([shape, *also]).bounds)
    margin = max(MARGIN_M, MARGIN_SHARE * max(field.width, field.height))
    want, have = field.grown(margin), grid.bounds
    box = Bounds(
        math.floor(max(want.west, min(have.west, field.west))),
        math.floor(max(want.south, min(have.south, field.south))),
        math.ceil(min(want.east, max(have.east, field.east))),
        math.ceil(min(want.north, max(have.north, field.north))),
    )
    return Frame(box, next((s for s in SCALES if _fits(box, s)), SCALES[-1]))


def _fits(box: Bounds, scale: int) -> bool:
    return box.width * 1000 / scale <= PAPER_WIDTH_MM and box.height * 1000 / scale <= PAPER_HEIGHT_MM


def strip(frame: Frame, convergence_deg: float, words: tuple[str, ...]) -> Markup:
    """Below the map: a scale bar true on paper and screen, true north, then `words` line by line."""
    length = max((b for b in BAR_LENGTHS_M if b <= 45 * frame.mm), default=BAR_LENGTHS_M[0])
    bar = length / frame.mm
    half = n(bar / 2, 3)
    lines = Markup("").join(
        Markup('<text class="strip-word" x="{}" y="{}">{}</text>').format(n(bar + 26), n(3.2 + 3.4 * i), line)
        for i, line in enumerate(words)
    )
    return Markup(
        '<g class="strip" transform="translate(0 {}) scale({})">'
        '<g class="scale-bar" data-metres="{}"><path class="bar" d="M0 5.5v2.2h{}v-2.2z"/>'
        '<path class="bar-half" d="M0 5.5h{}v2.2h-{}z"/>'
        '<text x="0" y="4.4">0</text><text x="{}" y="4.4" text-anchor="middle">{} m</text></g>'
        '<g transform="translate({} 5.2) rotate({})" class="north"><path d="M0-4.4 1.7 3.4 0 2.2-1.7 3.4z"/></g>'
        '<text class="north-word" x="{}" y="6.4">{}</text>{}</g>'
    ).format(
        n(frame.height),
        n(frame.mm, 4),
        length,
        n(bar, 3),
        half,
        half,
        n(bar, 3),
        length,
        n(bar + 14),
        n(convergence_deg, 2),
        n(bar + 17.5),
        tr(NORTH),
        lines,
    )


def north_arrow(convergence_deg: float) -> Markup:
    """True north for the movable map's corner."""
    return Markup(
        '<svg class="north-corner" viewBox="-6 -8 12 16" aria-hidden="true">'
        '<g transform="rotate({})" class="north"><path d="M0-3.4 2 5 0 3.6-2 5z"/></g>'
        '<text class="north-word" x="0" y="-4" text-anchor="middle">{}</text></svg>'
    ).format(n(convergence_deg, 2), tr(NORTH))
