"""Horn's gradient as one pass over the cells; its plain reading is `slope.horn_plain`."""

from __future__ import annotations

import numpy as np
from numba import njit

from atlas.grid import Floats


@njit(cache=True)
def horn_into(z: Floats, cell_x: float, cell_y: float, gx: Floats, gy: Floats) -> None:
    """Fill gx, gy (rows, cols) from z; cells with a missing neighbour, and the outer ring, become NaN."""
    rows, cols = z.shape
    per_x = 1.0 / (8.0 * cell_x)
    per_y = 1.0 / (8.0 * cell_y)
    gx[:] = np.nan
    gy[:] = np.nan
    for r in range(1, rows - 1):
        for c in range(1, cols - 1):
            if np.isnan(z[r, c]):
                continue
            nw, n, ne = z[r - 1, c - 1], z[r - 1, c], z[r - 1, c + 1]
            w, e = z[r, c - 1], z[r, c + 1]
            sw, s, se = z[r + 1, c - 1], z[r + 1, c], z[r + 1, c + 1]
            east = ((ne + e + e + se) - (nw + w + w + sw)) * per_x
            north = ((nw + n + n + ne) - (sw + s + s + se)) * per_y
            if np.isnan(east) or np.isnan(north):
                continue
            gx[r, c] = east
            gy[r, c] = north
