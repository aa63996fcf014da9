"""Ground closed by drops for several machines in one pass: the hot loop, held to one pass per machine by tests."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from atlas.grid import Bytes, Floats, Floats32, Mask

NONE = 255
ROUNDING = 1e-9


@njit(cache=True, nogil=True)
def drop_ranks(
    z: Floats,
    drop: Mask,
    height: Floats32,
    unknown: Mask,
    beside_m: Floats,
    counted_m: float,
    cell_x: float,
    cell_y: float,
    wanted: Mask,
) -> Bytes:
    """Per cell the first of the rising distances `beside_m` at which it is closed, (2, rows, cols): by a drop, by
    an unknown edge; 255 where none closes it. True at least where `wanted`, elsewhere perhaps too few are closed.

    A drop closes the ground within the larger of the distance and its height that lies above half-way down it; an
    unknown edge counts as the tallest drop and closes all sides.
    """
    rows, cols = z.shape
    ranks = np.full((2, rows, cols), NONE, dtype=np.uint8)
    most = max(beside_m[-1], counted_m) * (1 + ROUNDING)
    down, across = math.ceil(most / cell_y), math.ceil(most / cell_x)
    first, last = _reached_columns(wanted, down, across)
    for r in range(rows):
        for c in range(max(0, first[r]), min(cols, last[r] + 1)):
            if drop[r, c] or unknown[r, c]:
                tall = counted_m if unknown[r, c] else min(height[r, c], counted_m)
                floor = -np.inf if unknown[r, c] else z[r, c] - tall / 2
                _stamp(z, ranks[0 if drop[r, c] else 1], r, c, floor, tall, beside_m, cell_x, cell_y)
    return ranks


@njit(cache=True, nogil=True)
def _stamp(
    z: Floats,
    ranks: Bytes,
    r: int,
    c: int,
    floor: float,
    tall: float,
    beside_m: Floats,
    cell_x: float,
    cell_y: float,
) -> None:
    rows, cols = z.shape
    reach = max(beside_m[-1], tall) * (1 + ROUNDING)
    down = int(reach / cell_y)
    for rr in range(max(0, r - down), min(rows, r + down + 1)):
        dy = (rr - r) * cell_y
        across = int(math.sqrt(reach * reach - dy * dy) / cell_x)
        for cc in range(max(0, c - across), min(cols, c + across + 1)):
            if ranks[rr, cc] == 0 or not z[rr, cc] >= floor:
                continue
            dx = (cc - c) * cell_x
            far = (dx * dx + dy * dy) / ((1 + ROUNDING) * (1 + ROUNDING))
            rank = 0
            if far > tall * tall:
                while far > beside_m[rank] * beside_m[rank]:
                    rank += 1
            if rank < ranks[rr, cc]:
                ranks[rr, cc] = rank


@njit(cache=True, nogil=True)
def _reached_columns(wanted: Mask, down: int, across: int) -> tuple[np.ndarray, np.ndarray]:
    """Per row the first and last column from which a wanted cell may be reached; an empty span where none."""
    rows, cols = wanted.shape
    first, last = np.full(rows, cols), np.full(rows, -1)
    for r in range(rows):
        lo, hi = cols, -1
        for c in range(cols):
            if wanted[r, c]:
                lo, hi = min(lo, c), c
        if hi >= 0:
            for rr in range(max(0, r - down), min(rows, r + down + 1)):
                first[rr], last[rr] = min(first[rr], lo - across), max(last[rr], hi + across)
    return first, last
