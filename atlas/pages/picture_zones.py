"""Zones on the map: closed ground as exact cell outlines, straight-up-or-down ground as plumb strokes.

`trace.js` and `paint.js` make the same drawing on the device, so a repainted map is Python's map.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from atlas.driving.records import ZONE_KEYS, Zone
from atlas.grid import Bytes, Floats, Mask
from atlas.pages.data_cells import PageCells, Verdicts
from atlas.pages.data_kernel import CUT_OFF, NO_TURN
from atlas.pages.picture_frame import Frame, n
from atlas.pages.picture_kernel import Places, strokes
from atlas.pages.picture_rings import rings_path
from atlas.pages.signs import BOB_MM, PLUMB_MM

STROKE_EVERY_MM, STROKE_MM = 4.4, 3.0
# drawn in this order; each has its own fill, `up_down` only an edge and a breath of grey under its strokes
PAINTED = ("up_down", "on_foot", "cut_off", "no_turn", "keep_out", "unsurveyed")


@dataclass(frozen=True)
class Strokes:
    """How strokes are set: every so many page cells, half that apart at least, so long (metres)."""

    every: int
    apart: int
    length_m: float


def strokes_for(cells: PageCells, frame: Frame) -> Strokes:
    every = max(3, round(STROKE_EVERY_MM * frame.mm / min(cells.cell_x, cells.cell_y)))
    return Strokes(every, max(1, every // 2), STROKE_MM * frame.mm)


def masks(v: Verdicts) -> dict[str, Mask]:
    """Cells of each painted sign. Ground that the machine does not get to bears that sign and no other of open
    ground: strokes on it would say that one drives there."""
    found = {key: v.zone == ZONE_KEYS.index(key) for key in ("up_down", "on_foot", "keep_out", "unsurveyed")}
    open_ground, lost = v.zone <= Zone.UP_DOWN, (v.flags & CUT_OFF) > 0
    found["up_down"] &= ~lost
    found["cut_off"] = open_ground & lost
    found["no_turn"] = open_ground & ~lost & ((v.flags & NO_TURN) > 0)
    return found


def zones_group(v: Verdicts, cells: PageCells, frame: Frame, fall: tuple[Floats, Floats]) -> Markup:
    """The zones and strokes of one drive as an SVG group in the frame's metres."""
    found = masks(v)
    east, north = frame.x(cells.west), frame.y(cells.north)
    place = f"translate({n(east, 3)} {n(north, 3)}) scale({n(cells.cell_x, 6)} {n(cells.cell_y, 6)})"
    paths = "".join(
        f'<path class="zone {key}" data-zone="{key}" d="{rings_path(found[key])}"'
        + ("" if key == "up_down" else f' fill="url(#{key})"')
        + "/>"
        for key in PAINTED
    )
    lines, bobs = strokes_paths(found["up_down"], cells, frame, fall)
    return Markup(
        f'<g class="zones" clip-path="url(#field-clip)"><g class="zone-cells" transform="{place}">{paths}</g>'
        f'<path class="plumb" stroke-width="{n(PLUMB_MM * frame.mm, 3)}" d="{lines}"/>'
        f'<path class="bob" stroke-width="{n(BOB_MM * frame.mm, 3)}" d="{bobs}"/></g>'
    )


def strokes_paths(up_down: Mask, cells: PageCells, frame: Frame, fall: tuple[Floats, Floats]) -> tuple[str, str]:
    """Path data of the strokes, and of the bob at each one's lower end (a point made visible by a round cap)."""
    s = strokes_for(cells, frame)
    lines, bobs = [], []
    for row, col in stroke_places(up_down, s).tolist():
        dx, dy = fall[0][row, col] * s.length_m, -fall[1][row, col] * s.length_m
        if np.isnan(dx):
            continue
        x = frame.x(cells.west + (col + 0.5) * cells.cell_x) - dx / 2
        y = frame.y(cells.north - (row + 0.5) * cells.cell_y) - dy / 2
        lines.append(f"M{n(x)} {n(y)}l{n(dx)} {n(dy)}")
        bobs.append(f"M{n(x + dx)} {n(y + dy)}h0")
    return "".join(lines), "".join(bobs)


def stroke_places(open_up_down: Mask, s: Strokes) -> Places:
    """(row, col) of each stroke, (n, 2): on a lattice first, then wherever ground would have none nearby."""
    return strokes(open_up_down, s.every, s.apart)


def class_paths(classes: Bytes, count: int) -> tuple[str, ...]:
    """Path data of each slope class and, last, of ground that is not measured, in page cells."""
    return tuple(rings_path(classes == value) for value in (*range(count), 254))
