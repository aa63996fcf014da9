"""Contour lines for the map, as many as a field's relief can carry and no more."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import shapely
from contourpy import LineType, contour_generator
from shapely.geometry import LineString, MultiPolygon, Polygon

from atlas.grid import Bounds, Heights
from atlas.terrain.figures import Contour, Contours

INTERVALS_M = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
MOST_LINES = 20
BEYOND_M = 10.0  # lines run on past the boundary, so that the ground outside can be read too
SHORTEST_CELLS = 8  # shorter pieces are specks of height noise, not shapes of the ground
EASED_CELLS = 0.1  # how far a line may be eased: far under what the map can show


def interval_for(relief_m: float) -> float:
    """The smallest interval that puts at most 20 lines on that relief (at least 8 once it reaches 4 m)."""
    return next((i for i in INTERVALS_M if relief_m / i <= MOST_LINES), INTERVALS_M[-1])


def contours(heights: Heights, shape: Polygon | MultiPolygon, relief_m: float) -> Contours:
    """Lines on whole multiples of the interval within `shape` and 10 m (or two cells) beyond, lowest first, then
    as they come from the grid's rows; every fifth is an index line. They end where nothing is measured;
    pieces shorter than eight cells are left out."""
    interval = interval_for(relief_m)
    around = shapely.buffer(shape, max(BEYOND_M, 2 * heights.grid.cell_m), quad_segs=4)
    cells = heights.grid.window(Bounds(*around.bounds), margin_m=heights.grid.cell_m)
    grid = heights.grid.part(cells)
    z = np.ma.masked_invalid(heights.z[cells.row : cells.row + cells.rows, cells.col : cells.col + cells.cols])
    if z.count() == 0 or min(grid.shape) < 2:
        return Contours(interval, ())
    steps = range(math.ceil(z.min() / interval), math.floor(z.max() / interval) + 1)
    maker = contour_generator(grid.xs, grid.ys, z, line_type=LineType.Separate)
    found = [(step, LineString(np.asarray(xy))) for step in steps for xy in maker.lines(step * interval)]
    eased_by = EASED_CELLS * min(grid.cell_x, grid.cell_y)
    eased = shapely.simplify([line for _, line in found], eased_by, preserve_topology=False)
    pieces = _within(np.asarray(eased), around)
    return Contours(
        interval,
        tuple(
            Contour(step * interval, step % 5 == 0, piece)
            for (step, _), piece_set in zip(found, pieces, strict=True)
            for piece in piece_set
            if piece.length >= SHORTEST_CELLS * grid.cell_m
        ),
    )


def _within(lines: npt.NDArray[np.object_], around: Polygon | MultiPolygon) -> list[list[LineString]]:
    """What of each line lies within a shape; whole lines are handed on as they are."""
    shapely.prepare(around)
    cut = lines.copy()
    crossing = ~shapely.contains_properly(around, lines)
    cut[crossing] = shapely.intersection(lines[crossing], around)
    return [[piece for piece in shapely.get_parts(one) if isinstance(piece, LineString)] for one in cut]
