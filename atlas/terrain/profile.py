"""The field's steepest line from top to bottom, so that a reader sees the shape of the slope from the side."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import LineString

from atlas.grid import Floats, Heights
from atlas.terrain.figures import Profile
from atlas.terrain.profile_kernel import drain

INSIDE_FROM = 0.5  # a cell belongs to the line's ground when at least half covered


def steepest_profile(heights: Heights, covered: Floats) -> Profile | None:
    """Heights along the way down that falls furthest inside the field, sampled about each cell, top to bottom.

    None where the field holds no such way (under two measured cells, or level).
    """
    grid, z = heights.grid, heights.z
    inside = (covered >= INSIDE_FROM) & np.isfinite(z)
    if int(inside.sum()) < 2:
        return None
    down, order = drain(np.ascontiguousarray(z), inside, grid.cell_x, grid.cell_y)
    flat = z.ravel()
    end = np.arange(flat.size)
    for i in order:
        if down[i] >= 0:
            end[i] = end[down[i]]
    falls = flat[order] - flat[end[order]]
    top = int(order[int(np.argmax(falls))])
    if not falls.max() > 0:
        return None
    way = [top]
    while down[way[-1]] >= 0:
        way.append(int(down[way[-1]]))
    rows, cols = np.divmod(np.asarray(way), grid.cols)
    return _sampled(heights, LineString(np.column_stack([grid.xs[cols], grid.ys[rows]])))


def _sampled(heights: Heights, steps: LineString) -> Profile:
    """Ease the staircase of cell steps, which is longer than the ground, and read heights along what is left."""
    grid = heights.grid
    line = LineString(shapely.get_coordinates(steps.simplify(min(grid.cell_x, grid.cell_y))))
    count = max(2, round(line.length / min(grid.cell_x, grid.cell_y)) + 1)
    along = np.linspace(0.0, line.length, count)
    points = [line.interpolate(d) for d in along]
    xy = np.array([(p.x, p.y) for p in points])
    z = _bilinear(heights, xy)
    return Profile(along[np.isfinite(z)], z[np.isfinite(z)], line)


def _bilinear(heights: Heights, xy: Floats) -> Floats:
    grid = heights.grid
    u = np.clip((xy[:, 0] - grid.west) / grid.cell_x - 0.5, 0, grid.cols - 1)
    v = np.clip((grid.north - xy[:, 1]) / grid.cell_y - 0.5, 0, grid.rows - 1)
    c, r = np.minimum(u.astype(int), grid.cols - 2), np.minimum(v.astype(int), grid.rows - 2)
    fu, fv = u - c, v - r
    z = heights.z
    north = z[r, c] * (1 - fu) + z[r, c + 1] * fu
    south = z[r + 1, c] * (1 - fu) + z[r + 1, c + 1] * fu
    found: Floats = north * (1 - fv) + south * fv
    return found
