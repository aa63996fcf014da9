"""How much of each cell a field covers, exactly, so that areas per class add up to the field's own area."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon

from atlas.grid import Floats, Grid
from atlas.terrain.coverage_kernel import cover


def covered_fractions(shape: Polygon | MultiPolygon, grid: Grid) -> Floats:
    """Covered fraction of each cell, (rows, cols), 0 to 1, for a valid shape in the grid's CRS.

    Parts of the shape beyond the grid are left out. Off by rounding only: about 1e-12 per cell.
    """
    parts = shapely.get_parts(shape)
    rings, part_of = shapely.get_rings(parts, return_index=True)
    xy, ring_of = shapely.get_coordinates(rings, return_index=True)
    start = np.searchsorted(ring_of, np.arange(len(rings) + 1))
    outer = np.diff(part_of, prepend=-1) != 0  # the first ring of each part is its boundary, the others are holes
    frame = np.array([grid.west, grid.north, grid.cell_x, grid.cell_y])
    covered = np.empty(grid.shape)
    cover(xy, start, outer, frame, np.zeros((grid.rows, grid.cols + 1)), covered)
    return covered


def covered_plain(shape: Polygon | MultiPolygon, grid: Grid) -> Floats:
    """The same by cutting each cell's square with the shape: slow, to hold the kernel to."""
    x0 = grid.west + np.arange(grid.cols) * grid.cell_x
    y0 = grid.north - (np.arange(grid.rows) + 1) * grid.cell_y
    xx, yy = np.meshgrid(x0, y0)
    squares = shapely.box(xx, yy, xx + grid.cell_x, yy + grid.cell_y)
    areas: Floats = np.asarray(shapely.area(shapely.intersection(squares, shape)))
    return areas / grid.cell_area
