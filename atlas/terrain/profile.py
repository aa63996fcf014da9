"""The field's steepest line from top to bottom, so that a reader sees the shape of the slope from the side."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import LineString

from atlas.grid import Floats, Heights
from atlas.terrain.figures import Gradient, Profile
from atlas.terrain.profile_kernel import way_down

INSIDE_FROM = 0.5  # a cell belongs to the line's ground when at least half covered


def steepest_profile(heights: Heights, gradient: Gradient, covered: Floats) -> Profile | None:
    """Heights along the way down that falls furthest inside the field, sampled about each cell, top to bottom.

    The way follows the fall line from cell to cell and ends where that leaves the field; a hollow is left by its
    lowest way out, so the line may rise a little there. None where there is no such way (under two measured cells,
    or level ground).
    """
    grid = heights.grid
    z = np.ascontiguousarray(heights.z, dtype=np.float64)
    inside = (covered >= INSIDE_FROM) & np.isfinite(z)
    if int(inside.sum()) < 2:
        return None
    way = way_down(z, gradient.gx, gradient.gy, inside, grid.cell_x, grid.cell_y)
    ends = z.ravel()[way[[0, -1]]]
    if not ends[0] > ends[1]:
        return None
    rows, cols = np.divmod(way, grid.cols)
    return _sampled(heights, LineString(np.column_stack([grid.xs[cols], grid.ys[rows]])))


def _sampled(heights: Heights, steps: LineString) -> Profile:
    """Ease the staircase of cell steps, which is longer than the ground, and read heights along what is left."""
    step = min(heights.grid.cell_x, heights.grid.cell_y)
    line = LineString(shapely.get_coordinates(shapely.simplify(steps, step)))
    along = np.linspace(0.0, line.length, max(2, round(line.length / step) + 1))
    z = _bilinear(heights, shapely.get_coordinates(shapely.line_interpolate_point(line, along)))
    known = np.isfinite(z)
    return Profile(along[known], z[known], line)


def _bilinear(heights: Heights, xy: Floats) -> Floats:
    """Heights at points (n, 2), NaN where one of the four cells around has none."""
    grid, z = heights.grid, heights.z
    u = np.clip((xy[:, 0] - grid.west) / grid.cell_x - 0.5, 0, grid.cols - 1)
    v = np.clip((grid.north - xy[:, 1]) / grid.cell_y - 0.5, 0, grid.rows - 1)
    c, r = np.floor(u).astype(np.intp), np.floor(v).astype(np.intp)
    c1, r1 = np.minimum(c + 1, grid.cols - 1), np.minimum(r + 1, grid.rows - 1)
    fu, fv = u - c, v - r
    north = z[r, c] * (1 - fu) + z[r, c1] * fu
    south = z[r1, c] * (1 - fu) + z[r1, c1] * fu
    found: Floats = north * (1 - fv) + south * fv
    return found
