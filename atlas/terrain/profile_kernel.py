"""Where each cell drains to within the field, as one flood from its edge inwards."""

from __future__ import annotations

import heapq

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.grid import Floats, Mask

Ints = npt.NDArray[np.int64]


@njit(cache=True)
def drain(z: Floats, inside: Mask, cell_x: float, cell_y: float) -> tuple[Ints, Ints]:
    """Next cell down for each inside cell (flat index, -1 where water leaves the field), and the cells in the
    order the flood reached them. Steepest of eight neighbours; out of a hollow, the way the flood came in."""
    rows, cols = z.shape
    came = np.full(rows * cols, -1, dtype=np.int64)
    order = np.empty(rows * cols, dtype=np.int64)
    seen = np.zeros(rows * cols, dtype=np.bool_)
    level = np.zeros(rows * cols)
    heap = [(0.0, 0)]
    heap.pop()
    for r in range(rows):
        for c in range(cols):
            if inside[r, c] and _on_edge(inside, r, c):
                seen[r * cols + c] = True
                level[r * cols + c] = z[r, c]
                heapq.heappush(heap, (z[r, c], r * cols + c))
    n = 0
    while len(heap) > 0:
        high, i = heapq.heappop(heap)
        order[n] = i
        n += 1
        r, c = i // cols, i % cols
        for dr in range(-1, 2):
            for dc in range(-1, 2):
                rr, cc = r + dr, c + dc
                if rr < 0 or cc < 0 or rr >= rows or cc >= cols or not inside[rr, cc]:
                    continue
                j = rr * cols + cc
                if not seen[j]:
                    seen[j] = True
                    came[j] = i
                    level[j] = max(high, z[rr, cc])
                    heapq.heappush(heap, (level[j], j))
    down = came.copy()
    for k in range(n):
        i = order[k]
        r, c = i // cols, i % cols
        best = 0.0
        for dr in range(-1, 2):
            for dc in range(-1, 2):
                rr, cc = r + dr, c + dc
                if rr < 0 or cc < 0 or rr >= rows or cc >= cols or not inside[rr, cc]:
                    continue
                j = rr * cols + cc
                if level[j] >= level[i]:
                    continue
                fall = (level[i] - level[j]) / np.hypot(dr * cell_y, dc * cell_x)
                if fall > best:
                    best = fall
                    down[i] = j
    return down, order[:n]


@njit(cache=True)
def _on_edge(inside: Mask, r: int, c: int) -> bool:
    rows, cols = inside.shape
    if r == 0 or c == 0 or r == rows - 1 or c == cols - 1:
        return True
    return not (inside[r - 1, c] and inside[r + 1, c] and inside[r, c - 1] and inside[r, c + 1])
