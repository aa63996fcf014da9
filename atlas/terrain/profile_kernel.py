"""The way down that falls furthest within a field, found from one flood from its edge inwards."""

from __future__ import annotations

import heapq

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.grid import Floats, Mask

Ints = npt.NDArray[np.int64]


@njit(cache=True)
def way_down(z: Floats, inside: Mask, cell_x: float, cell_y: float) -> Ints:
    """Flat indices of the cells on the way, top to bottom; the first in reading order of those that fall most."""
    down, order = drain(z, inside, cell_x, cell_y)
    flat = z.ravel()
    end = np.arange(flat.size)
    top, most = -1, -1.0
    for i in order:  # a cell's way down comes before it in the flood
        if down[i] >= 0:
            end[i] = end[down[i]]
        fall = flat[i] - flat[end[i]]
        if fall > most or (fall == most and i < top):
            top, most = i, fall
    way = np.empty(order.size, dtype=np.int64)
    n = 0
    while top >= 0:
        way[n] = top
        n += 1
        top = down[top]
    return way[:n]


@njit(cache=True)
def drain(z: Floats, inside: Mask, cell_x: float, cell_y: float) -> tuple[Ints, Ints]:
    """Next cell down for each inside cell (flat index, -1 where the way leaves the field), and the inside cells
    in the order the flood reached them. Steepest of eight neighbours; out of a hollow, the way the flood came in."""
    rows, cols = z.shape
    came = np.full(rows * cols, -1, dtype=np.int64)
    order = np.empty(rows * cols, dtype=np.int64)
    level = np.full(rows * cols, np.inf)
    heap = [(0.0, 0)]
    heap.pop()
    for r in range(rows):
        for c in range(cols):
            if inside[r, c] and _on_edge(inside, r, c):
                level[r * cols + c] = z[r, c]
                heapq.heappush(heap, (z[r, c], r * cols + c))
    n = 0
    while len(heap) > 0:
        high, i = heapq.heappop(heap)
        order[n] = i
        n += 1
        r, c = i // cols, i % cols
        for rr in range(max(0, r - 1), min(rows, r + 2)):
            for cc in range(max(0, c - 1), min(cols, c + 2)):
                j = rr * cols + cc
                if inside[rr, cc] and level[j] == np.inf:
                    came[j] = i
                    level[j] = max(high, z[rr, cc])
                    heapq.heappush(heap, (level[j], j))
    order = order[:n]
    down = came.copy()
    for i in order:
        r, c = i // cols, i % cols
        best = 0.0
        for rr in range(max(0, r - 1), min(rows, r + 2)):
            for cc in range(max(0, c - 1), min(cols, c + 2)):
                j = rr * cols + cc
                if inside[rr, cc] and level[j] < level[i]:
                    fall = (level[i] - level[j]) / np.hypot((rr - r) * cell_y, (cc - c) * cell_x)
                    if fall > best:
                        best = fall
                        down[i] = j
    return down, order


@njit(cache=True)
def _on_edge(inside: Mask, r: int, c: int) -> bool:
    rows, cols = inside.shape
    if r == 0 or c == 0 or r == rows - 1 or c == cols - 1:
        return True
    return not (inside[r - 1, c] and inside[r + 1, c] and inside[r, c - 1] and inside[r, c + 1])
