"""The overview's sheet of paper: which round scale fits the farm, and where things fall on it in millimetres."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

from atlas.grid import Bounds, Floats

Metres = TypeVar("Metres", float, Floats)

# A4 and A3 after ISO 216 (from memory), millimetres, upright.
PAPERS = {"A4": (210.0, 297.0), "A3": (297.0, 420.0)}
SCALES = (
    *(500, 750, 1000, 1250, 1500, 2000, 2500, 3000, 4000, 5000, 6000, 7500),
    *(10_000, 12_500, 15_000, 20_000, 25_000, 30_000, 40_000, 50_000, 60_000, 75_000),
)
EDGE_MM = 8.0  # most desk printers leave 4 to 6 mm white
HEAD_MM = 15.0
STRIP_MM = 11.0  # north arrow and scale bar, below the map so that they hide no ground
CAPTION_MM = 17.0  # source, date and signs below that
SIDE_MM = {"A4": 76.0, "A3": 96.0}  # the column of words beside the map, sideways sheet
FOOT_MM = {"A4": 78.0, "A3": 92.0}  # the block of words below it, upright sheet


@dataclass(frozen=True)
class Sheet:
    """A sheet and the map's frame on it, millimetres."""

    paper: str
    turned: str
    width_mm: float
    height_mm: float
    map_width_mm: float
    map_height_mm: float
    words_mm: float  # column beside the map (sideways) or block below it (upright)


@dataclass(frozen=True)
class MapFrame:
    """The map's frame at a round scale: ground bounds in the terrain's CRS and where they land in millimetres.

    The origin on paper is the frame's upper left corner, y runs down.
    """

    sheet: Sheet
    scale: int
    bounds: Bounds

    @property
    def mm_per_m(self) -> float:
        return 1000.0 / self.scale

    def x_mm(self, easting: Metres) -> Metres:
        return (easting - self.bounds.west) * self.mm_per_m

    def y_mm(self, northing: Metres) -> Metres:
        return (self.bounds.north - northing) * self.mm_per_m


@dataclass(frozen=True)
class ScaleBar:
    """A bar of `parts` equal pieces, each a round length on the ground."""

    part_m: float
    parts: int
    part_mm: float

    @property
    def length_m(self) -> float:
        return self.part_m * self.parts

    @property
    def length_mm(self) -> float:
        return self.part_mm * self.parts


def sheet_for(paper: str, turned: str) -> Sheet:
    """The sheet that [print] asks for: `paper` A4 or A3, `turned` upright or sideways."""
    short, long = PAPERS[paper]
    inner_height = (long if turned == "upright" else short) - 2 * EDGE_MM - HEAD_MM - STRIP_MM - CAPTION_MM
    if turned == "upright":
        words = FOOT_MM[paper]
        return Sheet(paper, turned, short, long, short - 2 * EDGE_MM, inner_height - words, words)
    words = SIDE_MM[paper]
    return Sheet(paper, turned, long, short, long - 2 * EDGE_MM - words, inner_height, words)


def frame_for(farm: Bounds, sheet: Sheet, margin_mm: float = 4.0) -> MapFrame:
    """The largest round scale at which `farm` and a margin fit the sheet, the farm in the middle."""
    across = sheet.map_width_mm - 2 * margin_mm
    down = sheet.map_height_mm - 2 * margin_mm
    need = 1000.0 * max(farm.width / across, farm.height / down)
    scale = next((s for s in SCALES if s >= need), None) or round_up(need)
    half_w = sheet.map_width_mm * scale / 2000.0
    half_h = sheet.map_height_mm * scale / 2000.0
    x = round((farm.west + farm.east) / 2)
    y = round((farm.south + farm.north) / 2)
    return MapFrame(sheet, scale, Bounds(x - half_w, y - half_h, x + half_w, y + half_h))


def round_up(value: float) -> int:
    """The next number with one digit that is not nought: 312 000 becomes 400 000."""
    power = int(10 ** math.floor(math.log10(value)))
    return math.ceil(value / power) * power


def scale_bar(scale: int, most_mm: float = 60.0) -> ScaleBar:
    """The longest bar of two, four or five round pieces (1, 2, 5 times a power of ten) within `most_mm`."""
    most_m = most_mm * scale / 1000.0
    best: ScaleBar | None = None
    power = 10.0 ** math.floor(math.log10(most_m))
    for piece in (power / 10 * f for f in (1, 2, 5, 10, 20, 50)):
        for parts in (2, 4, 5):
            if piece * parts <= most_m and (best is None or piece * parts > best.length_m):
                best = ScaleBar(piece, parts, piece * 1000.0 / scale)
    assert best is not None  # power/10 · 2 always fits
    return best


def grid_step(scale: int, about_mm: float = 40.0) -> int:
    """Spacing of the map grid in whole metres: 1, 2 or 5 times a power of ten, near `about_mm` on paper."""
    target = max(1.0, about_mm * scale / 1000.0)
    power = int(10 ** math.floor(math.log10(target)))
    return min((power * f for f in (1, 2, 5, 10)), key=lambda s: abs(math.log(s / target)))
