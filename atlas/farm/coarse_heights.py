"""Heights far from a field as means of blocks of cells, each block of a model read once in a process.

For looking at, never for sums. Fields share what lies around them, so the means are kept, the oldest go first.
"""

from __future__ import annotations

import hashlib
import math
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass

import numpy as np

from atlas.blocks import means
from atlas.errors import TerrainError
from atlas.grid import Bounds, CellWindow, Floats, Floats32, Grid, Heights

BLOCK = 256  # cells on a side that are read at once; every factor divides it
KEPT_BYTES = 32_000_000  # some twenty fields with what lies around them

ReadBlock = Callable[[CellWindow], Floats]


class _Kept:
    """What was read last, up to so many bytes."""

    def __init__(self) -> None:
        self.blocks: OrderedDict[Hashable, Floats32] = OrderedDict()
        self.bytes = 0

    def find(self, key: Hashable) -> Floats32 | None:
        if key in self.blocks:
            self.blocks.move_to_end(key)
        return self.blocks.get(key)

    def add(self, key: Hashable, block: Floats32) -> None:
        self.blocks[key] = block
        self.bytes += block.nbytes
        while self.bytes > KEPT_BYTES and len(self.blocks) > 1:
            self.bytes -= self.blocks.popitem(last=False)[1].nbytes


_kept = _Kept()


@dataclass(frozen=True)
class Model:
    """A terrain model to be read coarsely: what tells it from others, its grid, and how a window of it is read."""

    key: Hashable
    grid: Grid
    read: ReadBlock


def factor_for(grid: Grid, cell_m: float) -> int:
    """How many cells on a side become one, a power of two: as many as stay within `cell_m`."""
    fits = max(1.0, cell_m * (1 + 1e-9) / grid.cell_m)
    return min(BLOCK, 1 << math.floor(math.log2(fits)))


def coarse(model: Model, bounds: Bounds, cell_m: float) -> Heights:
    """Means of blocks of cells that touch `bounds`, clipped to the model; NaN where any height of a block is
    missing or cannot be read."""
    grid = model.grid
    f = factor_for(grid, cell_m)
    whole = Grid(
        grid.crs, grid.west, grid.north, grid.cell_x * f, grid.cell_y * f, -(-grid.rows // f), -(-grid.cols // f)
    )
    w = whole.window(bounds)
    z = np.full((w.rows, w.cols), np.nan)
    if z.size == 0:
        return Heights(whole.part(w), z)
    per = BLOCK // f
    for i in range(w.row // per, -(-(w.row + w.rows) // per)):
        for j in range(w.col // per, -(-(w.col + w.cols) // per)):
            part = _block(model, f, i, j)
            top, left = i * per - w.row, j * per - w.col
            r0, c0 = max(top, 0), max(left, 0)
            r1, c1 = min(top + part.shape[0], w.rows), min(left + part.shape[1], w.cols)
            z[r0:r1, c0:c1] = part[r0 - top : r1 - top, c0 - left : c1 - left]
    return Heights(whole.part(w), z)


def digest(heights: Heights) -> str:
    """A digest of coarse heights."""
    g = heights.grid
    told = repr((g.west, g.north, g.cell_x, g.cell_y, g.rows, g.cols)).encode()
    return hashlib.sha256(told + np.ascontiguousarray(heights.z).tobytes()).hexdigest()


def _block(model: Model, f: int, i: int, j: int) -> Floats32:
    key = (model.key, f, i, j)
    found = _kept.find(key)
    if found is not None:
        return found
    grid = model.grid
    row, col = i * BLOCK, j * BLOCK
    window = CellWindow(row, col, min(BLOCK, grid.rows - row), min(BLOCK, grid.cols - col))
    try:
        z = model.read(window)
    except TerrainError:  # a field must not fail for what stands far off; it shows as not measured
        z = np.full((window.rows, window.cols), np.nan)
    block = _means(z, f)
    _kept.add(key, block)
    return block


def _means(z: Floats, f: int) -> Floats32:
    rows, cols = -(-z.shape[0] // f), -(-z.shape[1] // f)
    padded = np.full((rows * f, cols * f), np.nan)
    padded[: z.shape[0], : z.shape[1]] = z
    return means(padded, f, f).astype(np.float32)
