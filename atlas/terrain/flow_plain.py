"""The sums of `flow_kernel` in plain numpy, slow and easy to check: the tests hold the kernels to them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from atlas.grid import Floats, Mask
from atlas.terrain.d8 import D_COL, D_ROW


def d_infinity_plain(z: Floats, cell_x: float, cell_y: float) -> tuple[Floats, Floats]:
    """Direction (radians counter-clockwise from east) and gradient of the steepest facet, (rows, cols).

    Each facet's plane through its three corners is z = e0 + px·x + py·y; where its fall line leaves the facet, the
    steeper of its two edges counts.
    """
    rows, cols = z.shape
    padded = np.pad(z, 1, constant_values=np.nan)
    best, angle = np.zeros(z.shape), np.full(z.shape, np.nan)
    for k in range(8):
        n = (k + 7) % 8
        dx1, dy1, dx2, dy2 = D_COL[k] * cell_x, -D_ROW[k] * cell_y, D_COL[n] * cell_x, -D_ROW[n] * cell_y
        f1 = padded[1 + D_ROW[k] : 1 + D_ROW[k] + rows, 1 + D_COL[k] : 1 + D_COL[k] + cols] - z
        f2 = padded[1 + D_ROW[n] : 1 + D_ROW[n] + rows, 1 + D_COL[n] : 1 + D_COL[n] + cols] - z
        across = dx1 * dy2 - dx2 * dy1
        px, py = (f1 * dy2 - f2 * dy1) / across, (f2 * dx1 - f1 * dx2) / across
        from_1 = (dx1 * -py - dy1 * -px) / np.hypot(dx1, dy1)  # the fall line lies counter-clockwise of edge 1
        from_2 = (dx2 * -py - dy2 * -px) / np.hypot(dx2, dy2)
        inside = (from_1 > 0) & (from_2 < 0)
        edge_1, edge_2 = -f1 / np.hypot(dx1, dy1), -f2 / np.hypot(dx2, dy2)
        along_edge = np.maximum(edge_1, edge_2)
        edge_turn = np.where(edge_1 >= edge_2, np.arctan2(dy1, dx1), np.arctan2(dy2, dx2))
        slope = np.where(inside, np.hypot(px, py), along_edge)
        turn = np.where(inside, np.arctan2(-py, -px), edge_turn)
        better = np.isfinite(f1 + f2) & (slope > best)
        best, angle = np.where(better, slope, best), np.where(better, turn % (2 * np.pi), angle)
    return angle, best


def accumulate_plain(first: npt.NDArray[np.int8], share: Floats, valid: Mask) -> Floats:
    """Cells that drain through each cell, from the balance of all cells at once: what leaves a cell is itself and
    what comes in. A dense system, for small grids only."""
    rows, cols = first.shape
    passed = np.eye(rows * cols)
    for r, c in np.argwhere(valid & (first >= 0)):
        k = int(first[r, c])
        for to, part in ((k, share[r, c]), ((k + 7) % 8, 1 - share[r, c])):
            if part > 0:
                passed[(r + D_ROW[to]) * cols + c + D_COL[to], r * cols + c] -= part
    total = np.linalg.solve(passed, valid.ravel().astype(np.float64)).reshape(rows, cols)
    return np.where(valid, total, np.nan)
