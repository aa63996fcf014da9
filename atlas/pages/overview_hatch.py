"""Hatching as plain lines: browsers print pattern fills as coarse pictures, and lines stay sharp.

Everything is in millimetres on the sheet, y down. The signs are those of the field sheets, drawn smaller.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from shapely.geometry import LineString, MultiLineString, Point
from shapely.geometry.base import BaseGeometry

HATCH_MM = 0.95  # between the lines of the cross-hatch
SLANT_MM = 2.2
COMB_MM, COMB_ROW_MM = 2.4, 2.2  # from comb to comb, from row to row; the dashes in overview.css fit COMB_MM
MARK_MM = 5.0  # between question marks


@dataclass(frozen=True)
class Spot:
    """A point on the sheet, millimetres from the frame's upper left corner."""

    x: float
    y: float


@dataclass(frozen=True)
class Combs:
    """Rows of rake strokes: the bars' line, and the teeth's line below it with the same starts and lengths."""

    bars: str
    teeth: str


def cross_hatch(area: BaseGeometry) -> str:
    """Two families of diagonals within `area`, as an SVG path."""
    return "".join(_diagonals(area, 1, HATCH_MM)) + "".join(_diagonals(area, -1, HATCH_MM))


def slanted(area: BaseGeometry) -> str:
    """One family of diagonals, wide apart: ground the machine cannot reach."""
    return "".join(_diagonals(area, 1, SLANT_MM))


def combs(area: BaseGeometry) -> Combs:
    """Rows of combs that cover `area`, every second row shifted by half; clip them to it."""
    left, top, right, bottom = area.bounds
    bars, teeth = [], []
    for row in range(math.floor(top / COMB_ROW_MM), math.ceil(bottom / COMB_ROW_MM) + 1):
        y = row * COMB_ROW_MM
        middle = LineString([(left - 1, y + 0.4), (right + 1, y + 0.4)])
        shift = COMB_MM / 2 if row % 2 else 0.0
        for piece in _lines(area.intersection(middle)):
            start = math.floor((piece.coords[0][0] - shift) / COMB_MM) * COMB_MM + shift
            length = _n(piece.coords[-1][0] - start)
            bars.append(f"M{_n(start)} {_n(y)}h{length}")
            teeth.append(f"M{_n(start)} {_n(y + 0.45)}h{length}")
    return Combs("".join(bars), "".join(teeth))


def question_marks(area: BaseGeometry) -> tuple[Spot, ...]:
    """Where the question marks of unmeasured ground stand; every part too small for the lattice gets one."""
    spots: list[Spot] = []
    for part in getattr(area, "geoms", [area]):
        left, top, right, bottom = part.bounds
        lattice = [
            Spot(x * MARK_MM, y * MARK_MM)
            for y in range(math.floor(top / MARK_MM), math.ceil(bottom / MARK_MM) + 1)
            for x in range(math.floor(left / MARK_MM), math.ceil(right / MARK_MM) + 1)
        ]
        roomy = part.buffer(-1.0)
        inside = [s for s in lattice if roomy.intersects(Point(s.x, s.y))]
        if not inside and part.area >= 4.0:
            middle = part.representative_point()
            inside = [Spot(round(middle.x, 2), round(middle.y, 2))]
        spots += inside
    return tuple(spots)


def _diagonals(area: BaseGeometry, lean: int, apart_mm: float) -> Iterable[str]:
    left, top, right, bottom = area.bounds
    step = apart_mm * math.sqrt(2.0)
    # A line x − lean·y = c for every multiple of the step that can meet the box.
    corners = [x - lean * y for x in (left, right) for y in (top, bottom)]
    wanted = range(math.floor(min(corners) / step), math.ceil(max(corners) / step) + 1)
    lines = [
        [(c * step + lean * (top - 1), top - 1), (c * step + lean * (bottom + 1), bottom + 1)] for c in wanted
    ]
    for piece in _lines(area.intersection(MultiLineString(lines))):
        (x0, y0), (x1, y1) = piece.coords[0], piece.coords[-1]
        if math.hypot(x1 - x0, y1 - y0) >= 0.15:
            yield f"M{_n(x0)} {_n(y0)}L{_n(x1)} {_n(y1)}"


def _lines(found: BaseGeometry) -> list[LineString]:
    parts = getattr(found, "geoms", [found])
    return [p for p in parts if isinstance(p, LineString) and not p.is_empty]


def _n(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
