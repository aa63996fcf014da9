"""Contour lines for the map, as many as a field's relief can carry and no more."""

from __future__ import annotations

import math

import numpy as np
import shapely
from contourpy import LineType, contour_generator
from shapely.geometry import LineString, MultiPolygon, Polygon

from atlas.grid import Heights
from atlas.terrain.figures import Contour, Contours

INTERVALS_M = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
MOST_LINES = 20
BEYOND_M = 10.0  # lines run on past the boundary, so that the ground outside can be read too
EASED_CELLS = 0.1


def interval_for(relief_m: float) -> float:
    """The smallest interval that puts at most 20 lines on that relief."""
    return next((i for i in INTERVALS_M if relief_m / i <= MOST_LINES), INTERVALS_M[-1])


def contours(heights: Heights, shape: Polygon | MultiPolygon, relief_m: float) -> Contours:
    """Lines on whole multiples of the interval within `shape` and a little beyond, lowest first; every fifth is
    an index line."""
    interval = interval_for(relief_m)
    grid = heights.grid
    measured = heights.z[np.isfinite(heights.z)]
    if measured.size == 0 or min(grid.shape) < 2:
        return Contours(interval, ())
    around = shapely.buffer(shape, max(BEYOND_M, 2 * grid.cell_m), quad_segs=4)
    shapely.prepare(around)
    maker = contour_generator(grid.xs, grid.ys, np.ma.masked_invalid(heights.z), line_type=LineType.Separate)
    eased_by = EASED_CELLS * min(grid.cell_x, grid.cell_y)
    lines: list[Contour] = []
    for step in range(math.ceil(measured.min() / interval), math.floor(measured.max() / interval) + 1):
        for xy in maker.lines(step * interval):
            eased = LineString(np.asarray(xy)).simplify(eased_by, preserve_topology=False)
            for piece in shapely.get_parts(shapely.intersection(eased, around)):
                if isinstance(piece, LineString) and piece.length > 0:
                    lines.append(Contour(step * interval, step % 5 == 0, piece))
    return Contours(interval, tuple(lines))
