"""Closed ground in the view from a way in, in the signs of the map, with the fall line where one goes straight."""

from __future__ import annotations

import math

import numpy as np
from markupsafe import Markup

from atlas.driving.records import ZONE_KEYS, Drive, Zone
from atlas.grid import Bytes, Floats, Mask
from atlas.pages.picture_frame import PAPER_WIDTH_MM, n
from atlas.pages.picture_rings import rings_path
from atlas.pages.picture_zones import PAINTED, STROKE_EVERY_MM, STROKE_MM, Strokes, stroke_places
from atlas.pages.signs import BOB_MM, PLUMB_MM
from atlas.terrain.figures import Gradient
from atlas.terrain.view import COLUMNS, View

MM = COLUMNS / PAPER_WIDTH_MM  # pixels of the view for a millimetre on paper


def zones_seen(view: View, drive: Drive, gradient: Gradient) -> Markup:
    """The zones of one drive as they are seen, an SVG group in pixels of the view."""
    zone = view.worst(drive.zone)
    found = masks(view, drive, zone)
    paths = "".join(
        f'<path class="view-zone {key}" d="{rings_path(found[key])}"'
        + ("" if key == "up_down" else f' fill="url(#view-{key})"')
        + "/>"
        for key in PAINTED
        if found[key].any()
    )
    lines, bobs = _strokes(view, found["up_down"], gradient)
    return Markup(
        f'{paths}<path class="plumb" stroke-width="{n(PLUMB_MM * MM, 2)}" d="{lines}"/>'
        f'<path class="bob" stroke-width="{n(BOB_MM * MM, 2)}" d="{bobs}"/>'
    )


def masks(view: View, drive: Drive, zone: Bytes) -> dict[str, Mask]:
    """Pixels of each painted sign, as on the map: of the verdicts seen in a pixel the worst counts."""
    found = {key: zone == ZONE_KEYS.index(key) for key in ("up_down", "on_foot", "keep_out", "unsurveyed")}
    open_ground, lost = zone <= Zone.UP_DOWN, view.worst(drive.cut_off) == 1
    found["up_down"] &= ~lost
    found["cut_off"] = open_ground & lost
    found["no_turn"] = open_ground & ~lost & (view.worst(drive.no_turn) == 1)
    return found


def _strokes(view: View, up_down: Mask, gradient: Gradient) -> tuple[str, str]:
    """Strokes along the fall line as it is seen from here, with the bob at the end that is downhill."""
    every = round(STROKE_EVERY_MM * MM)
    places = stroke_places(up_down, Strokes(every, every // 2, 0.0))
    lines, bobs = [], []
    for (row, col), (dx, dy) in zip(places.tolist(), _downhill(view, places, gradient).tolist(), strict=True):
        if math.isnan(dx):
            continue
        x, y = col + 0.5 - dx / 2, row + 0.5 - dy / 2
        lines.append(f"M{n(x)} {n(y)}l{n(dx)} {n(dy)}")
        bobs.append(f"M{n(x + dx)} {n(y + dy)}h0")
    return "".join(lines), "".join(bobs)


def _downhill(view: View, places: np.ndarray, gradient: Gradient) -> Floats:
    """The way downhill in the picture, (n, 2) in pixels, as long as a stroke; NaN on level or unknown ground."""
    xs, ys, zs = view.ground(places[:, 0], places[:, 1])
    g = gradient.grid
    with np.errstate(invalid="ignore"):
        cols = np.clip(np.nan_to_num((xs - g.west) / g.cell_x), 0, g.cols - 1).astype(np.int64)
        rows = np.clip(np.nan_to_num((g.north - ys) / g.cell_y), 0, g.rows - 1).astype(np.int64)
        gx, gy = gradient.gx[rows, cols], gradient.gy[rows, cols]
        steep = np.hypot(gx, gy)
        east, north = -gx / steep, -gy / steep
        step = 0.02 * np.hypot(xs - view.lens.x, ys - view.lens.y)  # short against the distance: a direction only
        here = view.lens.project(xs, ys, zs)
        there = view.lens.project(xs + east * step, ys + north * step, zs - steep * step)
        way = there - here
        long = np.hypot(way[:, 0], way[:, 1])[:, None]
        return np.asarray(np.where(long > 1e-9, way / long * STROKE_MM * MM, np.nan))
