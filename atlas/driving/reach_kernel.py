"""The discs and ways of reach and turning, and in plain numpy what the tests hold kernels to (also `bits_kernel`).

A disc centred on a cell is inside a mask when every cell it touches is. `half` gives, for each row of cells up
from the disc's own, how many cells to either side it touches (−1: none).
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.grid import Floats, Mask
from atlas.terrain.d8 import D_COL, D_ROW

Counts = npt.NDArray[np.int64]
Steps = npt.NDArray[np.int8]


@lru_cache(maxsize=64)  # a few machines on one or two grids
def disc_rows(radius_m: float, cell_x: float, cell_y: float) -> Counts:
    """Half-widths in cells of a disc's rows, (rows touched above its middle + 1,). Grazed cells are out."""
    radius = radius_m * (1 - 1e-9)
    halves = []
    up = 0
    while max(0.0, (up - 0.5) * cell_y) < radius or up == 0:
        rise = max(0.0, (up - 0.5) * cell_y)
        chord = math.sqrt(max(0.0, radius * radius - rise * rise))
        halves.append(math.ceil((chord - 0.5 * cell_x) / cell_x) if chord > 0.5 * cell_x else 0)
        up += 1
    return np.array(halves, dtype=np.int64)


@njit(cache=True)
def reaches(to: Steps, drivable: Mask, wanted: Mask, asked: Counts) -> Mask:
    """Drivable cells of those `asked` (flat indices) whose way meets a wanted cell before it leaves drivable
    ground or ends; `to` is each cell's next one, a direction of `d8` (rows, cols). Every cell is settled once:
    paths that join share their answer."""
    rows, cols = to.shape
    known = np.zeros((rows, cols), dtype=np.int8)  # 0 not yet, 1 meets one, 2 does not
    path = np.empty(rows * cols, dtype=np.int32)
    out = np.zeros((rows, cols), dtype=np.bool_)
    for start in asked:
        if not drivable[start // cols, start % cols]:
            continue
        r, c, steps, answer = start // cols, start % cols, 0, 0
        while answer == 0:
            if known[r, c] > 0:
                answer = known[r, c]
            elif wanted[r, c]:
                answer = 1
            elif not drivable[r, c] or to[r, c] < 0:
                answer = 2
            else:
                path[steps] = r * cols + c
                steps += 1
                k = to[r, c]
                r, c = r + D_ROW[k], c + D_COL[k]
        for i in range(steps):
            known[path[i] // cols, path[i] % cols] = answer
        out[start // cols, start % cols] = answer == 1
    return out


def disc_plain(radius_m: float, cell_x: float, cell_y: float) -> Mask:
    """The cells a disc centred on the middle one touches, as a mask with odd sides."""
    radius = radius_m * (1 - 1e-9)
    n_row, n_col = int(radius / cell_y + 0.5), int(radius / cell_x + 0.5)
    dy = np.maximum(np.abs(np.arange(-n_row, n_row + 1)) - 0.5, 0) * cell_y
    dx = np.maximum(np.abs(np.arange(-n_col, n_col + 1)) - 0.5, 0) * cell_x
    touched: Mask = np.hypot(dy[:, None], dx[None, :]) < max(radius, 1e-12)
    return touched


def shrink_plain(mask: Mask, disc: Mask) -> Mask:
    """`bits_kernel.shrink`, one cell of the disc at a time."""
    n_row, n_col = disc.shape[0] // 2, disc.shape[1] // 2
    padded = np.pad(mask, ((n_row, n_row), (n_col, n_col)))
    out = np.ones_like(mask)
    for dr, dc in np.argwhere(disc):
        out &= padded[dr : dr + mask.shape[0], dc : dc + mask.shape[1]]
    return out


def grow_plain(mask: Mask, disc: Mask) -> Mask:
    """`bits_kernel.grow`, one cell of the disc at a time."""
    n_row, n_col = disc.shape[0] // 2, disc.shape[1] // 2
    padded = np.pad(mask, ((n_row, n_row), (n_col, n_col)))
    out = np.zeros_like(mask)
    for dr, dc in np.argwhere(disc):
        out |= padded[dr : dr + mask.shape[0], dc : dc + mask.shape[1]]
    return out


def flood_plain(ground: Mask, seeds: Mask) -> Mask:
    """`bits_kernel.flood`, one ring of cells at a time."""
    ring = np.ones((3, 3), dtype=np.bool_)
    out = ground & seeds
    while True:
        more = grow_plain(out, ring) & ground
        if (more == out).all():
            return more
        out = more


def reaches_plain(z: Floats, drivable: Mask, wanted: Mask, length: Floats, sign: float) -> Mask:
    """`reaches`, every cell walking its own way."""
    from atlas.terrain.d8 import steepest_plain

    to, _ = steepest_plain(sign * z, length)
    out = np.zeros_like(drivable)
    for r0, c0 in np.argwhere(drivable):
        r, c = int(r0), int(c0)
        while drivable[r, c] and not wanted[r, c] and to[r, c] >= 0:
            k = to[r, c]
            r, c = r + int(D_ROW[k]), c + int(D_COL[k])
        out[r0, c0] = wanted[r, c]
    return out
