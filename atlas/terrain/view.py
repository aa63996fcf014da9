"""What one sees of terrain from one place: a picture whose every pixel knows which ground it shows.

The picture is cylindrical: the same angle for each pixel, across and down alike, so heights are not stretched.
Lines of sight are straight: the earth's curve is left out, which at 1.5 km lowers ground by 0.18 m, or 0.007
degrees (d²/2r with r = 6371 km; refraction makes it less), a twentieth of the finest pixel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from atlas.grid import Bytes, Floats, Floats32, Grid, Heights, Mask
from atlas.terrain import view_kernel as kernel
from atlas.terrain.cast_kernel import cast
from atlas.terrain.view_kernel import Cells
from atlas.terrain.view_lines_kernel import largest_seen

EYE_M = 2.5  # above the ground, a driver's eye
FAR_M = 1500.0  # nothing further off is drawn
COLUMNS = 720
LEAST_ANGLE, MOST_ANGLE = 100.0, 180.0  # of the picture's width, degrees
HIGHEST_DEG, LOWEST_DEG = 60.0, -35.0  # no picture reaches further up or down
FEET_M = 7.0  # the ground so far before the eye is the lowest that a picture shows, if it can
SKY_DEG, LEAST_HIGH_DEG = 5.0, 20.0
LINE_STEP_M = 1.0


@dataclass(frozen=True)
class Scene:
    """The ground around a field: exact heights near it, means of blocks in the middle distance and far off."""

    near: Heights
    middle: Heights
    far: Heights

    @cached_property
    def arrays(self) -> tuple[Floats, Floats, Floats, Floats]:
        """The three height arrays and where they lie, (3, 4), as the kernels take them."""
        grids = [level.grid for level in (self.near, self.middle, self.far)]
        places = np.array([[g.west, g.north, g.cell_x, g.cell_y] for g in grids])
        return (self.near.z, self.middle.z, self.far.z, places)

    def heights(self, xs: Floats, ys: Floats) -> Floats:
        """Heights at places, NaN where none is measured."""
        return np.asarray(kernel.heights_at(*self.arrays, np.asarray(xs, float), np.asarray(ys, float)))


@dataclass(frozen=True)
class Lens:
    """Where one stands and which angles the picture holds, in degrees; directions are clockwise from grid north.

    A pixel is `step_deg` wide and high; the picture's upper edge is `top_deg` above the level.
    """

    x: float
    y: float
    z: float  # of the eye
    middle_deg: float
    step_deg: float
    top_deg: float
    rows: int
    cols: int = COLUMNS

    @property
    def wide_deg(self) -> float:
        return self.cols * self.step_deg

    @property
    def eye(self) -> Floats:
        return np.array([self.x, self.y, self.z])

    @cached_property
    def azimuths(self) -> Floats:
        """Direction of each column's middle, radians, (cols,)."""
        turn = (np.arange(self.cols) + 0.5 - self.cols / 2) * self.step_deg
        return np.asarray(np.radians(self.middle_deg + turn))

    def project(self, xs: Floats, ys: Floats, zs: Floats) -> Floats:
        """Places on the ground to column and row of the picture, in pixels from its upper left corner, (n, 2)."""
        dx, dy = np.asarray(xs) - self.x, np.asarray(ys) - self.y
        turn = (np.degrees(np.arctan2(dx, dy)) - self.middle_deg + 180.0) % 360.0 - 180.0
        up = np.degrees(np.arctan2(np.asarray(zs) - self.z, np.hypot(dx, dy)))
        return np.column_stack([turn / self.step_deg + self.cols / 2, (self.top_deg - up) / self.step_deg])

    def holds(self, at: Floats) -> np.ndarray:
        """Which of the points (n, 2) lie in the picture."""
        inside = (at[:, 0] >= 0) & (at[:, 0] <= self.cols) & (at[:, 1] >= 0) & (at[:, 1] <= self.rows)
        return np.asarray(inside)


@dataclass(frozen=True)
class View:
    """What is seen through a lens. Arrays of pixels are (rows, cols), of columns (cols,)."""

    lens: Lens
    depth_m: Floats32  # to the ground in the pixel's middle, NaN where there is none
    kind: Bytes  # SKY, GROUND, GAP or BEYOND of cast_kernel
    horizon_row: Floats  # rows from the top to the highest ground
    horizon_m: Floats  # how far off that is
    known_m: Floats  # where heights end or have their first gap, inf: not within what is looked at
    pixels: Cells  # flat index of a pixel …
    cells: Cells  # … and of a cell of the field that is seen within it
    ridges: Floats  # (n, 4): column, row, metres to the ridge, metres to what is seen behind it

    def worst(self, values: Bytes) -> Bytes:
        """The largest of the field's `values` seen in each pixel, (rows, cols); 255 where no cell of it is."""
        found: Bytes = largest_seen(self.pixels, self.cells, values.ravel(), self.kind.size)
        return found.reshape(self.kind.shape)

    @cached_property
    def field(self) -> Mask:
        """Pixels in which something of the field is seen, (rows, cols)."""
        out = np.zeros(self.kind.size, dtype=np.bool_)
        out[self.pixels] = True
        return out.reshape(self.kind.shape)

    def ground(self, rows: np.ndarray, cols: np.ndarray) -> tuple[Floats, Floats, Floats]:
        """Where on the ground the middles of pixels lie: x, y and height; NaN where they show none."""
        lens = self.lens
        away = self.depth_m[rows, cols].astype(np.float64)
        turn = lens.azimuths[cols]
        up = np.radians(lens.top_deg - (rows + 0.5) * lens.step_deg)
        return lens.x + away * np.sin(turn), lens.y + away * np.cos(turn), lens.z + away * np.tan(up)


@dataclass(frozen=True)
class FieldCells:
    """The share of each cell that lies inside the field, (rows, cols)."""

    grid: Grid
    covered: Floats32


def look(scene: Scene, x: float, y: float, field: FieldCells, towards: FieldCells | None = None) -> View | None:
    """The view from a place into a field, turned to a part of it or, where none is given, to all of it.

    None where no height is measured under the eye or nothing of the field lies before it.
    """
    ground = float(scene.heights(np.array([x]), np.array([y]))[0])
    angles = _angles(towards or field, x, y)
    if math.isnan(ground) or angles is None:
        return None
    middle, wide = angles
    step = wide / COLUMNS
    rows = math.ceil((HIGHEST_DEG - LOWEST_DEG) / step)
    lens = Lens(x, y, ground + EYE_M, middle, step, HIGHEST_DEG, rows)
    return _cropped(_through(scene, lens, field))


def _angles(field: FieldCells, x: float, y: float) -> tuple[float, float] | None:
    """Direction of the picture's middle and its width: all of the field that lies ahead, up to a half circle."""
    grid = field.grid
    rows, cols = np.nonzero(field.covered > 0)
    dx, dy = grid.xs[cols] - x, grid.ys[rows] - y
    far = np.hypot(dx, dy) >= FEET_M
    if not far.any():
        return None
    dx, dy = dx[far], dy[far]
    away = np.hypot(dx, dy)
    ahead = math.degrees(math.atan2(float((dx / away).sum()), float((dy / away).sum())))
    turn = (np.degrees(np.arctan2(dx, dy)) - ahead + 180.0) % 360.0 - 180.0
    left, right = max(float(turn.min()), -90.0), min(float(turn.max()), 90.0)
    wide = min(max(math.ceil((right - left + 8.0) / 10.0) * 10.0, LEAST_ANGLE), MOST_ANGLE)
    return round(ahead + (left + right) / 2) % 360.0, wide


def _through(scene: Scene, lens: Lens, field: FieldCells) -> View:
    step, g = math.radians(lens.step_deg), field.grid
    depth, kind, horizon, horizon_m, known_m, pixels, cells, ridges = cast(
        *scene.arrays, lens.eye, lens.azimuths, distances(scene, lens), math.radians(lens.top_deg), step,
        lens.rows, (field.covered > 0).astype(np.uint8), np.array([g.west, g.north, g.cell_x, g.cell_y]),
    )  # fmt: skip
    rows = (lens.top_deg - np.degrees(horizon)) / lens.step_deg
    return View(lens, depth, kind, rows, horizon_m, known_m, pixels, cells, ridges)


def distances(scene: Scene, lens: Lens) -> Floats:
    """How far off the ground is looked at along each line of sight, metres: every half cell of the grid there."""
    out: list[Floats] = []
    gone = 0.0
    for level in (scene.near, scene.middle, scene.far):
        g = level.grid
        b = g.bounds
        reach = math.hypot(max(lens.x - b.west, b.east - lens.x), max(lens.y - b.south, b.north - lens.y))
        end = reach if level is scene.near else min(reach, FAR_M)
        every = min(g.cell_x, g.cell_y) / 2
        steps: Floats = np.arange(1.0, math.floor((end - gone) / every) + 1) * every + gone
        if steps.size:
            out.append(steps)
            gone = float(steps[-1])
    return np.concatenate(out)


def _cropped(view: View) -> View:
    """Cut to the ground: a little sky above the highest, and below it the ground some steps ahead."""
    lens = view.lens
    feet = np.flatnonzero((view.depth_m >= FEET_M).any(axis=1))
    low = int(feet[-1]) + 1 if feet.size else lens.rows
    high = max(0, math.floor(float(view.horizon_row.min()) - SKY_DEG / lens.step_deg))
    least = math.ceil(LEAST_HIGH_DEG / lens.step_deg)
    low = min(lens.rows, max(low, high + least))
    high = max(0, min(high, low - least))
    inside = (view.pixels >= high * lens.cols) & (view.pixels < low * lens.cols)
    cut = Lens(
        lens.x, lens.y, lens.z, lens.middle_deg, lens.step_deg, lens.top_deg - high * lens.step_deg, low - high
    )
    return View(
        cut,
        view.depth_m[high:low],
        view.kind[high:low],
        view.horizon_row - high,
        view.horizon_m,
        view.known_m,
        view.pixels[inside] - high * lens.cols,
        view.cells[inside],
        view.ridges - [0.0, high, 0.0, 0.0],
    )


def seen(scene: Scene, lens: Lens, xs: Floats, ys: Floats) -> tuple[Floats, Bytes]:
    """Column and row of ground places, (n, 2), and whether each is seen: SEEN, HIDDEN or NO_HEIGHT of the kernel.

    Ground that stands before a place by less than half a pixel does not hide it.
    """
    zs = scene.heights(xs, ys)
    every = min(scene.near.grid.cell_x, scene.near.grid.cell_y) / 2
    slack = math.radians(lens.step_deg) / 2
    found = kernel.sight(*scene.arrays, lens.eye, np.column_stack([xs, ys, zs]), every, slack)
    return lens.project(xs, ys, zs), np.asarray(found)


def seen_parts(scene: Scene, lens: Lens, shape: BaseGeometry) -> tuple[Floats, ...]:
    """The parts of lines or outlines on the ground that are seen in the picture, each (n, 2) in pixels."""
    out: list[Floats] = []
    for line in _lines(shape):
        xy = shapely.get_coordinates(shapely.segmentize(line, LINE_STEP_M))
        at, found = seen(scene, lens, xy[:, 0], xy[:, 1])
        shown = (found == kernel.SEEN) & lens.holds(at)
        out += [at[a:b] for a, b in _runs(shown) if b - a > 1]
    return tuple(out)


def _lines(shape: BaseGeometry) -> list[BaseGeometry]:
    if shape.is_empty:
        return []
    if shape.geom_type == "Polygon":
        return [shape.exterior, *shape.interiors]  # type: ignore[attr-defined]  # a polygon's own rings
    if shape.geom_type in ("LineString", "LinearRing"):
        return [shape]
    return [line for part in getattr(shape, "geoms", ()) for line in _lines(part)]


def _runs(mask: np.ndarray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
