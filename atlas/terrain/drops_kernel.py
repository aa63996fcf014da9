"""The hot loops of finding drops, and the same sums in plain Python that the tests hold them to."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.grid import Floats, Floats32, Mask
from atlas.terrain.d8 import D_COL, D_ROW

Ints = npt.NDArray[np.int32]
Codes = npt.NDArray[np.int8]
Cells = npt.NDArray[np.int64]


@njit(cache=True)
def mark_drops(
    z: Floats,
    to: Codes,
    steep: Mask,
    walls: Mask,
    length: Floats,
    within_m: float,
    fall_m: float,
    counted_m: float,
) -> tuple[Mask, Floats32]:
    """Cells where a drop begins, and how far it falls: along the steepest path while it stays `steep`."""
    rows, cols = z.shape
    drop = np.zeros((rows, cols), dtype=np.bool_)
    height = np.zeros((rows, cols), dtype=np.float32)
    for r in range(rows):
        for c in range(cols):
            k = to[r, c]
            if k < 0:
                continue
            if steep[r, c]:
                rr, cc, gone = r, c, 0.0
                while k >= 0 and steep[rr, cc] and gone < within_m and z[r, c] - z[rr, cc] < counted_m:
                    gone += length[k]
                    rr, cc = rr + D_ROW[k], cc + D_COL[k]
                    k = to[rr, cc]
                fall = z[r, c] - z[rr, cc]
                if fall >= fall_m:
                    drop[r, c] = True
                    height[r, c] = min(fall, counted_m)
            k = to[r, c]
            if walls[r + D_ROW[k], c + D_COL[k]] and not walls[r, c]:
                drop[r, c] = True
    return drop, height


@njit(cache=True)
def mark_unknown(z: Floats) -> Mask:
    """Cells with a height that touch a cell without one."""
    rows, cols = z.shape
    out = np.zeros((rows, cols), dtype=np.bool_)
    for r in range(rows):
        for c in range(cols):
            if not np.isnan(z[r, c]):
                continue
            for k in range(8):
                rr, cc = r + D_ROW[k], c + D_COL[k]
                if 0 <= rr < rows and 0 <= cc < cols and not np.isnan(z[rr, cc]):
                    out[rr, cc] = True
    return out


@njit(cache=True)
def trace_up(ends: Mask, to: Codes, length: Floats, within_m: float) -> tuple[Ints, Floats]:
    """For each cell the first of `ends` on its steepest way down within `within_m`: its flat index (−1: none),
    and the metres to it. Walked uphill from the ends, so that ground without any costs nothing."""
    rows, cols = to.shape
    ends_at = np.full((rows, cols), -1, dtype=np.int32)
    run = np.full((rows, cols), np.inf)
    stack = np.empty(rows * cols, dtype=np.int32)
    top = 0
    for r in range(rows):
        for c in range(cols):
            if ends[r, c]:
                ends_at[r, c] = r * cols + c
                run[r, c] = 0.0
                stack[top] = r * cols + c
                top += 1
    while top > 0:
        top -= 1
        r, c = stack[top] // cols, stack[top] % cols
        for k in range(8):
            rr, cc = r - D_ROW[k], c - D_COL[k]  # the neighbour that would come here by direction k
            if not (0 <= rr < rows and 0 <= cc < cols) or to[rr, cc] != k or ends[rr, cc]:
                continue
            if run[r, c] + length[k] <= within_m:
                run[rr, cc] = run[r, c] + length[k]
                ends_at[rr, cc] = ends_at[r, c]
                stack[top] = rr * cols + cc
                top += 1
    return ends_at, run


def mark_drops_plain(
    z: Floats,
    to: Codes,
    steep: Mask,
    walls: Mask,
    length: Floats,
    within_m: float,
    fall_m: float,
    counted_m: float,
) -> tuple[Mask, Floats32]:
    """`mark_drops` read slowly: all cells step downhill together, each until its path eases."""
    rows: Cells = np.indices(z.shape)[0]
    cols: Cells = np.indices(z.shape)[1]
    at_r, at_c = rows.copy(), cols.copy()
    gone = np.zeros(z.shape)
    while True:
        k = to[at_r, at_c]
        going = (k >= 0) & steep[at_r, at_c] & (gone < within_m) & (z - z[at_r, at_c] < counted_m)
        if not going.any():
            break
        gone = np.where(going, gone + length[k], gone)
        at_r = np.where(going, at_r + D_ROW[k], at_r)
        at_c = np.where(going, at_c + D_COL[k], at_c)
    fall = np.where(steep & (to >= 0), z - z[at_r, at_c], 0.0)
    over = fall >= fall_m
    below = (rows + np.where(to >= 0, D_ROW[to], 0), cols + np.where(to >= 0, D_COL[to], 0))
    into_wall = (to >= 0) & walls[below] & ~walls
    return over | into_wall, np.where(over, np.minimum(fall, counted_m), 0.0).astype(np.float32)


def trace_down_plain(ends: Mask, to: Codes, length: Floats, within_m: float) -> tuple[Ints, Floats]:
    """`trace_up` from the other side: every cell walks down until it meets an end or has gone far enough."""
    rows, cols = to.shape
    ends_at = np.full((rows, cols), -1, dtype=np.int32)
    run = np.full((rows, cols), np.inf)
    for r in range(rows):
        for c in range(cols):
            rr, cc = int(r), int(c)
            steps: list[float] = []
            while not ends[rr, cc] and to[rr, cc] >= 0 and sum(steps) <= within_m:
                k = to[rr, cc]
                steps.append(float(length[k]))
                rr, cc = rr + int(D_ROW[k]), cc + int(D_COL[k])
            gone = sum(reversed(steps))  # in the kernel's order, so that rounding is the same
            if ends[rr, cc] and gone <= within_m:
                ends_at[r, c] = rr * cols + cc
                run[r, c] = gone
    return ends_at, run
