"""How much of each cell a field covers, exactly, so that areas per class add up to the field's own area."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon

from atlas.grid import Floats, Grid
from atlas.terrain.coverage_kernel import add_ring, sum_rows


def covered_fractions(shape: Polygon | MultiPolygon, grid: Grid) -> Floats:
    """Covered fraction of each cell, (rows, cols), 0 to 1, for a valid shape in the grid's CRS.

    Parts of the shape beyond the grid are left out. Off by rounding only: about 1e-12 per cell.
    """
    acc = np.zeros((grid.rows, grid.cols + 1))
    for part in shapely.get_parts(shape):
        for ring, ccw in [(part.exterior, True), *((hole, False) for hole in part.interiors)]:
            xy = shapely.get_coordinates(ring)
            if shapely.is_ccw(ring) != ccw:
                xy = xy[::-1]
            u = (xy[:, 0] - grid.west) / grid.cell_x
            v = (grid.north - xy[:, 1]) / grid.cell_y
            add_ring(np.ascontiguousarray(u), np.ascontiguousarray(v), acc)
    covered = np.empty(grid.shape)
    sum_rows(acc, covered)
    return covered


def covered_plain(shape: Polygon | MultiPolygon, grid: Grid) -> Floats:
    """The same by cutting each cell's square with the shape: slow, to hold the kernel to."""
    x0 = grid.west + np.arange(grid.cols) * grid.cell_x
    y0 = grid.north - (np.arange(grid.rows) + 1) * grid.cell_y
    xx, yy = np.meshgrid(x0, y0)
    squares = shapely.box(xx, yy, xx + grid.cell_x, yy + grid.cell_y)
    areas: Floats = np.asarray(shapely.area(shapely.intersection(squares, shape)))
    return areas / grid.cell_area
