"""Where in a field something lies, in words a worker can walk to: "along the north edge", "in the middle".

A field is read once on a coarse lattice; each of its points gets a code (which side of the middle, which edge is
near, upper or lower ground). Words for any patch are then read off how its area spreads over the codes.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from atlas.driving import place_names as names
from atlas.grid import Bounds, Floats, Floats32, Grid, Mask

LATTICE = 40  # points along a field's longer side
SIDES = 9  # eight directions from the middle, and the middle
EDGES = 17  # sixteen directions an edge can face, and no edge near
LEVELS = 3  # lower, between, upper
CODES = SIDES * EDGES * LEVELS
MIDDLE_RADIUS = 0.45  # of half the field's box
BAND_SHARE = 0.14  # of the square root of the field's area, an edge's width
LEAST_BAND_M = 5.0
LEAST_RELIEF_M = 4.0  # a flatter field has no upper part

Codes = npt.NDArray[np.int64]
Translate = Callable[[str], str]


def untranslated(text: str) -> str:
    return text


@dataclass(frozen=True)
class PlaceFrame:
    """One field's covered cells, side by side: `cells` their flat indices, `code` where in the field each lies,
    `weight` the square metres of field in it, `z` its height, each (cells,); `total` square metres per code."""

    grid: Grid
    cells: Codes
    code: Codes
    weight: Floats
    z: Floats
    total: Floats
    _told: dict[bytes, str] = field(default_factory=dict, repr=False, compare=False)  # many drives close the same

    def spread(self, mask: Mask) -> Floats:
        """Square metres of field per code under a mask of the grid, (rows, cols), or of the cells, (cells,)."""
        here = mask if mask.shape == self.cells.shape else mask.ravel()[self.cells]
        return _bins(self.code[here], self.weight[here])

    def words(self, spread: Floats, tr: Translate = untranslated) -> str:
        """Words for a patch given by its spread."""
        key = spread.tobytes()
        if key not in self._told:
            self._told[key] = _words(spread, self.total, untranslated)
        return names.place_in(self._told[key], tr)


def place_frame(shape: Polygon | MultiPolygon, grid: Grid, covered: Floats32, z: Floats) -> PlaceFrame:
    """The frame of a field on its terrain's grid; `covered` and `z` are (rows, cols)."""
    cells = np.flatnonzero(covered > 0)
    weight = covered.ravel()[cells].astype(np.float64) * grid.cell_area
    heights = z.ravel()[cells]
    side, edge = _sides_and_edges(shape, grid)
    code = (side.ravel()[cells] * EDGES + edge.ravel()[cells]) * LEVELS + _levels(heights)
    return PlaceFrame(grid, cells, code, weight, heights, _bins(code, weight))


def place_words(shape: BaseGeometry, field: Polygon | MultiPolygon, tr: Translate = untranslated) -> str:
    """Words for a point, line or area in or beside a field, from the ground plan alone."""
    box = Bounds(*field.bounds)
    step = max(box.width, box.height) / LATTICE
    xs, ys = _points_of(shape, field, step)
    side, edge = _codes_at(xs, ys, field)
    spread = _bins((side * EDGES + edge) * LEVELS + 1, np.full(xs.size, step * step))
    if shape.area > 0:  # an area is compared with the field's own spread, a line with the length of its edge
        gx, gy = _points_of(field, field, step)
        side, edge = _codes_at(gx, gy, field)
        return _words(spread, _bins((side * EDGES + edge) * LEVELS + 1, np.full(gx.size, step * step)), tr)
    long = shape.length > 0.3 * max(box.width, box.height)
    return _words(spread, None, tr, long=long)


def _bins(code: Codes, weight: Floats) -> Floats:
    return np.bincount(code.ravel(), weight.ravel(), CODES).astype(np.float64)


def _points_of(shape: BaseGeometry, field: BaseGeometry, step: float) -> tuple[Floats, Floats]:
    """Points that stand for a geometry: a lattice over areas, steps along lines."""
    near = shape.intersection(field)
    shape = shape if near.is_empty else near
    if shape.area > 0:
        b = shape.bounds
        nx, ny = max(4, math.ceil((b[2] - b[0]) / step)), max(4, math.ceil((b[3] - b[1]) / step))
        x, y = np.meshgrid(
            b[0] + (np.arange(nx) + 0.5) * (b[2] - b[0]) / nx, b[1] + (np.arange(ny) + 0.5) * (b[3] - b[1]) / ny
        )
        inside = shapely.contains_xy(shape, x, y)
        if inside.any():
            return x[inside], y[inside]
    points = shapely.get_coordinates(shapely.segmentize(shape, step) if shape.length > 0 else shape)
    return points[:, 0], points[:, 1]


def _sides_and_edges(shape: Polygon | MultiPolygon, grid: Grid) -> tuple[Codes, Codes]:
    """Codes per cell, worked out on every few cells and spread to those between."""
    b = Bounds(*shape.bounds)
    every_x = max(1, math.floor(max(b.width, b.height) / LATTICE / grid.cell_x))
    every_y = max(1, math.floor(max(b.width, b.height) / LATTICE / grid.cell_y))
    w = grid.window(b, 2 * grid.cell_m)
    cols = np.arange(w.col, w.col + w.cols, every_x)
    rows = np.arange(w.row, w.row + w.rows, every_y)
    x, y = np.meshgrid(
        grid.xs[np.minimum(cols + every_x // 2, grid.cols - 1)],
        grid.ys[np.minimum(rows + every_y // 2, grid.rows - 1)],
    )
    side, edge = _codes_at(x.ravel(), y.ravel(), shape)
    out = []
    for coarse in (side, edge):
        full = np.zeros(grid.shape, dtype=np.int64)
        fine = np.repeat(np.repeat(coarse.reshape(x.shape), every_y, 0), every_x, 1)[: w.rows, : w.cols]
        full[w.row : w.row + w.rows, w.col : w.col + w.cols] = fine
        out.append(full)
    return out[0], out[1]


def _codes_at(xs: Floats, ys: Floats, field: Polygon | MultiPolygon) -> tuple[Codes, Codes]:
    """Side (0 to 7 clockwise from north, 8 the middle) and edge (0 to 15 clockwise, 16 none) of points."""
    b = Bounds(*field.bounds)
    u = (xs - (b.west + b.east) / 2) / (b.width / 2)
    v = (ys - (b.south + b.north) / 2) / (b.height / 2)
    side = np.where(np.hypot(u, v) < MIDDLE_RADIUS, 8, _sector(u, v, 8))
    outline = field.boundary
    shapely.prepare(outline)
    points = np.asarray(shapely.points(xs, ys))
    ends = shapely.get_coordinates(shapely.shortest_line(points, outline)).reshape(-1, 2, 2)
    out = ends[:, 1] - ends[:, 0]
    away = np.hypot(out[:, 0], out[:, 1])
    out[~shapely.contains_xy(field, xs, ys)] *= -1
    on_it = away < 1e-6
    out[on_it] = _outwards(points[on_it], field)
    band = max(LEAST_BAND_M, BAND_SHARE * math.sqrt(field.area))
    edge = np.where(away <= band, _sector(out[:, 0], out[:, 1], 16), 16)
    return side, edge


def _outwards(on_edge: np.ndarray, field: Polygon | MultiPolygon) -> Floats:
    """Which way is out of the field at points of its edge, (n, 2): away from what of it lies nearest, since the
    middle of a field of several parts, or with arms, may lie anywhere."""
    near = shapely.centroid(shapely.intersection(shapely.buffer(on_edge, LEAST_BAND_M), field))
    return np.column_stack(
        [shapely.get_x(on_edge) - shapely.get_x(near), shapely.get_y(on_edge) - shapely.get_y(near)]
    )


def _sector(east: Floats, north: Floats, parts: int) -> Codes:
    turn = np.arctan2(east, north) / (2 * np.pi) * parts
    return np.round(turn).astype(np.int64) % parts


def _levels(z: Floats) -> Codes:
    """0 on the lowest third of the field's cells, 2 on the highest, 1 between and where it is nearly flat."""
    level = np.ones(z.shape, dtype=np.int64)
    known = np.isfinite(z)
    if not known.any():
        return level
    heights = z[known]
    low, high = np.quantile(heights, (0.02, 0.98))
    if high - low < LEAST_RELIEF_M:
        return level
    lower, upper = np.quantile(heights, (1 / 3, 2 / 3))
    level[known & (z < lower)] = 0
    level[known & (z > upper)] = 2
    return level


def _words(spread: Floats, total: Floats | None, tr: Translate, *, long: bool = False) -> str:
    here = spread.reshape(SIDES, EDGES, LEVELS)
    area = here.sum()
    if area <= 0:
        return tr(names.SEVERAL)
    share = area / total.sum() if total is not None else 0.0
    if share >= 0.85:
        return tr(names.NEARLY_ALL)
    if share >= 0.6:
        return tr(names.MOST)
    by_side, by_edge, by_level = (here.sum(axis=axes) / area for axes in ((1, 2), (0, 2), (0, 1)))
    return tr(
        _edge_words(by_edge, by_side, share, total, long)
        or _level_words(by_level, share, total)
        or _side_words(by_side, share)
        or _two_sides(by_side, tr)
        or _mostly(by_side, by_level)
        or names.SEVERAL
    )


def _edge_words(by_edge: Floats, by_side: Floats, share: float, total: Floats | None, long: bool) -> str:
    banded = by_edge[:16].sum()
    if banded < 0.65:
        return ""
    facing, firmly = _mean_direction(by_edge[:16])
    if total is not None:
        band = total.reshape(SIDES, EDGES, LEVELS).sum(axis=(0, 2))[:16]
        whole = total.sum()
        if firmly < 0.4 and (_quarters(by_edge[:16]) * share > 0.5 * _quarters(band) / whole).all():
            return names.ALL_ROUND
        near = [(round(facing * 2) + k) % 16 for k in (-2, -1, 0, 1, 2)]
        edge_area = band[near].sum() / whole
        long = edge_area > 0 and by_edge[near].sum() * share > 0.3 * edge_area
    if firmly < 0.75:
        return ""
    if long:
        return names.ALONG_EDGE[round(facing) % 8]
    corner = int(np.argmax(by_side[:8]))
    if corner % 2 and by_side[corner] > 0.7 and (corner - round(facing)) % 8 in (1, 7):
        return names.CORNER[corner]
    return names.AT_EDGE[round(facing) % 8]


def _quarters(by_edge: Floats) -> Floats:
    """Shares by the quarter an edge faces: north, east, south, west, (4,)."""
    quarters: Floats = np.roll(by_edge, 2).reshape(4, 4).sum(axis=1)
    return quarters


def _level_words(by_level: Floats, share: float, total: Floats | None) -> str:
    """Upper or lower ground, for a patch that covers a good part of it."""
    if total is None:
        return ""
    levels = total.reshape(SIDES, EDGES, LEVELS).sum(axis=(0, 1)) / total.sum()
    for level, told in ((2, names.UPPER), (0, names.LOWER)):
        if by_level[level] >= 0.8 and by_level[level] * share > 0.4 * levels[level]:
            return told
    return ""


def _mostly(by_side: Floats, by_level: Floats) -> str:
    """For patches all over the field that still have a main place."""
    for level, told in ((2, names.MOSTLY_UPPER), (0, names.MOSTLY_LOWER)):
        if by_level[level] >= 0.65:
            return told
    main = int(np.argmax(by_side))
    return names.MOSTLY[main] if by_side[main] >= 0.4 else ""


def _side_words(by_side: Floats, share: float) -> str:
    if by_side[8] >= 0.6:
        return names.MIDDLE
    facing, firmly = _mean_direction(by_side[:8])
    if firmly < 0.65 or by_side[8] > 0.4:
        return ""
    nearest = round(facing) % 8
    if share < 0.12 and by_side[nearest] > 0.7:
        return names.CORNER[nearest]
    return names.IN_PART[nearest]


def _two_sides(by_side: Floats, tr: Translate) -> str:
    first, second = (int(i) for i in np.argsort(-by_side, kind="stable")[:2])
    opposite = by_side[:4] + by_side[4:8]
    axis = int(np.argmax(opposite))
    if opposite[axis] + by_side[8] > 0.8 and min(by_side[axis], by_side[axis + 4]) > 0.15 and by_side[8] > 0.1:
        return names.ACROSS[axis]
    if by_side[first] + by_side[second] < 0.7 or by_side[second] < 0.15:
        return ""
    if {first, second} != {8} and abs(first - second) in (1, 7) and 8 not in (first, second):
        return names.IN_PART[first]
    told = [names.MIDDLE if i == 8 else names.IN_PART[i] for i in (first, second)]
    return tr(names.TWO_PLACES).format(first=tr(told[0]), second=tr(told[1]))


def _mean_direction(shares: Floats) -> tuple[float, float]:
    """Mean direction in eighths of a turn clockwise from north, and how firmly (0 to 1) the shares agree on it."""
    sin, cos = _turns(shares.size)
    east, north, whole = (shares * sin).sum(), (shares * cos).sum(), shares.sum()
    if whole <= 0:
        return 0.0, 0.0
    return float(np.arctan2(east, north) / (2 * np.pi) * 8), float(np.hypot(east, north) / whole)


@cache
def _turns(parts: int) -> tuple[Floats, Floats]:
    """Sine and cosine of the directions that part a whole turn."""
    turn = np.arange(parts) * 2 * np.pi / parts
    return np.sin(turn), np.cos(turn)
