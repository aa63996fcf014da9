"""How steep the ground is and which way it falls: Horn's gradient on the terrain model's own cells."""

from __future__ import annotations

import numpy as np

from atlas.grid import Heights
from atlas.terrain.figures import Gradient
from atlas.terrain.slope_kernel import horn_into


def horn(heights: Heights) -> Gradient:
    """Gradient of every cell, (rows, cols), rise over run; NaN where the cell or one of its eight neighbours has
    no height, and in the window's outer ring (read a margin). Oblong cells are allowed for.

    Source: Horn 1981, Hill shading and the reflectance map, Proc. IEEE 69(1), 14–47.
    """
    grid = heights.grid
    z = np.ascontiguousarray(heights.z, dtype=np.float64)
    gx, gy = np.empty(grid.shape), np.empty(grid.shape)
    horn_into(z, grid.cell_x, grid.cell_y, gx, gy)
    return Gradient(grid, gx, gy)


def horn_plain(heights: Heights) -> Gradient:
    """The same sum in whole arrays, to hold the kernel to."""
    z, grid = heights.z, heights.grid
    nw, n, ne = z[:-2, :-2], z[:-2, 1:-1], z[:-2, 2:]
    w, middle, e = z[1:-1, :-2], z[1:-1, 1:-1], z[1:-1, 2:]
    sw, s, se = z[2:, :-2], z[2:, 1:-1], z[2:, 2:]
    known = np.isfinite(middle + nw + n + ne + w + e + sw + s + se)
    gx, gy = np.full(grid.shape, np.nan), np.full(grid.shape, np.nan)
    gx[1:-1, 1:-1] = np.where(known, (ne + 2 * e + se - nw - 2 * w - sw) / (8 * grid.cell_x), np.nan)
    gy[1:-1, 1:-1] = np.where(known, (nw + 2 * n + ne - sw - 2 * s - se) / (8 * grid.cell_y), np.nan)
    return Gradient(grid, gx, gy)
