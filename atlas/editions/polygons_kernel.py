"""Outlines of cells that share a value and sides: the hot loops behind the polygons of `data/atlas.gpkg`.

A side is walked with its own cell on the right. Where two cells of one patch meet at a corner only, the walk turns
left, so that a hole is a ring of its own there and the polygon stays valid.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.grid import Bytes, Mask

Whole = npt.NDArray[np.int64]
EAST, SOUTH, WEST, NORTH = 0, 1, 2, 3


@njit(cache=True)
def patches(values: Bytes, inside: Mask) -> tuple[Whole, Whole]:
    """Per cell the number of its patch, -1 outside, (rows, cols); and the value of each patch, by its number."""
    rows, cols = values.shape
    patch, stack = np.full((rows, cols), -1, dtype=np.int64), np.empty(rows * cols, dtype=np.int64)
    found, count = np.empty(rows * cols, dtype=np.int64), 0
    for row in range(rows):
        for col in range(cols):
            if not inside[row, col] or patch[row, col] >= 0:
                continue
            patch[row, col], stack[0], top = count, row * cols + col, 1
            while top > 0:
                top -= 1
                r0, c0 = stack[top] // cols, stack[top] % cols
                for dr, dc in ((0, 1), (1, 0), (0, -1), (-1, 0)):
                    r, c = r0 + dr, c0 + dc
                    if not (0 <= r < rows and 0 <= c < cols) or not inside[r, c] or patch[r, c] >= 0:
                        continue
                    if values[r, c] == values[row, col]:
                        patch[r, c], stack[top] = count, r * cols + c
                        top += 1
            found[count] = values[row, col]
            count += 1
    return patch, found[:count].copy()


@njit(cache=True)
def _at(patch: Whole, row: int, col: int) -> int:
    if 0 <= row < patch.shape[0] and 0 <= col < patch.shape[1]:
        return int(patch[row, col])
    return -1


@njit(cache=True)
def _leaves(patch: Whole, of: int, row: int, col: int, heading: int) -> bool:
    """Whether a side of patch `of` leaves a corner this way: it on the right, something else on the left."""
    right_row, right_col = row - (heading >= WEST), col - (heading in (SOUTH, WEST))
    left_row, left_col = row - (heading in (EAST, NORTH)), col - (heading >= WEST)
    return _at(patch, right_row, right_col) == of and _at(patch, left_row, left_col) != of


@njit(cache=True)
def outlines(patch: Whole) -> tuple[Whole, Whole, Whole]:
    """Corners (n, 2) as column and row, ring after closed ring; how many each ring has; and its patch. The outer
    ring of a patch comes before its holes."""
    rows, cols = patch.shape
    walked = np.zeros((rows, cols), dtype=np.bool_)  # the upper sides of cells
    corners, count = np.empty((1 << 10, 2), dtype=np.int64), 0
    long, of, rings = np.empty(1 << 6, dtype=np.int64), np.empty(1 << 6, dtype=np.int64), 0
    for row in range(rows):
        for col in range(cols):
            mine = patch[row, col]
            if mine < 0 or walked[row, col] or (row > 0 and patch[row - 1, col] == mine):  # no upper side to walk
                continue
            if rings == long.size:
                long, of = np.concatenate((long, np.empty_like(long))), np.concatenate((of, np.empty_like(of)))
            begin, r, c, heading = count, row, col, EAST
            while True:
                if count + 1 >= corners.shape[0]:
                    corners = np.concatenate((corners, np.empty_like(corners)))
                corners[count, 0], corners[count, 1] = c, r
                count += 1
                while True:  # along one straight side
                    if heading == EAST:
                        walked[r, c] = True
                    r += (heading == SOUTH) - (heading == NORTH)
                    c += (heading == EAST) - (heading == WEST)
                    left, right = (heading + 3) & 3, (heading + 1) & 3
                    if _leaves(patch, mine, r, c, left):
                        heading = left
                        break
                    if not _leaves(patch, mine, r, c, heading):
                        heading = right
                        break
                if r == row and c == col and heading == EAST:
                    break
            corners[count] = corners[begin]
            count += 1
            long[rings], of[rings] = count - begin, mine
            rings += 1
    return corners[:count].copy(), long[:rings].copy(), of[:rings].copy()
