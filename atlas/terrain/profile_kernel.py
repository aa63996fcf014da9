"""The way down that falls furthest within a field, found from one flood from its edge inwards."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.grid import Floats, Mask

Ints = npt.NDArray[np.int64]


@njit(cache=True)
def way_down(z: Floats, gx: Floats, gy: Floats, inside: Mask, cell_x: float, cell_y: float) -> Ints:
    """Flat indices of the cells on the way, top to bottom, from the cell whose way falls most (the first in
    reading order of several). Gradients as `figures.Gradient` has them."""
    level, came, order = flood(z, inside)
    down = steepest(z, level, came, order, inside, cell_x, cell_y)
    flat = z.ravel()
    end = np.arange(flat.size)
    top, most = -1, -1.0
    for i in order:  # a cell's way down was reached before it
        if down[i] >= 0:
            end[i] = end[down[i]]
        fall = flat[i] - flat[end[i]]
        if fall > most or (fall == most and i < top):
            top, most = i, fall
    return trace(top, level, down, gx, gy, inside, cell_x, cell_y)


@njit(cache=True)
def flood(z: Floats, inside: Mask) -> tuple[Floats, Ints, Ints]:
    """Water rises in from the field's edge: the level at which it reaches each inside cell (flat, infinite
    elsewhere), the cell it came from (-1 at the edge), and the inside cells in the order reached."""
    rows, cols = z.shape
    level = np.full(rows * cols, np.inf)
    came = np.full(rows * cols, -1, dtype=np.int64)
    order = np.empty(rows * cols, dtype=np.int64)
    highs, cells, size = np.empty(rows * cols), np.empty(rows * cols, dtype=np.int64), 0
    for r in range(rows):
        for c in range(cols):
            if inside[r, c] and _on_edge(inside, r, c):
                level[r * cols + c] = z[r, c]
                _push(highs, cells, size, z[r, c], r * cols + c)
                size += 1
    n = 0
    while size > 0:
        high, i = highs[0], cells[0]
        size -= 1
        _sink(highs, cells, size)
        order[n] = i
        n += 1
        r, c = i // cols, i % cols
        for rr in range(max(0, r - 1), min(rows, r + 2)):
            for cc in range(max(0, c - 1), min(cols, c + 2)):
                j = rr * cols + cc
                if inside[rr, cc] and level[j] == np.inf:
                    came[j] = i
                    level[j] = max(high, z[rr, cc])
                    _push(highs, cells, size, level[j], j)
                    size += 1
    return level, came, order[:n]


@njit(cache=True)
def _push(highs: Floats, cells: Ints, size: int, high: float, cell: int) -> None:
    """Into a heap of so many, the lowest first, of equal heights the first in reading order. A heap of pairs in a
    list does the same in twice the time."""
    i = size
    while i > 0:
        up = (i - 1) // 2
        if highs[up] < high or (highs[up] == high and cells[up] < cell):
            break
        highs[i], cells[i] = highs[up], cells[up]
        i = up
    highs[i], cells[i] = high, cell


@njit(cache=True)
def _sink(highs: Floats, cells: Ints, size: int) -> None:
    """Take the first out of a heap that holds so many without it."""
    high, cell, i = highs[size], cells[size], 0
    while True:
        low = 2 * i + 1
        if low >= size:
            break
        other = low + 1
        if other < size and (
            highs[other] < highs[low] or (highs[other] == highs[low] and cells[other] < cells[low])
        ):
            low = other
        if high < highs[low] or (high == highs[low] and cell < cells[low]):
            break
        highs[i], cells[i] = highs[low], cells[low]
        i = low
    highs[i], cells[i] = high, cell


@njit(cache=True, error_model="numpy")
def steepest(
    z: Floats, level: Floats, came: Ints, order: Ints, inside: Mask, cell_x: float, cell_y: float
) -> Ints:
    """Next cell down for each inside cell: the steepest of eight; out of a hollow, the way the flood came in; -1
    where that leads out of the field."""
    rows, cols = z.shape
    run = np.empty((3, 3))
    for r in range(3):
        for c in range(3):
            run[r, c] = np.hypot((r - 1) * cell_y, (c - 1) * cell_x)
    down = came.copy()
    for i in order:
        r, c = i // cols, i % cols
        best = 0.0
        for rr in range(max(0, r - 1), min(rows, r + 2)):
            for cc in range(max(0, c - 1), min(cols, c + 2)):
                j = rr * cols + cc
                high = level[j] if inside[rr, cc] else z[rr, cc]
                if not high < level[i]:
                    continue
                fall = (level[i] - high) / run[rr - r + 1, cc - c + 1]
                if fall > best:
                    best = fall
                    down[i] = j if inside[rr, cc] else -1
    return down


@njit(cache=True)
def trace(
    top: int, level: Floats, down: Ints, gx: Floats, gy: Floats, inside: Mask, cell_x: float, cell_y: float
) -> Ints:
    """The way from `top`. Of the two neighbours on either side of the true fall line it takes the one that keeps
    it nearest to that line, so that it does not drift off between the eight directions.

    Source of the idea: Orlandini and others 2003, Path-based methods for the determination of nondispersive
    drainage directions in grid-based digital elevation models, Water Resources Research 39(6) (from memory).
    """
    rows, cols = inside.shape
    way = np.empty(rows * cols, dtype=np.int64)
    n, at, aside = 0, top, 0.0
    while at >= 0:
        way[n] = at
        n += 1
        r, c = at // cols, at % cols
        east, south = -gx[r, c], gy[r, c]
        steep = np.hypot(east, south)
        nearest, least, picked = -2, np.inf, 0.0
        for rr in range(max(0, r - 1), min(rows, r + 2)):
            for cc in range(max(0, c - 1), min(cols, c + 2)):
                dx, dy = (cc - c) * cell_x, (rr - r) * cell_y
                far = np.hypot(dx, dy)
                if far == 0.0 or not dx * east + dy * south > far * steep * 0.70:  # within 45°
                    continue
                off = aside + (east * dy - south * dx) / steep
                if abs(off) < least:
                    nearest, least, picked = rr * cols + cc, abs(off), off
        if nearest >= 0 and not inside.flat[nearest]:
            break
        if nearest >= 0 and level[nearest] < level[at]:
            at, aside = nearest, picked
        else:
            at, aside = down[at], 0.0
    return way[:n]


@njit(cache=True)
def _on_edge(inside: Mask, r: int, c: int) -> bool:
    rows, cols = inside.shape
    if r == 0 or c == 0 or r == rows - 1 or c == cols - 1:
        return True
    return not (inside[r - 1, c] and inside[r + 1, c] and inside[r, c - 1] and inside[r, c + 1])
