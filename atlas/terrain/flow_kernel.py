"""The hot loops of water running over terrain: filling pits, choosing directions, adding up what drains where."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.grid import Floats, Mask
from atlas.terrain.d8 import D_COL, D_ROW

Codes = npt.NDArray[np.int8]
Order = npt.NDArray[np.int64]


@njit(cache=True)
def _push(heap: Order, size: int, key: Floats, cell: int) -> None:
    i = size
    heap[i] = cell
    while i > 0:
        up = (i - 1) // 2
        if key[heap[up]] <= key[heap[i]]:
            break
        heap[up], heap[i] = heap[i], heap[up]
        i = up


@njit(cache=True)
def _pop(heap: Order, size: int, key: Floats) -> int:
    first = heap[0]
    heap[0] = heap[size - 1]
    size -= 1
    i = 0
    while True:
        low = 2 * i + 1
        if low >= size:
            break
        if low + 1 < size and key[heap[low + 1]] < key[heap[low]]:
            low += 1
        if key[heap[i]] <= key[heap[low]]:
            break
        heap[i], heap[low] = heap[low], heap[i]
        i = low
    return int(first)


@njit(cache=True)
def flood_from_rim(z: Floats, rise: float) -> tuple[Floats, Order]:
    """Heights with every pit filled to its lowest way out, and the order in which cells were reached (flat,
    outlets first, every cell after the one it drains to).

    Water leaves at the array's rim and at cells without a height. With `rise` above 0 each cell lies at least
    that much above the one it was reached from, so that every cell but an outlet has a lower neighbour.
    """
    rows, cols = z.shape
    level = z.copy().ravel()
    done = np.zeros(rows * cols, dtype=np.bool_)
    heap = np.empty(rows * cols, dtype=np.int64)
    order = np.empty(rows * cols, dtype=np.int64)
    size, count = 0, 0
    for r in range(rows):
        for c in range(cols):
            if np.isnan(z[r, c]):
                done[r * cols + c] = True
                continue
            rim = r == 0 or c == 0 or r == rows - 1 or c == cols - 1
            for k in range(8):
                if not rim and np.isnan(z[r + D_ROW[k], c + D_COL[k]]):
                    rim = True
            if rim:
                done[r * cols + c] = True
                _push(heap, size, level, r * cols + c)
                size += 1
    while size > 0:
        cell = _pop(heap, size, level)
        size -= 1
        order[count] = cell
        count += 1
        r, c = cell // cols, cell % cols
        for k in range(8):
            rr, cc = r + D_ROW[k], c + D_COL[k]
            if not (0 <= rr < rows and 0 <= cc < cols) or done[rr * cols + cc]:
                continue
            n = rr * cols + cc
            level[n] = max(level[n], level[cell] + rise)
            done[n] = True
            _push(heap, size, level, n)
            size += 1
    return level.reshape(rows, cols), order[:count]


@njit(cache=True, error_model="numpy")
def d_infinity(z: Floats, cell_x: float, cell_y: float) -> tuple[Floats, Floats, Codes, Floats]:
    """Per cell the steepest way down over its eight triangular facets: direction (radians counter-clockwise from
    east, NaN where none), gradient, and how the flow is shared: the neighbour clockwise of the direction (as in
    `d8`; −1 none) and its share; the rest goes to the next one counter-clockwise."""
    rows, cols = z.shape
    angle = np.full((rows, cols), np.nan)
    gradient = np.zeros((rows, cols))
    first = np.full((rows, cols), -1, dtype=np.int8)
    share = np.ones((rows, cols))
    diagonal = math.hypot(cell_x, cell_y)
    around = np.empty(8)  # heights of the neighbours, NaN past the edge, where no facet is
    for r in range(rows):
        for c in range(cols):
            e0 = z[r, c]
            if np.isnan(e0):
                continue
            for k in range(8):
                rr, cc = r + D_ROW[k], c + D_COL[k]
                around[k] = z[rr, cc] if 0 <= rr < rows and 0 <= cc < cols else np.nan
            best, best_f, best_1, best_2 = 0.0, -1, 0.0, 0.0
            for f in range(8):  # facet f lies between neighbour f and the next one counter-clockwise
                straight, slant = (f, (f - 1) & 7) if f % 2 == 0 else (f - 1, f)
                e1, e2 = around[straight], around[slant]
                d1, d2 = (cell_x, cell_y) if straight % 4 == 0 else (cell_y, cell_x)
                s1, s2 = (e0 - e1) / d1, (e1 - e2) / d2
                if s2 <= 0:
                    slope, s1, s2 = s1, 1.0, 0.0
                elif s2 * d1 >= s1 * d2:
                    slope, s1, s2 = (e0 - e2) / diagonal, d1, d2
                else:
                    slope = math.sqrt(s1 * s1 + s2 * s2)
                if slope > best:  # NaN fails the comparison
                    best, best_f, best_1, best_2 = slope, f, s1, s2
            if best_f >= 0:
                gradient[r, c] = best
                first[r, c] = best_f
                angle[r, c], share[r, c] = _turn(best_f, best_1, best_2, cell_x, cell_y)
    return angle, gradient, first, share


@njit(cache=True)
def _turn(facet: int, s1: float, s2: float, cell_x: float, cell_y: float) -> tuple[float, float]:
    """Direction of flow on a facet, and the share of the neighbour on its clockwise side, by angle."""
    straight = facet if facet % 2 == 0 else (facet + 7) % 8
    d1, d2 = (cell_x, cell_y) if straight % 4 == 0 else (cell_y, cell_x)
    turn, wide = math.atan2(s2, s1), math.atan2(d2, d1)
    east = -straight * math.pi / 4
    if straight == facet:  # the straight neighbour is the clockwise one
        return (east + turn) % (2 * math.pi), 1.0 - turn / wide
    return (east - turn) % (2 * math.pi), turn / wide


@njit(cache=True)
def accumulate(order: Order, first: Codes, share: Floats, valid: Mask) -> Floats:
    """Cells that drain through each cell, its own included, (rows, cols); NaN where there is no height.

    `order` lists cells from the highest down; each passes `share` on to its neighbour `first` and the rest to the
    next one counter-clockwise. Where there is none, what has gathered leaves.
    """
    cols = first.shape[1]
    total = np.where(valid, 1.0, np.nan)
    for i in range(order.size):
        r, c = order[i] // cols, order[i] % cols
        k = first[r, c]
        if k < 0:
            continue
        if share[r, c] > 0:
            total[r + D_ROW[k], c + D_COL[k]] += share[r, c] * total[r, c]
        if share[r, c] < 1:
            n = (k + 7) % 8
            total[r + D_ROW[n], c + D_COL[n]] += (1 - share[r, c]) * total[r, c]
    return total
