"""What is seen in each part of a view, counted over its pixels."""

from __future__ import annotations

import numpy as np
from numba import njit

from atlas.grid import Bytes, Floats
from atlas.terrain.view_kernel import Cells

KINDS = 256  # zones that a byte can hold


@njit(cache=True)
def seen_in_parts(
    pixels: Cells, cells: Cells, cols: int, parts: int, away: Floats, z: Floats, zone: Bytes
) -> tuple[Cells, Cells, Floats]:
    """For each of `parts` of a picture as wide as each other, from its left: the furthest cell with a height that
    is seen, -1 where none is, (parts,); how often each zone is seen and how near it comes, (parts, KINDS).

    A pixel of `pixels` (flat, `cols` to a row) shows the cell of `cells` beside it; `away`, `z` and `zone` are by
    cell.
    """
    wide = max(1, cols // parts)
    last, far = np.full(parts, -1, dtype=np.int64), np.full(parts, -1.0)
    times, near = np.zeros((parts, KINDS), dtype=np.int64), np.full((parts, KINDS), np.inf)
    for i in range(pixels.size):
        part, cell = pixels[i] % cols // wide, cells[i]
        if part >= parts:
            continue
        metres = away[cell]
        if metres > far[part] and not np.isnan(z[cell]):
            last[part], far[part] = cell, metres
        kind = zone[cell]
        times[part, kind] += 1
        if metres < near[part, kind]:
            near[part, kind] = metres
    return last, times, near
