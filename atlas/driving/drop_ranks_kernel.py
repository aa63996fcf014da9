"""Ground closed by drops for several machines in one pass: the hot loop, held to one pass per machine by tests."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from atlas.grid import Bytes, Floats, Floats32, Mask

NONE = 255
ROUNDING = 1e-9


def offsets_within(most_m: float, cell_x: float, cell_y: float) -> tuple[np.ndarray, Floats]:
    """Rows and columns to go to every cell within `most_m`, nearest first, (cells, 2), and how far each is."""
    down, across = math.floor(most_m / cell_y), math.floor(most_m / cell_x)
    dr, dc = np.mgrid[-down : down + 1, -across : across + 1].reshape(2, -1)
    far = np.hypot(dr * cell_y, dc * cell_x)
    order = np.argsort(far, kind="stable")
    order = order[far[order] <= most_m]
    return np.stack([dr[order], dc[order]], axis=1), far[order]


@njit(cache=True, nogil=True)
def drop_ranks(
    cells: np.ndarray,
    z: Floats,
    drop: Mask,
    height: Floats32,
    unknown: Mask,
    beside_m: Floats,
    counted_m: float,
    offsets: np.ndarray,
    far: Floats,
) -> Bytes:
    """For the flat indices `cells`, the first of the rising distances `beside_m` at which each is closed by a drop
    and by an unknown edge, (2, cells); 255 where none closes it.

    A drop closes the ground within the larger of the distance and its height that lies above half-way down it; an
    unknown edge counts as the tallest drop and closes all sides. `offsets` and `far` reach as far as that may be.
    """
    rows, cols = z.shape
    ranks = np.full((2, cells.size), NONE, dtype=np.uint8)
    reach_r, reach_c = offsets[:, 0].max(), offsets[:, 1].max()
    before = _counted_before(drop, unknown)
    for i in range(cells.size):
        r, c = cells[i] // cols, cells[i] % cols
        r0, r1 = max(0, r - reach_r), min(rows, r + reach_r + 1)
        c0, c1 = max(0, c - reach_c), min(cols, c + reach_c + 1)
        none_near = before[r1, c1] - before[r0, c1] - before[r1, c0] + before[r0, c0] == 0
        if none_near or math.isnan(z[r, c]):
            continue
        for k in range(far.size):
            rr, cc = r + offsets[k, 0], c + offsets[k, 1]
            if rr < 0 or cc < 0 or rr >= rows or cc >= cols or not (drop[rr, cc] or unknown[rr, cc]):
                continue
            tall = counted_m if unknown[rr, cc] else min(height[rr, cc], counted_m)
            if not unknown[rr, cc] and not z[r, c] >= z[rr, cc] - tall / 2:
                continue
            kind = 0 if drop[rr, cc] else 1
            ranks[kind, i] = min(ranks[kind, i], _rank(far[k], tall, beside_m))
            if ranks[0, i] == 0:
                break
    return ranks


@njit(cache=True, nogil=True)
def _rank(far: float, tall: float, beside_m: Floats) -> int:
    if far <= tall * (1 + ROUNDING):
        return 0
    for j in range(beside_m.size):
        if far <= beside_m[j] * (1 + ROUNDING):
            return j
    return NONE


@njit(cache=True, nogil=True)
def _counted_before(drop: Mask, unknown: Mask) -> np.ndarray:
    """How many drops and edges lie above and to the left of each corner, so that a box is counted in one step."""
    rows, cols = drop.shape
    before = np.zeros((rows + 1, cols + 1), dtype=np.int32)
    for r in range(rows):
        along = 0
        for c in range(cols):
            along += drop[r, c] or unknown[r, c]
            before[r + 1, c + 1] = before[r, c + 1] + along
    return before
