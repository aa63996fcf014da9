"""The steepest way down or up from a cell to one of its eight neighbours, shared by drops, turning and flow.

Directions are numbered 0 to 7 clockwise from east, so that `1 << direction` is the code grids are published in
(east 1, south-east 2, south 4, … north-east 128).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.grid import Floats, Grid, Heights

D_ROW = np.array([0, 1, 1, 1, 0, -1, -1, -1], dtype=np.int64)
D_COL = np.array([1, 1, 0, -1, -1, -1, 0, 1], dtype=np.int64)
NOWHERE = -1


@dataclass(frozen=True)
class Steepest:
    """Per cell the neighbour that lies steepest below: `to` is its direction (−1: none lower), (rows, cols) int8;
    `fall` the gradient to it, rise over run, 0 where there is none."""

    grid: Grid
    to: npt.NDArray[np.int8]
    fall: Floats


def steepest_down(heights: Heights) -> Steepest:
    """D8: the largest fall per metre of the eight, diagonals over their own length.

    A neighbour without height is passed over; of equal falls the first clockwise from east is taken.
    Source: O'Callaghan and Mark 1984, CVGIP 28:323–344 (from memory).
    """
    to, fall = steepest_kernel(np.ascontiguousarray(heights.z), step_lengths(heights.grid))
    return Steepest(heights.grid, to, fall)


def step_lengths(grid: Grid) -> Floats:
    """Ground-plan metres of a step in each of the eight directions, (8,)."""
    length: Floats = np.hypot(D_COL * grid.cell_x, D_ROW * grid.cell_y)
    return length


@njit(cache=True, error_model="numpy")
def steepest_kernel(z: Floats, length: Floats) -> tuple[npt.NDArray[np.int8], Floats]:
    rows, cols = z.shape
    to = np.full((rows, cols), NOWHERE, dtype=np.int8)
    fall = np.zeros((rows, cols))
    for r in range(rows):
        for c in range(cols):
            best = 0.0
            here = z[r, c]
            for k in range(8):
                rr, cc = r + D_ROW[k], c + D_COL[k]
                if 0 <= rr < rows and 0 <= cc < cols:
                    gradient = (here - z[rr, cc]) / length[k]  # NaN fails the comparison
                    if gradient > best:
                        best = gradient
                        to[r, c] = k
            fall[r, c] = best
    return to, fall


def steepest_plain(z: Floats, length: Floats) -> tuple[npt.NDArray[np.int8], Floats]:
    """The same in plain numpy: the twin the kernel is held to."""
    rows, cols = z.shape
    padded = np.full((rows + 2, cols + 2), np.nan)
    padded[1:-1, 1:-1] = z
    gradients = np.stack(
        [
            (z - padded[1 + dr : 1 + dr + rows, 1 + dc : 1 + dc + cols]) / run
            for dr, dc, run in zip(D_ROW, D_COL, length, strict=True)
        ]
    )
    gradients = np.where(gradients > 0, gradients, 0.0)
    to = gradients.argmax(axis=0).astype(np.int8)
    fall = gradients.max(axis=0)
    to[fall == 0] = NOWHERE
    return to, fall
