"""Horn's gradient as one pass over the cells; its plain reading is `slope.horn_plain`."""

from __future__ import annotations

import numpy as np
from numba import njit

from atlas.grid import Floats


@njit(cache=True)
def horn_into(z: Floats, cell_x: float, cell_y: float, gx: Floats, gy: Floats) -> None:
    """Fill gx, gy (rows, cols) from z; NaN in the outer ring and where the cell or a neighbour is missing."""
    rows, cols = z.shape
    if rows == 0 or cols == 0:
        return
    for g in (gx, gy):
        g[0, :] = np.nan
        g[rows - 1, :] = np.nan
        g[:, 0] = np.nan
        g[:, cols - 1] = np.nan
    per_x = 1.0 / (8.0 * cell_x)
    per_y = 1.0 / (8.0 * cell_y)
    for r in range(1, rows - 1):
        for c in range(1, cols - 1):
            nw, n, ne = z[r - 1, c - 1], z[r - 1, c], z[r - 1, c + 1]
            w, e = z[r, c - 1], z[r, c + 1]
            sw, s, se = z[r + 1, c - 1], z[r + 1, c], z[r + 1, c + 1]
            east = ((ne + e + e + se) - (nw + w + w + sw)) * per_x
            north = ((nw + n + n + ne) - (sw + s + s + se)) * per_y
            # 0 where all nine heights are known, else NaN: no branch, so that the loop runs several cells at once
            unknown = (z[r, c] - z[r, c]) + (east - east) + (north - north)
            gx[r, c] = east + unknown
            gy[r, c] = north + unknown
