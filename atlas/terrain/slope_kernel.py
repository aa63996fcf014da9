"""Horn's gradient as one pass over the cells; its plain reading is `slope.horn_plain`."""

from __future__ import annotations

import numpy as np
from numba import njit

from atlas.grid import Floats


@njit(cache=True)
def horn_into(
    z: Floats, covered: Floats, everywhere: bool, cell_x: float, cell_y: float, gx: Floats, gy: Floats
) -> None:
    """Fill gx, gy (rows, cols) from z; NaN where a neighbour is missing, in the outer ring, and, unless
    `everywhere`, where nothing is covered."""
    rows, cols = z.shape
    per_x = 1.0 / (8.0 * cell_x)
    per_y = 1.0 / (8.0 * cell_y)
    for r in range(rows):
        for c in range(cols):
            gx[r, c] = np.nan
            gy[r, c] = np.nan
            if r == 0 or c == 0 or r == rows - 1 or c == cols - 1:
                continue
            if not everywhere and covered[r, c] <= 0.0:
                continue
            nw, n, ne = z[r - 1, c - 1], z[r - 1, c], z[r - 1, c + 1]
            w, e = z[r, c - 1], z[r, c + 1]
            sw, s, se = z[r + 1, c - 1], z[r + 1, c], z[r + 1, c + 1]
            east = ((ne + e + e + se) - (nw + w + w + sw)) * per_x
            north = ((nw + n + n + ne) - (sw + s + s + se)) * per_y
            if np.isfinite(z[r, c]) and np.isfinite(east) and np.isfinite(north):
                gx[r, c] = east
                gy[r, c] = north
