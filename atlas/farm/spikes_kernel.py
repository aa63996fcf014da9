"""The search for spikes as one pass over the cells; its plain reading is `spikes.spikes_plain`."""

from __future__ import annotations

import numpy as np
from numba import njit

from atlas.grid import Floats, Mask

NEW, GROUND, SPIKE, OPEN = 0, 1, 2, 3


@njit(cache=True)
def find_into(z: Floats, jump: float, most: int, found: Mask) -> None:
    """Fill `found` (rows, cols): cells of patches of at most `most` cells that a step over `jump` parts from all
    around. A patch that reaches the window's edge is ground, since nobody knows what lies beyond."""
    rows, cols = z.shape
    state = np.zeros((rows, cols), np.uint8)
    rr, cc = np.empty(most, np.int64), np.empty(most, np.int64)
    for r in range(1, rows - 1):
        for c in range(1, cols - 1):
            h = z[r, c]
            # One by one: a missing neighbour is no step, and must not hide one.
            steps = abs(h - z[r - 1, c]) > jump or abs(h - z[r + 1, c]) > jump
            steps = steps or abs(h - z[r, c - 1]) > jump or abs(h - z[r, c + 1]) > jump
            if not steps or state[r, c] != NEW:
                continue
            rr[0], cc[0] = r, c
            state[r, c] = OPEN
            n, i, ground = 1, 0, False
            while i < n and not ground:
                y, x = rr[i], cc[i]
                i += 1
                for k in range(9):
                    yy, xx = y + k // 3 - 1, x + k % 3 - 1
                    if yy < 0 or xx < 0 or yy >= rows or xx >= cols:
                        ground = True
                        break
                    if not abs(z[yy, xx] - z[y, x]) <= jump or state[yy, xx] == OPEN:
                        continue
                    if n == most or state[yy, xx] == GROUND:
                        ground = True
                        break
                    rr[n], cc[n] = yy, xx
                    state[yy, xx] = OPEN
                    n += 1
            for j in range(n):
                state[rr[j], cc[j]] = GROUND if ground else SPIKE
                found[rr[j], cc[j]] = not ground
