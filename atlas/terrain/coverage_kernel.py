"""Exact covered fractions by Green's theorem: each bit of outline adds what lies east of it, then rows are summed.

Its plain reading is `coverage.covered_plain`, which cuts every cell's square with the polygon.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.grid import Floats, Mask

Ints = npt.NDArray[np.int64]


@njit(cache=True)
def cover(xy: Floats, start: Ints, outer: Mask, frame: Floats, acc: Floats, covered: Floats) -> None:
    """Fill `covered` (rows, cols). Ring k is xy[start[k]:start[k + 1]], closed, drawn either way round; `outer`
    tells boundaries from holes; `frame` is the grid's west, north, cell_x, cell_y; `acc` zeros, (rows, cols + 1).
    """
    west, north, cell_x, cell_y = frame
    u = (xy[:, 0] - west) / cell_x  # cells east of the corner
    v = (north - xy[:, 1]) / cell_y  # cells south of the corner
    for k in range(outer.size):
        first, last = start[k], start[k + 1]
        turn = 0.0
        for i in range(first, last - 1):
            turn += (u[i] - u[first]) * (v[i + 1] - v[first]) - (u[i + 1] - u[first]) * (v[i] - v[first])
        # drawn anticlockwise on the map, what lies east of a ring's western side counts positive
        sign = 1.0 if (turn < 0.0) == outer[k] else -1.0
        for i in range(first, last - 1):
            _add_edge(u[i], v[i], u[i + 1], v[i + 1], sign, acc)
    _sum_rows(acc, covered)


@njit(cache=True)
def _add_edge(u0: float, v0: float, u1: float, v1: float, sign: float, acc: Floats) -> None:
    """One straight side, cut at the row lines."""
    rows = acc.shape[0]
    if v0 > v1:
        u0, v0, u1, v1, sign = u1, v1, u0, v0, -sign
    if v1 <= 0.0 or v0 >= rows or v0 == v1:
        return
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
def _sum_rows(acc: Floats, covered: Floats) -> None:
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
