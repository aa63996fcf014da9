"""Terrain whose answer is known in closed form, so that a sum can be held to algebra instead of to itself.

Every maker returns `Heights` on a north-up grid in metres; x runs east and y north from the middle of the grid,
so that formulas read the same whatever the grid's size. Directions are degrees clockwise from grid north.
"""

from __future__ import annotations

import math

import numpy as np
from rasterio.crs import CRS
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from atlas.grid import Floats, Grid, Heights

METRIC = CRS.from_epsg(25832)
WEST, NORTH = 600_000.0, 5_200_000.0


def make_grid(rows: int = 80, cols: int = 100, cell_x: float = 1.0, cell_y: float | None = None) -> Grid:
    """A grid whose outer corner lies on whole metres; square cells unless `cell_y` is given."""
    return Grid(METRIC, WEST, NORTH, cell_x, cell_x if cell_y is None else cell_y, rows, cols)


def middle_xy(grid: Grid) -> tuple[Floats, Floats]:
    """Metres east and north of the grid's middle for every cell, each (rows, cols)."""
    x = grid.xs - (grid.west + grid.cols * grid.cell_x / 2)
    y = grid.ys - (grid.north - grid.rows * grid.cell_y / 2)
    xx, yy = np.meshgrid(x, y)
    return xx, yy


def rectangle(grid: Grid, east0: float, south0: float, east1: float, north1: float) -> Polygon:
    """A rectangle given in metres east and north of the grid's south-west corner."""
    w, s = grid.bounds.west, grid.bounds.south
    return Polygon(
        [(w + east0, s + south0), (w + east1, s + south0), (w + east1, s + north1), (w + east0, s + north1)]
    )


def plane(
    gradient: float, downhill_deg: float = 180.0, grid: Grid | None = None, base_m: float = 500.0
) -> Heights:
    """Falls `gradient` (rise over run) towards `downhill_deg`. Horn: exactly that gradient in every inner cell."""
    grid = grid or make_grid()
    x, y = middle_xy(grid)
    a = math.radians(downhill_deg)
    return Heights(grid, base_m - gradient * (x * math.sin(a) + y * math.cos(a)))


def step(height_m: float, grid: Grid | None = None, base_m: float = 500.0) -> Heights:
    """Level ground, `height_m` higher north of the middle row line than south of it (a wall's face).

    Horn in the two rows that touch the edge: height_m / (2·cell_y); 0 elsewhere.
    """
    grid = grid or make_grid()
    _, y = middle_xy(grid)
    return Heights(grid, np.where(y > 0, base_m + height_m, base_m))


def bank(height_m: float, gradient: float, grid: Grid | None = None, base_m: float = 500.0) -> Heights:
    """Level, then a straight bank that falls south by `height_m` at `gradient`, then level again."""
    grid = grid or make_grid()
    _, y = middle_xy(grid)
    half = height_m / gradient / 2
    return Heights(grid, base_m + gradient * (np.clip(y, -half, half) + half))


def terrace_above_wall(tread: float, wall_m: float, grid: Grid | None = None, base_m: float = 500.0) -> Heights:
    """A terrace falling south at `tread`, a wall of `wall_m` along the middle, the same terrace again below it."""
    grid = grid or make_grid()
    _, y = middle_xy(grid)
    return Heights(grid, base_m + tread * y + np.where(y > 0, wall_m, 0.0))


def cone(gradient: float, grid: Grid | None = None, top_m: float = 500.0) -> Heights:
    """A round hill: falls `gradient` in every direction from the middle. Gradient is `gradient` off the tip."""
    grid = grid or make_grid()
    x, y = middle_xy(grid)
    return Heights(grid, top_m - gradient * np.hypot(x, y))


def bowl(curve: float, grid: Grid | None = None, base_m: float = 500.0) -> Heights:
    """z = curve·(x² + y²)/2. Horn is exact on it: gradient = curve·√(x² + y²)."""
    grid = grid or make_grid()
    x, y = middle_xy(grid)
    return Heights(grid, base_m + curve * (x * x + y * y) / 2)


def saddle(curve: float, grid: Grid | None = None, base_m: float = 500.0) -> Heights:
    """z = curve·(x² − y²)/2: rises east and west, falls north and south. Horn exact: curve·√(x² + y²)."""
    grid = grid or make_grid()
    x, y = middle_xy(grid)
    return Heights(grid, base_m + curve * (x * x - y * y) / 2)


def ridge(gradient: float, grid: Grid | None = None, top_m: float = 500.0) -> Heights:
    """A crest running north to south along the middle, falling `gradient` to the east and to the west."""
    grid = grid or make_grid()
    x, _ = middle_xy(grid)
    return Heights(grid, top_m - gradient * np.abs(x))


def gully(gradient: float, fall: float, grid: Grid | None = None, base_m: float = 500.0) -> Heights:
    """A V-shaped gully along the middle: sides rise `gradient` east and west, its floor falls south at `fall`."""
    grid = grid or make_grid()
    x, y = middle_xy(grid)
    return Heights(grid, base_m + gradient * np.abs(x) + fall * y)


def rough(seed: int, grid: Grid | None = None, relief_m: float = 12.0, base_m: float = 500.0) -> Heights:
    """Rolling ground from 24 fixed waves, with a little noise; the same for the same seed. No closed form."""
    grid = grid or make_grid()
    x, y = middle_xy(grid)
    draw = np.random.default_rng(seed)
    z = np.zeros(grid.shape)
    for _ in range(24):
        length = draw.uniform(15.0, 120.0)
        turn, phase = draw.uniform(0, 2 * math.pi, 2)
        z += length / 120 * np.sin(2 * math.pi * (x * math.cos(turn) + y * math.sin(turn)) / length + phase)
    z *= relief_m / np.ptp(z)
    return Heights(grid, base_m + z + draw.normal(0, 0.01, grid.shape))


def with_hole(heights: Heights, row: int, col: int, rows: int = 1, cols: int = 1) -> Heights:
    """The same heights, a block of cells not measured."""
    z = heights.z.copy()
    z[row : row + rows, col : col + cols] = np.nan
    return Heights(heights.grid, z)


def irregular(
    seed: int,
    grid: Grid,
    hectares: float = 2.0,
    holes: int = 0,
    parts: int = 1,
    at: tuple[float, float] = (0.5, 0.5),
) -> Polygon | MultiPolygon:
    """A star-shaped irregular parcel of about that area, `at` a share of the grid's width and height (from its
    south-west corner), with holes and, for more parts, further ones east of it; the same for the same seed."""
    draw = np.random.default_rng(seed)
    radius = math.sqrt(hectares * 10_000 / math.pi / parts)
    b = grid.bounds
    cx, cy = b.west + at[0] * b.width, b.south + at[1] * b.height
    whole: BaseGeometry = Polygon()
    for part in range(parts):
        shift = 2.4 * radius * part
        whole = whole.union(_star(draw, cx + shift, cy, radius, 7 + int(draw.integers(0, 30))))
    for _ in range(holes):
        turn, far = draw.uniform(0, 2 * math.pi), draw.uniform(0.1, 0.5) * radius
        hx, hy = cx + far * math.cos(turn), cy + far * math.sin(turn)
        whole = whole.difference(_star(draw, hx, hy, draw.uniform(0.08, 0.2) * radius, 9))
    assert isinstance(whole, Polygon | MultiPolygon)
    return whole


def _star(draw: np.random.Generator, cx: float, cy: float, radius: float, corners: int) -> Polygon:
    turns = (np.arange(corners) + draw.uniform(0.1, 0.9, corners)) * 2 * math.pi / corners
    far = radius * draw.uniform(0.6, 1.3, corners)
    return Polygon(np.column_stack([cx + far * np.cos(turns), cy + far * np.sin(turns)]))
