"""Exact covered fractions by Green's theorem: each bit of outline adds what lies east of it, then rows are summed.

Its plain reading is `coverage.covered_plain`, which cuts every cell's square with the polygon.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from atlas.grid import Floats


@njit(cache=True)
def add_ring(u: Floats, v: Floats, acc: Floats) -> None:
    """Add one closed ring to `acc` (rows, cols + 1); u counts cells east, v cells south of the north-west corner.

    A ring that runs anticlockwise on the map counts positive, a hole (the other way round) negative.
    """
    rows = acc.shape[0]
    for i in range(u.size - 1):
        u0, v0, u1, v1 = u[i], v[i], u[i + 1], v[i + 1]
        sign = 1.0
        if v0 > v1:
            u0, v0, u1, v1 = u1, v1, u0, v0
            sign = -1.0
        if v1 <= 0.0 or v0 >= rows or v0 == v1:
            continue
        per_row = (u1 - u0) / (v1 - v0)
        first, last = int(max(0.0, np.floor(v0))), int(min(float(rows), np.ceil(v1)))
        for r in range(first, last):
            top, low = max(v0, float(r)), min(v1, float(r + 1))
            if low <= top:
                continue
            ut = u0 if top == v0 else u0 + (top - v0) * per_row
            ul = u1 if low == v1 else u0 + (low - v0) * per_row
            _add_piece(acc, r, ut, ul, sign * (low - top))


@njit(cache=True)
def _add_piece(acc: Floats, r: int, ua: float, ub: float, dv: float) -> None:
    """One piece of outline within row r, from column position ua to ub, that spans the signed height dv."""
    cols = acc.shape[1] - 1
    west, east = min(ua, ub), max(ua, ub)
    if east <= 0.0:
        acc[r, 0] += dv
        return
    if west >= cols:
        return
    if west == east:
        _add_bit(acc, r, int(west), west - int(west), dv)
        return
    per_u = dv / (east - west)
    if west < 0.0:
        acc[r, 0] += -west * per_u
        west = 0.0
    c = int(west)
    while west < east and c < cols:
        stop = min(east, float(c + 1))
        _add_bit(acc, r, c, (west + stop) / 2 - c, (stop - west) * per_u)
        west = stop
        c += 1


@njit(cache=True)
def _add_bit(acc: Floats, r: int, c: int, across: float, dv: float) -> None:
    """A bit inside one cell: the cell keeps what lies east of it, every cell further east the whole height."""
    acc[r, c] += dv * (1.0 - across)
    acc[r, c + 1] += dv * across


@njit(cache=True)
def sum_rows(acc: Floats, covered: Floats) -> None:
    """Running sums along rows into covered (rows, cols); what rounding leaves beside 0 and 1 is taken off."""
    rows, cols = covered.shape
    for r in range(rows):
        total = 0.0
        for c in range(cols):
            total += acc[r, c]
            share = total
            if share < 1e-11:
                share = 0.0
            elif share > 1.0 - 1e-11:
                share = 1.0
            covered[r, c] = share
